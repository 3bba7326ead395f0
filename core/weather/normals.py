"""Monthly normals and past years of a place as tables: what they hold, what they can be, and what completes them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol

import numpy as np
import pandas as pd

from core.errors import InputError, WeatherError
from core.weather.place import Place
from core.weather.solar import clear_sky_daily, radiation_from_range

NEEDED = ("temperature_c", "relative_humidity_pct")
# what a monthly mean can be; beyond it somebody mistyped or the unit is another one
LIMITS = {
    "temperature_c": (-45.0, 45.0),
    "relative_humidity_pct": (5.0, 100.0),
    "daily_range_c": (0.5, 30.0),
    "shortwave_w_m2": (0.0, 420.0),
    "wind_m_s": (0.0, 25.0),
    "rain_days": (0.0, 31.0),
    "rain_mm": (0.0, 3000.0),
    "temperature_sd_c": (0.05, 15.0),
    "humidity_sd_pct": (0.2, 35.0),
}
MID_MONTH_DAY = np.array([15, 46, 74, 105, 135, 166, 196, 227, 258, 288, 319, 349])
DAYS_IN_MONTH = np.array([31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])


class Documents(Protocol):
    """Where weather is kept: anything that reads and writes plain data by kind and key."""

    def read(self, kind: str, key: str) -> dict[str, Any] | None:
        """Return what was written, None where there is nothing."""

    def write(self, kind: str, key: str, payload: dict[str, Any], stored_at: datetime) -> None:
        """Keep plain data under a kind and key."""


@dataclass(frozen=True)
class Normals:
    """The usual weather of each month.

    Parameters
    ----------
    table : DataFrame
        Index month 1-12; columns temperature_c and relative_humidity_pct (means over day and night), and where known
        daily_range_c (highest minus lowest of a day, °C), shortwave_w_m2 (mean over 24 hours), wind_m_s (at 10 m),
        rain_days (days with rain in the month), rain_mm (of the month), temperature_sd_c and humidity_sd_pct (standard
        deviation of the daily means within the month).
    source : str
        Where the figures come from, for people.
    status : {"entered", "fresh", "stored", "reference", "bundled"}
        How they came to be here.

    Raises
    ------
    InputError
        Where a month is missing or a value cannot be right.
    """

    table: pd.DataFrame
    source: str
    status: str

    def __post_init__(self) -> None:
        object.__setattr__(self, "table", check_table(self.table))


def check_table(table: pd.DataFrame) -> pd.DataFrame:
    """Return a table of monthly normals (months 1-12, columns as in `Normals`) with only known, whole columns.

    Raises
    ------
    InputError
        Where a month, the temperature or the humidity is missing, or a value is outside what a monthly mean can be.
    """
    try:
        months = [int(month) for month in table.index]
    except (TypeError, ValueError) as error:
        raise InputError("normals need one row for each month from 1 to 12") from error
    if sorted(months) != list(range(1, 13)):
        raise InputError("normals need one row for each month from 1 to 12")
    checked = table.set_axis(pd.Index(months, name="month"), axis=0).sort_index()
    columns: dict[str, np.ndarray] = {}
    for name, (low, high) in LIMITS.items():
        if name not in checked:
            continue
        values = pd.to_numeric(checked[name], errors="coerce").to_numpy(dtype=float)
        if name not in NEEDED and not np.isfinite(values).any():
            continue
        for month, value in zip(checked.index, values, strict=True):
            if not np.isfinite(value):
                raise InputError("{quantity} of month {month} is missing", quantity=name, month=month)
            if not low <= value <= high:
                raise InputError(
                    "{quantity} of month {month} is {value}; a monthly mean lies between {low} and {high}",
                    quantity=name,
                    month=month,
                    value=round(float(value), 2),
                    low=low,
                    high=high,
                )
        columns[name] = values
    for name in NEEDED:
        if name not in columns:
            raise InputError("normals lack the column {quantity}", quantity=name)
    return pd.DataFrame(columns, index=checked.index)


def completed(normals: Normals, place: Place) -> pd.DataFrame:
    """Return the table of normals with every column, the missing ones estimated.

    Parameters
    ----------
    normals : Normals
        As known.
    place : Place
        For the sun.

    Returns
    -------
    DataFrame
        All columns of `Normals.table`, but for the two standard deviations where they are not known.

    Notes
    -----
    Missing range: 11 °C less 0.2 °C for each point of humidity above 65 % (judgement, held against Mumbai's 15 °C at
    49 % and 5.4 °C at 85 %). Missing sun: FAO-56 equation 50 from the range. Missing rain days: from humidity
    (judgement: none below 62 %, every second day at 77 %, by Mumbai's months). Missing rain: 9 mm on a day with rain
    (judgement). Missing wind: 2 m/s at 2 m (FAO-56 page 63), 2.7 m/s at 10 m.
    """
    table = normals.table.copy()
    humidity = table["relative_humidity_pct"].to_numpy()
    if "daily_range_c" not in table:
        table["daily_range_c"] = np.clip(11.0 - 0.2 * (humidity - 65.0), 4.0, 17.0)
    if "shortwave_w_m2" not in table:
        table["shortwave_w_m2"] = radiation_from_range(place.latitude, MID_MONTH_DAY, table["daily_range_c"].to_numpy())
    # no month's mean can pass a cloudless sky's
    ceiling = clear_sky_daily(place.latitude, place.altitude_m, MID_MONTH_DAY) * 1e6 / 86400
    table["shortwave_w_m2"] = np.minimum(table["shortwave_w_m2"].to_numpy(), 0.98 * ceiling)
    if "rain_days" not in table:
        if "rain_mm" in table:
            table["rain_days"] = np.minimum(table["rain_mm"].to_numpy() / 9.0, 0.9 * DAYS_IN_MONTH)
        else:
            table["rain_days"] = np.clip((humidity - 62.0) / 30.0, 0.02, 0.85) * DAYS_IN_MONTH
    table["rain_days"] = np.minimum(table["rain_days"].to_numpy(), 0.97 * DAYS_IN_MONTH)
    if "rain_mm" not in table:
        table["rain_mm"] = table["rain_days"] * 9.0
    if "wind_m_s" not in table:
        table["wind_m_s"] = 2.7
    return table


def check_years(frame: pd.DataFrame) -> pd.DataFrame:
    """Return daily weather of past years, whole and plausible.

    Parameters
    ----------
    frame : DataFrame
        Index of days, columns at least temperature_c and relative_humidity_pct.

    Returns
    -------
    DataFrame
        Every day from first to last; holes of up to seven days filled in a straight line, days before the last
        longer hole dropped.

    Raises
    ------
    WeatherError
        Where less than a year is left or values are impossible.
    """
    index = pd.DatetimeIndex(frame.index)
    frame = frame.set_axis(index.tz_localize(None) if index.tz is not None else index, axis=0)
    frame = frame.loc[~frame.index.duplicated(keep="last")].sort_index()
    for name in NEEDED:
        if name not in frame:
            raise WeatherError("the past years lack {quantity}", quantity=name)
    if len(frame) == 0:
        raise WeatherError("less than a year of whole days is left in the past years")
    if (frame.index[-1] - frame.index[0]).days > 36_600:
        raise WeatherError("the days of the past years cannot be read")
    frame = frame.reindex(pd.date_range(frame.index[0], frame.index[-1], freq="D"))
    impossible = ~frame["temperature_c"].between(-60, 50) | ~frame["relative_humidity_pct"].between(0, 101)
    impossible &= frame[list(NEEDED)].notna().all(axis=1)
    if impossible.mean() > 0.02:
        raise WeatherError("too many days of the past years have impossible values")
    frame.loc[impossible, list(NEEDED)] = np.nan
    frame["relative_humidity_pct"] = frame["relative_humidity_pct"].clip(0, 100)
    for column in ("rain_mm", "shortwave_w_m2", "wind_m_s"):
        if column in frame:
            frame[column] = frame[column].clip(lower=0)
    missing = frame[list(NEEDED)].isna().any(axis=1)
    run = missing.groupby((~missing).cumsum()).transform("sum")
    long_hole = missing & (run > 7)
    tail_start = frame.index[-1]
    if missing.iloc[-1]:
        tail_start = frame.index[~missing][-1] if (~missing).any() else frame.index[0]
        frame = frame.loc[:tail_start]
        long_hole = long_hole.loc[:tail_start]
    if long_hole.any():
        frame = frame.loc[long_hole[long_hole].index[-1] + pd.Timedelta(days=1) :]
    frame = frame.interpolate(method="linear", limit_direction="both")
    if len(frame) < 365:
        raise WeatherError("less than a year of whole days is left in the past years")
    return frame
