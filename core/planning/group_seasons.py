"""A group's possible seasons.

Its drying and storage under the forecast and the usual climate of its place, and its prices.

Weather and climate are drawn a few dozen times and shared out over the scenarios (scenario k has weather k mod their
number), so that every lot and every choice of scenario k meets the same weather.
"""

from __future__ import annotations

import hashlib
import pickle
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import lru_cache, partial
from typing import Any, TypeVar

import numpy as np
import pandas as pd

from core.drying.learning import RateBelief, prior_belief
from core.drying.setups import DryingSetup, drying_method
from core.errors import DryholdError
from core.grain.commodities import Commodity
from core.planning.case import CaseLot, CropPrice, DryingChoice, PlanningCase, StorageChoice
from core.planning.drying_ahead import WEATHERS, begin_of, booked, weather_ahead
from core.planning.schedule import first_day_of_week
from core.planning.seasons import Dried, Kept, Seasons, Stood, common_draws

CLIMATES = 24
NOT_DRY_DAYS = 60.0
FRESH_GERMINATION_PCT = 98.0  # as the storage room has it at bagging
SIEVE_STEPS = (0.5, 1.5, 4.0, 10.0, 25.0, 60.0)  # counts of insects per kg that are told apart (judgement)
POINTS_ABOVE = np.array([0.5, 1.5, 3.0, 5.0, 8.0, 12.0, 17.0])
GRID_POINTS = np.array([-4.0, -2.0, -1.0, -0.5, 0.0, 0.5, 1.0, 2.0, 3.5, 5.0])
Made = TypeVar("Made")


@dataclass(frozen=True)
class Surroundings:
    """What a group's seasons need beside the case.

    The forecast, the normals and the place (None = the bundled example's).

    `borer_present` says whether the larger grain borer is in the area, None where nobody knows; `crops` are the
    group's own crops by code; `climate` is what stored grain meets, normals or days of past years (None = the
    normals); `rates` what is believed of the group's rate by way of drying (none = as the table has it, with its
    doubt); `grain_limits_c` the hottest that grain is let get, by crop or "seed" [°C]; `store_offset_c` how much
    warmer its stores are than their kind [°C].
    """

    forecast: Any
    normals: Any
    place: Any
    borer_present: bool | None = None
    crops: Mapping[str, Commodity] = field(default_factory=dict)
    climate: Any = None
    rates: Mapping[str, RateBelief] = field(default_factory=dict)
    cover_in_rain: bool = True
    grain_limits_c: Mapping[str, float] = field(default_factory=dict)
    store_offset_c: float = 0.0

    @property
    def stored_in(self) -> Any:
        """Return the weather of stored grain: normals, or days of past years."""
        return self.normals if self.climate is None else self.climate

    def rate_of(self, method: str) -> RateBelief:
        """Return what is believed of the group's rate with a way of drying."""
        return self.rates.get(method) or prior_belief(float(drying_method(method)["rate_sd"]))


def setup_of(way: DryingChoice, case: PlanningCase, data: Surroundings, kept_cool: str) -> DryingSetup:
    """Return how a group dries on a space: `kept_cool` is the crop, or "seed", whose heat limit holds."""
    always_open = bool(drying_method(way.method)["always_open"])
    return DryingSetup(
        way.method,
        max(way.area_m2, 1.0),
        way.load_kg_m2 or None,
        altitude_m=case.climate.altitude_m,
        time_zone=case.climate.time_zone,
        cover_in_rain=data.cover_in_rain,
        grain_temperature_limit_c=None if always_open else data.grain_limits_c.get(kept_cool),
    )


def kept_cool_as(lot: CaseLot) -> str:
    """Return whose heat limit holds for a lot: seed has its own."""
    return "seed" if lot.use == "seed" else lot.commodity


@dataclass(frozen=True)
class _Scene:
    """One seed's weather, climates and pests; `made` remembers what was worked out for several lots."""

    case: PlanningCase
    seed: int
    data: Surroundings
    midnight: datetime
    climates: list[pd.DataFrame]
    pests: Any
    made: dict[tuple[Any, ...], Any] = field(default_factory=dict)

    def once(self, key: tuple[Any, ...], make: Callable[[], Made]) -> Made:
        """Return what is remembered under a key, made where it is not there yet."""
        if key not in self.made:
            self.made[key] = make()
        found: Made = self.made[key]
        return found

    def crop(self, code: str) -> str | Commodity:
        """Return a crop by its code, or the group's own crop."""
        return self.data.crops.get(code, code)

    @property
    def weather_of(self) -> np.ndarray:
        """Return which weather each scenario has, (scenarios,)."""
        return np.arange(self.case.scenarios) % WEATHERS


def runs_key(case: PlanningCase, seed: int, data: Surroundings) -> str:
    """Return what stands for everything that runs of drying, storing and standing grain depend on.

    Of a case that is the time, the place, the drying spaces and the moistures dried to: prices, buyers, wishes, money
    and lots change no run (what a run takes of a lot is in the name under which its scene remembers it).
    """
    of_case = (case.start, case.days_gone, case.weeks, case.climate, case.drying, case.target_pct, case.target_choices)
    return hashlib.sha256(pickle.dumps((of_case, _weeks_in_field(case), seed, data))).hexdigest()


def group_seasons(
    case: PlanningCase, seed: int, data: Surroundings, made: dict[tuple[Any, ...], Any] | None = None
) -> Seasons:
    """Return the possible seasons of a group for one seed.

    Parameters
    ----------
    made : dict, optional
        Runs of seasons of the same `runs_key`, empty at first: what is worked out for these is added to them.
    """
    from core.storage.simulate import draw_pests
    from core.weather.scenarios import climate_scenarios

    moisture_draw, offers = common_draws(case, seed)
    climates = climate_scenarios(data.stored_in, case.start, (case.weeks + 2) * 7 + 1, CLIMATES, seed, data.place)
    scene = _Scene(
        case,
        seed,
        data,
        begin_of(case.start, case.climate.time_zone),
        climates,
        draw_pests(CLIMATES, seed, data.borer_present),
        {} if made is None else made,
    )
    return Seasons(
        prices=group_prices(case, seed),
        moisture_draw=moisture_draw,
        offer_draw=offers,
        dry=partial(_dry, scene),
        keep=partial(_keep, scene),
        stand=partial(_stand, scene),
    )


def _weather(scene: _Scene, start_week: int) -> tuple[pd.DataFrame, ...]:
    """Return hourly weather scenarios from the first day of a plan week that is not over."""
    start = scene.midnight + timedelta(days=first_day_of_week(scene.case, start_week))
    return scene.once(("weather", start_week), lambda: weather_ahead(scene.data, start, scene.seed).frames)


def _drying_runs(
    scene: _Scene, commodity: str, kept_cool: str, start_week: int, lowest: float
) -> tuple[np.ndarray, list[Any]]:
    """Return start moistures (points,) and the runs (setups x points), each until the lowest target is met.

    One simulation for all lots and targets of a crop (its seed apart, which is kept cooler); each weather has its own
    rate, as far as the group's rate is in doubt.
    """
    from core.drying.run import simulate_lots

    case, targets = scene.case, scene.case.targets(commodity)
    starts = min(targets) + np.array([*POINTS_ABOVE, POINTS_ABOVE[-1] + max(targets) - min(targets) + 0.5])
    setups = [setup_of(way, case, scene.data, kept_cool) for way in case.drying]
    rates = [scene.data.rate_of(way.method).sample(WEATHERS, scene.seed) for way in case.drying]
    size = len(setups) * len(starts)
    runs = simulate_lots(
        [scene.crop(commodity)] * size,
        [float(value) for _ in setups for value in starts],
        _weather(scene, start_week),
        [setup for setup in setups for _ in starts],
        [lowest] * size,
        rate_factors=np.repeat(np.reshape(rates, (-1, WEATHERS)), len(starts), axis=0),
        only_until_dry=True,
    )
    return starts, runs


def _days_by_moisture(scene: _Scene, lot: CaseLot, target: float, start_week: int) -> tuple[np.ndarray, np.ndarray]:
    """Return start moistures (points,) and days to the target (setups, points, weathers)."""
    key = (lot.commodity, kept_cool_as(lot), start_week, min(target, *scene.case.targets(lot.commodity)))
    starts, runs = scene.once(("drying", *key), lambda: _drying_runs(scene, *key))

    def days() -> np.ndarray:
        return np.array([_days_to(run, target) for run in runs]).reshape(len(scene.case.drying), len(starts), -1)

    return starts, scene.once(("days", *key, target), days)


def _dry(
    scene: _Scene, lot: CaseLot, choice: DryingChoice, start_week: int, start_moisture: np.ndarray, target: float
) -> Dried:
    """Return a lot's drying on one of the case's spaces, as `Seasons.dry`."""
    from core.storage.loss import dry_matter_loss

    starts, table = _days_by_moisture(scene, lot, target, start_week)
    middle, which = float(np.mean(start_moisture)), scene.weather_of
    rows = table[list(scene.case.drying).index(choice)]
    at = np.clip(np.searchsorted(starts, start_moisture) - 1, 0, len(starts) - 2)
    part = np.clip((start_moisture - starts[at]) / (starts[at + 1] - starts[at]), 0.0, 1.5)
    days = np.maximum(1.0, rows[at, which] * (1 - part) + rows[at + 1, which] * part)
    planned = booked(np.where(days < NOT_DRY_DAYS * 0.9, days, np.inf))
    waited = 7.0 * max(0, start_week - lot.available_week)
    warm = float(np.mean([frame["temperature_c"].mean() for frame in _weather(scene, start_week)[:4]]))
    try:
        crop = scene.crop(lot.commodity)
        loss = float(dry_matter_loss(crop, waited + 0.01, warm, middle)) + float(
            dry_matter_loss(crop, float(min(np.mean(days), 30.0)), warm + 5.0, (middle + target) / 2)
        )
    except DryholdError:
        loss = 0.1
    return Dried(planned, days, np.full(scene.case.scenarios, loss) * days / float(np.mean(days)))


def _stored(
    scene: _Scene,
    commodity: str,
    moistures: tuple[float, ...],
    method: str,
    first_week: int,
    sieve: tuple[float | None, float, int] | None,
) -> tuple[np.ndarray, ...]:
    """Return moisture, dry-matter loss, insect loss, damaged kernels, unfit and so on by week.

    Each (weeks, moistures x climates); then refusals and living share.
    """
    from core.storage.advice import refusal_chances, unfit_for_food
    from core.storage.simulate import simulate_storage

    length = scene.case.weeks - first_week
    frames = [frame.iloc[7 * first_week :] for frame in scene.climates]
    days = min(7 * length, len(frames[0]) - 1)
    insects, sieved, grown = (None, 1.0, 0) if sieve is None else sieve
    run = simulate_storage(
        scene.crop(commodity),
        np.array(moistures),
        method,
        frames,
        max(days, 7),
        insects,
        draw=scene.pests,
        every=7,
        sieved_kg=sieved,
        insects_grown_days=grown,
        store_offset_c=scene.data.store_offset_c,
    )
    loss = run.dry_matter_loss_pct
    left = np.clip((1 - run.weight_loss_pct / 100) / np.maximum(1 - loss / 100, 1e-6), 0.0, 1.0)
    # a lot that mould, souring or poison has made unfit is no food: nothing of it counts as income
    unfit = np.where(unfit_for_food(run), 1.0, run.mould_risk)
    chances = refusal_chances(run)
    passed = np.ones_like(unfit)
    for ground in ("damaged kernels", "live insects", "odour", "foreign matter"):
        passed = passed * (1.0 - chances[ground])
    alive = np.clip(run.germination_pct / FRESH_GERMINATION_PCT, 0.0, 1.0)
    parts = (run.moisture_pct, loss, 100.0 * (1 - left), run.damaged_kernels_pct, unfit, 1.0 - passed, alive)
    return tuple(np.ascontiguousarray(part).reshape(len(part), -1) for part in parts)


def _keep(
    scene: _Scene, lot: CaseLot, start_moisture: np.ndarray, storage: StorageChoice, first_week: int, length: int
) -> Kept:
    """Return a lot in store, as `Seasons.keep`, between runs at moistures about its target."""
    case, share = scene.case, np.arange(scene.case.scenarios) % CLIMATES
    seed_wanted = any(reserve.use == "seed" for reserve in case.reserves)
    grid = case.target(lot.commodity) + GRID_POINTS
    # the climate of the neighbouring even week stands in for an odd one
    begun, moistures, sieve = first_week - first_week % 2, tuple(grid.tolist()), _sieve_of(lot)
    at = np.clip(np.searchsorted(grid, start_moisture, side="right") - 1, 0, len(grid) - 2)
    weight = np.clip((start_moisture - grid[at]) / (grid[at + 1] - grid[at]), 0.0, 1.0)
    runs = scene.once(
        ("stored", lot.commodity, moistures, storage.method, begun, sieve),
        lambda: _stored(scene, lot.commodity, moistures, storage.method, begun, sieve),
    )
    lower, upper, parts = at * CLIMATES + share, (at + 1) * CLIMATES + share, []
    for part in runs if seed_wanted else runs[:-1]:
        flat = part[: length + 1] if len(part) > length else part[np.minimum(np.arange(length + 1), len(part) - 1)]
        below = flat.take(lower, axis=1)
        parts.append(below + (flat.take(upper, axis=1) - below) * weight)
    moisture, loss, insects, damaged, unfit, refused = parts[:6]
    return Kept(
        moisture_pct=moisture,
        dry_matter_loss_pct=loss,
        insect_loss_pct=insects,
        damaged_pct=damaged,
        unfit_share=np.clip(unfit, 0.0, 1.0),
        refusal_chance=np.clip(refused, 0.0, 1.0),
        alive_share=parts[6] if seed_wanted else 1.0,
    )


def _field_weather(scene: _Scene) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return daily mean temperature, humidity and rain from today on, (days, weathers), as far as any lot may stand."""
    from core.weather.scenarios import extend_scenarios

    data, last = scene.data, _weeks_in_field(scene.case)
    # the same scenarios as for drying: they begin with the forecast
    frames = extend_scenarios(
        data.forecast, data.normals, data.place, scene.midnight, 7 * last + 1, WEATHERS, scene.seed
    )
    days = [frame.groupby(np.arange(len(frame)) // 24) for frame in frames]
    warm = np.column_stack([day["temperature_c"].mean().to_numpy() for day in days])
    damp = np.column_stack([day["relative_humidity_pct"].mean().to_numpy() for day in days])
    rain = np.column_stack([day["rain_mm"].sum().to_numpy() for day in days])
    return warm, damp, rain


def _weeks_in_field(case: PlanningCase) -> int:
    """Return the last week in which any lot may stand."""
    return max((max(lot.harvest_weeks) for lot in case.lots if lot.standing), default=0)


def _field_paths(scene: _Scene, commodity: str, moistures: tuple[float, ...], from_week: int) -> np.ndarray:
    """Return the moisture of standing grain by day since `from_week`, (days, moistures, weathers)."""
    from core.drying.field import field_moisture

    weather = scene.once(("field",), lambda: _field_weather(scene))
    warm, damp, rain = (part[7 * from_week :] for part in weather)
    paths = [field_moisture(scene.crop(commodity), value, warm, damp, rain) for value in moistures]
    return np.stack(paths, axis=1)


def _stand(scene: _Scene, lot: CaseLot, harvest_week: int, start_moisture: np.ndarray) -> Stood:
    """Return a standing lot at its harvest, as `Seasons.stand`."""
    from core.drying.field import field_loss

    days, which = 7 * max(0, harvest_week - lot.moisture_week), scene.weather_of
    grid = np.linspace(float(start_moisture.min()) - 0.1, float(start_moisture.max()) + 0.1, 6)
    moistures = tuple(np.round(grid, 4).tolist())
    paths = scene.once(
        ("paths", lot.commodity, moistures, lot.moisture_week),
        lambda: _field_paths(scene, lot.commodity, moistures, lot.moisture_week),
    )[days]
    at = np.searchsorted(grid, start_moisture) - 1
    weight = (start_moisture - grid[at]) / (grid[at + 1] - grid[at])
    harvested = paths[at, which] * (1 - weight) + paths[at + 1, which] * weight
    # what the field takes before the first day on which it can be harvested at all is nobody's choice: the harvest
    # is stated without it
    waited = 7 * max(0, harvest_week - lot.available_week)
    rain = scene.once(("field",), lambda: _field_weather(scene))[2][7 * lot.available_week :]
    return Stood(harvested, field_loss(waited, rain)[which])


def _days_to(run: Any, target: float) -> np.ndarray:
    """Return calendar days of a drying run until the layer's mean is at a target, (weathers,).

    The first day counts 1.
    """
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


def group_prices(case: PlanningCase, seed: int) -> dict[str, np.ndarray]:
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
