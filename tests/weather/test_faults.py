"""What a weather service or the network in between may do: the page is answered in time, the last good forecast
stays.
"""

from __future__ import annotations

import gzip
import time
from collections.abc import Iterator
from datetime import timedelta

import pytest
from werkzeug import Request, Response

from core.errors import WeatherError
from core.weather import fetching, forecast
from core.weather.fetching import ask, make_session, read_json
from core.weather.forecast import get_forecast
from core.weather.reference import reference_normals
from tests.weather.samples import NOW, PLACE, Shelf, open_meteo_answer


@pytest.fixture
def services(httpserver, monkeypatch):
    """Point all services at a server of this computer."""
    monkeypatch.setenv("DRYHOLD_OPEN_METEO_ENSEMBLE_URL", httpserver.url_for("/ensemble"))
    monkeypatch.setenv("DRYHOLD_OPEN_METEO_URL", httpserver.url_for("/forecast"))
    monkeypatch.setenv("DRYHOLD_MET_NORWAY_URL", httpserver.url_for("/compact"))
    return httpserver


def drip(_request: Request) -> Response:
    def body() -> Iterator[bytes]:
        for _second in range(40):
            yield b" "
            time.sleep(0.1)

    return Response(body(), mimetype="application/json")


def silence(_request: Request) -> Response:
    time.sleep(3.0)
    return Response("{}")


@pytest.mark.parametrize("fault", [drip, silence])
def test_one_answer_has_a_total_deadline(httpserver, fault):
    httpserver.expect_request("/x").respond_with_handler(fault)
    began = time.monotonic()
    with pytest.raises(WeatherError, match="did not answer in time"):
        ask(make_session(), httpserver.url_for("/x"), {}, "a service", seconds=0.5)
    assert time.monotonic() - began < 1.5


@pytest.mark.parametrize("fault", [drip, silence])
def test_all_services_together_have_a_deadline_and_the_last_good_forecast_stays(services, monkeypatch, fault):
    shelf = Shelf()
    services.expect_oneshot_request("/ensemble").respond_with_json(open_meteo_answer(members=2))
    good = get_forecast(PLACE, shelf, NOW, make_session())
    services.expect_request("/ensemble").respond_with_handler(fault)
    services.expect_request("/forecast").respond_with_handler(fault)
    services.expect_request("/compact").respond_with_handler(fault)
    assert forecast.LONGEST_WAIT_SECONDS < 10
    monkeypatch.setattr(forecast, "LONGEST_WAIT_SECONDS", 1.0)
    began = time.monotonic()
    later = get_forecast(PLACE, shelf, NOW + timedelta(hours=9), make_session())
    assert time.monotonic() - began < 2.5
    assert (later.status, later.fetched_at) == ("stored", good.fetched_at)
    assert "9 hours ago" in str(later.notes[0])


def test_huge_and_compressed_bodies_are_cut_off(httpserver, monkeypatch):
    monkeypatch.setattr(fetching, "LARGEST_ANSWER", 1_000_000)
    packed = gzip.compress(b"0" * 30_000_000)
    assert len(packed) < 100_000
    httpserver.expect_request("/big").respond_with_data(b"1" * 3_000_000)
    httpserver.expect_request("/bomb").respond_with_data(packed, headers={"Content-Encoding": "gzip"})
    for path in ("/big", "/bomb"):
        with pytest.raises(WeatherError, match="too long"):
            ask(make_session(), httpserver.url_for(path), {}, "a service")


def test_an_honest_compressed_answer_is_read(httpserver):
    httpserver.expect_request("/x").respond_with_data(gzip.compress(b"[1]"), headers={"Content-Encoding": "gzip"})
    assert read_json(ask(make_session(), httpserver.url_for("/x"), {}, "a service"), "a service") == [1]


@pytest.mark.parametrize("code", [301, 302, 307, 308])
def test_a_redirect_is_not_followed(httpserver, code):
    httpserver.expect_request("/x").respond_with_data("", code, headers={"Location": httpserver.url_for("/elsewhere")})
    httpserver.expect_request("/elsewhere").respond_with_json([1])
    with pytest.raises(WeatherError, match="another address"):
        ask(make_session(), httpserver.url_for("/x"), {}, "a service")
    assert [request.path for request, _answer in httpserver.log] == ["/x"]


def test_the_service_is_left_alone_as_long_as_it_asks(services):
    """RFC 9110, section 10.2.3: Retry-After in seconds; 7200 s are 120 minutes, longer than our own pause of 15."""
    for path in ("/ensemble", "/forecast", "/compact"):
        services.expect_request(path).respond_with_data("", 429, headers={"Retry-After": "7200"})
    shelf, usual = Shelf(), reference_normals(PLACE)
    first = get_forecast(PLACE, shelf, NOW, make_session(), normals=usual)
    assert any("try again in 120 minutes" in str(note) for note in first.notes)
    asked = len(services.log)
    get_forecast(PLACE, shelf, NOW + timedelta(minutes=110), make_session(), normals=usual)
    assert len(services.log) == asked
    get_forecast(PLACE, shelf, NOW + timedelta(minutes=121), make_session(), normals=usual)
    assert len(services.log) > asked


def test_a_service_is_left_alone_for_a_day_at_most(httpserver):
    httpserver.expect_request("/x").respond_with_data("", 429, headers={"Retry-After": "999999"})
    with pytest.raises(WeatherError) as caught:
        ask(make_session(), httpserver.url_for("/x"), {}, "a service")
    assert caught.value.message.values["minutes"] == 24 * 60


@pytest.mark.parametrize("value", ["-5", "soon", "9" * 40, "1e9", ""])
def test_an_odd_wish_for_a_pause_is_no_fault(httpserver, value):
    httpserver.expect_request("/x").respond_with_data("", 429, headers={"Retry-After": value})
    with pytest.raises(WeatherError, match="too many questions"):
        ask(make_session(), httpserver.url_for("/x"), {}, "a service")


def test_nobody_at_the_other_end():
    with pytest.raises(WeatherError, match="cannot be reached"):
        ask(make_session(), "http://127.0.0.1:9/x", {}, "a service")
