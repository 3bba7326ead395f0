"""The unit in which a search counts money: solvers keep fixed digits, and a kg may cost a tenth or ten million."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

from core.planning.allocation import Allocation
from core.planning.case import PlanningCase
from core.planning.outlook import Outlook

USUAL = 2.0**-4, 2.0**14
"""Prices of the dearest crop [money/kg] between which money is counted as it stands."""
BROUGHT_TO = 8
"""Any other is brought to between 2 to this power and twice as much: basis: solvers' tolerances of 1e-7."""


def money_unit(case: PlanningCase) -> float:
    """Return the unit [money] for a case: a power of two, by which no digit of any amount changes."""
    dearest = max((price.price_now for price in case.prices), default=1.0)
    if USUAL[0] <= dearest <= USUAL[1]:
        return 1.0
    return 2.0 ** (math.floor(math.log2(dearest)) - BROUGHT_TO)


def outlook_in(outlook: Outlook, unit: float) -> Outlook:
    """Return an outlook with all its money, and that of its case, counted in a unit [money]."""
    if unit == 1.0:
        return outlook
    money = ("receipts_kg", "price_kg", "upfront_kg", "upfront_bag", "later_bag")
    prices = {crop: paths / unit for crop, paths in outlook.seasons.prices.items()}
    return replace(
        outlook,
        case=case_in(outlook.case, unit),
        classes=tuple(_divided(table, unit, *money) for table in outlook.classes),
        seasons=replace(outlook.seasons, prices=prices),
    )


def case_in(case: PlanningCase, unit: float) -> PlanningCase:
    """Return a case with all its money counted in a unit [money]."""
    spaces = ("cost_per_kg", "fee_per_point_kg", "hire_per_bag_day", "price")
    stores = ("cost_per_bag", "cost_per_bag_month", "treatment_per_bag")
    return case.with_changes(
        drying=tuple(_divided(one, unit, *spaces) for one in case.drying),
        storage=tuple(_divided(one, unit, *stores) for one in case.storage),
        prices=tuple(
            replace(
                _divided(one, unit, "price_now"),
                history=_months(one.history, unit),
                neighbours=tuple(_months(months, unit) for months in one.neighbours),
            )
            for one in case.prices
        ),
        buyers=tuple(_divided(one, unit, "fixed_price", "trip_cost") for one in case.buyers),
        truck=_divided(case.truck, unit, "cost_per_trip", "cost_per_km", "cost_per_bag"),
        needs=tuple(_divided(one, unit, "amount") for one in case.needs),
        reserves=tuple(_divided(one, unit, "value_per_kg") for one in case.reserves),
        cash_now=case.cash_now / unit,
        credit=None if case.credit is None else _divided(case.credit, unit, "storage_fee_per_kg_month"),
    )


def loans_in(allocation: Allocation, unit: float) -> Allocation:
    """Return an allocation with its loans counted in a unit [money]."""
    return replace(allocation, loans=tuple((taken, repaid, sum_ / unit) for taken, repaid, sum_ in allocation.loans))


def _divided(record: Any, unit: float, *names: str) -> Any:
    known = {name: getattr(record, name) for name in names}
    return replace(record, **{name: value / unit for name, value in known.items() if value is not None})


def _months(months: tuple[tuple[str, float], ...], unit: float) -> tuple[tuple[str, float], ...]:
    return tuple((month, price / unit) for month, price in months)
