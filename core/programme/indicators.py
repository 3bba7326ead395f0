"""What a programme counts of each group: every indicator with its numerator, denominator and missing data."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

import numpy as np
import pandas as pd

from core.errors import InputError
from core.grain.mass import mass_after_drying
from core.group.limits import standard_limit
from core.group.records import Group, Lot, Member
from core.group.store import Store
from core.messages import Message, message

FEWEST_PEOPLE = 5
AGE_EDGES = ((0, 30, "below 30"), (30, 60, "30 to 59"), (60, 200, "60 and above"))


@dataclass(frozen=True)
class Records:
    """All of a group's records that the indicators need, readings and prices as tables."""

    group: Group
    members: Sequence[Member]
    lots: Sequence[Lot]
    readings: pd.DataFrame
    sales: pd.DataFrame
    prices: pd.DataFrame


@dataclass(frozen=True)
class Definition:
    """What an indicator is: label, unit, what is counted over what, and whether it is a proportion."""

    key: str
    label: Message
    numerator: Message
    denominator: Message
    unit: str
    proportion: bool
    better: str
    source: str = "definition of this project"


@dataclass(frozen=True)
class Indicator:
    """One group's value: `value` = numerator / denominator (None where the denominator is 0), `variance` of the value."""

    key: str
    value: float | None
    numerator: float
    denominator: float
    variance: float | None
    missing: int
    values: tuple[float, ...] = field(default=(), repr=False)


def _definition(
    key: str, label: str, top: str, below: str, unit: str, proportion: bool, better: str, **more: str
) -> Definition:
    return Definition(key, message(label), message(top), message(below), unit, proportion, better, **more)


DEFINITIONS: Mapping[str, Definition] = {
    item.key: item
    for item in (
        _definition("tested_before_bagging", "Lots tested before bagging", "lots with a reading up to the day of bagging", "lots bagged for storage", "%", True, "high"),
        _definition("dry_when_bagged", "Lots at or below the limit when bagged", "lots whose last reading before bagging is at or below the standard's limit", "lots tested before bagging", "%", True, "high"),
        _definition("dry_when_sold", "Lots at or below the limit when sold", "sales at or below the standard's limit", "sales with a moisture", "%", True, "high"),
        _definition("days_to_dry", "Days to dry", "days from harvest to the first reading at or below the limit", "lots that were read dry", "days", False, "low"),
        _definition("readings_per_lot", "Readings per lot", "readings", "lots", "readings", False, "high"),
        _definition("settled_share", "Readings taken after the meter settled", "readings marked as settled", "readings that say so or not", "%", True, "high"),
        _definition("dry_matter_loss", "Dry matter lost from harvest to sale", "dry matter weighed in less dry matter sold", "dry matter of lots sold whole", "%", False, "low", source="stage losses multiply: 1 - prod(1 - l), loss-information network; SDG 12.3.1.a counts loss from production up to retail"),
        _definition("price_against_market", "Price against the market of the same month", "price got over the reference market's price that month", "sales with a market price", "times", False, "high"),
        _definition("gain_on_harvest_sale", "Net gain over selling at harvest", "money got less what the lot would have brought at harvest", "what the lots would have brought at harvest", "%", False, "high"),
        _definition("bags_per_test_day", "Bags tested on a day of use", "bags read", "days on which the meter was used", "bags", False, "high"),
        _definition("complete_readings", "Readings without a gap", "readings with temperature, humidity and the meter's moisture", "readings", "%", True, "high"),
    )
}  # fmt: skip


def records_of(store: Store, group_id: int) -> Records:
    """Return a group's records from the database."""
    return Records(
        store.group(group_id),
        store.members(group_id),
        store.lots(group_id),
        store.readings(group_id),
        store.sales(group_id),
        store.price_quotes(group_id),
    )


def reading_moisture(readings: pd.DataFrame, commodity: str) -> pd.Series:
    """Return each reading's moisture, % wet basis: from temperature and humidity where both are there, else the meter's."""
    from core.grain.sorption import equilibrium_moisture

    shown = readings["meter_moisture_pct"].astype(float)
    both = readings["temperature_c"].notna() & readings["relative_humidity_pct"].notna()
    if not both.any():
        return shown
    humidity = readings.loc[both, "relative_humidity_pct"].astype(float).clip(2, 98)
    by_humidity = equilibrium_moisture(
        commodity, readings.loc[both, "temperature_c"].astype(float).to_numpy(), humidity.to_numpy()
    )
    result = shown.copy()
    result.loc[both] = np.asarray(by_humidity)
    return result


@dataclass(frozen=True)
class LotFacts:
    """What the indicators take from one lot."""

    lot: Lot
    tested_before: bool | None
    dry_when_bagged: bool | None
    days_to_dry: float | None
    readings: int
    limit_pct: float | None


def lot_facts(records: Records, standard: str = "codex") -> list[LotFacts]:
    """Return the facts of each lot, judged by the standard's limit for its crop (see the limits table)."""
    by_lot = dict(tuple(records.readings.groupby("lot_id"))) if len(records.readings) else {}
    result = []
    for lot in records.lots:
        limit = standard_limit(lot.commodity, standard)
        limit_pct = None if limit is None else limit.moisture_pct
        own = by_lot.get(lot.id)
        if own is None:
            tested = False if lot.stored_on else None
            result.append(LotFacts(lot, tested, None, None, 0, limit_pct))
            continue
        own = own.assign(moisture=reading_moisture(own, lot.commodity), day=pd.to_datetime(own["taken_at"]).dt.date)
        daily = own.groupby("day")["moisture"].mean().dropna()
        tested = dry_bagged = None
        if lot.stored_on:
            before = daily[[day <= lot.stored_on for day in daily.index]]
            tested = len(before) > 0
            if tested and limit_pct is not None:
                dry_bagged = bool(before.iloc[-1] <= limit_pct)
        days = None
        if lot.harvested_on and limit_pct is not None:
            dry_days: list[Any] = [day for day, value in daily.items() if value <= limit_pct]
            days = float((dry_days[0] - lot.harvested_on).days) if dry_days else None
        result.append(LotFacts(lot, tested, dry_bagged, days, len(own), limit_pct))
    return result


def market_price(prices: pd.DataFrame, commodity: str, day: date) -> float | None:
    """Return the mean quote of a crop in the month of a day, money per kg, or None."""
    if prices.empty:
        return None
    quoted = pd.to_datetime(prices["quoted_on"])
    same = prices[(prices["commodity"] == commodity) & (quoted.dt.year == day.year) & (quoted.dt.month == day.month)]
    return float(same["price_per_kg"].mean()) if len(same) else None


def _share(key: str, flags: Sequence[bool | None]) -> Indicator:
    known = [bool(flag) for flag in flags if flag is not None]
    top, below = float(sum(known)), float(len(known))
    value = top / below if below else None
    # Agresti-Coull centre keeps the variance of 0 of n and n of n above 0 (Agresti and Coull, 1998)
    centre = (top + 2) / (below + 4)
    variance = centre * (1 - centre) / below if below else None
    return Indicator(key, value, top, below, variance, len(flags) - len(known), tuple(map(float, known)))


def _mean(key: str, values: Sequence[float | None]) -> Indicator:
    known = np.array([value for value in values if value is not None and np.isfinite(value)], dtype=float)
    mean = float(known.mean()) if known.size else None
    variance = float(known.var(ddof=1) / known.size) if known.size >= 2 else None
    return Indicator(key, mean, float(known.sum()), float(known.size), variance, len(values) - known.size, tuple(known))


def _sale_rows(records: Records) -> list[dict[str, Any]]:
    lots = {lot.id: lot for lot in records.lots}
    rows = []
    for sale in records.sales.to_dict("records"):
        lot = lots.get(int(sale["lot_id"]))
        if lot is None:
            continue
        sold_on = pd.Timestamp(sale["sold_on"]).date()
        moisture = None if pd.isna(sale["moisture_pct"]) else float(sale["moisture_pct"])
        reference = market_price(records.prices, lot.commodity, sold_on)
        at_harvest = market_price(records.prices, lot.commodity, lot.harvested_on) if lot.harvested_on else None
        start = lot.weighed_moisture_pct
        bag = lot.bag_mass_kg or lot.nominal_bag_kg
        mass_in = None if bag is None else bag * (int(sale["bags"]) or lot.bags)
        gain = None
        if at_harvest and mass_in and start is not None:
            limit = standard_limit(lot.commodity)
            base = min(start, limit.moisture_pct) if limit else start
            harvest_value = at_harvest * float(mass_after_drying(mass_in, start, base))
            gain = (float(sale["mass_kg"]) * float(sale["price_per_kg"]) - harvest_value) / harvest_value
        lost = None
        if mass_in and start is not None and moisture is not None:
            dry_in = mass_in * (100 - start)
            lost = 1 - float(sale["mass_kg"]) * (100 - moisture) / dry_in
        rows.append(
            {
                "lot": lot,
                "sold_on": sold_on,
                "mass_kg": float(sale["mass_kg"]),
                "price": float(sale["price_per_kg"]),
                "moisture": moisture,
                "reference": reference,
                "ratio": float(sale["price_per_kg"]) / reference if reference else None,
                "gain": gain,
                "lost": lost,
                "whole": int(sale["bags"]) >= lot.bags,
            }
        )
    return rows


def group_indicators(records: Records, standard: str = "codex") -> dict[str, Indicator]:
    """Return every indicator of a group.

    Parameters
    ----------
    records : Records
        Of one group.
    standard : str
        Name of the limit table to judge by.

    Returns
    -------
    dict of key to Indicator
        All keys of `DEFINITIONS`; `value` None where nothing can be said, `missing` counts what could not be used.
    """
    facts = lot_facts(records, standard)
    sales = _sale_rows(records)
    readings = records.readings
    limits = {fact.lot.id: fact.limit_pct for fact in facts}
    settled = [None if pd.isna(flag) else bool(flag) for flag in readings["settled"]] if len(readings) else []
    complete = (
        readings[["temperature_c", "relative_humidity_pct", "meter_moisture_pct"]].notna().all(axis=1).tolist()
        if len(readings)
        else []
    )
    days = pd.to_datetime(readings["taken_at"]).dt.date if len(readings) else pd.Series(dtype=object)
    per_day = readings.groupby(days)["bag"].count().astype(float).tolist() if len(readings) else []
    found = [
        _share("tested_before_bagging", [fact.tested_before for fact in facts if fact.lot.stored_on]),
        _share("dry_when_bagged", [fact.dry_when_bagged for fact in facts if fact.tested_before]),
        _share(
            "dry_when_sold",
            [
                None
                if row["moisture"] is None or limits[row["lot"].id] is None
                else row["moisture"] <= limits[row["lot"].id]
                for row in sales
            ],
        ),
        _mean("days_to_dry", [fact.days_to_dry for fact in facts]),
        _mean("readings_per_lot", [float(fact.readings) for fact in facts]),
        _share("settled_share", settled),
        _mean("dry_matter_loss", [row["lost"] for row in sales if row["whole"]]),
        _mean("price_against_market", [row["ratio"] for row in sales]),
        _mean("gain_on_harvest_sale", [row["gain"] for row in sales]),
        _mean("bags_per_test_day", per_day),
        _share("complete_readings", complete),
    ]
    return {item.key: item for item in found}


def cumulative_loss(stage_losses: Sequence[float]) -> float:
    """Return the loss over several stages, each a fraction of what remained.

    Source: 1 - prod(1 - l), loss-information network (economics reference): 6.4, 2.3, 4, 1.3, 5 % make 17.7 %.
    """
    losses = np.asarray(stage_losses, dtype=float)
    if np.any((losses < 0) | (losses > 1)):
        raise InputError("a stage's loss lies outside 0-1")
    return float(1 - np.prod(1 - losses))


def food_loss_index(losses_now: Sequence[float], losses_base: Sequence[float], values_base: Sequence[float]) -> float:
    """Return the food loss index of SDG 12.3.1.a: 100 x value-weighted losses now over those of the base year.

    Parameters
    ----------
    losses_now, losses_base : sequence of float
        Loss fractions by crop.
    values_base : sequence of float
        Base-year value of each crop (quantity x price), any one currency.

    Source: SDG 12.3.1.a metadata, fixed base-period value weights (formula from memory).
    """
    now, base, weights = (np.asarray(item, dtype=float) for item in (losses_now, losses_base, values_base))
    below = float(np.sum(base * weights))
    if below <= 0:
        raise InputError("the base year's loss must be above 0")
    return 100 * float(np.sum(now * weights)) / below


def age_group(member: Member, on: date) -> str:
    """Return a member's age group on a day: one of three, or "not known"."""
    if member.birth_year is None:
        return "not known"
    age = on.year - member.birth_year
    return next((name for low, high, name in AGE_EDGES if low <= age < high), "not known")


def by_people(
    records: Sequence[Records],
    key: str,
    split: Callable[[Member], str],
    fewest: int = FEWEST_PEOPLE,
) -> pd.DataFrame:
    """Return an indicator by sex or age group of the lot's owner, cells below `fewest` people left blank.

    Parameters
    ----------
    records : sequence of Records
        Groups together.
    key : str
        Indicator.
    split : callable
        Gives the cell's name for a member.
    fewest : int
        People below which a cell is not shown (5: common practice of programmes, no source).

    Returns
    -------
    DataFrame
        ``cell, people, value, suppressed``. Where exactly one cell would be blank, the next smallest is blanked
        too, so that it cannot be worked out from the total.
    """
    if key not in DEFINITIONS:
        raise InputError("there is no indicator '{key}'", key=key)
    cells: dict[str, list[Records]] = {}
    people: dict[str, set[tuple[int, int]]] = {}
    for record in records:
        owners: dict[str, list[int]] = {}
        for member in record.members:
            owners.setdefault(split(member), []).append(member.id)
        for cell, ids in owners.items():
            lots = [lot for lot in record.lots if lot.owner_id in ids]
            if not lots:
                continue
            numbers = {lot.id for lot in lots}
            part = Records(
                record.group,
                [member for member in record.members if member.id in ids],
                lots,
                record.readings[record.readings["lot_id"].isin(numbers)],
                record.sales[record.sales["lot_id"].isin(numbers)],
                record.prices,
            )
            cells.setdefault(cell, []).append(part)
            people.setdefault(cell, set()).update((record.group.id, lot.owner_id or 0) for lot in lots)
    rows = []
    for cell, parts in sorted(cells.items()):
        found = [group_indicators(part)[key] for part in parts]
        below = sum(item.denominator for item in found)
        value = sum(item.numerator for item in found) / below if below else None
        rows.append(
            {"cell": cell, "people": len(people[cell]), "value": value, "suppressed": len(people[cell]) < fewest}
        )
    frame = pd.DataFrame(rows, columns=["cell", "people", "value", "suppressed"])
    if frame["suppressed"].sum() == 1 and len(frame) > 1:
        frame.loc[frame.loc[~frame["suppressed"], "people"].idxmin(), "suppressed"] = True
    hidden = frame["suppressed"].astype(bool)
    frame["value"] = frame["value"].astype(float).mask(hidden)
    frame["people"] = frame["people"].astype("Int64").mask(hidden)
    return frame


def indicator_table(records: Sequence[Records], standard: str = "codex") -> pd.DataFrame:
    """Return all groups' indicators in long form: ``group_id, group, key, value, numerator, denominator, variance, missing``."""
    rows = []
    for record in records:
        for item in group_indicators(record, standard).values():
            rows.append(
                {
                    "group_id": record.group.id,
                    "group": record.group.name,
                    "key": item.key,
                    "value": np.nan if item.value is None else item.value,
                    "numerator": item.numerator,
                    "denominator": item.denominator,
                    "variance": np.nan if item.variance is None else item.variance,
                    "missing": item.missing,
                }
            )
    return pd.DataFrame(rows)


def in_season(records: Records, start: date, end: date) -> Records:
    """Return the part of the records whose lots were harvested from `start` up to and without `end`."""
    lots = [lot for lot in records.lots if lot.harvested_on is not None and start <= lot.harvested_on < end]
    numbers = {lot.id for lot in lots}
    return Records(
        records.group,
        records.members,
        lots,
        records.readings[records.readings["lot_id"].isin(numbers)],
        records.sales[records.sales["lot_id"].isin(numbers)],
        records.prices,
    )


def last_reading_age(records: Records, now: datetime) -> float | None:
    """Return the days since the group's last reading, or None where there is none."""
    if records.readings.empty:
        return None
    return (pd.Timestamp(now) - pd.to_datetime(records.readings["taken_at"]).max()).total_seconds() / 86400
