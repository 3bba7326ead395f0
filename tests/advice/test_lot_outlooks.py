"""Pages on drying and storage, the plan and the meter's round speak from one outlook for each lot."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from core.advice import situation
from core.advice.meter_rounds import lots_to_test
from core.group.possessions import possessions
from core.planning.case_from_records import build_case
from core.planning.drying_ahead import booked
from core.planning.group_seasons import group_seasons, kept_cool_as, setup_of
from core.planning.outlook import lot_moisture
from tests.advice.groups import NOW, Heap, small_group


@pytest.fixture(scope="module")
def group_of_two(tmp_path_factory):
    """A group with two wet lots, one of a crop that is kept cool, and a stored one."""
    url = f"sqlite:///{tmp_path_factory.mktemp('two') / 'x.sqlite3'}"
    maize, dry, paddy = (17.0, 17.4, 17.2), (12.4, 12.6, 12.5), (22.0, 22.3, 21.8)
    store = small_group(url, (Heap("maize", 9, maize), Heap("maize", 8, dry), Heap("paddy", 8, paddy)))
    kept = replace(store.lots(1)[1], status="stored", storage_method="woven_bag", stored_on=NOW.date())
    store.update_lot(kept)
    yield store
    store.engine.dispose()


@pytest.mark.parametrize("at", [0, 2])
def test_the_plan_books_the_days_that_the_page_tells(group_of_two, at):
    """Same weathers, same set-up with its heat limit, same belief in the rate; between grid points within a day."""
    store = group_of_two
    now = situation(store, 1, NOW)
    wet = now.lots[at]
    built = build_case(store, 1, now.today)
    seasons = group_seasons(built.case, built.case.seed, built.data)
    lot = next(one for one in built.case.lots if one.id == str(wet.id))
    moisture = lot_moisture(lot, seasons)
    for number, space in enumerate(possessions(store, 1).spaces):
        told = now.drying(wet.id, space)
        way = built.case.drying[number]
        made = setup_of(way, built.case, built.data, kept_cool_as(lot))
        assert (made.load, made.grain_temperature_limit_c, made.cover_in_rain) == (
            told.setup.load,
            told.setup.grain_temperature_limit_c,
            told.setup.cover_in_rain,
        )
        planned = seasons.dry(lot, way, 0, moisture, built.case.target(lot.commodity))
        assert abs(planned.planned_days - booked(told.found.run.days_to_target)) <= 1
        assert abs(float(np.median(planned.days)) - told.found.outlook.days[1]) <= 1


def test_the_forecast_reaches_the_plan_on_any_day_of_its_week(group_of_two):
    """Rain in every hour of the forecast, for a group whose market day is past: nothing dries while it lasts."""
    from core.planning.case_from_records import surroundings_of
    from core.planning.drying_ahead import begin_of, weather_ahead

    store = group_of_two
    group = store.group(1)
    start = begin_of(NOW.date(), group.time_zone)
    data = surroundings_of(store, group, start)
    wet = tuple(frame.assign(rain_mm=7.0) for frame in data.forecast.members)
    rainy = replace(data, forecast=replace(data.forecast, members=wet))
    case = build_case(store, 1, NOW.date()).case
    assert case.days_gone > 0
    seasons = group_seasons(case, case.seed, rainy)
    dried = seasons.dry(
        case.lots[0], case.drying[0], 0, np.full(case.scenarios, 17.0), case.target(case.lots[0].commodity)
    )
    assert float(np.median(dried.days)) > 10
    assert (weather_ahead(rainy, start, 1).frames[0]["rain_mm"].iloc[:72] == 7.0).all()


def test_a_stored_lot_is_tested_on_the_day_that_its_page_says(group_of_two):
    now = situation(group_of_two, 1, NOW)
    judged, not_judged = now.in_store
    assert not not_judged
    due = now.today + timedelta(days=judged[0].where_it_lies().test_days)
    round_ = {need.lot: need for need in lots_to_test(group_of_two, 1, now.today, NOW)}
    assert round_[judged[0].lot.label].last_day == due
