"""The little of humid air that weather needs: how relative humidity moves with temperature."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def saturation_pressure_kpa(temperature_c: ArrayLike) -> NDArray[np.float64]:
    """Return the saturation vapour pressure over water.

    Parameters
    ----------
    temperature_c : array of any shape
        Air temperature, °C.

    Returns
    -------
    array of the same shape
        kPa.

    Notes
    -----
    FAO Irrigation and Drainage Paper 56 (Allen et al., 1998), equation 11. It stays within 0.13 % of the
    steam tables between 0 and 50 °C.
    """
    temperature = np.asarray(temperature_c, dtype=float)
    return 0.6108 * np.exp(17.27 * temperature / (temperature + 237.3))


def dew_point_c(temperature_c: ArrayLike, relative_humidity_pct: ArrayLike) -> NDArray[np.float64]:
    """Return the dew point, °C, of air at a temperature (°C) and relative humidity (%), by the same equation turned round."""
    pressure = (
        saturation_pressure_kpa(temperature_c) * np.clip(np.asarray(relative_humidity_pct, float), 0.1, 100.0) / 100
    )
    logarithm = np.log(pressure / 0.6108)
    return 237.3 * logarithm / (17.27 - logarithm)
