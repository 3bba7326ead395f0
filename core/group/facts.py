"""What is assumed until the group says otherwise, read from one TOML file per room."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from core.errors import InputError

BASES = ("published", "practice", "memory", "judgement")
ENTRY_KEYS = {"value", "unit", "source", "basis", "label", "usd", "maize_kg", "low", "high"}


@dataclass(frozen=True, kw_only=True)
class Default:
    """A value that stands in for one that nobody has entered.

    ``usd`` marks a sum in US dollars, ``maize_kg`` a sum counted in kilograms of maize: both are turned into the
    group's currency when they are read.
    """

    key: str
    value: Any
    unit: str = ""
    source: str = ""
    basis: str = "judgement"
    label: str = ""
    usd: bool = False
    maize_kg: bool = False
    room: str = ""


@cache
def load_defaults() -> dict[str, Default]:
    """Return every default by its key.

    Raises
    ------
    InputError
        A key stands in two files, lacks a value, or has an unknown entry or basis.
    """
    found: dict[str, Default] = {}
    folder = files("core.group") / "defaults"
    for entry in sorted(folder.iterdir(), key=lambda item: item.name):
        if not entry.name.endswith(".toml"):
            continue
        room = entry.name.removesuffix(".toml")
        for key, values in _flatten(tomllib.loads(entry.read_text(encoding="utf-8"))).items():
            if key in found:
                raise InputError("the default '{key}' stands in two files", key=key)
            unknown = set(values) - ENTRY_KEYS
            if unknown or values.get("basis", "judgement") not in BASES:
                raise InputError("the default '{key}' has an unknown entry or basis", key=key)
            known = {name: value for name, value in values.items() if name not in ("low", "high")}
            found[key] = Default(key=key, room=room, **known)
    return found


def _flatten(tree: dict[str, Any], prefix: str = "") -> dict[str, dict[str, Any]]:
    """Return ``{"truck.trip_cost": {...}}`` from nested TOML tables; a table with ``value`` is an entry."""
    flat: dict[str, dict[str, Any]] = {}
    for name, content in tree.items():
        key = f"{prefix}{name}"
        if not isinstance(content, dict):
            raise InputError("'{key}' in the defaults is not a table", key=key)
        if "value" in content:
            flat[key] = content
        else:
            flat.update(_flatten(content, f"{key}."))
    return flat


def cost_of_money(facts: Mapping[str, Any]) -> Any:
    """Return the one fact that says what money costs a group a month, as a fraction: `interest_monthly`.

    A group that entered the older `plan.interest_monthly`, and has not entered the other, keeps it.
    """
    fact, older = facts["interest_monthly"], facts.get("plan.interest_monthly")
    return older if fact.origin == "assumed" and older is not None and older.origin != "assumed" else fact
