"""A moisture for each test, from whatever was measured, with an uncertainty that follows what is there."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from core.grain.commodities import Commodity, get_commodity
from core.grain.sorption import equilibrium_with_flag, isotherm_uncertainty, sensor_uncertainty
from core.group.meter_checks import MeterError

BY_AIR, BY_HUMIDITY, BY_METER, BY_NOTHING = "temperature and humidity", "humidity alone", "meter", ""
GUARD = 1.96  # standard deviations between two figures of one bag before one of them must be wrong (95 in 100)
# Where only humidity was noted: a grain temperature of a warm country, wide enough for all of them (judgement).
UNKNOWN_TEMPERATURE_C, UNKNOWN_TEMPERATURE_SD = 26.0, 6.0


@dataclass(frozen=True, kw_only=True)
class MeterSettings:
    """What the group's meter is.

    Parameters
    ----------
    kind : str
        ``"humidity"``: the moisture it shows comes from temperature and humidity; ``"electrical"``: it is measured.
    temperature_sd : float
        °C.
    """

    kind: str = "humidity"
    error: MeterError = field(default_factory=MeterError)
    temperature_sd: float = 0.5
    isotherm: str | None = None


def moisture_of_readings(
    commodity: str | Commodity, readings: pd.DataFrame, meter: MeterSettings | None = None
) -> pd.DataFrame:
    """Return what each test says of moisture.

    Parameters
    ----------
    readings : DataFrame
        With ``temperature_c``, ``relative_humidity_pct``, ``meter_moisture_pct``; NaN where not measured.

    Returns
    -------
    DataFrame
        On the index of ``readings``: ``moisture_pct`` (% wet basis, known bias taken off; NaN where nothing can be
        said), ``common_sd`` (points, the same for all tests of the meter), ``basis`` (what it rests on),
        ``air_moisture_pct`` (from temperature and humidity), ``difference`` (meter shown less that, points),
        ``disagrees`` (the two differ by more than their errors allow: the wetter counts until checked),
        ``outside_range`` (the sorption set is used beyond its range), ``humidity_pct`` and ``grain_temperature_c``
        (what was used for it).

    Notes
    -----
    Moisture from temperature and humidity by the crop's sorption set; its error is that of the sensors through the
    slopes of the set, with the disagreement of the published sets. With an electrical meter that also gave
    temperature and humidity the two are independent and weighted by their variances.
    """
    crop = get_commodity(commodity)
    settings = meter or MeterSettings()
    error = settings.error
    temperature = readings["temperature_c"].to_numpy(dtype=float)
    humidity = readings["relative_humidity_pct"].to_numpy(dtype=float) - error.humidity_bias
    shown = readings["meter_moisture_pct"].to_numpy(dtype=float) - error.moisture_bias
    by_air = np.full(len(readings), np.nan)
    air_sd = np.full(len(readings), np.nan)
    outside = np.zeros(len(readings), dtype=bool)
    has_temperature = np.isfinite(temperature)
    usable = np.isfinite(humidity) & (humidity < 99.9)
    used_temperature = np.where(has_temperature, temperature, _usual_temperature(temperature))
    if usable.any():
        t, h = used_temperature[usable], np.clip(humidity[usable], 0.5, 99.5)
        t_sd = np.where(has_temperature[usable], settings.temperature_sd, UNKNOWN_TEMPERATURE_SD)
        found = equilibrium_with_flag(crop, t, h, settings.isotherm)
        by_air[usable] = found.value
        outside[usable] = found.outside_range
        air_sd[usable] = np.hypot(
            sensor_uncertainty(crop, t, h, t_sd, error.humidity_sd, settings.isotherm),
            isotherm_uncertainty(crop, t, h, settings.isotherm),
        )
    has_air, has_meter = np.isfinite(by_air), np.isfinite(shown)
    moisture = np.where(has_air, by_air, shown)
    common = np.where(has_air, air_sd, error.moisture_sd)
    if settings.kind == "electrical":
        both = has_air & has_meter
        by_both = air_sd**-2.0 + error.moisture_sd**-2.0
        weight = air_sd**-2.0 / by_both
        moisture = np.where(both, weight * by_air + (1 - weight) * shown, moisture)
        common = np.where(both, by_both**-0.5, common)
    # two figures of one bag: where no error explains the gap, one is wrong; the wetter counts until it is checked
    with np.errstate(invalid="ignore"):
        disagrees = np.abs(shown - by_air) > GUARD * np.hypot(air_sd, error.moisture_sd)
        moisture = np.where(disagrees, np.fmax(shown, by_air), moisture)
        common = np.where(disagrees, np.fmax(air_sd, error.moisture_sd), common)
    basis = np.select([has_air & has_temperature, has_air, has_meter], [BY_AIR, BY_HUMIDITY, BY_METER], BY_NOTHING)
    return pd.DataFrame(
        {
            "moisture_pct": moisture,
            "common_sd": np.where(np.isfinite(moisture), common, np.nan),
            "basis": basis,
            "air_moisture_pct": by_air,
            "difference": readings["meter_moisture_pct"].to_numpy(dtype=float) - by_air,
            "disagrees": disagrees,
            "outside_range": outside,
            "humidity_pct": np.where(usable, humidity, np.nan),
            "grain_temperature_c": used_temperature,
        },
        index=readings.index,
    )


def _usual_temperature(temperature: np.ndarray) -> float:
    """Return the mean of the temperatures that were noted in the same round (shape (n,), °C), else the usual one."""
    known = temperature[np.isfinite(temperature)]
    return float(known.mean()) if known.size else UNKNOWN_TEMPERATURE_C
