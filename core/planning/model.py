"""The sale plan as a mixed-integer programme: what each option uses of each limit, and each limit as rows.

Every limit has two halves that stand side by side: what an option takes of it (`*_use`), and its rows with the shared
variables (`*_rows`). Balances are kept by running variables (stock by week, cash by need date), so that an option
touches only the rows of the weeks in which something happens. Every coefficient of an option is
(per kg) x (bag mass) + (per bag), so that lots of one class share their tables.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from core.planning.case import PlanningCase
from core.planning.layout import (
    OVER_WEEKS,
    SHORT_PENALTY,
    Layout,
    excess_price,
    interval_of,
    loan_unit_owed,
    needs_by_account,
    promise_price,
)
from core.planning.outlook import NONE, Options, Outlook, parts_of_value
from core.planning.schedule import booked_days, floor_room

DRYING_WEEKS = 4  # a lot's drying is booked over so many weeks at most


@dataclass(frozen=True)
class Entry:
    """What options put into one family of rows.

    `row` (options,) or -1 for none, amount = mass x `per_kg` + `per_bag`.
    """

    row: np.ndarray
    per_kg: np.ndarray
    per_bag: np.ndarray


def option_use(case: PlanningCase, layout: Layout, table: Options, commodity: str) -> list[Entry]:
    """Return what a class's options take of every limit but cash and the worst tenth.

    Parameters
    ----------
    commodity : str
        The crop of the class: its price decides what a lender gives on it.
    """
    return [
        *floor_use(case, layout, table),
        *stock_use(layout, table),
        *buyer_use(case, layout, table),
        *pledge_use(case, layout, table, commodity),
        *reserve_use(layout, table),
    ]


def _entry(there: np.ndarray, row: np.ndarray, per_kg: np.ndarray | float, per_bag: np.ndarray | float) -> Entry:
    kg, bag = (np.broadcast_to(np.asarray(value, dtype=float), row.shape) for value in (per_kg, per_bag))
    return Entry(np.where(there, row, NONE), kg, bag)


def floor_use(case: PlanningCase, layout: Layout, table: Options) -> list[Entry]:
    """Return the kg-days that options book on a drying space in each week: days of the week x kg spread."""
    found = []
    for step in range(DRYING_WEEKS):
        days = booked_days(case, table.days, table.start_week, table.ready_week, step)
        row = layout.row_starts["floor"] + table.setup * (layout.weeks + OVER_WEEKS) + table.start_week + step
        found.append(_entry((table.setup >= 0) & (days > 0), row, days * table.floor_kg, 0.0))
    return found


def stock_use(layout: Layout, table: Options) -> list[Entry]:
    """Return bags put into store in the week in which they are ready, and taken out in the week of sale."""
    stored, base = table.storage >= 0, layout.row_starts["stock"] + table.storage * layout.weeks
    return [_entry(stored, base + table.ready_week, 0.0, -1.0), _entry(stored, base + table.sale_week, 0.0, 1.0)]


def buyer_use(case: PlanningCase, layout: Layout, table: Options) -> list[Entry]:
    """Return the kg that options bring to a buyer.

    On his road, into his week, his offer, his least load and his promise.
    """
    start, sold = layout.row_starts, table.buyer >= 0

    def those(asked: list[bool]) -> np.ndarray:
        return sold & np.array(asked, dtype=bool)[table.buyer] if asked else sold

    place = table.buyer * layout.weeks + table.sale_week
    by_road = those([who.distance_km > 0 for who in case.buyers])
    limited = those([who.weekly_kg is not None for who in case.buyers])
    capped = those([who.quantity_kg is not None for who in case.buyers])
    least = those([who.minimum_kg > 0 for who in case.buyers])
    owed = those([who.promised_kg > 0 for who in case.buyers])
    return [
        _entry(by_road, start["truck"] + place, table.kept_kg, 0.0),
        _entry(limited, start["soft"] + place, table.kept_kg, 0.0),
        _entry(capped, start["quantity"] + table.buyer, table.kept_kg, 0.0),
        _entry(least, start["least"] + place, -table.kept_kg, 0.0),
        _entry(least, start["most"] + place, table.kept_kg, 0.0),
        _entry(owed, start["promise"] + table.buyer, -table.kept_kg, 0.0),
    ]


def pledge_use(case: PlanningCase, layout: Layout, table: Options, commodity: str) -> list[Entry]:
    """Return what a lender gives on stored grain, from the week in store to the week of sale [money]."""
    if not layout.loans or case.credit is None:
        return []
    now = next((price.price_now for price in case.prices if price.commodity == commodity), 0.0)
    lent = case.credit.loan_share * now * table.kept_kg
    pledged = (table.storage >= 0) & (table.buyer >= 0)
    first = layout.row_starts["headroom"]
    return [_entry(pledged, first + table.ready_week, -lent, 0.0), _entry(pledged, first + table.sale_week, lent, 0.0)]


def reserve_use(layout: Layout, table: Options) -> list[Entry]:
    """Return the kg that options keep back for a reserve, against its least and its most."""
    kept, start = table.reserve >= 0, layout.row_starts
    return [
        _entry(kept, start["reserve"] + table.reserve, -table.kept_kg, 0.0),
        _entry(kept, start["reserve_top"] + table.reserve, table.kept_kg, 0.0),
    ]


def weighted_receipts(table: Options, weights: np.ndarray) -> np.ndarray:
    """Return receipts per kg averaged over scenarios with `weights` (scenarios,) that sum to 1; (options,)."""
    return (table.receipts_kg @ weights.astype(np.float32)).astype(float)


def cash_use(layout: Layout, table: Options, mean_receipts: np.ndarray, first_row: int) -> list[Entry]:
    """Return what options bring and cost by need date, in a cash view whose rows for one account begin at `first_row`.

    A sale counts from the day on which it is paid, drying and treatment when they begin, keeping and fees at the sale.
    """
    receipts = np.where(table.reserve >= 0, 0.0, mean_receipts)
    paid, begun, left = (interval_of(layout, week) for week in (table.pay_week, table.start_week, table.sale_week))
    return [
        _entry(paid >= 0, first_row + paid, -receipts, 0.0),
        _entry(begun >= 0, first_row + begun, table.upfront_kg, table.upfront_bag),
        _entry(left >= 0, first_row + left, 0.0, table.later_bag),
    ]


def tail_use(case: PlanningCase, table: Options, mean_receipts: np.ndarray, row: int) -> list[Entry]:
    """Return what options bring in one cut of the worst tenth: theta <= mean over a tenth of the scenarios."""
    per_kg, per_bag = parts_of_value(case, table, mean_receipts)
    return [Entry(np.full(len(table), row), -per_kg, per_bag)]


@dataclass(frozen=True)
class Program:
    """An assembled programme: minimise cost x with lower <= matrix x <= upper and bounds.

    Columns of options come after `shared`.
    """

    cost: np.ndarray
    matrix: Any
    lower: np.ndarray
    upper: np.ndarray
    bound_low: np.ndarray
    bound_high: np.ndarray
    integrality: np.ndarray
    shared: int


@dataclass(frozen=True)
class SharedPart:
    """Everything of the programme but the options.

    `lower`, `upper` (rows,) limit the rows (an upper limit of 0 where nothing else is said, no lower one); `low`,
    `high`, `cost`, `whole` (variables,) are the shared variables' bounds, cost and whether they are whole numbers.
    The entries are lists of arrays of one length: row, variable, value.
    """

    lower: np.ndarray
    upper: np.ndarray
    low: np.ndarray
    high: np.ndarray
    cost: np.ndarray
    whole: np.ndarray
    rows: list[np.ndarray] = field(default_factory=list)
    variables: list[np.ndarray] = field(default_factory=list)
    values: list[np.ndarray] = field(default_factory=list)

    def put(self, rows: Any, variables: Any, values: Any) -> None:
        """Add entries; the three are broadcast against each other."""
        one, two, three = np.broadcast_arrays(rows, variables, np.asarray(values, dtype=float))
        self.rows.append(one.ravel())
        self.variables.append(two.ravel())
        self.values.append(three.ravel())


def shared_part(
    case: PlanningCase, outlook: Outlook, layout: Layout, cuts: list[np.ndarray], views: list[np.ndarray]
) -> SharedPart:
    """Return everything of the programme but the options.

    Row order: fixed rows, cash views (view, account, date), tail cuts. Variable order: fixed families, then cash
    balances of the views.
    """
    balances = len(views) * len(layout.accounts) * len(layout.need_weeks)
    rows = layout.row_starts["end"] + balances + len(cuts)
    variables = layout.variable_starts["end"] + balances
    part = SharedPart(
        lower=np.full(rows, -np.inf),
        upper=np.zeros(rows),
        low=np.zeros(variables),
        high=np.full(variables, np.inf),
        cost=np.zeros(variables),
        whole=np.zeros(variables),
    )
    lot_rows(part, case, layout)
    floor_rows(part, case, layout)
    stock_rows(part, case, layout)
    truck_rows(part, case, layout)
    weekly_quantity_rows(part, case, outlook, layout)
    least_sale_rows(part, case, layout)
    promise_rows(part, case, layout)
    loan_rows(part, case, layout)
    reserve_rows(part, case, layout)
    cash_rows(part, case, layout, len(views))
    tail_rows(part, case, layout, len(cuts), layout.row_starts["end"] + balances)
    return part


def lot_rows(part: SharedPart, case: PlanningCase, layout: Layout) -> None:
    """Limit what is done with a lot: sum of its options' bags <= its bags."""
    first = layout.row_starts["lot"]
    part.upper[first : first + layout.lots] = [lot.bags for lot in case.lots]


def floor_rows(part: SharedPart, case: PlanningCase, layout: Layout) -> None:
    """Limit drying: sum of kg-days booked on a space in a week <= its days x the kg that lie on it at one time.

    A space that would have to be bought has that room where it is bought (0 or 1), for its price.
    """
    span = layout.weeks + OVER_WEEKS
    rooms = floor_room(case, span)
    for number, choice in enumerate(case.drying):
        rows = layout.row_starts["floor"] + number * span + np.arange(span)
        space, room = layout.variable_starts["spaces"] + number, rooms[number]
        part.high[space], part.whole[space] = 1.0 if choice.price > 0 else 0.0, 1
        part.cost[space] = choice.price
        if choice.price > 0:
            part.put(rows, space, -room)
        else:
            part.upper[rows] = room


def stock_rows(part: SharedPart, case: PlanningCase, layout: Layout) -> None:
    """Keep the stock of each way of storing, and limit it by bags and by room.

    stock(w) = stock(w - 1) + put in - taken out; stock(w) <= bags owned + units bought; all ways together <= room.
    """
    rs, vs, week = layout.row_starts, layout.variable_starts, np.arange(layout.weeks)
    for number, storage in enumerate(case.storage):
        rows, stock = (starts["stock"] + number * layout.weeks + week for starts in (rs, vs))
        bought = vs["bought"] + number
        part.lower[rows] = 0.0
        part.put(rows, stock, 1.0)
        part.put(rows[1:], stock[:-1], -1.0)
        bags = rs["bags"] + number * layout.weeks + week
        part.upper[bags] = storage.owned_bags
        part.put(bags, stock, 1.0)
        part.put(bags, bought, -storage.bags_per_unit)
        part.high[bought], part.cost[bought], part.whole[bought] = storage.buyable_units, storage.unit_price, 1
        part.put(rs["store"] + week, stock, 1.0)
    part.upper[rs["store"] + week] = np.inf if case.store_bags is None else case.store_bags


def truck_rows(part: SharedPart, case: PlanningCase, layout: Layout) -> None:
    """Limit transport: kg to a buyer in a week <= trips x load of the truck.

    Sum over buyers of trips <= trips a week.
    """
    rs, vs, week = layout.row_starts, layout.variable_starts, np.arange(layout.weeks)
    for number, who in enumerate(case.buyers):
        row, trips = (start + number * layout.weeks + week for start in (rs["truck"], vs["trips"]))
        if who.distance_km <= 0:
            part.high[trips], part.upper[row] = 0, np.inf
            continue
        part.put(row, trips, -case.truck.capacity_kg)
        part.put(rs["trips"] + week, trips, 1.0)
        part.cost[trips] = case.trip_cost(number) * case.discount(week)
        part.high[trips], part.whole[trips] = case.truck.trips_per_week, 1
    part.upper[rs["trips"] + week] = case.truck.trips_per_week


def weekly_quantity_rows(part: SharedPart, case: PlanningCase, outlook: Outlook, layout: Layout) -> None:
    """Price what floods a buyer: kg in a week <= his weekly quantity + excess, each kg of excess losing value.

    Also limit dated offers: kg over all weeks <= the quantity offered.
    """
    rs, vs, week = layout.row_starts, layout.variable_starts, np.arange(layout.weeks)
    lost = excess_price(case, outlook)
    for number, who in enumerate(case.buyers):
        row, excess = (start + number * layout.weeks + week for start in (rs["soft"], vs["excess"]))
        part.upper[row] = np.inf if who.weekly_kg is None else who.weekly_kg
        part.put(row, excess, -1.0)
        part.cost[excess] = lost[number]
        part.upper[rs["quantity"] + number] = np.inf if who.quantity_kg is None else who.quantity_kg


def least_sale_rows(part: SharedPart, case: PlanningCase, layout: Layout) -> None:
    """Hold a buyer's least load: least x open <= kg in a week <= most x open, with open 0 or 1."""
    rs, vs, week = layout.row_starts, layout.variable_starts, np.arange(layout.weeks)
    everything = sum(lot.bags * lot.bag_mass_kg for lot in case.lots)
    for number, who in enumerate(case.buyers):
        place = number * layout.weeks + week
        opened = vs["open"] + place
        if who.minimum_kg <= 0:
            part.high[opened] = 0
            continue
        part.high[opened], part.whole[opened] = 1, 1
        part.put(rs["least"] + place, opened, who.minimum_kg)
        part.put(rs["most"] + place, opened, -(who.quantity_kg or everything))


def promise_rows(part: SharedPart, case: PlanningCase, layout: Layout) -> None:
    """Ask for what was promised: kg delivered + owing >= promised, what stays owing weighs heavily."""
    for number, who in enumerate(case.buyers):
        row, owing = layout.row_starts["promise"] + number, layout.variable_starts["owing"] + number
        if who.promised_kg <= 0:
            part.high[owing] = 0
            continue
        part.upper[row] = -who.promised_kg
        part.put(row, owing, -1.0)
        part.cost[owing] = SHORT_PENALTY * promise_price(case, who)


@dataclass(frozen=True)
class _Loans:
    """The loans that may be taken: weeks, variables, fee, and what a unit borrowed costs to repay."""

    taken: np.ndarray
    repaid: np.ndarray
    variable: np.ndarray
    fee: float
    owed: np.ndarray


def _loans(case: PlanningCase, layout: Layout) -> _Loans | None:
    if not layout.loans or case.credit is None:
        return None
    by_length = np.array([loan_unit_owed(case, weeks) for weeks in range(case.weeks + 1)])
    taken, repaid = np.array(layout.loans).T
    variable = layout.variable_starts["loans"] + np.arange(len(layout.loans))
    return _Loans(taken, repaid, variable, case.credit.fee_share, by_length[repaid - taken])


def loan_rows(part: SharedPart, case: PlanningCase, layout: Layout) -> None:
    """Secure loans by stored grain.

    The room headroom(w) = headroom(w - 1) + lent on grain put in - on grain taken out - loans.
    """
    loans = _loans(case, layout)
    if loans is None:
        return
    first, variable, week = layout.row_starts["headroom"], layout.variable_starts["headroom"], np.arange(layout.weeks)
    part.lower[first + week] = 0.0
    part.put(first + week, variable + week, 1.0)
    part.put(first + week[1:], variable + week[:-1], -1.0)
    part.put(first + loans.taken, loans.variable, 1.0)
    part.put(first + loans.repaid, loans.variable, -1.0)
    part.cost[loans.variable] = loans.owed * case.discount(loans.repaid) - (1.0 - loans.fee) * case.discount(
        loans.taken
    )


def reserve_rows(part: SharedPart, case: PlanningCase, layout: Layout) -> None:
    """Keep grain back: kg kept + lacking >= reserve, what lacks weighs heavily.

    At most two bags more than the reserve.
    """
    largest = max((lot.bag_mass_kg for lot in case.lots), default=0.0)
    for number, reserve in enumerate(case.reserves):
        row, lacking = layout.row_starts["reserve"] + number, layout.variable_starts["lacking"] + number
        part.upper[row] = -reserve.kg
        part.upper[layout.row_starts["reserve_top"] + number] = reserve.kg + 2.0 * largest
        part.put(row, lacking, -1.0)
        part.cost[lacking] = SHORT_PENALTY * reserve.value_per_kg


def cash_rows(part: SharedPart, case: PlanningCase, layout: Layout, views: int) -> None:
    """Meet cash needs by their dates, in each view (a weighting of the scenarios) and each account.

    balance(d) = balance(d - 1) + short(d) + paid by sales - costs - needs(d) >= 0; what is short weighs heavily.
    Bags bought, trips and loans are the group's own, not a member's.
    """
    dates, accounts = len(layout.need_weeks), len(layout.accounts)
    if not dates:
        return
    short = layout.variable_starts["short"] + np.arange(accounts * dates)
    part.cost[short] = SHORT_PENALTY
    needs, date = needs_by_account(case, layout), np.arange(dates)
    for view in range(views):
        for account in range(accounts):
            place = (view * accounts + account) * dates
            row, balance = layout.row_starts["end"] + place + date, layout.variable_starts["end"] + place + date
            part.put(row, balance, 1.0)
            part.put(row[1:], balance[:-1], -1.0)
            part.put(row, short[account * dates : (account + 1) * dates], -1.0)
            limit = -needs[account] + np.where((date == 0) & (account == 0), case.cash_now, 0.0)
            part.lower[row] = part.upper[row] = limit
        _shared_cash(part, case, layout, layout.row_starts["end"] + view * accounts * dates)


def _shared_cash(part: SharedPart, case: PlanningCase, layout: Layout, begin: int) -> None:
    """Put what the group pays and borrows as a whole into the rows of its own account, which begin at `begin`."""
    vs, when = layout.variable_starts, interval_of(layout, np.arange(layout.weeks))
    cost = [storage.unit_price for storage in case.storage]
    part.put(begin + when[0], vs["bought"] + np.arange(layout.methods), cost)
    prices = [choice.price for choice in case.drying]
    part.put(begin + when[0], vs["spaces"] + np.arange(layout.setups), prices)
    loans = _loans(case, layout)
    if loans is not None:
        for at, flow in ((loans.taken, np.full(len(loans.taken), loans.fee - 1.0)), (loans.repaid, loans.owed)):
            inside = np.flatnonzero(when[at] >= 0)
            part.put(begin + when[at[inside]], loans.variable[inside], flow[inside])
    served = np.flatnonzero(when >= 0)
    for number, who in enumerate(case.buyers):
        if who.distance_km > 0 and len(served):
            part.put(begin + when[served], vs["trips"] + number * layout.weeks + served, case.trip_cost(number))


def tail_rows(part: SharedPart, case: PlanningCase, layout: Layout, cuts: int, first: int) -> None:
    """Hold the mean of the worst tenth.

    That is, theta <= mean value over a tenth of the scenarios, less what all pay together. What is lacking of reserves,
    promises and needs is no part of a scenario's value.
    """
    tail, vs = layout.variable_starts["tail"], layout.variable_starts
    part.low[tail], part.high[tail] = (-np.inf, np.inf) if cuts else (0.0, 0.0)
    part.cost[tail] = -case.risk_weight
    paid = np.flatnonzero(part.cost[: vs["lacking"]])
    for number in range(cuts):
        part.put(first + number, tail, 1.0)
        part.put(first + number, paid, part.cost[paid])


@dataclass(frozen=True)
class Columns:
    """The (lot, option) pairs that are in the programme."""

    lot: np.ndarray
    option: np.ndarray


@dataclass(frozen=True)
class Triplets:
    """Entries of a sparse matrix: row, column (from 0) and value, arrays of one length."""

    rows: np.ndarray
    columns: np.ndarray
    values: np.ndarray


def column_triplets(
    outlook: Outlook, use: list[list[Entry]], member_use: list[dict[int, list[Entry]]], columns: Columns
) -> Triplets:
    """Return the entries of the chosen pairs.

    The lot's own row and what its class and its member take of every limit.
    """
    mass = np.array([lot.bag_mass_kg for lot in outlook.case.lots])
    rows, numbers, values = [columns.lot], [np.arange(len(columns.lot))], [np.ones(len(columns.lot))]

    def put(inside: np.ndarray, entry: Entry) -> None:
        option, kg = columns.option[inside], mass[columns.lot[inside]]
        there = entry.row[option] >= 0
        rows.append(entry.row[option][there])
        numbers.append(inside[there])
        values.append((entry.per_kg[option] * kg + entry.per_bag[option])[there])

    owner_class = outlook.lot_class[columns.lot]
    for number in np.unique(owner_class):
        inside = np.flatnonzero(owner_class == number)
        for entry in use[int(number)]:
            put(inside, entry)
        for lot, entries in member_use[int(number)].items():
            mine = np.flatnonzero(columns.lot == lot)
            for entry in entries if len(mine) else ():
                put(mine, entry)
    return Triplets(np.concatenate(rows), np.concatenate(numbers), np.concatenate(values))
