"""Losses and moisture in store against trials: some set the model, the others are predicted.

``python -m tests.benchmarks.storage_trials`` prints every trial with what was measured and what the model gives.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from core.storage.simulate import simulate_storage


@dataclass(frozen=True)
class Compared:
    """A trial with what the model gives, % of weight or % wet basis; `off` is 0 within the range told."""

    name: str
    use: str
    measure: str
    low: float
    high: float
    computed: float

    @property
    def off(self) -> float:
        """Points away from the range told."""
        return self.computed - float(np.clip(self.computed, self.low, self.high))


def trials() -> Mapping[str, Mapping[str, Any]]:
    """Return the trials of the data file by name."""
    return tomllib.loads(Path(__file__).with_suffix(".toml").read_text(encoding="utf-8"))


def compared(name: str, trial: Mapping[str, Any]) -> Compared:
    """Return one trial beside the model's answer (insects of the usual number at the start)."""
    days = round(30.44 * trial["months"])
    climate = pd.DataFrame(
        {
            "temperature_c": np.full(days, trial["climate"]["temperature_c"]),
            "relative_humidity_pct": np.full(days, trial["climate"]["humidity_pct"]),
        }
    )
    run = simulate_storage(
        trial["crop"], trial["moisture_pct"], trial["method"], climate, days, borer_present=trial["borer"]
    )
    found = run.weight_loss_pct if trial["measure"] == "weight_loss" else run.moisture_pct
    return Compared(name, trial["use"], trial["measure"], float(trial["low"]), float(trial["high"]), float(found[-1]))


def all_compared() -> list[Compared]:
    """Return every trial beside the model's answer."""
    return [compared(name, trial) for name, trial in trials().items()]


def main() -> None:
    """Print the table and the errors."""
    rows = all_compared()
    for row in rows:
        told = f"{row.low:g}" if row.low == row.high else f"{row.low:g}-{row.high:g}"
        print(f"{row.use:8} {row.name:20} {row.measure:12} {told:>10} {row.computed:7.2f}  off {row.off:+.2f}")
    for use in ("fit", "predict"):
        off = np.array([row.off for row in rows if row.use == use])
        print(f"{use}: root mean square {np.sqrt((off**2).mean()):.2f} points, mean {off.mean():+.2f}")


if __name__ == "__main__":
    main()
