"""What waiting costs and what is said of it: loans, cash, the waiting rule, each part with numbers of its own."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from core.accounts.finance import InventoryCredit
from core.errors import InputError
from core.market.costs import (
    GRAIN_LOAN,
    OTHER_LOAN,
    SELL_GRAIN,
    CashSource,
    breakeven_price,
    cash_plan,
    cash_sources,
    forgone_rate,
    loan_outcome,
    outlook_by_week,
    waiting_cost,
)
from core.market.other_markets import OtherMarkets
from core.market.stopping import look_back, selling_prices, selling_prices_by_month
from core.market.waiting import WaitingRule, decide


def test_what_may_be_asked_of_waiting():
    assert breakeven_price(0.0, 0, 0.02, 0.0, 3.0) == 0.0
    assert breakeven_price(100.0, 1, -0.5, 0.0) == pytest.approx(50.0)
    fine = {"price_now": 100.0, "months": 2.0, "monthly_interest": 0.02, "monthly_loss": 0.0}
    for wrong in ({"monthly_loss": -0.01}, {"monthly_loss": 1.0}, {"months": -0.1}, {"price_now": -0.1}):
        with pytest.raises(InputError):
            breakeven_price(**(fine | wrong))
    # no cost is given: interest alone
    alone = waiting_cost(200.0, 2, 0.1, 0.0)
    assert (alone.interest, alone.storage, alone.loss) == pytest.approx((42.0, 0.0, 0.0))


def test_the_outlook_of_a_week_by_hand():
    """Eleven prices of 100 to 150 by 5: 1 in 10 below is 105, the middle 125, 145 above. After one week at 3 % a month,
    loss 1 %, cost 2, inflation 4 %: the month is 7 / 30.4375 gone.
    """
    paths = np.column_stack([np.full(11, 100.0), np.arange(100.0, 151.0, 5.0)])
    table = outlook_by_week(paths, 0.03, 0.01, 2.0, 0.04)
    part = 7 / 30.4375
    week = table.loc[1]
    needed = (100 * 1.03**part + 2 * (1.03**part - 1) / 0.03) / 0.99**part
    assert week["breakeven"] == pytest.approx(needed)  # 101.4
    assert (week["low"], week["median"], week["high"]) == pytest.approx((105.0, 125.0, 145.0))
    assert week["median_today"] == pytest.approx(125 / 1.04**part)
    assert week["chance"] == pytest.approx(10 / 11)
    assert table.index.tolist() == [0, 1]


def test_a_loan_on_grain_against_prices_that_scatter():
    """1,000 kg at 0.30, loan 70 % at 2 %, fee 1 %, store 0.002; loss 1 %, own money 3 %, five months, prices 0.10 to
    0.60 by 0.05: left = 1000 x 0.99^5 x price - 210 x 1.02^5 - 10.
    """
    credit = InventoryCredit(0.7, 0.02, 0.01, 0.002)
    prices = np.linspace(0.10, 0.60, 11)
    made = loan_outcome(credit, 1000, 0.30, prices, 5, 0.03, 0.01)

    def left(price: float) -> float:
        return 1000 * 0.99**5 * price - 210 * 1.02**5 - 10

    own = (207.9 - 300) * 1.03**5
    assert (made.left_low, made.left_median, made.left_high) == pytest.approx((left(0.15), left(0.35), left(0.55)))
    assert made.better_than_selling == pytest.approx(left(0.35) + own)
    # 241.9 is owed in all: 0.2544 a kg pays for it (0.10 to 0.25 do not); 0.3667 makes up for selling (0.30, 0.35 not)
    assert made.chance_owing == pytest.approx(4 / 11)
    assert made.chance_worse == pytest.approx(6 / 11)
    assert made.store_charges == pytest.approx(10.0)
    assert made.monthly_rate == pytest.approx((1.02**5 / 0.99) ** 0.2 - 1)


def test_what_selling_now_gives_up_with_loss_and_cost():
    """120 in three months less 2 % a month, less a cost of 1.5 a month, against 90: (112.94 - 4.5) / 90 in thirds."""
    assert forgone_rate(90, 120, 3, 0.02, 1.5) == pytest.approx(((120 * 0.98**3 - 4.5) / 90) ** (1 / 3) - 1)
    assert forgone_rate(90, 1, 3, 0.02, 1.5) == -1.0  # the storage eats it all


def test_cash_from_grain_a_loan_on_it_and_another_loan():
    """Selling gives up 120 / 100 in 4 months, 4.66 % a month: the loan of 60 % at 3 % with a fee of 2 % costs
    (1.03^4 / 0.98)^(1/4) - 1 = 3.52 % and gives 588; 400 of 1,000 kg's worth are left to sell.
    """
    credit = InventoryCredit(0.6, 0.03, 0.02, longest_months=4)
    loan = (1.03**4 / 0.98) ** 0.25 - 1
    found = {item.name: item for item in cash_sources(credit, 10, 100, 120, 4, 0.0, 0.0, 0.2)}
    assert found[GRAIN_LOAN].monthly_rate == pytest.approx(loan)
    assert found[GRAIN_LOAN].most == pytest.approx(600 * 0.98)
    assert found[SELL_GRAIN].monthly_rate == pytest.approx(1.2**0.25 - 1)
    assert found[SELL_GRAIN].most == pytest.approx(400)
    assert found[OTHER_LOAN] == CashSource(OTHER_LOAN, 0.2, math.inf)
    order = [item.name for item in cash_sources(credit, 10, 100, 120, 4, 0.0, 0.0, 0.04)]
    assert order == [GRAIN_LOAN, OTHER_LOAN, SELL_GRAIN]
    # too long by a month, or nothing is lent: all of the grain may be sold
    for other, months in ((credit, 5), (InventoryCredit(0.0, 0.03, 0.02), 4)):
        sources = {item.name: item.most for item in cash_sources(other, 10, 100, 120, months, 0.0, 0.0, 0.2)}
        assert sources == {SELL_GRAIN: pytest.approx(1000), OTHER_LOAN: math.inf}
    # the same price: a loan that costs as much as selling gives up is taken
    even = InventoryCredit(0.5, 0.0, 0.0)
    assert GRAIN_LOAN in {item.name for item in cash_sources(even, 10, 100, 100, 4, 0.0, 0.0, 0.2)}


def test_the_last_unit_of_cash_costs_what_its_source_does():
    sources = [CashSource("dear", 0.09, 70.0), CashSource("cheap", 0.01, 30.0), CashSource("fair", 0.04, 50.0)]
    for needed, amounts, rate in (
        (30.0, [30.0], 0.01),
        (80.0, [30.0, 50.0], 0.04),
        (150.0, [30.0, 50.0, 70.0], 0.09),
        (150.1, [30.0, 50.0, 70.0], math.inf),
    ):
        used, last = cash_plan(sources, needed)
        assert [amount for _source, amount in used] == pytest.approx(amounts)
        assert last == rate


# The waiting rule


def curve(
    paths: object, drift: float = 0.0, reliable: bool = True, month: int = 11, **others: float
) -> SimpleNamespace:
    """Return a curve in November whose factors are those of `FACTORS`, today's price 2."""
    return SimpleNamespace(
        sample_paths=lambda months, count, seed: 2.0 * np.asarray(paths, dtype=float)[:, : months + 1],
        last_price=2.0,
        last_month=pd.Period(year=2026, month=month, freq="M"),
        factors=pd.Series(FACTORS, index=range(1, 13)),
        drift_monthly=drift,
        inflating=drift > 0.01,
        others=OtherMarkets(**others),
        reliable=reliable,
        gap_pct=37.4,
    )


FACTORS = [1.30, 1.21, 1.11, 0.98, 0.97, 0.95, 0.93, 0.91, 0.94, 0.96, 0.99, 1.07]


def test_advice_over_the_turn_of_the_year_by_hand():
    """Five paths over two months (January) at 2 % interest, 1 % loss, 3 % storage: worth = price (0.99 / 1.02)^2 -
    0.03 / 1.02 - 0.03 / 1.02^2 = 0.94204 price - 0.05825.
    """
    ends = np.array([0.9, 1.05, 1.25, 1.45, 1.9])
    rule = WaitingRule(2, 0.02, 0.01, 0.03)
    found = decide(curve(np.column_stack([np.ones(5), np.full(5, 1.01), ends])), rule)
    worth = ends * (0.99 / 1.02) ** 2 - 0.03 / 1.02 - 0.03 / 1.02**2
    assert (found.wait, found.best_month) == (True, 2)
    assert found.expected_gain == pytest.approx(worth.mean() - 1)
    assert found.median_gain == pytest.approx(worth[2] - 1)
    assert found.chance_of_loss == pytest.approx(2 / 5)
    assert found.season_rise == pytest.approx(1.30 / 0.99 - 1)
    assert found.other_rise == found.led_rise == 0.0
    said = str(found.sentence)
    for words in ("about 37 %", "About 2 months", "About 40 years in 100"):
        assert words in said


@pytest.mark.parametrize(("drift", "share"), [(0.003, 0.0), (0.0065, 0.5), (0.01, 1.0), (0.02, 1.0), (-0.1, 0.0)])
def test_between_calm_and_fast_the_mean_counts_by_its_share(drift, share):
    """Judged is the middle plus a share of what the mean lies above it: middle 1.0, mean 1.06; 3 % are asked for."""
    found = decide(curve([[1, 1.0], [1, 1.0], [1, 1.18]], drift), WaitingRule(1, 0.0, 0.0))
    assert found.wait is (share * 0.06 > 0.03)
    more = decide(curve([[1, 1.0], [1, 1.0], [1, 1.19]], drift), WaitingRule(1, 0.0, 0.0))
    assert more.wait is (share * 0.19 / 3 > 0.03)


def test_months_that_tie_are_not_waited_for():
    """Nothing is gained by the second month over the first, and nothing by a wait that keeps its worth."""
    assert decide(curve([[1, 1.2, 1.2]] * 2), WaitingRule(2, 0.0, 0.0)).best_month == 1
    level = decide(curve([[1, 1.0]] * 2), WaitingRule(1, 0.0, 0.0), begun=True)
    assert (level.wait, level.best_month, level.expected_gain, level.chance_of_loss) == (False, 0, 0.0, 0.0)
    assert decide(curve([[1, 1.001]] * 2), WaitingRule(1, 0.0, 0.0), begun=True).wait


def test_which_reason_is_said():
    """The season rises by 1.30 / 0.99 = 31 % to January; inflation must be more, and so must the other markets."""
    rise = [[1, 1.2, 1.4]] * 3
    rule = WaitingRule(2, 0.0, 0.0)
    fast = decide(curve(rise, 0.14), rule)  # e^0.28 = 32 %
    assert fast.other_rise == pytest.approx(math.expm1(0.28))
    assert fast.by_inflation
    assert f"about {100 * math.expm1(12 * 0.14):.0f} % a year" in str(fast.sentence)
    assert not decide(curve(rise, 0.13), rule).by_inflation  # 30 %
    bet = decide(curve(rise, reliable=False), rule)
    assert "is a bet: about 0 years in 100" in str(bet.sentence)
    sell = [[1, 0.9, 0.8]] * 3
    assert "about 37 % from lowest to highest month, but" in str(decide(curve(sell), rule).sentence)
    assert "no reliable season. Waiting would be a bet" in str(decide(curve(sell, reliable=False), rule).sentence)
    # in July the season falls by 3 % to September: other markets lead by 0.07 x 2 x 0.3 = 4.3 %
    led = decide(curve(rise, 0.0, month=7, moved=0.3), rule)
    assert led.led_rise == pytest.approx(math.expm1(0.042))
    assert f"rose by about {100 * math.expm1(0.3):.0f} %" in str(led.sentence)
    # where they say as much as a gap does, the move is named: 0.07 x 0.16 = 0.08 x 0.14
    even = decide(curve([[1, 1.4]] * 3, month=7, moved=0.16, apart=-0.14), WaitingRule(1, 0.0, 0.0))
    assert "rose by" in str(even.sentence)
    gap = decide(curve([[1, 1.4]] * 3, month=7, moved=0.16, apart=-0.15), WaitingRule(1, 0.0, 0.0))
    assert f"about {-100 * math.expm1(-0.15):.0f} % lower" in str(gap.sentence)
    # nobody waits: other markets are no reason
    assert "other markets" not in str(decide(curve(sell, month=7, moved=0.3), rule).sentence)


def test_terms_of_waiting_that_cannot_be():
    WaitingRule(0, -0.99, 0.0, 0.0)
    for wrong in ((3, 0.02, -0.01), (3, 0.02, 1.0), (3, -1.0, 0.0), (3, 0.02, 0.0, -0.01)):
        with pytest.raises(InputError):
            WaitingRule(*wrong)
    assert WaitingRule(9, 0.02, 0.01, 0.03).after(2) == WaitingRule(7, 0.02, 0.01, 0.03)


# The price at which to sell


def test_the_lowest_price_to_sell_at_on_a_parabola():
    """Going on is worth 3.02 less than a parabola of the log price says: gain = (x - 0.4)(x + 0.7) of x = ln price.

    Below e^-0.7 and above e^0.4 selling is better; the rule is the upper border, from the first of 201 steps beyond it.
    """
    x = np.linspace(-1.5, 1.0, 400)
    now = np.exp(x)
    later = now - (x - 0.4) * (x + 0.7)
    found = selling_prices(np.stack([now, now]), np.stack([now, later]))
    step = 2.5 / 200
    assert 0.4 <= math.log(found.price[0]) + 1e-9 <= 0.4 + step + 2e-9
    sells = now >= found.price[0]
    np.testing.assert_allclose(found.worth, np.where(sells, now, later))
    np.testing.assert_array_equal(found.sold_at, np.where(sells, 0, 1))
    assert found.price[1] == 0.0


def test_where_every_price_is_the_same_the_mean_decides():
    """One price for all at the first date: sell where going on brings no more on average, wait where it does."""
    today = np.full((1, 3), 5.0)
    for later, price in (([4.0, 4.0, 7.0], 0.0), ([4.0, 4.0, 7.1], np.nan), ([5.0, 5.0, 5.0], 0.0)):
        found = selling_prices(np.vstack([today, [later]]), np.vstack([today, [later]]))
        np.testing.assert_equal(found.price, [price, 0.0])
        assert found.sold_at.tolist() == ([0, 0, 0] if price == 0 else [1, 1, 1])


def test_selling_prices_of_months_count_loss_interest_and_storage():
    """Paths that scatter at one future date: sell today at any price or wait, as the mean of the worth then says.

    Two months on: 0.94204 of the price less 0.05825 of today's (see above): 1.1235 is what must be reached.
    """
    rule = WaitingRule(2, 0.02, 0.01, 0.03)

    def first(end: float) -> float:
        made = SimpleNamespace(
            sample_paths=lambda months, count, seed, now: now * np.array([[1.0, 0.5, end - 0.2], [1.0, 0.5, end + 0.2]])
        )
        return selling_prices_by_month(made, rule, 40.0).iloc[0]

    assert first(1.1225) == 0.0
    assert np.isnan(first(1.1245))


def test_years_looked_back_on_add_up():
    """Differences 0.2, 0.2, 0.2, 0.2 and 0: mean 0.16, standard error 0.0894 / sqrt 5 = 0.04; four errors apart."""
    years = pd.DataFrame({"rule": [1.3, 1.2, 1.1, 1.5, 0.9], "fixed": [1.1, 1.0, 0.9, 1.3, 0.9], "best": [1.6] * 5})
    found = look_back(years)
    assert (found.rule, found.fixed, found.best) == pytest.approx((0.2, 0.04, 0.6))
    assert (found.tied, found.better) == (1, "rule")
    # 0.1, -0.02, 0.1, -0.02: mean 0.04, error 0.0693 / 2 = 0.0346: less than two
    close = pd.DataFrame({"rule": [1.1, 0.98, 1.1, 0.98], "fixed": [1.0] * 4, "best": [1.2] * 4})
    assert look_back(close).better == ""
    same = years.assign(rule=years["fixed"])
    assert (look_back(same).better, look_back(same).tied) == ("", 5)
