"""Costs of waiting against worked examples and another library."""

from __future__ import annotations

import numpy as np
import pytest

from core.accounts.finance import InventoryCredit
from core.errors import InputError
from core.market.costs import (
    GRAIN_LOAN,
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


def test_breakeven_worked_example():
    # P0 300, r 2 %, l 1 % a month, 6 months: 358.85 without and 372.25 with a cost of 2 a month, by the formula
    # [300 1.02^6 + 2 (1.02^6 - 1)/0.02] / 0.99^6 worked by hand.
    assert breakeven_price(300, 6, 0.02, 0.01) == pytest.approx(358.85, abs=0.005)
    assert breakeven_price(300, 6, 0.02, 0.01, monthly_cost=2) == pytest.approx(372.25, abs=0.005)


def test_breakeven_against_numpy_financial():
    financial = pytest.importorskip("numpy_financial")
    for months in (1, 4, 9):
        future = -financial.fv(0.03, months, 2.5, 280)
        assert breakeven_price(280, months, 0.03, 0.02, 2.5) == pytest.approx(future / 0.98**months, rel=1e-12)


def test_no_interest_takes_the_limit():
    assert breakeven_price(100, 5, 0.0, 0.0, 2) == 110
    assert breakeven_price(100, 5, 1e-12, 0.0, 2) == pytest.approx(110, rel=1e-9)


def test_arrays_and_refusals():
    assert breakeven_price(300, np.arange(7), 0.02, 0.01)[-1] == pytest.approx(358.85, abs=0.005)
    with pytest.raises(InputError):
        breakeven_price(300, 6, 0.02, 1.0)


def test_the_parts_of_waiting_add_up_to_the_rise_that_is_needed():
    """P0 300, r 2 %, l 1 %, k 2, 6 months, by hand: interest 300 (1.02^6 - 1) = 37.85.

    Storage 2 (1.02^6 - 1)/0.02 = 12.62; loss the rest of 72.25.
    """
    cost = waiting_cost(300, 6, 0.02, 0.01, 2)
    assert cost.interest == pytest.approx(37.85, abs=0.005)
    assert cost.storage == pytest.approx(12.62, abs=0.005)
    assert cost.total == pytest.approx(72.25, abs=0.005)
    assert cost.interest + cost.storage + cost.loss == pytest.approx(cost.total)


def test_no_handling_table_of_the_extension_service():
    # NDSU-based table: wheat at 2.80, 10 % simple a year = 0.02333 a month, twelve months on 3.08.
    assert waiting_cost(2.80, 1, 0.10, 0.0).total == pytest.approx(12 * 0.02333, abs=0.0005)


def test_the_week_table_by_hand():
    paths = np.array([[100, 100, 100], [100, 101, 110], [100, 102, 120.0]])
    table = outlook_by_week(paths, 0.03, 0.0, 0.0, 0.0)
    assert table["chance"][0] == 0
    assert table["breakeven"][1] == pytest.approx(100 * 1.03 ** (7 * 12 / 365.25))
    # 1.03^(0.46) = 1.0137: only 110 and 120 pay after two weeks, of one week (1.0068) 101 and 102.
    assert table["chance"].tolist() == pytest.approx([0, 2 / 3, 2 / 3])
    assert table["median"][2] == 110


def test_a_loan_on_grain_by_hand():
    """1,000 kg at 0.30, loan 70 % at 2 %, fee 1 %, charge 0.002, 6 months, loss 1 %, sold at 0.40.

    Own money costs 2 % too.
    """
    credit = InventoryCredit(0.7, 0.02, 0.01, 0.002)
    made = loan_outcome(credit, 1000, 0.30, np.full(10, 0.40), 6, 0.02, 0.01)
    assert made.cash_now == pytest.approx(207.9)
    assert made.owed == pytest.approx(210 * 1.02**6)
    assert made.store_charges == pytest.approx(12.0)
    left = 1000 * 0.99**6 * 0.4 - 210 * 1.02**6 - 12
    assert made.left_median == pytest.approx(left)
    assert made.better_than_selling == pytest.approx(left + (207.9 - 300) * 1.02**6)
    assert made.chance_worse == 0
    assert made.chance_owing == 0


def test_the_rate_of_a_loan_with_a_fee_against_numpy_financial():
    financial = pytest.importorskip("numpy_financial")
    rate = financial.rate(6, 0, 99.0, -(100 * 1.02**6))
    assert InventoryCredit(0.7, 0.02, 0.01).rate(6) == pytest.approx(rate, rel=1e-6)


def test_selling_now_costs_what_waiting_would_have_earned():
    # 100 today or 125 in 5 months without loss and cost: the rate of numpy-financial.
    financial = pytest.importorskip("numpy_financial")
    assert forgone_rate(100, 125, 5, 0.0, 0.0) == pytest.approx(financial.rate(5, 0, -100, 125), rel=1e-6)
    assert forgone_rate(100, 98, 1, 0.0, 0.0) == pytest.approx(-0.02)


def test_cash_is_taken_where_it_is_cheapest():
    sources = [CashSource("lender", 0.10, np.inf), CashSource("grain", 0.02, 100), CashSource("group", 0.05, 50)]
    used, rate = cash_plan(sources, 120)
    assert [(source.name, amount) for source, amount in used] == [("grain", 100), ("group", 20)]
    assert rate == 0.05
    assert cash_plan(sources, 0) == ([], 0.0)
    assert cash_plan(sources[1:], 500)[1] == np.inf


def test_pledged_grain_is_not_sold_as_well():
    """A price that doubles in five months makes selling dear (14.9 % a month): the loan comes first, then
    another loan.
    """
    credit = InventoryCredit(0.7, 0.02, 0.0)
    dear = cash_sources(credit, 1000, 0.30, 0.60, 5, 0.0, 0.0, 0.10)
    assert [source.name for source in dear] == [GRAIN_LOAN, "another loan", SELL_GRAIN]
    assert (dear[0].monthly_rate, dear[0].most) == (pytest.approx(0.02), pytest.approx(210))
    assert dear[2].most == pytest.approx(90)
    flat = cash_sources(credit, 1000, 0.30, 0.30, 5, 0.01, 0.0, 0.10)
    assert (flat[0].name, flat[0].monthly_rate, flat[0].most) == (SELL_GRAIN, 0.0, pytest.approx(300))
    assert GRAIN_LOAN not in [source.name for source in flat]
    assert GRAIN_LOAN not in [
        source.name
        for source in cash_sources(InventoryCredit(0.7, 0.02, longest_months=3), 1000, 0.3, 0.6, 5, 0, 0, 0.1)
    ]
