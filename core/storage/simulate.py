"""Storage of grain: how its moisture, its mould and its losses run on, by method, through a year of weather."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from core.errors import InputError
from core.given import takes_numbers
from core.grain.commodities import Commodity, get_commodity
from core.grain.mass import dry_basis, wet_basis
from core.messages import Message
from core.storage.day import BASE_RATES, Rates, day_rates, growth_allowed, place_air, rates_from_table, run_place
from core.storage.insects import (
    Pest,
    damaged_kernels_pct,
    eaten_pct,
    food_limited,
    pests_of,
    pests_where_present,
    population,
)
from core.storage.loss import EQUAL_HUMIDITY, check_grain, loss_in_store
from core.storage.methods import Method, Position, get_method, places
from core.storage.mould import mould_share
from core.storage.results import StorageRun, lot_of, without_axes
from core.storage.safety import chance_above, greatest_risk, sealing_limit, waiting_days
from core.storage.scenarios import PestDraw, climate_arrays, draw_pests, start_numbers

__all__ = ["PestDraw", "StorageRun", "draw_pests", "lot_of", "simulate_storage"]

Array = NDArray[Any]
EXACT_UP_TO = 20_000  # lots x scenarios x days x places beyond which rates are read from a table
WORST_SHARE = 0.05  # a place smaller than this does not speak for the lot (single leaking bags are found by testing)
FRESH_PROBIT = 2.054  # 98 % germination at bagging


def _notes(crop: Commodity, method: Method, start_pct: Array, borer_present: bool | None) -> tuple[Message, ...]:
    notes = []
    if crop.spoilage.relation == EQUAL_HUMIDITY:
        notes.append(
            Message(
                "{crop} has no dry-matter-loss relation of its own: that of maize at the same humidity between grains "
                "is used.",
                {"crop": crop.name},
            )
        )
    if borer_present is None:
        notes += [
            Message(
                "It is not known whether this place has the {pest}; that changes the loss most.",
                {"pest": Message(pest.name)},
            )
            for pest in pests_where_present(crop)
        ]
    seal = sealing_limit(crop, method)
    if seal is not None and any(chance_above(lot, seal) > greatest_risk(crop, method) for lot in start_pct):
        notes.append(
            Message(
                "Too wet to seal: it would sour, lose its germination, and mould within days of being opened. "
                "Dry it first."
            )
        )
    if method.treated:
        notes.append(
            Message(
                "Do not eat or sell treated grain before {days} days are over, and never before the label's own time.",
                {"days": waiting_days(method)},
            )
        )
    return tuple(notes)


@takes_numbers(
    alone=("moisture_pct",),
    finite=("insects_per_kg", "damaged_pct", "sieved_kg", "resistance", "leak_share", "store_offset_c"),
    whole=("days", "stored_days", "insects_grown_days", "seed", "every"),
)
def simulate_storage(
    commodity: str | Commodity,
    moisture_pct: ArrayLike,
    method: str | Method,
    climate: pd.DataFrame | Sequence[pd.DataFrame],
    days: int,
    insects_per_kg: ArrayLike | None = None,
    borer_present: bool | None = None,
    *,
    damaged_pct: float = 5.0,
    sieved_kg: float = 1.0,
    resistance: float = 1.0,
    leak_share: float | None = None,
    stored_days: int = 0,
    insects_grown_days: int = 0,
    store_offset_c: float = 0.0,
    draw: PestDraw | None = None,
    seed: int = 0,
    every: int = 1,
    exact: bool | None = None,
) -> StorageRun:
    """Return what becomes of one crop's lots in one store, by day.

    Parameters
    ----------
    moisture_pct : array_like
        At bagging, % w.b.: one lot, an array of lots, or (lots, scenarios) where it differs by scenario.
    method : str or Method
        woven_bag, woven_bag_protectant, hermetic_bag, metal_silo, crib or warehouse.
    climate : DataFrame or sequence of them
        By day from the day of bagging: temperature_c, relative_humidity_pct outside; several are scenarios.
    insects_per_kg : array_like, optional
        Live adults per kg sieved at bagging, one or per lot; None where nobody sieved.
    borer_present : bool, optional
        Larger grain borer about or not (maize only); None where unknown.
    damaged_pct : float
        Mechanically damaged kernels (5 = hand-shelled).
    sieved_kg : float
        Mass that was sieved.
    resistance : float
        Factor on insects' growth: 0.75 for tight-husked local maize (judgement), 1 otherwise.
    leak_share : float, optional
        Share of sealed bags that leak; None takes the table's.
    stored_days : int
        Days that the lot has been in this store already: insects that nobody has counted have grown since, oxygen
        is used up, a protectant has aged. Moisture, losses and mould are counted from today.
    insects_grown_days : int
        Days that insects grew in open air before today: since the count, or since harvest in another store.
    store_offset_c : float
        How much warmer the store is than its kind usually is, degC.
    draw : PestDraw, optional
        The scenarios' insects; None draws them from `seed`.
    every : int
        Days between rows of the result.
    exact : bool, optional
        Rates from their formulas (True) or from a table of small cells (False); None decides by size.

    Raises
    ------
    InputError, OutOfRangeError, NotFoundError
    """
    crop = get_commodity(commodity)
    how = get_method(method)
    if store_offset_c:
        how = replace(how, roof_offset_c=how.roof_offset_c + store_offset_c)
    if days < 1 or every < 1 or min(stored_days, insects_grown_days) < 0:
        raise InputError("days in store must be 1 or more, not {value}", value=days)
    check_grain(20.0, moisture_pct, damaged_pct)
    temperature, relative = climate_arrays(climate, days)
    scenarios = temperature.shape[1]
    by_lot = _by_lot(moisture_pct, scenarios)
    pests_drawn = draw or draw_pests(scenarios, seed, borer_present)
    start = np.broadcast_to(dry_basis(by_lot), (len(by_lot), scenarios))
    leaking = _leaking_share(how, pests_drawn) if leak_share is None else leak_share
    cells = start.size * days * len(places(how, leaking))
    store = _Store(
        crop=crop,
        how=how,
        pests=_pests_about(crop, pests_drawn),
        places=places(how, leaking),
        temperature=temperature,
        relative=relative,
        start=start,
        damaged_pct=damaged_pct,
        resistance=resistance,
        every=every,
        exact=cells <= EXACT_UP_TO if exact is None else exact,
        stored_days=stored_days,
        open_days=insects_grown_days,
        grown_days=stored_days if insects_per_kg is None else 0,
    )
    bagged: list[Array] = [
        start_numbers(pest, how, pests_drawn, len(by_lot), insects_per_kg, sieved_kg).astype(store.dtype)
        for pest in store.pests
    ]
    by_place = [_place_outcome(store, place, bagged) for place in store.places]
    run = _weighed(store, by_place, _notes(crop, how, by_lot, borer_present))
    return without_axes(run, np.ndim(moisture_pct) > 0, not isinstance(climate, pd.DataFrame))


def _by_lot(moisture_pct: ArrayLike, scenarios: int) -> Array:
    """Return moistures as (lots, 1), or (lots, scenarios) where they differ by scenario."""
    lots = np.atleast_1d(np.asarray(moisture_pct, dtype=float))
    if lots.ndim > 2 or (lots.ndim == 2 and lots.shape[1] != scenarios):
        raise InputError("moisture must be of lots, or of lots x scenarios ({count})", count=scenarios)
    return lots if lots.ndim == 2 else lots[:, None]


@dataclass(frozen=True)
class _Store:
    """One crop in one store: what all of its places share. Arrays are (days, scenarios); `start` (lots, scenarios)."""

    crop: Commodity
    how: Method
    pests: tuple[Pest, ...]
    places: tuple[Position, ...]
    temperature: Array
    relative: Array
    start: Array
    damaged_pct: float
    resistance: float
    every: int
    exact: bool
    stored_days: int
    open_days: int
    grown_days: int

    @property
    def dtype(self) -> type:
        """Single precision for large runs, which read rates from a table."""
        return np.float64 if self.exact else np.float32

    @property
    def rows(self) -> Array:
        """Days since bagging of each row of the result."""
        return np.arange(len(self.temperature) // self.every + 1) * self.every

    def closed(self, place: Position) -> bool:
        """Return whether a place is shut off from the air."""
        return self.how.sealed and not place.open_to_insects

    def rates(self, place: Position) -> Rates:
        """Return the function that gives all rates of a day there."""
        make = day_rates if self.exact else rates_from_table
        return make(self.crop, self.pests, self.closed(place), self.damaged_pct)


@dataclass(frozen=True)
class _Outcome:
    """What becomes of the grain at one place; arrays (rows, lots, scenarios) with the meanings of `StorageRun`."""

    moisture_pct: Array
    weight_loss_pct: Array
    dry_matter_loss_pct: Array
    damp_loss_pct: Array
    mould_risk: Array
    toxin_hours: Array
    damaged_kernels_pct: Array
    insects_per_kg: Array
    germination_pct: Array
    soured_share: Array


def _pests_about(crop: Commodity, draw: PestDraw) -> tuple[Pest, ...]:
    """Return the crop's pests, with those that only some places have where any scenario has them."""
    return (*pests_of(crop), *(pests_where_present(crop) if draw.borer.any() else ()))


def _leaking_share(how: Method, draw: PestDraw) -> float:
    """Return the share of sealed bags that leak, by how often borers are about."""
    return how.leak_share + (how.leak_share_borer - how.leak_share) * float(draw.borer.mean())


def _place_outcome(store: _Store, place: Position, bagged: list[Array]) -> _Outcome:
    """Step one place through its days and read what people ask for off the sums."""
    days = len(store.temperature)
    rates = store.rates(place)
    air = place_air(store.crop, store.how, place, store.temperature, store.relative)
    factor = growth_allowed(store.how, place, store.pests, days, store.stored_days) * store.resistance
    before = _growth_before(store, place, rates, air.grain_temperature_c)
    numbers: list[Array] = [
        population(p, n, b).astype(store.dtype) for p, n, b in zip(store.pests, bagged, before, strict=True)
    ]
    eaten_before = [eaten_pct(p, n, b) for p, n, b in zip(store.pests, bagged, before, strict=True)]
    moisture, respired, eaten, sums = run_place(
        air,
        place,
        rates,
        factor,
        store.start,
        store.every,
        partial(loss_in_store, store.crop),
        partial(_eaten_by_pest, store.pests, numbers),
        store.how.insect_water_share,
        store.dtype,
    )
    by = dict(zip(BASE_RATES, np.moveaxis(sums, 1, 0), strict=False))
    insects_ate = food_limited(eaten.sum(axis=1))
    damage = sum((eaten[:, k] + eaten_before[k]) * pest.damage_factor for k, pest in enumerate(store.pests))
    living = sum(population(pest, numbers[k], sums[:, len(BASE_RATES) + k]) for k, pest in enumerate(store.pests))
    return _Outcome(
        moisture_pct=wet_basis(moisture),
        weight_loss_pct=100.0 - (100.0 - insects_ate) * (100.0 - respired) / 100.0,
        dry_matter_loss_pct=respired,
        damp_loss_pct=loss_in_store(store.crop, by["damp ageing"]),
        mould_risk=mould_share(by["mould"]),
        toxin_hours=by["toxin"],
        damaged_kernels_pct=damaged_kernels_pct(damage, 1.0),
        insects_per_kg=living * _alive(store, place),
        germination_pct=_germination(by["germination"]),
        soured_share=mould_share(by["fermentation"]),
    )


def _weighed(store: _Store, by_place: list[_Outcome], notes: tuple[Message, ...]) -> StorageRun:
    """Return the store's run: places weighed by their shares, and the worst place that is large enough to speak."""
    shares = [place.share for place in store.places]
    speaking = [outcome for outcome, share in zip(by_place, shares, strict=True) if share >= WORST_SHARE]

    def mean(name: str) -> Array:
        total: Array = np.zeros(by_place[0].moisture_pct.shape, store.dtype)
        for outcome, share in zip(by_place, shares, strict=True):
            total += share * getattr(outcome, name)
        return total

    def worst(name: str) -> Array:
        return np.maximum.reduce([getattr(outcome, name) for outcome in speaking]).astype(store.dtype)

    return StorageRun(
        commodity=store.crop.code,
        method=store.how.code,
        day=store.rows,
        moisture_pct=mean("moisture_pct"),
        weight_loss_pct=mean("weight_loss_pct"),
        dry_matter_loss_pct=mean("dry_matter_loss_pct"),
        damp_loss_pct=worst("damp_loss_pct"),
        mould_risk=mean("mould_risk"),
        toxin_hours=worst("toxin_hours"),
        damaged_kernels_pct=mean("damaged_kernels_pct"),
        insects_per_kg=mean("insects_per_kg"),
        germination_pct=mean("germination_pct"),
        soured_share=mean("soured_share"),
        places=tuple(place.name for place in store.places),
        notes=notes,
    )


def _growth_before(store: _Store, place: Position, rates: Rates, grain_c: Array) -> list[Array]:
    """Return the summed growth of each pest (lots, scenarios) from bagging to today, at the first weeks' rates."""
    if store.grown_days + store.open_days == 0:
        return [np.zeros_like(store.start) for _ in store.pests]
    rate = rates(grain_c[:14].mean(axis=0), store.start)[..., len(BASE_RATES) :]
    allowed = growth_allowed(store.how, place, store.pests, store.grown_days).sum(axis=0) + store.open_days
    return [np.asarray(rate[..., k] * allowed[k] * store.resistance) for k in range(len(store.pests))]


def _alive(store: _Store, place: Position) -> Array:
    """Return the share of insects still alive by row: in a sealed place they die out over the oxygen's days."""
    if not store.closed(place):
        return np.ones((len(store.rows), 1, 1))
    time = store.rows + store.stored_days
    return np.exp(-np.maximum(time - 7.0, 0.0) / store.how.sealed_oxygen_days)[:, None, None]


def _eaten_by_pest(pests: tuple[Pest, ...], numbers: list[Array], sums: Array) -> Array:
    """Return what each pest has eaten, % (pests, lots, scenarios), of sums (lots, scenarios, rates)."""
    base = len(BASE_RATES)
    return np.stack([eaten_pct(p, n, sums[..., base + k]) for k, (p, n) in enumerate(zip(pests, numbers, strict=True))])


def _germination(probits_lost: Array) -> Array:
    """Return germination, %, of seed at 98 % that has lost some probits (normal distribution of seed lives)."""
    from scipy.special import ndtr

    return np.asarray(100.0 * ndtr(FRESH_PROBIT - probits_lost))
