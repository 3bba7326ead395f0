"""Days and hours to dry against trials and reports: some set the model, the others are predicted.

``python -m tests.benchmarks.drying_trials`` prints every trial with what was measured and what the model gives.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from core.drying.run import simulate_drying
from core.drying.setups import DryingSetup
from core.weather.solar import radiation_from_range
from tests.drying.drying_cases import plain_days


@dataclass(frozen=True)
class Compared:
    """A trial with what the model gives: hours or days; `ratio` is 1 within the range told, else against its end."""

    name: str
    use: str
    basis: str
    measure: str
    low: float
    high: float
    computed: float

    @property
    def ratio(self) -> float:
        """Computed over the nearest end of the range told (1 inside)."""
        return self.computed / float(np.clip(self.computed, self.low, self.high))


def trials() -> Mapping[str, Mapping[str, Any]]:
    """Return the trials of the data file by name."""
    return tomllib.loads(Path(__file__).with_suffix(".toml").read_text(encoding="utf-8"))


LATITUDE, DAY = 7.0, 258
"""Place and day for the sun that takes the place of a remembered one. Most trials lie within 8° of the equator, where
the radiation above the air stays within 15 % of that of mid-September all year (FAO-56, equation 21)."""


def by_range(trial: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return a trial with the sun that FAO-56 equation 50 makes of its range of temperature, unless its sun is told."""
    weather = trial["weather"]
    if trial.get("sun_told"):
        return trial
    mean = float(radiation_from_range(LATITUDE, DAY, weather["high_c"] - weather["low_c"]))
    return {**trial, "weather": {**weather, "sun": np.pi * mean}}  # a half sine over 12 of 24 hours has that mean


def weather_of(trial: Mapping[str, Any]) -> pd.DataFrame:
    """Return the trial's days, with a shower each second day where it tells of showers."""
    frame = plain_days(days=20, **trial["weather"])
    if "shower_hours" in trial:
        first, last = trial["shower_hours"]
        middle = frame.index - pd.Timedelta(minutes=30)
        wet = (middle.hour >= first) & (middle.hour < last) & (middle.day % 2 == 0)
        frame = frame.assign(
            rain_mm=frame["rain_mm"].mask(wet, 4.0), shortwave_w_m2=frame["shortwave_w_m2"].mask(wet, 60.0)
        )
    return frame


def compared(name: str, trial: Mapping[str, Any]) -> Compared:
    """Return one trial beside the model's answer."""
    spread, cover = trial.get("hours_open", (None, None))
    setup = DryingSetup(
        trial["method"],
        load_kg_m2=trial["load_kg_m2"],
        spread_hour=spread,
        cover_hour=cover,
        turn_interval_h=trial.get("turn_interval_h"),
        altitude_m=trial.get("altitude_m", 0.0),
        cover_in_rain=True,
    )
    run = simulate_drying(trial["crop"], trial["start_pct"], weather_of(trial), setup, trial["end_pct"])
    found = run.days_to_target if trial["measure"] == "days" else run.exposed_hours_to_target
    return Compared(
        name, trial["use"], trial["basis"], trial["measure"], float(trial["low"]), float(trial["high"]), float(found[0])
    )


@cache
def all_compared(other_sun: bool = False) -> tuple[Compared, ...]:
    """Return every trial beside the model's answer, if wished with the sun of `by_range` where none is told."""
    return tuple(compared(name, by_range(trial) if other_sun else trial) for name, trial in trials().items())


def error(rows: Sequence[Compared]) -> tuple[float, float]:
    """Return bias and spread of the logarithm of the ratios."""
    logs = np.log([row.ratio for row in rows])
    return float(logs.mean()), float(np.sqrt((logs**2).mean()))


def published(rows: Sequence[Compared]) -> list[Compared]:
    """Return the published trials that count."""
    return [row for row in rows if row.basis == "published" and row.use != "apart"]


def main() -> None:
    """Print the table, with the answer by the other sun beside it, and the errors with both."""
    rows, others = all_compared(), all_compared(other_sun=True)
    for row, other in zip(rows, others, strict=True):
        told = f"{row.low:g}" if row.low == row.high else f"{row.low:g}-{row.high:g}"
        print(
            f"{row.use:8} {row.basis:10} {row.name:30} {told:>8} {row.measure:6} {row.computed:6.1f}  x{row.ratio:.2f}"
            f"   other sun {other.computed:6.1f}  x{other.ratio:.2f}"
        )
    for words, found in (("sun as remembered or told", rows), ("sun by FAO-56 equation 50 or told", others)):
        for use in ("fit", "predict"):
            bias, spread = error([row for row in found if row.use == use])
            print(f"{words}, {use}: mean ratio {np.exp(bias):.2f}, typical factor {np.exp(spread):.2f}")
        bias, spread = error(published(found))
        print(f"{words}, published: mean ratio {np.exp(bias):.2f}, typical factor {np.exp(spread):.2f}")


if __name__ == "__main__":
    main()
