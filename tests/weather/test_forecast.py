"""Where the forecast comes from: fresh store, network, older store, example; and that a bad answer replaces nothing."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pandas as pd
import pytest
import requests
import responses
from hypothesis import given
from hypothesis import strategies as st

from core.errors import WeatherError
from core.weather import met_norway, open_meteo
from core.weather.fetching import make_session
from core.weather.forecast import fetch, get_forecast, usual_forecast
from core.weather.frames import from_payload, to_payload
from core.weather.normals import Normals
from core.weather.place import Place
from core.weather.reference import reference_normals
from core.weather.usual import bundled_normals
from tests.weather.samples import NOW, PLACE, Shelf, met_norway_answer, open_meteo_answer
from tests.weather.test_open_meteo import JUNK, check_whole

GARBAGE = [
    {"body": '{"latitude":nan,"longitude":nan}', "status": 200},
    {"body": "<html>Please log in</html>", "status": 200},
    {"json": {"error": True, "reason": "Cannot initialize"}, "status": 400},
    {"json": {"error": True, "reason": "Minutely API request limit exceeded."}, "status": 429},
    {"body": "", "status": 200},
    {"body": "busy", "status": 503},
    {"body": requests.ConnectTimeout("slow")},
    {"body": requests.ConnectionError("no route")},
    {"json": open_meteo_answer(start=datetime(2026, 4, 1)), "status": 200},
]


def every_service(**answer):
    for url in (open_meteo.ENSEMBLE_URL, open_meteo.FORECAST_URL, met_norway.URL):
        responses.get(url, **answer)


@responses.activate
def test_the_ensemble_comes_first_and_is_kept():
    responses.get(open_meteo.ENSEMBLE_URL, json=open_meteo_answer(members=3))
    shelf = Shelf()
    first = get_forecast(PLACE, shelf, NOW, make_session())
    assert (first.provider, first.status, len(first.members)) == ("open-meteo-ensemble", "fresh", 4)
    assert first.index[0] == datetime.fromisoformat("2026-05-20T08:00+00:00")  # the hour that is running
    later = get_forecast(PLACE, shelf, NOW + timedelta(hours=2), make_session())
    assert later.status == "fresh"
    assert len(responses.calls) == 1
    asked = responses.calls[0].request.url
    assert "timezone=UTC" in asked
    assert "forecast_days=16" in asked  # the most that the service's documentation offers
    assert "wind_speed_unit=ms" in asked


@responses.activate
def test_the_second_provider_steps_in_and_the_first_ones_fault_is_said():
    responses.get(open_meteo.ENSEMBLE_URL, status=429)
    responses.get(open_meteo.FORECAST_URL, status=429)
    responses.get(met_norway.URL, json=met_norway_answer())
    forecast = get_forecast(PLACE, Shelf(), NOW, make_session())
    assert forecast.provider == "met-norway"
    words = " | ".join(str(note) for note in forecast.notes)
    assert "too many questions" in words
    assert "estimated" in words


@responses.activate
@pytest.mark.parametrize("answer", GARBAGE)
def test_a_bad_answer_replaces_nothing(answer):
    responses.get(open_meteo.ENSEMBLE_URL, json=open_meteo_answer(members=2))
    shelf = Shelf()
    get_forecast(PLACE, shelf, NOW, make_session())
    kept = dict(shelf.read("forecast", PLACE.key))
    responses.reset()
    every_service(**answer)
    later = NOW + timedelta(hours=20)
    forecast = get_forecast(PLACE, shelf, later, make_session())
    assert forecast.status == "stored"
    assert "20 hours ago" in str(forecast.notes[0])
    assert len(forecast.notes) >= 2  # and why
    assert shelf.read("forecast", PLACE.key) == kept
    # the services are left alone for a while after a failure
    count = len(responses.calls)
    get_forecast(PLACE, shelf, later + timedelta(minutes=5), make_session())
    assert len(responses.calls) == count
    get_forecast(PLACE, shelf, later + timedelta(minutes=5), make_session(), ask_again=True)
    assert len(responses.calls) > count


@responses.activate
def test_a_used_up_forecast_gives_way_to_the_usual_weather():
    shelf = Shelf()
    responses.get(open_meteo.ENSEMBLE_URL, json=open_meteo_answer())
    get_forecast(PLACE, shelf, NOW, make_session())
    forecast = get_forecast(PLACE, shelf, NOW + timedelta(days=31), normals=reference_normals(PLACE))
    assert forecast.status == "usual"
    assert not forecast.is_forecast
    assert any("used up" in str(note) for note in forecast.notes)


def test_a_wrong_clock_is_seen():
    shelf = Shelf()
    forecast = open_meteo.parse_forecast(open_meteo_answer(), PLACE, NOW)
    shelf.write("forecast", PLACE.key, to_payload(forecast), NOW)
    early = get_forecast(PLACE, shelf, NOW - timedelta(days=40), normals=reference_normals(PLACE))
    assert early.status == "usual"
    assert any("clock" in str(note) for note in early.notes)


def test_over_a_real_socket(httpserver, monkeypatch):
    monkeypatch.setenv("DRYHOLD_OPEN_METEO_ENSEMBLE_URL", httpserver.url_for("/ensemble"))
    monkeypatch.setenv("DRYHOLD_OPEN_METEO_URL", httpserver.url_for("/forecast"))
    monkeypatch.setenv("DRYHOLD_MET_NORWAY_URL", httpserver.url_for("/compact"))
    httpserver.expect_request("/ensemble").respond_with_data("half", status=503)
    httpserver.expect_request("/forecast").respond_with_json(open_meteo_answer())
    forecast = fetch(PLACE, make_session(), NOW)
    assert forecast.provider == "open-meteo"
    # the passing fault was tried once more
    assert sum(request.path == "/ensemble" for request, _answer in httpserver.log) == 2


@given(data=st.data())
def test_damaged_stores_are_refused(data):
    payload = to_payload(open_meteo.parse_forecast(open_meteo_answer(hours=48), PLACE, NOW))
    key = data.draw(st.sampled_from(sorted(payload)))
    payload[key] = data.draw(JUNK)
    try:
        check_whole(from_payload(payload, "stored"))
    except WeatherError:
        return


@pytest.mark.parametrize("month", range(1, 13))
def test_the_example_suits_any_date(month):
    now = datetime.fromisoformat(f"2027-{month:02d}-11T22:40+00:00")
    forecast = usual_forecast(Place(-10.6, 34.4, 820, "Africa/Blantyre"), now, bundled_normals())
    assert len(forecast.members) == 10
    assert forecast.index[0] == datetime.fromisoformat(f"2027-{month:02d}-11T23:00+00:00")
    assert len(forecast.index) > 15 * 24
    usual = bundled_normals().table.loc[month, "temperature_c"]
    mean = sum(frame["temperature_c"].mean() for frame in forecast.members) / 10
    assert abs(mean - usual) < 3.5
    assert "invented" in str(forecast.notes[0])
    # runs drift apart
    spread = [frame["temperature_c"].to_numpy() for frame in forecast.members]
    sd = np.std(spread, axis=0)
    assert sd[:24].mean() < 0.7 * sd[-120:].mean()


def test_without_a_forecast_no_single_day_stands_out():
    """Of one day nothing is known: no day of the fortnight is wet in nearly all runs, and the runs do not begin
    alike.
    """
    own = Normals(bundled_normals().table.assign(rain_days=12.0, rain_mm=120.0), "entered by Pelvo", "entered")
    forecast = usual_forecast(PLACE, NOW, own)
    assert (forecast.status, forecast.provider, forecast.is_forecast) == ("usual", "normals", False)
    assert "Pelvo" in str(forecast.notes[0])
    assert "no single day is known" in str(forecast.notes[0])
    wet = [(frame["rain_mm"].resample("D").sum() > 1.0).to_numpy()[1:14] for frame in forecast.members]
    assert np.mean(wet, axis=0).max() < 0.85
    sd = np.std([frame["temperature_c"].to_numpy() for frame in forecast.members], axis=0)
    assert sd[:24].mean() > 0.7 * sd[-120:].mean()


def test_days_drawn_once_are_those_of_their_normals_place_and_day_and_nobody_changes_them():
    table = bundled_normals().table
    asked = [
        (PLACE, NOW, Normals(table, "a", "entered")),
        (PLACE, NOW, Normals(table.assign(temperature_c=table["temperature_c"] + 1.0), "a", "entered")),
        (PLACE, NOW, Normals(table, "a", "bundled")),
        (PLACE, NOW + timedelta(days=1), Normals(table, "a", "entered")),
        (replace(PLACE, latitude=PLACE.latitude + 5.0), NOW, Normals(table, "a", "entered")),
    ]
    first = [usual_forecast(*one).members[0] for one in asked]
    hour = pd.Timestamp(NOW).floor("h") + timedelta(days=5, hours=6)
    assert len({tuple(frame.loc[hour]) for frame in first}) == len(asked)
    kept = [frame.copy() for frame in first]
    for frame in first:
        frame.loc[:, :] = 0.0
    for one, frame in zip(asked, kept, strict=True):
        pd.testing.assert_frame_equal(usual_forecast(*one).members[0], frame)


def test_nothing_is_invented_for_a_place_without_usual_weather():
    with pytest.raises(WeatherError, match="neither a forecast nor"):
        get_forecast(PLACE, Shelf(), NOW)


@responses.activate
@pytest.mark.parametrize(("code", "words"), [(300, "another address"), (399, "another address"), (400, "refused")])
def test_what_an_answers_code_says(code, words):
    responses.get(met_norway.URL, status=code)
    with pytest.raises(WeatherError, match=words):
        met_norway.fetch_forecast(PLACE, make_session(), NOW)
