"""Humid air: saturation and vapour pressure, humidity ratio, dew point, and the pressure at an altitude."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from core.errors import InputError
from core.given import takes_numbers

STANDARD_PRESSURE_KPA = 101.325
"""Air pressure at sea level, kPa (ASHRAE Fundamentals 2017, chapter 1, equation 3)."""

VAPOUR_GAS_CONSTANT = 0.4615
"""Gas constant of water vapour, kJ/(kg K)."""

KELVIN = 273.15

FloatArray = NDArray[np.float64]


@takes_numbers("temperature_c")
def saturation_vapour_pressure(temperature_c: ArrayLike) -> FloatArray:
    """Return the saturation pressure of water vapour, over ice below the triple point.

    Parameters
    ----------
    temperature_c : array_like
        Temperature, °C, from -100 to 200.

    Returns
    -------
    ndarray
        Pressure, kPa, of the same shape.

    Raises
    ------
    InputError
        Outside -100 to 200 °C, where the relation was fitted.

    Notes
    -----
    ASHRAE Handbook of Fundamentals (2017), chapter 1, equations 5 and 6 (Hyland and Wexler 1983).
    """
    temperature = np.asarray(temperature_c, dtype=float)
    if not np.all((temperature >= -100) & (temperature <= 200)):
        raise InputError("temperature {value} °C is outside -100 to 200 °C", value=_first_bad(temperature, -100, 200))
    kelvin = temperature + KELVIN
    over_water = _log_pressure_over_water(kelvin)
    if np.all(temperature > 0.01):
        return np.exp(over_water)[()] / 1000
    over_ice = (
        -5.6745359e3 / kelvin
        + 6.3925247
        - 9.677843e-3 * kelvin
        + 6.2215701e-7 * kelvin**2
        + 2.0747825e-9 * kelvin**3
        - 9.484024e-13 * kelvin**4
        + 4.1635019 * np.log(kelvin)
    )
    return np.exp(np.where(temperature > 0.01, over_water, over_ice))[()] / 1000


def saturation_in_loops(temperature_c: FloatArray) -> FloatArray:
    """Return `saturation_vapour_pressure`, kPa, within 0.03 % at 0-70 °C and much faster; unchecked.

    Notes
    -----
    Buck (1981), J. Appl. Meteor. 20:1527, with the coefficients of his 1996 manual. Inner loops of drying call it
    millions of times.
    """
    return 0.61121 * np.exp((18.678 - temperature_c / 234.5) * temperature_c / (257.14 + temperature_c))


def vapour_pressure(temperature_c: ArrayLike, relative_humidity_pct: ArrayLike) -> FloatArray:
    """Return the vapour pressure, kPa, of air at °C and % (broadcast together).

    Raises
    ------
    InputError
        For a humidity outside 0-100 % or a temperature that cannot be.
    """
    humidity = _checked_humidity(relative_humidity_pct)
    return saturation_vapour_pressure(temperature_c) * humidity / 100


def pressure_at_altitude(altitude_m: ArrayLike) -> FloatArray:
    """Return the air pressure, kPa, at an altitude, m, in the standard atmosphere.

    Raises
    ------
    InputError
        Outside -500 to 11,000 m.

    Notes
    -----
    ASHRAE Handbook of Fundamentals (2017), chapter 1, equation 3.
    """
    altitude = np.asarray(altitude_m, dtype=float)
    if not np.all((altitude >= -500) & (altitude <= 11000)):
        raise InputError("altitude {value} m is outside -500 to 11000 m", value=_first_bad(altitude, -500, 11000))
    return (STANDARD_PRESSURE_KPA * (1 - 2.25577e-5 * altitude) ** 5.2559)[()]


def latent_heat(temperature_c: ArrayLike) -> FloatArray:
    """Return the heat of evaporation of free water, kJ/kg, at °C.

    Notes
    -----
    2502.2 - 2.386 T, the linear form used with grain drying models; within 0.1 % of the steam tables at 0-60 °C.
    """
    return (2502.2 - 2.386 * np.asarray(temperature_c, dtype=float))[()]


def _log_pressure_over_water(kelvin: FloatArray) -> FloatArray:
    """Return the logarithm of the saturation pressure over water, Pa."""
    return (
        -5.8002206e3 / kelvin
        + 1.3914993
        - 4.8640239e-2 * kelvin
        + 4.1764768e-5 * kelvin**2
        - 1.4452093e-8 * kelvin**3
        + 6.5459673 * np.log(kelvin)
    )


def _checked_humidity(relative_humidity_pct: ArrayLike) -> FloatArray:
    """Return the humidity as an array, or raise if it cannot be."""
    humidity = np.asarray(relative_humidity_pct, dtype=float)
    if not np.all((humidity >= 0) & (humidity <= 100)):
        raise InputError("relative humidity {value} % is outside 0-100 %", value=_first_bad(humidity, 0, 100))
    return humidity


def _first_bad(values: FloatArray, low: float, high: float) -> float:
    """Return the first value that is not within the range."""
    flat = np.atleast_1d(values).ravel()
    return float(flat[~((flat >= low) & (flat <= high))][0])
