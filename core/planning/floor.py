"""The drying floor's schedule: which lot lies on which space from which day, and what one more space is worth.

A plan is made now, for all weather scenarios at once, and made again tomorrow with tomorrow's forecast. A batch gets a
space for a number of days chosen by the plan: few days risk that the batch is not dry when the next one needs the
space, many days leave the space idle. All money is in one currency at one date.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from core.errors import InputError, PlanError

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class FloorLot:
    """A wet lot that has to be dried.

    Parameters
    ----------
    name : str
        What it is called.
    bags : int
        Whole bags; a lot may be dried in several batches, but no bag is divided.
    bag_mass_kg : float
        Mass of a wet bag, kg.
    drying_days : Mapping[str, array]
        By name of space, whole days from spreading to dry; shape (scenarios,) or (days, scenarios) where the first
        index is the day of spreading. Infinity: not dry within sight. A space that is missing cannot take the lot.
    waiting_cost : array, shape (days + 1,)
        Expected loss in money per bag if it is spread on day 0, 1, ...; the last entry is that of a bag that is not
        spread within the plan. Never falling.
    overrun_cost : float
        Money per bag and day that a batch is still wet when its time on the space is over.
    """

    name: str
    bags: int
    bag_mass_kg: float
    drying_days: Mapping[str, FloatArray]
    waiting_cost: FloatArray
    overrun_cost: float


@dataclass(frozen=True)
class FloorSpace:
    """A space on which grain is spread.

    Parameters
    ----------
    name : str
        What it is called.
    area_m2 : float
        Area, m².
    load_kg_m2 : float
        Wet grain per m², kg/m².
    cost_per_bag_day : float
        Money per bag and day on it (hire, fuel); 0 for one's own ground.
    cost_per_bag : float
        Money per bag spread on it once (a fee per bag, carrying).
    hours_per_bag : float
        Labour to carry out and spread a bag, and again to gather and bag it, hours each.
    hours_per_bag_day : float
        Labour per bag and day in between (turning, covering), hours.
    """

    name: str
    area_m2: float
    load_kg_m2: float
    cost_per_bag_day: float = 0.0
    cost_per_bag: float = 0.0
    hours_per_bag: float = 0.2
    hours_per_bag_day: float = 0.05

    @property
    def capacity_kg(self) -> float:
        """Wet grain that it holds, kg."""
        return self.area_m2 * self.load_kg_m2


@dataclass(frozen=True)
class FloorProblem:
    """Lots, spaces and labour over the days of a plan.

    Parameters
    ----------
    lots, spaces : tuple
        What is to be dried, and where.
    days : int
        Days of the plan, the first is day 0.
    labour_hours : array, shape (days,)
        Hours of labour there are on each day; infinity where labour is no limit.
    batch_cost : float
        Money per batch (kept apart, labelled, watched); above 0 it keeps a lot from being scattered.
    least_chance_dry : float
        A batch is given its space for so many days that it is dry at their end in at least this share of the
        scenarios, 0-1; where that is not possible within the plan it is not spread.
    """

    lots: tuple[FloorLot, ...]
    spaces: tuple[FloorSpace, ...]
    days: int
    labour_hours: FloatArray
    batch_cost: float = 0.0
    least_chance_dry: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        _check_problem(self)

    @cached_property
    def scenarios(self) -> int:
        """Count of weather scenarios."""
        return next(np.shape(days)[-1] for lot in self.lots for days in lot.drying_days.values())


@dataclass(frozen=True)
class FloorBatch:
    """Bags of one lot on one space.

    Parameters
    ----------
    lot, space : str
        Names.
    start_day, days : int
        First day on the space (0 = the plan's first), and days that the space is kept for it.
    bags : int
        Whole bags.
    mass_kg, area_m2 : float
        Wet mass and the area that it covers.
    chance_dry : float
        Share of the scenarios in which it is dry by the end of its days.
    """

    lot: str
    space: str
    start_day: int
    days: int
    bags: int
    mass_kg: float
    area_m2: float
    chance_dry: float


@dataclass(frozen=True)
class FloorSchedule:
    """A schedule with what it costs and how far it can be from the best.

    Parameters
    ----------
    batches : tuple of FloorBatch
        By day, space and lot.
    not_spread : Mapping[str, int]
        Bags of each lot that find no place within the plan (only lots with some).
    expected_cost : float
        Money: waiting, spaces, batches, and batches that are not dry in time, averaged over the scenarios.
    parts : Mapping[str, float]
        The same by ``"waiting"``, ``"spaces"``, ``"not dry in time"`` and ``"batches"``.
    cost_by_scenario : array, shape (scenarios,)
        Money in each scenario.
    bound : float
        No schedule of this problem can cost less, money.
    gap : float
        (expected cost - bound) / expected cost; 0 = proven best.
    hours : array, shape (days,)
        Labour used each day, hours.
    """

    batches: tuple[FloorBatch, ...]
    not_spread: Mapping[str, int]
    expected_cost: float
    parts: Mapping[str, float]
    cost_by_scenario: FloatArray
    bound: float
    gap: float
    hours: FloatArray


@dataclass(frozen=True)
class SpaceWorth:
    """What one more space would be worth for this plan.

    Parameters
    ----------
    space : FloorSpace
        The space added.
    worth : float
        Money saved against the schedule without it, by the schedules found.
    at_most : float
        Money that it can save at most, since neither schedule is proven best beyond its bound.
    schedule : FloorSchedule
        The schedule with it.
    """

    space: FloorSpace
    worth: float
    at_most: float
    schedule: FloorSchedule


@dataclass(frozen=True)
class _Candidates:
    """All batches that may be made, as arrays of one length: lot, space, start day, days kept, money per bag."""

    lot: NDArray[np.int_]
    space: NDArray[np.int_]
    start: NDArray[np.int_]
    days: NDArray[np.int_]
    cost: FloatArray


def plan_floor(problem: FloorProblem, time_limit_s: float = 15.0, gap: float = 0.01) -> FloorSchedule:
    """Return the schedule of least expected cost, as whole bags.

    Parameters
    ----------
    problem : FloorProblem
        Lots, spaces, days and labour.
    time_limit_s : float
        Seconds after which the best schedule found so far is returned, with its bound.
    gap : float
        Gap to the bound at which a schedule is good enough.

    Raises
    ------
    PlanError
        If the solver found nothing in its time.

    Notes
    -----
    Mixed-integer programme, solved by HiGHS: whole bags of lot l on space s from day t for r days, r from the fastest
    to the slowest scenario (and at least as many as `least_chance_dry` asks for). Constraints: all bags of a lot are
    spread or counted as not spread; area on each
    space and day; labour on each day.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp

    candidates = _candidates(problem)
    count, lots = len(candidates.lot), len(problem.lots)
    bags = np.array([lot.bags for lot in problem.lots], dtype=float)
    most = np.concatenate([_most_bags(problem, candidates), bags])
    cost = np.concatenate([candidates.cost, [lot.waiting_cost[-1] for lot in problem.lots]])
    matrix, low, high = _constraints(problem, candidates)
    if problem.batch_cost > 0:
        from scipy.sparse import csr_array, diags_array, hstack, vstack

        # A switch for each candidate: bags only where it is on, and it costs once.
        cost = np.concatenate([cost, np.full(count, problem.batch_cost)])
        switches = hstack(
            [diags_array(np.ones(count)), csr_array((count, lots)), diags_array(-np.maximum(most[:count], 1e-9))]
        )
        matrix = vstack([hstack([matrix, csr_array((matrix.shape[0], count))]), switches])
        low = np.concatenate([low, np.full(count, -np.inf)])
        high = np.concatenate([high, np.zeros(count)])
        most = np.concatenate([most, np.ones(count)])
    answer = milp(
        cost,
        integrality=np.ones(len(cost)),
        bounds=Bounds(0, most),
        constraints=LinearConstraint(matrix, low, high),
        options={"time_limit": time_limit_s, "mip_rel_gap": gap},
    )
    if answer.x is None:
        raise PlanError("no schedule was found within {seconds} seconds", seconds=time_limit_s)
    chosen = np.rint(answer.x[:count]).astype(int)
    bound = float(answer.mip_dual_bound) if answer.mip_dual_bound is not None else float(answer.fun)
    return _schedule(problem, candidates, chosen, bound)


def worth_of_space(
    problem: FloorProblem, schedule: FloorSchedule, space: FloorSpace, like: str, time_limit_s: float = 20.0
) -> SpaceWorth:
    """Return what one more space would save.

    Parameters
    ----------
    problem : FloorProblem
        The problem that `schedule` answers.
    schedule : FloorSchedule
        Its schedule.
    space : FloorSpace
        The space to add; its name must be new.
    like : str
        Name of the space whose drying days it has.
    time_limit_s : float
        Seconds for the solver.

    Raises
    ------
    InputError
        If the name is taken or `like` is unknown.
    """
    if space.name in {item.name for item in problem.spaces}:
        raise InputError("there is a space named {name} already", name=space.name)
    if like not in {item.name for item in problem.spaces}:
        raise InputError("there is no space named {name}", name=like)
    lots = tuple(
        replace(lot, drying_days={**lot.drying_days, space.name: lot.drying_days[like]})
        if like in lot.drying_days
        else lot
        for lot in problem.lots
    )
    wider = replace(problem, lots=lots, spaces=(*problem.spaces, space))
    found = plan_floor(wider, time_limit_s)
    if found.expected_cost > schedule.expected_cost:
        # The old schedule is still possible: an empty space costs nothing.
        found = replace(schedule, bound=min(found.bound, schedule.bound), gap=_gap(schedule.expected_cost, found.bound))
    return SpaceWorth(
        space, schedule.expected_cost - found.expected_cost, max(schedule.expected_cost - found.bound, 0.0), found
    )


def waiting_costs(
    loss_per_day: Sequence[float] | FloatArray, bag_value: float, days: int, not_spread: float = 1.0
) -> FloatArray:
    """Return the money per bag lost by waiting, shape (days + 1,), from the loss of value on each day of waiting.

    Parameters
    ----------
    loss_per_day : sequence of float
        Share of the bag's value lost on day 0, 1, ...; the last value goes on where it is shorter than the plan.
    bag_value : float
        Value of the bag once dry, money.
    days : int
        Days of the plan.
    not_spread : float
        Least share of its value that a bag loses which is not spread within the plan.
    """
    daily = np.asarray(loss_per_day, dtype=float)
    daily = np.concatenate([daily, np.full(max(days - len(daily), 0), daily[-1])])[:days]
    share = np.minimum(np.concatenate([[0.0], np.cumsum(daily)]), 1.0)
    share[-1] = max(share[-1], not_spread)
    return bag_value * share


def _candidates(problem: FloorProblem) -> _Candidates:
    """Return every batch worth considering: each start day, kept from the fastest to the slowest scenario's days."""
    rows: list[tuple[int, int, int, int, float]] = []
    for lot_index, lot in enumerate(problem.lots):
        for space_index, space in enumerate(problem.spaces):
            if space.name not in lot.drying_days or space.capacity_kg < lot.bag_mass_kg:
                continue
            table = _by_start(problem, lot, space.name)
            for start in range(problem.days):
                needed = table[start]
                longest = problem.days - start
                sure = int(np.ceil(problem.least_chance_dry * len(needed) - 1e-9))
                wanted = np.sort(needed)[sure - 1] if sure else 1.0
                if wanted > longest:
                    continue
                shortest = int(max(min(needed.min(), longest), wanted))
                for kept in range(shortest, int(min(needed.max(), longest)) + 1):
                    money = (
                        lot.waiting_cost[start]
                        + space.cost_per_bag
                        + space.cost_per_bag_day * kept
                        + lot.overrun_cost * float(_overrun(needed, kept, problem.days).mean())
                    )
                    rows.append((lot_index, space_index, start, kept, money))
    columns = list(zip(*rows, strict=True)) if rows else [(), (), (), (), ()]
    whole = [np.array(column, dtype=int) for column in columns[:4]]
    return _Candidates(whole[0], whole[1], whole[2], whole[3], np.array(columns[4], dtype=float))


def _by_start(problem: FloorProblem, lot: FloorLot, space: str) -> FloatArray:
    """Return a lot's drying days on a space, shape (days, scenarios), rounded up to whole days."""
    table = np.asarray(lot.drying_days[space], dtype=float)
    if table.ndim == 1:
        table = np.broadcast_to(table, (problem.days, len(table)))
    return np.maximum(np.ceil(table - 1e-9), 1.0)


def _overrun(needed: FloatArray, kept: int, horizon: int) -> FloatArray:
    """Return the days by which each scenario runs over; one that never dries counts the whole plan."""
    return np.minimum(np.maximum(needed - kept, 0.0), float(horizon))


def _most_bags(problem: FloorProblem, candidates: _Candidates) -> FloatArray:
    """Return the most whole bags that each candidate can have: all of the lot, or what the space holds."""
    bags = np.array([lot.bags for lot in problem.lots])[candidates.lot]
    mass = np.array([lot.bag_mass_kg for lot in problem.lots])[candidates.lot]
    capacity = np.array([space.capacity_kg for space in problem.spaces])[candidates.space]
    return np.minimum(bags, np.floor(capacity / mass + 1e-9)).astype(float)


def _constraints(problem: FloorProblem, candidates: _Candidates) -> tuple[Any, FloatArray, FloatArray]:
    """Return the sparse matrix and its lower and upper sides: lots complete, areas, labour."""
    from scipy.sparse import csr_array

    count, lots, spaces, days = len(candidates.lot), len(problem.lots), len(problem.spaces), problem.days
    mass = np.array([lot.bag_mass_kg for lot in problem.lots])
    once = np.array([space.hours_per_bag for space in problem.spaces])
    daily = np.array([space.hours_per_bag_day for space in problem.spaces])
    rows, columns, values = [candidates.lot, np.arange(lots)], [np.arange(count), count + np.arange(lots)], []
    values.extend([np.ones(count), np.ones(lots)])
    with_labour = bool(np.isfinite(problem.labour_hours).any())
    for day in range(days):
        on = np.flatnonzero((candidates.start <= day) & (day < candidates.start + candidates.days))
        rows.append(lots + candidates.space[on] * days + day)
        columns.append(on)
        values.append(mass[candidates.lot[on]])
        if with_labour:
            first = candidates.start[on] == day
            last = candidates.start[on] + candidates.days[on] - 1 == day
            space = candidates.space[on]
            rows.append(np.full(len(on), lots + spaces * days + day))
            columns.append(on)
            values.append(daily[space] + once[space] * (first.astype(float) + last))
    height = lots + spaces * days + (days if with_labour else 0)
    matrix = csr_array(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), shape=(height, count + lots)
    )
    bags = np.array([lot.bags for lot in problem.lots], dtype=float)
    capacity = np.repeat([space.capacity_kg for space in problem.spaces], days)
    labour = problem.labour_hours if with_labour else np.empty(0)
    high = np.concatenate([bags, capacity, labour])
    low = np.concatenate([bags, np.full(height - lots, -np.inf)])
    return matrix, low, high


def _schedule(problem: FloorProblem, candidates: _Candidates, chosen: NDArray[np.int_], bound: float) -> FloorSchedule:
    """Turn the solver's bags into batches and price them in every scenario."""
    batches = []
    for index in np.flatnonzero(chosen > 0):
        lot, space = problem.lots[candidates.lot[index]], problem.spaces[candidates.space[index]]
        start, kept = int(candidates.start[index]), int(candidates.days[index])
        needed = _by_start(problem, lot, space.name)[start]
        mass = float(chosen[index]) * lot.bag_mass_kg
        batches.append(
            FloorBatch(
                lot.name,
                space.name,
                start,
                kept,
                int(chosen[index]),
                mass,
                mass / space.load_kg_m2,
                float(np.mean(needed <= kept)),
            )
        )
    batches.sort(key=lambda batch: (batch.start_day, batch.space, batch.lot))
    return price_schedule(problem, tuple(batches), bound)


def price_schedule(problem: FloorProblem, batches: tuple[FloorBatch, ...], bound: float = -np.inf) -> FloorSchedule:
    """Return a schedule with its costs counted batch by batch in every scenario.

    Parameters
    ----------
    problem : FloorProblem
        What the batches belong to.
    batches : tuple of FloorBatch
        Any batches, from the solver or from a person.
    bound : float
        What no schedule can go below, money, where it is known.

    Raises
    ------
    PlanError
        If the batches do not fit: too many bags of a lot, an area or the labour exceeded, or days outside the plan.
    """
    lots = {lot.name: lot for lot in problem.lots}
    spaces = {space.name: space for space in problem.spaces}
    left = {lot.name: lot.bags for lot in problem.lots}
    load = {name: np.zeros(problem.days) for name in spaces}
    hours = np.zeros(problem.days)
    parts = {"waiting": 0.0, "spaces": 0.0, "not dry in time": 0.0, "batches": 0.0}
    late = np.zeros(problem.scenarios)
    for batch in batches:
        lot, space = lots[batch.lot], spaces[batch.space]
        end = batch.start_day + batch.days
        if batch.start_day < 0 or end > problem.days or batch.bags < 1:
            raise PlanError("the batch of {lot} on {space} lies outside the plan", lot=batch.lot, space=batch.space)
        left[batch.lot] -= batch.bags
        load[batch.space][batch.start_day : end] += batch.bags * lot.bag_mass_kg
        hours[batch.start_day : end] += batch.bags * space.hours_per_bag_day
        hours[batch.start_day] += batch.bags * space.hours_per_bag
        hours[end - 1] += batch.bags * space.hours_per_bag
        parts["waiting"] += batch.bags * float(lot.waiting_cost[batch.start_day])
        parts["spaces"] += batch.bags * (space.cost_per_bag + space.cost_per_bag_day * batch.days)
        parts["batches"] += problem.batch_cost
        needed = _by_start(problem, lot, batch.space)[batch.start_day]
        late += batch.bags * lot.overrun_cost * _overrun(needed, batch.days, problem.days)
    _check_fits(problem, left, load, hours)
    for name, bags in left.items():
        parts["waiting"] += bags * float(lots[name].waiting_cost[-1])
    parts["not dry in time"] = float(late.mean())
    cost = sum(parts.values())
    by_scenario = cost - parts["not dry in time"] + late
    not_spread = {name: bags for name, bags in left.items() if bags}
    return FloorSchedule(batches, not_spread, cost, parts, by_scenario, bound, _gap(cost, bound), hours)


def _check_fits(
    problem: FloorProblem, left: Mapping[str, int], load: Mapping[str, FloatArray], hours: FloatArray
) -> None:
    """Raise where more bags, area or labour is used than there is."""
    for name, bags in left.items():
        if bags < 0:
            raise PlanError("{lot} has {bags} bags fewer than were spread", lot=name, bags=-bags)
    for space in problem.spaces:
        if np.any(load[space.name] > space.capacity_kg * (1 + 1e-6)):
            raise PlanError("{space} holds only {mass} kg", space=space.name, mass=round(space.capacity_kg))
    if np.any(hours > problem.labour_hours + 1e-6):
        raise PlanError("the labour of day {day} is exceeded", day=int(np.argmax(hours - problem.labour_hours)) + 1)


def _gap(cost: float, bound: float) -> float:
    """Return how far a cost may be above the best, as a share of it."""
    if cost <= 0:
        return 0.0
    return float(max(cost - bound, 0.0) / cost)


def _check_problem(problem: FloorProblem) -> None:
    """Raise where a problem cannot be meant."""
    if not problem.lots or not problem.spaces or problem.days < 1:
        raise InputError("a schedule needs at least one lot, one space and one day")
    for names in ([lot.name for lot in problem.lots], [space.name for space in problem.spaces]):
        if len(set(names)) < len(names):
            raise InputError("two of {names} have the same name", names=", ".join(names))
    if np.shape(problem.labour_hours) != (problem.days,) or np.any(~(np.asarray(problem.labour_hours) >= 0)):
        raise InputError("labour is needed for each of the {days} days, not below 0", days=problem.days)
    if not 0 <= problem.least_chance_dry <= 1:
        raise InputError("the chance to be dry {value} is not between 0 and 1", value=problem.least_chance_dry)
    widths = set()
    for lot in problem.lots:
        if lot.bags < 0 or lot.bags != int(lot.bags) or not lot.bag_mass_kg > 0 or not lot.overrun_cost >= 0:
            raise InputError("{name}: bags, their mass or the cost of being late cannot be right", name=lot.name)
        waiting = np.asarray(lot.waiting_cost, dtype=float)
        if waiting.shape != (problem.days + 1,) or np.any(~(np.diff(waiting) >= -1e-9)) or not waiting[0] >= 0:
            raise InputError(
                "{name}: the cost of waiting needs {count} values that never fall",
                name=lot.name,
                count=problem.days + 1,
            )
        for place, days in lot.drying_days.items():
            table = np.asarray(days, dtype=float)
            if np.any(~(table > 0)) or table.ndim not in (1, 2) or (table.ndim == 2 and len(table) != problem.days):
                raise InputError("{name}: the drying days on {space} cannot be right", name=lot.name, space=place)
            widths.add(table.shape[-1])
    if len(widths) != 1:
        raise InputError("all lots need drying days for the same weather scenarios")
    for space in problem.spaces:
        if not (space.area_m2 > 0 and space.load_kg_m2 > 0):
            raise InputError("{name}: area and load have to be above 0", name=space.name)
