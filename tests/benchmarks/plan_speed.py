"""How long a plan takes, against a plain linear programme of the same machine: run with `python
tests/benchmarks/plan_speed.py`.

Goals: 60 lots x 40 weeks x 400 scenarios in 5 s on two cores, within 0.5 % of the bound for every seed; 2,000 lots in
2 minutes; cost about linear in lots.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from core.planning.case import make_case
from core.planning.outlook import build_outlook
from core.planning.sale import plan_sale

SEEDS = range(1, 7)  # of the case of 60 lots


def reference_seconds() -> float:
    """Return the time of one linear programme of fixed size (400 rows, 1,500 columns, 3 in 100 filled): the
    yardstick of this machine.
    """
    from scipy.optimize import linprog
    from scipy.sparse import random_array

    draw = np.random.default_rng(1)
    matrix = random_array((400, 1500), density=0.03, rng=draw, format="csr")
    began = time.perf_counter()
    linprog(-draw.random(1500), A_ub=matrix, b_ub=np.full(400, 5.0), bounds=(0, 10), method="highs")
    return time.perf_counter() - began


def main() -> None:
    """Print seconds, processor seconds, gap and ratio to the yardstick for growing cases."""
    yardstick = reference_seconds()
    print(f"yardstick (one linear programme): {yardstick:.2f} s")
    print("lots weeks scenarios seed | outlook s | plan s | processor s | gap % | found by | total/yardstick")
    several = [(60, seed) for seed in SEEDS]
    cases = [*several, *((lots, 1) for lots in (125, 250, 500, 1000, 2000))]
    weeks, scenarios = 40, 400
    for lots, seed in cases[: 1 if "--quick" in sys.argv else None]:
        case = make_case(lots, weeks, scenarios, seed)
        processor, began = time.process_time(), time.perf_counter()
        outlook = build_outlook(case)
        middle = time.perf_counter()
        plan = plan_sale(case, outlook)
        done = time.perf_counter()
        took = f"{middle - began:6.2f} | {done - middle:6.2f} | {time.process_time() - processor:6.2f}"
        print(
            f"{lots:5d} {weeks:4d} {scenarios:5d} {seed:3d} | {took} | "
            f"{100 * plan.gap:5.2f} | {plan.method} | {(done - began) / yardstick:.1f}"
        )


if __name__ == "__main__":
    main()
