"""From a group's records to a planning case and its scenarios."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from typing import Any

import pandas as pd

from core.errors import DryholdError, PlanError
from core.messages import Message, message
from core.planning.case import (
    CaseBuyer,
    CaseLot,
    CashNeed,
    Climate,
    CropPrice,
    DryingChoice,
    PlanningCase,
    Reserve,
    StorageChoice,
    Truck,
)
from core.planning.outlook import Outlook, build_outlook
from core.planning.rooms import RoomData, room_physics

WISHES = "planning"
DRY_TARGET_PCT = 13.0


@dataclass(frozen=True)
class BuiltCase:
    """A case built from records, with what the rooms need to draw its scenarios, and what could not be taken in."""

    case: PlanningCase
    data: RoomData
    notes: tuple[Message, ...]


def read_wishes(store: Any, group_id: int) -> dict[str, list[dict[str, Any]]]:
    """Return what the group has entered for planning: lists "needs", "buyers", "reserves" of plain rows."""
    kept = store.documents.read(WISHES, str(group_id)) or {}
    return {name: list(kept.get(name, [])) for name in ("needs", "buyers", "reserves")}


def write_wishes(store: Any, group_id: int, wishes: Mapping[str, list[dict[str, Any]]], at: datetime) -> None:
    """Keep what the group has entered for planning."""
    store.documents.write(WISHES, str(group_id), dict(wishes), at)


def build_case(store: Any, group_id: int, today: date, **changes: Any) -> BuiltCase:
    """Return the planning case of a group's records.

    Parameters
    ----------
    store : Store
        The group's records.
    group_id : int
        Which group.
    today : date
        The first day of the plan.
    **changes
        Choices of the person who asks: weeks, risk_weight, interest_monthly, certainty, seed, scenarios, ...
        `lots` with `target_pct` plan those lots instead of the recorded ones.

    Raises
    ------
    PlanError
        If there is no tested lot with a price to plan.
    """
    from core.grain.commodities import commodity_codes
    from core.group.lot_state import current_lot_states

    group, facts = store.group(group_id), store.facts(group_id)

    def value(key: str, otherwise: float = 0.0) -> float:
        return float(facts[key].value) if key in facts and facts[key].value is not None else otherwise

    now = datetime.combine(today, time(23, 59), tzinfo=UTC)
    members = {member.id: member.name for member in store.members(group_id)}
    notes: list[Message] = []
    prices: list[CropPrice] = []
    lots: list[CaseLot] = []
    given: tuple[CaseLot, ...] = changes.pop("lots", ())
    targets: dict[str, float] = dict(changes.pop("target_pct", ()))
    states = [] if given else current_lot_states(store, group_id, now)
    states = [state for state in states if state.bags > 0 and state.lot.use != "seed"]
    for crop in sorted({state.lot.commodity for state in states} | {lot.commodity for lot in given}):
        if crop not in commodity_codes():
            notes.append(message("the drying and storing of {crop} is not known yet: its lots are left out", crop=crop))
            continue
        made = crop_price(store, group_id, crop, value("maize_price_kg", 0.3))
        if made is None:
            notes.append(message("no price is known for {crop}: enter one, its lots are left out", crop=crop))
        else:
            prices.append(made)
    priced = {price.commodity for price in prices}
    lots += [lot for lot in given if lot.commodity in priced]
    for state in states:
        lot = state.lot
        if lot.commodity not in priced:
            continue
        if state.moisture is None or state.mass_now_kg <= 0:
            notes.append(message("lot {lot} has not been tested or weighed: it is left out until it is", lot=lot.label))
            continue
        week = max(0, (lot.harvested_on - today).days // 7) if lot.harvested_on else 0
        mass = state.grain_kg if state.grain_kg > 0 else state.mass_now_kg
        owner = members.get(lot.owner_id, "pool") if lot.owner_id else "pool"
        lots.append(
            CaseLot(
                str(lot.id), lot.label, owner, lot.commodity, int(state.bags), round(mass / state.bags, 3), round(float(state.moisture.mean_pct), 3),
                round(min(float(state.moisture.standard_error_pct), 3.0), 3), week, False, lot.form,
            )
        )  # fmt: skip
        targets[lot.commodity] = min(targets.get(lot.commodity, 99.0), round(float(state.limit.moisture_pct), 1))
    if not lots:
        raise PlanError("no lot can be planned yet: a lot needs bags, a test of its moisture, and a price of its crop")
    wishes = read_wishes(store, group_id)
    weeks = int(changes.pop("weeks", value("plan.weeks", 32)))
    mass_total = sum(lot.bags * lot.bag_mass_kg for lot in lots)
    bags = sum(lot.bags for lot in lots)
    data = room_data(store, group, now)
    settings: dict[str, Any] = {
        "name": group.name, "start": today, "weeks": weeks, "scenarios": int(value("plan.scenarios", 200)), "seed": 2026, "lots": tuple(lots),
        "drying": _drying(value), "storage": _storage(value, bags), "prices": tuple(prices), "buyers": _buyers(wishes["buyers"], value, targets, today, weeks),
        "truck": Truck(value("plan.truck_kg", 5000), value("plan.truck_trip_cost"), value("plan.truck_km_cost"), int(value("plan.trips_per_week", 2)), value("plan.loading_cost_bag")),
        "needs": _needs(wishes["needs"], today, weeks), "reserves": _reserves(wishes["reserves"], value, prices, weeks),
        "climate": Climate(data.place.latitude, data.place.longitude, data.place.altitude_m or 0.0, data.place.time_zone, forecast_id=str(getattr(data.forecast, "issued_at", ""))),
        "interest_monthly": value("interest_monthly", value("plan.interest_monthly", 0.03)), "emergency_interest_monthly": value("plan.emergency_interest_monthly", 0.1),
        "risk_weight": value("plan.risk_weight"), "certainty": value("plan.certainty", 0.9), "store_bags": int(value("plan.store_bags")) or None,
        "target_pct": tuple(sorted(targets.items())), "currency": group.currency, "start_delays": (0, 1) if mass_total > 3000 else (0,),
    }  # fmt: skip
    return BuiltCase(PlanningCase(**{**settings, **changes}), data, tuple(notes))


def build_group_outlook(built: BuiltCase, seed: int | None = None, like: Outlook | None = None) -> Outlook:
    """Return the outlook of a group's case from the real drying, storage and price rooms."""
    used = built.case.seed if seed is None else seed
    return build_outlook(built.case, used, room_physics(built.case, used, built.data), like)


def crop_price(store: Any, group_id: int, commodity: str, maize_price: float) -> CropPrice | None:
    """Return today's price and the monthly history of a crop at the market with most quotes; maize has an assumed price, others None."""
    quotes = store.price_quotes(group_id, commodity)
    if quotes is None or quotes.empty:
        return CropPrice(commodity, maize_price) if commodity == "maize" else None
    quotes = quotes[quotes["price_per_kg"] > 0]
    market = quotes["market"].value_counts().index[0]
    here = quotes[quotes["market"] == market].copy()
    here["quoted_on"] = pd.to_datetime(here["quoted_on"])
    monthly = here.groupby(here["quoted_on"].dt.to_period("M"))["price_per_kg"].mean().sort_index()
    last = float(here.sort_values("quoted_on")["price_per_kg"].iloc[-1])
    history = tuple((str(month), round(float(price), 6)) for month, price in monthly.items())
    return CropPrice(commodity, round(last, 6), (), 0.03, history)


def room_data(store: Any, group: Any, now: datetime) -> RoomData:
    """Return forecast, normals and place of a group, from what is stored or bundled (no network)."""
    from core.weather.forecast import bundled_forecast, get_forecast
    from core.weather.normals import get_normals
    from core.weather.place import Place

    place = Place(group.latitude or 0.0, group.longitude or 0.0, group.altitude_m or 0.0, group.time_zone)
    normals = get_normals(place, store.documents, now, None)
    if isinstance(normals, tuple):
        normals = normals[0]
    try:
        forecast = get_forecast(place, store.documents, now, None, normals=normals)
    except (DryholdError, TypeError):
        forecast = bundled_forecast(place, now)
    seen = {"yes": True, "no": False}.get(str(store.fact(group.id, "borer_present").value).strip().lower())
    return RoomData(forecast, normals, place, seen)


def _drying(value: Any) -> tuple[DryingChoice, ...]:
    area, load = value("plan.tarpaulin_m2", 60.0), 20.0
    made = []
    if area > 0:
        made.append(
            DryingChoice(
                "sheets",
                "drying sheets",
                "tarpaulin",
                area * load,
                area,
                load,
                value("plan.drying_cost_kg"),
                value("plan.handling_loss", 0.005),
            )
        )
    if value("plan.dryer_kg") > 0:
        made.append(
            DryingChoice(
                "dryer",
                "hired dryer",
                "mechanical",
                value("plan.dryer_kg"),
                1.0,
                0.0,
                value("plan.dryer_cost_kg"),
                value("plan.handling_loss", 0.005),
            )
        )
    return tuple(made)


def _storage(value: Any, bags: int) -> tuple[StorageChoice, ...]:
    owned = int(value("plan.woven_bags_owned", 1000))
    seasons = max(1.0, value("plan.sealed_bag_seasons", 3.0))
    woven = value("bag_cost.woven_bag", 0.5)
    return (
        StorageChoice("woven", "woven bags", "woven_bag", owned, bags, woven),
        StorageChoice(
            "treated",
            "woven bags with protectant",
            "woven_bag_protectant",
            owned,
            bags,
            woven,
            0.0,
            value("bag_cost.protectant", 0.6),
        ),
        StorageChoice(
            "sealed",
            "sealed bags",
            "hermetic_bag",
            int(value("plan.sealed_bags_owned")),
            int(value("plan.sealed_bags_buyable", 200)),
            value("bag_cost.hermetic_bag", 2.4) / seasons,
        ),
    )


def _week(day: str, today: date) -> int:
    return (date.fromisoformat(day) - today).days // 7


def _buyers(
    rows: list[dict[str, Any]], value: Any, targets: Mapping[str, float], today: date, weeks: int
) -> tuple[CaseBuyer, ...]:
    """Return the market and the farm gate, and every buyer or dated offer that the group entered."""
    limit = round(max([*targets.values(), DRY_TARGET_PCT]) + 0.5, 1)
    cut = value("plan.discount_per_point", 0.02)
    made = [
        CaseBuyer("gate", "trader at the farm gate", 0.0, price_factor=value("plan.gate_factor", 0.88), moisture_limit_pct=limit, discount_per_point=cut, refusal_pct=25.0),
        CaseBuyer(
            "market", "market", value("plan.market_km", 15.0), moisture_limit_pct=limit, discount_per_point=cut, refusal_pct=limit + 3.5, fee_fraction=value("plan.market_fee", 0.02),
            weekly_kg=value("plan.market_weekly_kg", 6000.0), price_fall=value("plan.price_fall", 0.05),
        ),
    ]  # fmt: skip
    for number, row in enumerate(rows):
        first = max(0, _week(row["from"], today)) if row.get("from") else 0
        last = _week(row["until"], today) if row.get("until") else None
        if last is not None and last < 0:
            continue
        price = float(row.get("price_per_kg") or 0) or None
        made.append(
            CaseBuyer(
                f"buyer-{number + 1}", str(row.get("name") or f"buyer {number + 1}"), float(row.get("distance_km") or 0), tuple(filter(None, [row.get("commodity")])),
                float(row.get("price_factor") or 1.0), price, float(row.get("moisture_limit_pct") or limit), cut, float(row.get("refusal_pct") or 0) or limit + 1.0,
                fee_fraction=float(row.get("fee_fraction") or 0), pay_delay_weeks=round(float(row.get("pay_delay_days") or 0) / 7), chance_failing=float(row.get("chance_failing") or 0),
                quantity_kg=float(row.get("quantity_kg") or 0) or None, minimum_kg=float(row.get("minimum_kg") or 0), first_week=first, last_week=last,
            )
        )  # fmt: skip
    return tuple(made)


def _needs(rows: list[dict[str, Any]], today: date, weeks: int) -> tuple[CashNeed, ...]:
    made = [
        CashNeed(
            _week(row["on"], today), float(row["amount"]), str(row.get("member") or ""), str(row.get("label") or "")
        )
        for row in rows
        if row.get("on") and float(row.get("amount") or 0) > 0
    ]
    return tuple(need for need in made if 0 <= need.week < weeks)


def _reserves(rows: list[dict[str, Any]], value: Any, prices: list[CropPrice], weeks: int) -> tuple[Reserve, ...]:
    now = {price.commodity: price.price_now for price in prices}
    made = [
        Reserve(str(row.get("label") or "reserve"), row["commodity"], float(row["kg"]), min(weeks - 1, int(row.get("weeks") or weeks - 1)), float(row.get("value_per_kg") or now[row["commodity"]] * 1.3), bool(row.get("evenly", True)))
        for row in rows
        if row.get("commodity") in now and float(row.get("kg") or 0) > 0
    ]  # fmt: skip
    weekly = value("plan.home_use_kg_week")
    if weekly > 0 and "maize" in now:
        made.append(Reserve("home use", "maize", weekly * weeks, weeks - 1, now["maize"] * 1.3))
    return tuple(made)
