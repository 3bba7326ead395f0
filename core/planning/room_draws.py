"""Scenarios of the real rooms in the form that the outlook reads: drying and storage physics, climate, and price paths.

Weather and climate are drawn a few dozen times and shared out over the scenarios (scenario k has weather k mod their
number), so that
every lot and every choice of scenario k meets the same weather.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd

from core.errors import DryholdError
from core.grain.commodities import Commodity
from core.planning.batch_physics import Dried, Kept, Physics, Stood, common_draws
from core.planning.case import CaseLot, CropPrice, DryingChoice, PlanningCase, StorageChoice

WEATHERS = 24
CLIMATES = 24
DRYING_DAYS = 20
NOT_DRY_DAYS = 60.0
FRESH_GERMINATION_PCT = 98.0  # as the storage room has it at bagging
SIEVE_STEPS = (0.5, 1.5, 4.0, 10.0, 25.0, 60.0)  # counts of insects per kg that are told apart (judgement)
POINTS_ABOVE = np.array([0.5, 1.5, 3.0, 5.0, 8.0, 12.0, 17.0])
GRID_POINTS = np.array([-4.0, -2.0, -1.0, -0.5, 0.0, 0.5, 1.0, 2.0, 3.5, 5.0])


@dataclass(frozen=True)
class RoomData:
    """What the real rooms need beside the case: the forecast, the normals and the place (None = the bundled example's).

    `borer_present` says whether the larger grain borer is in the area, None where nobody knows; `crops` are the
    group's own crops by code.
    """

    forecast: Any
    normals: Any
    place: Any
    borer_present: bool | None = None
    crops: Mapping[str, Commodity] = field(default_factory=dict)


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
    from core.drying.field import field_loss, field_moisture
    from core.drying.run import simulate_lots
    from core.drying.setups import DryingSetup
    from core.storage.advice import quality_class, refusal_chances
    from core.storage.loss import dry_matter_loss
    from core.storage.simulate import draw_pests, simulate_storage
    from core.weather.scenarios import climate_scenarios, extend_scenarios

    moisture_draw, offers = common_draws(case, seed)
    count = case.scenarios
    midnight = datetime(case.start.year, case.start.month, case.start.day, tzinfo=UTC)
    climates = climate_scenarios(data.normals, case.start, (case.weeks + 2) * 7 + 1, CLIMATES, seed, data.place)
    pests = draw_pests(CLIMATES, seed, data.borer_present)
    share = np.arange(count) % CLIMATES
    seed_wanted = any(reserve.use == "seed" for reserve in case.reserves)

    def crop_of(code: str) -> str | Commodity:
        return data.crops.get(code, code)

    @lru_cache(maxsize=64)
    def weather(start_week: int) -> list[pd.DataFrame]:
        start = midnight + timedelta(days=7 * start_week)
        return extend_scenarios(data.forecast, data.normals, data.place, start, DRYING_DAYS, WEATHERS, seed)

    @lru_cache(maxsize=64)
    def drying_runs(commodity: str, start_week: int) -> tuple[np.ndarray, list[Any]]:
        """Return start moistures (points,) and the runs (setups x points): one simulation for all lots and targets of the crop."""
        targets = case.targets(commodity)
        starts = min(targets) + np.array([*POINTS_ABOVE, POINTS_ABOVE[-1] + max(targets) - min(targets) + 0.5])
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
        size = len(setups) * len(starts)
        runs = simulate_lots(
            [crop_of(commodity)] * size,
            [float(value) for _ in setups for value in starts],
            weather(start_week),
            [setup for setup in setups for _ in starts],
            [min(targets)] * size,
        )
        return starts, runs

    @lru_cache(maxsize=256)
    def days_by_moisture(commodity: str, target: float, start_week: int) -> tuple[np.ndarray, np.ndarray]:
        """Return start moistures (points,) and days to the target (setups, points, weathers)."""
        starts, runs = drying_runs(commodity, start_week)
        days = np.array([_days_to(run, target) for run in runs])
        return starts, days.reshape(len(case.drying), len(starts), -1)

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
            crop = crop_of(lot.commodity)
            loss = float(dry_matter_loss(crop, waited + 0.01, warm, middle)) + float(
                dry_matter_loss(crop, float(min(np.mean(days), 30.0)), warm + 5.0, (middle + target) / 2)
            )
        except DryholdError:
            loss = 0.1
        return Dried(planned, days, np.full(count, loss) * days / max(float(np.mean(days)), 1.0))

    @lru_cache(maxsize=256)
    def stored(
        commodity: str,
        moistures: tuple[float, ...],
        method: str,
        first_week: int,
        length: int,
        sieve: tuple[float | None, float, int] | None,
    ) -> tuple[np.ndarray, ...]:
        """Return moisture, dry-matter loss, insect loss, damaged kernels, unfit share, refusals and living share by week, (weeks, moistures x climates)."""
        frames = [frame.iloc[7 * first_week :] for frame in climates]
        days = min(7 * length, len(frames[0]) - 1)
        insects, sieved, grown = (None, 1.0, 0) if sieve is None else sieve
        run = simulate_storage(
            crop_of(commodity),
            np.array(moistures),
            method,
            frames,
            max(days, 7),
            insects,
            draw=pests,
            every=7,
            sieved_kg=sieved,
            insects_grown_days=grown,
        )
        loss = run.dry_matter_loss_pct
        left = np.clip((1 - run.weight_loss_pct / 100) / np.maximum(1 - loss / 100, 1e-6), 0.0, 1.0)
        # a lot that mould, souring or poison has made unfit is no food: nothing of it counts as income
        unfit = np.where(quality_class(run) == 2, 1.0, np.clip(run.mould_risk, 0.0, 1.0))
        chances = refusal_chances(run)
        passed = np.ones_like(unfit)
        for ground in ("damaged kernels", "live insects", "odour", "foreign matter"):
            passed = passed * (1.0 - chances[ground])
        alive = np.clip(run.germination_pct / FRESH_GERMINATION_PCT, 0.0, 1.0)
        parts = (run.moisture_pct, loss, 100.0 * (1 - left), run.damaged_kernels_pct, unfit, 1.0 - passed, alive)
        return tuple(np.ascontiguousarray(part[: length + 1]).reshape(min(length + 1, len(part)), -1) for part in parts)

    def keep(lot: CaseLot, start_moisture: np.ndarray, storage: StorageChoice, first_week: int, length: int) -> Kept:
        grid = case.target(lot.commodity) + GRID_POINTS
        # the climate of the neighbouring even week stands in for an odd one
        begun = first_week - first_week % 2
        at = np.clip(np.searchsorted(grid, start_moisture, side="right") - 1, 0, len(grid) - 2)
        weight = np.clip((start_moisture - grid[at]) / (grid[at + 1] - grid[at]), 0.0, 1.0)
        runs = stored(lot.commodity, tuple(grid.tolist()), storage.method, begun, case.weeks - begun, _sieve_of(lot))
        lower, upper, parts = at * CLIMATES + share, (at + 1) * CLIMATES + share, []
        for part in runs if seed_wanted else runs[:-1]:
            flat = part[: length + 1] if len(part) > length else part[np.minimum(np.arange(length + 1), len(part) - 1)]
            below = flat.take(lower, axis=1)
            parts.append(below + (flat.take(upper, axis=1) - below) * weight)
        moisture, loss, insects, damaged, unfit, refused = parts[:6]
        alive = parts[6] if seed_wanted else 1.0
        return Kept(moisture, loss, insects, damaged, np.clip(unfit, 0.0, 1.0), np.clip(refused, 0.0, 1.0), alive)

    @lru_cache(maxsize=1)
    def field_weather() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return daily mean temperature, humidity and rain from today on, (days, weathers), as far as any lot may stand."""
        last = max((max(lot.harvest_weeks) for lot in case.lots if lot.standing), default=0)
        frames = extend_scenarios(
            data.forecast, data.normals, data.place, midnight, 7 * last + 1, WEATHERS, seed
        )  # the same scenarios as for drying: they begin with the forecast
        columns = [frame.groupby(np.arange(len(frame)) // 24) for frame in frames]
        warm = np.column_stack([days["temperature_c"].mean().to_numpy() for days in columns])
        damp = np.column_stack([days["relative_humidity_pct"].mean().to_numpy() for days in columns])
        rain = np.column_stack([days["rain_mm"].sum().to_numpy() for days in columns])
        return warm, damp, rain

    @lru_cache(maxsize=256)
    def field_paths(commodity: str, moistures: tuple[float, ...], from_week: int) -> np.ndarray:
        """Return the moisture of standing grain by day since `from_week`, (days, moistures, weathers)."""
        warm, damp, rain = (part[7 * from_week :] for part in field_weather())
        paths = [field_moisture(crop_of(commodity), value, warm, damp, rain) for value in moistures]
        return np.stack(paths, axis=1)

    def stand(lot: CaseLot, harvest_week: int, start_moisture: np.ndarray) -> Stood:
        days = 7 * max(0, harvest_week - lot.moisture_week)
        which = np.arange(count) % WEATHERS
        grid = np.linspace(float(start_moisture.min()) - 0.1, float(start_moisture.max()) + 0.1, 6)
        paths = field_paths(lot.commodity, tuple(np.round(grid, 4).tolist()), lot.moisture_week)[days]
        at = np.clip(np.searchsorted(grid, start_moisture) - 1, 0, len(grid) - 2)
        weight = np.clip((start_moisture - grid[at]) / (grid[at + 1] - grid[at]), 0.0, 1.0)
        harvested = paths[at, which] * (1 - weight) + paths[at + 1, which] * weight
        # what the field takes before the first day on which it can be harvested at all is nobody's choice: the harvest
        # is stated without it
        waited = 7 * max(0, harvest_week - lot.available_week)
        rain = field_weather()[2][7 * lot.available_week :]
        return Stood(harvested, field_loss(waited, rain)[which])

    return Physics(room_prices(case, seed), moisture_draw, offers, dry, keep, stand)


def _days_to(run: Any, target: float) -> np.ndarray:
    """Return calendar days of a drying run until the layer's mean is at a target, the first day counted 1, (weathers,)."""
    below = run.moisture_pct <= target
    first = np.argmax(below, axis=0)
    local = run.times if run.setup.time_zone is None else run.times.tz_convert(run.setup.time_zone)
    day = (local.normalize().tz_localize(None) - local[1].normalize().tz_localize(None)) / pd.Timedelta(days=1)
    days = np.maximum(np.asarray(day, dtype=float)[first] + 1.0, 1.0)
    return np.where(below.any(axis=0), np.where(below[0], 0.0, days), NOT_DRY_DAYS)


def _sieve_of(lot: CaseLot) -> tuple[float | None, float, int] | None:
    """Return (insects per kg or None, kg sieved, days of growth since) rounded to steps, so that lots share a run.

    None for fresh grain.
    """
    if lot.insects_per_kg is None:
        return None if lot.sieved_days_ago < 7 else (None, 1.0, 14 * round(lot.sieved_days_ago / 14))
    nearest = min((0.0, *SIEVE_STEPS), key=lambda step: abs(step - lot.insects_per_kg))  # type: ignore[operator]
    count = nearest if lot.insects_per_kg <= 1.2 * SIEVE_STEPS[-1] else float(round(lot.insects_per_kg, -1))
    return count, float(round(lot.sieved_kg, 1)), 14 * round(lot.sieved_days_ago / 14)


def room_prices(case: PlanningCase, seed: int) -> dict[str, np.ndarray]:
    """Return weekly price paths by crop, (weeks + 1, scenarios), from the seasonal curve of each crop's history.

    A crop whose history is too short for a curve walks about today's price (weekly standard deviation from the case,
    no season assumed).
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
    """Return the seasonal curve of a crop's monthly history, None where the history does not carry one.

    The other markets of the group lend their season, and the trend is drawn towards the general rise of prices that
    the group entered.
    """
    if len(price.history) < 24:
        return None
    return _fitted(price.history, price.neighbours, price.price_rise_monthly)


@lru_cache(maxsize=32)
def _fitted(
    history: tuple[tuple[str, float], ...], neighbours: tuple[tuple[tuple[str, float], ...], ...], rise: float | None
) -> Any:
    from core.market.season import fit_season

    def series(rows: tuple[tuple[str, float], ...]) -> pd.Series:
        return pd.Series([value for _, value in rows], index=pd.PeriodIndex([month for month, _ in rows], freq="M"))

    try:
        return fit_season(series(history), rise, [series(rows) for rows in neighbours])
    except DryholdError:
        return None
