"""What the batch's quicker plan loses against the full plan, on scenarios that neither has seen, and the
processor time of both.

Run: ``python3 -m tests.benchmarks.batch_loss [cases] [lots] [weeks]``. Invented cases; the full plan has 100
scenarios, all moistures to dry to
and the search for whole bags; the batch's has 48 scenarios, one moisture, and a rounded linear programme, searched
further where its gap is wide.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from core.planning.case import make_case
from core.planning.outlook import build_outlook
from core.planning.sale import plan_sale
from core.planning.worth import evaluate
from core.programme.batch import batch_plan, coarse


def main() -> None:
    """Print value and processor seconds of both plans for each case, and the mean loss."""
    given = [int(text) for text in sys.argv[1:4]]
    count, lots, weeks = [*given, *(6, 40, 26)[len(given) :]]
    losses = []
    for seed in range(count):
        case = make_case(lots, weeks, 100, seed)
        marks = [time.process_time()]
        outlook = build_outlook(case)
        full = plan_sale(case, outlook, time_limit=30.0)
        marks.append(time.process_time())
        small = coarse(case)
        rough = build_outlook(small)
        quick = batch_plan(small, rough, 3.0)
        marks.append(time.process_time())
        # fresh scenarios, as many for both; each plan is valued on its own options
        worth_full = evaluate(build_outlook(case, seed=990 + seed, like=outlook), full.allocation).mean
        fresh = small.with_changes(scenarios=case.scenarios)
        worth_quick = evaluate(build_outlook(fresh, seed=990 + seed, like=rough), quick.allocation).mean
        losses.append(1 - worth_quick / worth_full)
        one, two = np.diff(marks)
        print(
            (
                f"case {seed}: full {worth_full:9.0f} ({one:.2f} s, gap {full.gap:.4f}), batch {worth_quick:9.0f} "
                f"({two:.2f} s, gap {quick.gap:.4f}): {100 * losses[-1]:+.2f} % lost"
            ),
            flush=True,
        )
    print(f"mean loss {100 * np.mean(losses):.2f} %, largest {100 * np.max(losses):.2f} %")


if __name__ == "__main__":
    main()
