"""What an allocation is worth in every scenario: its value today, its cash by week, and the limits that it breaks."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from core.accounts.finance import WEEKS_PER_MONTH, interest_on
from core.planning.allocation import Allocation, tail_mean, use_of
from core.planning.case import DAYS_PER_WEEK, LONGEST_DELAY_WEEKS, PlanningCase
from core.planning.credit import best_loans, breaks_terms, loan_cash, loan_value
from core.planning.layout import excess_price, make_layout, needs_by_account
from core.planning.outlook import Outlook, bag_values
from core.planning.schedule import DryingJob, Spread, first_day_of_week, floor_room, late_bags, spread_jobs


def complete(outlook: Outlook, lot: np.ndarray, option: np.ndarray, bags: np.ndarray) -> Allocation:
    """Return an allocation with the fewest trips and purchases that carry it.

    With the loans on its stored grain that serve it best.
    """
    case = outlook.case
    keep = bags > 0
    lot, option, bags = lot[keep], option[keep], bags[keep]
    use = use_of(outlook, lot, option, bags)
    by_road = np.array([who.distance_km > 0 for who in case.buyers])[:, None]
    trips = np.where(by_road, np.ceil(use.kg / case.truck.capacity_kg - 1e-7), 0).astype(int)
    peak = use.stock.max(axis=1, initial=0.0)
    units = [
        max(0, int(np.ceil((top - way.owned_bags) / way.bags_per_unit - 1e-7)))
        for top, way in zip(peak, case.storage, strict=True)
    ]
    spaces = tuple(
        float(way.price > 0 and use.floor[number].max(initial=0.0) > 1e-6) for number, way in enumerate(case.drying)
    )
    made = Allocation(lot, option, bags, trips, np.array(units, dtype=int), spaces=spaces)
    if case.credit is None:
        return made
    return replace(made, loans=best_loans(outlook, lot, option, bags, account_balances(outlook, made)))


def drying_jobs(outlook: Outlook, allocation: Allocation) -> list[DryingJob]:
    """Return what an allocation dries, line by line; lines are numbered as in the allocation."""
    case, jobs = outlook.case, []
    for line, (lot, option, bags) in enumerate(
        zip(allocation.lot.tolist(), allocation.option.tolist(), allocation.bags.tolist(), strict=True)
    ):
        table = outlook.options(lot)
        if table.setup[option] >= 0:
            ready_by = DAYS_PER_WEEK * int(table.ready_week[option]) + DAYS_PER_WEEK - 1
            last_day = case.buyers[table.buyer[option]].last_day if table.buyer[option] >= 0 else None
            if last_day is not None and table.sale_week[option] == table.ready_week[option]:
                ready_by = min(ready_by, last_day)
            jobs.append(
                DryingJob(
                    line=line,
                    space=int(table.setup[option]),
                    bags=round(bags),
                    bag_kg=case.lots[lot].bag_mass_kg * float(table.floor_kg[option]),
                    days=int(np.ceil(max(table.days[option], 1.0))),
                    first_day=first_day_of_week(case, int(table.start_week[option])),
                    ready_by=ready_by,
                )
            )
    return jobs


def spread_of(outlook: Outlook, allocation: Allocation) -> list[Spread]:
    """Return the days on which an allocation's grain goes out to dry, in loads that fit."""
    return spread_jobs(outlook.case, drying_jobs(outlook, allocation))


def broken_limits(outlook: Outlook, allocation: Allocation) -> list[str]:
    """Return the names of limits that an allocation breaks (empty = feasible): a check apart from the optimiser."""
    case, use = outlook.case, use_of(outlook, allocation.lot, allocation.option, allocation.bags)
    broken = []
    if (allocation.bags < 0).any() or (np.abs(allocation.bags - np.round(allocation.bags)) > 1e-9).any():
        broken.append("whole bags")
    if (use.bags > np.array([lot.bags for lot in case.lots]) + 1e-6).any():
        broken.append("bags of a lot")
    here = allocation.spaces or (0.0,) * len(case.drying)
    shares = [share if choice.price > 0 else 1.0 for share, choice in zip(here, case.drying, strict=True)]
    room = floor_room(case, use.floor.shape[1]) * np.array(shares, dtype=float).reshape(-1, 1)
    if (use.floor > room * (1 + 1e-6) + 1e-6).any() or late_bags(spread_of(outlook, allocation)):
        broken.append("drying space")
    limit = np.array(
        [way.owned_bags + way.bags_per_unit * units for way, units in zip(case.storage, allocation.bought, strict=True)]
    )
    most = np.array([storage.buyable_units for storage in case.storage])
    if (use.stock > limit[:, None] + 1e-6).any() or (allocation.bought > most).any():
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
    if allocation.loans and breaks_terms(outlook, allocation):
        broken.append("loan on stored grain")
    return broken


@dataclass(frozen=True)
class Worth:
    """What an allocation brings in each scenario.

    `value` (scenarios,): value today after all costs; `cash_week`, as `cash_by_week` has it: money in less money out by
    week, needs not taken off; `missed` (needs dates, scenarios): group needs not covered by sales up to their date.
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


def cash_by_week(outlook: Outlook, allocation: Allocation) -> np.ndarray:
    """Return money in less money out by week, also after the horizon, (weeks + 1 + LONGEST_DELAY_WEEKS, scenarios)."""
    case = outlook.case
    cash = np.zeros((case.weeks + 1 + LONGEST_DELAY_WEEKS, case.scenarios))
    for lot, option, bags in zip(allocation.lot, allocation.option, allocation.bags, strict=True):
        item, table = case.lots[lot], outlook.options(lot)
        if table.reserve[option] < 0:
            cash[table.pay_week[option]] += bags * item.bag_mass_kg * table.receipts_kg[option]
        cash[table.start_week[option]] -= bags * (
            item.bag_mass_kg * table.upfront_kg[option] + table.upfront_bag[option]
        )
        cash[table.sale_week[option]] -= bags * table.later_bag[option]
    cash[0] -= allocation.purchases(case)
    for buyer in range(len(case.buyers)):
        cash[: case.weeks] -= (allocation.trips[buyer] * case.trip_cost(buyer))[:, None]
    if allocation.loans:
        cash[: case.weeks] += loan_cash(case, allocation.loans)[:, None]
    return cash


def evaluate(outlook: Outlook, allocation: Allocation) -> Worth:
    """Return what an allocation brings in the scenarios of an outlook.

    Needs that sales do not cover by their date are borrowed at the case's emergency interest until later sales pay it
    back; that interest is taken off the value. Grain beyond a buyer's weekly quantity sells lower.
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
        value -= float((allocation.trips[buyer] * case.trip_cost(buyer) * case.discount(np.arange(case.weeks))).sum())
        if who.weekly_kg is not None:
            value -= float((np.maximum(use.kg[buyer] - who.weekly_kg, 0.0) * excess_price(case, outlook)[buyer]).sum())
    value -= allocation.purchases(case)
    if allocation.loans:
        value += loan_value(case, allocation.loans)
    cash = cash_by_week(outlook, allocation)
    interest, missed = borrowed_for_needs(case, cash)
    return Worth(value - interest, cash, missed)


def borrowed_for_needs(case: PlanningCase, cash: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the interest on what needs make the group borrow, (scenarios,) [money today], and what was missed.

    Counted to the end of the weeks looked at; beyond, only on what money still to come pays back, until it comes.

    Parameters
    ----------
    case : PlanningCase
    cash : ndarray
        From `cash_by_week`, in its shape.

    Returns
    -------
    interest, missed : ndarray
        `missed` as in `Worth`.
    """
    layout = make_layout(case)
    missed = np.zeros((len(layout.need_weeks), case.scenarios))
    paid = np.zeros(case.scenarios)
    if layout.need_weeks:
        needs = needs_by_account(case, layout)[0]
        balance, debt = np.full(case.scenarios, case.cash_now), np.zeros(case.scenarios)
        weekly = interest_on(case.emergency_interest_monthly, 1.0 / WEEKS_PER_MONTH)
        to_come = np.maximum(np.cumsum(cash[::-1], axis=0)[::-1], 0.0)
        for week in range(len(cash)):
            # what no sale of the plan will pay back stands at the horizon, whatever happens to it later
            interest = (debt if week < case.weeks else np.minimum(debt, to_come[week])) * weekly
            paid += case.discount(week) * interest
            balance = balance + cash[week] - interest
            if week in layout.need_weeks:
                number = layout.need_weeks.index(week)
                balance = balance - needs[number]
                missed[number] = np.minimum(np.maximum(0.0, -balance), needs[number])
            if week >= layout.need_weeks[0]:
                debt = np.maximum(0.0, -balance)
    return paid, missed


def account_balances(outlook: Outlook, allocation: Allocation) -> np.ndarray:
    """Return the group's balance at each need date after paying it, (dates, scenarios).

    As the optimiser counts it: nothing is borrowed.
    """
    case, layout = outlook.case, make_layout(outlook.case)
    cash = np.cumsum(cash_by_week(outlook, allocation), axis=0)
    needs = np.cumsum(needs_by_account(case, layout)[0])
    return np.array(
        [case.cash_now + cash[week] - needs[number] for number, week in enumerate(layout.need_weeks)]
    ).reshape(-1, case.scenarios)
