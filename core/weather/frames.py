"""The shape that weather has everywhere: hourly tables, and a forecast as one or more of them."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pandas as pd

from core.errors import WeatherError
from core.messages import Message

NEEDED = ("temperature_c", "relative_humidity_pct", "wind_m_s", "rain_mm", "shortwave_w_m2")
OPTIONAL = ("rain_chance",)
WET_HOUR_MM = 0.1  # rain that counts, as the forecast services count it
WET_DAY_MM = 1.0  # a day with rain, as the World Meteorological Organization counts wet days
SCHEMA = 1


@dataclass(frozen=True)
class Forecast:
    """An hourly forecast for one place.

    Parameters
    ----------
    members : tuple of DataFrame
        One or more runs on one common index: UTC, hourly, stamps are hour ends; columns temperature_c,
        relative_humidity_pct and wind_m_s (at 10 m) at the stamp, rain_mm (sum) and shortwave_w_m2 (mean) of the hour
        before; rain_chance (0-1) where the service gives one.
    provider : str
        Key of the service: "open-meteo-ensemble", "open-meteo", "met-norway", "bundled", "normals".
    issued_at, fetched_at : datetime
        When it was made (as far as known) and when it was read, UTC.
    attribution : str
        What the service asks to be shown beside its data.
    notes : tuple of Message
        What was mended, left out, estimated or stood in for.
    caching : dict
        What the service says about asking again ("expires", "last_modified").
    """

    members: tuple[pd.DataFrame, ...]
    provider: str
    issued_at: datetime
    fetched_at: datetime
    status: str
    attribution: str
    notes: tuple[Message, ...] = ()
    caching: dict[str, str] = field(default_factory=dict)

    @property
    def is_forecast(self) -> bool:
        """Whether days ahead may be spoken of: not where the runs are drawn from the usual weather or invented."""
        return self.status in ("fresh", "stored")

    @property
    def index(self) -> pd.DatetimeIndex:
        """The hour ends, UTC."""
        return pd.DatetimeIndex(self.members[0].index)

    def age_hours(self, now: datetime) -> float:
        """Return how long ago the forecast was fetched, hours."""
        return (now - self.fetched_at).total_seconds() / 3600

    def from_hour(self, now: datetime) -> Forecast:
        """Return the forecast without the hours that ended before the present one began."""
        start = pd.Timestamp(now).tz_convert("UTC").floor("h")
        kept = tuple(member.loc[member.index > start] for member in self.members)
        return replace(self, members=kept)


def to_payload(forecast: Forecast) -> dict[str, Any]:
    """Return a forecast as plain data for the store (numbers rounded to a hundredth)."""
    index = forecast.index
    columns = list(forecast.members[0].columns)
    return {
        "schema": SCHEMA,
        "provider": forecast.provider,
        "issued_at": forecast.issued_at.isoformat(),
        "fetched_at": forecast.fetched_at.isoformat(),
        "attribution": forecast.attribution,
        "notes": [{"template": note.template, "values": dict(note.values)} for note in forecast.notes],
        "caching": dict(forecast.caching),
        "start": index[0].isoformat(),
        "hours": len(index),
        "columns": columns,
        "members": [
            [np.round(member[name].to_numpy(float), 3).tolist() for name in columns] for member in forecast.members
        ],
    }


def from_payload(payload: Any, status: str) -> Forecast:
    """Return the forecast that `to_payload` wrote.

    Raises
    ------
    WeatherError
        Where the stored data are of another form or do not fit together.
    """
    try:
        if payload["schema"] != SCHEMA:
            raise WeatherError("the stored forecast was written by another version")
        hours = int(payload["hours"])
        index = pd.date_range(pd.Timestamp(payload["start"]), periods=hours, freq="h")
        if index.tz is None or hours < 1:
            raise WeatherError("the stored forecast is damaged")
        index = index.tz_convert("UTC")
        columns = [str(name) for name in payload["columns"]]
        members = tuple(
            pd.DataFrame(dict(zip(columns, (np.asarray(v, dtype=float) for v in member), strict=True)), index=index)
            for member in payload["members"]
        )
        if not members or any(name not in columns for name in NEEDED):
            raise WeatherError("the stored forecast is damaged")
        if any(not np.isfinite(member[list(NEEDED)].to_numpy()).all() for member in members):
            raise WeatherError("the stored forecast is damaged")
        return Forecast(
            members=members,
            provider=str(payload["provider"]),
            issued_at=_aware(payload["issued_at"]),
            fetched_at=_aware(payload["fetched_at"]),
            status=status,
            attribution=str(payload["attribution"]),
            notes=tuple(Message(str(note["template"]), dict(note["values"])) for note in payload["notes"]),
            caching={str(key): str(value) for key, value in payload.get("caching", {}).items()},
        )
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise WeatherError("the stored forecast is damaged") from error


def _aware(text: str) -> datetime:
    moment = datetime.fromisoformat(text)
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).astimezone(UTC)
