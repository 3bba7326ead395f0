"""Learning a place's own drying rate from the tests made while lots dry there.

A belief is a grid of weights over the rate factor (1 = as the table says) and the noise of a reading. Each lot's
successive readings reweight it by Bayes' rule; the lot's true moisture at the start, the sun that the place really had
and the meter's bias are unknown too and summed over.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import pandas as pd

from core.drying.run import DryingSetup, simulate_lots
from core.drying.thin_layer import Array
from core.errors import InputError
from core.grain.commodities import Commodity

FACTOR_COUNT, NOISE_COUNT = 81, 9
SIMULATED_FACTORS = 11
START_OFFSETS = (-2.5, 0.0, 2.5)
"""Points of moisture by which the start is moved to see how it matters; between them the answer is nearly straight."""
USUAL_NOISE_POINTS = 0.5
"""Usual standard deviation of a lot's reading around its mean, points (judgement: meters and uneven lots, 0.3-0.8)."""
NOISE_LOG_SD = 0.4
USUAL_BIAS_POINTS = 0.4
"""Usual standard deviation of a meter's bias, points (judgement: sensor and isotherm, 0.3-0.5)."""
SUN_SCALES = (0.75, 1.0, 1.25)
SUN_ERROR_SD = 0.15
"""Standard deviation of the sun's share that the weather service has wrong over a lot's days (judgement: 10-20 %)."""


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


def update_belief(
    belief: RateBelief, predicted: Array, observed: Array, bias_sd: float = USUAL_BIAS_POINTS
) -> RateBelief:
    """Return the belief after one lot's readings.

    Parameters
    ----------
    belief : RateBelief
        What was believed before.
    predicted : array (suns, offsets, factors, readings)
        Moisture, %, expected at each later reading for each of `SUN_SCALES`, of `START_OFFSETS` and of
        `belief.factors`.
    observed : array (readings,)
        What the later readings showed, %.
    bias_sd : float
        Standard deviation of the meter's bias, points: the same for all readings of the lot, the first one too.

    Notes
    -----
    Summed over, besides the noise: the true start (flat), the sun's error (normal, Gauss-Hermite nodes), the bias
    (normal, in closed form: a covariance s² I + b² 11' has its inverse and determinant by Sherman and Morrison).
    """
    offsets = np.linspace(START_OFFSETS[0], START_OFFSETS[2], 31)
    nodes, node_weights = np.polynomial.hermite_e.hermegauss(5)
    scaled = (offsets / START_OFFSETS[2])[None, :, None, None]
    sunny = (SUN_ERROR_SD * nodes / (SUN_SCALES[2] - 1.0))[:, None, None, None]
    moved = _quadratic(_quadratic(np.asarray(predicted), sunny, 0), scaled, 1)
    residual = observed - moved
    start = -offsets[None, :, None]  # the first reading against the true start
    count = len(observed) + 1
    squares = (residual**2).sum(axis=3) + start**2
    sums = residual.sum(axis=3) + start
    chance = np.log(node_weights / node_weights.sum())[:, None, None]
    logs = np.empty((len(belief.factors), len(belief.noises)))
    for place, noise in enumerate(belief.noises):
        spread = noise**2 + count * bias_sd**2
        exponent = chance - 0.5 * (squares - bias_sd**2 / spread * sums**2) / noise**2
        peak = exponent.max(axis=(0, 1))
        logs[:, place] = (
            peak + np.log(np.exp(exponent - peak).sum(axis=(0, 1))) - (count - 1) * np.log(noise) - 0.5 * np.log(spread)
        )
    weights = belief.weights * np.exp(logs - logs.max())
    return replace(belief, weights=weights / weights.sum(), readings=belief.readings + len(observed))


def _quadratic(values: Array, at: Array, axis: int) -> Array:
    """Return what a quadratic through the three values at -1, 0 and 1 along an axis gives at places along that axis."""
    low, middle, high = (np.take(values, [place], axis=axis) for place in range(3))
    return middle + at * (high - low) / 2.0 + at**2 * ((high + low) / 2.0 - middle)


def predicted_readings(
    commodity: str | Commodity,
    start_pct: float,
    times: Sequence[datetime],
    weather: pd.DataFrame,
    setup: DryingSetup,
    factors: Array,
) -> Array:
    """Return the moisture expected at reading times for each sun, start offset and rate factor.

    Parameters
    ----------
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
    array (suns, offsets, F, readings)
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
    suns = [
        weather.assign(shortwave_w_m2=(weather["shortwave_w_m2"] * scale).clip(upper=1500.0)) for scale in SUN_SCALES
    ]
    runs = simulate_lots([commodity] * len(lots), starts, suns, setups, [0.0] * len(lots))
    stamps = runs[0].times.as_unit("ns").asi8.astype(float)
    wanted = pd.DatetimeIndex(list(times)).as_unit("ns").asi8.astype(float)
    if bool((wanted < stamps[0]).any() or (wanted > stamps[-1]).any()):
        raise InputError("a reading lies outside the hours for which the weather is known")
    curves = np.array(
        [[np.interp(wanted, stamps, run.moisture_pct[:, sun]) for run in runs] for sun in range(len(SUN_SCALES))]
    ).reshape(len(SUN_SCALES), len(START_OFFSETS), SIMULATED_FACTORS, len(wanted))
    from scipy.interpolate import CubicSpline

    return np.asarray(CubicSpline(np.log(coarse), curves, axis=2)(np.log(factors)))


def learn_rate(
    commodity: str | Commodity,
    readings: Sequence[tuple[datetime, float]],
    weather: pd.DataFrame,
    setup: DryingSetup,
    belief: RateBelief | None = None,
    bias_sd: float = USUAL_BIAS_POINTS,
) -> RateBelief:
    """Return the belief of a place's rate after the readings of one drying lot.

    Parameters
    ----------
    readings : sequence of (datetime, float)
        Zone-aware time and moisture, % wet basis; the first is the start.
    weather : DataFrame
        Hourly weather as it was, from the first reading to the last.
    setup : DryingSetup
        How the lot lies.
    belief : RateBelief, optional
        What was believed before; None takes the prior of the method.
    bias_sd : float
        Standard deviation of the meter's bias, points.

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
    return update_belief(before, predicted, np.array([value for _, value in ordered[1:]]), bias_sd)
