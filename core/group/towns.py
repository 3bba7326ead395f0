"""Towns with coordinates and time zones, so that nobody needs to know those of the own place."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources

from core.errors import NotFoundError

ATTRIBUTION = "Towns: GeoNames (geonames.org), CC BY 4.0"


@dataclass(frozen=True)
class Town:
    """A town: country (ISO 3166 code of two letters), name, coordinates in degrees, and IANA time zone."""

    country: str
    name: str
    latitude: float
    longitude: float
    time_zone: str


@lru_cache(maxsize=1)
def towns() -> dict[str, dict[str, Town]]:
    """Return the towns of `towns.csv` by country and name, in the order of their names."""
    text = (resources.files("core.group") / "towns.csv").read_text(encoding="utf-8")
    found: dict[str, dict[str, Town]] = {}
    for row in csv.DictReader(line for line in text.splitlines() if not line.startswith("#")):
        town = Town(row["country"], row["name"], float(row["latitude"]), float(row["longitude"]), row["time_zone"])
        found.setdefault(town.country, {})[town.name] = town
    return found


def get_town(country: str, name: str) -> Town:
    """Return a town."""
    try:
        return towns()[country][name]
    except KeyError as error:
        raise NotFoundError("the town '{name}' is not in the list: enter its coordinates", name=name) from error
