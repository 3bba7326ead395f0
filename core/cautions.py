"""Cautions, one wording each: pages, sheets, calendars and messages take them from `cautions.toml` beside this file."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files

OF_STEP = {"dry": "mould", "bag": "lifting", "test": "biting", "sell": "mould", "borrow": "money"}
"""The caution that goes with a step, by its kind."""


@cache
def caution_texts() -> dict[str, str]:
    """Return the texts by kind, such as "mould"."""
    kept = tomllib.loads((files("core") / "cautions.toml").read_text(encoding="utf-8"))
    return {kind: str(entry["text"]) for kind, entry in kept.items()}


def caution_of(kind: str) -> str:
    """Return the text of one kind."""
    return caution_texts()[kind]
