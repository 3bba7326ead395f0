"""Plans roll on: kept, compared, turned into dated steps, and held against what was done."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from functools import partial

import numpy as np
import pandas as pd
import pytest

from core.planning.case import make_case
from core.planning.outlook import build_outlook
from core.planning.rolling import compare_plans, keep_plan, kept_plans, next_actions, purchases, season_end
from core.planning.sale import plan_sale
from core.planning.why import joint_against_alone, part_reasons, sell_above_prices, value_of_more
from tests.shared_plans import GAP

AT = datetime(2026, 7, 6, 8, tzinfo=UTC)


@pytest.fixture(scope="module")
def made():
    case = make_case(6, 20, 60, 4)
    outlook = build_outlook(case)
    return outlook, plan_sale(case, outlook, mip_gap=GAP)


@pytest.fixture
def store(tmp_path):
    from core.group.records import Group
    from tests.shared_store import fresh_store

    opened = fresh_store(tmp_path / "plans.sqlite3")
    opened.add_group(Group(name="Invented"))
    return opened


def test_a_kept_plan_comes_back_whole(made, store):
    _, plan = made
    keep_plan(store, 1, plan, plan.case.start, "Ada", AT)
    [kept] = kept_plans(store, 1)
    assert kept.lines == plan.sales
    assert kept.mean == plan.mean
    assert kept.who == "Ada"


def test_the_same_knowledge_changes_nothing(made, store):
    outlook, plan = made
    keep_plan(store, 1, plan, plan.case.start, "Ada", AT)
    change = compare_plans(kept_plans(store, 1)[-1], plan, outlook)
    assert not change.change_advice
    assert change.gain == pytest.approx(0.0, abs=1e-6 * plan.mean)
    assert change.why == ()
    assert change.moved.empty


def test_a_price_fall_is_named_and_a_gain_above_the_threshold_changes_the_advice(made, store):
    _, plan = made
    keep_plan(store, 1, plan, plan.case.start, "Ada", AT)
    last = kept_plans(store, 1)[-1]
    case = plan.case.with_changes(
        prices=tuple(
            replace(p, price_now=p.price_now * 1.2, path=tuple(np.linspace(1, 0.5, len(p.path))))
            for p in plan.case.prices
        )
    )
    fresh = build_outlook(case)
    new = plan_sale(case, fresh, mip_gap=GAP)
    change = compare_plans(last, new, fresh, threshold=0.01)
    assert any("price of" in str(why) and "20 %" in str(why) for why in change.why)
    assert change.gain is None or change.gain > 0
    stays = compare_plans(last, new, fresh, threshold=10.0)
    if stays.gain is not None:
        assert not stays.change_advice or new.unmet != plan.unmet


def test_steps_are_dated_owned_and_complete(made):
    _, plan = made
    steps = next_actions(plan)
    assert [step.on for step in steps] == sorted(step.on for step in steps)
    assert sum(step.bags for step in steps if step.kind == "sell") == sum(
        line.bags for line in plan.sales if line.buyer
    )
    assert sum(step.bags for step in steps if step.kind == "dry") == sum(line.bags for line in plan.sales if line.setup)
    assert all(step.who for step in steps)
    later = next_actions(plan, plan.case.start + timedelta(days=30))
    assert all(step.on >= plan.case.start + timedelta(days=30) for step in later)


def test_purchases_are_those_of_the_plan_and_ordered_before_they_are_needed(made):
    _, plan = made
    items = purchases(plan)
    assert sum(item.count for item in items if item.kind == "bags") == plan.allocation.bought.sum()
    assert sum(item.count for item in items if item.kind == "truck") == plan.allocation.trips.sum()
    assert all(plan.case.today <= item.order_by <= item.needed_on for item in items)


def test_season_end_adds_up_exactly(made, store):
    """Hand-made sales: half of the first planned lot at another price.

    Quantity and price effects add up to the whole difference.
    """
    _, plan = made
    numbered = replace(plan, sales=tuple(replace(line, lot=line.lot.removeprefix("lot-")) for line in plan.sales))
    keep_plan(store, 1, numbered, plan.case.start, "Ada", AT)
    [kept] = kept_plans(store, 1)
    lot = next(line.lot for line in kept.lines if line.buyer)
    sales = pd.DataFrame(
        [
            {
                "lot_id": int(lot),
                "sold_on": plan.case.start + timedelta(days=9),
                "bags": 2,
                "mass_kg": 150.0,
                "price_per_kg": 0.4,
                "paid_on": None,
            }
        ]
    )
    frame = season_end(kept, sales, {})
    assert (frame["done"] - frame["planned"]).to_numpy() == pytest.approx(
        (frame["by_quantity"] + frame["by_price"]).to_numpy()
    )
    row = frame[frame["kg_done"] > 0].iloc[0]
    assert row["done"] == pytest.approx(60.0)
    assert row["unpaid"] == pytest.approx(60.0)
    assert str(frame[frame["kg_done"] == 0].iloc[0]["why"]) == "not sold yet"


@pytest.mark.slow
def test_every_lot_has_a_reason_and_more_is_never_worth_less_than_nothing(made):
    outlook, plan = made
    reasons = part_reasons(outlook, plan)
    assert {reason.label for reason in reasons} == {line.label for line in plan.sales}
    assert all(str(reason.reason) and reason.dry_again_pct > 5 for reason in reasons)
    more = value_of_more(outlook, plan)
    assert (more["gain"] >= 0).all()
    # money that costs less makes later money worth more: each flow's present value rises
    assert more.loc["loan", "gain"] > 0


def test_members_together_and_alone_add_up_to_the_plan(made, monkeypatch):
    """Shares of trips and bags are dealt out in full: the members' joint values add up to the plan's mean
    (before excess and borrowing).
    """
    monkeypatch.setattr("core.planning.why.plan_sale", partial(plan_sale, mip_gap=GAP))
    outlook, plan = made
    frame = joint_against_alone(outlook, plan)
    quiet = plan.case.needs == () or (plan.worth.missed <= 0).all()
    total = float(frame["joint"].sum())
    assert total >= plan.mean - 1e-6 * abs(plan.mean)
    if quiet:
        assert total == pytest.approx(plan.mean, rel=0.02)


def certain_case(path):
    """One dry lot, one buyer at the gate, no doubt about prices: what to do can be worked out by hand."""
    from core.planning.case import CaseBuyer

    case = make_case(1, len(path) - 1, 20, 1)
    lot = replace(case.lots[0], moisture_pct=12.0, moisture_se_pct=0.0, available_week=0, commodity="maize", bags=4)
    prices = tuple(replace(price, path=tuple(path), weekly_sd=0.0) for price in case.prices)
    return case.with_changes(
        lots=(lot,), prices=prices, buyers=(CaseBuyer("gate", "gate"),), needs=(), reserves=(), interest_monthly=0.0
    )


def test_certain_rise_is_waited_for_and_certain_fall_is_not():
    rising = certain_case([1.0, 1.3, 1.6, 2.0, 1.0, 1.0, 1.0])
    outlook = build_outlook(rising)
    plan = plan_sale(rising, outlook)
    assert {line.week for line in plan.sales} == {3}
    table = sell_above_prices(outlook, 0)
    assert table.loc[3, "chance_of_selling"] == 1.0
    falling = certain_case([1.0, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4])
    assert {line.week for line in plan_sale(falling).sales} == {0}


def test_waiting_rule_is_judged_on_scenarios_not_used_to_find_it():
    """On a martingale price with a cost of waiting nothing beats selling at once by more than noise."""
    case = certain_case([1.0] * 13).with_changes(interest_monthly=0.03, scenarios=400)
    case = case.with_changes(prices=tuple(replace(price, weekly_sd=0.03) for price in case.prices))
    table = sell_above_prices(build_outlook(case), 0)
    assert table.attrs["mean_waiting_rule"] <= table.attrs["mean_fixed_week"] * 1.02


def test_paid_on_is_after_sale_and_dates_lie_in_the_horizon(made):
    _, plan = made
    last = plan.case.start + timedelta(days=7 * plan.case.weeks)
    for line in plan.sales:
        assert plan.case.start <= line.ready_on <= line.sell_on <= last
        assert line.paid_on >= line.sell_on
    assert isinstance(plan.sales[0].sell_on, date)


@pytest.mark.slow
def test_nothing_is_bagged_or_sold_before_its_drying_days_are_over():
    from core.planning.case import make_case
    from core.planning.sale import plan_sale

    for seed in range(6):
        plan = plan_sale(make_case(6, 12, 30, seed))
        for line in plan.sales:
            if line.setup and line.dry_from is not None:
                # dried in a day: spread in the morning, gathered in the evening
                assert line.ready_on >= line.dry_from
            assert line.sell_on >= line.ready_on
