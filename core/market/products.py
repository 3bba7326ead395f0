"""Which crop a name in a table means, in the languages known."""

from __future__ import annotations

from collections.abc import Mapping

from core.grain.commodities import commodity_codes, get_commodity
from core.tables.words import lookup, plain

PREPARED = frozenset(
    {
        *("meal", "flour", "oil", "bread", "cake", "bran", "farine", "harina", "farinha", "unga", "gari", "huile"),
        "aceite",
    }
    | {"oleo", "mafuta"}
)
"""Words of goods made of grain, whose price is not the grain's."""


def crop_choices() -> Mapping[str, str]:
    """Return the crop's code for each of its names, in plain letters."""
    return lookup({code: (get_commodity(code).name, *get_commodity(code).names) for code in commodity_codes()})


def suggest_commodity(name: str) -> str | None:
    """Return the crop's code that a product's name seems to mean, or None; flour and meal are other goods."""
    tokens = plain(name[:200]).split()
    if PREPARED & set(tokens):
        return None
    parts = {" ".join(tokens[start:end]) for start in range(len(tokens)) for end in range(start + 1, len(tokens) + 1)}
    known = [part for part in parts if part in crop_choices()]
    return crop_choices()[max(known, key=lambda part: (len(part), part))] if known else None
