"""The search for the best allocation.

A relaxed programme priced against all options, cuts where they bind, then whole bags.

A linear programme over a few options per lot is priced against all options (so its bound holds for all of them), and
cuts for the worst tenth and for cash at the stated certainty are added where they bind. HiGHS then decides whole trips
and purchases with bags that may be parted; with those held, the options are priced again, and the few that are left
get whole bags. What separates the bound from the plan is nearly all that trips are paid whole.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from core.planning.allocation import Allocation, tail_mean, tail_weights
from core.planning.layout import Layout, loan_unit_owed, make_layout, needs_by_account
from core.planning.model import (
    Columns,
    Entry,
    Program,
    cash_use,
    column_triplets,
    option_use,
    shared_part,
    tail_use,
    weighted_receipts,
)
from core.planning.outlook import Outlook, net_values
from core.planning.placing import Ledger, fill

EXACT_COLUMNS = 6000
CUT_ROUNDS = 4  # in which a programme of whole numbers is solved again with the cuts that its solution breaks
LEAST_SECONDS = 0.15  # left on the clock, without which no further programme is begun
LAST_STOP_SECONDS = 300.0  # budgets are counted in rounds and nodes; time only ends what runs away
SPACE_BOUGHT = 0.3  # part of a drying space from which rounding buys it (judgement)


@dataclass
class Search:
    """The state of one search: pieces by class, the columns in play, cuts and views found so far.

    `held` (shared variables,): whole trips and purchases that are decided already.
    """

    outlook: Outlook
    layout: Layout
    fixed: list[list[Entry]]
    mean: list[tuple[np.ndarray, np.ndarray]]
    columns: Columns
    cuts: list[np.ndarray]
    views: list[np.ndarray]
    exact: bool = False
    bound: float = np.inf
    means: dict[tuple[str, int, int], np.ndarray] = field(default_factory=dict)
    held: np.ndarray | None = None


def begin_search(outlook: Outlook, mean: list[tuple[np.ndarray, np.ndarray]], most: int = 6) -> Search:
    """Return a search that has looked at nothing yet: its options to begin with, a first cut and a first view of cash.

    Up to `EXACT_COLUMNS` options all of them are in play from the beginning; above that, `most` for each lot.
    """
    case, layout = outlook.case, make_layout(outlook.case)
    exact = options_of(outlook) <= EXACT_COLUMNS
    uniform = [np.full(case.scenarios, 1.0 / case.scenarios)]
    return Search(
        outlook=outlook,
        layout=layout,
        fixed=[
            option_use(case, layout, table, stands.commodity)
            for table, stands in zip(outlook.classes, outlook.representatives, strict=True)
        ],
        mean=mean,
        columns=first_columns(outlook, mean, 10**6 if exact else most),
        cuts=list(uniform) if case.risk_weight > 0 else [],
        views=list(uniform) if layout.need_weeks else [],
        exact=exact,
    )


def options_of(outlook: Outlook) -> int:
    """Return how many options all lots have together."""
    return sum(len(outlook.options(lot)) for lot in range(len(outlook.case.lots)))


def _mean_receipts(search: Search, kind: str, number: int, class_number: int) -> np.ndarray:
    """Return a class's receipts per kg averaged with the weights of a view or cut.

    Kept, since the weights do not change.
    """
    key = (kind, number, class_number)
    if key not in search.means:
        weights = (search.views if kind == "view" else search.cuts)[number]
        search.means[key] = weighted_receipts(search.outlook.classes[class_number], weights)
    return search.means[key]


def all_use(search: Search) -> tuple[list[list[Entry]], list[dict[int, list[Entry]]]]:
    """Return what every class's options take with the current cuts and views.

    Beside them what members' own accounts take, by lot.
    """
    layout, outlook = search.layout, search.outlook
    case, dates, accounts = outlook.case, len(layout.need_weeks), len(layout.accounts)
    end = layout.row_starts["end"]
    first_cut = end + len(search.views) * accounts * dates
    pieces, member = [], []
    for number, table in enumerate(outlook.classes):
        made, own = list(search.fixed[number]), {}
        for view in range(len(search.views)):
            made += cash_use(layout, table, _mean_receipts(search, "view", view, number), end + view * accounts * dates)
        for cut in range(len(search.cuts)):
            made += tail_use(case, table, _mean_receipts(search, "cut", cut, number), first_cut + cut)
        for lot in np.flatnonzero(outlook.lot_class == number) if accounts > 1 else ():
            owner = case.lots[lot].owner
            if owner in layout.accounts[1:]:
                account = layout.accounts.index(owner)
                own[int(lot)] = [
                    piece
                    for view in range(len(search.views))
                    for piece in cash_use(
                        layout,
                        table,
                        _mean_receipts(search, "view", view, number),
                        end + (view * accounts + account) * dates,
                    )
                ]
        pieces.append(made)
        member.append(own)
    return pieces, member


def assemble(search: Search, use: list[list[Entry]], member: list[dict[int, list[Entry]]]) -> Program:
    """Return the programme with the columns in play."""
    from scipy.sparse import csr_array

    case = search.outlook.case
    part = shared_part(case, search.outlook, search.layout, search.cuts, search.views)
    if search.held is not None:
        decided = np.flatnonzero(part.whole)
        part.low[decided] = part.high[decided] = search.held[decided]
    shared, size = len(part.cost), len(search.columns.lot)
    found = column_triplets(search.outlook, use, member, search.columns)
    rows = np.concatenate([*part.rows, found.rows])
    columns = np.concatenate([*part.variables, shared + found.columns])
    values = np.concatenate([*part.values, found.values])
    matrix = csr_array((values, (rows, columns)), shape=(len(part.upper), shared + size))
    column_cost = np.zeros(size)
    for lot in np.unique(search.columns.lot):
        inside = search.columns.lot == lot
        per_kg, per_bag = search.mean[int(search.outlook.lot_class[lot])]
        chosen = search.columns.option[inside]
        column_cost[inside] = -(case.lots[lot].bag_mass_kg * per_kg[chosen] - per_bag[chosen])
    # no upper bound on a column: the lot's own row holds it, and its dual is then complete for pricing
    return Program(
        cost=np.concatenate([part.cost, column_cost]),
        matrix=matrix,
        lower=part.lower,
        upper=part.upper,
        bound_low=np.concatenate([part.low, np.zeros(size)]),
        bound_high=np.concatenate([part.high, np.full(size, np.inf)]),
        integrality=np.concatenate([part.whole, np.ones(size)]),
        shared=shared,
    )


def solve_relaxed(program: Program, seconds: float) -> tuple[np.ndarray, np.ndarray, float] | None:
    """Solve the linear relaxation; return (x, row duals, objective), or None if the solver gave no answer."""
    from scipy.optimize import linprog

    equal = program.lower == program.upper
    below = ~equal & np.isfinite(program.upper)
    result = linprog(
        program.cost,
        A_ub=program.matrix[below],
        b_ub=program.upper[below],
        A_eq=program.matrix[equal],
        b_eq=program.upper[equal],
        bounds=np.column_stack([program.bound_low, program.bound_high]),
        method="highs",
        options={"time_limit": max(seconds, 0.5)},
    )
    if result.x is None or result.status != 0:
        return None
    duals = np.zeros(len(program.upper))
    duals[below], duals[equal] = result.ineqlin.marginals, result.eqlin.marginals
    return result.x, duals, float(result.fun)


def solve_whole(
    program: Program, seconds: float, gap: float, nodes: int
) -> tuple[np.ndarray | None, float | None, int]:
    """Solve the programme with whole bags and trips; return (x or None, best bound or None, status)."""
    from scipy.optimize import Bounds, LinearConstraint, milp

    result = milp(
        program.cost,
        constraints=LinearConstraint(program.matrix, program.lower, program.upper),
        bounds=Bounds(program.bound_low, program.bound_high),
        integrality=program.integrality,
        options={"time_limit": max(seconds, 0.2), "mip_rel_gap": gap, "node_limit": nodes},
    )
    bound = getattr(result, "mip_dual_bound", None)
    return result.x, None if bound is None or not np.isfinite(bound) else float(bound), int(result.status)


def whole_solutions(
    search: Search, kind: Callable[[Program], Program], scale: float, deadline: float, gap: float, nodes: int
) -> Iterator[tuple[Program, np.ndarray | None, float | None]]:
    """Yield (programme, x or None, bound or None) of a kind of programme of whole numbers, cut while cuts are broken.

    Parameters
    ----------
    kind : callable
        Makes of the assembled programme the one to solve: which of its variables are whole, and between what.
    """
    for _ in range(CUT_ROUNDS):
        left = deadline - time.perf_counter()
        if left < LEAST_SECONDS:
            return
        program = kind(assemble(search, *all_use(search)))
        x, bound, _status = solve_whole(program, left, gap, nodes)
        yield program, x, bound
        if x is None or not add_cuts(search, program, x, scale):
            return


def bags_parted(program: Program) -> Program:
    """Return a programme in which trips and purchases are whole and bags may be parted."""
    whole = program.integrality.copy()
    whole[program.shared :] = 0
    return replace(program, integrality=whole)


def _price(
    search: Search, use: list[list[Entry]], member: list[dict[int, list[Entry]]], duals: np.ndarray, most: int
) -> tuple[Columns, float]:
    """Return the best options per lot by reduced cost that are not yet in play.

    The second figure is the sum by which the bound may still rise.
    """
    outlook, case = search.outlook, search.outlook.case
    lots, options, slack = [], [], 0.0
    for number in range(len(outlook.classes)):
        per_kg, per_bag = search.mean[number]
        rate_kg, rate_bag = -per_kg.copy(), per_bag.copy()
        if len(rate_kg) == 0:
            continue
        for entry in use[number]:
            dual = np.where(entry.row >= 0, duals[entry.row], 0.0)
            rate_kg -= dual * entry.per_kg
            rate_bag -= dual * entry.per_bag
        for lot in np.flatnonzero(outlook.lot_class == number):
            mass = case.lots[lot].bag_mass_kg
            reduced = mass * rate_kg + rate_bag - duals[lot]
            for entry in member[number].get(int(lot), []):
                dual = np.where(entry.row >= 0, duals[entry.row], 0.0)
                reduced -= dual * (mass * entry.per_kg + entry.per_bag)
            best = np.argpartition(reduced, min(most, len(reduced) - 1))[:most]
            slack += case.lots[lot].bags * max(0.0, -float(reduced[best].min()))
            good = best[reduced[best] < -1e-7]
            lots += [int(lot)] * len(good)
            options += good.tolist()
    return Columns(np.array(lots, dtype=int), np.array(options, dtype=int)), slack


def join(one: Columns, two: Columns, width: int) -> Columns:
    """Return the union of two sets of columns, sorted by lot and option."""
    keys = np.unique(np.concatenate([one.lot * width + one.option, two.lot * width + two.option]))
    return Columns(keys // width, keys % width)


def first_columns(outlook: Outlook, mean: list[tuple[np.ndarray, np.ndarray]], most: int) -> Columns:
    """Return the options that the search begins with.

    Per lot the best by mean value, and the best of each month of payment and of each reserve.
    """
    case = outlook.case
    lots, options = [], []
    for number, table in enumerate(outlook.classes):
        if len(table) == 0:
            continue
        members = np.flatnonzero(outlook.lot_class == number)
        worth = net_values(case, table, case.lots[members[0]].bag_mass_kg, mean[number])
        order = np.argsort(-worth, kind="stable")
        chosen = set(order[:most].tolist())
        for key in (
            table.pay_week // 3 * 50 + table.buyer,
            1000 + table.reserve,
            2000 + table.storage,
            3000 + table.setup,
        ):
            _, first = np.unique(key[order], return_index=True)
            chosen |= set(order[first].tolist())
        for lot in members:
            lots += [int(lot)] * len(chosen)
            options += sorted(chosen)
    return Columns(np.array(lots, dtype=int), np.array(options, dtype=int))


def promising(columns: Columns, reduced: np.ndarray, amount: np.ndarray, most: int) -> Columns:
    """Return the columns that the relaxed solution uses and, up to `most`, those that cost least to bring in."""
    used = amount > 1e-7
    order = np.argsort(np.where(used, -1.0, reduced), kind="stable")[: max(most, int(used.sum()))]
    order = np.sort(order)
    return Columns(columns.lot[order], columns.option[order])


def _scenario_value(search: Search, program: Program, x: np.ndarray) -> np.ndarray:
    """Return the value of a (fractional) solution in each scenario, shared costs taken off."""
    outlook, case, vs = search.outlook, search.outlook.case, search.layout.variable_starts
    value = np.zeros(case.scenarios)
    amount = x[program.shared :]
    used = np.flatnonzero(amount > 1e-9)
    lot, option = search.columns.lot[used], search.columns.option[used]
    mass = np.array([item.bag_mass_kg for item in case.lots])
    for number in np.unique(outlook.lot_class[lot]) if len(used) else []:
        inside = np.flatnonzero(outlook.lot_class[lot] == number)
        table, chosen = outlook.classes[int(number)], option[inside]
        kg = amount[used[inside]] * mass[lot[inside]]
        early, late = case.discount(table.start_week[chosen]), case.discount(table.sale_week[chosen])
        value += (kg * case.discount(table.pay_week[chosen])) @ table.receipts_kg[chosen]
        value -= float(
            kg @ (early * table.upfront_kg[chosen])
            + amount[used[inside]] @ (early * table.upfront_bag[chosen] + late * table.later_bag[chosen])
        )
    shared = np.arange(vs["lacking"])
    return value - float(program.cost[shared] @ x[shared])


def _need_balances(search: Search, program: Program, x: np.ndarray) -> np.ndarray:
    """Return the balances by account, need date and scenario of a (fractional) solution, with its shortfalls filled."""
    outlook, case, layout = search.outlook, search.outlook.case, search.layout
    dates, accounts, vs = len(layout.need_weeks), len(layout.accounts), layout.variable_starts
    balance = np.zeros((accounts, dates, case.scenarios))
    if dates == 0:
        return balance
    amount = x[program.shared :]
    for at in np.flatnonzero(amount > 1e-9):
        lot, option = int(search.columns.lot[at]), int(search.columns.option[at])
        item, table = case.lots[lot], outlook.options(lot)
        rows = [0] + ([layout.accounts.index(item.owner)] if item.owner in layout.accounts[1:] else [])
        paid = np.searchsorted(layout.need_weeks, table.pay_week[option])
        begun, left = np.searchsorted(layout.need_weeks, [table.start_week[option], table.sale_week[option]])
        for account in rows:
            if paid < dates and table.reserve[option] < 0:
                balance[account, paid] += amount[at] * item.bag_mass_kg * table.receipts_kg[option]
            if begun < dates:
                balance[account, begun] -= amount[at] * (
                    item.bag_mass_kg * table.upfront_kg[option] + table.upfront_bag[option]
                )
            if left < dates:
                balance[account, left] -= amount[at] * table.later_bag[option]
    for week in range(case.weeks):
        date = np.searchsorted(layout.need_weeks, week)
        if date < dates:
            for buyer in range(layout.buyers):
                trip = vs["trips"] + buyer * layout.weeks + week
                balance[0, date] -= x[trip] * program.cost[trip] / case.discount(week)
    for number, (taken, repaid) in enumerate(layout.loans):
        amount_lent = x[vs["loans"] + number]
        if amount_lent > 1e-9:
            fee = case.credit.fee_share if case.credit is not None else 0.0
            for week, flow in ((taken, 1.0 - fee), (repaid, -loan_unit_owed(case, repaid - taken))):
                date = np.searchsorted(layout.need_weeks, week)
                if date < dates:
                    balance[0, date] += amount_lent * flow
    balance[0, 0] += case.cash_now - sum(
        x[vs["bought"] + number] * storage.unit_price for number, storage in enumerate(case.storage)
    )
    balance[0, 0] -= sum(x[vs["spaces"] + number] * choice.price for number, choice in enumerate(case.drying))
    balance -= needs_by_account(case, layout)[:, :, None]
    balance += x[vs["short"] : vs["tail"]].reshape(accounts, dates)[:, :, None]
    return np.cumsum(balance, axis=1)


def add_cuts(search: Search, program: Program, x: np.ndarray, scale: float) -> bool:
    """Add the cut of the worst tenth and the cash views that the solution breaks; return whether any was added."""
    case = search.outlook.case
    added = False
    if case.risk_weight > 0:
        value = _scenario_value(search, program, x)
        if x[search.layout.variable_starts["tail"]] > tail_mean(value, 0.1) + 2e-4 * scale:
            search.cuts.append(tail_weights(value, 0.1))
            added = True
    balances, share = _need_balances(search, program, x), 1.0 - case.certainty
    for account in range(balances.shape[0]):
        for date in range(balances.shape[1]):
            if tail_mean(balances[account, date], share) < -5e-4 * scale - 1e-6:
                weights = tail_weights(balances[account, date], share)
                if not any(np.array_equal(weights, other) for other in search.views):
                    search.views.append(weights)
                    added = True
    return added


def _rest_orders(
    outlook: Outlook, mean: list[tuple[np.ndarray, np.ndarray]], left: np.ndarray
) -> dict[int, np.ndarray]:
    """Return sales by falling mean value for every lot that has bags left; lots of a class share one array."""
    case = outlook.case
    by_class: dict[int, np.ndarray] = {}
    orders: dict[int, np.ndarray] = {}
    for lot in np.flatnonzero(left > 0).tolist():
        number = int(outlook.lot_class[lot])
        if number not in by_class:
            table = outlook.classes[number]
            worth = net_values(case, table, case.lots[lot].bag_mass_kg, mean[number])
            net = np.where(table.reserve >= 0, -np.inf, worth)
            order = np.argsort(-net, kind="stable")
            by_class[number] = order[net[order] > 0]
        orders[lot] = by_class[number]
    return orders


def rounded(outlook: Outlook, search: Search, program: Program, x: np.ndarray) -> Allocation:
    """Return a feasible allocation near a fractional solution: whole parts first, then the rest by value.

    Where the search ran on classes as wholes, a class's amounts are dealt out to its lots, the largest amount to the
    largest lots, so that most lots keep to one choice.
    """
    amount, spaces = x[program.shared :], search.layout.variable_starts["spaces"]
    bought = frozenset(np.flatnonzero(x[spaces : spaces + search.layout.setups] > SPACE_BOUGHT).tolist())
    ledger = Ledger(outlook, bought)
    ledger.soft = False
    used = np.flatnonzero(amount > 1e-6)
    used = used[np.argsort(-amount[used], kind="stable")]
    if search.outlook is outlook:
        for at in used:
            ledger.take(int(search.columns.lot[at]), int(search.columns.option[at]), int(np.floor(amount[at] + 1e-6)))
        for at in used[np.argsort(np.floor(amount[used] + 1e-6) - amount[used], kind="stable")]:
            ledger.take(int(search.columns.lot[at]), int(search.columns.option[at]), 1)
    else:
        bags = np.array([lot.bags for lot in outlook.case.lots])
        members = {
            number: sorted(np.flatnonzero(outlook.lot_class == number).tolist(), key=lambda lot: -int(bags[lot]))
            for number in range(len(outlook.classes))
        }
        for at in used:
            number, option, due = int(search.columns.lot[at]), int(search.columns.option[at]), int(np.round(amount[at]))
            for lot in members[number]:
                if due <= 0:
                    break
                if ledger.left[lot] > 0:
                    due -= ledger.take(lot, option, min(due, int(ledger.left[lot])))
    fill(ledger, _rest_orders(outlook, search.mean, ledger.left))
    return ledger.allocation()


def classes_as_wholes(outlook: Outlook) -> Outlook:
    """Return the outlook with each class of lots merged into one lot of its mean bag mass (for very many lots)."""
    case, merged = outlook.case, []
    for number, stands in enumerate(outlook.representatives):
        lots = [case.lots[lot] for lot in np.flatnonzero(outlook.lot_class == number)]
        bags = sum(lot.bags for lot in lots)
        mass = sum(lot.bags * lot.bag_mass_kg for lot in lots) / max(bags, 1)
        merged.append(
            replace(stands, id=f"class-{number}", owner="", bags=bags, bag_mass_kg=mass or stands.bag_mass_kg)
        )
    wholes = case.with_changes(lots=tuple(merged))
    return replace(outlook, case=wholes, lot_class=np.arange(len(merged)))


def bound_for_lots(
    outlook: Outlook, search: Search, use: list[list[Entry]], duals: np.ndarray, objective: float
) -> float:
    """Return a bound on the true lots' objective from the duals of a relaxation in which classes were wholes.

    The rows shared by all keep their duals; each lot then takes its best option at these prices (Lagrange), which no
    plan can beat.
    """
    wholes = search.outlook.case
    best = -objective + sum(float(duals[number]) * lot.bags for number, lot in enumerate(wholes.lots))
    for number, table in enumerate(outlook.classes):
        if len(table) == 0:
            continue
        per_kg, per_bag = search.mean[number]
        rate_kg, rate_bag = -per_kg.copy(), per_bag.copy()
        for entry in use[number]:
            dual = np.where(entry.row >= 0, duals[entry.row], 0.0)
            rate_kg -= dual * entry.per_kg
            rate_bag -= dual * entry.per_bag
        for lot in np.flatnonzero(outlook.lot_class == number).tolist():
            item = outlook.case.lots[lot]
            best += item.bags * max(0.0, -float((item.bag_mass_kg * rate_kg + rate_bag).min()))
    return best


@dataclass(frozen=True)
class Relaxed:
    """A solved relaxation: its programme, solution, row duals, objective.

    With the reduced costs of all its variables.
    """

    program: Program
    x: np.ndarray
    duals: np.ndarray
    objective: float
    reduced: np.ndarray


def relax(search: Search, scale: float, deadline: float, stop: float, most: int, rounds: int = 60) -> Relaxed | None:
    """Solve the relaxation over all options by pricing, adding cuts where they bind; return the last solution.

    At most `rounds` programmes are solved; `stop` and `deadline` are last stops on the clock.
    """
    last, columns = None, search.columns
    for _ in range(rounds):
        use, member = all_use(search)
        program = assemble(search, use, member)
        solved = solve_relaxed(program, deadline - time.perf_counter())
        if solved is None:
            break
        x, duals, objective = solved
        last, columns = Relaxed(program, x, duals, objective, program.cost - program.matrix.T @ duals), search.columns
        fresh, slack = Columns(np.zeros(0, dtype=int), np.zeros(0, dtype=int)), 0.0
        if not search.exact:
            fresh, slack = _price(search, use, member, duals, most)
        if search.held is None:
            search.bound = min(search.bound, -objective + slack)
        more_cuts = add_cuts(search, program, x, scale)
        if (not more_cuts and slack < 2e-4 * scale) or time.perf_counter() > stop:
            break
        if len(fresh.lot):
            width = max(len(table) for table in search.outlook.classes) + 1
            search.columns = join(search.columns, fresh, width)
    search.columns = columns  # those of the last solution
    return last


def at_size(search: Search, program: Program) -> Search:
    """Return the search with only the views and cuts that a programme was assembled with."""
    layout = search.layout
    balances = program.shared - layout.variable_starts["end"]
    views = balances // max(len(layout.accounts) * len(layout.need_weeks), 1)
    cuts = len(program.upper) - layout.row_starts["end"] - balances
    return replace(search, cuts=search.cuts[:cuts], views=search.views[:views])
