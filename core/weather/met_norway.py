"""Hourly forecasts of MET Norway's Locationforecast (NLOD 2.0 / CC BY 4.0): the second provider.

It gives no radiation: that is estimated from cloud cover and the sun's height. Beyond about two and a half days its
steps are six hours long and are spread over the hours. Both are said in the forecast's notes.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from contextlib import suppress
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Any

import numpy as np
import pandas as pd
import requests

from core.errors import WeatherError
from core.messages import Message
from core.weather.fetching import TOTAL_SECONDS, ask, read_json
from core.weather.frames import Forecast
from core.weather.place import Place
from core.weather.solar import mean_over_hours, radiation_under_cloud
from core.weather.units import convert
from core.weather.validation import LONGEST_GAP_HOURS, hourly_members

SERVICE = "MET Norway"
ATTRIBUTION = "Data from MET Norway"
URL = "https://api.met.no/weatherapi/locationforecast/2.0/compact"
LONGEST_STEP_HOURS = 6
FARTHEST_DEGREES = 0.25  # from the place asked for to the one that is answered for
VARIABLES = {
    "air_temperature": "temperature_c",
    "relative_humidity": "relative_humidity_pct",
    "wind_speed": "wind_m_s",
    "cloud_area_fraction": "cloud_pct",
}
ESTIMATED_SUN = Message("the sun's radiation is estimated from cloud cover and the sun's height")
COARSE = Message("after {end} the service gives six-hour steps, spread over the hours here")


def service_url() -> str:
    """Return the address of the service (environment variable DRYHOLD_MET_NORWAY_URL goes first)."""
    return os.environ.get("DRYHOLD_MET_NORWAY_URL", URL)


def fetch_forecast(
    place: Place,
    session: requests.Session,
    now: datetime,
    last_modified: str | None = None,
    seconds: float = TOTAL_SECONDS,
) -> Forecast | None:
    """Return the service's forecast, about 9 days.

    Parameters
    ----------
    last_modified : str or None
        What the service said of the stored answer; where nothing is newer, None is returned.
    """
    parameters = {
        "lat": round(place.latitude, 4),
        "lon": round(place.longitude, 4),
        "altitude": round(place.altitude_m),
    }
    headers = {"If-Modified-Since": last_modified} if last_modified else {}
    answer = ask(session, service_url(), parameters, SERVICE, headers, seconds)
    if answer.status_code == 304:
        return None
    caching = _caching(answer.headers)
    return parse_forecast(read_json(answer, SERVICE), place, now, caching)


def parse_forecast(content: Any, place: Place, now: datetime, caching: Mapping[str, str] | None = None) -> Forecast:
    """Return the forecast held in an answer (GeoJSON); see `fetch_forecast`."""
    properties = content.get("properties") if isinstance(content, dict) else None
    meta = properties.get("meta") if isinstance(properties, dict) else None
    series = properties.get("timeseries") if isinstance(properties, dict) else None
    if not isinstance(meta, dict) or not isinstance(series, list) or not series:
        raise WeatherError("the answer of {service} holds no hours", service=SERVICE)
    units = meta.get("units")
    if not isinstance(units, dict):
        raise WeatherError("the answer of {service} does not say its units", service=SERVICE)
    try:
        longitude, latitude = content["geometry"]["coordinates"][:2]
    except (KeyError, TypeError, ValueError):
        longitude, latitude = None, None
    place.check_answer(latitude, longitude, FARTHEST_DEGREES, SERVICE)
    issued = _moment(meta.get("updated_at")) or now
    steps = _steps(series)
    frame, fine_until = _spread(steps, units, place)
    members, notes = hourly_members([frame], place, now, SERVICE, sun_is_estimated=True)
    coarse = (Message(COARSE.template, {"end": f"{fine_until:%Y-%m-%d %H:%M} UTC"}),) if fine_until is not None else ()
    return Forecast(
        members=members,
        provider="met-norway",
        issued_at=min(issued, now),
        fetched_at=now,
        status="fresh",
        attribution=ATTRIBUTION,
        notes=(ESTIMATED_SUN, *coarse, *notes),
        caching=dict(caching or {}),
    )


def _caching(headers: Mapping[str, str]) -> dict[str, str]:
    kept: dict[str, str] = {}
    if headers.get("Last-Modified"):
        kept["last_modified"] = str(headers["Last-Modified"])
    with suppress(KeyError, ValueError, TypeError):
        kept["expires"] = parsedate_to_datetime(str(headers["Expires"])).astimezone(UTC).isoformat()
    return kept


def _moment(text: Any) -> datetime | None:
    try:
        moment = datetime.fromisoformat(str(text).replace("Z", "+00:00"))
    except ValueError:
        return None
    return moment.astimezone(UTC) if moment.tzinfo else moment.replace(tzinfo=UTC)


def _steps(series: list[Any]) -> pd.DataFrame:
    """Return a row per step: instant values, rain of the step and the step's length in hours."""
    rows: dict[datetime, dict[str, float]] = {}
    for entry in series:
        try:
            moment = _moment(entry["time"])
            data = entry["data"]
            instant = data["instant"]["details"]
            if moment is None or not isinstance(instant, dict):
                continue
            row = {name: _number(instant.get(name)) for name in VARIABLES}
            for hours, name in ((1, "next_1_hours"), (6, "next_6_hours")):
                part = data.get(name)
                amount = _number(part["details"].get("precipitation_amount")) if part and "details" in part else np.nan
                if np.isfinite(amount):
                    row["rain"], row["hours"] = amount, float(hours)
                    break
            rows[moment] = row
        except (KeyError, TypeError, AttributeError):
            continue
    if len(rows) < 2:
        raise WeatherError("the answer of {service} holds no hours", service=SERVICE)
    frame = pd.DataFrame.from_dict(rows, orient="index").reindex(columns=[*VARIABLES, "rain", "hours"])
    frame.index = pd.DatetimeIndex(frame.index).as_unit("ns")
    return frame.sort_index()


def _number(value: Any) -> float:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else float("nan")


def _spread(steps: pd.DataFrame, units: Mapping[str, Any], place: Place) -> tuple[pd.DataFrame, pd.Timestamp | None]:
    """Return the hours that the steps cover, and where the fine steps end (None where there are no coarse ones)."""
    stamps = pd.DatetimeIndex(steps.index)
    if stamps[-1] - stamps[0] > pd.Timedelta(days=60):
        raise WeatherError("the hours in the answer of {service} cannot be read", service=SERVICE)
    hours = pd.date_range(stamps[0].floor("h"), stamps[-1].floor("h"), freq="h")
    converted = pd.DataFrame(
        {ours: convert(steps[theirs], ours, units.get(theirs), SERVICE) for theirs, ours in VARIABLES.items()},
        index=stamps,
    )
    grid = converted.reindex(hours.union(stamps)).interpolate(method="time", limit_area="inside").reindex(hours)
    # rain of a step falls after its stamp, ours is of the hour before
    rain = np.full(len(hours), np.nan)
    amounts = convert(steps["rain"], "rain_mm", units.get("precipitation_amount"), SERVICE)
    ends = np.append(np.diff(stamps.to_numpy()) / np.timedelta64(1, "h"), 0.0)
    fine_until: pd.Timestamp | None = None
    for stamp, amount, covered, until_next in zip(stamps, amounts, steps["hours"].to_numpy(), ends, strict=True):
        if not np.isfinite(amount):
            continue
        if covered > 1 and fine_until is None:
            fine_until = stamp
        # a six-hour sum given hourly would count the same rain again: only the hours up to the next step are filled
        length = int(min(covered, max(until_next, 1.0)))
        first = int((stamp - hours[0]) / pd.Timedelta(hours=1)) + 1
        rain[first : first + length] = amount / covered
    # instants may be read between six-hour steps, not across a hole in the answer
    gap = np.zeros(len(hours), dtype=bool)
    for stamp, until_next in zip(stamps, ends, strict=True):
        if until_next > max(LONGEST_STEP_HOURS, LONGEST_GAP_HOURS + 1):
            gap |= (hours > stamp) & (hours < stamp + pd.Timedelta(hours=float(until_next)))
    cloud = grid["cloud_pct"].to_numpy()
    middle = np.append(cloud[:1], (cloud[1:] + cloud[:-1]) / 2) / 100
    sun = radiation_under_cloud(mean_over_hours(hours, place, "clear"), middle)
    sun[~np.isfinite(middle)] = np.nan
    frame = grid.drop(columns="cloud_pct").assign(rain_mm=rain, shortwave_w_m2=sun)
    frame.loc[gap] = np.nan
    return frame.iloc[1:], fine_until
