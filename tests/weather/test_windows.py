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
from core.weather.windows import day_windows


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
