"""One place of a store, day by day, for many lots and scenarios at once.

Shapes: climate (days, scenarios); lots x scenarios inside; results (outputs, lots, scenarios). What has to be carried
is moisture and sums of daily rates; everything that people read is a closed form of those sums.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from core.grain.air import saturation_vapour_pressure
from core.grain.commodities import Commodity
from core.grain.sorption import humidity, isotherm_parameters, moisture_dry_basis
from core.storage.insects import Pest, food_limited, growth_rate
from core.storage.loss import ageing_rate, moisture_at_equal_humidity
from core.storage.methods import Method, Position, moisture_time_constant
from core.storage.mould import (
    FERMENTING_ACTIVITY,
    WARNING_ACTIVITY,
    germination_ageing,
    mould_dose_rate,
    sealed_dose_factor,
    toxin_hours_per_day,
)

Array = NDArray[Any]
Rates = Callable[[Array, Array], Array]

WATER_PER_LOSS = 0.6  # g water per g dry matter respired (Saul and Steele 1966 form of respiration)
DRY_ACTIVITY = 0.65  # below it nothing grows, and a slow loss says nothing of spoilage
WETTEST_DB = 40.0  # % dry basis: beyond it rotten grain drips, and nothing is left to lose
SEALED_RESPIRATION = 0.2  # without oxygen the dry-matter loss is smaller (judgement); the grain is not better for it
BASE_RATES = ("ageing", "mould", "toxin", "germination", "fermentation", "damp ageing")
# The table for large runs: cells small enough that rounding errors cancel over days (checked by a test).
TABLE_T = (-5.0, 50.0, 0.25)
TABLE_M = (2.0, 40.0, 0.05)


@dataclass(frozen=True)
class PlaceAir:
    """The air at a place and what grain comes to in it.

    Parameters
    ----------
    equilibrium_db : ndarray (days, scenarios)
        Equilibrium moisture, % dry basis.
    step : float
        Part of the way to equilibrium covered in a day.
    """

    grain_temperature_c: Array
    equilibrium_db: Array
    step: float


def place_air(
    commodity: Commodity, method: Method, place: Position, temperature_c: Array, relative_humidity_pct: Array
) -> PlaceAir:
    """Return the air at a place of a store, from the air outside.

    Parameters
    ----------
    temperature_c, relative_humidity_pct : ndarray (days, scenarios)
        Daily means outside. Vapour pressure is the same inside; the store's own temperature re-expresses humidity.

    Returns
    -------
    PlaceAir
        Grain temperature lags by three days in bags and ten in vessels (from memory); the equilibrium follows the
        day, since the bag's own time constant of weeks averages it.
    """
    offset = method.roof_offset_c + place.temperature_offset_c
    inside = temperature_c + offset
    ratio = saturation_vapour_pressure(temperature_c) / saturation_vapour_pressure(inside)
    damp = np.clip(relative_humidity_pct * ratio + place.humidity_offset_pct, 1.0, 97.0)
    lag = 10.0 if method.unit_capacity_kg >= 300.0 else 3.0
    keep = np.exp(-1.0 / lag)
    grain = np.empty_like(inside)
    grain[0] = inside[0]
    for day in range(1, len(inside)):
        grain[day] = inside[day] + (grain[day - 1] - inside[day]) * keep
    tau = moisture_time_constant(commodity, place.half_thickness_m, float(inside.mean()), float(damp.mean()))
    step = 0.0 if np.isinf(tau) else float(-np.expm1(-1.0 / tau))
    rest = moisture_dry_basis(isotherm_parameters(commodity), grain, damp / 100.0)
    return PlaceAir(grain, np.asarray(rest), step)


def day_rates(commodity: Commodity, pests: tuple[Pest, ...], sealed: bool, damaged_pct: float) -> Rates:
    """Return the function that gives all rates of a day at a temperature and a moisture (% dry basis).

    The last axis of its answer is `BASE_RATES`, then one growth rate per pest.
    """
    chosen = isotherm_parameters(commodity)

    def rates(temperature_c: Array, moisture_db: Array) -> Array:
        temperature_c, moisture_db = np.broadcast_arrays(temperature_c, moisture_db)
        wet = 100.0 * moisture_db / (100.0 + moisture_db)
        activity = humidity(chosen, temperature_c, moisture_db)
        low, high = FERMENTING_ACTIVITY
        souring = np.clip((activity - low) / (high - low), 0.0, 1.0) if sealed else np.zeros_like(wet)
        as_wheat = moisture_at_equal_humidity(commodity, "wheat", temperature_c, wet)
        dose = mould_dose_rate(temperature_c, activity)
        ageing = ageing_rate(commodity, temperature_c, wet, damaged_pct)
        columns = [
            ageing * (SEALED_RESPIRATION if sealed else 1.0),
            dose * sealed_dose_factor(activity) if sealed else dose,
            toxin_hours_per_day(temperature_c, activity) * (0.2 if sealed else 1.0),
            germination_ageing(temperature_c, as_wheat, souring),
            dose * souring,
            ageing * np.clip((activity - DRY_ACTIVITY) / (WARNING_ACTIVITY - DRY_ACTIVITY), 0.0, 1.0),
        ]
        columns += [growth_rate(pest, temperature_c, activity) for pest in pests]
        return np.stack(columns, axis=-1)

    return rates


@lru_cache(maxsize=8)
def rates_from_table(commodity: Commodity, pests: tuple[Pest, ...], sealed: bool, damaged_pct: float) -> Rates:
    """Return `day_rates` from a table of small cells, in single precision, for large runs (6 MB each, eight kept)."""
    return tabulated(day_rates(commodity, pests, sealed, damaged_pct))


def tabulated(rates: Rates) -> Rates:
    """Return the same rates read from a table of small cells, in single precision."""
    temperatures = np.arange(TABLE_T[0], TABLE_T[1] + TABLE_T[2], TABLE_T[2])
    moistures = np.arange(TABLE_M[0], TABLE_M[1] + TABLE_M[2], TABLE_M[2])
    table = rates(temperatures[:, None], moistures[None, :]).astype(np.float32)
    table = np.nan_to_num(table.reshape(-1, table.shape[-1]))
    rows, columns = len(temperatures), len(moistures)

    def read(temperature_c: Array, moisture_db: Array) -> Array:
        row = np.clip(np.rint((temperature_c - TABLE_T[0]) / TABLE_T[2]), 0, rows - 1).astype(np.int32) * columns
        column = ((moisture_db - np.float32(TABLE_M[0])) * np.float32(1.0 / TABLE_M[2]) + np.float32(0.5)).astype(
            np.int32
        )
        return table.take(row + np.clip(column, 0, columns - 1), axis=0)

    return read


def growth_allowed(method: Method, place: Position, pests: tuple[Pest, ...], days: int, since: int = 0) -> Array:
    """Return the factor on each pest's growth by day (days, pests): low oxygen, and a protectant that fades.

    Insects in a sealed place use the oxygen up and stop breeding within weeks; a protectant stops a share of them
    for its first months and then fades. `since` is how many days ago it was sealed or treated.
    """
    time = since + np.arange(days, dtype=float)[:, None]
    factor = np.ones((days, len(pests)))
    if method.sealed and not place.open_to_insects:
        factor = factor * np.exp(-time / method.sealed_oxygen_days)
    if method.protectant_full_days > 0.0:
        over = np.maximum(time - method.protectant_full_days, 0.0)
        left = 0.5 ** (over / method.protectant_half_life_days)
        stopped = [
            method.protectant_share_stopped_borer if pest.borer else method.protectant_share_stopped for pest in pests
        ]
        factor = factor * (1.0 - left * np.asarray(stopped))
    return factor


def run_place(
    air: PlaceAir,
    place: Position,
    rates: Rates,
    growth_factor: Array,
    start_db: Array,
    outputs_every: int,
    loss_of: Callable[[Array], Array],
    eaten_of: Callable[[Array], Array],
    insect_water: float,
    dtype: type = np.float64,
) -> tuple[Array, Array, Array, Array]:
    """Step a place through its days.

    Parameters
    ----------
    rates : callable
        From `day_rates` or `tabulated`.
    start_db : ndarray (lots, scenarios)
        Moisture at the start, % dry basis.
    outputs_every : int
        Days between outputs.
    loss_of : callable
        Dry-matter loss (%) of an age, for the water that respiration leaves in the grain.
    eaten_of : callable
        What each pest has eaten (%), (pests, lots, scenarios), of the sums (lots, scenarios, rates).
    insect_water : float
        Share of the insects' water that stays in the grain.

    Returns
    -------
    tuple of ndarray
        Moisture % d.b. and dry-matter loss % (outputs + 1, lots, scenarios), eaten % (outputs + 1, pests, lots,
        scenarios), and sums (outputs + 1, rates, lots, scenarios).
    """
    days = len(air.grain_temperature_c)
    count = days // outputs_every
    temperature: Array = air.grain_temperature_c.astype(dtype)
    rest: Array = air.equilibrium_db.astype(dtype)
    step = dtype(air.step)
    moisture: Array = np.array(start_db, dtype=dtype)
    drip = dtype(place.condensation_points_per_month / 30.0)
    base = len(BASE_RATES)
    scale = np.ones((days, base + growth_factor.shape[1]), dtype=dtype)
    scale[:, base:] = growth_factor
    scaled = bool(np.any(growth_factor != 1.0))
    sums = np.zeros((*moisture.shape, scale.shape[1]), dtype=dtype)
    moistures = np.empty((count + 1, *moisture.shape), dtype=dtype)
    totals = np.zeros((count + 1, scale.shape[1], *moisture.shape), dtype=dtype)
    losses = np.zeros_like(moistures)
    moistures[0] = moisture
    eaten = np.zeros((count + 1, growth_factor.shape[1], *moisture.shape), dtype=dtype)
    made, lost = np.zeros_like(moisture), np.zeros_like(moisture)
    for day in range(count * outputs_every):
        if air.step:
            moisture += (rest[day] - moisture) * step
        if drip:
            moisture += drip
        today = rates(temperature[day], moisture)
        if scaled:
            today = today * scale[day]
        sums += today
        if (day + 1) % outputs_every == 0:
            at = (day + 1) // outputs_every
            gone: Array = loss_of(sums[..., 0]).astype(dtype)
            eaten[at] = eaten_of(sums)
            lost = gone + dtype(insect_water) * food_limited(eaten[at].sum(axis=0)).astype(dtype)
            moisture += dtype(WATER_PER_LOSS) * (lost - made)
            np.minimum(moisture, dtype(WETTEST_DB), out=moisture)
            made = lost
            moistures[at] = moisture
            losses[at] = gone
            totals[at] = np.moveaxis(sums, -1, 0)
    return moistures, losses, eaten, totals
