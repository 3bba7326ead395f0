"""Mass, own fits and uncertainties of grain against plain sums, and each bound of what is taken."""

from __future__ import annotations

import numpy as np
import pytest

from core.errors import InputError
from core.grain.calibration import fit_calibration, fit_new_isotherm, scaled_isotherm
from core.grain.commodities import commodity_codes, get_commodity
from core.grain.mass import dry_basis, mass_after_drying, tenth_below, wet_basis
from core.grain.sorption import (
    equilibrium_moisture,
    equilibrium_with_flag,
    isotherm_curve,
    isotherm_uncertainty,
    moisture_dry_basis,
    moisture_uncertainty,
    sensor_uncertainty,
)

MAIZE = get_commodity("maize")


def test_one_bad_value_among_good_ones_is_refused():
    for mass, before, after in (([100, 100], [20, 120], 13), ([100, -1], 20, 13), ([100, 100], 20, [13, -1])):
        with pytest.raises(InputError):
            mass_after_drying(mass, before, after)
    assert mass_after_drying(0, 0, 99.9) == 0


def test_a_limit_is_shown_in_tenths_never_above_it():
    assert [tenth_below(value) for value in (13.0, 13.09, 13.1, 12.999)] == [13.0, 13.0, 13.1, 12.9]


def readings(factor: float, noise: list[float]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return readings of maize about a factor on its dry-basis moisture, off by given points of wet basis."""
    humidity = np.linspace(40, 80, len(noise))
    celsius = np.full(len(noise), 27.0)
    plain = moisture_dry_basis(MAIZE.isotherm(), celsius, humidity / 100)
    return celsius, humidity, np.asarray(wet_basis(factor * plain)) + np.array(noise)


def test_a_calibrations_scatter_and_errors_by_normal_theory():
    """Residuals over n - 1; the factor's error is theirs over the root of the summed squared slopes, by differences."""
    celsius, humidity, moisture = readings(1.05, [0.3, -0.2, 0.1, -0.3, 0.2, -0.1])
    fit = fit_calibration("maize", "ours", celsius, humidity, moisture)
    plain = moisture_dry_basis(MAIZE.isotherm(), celsius, humidity / 100)
    measured = np.asarray(dry_basis(moisture))
    factor = float((plain * measured).sum() / (plain**2).sum())
    rest = np.asarray(wet_basis(factor * plain)) - moisture
    assert fit.scatter_pct == pytest.approx(np.sqrt((rest**2).sum() / 5))
    slopes = (np.asarray(wet_basis((factor + 1e-5) * plain)) - np.asarray(wet_basis((factor - 1e-5) * plain))) / 2e-5
    error = fit.scatter_pct / np.sqrt((slopes**2).sum())
    assert fit.standard_errors == pytest.approx((error,), rel=1e-6)
    assert fit.curve_sd_pct == pytest.approx(slopes.max() * error, rel=1e-6)
    assert fit.pairs == 6
    found = moisture_dry_basis(fit.isotherm, celsius, humidity / 100)
    np.testing.assert_allclose(found, factor * plain)


@pytest.mark.parametrize(("factor", "taken"), [(0.74, False), (0.76, True), (1.32, True), (1.34, False)])
def test_a_factor_far_from_one_is_another_crop(factor, taken):
    if taken:
        fit_calibration("maize", "ours", *readings(factor, [0.0] * 4))
    else:
        with pytest.raises(InputError, match="another crop"):
            fit_calibration("maize", "ours", *readings(factor, [0.0] * 4))


def test_a_fits_scatter_and_errors_are_those_of_another_library():
    """scipy's curve_fit on the same two coefficients of Henderson's form; the warmth is taken over from the cereals."""
    from scipy.optimize import curve_fit

    generator = np.random.default_rng(3)
    humidity = np.linspace(40, 80, 12)
    celsius = np.full(12, 27.0)
    moisture = np.asarray(wet_basis(moisture_dry_basis(MAIZE.isotherm(), celsius, humidity / 100)))
    moisture = moisture + 0.3 * generator.standard_normal(12)
    fit = fit_new_isotherm("own", celsius, humidity, moisture, forms=("henderson",))
    assert fit.fitted == ("ln a", "b")

    def curve(relative: np.ndarray, log_a: float, b: float) -> np.ndarray:
        dry = (-np.log(1 - relative / 100) / (np.exp(log_a) * (27.0 + 50.0))) ** (1 / b)
        return 100 * dry / (100 + dry)

    values, covariance = curve_fit(curve, humidity, moisture, p0=(-9.7, 2.0))
    rest = curve(humidity, *values) - moisture
    assert fit.scatter_pct == pytest.approx(np.sqrt((rest**2).sum() / 10), rel=1e-4)
    assert fit.standard_errors == pytest.approx(tuple(np.sqrt(np.diag(covariance))), rel=1e-2)
    jacobian = np.column_stack(
        [(curve(humidity, *(values + step)) - curve(humidity, *(values - step))) / 2e-5 for step in 1e-5 * np.eye(2)]
    )
    assert fit.curve_sd_pct == pytest.approx(
        np.sqrt(np.einsum("ij,jk,ik->i", jacobian, covariance, jacobian)).max(), rel=1e-2
    )
    assert fit.isotherm.temperature_range_c == (22.0, 32.0)
    assert fit.isotherm.humidity_range_pct == (35.0, 85.0)


def test_warmth_is_fitted_where_readings_span_twelve_degrees():
    base = MAIZE.isotherm("henderson-1986") if "henderson-1986" in {s.name for s in MAIZE.isotherm_sets} else None
    assert base is not None
    for span, names in ((11.9, ("ln a", "b")), (12.0, ("ln a", "b", "c"))):
        celsius = np.linspace(20, 20 + span, 10)
        humidity = np.tile([40.0, 70.0], 5)
        moisture = np.asarray(wet_basis(moisture_dry_basis(base, celsius, humidity / 100)))
        fit = fit_new_isotherm("own", celsius, humidity, moisture, forms=("henderson",))
        assert fit.fitted == names
    # three coefficients and exact readings: those of the set that made them
    assert fit.isotherm.c == pytest.approx(base.c, rel=1e-3)


@pytest.mark.parametrize(
    ("column", "value"), [(0, -10.0), (0, 70.0), (1, 0.0), (1, 100.0), (2, 0.0), (2, 60.0), (0, np.nan)]
)
def test_each_bound_of_a_pair(column, value):
    pairs = [np.array(part) for part in readings(1.0, [0.0] * 8)]
    pairs[column][3] = value
    with pytest.raises(InputError, match="pair 4"):
        fit_calibration("maize", "ours", *pairs)


def test_counts_and_spans_that_just_suffice():
    celsius, humidity, moisture = readings(1.0, [0.0] * 8)
    fit_new_isotherm("own", celsius, humidity, moisture)
    narrow = np.linspace(50, 75, 8)
    fit_new_isotherm("own", celsius, narrow, wet_basis(moisture_dry_basis(MAIZE.isotherm(), celsius, narrow / 100)))
    for celsius_given, humidity_given, moisture_given in (
        (celsius[:7], humidity[:7], moisture[:7]),
        (celsius, np.linspace(50, 74.9, 8), moisture),
        (celsius[:7], humidity, moisture),
        (celsius, humidity, moisture[:7]),
    ):
        with pytest.raises(InputError):
            fit_new_isotherm("own", celsius_given, humidity_given, moisture_given)


@pytest.mark.parametrize("code", commodity_codes())
@pytest.mark.filterwarnings("ignore::core.grain.sorption.OutsideRangeWarning")
def test_the_errors_of_a_moisture_are_slopes_times_errors(code):
    """Differences over a wider step; independent errors add in squares; the isotherm's is half the spread."""
    celsius, relative = 27.0, 65.0

    def at(t: float, rh: float) -> float:
        return float(equilibrium_moisture(code, t, rh))

    by_t = (at(celsius + 0.5, relative) - at(celsius - 0.5, relative)) / 1.0
    by_rh = (at(celsius, relative + 0.5) - at(celsius, relative - 0.5)) / 1.0
    sensors = float(sensor_uncertainty(code, celsius, relative, 0.4, 2.0))
    assert sensors == pytest.approx(np.hypot(0.4 * by_t, 2.0 * by_rh), rel=2e-3)
    isotherm = float(isotherm_uncertainty(code, celsius, relative))
    spread = float(equilibrium_with_flag(code, celsius, relative).spread)
    assert isotherm == pytest.approx(max(spread / 2, get_commodity(code).isotherm_sd_points))
    both = float(moisture_uncertainty(code, celsius, relative, 0.4, 2.0))
    assert both == pytest.approx(np.hypot(sensors, isotherm))


@pytest.mark.parametrize("code", commodity_codes())
@pytest.mark.filterwarnings("ignore::core.grain.sorption.OutsideRangeWarning")
def test_the_curve_shows_the_lowest_and_highest_of_the_sets_that_hold(code):
    crop = get_commodity(code)
    curve = isotherm_curve(code, 27.0, points=9)
    low, high = crop.isotherm().humidity_range_pct
    np.testing.assert_allclose(curve.humidity_pct, np.linspace(low, high, 9))
    for place, relative in enumerate(curve.humidity_pct):
        own = float(equilibrium_moisture(code, 27.0, relative))
        assert curve.moisture_pct[place] == pytest.approx(own)
        others = [own]
        for item in crop.isotherm_sets:
            (t_low, t_high), (rh_low, rh_high) = item.temperature_range_c, item.humidity_range_pct
            if item.compared and t_low <= 27 <= t_high and rh_low - 1e-9 <= relative <= rh_high + 1e-9:
                others.append(float(equilibrium_moisture(code, 27.0, relative, item.name)))
        assert curve.lowest_pct[place] == pytest.approx(min(others))
        assert curve.highest_pct[place] == pytest.approx(max(others))


def test_scaling_nothing_changes_nothing():
    for code in commodity_codes():
        for base in get_commodity(code).isotherm_sets:
            same = scaled_isotherm(base, 1.0)
            assert (same.a, same.b, same.c) == pytest.approx((base.a, base.b, base.c))
