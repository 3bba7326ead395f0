"""The prices page's outlook by hand: which week a month is, what the wait risks, when nothing is left to wait with."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from core.market import outlook as room
from core.market.outlook import PriceOutlook, price_outlook, with_price_of_today


def made(months=3, best=2, sell=(np.nan, 5.0, 0.0)):
    """Return thirteen weeks after today; each week's numbers are its own number."""
    weeks = pd.DataFrame({"median": np.arange(14.0), "chance": np.arange(14) / 100})
    verdict = SimpleNamespace(sell_by_month=best, costs=SimpleNamespace(months=months))
    paths = np.arange(14.0) + 100 * np.arange(3)[:, None]
    return PriceOutlook(verdict, paths, weeks, pd.Series(sell, index=range(1, len(sell) + 1)))


@pytest.mark.parametrize(("months", "week"), [(0, 0), (1, 4), (2, 9), (3, 13), (2.9, 13), (9, 13)])
def test_the_week_that_stands_for_a_month(months, week):
    """A month has 365.25 / 84 = 4.348 weeks: 4.3, 8.7, 13.04; never beyond the last."""
    found = made()
    assert found.week_of(months) == week
    assert found.prices_after(months).tolist() == [week, 100.0 + week, 200.0 + week]


def test_how_often_the_wait_earns_less():
    """It pays in 9 of 100 paths until month 2 (week 9): in 91 it does not; who need not wait risks nothing."""
    assert made().chance_of_loss == pytest.approx(0.91)
    assert made(best=0).chance_of_loss == 0.0


def test_after_a_month_that_sells_at_any_price_there_is_nothing_left_to_wait_with():
    found = made(months=4, sell=(np.nan, 0.0, 7.0, 0.0)).by_month()
    assert found.index.tolist() == [1, 2, 3, 4]
    assert found["median"].tolist() == [4.0, 9.0, 13.0, 13.0]
    assert found["done"].tolist() == [False, False, True, True]
    assert np.isnan(found["sell_at"].to_numpy()).tolist() == [True, False, True, True]
    assert found["sell_at"].iloc[1] == 0.0
    short = made(months=3, sell=(6.0,)).by_month()
    assert short["sell_at"].iloc[0] == 6.0
    assert short["done"].tolist() == [False, False, False]


def test_paths_begin_at_the_price_where_the_grain_is_sold(monkeypatch):
    """The market stands at 40 and 80 in the end; at home it is 30 now: 60 in the end, of the same rise."""
    market = np.array([[40.0, 60.0, 80.0], [40.0, 20.0, 40.0]])
    asked = {}

    def paths(weeks, count, seed):
        asked.update(weeks=weeks, count=count, seed=seed)
        return market

    def by_week(found, *costs):
        asked.update(paths=found, costs=costs)
        return pd.DataFrame({"chance": [0.0]})

    curve = SimpleNamespace(sample_weekly_paths=paths)
    monkeypatch.setattr(room, "verdict", lambda *given: SimpleNamespace(curve=curve, given=given))
    monkeypatch.setattr(room, "outlook_by_week", by_week)
    monkeypatch.setattr(room, "selling_prices_by_month", lambda *given: given)
    costs = SimpleNamespace(
        months=6,
        monthly_interest=0.02,
        monthly_loss=0.01,
        monthly_cost=0.3,
        monthly_rise=0.005,
        rule=lambda now: ("rule", now),
    )
    found = price_outlook("prices", costs, 30.0, ("other",))
    np.testing.assert_allclose(found.paths, [[30.0, 45.0, 60.0], [30.0, 15.0, 30.0]])
    assert (asked["weeks"], asked["count"]) == (26, 2000)  # six months are 26.09 weeks
    assert asked["costs"] == (0.02, 0.01, 0.3, 0.005)
    assert found.verdict.given == ("prices", costs, 30.0, ("other",))
    assert found.sell_at == (curve, ("rule", 30.0), 30.0)
    basis = SimpleNamespace(own_paths=lambda market, seed, now: (market.shape, seed, now))
    assert price_outlook("prices", costs, 30.0, (), basis, seed=3).paths == ((2, 3), 3, 30.0)
    assert asked["seed"] == 3
    costs.months = 0
    price_outlook("prices", costs, 30.0)
    assert asked["weeks"] == 1


def test_todays_price_takes_the_place_of_this_month_and_of_what_comes_later():
    months = pd.Series([1.0, 2.0, 3.0, 4.0], pd.period_range("2026-03", periods=4, freq="M"))
    found = with_price_of_today(months, date(2026, 5, 20), 9.0)
    assert found.tolist() == [1.0, 2.0, 9.0]
    assert str(found.index[-1]) == "2026-05"
