"""From wet lots, spaces and weather to the schedule's plain numbers.

Drying days by day of spreading, and what waiting costs.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from core.drying.run import simulate_lots
from core.drying.setups import DryingSetup
from core.errors import InputError
from core.grain.commodities import Commodity, get_commodity
from core.grain.mass import dry_basis
from core.grain.sorption import humidity, isotherm_parameters
from core.planning.floor import FloorLot, FloorProblem, FloorSpace
from core.storage.loss import ageing_rate, loss_in_store
from core.storage.mould import mould_dose_rate, mould_share

FloatArray = NDArray[np.float64]

LOSS_LIMIT_PCT = 0.5
"""Dry-matter loss that is held to cost one grade, % (Saul and Steele 1966)."""

FOLLOWED_DAYS = 10
"""A batch that is not dry after so many days on a space counts as not drying there."""

SHADE_RISE_C = 2.0
"""Heaped wet grain is warmer than the air by about this, °C (judgement: respiration and a sun-warmed roof)."""


@dataclass(frozen=True)
class WetLot:
    """A lot that is to be dried.

    Parameters
    ----------
    name : str
        What it is called.
    crop : str or Commodity
        Crop.
    bags : int
        Bags.
    bag_mass_kg : float
        Mass of a wet bag, kg.
    moisture_pct, target_pct : float
        Moisture now and aimed at, % wet basis.
    price_per_kg : float
        What a kg is worth once dry, money.
    """

    name: str
    crop: str | Commodity
    bags: int
    bag_mass_kg: float
    moisture_pct: float
    target_pct: float
    price_per_kg: float


@dataclass(frozen=True)
class DryingPlace:
    """A space, and how grain dries on it.

    Parameters
    ----------
    space : FloorSpace
        Area, load and labour.
    setup : DryingSetup
        Method and hours; its area and load are those of the space.
    rate_factors : array (scenarios,), optional
        What the group's own rate is against the table in each scenario (`drying_learning.RateBelief.sample`).
    """

    space: FloorSpace
    setup: DryingSetup
    rate_factors: FloatArray | None = None


@dataclass(frozen=True)
class FloorTerms:
    """What labour and spoiling are worth.

    Parameters
    ----------
    labour_hours : float
        Hours of labour a day.
    wage_per_hour : float
        Money per hour; it is counted for every hour used.
    batch_hours : float
        Hours of work for each batch kept apart.
    value_lost_at_limit : float
        Share of its value that a lot loses by 0.5 % dry-matter loss while it is wet.
    value_lost_not_dried : float
        Least share of its value that a lot loses which finds no place in the plan: it is sold late, or wet.
    least_chance_dry : float
        A batch keeps its space for so many days that it is dry in at least this share of the scenarios.
    damaged_pct : float
        Mechanically damaged kernels, % by mass.
    """

    labour_hours: float = 16.0
    wage_per_hour: float = 0.0
    batch_hours: float = 0.0
    value_lost_at_limit: float = 0.3
    value_lost_not_dried: float = 0.1
    damaged_pct: float = 5.0
    least_chance_dry: float = 0.8


def floor_problem(
    lots: Sequence[WetLot],
    places: Sequence[DryingPlace],
    weather: Sequence[pd.DataFrame],
    days: int,
    time_zone: str,
    terms: FloorTerms | None = None,
    progress: Callable[[float], None] | None = None,
) -> FloorProblem:
    """Return the schedule's problem for lots, places and weather scenarios.

    Parameters
    ----------
    lots, places : sequences
        What is to be dried, and where.
    weather : sequence of DataFrame
        Hourly scenarios on one index (as for `core.drying.run`); they should reach some days beyond the plan.
    days : int
        Days on which a batch may lie on a space, the first day that of the first hour.
    time_zone : str
        Zone in which days begin at midnight.
    terms : FloorTerms, optional
        Labour and worth.
    progress : callable, optional
        Told the share that is done, 0-1.

    Raises
    ------
    InputError
        If there is nothing to dry, or the weather is shorter than the plan.
    """
    terms = terms or FloorTerms()
    if not lots or not places:
        raise InputError("a schedule needs at least one wet lot and one space")
    starts = _midnights(weather[0].index, days, time_zone)
    needed = _drying_days(lots, places, weather, starts, progress)
    spaces = tuple(_with_wage(place.space, terms) for place in places)
    made = []
    for index, lot in enumerate(lots):
        usual = np.array([np.median(needed[index, where]) for where in range(len(places))])
        owed = [
            space.cost_per_bag + space.cost_per_bag_day * min(usual[where], days) for where, space in enumerate(spaces)
        ]
        waiting, late = _waiting(lot, weather, days, time_zone, terms, float(np.min(owed)))
        handling = 2 * float(np.mean([space.hours_per_bag for space in spaces])) * terms.wage_per_hour
        made.append(
            FloorLot(
                lot.name,
                lot.bags,
                lot.bag_mass_kg,
                {place.space.name: needed[index, where] for where, place in enumerate(places)},
                waiting,
                late + handling / 2,
            )
        )
    return FloorProblem(
        tuple(made),
        spaces,
        days,
        np.full(days, terms.labour_hours),
        terms.batch_hours * terms.wage_per_hour,
        terms.least_chance_dry,
    )


def value_lost_wet(
    commodity: str | Commodity,
    temperature_c: ArrayLike,
    moisture_pct: float,
    value_lost_at_limit: float,
    damaged_pct: float = 5.0,
) -> FloatArray:
    """Return the share of its value that wet grain has lost after each day.

    Parameters
    ----------
    commodity : str or Commodity
        Crop.
    temperature_c : array_like, shape (days, ...)
        Mean grain temperature of each day, °C.
    moisture_pct : float
        Moisture, % wet basis.
    value_lost_at_limit : float
        Share lost by 0.5 % dry-matter loss; other losses in proportion.
    damaged_pct : float
        Mechanically damaged kernels, % by mass.

    Returns
    -------
    ndarray, shape (days + 1, ...)
        0 at the start, never falling, at most 1.

    Notes
    -----
    Dry-matter loss by the published relation (`core.storage.loss`), and the share of bags with visible mould
    (`core.storage.mould`), which are worth nothing: mouldy grain is not sold, eaten or fed.
    """
    warmth = np.asarray(temperature_c, dtype=float)
    chosen = isotherm_parameters(commodity)
    activity = humidity(chosen, warmth, np.broadcast_to(dry_basis(moisture_pct), warmth.shape))
    age = np.cumsum(ageing_rate(commodity, warmth, moisture_pct, damaged_pct), axis=0)
    loss = loss_in_store(commodity, age)
    graded = np.minimum(value_lost_at_limit * loss / LOSS_LIMIT_PCT + loss / 100, 1.0)
    mouldy = mould_share(np.cumsum(mould_dose_rate(warmth, activity), axis=0))
    return np.concatenate([np.zeros((1, *warmth.shape[1:])), 1 - (1 - graded) * (1 - mouldy)])


def _midnights(index: pd.Index, days: int, time_zone: str) -> list[pd.Timestamp]:
    """Return the beginning of each day of the plan; the first is the weather's own beginning."""
    hours = pd.DatetimeIndex(index)
    first = hours[0] - pd.Timedelta(hours=1)
    local = first.tz_convert(ZoneInfo(time_zone)).normalize()
    starts = [first, *[(local + pd.DateOffset(days=day)).tz_convert("UTC") for day in range(1, days)]]
    if starts[-1] + pd.Timedelta(hours=24) > hours[-1]:
        raise InputError("the weather ends before the {days} days of the plan", days=days)
    return starts


def _drying_days(
    lots: Sequence[WetLot],
    places: Sequence[DryingPlace],
    weather: Sequence[pd.DataFrame],
    starts: Sequence[pd.Timestamp],
    progress: Callable[[float], None] | None,
) -> FloatArray:
    """Return whole days to dry, shape (lots, places, days, scenarios); like lots on like places are computed once."""
    keys: dict[tuple[object, ...], int] = {}
    which = np.empty((len(lots), len(places)), dtype=int)
    crops, moistures, setups, targets, factors = [], [], [], [], []
    for row, lot in enumerate(lots):
        crop = get_commodity(lot.crop)
        for column, place in enumerate(places):
            setup = replace(place.setup, area_m2=10.0, load_kg_m2=place.space.load_kg_m2)
            own = np.ones(len(weather)) if place.rate_factors is None else np.asarray(place.rate_factors)
            key = (crop.code, round(lot.moisture_pct, 1), round(lot.target_pct, 1), setup, own.tobytes())
            if key not in keys:
                keys[key] = len(keys)
                crops.append(lot.crop)
                moistures.append(round(lot.moisture_pct, 1))
                setups.append(setup)
                targets.append(round(lot.target_pct, 1))
                factors.append(own)
            which[row, column] = keys[key]
    result = np.empty((len(keys), len(starts), len(weather)))
    for group in (slice(0, 1), slice(1, None)):
        # Days that begin at midnight run together as scenarios of one calendar: moved by whole days, no hour changes.
        pieces = [piece for start in starts[group] for piece in _pieces(weather, start)]
        if not pieces:
            continue
        shortest = min(len(piece) for piece in pieces)
        index = pieces[0].index[:shortest]
        aligned = [piece.iloc[:shortest].set_axis(index) for piece in pieces]
        rates = np.tile(np.stack(factors), (1, len(pieces) // len(weather)))
        for at, run in enumerate(simulate_lots(crops, moistures, aligned, setups, targets, None, rates)):
            result[at, group] = np.maximum(run.days_to_target, 1.0).reshape(-1, len(weather))
        if progress is not None:
            progress(1.0 if group.start else 0.3)
    return result[which]


def _pieces(weather: Sequence[pd.DataFrame], start: pd.Timestamp) -> list[pd.DataFrame]:
    """Return each scenario's hours from a start, as far as a batch is followed."""
    end = start + pd.Timedelta(days=FOLLOWED_DAYS)
    return [frame[(frame.index > start) & (frame.index <= end)] for frame in weather]


def _waiting(
    lot: WetLot, weather: Sequence[pd.DataFrame], days: int, time_zone: str, terms: FloorTerms, owed: float
) -> tuple[FloatArray, float]:
    """Return the expected money lost per bag by waiting, shape (days + 1,), and per day by being late half dry.

    A bag that is not spread within the plan goes on spoiling to the end of the weather, and its drying is still owed.
    """
    zone = ZoneInfo(time_zone)
    by_day = [
        frame["temperature_c"].groupby(pd.DatetimeIndex(frame.index).tz_convert(zone).date).mean().to_numpy()
        for frame in weather
    ]
    warmth = np.stack(by_day, axis=1) + SHADE_RISE_C
    dry_bag = lot.bag_mass_kg * (100 - lot.moisture_pct) / (100 - lot.target_pct)
    worth = dry_bag * lot.price_per_kg
    share = value_lost_wet(lot.crop, warmth, lot.moisture_pct, terms.value_lost_at_limit, terms.damaged_pct).mean(
        axis=1
    )
    never = max(float(share[-1]), terms.value_lost_not_dried)
    waiting = np.maximum.accumulate(np.concatenate([worth * share[:days], [worth * never + owed]]))
    half = (lot.moisture_pct + lot.target_pct) / 2
    one_week = np.full((7, 1), warmth.mean())
    late = (
        worth * float(value_lost_wet(lot.crop, one_week, half, terms.value_lost_at_limit, terms.damaged_pct)[-1, 0]) / 7
    )
    return waiting, late


def _with_wage(space: FloorSpace, terms: FloorTerms) -> FloorSpace:
    """Return the space with its labour counted as money."""
    return replace(
        space,
        cost_per_bag=space.cost_per_bag + 2 * space.hours_per_bag * terms.wage_per_hour,
        cost_per_bag_day=space.cost_per_bag_day + space.hours_per_bag_day * terms.wage_per_hour,
    )
