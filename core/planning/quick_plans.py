"""Plans by linear programme.

With bags and trips parted, for questions of the kind "what if", and rounded, for very many groups.
"""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np

from core.errors import PlanError
from core.planning.allocation import Allocation
from core.planning.case import PlanningCase
from core.planning.money_unit import loans_in, money_unit, outlook_in
from core.planning.outlook import Outlook, build_outlook, mean_values
from core.planning.placing import greedy_allocation, in_time
from core.planning.sale_plan import SalePlan, finish, score_of
from core.planning.search import LAST_STOP_SECONDS, Relaxed, Search, begin_search, relax, rounded, solve_relaxed
from core.planning.worth import Worth, broken_limits, evaluate

ROUNDS = 12
"""Programmes solved at most before a quick plan is made of the last one (cases of 150 lots take 7, measured)."""

LEAST_LOAD = (0.6, 0.35, 0.15)
"""Parts of a trip, or of a buyer's least quantity, from which it is driven.

The best of the plans so made is kept (judgement).
"""


def _relaxed(made: Outlook, time_limit: float) -> tuple[Search, Relaxed]:
    if not any(len(table) for table in made.classes):
        raise PlanError(
            "no lot can be sold within {weeks} weeks: check the buyers, dates and horizon", weeks=made.case.weeks
        )
    case = made.case
    mean = [mean_values(case, table) for table in made.classes]
    search = begin_search(made, mean)
    deadline = time.perf_counter() + time_limit
    prices = {price.commodity: price.price_now for price in case.prices}
    scale = 1.0 + sum(lot.bags * lot.bag_mass_kg * prices[lot.commodity] for lot in case.lots)
    found = relax(search, scale, deadline, deadline, 8, ROUNDS)
    if found is None:
        raise PlanError("no plan was found in {seconds} s", seconds=round(time_limit, 1))
    return search, found


def plan_rounded(case: PlanningCase, outlook: Outlook | None = None, time_limit: float = LAST_STOP_SECONDS) -> SalePlan:
    """Return a plan of whole bags and trips from a linear programme, rounded.

    Quicker than the search, and slightly worse.

    Trips and least quantities are decided first, from their parts in the relaxation; the programme is then solved
    again with them fixed and
    its bags are rounded. How much is lost against the full search is measured in `tests/benchmarks/batch_loss.py`.

    Parameters
    ----------
    outlook : Outlook, optional
        Scenario values of all options; built from the invented seasons if left out.
    time_limit : float
        Seconds after which no further programme is begun: a last stop, for the budget is `ROUNDS`.

    Returns
    -------
    SalePlan
        Feasible, with the bound of the relaxation.

    Raises
    ------
    PlanError
        If nothing can be planned, or the solver gave no answer in time.
    """
    began = time.perf_counter()
    given, unit = build_outlook(case) if outlook is None else outlook, money_unit(case)
    made = outlook_in(given, unit)
    search, first = _relaxed(made, time_limit)
    best, method = greedy_allocation(made, search.mean), "placing"
    best_score = score_of(made, best)
    starts, size = search.layout.variable_starts, len(case.buyers) * case.weeks
    trips = slice(starts["trips"], starts["trips"] + size)
    opened = slice(starts["open"], starts["open"] + size)
    for least in (None, *LEAST_LOAD):
        if time.perf_counter() - began > time_limit:
            break
        program, x = first.program, first.x
        if least is not None:
            high, low = program.bound_high.copy(), program.bound_low.copy()
            for part in (trips, opened):
                whole = np.floor(x[part] + 1.0 - least)
                high[part] = np.minimum(high[part], whole)
            program = replace(program, bound_high=np.maximum(high, low), bound_low=low)
            again = solve_relaxed(program, time_limit)
            if again is None:
                continue
            x = again[0]
        found = in_time(made, rounded(made, search, program, x))
        score = score_of(made, found)
        if score > best_score and not broken_limits(made, found):
            best, best_score, method = found, score, "rounded"
    return finish(given, loans_in(best, 1.0 / unit), search.bound * unit, method, time.perf_counter() - began)


def plan_in_parts(case: PlanningCase, outlook: Outlook | None = None) -> tuple[Allocation, Worth]:
    """Return the best plan where bags and trips may be parted, and what it brings in each scenario.

    Quick, and free of the jumps of whole bags and trips: two cases that differ in one thing differ by what that thing
    is worth. It is no plan to carry out, and brings slightly more than the best plan of whole bags.

    Parameters
    ----------
    outlook : Outlook, optional
        Scenario values of all options; built from the invented seasons if left out.

    Returns
    -------
    allocation : Allocation
        Bags and trips are parts of numbers.
    worth : Worth
        In the outlook's scenarios.

    Raises
    ------
    PlanError
        If nothing can be planned, or the solver gave no answer in time.
    """
    made, unit = build_outlook(case) if outlook is None else outlook, money_unit(case)
    search, found = _relaxed(outlook_in(made, unit), LAST_STOP_SECONDS)
    layout = search.layout
    program, x, starts = found.program, found.x, layout.variable_starts
    amount = x[program.shared :]
    used = np.flatnonzero(amount > 1e-9)
    size = len(case.buyers), case.weeks
    loans = tuple(
        (int(taken), int(repaid), float(money))
        for (taken, repaid), money in zip(layout.loans, x[starts["loans"] :][: len(layout.loans)], strict=True)
        if money > 1e-6
    )
    parted = Allocation(
        search.columns.lot[used],
        search.columns.option[used],
        amount[used],
        x[starts["trips"] : starts["trips"] + size[0] * size[1]].reshape(size),
        x[starts["bought"] : starts["bought"] + len(case.storage)],
        loans,
        tuple(x[starts["spaces"] : starts["spaces"] + len(case.drying)].tolist()),
    )
    parted = loans_in(parted, 1.0 / unit)
    return parted, evaluate(made, parted)
