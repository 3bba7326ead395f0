"""What a group's records say about its drying: setups, the weather that lots met, its own rate, the day diary."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from core.accounts.book import Book
from core.drying.learning import RateBelief, learn_rate, prior_belief
from core.drying.setups import DryingSetup, drying_method
from core.errors import DryholdError
from core.group.lot_state import judging_rules
from core.group.possessions import DryingSpace, possessions
from core.group.reading_moisture import moisture_of_readings
from core.group.records import Event, Fact, Group, Lot
from core.group.store import Store
from core.weather.frames import NEEDED, WET_DAY_MM

DIARY_WORDS = ("sun", "cloud", "rain")
SUNNY_SHARE = 0.65
"""Share of a cloudless day's sun from which a day counts as sunny (judgement)."""
KEPT_DAYS = 120
ROUND_GAP_HOURS = 4


@dataclass(frozen=True, kw_only=True)
class LearnedRate:
    """What is assumed, measured and now believed of a group's rate with one way of drying.

    Parameters
    ----------
    assumed, believed : RateBelief
        Before and after the group's own tests.
    lots, readings : int
        Lots and tests that it rests on.
    """

    assumed: RateBelief
    believed: RateBelief
    lots: int
    readings: int


def temperature_limit(facts: dict[str, Fact], lot: Lot) -> float | None:
    """Return the hottest that a lot's grain should get, °C; None where nothing is harmed."""
    key = "drying_temperature_limit.seed" if lot.use == "seed" else f"drying_temperature_limit.{lot.commodity}"
    return float(facts[key].value) if key in facts else None


def drying_setup(space: DryingSpace, facts: dict[str, Fact], group: Group, lot: Lot) -> DryingSetup:
    """Return how a group would dry a lot on one of its spaces."""
    return DryingSetup(
        method=space.method,
        area_m2=space.area_m2,
        load_kg_m2=space.load_kg_m2,
        altitude_m=float(group.altitude_m or 0.0),
        time_zone=group.time_zone,
        cover_in_rain=bool(facts["drying_cover_in_rain"].value),
        grain_temperature_limit_c=None if drying_method(space.method)["always_open"] else temperature_limit(facts, lot),
    )


def remember_weather(store: Store, place_key: str, members: Sequence[pd.DataFrame], now: datetime) -> None:
    """Keep the hours that have passed (middle of the members), so that later tests can be held against them."""
    middle = _middle(members)
    past = middle[middle.index <= pd.Timestamp(now)]
    if past.empty:
        return
    known = remembered_weather(store, place_key)
    joined = past if known is None else pd.concat([known[~known.index.isin(past.index)], past]).sort_index()
    joined = joined[joined.index > pd.Timestamp(now) - pd.Timedelta(days=KEPT_DAYS)]
    if known is not None and joined.equals(known):
        return
    payload = {
        "hours": [stamp.isoformat() for stamp in joined.index],
        "values": {name: np.round(joined[name].to_numpy(float), 2).tolist() for name in NEEDED},
    }
    store.documents.write("drying_weather", place_key, payload, now)


def remembered_weather(store: Store, place_key: str) -> pd.DataFrame | None:
    """Return the hours that have been kept for a place, UTC; None where there are none."""
    payload = store.documents.read("drying_weather", place_key)
    if payload is None:
        return None
    index = pd.to_datetime(payload["hours"], utc=True)
    return pd.DataFrame({name: payload["values"][name] for name in NEEDED}, index=pd.DatetimeIndex(index))


def reading_rounds(store: Store, group_id: int, lot: Lot) -> list[tuple[datetime, float]]:
    """Return a lot's rounds of tests as time and mean moisture, % wet basis; tests within hours make one round."""
    readings = store.readings(group_id, lot.id)
    if readings.empty:
        return []
    rules = judging_rules(store, group_id)
    said = moisture_of_readings(rules.crop(lot.commodity), readings, rules.meter)
    table = pd.DataFrame({"at": readings["taken_at"], "moisture": said["moisture_pct"]}).dropna().sort_values("at")
    if table.empty:
        return []
    apart = table["at"].diff() > pd.Timedelta(hours=ROUND_GAP_HOURS)
    rounds = table.groupby(apart.cumsum())
    return [(pd.Timestamp(part["at"].mean()).to_pydatetime(), float(part["moisture"].mean())) for _, part in rounds]


def learned_rate(store: Store, group: Group, method: str, weather: pd.DataFrame | None) -> LearnedRate:
    """Return what the tests of lots that dried by a method say about its rate here.

    Parameters
    ----------
    method : str
        Way of drying; a lot counts where the action "spread" was noted with it, or where it is drying and the method is
        the group's usual one.
    """
    assumed = prior_belief(float(drying_method(method)["rate_sd"]))
    believed, lots = assumed, 0
    facts = store.facts(group.id)
    spread = {
        int(event.payload["lot_id"]): str(event.payload.get("method", ""))
        for event in store.events(group.id, "lot_actions")
        if event.kind == "spread" and "lot_id" in event.payload
    }
    has = possessions(store, group.id)
    bias_sd = float(judging_rules(store, group.id).meter.error.moisture_sd)
    for lot in store.lots(group.id):
        by = spread.get(lot.id, has.usual_method if lot.status == "drying" else "")
        if by != method or weather is None:
            continue
        rounds = [item for item in reading_rounds(store, group.id, lot) if _covered(item[0], weather)]
        if len(rounds) < 2:
            continue
        try:
            part = weather[weather.index <= pd.Timestamp(rounds[-1][0]) + pd.Timedelta(hours=1)]
            believed = learn_rate(
                lot.commodity, rounds, part, drying_setup(has.space(method), facts, group, lot), believed, bias_sd
            )
        except DryholdError:
            continue  # hours with holes teach nothing; the belief stays as it was
        lots += 1
    return LearnedRate(assumed=assumed, believed=believed, lots=lots, readings=believed.readings)


def day_word(members: Sequence[pd.DataFrame], day: date, time_zone: str, cloudless_mj_m2: float) -> str | None:
    """Return the forecast of a local day in the diary's words, None where the hours do not cover its daylight.

    Rain where more than half of the members have a wet day (1 mm), else sun from 65 % of a cloudless day's sunlight.
    """
    index = pd.DatetimeIndex(members[0].index)
    local = (index - pd.Timedelta(minutes=30)).tz_convert(ZoneInfo(time_zone))
    rows = np.asarray(local.date == day)
    if (
        not rows.any()
        or int((np.asarray(local.hour)[rows] >= 6).sum() - (np.asarray(local.hour)[rows] >= 19).sum()) < 12
    ):
        return None
    rain = np.mean([float(frame["rain_mm"].to_numpy(float)[rows].sum()) >= WET_DAY_MM for frame in members])
    if rain > 0.5:
        return "rain"
    sun = float(np.median([frame["shortwave_w_m2"].to_numpy(float)[rows].sum() for frame in members])) * 0.0036
    return "sun" if sun >= SUNNY_SHARE * cloudless_mj_m2 else "cloud"


def note_day(store: Store, group_id: int, day: date, seen: str, forecast: str | None, who: str, at: datetime) -> int:
    """Write a day into the diary, with what was forecast for it; a second entry for a day replaces the first."""
    payload: dict[str, Any] = {"seen": seen, "forecast": forecast}
    with store.transaction(group_id) as inside:
        for event in [event for event in diary(inside.events(group_id, "diary")) if event.on == day]:
            inside.append_event(group_id, "diary", "day_weather", day, who, {}, at, reverses=event.id)
        return inside.append_event(group_id, "diary", "day_weather", day, who, payload, at)


def diary(events: Sequence[Event]) -> list[Event]:
    """Return the day entries that stand, oldest first."""
    return Book(events).standing("day_weather")


def diary_score(events: Sequence[Event]) -> tuple[int, int]:
    """Return on how many of the noted days the forecast was right, and how many had one."""
    with_forecast = [event for event in diary(events) if event.payload.get("forecast")]
    right = sum(event.payload["seen"] == event.payload["forecast"] for event in with_forecast)
    return right, len(with_forecast)


def _covered(moment: datetime, weather: pd.DataFrame) -> bool:
    return bool(weather.index[0] <= pd.Timestamp(moment) <= weather.index[-1])


def _middle(members: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Return the mean member: sums stay sums, so that rain is not lost as it would be in a median."""
    first = members[0]
    return pd.DataFrame(
        {name: np.mean([frame[name].to_numpy(float) for frame in members], axis=0) for name in NEEDED},
        index=first.index,
    )
