"""Scenarios of the real rooms in the form that the outlook reads: drying and storage physics, climate, and price paths.

Weather and climate are drawn a few dozen times and shared out over the scenarios (scenario k has weather k mod their number), so that
every lot and every choice of scenario k meets the same weather.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd

from core.errors import DryholdError
from core.planning.case import CaseLot, CropPrice, DryingChoice, PlanningCase, StorageChoice
from core.planning.physics import Dried, Kept, Physics, common_draws

WEATHERS = 24
CLIMATES = 24
DRYING_DAYS = 20
NOT_DRY_DAYS = 60.0
POINTS_ABOVE = np.array([0.5, 1.5, 3.0, 5.0, 8.0, 12.0, 17.0])
GRID_POINTS = np.array([-4.0, -2.0, -1.0, -0.5, 0.0, 0.5, 1.0, 2.0, 3.5, 5.0])


@dataclass(frozen=True)
class RoomData:
    """What the real rooms need beside the case: the forecast, the normals and the place (None = the bundled example's).

    `borer_present` says whether the larger grain borer is in the area, None where nobody knows.
    """

    forecast: Any
    normals: Any
    place: Any
    borer_present: bool | None = None


def room_physics(case: PlanningCase, seed: int, data: RoomData) -> Physics:
    """Return the scenarios of the real rooms for one seed.

    Parameters
    ----------
    case : PlanningCase
        Built from a group's records.
    seed : int
        Decides every draw.
    data : RoomData
        Forecast, normals and place.
    """
    from core.grain.drying import simulate_lots
    from core.grain.drying_setups import DryingSetup
    from core.grain.storage import draw_pests, simulate_storage
    from core.grain.storage_loss import dry_matter_loss
    from core.weather.scenarios import climate_scenarios, extend_scenarios

    moisture_draw, offers = common_draws(case, seed)
    count = case.scenarios
    midnight = datetime(case.start.year, case.start.month, case.start.day, tzinfo=UTC)
    climates = climate_scenarios(data.normals, case.start, (case.weeks + 2) * 7 + 1, CLIMATES, seed, data.place)
    pests = draw_pests(CLIMATES, seed, data.borer_present)
    share = np.arange(count) % CLIMATES

    @lru_cache(maxsize=64)
    def weather(start_week: int) -> list[pd.DataFrame]:
        start = midnight + timedelta(days=7 * start_week)
        return extend_scenarios(data.forecast, data.normals, data.place, start, DRYING_DAYS, WEATHERS, seed)

    @lru_cache(maxsize=256)
    def days_by_moisture(commodity: str, target: float, start_week: int) -> tuple[np.ndarray, np.ndarray]:
        """Return start moistures (points,) and days to the target (setups, points, weathers): one run for all lots of the crop."""
        starts = target + POINTS_ABOVE
        setups = [
            DryingSetup(
                way.method,
                max(way.area_m2, 1.0),
                way.load_kg_m2 or None,
                altitude_m=case.climate.altitude_m,
                time_zone=case.climate.time_zone,
            )
            for way in case.drying
        ]
        runs = simulate_lots(
            [commodity] * (len(setups) * len(starts)), [float(value) for _ in setups for value in starts], weather(start_week),
            [setup for setup in setups for _ in starts], [target] * (len(setups) * len(starts)),
        )  # fmt: skip
        days = np.array([np.where(np.isfinite(run.days_to_target), run.days_to_target, NOT_DRY_DAYS) for run in runs])
        return starts, days.reshape(len(setups), len(starts), -1)

    def dry(lot: CaseLot, choice: DryingChoice, start_week: int, start_moisture: np.ndarray, target: float) -> Dried:
        starts, table = days_by_moisture(lot.commodity, target, start_week)
        middle, which = float(np.mean(start_moisture)), np.arange(count) % WEATHERS
        rows = table[list(case.drying).index(choice)]
        at = np.clip(np.searchsorted(starts, start_moisture) - 1, 0, len(starts) - 2)
        part = np.clip((start_moisture - starts[at]) / (starts[at + 1] - starts[at]), 0.0, 1.5)
        days = np.maximum(1.0, rows[at, which] * (1 - part) + rows[at + 1, which] * part)
        dried_share = float((days < NOT_DRY_DAYS * 0.9).mean())
        planned = float(np.ceil(np.quantile(days, 0.8))) if dried_share >= 0.8 else float("inf")
        waited = 7.0 * max(0, start_week - lot.available_week)
        warm = float(np.mean([frame["temperature_c"].mean() for frame in weather(start_week)[:4]]))
        try:
            loss = float(dry_matter_loss(lot.commodity, waited + 0.01, warm, middle)) + float(
                dry_matter_loss(lot.commodity, float(min(np.mean(days), 30.0)), warm + 5.0, (middle + target) / 2)
            )
        except DryholdError:
            loss = 0.1
        return Dried(planned, days, np.full(count, loss) * days / max(float(np.mean(days)), 1.0))

    @lru_cache(maxsize=256)
    def stored(
        commodity: str, moistures: tuple[float, ...], method: str, first_week: int, length: int
    ) -> tuple[np.ndarray, ...]:
        frames = [frame.iloc[7 * first_week :] for frame in climates]
        days = min(7 * length, len(frames[0]) - 1)
        run = simulate_storage(commodity, np.array(moistures), method, frames, max(days, 7), draw=pests, every=7)
        parts = (
            run.moisture_pct,
            run.dry_matter_loss_pct,
            run.weight_loss_pct,
            run.damaged_kernels_pct,
            run.mould_risk,
        )
        return tuple(np.asarray(part)[: length + 1] for part in parts)

    def keep(commodity: str, start_moisture: np.ndarray, storage: StorageChoice, first_week: int, length: int) -> Kept:
        grid = case.target(commodity) + GRID_POINTS
        # the climate of the neighbouring even week stands in for an odd one
        begun = first_week - first_week % 2
        at = np.clip(np.searchsorted(grid, start_moisture, side="right") - 1, 0, len(grid) - 2)
        weight = np.clip((start_moisture - grid[at]) / (grid[at + 1] - grid[at]), 0.0, 1.0)
        parts = []
        for part in stored(commodity, tuple(grid.tolist()), storage.method, begun, case.weeks - begun):
            rows = part[np.minimum(np.arange(length + 1), len(part) - 1)]
            parts.append(rows[:, at, share] * (1 - weight) + rows[:, at + 1, share] * weight)
        moisture, loss, weight_loss, damaged, mould = parts
        remaining = np.clip((1 - weight_loss / 100) / np.maximum(1 - loss / 100, 1e-6), 0.0, 1.0)
        return Kept(moisture, loss, 100.0 * (1 - remaining), damaged, np.clip(mould, 0.0, 1.0))

    return Physics(room_prices(case, seed), moisture_draw, offers, dry, keep)


def room_prices(case: PlanningCase, seed: int) -> dict[str, np.ndarray]:
    """Return weekly price paths by crop, (weeks + 1, scenarios), from the seasonal curve of each crop's history.

    A crop whose history is too short for a curve walks about today's price (weekly standard deviation from the case, no season assumed).
    """
    paths = {}
    for price in case.prices:
        curve = season_of(price)
        if curve is not None:
            paths[price.commodity] = curve.sample_weekly_paths(case.weeks, case.scenarios, seed, price.price_now).T
            continue
        walk = np.random.default_rng([seed, 12]).standard_normal((case.weeks, case.scenarios)) * price.weekly_sd
        paths[price.commodity] = price.price_now * np.exp(
            np.vstack([np.zeros((1, case.scenarios)), np.cumsum(walk, axis=0)])
        )
    return paths


def season_of(price: CropPrice) -> Any:
    """Return the seasonal curve of a crop's monthly history, None where the history does not carry one."""
    from core.market.season import fit_season

    if len(price.history) < 24:
        return None
    return _fitted(price.history, fit_season)


@lru_cache(maxsize=32)
def _fitted(history: tuple[tuple[str, float], ...], fit: Any) -> Any:
    months = pd.PeriodIndex([month for month, _ in history], freq="M")
    try:
        return fit(pd.Series([value for _, value in history], index=months))
    except DryholdError:
        return None
