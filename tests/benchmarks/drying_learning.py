"""How often the 80 % interval of a learned drying rate covers the known truth, also when the lots break the rules.

Run: python tests/benchmarks/drying_learning.py [lots]
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from core.drying.learning import (
    NOISE_LOG_SD,
    START_OFFSETS,
    SUN_ERROR_SD,
    USUAL_BIAS_POINTS,
    USUAL_NOISE_POINTS,
    predicted_readings,
    prior_belief,
    update_belief,
)
from core.drying.run import DryingSetup, simulate_drying
from tests.drying.drying_cases import plain_days

HOURS = np.array([11, 17, 35, 41, 59])
START, LOAD = 23.0, 28.0


def truth_by_simulation(factors, starts, weather, **more):
    """Return moisture at the reading hours for each lot's factor and start; (lots, readings)."""
    from core.drying.run import simulate_lots

    setups = [DryingSetup("tarpaulin", 10, LOAD, rate_factor=float(factor), **more) for factor in factors]
    runs = simulate_lots(["maize"] * len(factors), list(starts), weather, setups, [13.0] * len(factors))
    return np.array([run.moisture_pct[HOURS, 0] for run in runs])


def truth_by_another_law(factors, starts, weather):
    """Return moisture that falls by a plain exponential with sun (no Page, no heat balance), the factor in its rate.

    Its rate constant is set so that factor 1 dries as far in all as the model does: another shape, not another speed.
    """
    sun = np.cumsum(np.concatenate([[0.0], weather["shortwave_w_m2"].to_numpy() * _open(weather)])) / 1000.0
    model = simulate_drying("maize", START, weather, DryingSetup("tarpaulin", 10, LOAD), 13.0)
    floor = 8.0
    end = model.moisture_pct[HOURS[-1], 0]
    rate = np.log((START - floor) / (end - floor)) / sun[HOURS[-1]]
    return floor + (np.asarray(starts)[:, None] - floor) * np.exp(-rate * np.outer(factors, sun[HOURS]))


def coverage(lots: int, seed: int, case: str = "known factor") -> float:
    """Return the share of synthetic lots whose known factor lies in the 80 % interval.

    Cases: "known factor", "another law", "sun wrong by 20 %", "reading bias 0.5".
    Factor, noise, start, the sun's error and the meter's bias are drawn as the learning assumes, except where a case
    breaks that: lots of another law (exact sun, no bias), sun 20 % too strong or too weak, bias exactly half a point.
    Each lot has a reading at the start and five later.
    """
    random = np.random.default_rng(seed)
    prior = prior_belief(0.25)
    weather = plain_days(days=3)
    factors = np.exp(0.25 * random.standard_normal(lots))
    noises = USUAL_NOISE_POINTS * np.exp(NOISE_LOG_SD * random.standard_normal(lots))
    starts = START + random.uniform(-1.0, 1.0, lots)
    sun_errors = SUN_ERROR_SD * random.standard_normal(lots)
    bias = USUAL_BIAS_POINTS * random.standard_normal(lots)
    if case == "another law":
        truth = truth_by_another_law(factors, starts, weather)
    else:
        if case == "sun wrong by 20 %":
            sun_errors = random.choice([-0.2, 0.2], lots)
        if case == "reading bias 0.5":
            bias = random.choice([-0.5, 0.5], lots)
        truth = np.empty((lots, len(HOURS)))
        order = np.digitize(sun_errors, np.linspace(-0.4, 0.4, 17))
        for group in np.unique(order):
            some = order == group
            sunny = weather.assign(shortwave_w_m2=weather["shortwave_w_m2"] * (1 + sun_errors[some].mean()))
            truth[some] = truth_by_simulation(factors[some], starts[some], sunny)
    first = starts + bias + noises * random.standard_normal(lots)
    later = truth + bias[:, None] + noises[:, None] * random.standard_normal(truth.shape)
    # predictions change smoothly with the start: a grid of starts serves all lots
    grid = np.arange(np.floor(first.min() * 2) / 2, first.max() + 0.5, 0.5)
    setup = DryingSetup("tarpaulin", 10, LOAD)
    stamps = weather.index[HOURS - 1].to_pydatetime()
    tables = np.array(
        [predicted_readings("maize", float(value), stamps, weather, setup, prior.factors) for value in grid]
    )
    inside = 0
    for lot in range(lots):
        place = np.clip(np.searchsorted(grid, first[lot]) - 1, 0, len(grid) - 2)
        part = (first[lot] - grid[place]) / 0.5
        predicted = (1 - part) * tables[place] + part * tables[place + 1]
        low, high = update_belief(prior, predicted, later[lot]).interval(0.8)
        inside += low <= factors[lot] <= high
    return inside / lots


def _open(weather):
    hour = weather.index.hour.to_numpy() - 0.5
    return (hour > 8) & (hour < 17)


def main() -> None:
    """Print the coverage of every case."""
    lots = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    print(f"80 % intervals over {lots} lots; starts within ±{-START_OFFSETS[0]} points of the first reading")
    for case in ("known factor", "another law", "sun wrong by 20 %", "reading bias 0.5"):
        print(f"{case:20s} {100 * coverage(lots, 5, case):5.1f} %")


if __name__ == "__main__":
    main()
