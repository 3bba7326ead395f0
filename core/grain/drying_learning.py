"""Learning a place's own drying rate from the tests made while lots dry there.

A belief is a grid of weights over the rate factor (1 = as the table says) and the noise of a reading. Each lot's
successive readings reweight it by Bayes' rule; the lot's true moisture at the start is unknown too and summed over.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import pandas as pd

from core.errors import InputError
from core.grain.commodities import Commodity
from core.grain.drying import DryingSetup, simulate_lots
from core.grain.thin_layer import Array

FACTOR_COUNT, NOISE_COUNT = 81, 9
SIMULATED_FACTORS = 11
START_OFFSETS = (-2.5, 0.0, 2.5)
"""Points of moisture by which the start is moved to see how it matters; between them the answer is nearly straight."""
USUAL_NOISE_POINTS = 0.5
"""Usual standard deviation of a lot's reading around its mean, points (judgement: meters and uneven lots, 0.3-0.8)."""
NOISE_LOG_SD = 0.4


@dataclass(frozen=True)
class RateBelief:
    """What is believed of a place's rate and of its readings.

    Parameters
    ----------
    factors : array (F,)
        Rate factors, evenly spaced in their logarithm.
    noises : array (S,)
        Standard deviations of a reading, points.
    weights : array (F, S)
        Probabilities, adding up to 1.
    readings : int
        Readings that it rests on beside the prior.
    """

    factors: Array
    noises: Array
    weights: Array
    readings: int = 0

    @property
    def median(self) -> float:
        """Middle rate factor."""
        return self.quantile(0.5)

    @property
    def noise(self) -> float:
        """Mean standard deviation of a reading, points."""
        return float(self.weights.sum(axis=0) @ self.noises)

    def quantile(self, probability: float) -> float:
        """Return the rate factor below which this probability lies."""
        log_step = np.log(self.factors[1] / self.factors[0])
        cumulated = np.concatenate([[0.0], np.cumsum(self.weights.sum(axis=1))])
        edges = np.concatenate([np.log(self.factors) - log_step / 2.0, [np.log(self.factors[-1]) + log_step / 2.0]])
        return float(np.exp(np.interp(probability * cumulated[-1], cumulated, edges)))

    def interval(self, coverage: float = 0.8) -> tuple[float, float]:
        """Return the middle range of rate factors that holds this probability."""
        return self.quantile((1.0 - coverage) / 2.0), self.quantile((1.0 + coverage) / 2.0)

    def sample(self, count: int, seed: int) -> Array:
        """Return rate factors, spread evenly over the belief and shuffled; (count,)."""
        probabilities = (np.arange(count) + 0.5) / count
        values = np.array([self.quantile(float(value)) for value in probabilities])
        return np.random.default_rng(seed).permutation(values)


def prior_belief(rate_sd: float) -> RateBelief:
    """Return what is assumed before any reading: factor 1, log-normal, with the method's spread (`rate_sd`)."""
    factors = np.exp(np.linspace(-4.0 * rate_sd, 4.0 * rate_sd, FACTOR_COUNT))
    noises = USUAL_NOISE_POINTS * np.exp(np.linspace(-2.5 * NOISE_LOG_SD, 2.5 * NOISE_LOG_SD, NOISE_COUNT))
    by_factor = np.exp(-0.5 * (np.log(factors) / rate_sd) ** 2)
    by_noise = np.exp(-0.5 * (np.log(noises / USUAL_NOISE_POINTS) / NOISE_LOG_SD) ** 2)
    weights = np.outer(by_factor, by_noise)
    return RateBelief(factors, noises, weights / weights.sum())


def update_belief(belief: RateBelief, predicted: Array, observed: Array, start_observed: bool = True) -> RateBelief:
    """Return the belief after one lot's readings.

    Parameters
    ----------
    belief : RateBelief
        What was believed before.
    predicted : array (offsets, factors, readings)
        Moisture, %, expected at each later reading for each of `START_OFFSETS` and each of `belief.factors`.
    observed : array (readings,)
        What the later readings showed, %.
    start_observed : bool
        Whether the start was itself a reading with the same noise.

    Returns
    -------
    RateBelief
    """
    offsets = np.linspace(-2.5, 2.5, 41)
    # quadratic through the three simulated starts
    low, middle, high = predicted
    scaled = (offsets / START_OFFSETS[2])[:, None, None]
    moved = middle + scaled * (high - low) / 2.0 + scaled**2 * ((high + low) / 2.0 - middle)
    misfit = ((observed - moved) ** 2).sum(axis=2)
    count = len(observed)
    likelihood = np.empty((len(belief.factors), len(belief.noises)))
    logs = np.empty_like(likelihood)
    for place, noise in enumerate(belief.noises):
        start = offsets**2 if start_observed else offsets**2 * 0.0
        exponent = -(misfit + start[:, None]) / (2.0 * noise**2)
        peak = exponent.max(axis=0)
        logs[:, place] = (
            peak + np.log(np.exp(exponent - peak).sum(axis=0)) - (count + (1 if start_observed else 0)) * np.log(noise)
        )
    likelihood = np.exp(logs - logs.max())
    weights = belief.weights * likelihood
    return replace(belief, weights=weights / weights.sum(), readings=belief.readings + count)


def predicted_readings(
    commodity: str | Commodity,
    start_pct: float,
    times: Sequence[datetime],
    weather: pd.DataFrame,
    setup: DryingSetup,
    factors: Array,
) -> Array:
    """Return the moisture expected at reading times for each start offset and rate factor.

    Parameters
    ----------
    commodity : str or Commodity
        Crop.
    start_pct : float
        Reading at the start of the weather, % wet basis.
    times : sequence of datetime (readings,)
        Zone-aware times of the later readings.
    weather : DataFrame
        The hours since the first reading, as they were.
    setup : DryingSetup
        How the lot lies.
    factors : array (F,)
        Rate factors.

    Returns
    -------
    array (offsets, F, readings)
        % wet basis.
    """
    coarse = np.exp(np.linspace(np.log(factors[0]), np.log(factors[-1]), SIMULATED_FACTORS))
    lots = [(offset, factor) for offset in START_OFFSETS for factor in coarse]
    starts = [float(np.clip(start_pct + offset, 1.0, 79.0)) for offset, _ in lots]
    setups = [
        replace(
            setup,
            rate_factor=setup.rate_factor * float(factor),
            already_dried_from_pct=None
            if setup.already_dried_from_pct is None
            else setup.already_dried_from_pct + offset,
        )
        for offset, factor in lots
    ]
    runs = simulate_lots([commodity] * len(lots), starts, weather, setups, [0.0] * len(lots))
    stamps = runs[0].times.as_unit("ns").asi8.astype(float)
    wanted = pd.DatetimeIndex(list(times)).as_unit("ns").asi8.astype(float)
    if bool((wanted < stamps[0]).any() or (wanted > stamps[-1]).any()):
        raise InputError("a reading lies outside the hours for which the weather is known")
    curves = np.array([np.interp(wanted, stamps, run.moisture_pct[:, 0]) for run in runs])
    by_offset = curves.reshape(len(START_OFFSETS), SIMULATED_FACTORS, len(wanted))
    fine = np.empty((len(START_OFFSETS), len(factors), len(wanted)))
    from scipy.interpolate import CubicSpline

    for place in range(len(START_OFFSETS)):
        fine[place] = CubicSpline(np.log(coarse), by_offset[place], axis=0)(np.log(factors))
    return fine


def learn_rate(
    commodity: str | Commodity,
    readings: Sequence[tuple[datetime, float]],
    weather: pd.DataFrame,
    setup: DryingSetup,
    belief: RateBelief | None = None,
) -> RateBelief:
    """Return the belief of a place's rate after the readings of one drying lot.

    Parameters
    ----------
    commodity : str or Commodity
        Crop.
    readings : sequence of (datetime, float)
        Zone-aware time and moisture, % wet basis; the first is the start.
    weather : DataFrame
        Hourly weather as it was, from the first reading to the last.
    setup : DryingSetup
        How the lot lies.
    belief : RateBelief, optional
        What was believed before; None takes the prior of the method.

    Raises
    ------
    InputError
        When a reading lies outside the weather's hours.
    """
    before = belief or prior_belief(float(setup.table["rate_sd"]))
    ordered = sorted(readings)
    if len(ordered) < 2:
        return before
    start_at, start_pct = ordered[0]
    since = weather.loc[weather.index > pd.Timestamp(start_at)]
    times = [time for time, _ in ordered[1:]]
    predicted = predicted_readings(commodity, start_pct, times, since, setup, before.factors)
    return update_belief(before, predicted, np.array([value for _, value in ordered[1:]]))
