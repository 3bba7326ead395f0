"""Weather for the drying tests: plain invented days, and real years from pvlib's own data files."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest


def plain_days(
    days: int = 10,
    low_c: float = 22.0,
    high_c: float = 32.0,
    dawn_humidity: float = 90.0,
    sun: float = 850.0,
    wind: float = 2.0,
    zone: str = "Africa/Nairobi",
) -> pd.DataFrame:
    """Return cloudless days of one kind: cosine temperature, constant vapour pressure, half-sine sun 6 to 18
    o'clock.
    """
    index = pd.date_range("2024-02-01 01:00", periods=24 * days, freq="h", tz=zone)
    hour = index.hour.to_numpy(dtype=float)
    temperature = (low_c + high_c) / 2 + (high_c - low_c) / 2 * np.cos((hour - 14) / 24 * 2 * np.pi)
    saturation = 0.6108 * np.exp(17.27 * temperature / (temperature + 237.3))
    middle = (hour - 0.5) % 24
    return pd.DataFrame(
        {
            "temperature_c": temperature,
            "relative_humidity_pct": np.minimum(100.0, dawn_humidity * saturation.min() / saturation),
            "wind_m_s": wind,
            "rain_mm": 0.0,
            "shortwave_w_m2": np.maximum(0.0, np.sin((middle - 6) / 12 * np.pi)) * sun,
        },
        index=index,
    )


def real_year(name: str) -> pd.DataFrame:
    """Return a typical year that comes with pvlib: "miami" (TMY2), "greensboro" or "sand point" (TMY3).

    No rain in them.
    """
    pvlib = pytest.importorskip("pvlib")
    folder = Path(pvlib.__path__[0]) / "data"
    if name == "miami":
        table, _ = pvlib.iotools.read_tmy2(folder / "12839.tm2")
        zone, columns, tenth = "Etc/GMT+5", ("DryBulb", "RHum", "Wspd", "GHI"), 0.1
    else:
        file, zone = {"greensboro": ("723170TYA.CSV", "Etc/GMT+5"), "sand point": ("703165TY.csv", "Etc/GMT+9")}[name]
        table, _ = pvlib.iotools.read_tmy3(folder / file, coerce_year=2001, map_variables=True)
        columns, tenth = ("temp_air", "relative_humidity", "wind_speed", "ghi"), 1.0
    index = pd.date_range("2001-01-01 01:00", periods=8760, freq="h", tz=zone)
    air, humidity, wind, sun = (table[column].to_numpy(dtype=float) for column in columns)
    return pd.DataFrame(
        {
            "temperature_c": air * tenth,
            "relative_humidity_pct": np.clip(humidity, 0, 100),
            "wind_m_s": wind * tenth,
            "rain_mm": 0.0,
            "shortwave_w_m2": sun,
        },
        index=index,
    )


def month_of(year: pd.DataFrame, month: int, days: int = 20) -> pd.DataFrame:
    """Return the first days of a month, from its first midnight."""
    part = year[(year.index - pd.Timedelta(minutes=30)).month == month]
    return part.iloc[: 24 * days]
