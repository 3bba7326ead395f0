"""The spaces on which a group dries its grain, as it lists them itself."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from core.drying.setups import drying_method
from core.errors import InputError

KIND = "floor_spaces"


@dataclass(frozen=True)
class Space:
    """A space for drying.

    Parameters
    ----------
    name : str
        What it is called.
    method : str
        A drying method's key, such as ``"tarpaulin"``.
    area_m2 : float
        Area, m².
    hire_per_bag_day : float
        What it costs per bag and day, money (0 for one's own).
    """

    name: str
    method: str
    area_m2: float
    hire_per_bag_day: float = 0.0


def spaces_of_group(store: Any, group_id: int) -> tuple[tuple[Space, ...], bool]:
    """Return a group's spaces, and whether it has listed them itself (else the usual method's area in two halves)."""
    kept = store.documents.read(KIND, str(group_id))
    if kept:
        return tuple(Space(**entry) for entry in kept["spaces"]), True
    facts = store.facts(group_id)
    method = str(facts["drying_method"].value)
    half = float(facts[f"drying_area.{method}"].value) / 2
    label = method.replace("_", " ").capitalize()
    return tuple(Space(f"{label} {index}", method, half) for index in (1, 2)), False


def keep_spaces(store: Any, group_id: int, spaces: Sequence[Space], at: datetime) -> None:
    """Keep a group's list of spaces.

    Raises
    ------
    InputError
        If the list is empty, a name is missing or twice in it, an area is not above 0, or a cost is below 0.
    """
    if not spaces:
        raise InputError("the list of drying spaces is empty")
    names = [space.name.strip() for space in spaces]
    if not all(names) or len(set(names)) < len(names):
        raise InputError("every drying space needs a name of its own")
    for space in spaces:
        drying_method(space.method)
        if not 0 < space.area_m2 < 100_000 or not space.hire_per_bag_day >= 0:
            raise InputError("{name}: the area has to be above 0 m² and the hire not below 0", name=space.name)
    store.documents.write(KIND, str(group_id), {"spaces": [asdict(space) for space in spaces]}, at)


def load_of(space: Space, facts: Mapping[str, Any]) -> float:
    """Return the wet grain per m² that a group puts on such a space, kg/m²."""
    return float(facts[f"drying_load.{space.method}"].value)
