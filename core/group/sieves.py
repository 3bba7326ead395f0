"""What sieving a lot for insects showed, read from the diary."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from core.accounts.book import Book
from core.group.records import Event


@dataclass(frozen=True)
class Sieve:
    """What sieving a lot showed: on which day, live adults per kg, and how many kg were sieved."""

    on: date
    insects_per_kg: float
    sieved_kg: float


def last_sieves(events: Sequence[Event]) -> dict[int, Sieve]:
    """Return the latest sieve count of each lot from the diary (entries of kind "sieve" that nobody has reversed)."""
    found: dict[int, Sieve] = {}
    for event in Book(events).standing("sieve"):
        try:
            lot = int(event.payload["lot_id"])
            count = Sieve(event.on, float(event.payload["insects_per_kg"]), float(event.payload["sieved_kg"]))
        except (KeyError, TypeError, ValueError):  # of a damaged file, or another program
            continue
        if not (0 <= count.insects_per_kg < math.inf and 0 < count.sieved_kg < math.inf):
            continue
        if lot not in found or count.on >= found[lot].on:
            found[lot] = count
    return found
