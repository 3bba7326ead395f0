"""Every value that a domain person may correct, gathered from the tables beside the code, with its source and basis."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from importlib import resources
from importlib.resources.abc import Traversable
from typing import Any

import pandas as pd

from core.group.facts import BASES

ABOUT = ("source", "basis", "note", "unit", "label", "fitted_to")
"""Keys that say something about a value and are not values themselves."""

COLUMNS = ["table", "entry", "values", "unit", "source", "basis", "note"]


def collect_provenance() -> pd.DataFrame:
    """Return all entries of all tables of `core`, a row each.

    Returns
    -------
    DataFrame
        Columns table (such as ``"grain/commodities"``), entry (such as ``"maize > oil_fraction"``), values, unit,
        source, basis and note, all text. An entry without a source of its own shows that of the table above it.
    """
    rows = [
        {"table": name, **row}
        for name, content in _tables(resources.files("core"))
        for row in _entries(content, (), "", "")
    ]
    return pd.DataFrame(rows, columns=COLUMNS)


def without_source() -> list[str]:
    """Return table and entry of everything that holds a number but has no source or no known basis."""
    frame = collect_provenance()
    bad = frame[(frame["source"] == "") | ~frame["basis"].isin(BASES)]
    return [f"{row.table}: {row.entry}" for row in bad.itertuples()]


def _tables(folder: Traversable, prefix: str = "") -> Iterator[tuple[str, Mapping[str, Any]]]:
    """Yield every TOML file below a folder of the package, by name."""
    for item in sorted(folder.iterdir(), key=lambda entry: entry.name):
        if item.name == "checks" and prefix == "audit/":
            continue  # values that others published, not coefficients of ours
        if item.is_dir():
            yield from _tables(item, f"{prefix}{item.name}/")
        elif item.name.endswith(".toml"):
            yield f"{prefix}{item.name.removesuffix('.toml')}", tomllib.loads(item.read_text(encoding="utf-8"))


def _entries(node: Mapping[str, Any], path: tuple[str, ...], source: str, basis: str) -> Iterator[dict[str, str]]:
    """Yield a row for each table in which a number stands, source and basis handed down from above."""
    source = str(node.get("source", source))
    basis = str(node.get("basis", basis))
    values = {key: value for key, value in node.items() if key not in ABOUT and not isinstance(value, Mapping)}
    if "source" in node or any(_holds_number(value) for value in values.values()):
        label = str(node.get("label", ""))
        where = " › ".join(path) or "(whole table)"
        yield {
            "entry": f"{where}: {label}" if label else where,
            "values": "; ".join(_text(key, value) for key, value in values.items()),
            "unit": str(node.get("unit", "")),
            "source": source,
            "basis": basis,
            "note": " ".join(str(node[key]) for key in ("note", "fitted_to") if key in node),
        }
    for key, value in node.items():
        if isinstance(value, Mapping):
            yield from _entries(value, (*path, key), source, basis)


def _holds_number(value: Any) -> bool:
    """Return whether a value is a number or a list or table with one."""
    if isinstance(value, bool):
        return False
    if isinstance(value, int | float):
        return True
    if isinstance(value, Mapping):
        return any(_holds_number(item) for item in value.values())
    return isinstance(value, list) and any(_holds_number(item) for item in value)


def _text(key: str, value: Any) -> str:
    """Return a value as text, with its name unless it is simply called value."""
    if isinstance(value, list):
        shown = ", ".join(
            "(" + ", ".join(f"{name} {part}" for name, part in item.items()) + ")"
            if isinstance(item, Mapping)
            else str(item)
            for item in value
        )
    else:
        shown = str(value)
    return shown if key == "value" else f"{key} {shown}"
