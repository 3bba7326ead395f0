"""The sale plan: which bags are dried, stored, and sold to whom in which week.

Best for the whole group under its limits.

A feasible plan made by simple placing always stands behind the search for the best one.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from core.errors import PlanError
from core.given import check_kind
from core.planning.allocation import Allocation
from core.planning.case import PlanningCase
from core.planning.layout import make_layout
from core.planning.model import Columns, Program
from core.planning.money_unit import loans_in, money_unit, outlook_in
from core.planning.outlook import Outlook, build_outlook, mean_values
from core.planning.placing import greedy_allocation, in_time
from core.planning.sale_plan import SalePlan, finish, score_of
from core.planning.search import (
    LAST_STOP_SECONDS,
    Relaxed,
    Search,
    all_use,
    at_size,
    bags_parted,
    begin_search,
    bound_for_lots,
    classes_as_wholes,
    join,
    promising,
    relax,
    rounded,
    whole_solutions,
)
from core.planning.settling import LEAST_PART, in_whole_parts, of_columns, with_kept_lots, without_small_parts
from core.planning.simple_rules import RULES, rule_allocation
from core.planning.worth import broken_limits

LARGE_LOTS = 250
NODE_COLUMNS = 60_000  # nodes x options of a whole programme: some seconds of a common processor (measured, plan_speed)
WHOLE_COLUMNS = 1000  # most promising options among which bags and trips are made whole at once
SMALL_LOTS = 20  # lots up to which that is done: of 30 it took twice the time for nothing (tried, few cases)
TRIP_COLUMNS = (500, 1200)  # most promising options among which trips are decided, at first and again
BAG_COLUMNS, BAG_NODES = 100, 100  # the options left when trips are held: hardly more than the relaxation uses
HELD_ROUNDS = 6  # in which options are priced with the trips held
MANY_LOTS_GAP = 5 / 3  # of the gap asked for: what many lots may leave, whose second search is dear (0.5 % by default)
FINER = 0.2  # of the gap asked for: what each of the two steps may leave of it


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
    InputError
        The case or the outlook is none.
    """
    began = time.perf_counter()
    check_kind("a case", case, PlanningCase)
    given = build_outlook(case) if outlook is None else outlook
    check_kind("an outlook", given, Outlook)
    unit = money_unit(case)
    made = outlook_in(given, unit)
    case = made.case if unit != 1.0 else case
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
    by_part = len(case.lots) <= LARGE_LOTS and least_part > 1
    best = _Best(
        made,
        greedy_allocation(made, mean),
        watch,
        lambda found: without_small_parts(search, found, least_part) if by_part else found,
    )
    if start is not None:
        best.offer(loans_in(start, unit), "the plan before")
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
        steps = _Steps(search, best, scale, deadline, mip_gap, effort, least_part)
        _search_whole(steps, relaxed)
    found = best.tidy(best.allocation)
    if kept and len(case.lots) <= LARGE_LOTS:
        found = with_kept_lots(made, found, kept, change_price)
    return finish(given, loans_in(found, 1.0 / unit), search.bound * unit, best.method, time.perf_counter() - began)


class _Best:
    """The best feasible allocation found so far; it knows whom to tell about it, and how small parts are undone."""

    def __init__(
        self,
        outlook: Outlook,
        first: Allocation,
        watch: Callable[[str, float], bool] | None,
        tidy: Callable[[Allocation], Allocation],
    ) -> None:
        self.outlook, self.watch, self.tidy = outlook, watch, tidy
        self.allocation, self.method, self.score = first, "placing", score_of(outlook, first)

    def offer(self, found: Allocation, method: str) -> None:
        """Take an allocation over where it is better and breaks no limit."""
        fits = in_time(self.outlook, found)
        if score_of(self.outlook, fits) <= self.score or broken_limits(self.outlook, fits):
            return
        fits = self.tidy(fits)
        score = score_of(self.outlook, fits)
        if score > self.score:
            self.allocation, self.method, self.score = fits, method, score

    def gap(self, bound: float) -> float:
        """Return how far the bound lies above, as a fraction."""
        return max(0.0, (bound - self.score) / max(abs(self.score), 1e-9))

    def told(self, bound: float) -> bool:
        """Tell the watcher how far the search is; return whether it is to stop."""
        return self.watch is not None and self.watch(self.method, self.gap(bound))


@dataclass(frozen=True)
class _Steps:
    """What the steps of the search for whole numbers share."""

    search: Search
    best: _Best
    scale: float
    deadline: float
    mip_gap: float
    effort: float
    least_part: int

    def solutions(
        self, search: Search, kind: Callable[[Program], Program], gap: float, nodes: float
    ) -> Iterator[tuple[Program, np.ndarray | None, float | None]]:
        """Yield the solutions of a programme of whole numbers with its share of the effort."""
        return whole_solutions(search, kind, self.scale, self.deadline, gap, max(1, int(self.effort * nodes)))


def _search_whole(steps: _Steps, relaxed: Relaxed) -> None:
    """Search for whole numbers among ever more options until the gap is small; in a case of few lots all at once."""
    search, every = steps.search, len(steps.search.columns.lot)
    sizes = sorted({min(size, every) for size in (TRIP_COLUMNS[0], every if search.exact else TRIP_COLUMNS[1])})
    ways = [partial(_trips_then_bags, steps, relaxed, size) for size in sizes]
    enough = steps.mip_gap * MANY_LOTS_GAP
    if len(search.outlook.case.lots) <= SMALL_LOTS:
        enough = steps.mip_gap
        ways = [ways[0], partial(_all_at_once, steps, relaxed), *(ways[1:] if search.exact else ())]
    for way in ways:
        way()
        if steps.best.gap(search.bound) <= enough or steps.best.told(search.bound):
            return


def _trips_then_bags(steps: _Steps, relaxed: Relaxed, most: int) -> None:
    """Decide trips and purchases with parted bags, price all options with these held, and make the bags whole.

    `most` options are in play for the trips; where these are all there are, what they bring at most is a bound.
    """
    search, best, fine = steps.search, steps.best, FINER * steps.mip_gap
    width = max(len(table) for table in search.outlook.classes) + 1
    held = None
    known = Columns(best.allocation.lot, best.allocation.option)
    trips = replace(search, columns=join(_likely(search, relaxed, most), known, width))
    complete = search.exact and len(trips.columns.lot) == len(search.columns.lot)
    for program, x, bound in steps.solutions(trips, bags_parted, fine, NODE_COLUMNS / most):
        if complete and bound is not None:
            search.bound = min(search.bound, -bound)
        held = held if x is None else np.round(x[: program.shared])
    if held is None:
        return
    priced = replace(search, columns=join(search.columns, trips.columns, width), held=held)
    again = relax(priced, steps.scale, steps.deadline, steps.deadline, 5, HELD_ROUNDS)
    if again is None:
        return
    amount, likely = again.x[again.program.shared :], _likely(priced, again, BAG_COLUMNS)
    little = (amount > 1e-6) & (amount < steps.least_part)
    keys = priced.columns.lot * width + priced.columns.option
    small = np.isin(likely.lot * width + likely.option, keys[little])
    few, kind = in_whole_parts(search, likely, small, steps.least_part)
    for program, x, _ in steps.solutions(few, kind, fine, BAG_NODES):
        if x is not None:
            best.offer(of_columns(best.outlook, few.columns, x[program.shared :]), "whole-number search")
        if best.told(search.bound):
            return


def _likely(search: Search, relaxed: Relaxed, most: int) -> Columns:
    """Return the options that a relaxation uses and, up to `most`, those that it would take next."""
    first = relaxed.program.shared
    return promising(search.columns, relaxed.reduced[first:], relaxed.x[first:], most)


def _all_at_once(steps: _Steps, relaxed: Relaxed) -> None:
    """Decide whole bags and trips together among the most promising options.

    Where these are all there are, what they bring at most is a bound.
    """
    search, best = steps.search, steps.best
    width = max(len(table) for table in search.outlook.classes) + 1
    known = Columns(best.allocation.lot, best.allocation.option)
    few = replace(search, columns=join(_likely(search, relaxed, WHOLE_COLUMNS), known, width))
    complete = search.exact and len(few.columns.lot) == len(search.columns.lot)
    nodes = NODE_COLUMNS / WHOLE_COLUMNS
    for program, x, bound in steps.solutions(few, lambda program: program, 0.5 * steps.mip_gap, nodes):
        if complete and bound is not None:
            search.bound = min(search.bound, -bound)
        if x is not None:
            best.offer(of_columns(best.outlook, few.columns, x[program.shared :]), "whole-number search")
        if best.told(search.bound):
            return
