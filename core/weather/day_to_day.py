"""A maker of likely weather: days that follow a month's normals and each other, then the hours of each day.

Rain by a two-state chain with gamma amounts (Geng, Penning de Vries and Supit 1986, Agricultural and Forest Meteorology
36, 363-376); temperature, humidity and sun by correlated first-order series around means that differ between days with
and without rain (Richardson 1981, Water Resources Research 17, 182-190). The figures are in `day_to_day.toml`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from core.grain.air import saturation_vapour_pressure
from core.reference_tables import reference_table
from core.weather.frames import WET_HOUR_MM
from core.weather.normals import DAYS_IN_MONTH, Normals, completed
from core.weather.place import Place
from core.weather.solar import MJ_PER_DAY_IN_W, clear_sky_daily, daylight_hours, mean_over_hours, solar_hour

Array = NDArray[np.float64]
HIGHEST_LAG, NIGHT_FALL, LOWEST_LAG = 1.86, 2.20, -0.17  # Parton and Logan (1981), air at 1.5 m
SUNNIEST_RATIO = 0.97  # of a cloudless sky that a day can reach


@dataclass(frozen=True)
class Days:
    """Daily weather of several scenarios.

    Parameters
    ----------
    temperature_c, relative_humidity_pct, daily_range_c, shortwave_w_m2, wind_m_s, rain_mm : arrays (days, scenarios)
        Means over 24 hours; rain is the day's sum.
    """

    temperature_c: Array
    relative_humidity_pct: Array
    daily_range_c: Array
    shortwave_w_m2: Array
    wind_m_s: Array
    rain_mm: Array


@dataclass(frozen=True)
class Before:
    """The weather of the day before the first, which the next ones follow on from.

    Parameters
    ----------
    temperature_anomaly_c, humidity_anomaly_pct : arrays (scenarios,)
        Departures from the month's normal.
    wet : bool array (scenarios,)
        Whether it rained.
    """

    temperature_anomaly_c: Array
    humidity_anomaly_pct: Array
    wet: NDArray[np.bool_]


@lru_cache(maxsize=1)
def settings() -> dict[str, float]:
    """Return the figures of `day_to_day.toml` by name."""
    return {name: float(entry["value"]) for name, entry in reference_table("weather", "day_to_day.toml").items()}


def normals_by_day(normals: Normals, place: Place, days: Sequence[date]) -> pd.DataFrame:
    """Return the normals of each day, in straight lines from mid-month to mid-month that keep the months' means.

    Parameters
    ----------
    normals : Normals
        Missing columns are estimated.
    place : Place
        For the sun.
    days : sequence of date, length n
        Calendar days.

    Returns
    -------
    DataFrame
        n rows, all columns of `Normals.table`, with `wet_share` (0-1) and `wet_day_mm` for rain.
    """
    table = completed(normals, place)
    table = table.assign(wet_share=table["rain_days"].to_numpy() / DAYS_IN_MONTH)
    for name in ("temperature_sd_c", "humidity_sd_pct"):  # a place's own years go before the general figures
        if name not in table:
            table[name] = settings()[name]
    table["wet_day_mm"] = table["rain_mm"] / np.maximum(table["rain_days"], 0.3)
    numbers = np.array([day.timetuple().tm_yday for day in days], dtype=float)
    by_day = {name: _month_line(table[name].to_numpy(float), numbers) for name in table.columns}
    return pd.DataFrame(by_day, index=pd.Index(days, name="day"))


def _month_line(months: Array, numbers: Array) -> Array:
    """Return a value for days of the year, in straight lines whose means over the months are the months' values."""
    middle = np.cumsum(DAYS_IN_MONTH) - DAYS_IN_MONTH / 2
    x = np.concatenate([[middle[-1] - 365.25], middle, [middle[0] + 365.25]])
    grid = np.arange(1.0, 366.0)
    month_of = np.minimum(np.searchsorted(np.cumsum(DAYS_IN_MONTH), grid - 0.5), 11)
    size = np.bincount(month_of, minlength=12)
    knots = months.copy()
    for _step in range(6):  # the knots move until the lines' monthly means are right
        line = np.interp(grid, x, np.concatenate([knots[-1:], knots, knots[:1]]))
        knots = knots + (months - np.bincount(month_of, weights=line, minlength=12) / size)
        if months.min() >= 0:
            knots = np.maximum(knots, 0.0)
    return np.interp(numbers, x, np.concatenate([knots[-1:], knots, knots[:1]]))


def make_days(
    normals: Normals,
    place: Place,
    days: Sequence[date],
    count: int,
    random: np.random.Generator,
    before: Before | None = None,
) -> Days:
    """Return invented days that follow the normals and each other.

    Parameters
    ----------
    normals, place
        What is usual there.
    days : sequence of date, length n
        Consecutive calendar days.
    count : int
        Scenarios.
    random : numpy Generator
        The only source of chance.
    before : Before or None
        The day before the first; None draws it.

    Returns
    -------
    Days
        Arrays (n, count).
    """
    p = settings()
    usual = normals_by_day(normals, place, days)
    n = len(days)
    share = np.clip(usual["wet_share"].to_numpy(), 0.0, 0.98)
    wet = _rain_days(share, count, random, p["rain_persistence"], None if before is None else before.wet)
    noise = _noise(n, count, random, before, p)
    away = wet - share[:, None]  # mean zero: what a wet day differs by leaves the month's mean as it is
    temperature = (
        usual["temperature_c"].to_numpy()[:, None]
        + p["wet_day_temperature_c"] * away
        + np.maximum(usual["temperature_sd_c"].to_numpy(), 0.1)[:, None] * noise[0]
    )
    middle = usual["relative_humidity_pct"].to_numpy()[:, None] + p["wet_day_humidity_points"] * away
    middle = np.clip(middle, 5.0, 98.0)
    # near 0 and 100 % there is less room to vary
    sd = np.maximum(usual["humidity_sd_pct"].to_numpy(), 0.5)[:, None]
    spread = np.minimum(sd, np.minimum(middle - 2.0, 100.5 - middle) / 2.0)
    humidity = np.clip(middle + spread * noise[1], 3.0, 100.0)
    daily_range = _split(usual["daily_range_c"].to_numpy(), share, wet, p["wet_day_range_ratio"])
    daily_range = daily_range * np.exp(0.18 * noise[2] - 0.016)
    sun = _sun(usual["shortwave_w_m2"].to_numpy(), share, wet, noise[2], days, place, p)
    cv = p["wind_variation"]
    wind = usual["wind_m_s"].to_numpy()[:, None] * np.exp(cv * noise[3] - cv**2 / 2)
    rain = np.where(wet, _rain_amounts(usual["wet_day_mm"].to_numpy(), count, random), 0.0)
    return Days(temperature, humidity, np.clip(daily_range, 0.5, 30.0), sun, wind, rain)


def _noise(n: int, count: int, random: np.random.Generator, before: Before | None, p: dict[str, float]) -> Array:
    """Return four standard series (4, n, count): temperature, humidity, clearness, wind; first-order, correlated."""
    lag = np.array([p["temperature_lag"], p["humidity_lag"], p["clearness_lag"], p["wind_lag"]])
    correlation = np.eye(4)
    for row, column, name in (
        (0, 1, "temperature_humidity_correlation"),
        (1, 2, "humidity_clearness_correlation"),
        (0, 2, "temperature_clearness_correlation"),
    ):
        correlation[row, column] = correlation[column, row] = p[name]
    today = np.linalg.cholesky(correlation)
    new = np.linalg.cholesky(correlation * (1 - np.outer(lag, lag)))
    state = today @ random.standard_normal((4, count))
    if before is not None:
        state[0] = np.clip(before.temperature_anomaly_c / p["temperature_sd_c"], -3, 3)
        state[1] = np.clip(before.humidity_anomaly_pct / p["humidity_sd_pct"], -3, 3)
    result = np.empty((4, n, count))
    for day in range(n):
        if day or before is not None:
            state = lag[:, None] * state + new @ random.standard_normal((4, count))
        result[:, day] = state
    return result


def _rain_days(
    share: Array, count: int, random: np.random.Generator, persistence: float, wet_before: NDArray[np.bool_] | None
) -> NDArray[np.bool_]:
    """Return which days are wet (n, count): chance (1 - r) f after a dry day, r more after a wet one (Geng 1986)."""
    wet = np.empty((len(share), count), dtype=bool)
    state = random.random(count) < share[0] if wet_before is None else np.asarray(wet_before, dtype=bool)
    for day, usual in enumerate(share):
        chance = (1 - persistence) * usual + persistence * state
        state = random.random(count) < chance
        wet[day] = state
    return wet


def _rain_amounts(wet_day_mm: Array, count: int, random: np.random.Generator) -> Array:
    """Return amounts for wet days (n, count): gamma, scale -2.16 + 1.83 mean (Geng et al. 1986), at least 0.2 mm."""
    mean = np.maximum(wet_day_mm, 0.5)
    scale = np.clip(-2.16 + 1.83 * mean, 0.5 * mean, None)
    shape = mean / scale
    return np.maximum(random.gamma(shape[:, None], scale[:, None], (len(mean), count)), 0.2)


def _split(mean: Array, share: Array, wet: NDArray[np.bool_], ratio: float) -> Array:
    """Return a value per day (n, count) that is `ratio` times as large on wet days and keeps the month's mean."""
    dry = mean / (1 - share * (1 - ratio))
    return dry[:, None] * np.where(wet, ratio, 1.0)


def _sun(
    mean: Array,
    share: Array,
    wet: NDArray[np.bool_],
    noise: Array,
    days: Sequence[date],
    place: Place,
    p: dict[str, float],
) -> Array:
    numbers = np.array([day.timetuple().tm_yday for day in days])
    ceiling = (SUNNIEST_RATIO * clear_sky_daily(place.latitude, place.altitude_m, numbers) * MJ_PER_DAY_IN_W)[:, None]
    middle = np.minimum(_split(mean, share, wet, p["wet_day_sun_ratio"]), 0.97 * ceiling)
    # a beta-like squeeze: the spread shrinks towards a cloudless sky, the mean stays
    room = np.minimum(p["clearness_sd"] * middle, (ceiling - middle) / 1.5)
    return np.clip(middle + room * noise, 0.08 * ceiling, ceiling)


def make_hours(days: Sequence[date], made: Days, place: Place, random: np.random.Generator) -> list[pd.DataFrame]:
    """Return the hours of invented days.

    Parameters
    ----------
    days : sequence of date, length n
        Consecutive days of the place's own calendar.
    made : Days
        Arrays (n, count).
    place : Place
        For the sun and the zone.
    random : numpy Generator
        For the hours of rain and of cloud.

    Returns
    -------
    list of DataFrame
        One per scenario, on one hourly UTC index of hour ends, columns of `frames.NEEDED`. A day's hours keep its mean
        temperature, humidity, sun and wind and its sum of rain (to about a tenth of the spread between days, since
        midnight is smoothed).
    """
    start = pd.Timestamp(days[0]).tz_localize(place.zone, ambiguous=True, nonexistent="shift_forward")
    end = (pd.Timestamp(days[-1]) + pd.Timedelta(days=1)).tz_localize(
        place.zone, ambiguous=True, nonexistent="shift_forward"
    )
    # an hour belongs to the day of its middle, also where midnight is no whole hour in UTC (India, Nepal)
    half = pd.Timedelta(minutes=30)
    first, after = ((moment.tz_convert("UTC") + half).ceil("h") for moment in (start, end))
    index = pd.date_range(first, after, freq="h", inclusive="left")
    local = (index - half).tz_convert(place.zone)
    position = np.asarray((local.tz_localize(None).normalize() - pd.Timestamp(days[0])).days)
    hour = np.asarray(local.hour + local.minute / 60, dtype=float)  # of its middle, as the day it belongs to
    count = made.temperature_c.shape[1]
    rain, raining = _rain_by_hour(made.rain_mm, position, solar_hour(index - half, place.longitude), random)

    sun_hour = solar_hour(index, place.longitude)
    length = daylight_hours(place.latitude, np.asarray(local.day_of_year))
    shape = _temperature_shape(sun_hour, 12 - length / 2)
    temperature = (
        _smooth(made.temperature_c, position, hour) + _smooth(made.daily_range_c, position, hour) * shape[:, None]
    )
    humidity = _humidity_by_hour(made.relative_humidity_pct, temperature, raining, position, hour)
    sun = _sun_by_hour(made.shortwave_w_m2, index, place, position, raining, random)
    wind_shape = 1 + 0.3 * np.cos(2 * np.pi * (sun_hour - 14) / 24)  # Miami typical year: 3.2 at dawn, 5.8 m/s at 13 h
    wind = _smooth(made.wind_m_s, position, hour) * wind_shape[:, None]
    return [
        pd.DataFrame(
            {
                "temperature_c": temperature[:, k],
                "relative_humidity_pct": humidity[:, k],
                "wind_m_s": wind[:, k],
                "rain_mm": rain[:, k],
                "shortwave_w_m2": sun[:, k],
            },
            index=index,
        )
        for k in range(count)
    ]


def _temperature_shape(sun_hour: Array, sunrise: Array) -> Array:
    """Return the day's course of temperature as departures from its mean in parts of the daily range.

    A sine by day and an exponential fall by night: Parton and Logan (1981), Agricultural Meteorology 23, 205-216, with
    their coefficients for air at 1.5 m (lag of the highest 1.86 h, night 2.20, lag of the lowest -0.17 h).
    """
    day = 2 * (12 - sunrise)
    night = 24 - day
    since = (sun_hour - sunrise - LOWEST_LAG) % 24
    light = day - LOWEST_LAG  # hours from the lowest to sunset
    wave = day + 2 * HIGHEST_LAG
    at_sunset = np.sin(np.pi * light / wave)
    up = np.sin(np.pi * since / wave)
    down = at_sunset * np.exp(-NIGHT_FALL * (since - light) / night)
    left = at_sunset * np.exp(-NIGHT_FALL * (24 - light) / night)  # above the lowest when the night ends
    mean_day = wave / np.pi * (1 - np.cos(np.pi * light / wave))
    mean_night = at_sunset * night / NIGHT_FALL * (1 - np.exp(-NIGHT_FALL * (24 - light) / night))
    return (np.where(since < light, up, down) - (mean_day + mean_night) / 24) / (1 - left)


def _smooth(daily: Array, position: NDArray[np.int_], hour: Array) -> Array:
    """Return daily values at the hours, sliding from one day to the next within three hours of midnight."""
    before = daily[np.maximum(position - 1, 0)]
    after = daily[np.minimum(position + 1, len(daily) - 1)]
    early = np.clip((3 - hour) / 6, 0, 0.5)[:, None]
    late = np.clip((hour - 21) / 6, 0, 0.5)[:, None]
    return daily[position] * (1 - early - late) + before * early + after * late


def _humidity_by_hour(
    daily: Array, temperature: Array, raining: NDArray[np.bool_], position: NDArray[np.int_], hour: Array
) -> Array:
    """Return relative humidity by hour, of a vapour pressure level over the day, near saturation while it rains."""
    saturation = saturation_vapour_pressure(temperature)
    wanted = np.asarray(daily, dtype=float)
    floor = np.where(raining, settings()["wet_hours_humidity_pct"], 1.0)
    pressure = wanted / 100 * _daily_mean(saturation, position, len(wanted)) * 0.97
    humidity = np.empty_like(temperature)
    for _step in range(6):
        humidity = np.clip(100 * _smooth(pressure, position, hour) / saturation, floor, 100.0)
        found = _daily_mean(humidity, position, len(wanted))
        pressure = pressure * np.clip(wanted / found, 0.7, 1.4)
    return humidity


def _daily_mean(values: Array, position: NDArray[np.int_], n: int) -> Array:
    total = np.zeros((n, values.shape[1]))
    np.add.at(total, position, values)
    return total / np.bincount(position, minlength=n)[:, None]


def _sun_by_hour(
    daily: Array,
    index: pd.DatetimeIndex,
    place: Place,
    position: NDArray[np.int_],
    raining: NDArray[np.bool_],
    random: np.random.Generator,
) -> Array:
    """Return radiation by hour: the clear sky's course, dimmed by hourly cloud, adding up to the day's."""
    clear = mean_over_hours(index, place, "clear")[:, None]
    cloud = np.exp(0.35 * random.standard_normal((len(index), daily.shape[1])))
    weight = clear * np.where(raining, 0.35, 1.0)
    ratio = daily / np.maximum(_daily_mean(clear, position, len(daily)), 1e-9)
    # bright days are evenly bright, broken ones patchy
    patchy = np.clip(2 * (1 - ratio), 0, 1)[position]
    weight = weight * cloud**patchy
    sun = np.zeros_like(weight)
    scale = np.ones_like(daily)
    for _step in range(5):
        sun = np.minimum(weight * scale[position], 1.02 * clear)
        scale = scale * np.clip(daily / np.maximum(_daily_mean(sun, position, len(daily)), 1e-9), 0.2, 5.0)
    return sun


def _rain_by_hour(
    daily_mm: Array, position: NDArray[np.int_], sun_hour: Array, random: np.random.Generator
) -> tuple[Array, NDArray[np.bool_]]:
    """Return rain (hours, count) and whether it rains: one spell a day, most often in the afternoon and evening."""
    n, count = daily_mm.shape
    rain = np.zeros((len(position), count))
    first = np.searchsorted(position, np.arange(n))
    length_of_day = np.bincount(position, minlength=n)
    day, scenario = np.nonzero(daily_mm > 0)
    amount = daily_mm[day, scenario]
    # longer on days with more: 2 hours at 2 mm, 5 at 20 mm (judgement: tropical showers)
    spell = np.clip(1 + random.poisson(1.0 + amount / 7.0), 1, 10)
    # 70 % begin around 16 h by the sun, the rest at any hour (judgement: convective rain)
    begin_sun = np.where(
        random.random(len(day)) < 0.7, random.normal(16.0, 3.0, len(day)), random.uniform(0, 24, len(day))
    )
    offset = np.round((begin_sun - sun_hour[first[day]]) % 24).astype(int)
    parts = random.exponential(1.0, (len(day), 10)) * (np.arange(10) < spell[:, None])
    parts = parts / parts.sum(axis=1, keepdims=True) * amount[:, None]
    for step in range(10):
        row = first[day] + np.minimum(offset + step, length_of_day[day] - 1)
        np.add.at(rain, (row, scenario), parts[:, step])
    rain = np.where(rain < 0.02, 0.0, rain)
    return rain, rain >= WET_HOUR_MM


__all__ = ["Before", "Days", "make_days", "make_hours", "normals_by_day", "settings"]
