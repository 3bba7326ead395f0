"""What the hours mean where people live: daylight, sun and rain of each local day."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta

import numpy as np
import pandas as pd

from core.weather.frames import WET_DAY_MM, WET_HOUR_MM, Forecast
from core.weather.place import Place
from core.weather.solar import sunrise_and_sunset

SUNNY_W_M2 = 250.0  # sun that dries at a useful rate; about a quarter of full noon sun (judgement)
LIKELY_DRY = 0.2  # share of runs with rain in an hour, below which the hour counts as dry


@dataclass(frozen=True)
class DayWindow:
    """One local day of a forecast.

    Parameters
    ----------
    sunrise, sunset : datetime or None
        Aware, local; None where the sun does not rise or set.
    hours : int
        Hours of the day that the forecast has (the first and last day may be in part).
    sunny_hours : float
        Median over the runs: hours with at least 250 W/m².
    rain_chance : float
        0-1: share of runs with 1 mm or more in those hours.
    rain_high_mm : float
        90 % value of the day's rain.
    temperature_low_c, temperature_high_c : float
        Medians of the runs' lowest and highest.
    humidity_low_pct : float
        Median of the runs' lowest relative humidity.
    dry_from, dry_until : datetime or None
        The longest stretch of daylight in which no hour has rain in more than a fifth of the runs.
    """

    day: date
    sunrise: datetime | None
    sunset: datetime | None
    hours: int
    sunny_hours: float
    rain_chance: float
    rain_high_mm: float
    temperature_low_c: float
    temperature_high_c: float
    humidity_low_pct: float
    dry_from: datetime | None
    dry_until: datetime | None


def day_windows(forecast: Forecast, place: Place) -> list[DayWindow]:
    """Return the local days of a forecast (aware of the place's own zone and any change of clocks), in order."""
    index = forecast.index
    local = index.tz_convert(place.zone)
    # an hour belongs to the day in which it began
    days = np.asarray((local - pd.Timedelta(hours=1)).date)
    rain = np.column_stack([member["rain_mm"].to_numpy(float) for member in forecast.members])
    sun = np.column_stack([member["shortwave_w_m2"].to_numpy(float) for member in forecast.members])
    warm = np.column_stack([member["temperature_c"].to_numpy(float) for member in forecast.members])
    humid = np.column_stack([member["relative_humidity_pct"].to_numpy(float) for member in forecast.members])
    chance = hourly_rain_chance(forecast)
    result = []
    for day in pd.unique(pd.Series(days)):
        here = days == day
        sums = rain[here].sum(axis=0)
        sunrise, sunset = sunrise_and_sunset(day, place)
        first, last = _dry_stretch(local[here], chance[here], sunrise, sunset)
        result.append(
            DayWindow(
                day=day,
                sunrise=sunrise,
                sunset=sunset,
                hours=int(here.sum()),
                sunny_hours=float(np.median((sun[here] >= SUNNY_W_M2).sum(axis=0))),
                rain_chance=_day_chance(forecast, sums, chance[here]),
                rain_high_mm=float(np.quantile(sums, 0.9)),
                temperature_low_c=float(np.median(warm[here].min(axis=0))),
                temperature_high_c=float(np.median(warm[here].max(axis=0))),
                humidity_low_pct=float(np.median(humid[here].min(axis=0))),
                dry_from=first,
                dry_until=last,
            )
        )
    return result


def hourly_rain_chance(forecast: Forecast) -> np.ndarray:
    """Return the chance of rain in each hour (n,), 0-1: the service's, else the share of runs with 0.1 mm or more."""
    first = forecast.members[0]
    if len(forecast.members) == 1 and "rain_chance" in first:
        return first["rain_chance"].to_numpy(float)
    wet = [member["rain_mm"].to_numpy(float) >= WET_HOUR_MM for member in forecast.members]
    return np.mean(wet, axis=0)


def _day_chance(forecast: Forecast, sums: np.ndarray, hourly: np.ndarray) -> float:
    if len(forecast.members) == 1 and "rain_chance" in forecast.members[0]:
        return float(hourly.max())
    return float((sums >= WET_DAY_MM).mean())


def _dry_stretch(
    ends: pd.DatetimeIndex, chance: np.ndarray, sunrise: datetime | None, sunset: datetime | None
) -> tuple[datetime | None, datetime | None]:
    """Return the longest run of dry hours in daylight, as the moments at which it begins and ends."""
    best: tuple[int, int] | None = None
    begin: int | None = None
    for position in range(len(ends) + 1):
        usable = position < len(ends) and chance[position] <= LIKELY_DRY and _is_day(ends[position], sunrise, sunset)
        if usable and begin is None:
            begin = position
        elif not usable and begin is not None:
            if best is None or position - begin > best[1] - best[0]:
                best = (begin, position)
            begin = None
    if best is None:
        return None, None
    return (ends[best[0]] - timedelta(hours=1)).to_pydatetime(), ends[best[1] - 1].to_pydatetime()


def _is_day(end: pd.Timestamp, sunrise: datetime | None, sunset: datetime | None) -> bool:
    if sunrise is None or sunset is None:
        return True
    middle = end - timedelta(minutes=30)
    return bool(sunrise <= middle <= sunset)
