"""The second provider: steps spread over hours, the sun estimated, manners kept."""

from __future__ import annotations

import copy
import json
from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest
import requests
import responses
from hypothesis import given
from hypothesis import strategies as st

from core.errors import WeatherError
from core.weather import met_norway
from core.weather.fetching import make_session
from core.weather.place import Place
from core.weather.solar import mean_over_hours
from tests.weather.samples import NOW, PLACE, met_norway_answer
from tests.weather.test_open_meteo import JUNK, check_whole


def test_steps_become_hours():
    forecast = met_norway.parse_forecast(met_norway_answer(), PLACE, NOW)
    (frame,) = forecast.members
    check_whole(forecast)
    # rain given at 17:00 for the hour after it belongs to the hour that ends at 18:00
    assert frame.loc[pd.Timestamp("2026-05-20T18:00Z"), "rain_mm"] == 1.5
    assert frame.loc[pd.Timestamp("2026-05-20T17:00Z"), "rain_mm"] == 0.0
    # all the rain of the answer and no more: 1.5 mm of one hour and 6 mm of six
    assert frame["rain_mm"].sum() == pytest.approx(7.5)
    words = " | ".join(str(note) for note in forecast.notes)
    assert "estimated" in words
    assert "six-hour steps" in words
    assert forecast.attribution == "Data from MET Norway"
    assert forecast.issued_at == datetime(2026, 5, 20, 5, 12, tzinfo=UTC)


def test_the_estimated_sun_follows_sky_and_cloud():
    frame = met_norway.parse_forecast(met_norway_answer(), PLACE, NOW).members[0]
    noon = frame.loc[frame.index.hour == 12, "shortwave_w_m2"]
    assert noon.between(800, 1100).all()  # near the zenith at 9 degrees north in May, two fifths of cloud
    assert (frame.loc[frame.index.hour.isin([0, 2, 22]), "shortwave_w_m2"] == 0).all()
    # Kasten and Czeplak (1980) at two fifths of cloud: 1 - 0.75 * 0.4 ** 3.4 = 0.967 of the clear sky
    clear = mean_over_hours(pd.DatetimeIndex(frame.index), PLACE, "clear")
    np.testing.assert_allclose(frame["shortwave_w_m2"], clear * (1 - 0.75 * 0.4**3.4))


def test_six_hour_steps_hour_by_hour():
    """The 6 mm of the 61st step fall in the six hours after it; instants lie on straight lines between steps."""
    answer = met_norway_answer()
    series = answer["properties"]["timeseries"]
    frame = met_norway.parse_forecast(answer, PLACE, NOW).members[0]
    step, after = (pd.Timestamp(series[number]["time"]) for number in (60, 61))
    assert after - step == pd.Timedelta(hours=6)
    wet = frame.index[(frame.index > step) & (frame.index <= after)]
    assert set(frame.loc[wet, "rain_mm"]) == {1.0}
    ends = [series[number]["data"]["instant"]["details"]["air_temperature"] for number in (60, 61)]
    for hours in range(7):
        wanted = ends[0] + (ends[1] - ends[0]) * hours / 6
        assert frame.loc[step + pd.Timedelta(hours=hours), "temperature_c"] == pytest.approx(wanted)
    words = " | ".join(str(note) for note in met_norway.parse_forecast(answer, PLACE, NOW).notes)
    assert f"{pd.Timestamp(series[56]['time']):%Y-%m-%d %H:%M}" in words


@pytest.mark.parametrize(("north", "east", "same"), [(0.24, 0.24, True), (0.26, 0.0, False), (0.0, -0.26, False)])
def test_the_answer_must_be_for_the_place_within_a_quarter_degree(north, east, same):
    answer = met_norway_answer()
    answer["geometry"]["coordinates"][:2] = [PLACE.longitude + east, PLACE.latitude + north]
    if same:
        met_norway.parse_forecast(answer, PLACE, NOW)
    else:
        with pytest.raises(WeatherError, match="another place"):
            met_norway.parse_forecast(answer, PLACE, NOW)


def test_a_hole_in_the_steps_ends_the_forecast():
    answer = met_norway_answer()
    del answer["properties"]["timeseries"][30:40]
    assert len(met_norway.parse_forecast(answer, PLACE, NOW).index) < 31


@responses.activate
def test_it_says_who_asks_and_does_not_ask_for_what_it_has():
    responses.get(
        met_norway.URL,
        json=met_norway_answer(),
        headers={"Last-Modified": "Wed, 20 May 2026 05:12:00 GMT", "Expires": "Wed, 20 May 2026 07:55:00 GMT"},
    )
    first = met_norway.fetch_forecast(Place(9.05123456, 1.13, 370, "Africa/Lome"), make_session(), NOW)
    asked = responses.calls[0].request
    assert "dryhold/" in asked.headers["User-Agent"]
    assert "lat=9.0512&" in asked.url  # at most four decimals, as the service demands
    assert first.caching["expires"] == "2026-05-20T07:55:00+00:00"
    responses.reset()
    responses.get(met_norway.URL, status=304)
    session = make_session()
    assert met_norway.fetch_forecast(PLACE, session, NOW, last_modified=first.caching["last_modified"]) is None
    assert responses.calls[-1].request.headers["If-Modified-Since"] == "Wed, 20 May 2026 05:12:00 GMT"
    assert isinstance(session, requests.Session)


@given(data=st.data())
def test_whatever_comes_is_a_whole_forecast_or_an_error_of_ours(data):
    answer = copy.deepcopy(met_norway_answer())
    for _step in range(data.draw(st.integers(1, 5))):
        node = answer
        while isinstance(node, dict | list) and node:
            keys = sorted(node) if isinstance(node, dict) else list(range(len(node)))
            key = data.draw(st.sampled_from(keys))
            if not isinstance(node[key], dict | list) or not node[key] or data.draw(st.integers(0, 6)) == 0:
                if isinstance(node, dict) and data.draw(st.booleans()):
                    del node[key]
                else:
                    node[key] = data.draw(JUNK)
                break
            node = node[key]
    try:
        forecast = met_norway.parse_forecast(answer, PLACE, NOW)
    except WeatherError:
        return
    check_whole(forecast)


def test_a_recorded_answer(open_data):
    content = json.loads((open_data / "weather" / "met_norway_compact.json").read_text())["data"]
    now = datetime(2020, 7, 20, 12, tzinfo=UTC)
    forecast = met_norway.parse_forecast(content, Place(39.9, 116.4, 50, "Asia/Shanghai"), now)
    check_whole(forecast, now)
    assert len(forecast.index) > 200
    assert np.isfinite(forecast.members[0].to_numpy()).all()


def test_an_hours_sun_is_dimmed_by_the_cloud_at_both_of_its_ends():
    """0 % at 11 h and 80 % at 12 h are 40 % in between; the answer's stamps are hour ends like ours."""
    answer = met_norway_answer()
    for number, entry in enumerate(answer["properties"]["timeseries"]):
        entry["data"]["instant"]["details"]["cloud_area_fraction"] = 80.0 * (number % 2)
    frame = met_norway.parse_forecast(answer, PLACE, NOW).members[0].iloc[:40]
    clear = mean_over_hours(pd.DatetimeIndex(frame.index), PLACE, "clear")
    np.testing.assert_allclose(frame["shortwave_w_m2"], clear * (1 - 0.75 * 0.4**3.4))
