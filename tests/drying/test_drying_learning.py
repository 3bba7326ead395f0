"""Learning the rate: intervals cover the known factor as often as they say."""

from __future__ import annotations

import numpy as np
import pytest

from core.drying.learning import learn_rate, prior_belief, update_belief
from core.drying.run import DryingSetup, simulate_drying
from core.errors import InputError
from tests.benchmarks.drying_learning import coverage
from tests.drying.drying_cases import plain_days

WEATHER = plain_days(days=4)
SETUP = DryingSetup("tarpaulin", 10, 25)


def readings_of(factor, hours=(0, 11, 16, 35, 40), start=23.0):
    run = simulate_drying("maize", start, WEATHER, DryingSetup("tarpaulin", 10, 25, rate_factor=factor), 13.0)
    return [(run.times[hour].to_pydatetime(), float(run.moisture_pct[hour, 0])) for hour in hours]


def test_the_prior_is_centred_on_the_published_rate():
    belief = prior_belief(0.25)
    assert belief.median == pytest.approx(1.0, abs=0.01)
    low, high = belief.interval(0.8)
    assert np.log(high) == pytest.approx(0.25 * 1.2816, rel=0.02)  # normal quantile of 90 %
    assert np.log(low) == pytest.approx(-0.25 * 1.2816, rel=0.02)
    assert belief.weights.sum() == pytest.approx(1.0)


@pytest.mark.parametrize("factor", [0.7, 1.0, 1.35])
def test_readings_move_the_belief_to_the_truth_and_sharpen_it(factor):
    prior = prior_belief(0.25)
    belief = learn_rate("maize", readings_of(factor), WEATHER, SETUP)
    low, high = belief.interval(0.8)
    assert abs(np.log(belief.median / factor)) < abs(np.log(1 / factor)) + 0.05
    assert low <= factor <= high
    assert high / low < prior.interval(0.8)[1] / prior.interval(0.8)[0]
    again = learn_rate("maize", readings_of(factor), WEATHER, SETUP, belief)
    assert again.interval(0.8)[1] / again.interval(0.8)[0] < high / low
    assert again.readings == 8


def test_noisy_readings_raise_the_believed_noise():
    calm = learn_rate("maize", readings_of(1.0), WEATHER, SETUP)
    wild = [(time, value + shift) for (time, value), shift in zip(readings_of(1.0), (0, 2, -2, 2, -2), strict=True)]
    assert learn_rate("maize", wild, WEATHER, SETUP).noise > calm.noise + 0.1


def test_one_reading_teaches_nothing_and_readings_outside_the_weather_are_refused():
    assert learn_rate("maize", readings_of(1.0)[:1], WEATHER, SETUP).readings == 0
    with pytest.raises(InputError):
        learn_rate("maize", readings_of(1.0), WEATHER.iloc[:20], SETUP)


def test_bayes_rule_against_the_multivariate_normal_of_scipy():
    """Odds of two factors = prior odds times the ratio of scipy's own normal densities, summed over start and sun."""
    from scipy.stats import multivariate_normal

    belief, bias, place = prior_belief(0.25), 0.4, 4
    predicted = np.zeros((3, 3, len(belief.factors), 2))
    predicted[:] = (np.log(belief.factors)[:, None] * np.array([2.0, 4.0]))[None, None]
    predicted += np.linspace(-2.5, 2.5, 3)[None, :, None, None] * 0.8
    observed = np.array([0.5, 0.9])
    after = update_belief(belief, predicted, observed, bias)
    covariance = belief.noises[place] ** 2 * np.eye(3) + bias**2
    offsets = np.linspace(-2.5, 2.5, 31)

    def likelihood(index):
        means = [[offset, *(predicted[1, 1, index] + 0.8 * offset)] for offset in offsets]
        return sum(multivariate_normal.pdf([0.0, *observed], mean, covariance) for mean in means)

    a, b = 30, 60
    prior_odds = belief.weights[a, place] / belief.weights[b, place]
    odds = after.weights[a, place] / after.weights[b, place]
    assert odds == pytest.approx(prior_odds * likelihood(a) / likelihood(b), rel=1e-6)


def test_sampling_follows_the_belief():
    belief = prior_belief(0.3)
    sample = belief.sample(400, seed=3)
    assert np.quantile(sample, 0.9) == pytest.approx(belief.quantile(0.9), rel=0.02)
    np.testing.assert_array_equal(sample, belief.sample(400, seed=3))


def test_coverage_on_lots_with_a_known_factor_few():
    """80 % intervals; 60 lots: within three standard errors of 0.8 (binomial), the full 500 are in the slow test."""
    found = coverage(60, seed=11)
    assert abs(found - 0.8) < 3 * np.sqrt(0.8 * 0.2 / 60)


@pytest.mark.slow
def test_coverage_on_500_lots_with_a_known_factor():
    assert 0.74 <= coverage(500, seed=5) <= 0.86
