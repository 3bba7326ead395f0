"""Local days: right at any longitude and over a change of clocks."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest

from core.weather.forecast import usual_forecast
from core.weather.frames import Forecast
from core.weather.place import Place
from core.weather.usual import bundled_normals
from core.weather.windows import day_windows, hourly_rain_chance


def forecast_of(place: Place, start: str, hours: int, rain_at: list[str]) -> Forecast:
    """Return two runs with sun from 9 to 15 h local and rain in the hours that end at the local times given."""
    index = pd.date_range(
        pd.Timestamp(start, tz=place.zone).tz_convert("UTC") + pd.Timedelta(hours=1), periods=hours, freq="h"
    )
    local = index.tz_convert(place.zone)
    frame = pd.DataFrame(
        {
            "temperature_c": 25.0,
            "relative_humidity_pct": 60.0,
            "wind_m_s": 2.0,
            "rain_mm": np.where(local.strftime("%d %H").isin(rain_at), 3.0, 0.0),
            "shortwave_w_m2": np.where((local.hour > 9) & (local.hour <= 15), 600.0, 50.0),
        },
        index=index,
    )
    now = datetime(2026, 1, 1, tzinfo=UTC)
    return Forecast((frame, frame), "bundled", now, now, "bundled", "")


@pytest.mark.parametrize("zone", ["Africa/Blantyre", "Asia/Kathmandu", "Pacific/Kiritimati", "America/Lima"])
def test_days_are_the_places_own(zone):
    place = Place(1.87 if "Kiri" in zone else -10.0, {"A": 34.4, "P": -157.4}.get(zone[0], 0.0), 0, zone)
    if zone == "Asia/Kathmandu":
        place = Place(27.7, 85.3, 1400, zone)
    if zone == "America/Lima":
        place = Place(-12.0, -77.0, 100, zone)
    windows = day_windows(forecast_of(place, "2026-05-20", 48, ["21 13"]), place)
    assert [window.day.day for window in windows] == [20, 21]
    assert [window.hours for window in windows] == [24, 24]
    assert windows[0].sunny_hours == 6
    assert windows[0].rain_chance == 0
    assert windows[1].rain_chance == 1
    # the longest dry stretch of the second day is the morning up to noon, when the wet hour begins
    assert windows[1].dry_until.strftime("%H:%M") == "12:00"
    assert windows[0].sunrise.hour in (5, 6)


def test_a_day_of_23_and_of_25_hours():
    berlin = Place(52.5, 13.4, 40, "Europe/Berlin")
    spring = day_windows(forecast_of(berlin, "2026-03-28", 71, []), berlin)
    assert [window.hours for window in spring] == [24, 23, 24]
    autumn = day_windows(forecast_of(berlin, "2026-10-24", 73, []), berlin)
    assert [window.hours for window in autumn] == [24, 25, 24]


def test_the_example_in_the_dry_season_has_sun_and_no_rain():
    place = Place(-10.6, 34.4, 820, "Africa/Blantyre")
    windows = day_windows(usual_forecast(place, datetime(2026, 8, 3, 4, tzinfo=UTC), bundled_normals()), place)
    assert np.mean([window.sunny_hours for window in windows]) > 7
    assert np.mean([window.rain_chance for window in windows]) < 0.1


def test_a_day_of_five_runs_worked_by_hand():
    """Blantyre's clock is two hours ahead: the hours end from 1 to 24 h; the sun is up from 6 to 18 h."""
    place = Place(-15.8, 35.0, 1000, "Africa/Blantyre")
    index = pd.date_range("2026-03-20 23:00", periods=24, freq="h", tz="UTC")  # ends 1 h to 24 h of the 21st
    clock = np.arange(1, 25)
    members = []
    for k in range(5):
        rain = np.zeros(24)
        if k < 2:  # two of five in the hour to 10, which is too many; one of five in the hour to 15 is not
            rain[clock == 10] = 0.1
        if k == 2:
            rain[clock == 15] = 1.0
        sun = np.where((clock > 8) & (clock <= 12 + k), 250.0, 249.9)
        members.append(
            pd.DataFrame(
                {
                    "temperature_c": 20.0 + k + np.where(clock == 5, -4.0, 0.0) + np.where(clock == 14, 7.0 + k, 0.0),
                    "relative_humidity_pct": 70.0 - 3 * k - np.where(clock == 14, 20.0, 0.0),
                    "wind_m_s": 2.0,
                    "rain_mm": rain,
                    "shortwave_w_m2": sun,
                },
                index=index,
            )
        )
    now = datetime(2026, 3, 20, tzinfo=UTC)
    (window,) = day_windows(Forecast(tuple(members), "x", now, now, "fresh", ""), place)
    assert (window.day.isoformat(), window.hours) == ("2026-03-21", 24)
    assert window.sunny_hours == 6  # of 4, 5, 6, 7, 8
    assert window.rain_chance == pytest.approx(0.2)  # one run has a millimetre, two have a tenth
    assert window.rain_high_mm == pytest.approx(0.64)  # sums 0, 0, 0.1, 0.1, 1: 0.6 of the way from 0.1 to 1
    assert window.temperature_low_c == 18.0
    assert window.temperature_high_c == 31.0  # 27, 29, 31, 33, 35
    assert window.humidity_low_pct == 44.0
    # 6 to 9 h before the rain, 10 to 18 h after it
    assert (window.dry_from.hour, window.dry_until.hour) == (10, 18)
    chance = hourly_rain_chance(Forecast(tuple(members), "x", now, now, "fresh", ""))
    assert chance[9] == pytest.approx(0.4)
    assert chance.sum() == pytest.approx(0.6)

    own = members[0].assign(rain_chance=np.where(clock == 20, 0.7, 0.1))
    (window,) = day_windows(Forecast((own,), "x", now, now, "fresh", ""), place)
    assert window.rain_chance == pytest.approx(0.7)  # a single run: the service's own
    assert (window.dry_from.hour, window.dry_until.hour) == (6, 18)
    # runs of an ensemble say it themselves
    (window,) = day_windows(Forecast((own, own), "x", now, now, "fresh", ""), place)
    assert window.rain_chance == 0.0
    # nowhere dry: no stretch
    (window,) = day_windows(Forecast((own.assign(rain_chance=0.21),), "x", now, now, "fresh", ""), place)
    assert (window.dry_from, window.dry_until) == (None, None)


def test_of_two_dry_stretches_as_long_the_first_and_where_the_sun_never_sets_the_night_too():
    place = Place(78.2, 15.6, 10, "Etc/UTC")  # Longyearbyen in June
    index = pd.date_range("2026-06-21 01:00", periods=24, freq="h", tz="UTC")
    rain = np.isin(np.arange(1, 25), (8, 16, 24))
    frame = pd.DataFrame(
        {
            "temperature_c": 5.0,
            "relative_humidity_pct": 80.0,
            "wind_m_s": 2.0,
            "rain_mm": 1.0 * rain,
            "shortwave_w_m2": 9.0,
        },
        index=index,
    )
    now = datetime(2026, 6, 20, tzinfo=UTC)
    (window,) = day_windows(Forecast((frame,), "x", now, now, "fresh", ""), place)
    assert (window.sunrise, window.sunset) == (None, None)
    assert (window.dry_from.hour, window.dry_until.hour) == (0, 7)
