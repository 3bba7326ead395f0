"""What a programme counts of each group: every indicator with its numerator, denominator and missing data."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any

import numpy as np
import pandas as pd

from core.group.records import Lot
from core.programme.counting import (
    Indicator,
    Records,
    limit_of,
    mean,
    reading_moisture,
    records_of,
    share,
    share_by_lot,
)
from core.programme.definitions import DATA_QUALITY, DEFINITIONS, Definition
from core.programme.gains import gain_indicators, sold_lots
from core.programme.meter_use import cost_per_tonne_tested, meter_in_use
from core.programme.stages import food_loss_index, stage_losses

__all__ = [
    "DATA_QUALITY",
    "DEFINITIONS",
    "Definition",
    "Indicator",
    "LotFacts",
    "Records",
    "food_loss_index",
    "group_indicators",
    "in_season",
    "indicator_table",
    "last_reading_age",
    "lot_facts",
    "moistures_by_day",
    "records_of",
]


@dataclass(frozen=True)
class LotFacts:
    """What the indicators take from one lot."""

    lot: Lot
    tested_before: bool | None
    dry_when_bagged: bool | None
    days_to_dry: float | None
    readings: int
    limit_pct: float | None


def moistures_by_day(records: Records) -> dict[int, pd.Series]:
    """Return each lot's mean moisture by day of reading, % wet basis, by lot number.

    Lots without a reading are absent.
    """
    if records.readings.empty:
        return {}
    crops = {lot.id: lot.commodity for lot in records.lots}
    own = records.readings[records.readings["lot_id"].isin(list(crops))]
    parts = [
        part.assign(moisture=reading_moisture(records, part, str(crop)))
        for crop, part in own.groupby(own["lot_id"].map(crops), sort=False)
    ]
    if not parts:
        return {}
    whole = pd.concat(parts)
    days = pd.to_datetime(whole["taken_at"]).dt.date.rename("day")
    daily = whole.groupby(["lot_id", days])["moisture"].mean().dropna()
    numbers = daily.index.get_level_values(0)
    return {int(lot): daily.loc[lot] for lot in numbers.unique()}


def lot_facts(records: Records, standard: str = "codex", daily: dict[int, pd.Series] | None = None) -> list[LotFacts]:
    """Return the facts of each lot, judged by the standard's limit for its crop (see the limits table)."""
    by_lot = moistures_by_day(records) if daily is None else daily
    counts = records.readings.groupby("lot_id").size() if len(records.readings) else pd.Series(dtype=int)
    result = []
    for lot in records.lots:
        limit_pct = limit_of(lot.commodity, standard)
        own = by_lot.get(lot.id)
        readings = int(counts.get(lot.id, 0))
        if own is None:
            tested = False if lot.stored_on else None
            result.append(LotFacts(lot, tested, None, None, readings, limit_pct))
            continue
        tested = dry_bagged = None
        if lot.stored_on:
            before = own[[day <= lot.stored_on for day in own.index]]
            tested = len(before) > 0
            if tested and limit_pct is not None:
                dry_bagged = bool(before.iloc[-1] <= limit_pct)
        days = None
        if lot.harvested_on and limit_pct is not None:
            dry_days: list[Any] = [day for day, value in own.items() if value <= limit_pct]
            days = float(max(0, (dry_days[0] - lot.harvested_on).days)) if dry_days else None
        result.append(LotFacts(lot, tested, dry_bagged, days, readings, limit_pct))
    return result


def group_indicators(
    records: Records, standard: str = "codex", period: tuple[date, date] | None = None
) -> dict[str, Indicator]:
    """Return every indicator of a group.

    Parameters
    ----------
    period : (date, date), optional
        First day and day after the last of the season that the records are of: bounds the meter's costs.

    Returns
    -------
    dict of key to Indicator
        All keys of `DEFINITIONS`; `value` None where nothing can be said, `missing` counts what could not be used.
    """
    daily = moistures_by_day(records)
    facts = lot_facts(records, standard, daily)
    sold = sold_lots(records)
    readings = records.readings
    owner = {lot.id: lot.owner_id for lot in records.lots}
    limits = {fact.lot.id: fact.limit_pct for fact in facts}
    owners = [owner.get(int(lot)) for lot in readings["lot_id"]] if len(readings) else []
    lot_numbers = [int(lot) for lot in readings["lot_id"]] if len(readings) else []
    settled = [None if pd.isna(flag) else bool(flag) for flag in readings["settled"]] if len(readings) else []
    complete = (
        readings[["temperature_c", "relative_humidity_pct", "meter_moisture_pct"]].notna().all(axis=1).tolist()
        if len(readings)
        else []
    )
    days = pd.to_datetime(readings["taken_at"]).dt.date if len(readings) else pd.Series(dtype=object)
    per_day = readings.groupby(days)["bag"].count().astype(float).tolist() if len(readings) else []
    dry_sold = []
    for row in sold:
        limit = limits[row.lot.id]
        known = row.moisture is not None and limit is not None
        dry_sold.append((bool(row.moisture <= limit) if known else None, row.lot.owner_id))  # type: ignore[operator]
    found = [
        share("tested_before_bagging", [(f.tested_before, f.lot.owner_id) for f in facts if f.lot.stored_on]),
        share("dry_when_bagged", [(f.dry_when_bagged, f.lot.owner_id) for f in facts if f.tested_before]),
        share("dry_when_sold", dry_sold),
        mean("days_to_dry", [(f.days_to_dry, f.lot.owner_id) for f in facts]),
        mean("readings_per_lot", [(float(f.readings), f.lot.owner_id) for f in facts]),
        share_by_lot("settled_share", list(zip(settled, owners, lot_numbers, strict=True))),
        *stage_losses(records, daily).values(),
        mean("price_against_market", [(row.ratio, row.lot.owner_id) for row in sold]),
        *gain_indicators(records, sold).values(),
        cost_per_tonne_tested(records, period),
        meter_in_use(records),
        mean("bags_per_test_day", [(count, None) for count in per_day]),
        share_by_lot("complete_readings", list(zip(complete, owners, lot_numbers, strict=True))),
        share("complete_lots", [(_complete(lot), lot.owner_id) for lot in records.lots]),
        share(
            "complete_sales",
            [(row.moisture is not None and row.mass_kg > 0 and row.price > 0, row.lot.owner_id) for row in sold],
        ),
    ]
    by_key = {item.key: item for item in found}
    return {key: by_key[key] for key in DEFINITIONS}


def _complete(lot: Lot) -> bool:
    return None not in (lot.harvested_on, lot.known_bag_kg, lot.weighed_moisture_pct, lot.owner_id)


def indicator_table(records: Sequence[Records], standard: str = "codex") -> pd.DataFrame:
    """Return all groups' indicators in long form.

    Returns
    -------
    DataFrame
        ``group_id, group, key, value, numerator, denominator, variance, missing, count, currency``; currency is that of
        the group for money indicators and blank for the others.
    """
    return pd.DataFrame(
        [row for record in records for row in indicator_rows(record, group_indicators(record, standard))],
        columns=TABLE_COLUMNS,
    )


TABLE_COLUMNS = [
    "group_id",
    "group",
    "key",
    "value",
    "numerator",
    "denominator",
    "variance",
    "missing",
    "count",
    "currency",
]


def indicator_rows(record: Records, found: dict[str, Indicator]) -> list[dict[str, Any]]:
    """Return a group's indicators as rows of `indicator_table`."""
    return [
        {
            "group_id": record.group.id,
            "group": record.group.name,
            "key": item.key,
            "value": np.nan if item.value is None else item.value,
            "numerator": item.numerator,
            "denominator": item.denominator,
            "variance": np.nan if item.variance is None else item.variance,
            "missing": item.missing,
            "count": item.count,
            "currency": record.group.currency if DEFINITIONS[item.key].money else "",
        }
        for item in found.values()
    ]


def in_season(records: Records, start: date, end: date) -> Records:
    """Return the part of the records whose lots were harvested from `start` up to and without `end`."""
    lots = [lot for lot in records.lots if lot.harvested_on is not None and start <= lot.harvested_on < end]
    numbers = {lot.id for lot in lots}
    meter = [
        event for event in records.meter_book if event.kind != "tests" or start <= event.on < end
    ]  # counted tests of other seasons say nothing of this one; money is bounded by the period
    return replace(
        records,
        lots=lots,
        readings=records.readings[records.readings["lot_id"].isin(numbers)],
        sales=records.sales[records.sales["lot_id"].isin(numbers)],
        meter_book=meter,
    )


def last_reading_age(records: Records, now: datetime) -> float | None:
    """Return the days since the group's last reading, or None where there is none."""
    if records.readings.empty:
        return None
    return (pd.Timestamp(now) - pd.to_datetime(records.readings["taken_at"]).max()).total_seconds() / 86400
