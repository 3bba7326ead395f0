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


@dataclass(frozen=True)
class RoomData:
    """What the real rooms need beside the case: the forecast, the normals and the place (None = the bundled example's)."""

    forecast: Any
    normals: Any
    place: Any


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
    from core.grain.drying import simulate_drying
    from core.grain.drying_setups import DryingSetup
    from core.grain.storage import draw_pests, simulate_storage
    from core.grain.storage_loss import dry_matter_loss
    from core.weather.scenarios import climate_scenarios, extend_scenarios

    moisture_draw, offers = common_draws(case, seed)
    count = case.scenarios
    midnight = datetime(case.start.year, case.start.month, case.start.day, tzinfo=UTC)
    climates = climate_scenarios(data.normals, case.start, (case.weeks + 2) * 7 + 1, CLIMATES, seed, data.place)
    pests = draw_pests(CLIMATES, seed)
    share = np.arange(count) % CLIMATES

    @lru_cache(maxsize=64)
    def weather(start_week: int) -> list[pd.DataFrame]:
        start = midnight + timedelta(days=7 * start_week)
        return extend_scenarios(data.forecast, data.normals, data.place, start, DRYING_DAYS, WEATHERS, seed)

    @lru_cache(maxsize=1024)
    def days_needed(commodity: str, start_pct: float, target: float, choice: DryingChoice, start_week: int) -> np.ndarray:
        setup = DryingSetup(choice.method, max(choice.area_m2, 1.0), choice.load_kg_m2 or None, altitude_m=case.climate.altitude_m, time_zone=case.climate.time_zone)
        run = simulate_drying(commodity, start_pct, weather(start_week), setup, target)
        return np.where(np.isfinite(run.days_to_target), run.days_to_target, NOT_DRY_DAYS)

    def dry(lot: CaseLot, choice: DryingChoice, start_week: int, start_moisture: np.ndarray, target: float) -> Dried:
        # two runs bracket the lot's moisture; each scenario takes its own between them
        middle = round(float(np.mean(start_moisture)), 1)
        spread = max(0.3, round(float(np.std(start_moisture)), 1))
        low = days_needed(lot.commodity, max(middle - spread, target), target, choice, start_week)
        high = days_needed(lot.commodity, middle + spread, target, choice, start_week)
        weight = np.clip((start_moisture - (middle - spread)) / (2 * spread), -0.5, 1.5)
        which = np.arange(count) % WEATHERS
        days = np.maximum(1.0, low[which] + weight * (high[which] - low[which]))
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
    def stored(commodity: str, moistures: tuple[float, ...], method: str, first_week: int, length: int) -> tuple[np.ndarray, ...]:
        frames = [frame.iloc[7 * first_week :] for frame in climates]
        days = min(7 * length, len(frames[0]) - 1)
        run = simulate_storage(commodity, np.array(moistures), method, frames, max(days, 7), draw=pests, every=7)
        parts = (run.moisture_pct, run.dry_matter_loss_pct, run.weight_loss_pct, run.damaged_kernels_pct, run.mould_risk)
        return tuple(np.asarray(part)[: length + 1] for part in parts)

    def keep(commodity: str, start_moisture: np.ndarray, storage: StorageChoice, first_week: int, length: int) -> Kept:
        spread = float(np.std(start_moisture))
        middle = round(float(np.mean(start_moisture)) * 4) / 4 if spread > 0.02 else round(float(np.mean(start_moisture)), 2)
        points = (middle,) if spread <= 0.02 else (middle - 1.0, middle, middle + 1.0)
        parts = []
        for part in stored(commodity, points, storage.method, first_week, max(length, 1)):
            if len(points) == 1:
                parts.append(part[: length + 1, 0][:, share])
                continue
            at = np.clip(start_moisture - points[0], 0.0, 1.9999)
            left = at.astype(int)
            weight = at - left
            parts.append(part[: length + 1, left, share] * (1 - weight) + part[: length + 1, left + 1, share] * weight)
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
        paths[price.commodity] = price.price_now * np.exp(np.vstack([np.zeros((1, case.scenarios)), np.cumsum(walk, axis=0)]))
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
