"""Local measures: tins, basins and overfilled bags, by a dated table of weighed samples that the group keeps."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np

from core.accounts.book import Book
from core.errors import InputError, NotFoundError
from core.group.records import Event
from core.group.store import Store

KIND = "measure_weighed"
# One sample alone: fillings of the same tin differ by about 5 % (judgement).
USUAL_SPREAD = 0.05


@dataclass(frozen=True, kw_only=True)
class WeighedMeasure:
    """One filling of a measure that was weighed."""

    name: str
    commodity: str
    weighed_on: date
    mass_kg: float
    moisture_pct: float | None = None


@dataclass(frozen=True, kw_only=True)
class MeasureMass:
    """What a measure holds: mean mass in kg, its standard error, and the samples that it rests on."""

    mass_kg: float
    standard_error_kg: float
    samples: int
    weighed_on: date
    moisture_pct: float | None


def weigh_measure(store: Store, group_id: int, sample: WeighedMeasure, who: str, at: datetime, token: str = "") -> int:
    """Write a weighed filling into the diary and return the entry's number."""
    if not sample.name.strip():
        raise InputError("a measure needs a name, such as 'debe' or 'big basin'")
    if not 0 < sample.mass_kg < 2000:
        raise InputError("a measure of {mass} kg cannot be", mass=sample.mass_kg)
    if sample.moisture_pct is not None and not 0 <= sample.moisture_pct < 100:
        raise InputError("moisture {value} % is outside 0-100", value=sample.moisture_pct)
    payload = {
        "name": " ".join(sample.name.split()),
        "commodity": sample.commodity,
        "mass_kg": sample.mass_kg,
        "moisture_pct": sample.moisture_pct,
    }
    return store.append_event(group_id, "diary", KIND, sample.weighed_on, who, payload, at, token=token)


def weighed_measures(events: Sequence[Event]) -> list[WeighedMeasure]:
    """Return the weighed fillings of the diary, entries taken back left out."""
    return [
        WeighedMeasure(
            name=event.payload["name"],
            commodity=event.payload["commodity"],
            weighed_on=event.on,
            mass_kg=float(event.payload["mass_kg"]),
            moisture_pct=event.payload.get("moisture_pct"),
        )
        for event in Book(events).standing(KIND)
    ]


def measure_mass(samples: Sequence[WeighedMeasure], name: str, commodity: str, on: date) -> MeasureMass:
    """Return what a measure held on a day.

    Parameters
    ----------
    on : date
        The day; the last weighing up to it counts, else the first one after it (a bag overfilled this year says
        nothing of a bag filled last year).
    """
    wanted = name.casefold().strip()
    of_measure = [one for one in samples if one.name.casefold() == wanted and one.commodity == commodity]
    if not of_measure:
        raise NotFoundError(
            "nobody has weighed a {name} of {crop} yet; weigh three fillings", name=name, crop=commodity
        )
    before = [one.weighed_on for one in of_measure if one.weighed_on <= on]
    day = max(before) if before else min(one.weighed_on for one in of_measure)
    masses = np.array([one.mass_kg for one in of_measure if one.weighed_on == day])
    moistures = [one.moisture_pct for one in of_measure if one.weighed_on == day and one.moisture_pct is not None]
    spread = float(masses.std(ddof=1)) if masses.size >= 3 else USUAL_SPREAD * float(masses.mean())
    return MeasureMass(
        mass_kg=float(masses.mean()),
        standard_error_kg=spread / math.sqrt(masses.size),
        samples=int(masses.size),
        weighed_on=day,
        moisture_pct=float(np.mean(moistures)) if moistures else None,
    )
