"""The TOML tables beside the code that a domain person may correct, and a folder whose rows are added to them."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from core.errors import InputError

FOLDER_VARIABLE = "DRYHOLD_TABLES"
"""Environment variable that names a folder of added rows, laid out as `core` is: ``grain/commodities.toml``."""


@cache
def reference_table(room: str, name: str) -> Mapping[str, Any]:
    """Return one table of a room, with the rows that a folder of the installation adds or corrects.

    Parameters
    ----------
    room, name : str
        Such as ``"grain"`` and ``"commodities.toml"``. Where `DRYHOLD_TABLES` names a folder that holds
        ``grain/commodities.toml``, its rows come after the table's own; a row that both have is corrected key by key.

    Raises
    ------
    InputError
        For a file of the folder that is not TOML.
    """
    table = tomllib.loads(files("core").joinpath(room, name).read_text(encoding="utf-8"))
    folder = os.environ.get(FOLDER_VARIABLE, "")
    path = Path(folder) / room / name
    if not folder or not path.is_file():
        return table
    try:
        added = tomllib.loads(path.read_text(encoding="utf-8"))
    except tomllib.TOMLDecodeError as error:
        raise InputError("{file} of the added tables cannot be read: {reason}", file=name, reason=str(error)) from error
    return _merged(table, added)


def _merged(table: Mapping[str, Any], added: Mapping[str, Any]) -> dict[str, Any]:
    """Return a table with another's entries put over it, table by table."""
    both = {**table, **added}
    for key in table.keys() & added.keys():
        if isinstance(table[key], Mapping) and isinstance(added[key], Mapping):
            both[key] = _merged(table[key], added[key])
    return both
