"""The drying floor's schedule against full enumeration, another solver, and its own pricing."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.errors import InputError, PlanError
from core.planning.floor import (
    FloorBatch,
    FloorLot,
    FloorProblem,
    FloorSpace,
    plan_floor,
    price_schedule,
    waiting_costs,
    worth_of_space,
)


def small_problem(seed: int, batch_cost: float = 0.0) -> FloorProblem:
    """Return an invented case small enough to be enumerated."""
    generator = np.random.default_rng(seed)
    days = int(generator.integers(2, 4))
    scenarios = int(generator.integers(1, 4))
    spaces = tuple(
        FloorSpace(
            name,
            area_m2=float(generator.integers(3, 9)),
            load_kg_m2=20.0,
            cost_per_bag_day=float(generator.integers(0, 3)),
            hours_per_bag=0.5,
            hours_per_bag_day=0.1,
        )
        for name in ("sheet", "rack")[: int(generator.integers(1, 3))]
    )
    lots = tuple(
        FloorLot(
            f"lot {index}",
            bags=int(generator.integers(1, 3)),
            bag_mass_kg=float(generator.choice([50.0, 70.0])),
            drying_days={space.name: generator.integers(1, 4, scenarios).astype(float) for space in spaces},
            waiting_cost=np.concatenate([[0.0], np.cumsum(generator.integers(1, 9, days))]).astype(float),
            overrun_cost=float(generator.integers(0, 12)),
        )
        for index in range(2)
    )
    labour = np.full(days, np.inf if generator.random() < 0.5 else 1.7)
    return FloorProblem(lots, spaces, days, labour, batch_cost)


def enumerate_best(problem: FloorProblem) -> float:
    """Return the least expected cost over all schedules, written apart from the model: every bag chooses for itself."""

    def choices(lot: FloorLot) -> list[tuple[int, int, int] | None]:
        found: list[tuple[int, int, int] | None] = [None]
        for index, space in enumerate(problem.spaces):
            needed = lot.drying_days[space.name]
            for start in range(problem.days):
                for kept in range(1, problem.days - start + 1):
                    if min(needed.min(), problem.days - start) <= kept <= needed.max():
                        found.append((index, start, kept))
        return found

    plans = [list(itertools.combinations_with_replacement(choices(lot), lot.bags)) for lot in problem.lots]
    best = np.inf
    for plan in itertools.product(*plans):
        load = np.zeros((len(problem.spaces), problem.days))
        hours = np.zeros(problem.days)
        cost = 0.0
        for lot, bags in zip(problem.lots, plan, strict=True):
            cost += problem.batch_cost * len({bag for bag in bags if bag is not None})
            for bag in bags:
                if bag is None:
                    cost += lot.waiting_cost[-1]
                    continue
                index, start, kept = bag
                space = problem.spaces[index]
                load[index, start : start + kept] += lot.bag_mass_kg
                hours[start] += space.hours_per_bag
                hours[start + kept - 1] += space.hours_per_bag
                hours[start : start + kept] += space.hours_per_bag_day
                late = np.minimum(np.maximum(lot.drying_days[space.name] - kept, 0), problem.days).mean()
                cost += lot.waiting_cost[start] + space.cost_per_bag_day * kept + lot.overrun_cost * late
        room = np.array([space.area_m2 * space.load_kg_m2 for space in problem.spaces])[:, None]
        if cost < best and np.all(load <= room + 1e-9) and np.all(hours <= problem.labour_hours + 1e-9):
            best = cost
    return float(best)


@pytest.mark.parametrize("batch_cost", [0.0, 3.0])
@pytest.mark.parametrize("seed", range(25))
def test_equal_to_full_enumeration(seed, batch_cost):
    problem = small_problem(seed, batch_cost)
    found = plan_floor(problem, gap=0.0)
    assert found.expected_cost == pytest.approx(enumerate_best(problem), abs=1e-6)
    assert found.bound <= found.expected_cost + 1e-6


def made_up(lots: int, spaces: int, days: int, scenarios: int, seed: int) -> FloorProblem:
    """Return an invented case of a real size."""
    generator = np.random.default_rng(seed)
    names = [f"space {index}" for index in range(spaces)]
    speed = generator.lognormal(0, 0.25, scenarios)
    floor = tuple(
        FloorSpace(name, float(generator.integers(20, 60)), 15.0, 0.02 * index) for index, name in enumerate(names)
    )
    made = []
    for index in range(lots):
        base = generator.uniform(2, 5)
        made.append(
            FloorLot(
                f"lot {index}",
                int(generator.integers(4, 20)),
                float(generator.choice([50, 70, 90])),
                {name: np.maximum(base * speed * (1 + 0.1 * place), 1) for place, name in enumerate(names)},
                waiting_costs(generator.uniform(0.005, 0.03, days), float(generator.uniform(15, 40)), days, 0.6),
                overrun_cost=float(generator.uniform(0.3, 2)),
            )
        )
    return FloorProblem(tuple(made), floor, days, np.full(days, 60.0))


def test_another_solver_finds_the_same():
    """PuLP with CBC: another modelling layer and another solver."""
    pulp = pytest.importorskip("pulp")
    problem = made_up(lots=6, spaces=2, days=8, scenarios=5, seed=3)
    ours = plan_floor(problem, gap=0.0, time_limit_s=30)
    model = pulp.LpProblem("floor", pulp.LpMinimize)
    bags, cost = {}, []
    for lot in problem.lots:
        missing = pulp.LpVariable(f"left_{lot.name}".replace(" ", "_"), 0, lot.bags, cat="Integer")
        bags[lot.name, None] = missing
        cost.append(missing * lot.waiting_cost[-1])
        for space in problem.spaces:
            needed = np.ceil(lot.drying_days[space.name] - 1e-9)
            for start in range(problem.days):
                longest = problem.days - start
                for kept in range(int(min(needed.min(), longest)), int(min(needed.max(), longest)) + 1):
                    name = f"y_{lot.name}_{space.name}_{start}_{kept}".replace(" ", "_")
                    variable = pulp.LpVariable(name, 0, lot.bags, cat="Integer")
                    bags[lot.name, (space.name, start, kept)] = variable
                    late = np.minimum(np.maximum(needed - kept, 0), problem.days).mean()
                    cost.append(
                        variable * (lot.waiting_cost[start] + space.cost_per_bag_day * kept + lot.overrun_cost * late)
                    )
    model += pulp.lpSum(cost)
    for lot in problem.lots:
        model += pulp.lpSum(value for key, value in bags.items() if key[0] == lot.name) == lot.bags
    mass = {lot.name: lot.bag_mass_kg for lot in problem.lots}
    for day in range(problem.days):
        hours = []
        for space in problem.spaces:
            on = [
                (key, value)
                for key, value in bags.items()
                if key[1] and key[1][0] == space.name and key[1][1] <= day < key[1][1] + key[1][2]
            ]
            model += pulp.lpSum(mass[key[0]] * value for key, value in on) <= space.capacity_kg
            for key, value in on:
                ends = (key[1][1] == day) + (key[1][1] + key[1][2] - 1 == day)
                hours.append(value * (space.hours_per_bag_day + space.hours_per_bag * ends))
        model += pulp.lpSum(hours) <= problem.labour_hours[day]
    model.solve(pulp.PULP_CBC_CMD(msg=False, timeLimit=60))
    theirs = pulp.value(model.objective)
    assert ours.expected_cost == pytest.approx(theirs, rel=2e-4)
    assert ours.bound <= theirs * (1 + 1e-6)


@pytest.mark.slow
def test_forty_lots_within_five_percent_of_the_bound():
    found = plan_floor(made_up(lots=40, spaces=4, days=16, scenarios=20, seed=5), time_limit_s=30)
    assert found.gap <= 0.05
    assert found.bound <= found.expected_cost


@given(seed=st.integers(0, 10_000))
def test_every_plan_fits_and_prices_itself(seed):
    problem = made_up(lots=5, spaces=2, days=6, scenarios=4, seed=seed)
    found = plan_floor(problem, time_limit_s=5, gap=0.02)
    again = price_schedule(problem, found.batches)  # raises where it does not fit
    assert again.expected_cost == pytest.approx(found.expected_cost)
    assert sum(batch.bags for batch in found.batches) + sum(found.not_spread.values()) == sum(
        lot.bags for lot in problem.lots
    )
    assert found.cost_by_scenario.mean() == pytest.approx(found.expected_cost)
    assert all(batch.bags == int(batch.bags) for batch in found.batches)


def test_the_lot_that_spoils_faster_goes_first():
    space = FloorSpace("sheet", 10, 10)
    days = np.array([2.0])
    slow = FloorLot("slow", 1, 100, {"sheet": days}, waiting_costs([0.01], 30, 4), 1)
    fast = FloorLot("fast", 1, 100, {"sheet": days}, waiting_costs([0.10], 30, 4), 1)
    found = plan_floor(FloorProblem((slow, fast), (space,), 4, np.full(4, np.inf)))
    assert [(batch.lot, batch.start_day) for batch in found.batches] == [("fast", 0), ("slow", 2)]


def test_a_lot_too_large_for_the_space_is_split_by_whole_bags():
    space = FloorSpace("sheet", 10, 10)  # holds 100 kg: two bags of 45 kg, not 2.2
    lot = FloorLot("lot", 5, 45, {"sheet": np.array([1.0])}, waiting_costs([0.05], 30, 3), 1)
    found = plan_floor(FloorProblem((lot,), (space,), 3, np.full(3, np.inf)))
    assert [batch.bags for batch in found.batches] == [2, 2, 1]


def test_one_more_space_is_worth_what_waiting_costs():
    # By hand: two lots of one bag, one bag of room, one day each; the second waits a day at 3 a day.
    space = FloorSpace("sheet", 10, 10)
    one_day = {"sheet": np.array([1.0])}
    lots = tuple(FloorLot(name, 1, 100, one_day, np.array([0.0, 3.0, 30.0]), 1) for name in ("first", "second"))
    problem = FloorProblem(lots, (space,), 2, np.full(2, np.inf))
    found = plan_floor(problem)
    assert found.expected_cost == pytest.approx(3)
    worth = worth_of_space(problem, found, FloorSpace("second sheet", 10, 10), like="sheet")
    assert worth.worth == pytest.approx(3)
    assert worth.at_most >= worth.worth - 1e-9


def test_no_labour_means_nothing_is_spread():
    space = FloorSpace("sheet", 10, 10)
    lot = FloorLot("lot", 2, 50, {"sheet": np.array([1.0])}, waiting_costs([0.05], 30, 3), 1)
    found = plan_floor(FloorProblem((lot,), (space,), 3, np.zeros(3)))
    assert found.not_spread == {"lot": 2}
    assert found.expected_cost == pytest.approx(60)


def test_weather_that_turns_is_waited_for():
    # Spread on day 0 it takes 3 days (rain), on day 2 one day; the space costs 5 a day, waiting almost nothing.
    space = FloorSpace("hired", 10, 10, cost_per_bag_day=5)
    table = np.array([[3.0], [3.0], [1.0], [1.0]])
    lot = FloorLot("lot", 1, 100, {"hired": table}, np.array([0, 0.1, 0.2, 0.3, 50]), 20)
    found = plan_floor(FloorProblem((lot,), (space,), 4, np.full(4, np.inf)))
    assert [(batch.start_day, batch.days) for batch in found.batches] == [(2, 1)]


def test_a_persons_own_plan_that_does_not_fit_is_refused():
    space = FloorSpace("sheet", 10, 10)
    lot = FloorLot("lot", 3, 50, {"sheet": np.array([1.0])}, waiting_costs([0.05], 30, 3), 1)
    problem = FloorProblem((lot,), (space,), 3, np.full(3, np.inf))
    with pytest.raises(PlanError, match="100 kg"):
        price_schedule(problem, (FloorBatch("lot", "sheet", 0, 1, 3, 150, 15, 1.0),))


@pytest.mark.parametrize(
    "change",
    [
        {"bags": -1},
        {"bag_mass_kg": 0.0},
        {"waiting_cost": np.array([5.0, 1.0, 0.0, 0.0])},
        {"drying_days": {"sheet": np.array([0.0])}},
        {"drying_days": {"sheet": np.array([np.nan])}},
    ],
)
def test_impossible_lots_are_refused(change):
    good = {
        "name": "lot",
        "bags": 1,
        "bag_mass_kg": 50.0,
        "drying_days": {"sheet": np.array([1.0])},
        "waiting_cost": np.array([0.0, 1, 2, 3]),
        "overrun_cost": 1.0,
    }
    with pytest.raises(InputError):
        FloorProblem((FloorLot(**{**good, **change}),), (FloorSpace("sheet", 10, 10),), 3, np.full(3, np.inf))
