"""Monthly climatology and daily years of the NASA POWER service (public domain)."""

from __future__ import annotations

import os
from collections.abc import Mapping
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
import requests

from core.errors import WeatherError
from core.weather.fetching import ask, read_json
from core.weather.normals import DAYS_IN_MONTH, Normals, check_years
from core.weather.place import Place
from core.weather.units import convert

SERVICE = "NASA POWER"
ATTRIBUTION = "Climate data: NASA Langley Research Center POWER Project"
URL = "https://power.larc.nasa.gov/api/temporal"
YEARS_SECONDS = 60.0  # twenty years by day are put together while one waits
MONTHS = ("JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC")
# the service's name -> (ours, quantity of the unit table)
CLIMATOLOGY = {
    "T2M": ("temperature_c", "temperature_c"),
    "RH2M": ("relative_humidity_pct", "relative_humidity_pct"),
    "T2M_RANGE": ("daily_range_c", "temperature_c"),
    "ALLSKY_SFC_SW_DWN": ("shortwave_w_m2", "shortwave_day"),
    "WS10M": ("wind_m_s", "wind_m_s"),
    "PRECTOTCORR": ("rain_mm_day", "rain_mm_day"),
}
DAILY = {
    "T2M": ("temperature_c", "temperature_c"),
    "T2M_MIN": ("temperature_min_c", "temperature_c"),
    "T2M_MAX": ("temperature_max_c", "temperature_c"),
    "RH2M": ("relative_humidity_pct", "relative_humidity_pct"),
    "ALLSKY_SFC_SW_DWN": ("shortwave_w_m2", "shortwave_day"),
    "WS10M": ("wind_m_s", "wind_m_s"),
    "PRECTOTCORR": ("rain_mm", "rain_mm_day"),
}


def service_url() -> str:
    """Return the address of the service (environment variable DRYHOLD_NASA_POWER_URL goes first)."""
    return os.environ.get("DRYHOLD_NASA_POWER_URL", URL)


def fetch_normals(place: Place, session: requests.Session) -> Normals:
    """Return the month's normals at a place (means of some twenty years on a half-degree grid)."""
    parameters = {**_where(place), "parameters": ",".join(CLIMATOLOGY)}
    answer = ask(session, f"{service_url()}/climatology/point", parameters, SERVICE)
    return parse_normals(read_json(answer, SERVICE))


def parse_normals(content: Any) -> Normals:
    """Return the normals held in an answer of the climatology service."""
    values, units, fill = _parts(content)
    columns: dict[str, np.ndarray] = {}
    for theirs, (ours, quantity) in CLIMATOLOGY.items():
        months = values.get(theirs)
        if not isinstance(months, dict):
            continue
        numbers = np.array([_number(months.get(month), fill) for month in MONTHS])
        if not np.isfinite(numbers).all():
            continue
        if ours == "daily_range_c":
            # a difference: no offset, and only in degrees Celsius or kelvin
            unit = str(_unit(units, theirs)).lower()
            if unit in ("c", "°c", "k"):
                columns[ours] = numbers
            continue
        columns[ours] = convert(numbers, quantity, _unit(units, theirs), SERVICE)
    if "temperature_c" not in columns or "relative_humidity_pct" not in columns:
        raise WeatherError("the answer of {service} lacks {quantity}", service=SERVICE, quantity="temperature_c")
    table = pd.DataFrame(columns, index=pd.RangeIndex(1, 13, name="month"))
    if "rain_mm_day" in table:
        table["rain_mm"] = table.pop("rain_mm_day").to_numpy() * DAYS_IN_MONTH
    return Normals(table, source=ATTRIBUTION, status="fresh")


def fetch_years(place: Place, session: requests.Session, first: date, last: date) -> pd.DataFrame:
    """Return daily weather of past years.

    Parameters
    ----------
    first, last : date
        Days of the place's local solar calendar, both included.

    Returns
    -------
    DataFrame
        Index of days (naive), columns temperature_c, relative_humidity_pct and, where given, temperature_min_c,
        temperature_max_c, rain_mm (a day), shortwave_w_m2 (mean over 24 hours), wind_m_s.
    """
    parameters = {
        **_where(place),
        "parameters": ",".join(DAILY),
        "start": f"{first:%Y%m%d}",
        "end": f"{last:%Y%m%d}",
        "time-standard": "LST",
    }
    answer = ask(session, f"{service_url()}/daily/point", parameters, SERVICE, seconds=YEARS_SECONDS)
    return parse_years(read_json(answer, SERVICE))


def parse_years(content: Any) -> pd.DataFrame:
    """Return the days held in an answer of the daily service; see `fetch_years`."""
    values, units, fill = _parts(content)
    columns: dict[str, pd.Series] = {}
    for theirs, (ours, quantity) in DAILY.items():
        days = values.get(theirs)
        if not isinstance(days, dict) or not days:
            continue
        try:
            index = pd.to_datetime([str(key) for key in days], format="%Y%m%d")
        except ValueError as error:
            raise WeatherError("the days in the answer of {service} cannot be read", service=SERVICE) from error
        numbers = np.array([_number(value, fill) for value in days.values()])
        columns[ours] = pd.Series(convert(numbers, quantity, _unit(units, theirs), SERVICE), index=index)
    if "temperature_c" not in columns or "relative_humidity_pct" not in columns:
        raise WeatherError("the answer of {service} lacks {quantity}", service=SERVICE, quantity="temperature_c")
    frame = pd.DataFrame(columns).sort_index()
    return check_years(frame)


def _where(place: Place) -> dict[str, Any]:
    return {
        "community": "ag",
        "longitude": round(place.longitude, 4),
        "latitude": round(place.latitude, 4),
        "format": "JSON",
    }


def _parts(content: Any) -> tuple[Mapping[str, Any], Mapping[str, Any], float]:
    try:
        values = content["properties"]["parameter"]
        units = content["parameters"]
        fill = float(content.get("header", {}).get("fill_value", -999.0))
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise WeatherError("the answer of {service} holds no values", service=SERVICE) from error
    if not isinstance(values, dict) or not isinstance(units, dict):
        raise WeatherError("the answer of {service} holds no values", service=SERVICE)
    return values, units, fill


def _unit(units: Mapping[str, Any], name: str) -> Any:
    entry = units.get(name)
    return entry.get("units") if isinstance(entry, dict) else None


def _number(value: Any, fill: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or value == fill or value <= -900:
        return float("nan")
    return float(value)
