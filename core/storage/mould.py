"""Mould on stored grain: how fast it becomes visible, when toxin is possible, and what sealing wet grain does.

Everything is judged on the water activity of the grain (its equilibrium humidity / 100) and its temperature.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from core.storage.loss import GERMINATION_DROP_PROBIT, germination_drop_days

Array = NDArray[Any]

WARNING_ACTIVITY = 0.70  # practical limit, NDSU: mould above 70 % relative humidity
GROWTH_ACTIVITY = 0.80  # Aspergillus flavus, lower limit (ICMSF; Sanchis and Magan)
TOXIN_ACTIVITY = 0.83  # aflatoxin on maize, lower limit (0.82-0.85 across studies)
TOXIN_TEMPERATURE_C = (12.0, 40.0)
# Days until mould shows at the best temperature, by water activity. From memory of Snow, Crichton and Wright 1944
# and Ayerst 1969 (feeds and seeds, 20-30 degC): three days near saturation, weeks at 0.80, months at 0.75.
VISIBLE_ACTIVITY = np.array([0.70, 0.72, 0.75, 0.80, 0.85, 0.90, 0.95, 1.00])
VISIBLE_DAYS = np.array([400.0, 130.0, 60.0, 25.0, 10.0, 5.0, 3.0, 2.0])
SHARE_SHAPE = 2.0  # how bags spread around the typical day (judgement: half a point of moisture from bag to bag)
FERMENTING_ACTIVITY = (0.80, 0.88)  # below: no growth without oxygen; above: yeasts and bacteria sour it (judgement)
LOW_OXYGEN_GROWTH = 0.15  # mould's speed under the liner's low oxygen at 0.70-0.80 (judgement)
SEALED_AGEING = 1.4  # germination falls faster without oxygen when wet: 18 % lost 28.5 points in 21 days (Yewle 2023)


def _bell(temperature_c: ArrayLike, low: float, high: float, a: float, b: float, c: float) -> Array:
    q = np.clip((np.asarray(temperature_c, dtype=float) - low) / (high - low), 0.0, 1.0)
    return np.asarray((a * q**b * (1.0 - q)) ** c)


def growth_response(temperature_c: ArrayLike) -> Array:
    """Return Aspergillus flavus' growth rate relative to its best temperature, 0 to 1.

    Source: Battilani et al. 2013, [a q^b (1 - q)]^c on 5-48 degC with 5.98, 1.70, 1.43.
    """
    return np.minimum(_bell(temperature_c, 5.0, 48.0, 5.98, 1.70, 1.43), 1.0)


def toxin_response(temperature_c: ArrayLike) -> Array:
    """Return the rate of aflatoxin B1 formation relative to its best temperature, 0 to 1.

    Source: Battilani et al. 2013, 10-47 degC with 4.84, 1.32, 5.59.
    """
    return np.minimum(_bell(temperature_c, 10.0, 47.0, 4.84, 1.32, 5.59), 1.0)


def mould_dose_rate(temperature_c: ArrayLike, activity: ArrayLike) -> Array:
    """Return the part of the way to visible mould that one day covers.

    Parameters
    ----------
    temperature_c : array_like
        Grain temperature, degC.
    activity : array_like
        Water activity of the grain, 0-1.

    Returns
    -------
    ndarray
        1 / days until visible, 0 below 0.70. Cool-growing Penicillium (0-35 degC, best at 23) takes over below 15 degC
        at half speed (judgement).
    """
    water = np.asarray(activity, dtype=float)
    days = np.exp(np.interp(water, VISIBLE_ACTIVITY, np.log(VISIBLE_DAYS)))
    cool = 0.5 * np.minimum(_bell(temperature_c, 0.0, 35.0, 6.531, 1.92, 1.43), 1.0)
    warm = growth_response(temperature_c)
    response = np.where(water >= GROWTH_ACTIVITY, np.maximum(warm, cool), warm)
    return np.asarray(np.where(water < WARNING_ACTIVITY, 0.0, response / days))


def mould_share(dose: ArrayLike) -> Array:
    """Return the share of bags with visible mould at a dose (the sum of `mould_dose_rate` over days).

    Half of the bags at a dose of 1, six in a hundred at 0.3, nineteen in twenty at 2.
    """
    return np.asarray(-np.expm1(-np.log(2.0) * np.asarray(dose, dtype=float) ** SHARE_SHAPE))


def toxin_hours_per_day(temperature_c: ArrayLike, activity: ArrayLike) -> Array:
    """Return the toxin-possible hours of a day, weighted by the temperature response (0-24).

    Counted above a water activity of 0.83 and within 12-40 degC.
    """
    celsius = np.asarray(temperature_c, dtype=float)
    water = np.asarray(activity, dtype=float)
    low, high = TOXIN_TEMPERATURE_C
    possible = (water > TOXIN_ACTIVITY) & (celsius >= low) & (celsius <= high)
    return np.asarray(np.where(possible, 24.0 * toxin_response(celsius), 0.0))


def sealed_dose_factor(activity: ArrayLike) -> Array:
    """Return how much of the open-air dose counts in a sealed bag.

    Dry grain (below 0.80): little grows without oxygen. From 0.88: it ferments as fast as it would have moulded, so it
    is as unfit; and it moulds within days of being opened.
    """
    low, high = FERMENTING_ACTIVITY
    rise = np.clip((np.asarray(activity, dtype=float) - low) / (high - low), 0.0, 1.0)
    return np.asarray(LOW_OXYGEN_GROWTH + (1.0 - LOW_OXYGEN_GROWTH) * rise)


def germination_ageing(temperature_c: ArrayLike, wheat_moisture_pct: ArrayLike, sealed_wet: ArrayLike) -> Array:
    """Return the probits of germination lost per day.

    Parameters
    ----------
    wheat_moisture_pct : array_like
        Moisture of wheat at the same equilibrium humidity, % w.b. (the relation is wheat's: Fraser and Muir 1981).
    sealed_wet : array_like
        1 where sealed grain is wet enough to ferment, 0 where not.
    """
    faster = 1.0 + (SEALED_AGEING - 1.0) * np.asarray(sealed_wet, dtype=float)
    return np.asarray(GERMINATION_DROP_PROBIT / germination_drop_days(temperature_c, wheat_moisture_pct) * faster)
