"""What a group does with a drying forecast: hours to spread, turn and cover, when to stop and test, what it costs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime

import numpy as np
import pandas as pd

from core.drying.layer import HEAP_HOURS
from core.drying.run import DryingRun, DryingSetup, simulate_drying
from core.drying.thin_layer import Array
from core.drying.weather import as_frames
from core.errors import InputError
from core.grain.commodities import Commodity, get_commodity
from core.grain.sorption import humidity, isotherm_parameters
from core.messages import Message, message, plural
from core.storage.loss import ageing_rate, loss_at_age
from core.storage.mould import mould_dose_rate, mould_share
from core.weather.frames import WET_HOUR_MM

LOSS_LIMIT_PCT = 0.5
"""Dry-matter loss that counts as spoilt (one grade: Saul & Steele 1966)."""
WORTH_POINTS_PER_HOUR = 0.03
"""Fall of moisture in an hour from which spreading is worth the work (judgement)."""
RAIN_CHANCE_TO_COVER = 0.3
"""Chance of rain in an hour from which grain is better covered (judgement)."""
COOL_ENOUGH_K = 3.0
"""Difference between grain and air from which a test is trusted (common practice: grain must cool first, no source)."""
RANGES_ONLY_AFTER_DAYS = 7
MORNING_HOUR, EVENING_HOUR = 7, 19


@dataclass(frozen=True)
class DryingOutlook:
    """The answer in numbers.

    Parameters
    ----------
    days, sunny_hours : tuple of float
        10, 50 and 90 % values until the target; infinity where not reached within the hours looked at.
    chance_in_time : float
        Chance that the target is reached at all within the hours looked at, 0-1.
    chance_spoilt : float
        Chance that the lot spoils before it is dry, 0-1; not a number where no relation covers the crop.
    """

    days: tuple[float, float, float]
    sunny_hours: tuple[float, float, float]
    chance_in_time: float
    chance_spoilt: float


@dataclass(frozen=True)
class DayHours:
    """One day's work.

    Parameters
    ----------
    day : date
        Local day.
    spread_hour, cover_hour : int or None
        Local clock hours; None where the grain stays covered.
    turn_hours : tuple of int
        Local hours to turn.
    rain_chance : float
        Chance of rain during the hours spread, 0-1.
    points : float
        Fall of moisture expected, points.
    """

    day: date
    spread_hour: int | None
    cover_hour: int | None
    turn_hours: tuple[int, ...]
    rain_chance: float
    points: float
    reason: Message


def quantiles_with_misses(values: Array) -> tuple[float, float, float]:
    """Return the 10, 50 and 90 % values of a sample that may hold infinities; (scenarios,)."""
    ordered = np.sort(np.asarray(values, dtype=float))
    places = [int(np.ceil(share * len(ordered))) - 1 for share in (0.1, 0.5, 0.9)]
    low, middle, high = (float(ordered[place]) for place in places)
    return low, middle, high


def outlook(commodity: str | Commodity, run: DryingRun) -> DryingOutlook:
    """Return days, sunny hours and chances of a run."""
    return DryingOutlook(
        quantiles_with_misses(run.days_to_target),
        quantiles_with_misses(run.exposed_hours_to_target),
        float(np.isfinite(run.hours_to_target).mean()),
        chance_spoilt(commodity, run),
    )


def chance_dry_by(run: DryingRun, day: date) -> float:
    """Return the chance that the target is met by the end of a local day, 0-1."""
    first = _local(run.times, run.setup)[1].date()
    return float((run.days_to_target <= (day - first).days + 1).mean())


def chance_spoilt(commodity: str | Commodity, run: DryingRun) -> float:
    """Return the chance that a lot spoils before it is dry, 0-1.

    Spoilt is a dry-matter loss above 0.5 % (Saul & Steele 1966 and as `core.storage.loss` reads other crops) or mould,
    by the share of bags that `core.storage.mould` gives for the lot's water activity and temperature so far. Not a
    number for washed coffee and fermented cocoa.
    """
    crop = get_commodity(commodity)
    if crop.starts_wet:
        return float("nan")
    moisture = 0.5 * (run.moisture_pct[1:] + run.moisture_pct[:-1])
    temperature = np.clip(0.5 * (run.grain_temperature_c[1:] + run.grain_temperature_c[:-1]), -10.0, 60.0)
    hour = np.arange(moisture.shape[0])[:, None] + 0.5
    wet = (hour < run.hours_to_target) & (moisture > run.target_pct)
    age = (np.where(wet, ageing_rate(crop, temperature, np.clip(moisture, 5.0, 35.0)), 0.0) / 24.0).sum(axis=0)
    activity = humidity(isotherm_parameters(crop), temperature, 100.0 * moisture / (100.0 - moisture))
    dose = (np.where(wet, mould_dose_rate(temperature, activity), 0.0) / 24.0).sum(axis=0)
    return float(np.where(loss_at_age(crop, age) > LOSS_LIMIT_PCT, 1.0, mould_share(dose)).mean())


def stop_times(run: DryingRun) -> tuple[datetime | None, datetime | None, datetime | None]:
    """Return the early (10 %), middle and late (90 %) moment at which to stop, local; None where not reached."""
    start = _local(run.times, run.setup)[0]
    early, middle, late = (
        None if not np.isfinite(value) else (start + pd.Timedelta(seconds=round(3600 * value))).to_pydatetime()
        for value in quantiles_with_misses(run.hours_to_target)
    )
    return early, middle, late


def retest_time(run: DryingRun) -> datetime | None:
    """Return when to test again: after the covering that follows the early stop, once the heap has cooled; local.

    None where even the early tenth of scenarios does not get there. The heap follows the air with the time constant
    of `core.drying.layer.HEAP_HOURS`; 3 K of difference are let pass, and a test due in the dark waits for the morning.
    """
    early = stop_times(run)[0]
    if early is None:
        return None
    local = _local(run.times, run.setup)
    place = int(local.searchsorted(pd.Timestamp(early)))
    after = run.grain_temperature_c[place : place + 24]
    grain, air = float(np.median(after[0])), float(np.median(after.min(axis=0)))
    wait = HEAP_HOURS * np.log(max((grain - air) / COOL_ENOUGH_K, 1.0))
    ready = (pd.Timestamp(early) + pd.Timedelta(hours=float(wait))).ceil("h")
    if ready.hour >= EVENING_HOUR:
        ready = ready.normalize() + pd.Timedelta(days=1, hours=MORNING_HOUR)
    elif ready.hour < MORNING_HOUR:
        ready = ready.normalize() + pd.Timedelta(hours=MORNING_HOUR)
    return ready.to_pydatetime()


def overdrying_cost(mass_kg: float, moisture_pct: float, points: float, price_per_kg: float) -> float:
    """Return what drying too far costs a lot that is sold by weight, in the price's money.

    Parameters
    ----------
    mass_kg : float
        Mass at the moisture aimed at, kg.
    moisture_pct : float
        Moisture aimed at, % wet basis.
    points : float
        Points of moisture below it.
    price_per_kg : float
        Price, the same for both (no premium for drier grain).

    Notes
    -----
    Dry matter stays: mass falls to (100 - M) / (100 - M + points) of itself. A balance, not an estimate.
    """
    if not 0.0 <= points < moisture_pct:
        raise InputError("points of over-drying {value} are outside 0 to {limit}", value=points, limit=moisture_pct)
    return mass_kg * price_per_kg * (1.0 - (100.0 - moisture_pct) / (100.0 - moisture_pct + points))


def labour_cost(mass_kg: float, drying_days: float, days_per_tonne: float, wage: float) -> float:
    """Return what spreading, turning and gathering cost, in the wage's money.

    Parameters
    ----------
    mass_kg : float
        Wet mass, kg.
    drying_days : float
        Days on which it is spread.
    days_per_tonne : float
        Person-days per tonne and drying day.
    wage : float
        Pay for a person's day.
    """
    return mass_kg / 1000.0 * drying_days * days_per_tonne * wage


def dryer_cost(
    mass_kg: float, moisture_pct: float, target_pct: float, fee_per_point_kg: float, fuel_per_kg_water: float = 0.0
) -> float:
    """Return what a hired dryer costs a lot, in the fee's money.

    Parameters
    ----------
    mass_kg : float
        Wet mass, kg.
    moisture_pct, target_pct : float
        Before and after, % wet basis.
    fee_per_point_kg, fuel_per_kg_water : float
        Fee for one point of one kg as brought; fuel paid beside it for each kg of water (a mass balance).
    """
    points = max(moisture_pct - target_pct, 0.0)
    water = mass_kg * points / (100.0 - target_pct)
    return mass_kg * points * fee_per_point_kg + water * fuel_per_kg_water


ADVISED_DAYS = 2


def day_hours(
    commodity: str | Commodity,
    moisture_pct: float,
    weather: pd.DataFrame | Sequence[pd.DataFrame],
    setup: DryingSetup,
    target_pct: float,
) -> list[DayHours]:
    """Return the hours to spread, turn and cover for the first `ADVISED_DAYS` local days of the weather.

    The grain is laid open in thought from sunrise to sunset; hours in which it would lose water in the middle of the
    scenarios, without too great a chance of rain, are the hours to spread.

    Parameters
    ----------
    commodity, moisture_pct, weather, setup, target_pct
        As of `simulate_drying`.
    """
    frames = as_frames(weather)
    wide = replace(setup, spread_hour=0.0, cover_hour=24.0, cover_in_rain=True)
    first = [frame.iloc[: 24 * (ADVISED_DAYS + 1)] for frame in frames]
    sun = np.median([frame["shortwave_w_m2"].to_numpy(dtype=float) for frame in first], axis=0)
    rain = np.mean([_wet_hours(frame) for frame in first], axis=0)
    local = _local(pd.DatetimeIndex(first[0].index), setup)
    starts = local - pd.Timedelta(hours=1)
    table = pd.DataFrame({"day": starts.date, "hour": starts.hour, "sun": sun, "rain": rain}, index=local)
    results = []
    moisture: float | Array = moisture_pct
    for day in list(dict.fromkeys(table["day"]))[:ADVISED_DAYS]:
        rows = np.flatnonzero((table["day"] == day).to_numpy() & (table["sun"] > 20.0).to_numpy())
        if len(rows) == 0:
            continue
        part = [frame.iloc[rows[0] : rows[-1] + 1] for frame in first]
        fall = -np.diff(np.median(simulate_drying(commodity, moisture, part, wide, target_pct).moisture_pct, axis=1))
        results.append(_day(day, table.iloc[rows], fall, setup))
        chosen = results[-1]
        if chosen.spread_hour is not None and chosen.cover_hour is not None:
            kept = replace(setup, spread_hour=chosen.spread_hour, cover_hour=chosen.cover_hour, cover_in_rain=True)
            moisture = simulate_drying(commodity, moisture, part, kept, target_pct).moisture_pct[-1]
    return results


def care_without_spreading(setup: DryingSetup) -> tuple[Message, ...]:
    """Return what to do where nobody spreads and covers by the hour; empty where somebody does.

    A dryer with a fan or burner is watched, a crib is looked into: common practice, no source.
    """
    row = setup.table
    if row["powered"]:
        return (
            message(
                "The air must not be above {limit} °C, and cooler for seed. Measure where the air enters the grain.",
                limit=round(float(row["air_limit_c"])),
            ),
            message(
                "Never leave the dryer alone while it is hot. Keep the exhaust away from the grain and from people."
            ),
            message("Clean out chaff and dust before each load: they catch fire first."),
            plural(
                "hours",
                "Mix the bed or turn the air round every hour: grain near the air inlet dries first.",
                "Mix the bed or turn the air round every {hours} hours: grain near the air inlet dries first.",
                hours=round(setup.turning),
            ),
            message("Stop, let the grain cool with the fan alone, then test several places of the bed."),
        )
    if row["always_open"]:
        return (
            message("Air passes day and night: nothing to spread or cover."),
            message("Look at cobs in the middle each week. Take out those with mould, and spread the rest thinner."),
        )
    return ()


def _day(day: date, hours: pd.DataFrame, fall: Array, setup: DryingSetup) -> DayHours:
    """Return one day's hours from its table of sun and rain and from the fall of moisture in each hour."""
    rain = hours["rain"].to_numpy()
    good = (fall > WORTH_POINTS_PER_HOUR) & ((rain < RAIN_CHANCE_TO_COVER) | bool(setup.table["roofed"]))
    chance = float(1.0 - np.prod(1.0 - rain))
    if not good.any():
        wet = bool((rain >= RAIN_CHANCE_TO_COVER).any())
        reason = (
            message("rain is likely in the hours in which it would dry: leave it covered")
            if wet
            else message("the air and the sun would take almost no water out: leave it covered")
        )
        return DayHours(day, None, None, (), chance, 0.0, reason)
    first, last = _longest_run(good)
    clock = hours["hour"].to_numpy()
    spread, cover = int(clock[first]), int(clock[last]) + 1
    step = setup.turning
    turns = tuple(int(hour) for hour in np.arange(spread + step, cover - 0.5, max(step, 1.0))) if step < 24 else ()
    within = rain[first : last + 1]
    points = float(fall[first : last + 1].sum())
    if last + 1 < len(rain) and rain[last + 1] >= RAIN_CHANCE_TO_COVER:
        reason = message(
            "it loses about {points:.1f} points until {hour}:00, then rain is likely ({chance:.0f} in 100)",
            points=points,
            hour=cover,
            chance=100.0 * float(rain[last + 1]),
        )
    else:
        reason = message(
            "it loses about {points:.1f} points; before {spread}:00 and after {cover}:00 the air gives more water "
            "than it takes, "
            "or nearly so",
            points=points,
            spread=spread,
            cover=cover,
        )
    return DayHours(day, spread, cover, turns, float(1.0 - np.prod(1.0 - within)), points, reason)


def _longest_run(good: Array) -> tuple[int, int]:
    """Return the first and last place of the longest unbroken run of true values."""
    best, begin = (0, -1), None
    for place, value in enumerate([*good, False]):
        if value and begin is None:
            begin = place
        if not value and begin is not None:
            if place - 1 - begin > best[1] - best[0]:
                best = (begin, place - 1)
            begin = None
    return best


def _wet_hours(frame: pd.DataFrame) -> Array:
    """Return the chance of rain of each hour: the service's own where it gives one, else 1 or 0 by its amount."""
    if "rain_chance" in frame.columns:
        return np.nan_to_num(frame["rain_chance"].to_numpy(dtype=float))
    return (frame["rain_mm"].to_numpy(dtype=float) > WET_HOUR_MM).astype(float)


def _local(times: pd.DatetimeIndex, setup: DryingSetup) -> pd.DatetimeIndex:
    return times if setup.time_zone is None else times.tz_convert(setup.time_zone)
