"""Seasons of a programme, each group's indicators in them, and how they changed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from core.programme.comparison import shrunken_estimates
from core.programme.counting import Indicator, Records
from core.programme.definitions import DEFINITIONS
from core.programme.indicators import group_indicators, in_season
from core.programme.intervals import FEWEST, Change, change_between, no_change, verdict_of_change


@dataclass(frozen=True)
class Season:
    """A year of harvests: first day, day after the last, and its name (one year, or two where it spans New Year)."""

    name: str
    start: date
    end: date


def first_month(records: Sequence[Records]) -> int:
    """Return the month in which a season begins, 1-12: the first harvest month after the longest gap of the year.

    Every group's harvests count. Where harvests are spread over all months, January; where there are none, January.
    """
    months = np.zeros(12, dtype=bool)
    for record in records:
        for lot in record.lots:
            if lot.harvested_on:
                months[lot.harvested_on.month - 1] = True
    best, longest = 1, 0
    for month in range(12):
        if months[month]:
            gap = 0
            while not months[(month - 1 - gap) % 12]:
                gap += 1
            if gap > longest:
                best, longest = month + 1, gap
    return best


def seasons(records: Sequence[Records]) -> list[Season]:
    """Return the seasons in which lots were harvested, oldest first.

    Parameters
    ----------
    records : sequence of Records
        All groups, so that they have the same seasons.
    """
    month = first_month(records)
    years = {
        day.year if day.month >= month else day.year - 1
        for record in records
        for day in (lot.harvested_on for lot in record.lots)
        if day is not None
    }
    return [
        Season(
            str(year) if month == 1 else f"{year}/{(year + 1) % 100:02d}",
            date(year, month, 1),
            date(year + 1, month, 1),
        )
        for year in sorted(years)
    ]


def indicators_by_season(record: Records, of: Sequence[Season]) -> list[dict[str, Indicator]]:
    """Return a group's indicators in each season."""
    return [
        group_indicators(in_season(record, season.start, season.end), period=(season.start, season.end))
        for season in of
    ]


def changes_of_group(by_season: Sequence[dict[str, Indicator]]) -> dict[str, Change]:
    """Return each indicator's change from the season before last to the last; empty with fewer than two seasons."""
    if len(by_season) < 2:
        return {}
    before, after = by_season[-2], by_season[-1]
    return {
        key: change_between(before[key], after[key], item.proportion, item.better) for key, item in DEFINITIONS.items()
    }


def shrunken_changes(changes: Sequence[Change]) -> list[Change]:
    """Return the changes of one indicator in many groups, each drawn towards the groups' common change.

    Of thirty groups in which nothing changed, one or two would stand out by chance if each were looked at alone;
    drawing the changes together (empirical Bayes, see `shrunken_estimates`) takes that away as far as the groups are
    alike. Verdicts are against no change. Groups with fewer than five observations in a season, or no interval, are
    kept as they are with "cannot tell yet".
    """
    usable = [
        np.isfinite(item.variance) and item.variance > 0 and min(item.count_before, item.count_after) >= FEWEST
        for item in changes
    ]
    if sum(usable) < 2:
        return list(changes)
    definition = DEFINITIONS[changes[0].key]
    own = [item for item, fit in zip(changes, usable, strict=True) if fit]
    drawn = iter(
        shrunken_estimates(
            [item.difference for item in own],
            [item.variance for item in own],
            [min(item.count_before, item.count_after) for item in own],
        )
    )
    result = []
    for item, fit in zip(changes, usable, strict=True):
        if not fit:
            result.append(replace(item, verdict="cannot tell yet"))
            continue
        found = next(drawn)
        alike = no_change(definition.proportion, item.before)
        verdict = verdict_of_change(found.low, found.high, definition.better, alike)
        if verdict in {"better", "worse"} and item.difference * found.value <= 0:
            verdict = "cannot tell yet"  # the others changed, this group's own lots do not show it
        result.append(replace(item, difference=found.value, low=found.low, high=found.high, verdict=verdict))
    return result
