"""What the group's shared limits are worth: the prices at which each lot, taken by itself, asks for no more than its part of the plan."""

from __future__ import annotations

import time
from dataclasses import dataclass

import numpy as np

from core.planning.case import PlanningCase
from core.planning.model import Layout, fixed_pieces, make_layout
from core.planning.outlook import Options, Outlook, mean_values
from core.planning.sale import EXACT_COLUMNS, _first_columns, _relax, _score, _Search, greedy_allocation


@dataclass(frozen=True)
class SharedPrices:
    """The prices of the limits that lots share: room on the sheets, bags, store, truck, and what buyers take in a week.

    `duals` (rows,) are those of the plan's linear relaxation in the order of `layout` [money today per unit of the
    row, 0 or below for
    a limit from above].
    """

    layout: Layout
    duals: np.ndarray

    def per_kg(self, case: PlanningCase, table: Options, bag_mass_kg: float, commodity: str) -> np.ndarray:
        """Return what each option uses of the shared limits, at their prices [money today per kg put in], (options,)."""
        cost = np.zeros(len(table))
        for row, kg, bag in fixed_pieces(case, self.layout, table, commodity):
            cost -= np.where(row >= 0, self.duals[row], 0.0) * (kg + bag / bag_mass_kg)
        return cost


def shared_prices(outlook: Outlook, time_limit: float = 3.0) -> SharedPrices | None:
    """Return the prices of the shared limits in the best plan of an outlook, None where the programme finds no answer in time.

    Parameters
    ----------
    outlook : Outlook
        All options of all lots.
    time_limit : float
        Seconds for the solver.

    Returns
    -------
    SharedPrices or None

    Notes
    -----
    Duals of the relaxed programme. At these prices the lots' own best choices are those of the plan together
    (Lagrangian
    decomposition; Dantzig & Wolfe 1960), up to the rounding to whole bags and trips.
    """
    case = outlook.case
    if not any(len(table) for table in outlook.classes):
        return None
    layout = make_layout(case)
    mean = [mean_values(case, table) for table in outlook.classes]
    exact = sum(len(outlook.options(lot)) for lot in range(len(case.lots))) <= EXACT_COLUMNS
    uniform = [np.full(case.scenarios, 1.0 / case.scenarios)]
    pieces = [
        fixed_pieces(case, layout, table, stands.commodity)
        for table, stands in zip(outlook.classes, outlook.representatives, strict=True)
    ]
    search = _Search(
        outlook,
        layout,
        pieces,
        mean,
        _first_columns(outlook, mean, 10**6 if exact else 6),
        list(uniform) if case.risk_weight > 0 else [],
        list(uniform) if layout.need_weeks else [],
    )
    scale = abs(_score(outlook, greedy_allocation(outlook, mean))) + 1.0
    deadline = time.perf_counter() + time_limit
    relaxed = _relax(search, exact, scale, deadline, deadline, 5)
    return None if relaxed is None else SharedPrices(layout, relaxed.duals[: layout.row_starts["end"]])
