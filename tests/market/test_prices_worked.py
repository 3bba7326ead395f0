"""Monthly prices, slips and the factor of a place, each figure and each border by hand."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from core.errors import PriceDataError
from core.market.prices import Basis, learn_basis, mend_slips, monthly_prices

INDEX = pd.period_range("2018-01", periods=30, freq="M")


def flat(times: dict[int, float], price: float = 300.0) -> pd.Series:
    """Return level prices, from each month on that many times what stood there."""
    series = pd.Series(price, INDEX)
    for month, factor in times.items():
        series.iloc[month:] *= factor
    return series


@pytest.mark.parametrize("factor", [10, 100, 1000, 1e4, 1e5, 1e6, 45, 46, 50, 90])
@pytest.mark.parametrize("up", [True, False])
def test_new_money_and_bags_of_every_weight_bring_earlier_prices_to_the_new_unit(factor, up):
    """Powers of ten, and bags of 45, 46, 50 and 90 kg, both ways: what was 300 becomes 300 x or / the factor."""
    scale = factor if up else 1 / factor
    mended, (action,) = mend_slips(flat({20: scale}))
    np.testing.assert_allclose(mended, 300 * scale, rtol=1e-12)
    assert action.kept
    assert action.row is None
    words = f"about {factor:g} times {'higher' if up else 'lower'}"
    assert words in str(action.what)
    assert "2019-09" in str(action.what)


@pytest.mark.parametrize(("moved", "mended_by"), [(13.4, 10), (13.6, 1), (7.5, 10), (7.3, 1), (47.9, 46), (48.1, 50)])
def test_a_move_within_a_third_of_a_unit_is_that_unit_and_the_nearest_one(moved, mended_by):
    """e^0.3 = 1.35: 13.4 is ten, 13.6 is not; 10 / 1.35 = 7.41; of 46 and 50 the middle is 47.96 (root of 2300)."""
    mended, (action,) = mend_slips(flat({12: moved}))
    assert mended.iloc[:12].to_list() == pytest.approx([300.0 * mended_by] * 12)
    assert mended.iloc[12:].to_list() == pytest.approx([300.0 * moved] * 18)
    assert ("left as it is" in str(action.what)) is (mended_by == 1)


@pytest.mark.parametrize(("after", "left_out"), [(1.79, 1), (1.81, 0), (1 / 1.79, 1), (1 / 1.81, 0)])
def test_what_goes_back_to_within_four_fifths_was_a_slip(after, left_out):
    """Sixty times for a month, and then within a factor of 1.8 of what was before, or not."""
    series = flat({12: after})
    series.iloc[12] = 300.0 * 60
    mended, actions = mend_slips(series)
    assert len(mended) == 30 - left_out
    assert not actions[0].kept if left_out else actions[0].kept
    if left_out:
        said = str(actions[0].what)
        assert "2019-01: 1.8e+04 is 60 times" in said


def test_a_move_is_told_with_both_prices():
    (action,) = mend_slips(flat({12: 4.0}))[1]
    assert str(action.what).startswith("2019-01: the price moves from 300 to 1200 and stays")
    assert action.kept


def test_the_newest_month_is_told_with_how_often_the_one_before():
    mended, (action,) = mend_slips(flat({29: 0.01}))
    assert len(mended) == 29
    assert "2020-06: 3 is 0.01 times the month before" in str(action.what)
    assert not action.kept
    # four times is no unit: it may stand though it is the newest
    assert len(mend_slips(flat({29: 4.0}))[0]) == 30
    alone, nothing = mend_slips(flat({}).iloc[:1])
    assert (alone.tolist(), nothing) == ([300.0], [])


def test_two_new_units_one_after_the_other():
    """Times 1000, and later divided by ten: the first ten months are multiplied by 100 together, the next by 0.1."""
    mended, actions = mend_slips(flat({10: 1000.0, 20: 0.1}))
    np.testing.assert_allclose(mended, 300 * 100)
    assert [str(action.what)[5:12] for action in actions] == ["2018-11", "2019-09"]


def test_quotes_become_months_and_what_stays_out_is_counted():
    """Wholesale has three months, retail two: retail's three quotes stay out; then KES has two months and USD one."""
    rows = [
        ("2021-01-04", "wholesale", "KES", 10.0),
        ("2021-01-28", "wholesale", "KES", 14.0),
        ("2021-02-10", "wholesale", "KES", 11.0),
        ("2021-02-20", "wholesale", "KES", 13.0),
        ("2021-02-21", "wholesale", "KES", 18.0),
        ("2021-03-10", "wholesale", "USD", 0.2),
        ("2021-03-10", "retail", "KES", 30.0),
        ("2021-03-11", "retail", "KES", 30.0),
        ("2021-04-10", "retail", "KES", 30.0),
    ]
    table = pd.DataFrame(rows, columns=["date", "price_type", "currency", "price_per_kg"])
    found = monthly_prices(table)
    assert found.prices.to_dict() == {pd.Period("2021-01", "M"): 12.0, pd.Period("2021-02", "M"): 13.0}
    assert found.prices.name == "price_per_kg"
    assert [(str(action.what), action.kept) for action in found.actions] == [
        ("3 quotes (retail) are not mixed with the wholesale ones: left out", False),
        ("1 quotes (USD) are not mixed with the KES ones: left out", False),
        ("2 months with several quotes: their median is used", True),
    ]
    assert monthly_prices(table.iloc[2:3]).actions == ()
    with pytest.raises(PriceDataError):
        monthly_prices(table.iloc[:0])


def test_a_factor_says_between_what_the_next_price_lies():
    """At log_sd 0.3 the middle 80 % (the default) ends at 1.2816 deviations, the middle 95 % at 1.9600 (tables)."""
    basis = Basis(0.8, 0.3, 4, 0.1)
    assert basis.interval() == pytest.approx((0.8 * math.exp(-1.28155 * 0.3), 0.8 * math.exp(1.28155 * 0.3)), rel=1e-4)
    assert basis.interval(0.95)[1] == pytest.approx(0.8 * math.exp(1.95996 * 0.3), rel=1e-4)


def test_own_paths_about_the_factor_carry_its_doubt_once_and_each_months_scatter():
    """factor 0.8, known to 0.3, single prices to 0.5 in all: months scatter by 0.4, two of them apart by 0.4 sqrt 2."""
    market = np.tile([100.0, 110.0, 90.0], (20_000, 1))
    basis = Basis(0.8, 0.5, 4, 0.3)
    logs = np.log(basis.own_paths(market, 6) / market)
    assert logs.mean() == pytest.approx(math.log(0.8), abs=0.01)
    np.testing.assert_allclose(logs.std(axis=0), 0.5, rtol=0.02)
    assert (logs[:, 1] - logs[:, 2]).std() == pytest.approx(0.4 * math.sqrt(2), rel=0.02)
    # from a price seen today only the months' scatter is left, about the market's move
    seen = np.log(basis.own_paths(market, 6, own_today=70.0))
    np.testing.assert_allclose(seen[:, 0], math.log(70.0))
    assert seen[:, 1].mean() == pytest.approx(math.log(70.0 * 1.1), abs=0.01)
    assert (seen[:, 1] - seen[:, 2]).std() == pytest.approx(0.4 * math.sqrt(2), rel=0.02)


def test_the_factor_is_learnt_from_the_months_that_both_have():
    """Own prices of four months, the market's of two of them, twice as high: mean log x 2 / 0.01 / (25 + 200)."""
    own = pd.Series([5.0, 6.0, 7.0, 8.0], INDEX[:4])
    market = pd.Series([12.0, 14.0, 99.0], INDEX[[1, 2, 9]])
    found = learn_basis(own, market)
    assert found.quotes == 2
    assert found.factor == pytest.approx(0.5 ** (200 / 225))
    assert found.factor_log_sd == pytest.approx(1 / 15)
    assert found.log_sd == pytest.approx(math.hypot(1 / 15, 0.1))
