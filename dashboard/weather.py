"""The weather of a group for the pages: the place, and whether the network may be asked."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import datetime

import pandas as pd
import requests

from core.group.records import Group
from core.group.store import Store
from core.planning.case_from_records import place_of
from core.weather.fetching import make_session
from core.weather.forecast import Forecast, get_forecast
from core.weather.normals import Normals
from core.weather.usual import get_normals, get_years


def session_for(group: Group) -> requests.Session | None:
    """Return a session for the network; None for an invented group, one without a place, or with DRYHOLD_OFFLINE."""
    no_place = group.latitude is None or group.longitude is None
    if group.demo or no_place or os.environ.get("DRYHOLD_OFFLINE"):
        return None
    return make_session()


def normals_of(group: Group, store: Store, now: datetime, ask: bool = False) -> Normals:
    """Return a group's normals; the network is asked only where `ask` is set."""
    return get_normals(place_of(group), store.documents, now, session_for(group) if ask else None)


def years_of(group: Group, store: Store, now: datetime, ask: bool = False) -> tuple[pd.DataFrame | None, str]:
    """Return past years by day at a group's place and their status; the network is asked only where `ask` is set."""
    wanted = int(store.fact(group.id, "climate_years_wanted").value)
    return get_years(place_of(group), store.documents, now, session_for(group) if ask else None, wanted)


def forecast_of(
    group: Group, store: Store, now: datetime, ask_again: bool = False, progress: Callable[[str], None] | None = None
) -> Forecast:
    """Return a group's forecast: stored and young, else from the network where allowed, else what there is.

    Parameters
    ----------
    ask_again : bool
        True asks the network even where a young forecast is stored.
    """
    place = place_of(group)
    normals = normals_of(group, store, now)
    return get_forecast(
        place,
        store.documents,
        now,
        session_for(group),
        normals=normals,
        fresh_hours=float(store.fact(group.id, "forecast_fresh_hours").value),
        ask_again=ask_again,
        progress=progress,
    )
