"""Sorption: the moisture of grain at rest with the air around it, and the humidity of the air at rest with grain.

Forms and coefficients are those of ASAE/ASABE D245 (see commodities.toml) and of Cromarty, Ellis and Roberts (1982).
The functions that take an `IsothermSet` check nothing and are for inner loops; the others check what they are given.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from core.errors import InputError, OutOfRangeError
from core.given import takes_numbers
from core.grain.air import FloatArray
from core.grain.commodities import Commodity, IsothermSet, get_commodity
from core.grain.mass import dry_basis, wet_basis

_LOWEST, _HIGHEST = 1e-9, 0.9999
"""Humidity as a fraction is kept between these: no form has a moisture at 1."""


class OutsideRangeWarning(UserWarning):
    """An equilibrium was asked for outside the range in which its published set holds."""


@dataclass(frozen=True)
class SorptionResult:
    """An equilibrium with what should be known about it.

    Parameters
    ----------
    value : ndarray
        Moisture in % wet basis, or humidity in %.
    outside_range : ndarray of bool
        Where the set is used outside its temperatures or humidities.
    spread : ndarray
        Largest minus smallest value of the published sets that hold there, in the unit of `value`.
    isotherm : str
        Name of the set used.
    """

    value: FloatArray
    outside_range: NDArray[np.bool_]
    spread: FloatArray
    isotherm: str


def isotherm_parameters(commodity: str | Commodity, isotherm: str | None = None) -> IsothermSet:
    """Return the named sorption set of a crop (None: the default for storage advice), for the unchecked functions."""
    return get_commodity(commodity).isotherm(isotherm)


@dataclass(frozen=True)
class SorptionForm:
    """One published form of an isotherm: equation, inverse and slope side by side.

    Parameters
    ----------
    moisture : callable
        Equilibrium moisture, % dry basis, of a set, temperature, °C, and humidity as a fraction.
    humidity : callable
        Its inverse: humidity as a fraction of a set, temperature, °C, and moisture, % dry basis.
    slope : callable
        d ln(humidity) / dT at constant moisture, 1/K, of the same.
    coldest, warmest : callable
        Of a set: temperatures, °C, between which the form has a meaning.
    """

    moisture: Callable[[IsothermSet, FloatArray, FloatArray], FloatArray]
    humidity: Callable[[IsothermSet, FloatArray, FloatArray], FloatArray]
    slope: Callable[[IsothermSet, FloatArray, FloatArray], FloatArray]
    coldest: Callable[[IsothermSet], float] = lambda chosen: -np.inf
    warmest: Callable[[IsothermSet], float] = lambda chosen: np.inf


def _henderson_moisture(chosen: IsothermSet, t: FloatArray, fraction: FloatArray) -> FloatArray:
    return (-np.log1p(-fraction) / (chosen.a * (t + chosen.c))) ** (1 / chosen.b)


def _henderson_humidity(chosen: IsothermSet, t: FloatArray, m: FloatArray) -> FloatArray:
    return -np.expm1(-chosen.a * (t + chosen.c) * m**chosen.b)


def _henderson_slope(chosen: IsothermSet, t: FloatArray, m: FloatArray) -> FloatArray:
    exponent = chosen.a * (t + chosen.c) * m**chosen.b
    return exponent / np.expm1(exponent) / (t + chosen.c)


def _chung_pfost_moisture(chosen: IsothermSet, t: FloatArray, fraction: FloatArray) -> FloatArray:
    return np.maximum(-np.log(-(t + chosen.c) * np.log(fraction) / chosen.a) / chosen.b, 0.0)


def _chung_pfost_humidity(chosen: IsothermSet, t: FloatArray, m: FloatArray) -> FloatArray:
    return np.exp(-chosen.a / (t + chosen.c) * np.exp(-chosen.b * m))


def _chung_pfost_slope(chosen: IsothermSet, t: FloatArray, m: FloatArray) -> FloatArray:
    return chosen.a / (t + chosen.c) ** 2 * np.exp(-chosen.b * m)


def _halsey_moisture(chosen: IsothermSet, t: FloatArray, fraction: FloatArray) -> FloatArray:
    return (np.exp(chosen.a + chosen.b * t) / -np.log(fraction)) ** (1 / chosen.c)


def _halsey_humidity(chosen: IsothermSet, t: FloatArray, m: FloatArray) -> FloatArray:
    return np.exp(-np.exp(chosen.a + chosen.b * t - chosen.c * np.log(m)))


def _halsey_slope(chosen: IsothermSet, t: FloatArray, m: FloatArray) -> FloatArray:
    return -chosen.b * np.exp(chosen.a + chosen.b * t - chosen.c * np.log(m))


def _oswin_moisture(chosen: IsothermSet, t: FloatArray, fraction: FloatArray) -> FloatArray:
    return (chosen.a + chosen.b * t) * (fraction / (1 - fraction)) ** (1 / chosen.c)


def _oswin_humidity(chosen: IsothermSet, t: FloatArray, m: FloatArray) -> FloatArray:
    return 1 / (((chosen.a + chosen.b * t) / m) ** chosen.c + 1)


def _oswin_slope(chosen: IsothermSet, t: FloatArray, m: FloatArray) -> FloatArray:
    ratio = ((chosen.a + chosen.b * t) / m) ** chosen.c
    return -ratio / (1 + ratio) * chosen.c * chosen.b / (chosen.a + chosen.b * t)


def _cromarty_moisture(chosen: IsothermSet, t: FloatArray, fraction: FloatArray) -> FloatArray:
    return (1 - chosen.oil_fraction) * np.sqrt(-440 * np.log1p(-fraction)) / (1.1 + t / 90)


def _cromarty_exponent(chosen: IsothermSet, t: FloatArray, m: FloatArray) -> FloatArray:
    return (m * (1.1 + t / 90) / (1 - chosen.oil_fraction)) ** 2 / 440


def _cromarty_humidity(chosen: IsothermSet, t: FloatArray, m: FloatArray) -> FloatArray:
    return -np.expm1(-_cromarty_exponent(chosen, t, m))


def _cromarty_slope(chosen: IsothermSet, t: FloatArray, m: FloatArray) -> FloatArray:
    exponent = _cromarty_exponent(chosen, t, m)
    return exponent / np.expm1(exponent) * 2 / (90 * (1.1 + t / 90))


def _one_degree_above_zero_point(chosen: IsothermSet) -> float:
    return 1 - chosen.c


def _one_degree_below_no_moisture(chosen: IsothermSet) -> float:
    return -chosen.a / chosen.b - 1 if chosen.b < 0 else np.inf


FORMS: Mapping[str, SorptionForm] = {
    "henderson": SorptionForm(
        _henderson_moisture, _henderson_humidity, _henderson_slope, coldest=_one_degree_above_zero_point
    ),
    "chung-pfost": SorptionForm(
        _chung_pfost_moisture, _chung_pfost_humidity, _chung_pfost_slope, coldest=_one_degree_above_zero_point
    ),
    "halsey": SorptionForm(_halsey_moisture, _halsey_humidity, _halsey_slope),
    "oswin": SorptionForm(_oswin_moisture, _oswin_humidity, _oswin_slope, warmest=_one_degree_below_no_moisture),
    "cromarty": SorptionForm(_cromarty_moisture, _cromarty_humidity, _cromarty_slope),
}
"""The forms by name; their equations stand at the head of commodities.toml."""


def sorption_form(name: str) -> SorptionForm:
    """Return a form by its name.

    Raises
    ------
    InputError
        For an unknown name.
    """
    try:
        return FORMS[name]
    except KeyError:
        raise InputError("there is no sorption form named {form}", form=name) from None


def moisture_dry_basis(chosen: IsothermSet, temperature_c: FloatArray, humidity: FloatArray) -> FloatArray:
    """Return the equilibrium moisture, % dry basis, at °C and humidity as a fraction; unchecked, broadcasting.

    Humidity is kept below 0.9999, since no form has a moisture at saturation; a negative moisture (Chung-Pfost in
    very dry air) is 0.
    """
    return sorption_form(chosen.form).moisture(chosen, temperature_c, np.clip(humidity, _LOWEST, _HIGHEST))


def humidity(chosen: IsothermSet, temperature_c: FloatArray, moisture_dry_basis_pct: FloatArray) -> FloatArray:
    """Return the equilibrium humidity as a fraction at °C and moisture in % dry basis; unchecked, broadcasting."""
    return sorption_form(chosen.form).humidity(chosen, temperature_c, np.maximum(moisture_dry_basis_pct, 1e-9))


def log_humidity_slope(
    chosen: IsothermSet, temperature_c: FloatArray, moisture_dry_basis_pct: FloatArray
) -> FloatArray:
    """Return d ln(humidity) / dT at constant moisture, 1/K; unchecked, broadcasting."""
    return sorption_form(chosen.form).slope(chosen, temperature_c, np.maximum(moisture_dry_basis_pct, 1e-6))


@takes_numbers("temperature_c", "relative_humidity_pct")
def equilibrium_moisture(
    commodity: str | Commodity, temperature_c: ArrayLike, relative_humidity_pct: ArrayLike, isotherm: str | None = None
) -> FloatArray:
    """Return the moisture of grain at rest with air of that temperature and humidity.

    Parameters
    ----------
    temperature_c, relative_humidity_pct : array_like
        Temperature, °C, and relative humidity, 0-100 %, at the grain (broadcast together).
    isotherm : str, optional
        Name of one of the crop's published sets; None is the default for storage advice.

    Returns
    -------
    ndarray
        Moisture, % wet basis; an `OutsideRangeWarning` is raised with it outside the set's range (the flag itself is
        in `equilibrium_with_flag`).

    Raises
    ------
    InputError
        For a value that is missing or impossible.
    """
    chosen = isotherm_parameters(commodity, isotherm)
    temperature, relative_humidity = _checked_air(chosen, temperature_c, relative_humidity_pct)
    _warn_outside(chosen, _outside(chosen, temperature, relative_humidity))
    return wet_basis(moisture_dry_basis(chosen, temperature, relative_humidity / 100))


@takes_numbers("temperature_c", "moisture_pct")
def equilibrium_humidity(
    commodity: str | Commodity, temperature_c: ArrayLike, moisture_pct: ArrayLike, isotherm: str | None = None
) -> FloatArray:
    """Return the humidity of air at rest with grain of that temperature and moisture.

    Parameters
    ----------
    temperature_c, moisture_pct : array_like
        Grain temperature, °C, and moisture, % wet basis, 0 to below 100 (broadcast together).
    isotherm : str, optional
        Name of one of the crop's published sets; None is the default for storage advice.

    Returns
    -------
    ndarray
        Relative humidity, %; an `OutsideRangeWarning` comes with it outside the set's range.

    Raises
    ------
    InputError
        For a value that is missing or impossible.
    """
    chosen = isotherm_parameters(commodity, isotherm)
    temperature = _checked_temperature(chosen, temperature_c)
    value = np.asarray(100 * humidity(chosen, temperature, dry_basis(moisture_pct)))
    _warn_outside(chosen, _outside(chosen, temperature, value))
    return value[()]


def equilibrium_with_flag(
    commodity: str | Commodity, temperature_c: ArrayLike, relative_humidity_pct: ArrayLike, isotherm: str | None = None
) -> SorptionResult:
    """Return the equilibrium moisture, % wet basis, with its flag and the disagreement of the sets in points.

    Parameters and errors are those of `equilibrium_moisture`; no warning is given, since the flag is in the result.
    """
    crop = get_commodity(commodity)
    chosen = crop.isotherm(isotherm)
    temperature, relative_humidity = _checked_air(chosen, temperature_c, relative_humidity_pct)
    value = wet_basis(moisture_dry_basis(chosen, temperature, relative_humidity / 100))

    def of(item: IsothermSet) -> FloatArray:
        return wet_basis(moisture_dry_basis(item, temperature, relative_humidity / 100))

    spread = _spread(crop, chosen, temperature, relative_humidity, of)
    return SorptionResult(value, _outside(chosen, temperature, relative_humidity), spread, chosen.name)


def humidity_with_flag(commodity: str | Commodity, temperature_c: ArrayLike, moisture_pct: ArrayLike) -> SorptionResult:
    """Return the equilibrium humidity, %, with its flag and the disagreement of the sets in % humidity.

    Parameters and errors are those of `equilibrium_humidity`; no warning is given, since the flag is in the result.
    """
    crop = get_commodity(commodity)
    chosen = crop.isotherm(None)
    temperature = _checked_temperature(chosen, temperature_c)
    moisture = dry_basis(moisture_pct)
    temperature, moisture = np.broadcast_arrays(temperature, moisture)
    value = np.asarray(100 * humidity(chosen, temperature, moisture))

    def of(item: IsothermSet) -> FloatArray:
        return 100 * humidity(item, temperature, moisture)

    spread = _spread(crop, chosen, temperature, value, of)
    return SorptionResult(value[()], _outside(chosen, temperature, value), spread, chosen.name)


def moisture_uncertainty(
    commodity: str | Commodity,
    temperature_c: ArrayLike,
    relative_humidity_pct: ArrayLike,
    temperature_sd: ArrayLike,
    humidity_sd: ArrayLike,
    isotherm: str | None = None,
) -> FloatArray:
    """Return the standard deviation, points wet basis, of a moisture read from temperature and humidity.

    Parameters
    ----------
    temperature_c, relative_humidity_pct : array_like
        What was measured, °C and %.
    temperature_sd, humidity_sd : array_like
        Standard deviations of the two sensors, °C and % humidity.
    isotherm : str, optional
        Name of the sorption set.

    Notes
    -----
    Sensor errors through the isotherm's slopes (central differences), plus the isotherm's own error: half the
    disagreement of the published sets, but never less than the crop's `isotherm_sd_points` (judgement, in
    commodities.toml). The isotherm's part is common to all bags of a lot: it does not shrink with more bags.
    """
    by_sensors = sensor_uncertainty(
        commodity, temperature_c, relative_humidity_pct, temperature_sd, humidity_sd, isotherm
    )
    return np.hypot(by_sensors, isotherm_uncertainty(commodity, temperature_c, relative_humidity_pct, isotherm))


def sensor_uncertainty(
    commodity: str | Commodity,
    temperature_c: ArrayLike,
    relative_humidity_pct: ArrayLike,
    temperature_sd: ArrayLike,
    humidity_sd: ArrayLike,
    isotherm: str | None = None,
) -> FloatArray:
    """Return the part of `moisture_uncertainty` that comes from the sensors alone, points wet basis."""
    chosen = isotherm_parameters(commodity, isotherm)
    temperature, relative_humidity = _checked_air(chosen, temperature_c, relative_humidity_pct)
    step_t, step_rh = 0.05, 0.05
    low = np.clip(relative_humidity - step_rh, 0.0, 99.9)
    high = np.clip(relative_humidity + step_rh, 0.1, 99.99)

    def at(t: FloatArray, rh: FloatArray) -> FloatArray:
        return wet_basis(moisture_dry_basis(chosen, t, rh / 100))

    by_temperature = (at(temperature + step_t, relative_humidity) - at(temperature - step_t, relative_humidity)) / (
        2 * step_t
    )
    by_humidity = (at(temperature, high) - at(temperature, low)) / (high - low)
    return np.hypot(by_temperature * np.asarray(temperature_sd), by_humidity * np.asarray(humidity_sd))


def isotherm_uncertainty(
    commodity: str | Commodity, temperature_c: ArrayLike, relative_humidity_pct: ArrayLike, isotherm: str | None = None
) -> FloatArray:
    """Return the part of `moisture_uncertainty` that comes from the isotherm itself, points wet basis."""
    crop = get_commodity(commodity)
    result = equilibrium_with_flag(crop, temperature_c, relative_humidity_pct, isotherm)
    return np.maximum(result.spread / 2, crop.isotherm_sd_points)


def _spread(
    crop: Commodity,
    chosen: IsothermSet,
    temperature: FloatArray,
    relative_humidity: FloatArray,
    of: Callable[[IsothermSet], FloatArray],
) -> FloatArray:
    """Return largest minus smallest value over the chosen set and the compared sets that hold there."""
    lowest = highest = np.asarray(of(chosen))
    for item in crop.isotherm_sets:
        if item.compared and item.name != chosen.name:
            other = np.asarray(of(item))
            holds = ~_outside(item, temperature, relative_humidity)
            lowest = np.where(holds, np.minimum(lowest, other), lowest)
            highest = np.where(holds, np.maximum(highest, other), highest)
    return np.asarray(highest - lowest)[()]


def _outside(chosen: IsothermSet, temperature: FloatArray, relative_humidity: FloatArray) -> NDArray[np.bool_]:
    """Return where a set is used outside its range (a hair's breadth is inside)."""
    low_t, high_t = chosen.temperature_range_c
    low_rh, high_rh = chosen.humidity_range_pct
    hair = 1e-9
    return np.asarray(
        (temperature < low_t - hair)
        | (temperature > high_t + hair)
        | (relative_humidity < low_rh - hair)
        | (relative_humidity > high_rh + hair)
    )[()]


def _warn_outside(chosen: IsothermSet, outside: NDArray[np.bool_]) -> None:
    """Warn once per call when anything lies outside the set's range."""
    if np.any(outside):
        low_t, high_t = chosen.temperature_range_c
        low_rh, high_rh = chosen.humidity_range_pct
        warnings.warn(
            f"{chosen.name} holds for {low_t:g}-{high_t:g} °C and {low_rh:g}-{high_rh:g} % humidity",
            OutsideRangeWarning,
            stacklevel=3,
        )


def _checked_air(
    chosen: IsothermSet, temperature_c: ArrayLike, relative_humidity_pct: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Return temperature and humidity as arrays of one shape, or raise if one cannot be."""
    temperature = _checked_temperature(chosen, temperature_c)
    relative_humidity = np.asarray(relative_humidity_pct, dtype=float)
    good = (relative_humidity >= 0) & (relative_humidity <= 100)
    if not np.all(good):
        value = float(np.atleast_1d(relative_humidity)[~np.atleast_1d(good)].ravel()[0])
        raise InputError("relative humidity {value} % is outside 0-100 %", value=value)
    wide_temperature, wide_humidity = np.broadcast_arrays(temperature, relative_humidity)
    return wide_temperature, wide_humidity


def _checked_temperature(chosen: IsothermSet, temperature_c: ArrayLike) -> FloatArray:
    """Return the temperature as an array, or raise where it cannot be or the form has no meaning."""
    temperature = np.asarray(temperature_c, dtype=float)
    good = (temperature >= -40) & (temperature <= 120)
    if not np.all(good):
        value = float(np.atleast_1d(temperature)[~np.atleast_1d(good)].ravel()[0])
        raise InputError("grain temperature {value} °C is outside -40 to 120 °C", value=value)
    form = sorption_form(chosen.form)
    if not np.all((temperature > form.coldest(chosen)) & (temperature < form.warmest(chosen))):
        raise OutOfRangeError("{name} has no meaning at {value} °C", name=chosen.name, value=float(np.min(temperature)))
    return temperature


@dataclass(frozen=True)
class IsothermCurve:
    """A crop's moisture over humidity at one temperature, for a picture.

    Parameters
    ----------
    temperature_c : float
        °C.
    humidity_pct, moisture_pct, lowest_pct, highest_pct : ndarray, shape (n,)
        Humidity, %; moisture by the default set, and the lowest and highest of the published sets, % wet basis.
    """

    commodity: Commodity
    temperature_c: float
    humidity_pct: FloatArray
    moisture_pct: FloatArray
    lowest_pct: FloatArray
    highest_pct: FloatArray


def isotherm_curve(commodity: str | Commodity, temperature_c: float, points: int = 81) -> IsothermCurve:
    """Return the default isotherm at one temperature, °C, with the range of the published sets around it."""
    crop = get_commodity(commodity)
    chosen = crop.isotherm()
    low, high = chosen.humidity_range_pct
    temperature, relative_humidity = _checked_air(chosen, temperature_c, np.linspace(low, high, points))
    value = wet_basis(moisture_dry_basis(chosen, temperature, relative_humidity / 100))
    lowest, highest = value, value
    for item in crop.isotherm_sets:
        if item.compared:
            other = wet_basis(moisture_dry_basis(item, temperature, relative_humidity / 100))
            holds = ~_outside(item, temperature, relative_humidity)
            lowest = np.where(holds, np.minimum(lowest, other), lowest)
            highest = np.where(holds, np.maximum(highest, other), highest)
    return IsothermCurve(crop, float(temperature_c), relative_humidity, value, lowest, highest)
