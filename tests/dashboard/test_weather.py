"""The weather page."""

from __future__ import annotations

import json
import threading
import time
from datetime import timedelta

import responses

from core.weather import open_meteo
from core.weather.forecast import to_payload
from dashboard.background import desk
from tests.dashboard.conftest import NOW
from tests.dashboard.pages import open_page
from tests.weather.samples import PLACE, nasa_climatology, open_meteo_answer


def texts(app):
    return " ".join(str(part.value) for kind in (app.caption, app.markdown, app.warning, app.info) for part in kind)


def test_the_example_is_marked_as_invented(demo_store):
    app = open_page("weather")
    assert not app.exception
    assert "not a forecast" in texts(app)
    assert "Nowhere Valley" in texts(app)
    figures = app.get("plotly_chart")
    assert len(figures) == 3
    assert "W/m²" in texts(app)
    assert "(h)" in json.loads(figures[0].proto.spec)["layout"]["title"]["text"]
    assert app.button(key="weather_refresh").disabled


def group_place(store):
    from dashboard.weather import place_of

    return place_of(store.groups()[0])


def test_a_stored_forecast_shows_its_age_and_attribution(empty_store):
    place = group_place(empty_store)
    fetched = NOW - timedelta(hours=30)
    forecast = open_meteo.parse_forecast(open_meteo_answer(place=place), place, fetched)
    empty_store.documents.write("forecast", place.key, to_payload(forecast), fetched)
    app = open_page("weather")
    assert not app.exception
    assert "30 hours ago" in texts(app)
    assert "[Weather data by Open-Meteo.com](https://open-meteo.com/)" in texts(app)


def test_without_a_forecast_no_day_is_named_and_no_example_stands_in(empty_store):
    app = open_page("weather")
    assert not app.exception
    assert "no single day can be named" in app.info[0].value
    assert "Rain is likely" not in texts(app)
    assert "estimated, not measured at your place" in texts(app)
    assert "Nowhere Valley" not in texts(app)


@responses.activate
def test_asking_anew_stores_the_answer(empty_store, monkeypatch):
    monkeypatch.delenv("DRYHOLD_OFFLINE")
    place = group_place(empty_store)
    responses.get(open_meteo.ENSEMBLE_URL, json=open_meteo_answer(place=place, members=4))
    responses.get("https://power.larc.nasa.gov/api/temporal/climatology/point", json=nasa_climatology())
    app = open_page("weather")
    app.button(key="weather_refresh").click().run()
    assert not app.exception
    assert "5 runs of an ensemble" in texts(app)
    assert "NASA" in texts(app)
    assert empty_store.documents.read("forecast", place.key)["provider"] == "open-meteo-ensemble"
    assert PLACE.key != place.key


@responses.activate
def test_a_slow_climate_service_does_not_hold_the_page(empty_store, monkeypatch):
    """The forecast may take its nine seconds already; what comes later is kept all the same."""
    monkeypatch.delenv("DRYHOLD_OFFLINE")
    monkeypatch.setattr("dashboard.sections.weather.ANSWER_SECONDS", 0.5)
    place, let_go = group_place(empty_store), threading.Event()

    def slow(_question):
        let_go.wait(30)
        return 200, {}, json.dumps(nasa_climatology())

    responses.get(open_meteo.ENSEMBLE_URL, json=open_meteo_answer(place=place, members=4))
    responses.add_callback(responses.GET, "https://power.larc.nasa.gov/api/temporal/climatology/point", slow)
    app = open_page("weather")
    app.button(key="weather_refresh").click()
    began = time.monotonic()
    app.run()
    waited = time.monotonic() - began
    let_go.set()
    assert not app.exception
    assert "5 runs of an ensemble" in texts(app)
    assert waited < 6.0  # the service alone is waited for 8 s where the page waits for it
    job = desk().jobs["normals", place.key]
    assert job.ended.wait(20)


def test_months_can_be_entered_by_hand(empty_store):
    app = open_page("weather")
    group = empty_store.groups()[0]
    for month in range(1, 13):
        app.number_input(key=f"weather_{group.id}_temperature_c_{month}").set_value(27.5)
    app.button(key="weather_normals_save").click().run()
    assert not app.exception
    stored = empty_store.documents.read("normals", group_place(empty_store).key)
    assert stored["status"] == "entered"
    assert stored["table"]["temperature_c"] == [27.5] * 12
    assert "entered by you" in texts(app)


def test_an_impossible_month_gets_a_sentence(empty_store):
    app = open_page("weather")
    group = empty_store.groups()[0]
    app.number_input(key=f"weather_{group.id}_relative_humidity_pct_3").set_value(200.0)
    app.button(key="weather_normals_save").click().run()
    assert not app.exception
    assert any("month 3" in error.value for error in app.error)
    assert empty_store.documents.read("normals", group_place(empty_store).key) is None
