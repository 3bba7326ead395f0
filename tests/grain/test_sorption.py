"""Sorption against published tables, with the author of every number beside it."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.errors import InputError, NotFoundError
from core.grain.commodities import commodity_codes, get_commodity
from core.grain.sorption import (
    OutsideRangeWarning,
    equilibrium_humidity,
    equilibrium_moisture,
    equilibrium_with_flag,
    humidity,
    isotherm_parameters,
    moisture_dry_basis,
    moisture_uncertainty,
)

PAIRS = [(code, name) for code in commodity_codes() for name in get_commodity(code).isotherms]

pytestmark = pytest.mark.filterwarnings("ignore::core.grain.sorption.OutsideRangeWarning")


# Measured humidity over tropical paddy: 12.8, 14.5, 15.5 % at 26 °C stand at 65, 75, 83 % (Tebonnet, IOBC bulletin).
def test_measured_tropical_paddy_fits_the_default_set_better():
    measured = np.array([65, 75, 83])
    default = equilibrium_humidity("paddy", 26, [12.8, 14.5, 15.5])
    newer = equilibrium_humidity("paddy", 26, [12.8, 14.5, 15.5], isotherm="henderson-1995")
    np.testing.assert_allclose(default, measured, atol=3)
    assert np.abs(default - measured).mean() < np.abs(newer - measured).mean()


@pytest.mark.parametrize(("code", "isotherm"), PAIRS)
def test_round_trip(code, isotherm):
    lowest, highest = get_commodity(code).isotherm(isotherm).humidity_range_pct
    relative_humidity = np.linspace(lowest, highest, 33)[:, None]
    temperature = np.array([10.0, 25.0, 40.0])[None, :]
    moisture = equilibrium_moisture(code, temperature, relative_humidity, isotherm)
    back = equilibrium_humidity(code, temperature, moisture, isotherm)
    np.testing.assert_allclose(back, np.broadcast_to(relative_humidity, back.shape), atol=1e-6)


@pytest.mark.parametrize(("code", "isotherm"), PAIRS)
def test_array_equals_scalars(code, isotherm):
    temperature, relative_humidity = [15.0, 30.0, 45.0], [30.0, 65.0, 85.0]
    together = equilibrium_moisture(code, temperature, relative_humidity, isotherm)
    for index, (one, two) in enumerate(zip(temperature, relative_humidity, strict=True)):
        alone = equilibrium_moisture(code, one, two, isotherm)
        assert np.ndim(alone) == 0
        assert alone == pytest.approx(together[index], rel=1e-14)


@given(pair=st.sampled_from(PAIRS), temperature=st.floats(5, 49), relative_humidity=st.floats(10, 89))
def test_more_humid_is_wetter_and_warmer_is_drier(pair, temperature, relative_humidity):
    code, isotherm = pair
    here = equilibrium_moisture(code, temperature, relative_humidity, isotherm)
    assert equilibrium_moisture(code, temperature, relative_humidity + 1, isotherm) > here
    assert equilibrium_moisture(code, temperature + 1, relative_humidity, isotherm) < here
    assert 0 < here < 60


@given(pair=st.sampled_from(PAIRS), temperature=st.floats(0, 60), relative_humidity=st.floats(0, 100))
def test_any_possible_air_has_a_finite_moisture(pair, temperature, relative_humidity):
    code, isotherm = pair
    value = equilibrium_moisture(code, temperature, relative_humidity, isotherm)
    assert 0 <= value < 100


def test_unchecked_functions_agree_with_the_checked():
    chosen = isotherm_parameters("maize")
    dry = moisture_dry_basis(chosen, np.array([25.0]), np.array([0.65]))
    assert 100 * dry / (100 + dry) == pytest.approx(equilibrium_moisture("maize", 25, 65))
    assert humidity(chosen, np.array([25.0]), dry) == pytest.approx(0.65, abs=1e-12)


def test_outside_its_range_a_flag_is_in_the_result_and_a_warning_with_the_plain_number():
    result = equilibrium_with_flag("maize", [25.0, 25.0, 60.0], [65.0, 95.0, 65.0])
    assert result.outside_range.tolist() == [False, True, True]
    with pytest.warns(OutsideRangeWarning):
        equilibrium_moisture("maize", 60, 65)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        equilibrium_moisture("maize", 25, 65)


def test_disagreement_of_the_sets_is_stated():
    # The two maize tables differ by 0.5-0.6 point at 21 °C: 9.7 against 10.3 at 40 % in the tables above.
    assert equilibrium_with_flag("maize", 21.1, 40).spread == pytest.approx(0.6, abs=0.15)
    # The newer sorghum table lies 1.5-2 points above the older.
    assert 1.4 < equilibrium_with_flag("sorghum", 27, 70).spread < 2.1


def test_sensor_errors_pass_through_the_slope():
    # Maize at 25 °C, 65 %: +3 % humidity = +0.52 point and +1 °C = -0.08 point (computed apart from the same table).
    only_humidity = moisture_uncertainty("maize", 25, 65, 0, 3)
    assert only_humidity == pytest.approx(np.hypot(0.52, 0.5), abs=0.02)


@pytest.mark.parametrize(
    ("temperature", "relative_humidity"),
    [(25, -1), (25, 100.1), (25, float("nan")), (float("nan"), 60), (300, 60), (-60, 60)],
)
def test_impossible_air_is_an_error(temperature, relative_humidity):
    with pytest.raises(InputError):
        equilibrium_moisture("maize", temperature, relative_humidity)


@pytest.mark.parametrize("moisture", [-0.1, 100, float("nan"), float("inf")])
def test_impossible_moisture_is_an_error(moisture):
    with pytest.raises(InputError):
        equilibrium_humidity("maize", 25, moisture)


def test_unknown_names_list_the_known():
    with pytest.raises(NotFoundError, match="maize"):
        get_commodity("quinoa")
    with pytest.raises(NotFoundError, match="henderson-1986"):
        equilibrium_moisture("maize", 25, 65, isotherm="henderson-1901")


def test_every_value_of_the_table_has_a_source_and_a_known_basis():
    for code in commodity_codes():
        for item in get_commodity(code).isotherm_sets:
            assert item.source, (code, item.name)
            assert item.basis in {"published", "memory", "practice", "judgement"}


def test_one_impossible_value_among_good_ones_is_refused():
    for temperature, relative_humidity in (([25, 500], 65), (25, [65, 101]), ([25, -60], 65), (25, [-1, 65])):
        with pytest.raises(InputError):
            equilibrium_moisture("maize", temperature, relative_humidity)
    with pytest.raises(InputError):
        equilibrium_humidity("maize", [25, 500], 13.0)


def test_the_edge_of_a_sets_range_is_inside_it():
    """The table of the default set says 5-50 °C and 10-90 %: its ends belong to it, a tenth beyond does not."""
    chosen = isotherm_parameters("maize")
    (cold, warm), (dry, damp) = chosen.temperature_range_c, chosen.humidity_range_pct
    for temperature, relative_humidity in ((cold, 50), (warm, 50), (25, dry), (25, damp)):
        assert not equilibrium_with_flag("maize", temperature, relative_humidity).outside_range
    for temperature, relative_humidity in ((cold - 0.1, 50), (warm + 0.1, 50), (25, dry - 0.1), (25, damp + 0.1)):
        assert equilibrium_with_flag("maize", temperature, relative_humidity).outside_range
