"""What a group has, or can hire or buy: drying spaces, stores and bags, the truck, the meter. One list of each."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from core.accounts.typed import MOST_AMOUNT
from core.drying.setups import drying_method, drying_method_table
from core.errors import InputError
from core.group.records import Fact
from core.group.store import Store
from core.messages import message
from core.storage.methods import get_method, method_codes

SPACES = "drying_spaces"
STORES = "grain_stores"
TRUCK = ("truck.capacity_kg", "truck.trip_cost", "truck.km_cost", "truck.trips_per_week", "truck.loading_cost_bag")
METER = ("meter.price", "meter.life_seasons", "meter.upkeep_season", "meter.per_test")
ACCESS = ("own", "hire", "buy")
MOST_UNITS = 1_000_000


@dataclass(frozen=True, kw_only=True)
class DryingSpace:
    """A place on which grain is dried.

    Parameters
    ----------
    method : str
        A row of `core/drying/setups.toml`.
    area_m2, load_kg_m2 : float
        Area, and the wet grain on a square metre of it.
    cost_per_kg : float
        Labour and wear of a kilogram dried once, money.
    fee_per_point_kg : float
        A hired dryer's fee for a point of moisture of a kilogram, money.
    hire_per_bag_day : float
        Hire for a bag and day, money.
    price : float or None
        What the space costs to buy, money; None where nobody knows.
    """

    name: str
    method: str
    area_m2: float
    load_kg_m2: float
    access: str = "own"
    cost_per_kg: float = 0.0
    fee_per_point_kg: float = 0.0
    hire_per_bag_day: float = 0.0
    price: float | None = None

    @property
    def capacity_kg(self) -> float:
        """Wet grain that lies on it at one time, kg."""
        return self.area_m2 * self.load_kg_m2

    def cost_of_drying(self, points: float) -> float:
        """Return labour, wear and fee for a kilogram of wet grain dried by `points` of moisture, money."""
        return self.cost_per_kg + self.fee_per_point_kg * max(0.0, points)


@dataclass(frozen=True, kw_only=True)
class GrainStore:
    """Bags or vessels in which grain is kept.

    Parameters
    ----------
    method : str
        A row of `core/storage/methods.toml`.
    access : str
        "own" (empty ones at hand; those that hold grain are counted from the lots), "hire" or "buy".
    unit : str
        What is counted: "bag", "silo", "crib" or "stack". A bag holds a bag of any lot.
    """

    name: str
    method: str
    access: str = "own"
    units: int
    unit: str
    unit_capacity_kg: float
    unit_cost: float = 0.0
    treatment_cost: float = 0.0
    cost_per_kg_month: float = 0.0
    seasons: float = 1.0

    def bags(self, bag_kg: float) -> int:
        """Return how many bags of `bag_kg` fit into all units together."""
        return self.units if self.unit == "bag" else int(self.units * self.unit_capacity_kg // bag_kg)

    def cost_per_bag(self, bag_kg: float) -> float:
        """Return what a season in it costs for a bag of `bag_kg`, without treatment and fee, money."""
        share = 1.0 if self.unit == "bag" else bag_kg / self.unit_capacity_kg
        return self.unit_cost / self.seasons * share

    def treatment_per_bag(self, bag_kg: float) -> float:
        """Return what treating a bag of `bag_kg` once costs, money."""
        return self.treatment_cost * (1.0 if self.unit == "bag" else bag_kg / self.unit_capacity_kg)


@dataclass(frozen=True, kw_only=True)
class Truck:
    """What a trip carries [kg] and costs [money a trip, a km, a bag loaded]; `trips_per_week` can be hired."""

    capacity_kg: float
    trip_cost: float
    km_cost: float
    trips_per_week: int
    loading_cost_bag: float


@dataclass(frozen=True, kw_only=True)
class Meter:
    """The grain moisture meter: its price, money."""

    price: float


@dataclass(frozen=True, kw_only=True)
class Possessions:
    """What a group has.

    Parameters
    ----------
    assumed : frozenset of str
        Those of "spaces", "stores", "truck" and "meter" of which nobody entered anything.
    other_spaces, other_stores : tuple
        One of each method that the group has not listed, with what it usually costs; not at hand (`units` 0).
    """

    spaces: tuple[DryingSpace, ...]
    stores: tuple[GrainStore, ...]
    truck: Truck
    meter: Meter
    assumed: frozenset[str]
    other_spaces: tuple[DryingSpace, ...] = ()
    other_stores: tuple[GrainStore, ...] = ()

    @property
    def usual_method(self) -> str:
        """The way in which the group usually dries: that of its first space."""
        return self.spaces[0].method

    def space(self, method: str) -> DryingSpace:
        """Return the group's first space of a method, else what is assumed of one."""
        return next(space for space in (*self.spaces, *self.other_spaces) if space.method == method)

    def store(self, method: str) -> GrainStore:
        """Return the group's first store of a method, else what is assumed of one (with no unit at hand)."""
        return next(store for store in (*self.stores, *self.other_stores) if store.method == method)


def possessions(store: Store, group_id: int) -> Possessions:
    """Return what a group has, from its records; what nobody entered is assumed."""
    return possessions_from(store.facts(group_id), store.currency_per_usd(group_id))


def possessions_from(facts: Mapping[str, Fact], currency_per_usd: float) -> Possessions:
    """Return what a group has from its facts.

    Parameters
    ----------
    facts : mapping
        By key, with "drying_spaces", "grain_stores", "truck.*" and "meter.*".
    currency_per_usd : float
        Money of the group for a US dollar: for costs that nobody entered.
    """
    spaces = tuple(space_from(row, currency_per_usd) for row in facts[SPACES].value)
    stores = tuple(store_from(row, currency_per_usd) for row in facts[STORES].value)
    check_spaces(spaces)
    check_stores(stores)

    def number(key: str) -> float:
        return float(facts[key].value)

    listed = {"spaces": (SPACES,), "stores": (STORES,), "truck": TRUCK, "meter": METER}
    here = {space.method for space in spaces}
    kept = {one.method for one in stores}
    return Possessions(
        spaces=spaces,
        stores=stores,
        truck=Truck(
            capacity_kg=number("truck.capacity_kg"),
            trip_cost=number("truck.trip_cost"),
            km_cost=number("truck.km_cost"),
            trips_per_week=int(number("truck.trips_per_week")),
            loading_cost_bag=number("truck.loading_cost_bag"),
        ),
        meter=Meter(price=number("meter.price")),
        assumed=frozenset(name for name, keys in listed.items() if all(facts[key].origin == "assumed" for key in keys)),
        other_spaces=tuple(
            space_from({"method": method}, currency_per_usd) for method in drying_method_table() if method not in here
        ),
        other_stores=tuple(
            store_from({"method": method, "access": "buy", "units": 0}, currency_per_usd)
            for method in method_codes()
            if method not in kept
        ),
    )


def space_from(row: Mapping[str, Any], currency_per_usd: float) -> DryingSpace:
    """Return a drying space from a listed row; what it leaves out is the method's own."""
    method = drying_method(str(row["method"]))
    area = _number(row, "area_m2", method["area_m2"])
    price = method.get("price_m2_usd")
    return DryingSpace(
        name=str(row.get("name") or method["label"]),
        method=str(row["method"]),
        area_m2=area,
        load_kg_m2=_number(row, "load_kg_m2", method["load_kg_m2"]),
        access=str(row.get("access") or "own"),
        cost_per_kg=_number(row, "cost_per_kg", method["cost_per_kg_usd"] * currency_per_usd),
        fee_per_point_kg=_number(row, "fee_per_point_kg", method["fee_per_point_kg_usd"] * currency_per_usd),
        hire_per_bag_day=_number(row, "hire_per_bag_day", 0.0),
        price=_number(row, "price", None if price is None else price * area * currency_per_usd),
    )


def store_from(row: Mapping[str, Any], currency_per_usd: float) -> GrainStore:
    """Return a store from a listed row; what it leaves out is the method's own."""
    method = get_method(str(row["method"]))
    fee = method.cost_per_month_usd / method.cost_per_month_unit_kg
    return GrainStore(
        name=str(row.get("name") or method.name),
        method=method.code,
        access=str(row.get("access") or "own"),
        units=int(_number(row, "units", 0)),
        unit=method.unit,
        unit_capacity_kg=_number(row, "unit_capacity_kg", method.unit_capacity_kg),
        unit_cost=_number(row, "unit_cost", method.unit_cost_usd * currency_per_usd),
        treatment_cost=_number(row, "treatment_cost", method.treatment_cost_usd * currency_per_usd),
        cost_per_kg_month=_number(row, "cost_per_kg_month", fee * currency_per_usd),
        seasons=_number(row, "seasons", method.seasons),
    )


def _number(row: Mapping[str, Any], name: str, otherwise: float | None) -> Any:
    """Return a row's number, `otherwise` where the row leaves it out."""
    given = row.get(name)
    if given is None:
        return otherwise
    if isinstance(given, bool) or not isinstance(given, int | float) or not math.isfinite(given):
        raise InputError("'{value}' is not a number", value=given)
    return float(given)


def keep_spaces(
    store: Store,
    group_id: int,
    spaces: Sequence[DryingSpace],
    who: str,
    at: datetime,
    *,
    expected: int | None = None,
    token: str = "",
) -> None:
    """Save a group's list of drying spaces.

    Parameters
    ----------
    store, group_id, who, at
        As `Store.set_fact`.
    spaces : sequence of DryingSpace
        The whole list, the usual one first.
    expected, token
        As `Store.set_fact`.

    Raises
    ------
    InputError
        The list is empty, or a row cannot be.
    """
    check_spaces(spaces)
    rows = [asdict(space) for space in spaces]
    store.set_fact(group_id, SPACES, rows, "entered", who, at, expected=expected, token=token)


def keep_stores(
    store: Store,
    group_id: int,
    stores: Sequence[GrainStore],
    who: str,
    at: datetime,
    *,
    expected: int | None = None,
    token: str = "",
) -> None:
    """Save a group's list of stores and bags; parameters and errors as `keep_spaces`."""
    check_stores(stores)
    rows = [{name: value for name, value in asdict(one).items() if name != "unit"} for one in stores]
    store.set_fact(group_id, STORES, rows, "entered", who, at, expected=expected, token=token)


def check_spaces(spaces: Sequence[DryingSpace]) -> None:
    """Refuse a list of drying spaces that cannot be.

    Raises
    ------
    InputError
        The list is empty, a name is missing or stands twice, a number is out of its range.
    """
    _check_names([space.name for space in spaces], "drying space")
    for space in spaces:
        drying_method(space.method)
        _check_access(space.name, space.access)
        _check(space.name, "area, m²", space.area_m2, 0.1, 100_000)
        _check(space.name, "grain on a square metre, kg", space.load_kg_m2, 0.1, 2000)
        for what, value in (
            ("cost of drying a kg", space.cost_per_kg),
            ("fee per point and kg", space.fee_per_point_kg),
            ("hire of a bag and day", space.hire_per_bag_day),
            ("price", space.price),
        ):
            if value is not None:
                _check(space.name, what, value, 0.0, MOST_AMOUNT)


def check_stores(stores: Sequence[GrainStore]) -> None:
    """Refuse a list of stores that cannot be; errors as `check_spaces`."""
    _check_names([one.name for one in stores], "way of storing")
    for one in stores:
        get_method(one.method)
        _check_access(one.name, one.access)
        _check(one.name, "number", one.units, 0, MOST_UNITS)
        _check(one.name, "what one holds, kg", one.unit_capacity_kg, 0.1, 1e9)
        _check(one.name, "seasons", one.seasons, 0.1, 100)
        for what, value in (
            ("price of one", one.unit_cost),
            ("cost of treating one", one.treatment_cost),
            ("fee for a kg a month", one.cost_per_kg_month),
        ):
            _check(one.name, what, value, 0.0, MOST_AMOUNT)


def _check_names(names: Sequence[str], what: str) -> None:
    if not names:
        raise InputError("the list is empty: enter at least one {what}", what=message(what))
    bare = [name.strip() for name in names]
    if not all(bare):
        raise InputError("every {what} needs a name", what=message(what))
    for name in bare:
        if bare.count(name) > 1:
            raise InputError(
                "two have the name '{name}': give each {what} a name of its own", name=name, what=message(what)
            )


def _check_access(name: str, access: str) -> None:
    if access not in ACCESS:
        raise InputError("{name}: '{access}' is not own, hire or buy", name=name, access=access)


def _check(name: str, what: str, value: float, low: float, high: float) -> None:
    if not low <= value <= high:
        raise InputError(
            "{name}: {what} is {value}; it has to be from {low} to {high}",
            name=name,
            what=message(what),
            value=value,
            low=low,
            high=high,
        )
