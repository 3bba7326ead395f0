"""A plan does not depend on the coin in which money is counted: the same bags, and every amount in proportion."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from core.accounts.finance import InventoryCredit
from core.errors import InputError
from core.planning.case import make_case
from core.planning.money_unit import case_in, money_unit, outlook_in
from core.planning.outlook import build_outlook
from core.planning.quick_plans import plan_in_parts, plan_rounded
from core.planning.sale import plan_sale

DOLLARS = make_case(3, 16, 16, 4)
DOLLARS = DOLLARS.with_changes(
    risk_weight=0.5,
    cash_now=7.0,
    credit=InventoryCredit(0.6, 0.03, 0.01, 0.002, 4.0),
    drying=tuple(replace(one, hire_per_bag_day=0.01, price=3.0) for one in DOLLARS.drying),
    storage=tuple(replace(one, cost_per_bag_month=0.01) for one in DOLLARS.storage),
    buyers=tuple(replace(who, trip_cost=20.0) if who.distance_km > 0 else who for who in DOLLARS.buyers),
)
COINS = case_in(DOLLARS, 2.0**-9)
"""The same in a coin of which 512 are a dollar: beans at some 350 a kg, as in many a country."""
SMALL = [2.0**15, 2.0**22]
"""Further coins: beans at some ten million and at more than a thousand million a kg."""


def test_a_price_of_any_size_is_brought_near_to_usual_ones():
    assert money_unit(COINS) == money_unit(DOLLARS) == 1.0
    for times in SMALL:
        brought = case_in(case_in(COINS, 1 / times), money_unit(case_in(COINS, 1 / times)))
        assert 256 <= max(price.price_now for price in brought.prices) < 512
    assert money_unit(case_in(DOLLARS, 2.0**20)) < 1


def test_what_an_outlook_counts_in_another_coin_is_what_that_coins_case_gives():
    """Every amount of the case and of its options is in the list of what is money: the outlook is made twice."""
    made, other = outlook_in(build_outlook(COINS), 2.0**-15), build_outlook(case_in(COINS, 2.0**-15))
    assert made.case == other.case
    for mine, theirs in zip(made.classes, other.classes, strict=True):
        for column in fields(mine):
            one, two = getattr(mine, column.name), getattr(theirs, column.name)
            assert np.allclose(one, two, rtol=1e-12, equal_nan=True), column.name
    for crop, paths in made.seasons.prices.items():
        assert np.allclose(paths, other.seasons.prices[crop], rtol=1e-12)


@pytest.fixture(scope="module")
def here():
    outlook = build_outlook(COINS)
    return outlook, *(way(COINS, outlook) for way in (searched, plan_rounded, plan_in_parts))


def searched(case, outlook):
    return plan_sale(case, outlook, mip_gap=0.05)


@pytest.mark.parametrize("times", SMALL)
def test_a_plan_in_a_small_coin_is_the_plan_in_a_large_one(times, here):
    """The same bags go the same way; loans, worth and bound are so many times as much."""
    outlook, best, rounded, (parts, worth) = here
    small, there = case_in(COINS, 1 / times), outlook_in(outlook, 1 / times)
    for one, planned in ((best, searched), (rounded, plan_rounded)):
        two = planned(small, there)
        for name in ("lot", "option", "bags", "trips", "bought"):
            assert np.array_equal(getattr(one.allocation, name), getattr(two.allocation, name)), name
        assert [(*loan[:2], times * loan[2]) for loan in one.allocation.loans] == list(two.allocation.loans)
        assert two.objective == pytest.approx(times * one.objective, rel=1e-12)
        assert two.bound == pytest.approx(times * one.bound, rel=1e-12)
        assert two.bound >= two.objective * (1 - 1e-9)
    others, far = plan_in_parts(small, there)
    assert np.array_equal(parts.bags, others.bags)
    assert far.mean == pytest.approx(times * worth.mean, rel=1e-12)


@pytest.mark.parametrize(("case", "outlook"), [(COINS, "x"), ("x", None), (None, None)])
def test_what_is_no_case_or_no_outlook_is_refused_in_our_own_words(case, outlook):
    with pytest.raises(InputError, match="must be a"):
        plan_sale(case, outlook)
