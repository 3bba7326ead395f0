"""Make the invented valley's normals and years by day from a fixed seed.

Run: ``python3 -m demo_data.make_weather``. Nothing here was measured anywhere.
The example's forecast is drawn from the normals at the moment it is wanted, so that it suits any date.
"""

from __future__ import annotations

import json
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from core.weather.day_to_day import make_days
from core.weather.normals import Normals
from core.weather.place import Place

FOLDER = Path(__file__).parent / "weather"
SEED = 20_260_520
PLACE = Place(latitude=-10.6, longitude=34.4, altitude_m=820, time_zone="Africa/Blantyre")
YEARS = range(2016, 2026)
# one rainy season, November to March; harvest in April and May
MONTHS = {
    "temperature_c": [23.4, 23.3, 23.2, 22.6, 20.9, 19.0, 18.6, 20.4, 23.3, 25.6, 25.9, 24.3],
    "relative_humidity_pct": [82, 83, 81, 75, 67, 63, 60, 53, 48, 49, 60, 76],
    "daily_range_c": [8.2, 8.2, 8.6, 9.8, 11.6, 12.2, 12.6, 13.6, 14.2, 13.6, 11.6, 9.2],
    "shortwave_w_m2": [212, 210, 214, 216, 212, 200, 204, 232, 262, 274, 252, 222],
    "wind_m_s": [1.7, 1.6, 1.7, 2.1, 2.3, 2.5, 2.8, 3.0, 3.2, 3.2, 2.7, 2.0],
    "rain_days": [19, 17, 17, 7, 1.5, 0.5, 0.4, 0.2, 0.3, 1.2, 7, 16],
    "rain_mm": [225, 205, 195, 62, 9, 2, 1.5, 0.8, 1.5, 9, 72, 195],
}


def main() -> None:
    """Write normals.json and climate_years.csv."""
    FOLDER.mkdir(exist_ok=True)
    normals = Normals(pd.DataFrame(MONTHS, index=range(1, 13)), source="invented", status="bundled")
    content = {
        "about": "INVENTED: the usual weather of Nowhere Valley, which does not exist",
        "place": {"latitude": PLACE.latitude, "longitude": PLACE.longitude, "altitude_m": PLACE.altitude_m},
        "table": {name: [float(value) for value in values] for name, values in MONTHS.items()},
    }
    (FOLDER / "normals.json").write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")
    random = np.random.default_rng(SEED)
    first, last = date(YEARS[0], 1, 1), date(YEARS[-1], 12, 31)
    days = [first + timedelta(days=step) for step in range((last - first).days + 1)]
    made = make_days(normals, PLACE, days, 1, random)
    # whole seasons differ too: a warm dry year, a cool wet one
    year = np.array([day.year - YEARS[0] for day in days])
    warmer = random.normal(0, 0.35, len(YEARS))[year]
    damper = random.normal(0, 2.0, len(YEARS))[year]
    frame = pd.DataFrame(
        {
            "temperature_c": made.temperature_c[:, 0] + warmer,
            "relative_humidity_pct": np.clip(made.relative_humidity_pct[:, 0] + damper, 5, 100),
            "rain_mm": made.rain_mm[:, 0],
            "shortwave_w_m2": made.shortwave_w_m2[:, 0],
            "wind_m_s": made.wind_m_s[:, 0],
        },
        index=pd.Index(days, name="date"),
    )
    frame["temperature_min_c"] = frame["temperature_c"] - 0.47 * made.daily_range_c[:, 0]
    frame["temperature_max_c"] = frame["temperature_c"] + 0.53 * made.daily_range_c[:, 0]
    frame.round({"relative_humidity_pct": 0, "shortwave_w_m2": 0}).round(1).to_csv(FOLDER / "climate_years.csv")


if __name__ == "__main__":
    main()
