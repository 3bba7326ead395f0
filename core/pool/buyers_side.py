"""What was loaded against what the buyer's scale and meter said, what it cost, and what the plan learns from it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

import numpy as np

from core.market.buyer_book import SCALE_PRIOR, SCALE_SCATTER
from core.market.buyers import MeterOffset
from core.market.buyers import learn_offset as learn
from core.pool.contracts import Contract
from core.pool.season import PoolSale, Season

OFFSET_FACT = "buyer_offset."


@dataclass(frozen=True)
class Difference:
    """One load: kg and points of moisture that the buyer read above ours, and money between his sum and ours.

    `expected_deductions` are recomputed by the contract from our own scale and meter, `on_his_readings` from the
    buyer's; `money_short` is above 0 where we got less than the contract gives on our own weights. It has three parts
    that add up to it: `by_scale` (his weight), `by_meter` (his moisture) and `beyond_contract` (what he took off
    beyond the contract on his own readings).
    """

    sale: int
    buyer: str
    mass_kg: Decimal
    moisture_points: Decimal
    expected_deductions: Decimal
    on_his_readings: Decimal
    charged_deductions: Decimal
    by_scale: Decimal
    by_meter: Decimal
    beyond_contract: Decimal

    @property
    def money_short(self) -> Decimal:
        """Return what we got less than the contract gives on our own scale and meter, money."""
        return self.by_scale + self.by_meter + self.beyond_contract


def differences(season: Season, contract: Callable[[PoolSale], Contract]) -> list[Difference]:
    """Return the comparison for every load sold, each under its buyer's contract."""
    rows = []
    for sale in season.sales:
        terms = contract(sale)
        ours = terms.deduction(sale.loaded_kg, sale.loaded_moisture_pct, sale.price_per_kg)
        our_meter_his_scale = terms.deduction(sale.buyer_kg, sale.loaded_moisture_pct, sale.price_per_kg)
        his = terms.deduction(sale.buyer_kg, sale.buyer_moisture_pct, sale.price_per_kg)
        by_scale = (sale.loaded_kg - sale.buyer_kg) * sale.price_per_kg - ours + our_meter_his_scale
        rows.append(
            Difference(
                sale=sale.number,
                buyer=sale.buyer,
                mass_kg=sale.buyer_kg - sale.loaded_kg,
                moisture_points=sale.buyer_moisture_pct - sale.loaded_moisture_pct,
                expected_deductions=ours,
                on_his_readings=his,
                charged_deductions=sale.buyer_deductions,
                by_scale=by_scale,
                by_meter=his - our_meter_his_scale,
                beyond_contract=sale.buyer_deductions - his,
            )
        )
    return rows


@dataclass(frozen=True)
class BuyerOffset:
    """How a buyer's scale (fraction) and meter (points) differ from ours.

    Standard deviations are of his next load's.
    """

    buyer: str
    loads: int
    scale: float
    scale_sd: float
    meter: float
    meter_sd: float


def learn_offset(sales: Sequence[PoolSale], buyer: str) -> BuyerOffset:
    """Return a buyer's offset from the loads, drawn towards none while few (`core.market.buyers.learn_offset`)."""
    own = [sale for sale in sales if sale.buyer.strip().lower() == buyer.strip().lower()]
    ratio = np.array([float(sale.buyer_kg / sale.loaded_kg) - 1 for sale in own])
    points = np.array([float(sale.buyer_moisture_pct - sale.loaded_moisture_pct) for sale in own])
    scale: MeterOffset = learn(np.zeros_like(ratio), ratio, SCALE_PRIOR, SCALE_SCATTER)
    meter: MeterOffset = learn(np.zeros_like(points), points)
    return BuyerOffset(buyer, len(own), scale.mean, scale.standard_deviation, meter.mean, meter.standard_deviation)


def give_to_plan(store: Any, group_id: int, season: Season, who: str, at: datetime) -> Mapping[str, float]:
    """Write what each buyer's meter reads above ours [points] as the fact ``buyer_offset.NAME`` that the plan reads.

    A buyer whose loads were all taken back loses the fact again. Only facts that change are written.
    """
    facts = store.facts(group_id)
    learnt = {}
    for name in sorted({sale.buyer.strip() for sale in season.sales if sale.buyer.strip()}):
        learnt[name] = round(learn_offset(season.sales, name).meter, 3)
    for name, value in learnt.items():
        fact = facts.get(OFFSET_FACT + name)
        if fact is None or (fact.origin == "file" and fact.value != value):  # what a person entered stands
            loads = learn_offset(season.sales, name).loads
            store.set_fact(group_id, OFFSET_FACT + name, value, "file", f"{who} ({loads} loads)", at)
    for key, fact in facts.items():
        if key.startswith(OFFSET_FACT) and fact.origin == "file" and key.removeprefix(OFFSET_FACT) not in learnt:
            store.set_fact(group_id, key, None, "file", who, at)
    return learnt
