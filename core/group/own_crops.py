"""A group's own crops and calibrations, kept apart from the published ones."""

from __future__ import annotations

from dataclasses import asdict
from datetime import datetime
from typing import Any

from core.errors import InputError
from core.grain.commodities import Commodity, commodity_codes, commodity_from_payload, get_commodity

KIND = "own_crops"


def crops_of_group(store: Any | None, group_id: int) -> dict[str, Commodity]:
    """Return all crops that a group can choose from, by code: the published ones, then its own."""
    published = {code: get_commodity(code) for code in commodity_codes()}
    return {**published, **own_crops(store, group_id)} if store is not None else published


def own_crops(store: Any, group_id: int) -> dict[str, Commodity]:
    """Return the group's own crops by code (``own_`` and a name)."""
    kept = store.documents.read(KIND, str(group_id)) or {}
    return {code: commodity_from_payload(entry) for code, entry in kept.get("crops", {}).items()}


def resolve_crop(store: Any, group_id: int, code: str) -> Commodity:
    """Return the crop of a code, published or the group's own."""
    own = own_crops(store, group_id)
    return own[code] if code in own else get_commodity(code)


def keep_own_crop(store: Any, group_id: int, crop: Commodity, at: datetime) -> None:
    """Keep an own crop; one with the same code is replaced."""
    if not crop.own or not crop.code.startswith("own_"):
        raise InputError("{name} is not marked as a group's own crop", name=crop.name)
    with store.transaction(group_id) as inside:
        kept = inside.documents.read(KIND, str(group_id)) or {}
        crops = {**kept.get("crops", {}), crop.code: asdict(crop)}
        inside.documents.write(KIND, str(group_id), {"crops": crops}, at)


def drop_own_crop(store: Any, group_id: int, code: str, at: datetime) -> None:
    """Forget an own crop; nothing happens where there is none of that code."""
    with store.transaction(group_id) as inside:
        kept = inside.documents.read(KIND, str(group_id)) or {}
        crops = {key: entry for key, entry in kept.get("crops", {}).items() if key != code}
        inside.documents.write(KIND, str(group_id), {"crops": crops}, at)
