"""An hourly answer, mended or refused, at each border by hand; what is kept of a forecast and of the usual weather."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from core.errors import WeatherError
from core.weather.frames import NEEDED, Forecast, from_payload, to_payload
from core.weather.nasa_power import parse_normals
from core.weather.normals import DAYS_IN_MONTH, Normals
from core.weather.place import Place
from core.weather.solar import clear_sky_flux, mean_over_hours, solar_hour
from core.weather.usual import FRESH_DAYS, get_normals
from core.weather.usual import to_payload as normals_payload
from core.weather.validation import LIMITS, hourly_members
from tests.weather.samples import Shelf, nasa_climatology

NOW = datetime(2026, 5, 20, 7, 30, tzinfo=UTC)
PLACE = Place(9.0, 1.0, 370.0)


def run(hours: int = 48, begin: datetime = datetime(2026, 5, 20, 1, tzinfo=UTC)) -> pd.DataFrame:
    """Return whole hours of 20, 21, 22 ... °C, 60 %, 3 m/s, no rain, half the sun of a clear sky."""
    index = pd.date_range(begin, periods=hours, freq="h")
    frame = pd.DataFrame({"temperature_c": 20.0 + 0.25 * np.arange(hours), "relative_humidity_pct": 60.0}, index=index)
    frame["wind_m_s"], frame["rain_mm"] = 3.0, 0.0
    frame["shortwave_w_m2"] = 0.5 * mean_over_hours(index, PLACE, "clear")
    return frame


def checked(*frames: pd.DataFrame, estimated: bool = False) -> tuple[list[pd.DataFrame], list[str]]:
    members, notes = hourly_members(frames, PLACE, NOW, "x", estimated)
    return list(members), [str(note) for note in notes]


def test_a_whole_run_is_taken_as_it_is():
    (frame,), notes = checked(run())
    pd.testing.assert_frame_equal(frame, run(), check_freq=False)
    assert notes == []


@pytest.mark.parametrize("name", LIMITS)
def test_what_lies_beyond_a_limit_is_left_out_and_what_lies_on_it_is_not(name):
    """One hour of 48 on the limit stays (or is what is physical), a hair beyond it is bridged in a straight line."""
    low, high = LIMITS[name]
    possible = {"relative_humidity_pct": (0.0, 100.0), "rain_mm": (0.0, high), "shortwave_w_m2": (0.0, high)}
    for value, kept in zip((low, high), possible.get(name, (low, high)), strict=True):
        frame = run().assign(rain_chance=0.3)
        frame.iloc[6, frame.columns.get_loc(name)] = value
        found, notes = checked(frame)
        assert found[0][name].iloc[6] == kept
        assert notes == []
        frame.iloc[6, frame.columns.get_loc(name)] = value + (0.01 if value == high else -0.01)
        found, notes = checked(frame)
        around = (frame[name].iloc[5] + frame[name].iloc[7]) / 2
        assert found[0][name].iloc[6] == pytest.approx(around)
        assert notes == ["hours with impossible values were left out and filled from their neighbours"]


def test_infinities_are_gaps_and_no_impossible_values():
    frame = run()
    frame.iloc[6, 0] = np.inf
    frame.iloc[9, 1] = -np.inf
    (found,), notes = checked(frame)
    assert found["temperature_c"].iloc[6] == pytest.approx(21.5)
    assert notes == []


def test_gaps_at_the_beginning_are_left_out_and_a_chance_of_rain_goes_on():
    """The first two hours lack the wind; the chance of rain is known from the fifth hour to the tenth."""
    frame = run(30)
    frame.iloc[:2, 2] = np.nan
    frame["rain_chance"] = np.nan
    frame.iloc[4:10, 5] = [0.1, 0.1, np.nan, 0.3, 0.4, 0.4]
    (found,), _ = checked(frame)
    assert found.index[0] == frame.index[2]
    chance = found["rain_chance"].to_numpy()
    np.testing.assert_allclose(chance[:9], [0.1, 0.1, 0.1, 0.1, 0.2, 0.3, 0.4, 0.4, 0.4])
    assert chance[-1] == 0.4
    assert "rain_chance" not in checked(run(30).assign(rain_chance=np.nan))[0][0]


def test_runs_are_cut_to_what_all_long_ones_have():
    """Of 48, 48, 46 and 30 hours the middle is 47: two are kept, the later of them begins two hours on."""
    later = run(48, datetime(2026, 5, 20, 3, tzinfo=UTC))
    broken = run().drop(columns="wind_m_s")
    members, notes = checked(run(), later, run(46), run(30), broken)
    assert [len(frame) for frame in members] == [46, 46]
    assert members[0].index[0] == later.index[0]
    assert members[0].index[-1] == run().index[-1]
    assert notes == ["1 of 5 runs of the ensemble were left out as broken"]
    with pytest.raises(WeatherError, match="lacks wind"):
        checked(broken)
    with pytest.raises(WeatherError, match="holds no hours"):
        checked()
    # two runs of a day and a half, twelve and a half hours apart: less than a day in common
    with pytest.raises(WeatherError, match="less than a day"):
        checked(run(36), run(36, datetime(2026, 5, 20, 14, tzinfo=UTC)))


def test_hours_that_come_twice_are_taken_once_the_later_one():
    frame = run()
    twice = pd.concat([frame, frame.iloc[[8]].assign(temperature_c=33.0)])
    (found,), notes = checked(twice)
    assert found["temperature_c"].iloc[8] == 33.0
    assert notes == ["the hours came in another order and were sorted", "hours that came twice were taken once"]
    # hours that are not whole are none
    between = frame.set_axis(frame.index.where(np.arange(48) != 5, frame.index + pd.Timedelta(minutes=30)))
    assert checked(between)[0][0]["temperature_c"].iloc[5] == pytest.approx(21.25)


@pytest.mark.parametrize(("days", "taken"), [(130, True), (131, False)])
def test_hours_of_more_than_130_days_cannot_be(days, taken):
    frame = run(49)
    frame.index = [*frame.index[:-1], frame.index[0] + pd.Timedelta(days=days)]
    if taken:
        assert len(checked(frame)[0][0]) == 48
    else:
        with pytest.raises(WeatherError, match="cannot be read"):
            checked(frame)


def test_little_sun_in_all_says_nothing_of_its_hours():
    """Five W/m2 on average are the least at which hours are held against the sun, unless it is estimated."""
    night = run()
    night["shortwave_w_m2"] = np.where(mean_over_hours(pd.DatetimeIndex(night.index), PLACE, "top") < 1, 300.0, 0.0)
    with pytest.raises(WeatherError, match="at night"):
        checked(night)
    checked(night, estimated=True)
    night["shortwave_w_m2"] *= 119.0 / night["shortwave_w_m2"].sum()
    checked(night)
    night["shortwave_w_m2"] *= 120.5 / 119.0
    with pytest.raises(WeatherError, match="at night"):
        checked(night)


def test_a_forecast_is_kept_and_read_again():
    made = Forecast((run(30), run(30).assign(wind_m_s=2.34567)), "x", NOW, NOW - timedelta(minutes=90), "fresh", "y")
    again = from_payload(to_payload(made), "stored")
    assert (again.status, again.provider, again.attribution, again.issued_at) == ("stored", "x", "y", NOW)
    np.testing.assert_allclose(again.members[1]["wind_m_s"], 2.346)
    pd.testing.assert_index_equal(again.index, made.index, check_names=False)
    assert made.age_hours(NOW) == 1.5
    # 7:30 lies in the hour that ends at 8
    assert made.from_hour(NOW).index[0] == pd.Timestamp("2026-05-20 08:00", tz="UTC")
    assert made.from_hour(datetime(2026, 5, 20, 8, tzinfo=UTC)).index[0] == pd.Timestamp("2026-05-20 09:00", tz="UTC")
    assert [Forecast((run(),), "x", NOW, NOW, status, "").is_forecast for status in ("fresh", "stored", "usual")] == [
        True,
        True,
        False,
    ]


@pytest.mark.parametrize(
    "wrong",
    [{"schema": 2}, {"hours": 0}, {"members": []}, {"columns": list(NEEDED[:4])}, {"start": "2026-05-20T01:00:00"}],
)
def test_each_fault_of_a_kept_forecast_is_seen_alone(wrong):
    payload = to_payload(Forecast((run(30),), "x", NOW, NOW, "fresh", ""))
    from_payload(payload, "stored")
    with pytest.raises(WeatherError):
        from_payload(payload | wrong, "stored")
    payload["members"][0][2][4] = float("nan")
    with pytest.raises(WeatherError):
        from_payload(payload, "stored")


def test_an_answer_is_for_the_place_within_some_degrees_also_over_the_date_line():
    for latitude, longitude, same in (
        (10.0, 179.9, True),
        (10.5, 179.9, True),
        (10.51, 179.9, False),
        (9.5, 179.9, True),
        (9.49, 179.9, False),
        (10.0, -179.7, True),
        (10.0, -179.5, False),
        (10.0, 179.41, True),
        (10.0, 179.3, False),
        (True, 179.9, False),
        (10.0, True, False),
        (None, 179.9, False),
        (10.0, "179.9", False),
    ):
        if same:
            Place(10.0, 179.9).check_answer(latitude, longitude, 0.5, "x")
        else:
            with pytest.raises(WeatherError):
                Place(10.0, 179.9).check_answer(latitude, longitude, 0.5, "x")
    assert Place(10.126, -0.004).key == "10.13,-0.00"


@pytest.mark.parametrize(("days", "asked"), [(FRESH_DAYS - 0.1, False), (FRESH_DAYS + 0.1, True)])
def test_the_usual_weather_is_asked_again_after_a_year(days, asked, monkeypatch):
    """A year of 365 days; what a person entered and what nobody can be asked for stays."""
    table = pd.DataFrame({"temperature_c": 20.0, "relative_humidity_pct": 60.0}, index=range(1, 13))
    fresh = Normals(table.assign(temperature_c=22.0), "x", "fresh")
    monkeypatch.setattr("core.weather.nasa_power.fetch_normals", lambda place, session: fresh)
    assert FRESH_DAYS == 365
    shelf = Shelf()
    kept = normals_payload(Normals(table, "x", "fresh"), NOW - timedelta(days=days))
    shelf.write("normals", PLACE.key, kept, NOW)
    found = get_normals(PLACE, shelf, NOW, session=object())
    assert found.table["temperature_c"].iloc[0] == (22.0 if asked else 20.0)
    assert found.status == ("fresh" if asked else "stored")
    shelf.write("normals", PLACE.key, kept, NOW)
    assert get_normals(PLACE, shelf, NOW).table["temperature_c"].iloc[0] == 20.0


def test_a_climatology_by_the_month():
    """2.9 mm a day in April are 87 mm; 60 °F are a range of no known unit and left out; -999 and -900 are no values."""
    answer = nasa_climatology()
    found = parse_normals(answer).table
    np.testing.assert_allclose(found["rain_mm"].iloc[3], 2.9 * 30)
    np.testing.assert_allclose(found["rain_mm"].iloc[1], 0.3 * DAYS_IN_MONTH[1])
    assert found["daily_range_c"].iloc[0] == 15.0
    answer["parameters"]["T2M_RANGE"]["units"] = "F"
    assert "daily_range_c" not in parse_normals(answer).table
    for fill in (-999.0, -900.0, -1234.5):
        answer = nasa_climatology()
        answer["header"]["fill_value"] = fill if fill == -1234.5 else -999.0
        answer["properties"]["parameter"]["WS10M"]["JUL"] = fill
        assert "wind_m_s" not in parse_normals(answer).table
    answer["properties"]["parameter"]["WS10M"]["JUL"] = True
    assert "wind_m_s" not in parse_normals(answer).table
    for column in ("T2M", "RH2M"):
        answer = nasa_climatology()
        del answer["properties"]["parameter"][column]
        with pytest.raises(WeatherError, match="lacks"):
            parse_normals(answer)


def test_the_sun_of_moments_by_hand():
    """At the equator's noon in the equinox the sun stands overhead: 1098 e^-0.057 = 1037 W/m2, at 1,000 m 2.67 % more,
    at 400 m below the sea 1.07 % less; the hour by the sun is that of the meridian.
    """
    noon = pd.DatetimeIndex(["2026-03-20T12:07Z"])  # the sun is seven and a half minutes late
    top = 1098 * np.exp(-0.057)
    for altitude, share in ((0.0, 1.0), (1000.0, 0.77 / 0.75), (-400.0, 0.742 / 0.75)):
        assert clear_sky_flux(noon, Place(0.0, 0.0, altitude))[0] == pytest.approx(top * share, rel=1e-4)
    times = pd.DatetimeIndex(["2026-03-20T12:30Z", "2026-03-20T23:00Z"])
    np.testing.assert_allclose(solar_hour(times, 30.0), [14.5, 1.0])
    np.testing.assert_allclose(solar_hour(times, -90.0), [6.5, 17.0])
