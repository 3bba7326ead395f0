"""Borrowing on stored grain (inventory credit).

Bags kept in store secure a loan, so that cash needs are met without selling at harvest.

A loan is taken in one week and repaid in a later one with its interest; while it stands, its principal stays below the
loan share of the value of the grain in store. Its flows are certain: they are owed even where the price has fallen. The
interest comes in once, as the cash paid back, and everything is brought to today at the one cost of money of the case.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from core.accounts.finance import InventoryCredit
from core.planning.allocation import Allocation, tail_mean
from core.planning.case import PlanningCase
from core.planning.layout import SHORT_PENALTY, loan_pairs, loan_unit_owed, make_layout
from core.planning.outlook import Outlook

Loan = tuple[int, int, float]
LEAST_LOAN_SHARE = 1e-6


def credit_terms(facts: Mapping[str, Any]) -> InventoryCredit:
    """Return the terms of a loan on stored grain from the group's facts."""

    def value(key: str) -> float:
        return float(facts[f"inventory_credit.{key}"].value)

    return InventoryCredit(
        value("loan_share"),
        value("interest_monthly"),
        value("fee_share"),
        value("store_fee_kg_month"),
        value("longest_months"),
    )


def lendable(outlook: Outlook, lot: np.ndarray, option: np.ndarray, bags: np.ndarray) -> np.ndarray:
    """Return what a lender gives on the grain in store, by week, (weeks,) [money].

    The loan share of today's market price on the mass that will be left at the sale; grain kept back to eat or sow is
    not pledged.
    """
    case = outlook.case
    change = np.zeros(case.weeks + 1)
    if case.credit is None:
        return change[: case.weeks]
    now = {price.commodity: price.price_now for price in case.prices}
    for one, chosen, count in zip(lot.tolist(), option.tolist(), bags.tolist(), strict=True):
        table, item = outlook.options(one), case.lots[one]
        if table.storage[chosen] >= 0 and table.buyer[chosen] >= 0:
            amount = (
                case.credit.loan_share * now[item.commodity] * item.bag_mass_kg * float(table.kept_kg[chosen]) * count
            )
            change[table.ready_week[chosen]] += amount
            change[table.sale_week[chosen]] -= amount
    return np.cumsum(change)[: case.weeks]


def principal_by_week(case: PlanningCase, loans: tuple[Loan, ...]) -> np.ndarray:
    """Return what is borrowed and not yet repaid, interest apart, by week, (weeks,) [money]."""
    change = np.zeros(case.weeks + 1)
    for taken, repaid, amount in loans:
        change[taken] += amount
        change[repaid] -= amount
    return np.cumsum(change)[: case.weeks]


def loan_cash(case: PlanningCase, loans: tuple[Loan, ...]) -> np.ndarray:
    """Return money in less money out of all loans by plan week, (weeks,) [money].

    Principal less fee in, principal with interest out.
    """
    cash = np.zeros(case.weeks)
    for taken, repaid, amount in loans:
        cash[taken] += amount * (1.0 - (case.credit.fee_share if case.credit else 0.0))
        cash[repaid] -= amount * loan_unit_owed(case, repaid - taken)
    return cash


def loan_value(case: PlanningCase, loans: tuple[Loan, ...]) -> float:
    """Return the value today of all loans' cash flows [money].

    Above 0 where the loan is cheaper than the case's cost of money.
    """
    return float(loan_cash(case, loans) @ case.discount(np.arange(case.weeks))) if loans else 0.0


def breaks_terms(outlook: Outlook, allocation: Allocation) -> bool:
    """Return whether loans stand above what the stored grain secures, or longer than the lender allows."""
    case = outlook.case
    if not allocation.loans:
        return False
    room = lendable(outlook, allocation.lot, allocation.option, allocation.bags)
    allowed = set(loan_pairs(case))
    return bool(
        (principal_by_week(case, allocation.loans) > room + 1e-6 * (1.0 + room.max(initial=0.0))).any()
        or any(amount < 0 or (taken, repaid) not in allowed for taken, repaid, amount in allocation.loans)
    )


def best_loans(
    outlook: Outlook, lot: np.ndarray, option: np.ndarray, bags: np.ndarray, balances: np.ndarray
) -> tuple[Loan, ...]:
    """Return the loans that serve a given allocation best.

    They cover what its cash needs lack, and are taken beyond that only where they pay.

    Parameters
    ----------
    balances : np.ndarray, shape (need dates, scenarios)
        The group's balance at each need date without loans [money]; loans lift every scenario alike, so the mean of
        its worst share decides.
    """
    from scipy.optimize import linprog

    case, layout = outlook.case, make_layout(outlook.case)
    pairs = layout.loans
    room = lendable(outlook, lot, option, bags)
    if not pairs or room.max(initial=0.0) <= 0:
        return ()
    taken, repaid = np.array(pairs).T
    fee = case.credit.fee_share if case.credit else 0.0
    owed = np.array([loan_unit_owed(case, int(weeks)) for weeks in repaid - taken])
    cost = owed * case.discount(repaid) - (1.0 - fee) * case.discount(taken)
    dates = len(layout.need_weeks)
    lacks = np.array([-tail_mean(row, 1.0 - case.certainty) for row in balances])
    if cost.min() >= 0 and not (lacks > 0).any():
        return ()
    week = np.arange(case.weeks)[:, None]
    standing = ((taken <= week) & (week < repaid)).astype(float)
    due = np.array(layout.need_weeks, dtype=int)[:, None]
    flows = (taken <= due) * (1.0 - fee) - (repaid <= due) * owed
    # a shortfall that is left counts once for each date on which it grows, as in the programme of the whole plan
    filled = np.tril(np.ones((dates, dates)))
    matrix = np.vstack([np.hstack([standing, np.zeros((case.weeks, dates))]), np.hstack([-flows, -filled])])
    result = linprog(
        np.concatenate([cost, np.full(dates, SHORT_PENALTY)]),
        A_ub=matrix,
        b_ub=np.concatenate([room, -lacks]),
        bounds=(0, None),
        method="highs",
    )
    if result.x is None:
        return ()
    least = LEAST_LOAN_SHARE * room.max()
    return tuple(
        (int(one), int(two), float(amount))
        for one, two, amount in zip(taken, repaid, result.x[: len(pairs)], strict=True)
        if amount > least
    )


def pledged_bags(outlook: Outlook, allocation: Allocation) -> int:
    """Return how many stored bags, as a part of those in store, secure the loans in the week in which most is owed."""
    case = outlook.case
    if not allocation.loans:
        return 0
    principal, room = (
        principal_by_week(case, allocation.loans),
        lendable(outlook, allocation.lot, allocation.option, allocation.bags),
    )
    week = int(np.argmax(principal))
    stored = sum(
        int(count)
        for one, chosen, count in zip(
            allocation.lot.tolist(), allocation.option.tolist(), allocation.bags.tolist(), strict=True
        )
        if outlook.options(one).storage[chosen] >= 0
        and outlook.options(one).buyer[chosen] >= 0
        and outlook.options(one).ready_week[chosen] <= week < outlook.options(one).sale_week[chosen]
    )
    return min(stored, int(np.ceil(stored * principal[week] / max(room[week], 1e-9) - 1e-9)))
