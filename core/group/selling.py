"""What a group's own records say of its market, its buyers and its own price against the market's."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any

import pandas as pd

from core.errors import InputError, PriceDataError
from core.group.records import PriceQuote
from core.market.buyer_book import (
    BOOK,
    AssumedTerms,
    BuyerBook,
    OfferEntry,
    buyer_from,
    loads_weighed_twice,
    offer_from,
    replay_buyers,
)
from core.market.buyers import Bid, Buyer, compare_bids
from core.market.deductions import flat_deductions
from core.market.prices import SLIP, Basis, MonthlyPrices, learn_basis, monthly_prices
from core.market.waiting import Verdict, WaitingCosts, verdict

FARM_GATE = "farm gate"
GATE, MARKET = "trader at the farm gate", "market"


def assumed_terms(facts: dict[str, Any]) -> AssumedTerms:
    """Return what is taken of a buyer of whom nobody said otherwise, from a group's facts."""

    def value(key: str) -> float:
        return float(facts[key].value)

    return AssumedTerms(
        trip_cost=value("truck.trip_cost"),
        km_cost=value("truck.km_cost"),
        truck_kg=value("truck.capacity_kg"),
        pay_delay_days=int(value("pay_delay_days")),
        chance_not_honoured=value("offer_chance_not_honoured"),
        weekly_quantity_kg=value("plan.market_weekly_kg"),
        price_fall=value("plan.price_fall"),
        fee_share=0.0,
        discount_per_point=value("plan.discount_per_point"),
        damage_per_pct=value("damaged_price_cut_per_point"),
    )


GATE_REFUSAL_PCT, MARKET_REFUSAL_POINTS = 25.0, 3.5
"""Moisture at which a trader at the farm gate refuses [% w.b.], and how far above its base a market does [points].

Basis: judgement.
"""


def usual_buyers(facts: dict[str, Any], limit_pct: float) -> tuple[Buyer, Buyer]:
    """Return the trader at the farm gate and the market, who buy without an entry in the book.

    Parameters
    ----------
    limit_pct : float
        Moisture up to which they pay in full [% w.b.].
    """
    assumed = assumed_terms(facts)
    distance = float(facts["plan.market_km"].value)
    cut = flat_deductions(limit_pct, assumed.discount_per_point, damage_per_pct=assumed.damage_per_pct)
    gate = Buyer(
        GATE, price_factor=float(facts["plan.gate_factor"].value), deductions=replace(cut, refusal_pct=GATE_REFUSAL_PCT)
    )
    market = Buyer(
        MARKET,
        deductions=replace(cut, refusal_pct=limit_pct + MARKET_REFUSAL_POINTS),
        distance_km=distance,
        trip_cost=assumed.trip_cost + 2 * distance * assumed.km_cost,
        truck_kg=assumed.truck_kg,
        weekly_quantity_kg=assumed.weekly_quantity_kg,
        price_fall_per_double=assumed.price_fall / 2,
        fee_share=float(facts["plan.market_fee"].value),
    )
    return gate, market


def waiting_costs(facts: dict[str, Any]) -> WaitingCosts:
    """Return what waiting costs a group: the one home of the figures that page, plan and advice use."""
    return WaitingCosts(
        months=int(facts["sale_horizon_months"].value),
        monthly_interest=float(facts["interest_monthly"].value),
        monthly_loss=float(facts["market_loss_monthly"].value),
        monthly_cost=float(facts["storage_cost_kg_month"].value),
        monthly_rise=float(facts["price_rise_monthly"].value),
    )


def crop_verdict(store: Any, group_id: int, commodity: str, known: CropPrices | None = None) -> Verdict | None:
    """Return whether past prices of a crop support waiting at a group's costs; None where they are too few to say.

    Parameters
    ----------
    known : CropPrices, optional
        From `group_prices`, where it is at hand already.
    """
    known = known or group_prices(store, group_id, commodity)
    if known is None:
        return None
    try:
        return verdict(known.months, waiting_costs(store.facts(group_id)), known.price_now, known.neighbours)
    except PriceDataError:
        return None


def buyer_book(store: Any, group_id: int) -> BuyerBook:
    """Return a group's buyers and offers as they stand, with offsets of scale and meter learnt from its deliveries."""
    loads = loads_weighed_twice(store.events(group_id, "pool"))
    return replay_buyers(store.events(group_id, BOOK), assumed_terms(store.facts(group_id)), loads)


@dataclass(frozen=True)
class ReferenceMarket:
    """The series of a crop that its price is read from: one market and one kind of price, never a mixture."""

    market: str
    price_type: str
    monthly: MonthlyPrices


OLD_QUOTE_DAYS = 45
"""Days after which a price is called old; basis: judgement."""
LEAST_MONTHS = 24
"""Months that a series needs to have a season of its own, or to lend it."""


def reference_market(quotes: pd.DataFrame, market: str = "", price_type: str | None = None) -> ReferenceMarket | None:
    """Return a crop's reference market, None without prices; a farm gate only where it is asked for.

    Of the kind of price with the longest series: the market asked for, else that with most months among those with a
    price of the last weeks, so that a file that ended long ago never hides this week's price.

    Parameters
    ----------
    quotes : DataFrame
        Of one crop: quoted_on, market, price_type, price_per_kg.
    market : str
        Where the group sells; of no effect where it has no such price.
    price_type : str, optional
        Kind of price asked for; default that of the longest series, the farm gate apart.
    """
    usable = quotes[quotes["price_per_kg"] > 0]
    usable = usable[usable["price_type"] != FARM_GATE if price_type is None else usable["price_type"] == price_type]
    if market and (usable["market"] == market).any():
        usable = usable[usable["market"] == market]
    if usable.empty:
        return None
    days = pd.to_datetime(usable["quoted_on"])
    series = usable.assign(month=days.dt.to_period("M"), day=days).groupby(["market", "price_type"], dropna=False)
    found = series.agg(months=("month", "nunique"), days=("day", "nunique"), last=("day", "max")).reset_index()
    found = found.sort_values(["months", "days"], ascending=False, kind="stable")
    found = found[found["price_type"] == found["price_type"].iloc[0]]
    found = found[found["last"] >= found["last"].max() - pd.Timedelta(days=OLD_QUOTE_DAYS)]
    name, kind = found[["market", "price_type"]].iloc[0]
    chosen = usable[(usable["market"] == name) & (usable["price_type"] == kind)]
    return ReferenceMarket(str(name), str(kind), monthly_prices(chosen))


@dataclass(frozen=True)
class CropPrices:
    """What a group's quotes say of a crop's price.

    Attributes
    ----------
    price_now : float
        Last price at the reference market [money/kg].
    months : Series
        Months of the reference market, slips mended [money/kg]; those that it lacks at either end may be lent.
    neighbours : tuple of Series
        Months of the same kind of price in other markets, the longest first.
    market : ReferenceMarket
        Where they come from; the farm gate where nothing else is known.
    lent_by : str
        Market whose months stand for those that this one lacks, brought to its level; "" where it needs none.
    seen : Series
        The months without those that the farm gate lends: own prices are held against these alone.
    """

    price_now: float
    on: date
    months: pd.Series
    neighbours: tuple[pd.Series, ...]
    market: ReferenceMarket
    lent_by: str
    seen: pd.Series

    @property
    def by_gate(self) -> bool:
        """Whether today's price is worked out from the farm gate's, for the market's is too old."""
        return len(self.seen) < len(self.months)


def crop_prices(
    quotes: pd.DataFrame,
    gate_factor: float = 1.0,
    market: str = "",
    price_type: str | None = None,
    gate: pd.DataFrame | None = None,
) -> CropPrices | None:
    """Return a crop's prices as plans use them: one market and one kind of price, never a mixture.

    Parameters
    ----------
    quotes : DataFrame
        Of one crop: quoted_on, market, price_type, price_per_kg.
    gate_factor : float
        Farm gate price as a multiple of the market's, where nothing else is known of it.
    market, price_type : str
        Where the group sells ("": not said) and the kind of price, as `reference_market` takes them.
    gate : DataFrame, optional
        The group's own prices at the gate, from `own_prices`. Where every market's last price is older than theirs by
        `OLD_QUOTE_DAYS`, they bring the market's up to their day, by what they were of it before (`basis_to`).

    Returns
    -------
    CropPrices or None
        None without any price.
    """
    usable = quotes[quotes["price_per_kg"] > 0]
    found, scale = reference_market(usable, market, price_type), 1.0
    if found is None and price_type is None:
        found = reference_market(usable, market, FARM_GATE)
    if found is None:
        return None
    if price_type is None and found.price_type == FARM_GATE:
        scale = 1.0 / gate_factor
    same = usable[usable["price_type"] == found.price_type]
    here = same[same["market"] == found.market].sort_values("quoted_on", kind="stable")
    last_on = pd.Timestamp(here["quoted_on"].iloc[-1])
    months = found.monthly.prices
    # A last quote that was left out as a slip, alone or within its month, is not today's price.
    price, middle = float(here["price_per_kg"].iloc[-1]), months[months.index == last_on.to_period("M")]
    if middle.empty or not 1 / SLIP <= price / float(middle.iloc[0]) <= SLIP:
        price = float(months.iloc[-1])
    others: dict[str, pd.Series] = {}
    for other in same.loc[same["market"] != found.market, "market"].value_counts().index:
        series = monthly_prices(same[same["market"] == other]).prices
        if len(series) >= LEAST_MONTHS:
            others[str(other)] = series * scale
    months, price, lent_by = months * scale, price * scale, ""
    lasts = pd.to_datetime(same.groupby("market")["quoted_on"].max())
    fresh = [name for name in others if lasts[name] > last_on + pd.Timedelta(days=OLD_QUOTE_DAYS)]
    fresh = [name for name in fresh if len(months.index.intersection(others[name].index))]
    if fresh or (len(months) < LEAST_MONTHS and others):
        lent_by = fresh[0] if fresh else next(iter(others))
        months = with_lent_months(months, others.pop(lent_by), later=bool(fresh))
    if fresh:
        price, last_on = float(months.iloc[-1]), lasts[lent_by]
    made = CropPrices(price, last_on.date(), months, tuple(others.values()), found, lent_by, months)
    return made if gate is None or found.price_type == FARM_GATE else _brought_up(made, gate, gate_factor)


def _brought_up(known: CropPrices, gate: pd.DataFrame, gate_factor: float) -> CropPrices:
    """Return prices with today's worked out from the farm gate's, where that is the only one of these weeks.

    One of the month after the market's last is no such price: what the gate is of the market is learnt from it.
    """
    if gate.empty:
        return known
    last = gate.iloc[-1]
    month = last["on"].to_period("M")
    if last["on"] <= pd.Timestamp(known.on) + pd.Timedelta(days=OLD_QUOTE_DAYS) or month <= known.months.index[-1] + 1:
        return known
    months = monthly_prices(gate.rename(columns={"on": "date"})).prices
    if month not in months.index:  # left out as a slip
        return known
    on = last["on"].date()
    factor = basis_to(known.months, gate, on, gate_factor).factor
    later = months[months.index > known.months.index[-1]] / factor
    price = float(last["price_per_kg"]) / factor
    return replace(known, price_now=price, on=on, months=pd.concat([known.months, later]))


def with_lent_months(own: pd.Series, longer: pd.Series, later: bool = False) -> pd.Series:
    """Return a market's months [money/kg], with those before its first from another market at this one's level.

    Parameters
    ----------
    own, longer : Series
        Prices [money/kg], monthly PeriodIndex. The level is the middle ratio of their common months; without any, the
        other's prices stand as they are (basis: judgement; the same crop, kind of price and money).
    later : bool
        Whether the months after its last are lent too.
    """
    ratios = (own / longer).dropna()
    lent = (float(ratios.median()) if len(ratios) else 1.0) * longer
    after = lent[lent.index > own.index[-1]] if later else lent[:0]
    return pd.concat([lent[lent.index < own.index[0]], own, after])


def group_prices(
    store: Any, group_id: int, commodity: str, market: str | None = None, price_type: str | None = None
) -> CropPrices | None:
    """Return a crop's prices where a group sells it: those that plan, advice, buyers and pages start from.

    Parameters
    ----------
    market, price_type : str
        Where the group sells, if not what it has said, and the kind of price, as `crop_prices` takes them.
    """
    facts = store.facts(group_id)
    quotes = store.price_quotes(group_id, commodity)
    gate = own_prices(store, group_id, commodity, buyer_book(store, group_id))
    own_market = str(facts["plan.market"].value) if market is None else market
    return crop_prices(quotes, float(facts["plan.gate_factor"].value), own_market, price_type, gate)


@dataclass(frozen=True)
class SplitQuotes:
    """Prices of a file against those that a group has; `differing` ones are new and differ from one of the same day."""

    new: tuple[PriceQuote, ...]
    known: tuple[PriceQuote, ...]
    differing: tuple[PriceQuote, ...]


def split_known(quotes: Sequence[PriceQuote], stored: pd.DataFrame) -> SplitQuotes:
    """Part the prices of a file into new ones and those that a group has already, to a millionth of the price."""
    there: dict[tuple[Any, ...], list[float]] = {}
    for row in stored.to_dict("records"):
        key = (pd.Timestamp(row["quoted_on"]).date(), row["market"], row["commodity"], row["price_type"])
        there.setdefault(key, []).append(float(row["price_per_kg"]))
    new, known, differing = [], [], []
    for quote in quotes:
        prices = there.get((quote.quoted_on, quote.market, quote.commodity, quote.price_type), [])
        if any(abs(price - quote.price_per_kg) <= 1e-6 * price for price in prices):
            known.append(quote)
        else:
            new.append(quote)
            if prices:
                differing.append(quote)
    return SplitQuotes(tuple(new), tuple(known), tuple(differing))


def own_prices(store: Any, group_id: int, commodity: str, book: BuyerBook, buyer: str | None = None) -> pd.DataFrame:
    """Return a group's own prices of a crop: at the gate, or those that a buyer paid.

    Parameters
    ----------
    buyer : str, optional
        Name of a buyer; default the gate: quotes of the farm gate, and sales to those who are not in the book or who
        collect.

    Returns
    -------
    DataFrame
        Columns on (date), price_per_kg [money/kg], what ("sale" or "quote").
    """
    rows: list[dict[str, Any]] = []
    far = {entry.buyer.name.strip().lower() for entry in book.buyers if entry.buyer.distance_km > 0}
    sales = store.sales(group_id)
    for sale in sales[(sales["commodity"] == commodity) & (sales["price_per_kg"] > 0)].itertuples():
        name = str(sale.buyer or "").strip().lower()
        if name == buyer.strip().lower() if buyer is not None else name not in far:
            rows.append({"on": pd.Timestamp(sale.sold_on), "price_per_kg": float(sale.price_per_kg), "what": "sale"})
    if buyer is None:
        quotes = store.price_quotes(group_id, commodity)
        for quote in quotes[quotes["price_type"] == FARM_GATE].itertuples():
            rows.append(
                {"on": pd.Timestamp(quote.quoted_on), "price_per_kg": float(quote.price_per_kg), "what": "quote"}
            )
    return pd.DataFrame(rows, columns=["on", "price_per_kg", "what"]).sort_values("on", kind="stable")


def basis_to(reference: pd.Series, own: pd.DataFrame, today: date, prior_factor: float = 1.0) -> Basis:
    """Return how own prices stand to a reference market's months.

    Parameters
    ----------
    reference : Series
        Price [money/kg], monthly PeriodIndex; a month without a price takes that of the month before or after.
    today : date
        Later prices are not used.
    prior_factor : float
        What is usual where nothing is known.
    """
    known = own[own["on"] <= pd.Timestamp(today)]
    months = known["on"].dt.to_period("M") if len(known) else pd.PeriodIndex([], freq="M")
    by_month = known.groupby(months)["price_per_kg"].median().astype(float)
    by_month.index = pd.PeriodIndex(by_month.index, freq="M")
    span = pd.period_range(reference.index.min() - 1, reference.index.max() + 1, freq="M")
    near = reference.reindex(span).ffill(limit=1).bfill(limit=1).dropna()
    return learn_basis(by_month, near, prior_factor=prior_factor)


@dataclass(frozen=True)
class Seller:
    """A way to sell a crop at the market's price: the buyer's terms, and how the price was learnt (None: not)."""

    buyer: Buyer
    basis: Basis | None


def ways_to_sell(
    store: Any, group_id: int, commodity: str, reference: pd.Series, book: BuyerBook, limit_pct: float, today: date
) -> list[Seller]:
    """Return the farm gate, the market and every buyer of the book who takes a crop at the market's price.

    Parameters
    ----------
    reference : Series
        Months of the reference market, as `CropPrices.seen` [money/kg].
    limit_pct : float
        Moisture above which gate and market take off [% w.b.].
    """
    gate, market = usual_buyers(store.facts(group_id), limit_pct)
    basis = basis_to(reference, own_prices(store, group_id, commodity, book), today, gate.price_factor)
    found = [Seller(replace(gate, price_factor=basis.factor), basis) if basis.quotes else Seller(gate, None)]
    found.append(Seller(market, None))
    for entry in book.standing_buyers():
        if entry.only_offers or not entry.buyer.takes(commodity):
            continue
        learnt = None
        buyer = entry.buyer
        if "price_factor" not in entry.entered:
            learnt = basis_to(reference, own_prices(store, group_id, commodity, book, buyer.name), today)
            if learnt.quotes:
                buyer = replace(buyer, price_factor=learnt.factor)
        found.append(Seller(buyer, learnt if learnt is not None and learnt.quotes else None))
    return found


def still_owed(rows: Sequence[Mapping[str, Any]], sales: pd.DataFrame) -> list[float]:
    """Return what of each promise or offer is not delivered yet [kg].

    A sale delivers what was agreed of its crop, of its lot where one was named, with its buyer from the day of the
    agreement on; each kg once, to the one that is due first.

    Parameters
    ----------
    rows : sequence of mapping
        buyer, commodity, kg, agreed_on, due, and lot where one was named.
    """
    there = [
        (str(sale["buyer"]).strip().lower(), sale["commodity"], str(sale["lot_id"]), pd.Timestamp(sale["sold_on"]))
        for sale in sales.to_dict("records")
    ]
    kg, owed = [float(mass) for mass in sales["mass_kg"]], [float(row["kg"]) for row in rows]
    for number in sorted(range(len(rows)), key=lambda at: (str(rows[at]["due"]), not rows[at].get("lot"))):
        row, lot = rows[number], str(rows[number].get("lot") or "")
        for place, (buyer, crop, sold, on) in enumerate(there):
            meant = (buyer, crop) == (str(row["buyer"]).strip().lower(), str(row["commodity"])) and lot in ("", sold)
            if meant and on >= pd.Timestamp(row["agreed_on"]):
                taken = min(owed[number], kg[place])
                owed[number], kg[place] = owed[number] - taken, kg[place] - taken
    return owed


def open_offers(book: BuyerBook, sales: pd.DataFrame, today: date) -> list[OfferEntry]:
    """Return the standing offers with what they still take; those that sales to the buyer have filled are left out.

    Sold since the day on which an offer begins, or on which somebody last said what it takes.
    """
    entries = book.standing_offers(today)
    rows = [
        {
            "buyer": entry.offer.buyer.name,
            "commodity": entry.offer.commodity,
            "kg": entry.offer.quantity_kg,
            "agreed_on": max(entry.offer.valid_from, entry.changed_on),
            "due": entry.offer.valid_until.isoformat(),
        }
        for entry in entries
    ]
    left = zip(entries, still_owed(rows, sales), strict=True)
    return [replace(entry, offer=replace(entry.offer, quantity_kg=kg)) for entry, kg in left if kg > 0.5]


def write_buyer(
    store: Any, group_id: int, payload: dict[str, Any], on: date, who: str, at: datetime, token: str = ""
) -> int:
    """Write a buyer's terms into the book after checking them, and return the entry's number.

    Raises
    ------
    InputError
        Terms that cannot be, or a name that another buyer has.
    """
    book = buyer_book(store, group_id)
    buyer, _ = buyer_from(payload, assumed_terms(store.facts(group_id)))
    others = {entry.buyer.name.strip().lower() for entry in book.standing_buyers() if entry.number != payload.get("of")}
    if buyer.name.lower() in others:
        raise InputError("there is a buyer {name} already: change that one", name=buyer.name)
    return int(store.append_event(group_id, BOOK, "buyer", on, who, payload, at, token=token))


def write_offer(
    store: Any, group_id: int, payload: dict[str, Any], on: date, who: str, at: datetime, token: str = ""
) -> int:
    """Write an offer into the book after checking it, and return the entry's number.

    Raises
    ------
    InputError
        Terms that cannot be, or a buyer who is not in the book.
    """
    book = buyer_book(store, group_id)
    buyer = next((entry.buyer for entry in book.standing_buyers() if entry.number == payload.get("buyer")), None)
    if buyer is None:
        raise InputError("choose a buyer of the book first")
    offer_from(payload, buyer, assumed_terms(store.facts(group_id)))
    return int(store.append_event(group_id, BOOK, "offer", on, who, payload, at, token=token))


def withdraw(
    store: Any, group_id: int, number: int, reason: str, on: date, who: str, at: datetime, token: str = ""
) -> None:
    """Write that a buyer or an offer is withdrawn; the entries stay."""
    store.append_event(group_id, BOOK, "withdrawn", on, who, {"of": number, "reason": reason}, at, token=token)


SPOT_SHARE = 0.7
"""What a refused load is sold on at, as a share of the market's price, as the sale plan takes it; basis: judgement."""
SAME = 0.02
"""Bids nearer than this to the best are called the same: prices are not known better; basis: judgement."""


@dataclass(frozen=True)
class Delivery:
    """Grain that is to be sold: crop, mass [kg], moisture by our meter with its error, and the limit it is judged by.

    `treated` says whether it carries a protectant.
    """

    commodity: str
    mass_kg: float
    moisture_pct: float
    moisture_sd_pct: float
    limit_pct: float
    treated: bool = False


@dataclass(frozen=True)
class Comparison:
    """What a delivery is worth today from every buyer and offer.

    Attributes
    ----------
    bids : tuple of Bid
        The best first, those who do not take it last.
    price : float
        Today's at the reference market [money/kg].
    """

    bids: tuple[Bid, ...]
    sellers: tuple[Seller, ...]
    market: ReferenceMarket
    price: float

    @property
    def taking(self) -> list[Bid]:
        """Return the bids of those who take the delivery, the best first."""
        return [bid for bid in self.bids if not bid.refused]

    def gain_over_gate(self) -> float | None:
        """Return what the best bid is worth more than the farm gate [money/kg]; None where it is the gate's."""
        gate = next((bid for bid in self.taking if bid.name == GATE and bid.offer is None), None)
        if gate is None or gate is self.taking[0]:
            return None
        return self.taking[0].net_today_per_kg - gate.net_today_per_kg

    def as_good(self) -> Bid | None:
        """Return the next bid where it is about as good as the best."""
        taking = self.taking
        near = [bid for bid in taking[1:] if bid.net_today_per_kg > (1 - SAME) * taking[0].net_today_per_kg]
        return near[0] if near else None


def compare_delivery(store: Any, group_id: int, delivery: Delivery, book: BuyerBook, today: date) -> Comparison | None:
    """Return what every buyer and offer is worth for a delivery today; None without a price of the crop.

    The price is the one that the plan and the prices page start from (`group_prices`).
    """
    facts = store.facts(group_id)
    known = group_prices(store, group_id, delivery.commodity)
    if known is None:
        return None
    price = known.price_now
    sellers = ways_to_sell(store, group_id, delivery.commodity, known.seen, book, delivery.limit_pct, today)
    bids = compare_bids(
        buyers=[seller.buyer for seller in sellers],
        offers=[entry.offer for entry in open_offers(book, store.sales(group_id), today)],
        commodity=delivery.commodity,
        market_price=price,
        price_otherwise=SPOT_SHARE * price,
        mass_kg=delivery.mass_kg,
        moisture_pct=delivery.moisture_pct,
        moisture_sd_pct=min(delivery.moisture_sd_pct, 3.0),
        treated=delivery.treated,
        day=today,
        monthly_interest=float(facts["interest_monthly"].value),
    )
    return Comparison(tuple(bids), tuple(sellers), known.market, price)
