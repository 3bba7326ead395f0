"""What an hourly answer must look like before it stands for the weather: mended where honest, refused otherwise."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

import numpy as np
import pandas as pd

from core.errors import WeatherError
from core.messages import Message
from core.weather.frames import NEEDED, OPTIONAL
from core.weather.place import Place
from core.weather.solar import mean_over_hours, solar_elevation_sine

LONGEST_GAP_HOURS = 3  # shorter gaps are filled, longer ones end the forecast
FEWEST_HOURS = 24
WORST_SHARE = 0.10  # of hours with impossible values, beyond which nothing of the answer is believed
# beyond these a value is a fault, not weather (records: -89 and 57 degC; 113 m/s gust; 305 mm in an hour)
LIMITS = {
    "temperature_c": (-60.0, 60.0),
    "relative_humidity_pct": (0.0, 105.0),
    "wind_m_s": (0.0, 75.0),
    "rain_mm": (-0.05, 300.0),
    "shortwave_w_m2": (-15.0, 1500.0),
    "rain_chance": (0.0, 1.0),
}
NIGHT_SHARE = 0.08  # of the sun's energy that may fall while the sun is down, before the hours are taken to be shifted


def hourly_members(
    members: Sequence[pd.DataFrame], place: Place, now: datetime, service: str, sun_is_estimated: bool = False
) -> tuple[tuple[pd.DataFrame, ...], tuple[Message, ...]]:
    """Return runs on one clean hourly index, and notes on what was mended.

    Parameters
    ----------
    members : sequence of DataFrame
        Raw runs: index of UTC stamps, columns of `frames.NEEDED` and perhaps `frames.OPTIONAL`, gaps as not-a-number.
    place : Place
        Where, to hold the sun's hours against.
    now : datetime
        The present moment (aware), to tell a forecast from an old one.
    service : str
        For messages.
    sun_is_estimated : bool
        True leaves out the check of the sun's hours.

    Returns
    -------
    tuple of runs, tuple of Message
        Hours complete in every needed column.

    Raises
    ------
    WeatherError
        Where fewer than a day of usable hours is left, too much of it is impossible, the hours do not fit the sun at
        the place (a wrong time zone), or the forecast is of another time.
    """
    if not members:
        raise WeatherError("the answer of {service} holds no hours", service=service)
    kept: list[pd.DataFrame] = []
    notes: list[Message] = []
    errors: list[WeatherError] = []
    for raw in members:
        try:
            frame, remarks = _one_run(raw, now, service)
        except WeatherError as error:
            errors.append(error)
            continue
        kept.append(frame)
        notes.extend(remarks)
    if not kept:
        raise errors[-1]
    if errors:
        notes.append(
            Message(
                "{count} of {all} runs of the ensemble were left out as broken",
                {"count": len(errors), "all": len(members)},
            )
        )
    # one run that ends early must not cut the others short: runs much shorter than most are left out
    longest = int(np.median([len(frame) for frame in kept]))
    full = [frame for frame in kept if len(frame) >= longest]
    start = max(frame.index[0] for frame in full)
    end = min(frame.index[-1] for frame in full)
    common = pd.date_range(start, end, freq="h")
    if len(common) < FEWEST_HOURS:
        raise WeatherError("the answer of {service} holds less than a day of whole hours", service=service)
    result = tuple(frame.loc[common] for frame in full)
    if not sun_is_estimated:
        _check_sun(result[0], place, service)
    return result, _unique(notes)


def _one_run(raw: pd.DataFrame, now: datetime, service: str) -> tuple[pd.DataFrame, list[Message]]:
    notes: list[Message] = []
    index = pd.DatetimeIndex(raw.index)
    if len(index) == 0 or index.tz is None or index.hasnans:
        raise WeatherError("the hours in the answer of {service} cannot be read", service=service)
    stamps = index.tz_convert("UTC")
    frame = raw.set_axis(stamps, axis=0).loc[stamps == stamps.floor("h")]
    if not frame.index.is_monotonic_increasing:
        frame = frame.sort_index(kind="stable")
        notes.append(Message("the hours came in another order and were sorted"))
    if frame.index.has_duplicates:
        frame = frame.loc[~frame.index.duplicated(keep="last")]
        notes.append(Message("hours that came twice were taken once"))
    if len(frame) == 0:
        raise WeatherError("the answer of {service} holds no whole hours", service=service)
    _check_time(pd.DatetimeIndex(frame.index), now, service)
    frame, impossible = _without_impossible(frame)
    for name in NEEDED:
        if name not in frame or frame[name].isna().all():
            raise WeatherError("the answer of {service} lacks {quantity}", service=service, quantity=name)
    if impossible > WORST_SHARE:
        raise WeatherError(
            "{share} % of the hours from {service} are impossible (such as a humidity of 200 % or sun below zero)",
            share=round(100 * impossible),
            service=service,
        )
    if impossible > 0:
        notes.append(Message("hours with impossible values were left out and filled from their neighbours"))
    frame = frame.reindex(pd.date_range(frame.index[0], frame.index[-1], freq="h"))
    frame, ended = _fill_short_gaps(frame)
    if ended is not None:
        notes.append(
            Message(
                "the forecast is used up to {end} only: hours are missing after it",
                {"end": f"{ended:%Y-%m-%d %H:%M} UTC"},
            )
        )
    if len(frame) < FEWEST_HOURS:
        raise WeatherError("the answer of {service} holds less than a day of whole hours", service=service)
    if frame.index[-1] < pd.Timestamp(now) + timedelta(hours=12):
        raise WeatherError("the usable hours from {service} are already past", service=service)
    return frame, notes


def _check_time(index: pd.DatetimeIndex, now: datetime, service: str) -> None:
    moment = pd.Timestamp(now)
    if index[-1] < moment:
        raise WeatherError(
            "the forecast of {service} is old: it ended on {end}", service=service, end=f"{index[-1]:%Y-%m-%d}"
        )
    if index[0] > moment + pd.Timedelta(hours=36):
        raise WeatherError(
            "the forecast of {service} begins only on {start}; is this computer's clock right?",
            service=service,
            start=f"{index[0]:%Y-%m-%d}",
        )
    if index[-1] - index[0] > pd.Timedelta(days=130):
        raise WeatherError("the hours in the answer of {service} cannot be read", service=service)


def _without_impossible(frame: pd.DataFrame) -> tuple[pd.DataFrame, float]:
    columns = {}
    faulty = np.zeros(len(frame), dtype=bool)
    for name in (*NEEDED, *OPTIONAL):
        if name not in frame:
            continue
        values = frame[name].to_numpy(dtype=float, copy=True)
        values[np.isinf(values)] = np.nan
        low, high = LIMITS[name]
        with np.errstate(invalid="ignore"):
            wrong = (values < low) | (values > high)
        faulty |= wrong
        values[wrong] = np.nan
        if name == "relative_humidity_pct":
            values = np.minimum(values, 100.0)
        if name in ("shortwave_w_m2", "rain_mm"):
            values = np.maximum(values, 0.0)
        columns[name] = values + 0.0  # turns -0.0 into 0.0
    return pd.DataFrame(columns, index=frame.index), float(faulty.mean())


def _fill_short_gaps(frame: pd.DataFrame) -> tuple[pd.DataFrame, pd.Timestamp | None]:
    """Fill gaps of up to three hours in a straight line; cut the forecast where a longer one begins."""
    needed = frame[list(NEEDED)]
    complete = needed.notna().all(axis=1).to_numpy()
    first = int(np.argmax(complete)) if complete.any() else len(frame)
    end = len(frame)
    run = 0
    for position in range(first, len(frame)):
        run = 0 if complete[position] else run + 1
        if run > LONGEST_GAP_HOURS:
            end = position - run + 1
            break
    while end > first and not complete[end - 1]:
        end -= 1
    ended = frame.index[end - 1] if first < end < len(frame) else None
    part = frame.iloc[first:end]
    filled = part[list(NEEDED)].interpolate(method="linear", limit_area="inside")
    for name in OPTIONAL:
        if name in part and part[name].notna().any():
            filled[name] = part[name].interpolate(method="linear", limit_direction="both")
    return filled, ended


def _check_sun(frame: pd.DataFrame, place: Place, service: str) -> None:
    """Refuse hours whose sun shines at night: stamps in another zone than they say."""
    sun = frame["shortwave_w_m2"].to_numpy(float)
    if sun.sum() < 24 * 5:
        return
    index = pd.DatetimeIndex(frame.index)
    top = mean_over_hours(index, place, "top")
    night = top < 1.0
    if sun[night].sum() > NIGHT_SHARE * sun.sum():
        raise WeatherError(
            "the sun in the hours from {service} shines at night at this place: its hours are of another time zone",
            service=service,
        )
    # a shift of a few hours shows as the day's centre of sun away from solar noon
    sine = solar_elevation_sine(index - pd.Timedelta(minutes=30), place.latitude, place.longitude)
    if np.ptp(sine) > 0.5 and len(frame) >= 48:
        shift = _shift_hours(sun, top)
        if abs(shift) >= 3:
            raise WeatherError(
                "the sun in the hours from {service} is {hours} hours away from the sun at this place: its hours "
                "are of another time zone",
                service=service,
                hours=abs(shift),
            )


def _shift_hours(sun: np.ndarray, top: np.ndarray) -> int:
    """Return by how many hours (−11 to 12) the sun given lies behind the sun expected, by best correlation."""
    whole = len(sun) // 24 * 24
    day_sun = sun[:whole].reshape(-1, 24).mean(axis=0)
    day_top = top[:whole].reshape(-1, 24).mean(axis=0)
    fits = [float(np.dot(np.roll(day_sun, -lag), day_top)) for lag in range(-11, 13)]
    return int(np.argmax(fits)) - 11


def _unique(notes: Sequence[Message]) -> tuple[Message, ...]:
    seen: dict[str, Message] = {}
    for note in notes:
        seen.setdefault(str(note.template), note)
    return tuple(seen.values())
