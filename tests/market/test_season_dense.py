"""Every model of the average again by dense linear algebra, and the paths of a model by its recursion in plain numbers.

A series with a jump, a neighbours' season and months without a price (the one before the last among them):

    y = X b + E a + u,    b ~ N(m, S),  a ~ N(0, 1) for each absent month about the line between its neighbours,
    u ~ N(0, sigma^2 C),  C the autocovariances of (1 - rho L)(1 - phi L) u = e with unit innovations.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm
from scipy.stats import t as student

from core.errors import InputError, PriceDataError
from core.market import season_models
from core.market.other_markets import OtherMarkets
from core.market.season import (
    SeasonalCurve,
    _checked,
    _curve,
    _Fitted,
    _jumps,
    _season_cloud,
    _shared_season,
    checked_months,
    drift_centre,
    fit_season,
)
from core.market.season_models import (
    FORM_WEIGHT,
    MOMENTUM,
    MOMENTUM_WEIGHT,
    NEIGHBOURS,
    PERSISTENCE,
    PERSISTENCE_WEIGHT,
    TAIL_WIDTHS,
    Grid,
    Model,
    average,
    make_grid,
    residuals,
    season_columns,
    season_test,
    tail_degrees,
)

MONTHS, ABSENT, JUMP = 80, [7, 8, 30, 78], (50, 0.9)
PAIRS = ((0.94, 0.4), (0.8, -0.2))
CENTRE = 0.006
SHARED = (np.array([0.03, -0.06, 0.01, 0.02]), np.array([0.04, 0.05, 0.02, 0.03]))
KNOWN = np.setdiff1d(np.arange(MONTHS), ABSENT)


def prices() -> np.ndarray:
    rng = np.random.default_rng(17)
    at = np.arange(MONTHS)
    season = 0.08 * np.cos(2 * np.pi * (at - 3) / 12) + 0.03 * np.sin(4 * np.pi * at / 12)
    return 2.0 + 0.005 * at + season + np.cumsum(rng.normal(0, 0.06, MONTHS)) + np.where(at >= JUMP[0], JUMP[1], 0.0)


def gappy() -> Grid:
    return make_grid(KNOWN, prices()[KNOWN], [JUMP], 4)


def dense(rho: float, phi: float, months: int = MONTHS) -> np.ndarray:
    """Return C by solving the two Yule-Walker equations and going on by the recursion (Box & Jenkins, section 3.2)."""
    first, second = rho + phi, -rho * phi
    # g0 = first g1 + second g2 + 1, g1 = first g0 + second g1, g2 = first g1 + second g0
    equations = np.array([[1, -first, -second], [-first, 1 - second, 0], [-second, -first, 1]])
    lags = list(np.linalg.solve(equations, [1.0, 0.0, 0.0]))
    while len(lags) < months:
        lags.append(first * lags[-1] + second * lags[-2])
    return np.array([[lags[abs(i - j)] for j in range(months)] for i in range(months)])


def innovation(grid: Grid, rho: float, phi: float) -> float:
    """Return sigma: what level, drift, jump (free), bends (held by 1) and two harmonics (by 0.3) leave of the known
    months, with four months of 0.08 before them.
    """
    half = np.linalg.inv(np.linalg.cholesky(dense(rho, phi)))
    trend = grid.base + 4
    held = np.array([1e-9, 1e-9, 1, 1, 1e-9, 0.3, 0.3, 0.3, 0.3])
    used = np.concatenate([np.arange(trend), grid.absent])
    rows = np.vstack([half @ grid.columns[:, used], np.diag(np.sqrt(np.append(held, np.zeros(len(ABSENT)))))])
    aim = np.append(half @ grid.log_price, np.zeros(len(used)))
    found = np.linalg.lstsq(rows, aim, rcond=None)[0]
    left = float(np.sum((aim - rows @ found) ** 2))
    return math.sqrt((4 * 0.08**2 + left) / (4 + len(KNOWN) - trend))


@pytest.fixture(scope="module")
def both() -> tuple[Grid, tuple[Model, ...]]:
    """Return the grid, and all its models: two pairs, three kinds of economy, 1 + 2 x 2 + 12 + 1 forms."""
    grid = gappy()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(season_models, "KEPT_WEIGHT", 2.0)
        patch.setattr(season_models, "MOST_KEPT", 1000)
        return grid, average(grid, CENTRE, SHARED, frozenset(PAIRS))


def season_prior(model: Model, grid: Grid) -> list[tuple[np.ndarray, np.ndarray, float]]:
    """Return (means, deviations, prior weight) that a model's season may have: a harmonic has one of two scales."""
    share = FORM_WEIGHT[model.form]
    if model.form == NEIGHBOURS:
        return [(*SHARED, share)]
    if model.form == "sawtooth":
        return [(np.zeros(1), np.array([season_models.SAWTOOTH_SCALE]), share / 12)]
    if model.form == "none":
        return [(np.zeros(0), np.zeros(0), share)]
    size = {"one harmonic": [1.0, 1.0], "two harmonics": [1.0, 1.0, 0.5, 0.5]}[model.form]
    return [(np.zeros(len(size)), scale * np.array(size), share / 2) for scale in season_models.HARMONIC_SCALES]


def test_every_model_is_the_normal_law_worked_densely(both):
    grid, models = both
    assert len(models) == 2 * 3 * 18
    weights = np.array([model.weight for model in models])
    assert weights.sum() == pytest.approx(1.0)
    assert (np.diff(weights) <= 0).all()
    prior = {
        pair: PERSISTENCE_WEIGHT[PERSISTENCE.index(pair[0])] * MOMENTUM_WEIGHT[MOMENTUM.index(pair[1])]
        for pair in PAIRS
    }
    loose = grid.columns[:, grid.absent]
    sigmas = {pair: innovation(grid, *pair) for pair in PAIRS}
    noises = {pair: sigmas[pair] ** 2 * dense(*pair) for pair in PAIRS}
    fills = {}
    for pair in PAIRS:
        inverse = np.linalg.inv(noises[pair])
        fills[pair] = np.linalg.solve(loose.T @ inverse @ loose + np.eye(len(ABSENT)), loose.T @ inverse)
    found = []
    for model in models:
        pair = (model.rho, model.phi)
        assert model.sigma == pytest.approx(sigmas[pair], rel=1e-6)
        noise, fill = noises[pair], fills[pair]
        kind = next(kind for kind in season_models.DRIFT_KINDS if kind.name == model.drift)
        columns = grid.columns[:, model.columns]
        likely = []
        for means, deviations, share in season_prior(model, grid):
            mean = np.concatenate([[grid.log_price[-1], CENTRE, 0, 0, 0], means])
            spread = [3.0, kind.drift_scale, kind.change_scale, kind.change_scale, JUMP[1], *deviations]
            scatter = np.diag(np.square(spread))
            total = noise + loose @ loose.T + columns @ scatter @ columns.T
            inverse = np.linalg.inv(total)
            gain, away = scatter @ columns.T @ inverse, grid.log_price - columns @ mean
            after = mean + gain @ away
            law = -(away @ inverse @ away + np.linalg.slogdet(2 * math.pi * total)[1]) / 2
            likely.append((np.abs(after - model.mean).max(), after, scatter - gain @ columns @ scatter, law, share))
        _, after, covariance, law, share = min(likely, key=lambda row: row[0])
        np.testing.assert_allclose(model.mean, after, atol=1e-6)
        np.testing.assert_allclose(model.covariance, covariance, atol=1e-7)
        found.append(law + math.log(share * kind.weight * prior[pair]))
        # the month before the last, as the coefficients and all that was seen tell it
        assert model.before[0] == pytest.approx((fill @ grid.log_price)[-1], abs=1e-8)
        np.testing.assert_allclose(model.before[1], -(fill @ columns)[-1], atol=1e-8)
    logs = np.array(found)
    expected = np.exp(logs - logs.max())
    np.testing.assert_allclose(weights, expected / expected.sum(), rtol=1e-4, atol=1e-9)


def test_only_the_heaviest_are_kept(both, monkeypatch):
    """As many as reach the share of weight that is kept, or as many as may be; those few weigh one together."""
    grid, everything = both
    weights = np.array([model.weight for model in everything])
    for share, most, kept in ((0.8, 1000, int(np.argmax(np.cumsum(weights) >= 0.8)) + 1), (0.999, 5, 5)):
        monkeypatch.setattr(season_models, "KEPT_WEIGHT", share)
        monkeypatch.setattr(season_models, "MOST_KEPT", most)
        models = average(grid, CENTRE, SHARED, frozenset(PAIRS))
        assert len(models) == kept
        np.testing.assert_allclose([model.weight for model in models], weights[:kept] / weights[:kept].sum())


def test_priors_are_shares_and_rise_in_order():
    for values, weights, rising in ((PERSISTENCE, PERSISTENCE_WEIGHT, -1), (MOMENTUM, MOMENTUM_WEIGHT, 1)):
        assert sum(weights) == pytest.approx(1.0)
        assert (rising * np.diff(values) > 0).all()
        assert (np.abs(values) < 1).all()  # stationary
    np.testing.assert_allclose(np.diff(MOMENTUM), 0.2)
    assert MOMENTUM[1] == 0.0


def test_a_whole_series_has_nothing_to_fill_in():
    y = prices()
    grid = make_grid(np.arange(MONTHS), y, [], 11)
    assert grid.columns.shape == (MONTHS, 4 + 16)
    np.testing.assert_array_equal(grid.season, np.arange(4, 20))
    assert grid.absent.size == 0
    # the last month is November, the first 79 months before it: April
    np.testing.assert_allclose(grid.columns[[0, -1], 4:], season_columns(np.array([4, 11])))
    model = average(grid, CENTRE, keep=frozenset(PAIRS[:1]))[0]
    assert model.before[0] == 0.0
    assert not model.before[1].any()
    half = np.linalg.inv(np.linalg.cholesky(dense(*PAIRS[0])))
    rest = y - grid.columns[:, model.columns] @ model.mean
    np.testing.assert_allclose(residuals(grid, model), half @ rest / model.sigma, rtol=1e-6, atol=1e-9)


def test_the_grid_of_a_series_with_gaps():
    grid = gappy()
    y = prices()
    assert grid.base == 5
    np.testing.assert_array_equal(grid.absent, [21, 22, 23, 24])
    np.testing.assert_array_equal(np.flatnonzero(~grid.known), ABSENT)
    assert grid.log_price[7] == pytest.approx((2 * y[6] + y[9]) / 3)  # a third of the way
    np.testing.assert_array_equal(np.argwhere(grid.columns[:, 21:])[:, 0], ABSENT)
    np.testing.assert_array_equal(grid.columns[:, 1], np.arange(-79, 1))
    np.testing.assert_array_equal(grid.columns[48:52, 4], [0, 0, 1, 1])  # from the jump on
    np.testing.assert_array_equal(grid.jump_sizes, [0.9])
    np.testing.assert_allclose(grid.columns[-1, 5:21], season_columns(np.array([4]))[0])


def test_residuals_of_the_known_months_are_those_of_generalised_least_squares(both):
    """Absent months are let free: what is left is the residual of the whitened rows on their columns."""
    grid, models = both
    for model in (models[0], models[-1]):
        half = np.linalg.inv(np.linalg.cholesky(dense(model.rho, model.phi)))
        aim = half @ (grid.log_price - grid.columns[:, model.columns] @ model.mean)
        loose = half @ grid.columns[:, grid.absent]
        left = aim - loose @ np.linalg.solve(loose.T @ loose, loose.T @ aim)
        np.testing.assert_allclose(residuals(grid, model), left[grid.known] / model.sigma, rtol=1e-6, atol=1e-9)


def test_tail_widths_are_students():
    """10-90 % width of a Student variable of unit variance against a normal one's, by scipy."""
    for degrees, width in TAIL_WIDTHS:
        wide = student.ppf(0.9, degrees) / math.sqrt(degrees / (degrees - 2)) / norm.ppf(0.9)
        assert width == pytest.approx(wide, abs=0.0015)


def test_tails_by_hand():
    """41 innovations evenly from -2 to 2: 10 and 90 % at -1.6 and 1.6, half their distance over 1.2816 = 1.2485 wide;
    60 months of 0.80 count beside them: (41 x 1.2485 + 48) / 101 = 0.98207. Between 10 degrees (0.957) and 30 (0.988).
    """
    even = np.linspace(-2, 2, 41)
    part = ((41 * 1.6 / norm.ppf(0.9) + 48) / 101 - 0.957) / (0.988 - 0.957)
    assert tail_degrees(even) == pytest.approx(10 * 3**part, rel=1e-3)
    # no innovation is wide, one is: 0.80 x 60 / 101 lies below the narrowest of the table
    assert tail_degrees(np.append(np.zeros(40), 30.0)) == pytest.approx(3.0)
    assert tail_degrees(np.linspace(-9, 9, 200)) == pytest.approx(30.0)


@pytest.mark.parametrize("gaps", [False, True])
def test_the_test_of_the_season_again_by_least_squares(gaps):
    """Greatest log likelihood ratio over the forms less their price, among 99 random directions and the series'."""
    y = prices()[:40]
    known = np.setdiff1d(np.arange(40), [5, 20]) if gaps else np.arange(40)
    grid = make_grid(known, y[known], [(12, 0.5)], 4)
    half = np.linalg.inv(np.linalg.cholesky(dense(0.8, -0.2, 40)))
    white = half @ grid.columns
    kept = white[:, [0, 1, 4, *grid.absent]]  # level, drift, jump; no bends of the drift

    def left(rows: np.ndarray, on: np.ndarray) -> np.ndarray:
        return np.sum((rows - on @ np.linalg.lstsq(on, rows, rcond=None)[0]) ** 2, axis=0)

    noise = np.random.default_rng(1989).standard_normal((40, 99))
    trial = np.column_stack([half @ grid.log_price, noise])
    freedom = 40 - 3 - len(grid.absent)
    none = left(trial, kept)
    gains = [
        freedom / 2 * np.log(none / left(trial, np.column_stack([kept, white[:, 5 + np.array(form)]]))) - price
        for form, price in season_models.TESTED_FORMS
    ]
    best = np.max(gains, axis=0)
    assert season_test(grid, 0.8, -0.2, draws=99) == (1 + np.sum(best[1:] >= best[0])) / 100


def test_eight_degrees_of_freedom_are_the_least_to_test_a_season():
    """Ten months less level and drift are eight; nine months are too few and never seasonal."""
    grids = [make_grid(np.arange(n), np.cos(2 * np.pi * np.arange(n) / 12), [], 4) for n in (9, 10)]
    short, enough = (season_test(grid, 0.5, 0.0, draws=99) for grid in grids)
    assert short == 1.0
    assert enough == 1 / 100  # a pure harmonic: no random direction is explained so well


def test_by_default_two_thousand_ranks():
    """1,999 draws and the series: the strongest season possible has a p-value of one in two thousand."""
    grid = make_grid(np.arange(60), np.cos(2 * np.pi * np.arange(60) / 12), [], 4)
    assert season_test(grid, 0.5, 0.0) == 1 / 2000


# Paths of a made-up curve


def made_up(models: tuple[Model, ...], grid: Grid, **changed: object) -> SeasonalCurve:
    index = pd.period_range("2019-03", periods=3, freq="M")
    fitted = _Fitted(grid, models, 0.03, 5.0, ())
    return replace(_curve(pd.Series([3.0, 4.0, 5.0], index), fitted, 0.004, None), **changed)


def steady(
    before: tuple[float, np.ndarray] = (0.0, np.zeros(6)), sigma: float = 0.0, phi: float = 0.3, weight: float = 1.0
) -> Model:
    """Return a model whose coefficients are known to a hair: level, drift, bends, one harmonic."""
    mean = np.array([1.2, 0.02, 0.01, -0.015, 0.1, -0.05])
    return Model(weight, 0.9, phi, "one harmonic", "calm", np.arange(6), mean, np.eye(6) * 1e-18, sigma, before)


def small_grid() -> Grid:
    """Return March to May 2019, log prices not on the model's line."""
    return make_grid(np.arange(3), np.array([1.1, 1.35, 1.3]), [], 5)


def line(ahead: int) -> float:
    """Return the model's log price months after May: beyond today the bends are zero."""
    angle = 2 * math.pi * (5 + ahead) / 12
    bends = 0.01 * min(ahead + 60, 0) - 0.015 * min(ahead + 24, 0)
    return 1.2 + 0.02 * ahead + bends + 0.1 * math.cos(angle) - 0.05 * math.sin(angle)


def recursion(before: float, now: float, months: int) -> list[float]:
    out = []
    for ahead in range(1, months + 1):
        before, now = now, (0.9 + 0.3) * now - 0.9 * 0.3 * before
        out.append(line(ahead) + now - 1.3)
    return out


def test_a_path_without_noise_is_the_recursion_by_hand():
    curve = made_up((steady(),), small_grid())
    wanted = recursion(1.35 - line(-1), 1.3 - line(0), 14)
    paths = curve.sample_paths(14, 3, 1, from_price=7.0)
    np.testing.assert_allclose(np.log(paths / 7.0), [[0.0, *wanted]] * 3, atol=1e-6)
    # an absent month before the last: 0.02 and 0.3 x the drift of 0.02 above the line between its neighbours
    drift = np.array([0, 0.3, 0, 0, 0, 0])
    curve = made_up((steady((0.02, drift)),), small_grid())
    wanted = recursion(1.35 - line(-1) - 0.02 - 0.3 * 0.02, 1.3 - line(0), 14)
    np.testing.assert_allclose(np.log(curve.sample_paths(14, 3, 1) / 5.0), [[0.0, *wanted]] * 3, atol=1e-6)
    # other markets' rise comes on top: 7 % of their move in each of six months
    moved = replace(curve, others=OtherMarkets(moved=0.1))
    rise = [0.007 * min(ahead, 6) for ahead in range(1, 15)]
    np.testing.assert_allclose(np.log(moved.sample_paths(14, 2, 1)[0, 1:] / 5.0), np.add(wanted, rise), atol=1e-6)


def test_models_share_the_paths_by_their_weights():
    """Two models, 0.7 and 0.3, with other momentum: of 50 paths 35 are the first's and 15 the other's."""
    curve = made_up((steady(weight=0.7), steady(phi=-0.2, weight=0.3)), small_grid())
    ends = curve.sample_paths(2, 50, 4)[:, 2]
    first = 5.0 * math.exp(recursion(1.35 - line(-1), 1.3 - line(0), 2)[1])
    assert np.isclose(ends, first, rtol=1e-6).sum() == 35
    assert len(set(np.round(ends, 6))) == 2


def test_noise_of_the_paths_is_sigma_with_tails_cut():
    """A Student path has sigma sqrt((v - 2) / chi2(v)) noise, at most 2.5 sigma: its mean square by numbers, and the
    second month's variance is 1 + (rho + phi)^2 times the first's.
    """
    from scipy.stats import chi2

    sigma, degrees = 0.07, 4.0
    curve = made_up((steady(sigma=sigma),), small_grid(), tail_degrees=degrees)
    logs = np.log(curve.sample_paths(2, 40_000, 5)[:, 1:])
    u = (np.arange(20_000) + 0.5) / 20_000
    square = np.mean(np.minimum(2 / chi2.ppf(u, degrees), 2.5**2)) * sigma**2
    assert logs[:, 0].var() == pytest.approx(square, rel=0.03)
    assert logs[:, 1].var() == pytest.approx(square * (1 + 1.2**2), rel=0.03)
    # the cut: no shock beyond 2.5 times a normal's, some beyond twice
    shock = np.abs(logs[:, 0] - logs[:, 0].mean()) / sigma
    assert (shock > 4.5).mean() > 2 * norm.sf(4.5)


def test_weekly_paths_without_noise_go_straight_between_the_months():
    curve = made_up((steady(),), small_grid(), noise=0.0)
    monthly = np.log(curve.sample_paths(3, 2, 8)[0])
    weekly = np.log(curve.sample_weekly_paths(11, 2, 8)[0])
    assert weekly.shape == (12,)
    at = np.arange(12) / (365.25 / 12 / 7)  # 2.53 months
    np.testing.assert_allclose(weekly, np.interp(at, np.arange(4), monthly), atol=1e-6)
    assert curve.sample_weekly_paths(1, 2, 8).shape == (2, 2)


def test_weekly_paths_bend_as_a_brownian_bridge_and_meet_the_months():
    """Within a month the variance is noise^2 part (1 - part), by the curve's noise, whatever the months do."""
    curve = made_up((steady(),), small_grid())
    flat, wild = (np.log(replace(curve, noise=size).sample_weekly_paths(9, 6000, 8)) for size in (0.0, 0.3))
    bend = wild - flat
    np.testing.assert_allclose(bend[:, 0], 0.0, atol=1e-12)
    month = 365.25 / 12 / 7
    # weeks 1 to 3 lie in the first month; its end lies between weeks 4 and 5, and is met by their own line
    after = month - 4  # from week 4 to the end of the month
    for week in (1, 2, 3):
        part = week / month
        # W(t) - t (W(4) (1 - s) + W(5) s), s = after: var t/m - 2 t/m part + part^2 (4 + s^2)/m
        wanted = part - 2 * part * part + part**2 * (4 + after**2) / month
        assert bend[:, week].var() == pytest.approx(0.3**2 * wanted, rel=0.06)
    assert bend[:, 5:9].var(axis=0).max() <= 0.3**2 / 4 * 1.1  # later months too: widest in the middle
    both = np.mean(bend[:, 1] * bend[:, 6])  # months bend on their own
    assert abs(both) < 0.06 * bend[:, 1].std() * bend[:, 6].std() + 0.02 * 0.09


def test_forecasts_are_quantiles_of_the_paths():
    curve = made_up((steady(sigma=0.05),), small_grid())
    found = curve.forecast(2, interval=0.6, from_price=2.0)
    paths = curve.sample_paths(2, 4000, 20201, 2.0)[:, 2]
    wanted = [*np.quantile(paths, [0.2, 0.5, 0.8]), paths.mean()]
    np.testing.assert_allclose(found.loc[2, ["low", "median", "high", "mean"]].to_numpy(dtype=float), wanted)
    usual = curve.forecast(1)
    np.testing.assert_allclose(usual["low"], np.quantile(curve.sample_paths(1, 4000, 20201)[:, 1], 0.1))
    for wrong in (0.0, 1.0):
        with pytest.raises(InputError):
            curve.forecast(1, interval=wrong)
    for months, count in ((0, 1), (1, 0)):
        with pytest.raises(InputError):
            curve.sample_paths(months, count, 1)
    assert curve.sample_paths(1, 1, 1).shape == (1, 2)
    for price in (0.0, -1.0, math.inf, math.nan):
        with pytest.raises(InputError):
            curve.sample_paths(1, 1, 1, price)


# What a curve says


def test_a_curve_is_the_weighted_sum_of_its_models():
    """Two models, 0.75 and 0.25: one harmonic (0.1, -0.05) and none. Season = 0.75 x theirs, its range from the
    amplitude sqrt(0.1^2 + 0.05^2), in months of 30 degrees; drift and noise are weighted alike.
    """
    none = replace(steady(weight=0.25, sigma=0.08), columns=np.arange(4), mean=np.array([1.0, 0.06, 0.0, 0.0]))
    none = replace(none, covariance=np.eye(4) * 1e-18)
    models = (steady(weight=0.75, sigma=0.04), none)
    curve = made_up(models, small_grid())
    angle = 2 * np.pi * np.arange(1, 13) / 12
    season = 0.75 * (0.1 * np.cos(angle) - 0.05 * np.sin(angle))
    np.testing.assert_allclose(curve.factors, np.exp(season), rtol=1e-9)
    assert curve.gap_pct == pytest.approx(100 * (math.exp(np.ptp(season)) - 1))
    assert curve.trough_month == int(np.argmin(season)) + 1
    assert curve.peak_month == int(np.argmax(season)) + 1
    assert curve.drift_monthly == pytest.approx(0.75 * 0.02 + 0.25 * 0.06)
    assert curve.inflating
    assert curve.noise == pytest.approx(0.75 * 0.04 + 0.25 * 0.08)
    assert (curve.months, curve.span_months, curve.last_price) == (3, 3, 5.0)
    assert str(curve.last_month) == "2019-05"
    # 600 draws of the one, 200 of the other: a flat draw gives each month a twelfth of its chance
    sure = np.full(12, 0.25 / 12)
    np.testing.assert_allclose(curve.trough_chance, sure + 0.75 * (np.arange(1, 13) == curve.trough_month), atol=1e-9)
    np.testing.assert_allclose(curve.peak_chance, sure + 0.75 * (np.arange(1, 13) == curve.peak_month), atol=1e-9)
    high = 100 * (math.exp(np.ptp(season) / 0.75) - 1)
    np.testing.assert_allclose(curve.gap_interval_pct, [0.0, high], atol=1e-5)
    assert not curve.reliable  # three months


def test_draws_of_the_season_scatter_as_the_coefficients_do():
    """A model of one harmonic with deviations 0.03 and 0.06, correlated: the cloud has X S X' as its covariance."""
    covariance = np.diag([1.0, 1.0, 1.0, 1.0, 0.03**2, 0.06**2])
    covariance[4, 5] = covariance[5, 4] = 0.5 * 0.03 * 0.06
    season, cloud = _season_cloud(small_grid(), (replace(steady(), covariance=covariance),))
    assert cloud.shape == (800, 12)
    table = season_columns(np.arange(1, 13))[:, :2]
    wanted = table @ covariance[4:, 4:] @ table.T
    np.testing.assert_allclose(np.cov(cloud.T), wanted, atol=0.15 * wanted.max())
    np.testing.assert_allclose(cloud.mean(axis=0), season, atol=4 * 0.06 / math.sqrt(800))


def test_a_season_is_believed_with_four_years_and_a_small_chance():
    index = pd.period_range("2015-01", periods=48, freq="M")
    grid, model = small_grid(), steady()
    for months, p_value, believed in ((48, 0.059, True), (47, 0.059, False), (48, 0.06, False)):
        series = pd.Series(np.linspace(2, 3, months), index[:months])
        curve = _curve(series, _Fitted(grid, (model,), p_value, 5.0, ()), 0.004, None)
        assert curve.reliable is believed
        assert curve.inflating  # 0.02 a month
    slow = replace(model, mean=np.array([1.2, 0.01, 0, 0, 0.1, -0.05]))  # just at the border
    assert not _curve(series, _Fitted(grid, (slow,), 0.5, 5.0, ()), 0.004, None).inflating


def test_jumps_by_hand():
    """Five usual changes about their middle (1.4826 x the median one), 0.35 at least, are no jump.

    A jump over a gap of four months counts by half (the square root of the months).
    """

    def found(changes: list[float], times: list[int] | None = None) -> list[tuple[int, float]]:
        y = np.concatenate([[1.0], 1.0 + np.cumsum(changes)])
        at = np.array(times) if times else np.arange(len(y))
        periods = pd.PeriodIndex([pd.Period("2015-01", "M") + int(step) for step in at])
        return _jumps(at, y, periods)[0]

    calm = [0.02, -0.02] * 6
    assert found([*calm, 0.351, *calm]) == [(13, pytest.approx(0.351))]
    assert found([*calm, -0.351, *calm]) == [(13, pytest.approx(0.351))]
    assert found([*calm, 0.349, *calm]) == []
    months = [*range(13), *range(16, 29)]  # the thirteenth change goes over four months
    assert found([*calm, 0.71, *calm], months) == [(16, pytest.approx(0.71))]
    assert found([*calm, 0.69, *calm], months) == []
    # restless prices: 0.1 usually, 5 x 1.4826 x 0.1 = 0.741
    wild = [0.1, -0.1] * 6
    assert found([*wild, 0.73, 0.0, -0.73, *wild]) == []
    assert found([*wild, 0.75, 0.0, -0.73, *wild]) == [(13, pytest.approx(0.75))]
    # a restless rise: 0.3 and 0.5 by turns about 0.4 are usual (limit 0.741), though 0.5 alone would be a jump
    assert found([0.4 + change for change in wild]) == []
    # of seven the six greatest are let free, in order of time
    sizes = [0.9, 0.6, 0.7, 0.8, 0.5, 1.0, 1.1]
    many = found([part for size in sizes for part in (size, *calm)])
    assert many == [(1 + 13 * at, pytest.approx(size)) for at, size in enumerate(sizes) if size != 0.5]


def test_a_jump_is_told_with_the_prices_beside_it():
    y = np.log([2.0] * 9 + [5.0] * 9)
    _, notes = _jumps(np.arange(18), y, pd.period_range("2015-01", periods=18, freq="M"))
    assert [str(note) for note in notes] == ["the price jumps from 2 to 5 in 2015-10: the level is let free there"]


def test_the_own_rise_over_months_that_are_absent():
    """Five years ago no price: four years count; a gap is part of the rise, but no month of its own."""
    times = np.setdiff1d(np.arange(73), [12, 40, 41])
    y = np.where(times < 24, 5.0, 0.03 * (times - 24))
    assert drift_centre(times, y, [], 0.004) == pytest.approx(0.03)
    # five and four years ago no price: three count, and the jump in the first month after them does not
    three = np.setdiff1d(np.arange(73), [12, 24])
    assert drift_centre(three, 0.02 * three + np.where(three >= 37, 2.0, 0.0), [37], 0.004) == pytest.approx(0.02)
    assert drift_centre(np.arange(73), 0.0101 * np.arange(73), [], 0.0) == pytest.approx(0.0101)
    assert drift_centre(np.arange(73), 0.0099 * np.arange(73), [], 0.0) == 0.0


def test_each_kind_of_impossible_price_is_refused_alone():
    index = pd.period_range("2015-01", periods=8, freq="M")
    fine = pd.Series(np.linspace(1, 2, 8), index)
    assert checked_months(fine.iloc[::-1]).index.is_monotonic_increasing
    assert len(checked_months(fine.where(fine != fine.iloc[3]))) == 7
    for wrong in (list(fine), fine.reset_index(drop=True), fine.set_axis(index.asfreq("D"))):
        with pytest.raises(InputError):
            checked_months(wrong)
    twice = fine.set_axis([*index[:-1], index[0]])
    nameless = fine.set_axis(pd.PeriodIndex([*index[:-1], pd.NaT], freq="M"))
    for wrong in (twice, nameless):
        with pytest.raises(InputError):
            checked_months(wrong)
    for value in (0.0, -1.0, math.inf, "dear"):
        with pytest.raises(PriceDataError):
            checked_months(pd.Series([*fine.iloc[:-1], value], index, dtype=object))


def test_few_months_many_months_and_gaps_are_told():
    rng = np.random.default_rng(2)

    def notes(months: int, without: int = 0) -> list[str]:
        index = pd.period_range("1990-01", periods=months, freq="M")
        series = pd.Series(np.exp(rng.normal(0, 0.05, months)), index)
        found, said = _checked(series.drop(index[-1 - without : -1]))
        assert len(found) == min(months, 264) - without
        return [str(note) for note in said]

    with pytest.raises(PriceDataError):
        notes(5)
    assert notes(6) == ["6 months are too short a record to trust a season"]
    assert notes(47) == ["47 months are too short a record to trust a season"]
    assert notes(48) == notes(264) == []
    assert notes(265) == ["only the last 264 months are used"]
    assert notes(60, 5) == ["5 of 60 months have no price"]


def test_a_rise_that_cannot_be_is_refused():
    index = pd.period_range("2015-01", periods=6, freq="M")
    series = pd.Series([1.0, 1.1, 1.0, 1.1, 1.2, 1.1], index)
    for wrong in (-0.51, 1.01):
        with pytest.raises(InputError):
            fit_season(series, wrong)


def test_what_neighbours_share_by_hand(monkeypatch):
    """Three markets whose cosines are 0.1, 0.2 and 0.4: mean 0.7 / 3, variance 0.14 / 9 of three, which count as much
    as three markets of 0.03; the next market lies a third of it further. Months after today are not looked at.
    """
    from types import SimpleNamespace

    from core.market import season

    index = pd.period_range("2010-01", periods=60, freq="M")
    cosine = np.cos(2 * np.pi * np.arange(1, 13) / 12)
    seen = []

    def fit(known: pd.Series) -> SimpleNamespace:
        seen.append(len(known))
        return SimpleNamespace(factors=pd.Series(np.exp(known.iloc[0] * cosine)))

    monkeypatch.setattr(season, "fit_season", fit)
    own = pd.Series(1.0, index[:50])
    sizes = [0.1, 0.2, 0.4]
    neighbours = [pd.Series(size, index) for size in sizes]
    short = pd.Series(9.0, index[3:])  # 47 months up to today
    means, spreads = _shared_season(own, [*neighbours, short])
    assert seen == [50, 50, 50]
    np.testing.assert_allclose(means, [0.7 / 3, 0, 0, 0], atol=1e-9)
    variance = (0.14 / 9 * 3 + 3 * 0.03**2) / 6
    np.testing.assert_allclose(spreads, np.sqrt(np.array([variance, *[0.03**2 / 2] * 3]) * (1 + 1 / 3)), rtol=1e-6)
    assert _shared_season(own, [short]) is None
    assert _shared_season(own, [pd.Series(0.3, index[2:])]) is not None  # 48 are enough
    # of eight neighbours six are asked
    seen.clear()
    _shared_season(own, neighbours + neighbours + [short, *neighbours])
    assert len(seen) == 6
