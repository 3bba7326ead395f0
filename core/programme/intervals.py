"""Intervals of one group's value and of its change between two seasons, by published methods."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from core.errors import InputError
from core.programme.counting import Indicator

Z95 = 1.959963984540054
BOUNDS = {
    "days_to_dry": (0.0, np.inf),
    "readings_per_lot": (0.0, np.inf),
    "bags_per_test_day": (0.0, np.inf),
    "price_against_market": (0.0, np.inf),
    "settled_share": (0.0, 1.0),
    "complete_readings": (0.0, 1.0),
}
"""What means cannot be below or above; losses and gains can be either side of 0 as measured."""
FEWEST = 5
FEWEST_PAIRS = 8
"""Observations, and members seen in both seasons, below which nothing is said; basis: judgement."""


def wilson_interval(successes: float, size: float) -> tuple[float, float]:
    """Return the score interval of a proportion, 0-1.

    Source: E. B. Wilson, Journal of the American Statistical Association 22 (1927) 209-212.

    Raises
    ------
    InputError
        Where there is nothing to count, or more successes than observations.
    """
    if size <= 0 or not 0 <= successes <= size:
        raise InputError("{top} of {size} is not a proportion", top=successes, size=size)
    rate = successes / size
    middle = (rate + Z95**2 / (2 * size)) / (1 + Z95**2 / size)
    half = Z95 / (1 + Z95**2 / size) * np.sqrt(rate * (1 - rate) / size + Z95**2 / (4 * size**2))
    return float(max(0.0, middle - half)), float(min(1.0, middle + half))


def interval(found: Indicator, proportion: bool) -> tuple[float, float] | None:
    """Return the 95 % interval of a group's value: score for a proportion, Student's t else.

    None where there is none.
    """
    if found.value is None:
        return None
    if proportion:
        return wilson_interval(found.numerator, found.denominator)
    if found.variance is None:
        return None
    from scipy.stats import t

    half = float(t.ppf(0.975, found.count - 1) * np.sqrt(found.variance))
    low, high = BOUNDS.get(found.key, (-np.inf, np.inf))
    return max(low, found.value - half), min(high, found.value + half)


def difference_of_proportions(top_1: float, n_1: float, top_2: float, n_2: float) -> tuple[float, float, float]:
    """Return second less first proportion with its 95 % interval.

    Source: R. G. Newcombe, Statistics in Medicine 17 (1998) 873-890, method 10 (score intervals of both, no continuity
    correction).
    """
    (low_1, high_1), (low_2, high_2) = wilson_interval(top_1, n_1), wilson_interval(top_2, n_2)
    rate_1, rate_2 = top_1 / n_1, top_2 / n_2
    difference = rate_2 - rate_1
    low = difference - np.hypot(rate_2 - low_2, high_1 - rate_1)
    high = difference + np.hypot(high_2 - rate_2, rate_1 - low_1)
    return float(difference), float(low), float(high)


def difference_of_means(first: Indicator, second: Indicator) -> tuple[float, float, float, float] | None:
    """Return second less first mean, its 95 % interval and its variance; None where either has no variance.

    Source: B. L. Welch, Biometrika 34 (1947) 28-35: unequal variances, Satterthwaite's degrees of freedom.
    """
    if first.value is None or second.value is None or first.variance is None or second.variance is None:
        return None
    from scipy.stats import t

    variance = first.variance + second.variance
    difference = second.value - first.value
    if variance == 0:
        return difference, difference, difference, 0.0
    freedom = variance**2 / (first.variance**2 / (first.count - 1) + second.variance**2 / (second.count - 1))
    half = float(t.ppf(0.975, freedom) * np.sqrt(variance))
    return difference, difference - half, difference + half, variance


def paired_difference(first: Indicator, second: Indicator) -> tuple[float, float, float, float, int] | None:
    """Return the mean change of the members seen in both seasons, its 95 % interval, variance and number of members.

    Each member counts once, with the mean of its lots. Student's t of the differences (Student, Biometrika 6 (1908)
    1-25). None below two members.
    """
    from scipy.stats import t

    means: list[dict[int, float]] = []
    for found in (first, second):
        values: dict[int, list[float]] = {}
        for value, owner in zip(found.values, found.owners, strict=True):
            if owner is not None:
                values.setdefault(owner, []).append(value)
        means.append({owner: float(np.mean(items)) for owner, items in values.items()})
    both = sorted(set(means[0]) & set(means[1]))
    if len(both) < 2:
        return None
    changes = np.array([means[1][owner] - means[0][owner] for owner in both])
    variance = float(changes.var(ddof=1) / len(both))
    half = float(t.ppf(0.975, len(both) - 1) * np.sqrt(variance))
    middle = float(changes.mean())
    return middle, middle - half, middle + half, variance, len(both)


@dataclass(frozen=True)
class Change:
    """An indicator's change from one season to the next.

    `method` is "same members", "all lots" or "none"; `verdict` one of "better", "worse", "about the same",
    "cannot tell yet"; `variance` of the difference, NaN where there is none.
    """

    key: str
    before: float | None
    after: float | None
    count_before: int
    count_after: int
    difference: float
    low: float
    high: float
    variance: float
    method: str
    verdict: str


def verdict_of_change(low: float, high: float, better: str, alike: float) -> str:
    """Return what may be said of a change by its interval; `alike` is the change that still counts as none."""
    if not np.isfinite([low, high]).all():
        return "cannot tell yet"
    if low > 0 or high < 0:
        return "better" if (low > 0) == (better == "high") else "worse"
    return "about the same" if -alike < low and high < alike else "cannot tell yet"


def no_change(proportion: bool, before: float | None) -> float:
    """Return the change that still counts as none: 0.1 of a proportion, else a tenth of what was before (judgement)."""
    return 0.1 if proportion or before is None else 0.1 * abs(before)


def change_between(first: Indicator, second: Indicator, proportion: bool, better: str) -> Change:
    """Return an indicator's change between two seasons of one group.

    Parameters
    ----------
    first, second : Indicator
        Earlier and later season.
    proportion : bool
        Yes-or-no counts.
    better : str
        "high" or "low".

    Returns
    -------
    Change
        By the same members where eight or more were seen in both seasons, else by all lots of each season; nothing is
        said below five observations in either. It counts as none where its whole interval lies within `no_change`.
    """
    none = (float("nan"),) * 4
    method, result = "none", none
    if first.value is not None and second.value is not None:
        paired = None if first.weights else paired_difference(first, second)
        if paired is not None and paired[4] >= FEWEST_PAIRS and paired[3] > 0:
            method, result = "same members", paired[:4]
        elif proportion:
            middle, low, high = difference_of_proportions(
                first.numerator, first.denominator, second.numerator, second.denominator
            )
            variance = (first.variance or np.nan) + (second.variance or np.nan)
            method, result = "all lots", (middle, low, high, variance)
        else:
            welch = difference_of_means(first, second)
            if welch is not None:
                method, result = "all lots", welch
            else:
                result = (second.value - first.value, float("nan"), float("nan"), float("nan"))
    middle, low, high, variance = result
    enough = min(first.count, second.count) >= FEWEST
    alike = no_change(proportion, first.value)
    verdict = verdict_of_change(low, high, better, alike) if enough else "cannot tell yet"
    return Change(
        first.key, first.value, second.value, first.count, second.count, middle, low, high, variance, method, verdict
    )
