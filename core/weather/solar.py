"""Sun, daylight and radiation at any longitude, from the calendar alone.

Sources: FAO Irrigation and Drainage Paper 56 (Allen, Pereira, Raes, Smith, 1998), chapter 3, equations 21-37;
the Astronomical Almanac's approximate coordinates for the sun's place; Haurwitz (1945) for the clear sky by the hour;
Kasten and Czeplak (1980), Solar Energy 24, 177-189, for clouds.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from core.weather.place import Place

SOLAR_CONSTANT_MJ = 0.0820  # MJ/m2 min, FAO-56 eq. 21
NOON_OF_2000 = pd.Timestamp("2000-01-01 12:00", tz="UTC")
MJ_PER_DAY_IN_W = 1e6 / 86400.0
SUNRISE_DEGREES = (
    90.833  # the sun's centre when its upper edge is seen, refraction included (common practice of almanacs)
)

Array = NDArray[np.float64]


def declination(day_of_year: ArrayLike) -> Array:
    """Return the sun's declination, radians, for days of the year (1-366, any shape), by FAO-56 equation 24."""
    return 0.409 * np.sin(2 * np.pi * np.asarray(day_of_year, dtype=float) / 365 - 1.39)


def extraterrestrial_daily(latitude: float, day_of_year: ArrayLike) -> Array:
    """Return the radiation above the air over a whole day.

    Parameters
    ----------
    latitude : float
        Degrees, north positive.
    day_of_year : array of any shape
        1-366.

    Returns
    -------
    array of the same shape
        MJ/m² and day. FAO-56 equation 21, with the day never dark or always light beyond the polar circles.
    """
    day = np.asarray(day_of_year, dtype=float)
    phi = np.radians(latitude)
    tilt = declination(day)
    distance = 1 + 0.033 * np.cos(2 * np.pi * day / 365)
    sunset = _sunset_angle(phi, tilt)
    return (
        (24 * 60 / np.pi)
        * SOLAR_CONSTANT_MJ
        * distance
        * (sunset * np.sin(phi) * np.sin(tilt) + np.cos(phi) * np.cos(tilt) * np.sin(sunset))
    )


def daylight_hours(latitude: float, day_of_year: ArrayLike) -> Array:
    """Return the hours of daylight, 0-24, for a latitude (degrees) and days of the year, by FAO-56 equation 34."""
    return 24 / np.pi * _sunset_angle(np.radians(latitude), declination(day_of_year))


def clear_sky_daily(latitude: float, altitude_m: float, day_of_year: ArrayLike) -> Array:
    """Return the radiation of a cloudless day, MJ/m²: (0.75 + 2e-5 z) of that above the air (FAO-56 equation 37)."""
    return (0.75 + 2e-5 * altitude_m) * extraterrestrial_daily(latitude, day_of_year)


def radiation_from_range(latitude: float, day_of_year: ArrayLike, daily_range_c: ArrayLike) -> Array:
    """Return the day's radiation where only the day's range of temperature is known.

    Parameters
    ----------
    latitude : float
        Degrees.
    day_of_year, daily_range_c : arrays that broadcast
        1-366; highest minus lowest temperature of the day, °C.

    Returns
    -------
    array
        Mean over 24 hours, W/m². FAO-56 equation 50 (Hargreaves and Samani), inland coefficient 0.16.
    """
    fraction = np.minimum(0.16 * np.sqrt(np.maximum(np.asarray(daily_range_c, dtype=float), 0.0)), 0.75)
    return fraction * extraterrestrial_daily(latitude, day_of_year) * MJ_PER_DAY_IN_W


def solar_elevation_sine(times: pd.DatetimeIndex, latitude: float, longitude: float) -> Array:
    """Return the sine of the sun's height above the horizon (negative at night).

    Parameters
    ----------
    times : DatetimeIndex of length n
        Moments, time-zone-aware.
    latitude, longitude : float
        Degrees, north and east positive.

    Returns
    -------
    array (n,)
        Sine of the elevation, no refraction; within 0.03 degrees of the almanac.
    """
    utc = times.tz_convert("UTC")
    hours = np.asarray(utc.hour + utc.minute / 60 + utc.second / 3600, dtype=float)
    tilt, minutes = _almanac(np.asarray((utc - NOON_OF_2000) / pd.Timedelta(days=1), dtype=float))
    hour_angle = np.radians(15 * (hours - 12) + longitude + minutes / 4)
    phi = np.radians(latitude)
    return np.sin(phi) * np.sin(tilt) + np.cos(phi) * np.cos(tilt) * np.cos(hour_angle)


def mean_over_hours(times: pd.DatetimeIndex, place: Place, of_sine: str) -> Array:
    """Return the mean radiation over the hour before each stamp, above the air ("top") or clear sky ("clear"), W/m².

    Parameters
    ----------
    times : DatetimeIndex of length n
        Hour ends, time-zone-aware.
    of_sine : {"top", "clear"}
        Which radiation.

    Returns
    -------
    array (n,)
        W/m², on level ground. Six ten-minute slices per hour are averaged, so that sunrise and sunset come out right.
    """
    slices = [times - pd.Timedelta(minutes=minutes) for minutes in (5, 15, 25, 35, 45, 55)]
    function = extraterrestrial_flux if of_sine == "top" else clear_sky_flux
    return np.mean([function(part, place) for part in slices], axis=0)


def extraterrestrial_flux(times: pd.DatetimeIndex, place: Place) -> Array:
    """Return the radiation above the air on a level plane at moments (aware, length n), W/m² (n,).

    FAO-56 solar constant.
    """
    sine = np.maximum(solar_elevation_sine(times, place.latitude, place.longitude), 0.0)
    day = np.asarray(times.tz_convert("UTC").day_of_year, dtype=float)
    return SOLAR_CONSTANT_MJ * 1e6 / 60 * (1 + 0.033 * np.cos(2 * np.pi * day / 365)) * sine


def clear_sky_flux(times: pd.DatetimeIndex, place: Place) -> Array:
    """Return the global radiation under a cloudless sky at moments (aware, length n), W/m² (n,).

    Notes
    -----
    Haurwitz (1945): 1098 cos z exp(-0.057 / cos z), raised with altitude as FAO-56 equation 37 does for the day.
    """
    sine = solar_elevation_sine(times, place.latitude, place.longitude)
    up = sine > 0.001
    safe = np.where(up, sine, 1.0)
    height = (0.75 + 2e-5 * place.altitude_m) / 0.75
    return np.where(up, 1098.0 * safe * np.exp(-0.057 / safe), 0.0) * height


def radiation_under_cloud(clear_sky_w_m2: ArrayLike, cloud_fraction: ArrayLike) -> Array:
    """Return the radiation under a partly covered sky.

    Parameters
    ----------
    clear_sky_w_m2, cloud_fraction : arrays that broadcast
        Radiation under a cloudless sky, W/m²; share of the sky that is covered, 0-1.

    Returns
    -------
    array
        W/m². Kasten and Czeplak (1980): 1 - 0.75 N^3.4.
    """
    covered = np.clip(np.asarray(cloud_fraction, dtype=float), 0.0, 1.0)
    return np.asarray(clear_sky_w_m2, dtype=float) * (1 - 0.75 * covered**3.4)


def sunrise_and_sunset(day: date, place: Place) -> tuple[datetime | None, datetime | None]:
    """Return when the sun rises and sets on a local day.

    Parameters
    ----------
    day : date
        Day of the place's own calendar.

    Returns
    -------
    tuple of two aware datetimes in the place's zone
        None, None where the sun does not rise or does not set that day.
    """
    # the solar noon that falls on this local date, whatever the zone's offset (zones run from -12 to +14)
    middle = datetime(day.year, day.month, day.day, 12, tzinfo=place.zone).astimezone(UTC)
    offset_hours = (middle.hour + middle.minute / 60) + place.longitude / 15 - 12
    offset_hours = (offset_hours + 12) % 24 - 12
    noon = middle - timedelta(hours=offset_hours)
    _tilt, minutes = _almanac((pd.Timestamp(noon) - NOON_OF_2000) / pd.Timedelta(days=1))
    noon -= timedelta(minutes=float(minutes))
    half = _half_day(noon, place)
    if half is None:
        return None, None
    # once more with the sun's place at those moments: it moves by up to 0.1 degrees in half a day
    rise = _half_day(noon - half, place) or half
    fall = _half_day(noon + half, place) or half
    return (noon - rise).astimezone(place.zone), (noon + fall).astimezone(place.zone)


def _half_day(moment: datetime, place: Place) -> timedelta | None:
    """Return the time between solar noon and the sun at the horizon, by the sun's declination at a moment."""
    tilt, _minutes = _almanac((pd.Timestamp(moment) - NOON_OF_2000) / pd.Timedelta(days=1))
    phi = np.radians(place.latitude)
    cosine = (np.cos(np.radians(SUNRISE_DEGREES)) - np.sin(phi) * np.sin(tilt)) / (np.cos(phi) * np.cos(tilt))
    if abs(float(cosine)) > 1:
        return None
    return timedelta(hours=float(np.degrees(np.arccos(cosine))) / 15)


def solar_hour(times: pd.DatetimeIndex, longitude: float) -> Array:
    """Return the hour by the sun, 0-24, 12 at its highest (mean sun, no equation of time), for aware stamps (n,)."""
    utc = times.tz_convert("UTC")
    return (np.asarray(utc.hour + utc.minute / 60, dtype=float) + longitude / 15) % 24


def _sunset_angle(phi: float, tilt: ArrayLike) -> Array:
    return np.arccos(np.clip(-np.tan(phi) * np.tan(tilt), -1.0, 1.0))


def _almanac(days_since_2000: ArrayLike) -> tuple[Array, Array]:
    """Return declination (radians) and equation of time (minutes) for days since 1 January 2000, 12 h UTC.

    The low-precision coordinates of the Astronomical Almanac (U.S. Naval Observatory, "Approximate solar coordinates"),
    good to about one minute of arc between 1950 and 2050.
    """
    days = np.asarray(days_since_2000, dtype=float)
    anomaly = np.radians(357.529 + 0.98560028 * days)
    mean_longitude = 280.459 + 0.98564736 * days
    longitude = np.radians(mean_longitude + 1.915 * np.sin(anomaly) + 0.020 * np.sin(2 * anomaly))
    tilt_of_axis = np.radians(23.439 - 0.00000036 * days)
    ascension = np.degrees(np.arctan2(np.cos(tilt_of_axis) * np.sin(longitude), np.cos(longitude)))
    difference = (mean_longitude - ascension + 180) % 360 - 180
    return np.arcsin(np.sin(tilt_of_axis) * np.sin(longitude)), 4 * difference
