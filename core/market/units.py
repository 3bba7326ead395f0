"""Units of quantity in price tables, as kilograms."""

from __future__ import annotations

import re

from core.reference_tables import reference_table

WEIGHED = re.compile(
    r"^\s*(?P<count>\d+(?:[.,]\d+)?)?\s*[- ]?\s*(?P<unit>[a-zà-ÿ.]+)\s*(?:\((?P<inner>[^)]*)\))?\s*$", re.IGNORECASE
)


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
    match = WEIGHED.match(re.sub(r"^\((.*)\)$", r"\1", text))  # "bag (50 kg)": the weight is all that is left
    if match is None:
        return None
    name = match.group("unit").rstrip(".")
    for entry in reference_table("market", "units.toml").values():
        if name in entry["names"]:
            count = float(match.group("count").replace(",", ".")) if match.group("count") else 1.0
            return count * float(entry["kg"])
    # Local measures often carry their weight in brackets: "tin (20 kg)".
    return kilograms(match.group("inner")) if match.group("inner") else None
