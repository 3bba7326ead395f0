"""The seasons of a group: its harvests, each with the days that its grain is tested and sold in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from core.group.records import OPEN_STATUSES, Lot

GAP_DAYS = 75
"""Days without a harvest after which another season begins; judgement (two harvests a year lie further apart)."""


@dataclass(frozen=True)
class HarvestSeason:
    """A season: its first and last harvest, and the last day before the next one (None for the latest)."""

    first: date
    last: date
    until: date | None

    def holds(self, lot: Lot) -> bool:
        """Return whether a lot is of this season; an undated open lot is of the latest."""
        if lot.harvested_on is None:
            return self.until is None and lot.status in OPEN_STATUSES
        return self.first <= lot.harvested_on <= self.last


def harvest_seasons(lots: Sequence[Lot]) -> list[HarvestSeason]:
    """Return the seasons in which lots were harvested, the latest first.

    Returns
    -------
    list of HarvestSeason
        Empty where no lot has a harvest day.
    """
    days = sorted({lot.harvested_on for lot in lots if lot.harvested_on})
    runs: list[list[date]] = []
    for day in days:
        if runs and (day - runs[-1][-1]).days <= GAP_DAYS:
            runs[-1].append(day)
        else:
            runs.append([day])
    ends: list[date | None] = [run[0] - timedelta(days=1) for run in runs[1:]]
    return [HarvestSeason(run[0], run[-1], end) for run, end in zip(runs, [*ends, None], strict=False)][::-1]
