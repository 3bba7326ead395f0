"""The plan's drying as loads: day by day, space by space, each of a size that fits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta

from core.advice.parts import Load
from core.planning.case import DryingChoice
from core.planning.sale_plan import PlannedSale, SalePlan

LOOK_DAYS = 400


def loads_of_plan(plan: SalePlan) -> tuple[Load, ...]:
    """Return the plan's drying as loads that fit the spaces, in the order of days.

    Each line of the plan keeps its first day and its days of drying; what does not fit on that day waits for the
    first day on which it does.

    Parameters
    ----------
    plan : SalePlan
        The plan; its lines name the space that they dry on.
    """
    spaces = {choice.name: choice for choice in plan.case.drying}
    taken: dict[tuple[str, date], float] = {}
    found: list[Load] = []
    mass = {lot.id: lot.bag_mass_kg for lot in plan.case.lots}
    dried = [(line.dry_from, line) for line in plan.sales if line.setup and line.dry_from is not None]
    for on, line in sorted(dried, key=lambda item: (item[0], (item[1].ready_on - item[0]).days, item[1].label)):
        found += _spread(line, on, spaces[line.setup], mass[line.lot], taken)
    return tuple(sorted(found, key=lambda load: (load.on, load.space, load.lot)))


def _spread(
    line: PlannedSale, on: date, space: DryingChoice, bag_kg: float, taken: dict[tuple[str, date], float]
) -> list[Load]:
    """Return the loads of one line, and note the room that they take."""
    days = max(1, (line.ready_on - on).days)
    left, found = line.bags, []
    for _ in range(LOOK_DAYS):
        free = min(space.capacity_kg - taken.get((space.name, on + timedelta(days=at)), 0.0) for at in range(days))
        bags = min(left, int((free + 1e-6) // bag_kg))
        if bags > 0:
            for at in range(days):
                key = (space.name, on + timedelta(days=at))
                taken[key] = taken.get(key, 0.0) + bags * bag_kg
            until = on + timedelta(days=days - 1)
            found.append(Load(space.name, line.label, line.owner, on, until, bags, bags * bag_kg, line.target_pct))
            left -= bags
        if left == 0:
            break
        on += timedelta(days=1)
    return found


def mass_by_day(loads: Sequence[Load]) -> Mapping[tuple[str, date], float]:
    """Return the wet mass lying on each space on each day, kg."""
    found: dict[tuple[str, date], float] = {}
    for load in loads:
        for at in range((load.until - load.on).days + 1):
            key = (load.space, load.on + timedelta(days=at))
            found[key] = found.get(key, 0.0) + load.mass_kg
    return found
