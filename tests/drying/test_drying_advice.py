"""Advice from a drying forecast: numbers, hours, money and the moment to test."""

from __future__ import annotations

from datetime import date
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from core.drying.advice import (
    chance_dry_by,
    chance_spoilt,
    day_hours,
    dryer_cost,
    labour_cost,
    outlook,
    overdrying_cost,
    quantiles_with_misses,
    retest_time,
    stop_times,
)
from core.drying.run import DryingSetup, simulate_drying
from core.errors import InputError
from core.grain.mass import mass_after_drying
from tests.drying.drying_cases import plain_days

BRIGHT, DULL = plain_days(days=8), plain_days(days=8, sun=350.0)
SETUP = DryingSetup("tarpaulin", 10, 20)
RUN = simulate_drying("maize", 22.0, [BRIGHT, DULL, BRIGHT, BRIGHT], SETUP, 13.0)


def test_quantiles_of_a_sample_with_misses():
    """Order statistics by hand: of ten values the first, fifth and ninth."""
    values = np.array([1, 2, 3, 4, 5, 6, 7, 8, np.inf, np.inf], dtype=float)
    assert quantiles_with_misses(values) == (1.0, 5.0, np.inf)


def test_outlook_and_chance_by_a_date_count_scenarios():
    result = outlook("maize", RUN)
    assert result.days[0] <= result.days[1] <= result.days[2]
    bright, dull = RUN.days_to_target[0], RUN.days_to_target[1]
    assert bright < dull
    assert chance_dry_by(RUN, date(2024, 2, int(bright))) == 0.75
    assert chance_dry_by(RUN, date(2024, 2, int(dull))) == 1.0
    assert result.chance_in_time == 1.0


def test_overdrying_cost_is_the_mass_that_the_balance_loses():
    """Against mass_after_drying: 1000 kg at 13 % dried to 12 % weigh 988.6 kg; at 0.30 per kg that is 3.41."""
    lost = 1000.0 - float(mass_after_drying(1000.0, 13.0, 12.0))
    assert overdrying_cost(1000.0, 13.0, 1.0, 0.30) == pytest.approx(0.30 * lost)
    assert overdrying_cost(1000.0, 13.0, 1.0, 0.30) == pytest.approx(3.409, abs=1e-3)
    with pytest.raises(InputError):
        overdrying_cost(1000.0, 13.0, 20.0, 0.30)


def test_wet_grain_in_dull_warm_weather_spoils_more_than_in_the_sun():
    warm_wet = plain_days(days=16, low_c=26, high_c=30, dawn_humidity=98, sun=60.0)
    wet = simulate_drying("maize", 28.0, warm_wet, SETUP, 13.0)
    bright = simulate_drying("maize", 22.0, BRIGHT, SETUP, 13.0)
    assert chance_spoilt("maize", wet) > 0.9
    assert chance_spoilt("maize", bright) < 0.1
    assert np.isnan(chance_spoilt("cocoa", simulate_drying("cocoa", 55.0, BRIGHT, SETUP, 7.0)))


def test_hours_to_spread_lie_in_daylight_and_end_before_likely_rain():
    plans = day_hours("maize", 20.0, [BRIGHT, DULL], SETUP, 13.0)
    assert [item.day for item in plans] == [date(2024, 2, 1), date(2024, 2, 2)]
    for item in plans:
        assert 6 <= item.spread_hour < item.cover_hour <= 18
        assert all(item.spread_hour < hour < item.cover_hour for hour in item.turn_hours)
        assert item.points > 0
    showers = BRIGHT.assign(rain_mm=np.where(BRIGHT.index.hour >= 15, 5.0, 0.0))
    first = day_hours("maize", 20.0, [showers] * 3, SETUP, 13.0)[0]
    assert first.cover_hour <= 14
    assert "rain is likely" in str(first.reason)


def test_a_day_of_rain_is_a_day_to_keep_it_covered():
    rainy = BRIGHT.assign(rain_mm=2.0, shortwave_w_m2=BRIGHT["shortwave_w_m2"] * 0.2)
    first = day_hours("maize", 20.0, rainy, SETUP, 13.0)[0]
    assert first.spread_hour is None
    assert "leave it covered" in str(first.reason)
    assert first.rain_chance == 1.0


def test_rain_chance_of_the_service_is_used_where_it_gives_one():
    hours = BRIGHT.index.hour
    chances = BRIGHT.assign(rain_chance=np.where((hours >= 13) & (hours <= 18), 0.6, 0.05))
    assert day_hours("maize", 20.0, chances, SETUP, 13.0)[0].cover_hour <= 12


def test_stop_is_between_the_early_and_the_late_weather_and_the_test_waits_for_cool_grain():
    early, middle, late = stop_times(RUN)
    assert early <= middle <= late
    assert middle.tzinfo == ZoneInfo("Africa/Nairobi") or middle.utcoffset().total_seconds() == 3 * 3600
    test = retest_time(RUN)
    assert test > early
    assert 7 <= test.hour < 19
    never = simulate_drying("maize", 22.0, DULL, SETUP, 3.0)
    assert stop_times(never) == (None, None, None)
    assert retest_time(never) is None


def test_costs_by_hand():
    """900 kg, 18 to 13 %: 5 points x 900 kg x 0.3 = 1350; water 900 x 5 / 87 = 51.7 kg.

    2 days at 1.5 person-days/t.
    """
    assert dryer_cost(900.0, 18.0, 13.0, 0.3) == pytest.approx(1350.0)
    assert dryer_cost(900.0, 18.0, 13.0, 0.0, 2.0) == pytest.approx(103.45, abs=0.01)
    assert dryer_cost(900.0, 12.0, 13.0, 0.3, 2.0) == 0.0
    assert labour_cost(900.0, 2.0, 1.5, 4.0) == pytest.approx(10.8)
