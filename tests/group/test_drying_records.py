"""What a group's records say about its drying."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from core.drying.run import DryingSetup, simulate_drying
from core.drying.setups import drying_methods
from core.group.drying_records import (
    day_word,
    diary,
    diary_score,
    drying_setup,
    learned_rate,
    note_day,
    reading_rounds,
    remember_weather,
    remembered_weather,
)
from core.group.possessions import keep_spaces, possessions
from core.group.records import Group, Lot, Reading
from core.weather.frames import NEEDED
from tests.drying.drying_cases import plain_days
from tests.shared_store import fresh_store

NOW = datetime(2024, 2, 5, 6, tzinfo=UTC)
WEATHER = plain_days(days=4, zone="Africa/Nairobi").tz_convert("UTC")


@pytest.fixture
def store(tmp_path):
    opened = fresh_store(tmp_path / "drying.sqlite3")
    opened.add_group(Group(name="Test", latitude=-1.0, longitude=37.0, altitude_m=1200.0, time_zone="Africa/Nairobi"))
    yield opened
    opened.engine.dispose()


@pytest.fixture
def group(store):
    return store.groups()[0]


def test_setups_come_from_facts_and_harm_limits_from_crop_and_use(store, group):
    facts = store.facts(group.id)
    maize = Lot(group_id=group.id, label="a", commodity="maize")
    has = possessions(store, group.id)
    for method in drying_methods():
        setup = drying_setup(has.space(method), facts, group, maize)
        assert setup.capacity_kg > 0
        assert setup.time_zone == "Africa/Nairobi"
        assert setup.grain_temperature_limit_c is None
    seed = Lot(group_id=group.id, label="b", commodity="maize", use="seed")
    assert drying_setup(has.space("tarpaulin"), facts, group, seed).grain_temperature_limit_c == 43
    keep_spaces(store, group.id, [replace(has.space("tarpaulin"), area_m2=99)], "Ada", NOW)
    assert drying_setup(possessions(store, group.id).space("tarpaulin"), facts, group, maize).area_m2 == 99


def test_weather_that_has_passed_is_kept_and_joined(store):
    half = WEATHER.iloc[:60]
    remember_weather(store, "here", [half], half.index[-1].to_pydatetime())
    remember_weather(store, "here", [WEATHER.iloc[40:], WEATHER.iloc[40:] * 1.0], WEATHER.index[80].to_pydatetime())
    kept = remembered_weather(store, "here")
    assert kept.index[0] == WEATHER.index[0]
    assert kept.index[-1] == WEATHER.index[80]
    np.testing.assert_allclose(kept["temperature_c"], WEATHER["temperature_c"].iloc[:81], atol=0.01)
    assert list(kept.columns) == list(NEEDED)
    assert remembered_weather(store, "elsewhere") is None


def test_a_drying_lots_tests_sharpen_the_groups_own_rate(store, group):
    maize = Lot(group_id=group.id, label="x", commodity="maize")
    setup = drying_setup(possessions(store, group.id).space("tarpaulin"), store.facts(group.id), group, maize)
    truth = simulate_drying(
        "maize",
        23.0,
        WEATHER,
        DryingSetup("tarpaulin", 48, setup.load, altitude_m=1200, rate_factor=0.6, time_zone=group.time_zone),
        13.0,
    )
    lot = store.add_lot(Lot(group_id=group.id, label="M1", commodity="maize", bags=10, status="drying"))
    store.set_fact(group.id, "meter_kind", "electrical", "entered", "Ada", NOW)
    store.add_readings(
        [
            Reading(
                lot_id=lot,
                taken_at=truth.times[hour].to_pydatetime(),
                bag=str(hour),
                meter_moisture_pct=float(truth.moisture_pct[hour, 0]),
            )
            for hour in (1, 12, 17, 36, 42)
        ]
    )
    rounds = reading_rounds(store, group.id, store.lot(lot))
    assert len(rounds) == 5
    rate = learned_rate(store, group, "tarpaulin", WEATHER)
    assert (rate.lots, rate.readings) == (1, 4)
    assert rate.assumed.median == pytest.approx(1.0, abs=0.01)
    assert rate.believed.median < 0.9
    assert learned_rate(store, group, "crib", WEATHER).readings == 0
    assert learned_rate(store, group, "tarpaulin", None).readings == 0


def test_the_diary_counts_right_forecasts_and_a_second_tap_replaces_the_first(store, group):
    for number, (seen, said) in enumerate([("sun", "sun"), ("rain", "sun"), ("cloud", None)]):
        note_day(store, group.id, date(2024, 2, 1 + number), seen, said, "Ada", NOW)
    assert diary_score(store.events(group.id, "diary")) == (1, 2)
    note_day(store, group.id, date(2024, 2, 2), "sun", "sun", "Ada", NOW + timedelta(minutes=1))
    events = store.events(group.id, "diary")
    assert len(diary(events)) == 3
    assert diary_score(events) == (2, 2)
    assert len(events) == 5  # nothing is erased


def test_days_are_called_sun_cloud_or_rain_by_their_hours():
    """Sun from 65 % of a cloudless day (here 23.4 MJ/m² by the half sine 850 W/m² x 24/pi h), rain from 1 mm (WMO)."""
    cloudless = 850 * 24 / np.pi * 3.6e-3
    day = date(2024, 2, 2)
    assert day_word([WEATHER], day, "Africa/Nairobi", cloudless) == "sun"
    dull = WEATHER.assign(shortwave_w_m2=WEATHER["shortwave_w_m2"] * 0.5)
    assert day_word([dull], day, "Africa/Nairobi", cloudless) == "cloud"
    wet = WEATHER.assign(rain_mm=0.2)
    assert day_word([wet, wet, WEATHER], day, "Africa/Nairobi", cloudless) == "rain"
    assert day_word([WEATHER], date(2024, 3, 2), "Africa/Nairobi", cloudless) is None
    assert isinstance(WEATHER.index, pd.DatetimeIndex)
