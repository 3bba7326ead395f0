"""Records of older versions carried over: what a group has was once spread over many settings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from core.drying.setups import drying_method_table
from core.group.records import Fact

RENAMED = {
    "plan.truck_kg": "truck.capacity_kg",
    "plan.truck_trip_cost": "truck.trip_cost",
    "plan.truck_km_cost": "truck.km_cost",
    "plan.trips_per_week": "truck.trips_per_week",
    "plan.loading_cost_bag": "truck.loading_cost_bag",
    "plan.interest_monthly": "interest_monthly",
    "meter.worth.deduction_per_point": "plan.discount_per_point",
}
"""Settings that have another name now."""
GONE = (
    "floor_labour_hours",
    "floor_wage_hour",
    "floor_batch_hours",
    "floor_hours_per_bag",
    "floor_hours_per_bag_day",
    "floor_value_lost_at_limit",
    "floor_value_lost_not_dried",
    "meter.worth.refusal_above_limit",
    "meter.worth.price_spread",
    "meter.worth.drying_rate",
    "meter.worth.drying_floor",
    "meter.worth.refused_price",
    "meter.worth.store_days",
    "meter.worth.store_temperature",
)
"""Settings that nothing reads any more."""
EARLIEST = datetime.min.replace(tzinfo=UTC)
BAG_KG = 90.0  # the bag of the older fee of a dryer
FEE_POINTS = 5.0  # the points of moisture of the older cost of a dryer
OLDER_SPACES = (
    "drying_method",
    "drying_area.",
    "drying_load.",
    "plan.tarpaulin_m2",
    "plan.drying_cost_kg",
    "plan.dryer_kg",
    "plan.dryer_cost_kg",
    "dryer_fee_per_point",
    "drying_tarpaulin_price",
)
OLDER_STORES = (
    "plan.woven_bags_owned",
    "plan.sealed_bags_owned",
    "plan.sealed_bags_buyable",
    "plan.sealed_bag_seasons",
    "bag_cost.",
    "storage_fee.",
)


def carried_over(entered: Mapping[str, Any], listed_spaces: Sequence[Mapping[str, Any]] = ()) -> dict[str, Any]:
    """Return a group's entered settings as this version names them.

    Parameters
    ----------
    entered : mapping
        Entered values by key, in the order in which they were entered (of two that say the same, the later counts).
    listed_spaces : sequence of mapping
        The older list of the drying floor: name, method, area_m2, hire_per_bag_day.

    Returns
    -------
    dict
        By key. Older keys are gone from it; what they said stands in "drying_spaces", "grain_stores" and the new
        names. A list that was entered under its new name stays as it is.
    """
    kept = {key: value for key, value in entered.items() if not _older(key)}
    for older, newer in RENAMED.items():
        if older in entered and newer not in entered:
            kept[newer] = entered[older]
    if "drying_spaces" not in entered:
        spaces = _spaces(entered, listed_spaces)
        if spaces:
            kept["drying_spaces"] = spaces
    if "grain_stores" not in entered and any(_starts(key, OLDER_STORES) for key in entered):
        kept["grain_stores"] = _stores(entered)
    return kept


def carried_over_facts(facts: Mapping[str, Fact]) -> dict[str, Fact]:
    """Return entered facts (of a group's file, say) as this version names them; see `carried_over`."""
    rows = sorted(facts.values(), key=lambda fact: fact.set_at or EARLIEST)
    now = carried_over({fact.key: fact.value for fact in rows})
    made = {key: replace(rows[-1], key=key, value=value) for key, value in now.items() if key not in facts}
    return {key: fact for key, fact in facts.items() if key in now} | made


def _older(key: str) -> bool:
    return key in RENAMED or key in GONE or _starts(key, OLDER_SPACES) or _starts(key, OLDER_STORES)


def _starts(key: str, names: Sequence[str]) -> bool:
    return any(key.startswith(name) if name.endswith(".") else key == name for name in names)


def _spaces(entered: Mapping[str, Any], listed: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Return the list of drying spaces, the usual one first; empty where nothing was entered of them."""
    if not listed and not any(_starts(key, OLDER_SPACES) for key in entered):
        return []
    keys = list(entered)
    usual = str(entered.get("drying_method", "tarpaulin"))
    areas = {method: entered.get(f"drying_area.{method}") for method in drying_method_table()}
    sheets = entered.get("plan.tarpaulin_m2")
    rival = "drying_area.tarpaulin"
    if sheets and (rival not in keys or keys.index("plan.tarpaulin_m2") > keys.index(rival)):
        areas["tarpaulin"] = sheets
    rows = [
        {
            "name": row["name"],
            "method": row["method"],
            "area_m2": row["area_m2"],
            "hire_per_bag_day": row.get("hire_per_bag_day", 0.0),
            "access": "hire" if row.get("hire_per_bag_day", 0.0) > 0 else "own",
        }
        for row in listed
    ]
    if not rows:
        rows = [
            {"method": method, "access": "own", **({"area_m2": area} if area else {})}
            for method, area in areas.items()
            if area or method == usual
        ]
    at_a_time = entered.get("plan.dryer_kg")
    if at_a_time and not any(row["method"] == "mechanical" for row in rows):
        load = entered.get("drying_load.mechanical") or drying_method_table()["mechanical"]["load_kg_m2"]
        rows.append({"method": "mechanical", "access": "hire", "area_m2": at_a_time / load})
    for row in rows:
        row |= _space_costs(entered, row)
    return sorted(rows, key=lambda row: row["method"] != usual)


def _space_costs(entered: Mapping[str, Any], row: Mapping[str, Any]) -> dict[str, Any]:
    """Return load and costs of a space where they were entered, in the units of now."""
    method = row["method"]
    found: dict[str, Any] = {"load_kg_m2": entered.get(f"drying_load.{method}")}
    if method == "mechanical":
        fee = entered.get("dryer_fee_per_point")
        cost = entered.get("plan.dryer_cost_kg")
        found["fee_per_point_kg"] = fee / BAG_KG if fee is not None else None if cost is None else cost / FEE_POINTS
    else:
        found["cost_per_kg"] = entered.get("plan.drying_cost_kg")
    if method == "tarpaulin" and entered.get("drying_tarpaulin_price") is not None and row.get("area_m2"):
        found["price"] = entered["drying_tarpaulin_price"] * row["area_m2"] / 24.0  # it was that of 4 by 6 m
    return {name: value for name, value in found.items() if value is not None}


def _stores(entered: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the list of stores and bags that the older settings spoke of."""
    woven = {"unit_cost": entered.get("bag_cost.woven_bag")}
    sealed = {"unit_cost": entered.get("bag_cost.hermetic_bag"), "seasons": entered.get("plan.sealed_bag_seasons")}
    dust = {"treatment_cost": entered.get("bag_cost.protectant")}
    at_hand = int(entered.get("plan.woven_bags_owned", 1000))
    own_sealed = int(entered.get("plan.sealed_bags_owned", 0))
    rows: list[dict[str, Any]] = [
        {"method": "woven_bag", "access": "own", "units": at_hand, **woven},
        {"method": "woven_bag_protectant", "access": "own", "units": at_hand, **woven, **dust},
        {
            "method": "hermetic_bag",
            "access": "buy",
            "units": int(entered.get("plan.sealed_bags_buyable", 200)),
            **sealed,
        },
    ]
    if own_sealed:
        rows.append({"name": "sealed bags at hand", "method": "hermetic_bag", "access": "own", "units": own_sealed})
        rows[-1] |= sealed
    for method, price in (("metal_silo", entered.get("bag_cost.metal_silo")), ("crib", entered.get("bag_cost.crib"))):
        if price is not None:
            rows.append({"method": method, "access": "buy", "units": 0, "unit_cost": price})
    fee = entered.get("storage_fee.warehouse")
    if fee is not None:
        rows.append({"method": "warehouse", "access": "hire", "units": 0, "cost_per_kg_month": fee / BAG_KG})
    return [{name: value for name, value in row.items() if value is not None} for row in rows]
