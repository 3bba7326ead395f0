"""Fair comparison of groups: funnel limits, overdispersion, shrunken estimates, observed against expected."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from core.errors import InputError
from core.given import takes_numbers
from core.programme.intervals import FEWEST

Array = NDArray[np.float64]
WINSORISED_SHARE = 0.10


def _checked_sizes(size: ArrayLike) -> Array:
    sizes = np.asarray(size, dtype=float)
    if np.any(sizes < 1) or np.any(sizes != np.round(sizes)):
        raise InputError("a size of {value} cannot be judged: give whole numbers from 1", value=float(np.min(sizes)))
    return sizes


@takes_numbers(alone=("benchmark", "coverage"), finite=("size",))
def funnel_limits(benchmark: float, size: ArrayLike, coverage: float = 0.95) -> tuple[Array, Array]:
    """Return the limits within which chance alone keeps a group's proportion.

    Parameters
    ----------
    benchmark : float
        Proportion of all groups together, 0-1.
    size : int or array of shape (n,)
        Number of lots (or people) that each group's proportion rests on.
    coverage : float
        Share of groups that chance alone keeps inside, 0-1: 0.95 to look closer, 0.998 to act.

    Returns
    -------
    low, high : float or array of shape (n,)
        Limits of the proportion, within 0-1.

    Raises
    ------
    InputError
        Benchmark or coverage outside 0-1, or a size below 1 or not whole.

    Notes
    -----
    Exact binomial quantiles over the size. Source: D. J. Spiegelhalter, Funnel plots for comparing institutional
    performance, Statistics in Medicine 24 (2005) 1185-1202, without its interpolation between whole counts.
    """
    from scipy.stats import binom

    if not 0 <= benchmark <= 1:
        raise InputError("a benchmark of {value} is not a proportion: give 0 to 1", value=benchmark)
    if not 0 < coverage < 1:
        raise InputError("a coverage of {value} is not a proportion: give a value between 0 and 1", value=coverage)
    sizes = _checked_sizes(size)
    tail = (1 - coverage) / 2
    return binom.ppf(tail, sizes, benchmark) / sizes, binom.ppf(1 - tail, sizes, benchmark) / sizes


@takes_numbers(alone=("rates",), finite=("sizes",))
def shrink_to_mean(rates: ArrayLike, sizes: ArrayLike) -> Array:
    """Return rates drawn towards their common mean, the more the less each is known.

    Parameters
    ----------
    rates : array of shape (n,)
        Proportions of the groups, 0-1.
    sizes : array of shape (n,)
        Number of observations behind each.

    Returns
    -------
    array of shape (n,)
        Shrunken proportions, each between its own rate and the mean.

    Raises
    ------
    InputError
        Unequal lengths, rates outside 0-1 or sizes below 1.

    Notes
    -----
    For equal sizes and four groups or more: ``z = mean + c (y - mean)``, ``c = 1 - (n - 3) s2 / sum (y - mean)^2``,
    cut at 0, after B. Efron and C. Morris, Stein's paradox in statistics, Scientific American 236 (1977) 119-127.
    For unequal sizes the normal empirical-Bayes form with the between-group variance by moments
    (DerSimonian and Laird, 1986, cut at 0), each rate's own sampling variance taken at the common mean.
    """
    y = np.asarray(rates, dtype=float)
    n = _checked_sizes(sizes)
    if y.shape != n.shape or y.ndim != 1:
        raise InputError("{rates} rates and {sizes} sizes do not go together", rates=y.size, sizes=n.size)
    if y.size == 0 or np.any(~((y >= 0) & (y <= 1))):
        raise InputError("a rate lies outside 0-1: give proportions")
    if np.all(y == y[0]):
        return y.copy()
    mean = float(np.average(y, weights=n))
    variance = mean * (1 - mean) / n
    if np.all(n == n[0]) and y.size >= 4:
        factor = max(0.0, 1 - (y.size - 3) * variance[0] / float(np.sum((y - mean) ** 2)))
        return mean + factor * (y - mean)
    between = between_variance(y, variance)
    centre = float(np.average(y, weights=1 / (variance + between)))
    share = between / (between + variance)
    return centre + share * (y - centre)


def between_variance(values: ArrayLike, variances: ArrayLike) -> float:
    """Return the variance between groups beyond chance, by moments, never below 0.

    Parameters
    ----------
    values : array of shape (n,)
        Estimates, two or more.
    variances : array of shape (n,)
        Sampling variance of each, above 0.

    Returns
    -------
    float
        In the square of the values' unit. Source: R. DerSimonian and N. Laird, Controlled Clinical Trials 7 (1986) 177.
    """
    y, w = np.asarray(values, dtype=float), 1 / np.asarray(variances, dtype=float)
    centre = np.average(y, weights=w)
    q = float(np.sum(w * (y - centre) ** 2))
    divisor = float(np.sum(w) - np.sum(w**2) / np.sum(w))
    return max(0.0, (q - (y.size - 1)) / divisor)


def overdispersion(rates: ArrayLike, sizes: ArrayLike, benchmark: float) -> float:
    """Return by how much the groups spread beyond chance (1 = chance alone), after drawing in the outer tenths.

    Parameters
    ----------
    rates, sizes : array of shape (n,)
        Proportions and what they rest on.
    benchmark : float
        Proportion of all together.

    Returns
    -------
    float
        phi; limits are widened by its square root where it exceeds ``1 + 2 sqrt(2 / n)``, else 1.
        Source: Spiegelhalter (2005), section on over-dispersion (from memory).
    """
    y, n = np.asarray(rates, dtype=float), _checked_sizes(sizes)
    if y.size < 5 or benchmark in (0.0, 1.0):
        return 1.0
    z = (y - benchmark) / np.sqrt(benchmark * (1 - benchmark) / n)
    low, high = np.quantile(z, [WINSORISED_SHARE, 1 - WINSORISED_SHARE])
    phi = float(np.mean(np.clip(z, low, high) ** 2))
    return phi if phi > 1 + 2 * np.sqrt(2 / y.size) else 1.0


def widened_limits(benchmark: float, size: ArrayLike, coverage: float, phi: float) -> tuple[Array, Array]:
    """Return funnel limits widened for spread beyond chance, within 0-1 (see `funnel_limits` and `overdispersion`)."""
    low, high = funnel_limits(benchmark, size, coverage)
    root = np.sqrt(max(1.0, phi))
    return np.clip(benchmark - root * (benchmark - low), 0, 1), np.clip(benchmark + root * (high - benchmark), 0, 1)


@dataclass(frozen=True)
class GroupEstimate:
    """One group's rate or mean, drawn towards the others, with its 95 % interval.

    `verdict` is one of the keys "higher", "lower", "like the others", "cannot tell yet".
    """

    value: float
    low: float
    high: float
    verdict: str


def shrunken_estimates(
    values: ArrayLike, variances: ArrayLike, sizes: ArrayLike, bounds: tuple[float, float] = (-np.inf, np.inf)
) -> tuple[GroupEstimate, ...]:
    """Return each group's shrunken estimate with a 95 % interval and what may be said of it.

    Parameters
    ----------
    values, variances : array of shape (n,)
        Estimates (rates or means) and their sampling variances.
    sizes : array of shape (n,)
        Observations behind each.
    bounds : (float, float)
        What the value cannot be below or above; intervals end there.

    Returns
    -------
    tuple of GroupEstimate
        Normal empirical Bayes: estimate ``B mu + (1 - B) y`` with ``B = v / (v + tau2)`` (Efron and Morris, 1975).
        The interval allows for both being estimated: variance ``v (1 - (k - 3) / k B) + w (y - mu)^2`` with
        ``w = 2 / (k - 3) B^2 (vbar + tau2) / (v + tau2)`` over k groups, in ``(k - 3) / k`` the correction of B too
        (C. N. Morris, Parametric empirical Bayes
        inference, Journal of the American Statistical Association 78 (1983) 47-55). So a group whose own value lies far
        from the others keeps a wide interval. With three groups or fewer nothing is drawn together: each stands alone.
    """
    y, v, n = (np.asarray(item, dtype=float) for item in (values, variances, sizes))
    known = np.isfinite(y) & np.isfinite(v) & (v > 0)
    groups = int(known.sum())
    if groups < 2:
        return tuple(GroupEstimate(float(a), np.nan, np.nan, "cannot tell yet") for a in y)
    tau2 = between_variance(y[known], v[known])
    centre = float(np.average(y[known], weights=1 / (v[known] + tau2)))
    usual = float(v[known].mean())
    result = []
    for value, variance, size, is_known in zip(y, v, n, known, strict=True):
        if not is_known:
            result.append(GroupEstimate(float(value), np.nan, np.nan, "cannot tell yet"))
            continue
        pull = variance / (variance + tau2) if groups > 3 else 0.0
        estimate = pull * centre + (1 - pull) * value
        spread = variance * (1 - (groups - 3) / groups * pull)
        if groups > 3:
            weight = 2 / (groups - 3) * pull**2 * (usual + tau2) / (variance + tau2)
            spread += weight * (value - centre) ** 2
        sd = float(np.sqrt(spread))
        low, high = max(bounds[0], estimate - 1.96 * sd), min(bounds[1], estimate + 1.96 * sd)
        verdict = "higher" if low > centre else "lower" if high < centre else "like the others"
        result.append(GroupEstimate(float(estimate), low, high, "cannot tell yet" if size < FEWEST else verdict))
    return tuple(result)


def funnel_verdicts(rates: ArrayLike, sizes: ArrayLike, benchmark: float, phi: float = 1.0) -> tuple[str, ...]:
    """Return where each group lies in its funnel, far below, below, inside, above, far above or cannot tell yet.

    Parameters
    ----------
    rates, sizes : array of shape (n,)
        Proportions and what they rest on.
    benchmark : float
        Proportion of all together.
    phi : float
        See `overdispersion`.

    Returns
    -------
    tuple of str
        "far": outside the 99.8 % limits; without "far": outside the 95 % limits only, as one group in twenty is by
        chance alone.
    """
    y, n = np.asarray(rates, dtype=float), _checked_sizes(sizes)
    (low, high), (far_low, far_high) = (widened_limits(benchmark, n, coverage, phi) for coverage in (0.95, 0.998))
    tiny = 1e-12
    words = np.select(
        [n < FEWEST, y < far_low - tiny, y > far_high + tiny, y < low - tiny, y > high + tiny],
        ["cannot tell yet", "far below", "far above", "below", "above"],
        default="inside",
    )
    return tuple(str(word) for word in words)
