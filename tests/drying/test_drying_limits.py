"""Limits: no sun, saturated air, no wind, hot dry wind, rain, dew, cover, hours, days and altitude."""

from __future__ import annotations

import numpy as np
import pytest

from core.drying.run import DryingSetup, simulate_drying
from core.drying.setups import drying_method_table, drying_methods
from core.errors import InputError, NotFoundError
from core.grain.sorption import equilibrium_moisture
from tests.drying.drying_cases import plain_days

DAYS = plain_days(days=6)
OPEN = {"spread_hour": 0.0, "cover_hour": 24.0}


def run(weather=DAYS, crop="maize", start=20.0, target=13.0, method="tarpaulin", load=15.0, **more):
    return simulate_drying(crop, start, weather, DryingSetup(method, 10, load, **more), target)


def test_no_sun_dries_towards_the_airs_own_equilibrium_and_not_below():
    weather = plain_days(days=40, sun=0.0)
    result = run(weather, **OPEN)
    driest = float(np.min(equilibrium_moisture("maize", weather["temperature_c"], weather["relative_humidity_pct"])))
    assert result.moisture_pct.min() >= driest - 0.1
    assert (
        run(sun := plain_days(days=6)).exposed_hours_to_target[0]
        < run(plain_days(days=6, sun=0.0)).exposed_hours_to_target[0]
    )
    assert sun["shortwave_w_m2"].max() > 0


def test_saturated_air_without_sun_dries_nothing():
    weather = DAYS.assign(relative_humidity_pct=100.0, shortwave_w_m2=0.0, temperature_c=25.0)
    result = run(weather, **OPEN)
    assert np.isinf(result.days_to_target[0])
    assert np.all(np.diff(result.moisture_pct[:, 0]) >= -1e-9)


def test_saturated_air_with_sun_still_dries_because_the_grain_is_warmer_than_the_air():
    assert run(DAYS.assign(relative_humidity_pct=100.0)).moisture_pct[-1, 0] < 20.0


def test_without_wind_the_grain_is_hotter_and_still_dries():
    still, windy = run(DAYS.assign(wind_m_s=0.0)), run(DAYS.assign(wind_m_s=6.0))
    assert np.isfinite(still.days_to_target[0])
    assert still.grain_temperature_c.max() > windy.grain_temperature_c.max() + 3


def test_hot_dry_wind_dries_within_a_day_and_over_dries():
    weather = plain_days(days=3, low_c=28, high_c=42, dawn_humidity=25, sun=1000, wind=8)
    result = run(weather)
    assert result.days_to_target[0] == 1
    assert result.moisture_pct[-1, 0] < 9


def test_rain_wets_uncovered_grain_and_not_covered_or_roofed_grain():
    weather = DAYS.assign(rain_mm=np.where(DAYS.index.hour == 16, 8.0, 0.0))
    wet, watched = run(weather, start=14.0), run(weather, start=14.0, cover_in_rain=True)
    assert wet.rain_taken_kg_m2[0] > 0.3
    assert wet.moisture_pct[16, 0] > wet.moisture_pct[15, 0] + 0.5
    assert watched.rain_taken_kg_m2[0] == 0.0
    assert watched.moisture_pct[-1, 0] < wet.moisture_pct[-1, 0]
    roofed = run(weather, start=14.0, method="solar_dryer")
    assert roofed.rain_taken_kg_m2[0] == 0.0
    night_rain = DAYS.assign(rain_mm=np.where(DAYS.index.hour == 2, 20.0, 0.0))
    np.testing.assert_allclose(run(night_rain, start=14.0).moisture_pct, run(start=14.0).moisture_pct)


def test_dew_and_humid_night_air_wet_grain_left_open():
    left, covered = run(start=11.0, **OPEN), run(start=11.0)
    dawn = 24 + 6
    assert left.moisture_pct[dawn, 0] > left.moisture_pct[24 - 6, 0] + 0.3
    assert covered.moisture_pct[dawn, 0] == pytest.approx(covered.moisture_pct[20, 0])
    damp = run(plain_days(days=3, low_c=12, high_c=30, dawn_humidity=97, wind=0.5), start=11.0, **OPEN)
    assert damp.surface_water_kg_m2.max() > 0.0  # dew, soon soaked in


def test_thick_unturned_layer_is_slower_than_turned():
    assert (
        run(load=40.0, turn_interval_h=np.inf).moisture_pct[-1, 0]
        > run(load=40.0, turn_interval_h=1.0).moisture_pct[-1, 0] + 1
    )
    assert run(load=5.0, turn_interval_h=np.inf).moisture_pct[-1, 0] == pytest.approx(
        run(load=5.0).moisture_pct[-1, 0], abs=0.3
    )


def test_thinner_layers_dry_faster():
    hours = [run(load=load).exposed_hours_to_target[0] for load in (8.0, 16.0, 32.0)]
    assert hours == sorted(hours)


def test_first_row_is_the_start_and_hours_count_only_while_open():
    result = run(start=19.0)
    assert result.moisture_pct.shape == (len(DAYS) + 1, 1)
    assert result.moisture_pct[0, 0] == pytest.approx(19.0)
    assert result.exposed_hours[-1, 0] == 6 * 9
    assert result.exposed_hours_to_target[0] < 24


def test_days_are_local_calendar_days_with_the_first_counted_one():
    result = run(load=10.0, start=18.0)
    assert result.days_to_target[0] == 1
    in_utc = simulate_drying(
        "maize", 18.0, DAYS.tz_convert("UTC"), DryingSetup("tarpaulin", 10, 10, time_zone="Africa/Nairobi"), 13.0
    )
    assert in_utc.days_to_target[0] == 1
    assert in_utc.exposed_hours_to_target[0] == pytest.approx(result.exposed_hours_to_target[0])
    slow = run(load=30.0, start=24.0)
    assert slow.days_to_target[0] == np.ceil(slow.hours_to_target[0] / 24)


def test_spread_hours_follow_the_clock_of_the_place_at_any_longitude():
    """A hill in Samoa (UTC+13) and one in Jamaica (UTC-5) with the same sun by their own clock dry alike."""
    results = [run(plain_days(days=3, zone=zone)).moisture_pct for zone in ("Pacific/Apia", "America/Jamaica")]
    np.testing.assert_allclose(*results)


def test_a_dry_lot_needs_nothing_and_an_unreachable_target_is_infinity():
    assert run(start=12.0).exposed_hours_to_target[0] == 0.0
    never = run(target=1.0)
    assert np.isinf(never.days_to_target[0])
    assert np.isinf(never.exposed_hours_to_target[0])


def test_altitude_speeds_vapour_a_little():
    low, high = run(load=30.0).moisture_pct[-1, 0], run(load=30.0, altitude_m=2500).moisture_pct[-1, 0]
    assert high < low


def test_temperature_limit_covers_at_midday_and_slows():
    free, limited = run(start=18.0), run(start=18.0, grain_temperature_limit_c=43.0)
    assert limited.exposed_hours[-1, 0] < free.exposed_hours[-1, 0]
    assert limited.moisture_pct[-1, 0] > free.moisture_pct[-1, 0]


def test_a_retest_moves_equivalent_time_not_the_initial_moisture():
    """Going on from 16 % with the start remembered is slower than a lot that begins at 16 %."""
    fresh = run(start=16.0, load=5.0)
    going_on = run(start=16.0, load=5.0, already_dried_from_pct=24.0)
    assert going_on.exposed_hours_to_target[0] > fresh.exposed_hours_to_target[0]


def test_rate_factor_makes_it_faster_but_not_without_limit():
    hours = [run(rate_factor=factor).exposed_hours_to_target[0] for factor in (0.5, 1.0, 2.0, 50.0)]
    assert hours == sorted(hours, reverse=True)
    assert hours[3] > 2.0


@pytest.mark.parametrize("method", drying_methods())
def test_every_method_runs_and_has_a_source(method):
    row = drying_method_table()[method]
    assert row["source"]
    assert row["basis"] in ("published", "practice", "memory", "judgement")
    result = run(method=method, load=None)
    assert np.isfinite(result.moisture_pct).all()
    assert result.moisture_pct[-1, 0] < 20.0


def test_impossible_setups_and_moistures_are_refused():
    with pytest.raises(NotFoundError):
        DryingSetup("hair dryer", 10, 10)
    for bad in (
        {"area_m2": -1.0},
        {"load_kg_m2": 0.0},
        {"spread_hour": 25.0},
        {"turn_interval_h": 0.0},
        {"altitude_m": 9000},
    ):
        with pytest.raises(InputError):
            DryingSetup("tarpaulin", **bad)
    for moisture in (-1.0, 95.0, np.nan):
        with pytest.raises(InputError):
            run(start=moisture)
