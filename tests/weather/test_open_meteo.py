"""The first provider: what is taken, converted, mended and refused."""

from __future__ import annotations

import copy
import json
from datetime import datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.errors import WeatherError
from core.weather import open_meteo
from core.weather.fetching import parse_json
from core.weather.place import Place
from core.weather.validation import hourly_members
from tests.weather.samples import NOW, PLACE, open_meteo_answer


def notes_of(forecast):
    return " | ".join(str(note) for note in forecast.notes)


def test_a_plain_answer():
    forecast = open_meteo.parse_forecast(open_meteo_answer(), PLACE, NOW)
    (frame,) = forecast.members
    assert str(frame.index.tz) == "UTC"
    assert len(frame) == 240
    assert frame["temperature_c"].iloc[14] == 31.0
    assert frame["rain_chance"].iloc[40] == pytest.approx(0.6)
    assert forecast.attribution == "Weather data by Open-Meteo.com"
    assert forecast.notes == ()


def test_an_ensemble_keeps_each_run_together():
    forecast = open_meteo.parse_ensemble(open_meteo_answer(members=5), PLACE, NOW)
    assert len(forecast.members) == 6
    for number, frame in enumerate(forecast.members):
        assert frame["temperature_c"].iloc[14] == pytest.approx(31.0 + 0.2 * number)
        assert frame["rain_mm"].iloc[40 - number] == 2.4


def test_units_are_read_and_converted():
    answer = open_meteo_answer()
    answer["hourly"]["temperature_2m"] = [c * 1.8 + 32 for c in answer["hourly"]["temperature_2m"]]
    answer["hourly"]["wind_speed_10m"] = [w / 0.44704 for w in answer["hourly"]["wind_speed_10m"]]
    answer["hourly"]["precipitation"] = [r / 25.4 for r in answer["hourly"]["precipitation"]]
    answer["hourly_units"] |= {"temperature_2m": "°F", "wind_speed_10m": "mp/h", "precipitation": "inch"}
    plain = open_meteo.parse_forecast(open_meteo_answer(), PLACE, NOW).members[0]
    other = open_meteo.parse_forecast(answer, PLACE, NOW).members[0]
    pd.testing.assert_frame_equal(plain, other)


@pytest.mark.parametrize("unit", ["°R", "", None, 3, "km"])
def test_an_unknown_unit_is_refused(unit):
    answer = open_meteo_answer()
    answer["hourly_units"]["wind_speed_10m"] = unit
    with pytest.raises(WeatherError, match="unit"):
        open_meteo.parse_forecast(answer, PLACE, NOW)


def test_wall_time_with_an_offset_becomes_utc():
    # the same hours as wall time at +02:00
    answer = open_meteo_answer(start=datetime(2026, 5, 20, 2))
    plain = open_meteo_answer()
    answer["hourly"] |= {name: values for name, values in plain["hourly"].items() if name != "time"}
    answer["utc_offset_seconds"] = 7200
    pd.testing.assert_frame_equal(
        open_meteo.parse_forecast(answer, PLACE, NOW).members[0],
        open_meteo.parse_forecast(plain, PLACE, NOW).members[0],
    )


def test_wrong_zone_is_seen_by_the_sun():
    # hours of another zone under the name of UTC: the sun shines at night
    answer = open_meteo_answer(place=Place(9.05, 121.0))
    answer |= {"latitude": PLACE.latitude, "longitude": PLACE.longitude}
    with pytest.raises(WeatherError, match="time zone"):
        open_meteo.parse_forecast(answer, PLACE, NOW)


@pytest.mark.parametrize("hours", [-9, -5, -3, 3, 5, 9])
def test_hours_shifted_by_three_or_more_are_refused(hours):
    answer = open_meteo_answer()
    sun = answer["hourly"]["shortwave_radiation"]
    answer["hourly"]["shortwave_radiation"] = list(np.roll(sun, hours))
    with pytest.raises(WeatherError, match="time zone"):
        open_meteo.parse_forecast(answer, PLACE, NOW)


@pytest.mark.parametrize("hours", [-2, 2])
def test_hours_shifted_by_less_are_taken(hours):
    """Mountains and cloud move the day's middle by an hour or two."""
    answer = open_meteo_answer()
    answer["hourly"]["shortwave_radiation"] = list(np.roll(answer["hourly"]["shortwave_radiation"], hours))
    assert len(open_meteo.parse_forecast(answer, PLACE, NOW).index) == 240


@pytest.mark.parametrize(("faulty", "taken"), [(24, True), (25, False)])
def test_a_tenth_of_the_hours_may_be_impossible(faulty, taken):
    answer = open_meteo_answer()
    answer["hourly"]["relative_humidity_2m"][3 : 3 + 8 * faulty : 8] = [200] * faulty
    if taken:
        open_meteo.parse_forecast(answer, PLACE, NOW)
    else:
        with pytest.raises(WeatherError, match="impossible"):
            open_meteo.parse_forecast(answer, PLACE, NOW)


@pytest.mark.parametrize(("first", "hours", "words"), [
    (datetime(2026, 5, 21, 19), 48, ""),
    (datetime(2026, 5, 21, 20), 48, "clock"),
    (datetime(2026, 5, 19, 20), 25, ""),
    (datetime(2026, 5, 19, 18), 25, "already past"),
    (datetime(2026, 5, 20), 24, ""),
    (datetime(2026, 5, 20), 23, "less than a day"),
])  # fmt: skip
def test_what_a_forecast_must_reach(first, hours, words):
    """It is 7:30 on the 20th: begun by 19:30 of the 21st, 12 hours ahead of now, 24 hours in all."""
    answer = open_meteo_answer(hours=hours, start=first)
    if not words:
        assert len(open_meteo.parse_forecast(answer, PLACE, NOW).index) == hours
    else:
        with pytest.raises(WeatherError, match=words):
            open_meteo.parse_forecast(answer, PLACE, NOW)


def test_a_run_that_ends_early_is_left_out_and_does_not_cut_the_others_short():
    answer = open_meteo_answer(members=4)
    answer["hourly"]["temperature_2m_member02"][100:] = [None] * 140
    forecast = open_meteo.parse_ensemble(answer, PLACE, NOW)
    assert (len(forecast.members), len(forecast.index)) == (4, 240)


def test_a_null_tail_ends_the_forecast_early_and_says_so():
    answer = open_meteo_answer()
    for name in ("temperature_2m", "shortwave_radiation"):
        answer["hourly"][name][180:] = [None] * 60
    forecast = open_meteo.parse_forecast(answer, PLACE, NOW)
    assert len(forecast.index) == 180
    assert "up to" in notes_of(forecast)


def test_gaps_up_to_three_hours_are_filled_and_longer_ones_end_it():
    answer = open_meteo_answer()
    answer["hourly"]["temperature_2m"][50:53] = [None] * 3
    forecast = open_meteo.parse_forecast(answer, PLACE, NOW)
    assert len(forecast.index) == 240
    ends = answer["hourly"]["temperature_2m"][49], answer["hourly"]["temperature_2m"][53]
    assert forecast.members[0]["temperature_c"].iloc[51] == pytest.approx(sum(ends) / 2)
    answer["hourly"]["temperature_2m"][50:54] = [None] * 4
    assert len(open_meteo.parse_forecast(answer, PLACE, NOW).index) == 50


def test_missing_stamps_count_as_gaps():
    answer = open_meteo_answer()
    for name in answer["hourly"]:
        del answer["hourly"][name][100:110]
    assert len(open_meteo.parse_forecast(answer, PLACE, NOW).index) == 100


def test_a_few_impossible_humidities_are_filled_and_many_refused():
    answer = open_meteo_answer()
    answer["hourly"]["relative_humidity_2m"][60:62] = [200, 200]
    forecast = open_meteo.parse_forecast(answer, PLACE, NOW)
    assert forecast.members[0]["relative_humidity_pct"].max() <= 100
    assert "impossible" in notes_of(forecast)
    answer["hourly"]["relative_humidity_2m"] = [200] * 240
    with pytest.raises(WeatherError):
        open_meteo.parse_forecast(answer, PLACE, NOW)
    answer["hourly"]["relative_humidity_2m"] = [70, 200, 70] * 80
    with pytest.raises(WeatherError, match="impossible"):
        open_meteo.parse_forecast(answer, PLACE, NOW)


def test_slightly_negative_sun_is_night_and_much_is_refused():
    answer = open_meteo_answer()
    sun = answer["hourly"]["shortwave_radiation"]
    answer["hourly"]["shortwave_radiation"] = [-0.2 if value == 0 else value for value in sun]
    mended = open_meteo.parse_forecast(answer, PLACE, NOW).members[0]["shortwave_w_m2"].to_numpy()
    assert mended.min() == 0.0
    assert not np.signbit(mended).any()
    answer["hourly"]["shortwave_radiation"] = [-value for value in sun]
    with pytest.raises(WeatherError, match="impossible"):
        open_meteo.parse_forecast(answer, PLACE, NOW)


def test_last_months_forecast_is_refused():
    with pytest.raises(WeatherError, match="old"):
        open_meteo.parse_forecast(open_meteo_answer(start=datetime(2026, 4, 20)), PLACE, NOW)
    with pytest.raises(WeatherError, match="clock"):
        open_meteo.parse_forecast(open_meteo_answer(start=datetime(2026, 6, 20)), PLACE, NOW)


def test_another_place_is_refused():
    with pytest.raises(WeatherError, match="another place"):
        open_meteo.parse_forecast(open_meteo_answer(place=Place(12.0, 1.13)), PLACE, NOW)


def test_reversed_and_repeated_hours_are_put_right():
    answer = open_meteo_answer()
    for name, values in answer["hourly"].items():
        answer["hourly"][name] = values[::-1] + values[:2]
    forecast = open_meteo.parse_forecast(answer, PLACE, NOW)
    assert forecast.index.is_monotonic_increasing
    assert len(forecast.index) == 240
    assert "sorted" in notes_of(forecast)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('{"latitude":nan,"longitude":nan,"timezone":"GMT"}', "cannot be read"),
        ("<!DOCTYPE html><html><title>Hotel log-in</title>", "log-in"),
        ('{"error":true,"reason":"Minutely API request limit exceeded."}', "Minutely"),
        ("", "cannot be read"),
        ('{"hourly": {"time": [', "cannot be read"),
        ("[" * 100_000, "cannot be read"),
    ],
)
def test_bodies_that_are_no_forecast(text, words):
    with pytest.raises(WeatherError, match=words):
        open_meteo.parse_forecast(parse_json(text, "Open-Meteo"), PLACE, NOW)


@pytest.mark.parametrize("content", [None, [], {}, 3, "x", {"hourly": None}, {"hourly": {"time": []}}])
def test_content_of_another_form(content):
    with pytest.raises(WeatherError):
        open_meteo.parse_forecast(content, PLACE, NOW)
    with pytest.raises(WeatherError):
        open_meteo.parse_ensemble(content, PLACE, NOW)


@pytest.mark.parametrize(
    ("offset", "taken"),
    [(0, True), (54_000, True), (-54_000.0, True), (54_001, False), ("3600", False), (True, False), (None, False)],
)
def test_the_offset_from_utc_is_a_number_of_at_most_fifteen_hours(offset, taken):
    content = open_meteo_answer() | {"utc_offset_seconds": offset}
    if taken:
        times, _hourly, _units = open_meteo._hours(content, PLACE)
        known, _hourly, _units = open_meteo._hours(open_meteo_answer(), PLACE)
        assert known[0] - times[0] == timedelta(seconds=float(offset))
    else:
        with pytest.raises(WeatherError, match="cannot be read"):
            open_meteo.parse_forecast(content, PLACE, NOW)


def test_hours_that_are_never_whole_are_no_hours():
    half = pd.DataFrame(
        {"temperature_c": 20.0}, index=pd.date_range("2026-05-01 00:30", periods=48, freq="h", tz="UTC")
    )
    with pytest.raises(WeatherError, match="no whole hours"):
        hourly_members([half], PLACE, NOW, "x")


def check_whole(forecast, now=NOW):
    for frame in forecast.members:
        assert len(frame) >= 24
        assert (np.diff(frame.index.to_numpy()) == np.timedelta64(1, "h")).all()
        assert np.isfinite(frame[["temperature_c", "relative_humidity_pct", "rain_mm", "shortwave_w_m2"]]).all(
            axis=None
        )
        assert frame["relative_humidity_pct"].between(0, 100).all()
        assert (frame[["rain_mm", "shortwave_w_m2", "wind_m_s"]] >= 0).all(axis=None)
        assert frame.index[-1] > now + timedelta(hours=11)


JUNK = st.one_of(
    st.none(), st.booleans(), st.integers(-(10**30), 10**30), st.floats(), st.text(max_size=5), st.just([]), st.just({})
)


@given(data=st.data(), members=st.sampled_from([0, 2]))
def test_whatever_comes_is_a_whole_forecast_or_an_error_of_ours(data, members):
    answer = copy.deepcopy(open_meteo_answer(hours=72, members=members))
    for _step in range(data.draw(st.integers(1, 4))):
        part = data.draw(st.sampled_from(["top", "units", "hourly", "values", "values", "lengths", "times", "reverse"]))
        hourly = answer.get("hourly")
        if part == "top" or not isinstance(hourly, dict) or not hourly:
            key = data.draw(st.sampled_from(sorted(open_meteo_answer(hours=2))))
            if data.draw(st.booleans()):
                answer.pop(key, None)
            else:
                answer[key] = data.draw(JUNK)
            continue
        name = data.draw(st.sampled_from(sorted(hourly)))
        if part == "units" and isinstance(answer.get("hourly_units"), dict):
            answer["hourly_units"][name] = data.draw(JUNK)
        elif part == "hourly":
            hourly[name] = data.draw(JUNK)
        elif part == "reverse" and isinstance(hourly[name], list):
            hourly[name] = hourly[name][::-1]
        elif part == "times" and isinstance(hourly.get("time"), list) and hourly["time"]:
            hourly["time"][data.draw(st.integers(0, len(hourly["time"]) - 1))] = data.draw(
                st.one_of(
                    JUNK, st.sampled_from(["2026-05-21T00:00", "2026-05-20", "0001-01-01T00:00", "9999-12-31T23:00"])
                )
            )
        elif isinstance(hourly[name], list) and hourly[name]:
            if part == "lengths":
                del hourly[name][data.draw(st.integers(0, len(hourly[name]) - 1)) :]
            else:
                first = data.draw(st.integers(0, len(hourly[name]) - 1))
                for position in range(first, min(first + data.draw(st.integers(1, 30)), len(hourly[name]))):
                    hourly[name][position] = data.draw(JUNK)
    parse = open_meteo.parse_ensemble if members else open_meteo.parse_forecast
    try:
        forecast = parse(answer, PLACE, NOW)
    except WeatherError:
        return
    check_whole(forecast)


@given(text=st.text(max_size=200))
def test_any_text_is_content_or_an_error_of_ours(text):
    try:
        open_meteo.parse_forecast(parse_json(text, "Open-Meteo"), PLACE, NOW)
    except WeatherError:
        return
    pytest.fail("no text this short is a forecast")


class TestRecorded:
    """Answers that services really gave, where they are on this machine."""

    def test_invalid_json_outside_the_area(self, open_data):
        text = (open_data / "weather" / "open_meteo_not_covered_invalid_json.txt").read_text()
        with pytest.raises(WeatherError):
            parse_json(text, "Open-Meteo")

    def test_a_null_tail_alone_is_refused(self, open_data):
        content = json.loads((open_data / "weather" / "open_meteo_16_days_null_tail.json").read_text())
        with pytest.raises(WeatherError):
            open_meteo.parse_forecast(content, Place(52.28, 6.87), datetime.fromisoformat("2026-10-17T00:00+00:00"))

    def test_units_as_really_spelled(self, open_data):
        content = json.loads((open_data / "weather" / "open_meteo_fahrenheit_mph.json").read_text())
        index, hourly, units = open_meteo._hours(content, Place(43.7, -79.4))
        warm = open_meteo._column(hourly, units, "temperature_2m", "temperature_c", len(index))
        assert -30 < np.nanmin(warm) < np.nanmax(warm) < 25  # Toronto in March
        assert open_meteo._column(hourly, units, "wind_speed_10m", "wind_m_s", len(index)).max() < 30
        assert open_meteo._column(hourly, units, "precipitation", "rain_mm", len(index)).min() >= 0
        assert index[0] == pd.Timestamp("2026-03-04T05:00Z")  # midnight at UTC-5

    def test_real_sun_fits_the_place(self, open_data):
        content = json.loads((open_data / "weather" / "open_meteo_48h_with_radiation.json").read_text())
        content["hourly"]["relative_humidity_2m"] = [80] * 48
        content["hourly_units"]["relative_humidity_2m"] = "%"
        berlin = Place(52.52, 13.42, 40, "Europe/Berlin")
        forecast = open_meteo.parse_forecast(content, berlin, datetime.fromisoformat("2023-01-01T06:00+00:00"))
        assert forecast.members[0]["wind_m_s"].iloc[0] == pytest.approx(20.4 / 3.6)

    def test_members_as_really_named(self, open_data):
        content = json.loads((open_data / "weather" / "open_meteo_ensemble_21_members.json").read_text())
        names = [name for name in content["hourly"] if open_meteo.MEMBER.match(name)]
        assert len(names) == 20
