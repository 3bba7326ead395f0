"""How long each lot takes to dry, and how long it keeps in each store, as plan and pages both have it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import Any

import numpy as np
import pandas as pd

from core.drying.setups import DryingSetup
from core.drying.weather import MendedWeather
from core.errors import DryholdError
from core.group.drying_records import LearnedRate, drying_setup, learned_rate, remembered_weather
from core.group.facts import yes_or_no
from core.group.lot_state import LotState, current_lot_states, judging_rules
from core.group.own_crops import resolve_crop
from core.group.possessions import DryingSpace
from core.group.sieves import last_sieves
from core.messages import Message, message
from core.planning.case_from_records import SEED, place_of, surroundings_of
from core.planning.drying_ahead import LotDrying, begin_of, lot_drying, weather_ahead
from core.planning.storage_from_records import retests_since_bagging, stored_lot
from core.planning.store_outlook import (
    CorrectedLot,
    MethodOutlook,
    OutlookSettings,
    StoredLot,
    corrected_by_tests,
    method_outlook,
    methods_for,
)
from core.storage.advice import BuyerTerms, StorageLimits
from core.storage.methods import usual_method
from core.storage.retest import RetestCosts

CLIMATES = 60
HORIZON_DAYS = 280
TYPED_SD = 0.5  # points, where a person enters a moisture instead of a test (judgement)
USUAL_LOT_KG = 900.0
YEARS_SAID = {
    "bundled": "invented years of the example valley, not of this place",
    "stored": "stored years of daily weather of this place",
}


@dataclass(frozen=True)
class DryingNow:
    """A lot's drying from now on: how it is dried, from which moisture to which [% w.b.], at what rate, and when."""

    setup: DryingSetup
    moisture_pct: float
    target_pct: float
    rate: LearnedRate
    found: LotDrying


@dataclass(frozen=True)
class KeepingNow:
    """A lot's keeping in each store.

    Parameters
    ----------
    climates, settings
        What it meets, and what it is judged by.
    """

    lot: StoredLot
    correction: CorrectedLot | None
    climates: Sequence[pd.DataFrame]
    settings: OutlookSettings
    made: dict[str, MethodOutlook] = field(default_factory=dict)

    def under(self, method: str) -> MethodOutlook:
        """Return the lot's outlook under one method."""
        if method not in self.made:
            draw = None if self.correction is None else self.correction.draw
            self.made[method] = method_outlook(self.lot, method, self.climates, HORIZON_DAYS, self.settings, draw)
        return self.made[method]

    def where_it_lies(self) -> MethodOutlook:
        """Return the outlook of a lot in the store in which it lies (the usual one where it lies in none)."""
        return self.under(self.lot.method or usual_method())

    def everywhere(self) -> dict[str, MethodOutlook]:
        """Return the outlook under every method that fits the lot's form."""
        return {method: self.under(method) for method in methods_for(self.lot)}


def drying_weather(store: Any, group_id: int, today: date) -> MendedWeather:
    """Return the weathers in which the plan of today dries."""
    group = store.group(group_id)
    start = begin_of(today, group.time_zone)
    return weather_ahead(surroundings_of(store, group, start), start, SEED)


def from_hour(frames: Sequence[pd.DataFrame], at: datetime) -> list[pd.DataFrame]:
    """Return weathers without the hours that are over."""
    hour = pd.Timestamp(at).tz_convert("UTC").floor("h")
    return [frame[frame.index > hour] for frame in frames]


def usual_setup(store: Any, group_id: int, state: LotState, space: DryingSpace) -> DryingSetup:
    """Return how a group dries a lot on one of its spaces."""
    return drying_setup(space, store.facts(group_id), store.group(group_id), state.lot)


def drying_now(
    store: Any,
    group_id: int,
    state: LotState,
    setup: DryingSetup,
    frames: Sequence[pd.DataFrame],
    moisture_pct: float,
    target_pct: float,
) -> DryingNow:
    """Return a lot's drying on a space, with the doubt about its moisture and the group's rate.

    Parameters
    ----------
    setup : DryingSetup
        How it is dried, `usual_setup` or another.
    frames : sequence of DataFrame
        From `drying_weather`, without the hours that are over.
    moisture_pct, target_pct : float
        Now, and aimed at [% w.b.].
    """
    group = store.group(group_id)
    rate = learned_rate(store, group, setup.method, remembered_weather(store, place_of(group).key))
    doubt = TYPED_SD if state.moisture is None else float(state.moisture.standard_error_pct)
    crop = resolve_crop(store, group_id, state.lot.commodity)
    found = lot_drying(crop, (moisture_pct, doubt), frames, setup, target_pct, rate.believed, SEED)
    return DryingNow(setup, moisture_pct, target_pct, rate, found)


def store_climates(store: Any, group_id: int, start: date) -> list[pd.DataFrame]:
    """Return the weathers that stored grain meets, by day: from the same normals or years as the plan's."""
    from core.weather.scenarios import climate_scenarios

    group = store.group(group_id)
    data = surroundings_of(store, group, begin_of(start, group.time_zone))
    return climate_scenarios(data.stored_in, start, HORIZON_DAYS, CLIMATES, SEED, data.place)


def climate_said(store: Any, group_id: int, now: datetime) -> Message:
    """Return what the weather of stored grain was drawn from, in words."""
    from core.weather.usual import get_years

    group = store.group(group_id)
    data = surroundings_of(store, group, now)
    if data.climate is None:
        return message(data.normals.source)
    return message(YEARS_SAID[get_years(data.place, store.documents, now)[1]])


def keeping_settings(store: Any, group_id: int, states: Sequence[LotState]) -> OutlookSettings:
    """Return what stored lots are judged by, from the group's facts; the worth is that of a lot of the usual size."""
    borer = yes_or_no(store.fact(group_id, "borer_present").value)
    damaged = float(store.fact(group_id, "storage_damaged_limit").value)
    masses = [state.grain_kg for state in states]
    usual = float(np.median(masses)) if masses else USUAL_LOT_KG
    worth = max(float(store.fact(group_id, "maize_price_kg").value) * usual, 1e-6)
    return OutlookSettings(
        limits=StorageLimits(damaged_kernels_pct=damaged),
        terms=BuyerTerms(damaged_limit_pct=damaged),
        costs=RetestCosts(test_cost=max(worth / 300.0, 1e-6), lot_value=worth),
        borer_present=borer,
        store_offset_c=float(store.fact(group_id, "storage_temperature_offset").value),
        seed=SEED,
    )


def measured_lots(
    store: Any, group_id: int, now: datetime, today: date
) -> tuple[tuple[LotState, StoredLot | None], ...]:
    """Return the group's open lots, each with what storage knows of it (None where it was never tested)."""
    sieves = last_sieves(store.events(group_id, "diary"))
    return tuple((one, stored_lot(one, sieves, today)) for one in current_lot_states(store, group_id, now))


def _corrected(store: Any, group_id: int, state: LotState, settings: OutlookSettings) -> CorrectedLot | None:
    """Return a lot in store corrected by its tests since bagging, None where there are none."""
    sieve = last_sieves(store.events(group_id, "diary")).get(state.lot.id)
    rules, zone = judging_rules(store, group_id), store.group(group_id).time_zone
    found = retests_since_bagging(state, store.readings(group_id, state.lot.id), rules, zone, sieve)
    if found is None or state.lot.stored_on is None:
        return None
    bagged, retests = found
    recent = [test for test in retests if test.day < HORIZON_DAYS]
    if not recent:
        return None
    climates = store_climates(store, group_id, state.lot.stored_on)
    return corrected_by_tests(bagged, bagged.method or usual_method(), climates, recent, settings)


def keeping_now(
    store: Any,
    group_id: int,
    state: LotState | None,
    lot: StoredLot,
    climates: Sequence[pd.DataFrame],
    settings: OutlookSettings,
) -> KeepingNow:
    """Return how long a lot keeps, corrected by its tests since bagging (`state` None: it is not in the records)."""
    in_store = state is not None and lot.method is not None
    correction = _corrected(store, group_id, state, settings) if state is not None and in_store else None
    if correction is not None:
        lot = replace(lot, moisture_pct=correction.lot.moisture_pct, moisture_sd=correction.lot.moisture_sd)
    return KeepingNow(lot, correction, climates, settings)


def urgent_first(found: Sequence[KeepingNow]) -> tuple[list[KeepingNow], list[tuple[StoredLot, Message]]]:
    """Return lots in store, the most urgent first, and those that could not be judged, with why."""
    judged, not_judged = [], []
    for one in found:
        try:
            one.where_it_lies()
        except DryholdError as error:
            not_judged.append((one.lot, error.message))
        else:
            judged.append(one)

    def pressing(one: KeepingNow) -> tuple[float, float, float]:
        there = one.where_it_lies()
        return 0.0 if there.refusal else there.sure.days, there.test_days, -one.lot.moisture_pct

    return sorted(judged, key=pressing), not_judged
