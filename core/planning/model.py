"""The sale plan as a mixed-integer programme: rows, shared variables, and the columns of (lot, option) pairs.

Balances are kept by running variables (stock by week, cash by need date), so that a column touches only the rows of
the weeks in which
something happens. Every coefficient of a column is (per kg) x (bag mass) + (per bag), so that lots of one class share
their tables.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from core.planning.case import WEEKS_PER_MONTH, CaseBuyer, PlanningCase
from core.planning.outlook import NONE, Options, Outlook, parts_of_value

SHORT_PENALTY = 5.0  # a unit of an unmet need weighs more than any gain from selling later
Piece = tuple[np.ndarray, np.ndarray, np.ndarray]


@dataclass(frozen=True)
class Layout:
    """Where each family of rows and shared variables begins; `need_weeks` are the distinct dates of cash needs."""

    lots: int
    setups: int
    methods: int
    buyers: int
    reserves: int
    weeks: int
    need_weeks: tuple[int, ...]
    accounts: tuple[str, ...]
    loans: tuple[tuple[int, int], ...] = ()

    @property
    def row_starts(self) -> dict[str, int]:
        """Return the first row of each family of fixed rows, and `end`."""
        sizes = {
            "lot": self.lots,
            "floor": self.setups * (self.weeks + 8),
            "stock": self.methods * self.weeks,
            "bags": self.methods * self.weeks,
            "store": self.weeks,
            "truck": self.buyers * self.weeks,
            "trips": self.weeks,
            "soft": self.buyers * self.weeks,
            "quantity": self.buyers,
            "least": self.buyers * self.weeks,
            "most": self.buyers * self.weeks,
            "reserve": self.reserves,
            "reserve_top": self.reserves,
            "promise": self.buyers,
            "headroom": self.weeks if self.loans else 0,
        }
        return _starts(sizes)

    @property
    def variable_starts(self) -> dict[str, int]:
        """Return the first shared variable of each family, and `end`."""
        sizes = {
            "stock": self.methods * self.weeks,
            "bought": self.methods,
            "trips": self.buyers * self.weeks,
            "excess": self.buyers * self.weeks,
            "open": self.buyers * self.weeks,
            "headroom": self.weeks if self.loans else 0,
            "loans": len(self.loans),
            "lacking": self.reserves,
            "owing": self.buyers,
            "short": len(self.accounts) * len(self.need_weeks),
            "tail": 1,
        }
        return _starts(sizes)


def _starts(sizes: dict[str, int]) -> dict[str, int]:
    starts, at = {}, 0
    for name, size in sizes.items():
        starts[name] = at
        at += size
    starts["end"] = at
    return starts


def make_layout(case: PlanningCase) -> Layout:
    """Return the layout of a case's rows.

    Members have their own cash account only where the group records no advances.
    """
    accounts = ("",) if case.advances else ("", *sorted({need.member for need in case.needs if need.member}))
    need_weeks = tuple(sorted({need.week for need in case.needs}))
    return Layout(
        len(case.lots),
        len(case.drying),
        len(case.storage),
        len(case.buyers),
        len(case.reserves),
        case.weeks,
        need_weeks,
        accounts,
        loan_pairs(case),
    )


def loan_pairs(case: PlanningCase) -> tuple[tuple[int, int], ...]:
    """Return the weeks (taken, repaid) between which money can be borrowed on stored grain, none where no lender offers it."""
    if case.credit is None or case.credit.loan_share <= 0:
        return ()
    longest = int(case.credit.longest_months * WEEKS_PER_MONTH + 1e-9)
    return tuple(
        (taken, repaid)
        for taken in range(case.weeks - 1)
        for repaid in range(taken + 1, min(case.weeks - 1, taken + longest) + 1)
    )


def loan_unit_owed(case: PlanningCase, weeks: int) -> float:
    """Return what one unit of money borrowed on grain costs to repay after some weeks, the store's charge on the grain that secures it included.

    The charge per kg is turned into one per unit lent by the mean price of the case's grain, weighted by mass.
    """
    if case.credit is None:
        return 1.0
    months = weeks / WEEKS_PER_MONTH
    owed = case.credit.owed(1.0 / case.credit.loan_share, 1.0, months)
    if case.credit.storage_fee_per_kg_month == 0:
        return owed
    now = {price.commodity: price.price_now for price in case.prices}
    mass = sum(lot.bags * lot.bag_mass_kg for lot in case.lots)
    price = sum(lot.bags * lot.bag_mass_kg * now[lot.commodity] for lot in case.lots) / max(mass, 1e-9)
    return owed + case.credit.storage_fee_per_kg_month * months / max(case.credit.loan_share * price, 1e-9)


def needs_by_account(case: PlanningCase, layout: Layout) -> np.ndarray:
    """Return the needs [money] by account and need date, (accounts, dates); the group's account carries everybody's."""
    table = np.zeros((len(layout.accounts), len(layout.need_weeks)))
    for need in case.needs:
        date = layout.need_weeks.index(need.week)
        table[0, date] += need.amount
        if need.member in layout.accounts[1:]:
            table[layout.accounts.index(need.member), date] += need.amount
    return table


def trip_cost(case: PlanningCase, buyer: int) -> float:
    """Return the cost of one trip there and back to a buyer [money]; 0 for one who collects."""
    return case.trip_cost(buyer)


def promise_price(case: PlanningCase, who: CaseBuyer) -> float:
    """Return what a kg of promised grain is worth: the price agreed, or today's market price of its dearest crop [money per kg]."""
    if who.fixed_price is not None:
        return who.fixed_price
    now = [price.price_now for price in case.prices if not who.commodities or price.commodity in who.commodities]
    return who.price_factor * max(now, default=0.0)


def excess_price(case: PlanningCase, outlook: Outlook) -> np.ndarray:
    """Return what each kg beyond a buyer's weekly quantity loses in value today [money per kg], (buyers, weeks)."""
    mass: dict[str, float] = {}
    for lot in case.lots:
        mass[lot.commodity] = mass.get(lot.commodity, 0.0) + lot.bags * lot.bag_mass_kg
    table = np.zeros((len(case.buyers), case.weeks))
    for number, who in enumerate(case.buyers):
        crops = [crop for crop in mass if not who.commodities or crop in who.commodities]
        total = sum(mass[crop] for crop in crops)
        if who.weekly_kg is None or total == 0:
            continue
        mean = sum(outlook.physics.prices[crop][: case.weeks].mean(axis=1) * mass[crop] for crop in crops) / total
        price = mean * who.price_factor if who.fixed_price is None else np.full(case.weeks, who.fixed_price)
        table[number] = who.price_fall * price * case.discount(np.arange(case.weeks))
    return table


def interval_of(layout: Layout, week: np.ndarray) -> np.ndarray:
    """Return the index of the first need date at or after each week, -1 if there is none (money moving later cannot serve a need)."""
    found = np.searchsorted(np.asarray(layout.need_weeks, dtype=int), week, side="left")
    return np.where(found < len(layout.need_weeks), found, NONE)


def fixed_pieces(case: PlanningCase, layout: Layout, table: Options, commodity: str = "") -> list[Piece]:
    """Return the (row, per kg, per bag) coefficients of a class's options in the fixed rows; row -1 = none.

    `commodity` of the class gives the price at which a lender takes stored grain as security.
    """
    start, zero, one = layout.row_starts, np.zeros(len(table)), np.ones(len(table))
    pieces: list[Piece] = []
    for step in range(4):
        days = np.clip(table.days - 7.0 * step, 0.0, 7.0)
        row = start["floor"] + table.setup * (layout.weeks + 8) + table.start_week + step
        pieces.append((np.where((table.setup >= 0) & (days > 0), row, NONE), days * table.floor_kg, zero))
    stored = table.storage >= 0
    base = start["stock"] + table.storage * layout.weeks
    pieces.append((np.where(stored, base + table.ready_week, NONE), zero, -one))
    pieces.append((np.where(stored, base + table.sale_week, NONE), zero, one))
    sold = table.buyer >= 0
    place = table.buyer * layout.weeks + table.sale_week
    by_road = sold & np.array([who.distance_km > 0 for who in case.buyers])[table.buyer]
    limited = sold & np.array([who.weekly_kg is not None for who in case.buyers])[table.buyer]
    capped = sold & np.array([who.quantity_kg is not None for who in case.buyers])[table.buyer]
    least = sold & np.array([who.minimum_kg > 0 for who in case.buyers])[table.buyer]
    owed = sold & np.array([who.promised_kg > 0 for who in case.buyers])[table.buyer]
    pieces.append((np.where(by_road, start["truck"] + place, NONE), table.kept_kg, zero))
    pieces.append((np.where(limited, start["soft"] + place, NONE), table.kept_kg, zero))
    pieces.append((np.where(capped, start["quantity"] + table.buyer, NONE), table.kept_kg, zero))
    pieces.append((np.where(least, start["least"] + place, NONE), -table.kept_kg, zero))
    pieces.append((np.where(least, start["most"] + place, NONE), table.kept_kg, zero))
    pieces.append((np.where(owed, start["promise"] + table.buyer, NONE), -table.kept_kg, zero))
    if layout.loans and case.credit is not None:
        now = next((price.price_now for price in case.prices if price.commodity == commodity), 0.0)
        lent = case.credit.loan_share * now * table.kept_kg
        pledged = stored & sold
        pieces.append((np.where(pledged, start["headroom"] + table.ready_week, NONE), -lent, zero))
        pieces.append((np.where(pledged, start["headroom"] + table.sale_week, NONE), lent, zero))
    reserve = table.reserve >= 0
    pieces.append((np.where(reserve, start["reserve"] + table.reserve, NONE), -table.kept_kg, zero))
    pieces.append((np.where(reserve, start["reserve_top"] + table.reserve, NONE), table.kept_kg, zero))
    return pieces


def weighted_receipts(table: Options, weights: np.ndarray) -> np.ndarray:
    """Return receipts per kg averaged over scenarios with `weights` (scenarios,) that sum to 1; (options,)."""
    return (table.receipts_kg @ weights.astype(np.float32)).astype(float)


def cash_pieces(layout: Layout, table: Options, mean_receipts: np.ndarray, first_row: int) -> list[Piece]:
    """Return an option's entries in one cash view (a weighting of scenarios) whose rows for one account begin at `first_row`."""
    zero = np.zeros(len(table))
    receipts = np.where(table.reserve >= 0, 0.0, mean_receipts)
    paid, begun, left = (interval_of(layout, week) for week in (table.pay_week, table.start_week, table.sale_week))
    return [
        (np.where(paid >= 0, first_row + paid, NONE), -receipts, zero),
        (np.where(begun >= 0, first_row + begun, NONE), table.upfront_kg, table.upfront_bag),
        (np.where(left >= 0, first_row + left, NONE), zero, table.later_bag),
    ]


def tail_pieces(case: PlanningCase, table: Options, mean_receipts: np.ndarray, row: int) -> list[Piece]:
    """Return an option's entry in one cut of the tail mean: theta <= mean over a tenth of the scenarios."""
    per_kg, per_bag = parts_of_value(case, table, mean_receipts)
    return [(np.full(len(table), row), -per_kg, per_bag)]


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


def _loan_terms(case: PlanningCase, layout: Layout, first: int) -> tuple[float, np.ndarray, np.ndarray]:
    """Return the fee, what a unit borrowed costs to repay by pair of weeks, and the pairs' variables (which begin at `first`)."""
    by_length = np.array([loan_unit_owed(case, weeks) for weeks in range(case.weeks + 1)])
    taken, repaid = np.array(layout.loans).T
    fee = case.credit.fee_share if case.credit is not None else 0.0
    return fee, by_length[repaid - taken], first + np.arange(len(layout.loans))


def shared_part(
    case: PlanningCase, outlook: Outlook, layout: Layout, cuts: list[np.ndarray], views: list[np.ndarray]
) -> tuple[
    list[np.ndarray],
    list[np.ndarray],
    list[np.ndarray],
    np.ndarray,
    np.ndarray,
    np.ndarray,
    np.ndarray,
    np.ndarray,
    np.ndarray,
]:
    """Return triplets (rows, columns, values), row limits, variable limits, cost and integrality of everything but the options.

    Row order: fixed rows, cash views (view, account, date), tail cuts. Variable order: fixed families, then cash
    balances of the views.
    """
    rs, vs = layout.row_starts, layout.variable_starts
    dates, accounts = len(layout.need_weeks), len(layout.accounts)
    weeks, methods, buyers = layout.weeks, layout.methods, layout.buyers
    rows_total = rs["end"] + len(views) * accounts * dates + len(cuts)
    variables = vs["end"] + len(views) * accounts * dates
    lower, upper = np.full(rows_total, -np.inf), np.zeros(rows_total)
    low, high = np.zeros(variables), np.full(variables, np.inf)
    cost, whole = np.zeros(variables), np.zeros(variables)
    r: list[np.ndarray] = []
    c: list[np.ndarray] = []
    v: list[np.ndarray] = []

    def put(rows: Any, columns: Any, values: Any) -> None:
        one, two, three = np.broadcast_arrays(np.asarray(rows), np.asarray(columns), np.asarray(values, dtype=float))
        r.append(one.ravel())
        c.append(two.ravel())
        v.append(three.ravel())

    upper[rs["lot"] : rs["floor"]] = [lot.bags for lot in case.lots]
    for number, choice in enumerate(case.drying):
        begin = rs["floor"] + number * (weeks + 8)
        upper[begin : begin + weeks + 8] = 7.0 * choice.capacity_kg
    week = np.arange(weeks)
    for number, storage in enumerate(case.storage):
        stock_rows, stock = rs["stock"] + number * weeks + week, vs["stock"] + number * weeks + week
        lower[stock_rows] = 0.0
        put(stock_rows, stock, 1.0)
        put(stock_rows[1:], stock[:-1], -1.0)
        bag_rows = rs["bags"] + number * weeks + week
        upper[bag_rows] = storage.owned_bags
        put(bag_rows, stock, 1.0)
        put(bag_rows, vs["bought"] + number, -1.0)
        high[vs["bought"] + number] = storage.buyable_bags
        cost[vs["bought"] + number] = storage.cost_per_bag
        whole[vs["bought"] + number] = 1
        put(rs["store"] + week, stock, 1.0)
    upper[rs["store"] : rs["store"] + weeks] = np.inf if case.store_bags is None else case.store_bags
    lost = excess_price(case, outlook)
    cost[vs["excess"] : vs["excess"] + buyers * weeks] = lost.ravel()
    for number, who in enumerate(case.buyers):
        place = number * weeks + week
        if who.distance_km > 0:
            put(rs["truck"] + place, vs["trips"] + place, -case.truck.capacity_kg)
            put(rs["trips"] + week, vs["trips"] + place, 1.0)
            cost[vs["trips"] + place] = trip_cost(case, number) * case.discount(week)
            whole[vs["trips"] + place] = 1
        else:
            high[vs["trips"] + place] = 0
            upper[rs["truck"] + place] = np.inf
        high[vs["trips"] + place] = np.minimum(high[vs["trips"] + place], case.truck.trips_per_week)
        upper[rs["soft"] + place] = np.inf if who.weekly_kg is None else who.weekly_kg
        put(rs["soft"] + place, vs["excess"] + place, -1.0)
        upper[rs["quantity"] + number] = np.inf if who.quantity_kg is None else who.quantity_kg
        if who.promised_kg > 0:
            upper[rs["promise"] + number] = -who.promised_kg
            put(rs["promise"] + number, vs["owing"] + number, -1.0)
            cost[vs["owing"] + number] = SHORT_PENALTY * promise_price(case, who)
        else:
            high[vs["owing"] + number] = 0
        if who.minimum_kg > 0:
            whole[vs["open"] + place] = 1
            high[vs["open"] + place] = 1
            put(rs["least"] + place, vs["open"] + place, who.minimum_kg)
            most = who.quantity_kg or sum(lot.bags * lot.bag_mass_kg for lot in case.lots)
            put(rs["most"] + place, vs["open"] + place, -most)
        else:
            high[vs["open"] + place] = 0
    upper[rs["trips"] : rs["trips"] + weeks] = case.truck.trips_per_week
    if layout.loans:
        taken, repaid = np.array(layout.loans).T
        fee, owed, loan = _loan_terms(case, layout, vs["loans"])
        # what the grain in store secures, less what is borrowed on it, carried from week to week
        lower[rs["headroom"] : rs["headroom"] + weeks] = 0.0
        put(rs["headroom"] + week, vs["headroom"] + week, 1.0)
        put(rs["headroom"] + week[1:], vs["headroom"] + week[:-1], -1.0)
        put(rs["headroom"] + taken, loan, 1.0)
        put(rs["headroom"] + repaid, loan, -1.0)
        cost[loan] = owed * case.discount(repaid) - (1.0 - fee) * case.discount(taken)
    largest = max((lot.bag_mass_kg for lot in case.lots), default=0.0)
    for number, reserve in enumerate(case.reserves):
        upper[rs["reserve"] + number], upper[rs["reserve_top"] + number] = -reserve.kg, reserve.kg + 2.0 * largest
        put(rs["reserve"] + number, vs["lacking"] + number, -1.0)
        cost[vs["lacking"] + number] = SHORT_PENALTY * reserve.value_per_kg
    if accounts * dates:
        short = vs["short"] + np.arange(accounts * dates)
        cost[short] = SHORT_PENALTY
        needs = needs_by_account(case, layout)
        purchase = interval_of(layout, np.zeros(1, dtype=int))[0]
        trip_interval = interval_of(layout, week)
        for view in range(len(views)):
            for account in range(accounts):
                begin = rs["end"] + (view * accounts + account) * dates
                balance = vs["end"] + (view * accounts + account) * dates
                for date in range(dates):
                    put(begin + date, balance + date, 1.0)
                    if date:
                        put(begin + date, balance + date - 1, -1.0)
                    put(begin + date, vs["short"] + account * dates + date, -1.0)
                    limit = (case.cash_now if date == 0 and account == 0 else 0.0) - needs[account, date]
                    lower[begin + date] = upper[begin + date] = limit
                if account:
                    continue  # shared costs are the group's, not a member's
                put(
                    begin + purchase,
                    vs["bought"] + np.arange(methods),
                    [storage.cost_per_bag for storage in case.storage],
                )
                if layout.loans:
                    for at, flow in ((taken, fee - 1.0), (repaid, owed)):
                        inside = np.flatnonzero(trip_interval[at] >= 0)
                        put(begin + trip_interval[at[inside]], loan[inside], np.broadcast_to(flow, len(loan))[inside])
                served = np.flatnonzero(trip_interval >= 0)
                for number in range(buyers):
                    if case.buyers[number].distance_km > 0 and len(served):
                        put(
                            begin + trip_interval[served],
                            vs["trips"] + number * weeks + served,
                            trip_cost(case, number),
                        )
    tail = vs["tail"]
    low[tail] = -np.inf if cuts else 0.0
    high[tail] = np.inf if cuts else 0.0
    cost[tail] = -case.risk_weight
    first_cut = rs["end"] + len(views) * accounts * dates
    shared_cost = cost.copy()
    shared_cost[tail] = 0.0
    shared_cost[vs["short"] : vs["tail"]] = 0.0
    paid = np.flatnonzero(shared_cost)
    for number in range(len(cuts)):
        put(first_cut + number, tail, 1.0)
        put(np.full(len(paid), first_cut + number), paid, shared_cost[paid])
    return r, c, v, lower, upper, low, high, cost, whole


@dataclass(frozen=True)
class Columns:
    """The (lot, option) pairs that are in the programme."""

    lot: np.ndarray
    option: np.ndarray


def column_triplets(
    outlook: Outlook, pieces: list[list[Piece]], member_pieces: list[dict[int, list[Piece]]], columns: Columns
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return (rows, column numbers from 0, values) of the chosen pairs: the lot's own row and every piece of its class and member."""
    case = outlook.case
    mass = np.array([lot.bag_mass_kg for lot in case.lots])
    rows, numbers, values = [columns.lot], [np.arange(len(columns.lot))], [np.ones(len(columns.lot))]
    owner_class = outlook.lot_class[columns.lot] if len(columns.lot) else np.zeros(0, dtype=int)
    for number in np.unique(owner_class):
        inside = np.flatnonzero(owner_class == number)
        option = columns.option[inside]
        for row, per_kg, per_bag in pieces[int(number)]:
            there = row[option] >= 0
            if there.any():
                rows.append(row[option][there])
                numbers.append(inside[there])
                values.append(per_kg[option][there] * mass[columns.lot[inside]][there] + per_bag[option][there])
    for at, lot in enumerate(columns.lot):
        for row, per_kg, per_bag in member_pieces[int(outlook.lot_class[lot])].get(int(lot), []):
            if row[columns.option[at]] >= 0:
                rows.append(row[[columns.option[at]]])
                numbers.append(np.array([at]))
                values.append(np.array([per_kg[columns.option[at]] * mass[lot] + per_bag[columns.option[at]]]))
    return np.concatenate(rows), np.concatenate(numbers), np.concatenate(values)
