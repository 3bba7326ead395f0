"""Whom to visit this week: the few groups for which it matters most, with the reasons in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import pandas as pd

from core.messages import Message, message, plural
from core.programme.counting import Records, limit_of
from core.programme.indicators import moistures_by_day

MOST_VISITS = 5
"""How many groups one officer reaches in a week (judgement); the rest is listed below them."""


SILENT_DAYS = 14
"""Days without a reading after which open lots are a reason to call; judgement."""


@dataclass(frozen=True)
class Visit:
    """A group to visit this week, with reasons and an urgency (higher first)."""

    group_id: int
    group: str
    urgency: float
    reasons: tuple[Message, ...]


def visit_list(groups: Sequence[Records], now: datetime) -> list[Visit]:
    """Return the groups that need a visit this week, most urgent first, with the reasons."""
    visits = []
    for records in groups:
        reasons: list[Message] = []
        urgency = 0.0
        daily = moistures_by_day(records)
        open_lots = [lot for lot in records.lots if lot.status in {"wet", "drying", "stored"}]
        wet_bagged = old_wet = 0
        for lot in open_lots:
            limit, own = limit_of(lot.commodity), daily.get(lot.id)
            if limit is None or own is None:
                continue
            above = float(own.iloc[-1]) > limit
            if lot.status == "stored" and above:
                wet_bagged += 1
            elif above and lot.harvested_on and now.date() - lot.harvested_on > timedelta(days=14):
                old_wet += 1
        if wet_bagged:
            reasons.append(
                plural(
                    "count",
                    "{count} lot is bagged above the limit",
                    "{count} lots are bagged above the limit",
                    count=wet_bagged,
                )
            )
            urgency += 3 * wet_bagged
        if old_wet:
            reasons.append(
                plural(
                    "count",
                    "{count} lot is still wet two weeks after harvest",
                    "{count} lots are still wet two weeks after harvest",
                    count=old_wet,
                )
            )
            urgency += 2 * old_wet
        untested = sum(
            1 for lot in open_lots if records.readings.empty or lot.id not in set(records.readings["lot_id"])
        )
        if untested:
            reasons.append(
                plural(
                    "count", "{count} open lot was never tested", "{count} open lots were never tested", count=untested
                )
            )
            urgency += untested
        if open_lots and len(records.readings):
            last = pd.to_datetime(records.readings["taken_at"]).max()
            days = (pd.Timestamp(now) - last).days
            if days > SILENT_DAYS:
                reasons.append(message("no reading for {days} days", days=days))
                urgency += 1 + days / SILENT_DAYS
        if reasons:
            visits.append(Visit(records.group.id, records.group.name, urgency, tuple(reasons)))
    return sorted(visits, key=lambda visit: (-visit.urgency, visit.group))
