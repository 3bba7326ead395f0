"""Time of storing 50 lots under 6 methods in 300 scenarios for 365 days, against a plain loop over days per lot.

Run: python -m tests.benchmarks.storage_speed [lots] [scenarios]
The loop takes the same formulas one number at a time (through NumPy, which is slow for single numbers); it is timed
on one
lot and carried up in proportion. A busy machine stretches the first figure; the processor time beside it says how far.
"""

from __future__ import annotations

import sys
import time

import numpy as np
import pandas as pd

from core.grain.commodities import get_commodity
from core.grain.mass import dry_basis
from core.storage.day import BASE_RATES, WATER_PER_LOSS, WETTEST_DB, day_rates, growth_allowed, place_air
from core.storage.insects import eaten_pct, food_limited, get_pest, pests_of
from core.storage.loss import loss_in_store
from core.storage.methods import get_method, method_codes, places
from core.storage.scenarios import draw_pests, start_numbers
from core.storage.simulate import simulate_storage

DAYS = 365


def climates(count: int, seed: int = 1) -> list[pd.DataFrame]:
    """Return invented years with a wet season."""
    rng = np.random.default_rng(seed)
    season = np.sin(np.arange(DAYS) / 58.0)
    return [
        pd.DataFrame(
            {
                "temperature_c": 25 + 2 * season + rng.normal(0, 1, DAYS),
                "relative_humidity_pct": np.clip(68 + 12 * season + rng.normal(0, 6, DAYS), 15, 98),
            }
        )
        for _ in range(count)
    ]


def plain_loop(moisture_pct: float, method: str, climate: pd.DataFrame, borer: bool) -> tuple[float, float]:
    """Return the last day's moisture (% w.b.) and weight loss (%) of one lot, one day after another."""
    maize, how = get_commodity("maize"), get_method(method)
    pests = (*pests_of(maize), get_pest("larger_grain_borer")) if borer else pests_of(maize)
    draw = draw_pests(1, borer_present=borer)
    air_t = climate["temperature_c"].to_numpy()[:, None]
    air_h = climate["relative_humidity_pct"].to_numpy()[:, None]
    wet, lost = 0.0, 0.0
    for place in places(how, how.leak_share_borer if borer else how.leak_share):
        air = place_air(maize, how, place, air_t, air_h)
        rates = day_rates(maize, pests, how.sealed and not place.open_to_insects, 5.0)
        factor = growth_allowed(how, place, pests, DAYS)
        moisture, age, gone, made, eaten = float(dry_basis(moisture_pct)), 0.0, 0.0, 0.0, 0.0
        growth = [0.0] * len(pests)
        start = [float(start_numbers(pest, how, draw, 1, None, 1.0)[0, 0]) for pest in pests]
        kept_water = how.insect_water_share
        for day in range(DAYS):
            moisture += (air.equilibrium_db[day, 0] - moisture) * air.step + place.condensation_points_per_month / 30.0
            today = rates(air.grain_temperature_c[day, 0], moisture)
            age += float(today[0])
            for number in range(len(pests)):
                growth[number] += float(today[len(BASE_RATES) + number]) * factor[day, number]
            gone = float(loss_in_store(maize, age))
            eaten = sum(
                float(eaten_pct(pest, number, total)) for pest, number, total in zip(pests, start, growth, strict=True)
            )
            now = gone + kept_water * float(food_limited(eaten))
            moisture = min(moisture + WATER_PER_LOSS * (now - made), WETTEST_DB)
            made = now
        wet += place.share * 100.0 * moisture / (100.0 + moisture)
        lost += place.share * (100.0 - (100.0 - float(food_limited(eaten))) * (100.0 - gone) / 100.0)
    return wet, lost


def main() -> None:
    """Print both times and their ratio."""
    lots = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    scenarios = int(sys.argv[2]) if len(sys.argv) > 2 else 300
    years = climates(scenarios)
    wet = np.linspace(11.5, 15.0, lots)
    begin = time.perf_counter()
    for method in method_codes():
        simulate_storage("maize", wet[:1], method, years[:1], 7, every=7, borer_present=True, exact=False)
    built = time.perf_counter() - begin
    begin, cpu = time.perf_counter(), time.process_time()
    for method in method_codes():
        simulate_storage("maize", wet, method, years, DAYS, every=7, borer_present=True, exact=False)
    ours, used = time.perf_counter() - begin, time.process_time() - cpu
    begin = time.perf_counter()
    for method in method_codes():
        plain_loop(13.0, method, years[0], borer=True)
    loop = (time.perf_counter() - begin) * lots * scenarios
    print(f"{lots} lots x {len(method_codes())} methods x {scenarios} scenarios x {DAYS} days")
    print(f"together {ours:.2f} s (processor {used:.2f} s; tables of rates built once in {built:.2f} s)")
    print(f"plain loop per lot {loop:.0f} s (carried up from one lot); ratio {loop / ours:.0f}")


if __name__ == "__main__":
    main()
