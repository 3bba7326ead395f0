"""What a group has, can hire or buy, as the plan's ways to dry and to store: every row of the lists in `core.group`."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from core.drying.setups import drying_method
from core.grain.commodities import Commodity
from core.group.lot_state import LotState
from core.group.possessions import DryingSpace, GrainStore
from core.group.possessions import Truck as GroupTruck
from core.planning.case import DryingChoice, StorageChoice, Truck
from core.storage.methods import get_method
from core.storage.safety import sealing_limit


def drying_choices(spaces: Sequence[DryingSpace], handling_loss: float) -> tuple[DryingChoice, ...]:
    """Return every drying space as a way to dry; one that would have to be bought carries its price.

    Parameters
    ----------
    handling_loss : float
        Fraction of dried grain lost in handling.
    """
    return tuple(
        DryingChoice(
            code=f"space-{number + 1}",
            name=space.name,
            method=space.method,
            capacity_kg=space.capacity_kg,
            area_m2=space.area_m2,
            load_kg_m2=space.load_kg_m2,
            cost_per_kg=space.cost_per_kg,
            handling_loss=handling_loss,
            fee_per_point_kg=space.fee_per_point_kg,
            hire_per_bag_day=space.hire_per_bag_day,
            price=(space.price or 0.0) if space.access == "buy" else 0.0,
            unshelled=bool(drying_method(space.method)["unshelled"]),
            powered=bool(drying_method(space.method)["powered"]),
        )
        for number, space in enumerate(spaces)
    )


def storage_choices(
    stores: Sequence[GrainStore],
    filled: Mapping[str, int],
    bag_kg: float,
    crops: Mapping[str, str | Commodity],
    waiting_days: Mapping[str, int],
) -> tuple[StorageChoice, ...]:
    """Return every store of a group as a way to store; own and buyable bags of one method are one way.

    Parameters
    ----------
    filled : mapping of method to bags
        What holds grain already: its lots can stay in it, and it is free when they are sold.
    waiting_days : mapping of method to days
        Until treated grain may be sold or eaten.
    """
    made: dict[tuple[object, ...], StorageChoice] = {}
    for number, one in enumerate(stores):
        method = get_method(one.method)
        units = 1 if one.unit == "bag" else max(1, int(one.unit_capacity_kg // bag_kg))
        fees = round(one.treatment_per_bag(bag_kg), 9), round(one.cost_per_kg_month * bag_kg, 9)
        at_hand, to_buy = (0, one.bags(bag_kg)) if one.access == "buy" else (one.bags(bag_kg), 0)
        key = (one.method, units, *fees)
        if key not in made:
            made[key] = StorageChoice(
                code=f"store-{number + 1}",
                name=one.name,
                method=one.method,
                owned_bags=filled.get(one.method, 0),
                cost_per_bag_month=fees[1],
                treatment_per_bag=fees[0],
                waiting_days=waiting_days.get(one.method, 0),
                seal_below_pct=seal_limits(one.method, crops),
                bags_per_unit=units,
                unshelled=method.unshelled,
            )
        there = made[key]
        made[key] = replace(
            there,
            owned_bags=there.owned_bags + at_hand,
            buyable_bags=there.buyable_bags + to_buy,
            cost_per_bag=one.cost_per_bag(bag_kg) if to_buy else there.cost_per_bag,
        )
    return tuple(made.values())


def seal_limits(method: str, crops: Mapping[str, str | Commodity]) -> tuple[tuple[str, float], ...]:
    """Return the moisture above which a crop is not sealed in a method [% w.b.], empty for one that is not sealed."""
    found = ((code, sealing_limit(crop, method)) for code, crop in sorted(crops.items()))
    return tuple((code, round(limit, 3)) for code, limit in found if limit is not None)


def filled_bags(states: Iterable[LotState]) -> dict[str, int]:
    """Return how many bags hold grain already, by method."""
    found: dict[str, int] = {}
    for state in states:
        method = state.lot.storage_method
        if state.lot.status == "stored" and method:
            found[method] = found.get(method, 0) + int(state.bags)
    return found


def truck_of(truck: GroupTruck) -> Truck:
    """Return the group's truck as the plan takes it."""
    return Truck(
        capacity_kg=truck.capacity_kg,
        cost_per_trip=truck.trip_cost,
        cost_per_km=truck.km_cost,
        trips_per_week=truck.trips_per_week,
        cost_per_bag=truck.loading_cost_bag,
    )
