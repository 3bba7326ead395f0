"""Small parametric seasons for invented cases (benchmarks and tests).

Humidity, sun, pests and prices, drawn once and shared by all lots.
"""

from __future__ import annotations

import numpy as np

from core.accounts.finance import DAYS_PER_MONTH, WEEKS_PER_MONTH
from core.planning.case import CaseLot, DryingChoice, PlanningCase, StorageChoice
from core.planning.seasons import Dried, Kept, Seasons, Stood, common_draws

EMC_OFFSET = {"common_bean": 0.8, "sorghum": -0.2}  # points, against maize
INSECT_LOSS_SIX_MONTHS_PCT = {"woven_bag_protectant": 1.2, "hermetic_bag": 0.4}
INSECT_LOSS_OPEN_PCT = 4.0  # in six months, in all other ways of storing
HUMIDITY_PCT = (68.0, 66.0, 68.0, 74.0, 76.0, 72.0, 68.0, 66.0, 64.0, 66.0, 70.0, 70.0)  # January first, relative
FIELD_RATE_WEEK, FIELD_LOSS_WEEK = 0.40, 0.02  # rounded from field.toml: a wet day in four


def price_paths(case: PlanningCase, seed: int) -> dict[str, np.ndarray]:
    """Return price paths by crop, (weeks + 1, scenarios).

    From each crop's expected path with correlated weekly changes.

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
        median = np.reshape(price.path[: case.weeks + 1] or 1.0, (-1, 1))
        paths[price.commodity] = price.price_now * median * np.exp(walk)
    return paths


def _respiration(moisture_pct: np.ndarray) -> np.ndarray:
    """Return dry matter lost in a week at about 25 °C [%].

    A rounded fit to the published allowable storage times (judgement).
    """
    return np.minimum(1.2, 0.014 * np.exp(0.40 * (np.asarray(moisture_pct) - 14.0)))


def invented_seasons(case: PlanningCase, seed: int) -> Seasons:
    """Return the seasons of an invented case for one seed.

    Humidity, drying weather, insects and prices are drawn once per scenario and shared by all lots and choices.
    """
    moisture, offers = common_draws(case, seed)
    generator = np.random.default_rng([seed, 13])
    count, weeks = case.scenarios, case.weeks
    sunny = np.exp(0.22 * generator.standard_normal((weeks + 1, count)) + 0.12 * generator.standard_normal(count))
    month = (case.start.timetuple().tm_yday / DAYS_PER_MONTH + np.arange(weeks + 1) / WEEKS_PER_MONTH) % 12
    normal = np.interp(month, np.arange(12), HUMIDITY_PCT, period=12)
    humidity = (
        normal[:, None] + 3.0 * generator.standard_normal(count) + 2.0 * generator.standard_normal((weeks + 1, count))
    )
    pests = np.exp(0.5 * generator.standard_normal(count) - 0.125)

    def dry(lot: CaseLot, choice: DryingChoice, start_week: int, start_moisture: np.ndarray, target: float) -> Dried:
        rate = choice.points_per_day * (
            sunny[min(start_week, weeks)] if choice.method != "mechanical" else np.ones(count)
        )
        days = np.maximum(1.0, (start_moisture - target) / rate)
        planned = max(1.0, np.ceil(1.1 * (lot.moisture_pct - target) / choice.points_per_day))
        waited = start_week - lot.available_week
        loss = _respiration(start_moisture) * waited + _respiration((start_moisture + target) / 2) * days / 7
        return Dried(float(planned), days, loss)

    def stand(lot: CaseLot, harvest_week: int, start_moisture: np.ndarray) -> Stood:
        waited = harvest_week - lot.moisture_week
        still = 4.0 + 0.13 * humidity[min(harvest_week, weeks)] + EMC_OFFSET.get(lot.commodity, 0.0)
        dried = still + (start_moisture - still) * np.exp(-FIELD_RATE_WEEK * waited * sunny[min(harvest_week, weeks)])
        return Stood(dried, -np.expm1(-(FIELD_LOSS_WEEK * pests) * (harvest_week - lot.available_week)))

    def keep(lot: CaseLot, start_moisture: np.ndarray, storage: StorageChoice, first_week: int, length: int) -> Kept:
        week = np.arange(length + 1, dtype=float)[:, None]
        here = np.minimum(first_week + np.arange(length + 1), weeks)
        still = 4.0 + 0.13 * humidity[here] + EMC_OFFSET.get(lot.commodity, 0.0)
        sealed = storage.method == "hermetic_bag"
        moved = np.broadcast_to(start_moisture, still.shape)
        if not sealed:
            moved = still + (start_moisture - still) * np.exp(-week / 8.0)
        breathed = _respiration(moved[1:]) * (0.5 if sealed else 1.0)
        loss = np.vstack([np.zeros((1, count)), np.cumsum(breathed, axis=0)])
        six = INSECT_LOSS_SIX_MONTHS_PCT.get(storage.method, INSECT_LOSS_OPEN_PCT) * pests
        insects = np.minimum(30.0, six * (week / 26.0) ** 1.7)
        return Kept(moved, loss, insects, np.minimum(60.0, 5.0 * insects))

    return Seasons(price_paths(case, seed), moisture, offers, dry, keep, stand)
