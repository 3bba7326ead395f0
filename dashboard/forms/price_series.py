"""Which price a section speaks of: the crop, the market's series, the place of sale and the price of today."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import pandas as pd
import streamlit as st

from core.errors import PriceDataError
from core.group.records import Group
from core.group.selling import (
    FARM_GATE,
    OLD_QUOTE_DAYS,
    CropPrices,
    basis_to,
    buyer_book,
    group_prices,
    own_prices,
    waiting_costs,
)
from core.market.outlook import PriceOutlook, price_outlook, with_price_of_today
from core.market.prices import Basis
from core.market.waiting import WaitingCosts
from dashboard import page, state
from dashboard.forms.fields import Field, draw_fields
from dashboard.names import crop_name
from dashboard.text import _, day, money, ngettext, percent


@dataclass(frozen=True)
class Place:
    """Where the grain is sold: at the market of the series, or at the farm gate with its basis."""

    basis: Basis | None
    last_price: float
    last_on: date
    seen: bool


@dataclass(frozen=True)
class Chosen:
    """What was chosen, with the figures that the answer rests on.

    Attributes
    ----------
    known : CropPrices
        The market's months and its neighbours'.
    prices : Series
        The months, this month's price in place [money/kg].
    price_today : float
        Where the grain is sold [money/kg].
    """

    crop: str
    market: str
    kind: str
    known: CropPrices
    prices: pd.Series
    place: Place
    price_today: float
    costs: WaitingCosts
    key: str

    def outlook(self) -> PriceOutlook:
        """Return what may come of the price, from the cache where nothing has changed."""
        neighbours = list(self.known.neighbours)
        return _outlook(self.prices, self.costs, self.price_today, neighbours, self.place.basis, self.key)


@st.cache_data(max_entries=32, show_spinner=False)
def _known(group_id: int, version: int, commodity: str, market: str, kind: str) -> CropPrices | None:
    """Return what the group's quotes say of one market and kind of price."""
    return group_prices(state.store(), group_id, commodity, market, kind)


@st.cache_data(max_entries=32, show_spinner=False)
def _outlook(
    prices: pd.Series,
    costs: WaitingCosts,
    price_today: float,
    _neighbours: list[pd.Series],
    _basis: Basis | None,
    key: str,
) -> PriceOutlook:
    return price_outlook(prices, costs, price_today, _neighbours, _basis)


def quotes_or_stop(group: Group) -> pd.DataFrame:
    """Return a group's prices, or say where they are entered and end the page."""
    quotes = state.store().price_quotes(group.id)
    if quotes.empty:
        st.info(_("There are no prices yet. Note today's price, or import past prices of a market near you."))
        page.link("prices", _("Import prices"), "price_import")
        st.stop()
    return quotes


def choose_price(group: Group, quotes: pd.DataFrame) -> Chosen:
    """Ask for crop, market, place of sale and today's price."""
    left, right = st.columns(2)
    lots = state.store().lots(group.id, open_only=True)
    bags = {crop: sum(lot.bags for lot in lots if lot.commodity == crop) for crop in quotes["commodity"].unique()}
    crops = sorted(quotes["commodity"].value_counts(sort=True).index, key=lambda crop: -bags[crop])
    crop = left.selectbox(_("Crop"), crops, format_func=crop_name, key="prices_crop", persist_state="session")
    of_crop = quotes[quotes["commodity"] == crop]
    pairs = list(of_crop.groupby(["market", "price_type"]).size().sort_values(ascending=False, kind="stable").index)
    planned = group_prices(state.store(), group.id, crop)
    first = (planned.market.market, planned.market.price_type) if planned is not None else pairs[0]
    market, kind = right.selectbox(
        _("Market"),
        sorted(pairs, key=lambda pair: pair != first),
        format_func=lambda pair: f"{pair[0] or _('no market named')} · {_(pair[1])}",
        key="prices_market",
        persist_state="session",
    )
    version = state.store().version(group.id)
    known = _known(group.id, version, crop, market, kind)
    if known is None:
        raise PriceDataError("there are no prices yet")
    if known.lent_by:
        words = _("Months that this market lacks are those of {market}, at this market's level.")
        st.caption(words.format(market=known.lent_by))
    if planned is not None and market and market != planned.market.market and kind != FARM_GATE:
        _offer_as_own(group, str(market), planned.market.market)
    left, right = st.columns(2)
    with left:
        place = _ask_place(group, crop, known)
    usual = round(place.last_price, 2 if place.last_price >= 10 else 4)
    with right:
        form = f"prices_today_{crop}_{market}_{kind}_{place.basis is not None}"
        price_today = _ask_price(group.currency, usual, form)
    _tell_age(group, place, known.by_gate)
    prices, this_month = known.months, pd.Period(state.today(), freq="M")
    given = place.basis is None and abs(price_today - usual) > 1e-9
    if given or (place.basis is None and prices.index[-1] >= this_month):
        # A price given for today stands for its month; an old quote is not passed off as today's.
        prices = with_price_of_today(prices, state.today(), price_today)
    return Chosen(
        crop=str(crop),
        market=str(market),
        kind=str(kind),
        known=known,
        prices=prices,
        place=place,
        price_today=price_today,
        costs=waiting_costs(state.store().facts(group.id)),
        key=f"{group.id} {version} {crop} {market} {kind} {place.basis is None}",
    )


def _ask_price(currency: str, usual: float, form: str) -> float:
    """Return today's price as it stands in its field, `usual` at first; the page ends where there is none."""
    label = _("Today's price, {currency} per kg").format(currency=currency)
    asked = Field("price", label, "number", low=0.0001, value=usual, wide=True, keep=True)
    filled = draw_fields(form, (asked,))
    if not filled.complete:
        st.stop()
    return float(filled["price"])


def _offer_as_own(group: Group, market: str, planned: str) -> None:
    """Say which market the sale plan uses, and let the group take this one instead."""
    fact = state.store().fact(group.id, "plan.market")
    left, right = st.columns([2, 1], vertical_alignment="center")
    left.caption(_("The sale plan uses the prices of {market}.").format(market=planned or _("no market named")))
    if right.button(_("We sell here"), key=f"prices_own_{market}"):
        with page.plain_errors():
            state.store().set_fact(
                group.id, "plan.market", market, "entered", state.who(), state.now(), expected=fact.revision
            )
            st.rerun()


def _ask_place(group: Group, crop: str, known: CropPrices) -> Place:
    """Ask where the grain is sold, and say how the farm gate's price compares with the market's."""
    own_months = known.market.monthly.prices.index
    at_market = Place(None, known.price_now, known.on, known.months.index[-1] == own_months[-1])
    if known.market.price_type == FARM_GATE:
        return at_market
    store = state.store()
    own = own_prices(store, group.id, crop, buyer_book(store, group.id))
    usual = store.fact(group.id, "plan.gate_factor")
    basis = basis_to(known.seen, own, state.today(), float(usual.value))
    places = {"gate": _("at the farm gate"), "market": _("at this market")}
    chosen = st.radio(
        _("Where you sell"),
        list(places),
        0 if basis.quotes else 1,
        format_func=lambda key: places[key],
        horizontal=True,
        key=f"prices_place_{crop}",
        persist_state="session",
        help=_basis_words(basis, page.origin_text(usual)),
    )
    if chosen == "market":
        return at_market
    return Place(basis, known.price_now * basis.factor, known.on, known.by_gate)


def _basis_words(basis: Basis, usual: str) -> str:
    """Return how the farm gate's price compares with the market's, and how well that is known."""
    if not basis.quotes:
        return _(
            "There is no own sale and no farm gate price in the same months as this market's prices. The farm gate is "
            "taken as {factor} of the market's price ({origin})."
        ).format(factor=percent(basis.factor), origin=usual)
    low, high = basis.interval()
    return ngettext(
        "Own sales and farm gate prices were about {factor} of this market's price. 8 in 10 next prices: {low} to "
        "{high}. Learnt from {n} month.",
        "Own sales and farm gate prices were about {factor} of this market's price. 8 in 10 next prices: {low} to "
        "{high}. Learnt from {n} months.",
        basis.quotes,
    ).format(factor=percent(basis.factor), low=percent(low), high=percent(high), n=basis.quotes)


def _tell_age(group: Group, place: Place, by_gate: bool) -> None:
    """Say how old the price is that the section starts from, and whether it was seen."""
    age = (state.today() - place.last_on).days
    words = _("Last market price: {price} per kg on {date}, {age}.")
    if place.basis is not None and by_gate:
        words = _("Last own price: {price} per kg on {date}, {age}.")
    elif by_gate:
        words = _("{price} per kg is worked out from the farm gate's price of {date}, {age}: the market's last is old.")
    elif not place.seen:
        words = _("{price} per kg is estimated from the market's price of {date}, {age}.")
    st.caption(
        words.format(
            price=money(place.last_price, group.currency),
            date=day(place.last_on),
            age=ngettext("{n} day old", "{n} days old", age).format(n=age),
        )
    )
    if age > OLD_QUOTE_DAYS:
        st.warning(_("The last price is old: note this week's price before you rely on this page."))
