"""Small groups to try the situation on: few bags, few possible seasons, so that a plan takes a second."""

from __future__ import annotations

import copy
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

from core.group.database import open_store
from core.group.records import Group, Lot, Member, PriceQuote, Reading

NOW = datetime(2026, 5, 20, 7, 0, tzinfo=UTC)
SMALL = {"plan.scenarios": 20, "plan.weeks": 18, "meter_kind": "electrical"}


@dataclass(frozen=True)
class Heap:
    """A lot of a small group: crop, bags, moisture of each test, % wet basis."""

    crop: str
    bags: int
    tests: tuple[float, ...]


def small_group(url: str, heaps: Sequence[Heap], facts: dict[str, Any] | None = None, priced: bool = True) -> Any:
    """Return a store with one group that has these lots, two years of prices, and few possible seasons."""
    store = open_store(url)
    group = store.add_group(
        Group(name="Small", latitude=9.1, longitude=0.9, altitude_m=350, time_zone="Africa/Lome", currency="XOF")
    )
    member = store.add_member(Member(group_id=group, name="Abla"))
    for number, heap in enumerate(heaps, start=1):
        lot = store.add_lot(
            Lot(
                group_id=group,
                label=f"H{number}",
                commodity=heap.crop,
                bags=heap.bags,
                bag_mass_kg=90.0,
                weighed_moisture_pct=heap.tests[0],
                owner_id=member,
                harvested_on=NOW.date() - timedelta(days=6),
            )
        )
        store.add_readings(
            [
                Reading(lot_id=lot, taken_at=NOW - timedelta(hours=3), bag=f"b{at}", meter_moisture_pct=pct)
                for at, pct in enumerate(heap.tests)
            ]
        )
    if priced:
        for crop in sorted({heap.crop for heap in heaps}):
            store.add_price_quotes([_quote(group, crop, back) for back in range(30)])
    for key, value in {**SMALL, **(facts or {})}.items():
        store.set_fact(group, key, value, "entered", "test", NOW)
    return store


def _quote(group: int, crop: str, back: int) -> PriceQuote:
    """Return the price of a month `back` months ago: 200, a fifth dearer from November to February."""
    month = NOW.year * 12 + NOW.month - 1 - back
    on = NOW.date() - timedelta(days=2) if back == 0 else date(month // 12, month % 12 + 1, 15)
    return PriceQuote(
        group_id=group,
        quoted_on=on,
        market="Town",
        commodity=crop,
        price_per_kg=240.0 if on.month in (11, 12, 1, 2) else 200.0,
    )


def with_parts(situation: Any, **parts: Any) -> Any:
    """Return a copy of a situation in which some parts are others and all the rest stays as it was worked out."""
    for name in PARTS:
        getattr(situation, name)
    other = copy.copy(situation)
    other.__dict__.update(parts)
    return other


PARTS = (
    "group",
    "today",
    "lots",
    "judged_at",
    "weather",
    "prices",
    "made",
    "spaces",
    "stores",
    "schedule",
    "purchases",
    "actions",
    "reasons",
    "season",
    "headline",
    "money",
    "members",
    "assumed",
)
"""Parts of a situation that are worked out when they are first asked for."""
