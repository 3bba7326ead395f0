"""Records of a group as the programme counts them, and the three ways to count: a share, a mean, a ratio of sums."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from core.errors import DryholdError
from core.grain.commodities import Commodity, get_commodity
from core.group.limits import standard_limit
from core.group.lot_state import meter_settings
from core.group.own_crops import own_crops
from core.group.possessions import Possessions, possessions
from core.group.reading_moisture import MeterSettings, moisture_of_readings
from core.group.records import Event, Group, Lot, Member
from core.group.selling import FARM_GATE, crop_prices
from core.group.store import Store
from core.planning.rolling import KeptPlan


@dataclass(frozen=True)
class Records:
    """All of a group's records that the indicators need; readings, sales and prices as tables, books as entries."""

    group: Group
    members: Sequence[Member]
    lots: Sequence[Lot]
    readings: pd.DataFrame
    sales: pd.DataFrame
    prices: pd.DataFrame
    meter_book: Sequence[Event] = ()
    lot_book: Sequence[Event] = ()
    plans: Sequence[KeptPlan] = ()
    facts: Mapping[str, Any] = field(default_factory=dict)
    today: date | None = None
    has: Possessions | None = None
    meter: MeterSettings = field(default_factory=MeterSettings)
    own_crops: Mapping[str, Commodity] = field(default_factory=dict)


@dataclass(frozen=True)
class Indicator:
    """One group's value: `value` = numerator / denominator (None where the denominator is 0), `variance` of the value.

    `values` are the single observations and `owners` the members whose lots they are (None: not one person's), both in
    the same order; of a ratio of sums `values` are the numerators and `weights` the denominators (blank: each counts
    1). `missing` counts what could not be used.
    """

    key: str
    value: float | None
    numerator: float
    denominator: float
    variance: float | None
    missing: int
    values: tuple[float, ...] = field(default=(), repr=False)
    owners: tuple[int | None, ...] = field(default=(), repr=False)
    weights: tuple[float, ...] = field(default=(), repr=False)
    count: int = 0


def records_of(store: Store, group_id: int, today: date | None = None) -> Records:
    """Return a group's records from the database; `today` bounds what is written off of the meter."""
    from core.planning.rolling import kept_plans

    try:
        plans = kept_plans(store, group_id)
    except (DryholdError, KeyError, TypeError, ValueError):
        plans = []
    facts = store.facts(group_id)
    return Records(
        store.group(group_id),
        store.members(group_id),
        store.lots(group_id),
        store.readings(group_id),
        store.sales(group_id),
        store.price_quotes(group_id),
        store.events(group_id, "meter"),
        store.events(group_id, "lot_actions"),
        plans,
        {key: fact.value for key, fact in facts.items()},
        today,
        possessions(store, group_id),
        meter_settings(store, group_id, facts),
        own_crops(store, group_id),
    )


def limit_of(commodity: str, standard: str = "codex") -> float | None:
    """Return the standard's limit of a crop, % wet basis; None where nothing is known of it."""
    try:
        limit = standard_limit(commodity, standard)
    except DryholdError:
        return None
    return None if limit is None else limit.moisture_pct


def reading_moisture(records: Records, readings: pd.DataFrame, commodity: str) -> pd.Series:
    """Return each reading's moisture as the group's own pages have it, % w.b.; the meter's for an unknown crop."""
    try:
        crop = records.own_crops.get(commodity) or get_commodity(commodity)
    except DryholdError:
        return readings["meter_moisture_pct"].astype(float)
    return moisture_of_readings(crop, readings, records.meter)["moisture_pct"]


MonthlyPrices = Mapping[tuple[str, int, int], float]


def reference_prices(prices: pd.DataFrame, market: str = "") -> MonthlyPrices:
    """Return each crop's price at its reference market, money per kg, by crop, year and month.

    The months are those that the group's plan starts from (`crop_prices`: one market and one kind of price); none where
    only the farm gate is known, for a group's own price is held against them.

    Parameters
    ----------
    market : str
        Where the group sells, "" where it has not said so.
    """
    if prices.empty:
        return {}
    found: dict[tuple[str, int, int], float] = {}
    for crop, quotes in prices.groupby("commodity"):
        known = crop_prices(quotes, market=market)
        if known is None or known.market.price_type == FARM_GATE:
            continue
        months: list[Any] = list(known.months.index)
        for month, price in zip(months, known.months, strict=True):
            if np.isfinite(price):
                found[(str(crop), month.year, month.month)] = float(price)
    return found


def lot_mass(lot: Lot, bags: int | None = None) -> float | None:
    """Return the mass of a lot, or of some of its bags, kg; None where no bag mass is known."""
    bag = lot.known_bag_kg
    return None if bag is None else bag * (lot.bags if bags is None else bags)


Owned = Sequence[tuple[float | bool | None, int | None]]


def _split(items: Owned) -> tuple[tuple[float, ...], tuple[int | None, ...]]:
    known = [(float(value), owner) for value, owner in items if value is not None and np.isfinite(float(value))]
    return tuple(value for value, _owner in known), tuple(owner for _value, owner in known)


def share(key: str, items: Owned) -> Indicator:
    """Return a proportion; each item is (true, false or None for not known, owner of the lot).

    Variance by the Agresti-Coull centre, so that 0 of n and n of n keep one above 0
    (A. Agresti and B. A. Coull, The American Statistician 52 (1998) 119-126).
    """
    values, owners = _split(items)
    top, below = sum(values), float(len(values))
    centre = (top + 2) / (below + 4)
    return Indicator(
        key,
        top / below if below else None,
        top,
        below,
        centre * (1 - centre) / (below + 4) if below else None,
        len(items) - len(values),
        values,
        owners,
        count=len(values),
    )


def share_by_lot(key: str, items: Sequence[tuple[bool | None, int | None, int]]) -> Indicator:
    """Return a share of readings with the lots as clusters; each item is (true, false or None, owner, lot).

    Readings of one lot are taken in one go and are alike, so that the spread between lots tells how sure the share is:
    variance by linearisation over lots (see `ratio`), never below that of as many lots counted once
    (Agresti and Coull, see `share`). `count` is the number of lots.
    """
    plain = share(key, [(value, owner) for value, owner, _lot in items])
    sums: dict[int, list[float]] = {}
    for value, _owner, lot in items:
        if value is not None:
            pair = sums.setdefault(lot, [0.0, 0.0])
            pair[0] += float(value)
            pair[1] += 1
    between = ratio(key, [(top, below) for top, below in sums.values()])
    lots = len(sums)
    if plain.value is None or not lots:
        return replace(plain, count=lots)
    centre = (plain.value * lots + 2) / (lots + 4)
    least = centre * (1 - centre) / (plain.denominator + 4)
    return replace(plain, variance=max(between.variance or 0.0, least) if lots >= 2 else None, count=lots)


def mean(key: str, items: Owned) -> Indicator:
    """Return a mean with the variance of a mean, s2 / n; each item is (value or None, owner of the lot)."""
    values, owners = _split(items)
    array = np.array(values)
    variance = float(array.var(ddof=1) / array.size) if array.size >= 2 else None
    return Indicator(
        key,
        float(array.mean()) if array.size else None,
        float(array.sum()),
        float(array.size),
        variance,
        len(items) - array.size,
        values,
        owners,
        count=array.size,
    )


def ratio(key: str, pairs: Sequence[tuple[float, float] | None], owners: Sequence[int | None] = ()) -> Indicator:
    """Return a ratio of sums over lots; each pair is (numerator, denominator), None where it is not known.

    Variance by linearisation, ``sum (y - R x)^2 / (n (n - 1) xbar^2)``: W. G. Cochran, Sampling Techniques (1977),
    chapter 6, without the correction for a finite population.
    """
    kept = [at for at, pair in enumerate(pairs) if pair is not None and np.all(np.isfinite(pair))]
    known = [pair for at in kept if (pair := pairs[at]) is not None]
    top, below = (float(sum(pair[at] for pair in known)) for at in (0, 1))
    value = top / below if below > 0 else None
    variance = None
    if value is not None and len(known) >= 2:
        y, x = np.array(known).T
        variance = float(np.sum((y - value * x) ** 2) / (len(known) * (len(known) - 1) * x.mean() ** 2))
    people = tuple(owners[at] for at in kept) if owners else ()
    tops, belows = (tuple(pair[at] for pair in known) if owners else () for at in (0, 1))
    return Indicator(key, value, top, below, variance, len(pairs) - len(known), tops, people, belows, len(known))
