"""Outside checks kept as data: a value that somebody else published, and the call of ours that must give it.

The files in ``checks/`` hold tables; every row is one check. The tests run each row, the command and the page print it.
"""

from __future__ import annotations

import importlib
import tomllib
import warnings
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from core.errors import InputError

OUTSIDE = ("published", "library", "hand")
"""Where an expected value comes from: printed, computed by another library, or worked by hand from a formula."""


@dataclass(frozen=True, kw_only=True)
class Check:
    """One outside check: what it is about, the call, the value expected with its tolerance, and who says so.

    `room` is the file's name; `tolerance` is absolute, in `unit`; `kind` is one of `OUTSIDE`; `reliance` says in words
    how sure the source is where that needs saying ("from memory", "read in a copy").
    """

    room: str
    what: str
    call: str
    arguments: tuple[tuple[str, Any], ...]
    take: str
    expected: float | str
    tolerance: float
    unit: str
    kind: str
    source: str
    reliance: str = ""

    @property
    def given(self) -> str:
        """Return the arguments as text, such as ``temperature_c = 25, moisture_pct = 14``."""
        return ", ".join(f"{name} = {_short(value)}" for name, value in self.arguments)


@dataclass(frozen=True)
class Outcome:
    """What a check gave: the value computed by the project and whether it lies within the tolerance."""

    check: Check
    computed: float | str
    holds: bool


@cache
def all_checks() -> tuple[Check, ...]:
    """Return every outside check, by room and in the order of its file.

    Raises
    ------
    InputError
        A table lacks a key, a row has not as many values as there are columns, or a kind is unknown.
    """
    folder = files("core.audit") / "checks"
    found: list[Check] = []
    for entry in sorted(folder.iterdir(), key=lambda item: item.name):
        if entry.name.endswith(".toml"):
            room = entry.name.removesuffix(".toml")
            for table in tomllib.loads(entry.read_text(encoding="utf-8"))["table"]:
                found.extend(_rows(room, table))
    return tuple(found)


def run(check: Check) -> Outcome:
    """Return the outcome of one check: a number within the tolerance, or a word that is the same."""
    function = _named(check.call)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a table may reach beyond a relation's own range: its tolerance says so
        result = _taken(function(**{name: _argument(value) for name, value in check.arguments}), check.take)
    if isinstance(check.expected, str):
        return Outcome(check, str(result), str(result) == check.expected)
    computed = float(result)
    return Outcome(check, computed, abs(computed - check.expected) <= check.tolerance)


def run_all() -> list[Outcome]:
    """Return the outcomes of all checks."""
    return [run(check) for check in all_checks()]


def _rows(room: str, table: Mapping[str, Any]) -> Iterator[Check]:
    """Yield the checks of one table: a row holds arguments in the order of `columns`, the expected value among them."""
    missing = {"what", "call", "columns", "rows", "tolerance", "unit", "kind", "source"} - set(table)
    if missing or table["kind"] not in OUTSIDE:
        raise InputError(
            "a table of outside checks in '{room}' lacks {missing} or has an unknown kind",
            room=room,
            missing=", ".join(sorted(missing)) or "nothing",
        )
    columns, fixed = list(table["columns"]), dict(table.get("given", {}))
    for row in table["rows"]:
        if len(row) != len(columns):
            raise InputError("a row of '{what}' has not as many values as columns", what=table["what"])
        values = dict(zip(columns, row, strict=True))
        expected = values.pop("expected")
        tolerance = values.pop("tolerance", table["tolerance"])
        take = values.pop("take", table.get("take", ""))
        yield Check(
            room=room,
            what=table["what"],
            call=table["call"],
            arguments=tuple({**fixed, **values}.items()),
            take=take,
            expected=expected,
            tolerance=float(tolerance),
            unit=table["unit"],
            kind=table["kind"],
            source=table["source"],
            reliance=table.get("reliance", ""),
        )


def _named(call: str) -> Any:
    """Return the function that ``"core.grain.mass:mass_after_drying"`` names."""
    module, name = call.split(":")
    return getattr(importlib.import_module(module), name)


def _argument(value: Any) -> Any:
    """Return an argument as the call wants it; ``{largest = {...}}`` is the game in which the dearest member counts."""
    if isinstance(value, Mapping) and set(value) == {"largest"}:
        return _largest_need(value["largest"])
    return value


def _largest_need(costs: Mapping[str, float]) -> dict[frozenset[str], float]:
    """Return the cost of every set of members when a set costs what its dearest member costs (empty set 0)."""
    game: dict[frozenset[str], float] = {frozenset(): 0.0}
    for name in costs:
        game |= {members | {name}: max(cost, costs[name]) for members, cost in game.items()}
    return game


def _taken(result: Any, take: str) -> Any:
    """Return the part of a result that `take` names: ``.mean_pct``, ``[0]``, ``[a]``, or several after one another."""
    for step in take.replace("[", " [").replace(".", " .").split():
        if step.startswith("."):
            result = getattr(result, step[1:])
        else:
            key = step.strip("[]")
            result = result[int(key)] if key.lstrip("-").isdigit() and not isinstance(result, Mapping) else result[key]
    return result


def _short(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, Mapping):
        return "; ".join(f"{key}: {_short(part)}" for key, part in value.items())
    return str(value)
