"""Edges of sorption and of own fits: where a form has a meaning, sensors at dry and full air, curves no grain has."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from core.errors import InputError, OutOfRangeError
from core.grain import calibration
from core.grain.air import latent_heat, pressure_at_altitude
from core.grain.calibration import fit_calibration, fit_new_isotherm, isotherm_from_coefficients, own_commodity
from core.grain.commodities import IsothermSet, commodity_codes, get_commodity
from core.grain.mass import wet_basis
from core.grain.sorption import (
    equilibrium_humidity,
    equilibrium_moisture,
    equilibrium_with_flag,
    humidity_with_flag,
    isotherm_parameters,
    moisture_dry_basis,
    sensor_uncertainty,
    sorption_form,
)

MAIZE = get_commodity("maize")
pytestmark = pytest.mark.filterwarnings("ignore::core.grain.sorption.OutsideRangeWarning")


def own_crop(form: str, a: float, b: float, c: float) -> object:
    return own_commodity("x", "x", IsothermSet("x", form, a, b, c), "maize", 0.5)


def test_each_form_has_a_meaning_between_its_own_temperatures():
    """Henderson and Chung-Pfost need T + C above 1, Oswin A + B T above 0 with a degree to spare; others any."""
    for form, a, b, c, cold, warm in (
        ("henderson", 8.65e-5, 1.86, 20.0, -19.0, np.inf),
        ("chung-pfost", 312.0, 0.17, 30.0, -29.0, np.inf),
        ("oswin", 15.0, -0.2, 3.0, -np.inf, 74.0),
        ("oswin", 15.0, 0.0, 3.0, -np.inf, np.inf),
        ("oswin", 15.0, 0.1, 3.0, -np.inf, np.inf),
        ("halsey", 3.5, -0.0055, 1.9, -np.inf, np.inf),
    ):
        crop = own_crop(form, a, b, c)
        chosen = crop.isotherm()
        assert (sorption_form(form).coldest(chosen), sorption_form(form).warmest(chosen)) == pytest.approx((cold, warm))
        for edge, beyond in ((max(cold, -40.1), -0.01), (min(warm, 120.1), 0.01)):
            assert np.isfinite(equilibrium_moisture(crop, edge - 10 * beyond, 60.0))
            if edge in (cold, warm):
                for given in (edge, edge + beyond, [20.0, edge + beyond]):
                    with pytest.raises(OutOfRangeError):
                        equilibrium_moisture(crop, given, 60.0)


def test_grain_is_between_forty_below_zero_and_120_degrees():
    for celsius, wrong in ((-40.0, -40.1), (120.0, 120.1)):
        assert 0 < equilibrium_humidity("cowpea", celsius, 12.0) < 100
        for given in (wrong, [20.0, wrong]):
            with pytest.raises(InputError, match=str(wrong)):
                equilibrium_humidity("cowpea", given, 12.0)
    assert equilibrium_moisture("maize", 25, 0) == pytest.approx(float(equilibrium_moisture("maize", 25, 1e-7)))
    assert equilibrium_moisture("maize", 25, 100) == pytest.approx(float(equilibrium_moisture("maize", 25, 99.99)))
    for wrong in (-0.5, 100.5):
        with pytest.raises(InputError, match=str(wrong)):
            equilibrium_moisture("maize", 25, [60.0, wrong])


def test_the_slope_over_humidity_at_dry_and_full_air_is_taken_inside():
    """At 0 % between 0 and 0.1 %, at 100 % between 99.9 and 99.99 %: 2 % of error times the slope."""

    def at(relative: float) -> float:
        return float(wet_basis(moisture_dry_basis(isotherm_parameters("maize"), np.asarray(25.0), relative / 100)))

    for relative, low, high in ((0.0, 0.0, 0.1), (100.0, 99.9, 99.99), (60.0, 59.95, 60.05)):
        slope = (at(high) - at(low)) / (high - low)
        assert float(sensor_uncertainty("maize", 25.0, relative, 0.0, 2.0)) == pytest.approx(2 * slope, rel=1e-6)


@pytest.mark.parametrize("code", commodity_codes())
def test_the_spread_is_that_of_the_sets_that_are_compared_and_hold(code):
    crop = get_commodity(code)
    for name in (None, *crop.isotherms):
        for celsius, relative in ((27.0, 65.0), (4.0, 65.0), (27.0, 88.0)):
            chosen = crop.isotherm(name)
            values = [float(equilibrium_moisture(code, celsius, relative, name))]
            for item in crop.isotherm_sets:
                (cold, warm), (dry, damp) = item.temperature_range_c, item.humidity_range_pct
                if item.compared and cold <= celsius <= warm and dry <= relative <= damp:
                    values.append(float(equilibrium_moisture(code, celsius, relative, item.name)))
            found = equilibrium_with_flag(code, celsius, relative, name)
            assert float(found.spread) == pytest.approx(max(values) - min(values), abs=1e-9)
            assert found.isotherm == chosen.name


def test_humidity_comes_with_its_flag_and_the_spread_of_the_sets():
    """Maize of 13 % at 27 °C: each compared set's own humidity; wet grain lies beyond 90 %."""
    found = humidity_with_flag("maize", [27.0, 27.0], [13.0, 24.0])
    names = [item.name for item in MAIZE.isotherm_sets if item.compared or item.name == MAIZE.default_isotherm]
    each = [float(equilibrium_humidity("maize", 27.0, 13.0, name)) for name in names]
    assert found.value[0] == pytest.approx(float(equilibrium_humidity("maize", 27.0, 13.0)))
    assert found.spread[0] == pytest.approx(max(each) - min(each)) != 0
    assert found.outside_range.tolist() == [False, True]


@pytest.mark.parametrize(
    ("a", "b", "sound"),
    [
        (0.61, 0.0, True),  # driest at 10 %: A (1/9)^(1/2) = 0.203, above 0.2 % dry basis
        (0.59, 0.0, False),
        (19.9, 0.0, True),  # dampest at 90 %: A 9^(1/2) = 59.7, below 60
        (20.1, 0.0, False),
        (5.61, -0.1, True),  # at 50 °C A falls to 0.61, at 5 °C it is 5.11
        (5.59, -0.1, False),
        (20.4, -0.1, True),
        (20.6, -0.1, False),
        (12.0, 0.001, False),  # wetter when warmer
    ],
)
def test_a_curve_no_grain_can_have(a, b, sound):
    """Oswin's form with C = 2 between 5 and 50 °C and 10 and 90 %: (A + B T) (r / (1 - r))^(1/2)."""
    if sound:
        own = isotherm_from_coefficients("x", "oswin", a, b, 2.0, "by hand")
        assert (own.a, own.b, own.c, own.basis) == (a, b, 2.0, "judgement")
    else:
        with pytest.raises(InputError, match="no grain"):
            isotherm_from_coefficients("x", "oswin", a, b, 2.0, "by hand")


@pytest.mark.parametrize(
    ("truth", "kept"),
    [
        (IsothermSet("t", "oswin", 14.0, -0.1, 3.6), lambda found: found.b / found.a + 0.0065),
        (IsothermSet("t", "halsey", 5.0, -0.009, 2.6), lambda found: found.b + 0.0055),
        (IsothermSet("t", "henderson", 7e-5, 1.9, 40.0), lambda found: found.c - 50.0),
    ],
)
def test_each_form_is_found_again_with_its_warmth_or_takes_it_over(truth, kept):
    humidity = np.array([4.0, 96.0, 30.0, 45.0, 60.0, 75.0, 35.0, 50.0, 65.0, 80.0])
    for span, fitted in ((15.0, True), (5.0, False)):
        celsius = np.linspace(20, 20 + span, 10)[[0, 7, 3, 9, 1, 5, 8, 2, 6, 4]]
        moisture = np.asarray(wet_basis(moisture_dry_basis(truth, celsius, humidity / 100)))
        fit = fit_new_isotherm("own", celsius, humidity, moisture, forms=(truth.form,))
        assert len(fit.fitted) == len(fit.standard_errors) == 2 + fitted
        # as far as five degrees beyond the readings, and no further than 1 and 99 %
        assert fit.isotherm.temperature_range_c == pytest.approx((15.0, 25.0 + span))
        assert fit.isotherm.humidity_range_pct == (1.0, 99.0)
        if fitted:
            found = (fit.isotherm.a, fit.isotherm.b, fit.isotherm.c)
            assert found == pytest.approx((truth.a, truth.b, truth.c), rel=1e-3)
        else:
            assert kept(fit.isotherm) == pytest.approx(0.0, abs=1e-12)
    with pytest.raises(InputError, match="same count"):
        fit_new_isotherm("own", celsius, humidity[:9], moisture)
    # of several forms the one with the least scatter is taken
    assert fit_new_isotherm("own", celsius, humidity, moisture).isotherm.form == truth.form


def test_readings_may_scatter_by_a_point_and_a_half():
    celsius, humidity = np.full(8, 27.0), np.linspace(40, 80, 8)
    plain = moisture_dry_basis(MAIZE.isotherm(), celsius, humidity / 100)
    noise = np.array([1, -1, 1, -1, -1, 1, -1, 1])

    def fit(size: float) -> float:
        return fit_calibration("maize", "x", celsius, humidity, np.asarray(wet_basis(plain)) + size * noise).scatter_pct

    one = fit(1.0)
    assert fit(1.48 / one) == pytest.approx(1.48, abs=0.01)
    with pytest.raises(InputError, match="scatter"):
        fit(1.53 / one)


def test_readings_just_within_what_can_be_are_taken():
    given = ([-9.9, 69.9], [0.1, 99.9], [0.1, 59.9])
    assert [list(part) for part in calibration._checked_pairs(*given, 2)] == list(given)


def test_an_own_crop_is_like_another_but_for_its_isotherm():
    isotherm = replace(MAIZE.isotherm(), name="ours")
    alone, beside = (
        own_commodity("ours", "ours", isotherm, "maize", sd, kept) for sd, kept in ((0.2, False), (0.4, True))
    )
    assert (alone.isotherm_sd_points, beside.isotherm_sd_points) == (0.3, 0.4)
    assert alone.isotherm_sets == (isotherm,)
    assert beside.isotherm_sets == (isotherm, *MAIZE.isotherm_sets)
    assert own_commodity("own_ours", "x", isotherm, "maize", 0.4).code == alone.code == "own_ours"
    assert own_commodity("x", "x", isotherm, "maize", 0.4).isotherm_sets == (isotherm,)
    assert alone.own
    assert alone.thin_layer.stand_in
    assert alone.spoilage.relation == "equal humidity"
    assert alone.porosity == MAIZE.porosity


def test_latent_heat_is_that_of_the_steam_tables():
    """IAPWS: 2500.9 kJ/kg at 0 °C, 2429.8 at 30, 2357.7 at 60; the line lies within 0.1 % of them."""
    assert latent_heat([0.0, 30.0, 60.0]) == pytest.approx([2500.9, 2429.8, 2357.7], rel=1e-3)


def test_altitudes_of_the_standard_atmosphere():
    """ISO 2533: 107.478 kPa at -500 m, 89.875 at 1 km, 22.632 at 11 km."""
    assert pressure_at_altitude([-500.0, 1000.0, 11000.0]) == pytest.approx([107.478, 89.875, 22.632], rel=1e-3)
    for wrong in (-500.5, 11000.5):
        with pytest.raises(InputError, match=str(wrong)):
            pressure_at_altitude([0.0, wrong])
