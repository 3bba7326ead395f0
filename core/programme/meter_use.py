"""What testing costs a tonne and in how many weeks the meter was in use, from the meter's account and the readings."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, timedelta

import pandas as pd

from core.programme.counting import Indicator, Records, lot_mass, share

DRYING_WEEKS = 8
"""Longest time that a lot counts as drying after harvest, weeks; basis: judgement."""


def _within(day: date, period: tuple[date, date] | None) -> bool:
    return period is None or period[0] <= day < period[1]


def cost_of_testing(records: Records, period: tuple[date, date] | None = None) -> float | None:
    """Return what the meter cost in a period (all time without one), money; None where there is no account.

    All expenses of the account count (wear, upkeep, work, interest, losses), and the wear due up to `records.today`;
    buying the meter is no expense, it wears off over its life. Closing a season changes nothing.
    """
    from core.meter.account import depreciation_due, replay

    if not records.meter_book:
        return None
    account = replay(records.meter_book)
    closing = {
        number
        for event in account.events
        if event.kind == "season_closed"
        for number in account.entries_of.get(event.id, ())
    }
    cost = sum(
        float(line.net)
        for number, entry in enumerate(account.journal.entries, start=1)
        if number not in closing and _within(entry.on, period)
        for line in entry.lines
        if line.account.startswith("expenses:")
    )
    if records.today is not None and _within(records.today, period):
        cost += float(depreciation_due(account, records.today))
    return cost


def cost_per_tonne_tested(records: Records, period: tuple[date, date] | None = None) -> Indicator:
    """Return the cost of testing over the tonnes of lots with a reading, in the group's currency.

    No sampling variance.
    """
    key = "cost_per_tonne_tested"
    cost = cost_of_testing(records, period)
    read = set(records.readings["lot_id"]) if len(records.readings) else set()
    masses = [lot_mass(lot) for lot in records.lots if lot.id in read]
    tonnes = sum(mass for mass in masses if mass) / 1000
    unknown = sum(1 for mass in masses if not mass)
    if cost is None:
        return Indicator(key, None, 0.0, 0.0, None, len(masses))
    value = cost / tonnes if tonnes else None
    return Indicator(key, value, cost, tonnes, None, unknown, count=len(masses) - unknown)


def _week(day: date) -> date:
    return day - timedelta(days=day.weekday())


def _days_used(records: Records) -> Iterable[date]:
    from core.meter.log import counted_tests

    if len(records.readings):
        yield from pd.to_datetime(records.readings["taken_at"]).dt.date
    yield from (count.on for count in counted_tests(records.meter_book))


def meter_in_use(records: Records) -> Indicator:
    """Return the share of drying weeks with a reading or a counted test.

    A week counts where some lot was between harvest and bagging (or sale), at most eight weeks after harvest.
    """
    sold: dict[int, date] = {}
    for sale in records.sales.to_dict("records") if len(records.sales) else []:
        day = pd.Timestamp(sale["sold_on"]).date()
        sold[int(sale["lot_id"])] = min(day, sold.get(int(sale["lot_id"]), day))
    weeks: set[date] = set()
    for lot in records.lots:
        if lot.harvested_on is None:
            continue
        ends = [lot.harvested_on + timedelta(weeks=DRYING_WEEKS), lot.stored_on, sold.get(lot.id), records.today]
        last = min(day for day in ends if day is not None)
        week = _week(lot.harvested_on)
        while week <= last:
            weeks.add(week)
            week += timedelta(weeks=1)
    used = {_week(day) for day in _days_used(records)}
    return share("meter_in_use", [(week in used, None) for week in sorted(weeks)])
