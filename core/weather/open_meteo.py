"""Hourly forecasts and ensembles of the Open-Meteo service (CC BY 4.0)."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd
import requests

from core.errors import WeatherError
from core.messages import Message
from core.weather.fetching import TOTAL_SECONDS, ask, read_json
from core.weather.frames import Forecast
from core.weather.place import Place
from core.weather.units import convert
from core.weather.validation import hourly_members

SERVICE = "Open-Meteo"
ATTRIBUTION = "Weather data by Open-Meteo.com"
FORECAST_URL = "https://api.open-meteo.com/v1/forecast"
ENSEMBLE_URL = "https://ensemble-api.open-meteo.com/v1/ensemble"
FORECAST_DAYS = 16
ENSEMBLE_MODEL = "gfs_seamless"  # 31 runs to 16 days, worldwide
FARTHEST_DEGREES = 0.75  # from the place asked for to the centre of the cell that answers

# the service's name -> ours
VARIABLES = {
    "temperature_2m": "temperature_c",
    "relative_humidity_2m": "relative_humidity_pct",
    "precipitation": "rain_mm",
    "shortwave_radiation": "shortwave_w_m2",
    "wind_speed_10m": "wind_m_s",
}
CHANCE = "precipitation_probability"
MEMBER = re.compile(r"^(?P<variable>.+?)_member(?P<number>\d{2,3})(?:_.*)?$")


def forecast_url() -> str:
    """Return the address of the forecast service (environment variable DRYHOLD_OPEN_METEO_URL goes first)."""
    return os.environ.get("DRYHOLD_OPEN_METEO_URL", FORECAST_URL)


def ensemble_url() -> str:
    """Return the address of the ensemble service (environment variable DRYHOLD_OPEN_METEO_ENSEMBLE_URL goes first)."""
    return os.environ.get("DRYHOLD_OPEN_METEO_ENSEMBLE_URL", ENSEMBLE_URL)


def fetch_forecast(place: Place, session: requests.Session, now: datetime, seconds: float = TOTAL_SECONDS) -> Forecast:
    """Return the service's single best forecast, up to 16 days."""
    names = ",".join([*VARIABLES, CHANCE])
    answer = ask(session, forecast_url(), {**_where(place), "hourly": names}, SERVICE, seconds=seconds)
    return parse_forecast(read_json(answer, SERVICE), place, now)


def fetch_ensemble(place: Place, session: requests.Session, now: datetime, seconds: float = TOTAL_SECONDS) -> Forecast:
    """Return an ensemble forecast, run by run; parameters and errors as `fetch_forecast`."""
    parameters = {**_where(place), "hourly": ",".join(VARIABLES), "models": ENSEMBLE_MODEL}
    answer = ask(session, ensemble_url(), parameters, SERVICE, seconds=seconds)
    return parse_ensemble(read_json(answer, SERVICE), place, now)


def parse_forecast(content: Any, place: Place, now: datetime) -> Forecast:
    """Return the forecast held in an answer of the forecast service; see `fetch_forecast`."""
    index, hourly, units = _hours(content, place)
    columns = {ours: _column(hourly, units, theirs, ours, len(index)) for theirs, ours in VARIABLES.items()}
    if hourly.get(CHANCE) is not None and CHANCE in units:
        columns["rain_chance"] = _column(hourly, units, CHANCE, "rain_chance", len(index))
    members, notes = hourly_members([pd.DataFrame(columns, index=index)], place, now, SERVICE)
    return _forecast(members, "open-meteo", now, notes)


def parse_ensemble(content: Any, place: Place, now: datetime) -> Forecast:
    """Return the ensemble held in an answer of the ensemble service: the control run first, then its members."""
    index, hourly, units = _hours(content, place)
    runs: dict[int, dict[str, np.ndarray]] = {}
    for name in hourly:
        found = MEMBER.match(str(name))
        theirs, number = (found["variable"], int(found["number"])) if found else (str(name), 0)
        if theirs in VARIABLES:
            ours = VARIABLES[theirs]
            runs.setdefault(number, {})[ours] = _column(hourly, units, str(name), ours, len(index))
    if not runs:
        raise WeatherError("the answer of {service} lacks {quantity}", service=SERVICE, quantity="temperature_c")
    control = runs.get(0, {})
    notes: list[Message] = []
    frames = []
    for number in sorted(runs):
        columns = dict(runs[number])
        for ours in ("shortwave_w_m2", "wind_m_s"):
            if ours not in columns and ours in control:
                columns[ours] = control[ours]
                notes.append(Message("all runs of the ensemble share {quantity} of its first run", {"quantity": ours}))
        frames.append(pd.DataFrame(columns, index=index))
    members, remarks = hourly_members(frames, place, now, SERVICE)
    return _forecast(members, "open-meteo-ensemble", now, (*notes[:1], *remarks))


def _where(place: Place) -> dict[str, Any]:
    return {
        "latitude": round(place.latitude, 4),
        "longitude": round(place.longitude, 4),
        "elevation": round(place.altitude_m),
        "timezone": "UTC",
        "wind_speed_unit": "ms",
        "forecast_days": FORECAST_DAYS,
    }


def _forecast(members: tuple[pd.DataFrame, ...], provider: str, now: datetime, notes: tuple[Message, ...]) -> Forecast:
    return Forecast(
        members=members,
        provider=provider,
        issued_at=now,  # the service does not say when its runs began
        fetched_at=now,
        status="fresh",
        attribution=ATTRIBUTION,
        notes=tuple(notes),
    )


def _hours(content: Any, place: Place) -> tuple[pd.DatetimeIndex, Mapping[str, Any], Mapping[str, Any]]:
    if isinstance(content, list):
        content = content[0] if content else None
    if not isinstance(content, dict) or not isinstance(content.get("hourly"), dict):
        raise WeatherError("the answer of {service} holds no hours; the place may be outside its area", service=SERVICE)
    hourly, units = content["hourly"], content.get("hourly_units")
    if not isinstance(units, dict):
        raise WeatherError("the answer of {service} does not say its units", service=SERVICE)
    place.check_answer(content.get("latitude"), content.get("longitude"), FARTHEST_DEGREES, SERVICE)
    times = hourly.get("time")
    if not isinstance(times, list) or not times:
        raise WeatherError("the answer of {service} holds no hours; the place may be outside its area", service=SERVICE)
    offset = content.get("utc_offset_seconds", 0)
    if not isinstance(offset, int | float) or isinstance(offset, bool) or abs(offset) > 15 * 3600:
        raise WeatherError("the hours in the answer of {service} cannot be read", service=SERVICE)
    try:
        if units.get("time") == "unixtime":
            return pd.DatetimeIndex(pd.to_datetime(times, unit="s", utc=True)), hourly, units
        stamps = pd.to_datetime(times, utc=True, format="ISO8601")
    except (ValueError, TypeError, OverflowError) as error:
        raise WeatherError("the hours in the answer of {service} cannot be read", service=SERVICE) from error
    # stamps are wall time with one offset for the whole answer
    return pd.DatetimeIndex(stamps - pd.Timedelta(seconds=float(offset))), hourly, units


def _column(hourly: Mapping[str, Any], units: Mapping[str, Any], theirs: str, ours: str, length: int) -> np.ndarray:
    values = hourly.get(theirs)
    if not isinstance(values, list):
        raise WeatherError("the answer of {service} lacks {quantity}", service=SERVICE, quantity=ours)
    if len(values) != length:
        raise WeatherError("the columns in the answer of {service} differ in length", service=SERVICE)
    try:
        numbers = np.array([np.nan if value is None else _number(value) for value in values], dtype=float)
    except (TypeError, ValueError, OverflowError) as error:
        raise WeatherError(
            "{quantity} in the answer of {service} is not numbers", service=SERVICE, quantity=ours
        ) from error
    return convert(numbers, ours, units.get(theirs), SERVICE)


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TypeError(value)
    return float(value)
