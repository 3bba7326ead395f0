"""Normals and past years: read, checked, kept, estimated where a column is missing."""

from __future__ import annotations

import calendar
import copy
from datetime import date

import numpy as np
import pandas as pd
import pytest
import responses
from hypothesis import given
from hypothesis import strategies as st

from core.errors import InputError, WeatherError
from core.weather import nasa_power
from core.weather.fetching import make_session
from core.weather.normals import DAYS_IN_MONTH, MID_MONTH_DAY, Normals, check_years, completed
from core.weather.place import Place
from core.weather.solar import extraterrestrial_daily
from core.weather.usual import bundled_normals, bundled_years, enter_normals, get_normals, get_years, normals_from_years
from tests.weather.samples import NOW, PLACE, Shelf, nasa_climatology, nasa_daily
from tests.weather.test_open_meteo import JUNK

CLIMATE_URL = f"{nasa_power.URL}/climatology/point"


def test_climatology():
    normals = nasa_power.parse_normals(nasa_climatology())
    assert normals.table.loc[3, "temperature_c"] == 29.0
    assert normals.table.loc[1, "shortwave_w_m2"] == pytest.approx(20.2e6 / 86400)
    assert normals.table.loc[8, "rain_mm"] == pytest.approx(7.6 * 31)
    assert len(normals.table) == 12  # the annual mean is no month


def test_fill_values_are_no_weather():
    answer = nasa_climatology()
    answer["properties"]["parameter"]["WS10M"]["MAY"] = -999.0
    assert "wind_m_s" not in nasa_power.parse_normals(answer).table
    answer["properties"]["parameter"]["T2M"]["MAY"] = -999.0
    with pytest.raises(WeatherError):
        nasa_power.parse_normals(answer)


def test_daily_years_end_where_they_are_filled():
    years = nasa_power.parse_years(nasa_daily(800))
    assert len(years) == 798
    assert years["shortwave_w_m2"].iloc[0] == pytest.approx(18e6 / 86400)
    with pytest.raises(WeatherError, match="year"):
        nasa_power.parse_years(nasa_daily(300))


def test_a_long_hole_drops_what_is_before_it():
    years = nasa_power.parse_years(nasa_daily(1000))
    holed = years.copy()
    holed.iloc[100:120, 0] = np.nan
    holed.iloc[300:303, 1] = np.nan
    assert len(check_years(holed)) == len(years) - 120


@given(data=st.data())
def test_whatever_comes_is_whole_or_an_error_of_ours(data):
    answer = copy.deepcopy(nasa_climatology())
    for _step in range(data.draw(st.integers(1, 4))):
        node = answer
        while isinstance(node, dict) and node:
            key = data.draw(st.sampled_from(sorted(node)))
            if not isinstance(node[key], dict) or data.draw(st.integers(0, 5)) == 0:
                node[key] = data.draw(JUNK)
                break
            node = node[key]
    try:
        normals = nasa_power.parse_normals(answer)
    except (WeatherError, InputError):
        return
    assert np.isfinite(normals.table.to_numpy()).all()
    assert list(normals.table.index) == list(range(1, 13))


@pytest.mark.parametrize(
    ("column", "value"),
    [("temperature_c", 90.0), ("relative_humidity_pct", 0.5), ("rain_days", 40), ("temperature_c", np.nan)],
)
def test_a_wrong_month_is_named(column, value):
    table = bundled_normals().table.copy()
    table.loc[7, column] = value
    with pytest.raises(InputError, match="month 7"):
        Normals(table, "x", "entered")


def test_entered_by_hand_goes_before_everything():
    shelf = Shelf()
    table = bundled_normals().table[["temperature_c", "relative_humidity_pct"]]
    enter_normals(table, PLACE, shelf, NOW, "Tavuri")
    found = get_normals(PLACE, shelf, NOW, make_session())  # a question would fail: the network is cut
    assert found.status == "entered"
    assert "Tavuri" in found.source
    with responses.RequestsMock() as answers:  # nor is one asked where it would be answered
        answers.add(responses.GET, CLIMATE_URL, json=nasa_climatology())
        answers.assert_all_requests_are_fired = False
        assert get_normals(PLACE, shelf, NOW, make_session()).status == "entered"
        assert len(answers.calls) == 0


@responses.activate
def test_asked_once_then_stored():
    responses.get(CLIMATE_URL, json=nasa_climatology())
    shelf = Shelf()
    assert get_normals(PLACE, shelf, NOW, make_session()).status == "fresh"
    assert get_normals(PLACE, shelf, NOW, make_session()).status == "stored"
    assert len(responses.calls) == 1


@responses.activate
def test_reference_towns_stand_in_where_nothing_is():
    responses.get(CLIMATE_URL, body="<html>log in</html>")
    assert get_normals(PLACE, Shelf(), NOW, make_session()).status == "reference"
    assert get_years(PLACE, Shelf(), NOW) == (None, "none")


@responses.activate
def test_years_are_asked_once():
    responses.get(f"{nasa_power.URL}/daily/point", json=nasa_daily(800))
    shelf = Shelf()
    fresh, status = get_years(PLACE, shelf, NOW, make_session())
    again, status_again = get_years(PLACE, shelf, NOW, make_session())
    assert (status, status_again) == ("fresh", "stored")
    # twenty whole years before this one
    assert "start=20060101" in responses.calls[0].request.url
    assert "end=20251231" in responses.calls[0].request.url
    pd.testing.assert_frame_equal(fresh, again, atol=0.01, check_freq=False)
    assert len(responses.calls) == 1


def test_missing_columns_are_estimated_near_what_a_service_gives():
    # from temperature and humidity alone, against the other columns of the sample (a West African savanna's shape);
    # FAO-56 says of equation 50 that it is good to about 15-20 %
    full = nasa_power.parse_normals(nasa_climatology()).table
    bare = Normals(full[["temperature_c", "relative_humidity_pct"]], "x", "entered")
    guess = completed(bare, Place(9.05, 1.13, 370))
    assert np.allclose(guess["shortwave_w_m2"], full["shortwave_w_m2"], rtol=0.22)
    assert np.abs(guess["daily_range_c"] - full["daily_range_c"]).max() < 4.0
    assert guess["rain_days"].between(0, 31).all()


def test_the_example_has_one_rainy_season():
    rain = normals_from_years(bundled_years(), "x").table["rain_mm"]
    assert rain.loc[[11, 12, 1, 2, 3]].sum() > 0.85 * rain.sum()
    assert (rain.loc[[6, 7, 8, 9]] < 10).all()


def test_the_example_years_follow_the_example_months():
    from_years = normals_from_years(bundled_years(), "x").table
    months = bundled_normals().table
    # mid-month to mid-month in straight lines, ten invented years: within a degree and four points
    assert np.abs(from_years["temperature_c"] - months["temperature_c"]).max() < 1.0
    assert np.abs(from_years["relative_humidity_pct"] - months["relative_humidity_pct"]).max() < 4.0


def test_the_calendars_months():
    """Lengths over four years with their leap year; the middle is the 15th (FAO-56 page 44 takes it so)."""
    lengths = [[calendar.monthrange(year, month)[1] for month in range(1, 13)] for year in range(2025, 2029)]
    np.testing.assert_allclose(DAYS_IN_MONTH, np.mean(lengths, axis=0))
    assert list(MID_MONTH_DAY) == [date(2026, month, 15).timetuple().tm_yday for month in range(1, 13)]


def test_each_missing_column_as_its_note_says():
    """The sentences of `completed` worked by hand for months of 20, 40, 63, 65, 77, 90 and 100 % humidity."""
    place = Place(9.0, 1.0, 400)
    humidity = [20.0, 40.0, 62.3, 65.0, 77.0, 90.0, 100.0] + [65.0] * 5
    bare = pd.DataFrame({"temperature_c": 26.0, "relative_humidity_pct": humidity}, index=range(1, 13))
    found = completed(Normals(bare, "x", "entered"), place)
    # 11 - 0.2 (humidity - 65): 20, 16, 11.54, 11, 8.6, 6, 4; held between 4 and 17
    np.testing.assert_allclose(found["daily_range_c"].iloc[:7], [17, 16, 11.54, 11, 8.6, 6, 4])
    # none below 62 % (2 % of the days), every second day at 77 %, 0.85 at most
    share = found["rain_days"].to_numpy() / DAYS_IN_MONTH
    np.testing.assert_allclose(share[:7], [0.02, 0.02, 0.02, 0.1, 0.5, 0.85, 0.85])
    np.testing.assert_allclose(found["rain_mm"], 9 * found["rain_days"])
    # 2 m/s at 2 m is 2 / 0.748 at 10 m (FAO-56 equation 47)
    np.testing.assert_allclose(found["wind_m_s"], 2 / (4.87 / np.log(67.8 * 10 - 5.42)), atol=0.05)
    # FAO-56 equation 50 with 0.16
    above = extraterrestrial_daily(9.0, MID_MONTH_DAY) * 1e6 / 86400
    np.testing.assert_allclose(found["shortwave_w_m2"], 0.16 * np.sqrt(found["daily_range_c"]) * above)


def test_what_is_known_goes_before_what_is_estimated_but_not_beyond_the_possible():
    place = Place(9.0, 1.0, 400)
    known = pd.DataFrame({"temperature_c": 26.0, "relative_humidity_pct": 70.0}, index=range(1, 13))
    known["shortwave_w_m2"], known["rain_mm"] = 400.0, [90.0] * 11 + [500.0]
    found = completed(Normals(known, "x", "entered"), place)
    cloudless = (0.75 + 2e-5 * 400) * extraterrestrial_daily(9.0, MID_MONTH_DAY) * 1e6 / 86400
    np.testing.assert_allclose(found["shortwave_w_m2"], 0.98 * cloudless)
    np.testing.assert_allclose(found["rain_days"], [10.0] * 11 + [0.9 * 31])  # 9 mm each, nine days in ten at most
    found = completed(Normals(known.assign(rain_days=31.0), "x", "entered"), place)
    np.testing.assert_allclose(found["rain_days"], 0.97 * DAYS_IN_MONTH)
    np.testing.assert_allclose(found["rain_mm"], known["rain_mm"])


@pytest.mark.parametrize(("hole", "kept"), [(7, 800), (8, 600)])
def test_a_week_is_bridged_in_a_straight_line_and_more_is_not(hole, kept):
    """A hole that begins after 192 days: the days behind one of eight are 600 of 800."""
    index = pd.date_range("2020-01-01", periods=800, freq="D")
    years = pd.DataFrame({"temperature_c": np.arange(800) / 40, "relative_humidity_pct": 60.0}, index=index)
    years["rain_mm"], years["wind_m_s"] = -0.01, 2.0
    holed = years.copy()
    holed.iloc[192 : 192 + hole, :2] = np.nan
    found = check_years(holed.iloc[::-1])
    assert len(found) == kept
    np.testing.assert_allclose(found["temperature_c"], years["temperature_c"].iloc[-kept:])
    assert found["rain_mm"].min() == 0.0


def test_past_years_that_cannot_be():
    """Two days in a hundred may be impossible and are bridged; more say that the unit is another."""
    index = pd.date_range("2020-01-01", periods=400, freq="D")
    years = pd.DataFrame({"temperature_c": 25.0, "relative_humidity_pct": 60.0}, index=index)
    faulty = years.copy()
    faulty.iloc[5:285:40, 0] = 77.0  # 7 of 400
    faulty.iloc[100, 1] = -1.0
    faulty.iloc[200, 1] = 100.6
    found = check_years(faulty)
    assert set(found["temperature_c"]) == {25.0}
    assert found["relative_humidity_pct"].min() == 60.0
    assert found["relative_humidity_pct"].iloc[200] == 100.0
    faulty.iloc[300, 0] = -61.0  # the ninth
    with pytest.raises(WeatherError, match="impossible"):
        check_years(faulty)
    assert len(check_years(years.iloc[:365])) == 365
    with pytest.raises(WeatherError, match="less than a year"):
        check_years(years.iloc[:364])


def test_months_from_years_worked_by_hand():
    """Two years of 24 and 26 °C by turns: variance 1 (n - 1: 62/61 in January); two years' worth of 1.5² beside it."""
    index = pd.date_range("2021-01-01", periods=730, freq="D")
    even = np.arange(730) % 2
    years = pd.DataFrame({"temperature_c": 24.0 + 2 * even, "relative_humidity_pct": 60.0}, index=index)
    years["temperature_max_c"], years["temperature_min_c"] = 31.0, 20.5
    years["rain_mm"] = np.where(index.day <= 5, 1.0, np.where(index.day == 6, 0.9, 0.0))
    years["wind_m_s"], years["shortwave_w_m2"] = 2.0, 210.0
    table = normals_from_years(years, "x").table
    assert table.loc[4, "temperature_c"] == pytest.approx(25.0)
    assert table.loc[4, "daily_range_c"] == pytest.approx(10.5)
    assert table.loc[4, "rain_days"] == pytest.approx(5.0)
    assert table.loc[4, "rain_mm"] == pytest.approx(5.9)
    assert table.loc[4, ["wind_m_s", "shortwave_w_m2"]].tolist() == [2.0, 210.0]
    weight = 730 / 365.25
    own = 60 / 59
    assert table.loc[4, "temperature_sd_c"] == pytest.approx(np.sqrt((weight * own + 2 * 1.5**2) / (weight + 2)))
    assert table.loc[4, "humidity_sd_pct"] == pytest.approx(np.sqrt(2 * 7.5**2 / (weight + 2)))
