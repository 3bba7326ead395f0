"""Placing bags one choice after another under the group's limits: a feasible plan without a solver."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from core.planning.allocation import Allocation
from core.planning.layout import OVER_WEEKS, make_layout, needs_by_account
from core.planning.model import DRYING_WEEKS
from core.planning.outlook import Outlook, mean_values, net_values
from core.planning.schedule import booked_days, floor_room
from core.planning.worth import complete, spread_of


class Ledger:
    """Running account of what is still free of every limit while bags are placed one choice after another."""

    def __init__(self, outlook: Outlook, spaces_bought: frozenset[int] = frozenset()) -> None:
        case = outlook.case
        self.outlook, self.case = outlook, case
        open_ = [choice.price <= 0 or number in spaces_bought for number, choice in enumerate(case.drying)]
        self.floor = floor_room(case, case.weeks + OVER_WEEKS) * np.array(open_, dtype=float).reshape(-1, 1)
        self.free_bags = np.tile(
            np.array([item.owned_bags + item.buyable_units * item.bags_per_unit for item in case.storage]).reshape(
                -1, 1
            ),
            (1, case.weeks),
        )
        self.free_store = np.full(case.weeks, np.inf if case.store_bags is None else float(case.store_bags))
        self.kg = np.zeros((len(case.buyers), case.weeks))
        self.left = np.array([lot.bags for lot in case.lots])
        self.quantity = np.array([np.inf if who.quantity_kg is None else who.quantity_kg for who in case.buyers])
        self.reserve = np.array([reserve.kg for reserve in case.reserves])
        self.closed: set[tuple[int, int]] = set()
        self.soft = True
        self.taken: dict[tuple[int, int], int] = {}
        self.by_class: dict[int, np.ndarray] = {}

    def _booked(self, lot: int) -> np.ndarray:
        """Return the kg-days that a kg of each option of a lot books, (options, weeks since drying began)."""
        number = int(self.outlook.lot_class[lot])
        if number not in self.by_class:
            table = self.outlook.classes[number]
            days = [
                booked_days(self.case, table.days, table.start_week, table.ready_week, step)
                for step in range(DRYING_WEEKS)
            ]
            self.by_class[number] = np.stack(days, axis=1) * table.floor_kg[:, None]
        return self.by_class[number]

    def room(self, lot: int, option: int, wanted: int) -> int:
        """Return how many of `wanted` bags of a lot fit an option."""
        case, table = self.case, self.outlook.options(lot)
        mass, count = case.lots[lot].bag_mass_kg, min(wanted, int(self.left[lot]))
        buyer, week, kept = (
            int(table.buyer[option]),
            int(table.sale_week[option]),
            max(float(table.kept_kg[option]), 1e-9),
        )
        if count <= 0:
            return 0
        if buyer >= 0:
            who = case.buyers[buyer]
            if (buyer, week) in self.closed:
                return 0
            free = self.quantity[buyer] - self.kg[buyer].sum()
            if self.soft and who.weekly_kg is not None:
                free = min(free, who.weekly_kg - self.kg[buyer, week])
            if who.distance_km > 0:
                others = sum(
                    np.ceil(self.kg[number, week] / case.truck.capacity_kg - 1e-9)
                    for number in range(len(case.buyers))
                    if number != buyer and case.buyers[number].distance_km > 0
                )
                free = min(free, (case.truck.trips_per_week - others) * case.truck.capacity_kg - self.kg[buyer, week])
            if np.isfinite(free):
                count = min(count, int(np.floor(free / (mass * kept) + 1e-9)))
        else:
            count = min(count, int(np.ceil(self.reserve[table.reserve[option]] / (mass * kept) - 1e-9)))
        if count <= 0:
            return 0
        setup, storage = int(table.setup[option]), int(table.storage[option])
        if setup >= 0:
            room = self.floor[setup, table.start_week[option] :][:DRYING_WEEKS]
            booked = self._booked(lot)[option] * mass
            there = booked > 0
            count = min(count, int(np.floor((room[there] / booked[there]).min() + 1e-9)))
        if storage >= 0:
            span = slice(int(table.ready_week[option]), week)
            count = min(count, int(self.free_bags[storage, span].min()), int(min(self.free_store[span].min(), 1e9)))
        return max(count, 0)

    def take(self, lot: int, option: int, wanted: int) -> int:
        """Place up to `wanted` bags of a lot on an option; return how many were placed."""
        count = self.room(lot, option, wanted)
        if count:
            self._move(lot, option, count)
        return count

    def _move(self, lot: int, option: int, count: int) -> None:
        table, mass = self.outlook.options(lot), self.case.lots[lot].bag_mass_kg
        buyer, week = int(table.buyer[option]), int(table.sale_week[option])
        kept = float(table.kept_kg[option]) * mass * count
        if buyer >= 0:
            self.kg[buyer, week] += kept
        else:
            self.reserve[table.reserve[option]] -= kept
        setup, storage = int(table.setup[option]), int(table.storage[option])
        if setup >= 0:
            room = self.floor[setup, table.start_week[option] :][:DRYING_WEEKS]
            room -= self._booked(lot)[option] * mass * count
        if storage >= 0:
            span = slice(int(table.ready_week[option]), week)
            self.free_bags[storage, span] -= count
            self.free_store[span] -= count
        self.left[lot] -= count
        self.taken[lot, option] = self.taken.get((lot, option), 0) + count

    def close_small_sales(self) -> bool:
        """Take back sales that stay below a buyer's minimum and close those weeks.

        Return whether any was taken back.
        """
        small = {
            (buyer, week)
            for buyer, who in enumerate(self.case.buyers)
            if who.minimum_kg > 0
            for week in np.flatnonzero((self.kg[buyer] > 1e-6) & (self.kg[buyer] < who.minimum_kg - 1e-6)).tolist()
        }
        for (lot, option), count in list(self.taken.items()):
            table = self.outlook.options(lot)
            if (int(table.buyer[option]), int(table.sale_week[option])) in small:
                self._move(lot, option, -count)
                del self.taken[lot, option]
        self.closed |= small
        return bool(small)

    def allocation(self) -> Allocation:
        """Return what has been placed as an allocation."""
        pairs = sorted(key for key, count in self.taken.items() if count > 0)
        lot, option = np.array([key[0] for key in pairs], dtype=int), np.array([key[1] for key in pairs], dtype=int)
        return complete(self.outlook, lot, option, np.array([self.taken[key] for key in pairs], dtype=int))


def fill(ledger: Ledger, orders: dict[int, np.ndarray], sequence: Iterable[int] | None = None) -> None:
    """Place each lot's remaining bags on the first options of its order that have room, lot after lot.

    Lots that share one order array (lots of a class) skip what was found full by an earlier one: limits only fill up.
    Sales below a buyer's minimum are taken back and placed again elsewhere, until none is left.
    """
    lots = list(orders) if sequence is None else list(sequence)
    for _ in range(6):
        open_options: dict[int, list[int]] = {}
        for lot in lots:
            if ledger.left[lot] <= 0:
                continue
            key = id(orders[lot])
            still = open_options.get(key)
            if still is None:
                still = [int(option) for option in orders[lot]]
            full = 0
            for option in still:
                if ledger.left[lot] <= 0:
                    break
                wanted = int(ledger.left[lot])
                # an option that does not take all that is wanted has no room for a further bag
                if ledger.take(lot, option, wanted) < wanted:
                    full += 1
            open_options[key] = still[full:]
        if not ledger.close_small_sales():
            return
    # the last round may have left a small sale behind
    ledger.close_small_sales()


def place_reserves(ledger: Ledger) -> None:
    """Serve what is promised from the lots that lose least by it.

    Then keep back home use and seed from the lots that keep best.

    A lot keeps best that has most mass left at the end of the reserve.
    """
    outlook, case = ledger.outlook, ledger.case
    for number, who in enumerate(case.buyers):
        if who.promised_kg > 0:
            _place_promise(ledger, number)
    for number in range(len(case.reserves)):
        choices: list[tuple[bool, float, int, int]] = []
        best_of: dict[int, int] = {}
        for place, table in enumerate(outlook.classes):
            kept = np.flatnonzero(table.reserve == number)
            if len(kept):
                best_of[place] = int(kept[np.argmax(table.kept_kg[kept])])
        for lot in range(len(case.lots)):
            place = int(outlook.lot_class[lot])
            if place in best_of:
                other_use = case.lots[lot].use != "seed" and case.reserves[number].use == "seed"
                left = float(outlook.classes[place].kept_kg[best_of[place]])
                choices.append((other_use, -left, lot, best_of[place]))
        for _, _, lot, option in sorted(choices):
            if ledger.reserve[number] <= 0:
                break
            ledger.take(lot, option, int(ledger.left[lot]))


def _place_promise(ledger: Ledger, buyer: int) -> None:
    """Deliver what a buyer was promised, from the lots that lose least against their best other sale."""
    outlook, case = ledger.outlook, ledger.case
    choices = []
    for lot, item in enumerate(case.lots):
        table = outlook.options(lot)
        mine = np.flatnonzero(table.buyer == buyer)
        if len(mine):
            per_kg, per_bag = mean_values(case, table)
            value = per_kg - per_bag / item.bag_mass_kg
            best = int(mine[np.argmax(value[mine])])
            other = float(value[table.buyer >= 0].max())
            choices += [
                (other - float(value[option]), lot, int(option))
                for option in mine
                if value[option] >= value[best] - 1e-9
            ]
    for _, lot, option in sorted(choices):
        missing = case.buyers[buyer].promised_kg - float(ledger.kg[buyer].sum())
        if missing <= 1e-6:
            return
        mass = case.lots[lot].bag_mass_kg * max(float(outlook.options(lot).kept_kg[option]), 1e-9)
        ledger.take(lot, option, int(np.ceil(missing / mass - 1e-9)))


def greedy_allocation(outlook: Outlook, mean: list[tuple[np.ndarray, np.ndarray]] | None = None) -> Allocation:
    """Return a feasible allocation by simple placing.

    Reserves first, then cash needs by their dates, then each lot's best free option.
    """
    case = outlook.case
    parts = [mean_values(case, table) for table in outlook.classes] if mean is None else mean
    ledger = Ledger(outlook)
    worth: dict[int, np.ndarray] = {}
    by_class: dict[int, np.ndarray] = {}
    for lot in range(len(case.lots)):
        number = int(outlook.lot_class[lot])
        if number not in by_class:
            by_class[number] = net_values(case, outlook.classes[number], case.lots[lot].bag_mass_kg, parts[number])
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
    return in_time(outlook, ledger.allocation())


def in_time(outlook: Outlook, allocation: Allocation) -> Allocation:
    """Return an allocation whose drying is through when it is needed: bags that would still lie out find another way.

    The limits by week are met already; by the day a few bags may not fit. They are sold as they are, or not at all.
    """
    late: dict[int, int] = {}
    for spread in spread_of(outlook, allocation):
        if spread.last_day > spread.job.ready_by:
            late[spread.job.line] = late.get(spread.job.line, 0) + spread.bags
    if not late:
        return allocation
    ledger = Ledger(outlook, frozenset(np.flatnonzero(np.asarray(allocation.spaces) > 0).tolist()))
    ledger.soft = False
    for line, (lot, option, bags) in enumerate(
        zip(allocation.lot.tolist(), allocation.option.tolist(), allocation.bags.tolist(), strict=True)
    ):
        ledger.take(lot, option, round(bags) - late.get(line, 0))
    for lot in sorted({int(allocation.lot[line]) for line in late}):
        table = outlook.options(lot)
        worth = net_values(outlook.case, table, outlook.case.lots[lot].bag_mass_kg)
        for option in np.argsort(-np.where((table.setup < 0) & (table.buyer >= 0), worth, -np.inf), kind="stable"):
            if ledger.left[lot] <= 0 or table.setup[option] >= 0 or table.buyer[option] < 0 or worth[option] <= 0:
                break
            ledger.take(lot, int(option), int(ledger.left[lot]))
    ledger.close_small_sales()
    return ledger.allocation()
