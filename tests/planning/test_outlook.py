"""The outlook: mass is conserved, water enters once, gross less deductions is net, scenarios are common."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.planning.case import CashNeed, make_case
from core.planning.outlook import DEDUCTIONS, build_outlook, mass_parts
from core.planning.plan_tables import breakdown, plan_deductions
from core.planning.sale import plan_sale
from core.planning.worth import evaluate
from tests.shared_plans import GAP

percent = st.floats(0.0, 60.0)


@given(st.floats(5, 40), st.floats(5, 40), st.floats(0, 0.05), percent, percent, percent)
def test_mass_is_conserved_to_the_gram(start, end, handling, drying, stored, insects):
    """What goes in = water + handling + dry matter + insects + sold; checked on 90,000 g."""
    parts = mass_parts(
        np.array([start]),
        np.array([[end]]),
        np.array([[end]]),
        handling,
        np.array([drying]),
        np.array([[stored]]),
        np.array([[insects]]),
        np.zeros((1, 1)),
    )
    grams = 90_000 * (parts.water + parts.handling + parts.dry_matter + parts.insects + parts.sold)
    assert np.abs(grams - 90_000).max() < 1e-3
    assert (parts.sold >= 0).all()
    # dry matter: what is left holds exactly what handling, respiration and insects have spared
    spared = (1 - handling) * (1 - drying / 100) * (1 - stored / 100) * (1 - insects / 100)
    assert (100 - end) * parts.sold == pytest.approx((100 - start) * spared, rel=1e-9, abs=1e-12)


def test_water_shrink_is_that_of_published_worked_examples():
    """25 -> 15.5 %: 11.24 % (South Dakota State University extension).

    With 0.5 % handling on 25.5 -> 15.5 %: 876.7 of 1,000 lb.
    """
    zero = np.zeros((1, 1))
    one = mass_parts(np.array([25.0]), np.array([[15.5]]), np.array([[15.5]]), 0.0, np.zeros(1), zero, zero, zero)
    assert 100 * one.water[0, 0] == pytest.approx(11.24, abs=0.005)
    # the note takes 0.5 % of the WET weight, we take it of the dried: 881.66 - 5.0 = 876.66 against 881.66 x (1 -
    # 0.005/0.88166)
    two = mass_parts(
        np.array([25.5]), np.array([[15.5]]), np.array([[15.5]]), 0.005 / 0.88166, np.zeros(1), zero, zero, zero
    )
    assert 1000 * two.sold[0, 0] == pytest.approx(876.7, abs=0.05)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_gross_less_deductions_is_the_value_used_by_the_optimiser(seed):
    case = make_case(6, 20, 30, seed)
    outlook = build_outlook(case)
    draw = np.random.default_rng(seed)
    for lot in range(6):
        for option in draw.choice(len(outlook.options(lot)), 12):
            parts = breakdown(outlook, lot, int(option))
            value = outlook.values(lot, np.array([option]))[0]
            # receipts are kept in single precision: 24 bits
            assert parts["net"] == pytest.approx(value, rel=1e-5)
            assert parts["gross"] - sum(parts[name] for name in DEDUCTIONS) == pytest.approx(parts["net"])


@pytest.mark.parametrize("seed", [1, 4])
def test_a_plans_deductions_lead_to_its_mean(seed):
    case = make_case(8, 20, 40, seed)
    case = case.with_changes(needs=())
    outlook = build_outlook(case)
    plan = plan_sale(case, outlook, mip_gap=GAP)
    assert float(plan_deductions(outlook, plan.allocation)["net"]) == pytest.approx(plan.mean, rel=1e-5)


def test_what_is_borrowed_for_a_need_stands_among_the_deductions():
    """A need in the first week that no sale can meet: its interest is a step between gross and net."""
    case = make_case(8, 20, 40, 1)
    case = case.with_changes(needs=(CashNeed(0, 1e6, label="fees"),))
    outlook = build_outlook(case)
    plan = plan_sale(case, outlook, mip_gap=GAP)
    without = replace(outlook, case=case.with_changes(needs=()))
    interest = evaluate(without, plan.allocation).mean - evaluate(outlook, plan.allocation).mean
    assert interest > 1000
    steps, bare = (plan_deductions(at, plan.allocation) for at in (outlook, without))
    assert float(steps["cost_of_money"] - bare["cost_of_money"]) == pytest.approx(interest)
    assert float(steps["net"]) == pytest.approx(evaluate(outlook, plan.allocation).mean, rel=1e-5)


def test_scenarios_are_common_to_all_lots_and_choices():
    """Two lots alike in all but name and moisture draw meet the same prices.

    With no moisture doubt they are worth the same in every scenario.
    """
    from dataclasses import replace

    case = make_case(4, 16, 30, 2)
    twin = replace(case.lots[0], moisture_se_pct=0.0)
    case = case.with_changes(lots=(twin, replace(twin, id="twin", label="twin")))
    outlook = build_outlook(case)
    assert np.array_equal(outlook.values(0), outlook.values(1))


def test_dry_grain_gains_no_water_loss_and_wet_grain_is_not_left_in_store():
    case = make_case(30, 20, 30, 5)
    outlook = build_outlook(case)
    for lot, item in enumerate(case.lots):
        table = outlook.options(lot)
        as_is = (table.setup < 0) & (table.storage >= 0)
        if item.moisture_pct > case.target(item.commodity) + 1.0:
            assert (table.sale_week[as_is] <= item.available_week + 1).all()
        if item.surely_pct <= min(case.targets(item.commodity)):
            assert (table.setup < 0).all()


def test_same_case_and_seed_give_the_same_outlook_and_fresh_ones_keep_the_options():
    case = make_case(5, 16, 30, 7)
    one, two = build_outlook(case), build_outlook(case)
    fresh = build_outlook(case, 99, like=one)
    for first, second, third in zip(one.classes, two.classes, fresh.classes, strict=True):
        assert np.array_equal(first.receipts_kg, second.receipts_kg)
        assert len(first) == len(third)
        assert np.array_equal(first.sale_week, third.sale_week)
        assert not np.array_equal(first.receipts_kg, third.receipts_kg)
