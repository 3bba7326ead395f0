"""Units of quantity in price tables, as kilograms."""

from __future__ import annotations

import re
import tomllib
from functools import cache
from importlib.resources import files
from typing import Any

WEIGHED = re.compile(
    r"^\s*(?P<count>\d+(?:[.,]\d+)?)?\s*[- ]?\s*(?P<unit>[a-zà-ÿ.]+)\s*(?:\((?P<inner>[^)]*)\))?\s*$", re.IGNORECASE
)


@cache
def _units() -> dict[str, Any]:
    return tomllib.loads((files("core.market") / "units.toml").read_text(encoding="utf-8"))


def kilograms(unit: str) -> float | None:
    """Return how many kilograms a unit of quantity is, or None where that is not known.

    Parameters
    ----------
    unit : str
        As written in the table: ``KG``, ``50 KG``, ``MT``, ``Pound``, ``90 kg bag``.

    Returns
    -------
    float or None
        Kilograms of one such unit; None for local measures (tins, heaps) that differ from place to place.
    """
    text = re.sub(r"\b(bags?|sacks?|sac|per)\b|/", " ", unit.strip().lower()).strip()
    match = WEIGHED.match(text)
    if match is None:
        return None
    name = match.group("unit").rstrip(".")
    for entry in _units().values():
        if name in entry["names"]:
            count = float(match.group("count").replace(",", ".")) if match.group("count") else 1.0
            return count * float(entry["kg"])
    # Local measures often carry their weight in brackets: "tin (20 kg)".
    return kilograms(match.group("inner")) if match.group("inner") else None
