"""Where each family of limits stands in the plan's programme.

Here too stand the terms that its rows and the plan's value share.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from core.accounts.finance import WEEKS_PER_MONTH
from core.planning.case import CaseBuyer, PlanningCase
from core.planning.outlook import NONE, Outlook

SHORT_PENALTY = 5.0  # a unit of an unmet need weighs more than any gain from selling later
OVER_WEEKS = 8  # drying begun in the last weeks may go on beyond the horizon


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

    @cached_property
    def row_starts(self) -> dict[str, int]:
        """Return the first row of each family of fixed rows, and `end`."""
        sizes = {
            "lot": self.lots,
            "floor": self.setups * (self.weeks + OVER_WEEKS),
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

    @cached_property
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
            "spaces": self.setups,
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
    """Return the weeks (taken, repaid) between which money can be borrowed on stored grain.

    None where no lender offers it.
    """
    if case.credit is None or case.credit.loan_share <= 0:
        return ()
    longest = int(case.credit.longest_months * WEEKS_PER_MONTH + 1e-9)
    return tuple(
        (taken, repaid)
        for taken in range(case.weeks - 1)
        for repaid in range(taken + 1, min(case.weeks - 1, taken + longest) + 1)
    )


def loan_unit_owed(case: PlanningCase, weeks: int) -> float:
    """Return what one unit of money borrowed on grain costs to repay after some weeks.

    The store's charge on the grain that secures it is in it.

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


def promise_price(case: PlanningCase, who: CaseBuyer) -> float:
    """Return what a kg of promised grain is worth.

    The price agreed, or today's market price of its dearest crop [money per kg].
    """
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
        mean = sum(outlook.seasons.prices[crop][: case.weeks].mean(axis=1) * mass[crop] for crop in crops) / total
        price = mean * who.price_factor if who.fixed_price is None else np.full(case.weeks, who.fixed_price)
        table[number] = who.price_fall * price * case.discount(np.arange(case.weeks))
    return table


def interval_of(layout: Layout, week: np.ndarray) -> np.ndarray:
    """Return the index of the first need date at or after each week, -1 if there is none.

    Money moving later cannot serve a need.
    """
    found = np.searchsorted(np.asarray(layout.need_weeks, dtype=int), week, side="left")
    return np.where(found < len(layout.need_weeks), found, NONE)
