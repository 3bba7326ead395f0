"""Humid air against psychrolib, published tables and the steam tables."""

from __future__ import annotations

import numpy as np
import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.errors import InputError
from core.grain import air

psychrolib.SetUnitSystem(psychrolib.SI)


@given(temperature=st.floats(-40, 60))
def test_saturation_pressure_is_that_of_psychrolib(temperature):
    # The same ASHRAE form: 1e-9 is rounding; below 0.01 °C psychrolib takes ice too.
    assert air.saturation_vapour_pressure(temperature) * 1000 == pytest.approx(
        psychrolib.GetSatVapPres(temperature), rel=1e-9
    )


def test_saturation_pressure_against_the_steam_tables():
    # IAPWS-97, Pa; the ASHRAE form differs by at most 2.2e-4.
    temperature = [0.01, 10, 20, 30, 40, 50]
    published = [611.657, 1228.184, 2339.215, 4246.688, 7384.427, 12351.270]
    np.testing.assert_allclose(air.saturation_vapour_pressure(temperature) * 1000, published, rtol=3e-4)


@given(temperature=st.floats(0, 60), relative_humidity=st.floats(1, 100), altitude=st.floats(0, 3000))
def test_humid_air_is_that_of_psychrolib(temperature, relative_humidity, altitude):
    pressure = psychrolib.GetStandardAtmPressure(altitude)
    assert air.pressure_at_altitude(altitude) * 1000 == pytest.approx(pressure, rel=1e-4)
    expected = psychrolib.GetHumRatioFromRelHum(temperature, relative_humidity / 100, pressure)
    ours = air.humidity_ratio(temperature, relative_humidity, pressure / 1000)
    assert ours == pytest.approx(expected, rel=1e-3)
    dew = psychrolib.GetTDewPointFromRelHum(temperature, relative_humidity / 100)
    assert air.dew_point(temperature, relative_humidity) == pytest.approx(dew, abs=0.02)


def test_state_points():
    # psychrolib's state points: humidity ratio 0.018795 at 30 °C, 70 % and 0.014132 at 35 °C, 40 %; dew point 23.928
    # °C.
    np.testing.assert_allclose(air.humidity_ratio([30, 35], [70, 40]), [0.018795, 0.014132], atol=1e-6)
    assert air.dew_point(30, 70) == pytest.approx(23.928, abs=0.002)


def test_saturated_humidity_ratio():
    # ASHRAE relation without enhancement: 0.00763 .. 0.04888 kg/kg at 10 .. 40 °C.
    published = [0.00763, 0.01065, 0.01470, 0.02008, 0.02720, 0.03658, 0.04888]
    np.testing.assert_allclose(air.humidity_ratio(np.arange(10, 41, 5), 100), published, atol=6e-6)


def test_latent_heat_against_the_steam_tables():
    # IAPWS: 2429.8 kJ/kg at 30 °C; the linear form is within 0.1 %.
    assert air.latent_heat(30) == pytest.approx(2429.8, rel=1e-3)


@given(temperature=st.floats(0, 45), relative_humidity=st.floats(1, 100), warmer=st.floats(0, 20))
def test_warming_air_dries_it_and_keeps_its_vapour(temperature, relative_humidity, warmer):
    after = air.humidity_at_temperature(temperature, relative_humidity, temperature + warmer)
    assert after <= relative_humidity + 1e-9
    np.testing.assert_allclose(
        air.vapour_pressure(temperature + warmer, after), air.vapour_pressure(temperature, relative_humidity)
    )


def test_cooled_below_its_dew_point_air_is_saturated():
    assert air.humidity_at_temperature(30, 70, 20) == 100


@pytest.mark.parametrize(
    "call",
    [
        lambda: air.vapour_pressure(20, 101),
        lambda: air.dew_point(20, 0),
        lambda: air.saturation_vapour_pressure(300),
        lambda: air.vapour_pressure(20, -1),
        lambda: air.saturation_vapour_pressure(float("nan")),
    ],
)
def test_impossible_air_is_an_error(call):
    with pytest.raises(InputError):
        call()
