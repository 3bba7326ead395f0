"""The forecast for a place from the best source: a fresh stored one, the network, an older one, usual weather."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd
import requests

from core.errors import InputError, WeatherError
from core.messages import Message, plural
from core.weather import met_norway, open_meteo
from core.weather.day_to_day import make_days, make_hours
from core.weather.fetching import TOTAL_SECONDS
from core.weather.frames import Forecast, from_payload, to_payload
from core.weather.normals import Documents, Normals
from core.weather.place import Place
from core.weather.scenarios import example_members

__all__ = ["Forecast", "fetch", "from_payload", "get_forecast", "stored_forecast", "to_payload", "usual_forecast"]

FRESH_HOURS = 6.0  # the services' runs come every six hours
WAIT_AFTER_FAILURE_MINUTES = 15.0
LONGEST_WAIT_SECONDS = 9.0
"""All services together: a page is to answer within ten seconds."""
STALE_HOURS_LEFT = 24
USUAL_DAYS = 16
USUAL_RUNS = 20
EXAMPLE_RUNS = 10
FORECAST_KIND = "forecast"
ATTEMPT_KIND = "forecast_attempt"


def get_forecast(
    place: Place,
    saved: Documents,
    now: datetime,
    session: requests.Session | None = None,
    *,
    normals: Normals | None = None,
    fresh_hours: float = FRESH_HOURS,
    ask_again: bool = False,
    progress: Callable[[str], None] | None = None,
) -> Forecast:
    """Return the best forecast there is: fresh stored, from the network, older stored, or the usual weather.

    Parameters
    ----------
    saved : Documents
        Where forecasts are kept: `read(kind, key)` and `write(kind, key, payload, stored_at)`.
    session : requests.Session or None
        From `fetching.make_session`; None asks no network.
    normals : Normals or None
        The place's usual weather, from which days are drawn where there is no forecast.
    fresh_hours : float
        How old a stored forecast may be before the network is asked.
    ask_again : bool
        True asks the network even so, and even shortly after a failure.

    Returns
    -------
    Forecast
        Hours from now on. `is_forecast` says whether it is one; `status` how it came: "fresh", "stored", "usual"
        (drawn from the usual weather) or "bundled" (the invented example's); `notes` say what was wrong.

    Raises
    ------
    WeatherError
        Where there is nothing at all, not even the usual weather.
    """
    if now.tzinfo is None:
        raise InputError("the present moment needs a time zone")
    now = now.astimezone(UTC)
    notes: list[Message] = []
    stored = stored_forecast(place, saved, now, notes)
    if stored is not None and not ask_again and _is_fresh(stored, now, fresh_hours):
        return replace(stored, status="fresh", notes=(*stored.notes, *notes))
    if session is not None and (ask_again or not _failed_lately(place, saved, now)):
        try:
            fetched = fetch(place, session, now, stored, progress, notes)
        except WeatherError as error:
            notes.append(error.message)
            asked_for = [note.values.get("minutes", 0) for note in notes]
            attempt = {"failed_at": now.isoformat(), "minutes": max(WAIT_AFTER_FAILURE_MINUTES, *asked_for)}
            saved.write(ATTEMPT_KIND, place.key, attempt, now)
        else:
            saved.write(FORECAST_KIND, place.key, to_payload(fetched), now)
            return fetched.from_hour(now)
    if stored is not None:
        old = plural(
            "hours",
            "the weather service could not be asked: this is the forecast of {hours} hour ago",
            "the weather service could not be asked: this is the forecast of {hours} hours ago",
            hours=round(stored.age_hours(now)),
        )
        return replace(stored, status="stored", notes=(old, *stored.notes, *notes))
    if normals is None:
        raise WeatherError("there is neither a forecast nor the usual weather of this place")
    stand_in = usual_forecast(place, now, normals)
    return replace(stand_in, notes=(*stand_in.notes, *notes))


def stored_forecast(
    place: Place, saved: Documents, now: datetime, notes: list[Message] | None = None
) -> Forecast | None:
    """Return the stored forecast where it still reaches a day ahead, else None (why is added to `notes`)."""
    payload = saved.read(FORECAST_KIND, place.key)
    if payload is None:
        return None
    remarks: list[Message] = []
    result: Forecast | None = None
    try:
        stored = from_payload(payload, "stored")
    except WeatherError as error:
        remarks.append(error.message)
    else:
        ahead = stored.from_hour(now)
        if stored.fetched_at > now + timedelta(hours=1):
            remarks.append(Message("the stored forecast is from the future; is this computer's clock right?"))
        elif len(ahead.members[0]) < STALE_HOURS_LEFT or ahead.index[0] > pd.Timestamp(now) + pd.Timedelta(hours=36):
            remarks.append(Message("the stored forecast of {day} is used up", {"day": f"{stored.fetched_at:%Y-%m-%d}"}))
        else:
            result = ahead
    if notes is not None:
        notes.extend(remarks)
    return result


def fetch(
    place: Place,
    session: requests.Session,
    now: datetime,
    stored: Forecast | None = None,
    progress: Callable[[str], None] | None = None,
    notes: list[Message] | None = None,
    clock: Callable[[], float] = time.monotonic,
) -> Forecast:
    """Return a forecast from the first service that gives a usable one: ensemble, single forecast, second provider.

    Parameters
    ----------
    place, session, now, progress
        As in `get_forecast`.
    stored : Forecast or None
        The last good one (its "last modified" spares the second provider an answer that is known).
    notes : list or None
        Gets what each service that failed had to say, where another one served.
    clock : callable
        Seconds; after `LONGEST_WAIT_SECONDS` no further service is asked.

    Raises
    ------
    WeatherError
        Where none served; the message is the first service's.
    """
    services: list[tuple[str, Callable[[float], Forecast | None]]] = [
        ("Open-Meteo (ensemble)", lambda left: open_meteo.fetch_ensemble(place, session, now, seconds=left)),
        ("Open-Meteo", lambda left: open_meteo.fetch_forecast(place, session, now, seconds=left)),
        ("MET Norway", lambda left: _second_provider(place, session, now, stored, left)),
    ]
    began = clock()
    errors: list[WeatherError] = []
    for name, ask in services:
        left = LONGEST_WAIT_SECONDS - (clock() - began)
        if left <= 0:
            break
        if progress is not None:
            progress(name)
        try:
            found = ask(min(left, TOTAL_SECONDS))
        except WeatherError as error:
            errors.append(error)
            continue
        if found is not None:
            said = tuple(error.message for error in errors)
            return replace(found, notes=(*found.notes, *said))
    if notes is not None:
        notes.extend(error.message for error in errors[1:])
    raise errors[0] if errors else WeatherError("no weather service answered")


def _second_provider(
    place: Place, session: requests.Session, now: datetime, stored: Forecast | None, seconds: float
) -> Forecast | None:
    known = stored if stored is not None and stored.provider == "met-norway" else None
    if known is not None and _not_expired(known, now):
        return known
    last_modified = known.caching.get("last_modified") if known is not None else None
    found = met_norway.fetch_forecast(place, session, now, last_modified=last_modified, seconds=seconds)
    if found is None and known is not None:  # 304: the stored one still stands
        return replace(known, fetched_at=now, status="fresh")
    return found


def usual_forecast(place: Place, now: datetime, normals: Normals) -> Forecast:
    """Return days drawn from a place's usual weather, for outlooks where there is no forecast.

    The runs are independent of one another, so that no single day stands out: of "Friday" nothing is known.

    Parameters
    ----------
    normals : Normals
        The place's usual weather. Those of the invented example (status "bundled") give an invented forecast, whose
        runs begin alike, for the example groups alone.

    Returns
    -------
    Forecast
        16 days; status "usual" ("bundled" for the example), and the same within a day.
    """
    example = normals.status == "bundled"
    today = pd.Timestamp(now).tz_convert(place.zone).date()
    table = normals.table
    members = _drawn(place, today, example, tuple(table.columns), table.to_numpy(dtype=float).tobytes())
    if example:
        note = Message("example weather of an invented valley, not a forecast")
    else:
        note = Message(
            "no forecast: the usual weather of the month ({source}); no single day is known",
            {"source": Message(normals.source)},
        )
    whole = Forecast(
        members=members,
        provider="bundled" if example else "normals",
        issued_at=now.astimezone(UTC),
        fetched_at=now.astimezone(UTC),
        status="bundled" if example else "usual",
        attribution="",
        notes=(note,),
    )
    return whole.from_hour(now)


@lru_cache(maxsize=8)  # a page asks for the same days at each opening and after each entry
def _drawn(
    place: Place, today: date, example: bool, columns: tuple[str, ...], values: bytes
) -> tuple[pd.DataFrame, ...]:
    """Return the runs of `usual_forecast` from a table of normals by its columns and values; nobody changes them."""
    rows = np.frombuffer(values).reshape(12, len(columns))
    table = pd.DataFrame(rows, index=pd.Index(range(1, 13), name="month"), columns=list(columns))
    normals, days = Normals(table, "", "bundled"), [today + timedelta(days=step) for step in range(USUAL_DAYS)]
    random = np.random.default_rng([20_260_520, today.toordinal()])
    if example:
        return tuple(example_members(normals, place, days, EXAMPLE_RUNS, random))
    return tuple(make_hours(days, make_days(normals, place, days, USUAL_RUNS, random), place, random))


def _is_fresh(stored: Forecast, now: datetime, fresh_hours: float) -> bool:
    return stored.age_hours(now) <= fresh_hours or _not_expired(stored, now)


def _not_expired(stored: Forecast, now: datetime) -> bool:
    try:
        return now < datetime.fromisoformat(stored.caching["expires"]) and stored.age_hours(now) < 24
    except (KeyError, ValueError, TypeError):
        return False


def _failed_lately(place: Place, saved: Documents, now: datetime) -> bool:
    attempt: Any = saved.read(ATTEMPT_KIND, place.key)
    try:
        since = now - datetime.fromisoformat(attempt["failed_at"])
        pause = timedelta(minutes=float(attempt.get("minutes", WAIT_AFTER_FAILURE_MINUTES)))
    except (AttributeError, KeyError, TypeError, ValueError, OverflowError):
        return False
    return timedelta(0) <= since < pause
