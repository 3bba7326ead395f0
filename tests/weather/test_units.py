"""Every spelling of every unit, by values that anybody can look up."""

from __future__ import annotations

import pytest

from core.errors import WeatherError
from core.weather.units import CONVERSIONS, convert

# the same weather in each unit: (value there, ours)
SAME = {
    "temperature_c": {"c": (37.0, 37.0), "f": (98.6, 37.0), "k": (310.15, 37.0)},
    "relative_humidity_pct": {"%": (62.5, 62.5), "1": (0.625, 62.5)},
    "cloud_pct": {"%": (62.5, 62.5), "1": (0.625, 62.5)},
    "rain_chance": {"%": (62.5, 0.625), "1": (0.625, 0.625)},
    # a knot is 1852 m an hour, a mile 1609.344 m
    "wind_m_s": {
        "m/s": (10.0, 10.0),
        "km/h": (36.0, 10.0),
        "mph": (36000 / 1609.344, 10.0),
        "kn": (36000 / 1852, 10.0),
    },
    "rain_mm": {"mm": (25.4, 25.4), "in": (1.0, 25.4), "cm": (2.54, 25.4)},
    "rain_mm_day": {"mm/day": (4.0, 4.0)},
    "shortwave_w_m2": {"w/m²": (800.0, 800.0), "kw/m²": (0.8, 800.0)},
    # 5 kWh are 18 MJ; over 86,400 s that is 208.33 W
    "shortwave_day": {"mj/m²/day": (18.0, 625 / 3), "kwh/m^2/day": (5.0, 625 / 3), "w/m2": (625 / 3, 625 / 3)},
}
SPELLINGS = {
    "c": ("°c", "c", "celsius", "degc"),
    "f": ("°f", "f", "fahrenheit"),
    "k": ("k", "kelvin"),
    "%": ("%", "percent"),
    "m/s": ("m/s", "ms"),
    "km/h": ("km/h", "kmh"),
    "mph": ("mp/h", "mph"),
    "kn": ("kn", "knots"),
    "mm": ("mm", "kg m-2"),
    "in": ("inch", "in"),
    "mm/day": ("mm/day", "mm/d", "mm day-1"),
    "w/m²": ("w/m²", "w/m2", "w m-2", "w/m^2"),
    "mj/m²/day": ("mj/m^2/day", "mj/m2/day", "mj/m²/day"),
    "kwh/m^2/day": ("kw-hr/m^2/day", "kwh/m^2/day", "kw-hr/m2/day"),
    "w/m2": ("w/m^2", "w/m2"),
}


@pytest.mark.parametrize("quantity", CONVERSIONS)
def test_the_same_weather_in_every_unit(quantity):
    tried = set()
    for unit, (value, ours) in SAME[quantity].items():
        for spelling in SPELLINGS.get(unit, (unit,)):
            assert convert([value], quantity, spelling.upper() + " ", "x")[0] == pytest.approx(ours, rel=1e-6), spelling
            tried.add(spelling)
    assert tried == set(CONVERSIONS[quantity])
    with pytest.raises(WeatherError, match="unit"):
        convert([1.0], quantity, "furlong", "x")
