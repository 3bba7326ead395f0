"""What we loaded against what the buyer's scale and meter said, and what it cost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np

from core.pool.season import PoolSale, Season


@dataclass(frozen=True)
class Difference:
    """One load: kg and points of moisture that the buyer read above ours, and money between his sum and ours.

    `expected_deductions` are recomputed by the contract; `money_short` is above 0 where we got less than the contract
    gives on our own weights.
    """

    sale: int
    buyer: str
    mass_kg: Decimal
    mass_share: float
    moisture_points: Decimal
    expected_deductions: Decimal
    charged_deductions: Decimal
    money_short: Decimal


def contract_deduction(
    mass_kg: Decimal, moisture_pct: Decimal, price_per_kg: Decimal, limit_pct: Decimal, percent_per_point: Decimal
) -> Decimal:
    """Return what a contract takes off for moisture above its limit, money.

    `percent_per_point` of the value for each point above `limit_pct` (a price term; 1.2-1.5 is posted for maize, while
    the exact water is 100 / (100 - limit): extension shrink tables).
    """
    return mass_kg * price_per_kg * max(Decimal(0), moisture_pct - limit_pct) * percent_per_point / 100


def differences(season: Season, limit_pct: Decimal, percent_per_point: Decimal) -> list[Difference]:
    """Return the comparison for every load sold."""
    rows = []
    for sale in season.sales:
        expected = contract_deduction(
            sale.loaded_kg, sale.loaded_moisture_pct, sale.price_per_kg, limit_pct, percent_per_point
        )
        ours = sale.loaded_kg * sale.price_per_kg - expected
        theirs = sale.gross - sale.buyer_deductions
        rows.append(
            Difference(
                sale.number,
                sale.buyer,
                sale.buyer_kg - sale.loaded_kg,
                float((sale.buyer_kg - sale.loaded_kg) / sale.loaded_kg),
                sale.buyer_moisture_pct - sale.loaded_moisture_pct,
                expected,
                sale.buyer_deductions,
                ours - theirs,
            )
        )
    return rows


@dataclass(frozen=True)
class BuyerOffset:
    """How a buyer's scale (fraction) and meter (points) differ from ours, with standard errors; given to the plan."""

    buyer: str
    loads: int
    scale: float
    scale_se: float
    meter: float
    meter_se: float


def learn_offset(
    sales: Sequence[PoolSale], buyer: str, prior_scale_sd: float = 0.01, prior_sd: float = 0.7
) -> BuyerOffset:
    """Return a buyer's offset from his loads, drawn towards none while they are few.

    Parameters
    ----------
    sales : sequence of PoolSale
        All loads.
    buyer : str
        Whose.
    prior_scale_sd, prior_sd : float
        How far scales (fraction) and meters (points) of buyers usually lie apart (judgement).

    Returns
    -------
    BuyerOffset
        Normal mean with normal prior of mean 0 (textbook conjugate form); one load's own spread is taken as half a
        per cent of mass and 0.5 point of moisture where fewer than three loads show it.
    """
    own = [sale for sale in sales if sale.buyer == buyer]
    mass = np.array([float((sale.buyer_kg - sale.loaded_kg) / sale.loaded_kg) for sale in own])
    moisture = np.array([float(sale.buyer_moisture_pct - sale.loaded_moisture_pct) for sale in own])

    def posterior(values: np.ndarray, prior: float, spread: float) -> tuple[float, float]:
        if values.size == 0:
            return 0.0, prior
        sd = max(float(values.std(ddof=1)), 0.3 * spread) if values.size >= 3 else spread
        precision = 1 / prior**2 + values.size / sd**2
        return float(values.sum() / sd**2 / precision), float(precision**-0.5)

    scale, scale_se = posterior(mass, prior_scale_sd, 0.005)
    meter, meter_se = posterior(moisture, prior_sd, 0.5)
    return BuyerOffset(buyer, len(own), scale, scale_se, meter, meter_se)
