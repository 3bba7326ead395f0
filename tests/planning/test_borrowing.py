"""Needs that sales do not cover: what is borrowed for them, and how long that costs; a buyer who pays a year late."""

from __future__ import annotations

import numpy as np
import pytest

from core.planning.case import CashNeed, make_case
from core.planning.outlook import build_outlook
from core.planning.sale import plan_sale
from core.planning.worth import borrowed_for_needs, evaluate

WEEKLY = 1.1 ** (7 * 12 / 365.25) - 1  # 10 % a month, by the week


def needy(**changes):
    """Six weeks, 100 needed in week 2, money without cost of its own."""
    case = make_case(1, 6, 10, 1).with_changes(needs=(CashNeed(2, 100.0),), interest_monthly=0.0, **changes)
    return case, np.zeros((case.weeks + 20, case.scenarios))


def test_a_debt_that_nothing_pays_back_bears_interest_to_the_horizon_only():
    """By hand: owed from the end of week 2, charged in weeks 3, 4 and 5; after week 5 nobody looks."""
    case, cash = needy()
    paid, missed = borrowed_for_needs(case, cash)
    assert paid == pytest.approx(100 * ((1 + WEEKLY) ** 3 - 1))
    assert missed[0] == pytest.approx(100.0)


def test_what_later_money_pays_back_bears_interest_until_it_comes():
    """By hand: 60 of it come in week 9, so that weeks 6 to 9 are charged on 60."""
    case, cash = needy()
    cash[9] = 60.0
    paid, _missed = borrowed_for_needs(case, cash)
    assert paid == pytest.approx(100 * ((1 + WEEKLY) ** 3 - 1) + 4 * 60 * WEEKLY)


def test_a_buyer_who_pays_after_a_year_is_planned_and_his_money_counted():
    """53 weeks are 365 days, the most that the form takes; all that is sold comes in, late."""
    base = make_case(1, 6, 10, 1)
    one = base.buyers[0]
    late = base.with_changes(
        buyers=(type(one)("late", "late", pay_delay_weeks=53),), needs=(), reserves=(), interest_monthly=0.0
    )
    outlook = build_outlook(late)
    plan = plan_sale(late, outlook)
    cash = evaluate(outlook, plan.allocation).cash_week
    assert plan.sales
    assert cash.sum() == pytest.approx(plan.worth.value.sum(), rel=1e-5)
