"""What happens to grain and prices in each scenario, behind three functions: `stand`, `dry` and `keep`.

`compact_physics` is a small parametric version for invented cases; `core.planning.room_draws` fills the same form
from the real rooms.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from core.planning.case import CaseLot, DryingChoice, PlanningCase, StorageChoice


@dataclass(frozen=True)
class Dried:
    """A lot's drying in each scenario.

    `planned_days` is the number of days that the floor is booked; `days` (scenarios,) the days really needed;
    `dry_matter_loss_pct`
    (scenarios,) what the grain lost meanwhile [% of dry matter].
    """

    planned_days: float
    days: np.ndarray
    dry_matter_loss_pct: np.ndarray


@dataclass(frozen=True)
class Stood:
    """A standing lot at its harvest, by scenario: moisture [% w.b.] and the fraction of the grain that the field has taken, (scenarios,)."""

    moisture_pct: np.ndarray
    lost: np.ndarray


@dataclass(frozen=True)
class Kept:
    """A lot in store, by week since bagging (row 0 = bagged) and scenario.

    `moisture_pct` [% w.b.]; `dry_matter_loss_pct` and `insect_loss_pct` cumulative [% of the dry matter bagged];
    `damaged_pct` [% of kernels];
    `unfit_share` the share of bags that mould has made unfit (they bring nothing; 1 where the whole lot is no longer
    food);
    `refusal_chance` the chance that a buyer who inspects refuses the rest for insects, smell, dust or damaged kernels;
    `alive_share` what still germinates of seed, against fresh seed.
    """

    moisture_pct: np.ndarray
    dry_matter_loss_pct: np.ndarray
    insect_loss_pct: np.ndarray
    damaged_pct: np.ndarray
    unfit_share: np.ndarray | float = 0.0
    refusal_chance: np.ndarray | float = 0.0
    alive_share: np.ndarray | float = 1.0


@dataclass(frozen=True)
class Physics:
    """One set of scenarios: prices by crop (weeks + 1, scenarios), draws shared by all lots, and the three functions.

    `stand(lot, harvest_week, moisture (scenarios,))` -> `Stood`;
    `dry(lot, choice, start_week, moisture (scenarios,), target)` -> `Dried`;
    `keep(lot, moisture (scenarios,), storage, first_week, weeks)` -> `Kept` with weeks + 1 rows.
    """

    prices: Mapping[str, np.ndarray]
    moisture_draw: Mapping[str, np.ndarray]
    offer_draw: np.ndarray
    dry: Callable[[CaseLot, DryingChoice, int, np.ndarray, float], Dried]
    keep: Callable[[CaseLot, np.ndarray, StorageChoice, int, int], Kept]
    stand: Callable[[CaseLot, int, np.ndarray], Stood]


def common_draws(case: PlanningCase, seed: int) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Return standard normal moisture draws by lot (scenarios,) and uniform draws for offers (buyers, scenarios)."""
    generator = np.random.default_rng([seed, 11])
    moisture = {lot.id: generator.standard_normal(case.scenarios) for lot in case.lots}
    return moisture, generator.random((len(case.buyers), case.scenarios))


def price_paths(case: PlanningCase, seed: int) -> dict[str, np.ndarray]:
    """Return price paths by crop, (weeks + 1, scenarios), from each crop's expected path with correlated weekly changes.

    The path of the case is the median; three quarters of a week's change are common to all crops (judgement: markets
    move together).
    """
    generator = np.random.default_rng([seed, 12])
    common = generator.standard_normal((case.weeks, case.scenarios))
    paths = {}
    for price in case.prices:
        own = generator.standard_normal((case.weeks, case.scenarios))
        change = price.weekly_sd * (np.sqrt(0.75) * common + 0.5 * own)
        walk = np.vstack([np.zeros((1, case.scenarios)), np.cumsum(change, axis=0)])
        median = np.asarray(price.path if price.path else (1.0,) * (case.weeks + 1))[: case.weeks + 1, None]
        paths[price.commodity] = price.price_now * median * np.exp(walk)
    return paths


EMC_OFFSET = {
    "common_bean": 0.8,
    "sorghum": -0.2,
    "soybean": -2.5,
    "groundnut_kernel": -6.0,
    "sesame": -7.0,
    "sunflower": -5.0,
}
INSECT_LOSS_SIX_MONTHS_PCT = {
    "woven_bag": 4.0,
    "woven_bag_protectant": 1.2,
    "hermetic_bag": 0.4,
    "metal_silo": 0.4,
    "crib": 5.0,
    "warehouse": 2.0,
}


FIELD_RATE_WEEK, FIELD_LOSS_WEEK = 0.40, 0.02  # rounded from field.toml: a wet day in four


def _respiration(moisture_pct: np.ndarray) -> np.ndarray:
    """Return dry matter lost in a week at about 25 °C [%], a rounded fit to the published allowable storage times (judgement)."""
    return np.minimum(1.2, 0.014 * np.exp(0.40 * (np.asarray(moisture_pct) - 14.0)))


def compact_physics(case: PlanningCase, seed: int) -> Physics:
    """Return the compact parametric physics of an invented case for one seed.

    Humidity, drying weather, insects and prices are drawn once per scenario and shared by all lots and choices.
    """
    moisture, offers = common_draws(case, seed)
    generator = np.random.default_rng([seed, 13])
    count, weeks = case.scenarios, case.weeks
    sunny = np.exp(0.22 * generator.standard_normal((weeks + 1, count)) + 0.12 * generator.standard_normal(count))
    month = (case.start.timetuple().tm_yday / 30.44 + np.arange(weeks + 1) * 7 / 30.44) % 12
    normal = np.interp(
        month, np.arange(13), [*case.climate.relative_humidity_pct, case.climate.relative_humidity_pct[0]]
    )
    humidity = (
        normal[:, None] + 3.0 * generator.standard_normal(count) + 2.0 * generator.standard_normal((weeks + 1, count))
    )
    pests = np.exp(0.5 * generator.standard_normal(count) - 0.125)

    def dry(lot: CaseLot, choice: DryingChoice, start_week: int, start_moisture: np.ndarray, target: float) -> Dried:
        rate = choice.points_per_day * (
            sunny[min(start_week, weeks)] if choice.method != "mechanical" else np.ones(count)
        )
        days = np.maximum(1.0, np.maximum(start_moisture - target, 0.0) / rate)
        planned = max(1.0, np.ceil(1.1 * max(lot.moisture_pct - target, 0.0) / choice.points_per_day))
        waited = max(0, start_week - lot.available_week)
        loss = _respiration(start_moisture) * waited + _respiration((start_moisture + target) / 2) * days / 7
        return Dried(float(planned), days, loss)

    def stand(lot: CaseLot, harvest_week: int, start_moisture: np.ndarray) -> Stood:
        waited = max(0, harvest_week - lot.moisture_week)
        still = 4.0 + 0.13 * humidity[min(harvest_week, weeks)] + EMC_OFFSET.get(lot.commodity, 0.0)
        dried = still + (start_moisture - still) * np.exp(-FIELD_RATE_WEEK * waited * sunny[min(harvest_week, weeks)])
        left = max(0, harvest_week - lot.available_week)
        return Stood(dried, -np.expm1(-(FIELD_LOSS_WEEK * pests) * left))

    def keep(lot: CaseLot, start_moisture: np.ndarray, storage: StorageChoice, first_week: int, length: int) -> Kept:
        week = np.arange(length + 1, dtype=float)[:, None]
        here = np.minimum(first_week + np.arange(length + 1), weeks)
        still = 4.0 + 0.13 * humidity[here] + EMC_OFFSET.get(lot.commodity, 0.0)
        sealed = storage.method in ("hermetic_bag", "metal_silo")
        if sealed:
            moisture_path = np.broadcast_to(start_moisture, still.shape)
        else:
            moisture_path = still + (start_moisture - still) * np.exp(-week / 8.0)
        loss = np.vstack(
            [np.zeros((1, count)), np.cumsum(_respiration(moisture_path[1:]) * (0.5 if sealed else 1.0), axis=0)]
        )
        six = INSECT_LOSS_SIX_MONTHS_PCT.get(storage.method, 4.0) * pests
        insects = np.minimum(30.0, six * (week / 26.0) ** 1.7)
        return Kept(moisture_path, np.minimum(loss, 60.0), insects, np.minimum(60.0, 5.0 * insects))

    return Physics(price_paths(case, seed), moisture, offers, dry, keep, stand)
