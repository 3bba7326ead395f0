"""What other markets say of a price: by hand, silent where they know nothing, and part of every path."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from core.market.other_markets import OtherMarkets, other_markets
from core.market.season import fit_season
from tests.market.test_season import planted


def level(logs: list[float], last: str = "2020-12") -> pd.Series:
    return pd.Series(np.exp(logs), index=pd.period_range(end=pd.Period(last, freq="M"), periods=len(logs), freq="M"))


def test_moves_and_gaps_by_hand():
    """Others rose by 0.08, 0.12 and 0.30 since the month four before, the first of six that were not level: 0.12.

    The middle of the others today is 0.12 above 1, where it was in 20 of the 24 months before; it was at 0.4 below that
    in two and 0.1 below it in two: on average 0.0417 below. This market, level at 0, is 0.1617 lower than usual.
    """
    own = level([0.0] * 30)
    others = [level([1.0] * 23 + [0.6, 0.6, 1.0, 0.9, 0.9, 1.0, 1.0 + up]) for up in (0.08, 0.12, 0.30)]
    found = other_markets(own, others)
    assert found.moved == pytest.approx(0.12)
    assert found.apart == pytest.approx(-0.12 - 1 / 24)


def test_what_is_still_to_come_by_hand():
    """0.07 x 0.2 a month for six months; a gap of 0.1 closes by 0.08 of it a month for three months."""
    moved, apart = OtherMarkets(moved=0.2), OtherMarkets(apart=0.1)
    np.testing.assert_allclose(moved.rise([0, 1, 6, 9]), [0, 0.014, 0.084, 0.084])
    np.testing.assert_allclose(apart.rise([0, 1, 3, 9]), [0, -0.008, -0.024, -0.024])
    np.testing.assert_allclose(OtherMarkets(0.2, 0.1).rise([2]), moved.rise([2]) + apart.rise([2]))


def test_a_price_two_months_old_still_counts_and_an_older_one_does_not():
    """Known to October, December is today: the move from June to October, and the gap of October."""
    own = level([0.0] * 28 + [0.5, 0.5])
    old = other_markets(own, [level([1.0] * 27 + [1.2], "2020-10")])
    assert (old.moved, old.apart) == (pytest.approx(0.2), pytest.approx(-0.2))
    assert other_markets(own, [level([1.0] * 26 + [1.2], "2020-09")]) == OtherMarkets()


def test_later_months_of_others_are_not_used():
    own, other = level([0.0] * 30), level([1.0] * 30 + [2.0] * 6, "2021-06")
    assert other_markets(own, [other]) == OtherMarkets(0.0, pytest.approx(0.0))


def test_a_short_common_record_tells_the_move_but_no_usual_gap():
    """Twelve months of both before today are needed."""
    other = level([1.0] * 29 + [1.2])
    assert other_markets(level([0.0] * 12), [other]).apart == 0
    assert other_markets(level([0.0] * 12), [other]).moved == pytest.approx(0.2)
    assert other_markets(level([0.0] * 13), [other]).apart == pytest.approx(-0.2)


def test_new_money_elsewhere_and_impossible_prices_do_no_harm():
    own = level([0.0] * 30)
    assert other_markets(own, [level([1.0] * 29 + [8.0])]) == OtherMarkets(0.5, -0.5)
    assert other_markets(own, []) == OtherMarkets()
    broken = level([1.0] * 30)
    broken.iloc[-3:] = [0.0, -1.0, np.nan]
    assert other_markets(own, [broken]) == OtherMarkets()


def test_paths_carry_what_others_say_also_a_month_later():
    """Every path is moved alike; with one more month the others are asked anew."""
    own, other = planted(8, 0.3, 2), planted(8, 0.3, 5)
    lent = fit_season(own, None, [other])
    assert lent.others == other_markets(own, [other]) != OtherMarkets()
    silent = replace(lent, others=OtherMarkets())
    ratio = np.log(lent.sample_paths(9, 50, 1) / silent.sample_paths(9, 50, 1))
    np.testing.assert_allclose(ratio, np.tile(lent.others.rise(np.arange(10)), (50, 1)), atol=1e-12)
    assert fit_season(own.iloc[:-1], None, [other]).updated(own).others == lent.others
