"""The scenarios that a storage run is run over: the climate, and the insects that lots start with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from core.errors import InputError
from core.given import check_number
from core.storage.insects import Pest, insect_table, start_from_sieve
from core.storage.methods import Method

Array = NDArray[Any]


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
    frames = [climate] if isinstance(climate, pd.DataFrame) else list(climate) if isinstance(climate, Sequence) else []
    if not frames or not all(isinstance(frame, pd.DataFrame) for frame in frames):
        raise InputError("no climate was given; give a table by day with temperature_c and relative_humidity_pct")
    columns = []
    for name in ("temperature_c", "relative_humidity_pct"):
        for frame in frames:
            if name not in frame.columns:
                raise InputError("the climate has no column {name}", name=name)
            if not frame.index.is_monotonic_increasing:
                raise InputError("the days of the climate are not in order")
            if len(frame) < days:
                raise InputError("the climate has {rows} days, {days} are asked for", rows=len(frame), days=days)
            check_number(name, frame[name].to_numpy())
        columns.append(np.column_stack([frame[name].to_numpy(dtype=float)[:days] for frame in frames]))
    temperature, relative = columns
    if not np.all((temperature > -40.0) & (temperature < 55.0)):
        raise InputError("a daily temperature in the climate is missing or outside -40 to 55 °C")
    if not np.all((relative >= 0.0) & (relative <= 100.0)):
        raise InputError("a daily humidity in the climate is missing or outside 0-100 %")
    return temperature, relative


def start_numbers(
    pest: Pest, how: Method, draw: PestDraw, lots: int, insects_per_kg: ArrayLike | None, sieved_kg: float
) -> Array:
    """Return a pest's number per kg at the start, (lots, scenarios).

    Where the larger grain borer is about, half of the insects counted are taken to be borers (judgement).
    """
    borer = pest.borer
    if insects_per_kg is None:
        middle = np.full((lots, len(draw.pressure)), pest.start_per_kg) * draw.pressure
    else:
        counted = np.broadcast_to(np.atleast_1d(np.asarray(insects_per_kg, dtype=float)), (lots,))[:, None]
        # the count has settled most of what the pressure of the scenario would say
        middle = start_from_sieve(pest, counted * np.where(draw.borer, 0.5, 1.0), sieved_kg) * draw.pressure**0.5
    return np.asarray(middle * how.start_factor * (draw.borer if borer else 1.0))
