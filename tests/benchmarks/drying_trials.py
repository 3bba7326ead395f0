"""Days and hours to dry against trials and reports: some set the model, the others are predicted.

``python -m tests.benchmarks.drying_trials`` prints every trial with what was measured and what the model gives.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from core.drying.run import simulate_drying
from core.drying.setups import DryingSetup
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


def _weather(trial: Mapping[str, Any]) -> pd.DataFrame:
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
    run = simulate_drying(trial["crop"], trial["start_pct"], _weather(trial), setup, trial["end_pct"])
    found = run.days_to_target if trial["measure"] == "days" else run.exposed_hours_to_target
    return Compared(
        name, trial["use"], trial["basis"], trial["measure"], float(trial["low"]), float(trial["high"]), float(found[0])
    )


def all_compared() -> list[Compared]:
    """Return every trial beside the model's answer."""
    return [compared(name, trial) for name, trial in trials().items()]


def error(rows: list[Compared]) -> tuple[float, float]:
    """Return bias and spread of the logarithm of the ratios."""
    logs = np.log([row.ratio for row in rows])
    return float(logs.mean()), float(np.sqrt((logs**2).mean()))


def main() -> None:
    """Print the table and the errors."""
    rows = all_compared()
    for row in rows:
        told = f"{row.low:g}" if row.low == row.high else f"{row.low:g}-{row.high:g}"
        print(
            f"{row.use:8} {row.basis:10} {row.name:30} {told:>8} {row.measure:6} {row.computed:6.1f}  x{row.ratio:.2f}"
        )
    for use in ("fit", "predict"):
        bias, spread = error([row for row in rows if row.use == use])
        print(f"{use}: mean ratio {np.exp(bias):.2f}, typical factor {np.exp(spread):.2f}")


if __name__ == "__main__":
    main()
