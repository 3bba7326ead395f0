"""A small model of the decision that a moisture test serves: bag now, or spread the grain for some more days."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from core.errors import InputError
from core.market.deductions import Deductions
from core.testing.worth import DecisionTable

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]

OVER_DRYING, REFUSAL, SPOILAGE, DRYING = "over-drying", "refusal and deductions", "spoilage", "days of drying"


@dataclass(frozen=True)
class BaggingTerms:
    """What the lot meets after bagging.

    Parameters
    ----------
    deductions : Deductions
        The buyer's, with a base and a refusal limit. The moisture is the true one: the reading does not scatter here.
    refused_price : float
        Fraction of the price that refused grain still fetches elsewhere.
    day_cost_per_kg : float
        Labour and sheet for one more day of spreading, money per kg.
    """

    deductions: Deductions
    refused_price: float
    day_cost_per_kg: float

    def __post_init__(self) -> None:
        """Refuse terms that contradict one another."""
        base, refusal = self.deductions.base_pct, self.deductions.refusal_pct
        if base is None or refusal is None or base > refusal:
            raise InputError("the buyer's limit must be above 0 and not above the moisture that is refused")
        if not 0 <= self.refused_price <= 1 or self.day_cost_per_kg < 0:
            raise InputError("the refused price must be between 0 and 1, deductions and costs 0 or more")

    @property
    def limit_pct(self) -> float:
        """Return the moisture up to which the buyer pays in full, % wet basis."""
        return float(self.deductions.base_pct or 0.0)


def moisture_after_days(
    moisture_pct: ArrayLike, days: ArrayLike, rate_per_day: ArrayLike, floor_pct: ArrayLike
) -> Array:
    """Return the moisture after more days of spreading.

    Parameters
    ----------
    moisture_pct : array_like, shape (M,)
        Moisture now, % wet basis.
    days : array_like, shape (D,)
        Days more.
    rate_per_day, floor_pct : array_like, shape (K,)
        Rate constant per day, and the moisture towards which the weather dries, by scenario.

    Returns
    -------
    array, shape (D, M, K)
        % wet basis; grain below the floor takes up water towards it.

    Notes
    -----
    ``M = Me + (M0 - Me) exp(-k t)``, the thin-layer form of Lewis (1921) taken day by day.
    """
    start = np.asarray(moisture_pct, dtype=float)[None, :, None]
    left = np.exp(-np.asarray(rate_per_day, dtype=float) * np.asarray(days, dtype=float)[:, None])[:, None, :]
    floor = np.asarray(floor_pct, dtype=float)[None, None, :]
    return np.asarray(floor + (start - floor) * left)


def bagging_table(
    dry_matter_kg: float,
    moisture_pct: ArrayLike,
    days: ArrayLike,
    moisture_at_bagging_pct: ArrayLike,
    price_per_kg: ArrayLike,
    terms: BaggingTerms,
    spoilt_fraction: Callable[[Array], Array],
) -> DecisionTable:
    """Return the net value of bagging after some more days, by true moisture and scenario.

    Parameters
    ----------
    dry_matter_kg : float
        Dry matter of the lot, kg, above 0.
    moisture_pct : array_like, shape (M,)
        True moisture now, % wet basis.
    days : array_like, shape (D,)
        Days more by decision.
    moisture_at_bagging_pct : array_like, shape (D, M, K)
        Moisture when bagged, for instance from `moisture_after_days` or from the drying forecast.
    price_per_kg : array_like, shape (K,)
        Price at the sale brought to today, money.
    terms : BaggingTerms
        Buyer and costs.
    spoilt_fraction : callable
        Moisture at bagging to the fraction of value lost in store, 0-1, same shape.

    Returns
    -------
    DecisionTable
        With the losses ``"over-drying"``, ``"refusal and deductions"``, ``"spoilage"`` and ``"days of drying"``
        against grain bagged today at the buyer's limit.

    Raises
    ------
    InputError
        Where there is no grain.
    """
    if not dry_matter_kg > 0:
        raise InputError("the lot holds no grain")
    bagged = np.asarray(moisture_at_bagging_pct, dtype=float)
    price = np.asarray(price_per_kg, dtype=float)
    count_days = np.asarray(days, dtype=float)[:, None, None]
    mass = dry_matter_kg / (1 - bagged / 100)
    at_limit = dry_matter_kg / (1 - terms.limit_pct / 100)
    refused = terms.deductions.refused(bagged)
    paid = refused * terms.refused_price + (1 - refused) * terms.deductions.kept(bagged)
    spoilt = np.clip(spoilt_fraction(bagged), 0, 1)
    work = np.broadcast_to(terms.day_cost_per_kg * count_days * at_limit, bagged.shape)
    gross = mass * price
    parts = {
        # grain below the limit weighs less and nobody pays for that; above it the buyer pays for water
        OVER_DRYING: (at_limit - mass) * price,
        REFUSAL: gross * (1 - paid),
        SPOILAGE: gross * paid * spoilt,
        DRYING: work,
    }
    names = tuple("bag now" if day == 0 else f"{day:g} more days" for day in np.asarray(days, dtype=float))
    return DecisionTable(names, np.asarray(moisture_pct, dtype=float), gross * paid * (1 - spoilt) - work, parts)
