"""A group's own crop: fitted from pairs, with its uncertainty, and refused when it cannot be known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.errors import InputError
from core.grain.calibration import (
    fit_calibration,
    fit_new_isotherm,
    isotherm_from_coefficients,
    own_commodity,
    scaled_isotherm,
)
from core.grain.commodities import IsothermSet, commodity_codes, get_commodity
from core.grain.mass import dry_basis
from core.grain.sorption import equilibrium_humidity, equilibrium_moisture, moisture_dry_basis

# Oats, ASAE D245 (Chung-Pfost 442.85, 0.21228, 35.803): a crop that the table does not have, in a form that is not
# fitted.
OATS = IsothermSet("oats", "chung-pfost", 442.85, 0.21228, 35.803)


def pairs(source: IsothermSet, count: int, noise: float, seed: int, temperatures=(20.0, 38.0)):
    """Return invented readings on a known curve with noise in moisture."""
    generator = np.random.default_rng(seed)
    temperature = generator.uniform(*temperatures, count)
    humidity = generator.uniform(35, 85, count)
    dry = moisture_dry_basis(source, temperature, humidity / 100)
    return temperature, humidity, 100 * dry / (100 + dry) + noise * generator.standard_normal(count)


def test_a_new_crop_is_found_again_from_exact_pairs():
    # Another form than the true one: the published forms agree to some tenths of a point in mid range.
    fit = fit_new_isotherm("own", *pairs(OATS, 20, 0.0, 1))
    crop = own_commodity("oats", "oats", fit.isotherm, "barley", fit.curve_sd_pct)
    truth = moisture_dry_basis(OATS, np.full(5, 28.0), np.linspace(0.4, 0.8, 5))
    ours = equilibrium_moisture(crop, 28, np.linspace(40, 80, 5))
    np.testing.assert_allclose(ours, 100 * truth / (100 + truth), atol=0.35)


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::core.grain.sorption.OutsideRangeWarning")
def test_the_stated_uncertainty_of_the_curve_holds():
    """The curve's own 90 % interval covers the true curve in about nine of ten groups (form known, 12 pairs)."""
    truth = get_commodity("barley").isotherm()
    inside, total = 0, 150
    for seed in range(total):
        fit = fit_new_isotherm("own", *pairs(truth, 12, 0.5, seed), forms=("henderson",))
        crop = own_commodity("x", "x", fit.isotherm, "barley", fit.curve_sd_pct)
        error = equilibrium_moisture(crop, 28, 65) - equilibrium_moisture("barley", 28, 65)
        inside += abs(error) <= 1.645 * crop.isotherm_sd_points
    assert inside / total >= 0.86


def test_a_calibration_finds_a_known_factor():
    base = get_commodity("maize").isotherm()
    fit = fit_calibration("maize", "ours", *pairs(scaled_isotherm(base, 1.06), 12, 0.2, 4))
    low, high = np.array([-3, 3]) * fit.standard_errors[0]
    assert 1.06 + low < float(fit.isotherm.note.split("times ")[1]) < 1.06 + high
    assert fit.scatter_pct == pytest.approx(0.2, abs=0.12)


@given(code=st.sampled_from(commodity_codes()), factor=st.floats(0.8, 1.25), humidity=st.floats(15, 85))
def test_scaling_is_exact_in_every_form(code, factor, humidity):
    for base in get_commodity(code).isotherm_sets:
        before = moisture_dry_basis(base, np.array(25.0), np.array(humidity / 100))
        after = moisture_dry_basis(scaled_isotherm(base, factor), np.array(25.0), np.array(humidity / 100))
        assert after == pytest.approx(factor * before, rel=1e-9)


def test_published_coefficients_are_accepted_as_own():
    # Oats again: at 25 °C, 65 % by hand: -ln(0.65) 0.43078 x (25 + 35.803) = 26.193; / 442.85 = 0.059146;
    # -ln = 2.82775; / 0.21228 = 13.3208 % d.b. = 11.755 % w.b.
    own = isotherm_from_coefficients("oats-own", "chung-pfost", 442.85, 0.21228, 35.803, "ASAE D245, oats")
    crop = own_commodity("oats", "oats", own, "barley", 0.5)
    assert equilibrium_moisture(crop, 25, 65) == pytest.approx(11.755, abs=0.002)
    assert equilibrium_humidity(crop, 25, 11.755) == pytest.approx(65, abs=0.01)
    assert crop.own
    assert crop.code == "own_oats"
    assert crop.code not in commodity_codes()


@pytest.mark.parametrize(
    ("form", "a", "b", "c"),
    [
        ("henderson", 8.6541e-5, -1.8634, 49.81),  # falls with humidity
        ("chung-pfost", 312.4, 16.958, 30.205),  # the older tables' b, for moisture as a decimal
        ("halsey", 2.87, 0.0054, 1.38),  # rises with temperature
        ("oswin", float("nan"), -0.1, 3.0),
        ("gab", 1, 1, 1),
    ],
)
def test_impossible_coefficients_are_refused(form, a, b, c):
    with pytest.raises(InputError):
        isotherm_from_coefficients("x", form, a, b, c, "somewhere")


def test_coefficients_without_a_source_are_refused():
    with pytest.raises(InputError, match="source"):
        isotherm_from_coefficients("x", "henderson", 8.6541e-5, 1.8634, 49.81, " ")


def test_too_few_pairs_are_refused():
    with pytest.raises(InputError, match="too few"):
        fit_new_isotherm("x", *pairs(OATS, 7, 0.1, 1))
    with pytest.raises(InputError, match="too few"):
        fit_calibration("maize", "x", *pairs(OATS, 3, 0.1, 1))


def test_too_narrow_or_scattered_pairs_are_refused():
    temperature, humidity, moisture = pairs(OATS, 12, 0.1, 1)
    with pytest.raises(InputError, match="span"):
        fit_new_isotherm("x", temperature, 60 + humidity / 20, moisture)
    with pytest.raises(InputError, match="scatter"):
        fit_new_isotherm("x", *pairs(OATS, 14, 4.0, 2))


def test_another_crops_pairs_are_not_taken_as_a_calibration():
    with pytest.raises(InputError, match="another crop"):
        fit_calibration("maize", "x", *pairs(get_commodity("sesame").isotherm(), 8, 0.0, 1))


def test_impossible_pairs_name_their_row():
    temperature, humidity, moisture = pairs(OATS, 10, 0.1, 1)
    humidity[4] = 130
    with pytest.raises(InputError, match="pair 5"):
        fit_new_isotherm("x", temperature, humidity, moisture)


def test_dry_basis_is_what_is_fitted():
    fit = fit_calibration("wheat", "ours", *pairs(scaled_isotherm(get_commodity("wheat").isotherm(), 0.95), 8, 0.0, 3))
    assert dry_basis(
        equilibrium_moisture(own_commodity("w", "w", fit.isotherm, "wheat", 0.3), 25, 65)
    ) == pytest.approx(0.95 * dry_basis(equilibrium_moisture("wheat", 25, 65)), rel=1e-6)
