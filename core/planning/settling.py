"""A found plan made fit for people: no part of a lot below three bags, no change from the kept plan that does not pay.

Both steps take only what breaks no limit; for a part's size no cash need, reserve or promise is left unmet.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from core.planning.allocation import Allocation
from core.planning.model import Columns, Program
from core.planning.outlook import Options, Outlook, net_values
from core.planning.sale_plan import objective_of, penalty_of, score_of
from core.planning.search import LAST_STOP_SECONDS, Search, whole_solutions
from core.planning.worth import broken_limits, complete, evaluate

LEAST_PART = 3  # bags: fewer are not worth a trip, a test and a line of the plan, unless the lot is that small
OTHER_OPTIONS = 3  # best other options of a lot that are tried for a part that is too small
TIDY_GAP, TIDY_NODES = 0.0005, 100  # of the programme that undoes small parts
SEMI_WHOLE = 3  # to HiGHS by way of scipy: a whole number between its bounds, or none
MOST_ROUNDS = 20  # in which lots are let go that had better change
SAME_MONEY = 0.05  # money of a penalty that is no difference: a fifth of it in cash (judgement: below any coin)
Placed = dict[int, int]
"""Bags by option of one lot."""


def part_of(table: Options, option: int) -> tuple[float, ...]:
    """Return what a reader sees of an option: bags of a lot for which it is alike are one part of the plan."""
    target = float(np.nan_to_num(table.target_pct[option]))
    columns = (table.setup, table.harvest_week, table.storage, table.sale_week, table.buyer, table.reserve)
    return (target, *(float(column[option]) for column in columns))


def by_lot(allocation: Allocation) -> dict[int, Placed]:
    """Return an allocation's bags by lot and option."""
    return _placed(allocation.lot, allocation.option, allocation.bags)


def _placed(lots: np.ndarray, options: np.ndarray, amount: np.ndarray) -> dict[int, Placed]:
    found: dict[int, Placed] = {}
    for lot, option, bags in zip(lots.tolist(), options.tolist(), amount.tolist(), strict=True):
        mine = found.setdefault(lot, {})
        mine[option] = mine.get(option, 0) + round(bags)
    return found


def allocation_of(outlook: Outlook, placed: Mapping[int, Placed]) -> Allocation:
    """Return bags by lot and option as an allocation with its trips, purchases and loans."""
    rows = [(lot, option, bags) for lot in sorted(placed) for option, bags in sorted(placed[lot].items()) if bags > 0]
    columns = np.array(rows, dtype=int).reshape(-1, 3)
    return complete(outlook, columns[:, 0], columns[:, 1], columns[:, 2])


def small_parts(outlook: Outlook, lot: int, placed: Placed, least: int = LEAST_PART) -> list[int]:
    """Return the options of a lot's parts that are too small: below three bags, of a lot that has more."""
    table = outlook.options(lot)
    sums: dict[tuple[float, ...], int] = {}
    for option, bags in placed.items():
        key = part_of(table, option)
        sums[key] = sums.get(key, 0) + bags
    if outlook.case.lots[lot].bags < least:
        return []
    return [option for option in placed if 0 < sums[part_of(table, option)] < least]


def in_whole_parts(
    search: Search, columns: Columns, small: np.ndarray, least: int
) -> tuple[Search, Callable[[Program], Program]]:
    """Return a search among some columns for whole bags in parts of at least so many, and the kind of its programme.

    A column is empty or has `least` bags (any number in a lot that has fewer). Where a part is `small` (columns,) it
    may stay so, but then its bags count for nothing: it stays only where a need or a limit hangs on it, or where to
    do without it would cost more than its own bags bring.
    """
    again = np.flatnonzero(small) if least > 1 else np.zeros(0, dtype=int)
    both = Columns(
        np.concatenate([columns.lot, columns.lot[again]]), np.concatenate([columns.option, columns.option[again]])
    )
    bags = np.array([lot.bags for lot in search.outlook.case.lots], dtype=float)[columns.lot]
    parted = (bags >= least) & (least > 1)

    def kind(program: Program) -> Program:
        first, extra = program.shared, np.ones(len(again))
        cost = program.cost.copy()
        cost[first + len(columns.lot) :] = np.maximum(cost[first + len(columns.lot) :], 0.0)
        shared = slice(0, first)
        return replace(
            program,
            cost=cost,
            bound_low=np.concatenate([program.bound_low[shared], np.where(parted, least, 0.0), 0.0 * extra]),
            bound_high=np.concatenate([program.bound_high[shared], bags, (least - 1.0) * extra]),
            integrality=np.concatenate([program.integrality[shared], np.where(parted, SEMI_WHOLE, 1), extra]),
        )

    return replace(search, columns=both), kind


def without_small_parts(search: Search, allocation: Allocation, least: int = LEAST_PART) -> Allocation:
    """Return an allocation in which parts below so many bags have gone to the lot's others, grown, or changed lots.

    The best of whole bags among the options that are used already, and the best others of the lots concerned; the
    given one where that has no fewer small parts, breaks a limit or leaves more unmet.
    """
    outlook, placed = search.outlook, by_lot(allocation)
    small = {(lot, option) for lot in placed for option in small_parts(outlook, lot, placed[lot], least)}
    if not small:
        return allocation
    pairs = {(lot, option) for lot, own in placed.items() for option in own}
    for lot in {lot for lot, _ in small}:
        table = outlook.options(lot)
        worth = net_values(outlook.case, table, outlook.case.lots[lot].bag_mass_kg)
        sold = np.flatnonzero((table.buyer >= 0) & (worth > 0))
        pairs |= {(lot, option) for option in sold[np.argsort(-worth[sold], kind="stable")[:OTHER_OPTIONS]].tolist()}
    rows = np.array(sorted(pairs), dtype=int).reshape(-1, 2)
    asked = np.array([pair in small for pair in sorted(pairs)], dtype=bool)
    few, kind = in_whole_parts(search, Columns(rows[:, 0], rows[:, 1]), asked, least)
    scale, unmet, best = abs(score_of(outlook, allocation)) + 1.0, penalty_of(outlook, allocation), -np.inf
    found, deadline = allocation, time.perf_counter() + LAST_STOP_SECONDS
    for program, x, _ in whole_solutions(few, kind, scale, deadline, TIDY_GAP, TIDY_NODES):
        if x is None:
            break
        made = of_columns(outlook, few.columns, x[program.shared :])
        left = sum(len(small_parts(outlook, lot, own, least)) for lot, own in by_lot(made).items())
        value = objective_of(outlook.case, evaluate(outlook, made))
        fits = left < len(small) and penalty_of(outlook, made) <= unmet + SAME_MONEY
        if fits and value > best and not broken_limits(outlook, made):
            found, best = made, value
    return found


def of_columns(outlook: Outlook, columns: Columns, amount: np.ndarray) -> Allocation:
    """Return amounts of columns, rounded to whole bags, as an allocation."""
    return allocation_of(outlook, _placed(columns.lot, columns.option, amount))


def with_kept_lots(
    outlook: Outlook, allocation: Allocation, kept: Mapping[int, Placed], change_price: float
) -> Allocation:
    """Return an allocation in which lots do as they did in the kept plan unless a change pays.

    Parameters
    ----------
    change_price : float
        What another way for a lot must gain to be taken, as a fraction of the worth of its bags.

    Notes
    -----
    Lots that changed places can only go back together: all that changed go back at first, then those whose change pays
    by itself, or without whom the rest breaks a limit, are let go, until what is left may stay as it was.
    """
    case, placed = outlook.case, by_lot(allocation)
    prices = {price.commodity: price.price_now for price in case.prices}
    toll = {
        lot: change_price * case.lots[lot].bags * case.lots[lot].bag_mass_kg * prices[case.lots[lot].commodity]
        for lot, old in kept.items()
        if placed.get(lot) != old and sum(old.values()) == sum(placed.get(lot, {}).values())
    }
    score, back = score_of(outlook, allocation), sorted(toll)
    for _ in range(MOST_ROUNDS):
        if not back:
            break
        made, merit = _gone_back(outlook, placed, kept, back)
        without = {lot: _gone_back(outlook, placed, kept, [one for one in back if one != lot])[1] for lot in back}
        paying = [lot for lot in back if merit[0] == 0 and without[lot] > (0, merit[1] + toll[lot])]
        if merit[0] == 0 and not paying and score - merit[1] <= sum(toll[lot] for lot in back):
            return made
        let_go = paying or [max(back, key=lambda lot: (without[lot][0], without[lot][1] - toll[lot]))]
        back = [lot for lot in back if lot not in let_go]
    return allocation


def _gone_back(
    outlook: Outlook, placed: Mapping[int, Placed], kept: Mapping[int, Placed], lots: list[int]
) -> tuple[Allocation, tuple[int, float]]:
    """Return an allocation with some lots as in the kept plan, and its merit: (less limits broken, score)."""
    made = allocation_of(outlook, {**placed, **{lot: kept[lot] for lot in lots}})
    return made, (-len(broken_limits(outlook, made)), score_of(outlook, made))
