"""What it costs that like lots share a table of choices: `python tests/benchmarks/class_sharing.py`.

A plan made with shared tables is carried over to tables of each lot's own, valued there, and held against the plan
made on those.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from core.planning import outlook as room
from core.planning.allocation import Allocation
from core.planning.case import PlanningCase, make_case
from core.planning.outlook import Outlook, build_outlook
from core.planning.sale import plan_sale
from core.planning.worth import broken_limits, complete, evaluate

COLUMNS = {
    "buyer": 1e3,
    "storage": 1e3,
    "reserve": 1e3,
    "sale_week": 300,
    "harvest_week": 100,
    "setup": 60,
    "start_week": 30,
    "target_pct": 10,
}


def own_tables(case: PlanningCase) -> Outlook:
    """Return the outlook in which every lot has its own table."""
    shared = room.group_lots
    room.group_lots = lambda one: (np.arange(len(one.lots)), list(one.lots))
    try:
        return build_outlook(case)
    finally:
        room.group_lots = shared


def carried(shared: Outlook, own: Outlook, plan: Allocation) -> Allocation:
    """Return the plan on the lots' own tables: for each line the choice that differs least."""
    chosen = []
    for lot, option in zip(plan.lot, plan.option, strict=True):
        here, there = shared.options(int(lot)), own.options(int(lot))
        far = np.zeros(len(there))
        for name, weight in COLUMNS.items():
            wanted = np.nan_to_num(float(getattr(here, name)[option]))
            far += weight * np.abs(np.nan_to_num(getattr(there, name).astype(float)) - wanted)
        chosen.append(int(np.argmin(far)))
    return complete(own, plan.lot, np.array(chosen, dtype=int), plan.bags)


def main() -> None:
    """Print the loss of value for three invented cases of 200 lots."""
    print("seed classes | shared, on the lots | lot by lot | loss % (gaps %) | limits broken")
    for seed in (1, 2, 3):
        case = make_case(200, 30, 60, seed).with_changes(needs=())
        shared, own = build_outlook(case), own_tables(case)
        quick, slow = plan_sale(case, shared, time_limit=12.0), plan_sale(case, own, time_limit=40.0)
        made = carried(shared, own, quick.allocation)
        value = evaluate(own, made).mean
        print(
            f"{seed:4d} {len(shared.classes):7d} | {value:10.1f} | {slow.mean:10.1f} | "
            f"{100 * (1 - value / slow.mean):6.3f} ({100 * quick.gap:.2f}, {100 * slow.gap:.2f}) | "
            f"{broken_limits(own, made)}"
        )


if __name__ == "__main__":
    main()
