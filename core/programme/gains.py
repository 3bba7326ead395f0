"""What selling brought against selling at harvest, what kept plans expected, and how much of that came in."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from core.accounts.finance import DAYS_PER_MONTH, growth, present_value
from core.errors import DryholdError
from core.grain.mass import mass_after_drying
from core.group.possessions import Possessions
from core.group.records import Lot
from core.planning.rolling import KeptPlan
from core.programme.counting import Indicator, MonthlyPrices, Records, limit_of, lot_mass, mean, ratio, reference_prices
from core.storage.methods import method_codes

FEWEST_OF_A_CROP = 3


@dataclass(frozen=True)
class SoldLot:
    """One sale with what it is held against: money per kg, kg, % wet basis.

    `gain` a fraction of the worth at harvest.
    """

    lot: Lot
    sold_on: date
    bags: int
    mass_kg: float
    price: float
    moisture: float | None
    reference: float | None
    ratio: float | None
    gain: float | None


def _money_cost(records: Records) -> float:
    return float(records.facts["interest_monthly"])


def _market(records: Records) -> str:
    """Return where the group sells, "" where it has not said so."""
    return str(records.facts["plan.market"])


def months_between(start: date, end: date) -> float:
    """Return the months from one day to another, 0 where the second is not later."""
    return max(0, (end - start).days) / DAYS_PER_MONTH


def bag_cost(lot: Lot, has: Possessions | None) -> float:
    """Return what one bag cost a stored lot for its season, in the group's currency: bag or vessel, and treatment.

    A vessel counts by the share of it that a bag takes; nothing where the lot is not in store or nothing is known.
    """
    if has is None or not lot.stored_on or lot.storage_method is None or lot.storage_method not in method_codes():
        return 0.0
    kept, bag_kg = has.store(lot.storage_method), lot.bag_kg
    return kept.cost_per_bag(bag_kg) + kept.treatment_per_bag(bag_kg)


def _rows(records: Records) -> list[dict[str, Any]]:
    rows: list[Any] = records.sales.to_dict("records") if len(records.sales) else []
    return rows


def sold_lots(records: Records) -> list[SoldLot]:
    """Return every sale of the group, held against the market's price that month and against selling at harvest.

    At harvest the lot would have brought the market's price of the harvest month times the group's usual part of that
    price (mean over its sales of the crop, of all crops where there are fewer than three), on the mass dried to the
    limit. What was got is discounted to harvest by the group's cost of money, less the bags of a stored lot.
    """
    lots = {lot.id: lot for lot in records.lots}
    rows: list[SoldLot] = []
    monthly = reference_prices(records.prices, _market(records))
    for sale in _rows(records):
        lot = lots.get(int(sale["lot_id"]))
        if lot is None:
            continue
        day, price = pd.Timestamp(sale["sold_on"]).date(), float(sale["price_per_kg"])
        reference = monthly.get((lot.commodity, day.year, day.month))
        moisture = None if pd.isna(sale["moisture_pct"]) else float(sale["moisture_pct"])
        part = price / reference if reference else None
        rows.append(
            SoldLot(
                lot, day, int(sale["bags"]) or lot.bags, float(sale["mass_kg"]), price, moisture, reference, part, None
            )
        )
    return [_with_gain(row, rows, records, monthly) for row in rows]


def _with_gain(row: SoldLot, rows: list[SoldLot], records: Records, monthly: MonthlyPrices) -> SoldLot:
    lot = row.lot
    mass_in, start = lot_mass(lot, row.bags), lot.weighed_moisture_pct
    if not mass_in or lot.harvested_on is None or start is None:
        return row
    at_harvest = monthly.get((lot.commodity, lot.harvested_on.year, lot.harvested_on.month))
    if not at_harvest:
        return row
    parts = [item.ratio for item in rows if item.ratio is not None]
    of_crop = [item.ratio for item in rows if item.ratio is not None and item.lot.commodity == lot.commodity]
    usual = float(np.mean(of_crop if len(of_crop) >= FEWEST_OF_A_CROP else parts)) if parts else 1.0
    limit = limit_of(lot.commodity)
    base = min(start, limit) if limit is not None else start
    worth = usual * at_harvest * float(mass_after_drying(mass_in, start, base))
    worth_then = row.mass_kg * row.price
    got = present_value(worth_then, _money_cost(records), months_between(lot.harvested_on, row.sold_on))
    got -= row.bags * bag_cost(lot, records.has)
    return replace(row, gain=(got - worth) / worth)


@dataclass(frozen=True)
class PlannedLot:
    """What a kept plan expected of a lot and what came of it, money on the day of the plan for the same bags.

    `expected` and `realised` are gains over `base`, the worth of the bags at once; `realised` None where nothing was
    sold.
    """

    lot: str
    planned_on: date
    base: float
    expected: float
    sold_share: float
    realised: float | None


Case = Mapping[str, Any]
"""A kept planning case as plain data: only what is needed here is read, so that many plans are quick to go through."""


def _factor(case: Case, name: str) -> float | None:
    for buyer in case["buyers"]:
        if buyer["name"] == name:
            return float(buyer["price_factor"]) if buyer["fixed_price"] is None else None
    return None


def _expected(plan: KeptPlan, case: Case, lot: str) -> tuple[float, float, int] | None:
    """Return worth at once, expected gain and bags of a lot's lines, money on the day of the plan."""
    moistures = {str(item["id"]): float(item["moisture_pct"]) for item in case["lots"]}
    prices = {str(item["commodity"]): float(item["price_now"]) for item in case["prices"]}
    lines = [line for line in plan.lines if line.lot == lot and line.buyer]
    if not lines or lot not in moistures or lines[0].commodity not in prices:
        return None
    limit = limit_of(lines[0].commodity)
    wet = moistures[lot]
    to = min(wet, limit) if limit is not None else wet
    factors = [factor for factor in (_factor(case, line.buyer) for line in lines) if factor is not None]
    usual = float(np.mean(factors)) if factors else 1.0
    base = sum(float(mass_after_drying(line.kg_in, wet, to)) for line in lines) * prices[lines[0].commodity] * usual
    money = sum(line.kg_sold * line.price_kg / _growth(case, plan.on, line.sell_on) for line in lines)
    return base, money - base, sum(line.bags for line in lines)


def _growth(case: Case, start: date, end: date) -> float:
    """Return by what money grows between two days at the plan's own cost of money."""
    return growth(float(case["interest_monthly"]), months_between(start, end))


def planned_lots(records: Records) -> list[PlannedLot]:
    """Return, for each lot with a kept plan, what the plan expected and what the bags sold since then brought.

    The plan that counts for a lot is the last one kept up to its first sale, so that nothing known later is in it.
    Sales before the plan's day do not count. Where only some bags are sold, worth and expectation are taken for that
    part.
    """
    sales: dict[str, list[dict[str, Any]]] = {}
    for sale in _rows(records):
        sales.setdefault(str(int(sale["lot_id"])), []).append(sale)
    found = []
    cases: dict[int, Case] = {}
    for lot in dict.fromkeys(line.lot for plan in records.plans for line in plan.lines):
        own = sorted(sales.get(lot, []), key=lambda sale: pd.Timestamp(sale["sold_on"]))
        first_sale = pd.Timestamp(own[0]["sold_on"]).date() if own else None
        fitting = [
            plan
            for plan in records.plans
            if any(line.lot == lot for line in plan.lines) and (first_sale is None or plan.on <= first_sale)
        ]
        if not fitting:
            continue
        plan = max(fitting, key=lambda item: (item.on, item.number))
        try:
            if plan.number not in cases:
                cases[plan.number] = json.loads(plan.case_json)
            case = cases[plan.number]
            expected = _expected(plan, case, lot)
        except (DryholdError, KeyError, TypeError, ValueError):
            continue  # a case of another shape: its plan cannot be held against anything
        if expected is None or expected[0] <= 0:
            continue
        base, gain, bags = expected
        count = sum(int(sale["bags"]) for sale in own)
        part = min(1.0, count / bags) if bags else 0.0
        realised = None
        if own and part > 0:
            money = sum(
                float(sale["mass_kg"])
                * float(sale["price_per_kg"])
                / _growth(case, plan.on, pd.Timestamp(sale["sold_on"]).date())
                for sale in own
            )
            # bags beyond those planned are worth what the planned ones were
            realised = money * min(1.0, bags / count) - base * part
        found.append(PlannedLot(lot, plan.on, base, gain, part, realised))
    return found


def gain_indicators(records: Records, sold: list[SoldLot]) -> dict[str, Indicator]:
    """Return realised and planned gain, and the part of the gain expected at decision time that came in."""
    own = {str(lot.id): lot.owner_id for lot in records.lots}
    planned = [item for item in planned_lots(records) if item.lot in own]
    people = [own[item.lot] for item in planned]
    done: list[tuple[float, float] | None] = [
        None if item.realised is None else (item.realised, item.expected * item.sold_share) for item in planned
    ]
    found = [
        mean("gain_on_harvest_sale", [(row.gain, row.lot.owner_id) for row in sold]),
        ratio("gain_planned", [(item.expected, item.base) for item in planned], people),
        ratio("gain_expected_share", done, people),
    ]
    return {item.key: item for item in found}


def best_in_hindsight(records: Records, row: SoldLot) -> float | None:
    """Return what the best later month's market price was over the month of sale's, a fraction.

    Context, not a judgement.
    """
    if row.reference is None or records.prices.empty:
        return None
    of_crop = records.prices[records.prices["commodity"] == row.lot.commodity]
    months = reference_prices(of_crop, _market(records))
    sold = row.sold_on.year * 12 + row.sold_on.month
    later = [price for (_crop, year, month), price in months.items() if 0 <= year * 12 + month - sold <= 6]
    return max(later) / row.reference - 1 if later else None
