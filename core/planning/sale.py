"""The sale plan: which bags are dried, stored, and sold to whom in which week.

Best for the whole group under its limits.

A feasible plan made by simple placing always stands behind the search for the best one.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping

import numpy as np

from core.errors import PlanError
from core.planning.allocation import Allocation
from core.planning.case import PlanningCase
from core.planning.layout import make_layout
from core.planning.model import Columns
from core.planning.outlook import Outlook, build_outlook, mean_values
from core.planning.placing import greedy_allocation, in_time
from core.planning.sale_plan import SalePlan, finish, score_of
from core.planning.search import (
    LAST_STOP_SECONDS,
    Relaxed,
    Search,
    add_cuts,
    all_use,
    assemble,
    at_size,
    begin_search,
    bound_for_lots,
    classes_as_wholes,
    join,
    promising,
    relax,
    rounded,
    solve_whole,
)
from core.planning.settling import LEAST_PART, with_kept_lots, without_small_parts
from core.planning.simple_rules import RULES, rule_allocation
from core.planning.worth import broken_limits, complete

LARGE_LOTS = 250
NODE_COLUMNS = 60_000  # nodes x options of a stage: some seconds of a common processor (measured, plan_speed)
# the search for whole bags begins with the most promising options and widens while the gap asks for it
STAGE_COLUMNS = (350, 1000)


def plan_sale(
    case: PlanningCase,
    outlook: Outlook | None = None,
    time_limit: float = LAST_STOP_SECONDS,
    mip_gap: float = 0.003,
    start: Allocation | None = None,
    watch: Callable[[str, float], bool] | None = None,
    kept: Mapping[int, dict[int, int]] | None = None,
    change_price: float = 0.01,
    effort: float = 1.0,
    least_part: int = LEAST_PART,
) -> SalePlan:
    """Return the best plan for all lots together under the group's limits.

    Parameters
    ----------
    case : PlanningCase
        Lots, limits, prices and wishes.
    outlook : Outlook, optional
        Scenario values of all options; built from the invented seasons if left out.
    time_limit : float
        Seconds after which the search stops whatever it has found (building the outlook apart): a last stop, for the
        budget is `effort`, so that the same case gives the same plan on a slow machine as on a fast one.
    mip_gap : float
        Relative gap at which the search for whole bags stops.
    start : Allocation, optional
        A plan on the same options to begin with, for instance the one made before a choice was changed.
    watch : callable, optional
        Told (how the best plan so far was found, its gap as a fraction) after every step; the search stops where it
        returns True.
    kept : mapping of lot to bags by option, optional
        What the plan that the group keeps to does with each lot (`core.planning.rolling.kept_bags`): a lot changes
        only where that pays.
    change_price : float
        What a change for a lot must gain, as a fraction of the worth of its bags.
    effort : float
        Of the usual budget of the search for whole bags, counted in nodes of its tree; 0: by rounding alone.
    least_part : int
        Fewest bags of a lot that go one way, unless the lot is that small.

    Returns
    -------
    SalePlan
        With a bound that no plan under these limits can beat, and the gap to it.

    Raises
    ------
    PlanError
        If there is nothing to plan.
    """
    began = time.perf_counter()
    made = build_outlook(case) if outlook is None else outlook
    if not case.lots or not any(lot.bags for lot in case.lots):
        raise PlanError("there is no grain to plan: enter a lot with at least one bag")
    if not any(len(table) for table in made.classes):
        raise PlanError(
            "no lot can be sold within {weeks} weeks: check the buyers, dates and horizon", weeks=case.weeks
        )
    mean = [mean_values(case, table) for table in made.classes]
    large = len(case.lots) > LARGE_LOTS and len(make_layout(case).accounts) == 1
    search = begin_search(classes_as_wholes(made) if large else made, mean)
    deadline = time.perf_counter() + time_limit
    best = _Best(made, greedy_allocation(made, mean), watch)
    if start is not None:
        best.offer(start, "the plan before")
    scale = abs(best.score) + 1.0
    relaxed = None if best.told(search.bound) else relax(search, scale, deadline, deadline - 0.4 * time_limit, 5)
    if relaxed is not None:
        best.offer(rounded(made, search, relaxed.program, relaxed.x), "rounded")
        if large:
            # the cuts found last are not in the programme whose duals are used: its own pieces come without them
            use, _ = all_use(at_size(search, relaxed.program))
            search.bound = bound_for_lots(made, search, use, relaxed.duals, relaxed.objective)
    for rule in RULES if len(case.lots) <= LARGE_LOTS or best.method == "placing" else ():
        best.offer(rule_allocation(made, rule), "simple rule")
    if relaxed is not None and effort > 0 and not large and not best.told(search.bound):
        _search_whole(search, relaxed, best, scale, deadline, mip_gap, effort)
    found = best.allocation
    if len(case.lots) <= LARGE_LOTS:
        found = without_small_parts(
            made, with_kept_lots(made, found, kept, change_price) if kept else found, least_part
        )
    return finish(made, found, search.bound, best.method, time.perf_counter() - began)


class _Best:
    """The best feasible allocation found so far; it knows whom to tell about it."""

    def __init__(self, outlook: Outlook, first: Allocation, watch: Callable[[str, float], bool] | None) -> None:
        self.outlook, self.watch = outlook, watch
        self.allocation, self.method, self.score = first, "placing", score_of(outlook, first)

    def offer(self, found: Allocation, method: str) -> None:
        """Take an allocation over where it is better and breaks no limit."""
        fits = in_time(self.outlook, found)
        score = score_of(self.outlook, fits)
        if score > self.score and not broken_limits(self.outlook, fits):
            self.allocation, self.method, self.score = fits, method, score

    def gap(self, bound: float) -> float:
        """Return how far the bound lies above, as a fraction."""
        return max(0.0, (bound - self.score) / max(abs(self.score), 1e-9))

    def told(self, bound: float) -> bool:
        """Tell the watcher how far the search is; return whether it is to stop."""
        return self.watch is not None and self.watch(self.method, self.gap(bound))


def _search_whole(
    search: Search, relaxed: Relaxed, best: _Best, scale: float, deadline: float, mip_gap: float, effort: float
) -> None:
    """Search for whole bags and trips among ever more options until the gap to the bound of all of them is small.

    Or until time is over.
    """
    columns, first = search.columns, relaxed.program.shared
    width = max(len(table) for table in search.outlook.classes) + 1
    sizes = [size for size in STAGE_COLUMNS if size < len(columns.lot)] + ([len(columns.lot)] if search.exact else [])
    sizes = sizes or [len(columns.lot)]
    for size in sizes:
        # with the options of the best plan so far in it, a narrow search cannot end below that plan
        known = Columns(best.allocation.lot, best.allocation.option)
        known = known if search.outlook is best.outlook else Columns(known.lot[:0], known.option[:0])
        search.columns = join(promising(columns, relaxed.reduced[first:], relaxed.x[first:], size), known, width)
        for _ in range(4):
            left = deadline - time.perf_counter()
            if left < 0.15:
                return
            use, member = all_use(search)
            program = assemble(search, use, member)
            x_whole, bound, _status = solve_whole(
                program, left, 0.5 * mip_gap, max(1, int(effort * NODE_COLUMNS / size))
            )
            if size == len(columns.lot) and search.exact and bound is not None:
                search.bound = min(search.bound, -bound)
            if x_whole is None:
                break
            bags = np.round(x_whole[program.shared :]).astype(int)
            best.offer(complete(best.outlook, search.columns.lot, search.columns.option, bags), "whole-number search")
            if best.told(search.bound):
                return
            if not add_cuts(search, program, x_whole, scale):
                break
        if best.gap(search.bound) <= mip_gap:
            return
