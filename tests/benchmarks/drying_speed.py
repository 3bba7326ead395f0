"""50 lots x 50 weathers x 16 days at once, against the same equations integrated lot by lot by scipy's solve_ivp.

Run: python tests/benchmarks/drying_speed.py [lots for the reference, default 6]
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from core.drying import layer as layer_model
from core.drying.run import DryingSetup, open_hours, simulate_lots
from core.drying.thin_layer import thin_layer_of
from core.drying.weather import layer_weather
from core.grain.commodities import get_commodity
from core.grain.sorption import isotherm_parameters
from tests.drying.drying_cases import plain_days

DAYS = 16
INSTANT_H = 1e-4
"""Step over which the thin layer's rate is taken in the reference: short enough to be the rate itself."""


def weathers(count: int, seed: int = 1) -> list[pd.DataFrame]:
    """Return invented scenarios: warmer or cooler, sunnier or duller, day by day."""
    random = np.random.default_rng(seed)
    base = plain_days(days=DAYS)
    frames = []
    for _ in range(count):
        sun = np.repeat(random.uniform(0.4, 1.0, DAYS), 24)
        frames.append(
            base.assign(
                temperature_c=base["temperature_c"] + random.normal(0, 1.5),
                shortwave_w_m2=base["shortwave_w_m2"] * sun,
                wind_m_s=random.uniform(0.5, 4.0),
            )
        )
    return frames


def integrate(crop: str, moisture_pct: float, setup: DryingSetup, frame: pd.DataFrame) -> np.ndarray:
    """Return moisture, % wet basis, at the start and each hour's end, by solve_ivp on the layer's own rates."""
    from scipy.integrate import solve_ivp

    commodity, rates, isotherm = get_commodity(crop), thin_layer_of(crop), isotherm_parameters(crop)
    start = np.full((1, 1), 100 * moisture_pct / (100 - moisture_pct))
    layer = layer_model._columns([setup], commodity, start)
    weather = layer_weather([frame])
    opened = open_hours(pd.DatetimeIndex(frame.index), [setup])[:, 0]
    active = float(layer.active[0, 0])
    exchange = float(1.0 / layer.turn[0, 0] + 1.0 / layer_model.DIFFUSION_HOURS)
    dry = float(layer.dry_matter[0, 0]) * active
    turning = 1.0 / float(layer.turn[0, 0])
    conduction, ground = float(layer.conduction_per_h[0, 0]), float(layer.ground_per_h[0, 0])
    first = float(weather.temperature_c[0, 0, 0])
    state = np.array([start[0, 0], start[0, 0], first, 1.0, first])
    result = [state[0]]

    def slopes(hour: int, moment: float, values: np.ndarray) -> list[float]:
        top, _below, temperature, evened, _cooler = (np.full((1, 1), value) for value in values)
        air = layer_model._air(layer, weather, hour, moment, temperature)
        water, _ = layer_model._fluxes(layer, rates, isotherm, air, top, start, None, evened, temperature, INSTANT_H)
        latent = 1000 * layer_model.heat_of_evaporation(isotherm, temperature, top)
        gain = layer_model._heat_gain(layer, rates, air, temperature) - latent * water
        gap = exchange * (values[1] - values[0])
        warmth = (turning + conduction) * (values[4] - values[2])
        return [
            -100 * float(water[0, 0]) * 3600 / dry + gap * (1 - active),
            -gap * active,
            3600 * float((gain / layer_model._capacity(layer, commodity, top))[0, 0]) + warmth * (1 - active),
            -values[3],
            -warmth * active + ground * (float(air.ground_c[0, 0]) - values[4]),
        ]

    for hour in range(len(frame)):
        if opened[hour]:
            answer = solve_ivp(
                lambda moment, values, hour=hour: slopes(hour, moment, values),
                (0.0, 1.0),
                state,
                method="LSODA",
                rtol=1e-5,
                atol=1e-5,
            )
            state = answer.y[:, -1]
        else:
            mean = active * state[0] + (1 - active) * state[1]
            air = float(weather.temperature_c[hour + 1, 0, 0])
            heap = active * state[2] + (1 - active) * state[4]
            heap = heap + (air - heap) * -np.expm1(-1 / layer_model.HEAP_HOURS)
            state = np.array([mean, mean, heap, 1 - (1 - state[3]) * np.exp(-1 / layer_model.EVENING_HOURS), heap])
        result.append(active * state[0] + (1 - active) * state[1])
    values = np.array(result)
    return 100 * values / (100 + values)


def main() -> None:
    """Print time, ratio and the largest difference of moisture."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 6
    frames = weathers(50)
    crops = ["maize", "paddy", "common_bean", "groundnut_pod", "coffee_parchment"]
    lots = [crops[place % 5] for place in range(50)]
    starts = [50.0 if crop == "coffee_parchment" else 35.0 if crop == "groundnut_pod" else 22.0 for crop in lots]
    setups = [DryingSetup(("tarpaulin", "raised_rack")[place % 2], 10, 8.0 + 0.4 * place) for place in range(50)]
    simulate_lots(lots[:2], starts[:2], frames[:2], setups[:2], [13.0] * 2)
    began = time.perf_counter()
    runs = simulate_lots(lots, starts, frames, setups, [13.0] * 50)
    ours = time.perf_counter() - began
    one_crop = time.perf_counter()
    simulate_lots(["maize"] * 50, [22.0] * 50, frames, setups, [13.0] * 50)
    one_crop = time.perf_counter() - one_crop
    began, worst, after_first = time.perf_counter(), 0.0, 0.0
    for place in range(count):
        lot, scenario = place * 7 % 50, place * 3 % 50
        reference = integrate(lots[lot], starts[lot], setups[lot], frames[scenario])
        off = np.abs(reference - runs[lot].moisture_pct[:, scenario])
        worst, after_first = max(worst, off.max()), max(after_first, off[24:].max())
        print(
            f"  {lots[lot]:18s} {setups[lot].load:5.1f} kg/m²  largest difference {off.max():.3f}, after day 1 "
            f"{off[24:].max():.3f}"
        )
    each = (time.perf_counter() - began) / count
    print(f"50 lots of five crops x 50 weathers x {DAYS} days: {ours:.2f} s; of one crop: {one_crop:.2f} s")
    print(
        f"solve_ivp (LSODA): {each:.2f} s per lot and weather, {each * 2500:.0f} s for all; ratio "
        f"{each * 2500 / ours:.0f}"
    )
    print(f"largest difference of moisture {worst:.3f} points, after the first day {after_first:.3f}")


if __name__ == "__main__":
    main()
