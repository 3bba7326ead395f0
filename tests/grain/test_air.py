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


@given(temperature=st.floats(0, 60), relative_humidity=st.floats(1, 100), altitude=st.floats(0, 3000))
def test_humid_air_is_that_of_psychrolib(temperature, relative_humidity, altitude):
    pressure = psychrolib.GetStandardAtmPressure(altitude)
    assert air.pressure_at_altitude(altitude) * 1000 == pytest.approx(pressure, rel=1e-4)
    expected = psychrolib.GetVapPresFromRelHum(temperature, relative_humidity / 100)
    assert 1000 * air.vapour_pressure(temperature, relative_humidity) == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize(
    "call",
    [
        lambda: air.vapour_pressure(20, 101),
        lambda: air.saturation_vapour_pressure(300),
        lambda: air.vapour_pressure(20, -1),
        lambda: air.saturation_vapour_pressure(float("nan")),
    ],
)
def test_impossible_air_is_an_error(call):
    with pytest.raises(InputError):
        call()


def test_the_fast_saturation_pressure_of_inner_loops_is_the_exact_one():
    """Drying works at 0-70 °C; ASHRAE's form (Hyland and Wexler 1983) is the reference."""
    celsius = np.linspace(0.02, 70, 281)
    np.testing.assert_allclose(air.saturation_in_loops(celsius), air.saturation_vapour_pressure(celsius), rtol=3e-4)


def test_at_the_triple_point_the_form_over_ice_holds_as_in_psychrolib():
    """At 0.01 °C both forms give 611.2 Pa, but not to nine digits; psychrolib takes ice up to and at it."""
    expected = psychrolib.GetSatVapPres(0.01) / 1000
    assert air.saturation_vapour_pressure(0.01) == pytest.approx(expected, rel=1e-9)
    assert air.saturation_vapour_pressure([0.01, 20.0])[0] == pytest.approx(expected, rel=1e-9)


def test_the_edges_of_the_range_are_no_faults_and_the_first_beyond_is_named():
    for celsius, named in (([-100.0, 200.0, 200.5], "200.5"), ([-100.0, 200.0, -100.5], "-100.5")):
        with pytest.raises(InputError, match=named):
            air.saturation_vapour_pressure(celsius)
    for humidity, named in (([0.0, 100.0, 100.5], "100.5"), ([0.0, 100.0, -0.5], "-0.5")):
        with pytest.raises(InputError, match=named):
            air.vapour_pressure(20.0, humidity)
