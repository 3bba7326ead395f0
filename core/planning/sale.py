"""The sale plan: which bags are dried, stored, and sold to whom in which week, best for the whole group under its limits.

The programme is solved on the columns that matter: a linear programme over a few options per lot is priced against
all options (so its
bound holds for all of them), cuts for the worst tenth and for cash at the stated certainty are added where they bind,
and whole bags and
trips are then decided by HiGHS. A feasible plan made by simple placing always stands behind it.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import Any

import numpy as np

from core.errors import PlanError
from core.messages import Message, message
from core.planning.allocation import (
    Allocation,
    Ledger,
    Worth,
    account_balances,
    broken_limits,
    complete,
    evaluate,
    fill,
    place_reserves,
    tail_mean,
    tail_weights,
    trip_share,
    use_of,
)
from core.planning.case import PlanningCase
from core.planning.model import (
    Columns,
    Piece,
    Program,
    cash_pieces,
    column_triplets,
    fixed_pieces,
    loan_unit_owed,
    make_layout,
    needs_by_account,
    promise_price,
    shared_part,
    tail_pieces,
    weighted_receipts,
)
from core.planning.outlook import Outlook, build_outlook, mean_values
from core.planning.rules import RULES, rule_allocation

EXACT_COLUMNS = 6000
LARGE_LOTS = 250
MOULD_SAID = 0.03  # share of a lot's bags from which its mould is said beside the plan (judgement)
STAGE_COLUMNS = (
    80,
    350,
)  # the search for whole bags begins with the most promising options and widens while the gap asks for it


@dataclass(frozen=True)
class PlannedSale:
    """One line of the plan: some bags of a lot, how they are dried and stored, when and to whom they go (buyer "" = kept back)."""

    lot: str
    label: str
    owner: str
    commodity: str
    bags: int
    kg_in: float
    kg_sold: float
    setup: str
    dry_from: date | None
    ready_on: date
    storage: str
    week: int
    sell_on: date
    paid_on: date
    buyer: str
    reserve: str
    price_kg: float
    value: float
    value_low: float
    value_high: float
    harvest_on: date | None = None
    target_pct: float | None = None
    unfit_share: float = 0.0


@dataclass(frozen=True)
class UnmetNeed:
    """A need that the plan cannot meet with the certainty asked for, and what would make it so."""

    label: str
    needed_by: date
    amount: float
    lacking: float
    share_met: float
    advice: Message


@dataclass(frozen=True)
class SalePlan:
    """A plan with its value in every scenario, its bound and gap, and what it could not meet.

    `gap` = (bound - objective)/|objective|, a fraction; `method` says which way the plan was found.
    """

    case: PlanningCase
    allocation: Allocation
    sales: tuple[PlannedSale, ...]
    worth: Worth
    objective: float
    bound: float
    gap: float
    method: str
    seconds: float
    unmet: tuple[UnmetNeed, ...]
    notes: tuple[Message, ...]
    unsold_bags: tuple[tuple[str, int], ...]
    cash_met: tuple[float, ...]
    binding: tuple[str, ...]

    @property
    def mean(self) -> float:
        """Return the mean value today [money]."""
        return self.worth.mean

    @property
    def worst_tenth_mean(self) -> float:
        """Return the mean of the worst tenth of scenarios [money]."""
        return self.worth.worst_tenth_mean


@dataclass
class _Search:
    """The state of one search: pieces by class, the columns in play, cuts and views found so far."""

    outlook: Outlook
    layout: Any
    fixed: list[list[Piece]]
    mean: list[tuple[np.ndarray, np.ndarray]]
    columns: Columns
    cuts: list[np.ndarray]
    views: list[np.ndarray]
    bound: float = np.inf
    means: dict[tuple[str, int, int], np.ndarray] = field(default_factory=dict)


def _mean_receipts(search: _Search, kind: str, number: int, class_number: int) -> np.ndarray:
    """Return a class's receipts per kg averaged with the weights of a view or cut (kept, since the weights do not change)."""
    key = (kind, number, class_number)
    if key not in search.means:
        weights = (search.views if kind == "view" else search.cuts)[number]
        search.means[key] = weighted_receipts(search.outlook.classes[class_number], weights)
    return search.means[key]


def _pieces(search: _Search) -> tuple[list[list[Piece]], list[dict[int, list[Piece]]]]:
    """Return every class's pieces with the current cuts and views, and the extra pieces of members' own accounts by lot."""
    layout, outlook = search.layout, search.outlook
    case, dates, accounts = outlook.case, len(layout.need_weeks), len(layout.accounts)
    end = layout.row_starts["end"]
    first_cut = end + len(search.views) * accounts * dates
    pieces, member = [], []
    for number, table in enumerate(outlook.classes):
        made, own = list(search.fixed[number]), {}
        for view in range(len(search.views)):
            if dates:
                made += cash_pieces(
                    layout, table, _mean_receipts(search, "view", view, number), end + view * accounts * dates
                )
        for cut in range(len(search.cuts)):
            made += tail_pieces(case, table, _mean_receipts(search, "cut", cut, number), first_cut + cut)
        if accounts > 1 and dates:
            for lot in np.flatnonzero(outlook.lot_class == number):
                owner = case.lots[lot].owner
                if owner in layout.accounts[1:]:
                    account = layout.accounts.index(owner)
                    own[int(lot)] = [
                        piece
                        for view in range(len(search.views))
                        for piece in cash_pieces(
                            layout,
                            table,
                            _mean_receipts(search, "view", view, number),
                            end + (view * accounts + account) * dates,
                        )
                    ]
        pieces.append(made)
        member.append(own)
    return pieces, member


def _assemble(search: _Search, pieces: list[list[Piece]], member: list[dict[int, list[Piece]]]) -> Program:
    """Return the programme with the columns in play."""
    from scipy.sparse import csr_array

    case = search.outlook.case
    r, c, v, lower, upper, low, high, cost, whole = shared_part(
        case, search.outlook, search.layout, search.cuts, search.views
    )
    shared, size = len(cost), len(search.columns.lot)
    rows, numbers, values = column_triplets(search.outlook, pieces, member, search.columns)
    matrix = csr_array(
        (np.concatenate([*v, values]), (np.concatenate([*r, rows]), np.concatenate([*c, shared + numbers]))),
        shape=(len(upper), shared + size),
    )
    column_cost = np.zeros(size)
    for lot in np.unique(search.columns.lot):
        inside = search.columns.lot == lot
        per_kg, per_bag = search.mean[int(search.outlook.lot_class[lot])]
        chosen = search.columns.option[inside]
        column_cost[inside] = -(case.lots[lot].bag_mass_kg * per_kg[chosen] - per_bag[chosen])
    # no upper bound on a column: the lot's own row holds it, and its dual is then complete for pricing
    return Program(
        np.concatenate([cost, column_cost]),
        matrix,
        lower,
        upper,
        np.concatenate([low, np.zeros(size)]),
        np.concatenate([high, np.full(size, np.inf)]),
        np.concatenate([whole, np.ones(size)]),
        shared,
    )


def _solve_relaxed(program: Program, seconds: float) -> tuple[np.ndarray, np.ndarray, float] | None:
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
    if result.x is None or result.status not in (0,):
        return None
    duals = np.zeros(len(program.upper))
    duals[below], duals[equal] = result.ineqlin.marginals, result.eqlin.marginals
    return result.x, duals, float(result.fun)


def _solve_whole(program: Program, seconds: float, gap: float) -> tuple[np.ndarray | None, float | None, int]:
    """Solve the programme with whole bags and trips; return (x or None, best bound or None, status)."""
    from scipy.optimize import Bounds, LinearConstraint, milp

    result = milp(
        program.cost,
        constraints=LinearConstraint(program.matrix, program.lower, program.upper),
        bounds=Bounds(program.bound_low, program.bound_high),
        integrality=program.integrality,
        options={"time_limit": max(seconds, 0.2), "mip_rel_gap": gap},
    )
    bound = getattr(result, "mip_dual_bound", None)
    return result.x, None if bound is None or not np.isfinite(bound) else float(bound), int(result.status)


def _price(
    search: _Search, pieces: list[list[Piece]], member: list[dict[int, list[Piece]]], duals: np.ndarray, most: int
) -> tuple[Columns, float]:
    """Return the best options per lot by reduced cost that are not yet in play, and the sum by which the bound may still rise."""
    outlook, case = search.outlook, search.outlook.case
    lots, options, slack = [], [], 0.0
    for number in range(len(outlook.classes)):
        per_kg, per_bag = search.mean[number]
        rate_kg, rate_bag = -per_kg.copy(), per_bag.copy()
        if len(rate_kg) == 0:
            continue
        for row, kg, bag in pieces[number]:
            dual = np.where(row >= 0, duals[row], 0.0)
            rate_kg -= dual * kg
            rate_bag -= dual * bag
        for lot in np.flatnonzero(outlook.lot_class == number):
            mass = case.lots[lot].bag_mass_kg
            reduced = mass * rate_kg + rate_bag - duals[lot]
            for row, kg, bag in member[number].get(int(lot), []):
                reduced -= np.where(row >= 0, duals[row], 0.0) * (mass * kg + bag)
            best = np.argpartition(reduced, min(most, len(reduced) - 1))[:most]
            slack += case.lots[lot].bags * max(0.0, -float(reduced[best].min()))
            good = best[reduced[best] < -1e-7]
            lots += [int(lot)] * len(good)
            options += good.tolist()
    return Columns(np.array(lots, dtype=int), np.array(options, dtype=int)), slack


def _join(one: Columns, two: Columns, width: int) -> Columns:
    """Return the union of two sets of columns, sorted by lot and option."""
    keys = np.unique(np.concatenate([one.lot * width + one.option, two.lot * width + two.option]))
    return Columns(keys // width, keys % width)


def _first_columns(outlook: Outlook, mean: list[tuple[np.ndarray, np.ndarray]], most: int) -> Columns:
    """Return the options that the search begins with: per lot the best by mean value, and the best of each month of payment and of each reserve."""
    case, share = outlook.case, trip_share(outlook.case)
    lots, options = [], []
    for number, table in enumerate(outlook.classes):
        if len(table) == 0:
            continue
        per_kg, per_bag = mean[number]
        net = per_kg - np.where(table.buyer >= 0, share[table.buyer], 0.0) * table.kept_kg
        members = np.flatnonzero(outlook.lot_class == number)
        worth = case.lots[members[0]].bag_mass_kg * net - per_bag
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


def _promising(columns: Columns, reduced: np.ndarray, amount: np.ndarray, most: int) -> Columns:
    """Return the columns that the relaxed solution uses and, up to `most`, those that cost least to bring in."""
    size = min(len(columns.lot), len(reduced))
    order = np.argsort(np.where(amount[:size] > 1e-7, -1.0, reduced[:size]), kind="stable")[
        : max(most, int((amount > 1e-7).sum()))
    ]
    order = np.sort(order)
    return Columns(columns.lot[order], columns.option[order])


def _scenario_value(search: _Search, program: Program, x: np.ndarray) -> np.ndarray:
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


def _need_balances(search: _Search, program: Program, x: np.ndarray) -> np.ndarray:
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
        x[vs["bought"] + number] * storage.cost_per_bag for number, storage in enumerate(case.storage)
    )
    balance -= needs_by_account(case, layout)[:, :, None]
    balance += x[vs["short"] : vs["tail"]].reshape(accounts, dates)[:, :, None]
    return np.cumsum(balance, axis=1)


def _add_cuts(search: _Search, program: Program, x: np.ndarray, scale: float) -> bool:
    """Add the cut of the worst tenth and the cash views that the solution breaks; return whether any was added."""
    case = search.outlook.case
    added = False
    if case.risk_weight > 0:
        value = _scenario_value(search, program, x)
        if x[search.layout.variable_starts["tail"]] > tail_mean(value, 0.1) + 2e-4 * scale:
            search.cuts.append(tail_weights(value, 0.1))
            added = True
    if len(search.layout.need_weeks):
        balances = _need_balances(search, program, x)
        share = 1.0 - case.certainty
        for account in range(balances.shape[0]):
            for date in range(balances.shape[1]):
                if tail_mean(balances[account, date], share) < -5e-4 * scale - 1e-6:
                    weights = tail_weights(balances[account, date], share)
                    if not any(np.array_equal(weights, other) for other in search.views):
                        search.views.append(weights)
                        added = True
    return added


def _objective(case: PlanningCase, worth: Worth) -> float:
    return worth.mean + case.risk_weight * worth.worst_tenth_mean


def _lacking(outlook: Outlook, allocation: Allocation) -> tuple[float, np.ndarray, np.ndarray]:
    """Return (reserve value lacking with its penalty, shortfall by need date at the asked certainty, share of scenarios that meet each date)."""
    case = outlook.case
    use = use_of(outlook, allocation.lot, allocation.option, allocation.bags)
    lacking = sum(
        max(0.0, reserve.kg - kg) * reserve.value_per_kg
        for reserve, kg in zip(case.reserves, use.reserve_kg, strict=True)
    )
    lacking += sum(
        max(0.0, who.promised_kg - float(kg.sum())) * promise_price(case, who)
        for who, kg in zip(case.buyers, use.kg, strict=True)
        if who.promised_kg > 0
    )
    balances = account_balances(outlook, allocation)
    met = (balances >= -1e-6).mean(axis=1) if len(balances) else np.zeros(0)
    short = np.array(
        [
            max(0.0, -float(np.quantile(row, 1.0 - case.certainty))) if share < case.certainty else 0.0
            for row, share in zip(balances, met, strict=True)
        ]
    )
    return float(lacking), short, met


def _score(outlook: Outlook, allocation: Allocation) -> float:
    """Return the objective less the penalties for what is lacking: by this the candidates are compared."""
    lacking, short, _ = _lacking(outlook, allocation)
    rises = (
        float(np.diff(np.concatenate([[0.0], np.maximum.accumulate(short)])).clip(min=0).sum()) if len(short) else 0.0
    )
    return _objective(outlook.case, evaluate(outlook, allocation)) - 5.0 * (lacking + rises)


def greedy_allocation(outlook: Outlook, mean: list[tuple[np.ndarray, np.ndarray]] | None = None) -> Allocation:
    """Return a feasible allocation by simple placing: reserves first, then cash needs by their dates, then each lot's best free option."""
    case, share = outlook.case, trip_share(outlook.case)
    parts = [mean_values(case, table) for table in outlook.classes] if mean is None else mean
    ledger = Ledger(outlook)
    worth: dict[int, np.ndarray] = {}
    by_class: dict[int, np.ndarray] = {}
    for lot in range(len(case.lots)):
        number = int(outlook.lot_class[lot])
        if number not in by_class:
            table, (per_kg, per_bag) = outlook.classes[number], parts[number]
            net = per_kg - np.where(table.buyer >= 0, share[table.buyer], 0.0) * table.kept_kg
            by_class[number] = case.lots[lot].bag_mass_kg * net - per_bag
        worth[lot] = by_class[number]
    place_reserves(ledger)
    layout = make_layout(case)
    sale_class = {
        number: np.where(outlook.classes[number].reserve >= 0, -np.inf, value) for number, value in by_class.items()
    }
    sale_only = {lot: sale_class[int(outlook.lot_class[lot])] for lot in worth}
    best_value = {lot: float(value.max()) if len(value) else 0.0 for lot, value in sale_only.items()}
    collected, needed = case.cash_now, 0.0
    for number, week in enumerate(layout.need_weeks):
        needed += float(needs_by_account(case, layout)[0, number])
        choices = []
        for lot in worth:
            table = outlook.options(lot)
            early = np.flatnonzero((table.pay_week <= week) & (table.buyer >= 0))
            if len(early):
                option = int(early[np.argmax(sale_only[lot][early])])
                bag = (
                    float(np.quantile(table.receipts_kg[option], (1 - case.certainty) / 2)) * case.lots[lot].bag_mass_kg
                )
                if bag > 0:
                    choices.append(((best_value[lot] - float(sale_only[lot][option])) / bag, lot, option, bag))
        for _, lot, option, bag in sorted(choices):
            if collected >= needed:
                break
            collected += bag * ledger.take(
                lot, option, min(int(ledger.left[lot]), int(np.ceil((needed - collected) / bag)))
            )
    ranked = {number: np.argsort(-value, kind="stable") for number, value in sale_class.items()}
    ranked = {number: order[sale_class[number][order] > 0] for number, order in ranked.items()}
    orders = {lot: ranked[int(outlook.lot_class[lot])] for lot in worth}
    fill(ledger, orders, sorted(worth, key=lambda lot: -best_value[lot]))
    return ledger.allocation()


def _rest_orders(
    outlook: Outlook, mean: list[tuple[np.ndarray, np.ndarray]], left: np.ndarray
) -> dict[int, np.ndarray]:
    """Return sales by falling mean value for every lot that has bags left; lots of a class share one array."""
    case, share = outlook.case, trip_share(outlook.case)
    by_class: dict[int, np.ndarray] = {}
    orders: dict[int, np.ndarray] = {}
    for lot in np.flatnonzero(left > 0).tolist():
        number = int(outlook.lot_class[lot])
        if number not in by_class:
            table, (per_kg, per_bag) = outlook.classes[number], mean[number]
            carried = np.where(table.buyer >= 0, share[table.buyer], 0.0) * table.kept_kg
            net = np.where(table.reserve >= 0, -np.inf, case.lots[lot].bag_mass_kg * (per_kg - carried) - per_bag)
            order = np.argsort(-net, kind="stable")
            by_class[number] = order[net[order] > 0]
        orders[lot] = by_class[number]
    return orders


def _rounded(outlook: Outlook, search: _Search, program: Program, x: np.ndarray) -> Allocation:
    """Return a feasible allocation near a fractional solution: whole parts first, then the rest by value.

    Where the search ran on classes as wholes, a class's amounts are dealt out to its lots, the largest amount to the
    largest lots, so that
    most lots keep to one choice.
    """
    amount = x[program.shared :]
    ledger = Ledger(outlook)
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


def _classes_as_wholes(outlook: Outlook) -> Outlook:
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


def _bound_for_lots(
    outlook: Outlook, search: _Search, pieces: list[list[Piece]], duals: np.ndarray, objective: float
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
        for row, kg, bag in pieces[number]:
            dual = np.where(row >= 0, duals[row], 0.0)
            rate_kg -= dual * kg
            rate_bag -= dual * bag
        for lot in np.flatnonzero(outlook.lot_class == number).tolist():
            item = outlook.case.lots[lot]
            best += item.bags * max(0.0, -float((item.bag_mass_kg * rate_kg + rate_bag).min()))
    return best


@dataclass(frozen=True)
class _Relaxed:
    """A solved relaxation: its programme, solution, row duals, objective, and the reduced costs of all its variables."""

    program: Program
    x: np.ndarray
    duals: np.ndarray
    objective: float
    reduced: np.ndarray


def _relax(search: _Search, exact: bool, scale: float, deadline: float, stop: float, most: int) -> _Relaxed | None:
    """Solve the relaxation over all options by pricing, adding cuts where they bind; return the last solution."""
    last = None
    for _ in range(60):
        pieces, member = _pieces(search)
        program = _assemble(search, pieces, member)
        solved = _solve_relaxed(program, deadline - time.perf_counter())
        if solved is None:
            break
        x, duals, objective = solved
        last = _Relaxed(program, x, duals, objective, program.cost - program.matrix.T @ duals)
        fresh, slack = Columns(np.zeros(0, dtype=int), np.zeros(0, dtype=int)), 0.0
        if not exact:
            fresh, slack = _price(search, pieces, member, duals, most)
        search.bound = min(search.bound, -objective + slack)
        more_cuts = _add_cuts(search, program, x, scale)
        if (not more_cuts and slack < 2e-4 * scale) or time.perf_counter() > stop:
            break
        if len(fresh.lot):
            width = max(len(table) for table in search.outlook.classes) + 1
            search.columns = _join(search.columns, fresh, width)
    return last


def plan_sale(
    case: PlanningCase,
    outlook: Outlook | None = None,
    time_limit: float = 3.4,
    mip_gap: float = 0.003,
    start: Allocation | None = None,
    watch: Callable[[str, float], bool] | None = None,
) -> SalePlan:
    """Return the best plan for all lots together under the group's limits.

    Parameters
    ----------
    case : PlanningCase
        Lots, limits, prices and wishes.
    outlook : Outlook, optional
        Scenario values of all options; built from the compact physics if left out.
    time_limit : float
        Seconds for the solver (building the outlook apart); a feasible plan comes back in any case. Raised for very
        many lots.
    mip_gap : float
        Relative gap at which the search for whole bags stops.
    start : Allocation, optional
        A plan on the same options to begin with, for instance the one made before a choice was changed.
    watch : callable, optional
        Told (how the best plan so far was found, its gap as a fraction) after every step; the search stops where it
        returns True.

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
    layout = make_layout(case)
    large = len(case.lots) > LARGE_LOTS and len(layout.accounts) == 1
    used = _classes_as_wholes(made) if large else made
    exact = sum(len(used.options(lot)) for lot in range(len(used.case.lots))) <= EXACT_COLUMNS
    uniform = [np.full(case.scenarios, 1.0 / case.scenarios)]
    search = _Search(
        used,
        make_layout(used.case),
        [
            fixed_pieces(used.case, make_layout(used.case), table, stands.commodity)
            for table, stands in zip(used.classes, used.representatives, strict=True)
        ],
        mean,
        _first_columns(used, mean, 10**6 if exact else 6),
        list(uniform) if case.risk_weight > 0 else [],
        list(uniform) if layout.need_weeks else [],
    )
    limit = max(time_limit, 0.03 * len(case.lots)) if len(case.lots) > LARGE_LOTS else time_limit
    deadline = time.perf_counter() + limit
    best = _Best(made, greedy_allocation(made, mean), watch)
    if start is not None:
        best.offer(start, "the plan before")
    scale = abs(best.score) + 1.0
    relaxed = None if best.told(search.bound) else _relax(search, exact, scale, deadline, deadline - 0.4 * limit, 5)
    if relaxed is not None:
        best.offer(_rounded(made, search, relaxed.program, relaxed.x), "rounded")
        if large:
            # the cuts found last are not in the programme whose duals are used: its own pieces come without them
            pieces, _ = _pieces(_at_size(search, relaxed.program))
            search.bound = _bound_for_lots(made, search, pieces, relaxed.duals, relaxed.objective)
    for rule in RULES if len(case.lots) <= LARGE_LOTS or best.method == "placing" else ():
        best.offer(rule_allocation(made, rule), "simple rule")
    if relaxed is not None and not large and not best.told(search.bound):
        _search_whole(search, relaxed, best, exact, scale, deadline, mip_gap)
    return _finish(made, best.allocation, search.bound, best.method, time.perf_counter() - began)


class _Best:
    """The best feasible allocation found so far; it knows whom to tell about it."""

    def __init__(self, outlook: Outlook, first: Allocation, watch: Callable[[str, float], bool] | None) -> None:
        self.outlook, self.watch = outlook, watch
        self.allocation, self.method, self.score = first, "placing", _score(outlook, first)

    def offer(self, found: Allocation, method: str) -> None:
        """Take an allocation over where it is better and breaks no limit."""
        score = _score(self.outlook, found)
        if score > self.score and not broken_limits(self.outlook, found):
            self.allocation, self.method, self.score = found, method, score

    def gap(self, bound: float) -> float:
        """Return how far the bound lies above, as a fraction."""
        return max(0.0, (bound - self.score) / max(abs(self.score), 1e-9))

    def told(self, bound: float) -> bool:
        """Tell the watcher how far the search is; return whether it is to stop."""
        return self.watch is not None and self.watch(self.method, self.gap(bound))


def _search_whole(
    search: _Search, relaxed: _Relaxed, best: _Best, exact: bool, scale: float, deadline: float, mip_gap: float
) -> None:
    """Search for whole bags and trips among ever more options until the gap to the bound of all of them is small, or time is over."""
    columns, first = search.columns, relaxed.program.shared
    width = max(len(table) for table in search.outlook.classes) + 1
    sizes = [size for size in STAGE_COLUMNS if size < len(columns.lot)] + ([len(columns.lot)] if exact else [])
    sizes = sizes or [len(columns.lot)]
    for size in sizes:
        # with the options of the best plan so far in it, a narrow search cannot end below that plan
        known = Columns(best.allocation.lot, best.allocation.option)
        known = known if search.outlook is best.outlook else Columns(known.lot[:0], known.option[:0])
        search.columns = _join(_promising(columns, relaxed.reduced[first:], relaxed.x[first:], size), known, width)
        for _ in range(4):
            left = deadline - time.perf_counter()
            if left < 0.15:
                return
            pieces, member = _pieces(search)
            program = _assemble(search, pieces, member)
            share = 1.0 if size == sizes[-1] else 0.6
            x_whole, bound, _status = _solve_whole(program, share * left, 0.5 * mip_gap)
            if size == len(columns.lot) and exact and bound is not None:
                search.bound = min(search.bound, -bound)
            if x_whole is None:
                break
            bags = np.round(x_whole[program.shared :]).astype(int)
            best.offer(complete(best.outlook, search.columns.lot, search.columns.option, bags), "whole-number search")
            if best.told(search.bound):
                return
            if not _add_cuts(search, program, x_whole, scale):
                break
        if best.gap(search.bound) <= mip_gap:
            return


def _at_size(search: _Search, program: Program) -> _Search:
    """Return the search with only the views and cuts that a programme was assembled with."""
    layout = search.layout
    fixed, each = layout.row_starts["end"], max(len(layout.accounts) * len(layout.need_weeks), 1)
    for cuts in range(len(search.cuts), -1, -1):
        for views in range(len(search.views), -1, -1):
            rows = fixed + (views * each if layout.need_weeks else 0) + cuts
            shared = layout.variable_starts["end"] + (views * each if layout.need_weeks else 0)
            if rows == len(program.upper) and shared == program.shared:
                return replace(search, cuts=search.cuts[:cuts], views=search.views[:views])
    return search


def _finish(outlook: Outlook, allocation: Allocation, bound: float, method: str, seconds: float) -> SalePlan:
    """Return the plan as people read it."""
    case = outlook.case
    worth = evaluate(outlook, allocation)
    objective = _objective(case, worth)
    _, short, met = _lacking(outlook, allocation)
    layout = make_layout(case)
    unmet: list[UnmetNeed] = []
    sales = planned_sales(outlook, allocation)
    for number, week in enumerate(layout.need_weeks):
        if short[number] > 0:
            labels = ", ".join(sorted({need.label or "cash" for need in case.needs if need.week == week}))
            amount = float(needs_by_account(case, layout)[0, number])
            unmet.append(
                UnmetNeed(
                    labels,
                    case.week_date(week),
                    amount,
                    float(short[number]),
                    float(met[number]),
                    _remedy(outlook, allocation, week, float(short[number])),
                )
            )
    use = use_of(outlook, allocation.lot, allocation.option, allocation.bags)
    for reserve, kg in zip(case.reserves, use.reserve_kg, strict=True):
        if kg < reserve.kg - 1e-6:
            unmet.append(
                UnmetNeed(
                    reserve.label,
                    case.week_date(reserve.until_week),
                    reserve.kg,
                    float(reserve.kg - kg),
                    float(kg / reserve.kg),
                    message(
                        "{kg} kg of {crop} for {label} must be bought, or that much more must be kept dry and bagged",
                        kg=round(reserve.kg - kg),
                        crop=reserve.commodity,
                        label=reserve.label,
                    ),
                )
            )
    for who, sent in zip(case.buyers, use.kg, strict=True):
        if who.promised_kg > float(sent.sum()) + 1e-6:
            lacks, by = who.promised_kg - float(sent.sum()), case.week_date(who.last_week or 0)
            unmet.append(
                UnmetNeed(
                    who.name,
                    by,
                    who.promised_kg,
                    lacks,
                    float(sent.sum() / who.promised_kg),
                    message(
                        "{kg} kg that were promised must be bought, or a later day of delivery agreed with the buyer",
                        kg=round(lacks),
                    ),
                )
            )
    left = [
        (lot.label, int(lot.bags - used))
        for lot, used in zip(case.lots, use.bags, strict=True)
        if lot.bags - used > 0.5
    ]
    notes = []
    if left:
        notes.append(message("{bags} bags find no buyer or no room in this plan", bags=sum(count for _, count in left)))
    spoilt: dict[str, float] = {}
    for line in sales:
        spoilt[line.label] = max(spoilt.get(line.label, 0.0), line.unfit_share)
    notes += [
        message(
            (
                "{share} % of the bags of lot {lot} are counted as unfit through mould by then: they bring nothing, "
                "and are kept out of food. Dry it first, or test it again soon"
            ),
            lot=label,
            share=round(100 * share),
        )
        for label, share in spoilt.items()
        if share >= MOULD_SAID
    ]
    slack = (bound - objective) / max(abs(objective), 1e-9) if np.isfinite(bound) else float("inf")
    return SalePlan(
        case,
        allocation,
        sales,
        worth,
        objective,
        float(bound),
        max(0.0, float(slack)),
        method,
        seconds,
        tuple(unmet),
        tuple(notes),
        tuple(left),
        tuple(met.tolist()),
        _binding(outlook, allocation),
    )


def _remedy(outlook: Outlook, allocation: Allocation, week: int, short: float) -> Message:
    """Return what would make an unmet cash need met: an advance of so much, or waiting until a week in which sales cover it."""
    case = outlook.case
    cash = np.cumsum(evaluate(outlook, allocation).cash_week, axis=0) + case.cash_now
    due = sum(need.amount for need in case.needs if need.week <= week)
    enough = np.flatnonzero(np.quantile(cash, 1.0 - case.certainty, axis=1) >= due)
    later = [int(value) for value in enough if value > week]
    if later:
        return message(
            "an advance or loan of {amount} by {day}, or paying from {later}, when the planned sales cover it",
            amount=f"{short:,.0f} {case.currency}",
            day=case.week_date(week),
            later=case.week_date(later[0]),
        )
    return message(
        "an advance or loan of {amount} by {day}: the planned sales do not cover it within the horizon",
        amount=f"{short:,.0f} {case.currency}",
        day=case.week_date(week),
    )


def _binding(outlook: Outlook, allocation: Allocation) -> tuple[str, ...]:
    """Return which limits are used up to nine tenths or more in some week (keys)."""
    case, use = outlook.case, use_of(outlook, allocation.lot, allocation.option, allocation.bags)
    found = []
    for number, choice in enumerate(case.drying):
        if use.floor[number].max(initial=0.0) > 0.9 * 7 * choice.capacity_kg:
            found.append(f"drying:{choice.code}")
    for number, storage in enumerate(case.storage):
        total = storage.owned_bags + storage.buyable_bags
        if use.stock[number].max(initial=0.0) > 0.95 * total > 0:
            found.append(f"storage:{storage.code}")
    if case.store_bags is not None and use.stock.sum(axis=0).max(initial=0.0) > 0.95 * case.store_bags:
        found.append("store")
    if (allocation.trips.sum(axis=0) >= case.truck.trips_per_week).any():
        found.append("truck")
    if case.needs and account_balances(outlook, allocation).size:
        low = np.quantile(account_balances(outlook, allocation), 1 - case.certainty, axis=1)
        if (low < 0.03 * sum(need.amount for need in case.needs)).any():
            found.append("cash")
    return tuple(found)


def planned_sales(outlook: Outlook, allocation: Allocation) -> tuple[PlannedSale, ...]:
    """Return the lines of an allocation in the order of sale."""
    case, lines = outlook.case, []
    for lot, option, bags in zip(allocation.lot, allocation.option, allocation.bags, strict=True):
        item, table = case.lots[lot], outlook.options(int(lot))
        value = outlook.values(int(lot), np.array([option]))[0] * bags
        setup, storage, buyer, reserve = (
            int(column[option]) for column in (table.setup, table.storage, table.buyer, table.reserve)
        )
        week = int(table.sale_week[option])
        ready_on = case.week_date(int(table.ready_week[option]))
        if setup >= 0:  # grain is bagged when its drying days are over, not at the week's beginning
            dried_on = case.week_date(int(table.start_week[option])) + timedelta(days=int(np.ceil(table.days[option])))
            ready_on = max(ready_on, dried_on)
        lines.append(
            PlannedSale(
                item.id,
                item.label,
                item.owner,
                item.commodity,
                int(bags),
                float(bags * item.bag_mass_kg),
                float(bags * item.bag_mass_kg * table.kept_kg[option]),
                case.drying[setup].name if setup >= 0 else "",
                case.week_date(int(table.start_week[option])) if setup >= 0 else None,
                ready_on,
                case.storage[storage].name if storage >= 0 else "",
                week,
                max(case.week_date(week), ready_on),
                max(case.week_date(int(table.pay_week[option])), ready_on),
                case.buyers[buyer].name if buyer >= 0 else "",
                case.reserves[reserve].label if reserve >= 0 else "",
                float(table.price_kg[option]),
                float(value.mean()),
                float(np.quantile(value, 0.1)),
                float(np.quantile(value, 0.9)),
                case.week_date(int(table.harvest_week[option])) if item.standing else None,
                float(table.target_pct[option]) if setup >= 0 else None,
                float(table.unfit[option]),
            )
        )
    return tuple(sorted(lines, key=lambda line: (line.week, line.buyer, line.label)))


def with_case(plan: SalePlan, case: PlanningCase) -> SalePlan:
    """Return the plan attached to another case with the same options (for comparisons)."""
    return replace(plan, case=case)
