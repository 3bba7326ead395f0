"""What would have helped a group: losses that could have been avoided, in money, from its own records and prices."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import numpy as np
import pandas as pd

from core.accounts.finance import present_value
from core.errors import DryholdError
from core.grain.mass import mass_after_drying
from core.group.limits import standard_limit
from core.messages import Message, message
from core.programme.indicators import Records, lot_facts, market_price, reading_moisture

CAUSES = ("waiting wet", "stored untested", "over-drying", "lost in store", "sold early")
REMEDY = {
    "waiting wet": message("drying space or a shared dryer"),
    "stored untested": message("more readings before bagging, training"),
    "over-drying": message("readings near the end of drying, training"),
    "lost in store": message("sealed bags"),
    "sold early": message("credit against stored grain"),
}
WARM_C = 25.0
MONTHS_AHEAD = 6
REFUSED_SHARE = 0.15
"""Value lost where grain above the limit is refused or discounted; basis: judgement, as the default of the records."""


@dataclass(frozen=True)
class Avoidable:
    """One cause's avoidable loss in a group: money at the prices of the day, and the lots it rests on."""

    cause: str
    money: float
    lots: int
    reason: Message


def _price(records: Records, commodity: str, day: date | None) -> float:
    price = market_price(records.prices, commodity, day) if day else None
    if price is None and len(records.prices):
        own = records.prices[records.prices["commodity"] == commodity]["price_per_kg"]
        price = float(own.iloc[-12:].median()) if len(own) else None
    return price or 0.0


def _daily_moisture(records: Records, lot_id: int, commodity: str) -> pd.Series:
    own = records.readings[records.readings["lot_id"] == lot_id]
    if own.empty:
        return pd.Series(dtype=float)
    own = own.assign(moisture=reading_moisture(own, commodity), day=pd.to_datetime(own["taken_at"]).dt.date)
    return own.groupby("day")["moisture"].mean().dropna()


def dry_matter_lost_wet(commodity: str, days: float, moisture_pct: float, temperature_c: float = WARM_C) -> float:
    """Return the fraction of dry matter lost in days at a moisture (published relation of the crop, see core.storage.simulate)."""
    from core.storage.simulate import dry_matter_loss

    try:
        return float(np.clip(dry_matter_loss(commodity, days, temperature_c, moisture_pct), 0, 100)) / 100
    except DryholdError:
        return 0.0


def avoidable_losses(
    records: Records, monthly_interest: float, monthly_loss: float, dry_within_days: float = 5.0
) -> list[Avoidable]:
    """Return the avoidable losses of a group, largest first.

    Parameters
    ----------
    records : Records
        Of one season.
    monthly_interest, monthly_loss : float
        Cost of money and usual weight loss in store, fractions a month.
    dry_within_days : float
        Days in which grain can be dried with enough space in the group's weather, from the drying model.

    Returns
    -------
    list of Avoidable
        "waiting wet": dry matter lost on days beyond `dry_within_days`; "stored untested" and refused: the discount on
        grain bagged untested that later read above the limit; "over-drying": water below the limit that the buyer would
        have paid for; "lost in store": dry matter missing beyond half a per cent of handling; "sold early": what
        waiting was expected to bring at the time of sale, by a season fitted to earlier prices only.
    """
    sums = dict.fromkeys(CAUSES, 0.0)
    counts = dict.fromkeys(CAUSES, 0)

    def add(cause: str, money: float) -> None:
        if money > 0:
            sums[cause] += money
            counts[cause] += 1

    for fact in lot_facts(records):
        lot, limit = fact.lot, fact.limit_pct
        bag = lot.bag_mass_kg or lot.nominal_bag_kg
        if limit is None or bag is None:
            continue
        mass = bag * lot.bags
        price = _price(records, lot.commodity, lot.harvested_on)
        daily = _daily_moisture(records, lot.id, lot.commodity)
        start = lot.weighed_moisture_pct or (float(daily.iloc[0]) if len(daily) else None)
        if fact.days_to_dry is not None and start is not None and start > limit:
            beyond = max(0.0, fact.days_to_dry - dry_within_days)
            mean = (start + limit) / 2
            whole, allowed = (
                dry_matter_lost_wet(lot.commodity, days, mean) for days in (dry_within_days + beyond, dry_within_days)
            )
            add("waiting wet", (whole - allowed) * mass * price)
        if lot.stored_on and fact.tested_before is False and len(daily) and float(daily.iloc[0]) > limit:
            add("stored untested", REFUSED_SHARE * mass * price)
        last = float(daily.iloc[-1]) if len(daily) else None
        if last is not None and lot.use == "sale" and last < limit - 0.5 and start is not None and start > last:
            # the buyer pays for grain up to the limit; half a point is the group's margin (judgement)
            paid = mass_after_drying(mass, start, limit - 0.5) - mass_after_drying(mass, start, last)
            add("over-drying", float(paid) * price)
    _add_sales(records, add, monthly_interest, monthly_loss)
    result = [
        Avoidable(
            cause,
            sums[cause],
            counts[cause],
            message(
                "{cause}, {lots} lots; would help: {remedy}",
                cause=Message(cause),
                lots=counts[cause],
                remedy=REMEDY[cause],
            ),
        )
        for cause in CAUSES
        if counts[cause]
    ]
    return sorted(result, key=lambda item: -item.money)


def _add_sales(records: Records, add: object, monthly_interest: float, monthly_loss: float) -> None:
    lots = {lot.id: lot for lot in records.lots}
    expected: dict[tuple[str, int, int], float] = {}
    for sale in records.sales.to_dict("records"):
        lot = lots.get(int(sale["lot_id"]))
        if lot is None:
            continue
        day = pd.Timestamp(sale["sold_on"]).date()
        mass, price = float(sale["mass_kg"]), float(sale["price_per_kg"])
        bag, start = lot.bag_mass_kg or lot.nominal_bag_kg, lot.weighed_moisture_pct
        if bag and start is not None and not pd.isna(sale["moisture_pct"]) and int(sale["bags"]) >= lot.bags:
            dry_in = bag * lot.bags * (100 - start) / 100
            missing = dry_in * 0.995 - mass * (100 - float(sale["moisture_pct"])) / 100
            add("lost in store", missing * 100 / (100 - float(sale["moisture_pct"])) * price)  # type: ignore[operator]
        key = (lot.commodity, day.year, day.month)
        if key not in expected:
            expected[key] = expected_gain_of_waiting(records.prices, lot.commodity, day, monthly_interest, monthly_loss)
        add("sold early", expected[key] * mass * price)  # type: ignore[operator]


def expected_gain_of_waiting(
    prices: pd.DataFrame, commodity: str, day: date, monthly_interest: float, monthly_loss: float
) -> float:
    """Return the best expected gain of waiting 1 to 6 months, a fraction of the price, knowing only earlier prices.

    Parameters
    ----------
    prices : DataFrame
        ``quoted_on, commodity, price_per_kg``.
    commodity : str
        Crop.
    day : date
        Day of sale.
    monthly_interest, monthly_loss : float
        Fractions a month.

    Returns
    -------
    float
        0 where the season is not reliable or prices are too few: then selling was no mistake.
    """
    from core.market.season import fit_season

    own = prices[prices["commodity"] == commodity]
    if own.empty:
        return 0.0
    months = pd.PeriodIndex(pd.to_datetime(own["quoted_on"]), freq="M")
    series = pd.Series(own["price_per_kg"].astype(float).to_numpy(), index=months).groupby(level=0).mean()
    known = series[series.index <= pd.Period(day, freq="M")]
    try:
        curve = fit_season(known)
        if not curve.reliable:
            return 0.0
        ahead = curve.forecast(MONTHS_AHEAD)["mean"].to_numpy()
    except DryholdError:
        return 0.0
    count = np.arange(1, MONTHS_AHEAD + 1)
    kept = present_value((1 - monthly_loss) ** count, monthly_interest, count)
    return float(max(0.0, np.max(ahead * kept / float(known.iloc[-1])) - 1))


@dataclass(frozen=True)
class Visit:
    """A group to visit this week, with reasons and an urgency (higher first)."""

    group_id: int
    group: str
    urgency: float
    reasons: tuple[Message, ...]


def visit_list(groups: Sequence[Records], now: datetime, silent_days: int = 14) -> list[Visit]:
    """Return the groups that need a visit this week, most urgent first, with the reasons.

    Parameters
    ----------
    groups : sequence of Records
        All groups.
    now : datetime
        Aware.
    silent_days : int
        Days without a reading after which open lots are a reason to call.
    """
    visits = []
    for records in groups:
        reasons: list[Message] = []
        urgency = 0.0
        open_lots = [lot for lot in records.lots if lot.status in {"wet", "drying", "stored"}]
        wet_bagged = old_wet = 0
        for lot in open_lots:
            limit = standard_limit(lot.commodity)
            daily = _daily_moisture(records, lot.id, lot.commodity)
            if limit is None or daily.empty:
                continue
            above = float(daily.iloc[-1]) > limit.moisture_pct
            if lot.status == "stored" and above:
                wet_bagged += 1
            elif above and lot.harvested_on and now.date() - lot.harvested_on > timedelta(days=14):
                old_wet += 1
        if wet_bagged:
            reasons.append(message("{count} lots are bagged above the limit", count=wet_bagged))
            urgency += 3 * wet_bagged
        if old_wet:
            reasons.append(message("{count} lots are still wet two weeks after harvest", count=old_wet))
            urgency += 2 * old_wet
        untested = sum(
            1 for lot in open_lots if records.readings.empty or lot.id not in set(records.readings["lot_id"])
        )
        if untested:
            reasons.append(message("{count} open lots were never tested", count=untested))
            urgency += untested
        if open_lots and len(records.readings):
            last = pd.to_datetime(records.readings["taken_at"]).max()
            days = (pd.Timestamp(now) - last).days
            if days > silent_days:
                reasons.append(message("no reading for {days} days", days=days))
                urgency += 1 + days / silent_days
        if reasons:
            visits.append(Visit(records.group.id, records.group.name, urgency, tuple(reasons)))
    return sorted(visits, key=lambda visit: (-visit.urgency, visit.group))
