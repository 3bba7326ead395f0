"""A found plan made fit for people: no part of a lot below three bags, no change from the kept plan that does not pay.

Both steps take only what breaks no limit; for a part's size no cash need, reserve or promise is left unmet.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

import numpy as np

from core.planning.allocation import Allocation
from core.planning.outlook import Options, Outlook, net_values
from core.planning.sale_plan import objective_of, penalty_of, score_of
from core.planning.worth import broken_limits, complete, evaluate

LEAST_PART = 3  # bags: fewer are not worth a trip, a test and a line of the plan, unless the lot is that small
OTHER_OPTIONS = 3  # best other options of a lot that are tried for a part that is too small
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
    found: dict[int, Placed] = {}
    for lot, option, bags in zip(
        allocation.lot.tolist(), allocation.option.tolist(), allocation.bags.tolist(), strict=True
    ):
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


def without_small_parts(outlook: Outlook, allocation: Allocation, least: int = LEAST_PART) -> Allocation:
    """Return an allocation in which parts below so many bags have gone to the lot's others, grown, or changed lots.

    Of the ways to have fewer small parts that break no limit and leave no more unmet the one is taken that costs least;
    where there is none the part stays.
    """
    placed, best, unmet = by_lot(allocation), allocation, penalty_of(outlook, allocation)
    for lot in sorted(placed):
        while True:
            small = small_parts(outlook, lot, placed[lot], least)
            if not small:
                break
            tried = [{lot: way} for way in _ways_out(outlook, lot, placed[lot], small[0], least)]
            tried += _exchanges(outlook, lot, placed, small[0])
            fewer = [{**placed, **way} for way in tried if _fewer(outlook, placed, way, least)]
            found = _best_of(outlook, fewer, unmet)
            if found is None:
                break
            placed, best = found
    return best


def _fewer(outlook: Outlook, placed: Mapping[int, Placed], way: Mapping[int, Placed], least: int) -> bool:
    """Return whether some lots' other ways have fewer parts that are too small than before."""
    change = [
        len(small_parts(outlook, lot, to, least)) - len(small_parts(outlook, lot, placed[lot], least))
        for lot, to in way.items()
    ]
    return sum(change) < 0


def _exchanges(outlook: Outlook, lot: int, placed: Mapping[int, Placed], small: int) -> Iterator[dict[int, Placed]]:
    """Yield how a lot's small part changes places with bags of another lot: each has a part already where it goes.

    What is sold where and when stays as it is, so that a load filled from many lots comes from few.
    """
    table, here = outlook.options(lot), placed[lot]
    mine = {option for option in here if part_of(table, option) == part_of(table, small)}
    bags = sum(here[option] for option in mine)
    to = {_goes_to(table, option): option for option in here if option not in mine}
    for other, parts in placed.items():
        there = outlook.options(other)
        into = [option for option in parts if _goes_to(there, option) == _goes_to(table, small)]
        if other == lot or not into or outlook.case.lots[other].commodity != outlook.case.lots[lot].commodity:
            continue
        for option, count in parts.items():
            gone = to.get(_goes_to(there, option))
            if option not in into and gone is not None and count >= bags:
                theirs = {**parts, option: count - bags, into[0]: parts[into[0]] + bags}
                ours = {one: here[one] + bags * (one == gone) for one in here if one not in mine}
                yield {lot: ours, other: {one: number for one, number in theirs.items() if number}}


def _goes_to(table: Options, option: int) -> tuple[int, ...]:
    """Return when and to whom an option's bags go, or for what they are kept back."""
    return tuple(int(column[option]) for column in (table.sale_week, table.buyer, table.reserve))


def _ways_out(outlook: Outlook, lot: int, placed: Placed, small: int, least: int) -> Iterator[Placed]:
    """Yield what may become of a part that is too small: it joins another option, or takes bags from another part."""
    table = outlook.options(lot)
    mine = [option for option in placed if part_of(table, option) == part_of(table, small)]
    bags = sum(placed[option] for option in mine)
    rest = {option: count for option, count in placed.items() if option not in mine}
    worth = net_values(outlook.case, table, outlook.case.lots[lot].bag_mass_kg)
    sold = np.flatnonzero((table.buyer >= 0) & (worth > 0))
    others = sold[np.argsort(-worth[sold], kind="stable")[:OTHER_OPTIONS]].tolist()
    for option in rest:
        yield {**rest, option: rest[option] + bags}
    for option, count in rest.items():
        wanted = least - bags
        if count - wanted >= least or count == wanted:
            yield {**placed, option: count - wanted, small: placed[small] + wanted}
    for option in others:
        if rest:
            yield {**rest, option: rest.get(option, 0) + bags}
        yield {option: bags + sum(rest.values())}


def _best_of(
    outlook: Outlook, tried: Iterable[dict[int, Placed]], unmet: float
) -> tuple[dict[int, Placed], Allocation] | None:
    """Return the try that breaks no limit, leaves no more unmet and brings most.

    `unmet` is the penalty for what was lacking before [money].
    """
    found, most = None, -np.inf
    for way in tried:
        made = allocation_of(outlook, way)
        if broken_limits(outlook, made):
            continue
        worth = objective_of(outlook.case, evaluate(outlook, made))
        if worth > most and penalty_of(outlook, made) <= unmet + SAME_MONEY:
            found, most = (way, made), worth
    return found


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
