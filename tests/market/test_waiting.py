"""The waiting rule: by hand on curves that are known exactly, one verdict for every reader, and only our own errors."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from core.errors import DryholdError, InputError
from core.market.other_markets import OtherMarkets
from core.market.season import fit_season
from core.market.waiting import LEAST_GAIN, WaitingCosts, WaitingRule, decide, verdict
from tests.market.test_season import planted


def known(
    paths: np.ndarray, drift: float = 0.0, reliable: bool = True, others: OtherMarkets | None = None
) -> SimpleNamespace:
    """Return a curve whose possible prices are given, today's price being 1."""
    return SimpleNamespace(
        sample_paths=lambda months, count, seed: np.asarray(paths, dtype=float)[:, : months + 1],
        last_price=1.0,
        last_month=pd.Period("2026-01", freq="M"),
        factors=pd.Series(np.linspace(1.0, 1.11, 12), index=range(1, 13)),
        drift_monthly=drift,
        inflating=drift > 0.01,
        others=others or OtherMarkets(),
        reliable=reliable,
        gap_pct=11.0,
    )


def test_terms_of_waiting_by_hand():
    """Two months at 2 % interest and 1 % loss: (0.99 / 1.02)^2; storage of 1 % paid twice, each brought to today."""
    rule = WaitingRule(2, 0.02, 0.01, 0.01)
    assert rule.discount(2) == pytest.approx((0.99 / 1.02) ** 2)
    assert rule.cost(2) == pytest.approx(0.01 / 1.02 + 0.01 / 1.02**2)
    assert WaitingRule(2, 0.0, 0.0, 0.01).cost(2) == pytest.approx(0.02)
    assert rule.after(1) == WaitingRule(1, 0.02, 0.01, 0.01)


def test_waits_for_the_month_that_is_worth_most_and_says_what_it_gains():
    """Sure prices 1, 1.10, 1.15 at 2 % and 1 %: 1.10 x 0.9706 = 1.0676, 1.15 x 0.9420 = 1.0833: two months."""
    advice = decide(known([[1, 1.10, 1.15]] * 3), WaitingRule(2, 0.02, 0.01))
    assert (advice.wait, advice.best_month, advice.chance_of_loss) == (True, 2, 0.0)
    assert advice.expected_gain == pytest.approx(1.15 * (0.99 / 1.02) ** 2 - 1)
    assert advice.median_gain == pytest.approx(advice.expected_gain)


def test_a_small_gain_is_not_begun_but_gone_on_with():
    small = known([[1, 1.02 / 0.99 * (1 + LEAST_GAIN - 0.005)]] * 3)
    rule = WaitingRule(1, 0.02, 0.01)
    assert not decide(small, rule).wait
    assert decide(small, rule, begun=True).wait
    assert decide(known([[1, 1.02 / 0.99 * (1 + LEAST_GAIN + 0.005)]] * 3), rule).wait


def test_the_middle_decides_where_prices_are_calm_and_the_mean_where_they_rise_fast():
    """One path in three doubles, two stay: the mean gains a third, the middle nothing."""
    paths = [[1, 1.0], [1, 1.0], [1, 2.0]]
    rule = WaitingRule(1, 0.0, 0.0)
    assert not decide(known(paths), rule).wait
    advice = decide(known(paths, drift=0.02), rule)
    assert advice.wait
    assert advice.expected_gain == pytest.approx(1 / 3)
    assert advice.chance_of_loss == 0


def test_a_gain_by_inflation_is_called_so():
    """From January to March the season rises by 2 of 11 steps of 0.01; the drift by 4 % a month: inflation."""
    advice = decide(known([[1, 1.1, 1.2]] * 3, drift=0.04), WaitingRule(2, 0.02, 0.01))
    assert advice.season_rise == pytest.approx(0.02)
    assert advice.other_rise == pytest.approx(np.expm1(0.08))
    assert advice.by_inflation
    assert "inflation" in str(advice.sentence)
    calm = decide(known([[1, 1.1, 1.2]] * 3), WaitingRule(2, 0.02, 0.01))
    assert not calm.by_inflation
    assert "inflation" not in str(calm.sentence)


def test_a_wait_for_the_sake_of_other_markets_is_called_so():
    """Two months after a rise of 40 % elsewhere: 0.07 x 2 x ln 1.4 = 4.8 %, more than the season's 2 %."""
    up = decide(known([[1, 1.1, 1.2]] * 3, others=OtherMarkets(np.log(1.4), -0.01)), WaitingRule(2, 0.02, 0.01))
    assert up.led_rise == pytest.approx(np.exp(0.14 * np.log(1.4) + 0.16 * 0.01) - 1)
    assert "rose by about 40 %" in str(up.sentence)
    low = decide(known([[1, 1.1, 1.2]] * 3, others=OtherMarkets(0.01, np.log(0.8))), WaitingRule(2, 0.02, 0.01))
    assert "about 20 % lower than usual" in str(low.sentence)
    fast = decide(known([[1, 1.1, 1.2]] * 3, 0.04, others=OtherMarkets(np.log(1.4))), WaitingRule(2, 0.02, 0.01))
    assert fast.by_inflation
    assert "other markets" not in str(fast.sentence)
    falling = decide(known([[1, 1.1, 1.2]] * 3, others=OtherMarkets(-0.3)), WaitingRule(2, 0.02, 0.01))
    assert "other markets" not in str(falling.sentence)


def test_no_month_left_is_no_wait():
    assert not decide(known([[1.0]]), WaitingRule(0, 0.02, 0.01)).wait


def test_the_verdict_is_the_rule_at_the_groups_costs():
    """Storage of 0.01 money at a price of 0.5 is 2 % a month; the same figures by hand give the same advice."""
    prices = planted(10, 0.4, 3)
    costs = WaitingCosts(9, 0.02, 0.01, 0.01, 0.004)
    found = verdict(prices, costs, 0.5)
    assert found.costs.rule(0.5) == WaitingRule(9, 0.02, 0.01, 0.02)
    assert found.advice == decide(fit_season(prices, 0.004), WaitingRule(9, 0.02, 0.01, 0.02))
    assert (found.wait, found.sell_by_month) == (found.advice.wait, found.advice.best_month)
    for wrong in (0.0, -1.0, float("nan"), float("inf")):
        with pytest.raises(InputError):
            verdict(prices, costs, wrong)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.one_of(st.floats(), st.none(), st.floats(0.01, 100)), min_size=0, max_size=30),
    st.lists(st.integers(-24000, 90000), min_size=30, max_size=30, unique=True),
    st.booleans(),
)
def test_whatever_prices_there_are_only_our_own_errors_come(values, months, near):
    """Years 1 and 9999, infinities, nothing, negative prices: a fit, or a sentence."""
    ordinals = range(600, 600 + len(values)) if near else months[: len(values)]
    index = pd.PeriodIndex([pd.Period(ordinal=ordinal, freq="M") for ordinal in ordinals], freq="M")
    try:
        curve = fit_season(pd.Series(values, index=index, dtype=object))
    except DryholdError:
        return
    assert np.isfinite(curve.sample_paths(3, 10, 1)).all()
    assert curve.span_months <= 264
