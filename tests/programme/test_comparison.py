"""Funnel limits and shrinkage against published examples and reference libraries."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.errors import InputError
from core.programme.comparison import (
    between_variance,
    funnel_limits,
    funnel_verdicts,
    overdispersion,
    shrink_to_mean,
    shrunken_estimates,
    widened_limits,
)

# Efron and Morris 1977, table of 18 batters: average after 45 at-bats, and of the rest of the season.
HITS = np.array([18, 17, 16, 15, 14, 14, 13, 12, 11, 11, 10, 10, 10, 10, 10, 9, 8, 7])
SEASON = np.array(
    [
        0.346,
        0.298,
        0.276,
        0.222,
        0.273,
        0.270,
        0.263,
        0.210,
        0.269,
        0.230,
        0.264,
        0.256,
        0.303,
        0.264,
        0.226,
        0.285,
        0.316,
        0.200,
    ]
)


def test_batters_of_efron_and_morris_1977():
    shrunk = shrink_to_mean(HITS / 45, np.full(18, 45))
    # Published shrinking factor .212 and mean .265 (three digits).
    assert np.mean(HITS / 45) == pytest.approx(0.265, abs=5e-4)
    assert (shrunk[0] - shrunk[-1]) / (HITS[0] - HITS[-1]) * 45 == pytest.approx(0.212, abs=5e-4)
    raw = np.sum((HITS / 45 - SEASON) ** 2)
    assert raw / np.sum((shrunk - SEASON) ** 2) == pytest.approx(3.5, abs=0.1)  # published ratio about 3.5


def test_stroke_readmission_limits_of_spiegelhalter_2002():
    # Overall 7.4 %; at 100 cases the exact 95 % quantiles are 3 and 13 cases (recomputed with scipy).
    low, high = funnel_limits(0.074, 100)
    assert high == pytest.approx(0.13)
    assert low == pytest.approx(0.03, abs=0.011)
    assert funnel_limits(0.074, 100, 0.998)[1] == pytest.approx(0.17, abs=0.011)


def test_limits_equal_the_reference_library():
    from scipy.stats import binom

    low, high = funnel_limits(0.1, 40)
    assert [low, high] == pytest.approx(list(binom.ppf([0.025, 0.975], 40, 0.1) / 40))  # 0.025 and 0.200


def test_eight_schools_between_variance_is_cut_at_zero():
    # Rubin 1981, eight schools; statsmodels' moment estimate is negative and its iterated one 0.
    effect = np.array([28, 8, -3, 7, -1, 1, 18, 12.0])
    error = np.array([15, 10, 16, 11, 9, 11, 10, 18.0])
    assert between_variance(effect, error**2) == 0.0
    estimates = shrunken_estimates(effect, error**2, np.full(8, 50))
    assert estimates[0].value == pytest.approx(7.686, abs=0.01)  # statsmodels combine_effects, iterated
    assert all(item.verdict == "like the others" for item in estimates)


def test_between_variance_against_statsmodels():
    meta = pytest.importorskip("statsmodels.stats.meta_analysis")
    random = np.random.default_rng(3)
    values, variances = random.normal(0, 2, 12), random.uniform(0.2, 1.0, 12)
    reference = meta.combine_effects(values, variances, method_re="dl")
    assert between_variance(values, variances) == pytest.approx(reference.tau2, rel=1e-9)


@given(st.floats(0.01, 0.99), st.integers(1, 2000), st.floats(0.5, 0.999))
def test_limits_stay_in_range_and_hold_the_benchmark_widely(benchmark, size, coverage):
    low, high = funnel_limits(benchmark, size, coverage)
    assert 0 <= low <= high <= 1
    wide_low, wide_high = widened_limits(benchmark, size, coverage, 2.5)
    assert wide_low <= low + 1e-12
    assert wide_high >= high - 1e-12


@given(st.lists(st.tuples(st.integers(1, 400), st.floats(0, 1)), min_size=2, max_size=30))
def test_shrunk_rates_stay_between_the_extremes(pairs):
    sizes = np.array([size for size, _rate in pairs])
    rates = np.array([rate for _size, rate in pairs])
    shrunk = shrink_to_mean(rates, sizes)
    assert shrunk.min() >= rates.min() - 1e-9
    assert shrunk.max() <= rates.max() + 1e-9


def test_chance_alone_accuses_few_groups():
    random = np.random.default_rng(11)
    sizes = random.integers(8, 60, 1000)
    rates = random.binomial(sizes, 0.7) / sizes
    low, high = funnel_limits(0.7, sizes, 0.998)
    assert np.mean((rates < low) | (rates > high)) <= 0.005
    assert overdispersion(rates, sizes, 0.7) == 1.0


def test_small_groups_are_not_judged():
    estimates = shrunken_estimates([0.1, 0.9, 0.5], [0.001, 0.02, 0.001], [100, 4, 100])
    assert estimates[1].verdict == "cannot tell yet"


@pytest.mark.parametrize(
    ("benchmark", "size", "coverage"), [(1.2, 10, 0.95), (0.5, 0, 0.95), (0.5, 10, 1.0), (0.5, 2.5, 0.95)]
)
def test_bad_input_is_refused(benchmark, size, coverage):
    with pytest.raises(InputError):
        funnel_limits(benchmark, size, coverage)


def test_words_of_the_funnel_by_the_published_limits():
    # overall 7.4 %, 100 cases: exact 95 % limits 3 and 13 cases, 99.8 % up to 17 (see above); no case at all has a
    # chance of 0.926^100 = 0.0005, below 0.001
    cases = np.array([0, 1, 2, 3, 13, 14, 17, 18])
    assert funnel_verdicts(cases / 100, np.full(8, 100), 0.074) == (
        "far below",
        "below",
        "below",
        "inside",
        "inside",
        "above",
        "above",
        "far above",
    )
    assert funnel_verdicts([0.0, 1.0], [4, 4], 0.5) == ("cannot tell yet", "cannot tell yet")


def test_chance_alone_is_seldom_called_far():
    random = np.random.default_rng(12)
    sizes = random.integers(5, 60, 3000)
    words = funnel_verdicts(random.binomial(sizes, 0.8) / sizes, sizes, 0.8)
    assert sum("far" in word for word in words) / 3000 <= 0.004


def test_of_means_by_chance_alone_few_groups_stand_out():
    random = np.random.default_rng(13)
    said = 0
    for _run in range(40):
        sizes = random.integers(6, 30, 30)
        samples = [random.normal(8, 3, size) for size in sizes]
        found = shrunken_estimates(
            [sample.mean() for sample in samples], [sample.var(ddof=1) / sample.size for sample in samples], sizes
        )
        said += sum(item.verdict in {"higher", "lower"} for item in found)
    assert said / (40 * 30) < 0.025  # each looked at alone would make 0.05


def test_a_group_that_differs_is_seen_among_many():
    random = np.random.default_rng(14)
    sizes = np.full(30, 20)
    samples = [random.normal(8 + (6 if at == 3 else 0), 3, 20) for at in range(30)]
    found = shrunken_estimates(
        [sample.mean() for sample in samples], [sample.var(ddof=1) / sample.size for sample in samples], sizes
    )
    assert found[3].verdict == "higher"


def test_interval_of_morris_1983_holds_the_truth_as_often_as_it_says():
    random = np.random.default_rng(15)
    held = []
    for _run in range(150):
        truth = random.normal(0, 0.7, 20)
        variances = random.uniform(0.3, 2.0, 20)
        values = random.normal(truth, np.sqrt(variances))
        found = shrunken_estimates(values, variances, np.full(20, 30))
        held += [item.low <= own <= item.high for item, own in zip(found, truth, strict=True)]
    assert 0.93 <= np.mean(held) <= 0.99


def test_three_groups_are_not_drawn_together():
    found = shrunken_estimates([1.0, 2.0, 9.0], [0.25, 0.25, 0.25], [30, 30, 30])
    assert [item.value for item in found] == [1.0, 2.0, 9.0]
    assert found[0].high == pytest.approx(1 + 1.96 * 0.5)


def test_intervals_end_where_the_value_cannot_go():
    found = shrunken_estimates([0.97, 0.9, 0.8, 0.95], np.full(4, 0.01), np.full(4, 20), bounds=(0, 1))
    assert max(item.high for item in found) == 1.0


@pytest.mark.parametrize(("spread", "widened"), [(1.41, False), (1.42, True)])
def test_spread_is_widened_only_beyond_its_own_chance(spread, widened):
    """Eight groups of 400 at 0.5 +- spread standard errors: phi = spread squared (nothing to cut), held against
    1 + 2 sqrt(2 / 8) = 2.
    """
    step = spread * 0.5 / 20
    phi = overdispersion(np.array([0.5 - step, 0.5 + step] * 4), np.full(8, 400.0), 0.5)
    assert phi == (pytest.approx(spread**2) if widened else 1.0)
