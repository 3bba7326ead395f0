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
from core.grain.commodities import Commodity, get_commodity
from core.grain.mass import dry_basis, wet_basis
from core.grain.sorption import humidity, isotherm_parameters
from core.messages import Message
from core.storage.day import BASE_RATES, Rates, day_rates, growth_allowed, place_air, rates_from_table, run_place
from core.storage.insects import Pest, damaged_kernels_pct, eaten_pct, food_limited, get_pest, pests_of, population
from core.storage.loss import check_grain, dry_matter_loss, loss_in_store, relation_of, safe_storage_days
from core.storage.methods import Method, Position, get_method, places
from core.storage.mould import mould_share
from core.storage.run import PestDraw, StorageRun, climate_arrays, draw_pests, lot_of, start_numbers, without_axes

__all__ = [
    "PestDraw",
    "StorageRun",
    "draw_pests",
    "dry_matter_loss",
    "lot_of",
    "safe_storage_days",
    "simulate_storage",
    "start_numbers",
]

Array = NDArray[Any]
EXACT_UP_TO = 20_000  # lots x scenarios x days x places beyond which rates are read from a table
WORST_SHARE = 0.05  # a place smaller than this does not speak for the lot (single leaking bags are found by testing)
FRESH_PROBIT = 2.054  # 98 % germination at bagging


def _notes(crop: Commodity, method: Method, start_pct: Array, borer_present: bool | None) -> tuple[Message, ...]:
    notes = []
    if relation_of(crop) == "equal humidity":
        notes.append(
            Message(
                "{crop} has no dry-matter-loss relation of its own: maize at the same equilibrium humidity stands in.",
                {"crop": crop.name},
            )
        )
    if crop.code == "maize" and borer_present is None:
        notes.append(Message("It is not known whether the larger grain borer is about; that changes the loss most."))
    if method.seal_below_pct is not None:
        chosen = isotherm_parameters(crop)
        wet = humidity(chosen, np.asarray(27.0), dry_basis(start_pct)) > 0.70
        if np.any(wet):
            notes.append(
                Message(
                    "Too wet to seal: it would sour, lose its germination, and mould within days of being opened. "
                    "Dry it first."
                )
            )
    if method.waiting_days:
        notes.append(
            Message(
                "Treated grain: not eaten or sold as food before {days} days, and never before the label's own time.",
                {"days": method.waiting_days},
            )
        )
    return tuple(notes)


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
    commodity : str or Commodity
    moisture_pct : array_like
        At bagging, % w.b.: one lot, an array of lots, or (lots, scenarios) where it differs by scenario.
    method : str or Method
        woven_bag, woven_bag_protectant, hermetic_bag, metal_silo, crib or warehouse.
    climate : DataFrame or sequence of them
        By day from the day of bagging: temperature_c, relative_humidity_pct outside; several are scenarios.
    days : int
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
    seed : int
    every : int
        Days between rows of the result.
    exact : bool, optional
        Rates from their formulas (True) or from a table of small cells (False); None decides by size.

    Returns
    -------
    StorageRun

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
    lots = np.atleast_1d(np.asarray(moisture_pct, dtype=float))
    scenarios = temperature.shape[1]
    if lots.ndim > 2 or (lots.ndim == 2 and lots.shape[1] != scenarios):
        raise InputError("moisture must be of lots, or of lots x scenarios ({count})", count=scenarios)
    pests_drawn = draw or draw_pests(scenarios, seed, borer_present)
    run = _Run(
        crop, how, lots, temperature, relative, damaged_pct, resistance, every, exact, stored_days, insects_grown_days
    )
    run_result = run.go(insects_per_kg, sieved_kg, pests_drawn, leak_share, _notes(crop, how, lots, borer_present))
    lots_given = np.ndim(moisture_pct) > 0
    scenarios_given = not isinstance(climate, pd.DataFrame)
    return without_axes(run_result, lots_given, scenarios_given)


@dataclass(frozen=True)
class _Run:
    """One crop, one method: the places are stepped one after another and weighed by their shares."""

    crop: Commodity
    how: Method
    lots: Array
    temperature: Array
    relative: Array
    damaged_pct: float
    resistance: float
    every: int
    exact: bool | None
    stored_days: int
    open_days: int

    def go(
        self,
        insects_per_kg: ArrayLike | None,
        sieved_kg: float,
        draw: PestDraw,
        leak_share: float | None,
        notes: tuple[Message, ...],
    ) -> StorageRun:
        pests = pests_of(self.crop)
        if self.crop.code == "maize" and draw.borer.any():
            pests = (*pests, get_pest("larger_grain_borer"))
        leaking = leak_share
        if leaking is None:
            more = self.how.leak_share_borer - self.how.leak_share
            leaking = self.how.leak_share + more * float(draw.borer.mean())
        all_places = places(self.how, leaking)
        days, scenarios = self.temperature.shape
        cells = len(self.lots) * scenarios * days * len(all_places)
        exact = cells <= EXACT_UP_TO if self.exact is None else self.exact
        dtype = np.float64 if exact else np.float32
        shape = (days // self.every + 1, len(self.lots), scenarios)
        by_lot = self.lots if self.lots.ndim == 2 else self.lots[:, None]
        start = np.broadcast_to(dry_basis(by_lot), shape[1:])
        bagged = [
            start_numbers(pest, self.how, draw, len(self.lots), insects_per_kg, sieved_kg).astype(dtype)
            for pest in pests
        ]
        grown_days = self.stored_days if insects_per_kg is None else 0
        total = {name: np.zeros(shape, dtype) for name in ("m", "loss", "dml", "mould", "dam", "ins", "germ", "sour")}
        wettest = np.zeros(shape, dtype)
        toxin = np.zeros(shape, dtype)
        damp = np.zeros(shape, dtype)
        damp_loss = np.zeros(shape, dtype)
        by_place = np.empty((shape[0], len(all_places), *shape[1:]), dtype)
        tables: dict[bool, Any] = {}
        for index, place in enumerate(all_places):
            closed = self.how.sealed and not place.open_to_insects
            if closed not in tables:
                make = day_rates if exact else rates_from_table
                tables[closed] = make(self.crop, pests, closed, self.damaged_pct)
            air = place_air(self.crop, self.how, place, self.temperature, self.relative)
            factor = growth_allowed(self.how, place, pests, days, self.stored_days) * self.resistance
            before = self._growth_before(air.grain_temperature_c, place, tables[closed], pests, start, grown_days)
            numbers = [population(p, n, b).astype(dtype) for p, n, b in zip(pests, bagged, before, strict=True)]
            eaten_before = [eaten_pct(p, n, b) for p, n, b in zip(pests, bagged, before, strict=True)]
            moisture, respired, eaten_all, sums = run_place(
                air,
                place,
                tables[closed],
                factor,
                start,
                self.every,
                lambda age: loss_in_store(self.crop, age),
                partial(_eaten_by_pest, pests, numbers),
                self.how.insect_water_share,
                dtype,
            )
            base = len(BASE_RATES)
            eaten = [eaten_all[:, k] for k in range(len(pests))]
            insects = food_limited(sum(eaten[1:], eaten[0]))
            wet = wet_basis(moisture)
            by_place[:, index] = wet
            total["m"] += place.share * wet
            total["dml"] += place.share * respired
            total["loss"] += place.share * (100.0 - (100.0 - insects) * (100.0 - respired) / 100.0)
            total["mould"] += place.share * mould_share(sums[:, 1])
            damage_sum = sum(
                (now + earlier) * pest.damage_factor
                for now, earlier, pest in zip(eaten, eaten_before, pests, strict=True)
            )
            total["dam"] += place.share * damaged_kernels_pct(damage_sum, 1.0)
            living = [
                population(pest, number, sums[:, base + k])
                for k, (pest, number) in enumerate(zip(pests, numbers, strict=True))
            ]
            total["ins"] += place.share * sum(living[1:], living[0]) * self._alive(closed, shape[0])
            total["germ"] += place.share * _germination(sums[:, 3])
            total["sour"] += place.share * mould_share(sums[:, 4])
            rows = np.minimum(np.arange(shape[0]) * self.every, days - 1)
            here = humidity(isotherm_parameters(self.crop), air.grain_temperature_c[rows][:, None, :], moisture)
            if place.share >= WORST_SHARE:
                wettest = np.maximum(wettest, wet)
                toxin = np.maximum(toxin, sums[:, 2])
                damp_loss = np.maximum(damp_loss, loss_in_store(self.crop, sums[:, 5]))
                damp = np.maximum(damp, 100.0 * here)
        return StorageRun(
            commodity=self.crop.code,
            method=self.how.code,
            day=np.arange(shape[0]) * self.every,
            moisture_pct=total["m"],
            wettest_moisture_pct=wettest,
            weight_loss_pct=total["loss"],
            dry_matter_loss_pct=total["dml"],
            damp_loss_pct=damp_loss,
            mould_risk=total["mould"],
            toxin_hours=toxin,
            damaged_kernels_pct=total["dam"],
            insects_per_kg=total["ins"],
            germination_pct=total["germ"],
            soured_share=total["sour"],
            equilibrium_humidity_pct=damp,
            places=tuple(place.name for place in all_places),
            place_shares=tuple(place.share for place in all_places),
            place_moisture_pct=by_place,
            notes=notes,
        )

    def _growth_before(
        self, grain_c: Array, place: Position, rates: Rates, pests: tuple[Pest, ...], start: Array, grown_days: int
    ) -> list[Array]:
        """Return the summed growth of each pest (lots, scenarios) from bagging to today, at the first weeks' rates."""
        if grown_days + self.open_days == 0:
            return [np.zeros_like(start) for _ in pests]
        rate = rates(grain_c[:14].mean(axis=0), start)[..., len(BASE_RATES) :]
        allowed = growth_allowed(self.how, place, pests, grown_days).sum(axis=0) + self.open_days
        return [np.asarray(rate[..., k] * allowed[k] * self.resistance) for k in range(len(pests))]

    def _alive(self, closed: bool, rows: int) -> Array:
        """Return the share of insects still alive by row: in a sealed place they die out over the oxygen's days."""
        if not closed:
            return np.ones((rows, 1, 1))
        time = np.arange(rows) * self.every + self.stored_days
        return np.exp(-np.maximum(time - 7.0, 0.0) / self.how.sealed_oxygen_days)[:, None, None]


def _eaten_by_pest(pests: tuple[Pest, ...], numbers: list[Array], sums: Array) -> Array:
    """Return what each pest has eaten, % (pests, lots, scenarios), of sums (lots, scenarios, rates)."""
    base = len(BASE_RATES)
    return np.stack([eaten_pct(p, n, sums[..., base + k]) for k, (p, n) in enumerate(zip(pests, numbers, strict=True))])


def _germination(probits_lost: Array) -> Array:
    """Return germination, %, of seed at 98 % that has lost some probits (normal distribution of seed lives)."""
    from scipy.special import ndtr

    return np.asarray(100.0 * ndtr(FRESH_PROBIT - probits_lost))
