"""The one law of what a buyer deducts: for moisture by steps, for insect damage, by the buyer's own meter and scale."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from decimal import Decimal
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from core.accounts.splitting import as_decimal
from core.errors import InputError

Number = float | Decimal

READING_SD_PCT = 0.4
"""How far one reading of a buyer scatters about the lot's moisture [points]; basis: judgement."""


@dataclass(frozen=True)
class Deductions:
    """What a buyer deducts from the price, when a load is refused, and how the buyer's instruments differ from ours.

    Numbers are floats, or all of them `Decimal` where money is counted in coins (`exactly`).

    Attributes
    ----------
    base_pct : float or None
        Moisture up to which nothing is deducted [% w.b.]; None: nothing is deducted for moisture.
    steps : tuple of (up_to_pct, fraction_per_point)
        Deduction per point of moisture within each step; steps rise. Beyond the last one the last rate goes on.
    counted_by_pct : float
        Points are counted in whole steps of so many, each one begun in full ("for every 0.5 point or part of it"); 0:
        as read.
    refusal_pct : float or None
        Moisture by the buyer's reading above which a load is refused [% w.b.].
    reading_sd_pct : float
        How far the buyer's next reading scatters [points].
    damage_per_pct : float
        Fraction of the price for each 1 % of insect-damaged kernels.
    meter_offset_pct, scale_offset : float
        Buyer's less ours where the buyer's instruments decide: points of moisture, and fraction of mass.

    Raises
    ------
    InputError
        Steps that do not rise from the base, or a rate below zero.
    """

    base_pct: Number | None = None
    steps: tuple[tuple[Number, Number], ...] = ()
    counted_by_pct: Number = 0.0
    refusal_pct: Number | None = None
    reading_sd_pct: float = READING_SD_PCT
    damage_per_pct: float = 0.0
    meter_offset_pct: float = 0.0
    scale_offset: float = 0.0

    def __post_init__(self) -> None:
        if (self.base_pct is None) != (not self.steps):
            raise InputError("deductions for moisture need both a base and a rate per point")
        if self.base_pct is not None:
            edges = [float(self.base_pct), *(float(edge) for edge, _ in self.steps)]
            if not all(b > a for a, b in pairwise(edges)):
                raise InputError("the steps of a deduction must rise from its base of {base} %", base=self.base_pct)
        if any(not 0 <= rate < math.inf for _, rate in self.steps):
            raise InputError("a deduction per point must not be below zero")
        if not 0 <= self.counted_by_pct <= 5 or not 0 <= self.reading_sd_pct <= 5 or not 0 <= self.damage_per_pct < 1:
            raise InputError("a step of counting, a scatter or a deduction for damage is out of range")
        if self.refusal_pct is not None and not 2 <= self.refusal_pct <= 40:
            raise InputError("a moisture limit of {value} % is outside 2-40", value=self.refusal_pct)

    def exactly(self) -> Deductions:
        """Return the same deductions for moisture with every number a `Decimal`, for money in coins."""
        return replace(
            self,
            base_pct=None if self.base_pct is None else as_decimal(self.base_pct),
            steps=tuple((as_decimal(edge), as_decimal(rate)) for edge, rate in self.steps),
            counted_by_pct=as_decimal(self.counted_by_pct),
            refusal_pct=None if self.refusal_pct is None else as_decimal(self.refusal_pct),
        )

    @property
    def our_base_pct(self) -> float | None:
        """Return the base as our own meter reads it [% w.b.]; None where nothing is deducted for moisture."""
        return None if self.base_pct is None else float(self.base_pct) - self.meter_offset_pct

    @property
    def first_rate(self) -> Number:
        """Return what the first point above the base costs, fraction of the price; 0 where nothing is deducted."""
        return self.steps[0][1] if self.steps else 0.0

    def fraction(self, reading_pct: Any) -> Any:
        """Return the fraction of the price that is deducted for moisture, 0 to 1.

        Parameters
        ----------
        reading_pct : float, Decimal or array
            Moisture as the instrument that decides reads it [% w.b.].

        Returns
        -------
        Of the kind and shape of `reading_pct`
            Sum over the steps of rate x points within the step, at most 1.
        """
        if self.base_pct is None:
            return reading_pct * 0
        total: Any = reading_pct * 0
        before: Any = self.base_pct * 0
        lower: Any = self.base_pct
        counted = self.base_pct + self._counted(reading_pct - self.base_pct)
        for upper, rate in self.steps:
            total = total + (rate - before) * np.maximum(counted - lower, 0)
            lower, before = upper, rate
        return np.minimum(total, 1)

    def _counted(self, points: Any) -> Any:
        if not self.counted_by_pct:
            return points
        steps = points / self.counted_by_pct
        # a hair of floating point above a whole step is no further step
        begun = math.ceil(steps) if isinstance(steps, Decimal) else np.ceil(np.round(steps, 9))
        return begun * self.counted_by_pct

    def kept(self, moisture_pct: ArrayLike, damaged_pct: ArrayLike = 0.0) -> NDArray[np.floating[Any]]:
        """Return the fraction of the price that is left after deductions for moisture and damage.

        Parameters
        ----------
        moisture_pct, damaged_pct : float or array
            By our instruments: moisture [% w.b.], insect-damaged kernels [%].

        Returns
        -------
        ndarray
            (1 - deduction for moisture at the buyer's reading) x `damage_kept`.
        """
        paid = 1.0 - self.fraction(np.asarray(moisture_pct) + self.meter_offset_pct)
        return np.asarray(paid * damage_kept(self.damage_per_pct, damaged_pct))

    def refused(self, moisture_pct: ArrayLike, moisture_sd_pct: float = 0.0) -> NDArray[np.floating[Any]]:
        """Return the chance that a load is refused for its moisture.

        Parameters
        ----------
        moisture_pct : float or array
            By our instruments [% w.b.].
        moisture_sd_pct : float
            How uncertain it is, beyond the scatter of the buyer's reading [points].
        """
        seen = np.asarray(moisture_pct) + self.meter_offset_pct
        if self.refusal_pct is None:
            return np.zeros_like(seen, dtype=float)
        return chance_above(seen, float(self.refusal_pct), math.hypot(self.reading_sd_pct, moisture_sd_pct))


NO_DEDUCTIONS = Deductions()


def flat_deductions(base_pct: Number, per_point: Number, **terms: Any) -> Deductions:
    """Return deductions of one rate per point above a base; `terms` are further attributes of `Deductions`."""
    return Deductions(base_pct, ((type(base_pct)(100), per_point),), **terms)


def damage_kept(per_pct: float, damaged_pct: ArrayLike) -> NDArray[np.floating[Any]]:
    """Return the fraction of the price left for insect damage, `per_pct` off for each 1 % of damaged kernels.

    Source of the rate: 2.8-3.6 % of the price for each 1 % of damaged kernels (choice experiment with traders in
    Malawi, Jones et al. 2016). It was measured for slight damage; compounding keeps the price above zero for heavy
    damage (judgement).
    """
    return np.asarray((1.0 - per_pct) ** np.maximum(damaged_pct, 0.0))


def chance_above(value: ArrayLike, limit: float, spread: float) -> NDArray[np.floating[Any]]:
    """Return the chance that a normal reading about a value lies above a limit.

    Parameters
    ----------
    value : float or array
        Mean of the readings.
    limit, spread : float
        The limit, and the readings' standard deviation; 0: above or not.

    Returns
    -------
    ndarray
        0-1, within 0.0002 of the normal distribution.

    Notes
    -----
    F(z) = 1 / (1 + exp(-0.07056 z^3 - 1.5976 z)): Bowling et al. 2009, A logistic approximation to the cumulative
    normal distribution, Journal of Industrial Engineering and Management 2(1). Fast enough for every week and
    scenario of a plan.
    """
    over = np.asarray(value) - limit
    if spread <= 0:
        return np.asarray(over > 0, dtype=float)
    z = np.clip(over / spread, -8.0, 8.0)
    return np.asarray(1.0 / (1.0 + np.exp(-z * (1.5976 + 0.07056 * z * z))))
