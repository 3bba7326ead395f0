"""An allocation of bags to options: what it needs of the group's limits, what it is worth, and how to fill one greedily."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from core.accounts.finance import interest_on
from core.planning.case import WEEKS_PER_MONTH, PlanningCase
from core.planning.model import excess_price, make_layout, needs_by_account, trip_cost
from core.planning.outlook import Outlook, bag_values, mean_values


@dataclass(frozen=True)
class Allocation:
    """Bags by (lot, option): three arrays of one length, with the trips (buyers, weeks) and bags bought (methods) that it takes.

    `loans` are taken on the grain in store: (week taken, week repaid, money).
    """

    lot: np.ndarray
    option: np.ndarray
    bags: np.ndarray
    trips: np.ndarray
    bought: np.ndarray
    loans: tuple[tuple[int, int, float], ...] = ()


@dataclass(frozen=True)
class Use:
    """What an allocation takes of each limit.

    Kg-days of floor (setups, weeks + 8), stock in bags (methods, weeks), kg to buyers (buyers, weeks), bags by lot
    (lots,), kg by reserve
    (reserves,).
    """

    floor: np.ndarray
    stock: np.ndarray
    kg: np.ndarray
    bags: np.ndarray
    reserve_kg: np.ndarray


def use_of(outlook: Outlook, lot: np.ndarray, option: np.ndarray, bags: np.ndarray) -> Use:
    """Return what bags by (lot, option) take of each limit."""
    case = outlook.case
    floor = np.zeros((len(case.drying), case.weeks + 8))
    change = np.zeros((len(case.storage), case.weeks + 1))
    kg = np.zeros((len(case.buyers), case.weeks))
    used, reserve = np.zeros(len(case.lots)), np.zeros(len(case.reserves))
    mass = np.array([item.bag_mass_kg for item in case.lots])
    for number in np.unique(outlook.lot_class[lot]) if len(lot) else []:
        inside = np.flatnonzero(outlook.lot_class[lot] == number)
        table, chosen = outlook.classes[int(number)], option[inside]
        count, put_in = bags[inside], bags[inside] * mass[lot[inside]]
        for step in range(4):
            days = np.clip(table.days[chosen] - 7.0 * step, 0.0, 7.0)
            dried = (table.setup[chosen] >= 0) & (days > 0)
            spread = days * put_in * table.floor_kg[chosen]
            np.add.at(floor, (table.setup[chosen][dried], table.start_week[chosen][dried] + step), spread[dried])
        stored = table.storage[chosen] >= 0
        np.add.at(change, (table.storage[chosen][stored], table.ready_week[chosen][stored]), count[stored])
        np.add.at(change, (table.storage[chosen][stored], table.sale_week[chosen][stored]), -count[stored])
        sold, kept = table.buyer[chosen] >= 0, table.kept_kg[chosen] * put_in
        np.add.at(kg, (table.buyer[chosen][sold], table.sale_week[chosen][sold]), kept[sold])
        np.add.at(reserve, table.reserve[chosen][~sold], kept[~sold])
        np.add.at(used, lot[inside], count)
    return Use(floor, np.cumsum(change, axis=1)[:, : case.weeks], kg, used, reserve)


def complete(outlook: Outlook, lot: np.ndarray, option: np.ndarray, bags: np.ndarray) -> Allocation:
    """Return an allocation with the fewest trips and purchases that carry it, and the loans on its stored grain that serve it best."""
    case = outlook.case
    keep = bags > 0
    lot, option, bags = lot[keep], option[keep], bags[keep]
    use = use_of(outlook, lot, option, bags)
    by_road = np.array([who.distance_km > 0 for who in case.buyers])[:, None]
    trips = np.where(by_road, np.ceil(use.kg / case.truck.capacity_kg - 1e-7), 0).astype(int)
    peak = use.stock.max(axis=1, initial=0.0)
    owned = np.array([storage.owned_bags for storage in case.storage])
    made = Allocation(lot, option, bags, trips, np.maximum(0, np.ceil(peak - owned - 1e-7)).astype(int))
    if case.credit is None:
        return made
    from core.planning.credit import best_loans

    return replace(made, loans=best_loans(outlook, lot, option, bags, account_balances(outlook, made)))


def broken_limits(outlook: Outlook, allocation: Allocation) -> list[str]:
    """Return the names of limits that an allocation breaks (empty = feasible): a check apart from the optimiser."""
    case, use = outlook.case, use_of(outlook, allocation.lot, allocation.option, allocation.bags)
    broken = []
    if (allocation.bags < 0).any() or (np.abs(allocation.bags - np.round(allocation.bags)) > 1e-9).any():
        broken.append("whole bags")
    if (use.bags > np.array([lot.bags for lot in case.lots]) + 1e-6).any():
        broken.append("bags of a lot")
    room = 7.0 * np.array([choice.capacity_kg for choice in case.drying])[:, None]
    if (use.floor > room * (1 + 1e-6) + 1e-6).any():
        broken.append("drying space")
    limit = np.array([storage.owned_bags for storage in case.storage]) + allocation.bought
    if (use.stock > limit[:, None] + 1e-6).any() or (
        allocation.bought > np.array([storage.buyable_bags for storage in case.storage])
    ).any():
        broken.append("storage bags")
    if case.store_bags is not None and (use.stock.sum(axis=0) > case.store_bags + 1e-6).any():
        broken.append("store room")
    by_road = np.array([who.distance_km > 0 for who in case.buyers])
    if (use.kg[by_road] > allocation.trips[by_road] * case.truck.capacity_kg + 1e-3).any() or (
        allocation.trips.sum(axis=0) > case.truck.trips_per_week
    ).any():
        broken.append("truck")
    for number, who in enumerate(case.buyers):
        if who.quantity_kg is not None and use.kg[number].sum() > who.quantity_kg + 1e-3:
            broken.append("offer quantity")
        some = use.kg[number] > 1e-6
        if who.minimum_kg > 0 and (use.kg[number][some] < who.minimum_kg - 1e-3).any():
            broken.append("least sale")
    if allocation.loans:
        from core.planning.credit import breaks_terms

        if breaks_terms(outlook, allocation):
            broken.append("loan on stored grain")
    return broken


@dataclass(frozen=True)
class Worth:
    """What an allocation brings in each scenario.

    `value` (scenarios,): value today after all costs; `cash_week` (weeks + 40, scenarios): money in less money out by
    week, needs not taken off;
    `missed` (needs dates, scenarios): group needs not covered by sales up to their date.
    """

    value: np.ndarray
    cash_week: np.ndarray
    missed: np.ndarray

    @property
    def mean(self) -> float:
        """Return the mean value over scenarios [money]."""
        return float(self.value.mean())

    @property
    def worst_tenth_mean(self) -> float:
        """Return the mean of the worst tenth of scenarios [money]."""
        return tail_mean(self.value, 0.1)


def tail_size(scenarios: int, share: float) -> int:
    """Return how many scenarios make up the worst `share` (at least one)."""
    return max(1, int(np.ceil(share * scenarios - 1e-9)))


def tail_mean(values: np.ndarray, share: float) -> float:
    """Return the mean of the lowest `share` of values."""
    size = tail_size(len(values), share)
    return float(np.partition(values, size - 1)[:size].mean())


def tail_weights(values: np.ndarray, share: float) -> np.ndarray:
    """Return weights (scenarios,) that are alike on the worst `share` and 0 elsewhere (ties broken by number)."""
    size = tail_size(len(values), share)
    weights = np.zeros(len(values))
    weights[np.argsort(values, kind="stable")[:size]] = 1.0 / size
    return weights


def cash_by_week(outlook: Outlook, allocation: Allocation, owners: Iterable[str] | None = None) -> np.ndarray:
    """Return money in less money out by plan week and scenario, (weeks + 40, scenarios).

    Trips and purchases only for the whole group.
    """
    case = outlook.case
    cash = np.zeros((case.weeks + 40, case.scenarios))
    wanted = None if owners is None else set(owners)
    for lot, option, bags in zip(allocation.lot, allocation.option, allocation.bags, strict=True):
        item, table = case.lots[lot], outlook.options(lot)
        if wanted is not None and item.owner not in wanted:
            continue
        if table.reserve[option] < 0:
            cash[table.pay_week[option]] += bags * item.bag_mass_kg * table.receipts_kg[option]
        cash[table.start_week[option]] -= bags * (
            item.bag_mass_kg * table.upfront_kg[option] + table.upfront_bag[option]
        )
        cash[table.sale_week[option]] -= bags * table.later_bag[option]
    if wanted is None:
        cash[0] -= sum(
            count * storage.cost_per_bag for count, storage in zip(allocation.bought, case.storage, strict=True)
        )
        for buyer in range(len(case.buyers)):
            cash[: case.weeks] -= (allocation.trips[buyer] * trip_cost(case, buyer))[:, None]
        if allocation.loans:
            from core.planning.credit import loan_cash

            cash[: case.weeks] += loan_cash(case, allocation.loans)[:, None]
    return cash


def evaluate(outlook: Outlook, allocation: Allocation) -> Worth:
    """Return what an allocation brings in the scenarios of an outlook.

    Needs that sales do not cover by their date are borrowed at the case's emergency interest until later sales pay it
    back; that interest
    is taken off the value. Grain beyond a buyer's weekly quantity sells lower.
    """
    case = outlook.case
    value = np.zeros(case.scenarios)
    for number in np.unique(outlook.lot_class[allocation.lot]) if len(allocation.lot) else []:
        inside = np.flatnonzero(outlook.lot_class[allocation.lot] == number)
        table = outlook.classes[int(number)]
        chosen, count = allocation.option[inside], allocation.bags[inside].astype(float)
        mass = count * np.array([case.lots[lot].bag_mass_kg for lot in allocation.lot[inside]])
        unit, per_bag = bag_values(case, table, 1.0, chosen), bag_values(case, table, 0.0, chosen)
        value += mass @ (unit - per_bag) + count @ per_bag
    use = use_of(outlook, allocation.lot, allocation.option, allocation.bags)
    for buyer, who in enumerate(case.buyers):
        value -= float((allocation.trips[buyer] * trip_cost(case, buyer) * case.discount(np.arange(case.weeks))).sum())
        if who.weekly_kg is not None:
            value -= float((np.maximum(use.kg[buyer] - who.weekly_kg, 0.0) * excess_price(case, outlook)[buyer]).sum())
    value -= sum(count * storage.cost_per_bag for count, storage in zip(allocation.bought, case.storage, strict=True))
    if allocation.loans:
        from core.planning.credit import loan_value

        value += loan_value(case, allocation.loans)
    cash = cash_by_week(outlook, allocation)
    layout = make_layout(case)
    missed = np.zeros((len(layout.need_weeks), case.scenarios))
    if layout.need_weeks:
        needs = needs_by_account(case, layout)[0]
        balance, debt = np.full(case.scenarios, case.cash_now), np.zeros(case.scenarios)
        weekly = interest_on(case.emergency_interest_monthly, 1.0 / WEEKS_PER_MONTH)
        for week in range(len(cash)):
            interest = debt * weekly
            value -= case.discount(week) * interest
            balance = balance + cash[week] - interest
            if week in layout.need_weeks:
                number = layout.need_weeks.index(week)
                balance = balance - needs[number]
                missed[number] = np.maximum(0.0, -balance) - np.maximum(
                    0.0, np.minimum(-balance - needs[number], -balance)
                )
            if week >= layout.need_weeks[0]:
                debt = np.maximum(0.0, -balance)
    return Worth(value, cash, np.maximum(missed, 0.0))


def account_balances(outlook: Outlook, allocation: Allocation) -> np.ndarray:
    """Return the group's balance at each need date after paying it, (dates, scenarios), as the optimiser counts it (no borrowing)."""
    case, layout = outlook.case, make_layout(outlook.case)
    cash = np.cumsum(cash_by_week(outlook, allocation), axis=0)
    needs = np.cumsum(needs_by_account(case, layout)[0])
    return np.array(
        [case.cash_now + cash[week] - needs[number] for number, week in enumerate(layout.need_weeks)]
    ).reshape(-1, case.scenarios)


class Ledger:
    """Running account of what is still free of every limit while bags are placed one choice after another."""

    def __init__(self, outlook: Outlook) -> None:
        case = outlook.case
        self.outlook, self.case = outlook, case
        self.floor = np.tile(
            7.0 * np.array([choice.capacity_kg for choice in case.drying]).reshape(-1, 1), (1, case.weeks + 8)
        )
        self.free_bags = np.tile(
            np.array([item.owned_bags + item.buyable_bags for item in case.storage]).reshape(-1, 1), (1, case.weeks)
        )
        self.free_store = np.full(case.weeks, np.inf if case.store_bags is None else float(case.store_bags))
        self.kg = np.zeros((len(case.buyers), case.weeks))
        self.left = np.array([lot.bags for lot in case.lots])
        self.quantity = np.array([np.inf if who.quantity_kg is None else who.quantity_kg for who in case.buyers])
        self.reserve = np.array([reserve.kg for reserve in case.reserves])
        self.closed: set[tuple[int, int]] = set()
        self.soft = True
        self.taken: dict[tuple[int, int], int] = {}

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
            free = self.quantity[buyer] - self.kg[buyer].sum() if np.isfinite(self.quantity[buyer]) else np.inf
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
            for step in range(4):
                days = min(max(table.days[option] - 7.0 * step, 0.0), 7.0) * float(table.floor_kg[option])
                if days > 0:
                    count = min(
                        count, int(np.floor(self.floor[setup, table.start_week[option] + step] / (days * mass) + 1e-9))
                    )
        if storage >= 0 and week > table.ready_week[option]:
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
            for step in range(4):
                self.floor[setup, table.start_week[option] + step] -= (
                    min(max(table.days[option] - 7.0 * step, 0.0), 7.0) * float(table.floor_kg[option]) * mass * count
                )
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
    Sales below a
    buyer's minimum are taken back and placed again elsewhere, until none is left.
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
    """Serve what is promised from the lots that lose least by it, then keep back home use and seed from the lots that keep best.

    A lot keeps best that has most mass left at the end of the reserve.
    """
    outlook, case = ledger.outlook, ledger.case
    for number, who in enumerate(case.buyers):
        if who.promised_kg > 0:
            _place_promise(ledger, number)
    for number in range(len(case.reserves)):
        choices = []
        best_of: dict[int, int] = {}
        for place, table in enumerate(outlook.classes):
            kept = np.flatnonzero(table.reserve == number)
            if len(kept):
                best_of[place] = int(kept[np.argmax(table.kept_kg[kept])])
        for lot in range(len(case.lots)):
            place = int(outlook.lot_class[lot])
            if place in best_of:
                choices.append((-float(outlook.classes[place].kept_kg[best_of[place]]), lot, best_of[place]))
        for _, lot, option in sorted(choices):
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


def trip_share(case: PlanningCase) -> np.ndarray:
    """Return the cost of a full trip per kg carried, by buyer [money per kg]."""
    return np.array([trip_cost(case, buyer) / case.truck.capacity_kg for buyer in range(len(case.buyers))])


__all__ = [
    "Allocation",
    "Ledger",
    "Use",
    "Worth",
    "account_balances",
    "broken_limits",
    "cash_by_week",
    "complete",
    "evaluate",
    "fill",
    "place_reserves",
    "tail_mean",
    "tail_size",
    "tail_weights",
    "trip_share",
    "use_of",
]
