"""The drying floor's schedule on 40 lots: time, gap to the bound, and a greedy rule of thumb priced on the same
problem.

Run with ``python -m tests.benchmarks.floor``. The rule: the wettest lot first, on the first space that is free, for as
many days as its middle weather needs.
"""

from __future__ import annotations

import time

import numpy as np

from core.planning.floor import FloorBatch, FloorProblem, FloorSchedule, plan_floor, price_schedule
from tests.planning.test_floor import made_up


def rule_of_thumb(problem: FloorProblem) -> FloorSchedule:
    """Return the schedule of the rule: fastest spoiling first, first free space, middle days."""
    load = {space.name: np.zeros(problem.days) for space in problem.spaces}
    hours = np.zeros(problem.days)
    batches = []
    for lot in sorted(problem.lots, key=lambda lot: -lot.waiting_cost[1]):
        left = lot.bags
        for start in range(problem.days):
            for space in problem.spaces:
                days = int(np.ceil(np.median(lot.drying_days[space.name])))
                if left == 0 or start + days > problem.days:
                    continue
                stay = slice(start, start + days)
                room = int((space.capacity_kg - load[space.name][stay].max()) // lot.bag_mass_kg)
                need = np.full(days, space.hours_per_bag_day)
                need[0] += space.hours_per_bag
                need[-1] += space.hours_per_bag
                hands = int(np.min((problem.labour_hours[stay] - hours[stay] + 1e-9) / need))
                bags = min(left, room, hands)
                if bags < 1:
                    continue
                load[space.name][stay] += bags * lot.bag_mass_kg
                hours[stay] += bags * need
                left -= bags
                mass = bags * lot.bag_mass_kg
                batches.append(FloorBatch(lot.name, space.name, start, days, bags, mass, mass / space.load_kg_m2, 0.5))
    return price_schedule(problem, tuple(batches))


def main() -> None:
    """Print a line for each invented case."""
    for seed in (5, 6, 7):
        problem = made_up(lots=40, spaces=4, days=16, scenarios=20, seed=seed)
        begin = time.perf_counter()
        found = plan_floor(problem, time_limit_s=15)
        seconds = time.perf_counter() - begin
        rule = rule_of_thumb(problem)
        print(
            f"case {seed}: {seconds:.1f} s, gap {100 * found.gap:.2f} % (aim <= 5 %), cost {found.expected_cost:.0f}; "
            f"rule of thumb {rule.expected_cost:.0f}, ratio {rule.expected_cost / found.expected_cost:.2f}"
        )


if __name__ == "__main__":
    main()
