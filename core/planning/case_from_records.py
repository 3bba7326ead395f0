"""From a group's records to a planning case and its scenarios."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import pandas as pd

from core.drying.field import may_be_left
from core.drying.learning import RateBelief
from core.errors import NoPlaceError, PlanError
from core.grain.commodities import Commodity, commodity_codes
from core.group.drying_records import learned_rate, remembered_weather
from core.group.facts import yes_or_no
from core.group.lot_state import LotState, current_lot_states, judging_rules
from core.group.own_crops import own_crops
from core.group.possessions import DryingSpace, possessions
from core.group.selling import CropPrices, crop_verdict, group_prices
from core.group.sieves import last_sieves
from core.messages import Message, message
from core.planning.case import DAYS_PER_WEEK, CaseLot, CashNeed, Climate, CropPrice, PlanningCase, nine_digits
from core.planning.case_buyers import case_buyers
from core.planning.case_lots import (
    LotRules,
    coming_harvests,
    own_crop_notes,
    recorded_lots,
    spaced_harvests,
    target_choices,
)
from core.planning.case_possessions import drying_choices, filled_bags, storage_choices, truck_of
from core.planning.drying_ahead import begin_of
from core.planning.group_seasons import Surroundings
from core.planning.kept_back import promised_sales, reserves_of
from core.planning.wishes import read_wishes
from core.storage.methods import get_method, method_codes
from core.storage.safety import waiting_days
from core.weather.place import Place

WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
WALK_SD = 0.03  # weekly change of a price of which too little is known for a season (judgement)
SEED = 2026
HEAT_LIMITS = "drying_temperature_limit."  # settings of the hottest that grain is let get, by crop or seed
LATER_DRYING_KG = 3000.0  # grain from which drying may also begin a week later: the space will not hold all at once


@dataclass(frozen=True)
class BuiltCase:
    """A case built from records, with what the rooms need to draw its scenarios, and what could not be taken in."""

    case: PlanningCase
    data: Surroundings
    notes: tuple[Message, ...]


@dataclass(frozen=True)
class _Grain:
    """The lots of a case, their crops' prices and the moistures dried to [% w.b.], and what had to be said."""

    lots: tuple[CaseLot, ...]
    prices: tuple[CropPrice, ...]
    targets: dict[str, float]
    notes: tuple[Message, ...]


def build_case(store: Any, group_id: int, today: date, **changes: Any) -> BuiltCase:
    """Return the planning case of a group's records.

    Parameters
    ----------
    today : date
        The day of planning; weeks begin on the group's market day.
    **changes
        Choices of the person who asks: weeks, risk_weight, interest_monthly, certainty, seed, scenarios, ...
        `lots` with `target_pct` plan those lots instead of the recorded ones. `unpriced_as_maize` counts crops of
        which no price is known at the price of maize; else they are left out.

    Raises
    ------
    PlanError
        If there is no tested lot with a price to plan.
    """
    group, facts = store.group(group_id), store.facts(group_id)

    def value(key: str) -> float:
        return float(facts[key].value)

    now = datetime.combine(today, time(23, 59), tzinfo=UTC)
    given: tuple[CaseLot, ...] = changes.pop("lots", ())
    wanted: dict[str, float] = dict(changes.pop("target_pct", ()))
    as_maize = bool(changes.pop("unpriced_as_maize", False))
    weeks = int(changes.pop("weeks", value("plan.weeks")))
    start = last_market_day(str(facts["plan.market_day"].value), today)
    wishes, crops, has = read_wishes(store, group_id), own_crops(store, group_id), possessions(store, group_id)
    states = [] if given else [state for state in current_lot_states(store, group_id, now) if state.bags > 0]
    harvests = [] if given else wishes["harvests"]
    asked = {state.lot.commodity for state in states} | {row["commodity"] for row in harvests}
    asked |= {lot.commodity for lot in given}
    market = {crop: group_prices(store, group_id, crop) for crop in sorted(asked)}
    prices = _prices(store, group_id, facts, market, crops, as_maize)
    priced, treated = {price.commodity for price in prices}, treated_days(facts)
    not_left = frozenset(crop for crop in priced if not may_be_left(crops.get(crop, crop)))
    field, moist = int(value("plan.field_weeks")), value("plan.harvest_moisture_pct")
    rules = LotRules(today, start, weeks, field, moist, not_left=not_left, crops=crops)
    grain = _grain(store, group_id, given, wanted, states, harvests, prices, rules)
    # the day's own hours belong to the plan: it is made for the day, whatever the hour
    data = surroundings_of(store, group, begin_of(today, group.time_zone))
    data = replace(data, crops=crops, rates=rates_of(store, group, has.spaces))
    truck, mass = truck_of(has.truck), sum(lot.bags * lot.bag_mass_kg for lot in grain.lots)
    used = {lot.commodity: crops.get(lot.commodity, lot.commodity) for lot in grain.lots}
    bag_kg = mass / max(sum(lot.bags for lot in grain.lots), 1)
    storage = storage_choices(has.stores, filled_bags(states), bag_kg, used, treated)
    sold = {price.commodity: market[price.commodity] for price in grain.prices}
    buyers = case_buyers(store, group_id, facts, sold, grain.targets, truck, start, today)
    kept = wishes["reserves"]
    reserves = () if given else reserves_of(kept, value, grain.prices, grain.lots, grain.targets, weeks)
    promised = [] if given else wishes["promises"]
    buyers += promised_sales(promised, store.sales(group_id), grain.lots, start, weeks, value)
    settings: dict[str, Any] = {
        "name": group.name,
        "start": start,
        "days_gone": (today - start).days,
        "weeks": weeks,
        "lots": grain.lots,
        "drying": drying_choices(has.spaces, value("plan.handling_loss")),
        "storage": storage,
        "prices": grain.prices,
        "buyers": buyers,
        "truck": truck,
        "needs": _needs(wishes["needs"], start, weeks),
        "reserves": reserves,
        "climate": _climate(data),
        "target_pct": tuple(sorted(grain.targets.items())),
        "target_choices": target_choices(grain.targets, buyers),
        "currency": group.currency,
        "start_delays": (0, 1) if mass > LATER_DRYING_KG else (0,),
    }
    return BuiltCase(PlanningCase(**{**_group_settings(value), **settings, **changes}), data, grain.notes)


def _group_settings(value: Callable[[str], float]) -> dict[str, Any]:
    """Return what the group's settings say of every plan: its scenarios, cost of money, caution and room."""
    return {
        "scenarios": int(value("plan.scenarios")),
        "seed": SEED,
        "interest_monthly": value("interest_monthly"),
        "emergency_interest_monthly": value("plan.emergency_interest_monthly"),
        "risk_weight": value("plan.risk_weight"),
        "certainty": value("plan.certainty"),
        "store_bags": int(value("plan.store_bags")) or None,
    }


def last_market_day(market_day: str, today: date) -> date:
    """Return the last market day, today where it is one; weeks begin on it.

    Raises
    ------
    PlanError
        If `market_day` is no day of the week.
    """
    name = market_day.strip().lower()
    if name not in WEEKDAYS:
        raise PlanError("the market day '{day}' is no day of the week: monday to sunday", day=market_day)
    return today - timedelta(days=(today.weekday() - WEEKDAYS.index(name)) % DAYS_PER_WEEK)


def treated_days(facts: Mapping[str, Any]) -> dict[str, int]:
    """Return the days that treated grain waits before it is sold or eaten, by method: the label's, else the table's."""
    own = float(facts["protectant_waiting_days"].value)
    return {code: waiting_days(code, own) for code in method_codes() if get_method(code).treated}


def _prices(
    store: Any,
    group_id: int,
    facts: Mapping[str, Any],
    market: Mapping[str, CropPrices | None],
    crops: Mapping[str, Commodity],
    as_maize: bool,
) -> list[CropPrice]:
    """Return what is known of the price of each crop that can be dried and stored, the price of maize for the others.

    Those are left out unless they are counted `as_maize`.
    """
    maize, rise = float(facts["maize_price_kg"].value), float(facts["price_rise_monthly"].value)
    prices = []
    for crop, found in market.items():
        if crop not in crops and crop not in commodity_codes():
            continue
        price = _crop_price(crop, found, maize, rise) or (CropPrice(crop, maize) if as_maize else None)
        if price is not None:
            prices.append(replace(price, wait=supports_waiting(store, group_id, crop, found)))
    return prices


def supports_waiting(store: Any, group_id: int, commodity: str, known: CropPrices | None) -> bool:
    """Return whether past prices support waiting, by the verdict of the prices page; True where they are too few."""
    found = None if known is None else crop_verdict(store, group_id, commodity, known)
    return True if found is None else found.wait


def _grain(
    store: Any,
    group_id: int,
    given: tuple[CaseLot, ...],
    wanted: Mapping[str, float],
    states: list[LotState],
    harvests: list[dict[str, Any]],
    prices: list[CropPrice],
    rules: LotRules,
) -> _Grain:
    """Return the lots that can be planned: given ones, or those recorded and expected."""
    priced, members = {price.commodity for price in prices}, {one.id: one.name for one in store.members(group_id)}
    asked = {state.lot.commodity for state in states} | {row["commodity"] for row in harvests}
    notes = [
        message("no price is known for {crop}: enter one, its lots are left out", crop=crop)
        if crop in rules.crops or crop in commodity_codes()
        else message("the drying and storing of {crop} is not known yet: its lots are left out", crop=crop)
        for crop in sorted((asked | {lot.commodity for lot in given}) - priced)
    ]
    found = recorded_lots(states, members, priced, last_sieves(store.events(group_id, "diary")), rules)
    coming = coming_harvests(
        [row for row in harvests if row["commodity"] in priced], group_id, priced, judging_rules(store, group_id), rules
    )
    lots = [lot for lot in given if lot.commodity in priced] + spaced_harvests([*found.lots, *coming.lots])
    notes += [*found.notes, *coming.notes, *own_crop_notes(rules.crops, {lot.commodity for lot in lots})]
    targets = dict(wanted)
    for crop, target in (*found.targets.items(), *coming.targets.items()):
        targets[crop] = min(targets.get(crop, target), target)
    if not lots:
        raise PlanError("no lot can be planned yet: a lot needs bags, a test of its moisture, and a price of its crop")
    return _Grain(tuple(lots), tuple(prices), targets, tuple(notes))


def _climate(data: Surroundings) -> Climate:
    place = data.place
    return Climate(
        place.latitude,
        place.longitude,
        place.altitude_m or 0.0,
        place.time_zone,
        forecast_id=str(getattr(data.forecast, "issued_at", "")),
    )


def crop_price(
    store: Any, group_id: int, commodity: str, maize_price: float, price_rise: float | None = None
) -> CropPrice | None:
    """Return today's price and the monthly history of a crop at its reference market.

    Maize has an assumed price, others None.

    The other markets of the group's quotes are kept beside it, for they lend their season; `price_rise` is the
    general rise a month.
    """
    return _crop_price(commodity, group_prices(store, group_id, commodity), maize_price, price_rise)


def _crop_price(
    commodity: str, found: CropPrices | None, maize_price: float, price_rise: float | None
) -> CropPrice | None:
    if found is None:
        return CropPrice(commodity, maize_price) if commodity == "maize" else None
    neighbours = tuple(_rows(series) for series in found.neighbours)
    return CropPrice(
        commodity,
        nine_digits(found.price_now),
        weekly_sd=WALK_SD,
        history=_rows(found.months),
        neighbours=neighbours,
        price_rise_monthly=price_rise,
    )


def _rows(months: pd.Series) -> tuple[tuple[str, float], ...]:
    """Return months with their price, oldest first."""
    return tuple((str(month), nine_digits(price)) for month, price in months.items())


def place_of(group: Any) -> Place:
    """Return where a group's weather is.

    Raises
    ------
    NoPlaceError
        Where nobody has said: it is asked for, never guessed.
    """
    if group.latitude is None or group.longitude is None:
        raise NoPlaceError
    return Place(
        float(group.latitude),
        float(group.longitude),
        float(group.altitude_m or 0.0),
        group.time_zone or "UTC",
        invented=bool(group.demo),
    )


def surroundings_of(store: Any, group: Any, now: datetime) -> Surroundings:
    """Return what a group's seasons need beside its lots, from what is stored or bundled (no network)."""
    from core.weather.forecast import get_forecast
    from core.weather.usual import get_normals

    place, facts = place_of(group), store.facts(group.id)
    normals = get_normals(place, store.documents, now, None)
    forecast = get_forecast(place, store.documents, now, None, normals=normals)
    seen = yes_or_no(facts["borer_present"].value)
    limits = {
        key.removeprefix(HEAT_LIMITS): float(fact.value) for key, fact in facts.items() if key.startswith(HEAT_LIMITS)
    }
    return Surroundings(
        forecast,
        normals,
        place,
        seen,
        climate=_past_years(place, store, now, normals),
        cover_in_rain=bool(facts["drying_cover_in_rain"].value),
        grain_limits_c=limits,
        store_offset_c=float(facts["storage_temperature_offset"].value),
    )


def _past_years(place: Place, store: Any, now: datetime, normals: Any) -> Any:
    """Return days of past years at a place, None where the normals say more: entered ones, or invented years only."""
    from core.weather.usual import get_years

    years, status = get_years(place, store.documents, now)
    invented = status == "bundled" and normals.status != "bundled"
    return None if normals.status == "entered" or invented else years


def rates_of(store: Any, group: Any, spaces: Sequence[DryingSpace]) -> dict[str, RateBelief]:
    """Return what the group's own tests say of its rate, by way of drying."""
    kept = remembered_weather(store, place_of(group).key)
    return {method: learned_rate(store, group, method, kept).believed for method in {one.method for one in spaces}}


def _needs(rows: list[dict[str, Any]], start: date, weeks: int) -> tuple[CashNeed, ...]:
    made = [
        CashNeed(
            (date.fromisoformat(row["on"]) - start).days // DAYS_PER_WEEK,
            float(row["amount"]),
            str(row.get("member") or ""),
            str(row.get("label") or ""),
        )
        for row in rows
        if row.get("on") and float(row.get("amount") or 0) > 0
    ]
    return tuple(need for need in made if 0 <= need.week < weeks)
