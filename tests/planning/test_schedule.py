"""The drying floor by day: bags lying out fit the spaces on every day, nothing is late, no bag is lost."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.planning import worth
from core.planning.case import DryingChoice, make_case
from core.planning.outlook import build_outlook
from core.planning.rolling import next_actions, purchases
from core.planning.sale import plan_sale
from core.planning.sale_plan import penalty_of
from core.planning.schedule import DryingJob, booked_days, late_bags, mass_by_day, ready_week, spread_jobs
from core.planning.settling import allocation_of, by_lot, part_of
from core.planning.worth import broken_limits
from tests.shared_plans import GAP


@pytest.fixture(scope="module", params=[(7, 10, 30, 3, 0), (10, 8, 30, 4, 3)])
def planned(request):
    lots, weeks, scenarios, seed, gone = request.param
    case = make_case(lots, weeks, scenarios, seed).with_changes(days_gone=gone)
    outlook = build_outlook(case)
    return outlook, plan_sale(case, outlook, mip_gap=GAP)


def test_on_every_day_the_bags_lying_out_fit_the_spaces(planned):
    outlook, plan = planned
    room = {choice.name: choice.capacity_kg for choice in outlook.case.drying}
    assert plan.schedule
    for (space, day), mass in mass_by_day(plan.schedule).items():
        assert mass <= room[space] + 1e-6, (space, day)
        assert day >= plan.case.today


def test_what_the_plan_dries_is_what_lies_out_and_nothing_else(planned):
    _, plan = planned
    lying = [0] * len(plan.sales)
    for load in plan.schedule:
        line = plan.sales[load.line]
        assert (load.lot, load.space) == (line.label, line.setup)
        lying[load.line] += load.bags
    assert lying == [line.bags if line.setup else 0 for line in plan.sales]


def test_grain_is_off_the_floor_before_it_is_sold_and_bagged_on_its_last_day(planned):
    _, plan = planned
    for load in plan.schedule:
        line = plan.sales[load.line]
        assert load.until <= line.ready_on <= line.sell_on
        assert line.dry_from <= load.on


def test_bags_sold_kept_and_left_over_are_the_bags_there_are(planned):
    _, plan = planned
    left = dict(plan.unsold_bags)
    for lot in plan.case.lots:
        used = sum(line.bags for line in plan.sales if line.lot == lot.id)
        assert used + left.get(lot.label, 0) == lot.bags


def test_next_actions_are_the_schedules_loads_and_the_plans_sales(planned):
    _, plan = planned
    actions = next_actions(plan)
    told = {}
    for action in actions:
        if action.kind == "dry":
            key = (action.on, action.lots[0])
            told[key] = told.get(key, 0) + action.bags
    wanted = {}
    for load in plan.schedule:
        wanted[load.on, load.lot] = wanted.get((load.on, load.lot), 0) + load.bags
    assert told == wanted
    assert sum(a.bags for a in actions if a.kind == "sell") == sum(line.bags for line in plan.sales if line.buyer)
    assert min(action.on for action in actions) >= plan.case.today
    orders = {(str(a.what), a.on) for a in actions if a.kind in ("buy", "book")}
    assert orders == {(str(item.what), item.order_by) for item in purchases(plan)}


def test_no_part_of_a_lot_is_below_three_bags_unless_a_need_or_a_limit_asks_for_it(planned):
    """What groups asked for: fewer are not worth a trip. Put to any other part of its lot, a part that is left so small
    breaks a limit or leaves more of a need, a reserve or a promise unmet.
    """
    outlook, plan = planned
    placed, unmet = by_lot(plan.allocation), penalty_of(outlook, plan.allocation)
    parts = {}
    for lot, own in placed.items():
        for option, bags in own.items():
            parts.setdefault((lot, part_of(outlook.options(lot), option)), {})[option] = bags
    small = {key: own for key, own in parts.items() if sum(own.values()) < min(3, outlook.case.lots[key[0]].bags)}
    assert len(small) <= 1
    for (lot, _), own in small.items():
        rest = {option: bags for option, bags in placed[lot].items() if option not in own}
        for option in rest:
            way = {**placed, lot: {**rest, option: rest[option] + sum(own.values())}}
            made = allocation_of(outlook, way)
            assert broken_limits(outlook, made) or penalty_of(outlook, made) > unmet + 1


def test_weeks_begin_on_the_market_day_and_the_running_one_today():
    """A Monday market, planned on a Thursday: week 0 goes on today, week 1 begins on the next Monday."""
    case = make_case(3, 6, 20, 1).with_changes(start=date(2026, 7, 6), days_gone=3)
    assert case.today == date(2026, 7, 9)
    assert [case.week_date(week) for week in (0, 1, 2)] == [date(2026, 7, 9), date(2026, 7, 13), date(2026, 7, 20)]
    assert case.week_of(date(2026, 7, 12)) == 0


def one_space(capacity_kg, gone=0):
    case = make_case(3, 6, 20, 1)
    return case.with_changes(drying=(DryingChoice("a", "a", "tarpaulin", capacity_kg),), days_gone=gone)


def test_loads_by_hand():
    """A space for two bags, four bags of two days and one of three: 2 + 2 bags, then the one; pressing ones first."""
    case = one_space(200.0)
    slow = DryingJob(line=0, space=0, bags=1, bag_kg=100.0, days=3, first_day=0, ready_by=13)
    quick = DryingJob(line=1, space=0, bags=4, bag_kg=100.0, days=2, first_day=0, ready_by=6)
    found = [(item.job.line, item.day, item.bags) for item in spread_jobs(case, [slow, quick])]
    assert found == [(1, 0, 2), (1, 2, 2), (0, 4, 1)]
    assert late_bags(spread_jobs(case, [slow, quick])) == 0
    assert late_bags(spread_jobs(case, [replace(quick, bags=8)])) == 2  # days 6 and 7: the week is over after day 6


@given(
    st.lists(
        st.tuples(st.integers(1, 9), st.floats(60, 110), st.integers(1, 6), st.integers(0, 9)), min_size=1, max_size=8
    ),
    st.floats(110, 900),
)
def test_any_jobs_fit_on_every_day_and_none_is_lost(rows, capacity):
    case = one_space(capacity)
    jobs = [
        DryingJob(line=number, space=0, bags=bags, bag_kg=mass, days=days, first_day=first, ready_by=first + days)
        for number, (bags, mass, days, first) in enumerate(rows)
    ]
    spreads = spread_jobs(case, jobs)
    lying = {}
    for item in spreads:
        assert item.day >= item.job.first_day
        for day in range(item.day, item.last_day + 1):
            lying[day] = lying.get(day, 0.0) + item.bags * item.job.bag_kg
    assert max(lying.values()) <= capacity + 1e-6
    for job in jobs:
        assert sum(item.bags for item in spreads if item.job == job) == job.bags


def test_booked_days_by_hand():
    """Two days, through in the week: three loads, 7/3 days each. Nine days: seven, then two. Thursday: four left."""
    case = one_space(500.0)
    assert ready_week(case, 2, 3) == 2
    assert ready_week(case, 2, 4) == 3
    assert booked_days(case, *_row(2.0, 2, 2), 0) == pytest.approx(7 / 3)
    assert booked_days(case, *_row(2.0, 2, 2), 1) == 0
    assert [float(booked_days(case, *_row(9.0, 1, 3), step)[0]) for step in range(3)] == [7, 2, 0]
    late = one_space(500.0, gone=3)
    assert ready_week(late, 0, 3) == 0
    assert booked_days(late, *_row(3.0, 0, 0), 0) == pytest.approx(4)
    assert [float(booked_days(late, *_row(6.0, 0, 1), step)[0]) for step in range(2)] == [4, 2]
    assert ready_week(one_space(500.0, gone=5), 0, 3) == 1


def _row(days, start, ready):
    import numpy as np

    return np.array([days]), np.array([start]), np.array([ready])


def test_bags_that_are_late_by_the_day_are_a_broken_limit_though_the_weeks_hold_them(planned, monkeypatch):
    """The same plan, each load wanted a day before it is off the floor: the weeks' sums are as they were."""
    outlook, plan = planned
    assert broken_limits(outlook, plan.allocation) == []
    jobs = worth.drying_jobs(outlook, plan.allocation)
    hurried = [replace(job, ready_by=job.first_day + job.days - 2) for job in jobs]
    monkeypatch.setattr(worth, "drying_jobs", lambda *_: hurried)
    assert broken_limits(outlook, plan.allocation) == ["drying space"]


def test_an_overfull_week_is_a_broken_limit(planned):
    """Twice as many bags as the plan dries, on the same days: the check apart from the optimiser must see it."""
    outlook, plan = planned
    dried = [
        at
        for at, (lot, option) in enumerate(zip(plan.allocation.lot, plan.allocation.option, strict=True))
        if outlook.options(int(lot)).setup[option] >= 0
    ]
    tight = tuple(replace(choice, capacity_kg=choice.capacity_kg / 3) for choice in outlook.case.drying)
    assert dried
    assert "drying space" in broken_limits(
        replace(outlook, case=outlook.case.with_changes(drying=tight)), plan.allocation
    )
    assert plan.case.week_date(1) - plan.case.today <= timedelta(days=7)
