"""Reasons belong to parts of a lot: what is sold now, what waits and what is kept as food each have their own."""

from __future__ import annotations

from dataclasses import replace

import pytest

from core.planning.case import CaseBuyer, CashNeed, Reserve, make_case
from core.planning.outlook import build_outlook
from core.planning.plan_tables import merged_lines
from core.planning.sale import plan_sale
from core.planning.why import part_reasons

RISING = [1.0, 1.0, 1.1, 1.3, 1.6, 2.0, 1.0, 1.0]


def one_lot(**changes):
    """One dry lot of 30 bags, one buyer at the gate, a price that surely doubles by week 5."""
    case = make_case(1, len(RISING) - 1, 20, 1)
    lot = replace(case.lots[0], moisture_pct=12.0, moisture_se_pct=0.0, available_week=0, commodity="maize", bags=30)
    prices = tuple(replace(price, path=tuple(RISING), weekly_sd=0.0) for price in case.prices)
    plain = {"lots": (lot,), "prices": prices, "buyers": (CaseBuyer("gate", "gate"),), "needs": (), "reserves": ()}
    roomy = {"store_bags": None, "storage": tuple(replace(way, owned_bags=99) for way in case.storage)}
    return case.with_changes(**{**plain, **roomy, "interest_monthly": 0.0, **changes})


@pytest.fixture(scope="module")
def split():
    """Six bags' worth of cash is needed at once, some 600 kg are kept as food, and the rest had better wait."""
    case = one_lot()
    lot, price = case.lots[0], next(item for item in case.prices if item.commodity == "maize")
    need = CashNeed(0, 6.2 * lot.bag_mass_kg * price.price_now, "school")
    food = Reserve("home use", "maize", 600.0, 6, 3.0 * price.price_now)
    case = case.with_changes(needs=(need,), reserves=(food,))
    outlook = build_outlook(case)
    return outlook, plan_sale(case, outlook)


def test_each_part_of_a_lot_has_its_own_reason(split):
    outlook, plan = split
    reasons, lines = part_reasons(outlook, plan), merged_lines(plan)
    said = {
        line.reserve or ("now" if line.week <= 1 else "later"): str(reason.reason)
        for line, reason in zip(lines, reasons, strict=True)
    }
    assert set(said) == {"home use", "now", "later"}
    assert said["home use"] == "kept for home use; the other bags of this lot are sold"
    assert said["now"].startswith("sold early because money is needed by its date")
    assert "sold in the week of" in said["later"]
    assert "than selling now" in said["later"]


def test_reasons_cover_every_line_once_and_count_its_bags(split):
    outlook, plan = split
    reasons = part_reasons(outlook, plan)
    assert sorted(number for reason in reasons for number in reason.lines) == list(range(len(plan.sales)))
    for reason in reasons:
        assert reason.bags == sum(plan.sales[number].bags for number in reason.lines)
        assert {plan.sales[number].label for number in reason.lines} == {reason.label}
        for number in reason.lines:  # the line is the allocation's own
            assert plan.allocation.bags[plan.line_of[number]] == plan.sales[number].bags


def test_food_of_which_nothing_is_sold_says_so():
    case = one_lot()
    price = next(item for item in case.prices if item.commodity == "maize")
    lot = replace(case.lots[0], bags=5)
    case = case.with_changes(lots=(lot,), reserves=(Reserve("home use", "maize", 1e4, 6, 3.0 * price.price_now),))
    outlook = build_outlook(case)
    [reason] = part_reasons(outlook, plan_sale(case, outlook))
    assert str(reason.reason) == "kept for home use: no bag of this lot is sold"


def test_bags_sold_early_for_bad_years_say_so():
    """A doubtful price: later brings more on average and less in the worst tenth, which the group weighs heavily."""
    case = one_lot(risk_weight=3.0, scenarios=200)
    prices = tuple(
        replace(price, path=(1.0, 1.01, 1.02, 1.03, 1.04, 1.05, 1.06, 1.07), weekly_sd=0.1) for price in case.prices
    )
    case = case.with_changes(prices=prices)
    outlook = build_outlook(case)
    plan = plan_sale(case, outlook)
    early = [reason for reason in part_reasons(outlook, plan) if plan.sales[reason.lines[0]].week == 0]
    assert early
    assert "less in a bad year" in str(early[0].reason)
