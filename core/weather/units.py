"""Units as weather services spell them, converted to ours or refused."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from core.errors import WeatherError

# quantity -> spelling (lower case) -> (factor, offset): ours = value * factor + offset
CONVERSIONS: dict[str, dict[str, tuple[float, float]]] = {
    "temperature_c": {
        "°c": (1, 0),
        "c": (1, 0),
        "celsius": (1, 0),
        "degc": (1, 0),
        "°f": (1 / 1.8, -32 / 1.8),
        "f": (1 / 1.8, -32 / 1.8),
        "fahrenheit": (1 / 1.8, -32 / 1.8),
        "k": (1, -273.15),
        "kelvin": (1, -273.15),
    },
    "relative_humidity_pct": {"%": (1, 0), "percent": (1, 0), "1": (100, 0)},
    "cloud_pct": {"%": (1, 0), "percent": (1, 0), "1": (100, 0)},
    "rain_chance": {"%": (0.01, 0), "percent": (0.01, 0), "1": (1, 0)},
    "wind_m_s": {
        "m/s": (1, 0),
        "ms": (1, 0),
        "km/h": (1 / 3.6, 0),
        "kmh": (1 / 3.6, 0),
        "mp/h": (0.44704, 0),
        "mph": (0.44704, 0),
        "kn": (1852 / 3600, 0),
        "knots": (1852 / 3600, 0),
    },
    "rain_mm": {"mm": (1, 0), "kg m-2": (1, 0), "inch": (25.4, 0), "in": (25.4, 0), "cm": (10, 0)},
    "rain_mm_day": {"mm/day": (1, 0), "mm/d": (1, 0), "mm day-1": (1, 0)},
    "shortwave_w_m2": {"w/m²": (1, 0), "w/m2": (1, 0), "w m-2": (1, 0), "w/m^2": (1, 0), "kw/m²": (1000, 0)},
    "shortwave_day": {
        "mj/m^2/day": (1e6 / 86400, 0),
        "mj/m2/day": (1e6 / 86400, 0),
        "mj/m²/day": (1e6 / 86400, 0),
        "kw-hr/m^2/day": (1000 / 24, 0),
        "kwh/m^2/day": (1000 / 24, 0),
        "kw-hr/m2/day": (1000 / 24, 0),
        "w/m^2": (1, 0),
        "w/m2": (1, 0),
    },
}


def convert(values: ArrayLike, quantity: str, unit: object, service: str) -> NDArray[np.float64]:
    """Return values in our own unit.

    Parameters
    ----------
    values : array of any shape
        In the service's unit; not-a-number is kept.

    Raises
    ------
    WeatherError
        Where the unit is missing or not one that is known for this quantity.
    """
    known = CONVERSIONS[quantity]
    spelled = str(unit).strip().lower()
    if not isinstance(unit, str) or spelled not in known:
        raise WeatherError(
            "{service} gives {quantity} in the unit {unit}, which is not known here",
            service=service,
            quantity=quantity,
            unit=repr(unit),
        )
    factor, offset = known[spelled]
    return np.asarray(values, dtype=float) * factor + offset
