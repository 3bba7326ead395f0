"""The price at which to sell: a published American option, an exact recursion on a chain of prices, no look ahead."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from core.errors import PriceDataError
from core.market.season import fit_season
from core.market.stopping import hindcast_selling_prices, look_back, selling_prices, selling_prices_by_month
from core.market.waiting import WaitingRule
from tests.market.test_season import planted


def test_american_put_of_longstaff_and_schwartz():
    """Longstaff & Schwartz 2001, table 1, first row: S = 36, K = 40, r = 6 %, sigma = 20 %, 50 dates a year:
    4.478 by finite differences.

    Selling high and exercising a put low are one problem: the rule is given 1/S as its price.
    """
    rng, steps, count = np.random.default_rng(5), 50, 20_000
    change = (0.06 - 0.02) / steps + 0.2 * np.sqrt(1 / steps) * rng.standard_normal((steps, count))
    stock = 36 * np.exp(np.cumsum(change, axis=0))
    discount = np.exp(-0.06 * np.arange(1, steps + 1) / steps)[:, None]
    worth = discount * np.maximum(40 - stock, 0.0)
    learn = np.arange(count) % 2 == 0
    found = selling_prices(1 / stock, worth, learn)
    value = float(found.worth[~learn].mean())
    european = float(worth[-1].mean())
    assert european == pytest.approx(3.844, abs=0.06)  # the same table, closed form
    # paths that were not used to find the rule: a rule that is not quite the best one brings a little less, never more
    assert 4.478 * 0.975 <= value <= 4.478 * 1.015


def test_equal_to_the_exact_recursion_on_a_chain():
    """Independent prices each date, uniform on 1..2, waiting costs 3 % a date: the price to sell at is the value
    of going on, by hand.

    v_T = 1.5; p_t = 0.97 v_(t+1); v_t = E max(p, x) = (1 + p^2)/2 - p + p for x uniform on 1..2, that is p (p - 1) +
    (4 - p^2)/2.
    """
    rng, dates, count = np.random.default_rng(8), 8, 60_000
    prices = rng.uniform(1, 2, (dates, count))
    worth = prices * 0.97 ** np.arange(dates)[:, None]
    found = selling_prices(prices, worth)
    value, exact = 1.5, []
    for _ in range(dates - 1):
        price = 0.97 * value
        exact.append(price)
        value = price * (price - 1) + (4 - price**2) / 2
    assert found.price[-1] == 0
    assert found.price[:-1] == pytest.approx(exact[::-1], abs=0.015)
    assert found.worth.mean() == pytest.approx(value, abs=0.005)


def test_a_sure_rise_waits_and_a_sure_fall_sells():
    rising = np.repeat(np.linspace(1, 2, 6)[:, None], 50, axis=1)
    assert np.isnan(selling_prices(rising, rising).price[:-1]).all()
    assert (selling_prices(rising, rising).sold_at == 5).all()
    falling = rising[::-1]
    assert (selling_prices(falling, falling).price == 0).all()
    assert (selling_prices(falling, falling).sold_at == 0).all()


def test_the_rule_of_a_past_year_knows_nothing_of_what_came_later():
    series = planted(12, 0.4, 8)
    changed = series.copy()
    changed.iloc[108:] *= 5
    rule = WaitingRule(9, 0.02, 0.01)
    before, after = hindcast_selling_prices(series, rule), hindcast_selling_prices(changed, rule)
    early = [period for period in before.index if period + 9 < series.index[108]]
    assert len(early) >= 2
    pd.testing.assert_frame_equal(before.loc[early], after.loc[early])
    assert (before["best"] >= before[["fixed", "rule"]].max(axis=1) - 1e-12).all()


def test_on_a_planted_season_the_rule_earns_at_least_the_fixed_month_less_noise():
    """Prices with a season of 40 % and noise: a rule that looks at the price can use the noise, the fixed month
    cannot.
    """
    gains = []
    for seed in range(3):
        years = hindcast_selling_prices(planted(14, 0.4, seed + 30), WaitingRule(9, 0.02, 0.01))
        gains += (years["rule"] - years["fixed"]).tolist()
    assert np.mean(gains) > -2 * np.std(gains) / np.sqrt(len(gains))


def test_too_few_years_are_said_to_be_so():
    short = pd.Series(np.linspace(1, 2, 40), index=pd.period_range("2020-01", periods=40, freq="M"))
    with pytest.raises(PriceDataError):
        hindcast_selling_prices(short, WaitingRule(9, 0.02, 0.01))


def test_by_month_the_rule_starts_from_todays_own_price():
    """Without noise in the rule's terms the last month sells at any price, and prices scale with today's own one."""
    curve = fit_season(planted(10, 0.35, 4, noise=0.05))
    rule = WaitingRule(9, 0.03, 0.01)
    here, there = selling_prices_by_month(curve, rule, 100.0), selling_prices_by_month(curve, rule, 50.0)
    assert list(here.index) == list(range(10))
    assert here.iloc[-1] == 0
    np.testing.assert_allclose(here, 2 * there)


def test_a_look_back_by_hand():
    """Means 1.20, 1.10, 1.30 of 1; the differences 0.1, 0.2, 0 have mean 0.1 and standard error 0.1/sqrt(3)."""
    years = pd.DataFrame({"rule": [1.1, 1.4, 1.1], "fixed": [1.0, 1.2, 1.1], "best": [1.2, 1.5, 1.2]})
    found = look_back(years)
    assert (found.rule, found.fixed, found.best) == pytest.approx((0.2, 0.1, 0.3))
    assert (found.tied, found.better) == (1, "")  # 0.1 is less than twice 0.0577
    sure = years.assign(fixed=years["rule"] - [0.1, 0.1, 0.12])
    assert look_back(sure).better == "rule"
    assert look_back(sure.rename(columns={"rule": "fixed", "fixed": "rule"})).better == "fixed"
    assert look_back(years[:1]).better == ""
