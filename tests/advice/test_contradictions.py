"""The situation checked against itself: each guard names what was made wrong on purpose, and names it only then."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from core.advice import situation
from core.advice.checks import CHECKS
from tests.advice.groups import NOW, Heap, small_group, with_parts

HEAPS = (
    Heap("maize", 12, (18.4, 18.0, 18.9, 18.2, 18.5)),
    Heap("maize", 9, (12.0, 11.9, 12.1, 12.0, 11.8, 12.1, 12.0, 11.9, 12.0)),
    Heap("cowpea", 6, (15.8, 16.0, 16.2)),
)


@pytest.fixture(scope="module")
def now(tmp_path_factory):
    store = small_group(f"sqlite:///{tmp_path_factory.mktemp('advice') / 'small.sqlite3'}", HEAPS)
    made = situation(store, store.groups()[0].id, NOW)
    yield with_parts(made)
    store.engine.dispose()


def said(check: str, now) -> list[str]:
    """Return what one check says."""
    return [str(found) for one in CHECKS if one.__name__ == check for found in one(now)]


def with_line(now, wanted, **changes):
    """Return the situation with the first line of the plan that is wanted changed."""
    lines = list(now.plan.sales)
    at = next(index for index, line in enumerate(lines) if wanted(line))
    lines[at] = replace(lines[at], **changes)
    return with_lines(now, tuple(lines))


def with_lines(now, lines):
    """Return the situation with other lines in its plan."""
    return with_parts(now, made=replace(now.made, plan=replace(now.plan, sales=lines)))


def test_one_bag_more_in_the_plan_than_in_the_lot_is_named(now):
    assert said("bags_add_up", now) == []
    line = now.plan.sales[0]
    wrong = with_line(now, lambda item: item is line, bags=line.bags + 1)
    assert any(f"lot {line.label} " in text for text in said("bags_add_up", wrong))


def test_a_calendar_or_a_headline_that_does_not_add_up_is_named(now):
    assert said("headline_adds_up", now) == []
    row = now.season[0]
    wrong = with_parts(now, season=(replace(row, bags=row.bags + 1), *now.season[1:]))
    assert any(f"lot {row.lot} has {row.bags + 1} bags" in text for text in said("headline_adds_up", wrong))
    more = with_parts(now, headline=replace(now.headline, soon=now.headline.soon + 2))
    assert any("the headline speaks" in text for text in said("headline_adds_up", more))
    dear = with_parts(now, headline=replace(now.headline, total_value=now.headline.total_value * 1.01))
    assert any("value is not the plan's" in text for text in said("headline_adds_up", dear))


def test_a_load_too_many_on_a_space_is_named(now):
    assert now.schedule
    assert said("floor_fits", now) == []
    first, room = now.schedule[0], now.spaces[0].capacity_kg
    wrong = with_parts(now, schedule=(*now.schedule, replace(first, mass_kg=room)))
    assert any(f"lie on {first.space}" in text for text in said("floor_fits", wrong))
    elsewhere = with_parts(now, schedule=(replace(first, space="the road"), *now.schedule[1:]))
    assert any("the road" in text for text in said("floor_fits", elsewhere))


def test_a_lot_on_the_floor_that_the_plan_sells_wet_is_named(now):
    assert said("schedule_is_the_plan", now) == []
    lot = now.schedule[0].lot
    lines = tuple(replace(line, setup="") if line.label == lot else line for line in now.plan.sales)
    assert any(
        f"lot {lot} lies on a drying space" in text for text in said("schedule_is_the_plan", with_lines(now, lines))
    )
    short = with_parts(now, schedule=now.schedule[1:])
    assert any(f"of lot {lot}" in text for text in said("schedule_is_the_plan", short))


def test_bags_that_are_sold_while_they_lie_on_the_floor_are_named(now):
    assert said("dry_before_bagged_and_sold", now) == []
    last = max(load.until for load in now.schedule) + timedelta(days=300)
    wrong = with_parts(now, schedule=tuple(replace(load, until=last) for load in now.schedule))
    assert said("dry_before_bagged_and_sold", wrong)


def test_treated_grain_sold_or_eaten_within_its_waiting_time_is_named(now):
    assert said("waiting_times_are_kept", now) == []
    treated = next(choice.name for choice in now.stores if choice.method == "woven_bag_protectant")
    line = next(item for item in now.plan.sales if item.buyer)
    soon = with_line(now, lambda item: item is line, storage=treated, sell_on=line.ready_on + timedelta(days=89))
    assert any(f"lot {line.label} is treated" in text for text in said("waiting_times_are_kept", soon))
    # the default label time is 90 days: on the ninetieth day it may go
    late = with_line(now, lambda item: item is line, storage=treated, sell_on=line.ready_on + timedelta(days=90))
    assert said("waiting_times_are_kept", late) == []


def test_a_lot_treated_earlier_that_leaves_within_its_days_is_named(now):
    line = next(item for item in now.plan.sales if item.buyer and not item.storage)
    lot = next(one for one in now.lots if str(one.id) == line.lot)
    record = replace(lot.state.lot, storage_method="woven_bag_protectant", stored_on=line.sell_on - timedelta(days=89))
    dusted = replace(lot, state=replace(lot.state, lot=record))
    others = tuple(one for one in now.lots if one is not lot)
    assert any(
        f"lot {line.label} is treated" in text
        for text in said("waiting_times_are_kept", with_parts(now, lots=(*others, dusted)))
    )
    free = replace(record, stored_on=line.sell_on - timedelta(days=90))
    dusted = replace(lot, state=replace(lot.state, lot=free))
    assert said("waiting_times_are_kept", with_parts(now, lots=(*others, dusted))) == []


def test_grain_sealed_too_wet_or_not_surely_dry_is_named(now):
    sealed = next(choice.name for choice in now.stores if choice.method == "hermetic_bag")
    wet = with_line(now, lambda item: item.label == "H1", storage=sealed, setup="")
    assert any("lot H1 is sealed" in text for text in said("sealed_dry", wet))
    half = with_line(now, lambda item: item.label == "H1", storage=sealed, setup="x", target_pct=13.4)
    assert any("lot H1 is sealed at 13.4 %" in text for text in said("sealed_dry", half))


def test_grain_stored_above_its_keeping_limit_is_named(now):
    woven = next(choice.name for choice in now.stores if choice.method == "woven_bag")
    line = next(item for item in now.plan.sales if item.label == "H3")
    later = line.ready_on + timedelta(days=100)
    wet = with_line(now, lambda item: item is line, storage=woven, setup="", sell_on=later)
    assert any("lot H3 is stored at 16.0 %" in text for text in said("stored_below_limit", wet))


def test_two_prices_of_one_crop_are_named(now):
    assert said("one_price", now) == []
    dear = with_parts(now, prices=tuple(replace(price, per_kg=price.per_kg * 1.02) for price in now.prices))
    assert any("maize is priced" in text for text in said("one_price", dear))


def test_a_price_at_which_lots_are_judged_otherwise_is_named(now):
    assert "maize" in now.judged_at
    other = with_parts(now, judged_at={**now.judged_at, "maize": 1.1 * now.judged_at["maize"]})
    assert any("its lots are judged at" in text for text in said("one_price", other))


def test_a_plan_that_waits_where_prices_do_not_support_it_is_named(now):
    line = next(item for item in now.plan.sales if item.buyer and item.commodity == "maize")
    price = next(item for item in now.prices if item.crop == "maize")
    assert price.waiting is not None
    refused = replace(price, waiting=replace(price.waiting, wait=False))
    late = with_line(now, lambda item: item is line, sell_on=line.ready_on + timedelta(days=120))
    wrong = with_parts(late, prices=(refused,))
    assert any("past prices of maize do not support waiting" in text for text in said("waiting_agrees", wrong))


def test_grain_that_waits_for_its_label_does_not_wait_on_the_price(now):
    """Treated 30 days before its sale with 90 on the label, it may go 60 days from today and is sold a week later."""
    line = next(item for item in now.plan.sales if item.buyer and item.commodity == "maize")
    price = next(item for item in now.prices if item.crop == "maize")
    refused = replace(price, waiting=replace(price.waiting, wait=False))
    sold = now.today + timedelta(days=67)
    late = with_line(now, lambda item: item is line, sell_on=sold, ready_on=now.today)
    wrong = with_parts(late, prices=(refused,))
    assert any(str(sold) in text for text in said("waiting_agrees", wrong))
    lot = next(one for one in now.lots if str(one.id) == line.lot)
    record = replace(lot.state.lot, storage_method="woven_bag_protectant", stored_on=now.today - timedelta(days=30))
    dusted = replace(lot, state=replace(lot.state, lot=record))
    others = tuple(one for one in now.lots if one is not lot)
    right = with_parts(wrong, lots=(*others, dusted))
    assert not any(str(sold) in text for text in said("waiting_agrees", right))


def test_an_action_that_is_missing_is_named(now):
    sold = next(action for action in now.actions if action.kind == "sell")
    fewer = with_parts(now, actions=tuple(action for action in now.actions if action is not sold))
    assert any("the plan sells" in text for text in said("actions_follow", fewer))


def test_an_order_on_another_day_is_named(now):
    assert now.purchases
    assert said("orders_agree", now) == []
    later = tuple(
        replace(action, on=action.on + timedelta(days=3)) if action.kind in ("buy", "book") else action
        for action in now.actions
    )
    assert any("is ordered by" in text for text in said("orders_agree", with_parts(now, actions=later)))


def test_a_step_before_today_is_named(now):
    assert said("nothing_in_the_past", now) == []
    early = replace(now.actions[0], on=now.today - timedelta(days=1))
    assert said("nothing_in_the_past", with_parts(now, actions=(early,)))


def test_assumed_weather_and_prices_must_be_told(now):
    assert not now.weather.is_forecast
    silent = with_parts(now, assumed=())
    assert any("weather is assumed" in text for text in said("assumptions_are_told", silent))
    price = replace(now.prices[0], assumed=True)
    assert any("a price is assumed" in text for text in said("assumptions_are_told", with_parts(now, prices=(price,))))


def test_the_weather_of_the_example_for_a_real_group_is_named(now):
    wrong = with_parts(now, weather=replace(now.weather, origin="example"))
    assert any("invented example" in text for text in said("assumptions_are_told", wrong))


def test_steps_to_another_net_value_are_named(now):
    assert said("one_net_value", now) == []
    net = now.made.net.copy()
    net["net"] += 5
    assert said("one_net_value", with_parts(now, made=replace(now.made, net=net)))
