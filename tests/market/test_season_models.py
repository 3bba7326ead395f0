"""The linear models against dense linear algebra, another library, and by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from core.market import season_models
from core.market.season_models import (
    DRIFT_CHANGES,
    autocovariance,
    average,
    make_grid,
    root,
    season_columns,
    trend_columns,
    whitened,
)

PAIR = frozenset({(0.94, 0.2)})


def series(months: int = 60, seed: int = 3) -> np.ndarray:
    rng = np.random.default_rng(seed)
    at = np.arange(months)
    return 3.0 + 0.004 * at + np.cumsum(rng.normal(0, 0.05, months))


@pytest.mark.parametrize(("rho", "phi"), [(0.999, 0.0), (0.9, 0.4), (0.5, -0.2)])
def test_autocovariances_are_those_of_another_library(rho, phi):
    process = pytest.importorskip("statsmodels.tsa.arima_process")
    ours = autocovariance(np.arange(8), rho, phi)
    theirs = process.arma_acovf([1, -(rho + phi), rho * phi], [1], nobs=8)
    np.testing.assert_allclose(ours, theirs, rtol=1e-6)


@pytest.mark.parametrize(("rho", "phi"), [(0.97, 0.2), (0.8, -0.2)])
def test_whitening_by_the_filter_is_whitening_by_the_dense_covariance(rho, phi):
    """Both give the same normal equations and the same determinant: rows' C^-1 rows, log |C|."""
    rows = np.random.default_rng(1).standard_normal((30, 4))
    lag = np.abs(np.subtract.outer(np.arange(30), np.arange(30)))
    dense = autocovariance(lag, rho, phi)
    white, logdet = whitened(rows, rho, phi)
    np.testing.assert_allclose(white.T @ white, rows.T @ np.linalg.solve(dense, rows), rtol=1e-8)
    assert logdet == pytest.approx(np.linalg.slogdet(dense)[1])


def test_weights_are_the_marginal_likelihoods_of_a_normal_law():
    """Independent: y ~ N(X m, sigma^2 C + X S X'), by scipy, for every form and kind of drift of one pair."""
    y = series()
    grid = make_grid(np.arange(60), y, [], 12)
    models = average(grid, 0.004, keep=PAIR)
    lag = np.abs(np.subtract.outer(np.arange(60), np.arange(60)))
    noise = models[0].sigma ** 2 * autocovariance(lag, 0.94, 0.2)
    kinds = {kind.name: kind for kind in season_models.DRIFT_KINDS}
    logs = {}
    for model in models:
        if model.form != "sawtooth" and model.form != "none":
            continue
        kind = kinds[model.drift]
        spread = [season_models.LEVEL_SCALE, kind.drift_scale] + [kind.change_scale] * len(DRIFT_CHANGES)
        share = season_models.FORM_WEIGHT[model.form] * kind.weight
        if model.form == "sawtooth":
            spread, share = [*spread, season_models.SAWTOOTH_SCALE], share / 12
        columns = grid.columns[:, model.columns]
        mean = columns[:, 0] * y[-1] + columns[:, 1] * (0.004)
        law = multivariate_normal(mean, noise + columns * np.square(spread) @ columns.T)
        logs[model.form, model.drift, int(model.columns[-1])] = (model.weight, law.logpdf(y) + np.log(share))
    assert len(logs) >= 2
    weights, evidence = (np.array(part) for part in zip(*logs.values(), strict=True))
    np.testing.assert_allclose(np.log(weights / weights[0]), evidence - evidence[0], atol=1e-6)


def test_months_without_a_price_say_nothing():
    """Independent: generalised least squares on the known months alone; the coefficients agree to a twentieth."""
    y = series(72, 5)
    known = np.setdiff1d(np.arange(72), [10, 11, 30, 31, 32, 50])
    grid = make_grid(known, y[known], [], 12)
    models = average(grid, 0.004, keep=PAIR)
    top = next(model for model in models if model.form in ("none", "sawtooth"))
    kind = next(kind for kind in season_models.DRIFT_KINDS if kind.name == top.drift)
    lag = np.abs(np.subtract.outer(known, known))
    inverse = np.linalg.inv(top.sigma**2 * autocovariance(lag, 0.94, 0.2))
    columns = grid.columns[np.ix_(known, top.columns)]
    spread = np.diag(top.covariance)
    normal = columns.T @ inverse @ columns
    prior_mean = np.zeros(len(top.columns))
    prior_mean[:2] = y[-1], 0.004
    scales = np.array([season_models.LEVEL_SCALE, kind.drift_scale, kind.change_scale, kind.change_scale])
    rest = len(top.columns) - 4
    season = {0: [], 1: [season_models.SAWTOOTH_SCALE]}[rest]  # the forms with one scale
    precision = np.diag(np.concatenate([scales, season]) ** -2.0)
    mean = np.linalg.solve(normal + precision, columns.T @ inverse @ y[known] + precision @ prior_mean)
    assert (np.abs(mean - top.mean) < 0.05 * np.sqrt(spread) + 1e-9).all()


def test_columns_by_hand():
    trend = trend_columns(np.array([-61, -25, 0, 2]), [-25])
    np.testing.assert_array_equal(trend[:, 0], 1)
    np.testing.assert_array_equal(trend[:, 1], [-61, -25, 0, 2])
    np.testing.assert_array_equal(trend[:, 2], [-1, 0, 0, 0])  # before the change of drift 60 months ago
    np.testing.assert_array_equal(trend[:, 3], [-37, -1, 0, 0])  # and 24 months ago
    np.testing.assert_array_equal(trend[:, 4], [0, 1, 1, 1])  # from the jump on
    season = season_columns(np.arange(1, 13))
    assert season[2, 0] == pytest.approx(0)  # cos of a quarter turn in March
    assert season[2, 1] == pytest.approx(1)
    assert season[2, 2] == pytest.approx(-1)  # cos of a half turn of the second harmonic
    np.testing.assert_allclose(season.mean(axis=0), 0, atol=1e-12)
    np.testing.assert_allclose(season[:, 4], np.arange(12) / 11 - 0.5)  # falls in January, rises to December


def test_the_root_of_a_covariance():
    covariance = np.array([[4.0, 2.0], [2.0, 3.0]])
    np.testing.assert_allclose(root(covariance) @ root(covariance).T, covariance)


def test_a_fast_rise_is_believed_and_a_slow_one_is_left_alone():
    """Five per cent a month for eight years is inflation; a third of a per cent is not called so."""
    import pandas as pd

    from core.market.season import fit_season

    rng = np.random.default_rng(8)
    index = pd.period_range("2016-01", periods=96, freq="M")
    noise = np.cumsum(rng.normal(0, 0.04, 96))
    fast = fit_season(pd.Series(np.exp(0.05 * np.arange(96) + noise), index=index))
    slow = fit_season(pd.Series(np.exp(0.003 * np.arange(96) + noise), index=index))
    assert fast.drift_monthly == pytest.approx(0.05, abs=0.02)
    assert fast.inflating
    assert slow.drift_monthly < 0.012
