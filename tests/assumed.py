"""What a room takes where nobody says otherwise: the defaults of its records and functions, found in the code itself.

Most defaults are neutral: nothing (0), no (False). A test of each room names those that are not, each with its reason
beside it; so a default that slips is seen whoever relies on it. How hard a search tries is left out: no law.
"""

from __future__ import annotations

import dataclasses
import importlib
import inspect
import pkgutil
from collections.abc import Iterator, Mapping
from decimal import Decimal
from types import ModuleType
from typing import Any

SEARCHING = {"seed", "draws", "time_limit", "effort", "rounds", "points", "mip_gap", "most", "change_price", "substeps"}


def modules_of(room: str) -> Iterator[ModuleType]:
    """Yield the modules of a room, command lines and migrations left out."""
    package = importlib.import_module(f"core.{room}")
    for found in pkgutil.iter_modules(package.__path__, f"core.{room}."):
        if not found.ispkg and not found.name.endswith("__main__"):
            yield importlib.import_module(found.name)


def number_or_numbers(value: Any) -> bool:
    """Return whether a default is a number, a yes or no, or a tuple of numbers."""
    if isinstance(value, tuple):
        return bool(value) and all(number_or_numbers(part) for part in value)
    return isinstance(value, int | float | Decimal)


def defaults_of(room: str, apart: frozenset[str] = frozenset()) -> Iterator[tuple[str, Any]]:
    """Yield ("Record.field" or "function.argument", default) of a room, of those that are numbers."""
    for module in modules_of(room):
        if module.__name__.rsplit(".", 1)[1] in apart:
            continue
        for name, item in vars(module).items():
            if getattr(item, "__module__", "") != module.__name__:
                continue
            functions = [(name, item)] if inspect.isfunction(item) else []
            if inspect.isclass(item):
                if dataclasses.is_dataclass(item):
                    for part in dataclasses.fields(item):
                        if part.name in vars(item).get("__annotations__", {}) and number_or_numbers(part.default):
                            yield f"{name}.{part.name}", part.default
                functions = [
                    (f"{name}.{method}", made) for method, made in vars(item).items() if inspect.isfunction(made)
                ]
                functions = [pair for pair in functions if not pair[0].endswith("__init__")]
            for where, function in functions:
                for argument in inspect.signature(function).parameters.values():
                    if number_or_numbers(argument.default):
                        yield f"{where}.{argument.name}", argument.default


def slipped(room: str, assumed: Mapping[str, Any], apart: frozenset[str] = frozenset()) -> dict[str, Any]:
    """Return the defaults of a room that are neither as a table has them nor, without a line in it, 0 or no.

    Modules named in `apart`, what begins with an underscore, and how hard a search tries are left out; a line whose
    default is gone says nothing.
    """
    found = {}
    for name, value in defaults_of(room, apart):
        if name.startswith("_") or name.rsplit(".", 1)[1] in SEARCHING:
            continue
        if value != assumed.get(name, 0) or isinstance(value, bool) != isinstance(assumed.get(name, value), bool):
            found[name] = value
    return found
