"""What a storage run holds, the scenarios that it is run over, and the insects that they start with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from core.errors import InputError
from core.messages import Message
from core.storage.insects import Pest, insect_table, start_from_sieve
from core.storage.methods import Method

Array = NDArray[Any]


@dataclass(frozen=True)
class StorageRun:
    """What becomes of lots in a store; arrays are (days + 1, lots, scenarios) with absent axes left out.

    Parameters
    ----------
    commodity, method : str
        Codes.
    day : ndarray
        Days since bagging of each row (every day, or every `every`-th).
    moisture_pct : ndarray
        Mean of the lot, % w.b.
    wettest_moisture_pct : ndarray
        The wettest place of the store (at least 5 % of the lot).
    weight_loss_pct : ndarray
        Dry matter lost to insects, respiration and microflora, % of that bagged.
    dry_matter_loss_pct : ndarray
        The part by respiration and microflora.
    damp_loss_pct : ndarray
        Of that, what was lost while the grain was damp enough to spoil (water activity from 0.65-0.70 up); worst place.
    mould_risk : ndarray
        0-1: the share of the lot's bags expected to be unfit because mould has become visible or, in a sealed store,
        because wet grain has soured and would mould within days of opening. It never falls.
    toxin_hours : ndarray
        Hours in which aflatoxin could form (water activity above 0.83, 12-40 degC), weighted by temperature; worst
        place.
    damaged_kernels_pct, insects_per_kg : ndarray
        Kernels with insect damage; living insects of all stages.
    germination_pct : ndarray
        Of seed that germinated 98 % at bagging (relation of wheat at equal humidity).
    soured_share : ndarray
        Share of the bags in which sealed wet grain has fermented: unfit for food and seed.
    equilibrium_humidity_pct : ndarray
        Of the wettest place at its grain temperature.
    places : tuple of str
    place_shares : tuple of float
    place_moisture_pct : ndarray (days + 1, places, lots, scenarios)
    notes : tuple of Message
    """

    commodity: str
    method: str
    day: Array
    moisture_pct: Array
    wettest_moisture_pct: Array
    weight_loss_pct: Array
    dry_matter_loss_pct: Array
    damp_loss_pct: Array
    mould_risk: Array
    toxin_hours: Array
    damaged_kernels_pct: Array
    insects_per_kg: Array
    germination_pct: Array
    soured_share: Array
    equilibrium_humidity_pct: Array
    places: tuple[str, ...]
    place_shares: tuple[float, ...]
    place_moisture_pct: Array
    notes: tuple[Message, ...]


@dataclass(frozen=True)
class PestDraw:
    """What insects a lot starts with in each scenario; the same draw for all lots and methods.

    Parameters
    ----------
    pressure : ndarray (scenarios,)
        Factor on the usual start.
    borer : ndarray of bool (scenarios,)
        Whether the larger grain borer is about.
    """

    pressure: Array
    borer: Array


def draw_pests(scenarios: int, seed: int = 0, borer_present: bool | None = None) -> PestDraw:
    """Return the insects' start by scenario: log-normal pressure, and the borer by its chance where unknown.

    Parameters
    ----------
    scenarios : int
        One scenario takes the middle, and no borer unless it is known to be there.
    seed : int
    borer_present : bool, optional

    Returns
    -------
    PestDraw
    """
    start = insect_table()["start"]
    if scenarios == 1:
        return PestDraw(np.ones(1), np.array([bool(borer_present)]))
    rng = np.random.default_rng(seed)
    pressure = np.exp(float(start["log_sd"]) * rng.standard_normal(scenarios))
    unknown = rng.random(scenarios) < float(start["borer_chance"])
    borer = unknown if borer_present is None else np.full(scenarios, borer_present)
    return PestDraw(pressure, borer)


def climate_arrays(climate: pd.DataFrame | Sequence[pd.DataFrame], days: int) -> tuple[Array, Array]:
    """Return temperature and humidity as (days, scenarios), or raise where a climate is too short or impossible."""
    frames = [climate] if isinstance(climate, pd.DataFrame) else list(climate)
    if not frames:
        raise InputError("no climate was given; give a table by day with temperature_c and relative_humidity_pct")
    columns = []
    for name in ("temperature_c", "relative_humidity_pct"):
        for frame in frames:
            if name not in frame.columns:
                raise InputError("the climate has no column {name}", name=name)
            if len(frame) < days:
                raise InputError("the climate has {rows} days, {days} are asked for", rows=len(frame), days=days)
        columns.append(np.column_stack([frame[name].to_numpy(dtype=float)[:days] for frame in frames]))
    temperature, relative = columns
    if not np.all((temperature > -40.0) & (temperature < 55.0)):
        raise InputError("a daily temperature in the climate is missing or outside -40 to 55 °C")
    if not np.all((relative >= 0.0) & (relative <= 100.0)):
        raise InputError("a daily humidity in the climate is missing or outside 0-100 %")
    return temperature, relative


def without_axes(run: StorageRun, lots: bool, scenarios: bool) -> StorageRun:
    """Leave out the axes of lots and scenarios that were not asked for."""
    changed = {}
    for name, value in vars(run).items():
        if isinstance(value, np.ndarray) and value.ndim >= 3:
            if not scenarios:
                value = value[..., 0]
            if not lots:
                value = value.take(0, axis=-1 if not scenarios else -2)
            changed[name] = value
        else:
            changed[name] = value
    return StorageRun(**changed)


def lot_of(run: StorageRun, number: int) -> StorageRun:
    """Return one lot's part of a run over lots x scenarios, arrays (days + 1, scenarios)."""
    parts: dict[str, Any] = {
        name: value[..., number, :] if isinstance(value, np.ndarray) and value.ndim >= 3 else value
        for name, value in vars(run).items()
    }
    return StorageRun(**parts)


def start_numbers(
    pest: Pest, how: Method, draw: PestDraw, lots: int, insects_per_kg: ArrayLike | None, sieved_kg: float
) -> Array:
    """Return a pest's number per kg at the start, (lots, scenarios).

    Where the larger grain borer is about, half of the insects counted are taken to be borers (judgement).
    """
    borer = pest.key == "larger_grain_borer"
    if insects_per_kg is None:
        middle = np.full((lots, len(draw.pressure)), pest.start_per_kg) * draw.pressure
    else:
        counted = np.broadcast_to(np.atleast_1d(np.asarray(insects_per_kg, dtype=float)), (lots,))[:, None]
        # the count has settled most of what the pressure of the scenario would say
        middle = start_from_sieve(pest, counted * np.where(draw.borer, 0.5, 1.0), sieved_kg) * draw.pressure**0.5
    return np.asarray(middle * how.start_factor * (draw.borer if borer else 1.0))
