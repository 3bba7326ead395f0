"""The usual weather of a place estimated from reference towns, where nobody has entered or fetched its own."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from core.errors import WeatherError
from core.reference_tables import reference_table
from core.weather.normals import Normals, completed
from core.weather.place import Place

LAPSE_C_PER_M = 0.0065
"""Fall of temperature with height (ICAO standard atmosphere, Doc 7488)."""
TOWNS_USED = 4
FARTHEST_KM = 1000.0
"""Beyond it the nearest town says nothing of a place; basis: judgement."""
EARTH_RADIUS_KM = 6371.0
SOURCE = "estimated from the usual weather of reference towns, from memory"


@dataclass(frozen=True)
class Towns:
    """The reference towns: names, latitude and longitude (degrees), altitude (m), and tables (towns, 12 months).

    sun_share is measured radiation over that of FAO-56 equation 50, 1 where nothing was measured.
    """

    names: tuple[str, ...]
    latitude: NDArray[np.float64]
    longitude: NDArray[np.float64]
    altitude_m: NDArray[np.float64]
    temperature_c: NDArray[np.float64]
    relative_humidity_pct: NDArray[np.float64]
    rain_mm: NDArray[np.float64]
    sun_share: NDArray[np.float64]


@lru_cache(maxsize=1)
def towns() -> Towns:
    """Return the towns of `reference.toml`."""
    kept = reference_table("weather", "reference.toml")
    columns = ("latitude", "longitude", "altitude_m", "temperature_c", "relative_humidity_pct", "rain_mm")
    found = {name: np.array([town[name] for town in kept.values()], dtype=float) for name in columns}
    sun = np.array([town["sun"]["share"] if "sun" in town else [1.0] * 12 for town in kept.values()])
    return Towns(names=tuple(name.replace("_", " ") for name in kept), sun_share=sun, **found)


def weights(latitude: float, longitude: float) -> NDArray[np.float64]:
    """Return the weight of each reference town for a place, adding up to 1: the nearest ones, by 1 / distance squared.

    Parameters
    ----------
    latitude, longitude : float
        Degrees.

    Raises
    ------
    WeatherError
        Where even the nearest town is farther away than 1000 km.

    Notes
    -----
    Inverse distance weighting (Shepard 1968, Proceedings of the 23rd ACM National Conference, 517-524).
    """
    known = towns()
    a, b = np.radians(latitude), np.radians(known.latitude)
    cosine = np.sin(a) * np.sin(b) + np.cos(a) * np.cos(b) * np.cos(np.radians(known.longitude - longitude))
    distance = EARTH_RADIUS_KM * np.arccos(np.clip(cosine, -1.0, 1.0))
    if distance.min() > FARTHEST_KM:
        raise WeatherError(
            "the program knows no usual weather near this place: enter it under 'Our things', or let it be fetched"
        )
    used = np.zeros(len(distance))
    nearest = np.argsort(distance)[:TOWNS_USED]
    used[nearest] = 1.0 / np.maximum(distance[nearest], 1.0) ** 2
    return np.asarray(used / used.sum())


def reference_normals(place: Place) -> Normals:
    """Return the usual weather of each month at a place, estimated from the nearest reference towns.

    Parameters
    ----------
    place : Place
        Where; its altitude counts, at 6.5 °C less for each kilometre up.

    Returns
    -------
    Normals
        Temperature, humidity, rain; the sun too where it was measured in a town near by. Status "reference".
    """
    known, share = towns(), weights(place.latitude, place.longitude)
    at_height = known.temperature_c - LAPSE_C_PER_M * (place.altitude_m - known.altitude_m[:, None])
    table = {
        "temperature_c": share @ at_height,
        "relative_humidity_pct": share @ known.relative_humidity_pct,
        "rain_mm": share @ known.rain_mm,
    }
    normals = Normals(pd.DataFrame(table, index=range(1, 13)), source=SOURCE, status="reference")
    sun = share @ known.sun_share
    if np.allclose(sun, 1.0):
        return normals
    measured = completed(normals, place)["shortwave_w_m2"] * sun
    return replace(normals, table=normals.table.assign(shortwave_w_m2=measured))


def reference_altitude_m(latitude: float, longitude: float) -> float:
    """Return a first guess of a place's altitude, m, where nobody gave one: that of the nearest reference towns."""
    return float(weights(latitude, longitude) @ towns().altitude_m)
