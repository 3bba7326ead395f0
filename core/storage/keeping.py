"""Does grain keep? Judged on the humidity of the air between the kernels, where moulds live.

Judging on humidity instead of moisture lets the error of the isotherm drop out where the meter measured humidity.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from core.errors import InputError
from core.grain.commodities import Commodity, get_commodity
from core.grain.mass import dry_basis, mass_after_drying
from core.grain.sorption import equilibrium_with_flag, humidity, moisture_uncertainty
from core.reference_tables import reference_table

PERIODS = ("months", "weeks")

HAIR = 1e-6
"""Rounding in % humidity that does not turn a verdict."""

DRY, WET, UNSURE = "dry enough", "too wet", "cannot tell"


@dataclass(frozen=True)
class LotCheck:
    """What one reading of temperature and humidity says about a lot.

    Parameters
    ----------
    temperature_c, relative_humidity_pct : float
        What was read inside the grain, °C and %.
    moisture_pct, moisture_sd_pct : float
        Moisture % wet basis by the crop's isotherm, and its standard deviation in points.
    store_humidity_pct : float
        Humidity between the kernels, %, once the same grain is as warm as the store gets.
    limit_pct : float
        Highest humidity, %, at which it keeps as long as was asked for.
    target_moisture_pct : float
        Moisture, % wet basis, that stands at the limit when the store is warmest.
    decision : str
        ``"dry enough"``, ``"too wet"`` or ``"cannot tell"``.
    water_per_100_kg : float
        kg of water still to be taken out of 100 kg, 0 where none.
    outside_range, still_warm, over_dry : bool
        Flags: outside the measured range of the isotherm; warmer than grain gets without sun; drier than any need.
    """

    commodity: Commodity
    temperature_c: float
    relative_humidity_pct: float
    moisture_pct: float
    moisture_sd_pct: float
    store_humidity_pct: float
    limit_pct: float
    target_moisture_pct: float
    decision: str
    water_per_100_kg: float
    outside_range: bool
    still_warm: bool
    over_dry: bool


@dataclass(frozen=True)
class KeepingTable:
    """Moisture and verdict by temperature and humidity, for a wall table.

    Parameters
    ----------
    temperatures_c : ndarray, shape (t,)
        Rows, °C.
    humidities_pct : ndarray, shape (h,)
        Columns, %.
    moisture_pct : ndarray, shape (t, h)
        Moisture, % wet basis.
    verdicts : ndarray of str, shape (t, h)
        ``"keeps for months"``, ``"keeps for weeks"`` or ``"too wet"``, at the store's warmest temperature.
    outside_range : ndarray of bool, shape (t, h)
        Where the isotherm is not measured.
    store_temperature_c : float
        Warmest temperature of the store, °C; a lot that is warmer already is judged as it is.
    """

    commodity: Commodity
    temperatures_c: NDArray[np.float64]
    humidities_pct: NDArray[np.float64]
    moisture_pct: NDArray[np.float64]
    verdicts: NDArray[np.str_]
    outside_range: NDArray[np.bool_]
    store_temperature_c: float


def keeping_limit(period: str) -> float:
    """Return the highest humidity between kernels, %, for keeping ``"months"`` or ``"weeks"`` (source in keeping.toml).

    Raises
    ------
    InputError
        For another period.
    """
    if period not in PERIODS:
        raise InputError("keeping is judged for {known}, not for {period}", known=", ".join(PERIODS), period=period)
    return _value(f"limit_{period}_pct")


GUARD = 1.645  # sensor errors between reading and limit before a decision is given: 5 % on each side


def check_lot(
    commodity: str | Commodity,
    temperature_c: float,
    relative_humidity_pct: float,
    store_temperature_c: float | None = None,
    period: str = "months",
    limit_pct: float | None = None,
) -> LotCheck:
    """Return what one reading says: moisture, whether it keeps, and what is still to be dried out.

    Parameters
    ----------
    temperature_c, relative_humidity_pct : float
        Read inside the grain once the reading stood still, °C and %.
    store_temperature_c : float, optional
        Warmest that the store gets, °C; None takes the reading's own temperature.
    period : str
        ``"months"`` or ``"weeks"``.
    limit_pct : float, optional
        Highest humidity between the kernels, %, where a group has set its own; None takes that of the period.

    Raises
    ------
    InputError
        For impossible values.
    """
    crop = get_commodity(commodity)
    limit = keeping_limit(period) if limit_pct is None else float(limit_pct)
    if not 30 <= limit <= 85:
        raise InputError("a keeping limit of {value} % humidity is outside 30-85 %", value=limit)
    temperature_sd, humidity_sd = _value("temperature_sd_c"), _value("humidity_sd_pct")
    result = equilibrium_with_flag(crop, temperature_c, relative_humidity_pct)
    moisture = float(result.value)
    warmest = temperature_c if store_temperature_c is None else max(temperature_c, store_temperature_c)
    in_store = float(humidity_when_warm(crop, temperature_c, relative_humidity_pct, warmest))
    target = float(equilibrium_with_flag(crop, warmest, limit).value)
    if in_store + GUARD * humidity_sd <= limit + HAIR:
        decision = DRY
    elif in_store - GUARD * humidity_sd > limit + HAIR:
        decision = WET
    else:
        decision = UNSURE
    water = 100 - float(mass_after_drying(100, moisture, target)) if moisture > target else 0.0
    return LotCheck(
        commodity=crop,
        temperature_c=float(temperature_c),
        relative_humidity_pct=float(relative_humidity_pct),
        moisture_pct=moisture,
        moisture_sd_pct=float(
            moisture_uncertainty(crop, temperature_c, relative_humidity_pct, temperature_sd, humidity_sd)
        ),
        store_humidity_pct=in_store,
        limit_pct=limit,
        target_moisture_pct=target,
        decision=decision,
        water_per_100_kg=water,
        outside_range=bool(result.outside_range),
        still_warm=temperature_c >= _value("still_warm_c"),
        over_dry=relative_humidity_pct < _value("over_dry_pct"),
    )


def humidity_when_warm(
    commodity: str | Commodity, temperature_c: ArrayLike, relative_humidity_pct: ArrayLike, warm_c: ArrayLike
) -> NDArray[np.float64]:
    """Return the humidity, %, between the same kernels at another temperature, °C (broadcast together).

    The reading moves along the crop's isotherm at constant moisture; at its own temperature it stays what was read.
    """
    crop = get_commodity(commodity)
    chosen = crop.isotherm()
    moisture = dry_basis(equilibrium_with_flag(crop, temperature_c, relative_humidity_pct).value)
    return np.asarray(100 * humidity(chosen, np.asarray(warm_c, dtype=float), moisture))[()]


def keeping_table(
    commodity: str | Commodity,
    store_temperature_c: float,
    temperatures_c: ArrayLike = (*range(15, 37, 3), 40),
    humidities_pct: ArrayLike = range(40, 91, 5),
    limits_pct: tuple[float, float] | None = None,
) -> KeepingTable:
    """Return moisture and verdict for a grid of readings, temperatures by humidities.

    Parameters
    ----------
    store_temperature_c : float
        Warmest that the store gets, °C.
    temperatures_c, humidities_pct : array_like
        Rows, °C, and columns, %.
    limits_pct : tuple of float, optional
        Highest humidity, %, for keeping months and weeks, where a group has set its own.

    Raises
    ------
    InputError
        For impossible values.
    """
    crop = get_commodity(commodity)
    rows = np.asarray(temperatures_c, dtype=float)
    columns = np.asarray(humidities_pct, dtype=float)
    result = equilibrium_with_flag(crop, rows[:, None], columns[None, :])
    warmest = np.maximum(rows, store_temperature_c)[:, None]
    in_store = humidity_when_warm(crop, rows[:, None], columns[None, :], warmest)
    months, weeks = limits_pct or (keeping_limit("months"), keeping_limit("weeks"))
    verdicts = np.where(
        in_store <= months + HAIR, "keeps for months", np.where(in_store <= weeks + HAIR, "keeps for weeks", "too wet")
    )
    return KeepingTable(crop, rows, columns, result.value, verdicts, result.outside_range, float(store_temperature_c))


def target_moisture(
    commodity: str | Commodity, store_temperature_c: ArrayLike, limit_pct: float
) -> NDArray[np.float64]:
    """Return the moisture, % wet basis, that stands at a humidity limit, %, at the store's warmest temperature, °C."""
    return np.asarray(equilibrium_with_flag(commodity, store_temperature_c, limit_pct).value)[()]


def default_store_temperature() -> float:
    """Return the warmest temperature of a store, °C, where nothing better is known (keeping.toml)."""
    return _value("store_warmest_c")


def _value(key: str) -> float:
    """Return one value of the table."""
    return float(reference_table("storage", "keeping.toml")[key]["value"])
