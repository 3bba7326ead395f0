"""What is assumed until the group says otherwise, read from one TOML file per room."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from core.errors import InputError
from core.group.bounds import check_values
from core.messages import Figure, Message, message

BASES = ("published", "practice", "memory", "judgement")
FAMILIES = ("buyer_offset.", "buyer_limit.", "currency_per_usd.")
"""Keys that go on with a name of the group's own: what a buyer's meter reads above ours, a contract's limit, money."""
ENTRY_KEYS = {"value", "unit", "source", "basis", "label", "usd", "maize_kg", "low", "high", "options", "used_in"}


@dataclass(frozen=True, kw_only=True)
class Default:
    """A value that stands in for one that nobody has entered.

    ``usd`` marks a sum in US dollars, ``maize_kg`` a sum counted in kilograms of maize: both are turned into the
    group's currency when they are read. ``low`` and ``high`` bound what can be entered, ``options`` are the words that
    can.
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
    low: float = 0.0
    high: float | None = None
    options: tuple[str, ...] = ()
    used_in: tuple[str, ...] = ()


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
            lists = {name: tuple(values.get(name, ())) for name in ("options", "used_in")}
            found[key] = Default(key=key, room=room, **{**values, **lists})
    return found


PERCENT = {
    "fraction": Message("%"),
    "fraction a month": message("% a month"),
    "fraction of the price": message("% of the price"),
    "fraction of the price per point": message("% of the price for each point"),
    "fraction of the market price": message("% of the market price"),
    "fraction of the grain's value": message("% of the grain's worth"),
    "fraction of the harvest's value": message("% of the harvest's worth"),
    "fraction of the plan's value": message("% of the plan's worth"),
    "fraction of the loan": message("% of the loan"),
    "fraction of years": message("% of years"),
    "fraction per 1 %": message("% for each 1 %"),
    "fraction per 1 % of damaged kernels": message("% for each 1 % of damaged kernels"),
}
"""What is kept as a fraction is shown and entered as a percentage: its unit as kept, and as people read it."""


def shown_scale(fact: Any) -> float:
    """Return by what a fact's value is multiplied where people read or enter it."""
    return 100.0 if fact.unit in PERCENT else 1.0


def shown_unit(fact: Any, currency: str) -> Message:
    """Return the unit in which people read or enter a fact; money says whose it is, as in "MWK per trip"."""
    default = load_defaults().get(fact.key)
    is_money = default is not None and (default.usd or default.maize_kg)
    if fact.unit == "money" or (is_money and not fact.unit):
        return Message(currency)
    if is_money or fact.key.startswith("currency_per_usd."):
        return Message("{currency} {unit}", {"currency": currency, "unit": Message(fact.unit)})
    return PERCENT.get(fact.unit, Message(fact.unit))


def yes_or_no(value: Any) -> bool | None:
    """Return what an entry of yes, no or unknown says; None where nobody knows."""
    return {"yes": True, "no": False}.get(str(value).strip().lower())


def default_number(key: str) -> float:
    """Return the number that a setting has until a group says otherwise."""
    return float(load_defaults()[key].value)


def check_value(key: str, value: Any) -> None:
    """Refuse a value that a fact cannot have.

    Raises
    ------
    InputError
        There is no such fact, or the value is of another kind, out of its bounds, or none of the words that it can be.
    """
    default = load_defaults().get(key)
    if default is None and not key.startswith(FAMILIES):
        raise InputError("there is no setting '{key}'", key=key)
    check_values(value)
    if default is None or value is None:
        return
    label, scale = Message(default.label or key), shown_scale(default)
    if isinstance(default.value, bool):
        if not isinstance(value, bool):
            raise InputError("{label}: '{value}' is neither yes nor no", label=label, value=value)
    elif isinstance(default.value, int | float):
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            raise InputError("{label}: '{value}' is not a number", label=label, value=value)
        if value < default.low:
            raise InputError("{label} must be at least {low}", label=label, low=Figure(default.low * scale, ".10g"))
        if default.high is not None and value > default.high:
            raise InputError("{label} must be at most {high}", label=label, high=Figure(default.high * scale, ".10g"))
    elif default.options and value not in default.options:
        raise InputError(
            "{label}: '{value}' is not one of {options}", label=label, value=value, options=", ".join(default.options)
        )
    elif not isinstance(value, type(default.value)):
        raise InputError("{label}: '{value}' cannot be", label=label, value=value)


def entry_of(default: Default | None) -> dict[str, Any]:
    """Return what a fact says of how it is entered and used: bounds, words, uses."""
    names = ("low", "high", "options", "used_in")
    return {} if default is None else {name: getattr(default, name) for name in names}


def facts_for_entry(facts: Mapping[str, Any], currency: str) -> dict[str, Any]:
    """Return the facts that a person enters one by one: no lists of things, no other money than the group's."""
    return {
        key: fact
        for key, fact in facts.items()
        if not isinstance(fact.value, list | dict)
        and (not key.startswith("currency_per_usd.") or key.endswith(f".{currency}"))
    }


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
