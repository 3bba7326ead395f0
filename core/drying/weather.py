"""Hourly weather as the drying layer needs it: checked, and, where something is wrong, mended and named."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from core.drying.layer import LayerWeather
from core.errors import InputError
from core.given import check_number
from core.grain.air import vapour_pressure
from core.messages import Message, message
from core.weather.frames import NEEDED
from core.weather.validation import LONGEST_GAP_HOURS

POSSIBLE = {
    "temperature_c": (-40.0, 60.0),
    "relative_humidity_pct": (0.0, 100.0),
    "wind_m_s": (0.0, 60.0),
    "rain_mm": (0.0, 300.0),
    "shortwave_w_m2": (0.0, 1500.0),
}
"""What an hour's weather can be (world records with some room, judgement)."""
SLACK = {"relative_humidity_pct": 5.0, "shortwave_w_m2": 10.0, "rain_mm": 0.05}
"""How far beyond a sensor's or model's rounding may go; it is held at the edge without a word."""


@dataclass(frozen=True)
class MendedWeather:
    """Weather that can be used, with what had to be done to it.

    Parameters
    ----------
    frames : tuple of DataFrame
        One per scenario, complete and possible.
    notes : tuple of Message
        What was wrong and what stands in; empty when all was well.
    """

    frames: tuple[pd.DataFrame, ...]
    notes: tuple[Message, ...]


def as_frames(weather: pd.DataFrame | Sequence[pd.DataFrame]) -> list[pd.DataFrame]:
    """Return weather as a list of frames on one hourly, zone-aware index.

    Raises
    ------
    InputError
        For no frame, a missing column, an index without time zone, not hourly or not common to all.
    """
    frames = [weather] if isinstance(weather, pd.DataFrame) else list(weather) if isinstance(weather, Sequence) else []
    if not all(isinstance(frame, pd.DataFrame) for frame in frames) or not frames or len(frames[0]) == 0:
        raise InputError("there is no weather to dry in")
    index = frames[0].index
    if not isinstance(index, pd.DatetimeIndex) or index.tz is None:
        raise InputError("the weather's hours carry no time zone: say which zone they are in")
    if len(index) > 1 and not bool((np.diff(index.as_unit("ns").asi8) == 3_600_000_000_000).all()):
        raise InputError("the weather is not hourly without holes: mend it first")
    for frame in frames:
        missing = [name for name in NEEDED if name not in frame.columns]
        if missing:
            raise InputError("the weather lacks {columns}", columns=", ".join(missing))
        if not frame.index.equals(index):
            raise InputError("the weather scenarios do not cover the same hours")
    return frames


def checked_values(frames: Sequence[pd.DataFrame]) -> dict[str, np.ndarray]:
    """Return each column as an array (hours, scenarios), held at the edge of what is possible.

    Raises
    ------
    InputError
        For a missing or an impossible value, with the hour at which it stands.
    """
    values: dict[str, np.ndarray] = {}
    for name in NEEDED:
        low, high = POSSIBLE[name]
        slack = SLACK.get(name, 0.0)
        for frame in frames:
            check_number(name, frame[name].to_numpy())
        table = np.column_stack([frame[name].to_numpy(dtype=float) for frame in frames])
        bad = ~((table >= low - slack) & (table <= high + slack))
        if bad.any():
            hour, column = np.argwhere(bad)[0]
            raise InputError(
                "the weather has {column} = {value} at {hour}; possible are {low} to {high}",
                column=name,
                value=float(table[hour, column]),
                hour=str(frames[0].index[hour]),
                low=low,
                high=high,
            )
        values[name] = np.clip(table, low, high)
    return values


def layer_weather(frames: Sequence[pd.DataFrame]) -> LayerWeather:
    """Return checked frames as the layer's arrays (hours, 1, scenarios); the first hour starts as it ends.

    The ground's temperature is the mean of the air over the day before, which a bare soil follows at some centimetres'
    depth (judgement); vapour pressure is taken at the stamps, where humidity and temperature belong together.
    """
    values = checked_values(frames)

    def at_stamps(array: np.ndarray) -> np.ndarray:
        return np.concatenate([array[:1], array])[:, None, :]

    temperature = values["temperature_c"]
    vapour = vapour_pressure(temperature, values["relative_humidity_pct"])
    summed = np.cumsum(np.concatenate([np.repeat(temperature[:1], 24, axis=0) * 0, temperature]), axis=0)
    rows = np.arange(len(temperature))
    day = summed[rows + 24] - summed[rows]
    first_day = np.cumsum(temperature, axis=0)[min(23, len(temperature) - 1)] / min(24, len(temperature))
    ground = np.where((rows < 23)[:, None], first_day, day / 24.0)
    return LayerWeather(
        at_stamps(temperature),
        at_stamps(vapour),
        at_stamps(values["wind_m_s"]),
        at_stamps(ground),
        values["shortwave_w_m2"][:, None, :],
        values["rain_mm"][:, None, :],
    )


def mend_weather(weather: pd.DataFrame | Sequence[pd.DataFrame], longitude: float | None = None) -> MendedWeather:
    """Return usable weather from what a provider or a file gave, naming everything that had to be put right.

    Impossible values count as missing; gaps up to 3 hours are bridged; longer ones take the same hours of the other
    days; what remains missing everywhere is an error. Sun at the place's night is named, not changed.

    Parameters
    ----------
    weather : DataFrame or sequence of DataFrame
        Scenarios with a zone-aware index.
    longitude : float, optional
        °E, to see whether the sun stands where the clock says.

    Raises
    ------
    InputError
        For no weather, no time zone, a missing column, or a column without a single usable value.
    """
    given = [weather] if isinstance(weather, pd.DataFrame) else list(weather)
    if not given or len(given[0]) == 0:
        raise InputError("there is no weather to dry in")
    notes: dict[str, Message] = {}
    mended = [_mend(frame, notes) for frame in given]
    first = mended[0]
    if longitude is not None:
        shift = _sun_shift_hours(first, longitude)
        if shift is not None and abs(shift) > 2.5:
            notes["zone"] = message(
                "the sun in this weather stands highest {hours:.0f} hours from the place's noon: its time zone is "
                "wrong, look at the hours before you trust them",
                hours=abs(shift),
            )
    return MendedWeather(tuple(mended), tuple(notes.values()))


def _mend(frame: pd.DataFrame, notes: dict[str, Message]) -> pd.DataFrame:
    """Return one frame on a full hourly index with possible values, adding to the notes."""
    index = frame.index
    if not isinstance(index, pd.DatetimeIndex) or index.tz is None:
        raise InputError("the weather's hours carry no time zone: say which zone they are in")
    missing = [name for name in NEEDED if name not in frame.columns]
    if missing:
        raise InputError("the weather lacks {columns}", columns=", ".join(missing))
    if _is_whole(frame):
        return frame.astype(dict.fromkeys(NEEDED, float))
    kept = frame[~index.duplicated(keep="last")].sort_index()
    full = pd.date_range(kept.index[0], kept.index[-1], freq="h")
    whole = kept.reindex(full).copy()
    for name in NEEDED:
        low, high = POSSIBLE[name]
        slack = SLACK.get(name, 0.0)
        column = whole[name].astype(float)
        wrong = column.notna() & ~column.between(low - slack, high + slack)
        if bool(wrong.any()):
            notes[f"wrong {name}"] = message(
                "{column} has {count} impossible values (first {value:g}); values of other hours are used",
                column=name,
                count=int(wrong.sum()),
                value=float(column[wrong].iloc[0]),
            )
        column = column.mask(wrong).clip(low, high)
        whole[name] = _filled(column, name, notes)
    return whole


def _is_whole(frame: pd.DataFrame) -> bool:
    """Return whether a frame has every hour, and a possible value in each: there is nothing to mend."""
    if not bool((np.diff(pd.DatetimeIndex(frame.index).as_unit("ns").asi8) == 3_600_000_000_000).all()):
        return False
    values, (low, high) = frame[list(NEEDED)].to_numpy(dtype=float), np.transpose([POSSIBLE[name] for name in NEEDED])
    return bool(((values >= low) & (values <= high)).all())  # what is missing is neither


def _filled(column: pd.Series, name: str, notes: dict[str, Message]) -> pd.Series:
    """Return a column without gaps: short ones bridged, long ones from the same hours of other days."""
    gap = column.isna()
    if not bool(gap.any()):
        return column
    if bool(gap.all()):
        raise InputError("{column} is missing in all hours: no drying can be forecast from this", column=name)
    run = gap.groupby((~gap).cumsum()).transform("sum")
    bridged = column.interpolate(limit_area="inside")
    short = gap & (run <= LONGEST_GAP_HOURS)
    by_hour = column.groupby(pd.DatetimeIndex(column.index).hour).transform("mean").fillna(column.mean())
    result = column.mask(short, bridged).fillna(by_hour)
    if bool((gap & ~short).any()):
        notes[f"gap {name}"] = message(
            "{column} is missing for up to {hours} hours; the same hours of the other days are used",
            column=name,
            hours=int(run[gap].max()),
        )
    return result


def _sun_shift_hours(frame: pd.DataFrame, longitude: float) -> float | None:
    """Return by how many hours the middle of the sunlight differs from noon by the sun, or None without sun."""
    sun = frame["shortwave_w_m2"].to_numpy(dtype=float)
    if sun.sum() < 500.0:
        return None
    stamps = pd.DatetimeIndex(frame.index).tz_convert("UTC")
    solar_hour = stamps.hour + stamps.minute / 60.0 - 0.5 + longitude / 15.0
    angle = np.angle(np.sum(sun * np.exp(2j * np.pi * (solar_hour - 12.0) / 24.0)))
    return float(angle * 24.0 / (2.0 * np.pi))
