"""From a group's records to a planning case and its scenarios."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time
from typing import Any

import pandas as pd

from core.drying.field import may_be_left
from core.errors import PlanError
from core.group.own_crops import own_crops
from core.group.possessions import Possessions, possessions
from core.group.selling import basis_to, buyer_book, crop_prices, own_prices, usual_buyers
from core.group.sieves import last_sieves
from core.market.buyer_book import BuyerBook
from core.market.buyers import Buyer
from core.messages import Message, message
from core.planning.case import (
    CaseBuyer,
    CaseLot,
    CashNeed,
    Climate,
    CropPrice,
    DryingChoice,
    PlanningCase,
    StorageChoice,
    Truck,
)
from core.planning.case_lots import (
    LotRules,
    coming_harvests,
    own_crop_notes,
    recorded_lots,
    sealed_bags_filled,
    spaced_harvests,
    target_choices,
)
from core.planning.group_seasons import Surroundings, group_seasons
from core.planning.kept_back import promised_sales, reserves_of
from core.planning.outlook import Outlook, build_outlook
from core.planning.wishes import read_wishes

DRY_TARGET_PCT = 13.0


@dataclass(frozen=True)
class BuiltCase:
    """A case built from records, with what the rooms need to draw its scenarios, and what could not be taken in."""

    case: PlanningCase
    data: Surroundings
    notes: tuple[Message, ...]


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
    from core.group.lot_state import current_lot_states, judging_rules

    group, facts, has = store.group(group_id), store.facts(group_id), possessions(store, group_id)

    def value(key: str) -> float:
        return float(facts[key].value)

    now = datetime.combine(today, time(23, 59), tzinfo=UTC)
    members = {member.id: member.name for member in store.members(group_id)}
    notes: list[Message] = []
    prices: list[CropPrice] = []
    lots: list[CaseLot] = []
    given: tuple[CaseLot, ...] = changes.pop("lots", ())
    targets: dict[str, float] = dict(changes.pop("target_pct", ()))
    weeks = int(changes.pop("weeks", value("plan.weeks")))
    wishes, crops = read_wishes(store, group_id), own_crops(store, group_id)
    states = [] if given else [state for state in current_lot_states(store, group_id, now) if state.bags > 0]
    harvests = [] if given else wishes["harvests"]
    asked = {state.lot.commodity for state in states} | {row["commodity"] for row in harvests}
    for crop in sorted(asked | {lot.commodity for lot in given}):
        if crop not in commodity_codes() and crop not in crops:
            notes.append(message("the drying and storing of {crop} is not known yet: its lots are left out", crop=crop))
            continue
        made = crop_price(store, group_id, crop, value("maize_price_kg"), value("price_rise_monthly"))
        if made is None:
            notes.append(message("no price is known for {crop}: enter one, its lots are left out", crop=crop))
        else:
            prices.append(made)
    priced = {price.commodity for price in prices}
    lots += [lot for lot in given if lot.commodity in priced]
    rules = LotRules(
        today,
        weeks,
        int(value("plan.field_weeks")),
        value("plan.harvest_moisture_pct"),
        not_left=frozenset(crop for crop in priced if not may_be_left(crops.get(crop, crop))),
    )
    found = recorded_lots(states, members, priced, last_sieves(store.events(group_id, "diary")), rules)
    coming = coming_harvests(harvests, group_id, priced, judging_rules(store, group_id), rules)
    lots += spaced_harvests([*found.lots, *coming.lots])
    notes += [*found.notes, *coming.notes, *own_crop_notes(crops, {lot.commodity for lot in lots})]
    for crop, target in (*found.targets.items(), *coming.targets.items()):
        targets[crop] = min(targets.get(crop, 99.0), target)
    if not lots:
        raise PlanError("no lot can be planned yet: a lot needs bags, a test of its moisture, and a price of its crop")
    mass_total = sum(lot.bags * lot.bag_mass_kg for lot in lots)
    bags = sum(lot.bags for lot in lots)
    data = replace(surroundings_of(store, group, now), crops=crops)
    buyers = with_meter_offsets(_buyers(store, group_id, value, prices, targets, today), facts)
    buyers += promised_sales([] if given else wishes["promises"], store.sales(group_id), lots, today, weeks, value)
    settings: dict[str, Any] = {
        "name": group.name,
        "start": today,
        "weeks": weeks,
        "scenarios": int(value("plan.scenarios")),
        "seed": 2026,
        "lots": tuple(lots),
        "drying": drying_choices(has, value("plan.handling_loss")),
        "storage": storage_choices(has, mass_total / bags, sealed_bags_filled(states)),
        "prices": tuple(prices),
        "buyers": buyers,
        "truck": Truck(
            has.truck.capacity_kg,
            has.truck.trip_cost,
            has.truck.km_cost,
            has.truck.trips_per_week,
            has.truck.loading_cost_bag,
        ),
        "needs": _needs(wishes["needs"], today, weeks),
        "reserves": () if given else reserves_of(wishes["reserves"], value, prices, lots, targets, weeks),
        "climate": Climate(
            data.place.latitude,
            data.place.longitude,
            data.place.altitude_m or 0.0,
            data.place.time_zone,
            forecast_id=str(getattr(data.forecast, "issued_at", "")),
        ),
        "interest_monthly": float(facts["interest_monthly"].value),
        "emergency_interest_monthly": value("plan.emergency_interest_monthly"),
        "risk_weight": value("plan.risk_weight"),
        "certainty": value("plan.certainty"),
        "store_bags": int(value("plan.store_bags")) or None,
        "target_pct": tuple(sorted(targets.items())),
        "target_choices": target_choices(targets, buyers),
        "currency": group.currency,
        "start_delays": (0, 1) if mass_total > 3000 else (0,),
    }
    return BuiltCase(PlanningCase(**{**settings, **changes}), data, tuple(notes))


def build_group_outlook(built: BuiltCase, seed: int | None = None, like: Outlook | None = None) -> Outlook:
    """Return the outlook of a group's case from the real drying, storage and price rooms."""
    used = built.case.seed if seed is None else seed
    return build_outlook(built.case, used, group_seasons(built.case, used, built.data), like)


def with_meter_offsets(buyers: tuple[CaseBuyer, ...], facts: Mapping[str, Any]) -> tuple[CaseBuyer, ...]:
    """Return buyers with what their meters read above ours [points].

    From a fact `buyer_offset.NAME`, where nothing else says it.
    """
    known = {
        key.removeprefix("buyer_offset.").strip().lower(): fact.value
        for key, fact in facts.items()
        if key.startswith("buyer_offset.")
    }
    made = []
    for who in buyers:
        # an offer carries its buyer's name and its last day
        offset = known.get(who.name.strip().lower(), known.get(who.name.split(" (")[0].strip().lower()))
        if offset is not None and who.deductions.meter_offset_pct == 0.0:
            made.append(replace(who, deductions=replace(who.deductions, meter_offset_pct=float(offset))))
        else:
            made.append(who)
    return tuple(made)


MOST_NEIGHBOURS = 6
LEAST_NEIGHBOUR_MONTHS = 24


def crop_price(
    store: Any, group_id: int, commodity: str, maize_price: float, price_rise: float | None = None
) -> CropPrice | None:
    """Return today's price and the monthly history of a crop at its reference market.

    Maize has an assumed price, others None.

    The other markets of the group's quotes are kept beside it, for they lend their season; `price_rise` is the
    general rise a month.
    """
    gate = float(store.fact(group_id, "plan.gate_factor").value)
    found = crop_prices(store.price_quotes(group_id, commodity), gate, MOST_NEIGHBOURS, LEAST_NEIGHBOUR_MONTHS)
    if found is None:
        return CropPrice(commodity, maize_price) if commodity == "maize" else None
    neighbours = tuple(_rows(series) for series in found.neighbours)
    return CropPrice(commodity, round(found.price_now, 6), (), 0.03, _rows(found.months), neighbours, price_rise)


def _rows(months: pd.Series) -> tuple[tuple[str, float], ...]:
    """Return months with their price, oldest first."""
    return tuple((str(month), round(float(price), 6)) for month, price in months.items())


def surroundings_of(store: Any, group: Any, now: datetime) -> Surroundings:
    """Return forecast, normals and place of a group, from what is stored or bundled (no network)."""
    from core.weather.forecast import get_forecast
    from core.weather.place import Place
    from core.weather.usual import get_normals

    place = Place(group.latitude or 0.0, group.longitude or 0.0, group.altitude_m or 0.0, group.time_zone)
    normals = get_normals(place, store.documents, now, None)
    forecast = get_forecast(place, store.documents, now, None, normals=normals)
    seen = {"yes": True, "no": False}.get(str(store.fact(group.id, "borer_present").value).strip().lower())
    return Surroundings(forecast, normals, place, seen)


FEE_POINTS = 5.0  # points of moisture by which grain is usually dried in a hired dryer


def drying_choices(has: Possessions, handling_loss: float) -> tuple[DryingChoice, ...]:
    """Return the group's drying spaces as the plan takes them; a hired dryer's fee is for five points of moisture."""
    return tuple(
        DryingChoice(
            f"{space.method}-{number}",
            space.name,
            space.method,
            space.capacity_kg,
            space.area_m2,
            space.load_kg_m2,
            space.cost_of_drying(FEE_POINTS),
            handling_loss,
        )
        for number, space in enumerate(has.spaces, start=1)
    )


def storage_choices(has: Possessions, bag_kg: float, sealed_filled: int) -> tuple[StorageChoice, ...]:
    """Return the group's ways to store, one of each method.

    Sealed bags that hold grain already stay with the group beside the empty ones.
    """
    made = []
    for method in dict.fromkeys(one.method for one in has.stores):
        rows = [one for one in has.stores if one.method == method]
        own = sum(one.bags(bag_kg) for one in rows if one.access == "own")
        filled = sealed_filled if method == "hermetic_bag" else 0
        made.append(
            StorageChoice(
                method,
                rows[0].name,
                method,
                own + filled,
                sum(one.bags(bag_kg) for one in rows if one.access != "own"),
                rows[0].cost_per_bag(bag_kg),
                rows[0].cost_per_kg_month * bag_kg,
                rows[0].treatment_per_bag(bag_kg),
            )
        )
    return tuple(made)


def _week(day: str, today: date) -> int:
    return (date.fromisoformat(day) - today).days // 7


def _buyers(
    store: Any, group_id: int, value: Any, prices: list[CropPrice], targets: Mapping[str, float], today: date
) -> tuple[CaseBuyer, ...]:
    """Return the market, the farm gate, and every buyer and dated offer of the group's book that can still be used."""
    book = buyer_book(store, group_id)
    limit = round(max([*targets.values(), DRY_TARGET_PCT]) + 0.5, 1)
    capacity = value("truck.capacity_kg")
    trader, town = usual_buyers(store.facts(group_id), limit)
    gate = replace(_case_buyer(trader, capacity), code="gate", price_factor=1.0)
    references = {price.commodity: _reference(store, group_id, price.commodity) for price in prices}
    made = _by_basis(store, group_id, gate, None, references, book, today, trader.price_factor)
    made.append(replace(_case_buyer(town, capacity), code="market"))
    for entry in book.standing_buyers():
        if entry.only_offers:
            continue
        who = replace(_case_buyer(entry.buyer, capacity), code=f"buyer-{entry.number}")
        if "price_factor" in entry.entered:
            made.append(replace(who, price_factor=entry.buyer.price_factor))
        else:
            mine = {crop: found for crop, found in references.items() if entry.buyer.takes(crop)}
            made += _by_basis(store, group_id, who, entry.buyer.name, mine, book, today, 1.0)
    for item in book.standing_offers(today):
        offer = item.offer
        if not offer.buyer.takes(offer.commodity):
            continue
        made.append(
            replace(
                _case_buyer(offer.buyer, capacity),
                code=f"offer-{item.number}",
                name=f"{offer.buyer.name} ({offer.valid_until.isoformat()})",
                commodities=(offer.commodity,),
                fixed_price=offer.price_per_kg,
                chance_failing=offer.chance_not_honoured,
                quantity_kg=_finite(offer.quantity_kg),
                first_week=max(0, _week(offer.valid_from.isoformat(), today)),
                last_week=_week(offer.valid_until.isoformat(), today),
            )
        )
    return tuple(made)


def _finite(number: float) -> float | None:
    return number if math.isfinite(number) else None


def _case_buyer(buyer: Buyer, truck_kg: float) -> CaseBuyer:
    """Return a buyer's terms as the plan takes them."""
    # The plan counts trips of the group's own truck: another size is paid by what it carries.
    trip = buyer.trip_cost * (truck_kg / buyer.truck_kg if math.isfinite(buyer.truck_kg) else 1.0)
    return CaseBuyer(
        code="",
        name=buyer.name,
        distance_km=buyer.distance_km,
        commodities=buyer.commodities,
        price_factor=buyer.price_factor,
        deductions=buyer.deductions,
        fee_fraction=buyer.fee_share,
        pay_delay_weeks=round(buyer.pay_delay_days / 7),
        weekly_kg=_finite(buyer.weekly_quantity_kg),
        price_fall=2 * buyer.price_fall_per_double,
        minimum_kg=buyer.minimum_kg,
        inspects=buyer.inspects,
        refuses_treated=buyer.refuses_treated,
        trip_cost=trip,
    )


def _reference(store: Any, group_id: int, commodity: str) -> pd.Series | None:
    """Return the months of a crop's reference market, or None without prices."""
    gate = float(store.fact(group_id, "plan.gate_factor").value)
    found = crop_prices(store.price_quotes(group_id, commodity), gate)
    return None if found is None else found.months


def _by_basis(
    store: Any,
    group_id: int,
    who: CaseBuyer,
    name: str | None,
    references: Mapping[str, pd.Series | None],
    book: BuyerBook,
    today: date,
    usual: float,
) -> list[CaseBuyer]:
    """Return a buyer with what the group's own sales say of his price against the market's.

    By crop where that was learnt, else as usual.
    """
    made, unknown = [], []
    for crop, reference in references.items():
        basis = None
        if reference is not None:
            basis = basis_to(reference, own_prices(store, group_id, crop, book, name), today, usual)
        if basis is None or not basis.quotes:
            unknown.append(crop)
        else:
            code = f"{who.code}-{crop}" if len(references) > 1 else who.code
            made.append(
                replace(
                    who,
                    code=code,
                    commodities=(crop,),
                    price_factor=round(basis.factor, 4),
                    basis_sd=round(basis.factor_log_sd, 4),
                )
            )
    if unknown:
        made.append(replace(who, commodities=tuple(unknown) if made else who.commodities, price_factor=usual))
    return made


def _needs(rows: list[dict[str, Any]], today: date, weeks: int) -> tuple[CashNeed, ...]:
    made = [
        CashNeed(
            _week(row["on"], today), float(row["amount"]), str(row.get("member") or ""), str(row.get("label") or "")
        )
        for row in rows
        if row.get("on") and float(row.get("amount") or 0) > 0
    ]
    return tuple(need for need in made if 0 <= need.week < weeks)
