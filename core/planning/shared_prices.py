"""What the group's shared limits are worth.

The prices at which each lot, taken by itself, asks for no more than its part of the plan.
"""

from __future__ import annotations

import time
from dataclasses import dataclass

import numpy as np

from core.planning.case import PlanningCase
from core.planning.layout import Layout
from core.planning.model import option_use
from core.planning.outlook import Options, Outlook, mean_values
from core.planning.placing import greedy_allocation
from core.planning.quick_plans import ROUNDS
from core.planning.sale_plan import score_of
from core.planning.search import LAST_STOP_SECONDS, begin_search, relax


@dataclass(frozen=True)
class SharedPrices:
    """The prices of the limits that lots share: room on the sheets, bags, store, truck, and what buyers take in a week.

    `duals` (rows,) are those of the plan's linear relaxation in the order of `layout` [money today per unit of the row,
    0 or below for a limit from above].
    """

    layout: Layout
    duals: np.ndarray

    def per_kg(self, case: PlanningCase, table: Options, bag_mass_kg: float, commodity: str) -> np.ndarray:
        """Return what each option uses of the shared limits, at their prices, (options,).

        In money today per kg put in.
        """
        cost = np.zeros(len(table))
        for entry in option_use(case, self.layout, table, commodity):
            dual = np.where(entry.row >= 0, self.duals[entry.row], 0.0)
            cost -= dual * (entry.per_kg + entry.per_bag / bag_mass_kg)
        return cost


def shared_prices(outlook: Outlook) -> SharedPrices | None:
    """Return the prices of the shared limits in the best plan of an outlook.

    None where the programme finds no answer in time.

    Notes
    -----
    Duals of the relaxed programme. At these prices the lots' own best choices are those of the plan together
    (Lagrangian decomposition; Dantzig & Wolfe 1960), up to the rounding to whole bags and trips.
    """
    if not any(len(table) for table in outlook.classes):
        return None
    mean = [mean_values(outlook.case, table) for table in outlook.classes]
    search = begin_search(outlook, mean)
    scale = abs(score_of(outlook, greedy_allocation(outlook, mean))) + 1.0
    deadline = time.perf_counter() + LAST_STOP_SECONDS
    relaxed = relax(search, scale, deadline, deadline, 5, ROUNDS)
    return None if relaxed is None else SharedPrices(search.layout, relaxed.duals[: search.layout.row_starts["end"]])
