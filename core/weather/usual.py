"""The usual weather and past years of a place: entered, kept, from the network, or from reference places."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from datetime import UTC, date, datetime
from importlib import resources
from typing import Any

import numpy as np
import pandas as pd
import requests

from core.errors import InputError, WeatherError
from core.weather import nasa_power
from core.weather.day_to_day import settings
from core.weather.frames import WET_DAY_MM
from core.weather.normals import DAYS_IN_MONTH, NEEDED, Documents, Normals, check_years
from core.weather.place import Place
from core.weather.reference import reference_normals

EXAMPLE_SOURCE = "invented example weather of Nowhere Valley"
FRESH_DAYS = 365


def normals_from_years(years: pd.DataFrame, source: str, status: str = "fresh") -> Normals:
    """Return the monthly normals of daily weather (as from `check_years`): means, how days vary, rain."""
    months = pd.DatetimeIndex(years.index).month
    mean = years.groupby(months).mean()
    table = mean[list(NEEDED)].copy()
    for name in ("shortwave_w_m2", "wind_m_s"):
        if name in mean:
            table[name] = mean[name]
    if {"temperature_max_c", "temperature_min_c"} <= set(years):
        table["daily_range_c"] = mean["temperature_max_c"] - mean["temperature_min_c"]
    # few years say little of how days vary: the general figures weigh as much as two years (judgement)
    weight = len(years) / 365.25
    spread = years[list(NEEDED)].groupby(months).var()
    for name, column in (("temperature_sd_c", "temperature_c"), ("humidity_sd_pct", "relative_humidity_pct")):
        table[name] = np.sqrt((weight * spread[column] + 2 * settings()[name] ** 2) / (weight + 2))
    if "rain_mm" in years:
        table["rain_days"] = (years["rain_mm"] >= WET_DAY_MM).groupby(months).mean() * DAYS_IN_MONTH
        table["rain_mm"] = mean["rain_mm"] * DAYS_IN_MONTH
    return Normals(table, source=source, status=status)


def bundled_normals() -> Normals:
    """Return the normals of the invented example valley.

    Raises
    ------
    WeatherError
        Where the example data are not installed.
    """
    content = json.loads(_example("normals.json"))
    return Normals(_table(content["table"]), source=EXAMPLE_SOURCE, status="bundled")


def bundled_years() -> pd.DataFrame:
    """Return the invented years of the example valley, by day (columns as in `nasa_power.fetch_years`)."""
    frame = pd.read_csv(io.StringIO(_example("climate_years.csv")), index_col="date", parse_dates=["date"])
    return check_years(frame)


def to_payload(normals: Normals, stored_at: datetime) -> dict[str, Any]:
    """Return normals as plain data for the store."""
    table = normals.table
    return {
        "table": {name: np.round(table[name].to_numpy(float), 3).tolist() for name in table.columns},
        "source": normals.source,
        "status": normals.status,
        "stored_at": stored_at.isoformat(),
    }


def from_payload(payload: Any) -> Normals:
    """Return the normals that `to_payload` wrote ("entered" and "bundled" stay so, the others become "stored").

    Raises
    ------
    WeatherError
        Where the stored data are damaged.
    """
    try:
        status = payload["status"] if payload["status"] in ("entered", "bundled") else "stored"
        return Normals(_table(payload["table"]), source=str(payload["source"]), status=status)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise WeatherError("the stored normals are damaged") from error


def enter_normals(table: pd.DataFrame, place: Place, saved: Documents, now: datetime, who: str) -> Normals:
    """Keep normals that a person typed in, and return them.

    Raises
    ------
    InputError
        Where they cannot be right.
    """
    normals = Normals(table, source=f"entered by {who}", status="entered")
    saved.write("normals", place.key, to_payload(normals, now), now)
    return normals


def get_normals(place: Place, saved: Documents, now: datetime, session: requests.Session | None = None) -> Normals:
    """Return the best normals that there are: entered by hand, stored, from the network, or of the reference towns.

    Parameters
    ----------
    saved : Documents
        The store.
    now : datetime
        The present moment, aware.
    session : requests.Session or None
        None asks no network.

    Returns
    -------
    Normals
        Status "reference" means that they are estimated from towns of the region; "bundled", kept for an example
        group, that they are invented.

    Raises
    ------
    WeatherError
        Where there are none, and no reference town is near.
    """
    stored: Normals | None = None
    payload = saved.read("normals", place.key)
    if payload is not None:
        try:
            stored = from_payload(payload)
        except WeatherError:
            stored = None
    if stored is not None and stored.status == "bundled" and not place.invented:
        stored = None  # an example group lives there; its valley is invented
    if stored is not None and (stored.status == "entered" or session is None):
        return stored
    if stored is not None and stored.status == "stored" and _age_days(payload, now) < FRESH_DAYS:
        return stored
    if session is not None:
        try:
            fetched = nasa_power.fetch_normals(place, session)
        except (WeatherError, InputError):
            fetched = None
        if fetched is not None:
            saved.write("normals", place.key, to_payload(fetched, now), now)
            return fetched
    return stored or reference_normals(place)


def get_years(
    place: Place, saved: Documents, now: datetime, session: requests.Session | None = None, years: int = 20
) -> tuple[pd.DataFrame | None, str]:
    """Return daily weather of past years, and its status.

    Parameters
    ----------
    place, saved, now, session
        As in `get_normals`.
    years : int
        How many whole years before this one to ask for.

    Returns
    -------
    tuple of DataFrame or None, {"fresh", "stored", "bundled", "none"}
        As `nasa_power.fetch_years`; "bundled" = invented years kept for an example group; None where there are none.
    """
    payload = saved.read("climate_years", place.key)
    if payload is not None and (place.invented or payload.get("status") != "bundled"):
        try:
            index = pd.date_range(payload["start"], periods=int(payload["days"]), freq="D")
            frame = pd.DataFrame({name: np.asarray(v, float) for name, v in payload["columns"].items()}, index=index)
            return check_years(frame), "bundled" if payload.get("status") == "bundled" else "stored"
        except (KeyError, TypeError, ValueError, AttributeError, WeatherError):
            pass
    if session is not None:
        last = date(now.astimezone(UTC).year - 1, 12, 31)
        try:
            frame = nasa_power.fetch_years(place, session, date(last.year - years + 1, 1, 1), last)
        except WeatherError:
            return None, "none"
        saved.write(
            "climate_years",
            place.key,
            {
                "start": frame.index[0].isoformat(),
                "days": len(frame),
                "columns": {name: np.round(frame[name].to_numpy(float), 2).tolist() for name in frame},
            },
            now,
        )
        return frame, "fresh"
    return None, "none"


def _table(columns: Mapping[str, Any]) -> pd.DataFrame:
    return pd.DataFrame({name: [float(v) for v in values] for name, values in columns.items()}, index=range(1, 13))


def _age_days(payload: Any, now: datetime) -> float:
    try:
        return (now - datetime.fromisoformat(payload["stored_at"])).total_seconds() / 86400
    except (KeyError, TypeError, ValueError):
        return float("inf")


def _example(name: str) -> str:
    try:
        return (resources.files("demo_data") / "weather" / name).read_text(encoding="utf-8")
    except (ModuleNotFoundError, FileNotFoundError, OSError) as error:
        raise WeatherError("the example weather is not installed") from error
