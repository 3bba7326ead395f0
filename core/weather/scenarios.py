"""Scenarios of the weather to come: the forecast's runs, then the month's normals with day-to-day variation."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta

import numpy as np
import pandas as pd

from core.errors import InputError
from core.weather.day_to_day import Before, make_days, make_hours, normals_by_day
from core.weather.frames import NEEDED, WET_DAY_MM, WET_HOUR_MM, Forecast
from core.weather.normals import Normals
from core.weather.place import Place
from core.weather.solar import mean_over_hours

ENOUGH_MEMBERS = 5  # a forecast with fewer runs says too little of how wrong it may be, and is given its usual error
SKILL_AT_FIRST = 0.95
SKILL_LOST_PER_DAY = (
    0.065  # correlation of a forecast day's departure with what comes: about none after two weeks (judgement)
)
STORE_COLUMNS = ("temperature_c", "relative_humidity_pct")


def skill(days_ahead: np.ndarray) -> np.ndarray:
    """Return how far a forecast is to be believed, 0-1, by days ahead (any shape).

    Judgement, see `SKILL_LOST_PER_DAY`.
    """
    return np.clip(SKILL_AT_FIRST - SKILL_LOST_PER_DAY * np.asarray(days_ahead, dtype=float), 0.0, 1.0)


def extend_scenarios(
    forecast: Forecast | None, normals: Normals, place: Place, start: datetime, days: int, count: int, seed: int
) -> list[pd.DataFrame]:
    """Return hourly weather scenarios for drying.

    Parameters
    ----------
    forecast : Forecast or None
        Its runs are used as far as they reach (run k mod the number of runs for scenario k); a forecast of fewer than
        five runs is widened by the usual forecast error. None uses normals throughout.
    normals : Normals
        For the days beyond.
    place : Place
        For sun and calendar.
    start : datetime
        The first hour begins here (aware; whole hours).
    days : int
        How many times 24 hours.
    count : int
        Scenarios.
    seed : int
        The same seed gives the same scenarios.

    Returns
    -------
    list of DataFrame
        `count` tables on one hourly UTC index of hour ends, columns of `frames.NEEDED`.

    Raises
    ------
    InputError
        Where days or count is below 1 or the start has no zone.
    """
    if days < 1 or count < 1:
        raise InputError("days and count must be at least 1")
    begin = pd.Timestamp(start)
    if begin.tz is None:
        raise InputError("the start of a scenario needs a time zone")
    begin = begin.tz_convert("UTC").floor("h")
    index = pd.date_range(begin + pd.Timedelta(hours=1), periods=24 * days, freq="h")
    random = np.random.default_rng(seed)
    calendar = _calendar(index, place)
    # the wanted hours that the forecast has, from the first on without a hole
    covered = np.cumprod(index.isin(() if forecast is None else forecast.index)).astype(bool)
    if forecast is None or not covered.any():
        made = make_days(normals, place, calendar, count, random)
        return [frame.reindex(index) for frame in make_hours(calendar, made, place, random)]
    runs = _stack(forecast, index[covered], count)
    if len(forecast.members) < ENOUGH_MEMBERS:
        runs = _widened(runs, forecast, index[covered], normals, place, count, random)
    if covered.all():
        return [pd.DataFrame(dict(zip(NEEDED, run, strict=True)), index=index) for run in np.moveaxis(runs, -1, 0)]
    later = index[~covered]
    tail_days = _calendar(later, place)
    before = _day_before(runs, index[covered], normals, place)
    made = make_days(normals, place, tail_days, count, random, before)
    tails = make_hours(tail_days, made, place, random)
    result = []
    for k in range(count):
        head = pd.DataFrame(dict(zip(NEEDED, runs[..., k], strict=True)), index=index[covered])
        tail = tails[k].reindex(later)
        result.append(_joined(head, tail))
    return result


def climate_scenarios(
    normals_or_years: Normals | pd.DataFrame, start: date, days: int, count: int, seed: int, place: Place | None = None
) -> list[pd.DataFrame]:
    """Return daily climate scenarios for storage.

    Parameters
    ----------
    normals_or_years : Normals or DataFrame
        Monthly normals, or days of past years (index of days, columns temperature_c and relative_humidity_pct):
        then each scenario is a run of real days that begins at the same time of year, whole years in a row where
        there are enough, else stretches of five to nine weeks from different years.
    days, count, seed : int
        Length, number and the source of chance.
    place : Place or None
        For the sun, with normals; None takes the equator.

    Returns
    -------
    list of DataFrame
        `count` tables indexed by day (date), columns temperature_c, relative_humidity_pct (means over 24 hours).

    Raises
    ------
    InputError
        Where days or count is below 1, or past years hold less than a year.
    """
    if days < 1 or count < 1:
        raise InputError("days and count must be at least 1")
    random = np.random.default_rng(seed)
    calendar = [start + timedelta(days=step) for step in range(days)]
    if isinstance(normals_or_years, Normals):
        made = make_days(normals_or_years, place or Place(0.0, 0.0), calendar, count, random)
        values = np.stack([made.temperature_c, made.relative_humidity_pct])
    else:
        values = _from_years(normals_or_years, start, days, count, random)
    index = pd.Index(calendar, name="day")
    return [pd.DataFrame(dict(zip(STORE_COLUMNS, values[..., k], strict=True)), index=index) for k in range(count)]


def _from_years(years: pd.DataFrame, start: date, days: int, count: int, random: np.random.Generator) -> np.ndarray:
    data = years[list(STORE_COLUMNS)].to_numpy(dtype=float)
    stamps = pd.DatetimeIndex(years.index)
    length = len(data)
    if length < 365:
        raise InputError("past years must hold a year of days at least, not {days}", days=length)
    result = np.empty((2, days, count))
    day_of_year = np.asarray(stamps.day_of_year)
    begins = _near(day_of_year, start, 0)
    whole = begins[begins + days <= length]
    order = random.permutation(whole)
    for k in range(count):
        if k < len(order):
            result[..., k] = data[order[k] : order[k] + days].T
            continue
        done = 0
        while done < days:
            block = int(random.integers(35, 64))
            here = start + timedelta(days=done)
            choices = _near(day_of_year, here, int(random.integers(-7, 8)))
            first = int(random.choice(choices))
            part = data[np.arange(first, first + min(block, days - done)) % length]
            result[:, done : done + len(part), k] = part.T
            done += len(part)
    return result


def _near(day_of_year: np.ndarray, day: date, shift: int) -> np.ndarray:
    wanted = (day.timetuple().tm_yday - 1 + shift) % 365 + 1
    return np.flatnonzero(day_of_year == wanted)


def _calendar(index: pd.DatetimeIndex, place: Place) -> list[date]:
    """Return the local days that hours touch, each once, in order."""
    local = (index - pd.Timedelta(minutes=30)).tz_convert(place.zone)
    first, last = local[0].date(), local[-1].date()
    return [first + timedelta(days=step) for step in range((last - first).days + 1)]


def _stack(forecast: Forecast, index: pd.DatetimeIndex, count: int) -> np.ndarray:
    """Return the runs as (column, hour, scenario)."""
    runs = [
        forecast.members[k].loc[index, list(NEEDED)].to_numpy(float) for k in range(min(len(forecast.members), count))
    ]
    return np.stack([runs[k % len(runs)].T for k in range(count)], axis=-1)


def _widened(
    runs: np.ndarray,
    forecast: Forecast,
    index: pd.DatetimeIndex,
    normals: Normals,
    place: Place,
    count: int,
    random: np.random.Generator,
) -> np.ndarray:
    """Return scenarios around a forecast of few runs: less and less like it, more and more like the month's normals."""
    calendar = _calendar(index, place)
    made = make_days(normals, place, calendar, count, random)
    invented = np.stack(
        [frame.reindex(index)[list(NEEDED)].to_numpy(float).T for frame in make_hours(calendar, made, place, random)],
        axis=-1,
    )
    usual = normals_by_day(normals, place, calendar)
    local = (index - pd.Timedelta(minutes=30)).tz_convert(place.zone)
    position = np.asarray((local.tz_localize(None).normalize() - pd.Timestamp(calendar[0])).days)
    ahead = (np.arange(len(index)) + 1) / 24
    trust = skill(ahead)[:, None]
    error = np.sqrt(1 - trust**2)
    mean_day = invented.mean(axis=-1, keepdims=True) if count >= 8 else invented
    result = runs.copy()
    for row in (0, 1, 2, 4):  # all but rain
        result[row] = trust * runs[row] + (1 - trust) * mean_day[row] + error * (invented[row] - mean_day[row])
    result[1] = np.clip(result[1], 3.0, 100.0)
    result[2] = np.maximum(result[2], 0.0)
    clear = mean_over_hours(index, place, "clear")[:, None]
    result[4] = np.clip(result[4], 0.0, np.maximum(1.02 * clear, runs[4]))
    # rain comes by whole days: the forecast's day while it can be believed, then an invented one
    chance = _wet_chance(forecast, runs, index, position, len(calendar))
    trust_of_day = np.array([float(trust[position == day].mean()) for day in range(len(calendar))])
    draws = random.random((len(calendar), count))
    share = usual["wet_share"].to_numpy()
    for day in range(len(calendar)):
        hours = position == day
        wet = draws[day] < trust_of_day[day] * chance[day] + (1 - trust_of_day[day]) * share[day]
        for k in range(count):
            if not wet[k]:
                result[3, hours, k] = 0.0
            elif runs[3, hours, k].sum() < 0.2:
                own = invented[3, hours, k]
                result[3, hours, k] = (
                    own if own.sum() > 0.2 else _a_shower(int(hours.sum()), usual["wet_day_mm"].iloc[day], random)
                )
    return result


def _wet_chance(
    forecast: Forecast, runs: np.ndarray, index: pd.DatetimeIndex, position: np.ndarray, n: int
) -> np.ndarray:
    """Return the chance of rain of each day (n,), by the service's own chance where it gives one."""
    frame = forecast.members[0]
    if "rain_chance" in frame:
        hourly = frame.loc[index, "rain_chance"].to_numpy(float)
        return np.array([np.clip(1.15 * hourly[position == day].max(), 0, 1) for day in range(n)])
    return np.array([float((runs[3][position == day].sum(axis=0) >= WET_DAY_MM).mean()) for day in range(n)])


def _a_shower(hours: int, mean_mm: float, random: np.random.Generator) -> np.ndarray:
    rain = np.zeros(hours)
    first = int(random.integers(0, hours))
    last = min(first + 3, hours)
    rain[first:last] = random.gamma(1.0, max(mean_mm, 1.0)) / (last - first)
    return rain


def _day_before(runs: np.ndarray, index: pd.DatetimeIndex, normals: Normals, place: Place) -> Before | None:
    """Return how the last day of the runs departs from normal."""
    if len(index) < 24:  # part of a day says little of its mean
        return None
    last = runs[:, -24:]
    day = (index[-1] - pd.Timedelta(hours=12)).tz_convert(place.zone).date()
    usual = normals_by_day(normals, place, [day]).iloc[0]
    return Before(
        temperature_anomaly_c=last[0].mean(axis=0) - float(usual["temperature_c"]),
        humidity_anomaly_pct=last[1].mean(axis=0) - float(usual["relative_humidity_pct"]),
        wet=last[3].sum(axis=0) > 10 * WET_HOUR_MM,
    )


def _joined(head: pd.DataFrame, tail: pd.DataFrame) -> pd.DataFrame:
    """Return two stretches in a row, temperature and humidity sliding over six hours at the seam."""
    fade = np.clip(1 - (np.arange(len(tail)) + 1) / 7, 0, 1)
    tail = tail.copy()
    for name in ("temperature_c", "relative_humidity_pct"):
        step = head[name].iloc[-1] - tail[name].iloc[0]
        tail[name] = tail[name] + fade * step
    tail["relative_humidity_pct"] = tail["relative_humidity_pct"].clip(3.0, 100.0)
    return pd.concat([head, tail])


def example_members(
    normals: Normals, place: Place, days: Sequence[date], count: int, random: np.random.Generator
) -> list[pd.DataFrame]:
    """Return invented runs of a forecast that are close at first and drift apart, from a place's normals.

    Parameters
    ----------
    normals, place, days, random
        As in `day_to_day.make_days`.
    count : int
        Runs.

    Returns
    -------
    list of DataFrame
        As `day_to_day.make_hours`.
    """
    made = make_days(normals, place, days, count + 1, random)
    own = make_hours(days, made, place, random)
    common = own[-1]
    trust = skill(np.arange(len(common)) / 24)
    rain_day = np.asarray((common.index - common.index[0]).days)
    follows = random.random((int(rain_day[-1]) + 1, count))
    clear = 1.02 * mean_over_hours(pd.DatetimeIndex(common.index), place, "clear")
    runs = []
    for k in range(count):
        mix = trust if k else np.maximum(trust, 0.3)
        frame = own[k].copy()
        for name in ("temperature_c", "relative_humidity_pct", "wind_m_s", "shortwave_w_m2"):
            frame[name] = mix * common[name] + (1 - mix) * own[k][name]
        keep = follows[rain_day, k] < mix
        frame["rain_mm"] = np.where(keep, common["rain_mm"], own[k]["rain_mm"])
        raining = frame["rain_mm"] >= WET_HOUR_MM
        frame.loc[raining, "relative_humidity_pct"] = frame.loc[raining, "relative_humidity_pct"].clip(lower=90)
        frame["shortwave_w_m2"] = np.minimum(frame["shortwave_w_m2"] * np.where(raining, 0.5, 1.0), clear)
        runs.append(frame)
    return runs
