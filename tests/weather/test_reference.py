"""The usual weather of places between the reference towns, held against an open data set of cities."""

from __future__ import annotations

import math

import numpy as np
import pytest

from core.errors import InputError, WeatherError
from core.weather.normals import completed
from core.weather.place import Place
from core.weather.reference import LAPSE_C_PER_M, reference_altitude_m, reference_normals, towns, weights

# Monthly mean temperatures, °C, January first, and altitude, m: "world-temperature-data" 0.1.0 (GeoRank.place, CC BY
# 4.0,
# from CHELSA v2.1, 1981-2010). None of these cities is a reference town; altitudes as in any atlas.
CITIES = {
    (22.57, 88.36, 9): (18.8, 22.2, 26.9, 29.6, 30.2, 29.6, 28.8, 28.7, 28.4, 27.1, 23.7, 19.7),  # Kolkata
    (11.56, 104.93, 11): (26.9, 28.4, 29.8, 30.4, 29.6, 28.9, 28.4, 28.2, 27.9, 27.4, 27.0, 26.2),  # Phnom Penh
    (5.36, -4.01, 30): (26.1, 26.8, 27.1, 27.1, 26.4, 25.2, 24.4, 24.0, 24.4, 25.2, 26.0, 26.1),  # Abidjan
    (6.52, 3.38, 10): (26.9, 27.8, 28.0, 27.8, 27.2, 26.1, 25.1, 24.8, 25.2, 26.1, 27.1, 27.1),  # Lagos
    (-4.05, 39.67, 20): (27.6, 27.8, 28.2, 27.2, 26.1, 25.1, 24.2, 24.2, 25.0, 25.9, 26.8, 27.5),  # Mombasa
    (18.52, 73.86, 560): (21.5, 23.2, 26.4, 28.5, 28.2, 26.1, 24.5, 24.0, 24.2, 24.8, 23.2, 21.2),  # Pune
    (23.03, 72.57, 53): (19.9, 22.2, 27.1, 31.1, 33.2, 32.5, 29.4, 28.2, 28.9, 28.0, 24.2, 20.8),  # Ahmedabad
}


@pytest.mark.parametrize("where", CITIES)
def test_temperatures_are_near_those_of_cities_between_the_towns(where):
    found = reference_normals(Place(*where)).table["temperature_c"].to_numpy()
    difference = found - np.array(CITIES[where])
    assert abs(difference).max() < 5.0
    assert np.sqrt((difference**2).mean()) < 2.6


def test_a_town_itself_and_the_height_above_it():
    known = towns()
    index = known.names.index("Kampala")
    here = Place(known.latitude[index], known.longitude[index], known.altitude_m[index])
    above = Place(here.latitude, here.longitude, here.altitude_m + 1000)
    np.testing.assert_allclose(reference_normals(here).table["temperature_c"], known.temperature_c[index], atol=0.05)
    fall = reference_normals(here).table["temperature_c"] - reference_normals(above).table["temperature_c"]
    np.testing.assert_allclose(fall, 1000 * LAPSE_C_PER_M)
    assert abs(reference_altitude_m(here.latitude, here.longitude) - known.altitude_m[index]) < 5


def test_weights_add_up_and_fall_with_the_square_of_distance():
    share = weights(12.0, 0.0)
    assert share.sum() == pytest.approx(1.0)
    assert (share > 0).sum() == 4
    # the haversine formula on a globe of 6371 km, town by town
    known, here = towns(), (math.radians(12.0), 0.0)
    away = []
    for latitude, longitude in zip(np.radians(known.latitude), np.radians(known.longitude), strict=True):
        half = math.sin((latitude - here[0]) / 2) ** 2
        half += math.cos(latitude) * math.cos(here[0]) * math.sin((longitude - here[1]) / 2) ** 2
        away.append(2 * 6371 * math.asin(math.sqrt(half)))
    four = sorted(range(len(away)), key=lambda town: away[town])[:4]
    total = sum(away[town] ** -2 for town in four)
    for town in range(len(away)):
        assert share[town] == pytest.approx(away[town] ** -2 / total if town in four else 0.0)
    # the tables are mixed by the same shares
    place = Place(12.0, 0.0, 300)
    humid = sum(share[town] * known.relative_humidity_pct[town] for town in four)
    np.testing.assert_allclose(reference_normals(place).table["relative_humidity_pct"], humid)
    rain = sum(share[town] * known.rain_mm[town] for town in four)
    np.testing.assert_allclose(reference_normals(place).table["rain_mm"], rain)


def test_a_thousand_kilometres_from_the_nearest_town_is_the_farthest():
    """Along the meridian a degree is 6371 pi / 180 = 111.19 km: 8.99 degrees south of the southernmost town."""
    known = towns()
    south = int(np.argmin(known.latitude))
    for kilometres, known_there in ((990, True), (1010, False)):
        latitude = known.latitude[south] - kilometres / (6371 * math.pi / 180)
        if known_there:
            assert weights(latitude, known.longitude[south]).sum() == pytest.approx(1.0)
        else:
            with pytest.raises(WeatherError):
                weights(latitude, known.longitude[south])


def test_far_from_all_towns_nothing_is_made_up():
    with pytest.raises(WeatherError, match="no usual weather"):
        reference_normals(Place(64.1, -21.9))


def test_the_sun_of_south_western_nigeria_is_the_measured_one_also_in_the_rains():
    """By day at Ile-Ife (Heliyon 2019, 5:e01673); 10.71 MJ/m² at Ibadan in August (Olatona & Adegoke 2015).

    Benin City has no measured months in the table: 12.5 MJ/m² in August (Njoku et al., sky conditions at Benin City
    and Owerri, abstract read) is told by the towns around it.
    """

    def by_day(place: Place, months: list[int]) -> float:
        return float(2.0 * completed(reference_normals(place), place)["shortwave_w_m2"].loc[months].mean())

    ife = Place(7.53, 4.54, 280)
    assert by_day(ife, [3, 4, 5]) == pytest.approx(412.5, rel=0.06)
    assert by_day(ife, [7, 8]) == pytest.approx(249.8, rel=0.06)
    assert by_day(ife, [10, 11]) == pytest.approx(361.3, rel=0.06)
    assert by_day(Place(7.43, 3.9, 230), [8]) * 0.0432 == pytest.approx(10.71, rel=0.06)
    assert by_day(Place(6.33, 5.6, 80), [8]) * 0.0432 == pytest.approx(12.5, rel=0.1)


def test_where_no_sun_was_measured_none_is_given():
    assert "shortwave_w_m2" not in reference_normals(Place(-13.98, 33.78, 1050)).table


def test_a_place_lies_on_the_globe():
    for edge in ((90, 180, 6000), (-90, -180, -500)):
        Place(*edge)
    for beyond in ((90.1, 0, 0), (-90.1, 0, 0), (0, 180.1, 0), (0, -180.1, 0), (0, 0, 6001), (0, 0, -501)):
        with pytest.raises(InputError):
            Place(*beyond)
