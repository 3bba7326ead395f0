"""Grain that still stands in the field: how it dries there day by day, and what is lost while it waits.

The insects of the store that fly to ripe ears, and poisons of mould that begin in the field, are not counted here:
both speak for an early harvest.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from core.drying.layer import HIGHEST_HUMIDITY
from core.errors import InputError
from core.grain.commodities import Commodity, get_commodity
from core.grain.sorption import isotherm_parameters, moisture_dry_basis
from core.reference_tables import reference_table

Array = NDArray[np.float64]


def field_table() -> Mapping[str, Mapping[str, Any]]:
    """Return the figures of drying and losses in the field, each with its source and basis."""
    return reference_table("drying", "field.toml")


def field_value(key: str) -> float:
    """Return one figure of field.toml."""
    return float(field_table()[key]["value"])


def may_be_left(commodity: str | Commodity) -> bool:
    """Return whether a ripe crop can be left on the plant to dry: not groundnuts, nor coffee and cocoa."""
    return get_commodity(commodity).standing != "not left"


def field_moisture(
    commodity: str | Commodity,
    moisture_pct: Array | float,
    temperature_c: Array,
    relative_humidity_pct: Array,
    rain_mm: Array,
) -> Array:
    """Return the moisture of standing grain at the start and after each day.

    Parameters
    ----------
    moisture_pct : array (scenarios,) or float
        At the start [% w.b.].
    temperature_c, relative_humidity_pct, rain_mm : array (days, scenarios)
        Means and sum of each day.

    Returns
    -------
    array (days + 1, scenarios)
        Moisture [% w.b.]. On a dry day the distance to the equilibrium of the day's mean air shrinks by a fixed part
        that grows with warmth
        (dM/dt = -k (M - Me) in dry basis: Newton's law of drying, Lewis 1921); on a wet day nothing dries.

    Raises
    ------
    InputError
        For moisture outside 0-80 % or weather arrays of different shape.
    """
    temperature, humidity, rain = (
        np.asarray(values, dtype=float) for values in (temperature_c, relative_humidity_pct, rain_mm)
    )
    if not temperature.shape == humidity.shape == rain.shape or temperature.ndim != 2:
        raise InputError("the field's weather needs temperature, humidity and rain by day and scenario")
    start = np.broadcast_to(np.asarray(moisture_pct, dtype=float), temperature.shape[1:])
    if not bool(((start > 0) & (start < 80)).all()):
        raise InputError("moisture {value} % is outside 0 to 80", value=float(start.flat[0]))
    crop = get_commodity(commodity)
    rest = moisture_dry_basis(isotherm_parameters(crop), temperature, np.clip(humidity / 100.0, 0.05, HIGHEST_HUMIDITY))
    rate = field_value("rate_per_day_20c") * np.exp(field_value("warmth_per_c") * (temperature - 20.0))
    rate = rate * field_value("husk_factor" if crop.standing == "husk" else "open_factor")
    rate = np.where(rain > field_value("wet_day_mm"), 0.0, rate)
    path = np.empty((len(temperature) + 1, temperature.shape[1]))
    path[0] = 100.0 * start / (100.0 - start)
    for day in range(len(temperature)):
        path[day + 1] = rest[day] + (path[day] - rest[day]) * np.exp(-rate[day])
    return 100.0 * path / (100.0 + path)


def field_loss(days: int, rain_mm: Array) -> Array:
    """Return the fraction of the grain lost in the field after `days` days, (scenarios,).

    `rain_mm` is (days or more, scenarios).
    """
    wet = (np.asarray(rain_mm, dtype=float)[:days] > field_value("wet_day_mm")).sum(axis=0)
    spent = field_value("loss_per_week") * days / 7.0 + field_value("loss_per_wet_day") * wet
    return np.asarray(-np.expm1(-spent))
