"""Thin-layer drying: how fast single kernels in moving air can give off or take up water."""

from __future__ import annotations

from dataclasses import replace
from typing import TypeAlias

import numpy as np

from core.grain.air import KELVIN
from core.grain.commodities import Commodity, ThinLayer, get_commodity

Array: TypeAlias = np.ndarray
GAS_CONSTANT_KJ = 8.314462618e-3
"""Molar gas constant, kJ/(mol K) (SI 2019)."""
REFERENCE_KELVIN = 313.15


def thin_layer_of(commodity: str | Commodity) -> ThinLayer:
    """Return a crop's thin-layer relation, or maize's, marked as a stand-in, where it has none.

    Raises
    ------
    NotFoundError
        When there is no such crop.
    """
    crop = get_commodity(commodity)
    if crop.thin_layer is not None:
        return crop.thin_layer
    source = "maize equation; nothing is known of this crop's own rate"
    return replace(thin_layer_of("maize"), stand_in=True, basis="judgement", source=source)


def page_constants(
    rates: ThinLayer, temperature_c: Array, relative_humidity_pct: Array, wind_m_s: Array, initial_moisture_db: Array
) -> tuple[Array, Array]:
    """Return k and n of Page's equation MR = exp(-k t^n), t in hours.

    Inputs outside the range of the published fit are held at its edge, so that nothing is extrapolated upward.

    Parameters
    ----------
    rates : ThinLayer
        The crop's relation.
    temperature_c : array
        Grain temperature, °C.
    relative_humidity_pct : array
        Humidity of the air brought to grain temperature, %.
    wind_m_s : array
        Air speed over the kernels, m/s.
    initial_moisture_db : array
        Moisture at the start of drying, % dry basis.

    Returns
    -------
    tuple of arrays
        k in 1/h^n and n, -.

    Notes
    -----
    Misra & Brooker 1980, Trans. ASAE 23:1254 (2.2-71 °C, 3-83 %, 0.025-2.33 m/s, 18-60 % d.b.);
    Wang & Singh 1978, ASAE paper 78-3001 (30-55 °C, 25-95 %; t in minutes there; below 30 °C its line is followed
    down to 10 °C); O'Callaghan et al. 1971 in the Arrhenius form.
    """
    if rates.form == "misra-brooker":
        fahrenheit = 1.8 * np.clip(temperature_c, 2.2, 71.0) + 32.0
        log_k = -7.1735 + 1.2793 * np.log(fahrenheit) + 0.1378 * np.clip(wind_m_s, 0.025, 2.33)
        n = 0.0811 * np.log(np.clip(relative_humidity_pct, 3.0, 83.0)) + 0.0078 * np.clip(initial_moisture_db, 18, 60)
        return np.exp(log_k + n * np.log(rates.time_scale)), n
    if rates.form == "wang-singh":
        temperature = np.clip(temperature_c, 10.0, 55.0)
        humidity = np.clip(relative_humidity_pct, 25.0, 95.0) / 100.0
        k_minute = 0.01579 + 0.0001746 * temperature - 0.01413 * humidity
        n = 0.6545 + 0.002425 * temperature + 0.07867 * humidity
        return k_minute * np.exp(n * np.log(60.0)), n
    slope = rates.activation_kj_mol / GAS_CONSTANT_KJ
    kelvin = np.clip(temperature_c, 0.0, 70.0) + KELVIN
    k = rates.reference_rate_per_h * np.exp(slope * (1.0 / REFERENCE_KELVIN - 1.0 / kelvin))
    return k, np.broadcast_to(np.asarray(rates.exponent), np.shape(k))


def moisture_step_db(
    moisture_db: Array, equilibrium_db: Array, initial_moisture_db: Array, k: Array, n: Array, hours: float | Array
) -> Array:
    """Return the water that kernels in a thin layer give off in a time step, % dry basis (negative: taken up).

    The state carries the initial moisture; the equivalent time already spent follows from it, from the moisture now and
    from the air now, so that drying in changing weather goes on where it stood (never restarted).

    Parameters
    ----------
    moisture_db, equilibrium_db, initial_moisture_db : array
        Moisture now, in equilibrium with the air, and at the start of drying, % dry basis.
    k, n : array
        Page's constants, t in hours.
    hours : float or array
        Length of the step, h.

    Returns
    -------
    array
        Fall of moisture over the step; its size never exceeds the distance to equilibrium.
    """
    excess = moisture_db - equilibrium_db
    span = np.maximum(initial_moisture_db - equilibrium_db, 1e-9)
    passed = -np.log(np.clip(excess / span, 1e-12, 1.0))
    with np.errstate(divide="ignore"):
        equivalent = np.exp(np.log(np.maximum(passed, 1e-300) / k) / n)
    # kernels that take up water relax with the same characteristic rate but without the fast first minutes of Page
    drying = k * np.exp(n * np.log(equivalent + hours)) - passed
    wetting = np.exp(np.log(k) / n) * hours
    return excess * -np.expm1(-np.where(excess > 0.0, np.maximum(drying, 0.0), wetting))
