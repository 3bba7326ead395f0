"""How long a lot takes to dry, as plan and pages both have it: one weather ahead, one belief in the place's rate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from core.drying.advice import DryingOutlook, outlook
from core.drying.learning import RateBelief
from core.drying.run import DryingRun, simulate_drying
from core.drying.setups import DryingSetup
from core.drying.weather import MendedWeather, mend_weather
from core.grain.commodities import Commodity

WEATHERS = 24
DRYING_DAYS = 20
BOOKED_CHANCE = 0.8  # a space is kept for so many days that the grain is dry in this share of the weathers
DRAWS = 3  # of the moisture at the start, in each weather


@dataclass(frozen=True)
class LotDrying:
    """A lot's drying on one space.

    Parameters
    ----------
    run : DryingRun
        Columns are weathers, each with several draws of the moisture at the start.
    outlook : DryingOutlook
        Days, uncovered hours and chances.
    """

    run: DryingRun
    outlook: DryingOutlook


def begin_of(day: date, time_zone: str | None) -> datetime:
    """Return the midnight with which a day begins where a group lives, UTC."""
    return datetime.combine(day, time(0), ZoneInfo(time_zone or "UTC")).astimezone(UTC)


def weather_ahead(data: Any, start: datetime, seed: int) -> MendedWeather:
    """Return the hourly weathers in which plan and pages dry, from a moment on.

    Parameters
    ----------
    data : Surroundings
        Forecast (None: usual weather throughout), normals and place.
    start : datetime
        The first hour begins here, or where the forecast begins that day: its first hours may be over.
    """
    from core.weather.scenarios import extend_scenarios

    forecast = data.forecast
    if forecast is not None and len(forecast.index):
        first = (forecast.index[0] - pd.Timedelta(hours=1)).to_pydatetime()
        start = first if start < first <= start + timedelta(days=1) else start
    frames = extend_scenarios(forecast, data.normals, data.place, start, DRYING_DAYS, WEATHERS, seed)
    return mend_weather(frames, longitude=data.place.longitude)


def booked(days: np.ndarray) -> float:
    """Return the days for which a space is kept: enough in four of five weathers, infinity where none is."""
    ordered = np.sort(np.asarray(days, dtype=float))
    return float(np.ceil(ordered[int(np.ceil(BOOKED_CHANCE * len(ordered))) - 1]))


def lot_drying(
    crop: str | Commodity,
    moisture_pct: tuple[float, float],
    frames: Sequence[pd.DataFrame],
    setup: DryingSetup,
    target_pct: float,
    belief: RateBelief,
    seed: int,
) -> LotDrying:
    """Return a lot's drying, with the doubt about its moisture and about the place's rate in its weathers.

    Parameters
    ----------
    moisture_pct : tuple of float
        Mean and standard error at the start [% w.b., points].
    """
    count = len(frames)
    shock = np.random.default_rng([seed, 4]).standard_normal(DRAWS * count)
    starts = np.clip(moisture_pct[0] + moisture_pct[1] * shock, 1.0, 75.0)
    rates = np.tile(belief.sample(count, seed), DRAWS)
    run = simulate_drying(crop, starts, [*frames] * DRAWS, setup, target_pct, rate_factors=rates)
    return LotDrying(run, outlook(crop, run))
