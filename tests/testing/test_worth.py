"""The value of testing against the closed form of decision theory, and against what no test can break."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from core.errors import InputError
from core.testing.worth import (
    DecisionTable,
    best_use,
    no_knowledge,
    normal_belief,
    payback,
    paying_scale,
    reading_chances,
    sampling_error,
    season_worth,
    threshold_chances,
    worth_of_calibration,
    worth_of_probing,
    worth_of_testing,
)

GRID = np.linspace(5, 25, 401)


def linear_table(breakeven: float, slope: float) -> DecisionTable:
    """Return two decisions: one worth 0, one worth slope x (moisture - break-even)."""
    values = np.array([np.zeros_like(GRID), slope * (GRID - breakeven)])[:, :, None]
    return DecisionTable(("leave", "act"), GRID, values)


@pytest.mark.parametrize(("mean", "sd", "error", "breakeven"), [(15, 1.5, 0.5, 14), (14, 1, 1, 14.5), (16, 2, 0.3, 15)])
def test_two_decisions_and_a_normal_reading(mean: float, sd: float, error: float, breakeven: float) -> None:
    """Raiffa & Schlaifer (1961): EVSI = b s [phi(D) - D Phi(-D)], s = sd^2 / sqrt(sd^2 + error^2), D = |mean -
    breakeven| / s.
    """
    table = linear_table(breakeven, 3.0)
    belief = normal_belief(GRID, mean, sd)
    gain = worth_of_testing(table, belief, reading_chances(GRID, error), no_knowledge(GRID))

    def unit_loss(spread: float) -> float:
        distance = abs(mean - breakeven) / spread
        return 3.0 * spread * (norm.pdf(distance) - distance * norm.cdf(-distance))

    assert gain.mean == pytest.approx(unit_loss(sd**2 / math.hypot(sd, error)), rel=0.01)
    assert gain.perfect == pytest.approx(unit_loss(sd), rel=0.005)


TABLES = st.tuples(st.integers(0, 10_000), st.integers(2, 4), st.integers(1, 5))


@given(TABLES, st.floats(0.1, 2), st.floats(0.1, 2))
def test_a_test_is_never_worth_less_than_nothing_nor_more_than_the_truth(seed, first, second) -> None:
    """Blackwell (1953): a noisier reading is worth no more; the answer 'dry or wet' is worth no more than the truth."""
    generator = np.random.default_rng(seed[0])
    grid = np.linspace(10, 20, 41)
    values = np.cumsum(generator.normal(size=(seed[1], 41, seed[2])), axis=1)
    table = DecisionTable(tuple("abcd"[: seed[1]]), grid, values)
    belief = normal_belief(grid, 15, 2)
    low, high = sorted([first, second])
    nothing = no_knowledge(grid)
    finer = worth_of_testing(table, belief, reading_chances(grid, low), nothing)
    # a reading with added noise, made by blurring the finer one, is a garbling in the strict sense
    blur = generator.dirichlet(np.ones(6), size=len(reading_chances(grid, low)))
    coarser = worth_of_testing(table, belief, blur.T @ reading_chances(grid, low), nothing)
    assert -1e-9 <= coarser.mean <= finer.mean + 1e-9
    assert finer.mean <= finer.perfect + 1e-9
    two = worth_of_testing(table, belief, threshold_chances(grid, 15, high), nothing)
    assert -1e-9 <= two.mean <= two.perfect + 1e-9
    assert worth_of_testing(table, belief, nothing, nothing).mean == 0


def test_probabilities_and_shapes_are_checked() -> None:
    table = linear_table(14, 1)
    belief = normal_belief(GRID, 14, 1)
    with pytest.raises(InputError, match="add up"):
        best_use(table, belief * 0.9, no_knowledge(GRID))
    with pytest.raises(InputError, match="each moisture"):
        best_use(table, belief[:-1], no_knowledge(GRID))
    with pytest.raises(InputError):
        normal_belief(GRID, 14, 0)
    with pytest.raises(InputError):
        reading_chances(GRID, -1)
    with pytest.raises(InputError):
        threshold_chances(GRID, 15, 0)
    with pytest.raises(InputError):
        DecisionTable(("a",), GRID, np.zeros((2, 401, 1)))
    with pytest.raises(InputError):
        DecisionTable(("a",), GRID, np.full((1, 401, 1), np.nan))


def test_sampling_error_by_hand() -> None:
    """0.8^2 / 10 x (1 - 10 / 30) + 0.3^2 / 10 + 0.4^2 = 0.04267 + 0.009 + 0.16 = 0.21167; root 0.46007."""
    assert sampling_error(30, 10, 0.8, 0.3, 0.4) == pytest.approx(0.46007, abs=1e-5)
    assert sampling_error(30, 30, 0.8, 0.0, 0.4) == pytest.approx(0.4)
    for probed in (0, 31):
        with pytest.raises(InputError):
            sampling_error(30, probed, 0.8, 0.3, 0.4)


def test_more_bags_and_a_calibration_are_worth_something_but_less_and_less() -> None:
    table = linear_table(14, 10.0)
    belief = normal_belief(GRID, 14.3, 1.0)
    probing = worth_of_probing(table, belief, no_knowledge(GRID), 30, 1.2, 0.3, 0.3, cost_per_test=0.05)
    assert np.all(np.diff(probing.worth) > -1e-9)
    assert np.all(np.diff(probing.error_pct) < 0)
    steps = np.diff(probing.worth) / np.diff(probing.probed)
    assert steps[0] > steps[-1]
    assert 1 <= probing.best <= 30
    assert worth_of_calibration(table, belief, 0.3, 0.6, 0.2) > 0
    assert worth_of_calibration(table, belief, 0.3, 0.4, 0.4) == 0


def test_probing_is_the_worth_of_a_reading_with_that_error_less_its_cost() -> None:
    """Each number of bags on its own: the error by Cochran, the reading's worth over the judgement, less the tests."""
    table, belief = linear_table(14, 10.0), normal_belief(GRID, 14.3, 1.0)
    cost = 0.35
    found = worth_of_probing(table, belief, threshold_chances(GRID, 14.0, 1.0), 12, 1.2, 0.3, 0.3, cost)
    assert found.probed.tolist() == [1, 2, 3, 5, 7, 10, 12]
    judged = best_use(table, belief, threshold_chances(GRID, 14.0, 1.0)).mean
    nets = []
    for place, count in enumerate(found.probed):
        error = math.sqrt(1.2**2 / count * (1 - count / 12) + 0.3**2 / count + 0.3**2)
        assert found.error_pct[place] == pytest.approx(error)
        worth = best_use(table, belief, reading_chances(GRID, error)).mean - judged
        assert found.worth[place] == pytest.approx(worth)
        nets.append(worth - cost * count)
        assert found.net[place] == pytest.approx(nets[-1])
    assert found.best == found.probed[int(np.argmax(nets))]
    many = worth_of_probing(table, belief, no_knowledge(GRID), 70, 1.2, 0.3, 0.3, cost)
    assert many.probed.tolist() == [1, 2, 3, 5, 7, 10, 15, 20, 30, 50]  # about half as many again each time
    assert 1 < found.best < 12
    check = worth_of_calibration(table, belief, 0.3, 0.6, 0.2)
    two = [best_use(table, belief, reading_chances(GRID, math.hypot(0.3, bias))).mean for bias in (0.2, 0.6)]
    assert check == pytest.approx(two[0] - two[1])


def test_beliefs_and_answers_are_the_normal_laws() -> None:
    """Against the standard library's normal distribution, point by point."""
    law = NormalDist(14.0, 1.5)
    coarse = np.array([11.0, 12.0, 14.0, 17.0])
    cuts = [-math.inf, 11.5, 13.0, 15.5, math.inf]
    mass = [law.cdf(high) - law.cdf(low) for low, high in itertools.pairwise(cuts)]
    assert normal_belief(coarse, 14.0, 1.5) == pytest.approx(mass)
    dry = [NormalDist(14.5, 0.7).cdf(-value + 29.0) for value in coarse]
    assert threshold_chances(coarse, 14.5, 0.7) == pytest.approx(np.array([dry, [1 - chance for chance in dry]]))
    answers = reading_chances(coarse, 0.5)
    assert answers.sum(axis=0) == pytest.approx(np.ones(4))
    for wrong in (0.0, -1.0):
        with pytest.raises(InputError):
            normal_belief(coarse, 14.0, wrong)
        with pytest.raises(InputError):
            threshold_chances(coarse, 14.0, wrong)
    for error in (-0.1, math.inf, math.nan):
        with pytest.raises(InputError):
            reading_chances(coarse, error)
    assert (reading_chances(coarse, 0.0) == np.eye(4)).all()


def test_a_seasons_tenths_and_a_payback_that_needs_its_last_season() -> None:
    table, belief = linear_table(14, 2.0), normal_belief(GRID, 14, 1)
    one = worth_of_testing(table, belief, reading_chances(GRID, 0.4), no_knowledge(GRID))
    spread = replace(one, by_scenario=np.arange(11.0))
    season = season_worth({"A": spread, "B": spread}, {"A": {"x": 1.0}})
    # 0, 2, ... 20: the second and the tenth of eleven
    assert (season.low, season.mean, season.high) == (2.0, 10.0, 18.0)
    with pytest.raises(InputError):
        season_worth({"A": spread, "B": replace(one, by_scenario=np.arange(3.0))}, {})
    # two in ten histories never pay: the 90 % point is infinite, the middle is not
    late = payback(30, [0.0, 10.0], 0, 4, 0.0, seed=2, paths=4000)
    assert late.chance_within_life == pytest.approx(5 / 16, abs=0.025)  # three or four of four seasons
    assert (late.median, late.high) == (math.inf, math.inf)
    assert payback(0, [1.0], 0, 1, 0.0, seed=1).by_season.tolist() == [1.0]
    for wrong in ((1, 0, 0.0), (1, 1, -0.1)):
        with pytest.raises(InputError):
            payback(wrong[0], [1.0], 0, wrong[1], wrong[2], seed=1)


def test_season_adds_lots_in_the_same_scenarios_and_members_share_them() -> None:
    table = linear_table(14, 2.0)
    belief = normal_belief(GRID, 14, 1)
    one = worth_of_testing(table, belief, reading_chances(GRID, 0.4), no_knowledge(GRID))
    season = season_worth({"A": one, "B": one}, {"A": {"x": 1.0}, "B": {"x": 0.25, "y": 0.75}})
    assert season.mean == pytest.approx(2 * one.mean)
    assert season.by_member == pytest.approx({"x": 1.25 * one.mean, "y": 0.75 * one.mean})
    # losses avoided are added up by kind, over the lots that have them
    lots = {"A": replace(one, avoided={"a": 2.0, "b": 1.0}), "B": replace(one, avoided={"a": 3.0})}
    assert season_worth(lots, {}).avoided == {"a": 5.0, "b": 1.0}
    with pytest.raises(InputError, match="add up"):
        season_worth({"A": one}, {"A": {"x": 0.5}})
    with pytest.raises(InputError):
        season_worth({}, {})


def test_payback_by_hand() -> None:
    """Worth 30 less upkeep 5 is 25 a season: a price of 60 is back after 3; 25 x 4 never gives 101."""
    result = payback(60, [30.0], 5, 4, 0.0, seed=1)
    assert (result.low, result.median, result.high, result.chance_within_life) == (3, 3, 3, 1)
    assert list(result.by_season) == [0, 0, 1, 1]
    never = payback(101, [30.0], 5, 4, 0.0, seed=1)
    assert never.chance_within_life == 0
    assert never.median == math.inf
    # 25 / 1.5 + 25 / 2.25 + 25 / 3.375 = 35.19
    assert payback(35, [30.0], 5, 4, 0.5, seed=1).median == 3
    with pytest.raises(InputError):
        payback(-1, [1.0], 0, 1, 0, seed=1)


def test_how_much_grain_makes_the_meter_pay() -> None:
    """By hand: 240 in four seasons without interest are 60, with upkeep 12 it is 72.

    A season brings 30 - 6 = 24: three times as much.
    """
    assert paying_scale(240, 30, 12, 6, 4, 0.0) == pytest.approx(3.0)
    assert paying_scale(240, 5, 12, 6, 4, 0.0) == paying_scale(240, 6, 12, 6, 4, 0.0) == math.inf
    scale = paying_scale(240, 30, 12, 6, 4, 0.3)
    paid = payback(240, [30 * scale * 1.0001], 12 + 6 * scale, 4, 0.3, seed=1)
    assert paid.high == 4  # just within its life


def test_payback_chances_are_binomial() -> None:
    """Worth 0 or 20 with equal chance, price 20: back within n seasons with 1 - 0.5^n (4,000 histories, 3 sd)."""
    result = payback(20, [0.0, 20.0], 0, 4, 0.0, seed=5, paths=4000)
    for season in range(1, 5):
        chance = 1 - 0.5**season
        assert result.by_season[season - 1] == pytest.approx(
            chance, abs=3 * math.sqrt(chance * (1 - chance) / 4000) + 1e-9
        )


def test_tenths_of_a_payback_are_the_seasons_by_which_so_many_have_it_back() -> None:
    """A price of 20 and 20 a season with a chance just above 10, 50 and 90 %: that tenth has it back after one."""
    for chance, name in ((0.105, "low"), (0.505, "median"), (0.905, "high")):
        worth = np.where(np.arange(1000) < 1000 * chance, 20.0, 0.0)
        result = payback(20, worth, 0, 4, 0.0, seed=3, paths=20_000)
        share = float(result.by_season[0])
        assert chance - 0.005 < share < chance + 0.005  # between the tenth and one in a hundred more
        assert getattr(result, name) == 1
