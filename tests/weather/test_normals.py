"""Normals and past years: read, checked, kept, estimated where a column is missing."""

from __future__ import annotations

import copy

import numpy as np
import pandas as pd
import pytest
import responses
from hypothesis import given
from hypothesis import strategies as st

from core.errors import InputError, WeatherError
from core.weather import nasa_power
from core.weather.fetching import make_session
from core.weather.normals import Normals, check_years, completed
from core.weather.place import Place
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
