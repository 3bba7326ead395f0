"""Answers in the services' shapes, typed by hand and filled by formulas: nothing recorded."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from typing import Any

from core.weather.place import Place

NOW = datetime(2026, 5, 20, 7, 30, tzinfo=UTC)
PLACE = Place(9.05, 1.13, 370.0, "Africa/Lome")


class Shelf:
    """A store in memory."""

    def __init__(self) -> None:
        self.content: dict[tuple[str, str], dict[str, Any]] = {}

    def read(self, kind: str, key: str) -> dict[str, Any] | None:
        return self.content.get((kind, key))

    def write(self, kind: str, key: str, payload: dict[str, Any], stored_at: datetime) -> None:
        self.content[kind, key] = payload


def _sun(hour_end: int, longitude: float, top: float = 850.0) -> float:
    solar = (hour_end - 0.5 + longitude / 15) % 24
    return round(max(0.0, top * math.sin(math.pi * (solar - 6) / 12)) if 6 < solar < 18 else 0.0, 1)


def open_meteo_answer(
    hours: int = 240, start: datetime = datetime(2026, 5, 20), place: Place = PLACE, members: int = 0
) -> dict[str, Any]:
    """Return an answer of the forecast (or, with members, the ensemble) service."""
    times = [(start + timedelta(hours=h)).strftime("%Y-%m-%dT%H:%M") for h in range(hours)]
    columns = {
        "temperature_2m": ("°C", lambda h, k: round(26 + 5 * math.cos(2 * math.pi * (h - 14) / 24) + 0.2 * k, 1)),
        "relative_humidity_2m": ("%", lambda h, k: round(70 - 18 * math.cos(2 * math.pi * (h - 14) / 24) + k % 3)),
        "precipitation": ("mm", lambda h, k: 2.4 if (h + k) % 72 == 40 else 0.0),
        "shortwave_radiation": ("W/m²", lambda h, k: _sun((start.hour + h) % 24, place.longitude, 850 - 5 * k)),
        "wind_speed_10m": ("m/s", lambda h, k: round(2.5 + math.sin(h / 6), 2)),
    }
    units, hourly = {"time": "iso8601"}, {"time": times}
    for name, (unit, value) in columns.items():
        for k in range(members + 1):
            full = name if k == 0 else f"{name}_member{k:02d}"
            units[full] = unit
            hourly[full] = [value(h, k) for h in range(hours)]
    if not members:
        units["precipitation_probability"] = "%"
        hourly["precipitation_probability"] = [60 if h % 72 == 40 else 5 for h in range(hours)]
    return {
        "latitude": place.latitude + 0.07,
        "longitude": place.longitude - 0.05,
        "generationtime_ms": 0.4,
        "utc_offset_seconds": 0,
        "timezone": "GMT",
        "timezone_abbreviation": "GMT",
        "elevation": place.altitude_m,
        "hourly_units": units,
        "hourly": hourly,
    }


def met_norway_answer(start: datetime = datetime(2026, 5, 20, 7), place: Place = PLACE) -> dict[str, Any]:
    """Return an answer of the second provider: 56 hourly steps, then 26 of six hours, the last without rain."""
    moments = [start + timedelta(hours=h) for h in range(56)]
    first = moments[-1] + timedelta(hours=1)
    first += timedelta(hours=(-first.hour) % 6)
    moments += [first + timedelta(hours=6 * step) for step in range(26)]
    series = []
    for number, moment in enumerate(moments):
        h = moment.hour
        data: dict[str, Any] = {
            "instant": {
                "details": {
                    "air_temperature": round(26 + 5 * math.cos(2 * math.pi * (h - 14) / 24), 1),
                    "relative_humidity": round(70 - 18 * math.cos(2 * math.pi * (h - 14) / 24), 1),
                    "wind_speed": 2.2,
                    "cloud_area_fraction": 40.0,
                    "air_pressure_at_sea_level": 1011.2,
                    "wind_from_direction": 190.0,
                }
            }
        }
        if number < 56:
            amount = 1.5 if number == 10 else 0.0
            data["next_1_hours"] = {"summary": {"symbol_code": "cloudy"}, "details": {"precipitation_amount": amount}}
        if number < len(moments) - 1:
            amount = 6.0 if number == 60 else 0.0
            data["next_6_hours"] = {"summary": {"symbol_code": "rain"}, "details": {"precipitation_amount": amount}}
        series.append({"time": moment.strftime("%Y-%m-%dT%H:%M:%SZ"), "data": data})
    units = {
        "air_temperature": "celsius",
        "relative_humidity": "%",
        "wind_speed": "m/s",
        "cloud_area_fraction": "%",
        "precipitation_amount": "mm",
    }
    return {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [place.longitude, place.latitude, 370]},
        "properties": {"meta": {"updated_at": "2026-05-20T05:12:00Z", "units": units}, "timeseries": series},
    }


def nasa_climatology() -> dict[str, Any]:
    """Return an answer of the climatology service."""
    months = ["JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC", "ANN"]
    values = {
        "T2M": [25.1, 27.6, 29.0, 28.4, 27.1, 25.7, 24.8, 24.5, 25.0, 26.1, 26.3, 25.0, 26.2],
        "RH2M": [38.0, 39.5, 52.2, 66.1, 74.8, 80.0, 83.4, 84.9, 83.0, 77.1, 58.8, 43.0, 65.2],
        "T2M_RANGE": [15.0, 15.2, 13.6, 11.1, 9.3, 7.8, 6.6, 6.2, 7.1, 8.9, 12.5, 14.6, 10.7],
        "ALLSKY_SFC_SW_DWN": [20.2, 21.5, 21.9, 21.2, 20.3, 18.1, 16.2, 15.4, 17.2, 19.3, 20.4, 19.7, 19.3],
        "WS10M": [3.1, 3.0, 3.2, 3.1, 2.8, 2.6, 2.7, 2.6, 2.1, 2.0, 2.2, 2.8, 2.7],
        "PRECTOTCORR": [0.1, 0.3, 1.1, 2.9, 4.4, 5.8, 7.0, 7.6, 7.4, 3.6, 0.3, 0.1, 3.4],
    }
    units = dict.fromkeys(values, "C") | {
        "RH2M": "%",
        "ALLSKY_SFC_SW_DWN": "MJ/m^2/day",
        "WS10M": "m/s",
        "PRECTOTCORR": "mm/day",
    }
    return {
        "type": "Feature",
        "properties": {"parameter": {name: dict(zip(months, row, strict=True)) for name, row in values.items()}},
        "header": {"fill_value": -999.0, "title": "typed sample"},
        "parameters": {name: {"units": unit, "longname": name} for name, unit in units.items()},
    }


def nasa_daily(days: int = 800) -> dict[str, Any]:
    """Return an answer of the daily service that begins on 1 January 2020, its last two days not filled yet."""
    first = datetime(2020, 1, 1, tzinfo=UTC)
    keys = [(first + timedelta(days=d)).strftime("%Y%m%d") for d in range(days)]

    def row(function: Any) -> dict[str, float]:
        return {key: (-999.0 if d >= days - 2 else function(d)) for d, key in enumerate(keys)}

    season = [math.cos(2 * math.pi * (d - 80) / 365) for d in range(days)]
    return {
        "properties": {
            "parameter": {
                "T2M": row(lambda d: round(26 + 2 * season[d], 2)),
                "RH2M": row(lambda d: round(65 - 20 * season[d], 2)),
                "PRECTOTCORR": row(lambda d: 6.0 if d % 5 == 0 else 0.0),
                "ALLSKY_SFC_SW_DWN": row(lambda _d: 18.0),
            }
        },
        "header": {"fill_value": -999.0},
        "parameters": {
            "T2M": {"units": "C"},
            "RH2M": {"units": "%"},
            "PRECTOTCORR": {"units": "mm/day"},
            "ALLSKY_SFC_SW_DWN": {"units": "MJ/m^2/day"},
        },
    }
