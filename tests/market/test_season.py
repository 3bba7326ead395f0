"""The seasonal curve: what it must find, what it must not find, and what its paths must be."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from core.errors import InputError, PriceDataError
from core.market.season import fit_season


def planted(years: int, gap: float, seed: int, noise: float = 0.10, random_walk: bool = True) -> pd.Series:
    """Return an invented series: one harmonic of a known gap plus noise of known size."""
    rng = np.random.default_rng(seed)
    index = pd.period_range("2005-01", periods=12 * years, freq="M")
    steps = rng.normal(0, noise, len(index))
    deviation = np.cumsum(steps) if random_walk else steps
    season = np.log1p(gap) / 2 * np.cos(2 * np.pi * (index.month.to_numpy() - 7) / 12)
    return pd.Series(100 * np.exp(season + deviation), index=index)


def test_factors_have_geometric_mean_one_and_months_of_the_year():
    curve = fit_season(planted(10, 0.3, 1))
    assert list(curve.factors.index) == list(range(1, 13))
    assert np.log(curve.factors).mean() == pytest.approx(0, abs=1e-12)
    assert curve.gap_pct == pytest.approx(100 * (curve.factors.max() / curve.factors.min() - 1))


def test_paths_start_today_repeat_by_seed_and_scale_with_todays_quote():
    curve = fit_season(planted(8, 0.3, 2))
    paths = curve.sample_paths(9, 500, 4)
    assert paths.shape == (500, 10)
    assert (paths[:, 0] == curve.last_price).all()
    np.testing.assert_array_equal(paths, curve.sample_paths(9, 500, 4))
    np.testing.assert_allclose(curve.sample_paths(9, 500, 4, from_price=55.0), paths * 55 / curve.last_price)


def test_weekly_paths_have_the_same_spread_as_the_months_they_stand_between():
    curve = fit_season(planted(8, 0.3, 2))
    weekly = curve.sample_weekly_paths(26, 4000, 3)
    monthly = curve.sample_paths(6, 4000, 5)
    assert weekly.shape == (4000, 27)
    # 26 weeks are 5.98 months; Monte Carlo error of a standard deviation over 4000 draws is about 1.5 %.
    assert np.log(weekly[:, -1]).std() == pytest.approx(np.log(monthly[:, -1]).std(), rel=0.06)


def test_gaps_are_allowed_and_said():
    series = planted(8, 0.3, 6)
    gappy = series.drop(series.index[20:26])
    curve = fit_season(gappy)
    assert curve.months == 90
    assert curve.span_months == 96
    assert any("no price" in str(note) for note in curve.notes)


def test_too_few_or_impossible_prices_are_refused():
    with pytest.raises(PriceDataError):
        fit_season(planted(1, 0.3, 1).iloc[:4])
    with pytest.raises(PriceDataError):
        fit_season(planted(5, 0.3, 1) * -1)
    with pytest.raises(InputError):
        fit_season(pd.Series([1.0] * 60))
