"""Roll the whole planner through past seasons of open prices, and settle what it did beside simple rules.

For each harvest a group is written into a store: lots with tests, prices up to the day, needs of cash, what it has.
Then month by month: it plans from the records (`--plan quick`: the case of the records by the batch's quicker plan;
`full`: `core.advice.situation` as the pages show it, several times dearer), this month's part of the plan is done and
recorded (sales, drying, storing, the plan kept), a month passes, new tests and a new price are entered, and it plans
again. Plan, simple rules and perfect foresight are then settled by one plain reckoning, `settle`: it knows
nothing of the planner's own values.

What is real: the prices (the group's market and, unless `--alone`, the crop's others in the country). What is made
(seeded): the group, its grain, its weather (the usual weather of the place with a year's departure that the planner
does not know, day by day), how fast its floor dries, and how bad its insects are.

Run: ``python -m tests.benchmarks.past_seasons [--groups 24] [--plan quick] [--out folder] [--seed 1]``; the folder of
open data from DRYHOLD_OPEN_DATA. With `--out` a report with pictures is written there, and harvests settled before are
not run again.
"""

from __future__ import annotations

import argparse
import json
import os
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from core.advice import situation
from core.drying.run import DryingSetup, simulate_lots
from core.errors import PlanError, WeatherError
from core.group.database import open_store
from core.group.lot_sales import Dried, record_dried, record_sale
from core.group.lot_state import LotState, current_lot_states
from core.group.records import Group, Lot, Member, PriceQuote, Reading, Sale
from core.group.selling import GATE, MARKET
from core.group.towns import get_town, towns
from core.market.hindcast import price_course
from core.market.prices import mend_slips
from core.market.season import fit_season
from core.planning.case_from_records import build_case
from core.planning.group_seasons import group_seasons
from core.planning.outlook import build_outlook
from core.planning.rolling import keep_plan
from core.planning.sale_plan import SalePlan
from core.planning.wishes import write_wishes
from core.programme.batch import LAST_STOP_SECONDS, batch_plan, coarse
from core.weather.normals import Normals
from core.weather.place import Place
from core.weather.reference import reference_altitude_m, reference_normals
from core.weather.scenarios import climate_scenarios, extend_scenarios

MONTHS = 9
"""Months after harvest by which all is sold, as the product's own setting has it."""
HISTORY = 60
"""Months of prices before a market's first harvest here."""
CROPS = {"maize": "maize", "rice": "paddy", "sorghum": "sorghum", "millet": "pearl_millet", "wheat": "wheat"}
PRICE_AT_HARVEST = 0.30
"""US dollars a kg to which the mean of each market's last twelve known months is set, so that the costs, which are in
US dollars, weigh everywhere as they do on maize; basis: judgement."""
COUNTRIES = {
    "CIV": ("CI", "Bouake"),
    "CPV": ("CV", "Praia"),
    "ETH": ("ET", "Addis Ababa"),
    "GIN": ("GN", "Kankan"),
    "HND": ("HN", "Tegucigalpa"),
    "LBR": ("LR", "Monrovia"),
    "MRT": ("MR", "Nouakchott"),
    "NPL": ("NP", "Kathmandu"),
    "SDN": ("SD", "El Obeid"),
    "SLE": ("SL", "Bo"),
    "SLV": ("SV", "San Salvador"),
    "TGO": ("TG", "Kara"),
}
"""Countries whose farmers grow the cereal and whose usual weather the program knows, with a town for markets that are
not in its list. Left out: Haiti and Egypt (no reference town near); Djibouti, Gabon, Congo, Angola and Lesotho (what
their series name is bought from abroad, or one market only)."""
FACTS = {
    "interest_monthly": 0.02,
    "plan.emergency_interest_monthly": 0.10,
    "plan.gate_factor": 0.88,
    "plan.market_fee": 0.02,
    "plan.market_km": 15.0,
    "plan.discount_per_point": 0.02,
    "plan.handling_loss": 0.005,
    "plan.scenarios": 100,
    "plan.market_day": "monday",
    "damaged_price_cut_per_point": 0.03,
    "truck.capacity_kg": 5000.0,
    "truck.trip_cost": 10.0,
    "truck.km_cost": 0.6,
    "truck.loading_cost_bag": 0.15,
}
"""What the group enters; the product's own usual values but for the interest, which is that of `price_bars`."""
NEED_MONTHS, NEED_SHARE = (1, 3, 5), 0.08
"""Months after harvest in which cash is needed, and each need as a share of the harvest's worth; basis: judgement."""


# ---- the plain settlement: money of one group's harvest, written apart from core.planning ----


@dataclass(frozen=True)
class Tariff:
    """What everything costs, US dollars; moisture in % wet basis, rates as fractions."""

    base_pct: float
    gate_factor: float = 0.88
    gate_refuses_pct: float = 25.0
    market_refuses_points: float = 3.5
    refused_factor: float = 0.7
    per_point: float = 0.02
    per_damaged_pct: float = 0.03
    market_fee: float = 0.02
    trip: float = 10.0 + 2 * 15.0 * 0.6
    truck_kg: float = 5000.0
    loading_bag: float = 0.15
    drying_kg: float = 0.002
    handling_loss: float = 0.005
    hermetic_bag: float = 2.4 / 3
    protectant_bag: float = 0.6
    interest: float = 0.02
    emergency: float = 0.10


@dataclass(frozen=True)
class Heap:
    """A lot as harvested: bags, kg of one, moisture [% w.b.]."""

    bags: int
    bag_kg: float
    moisture_pct: float


@dataclass(frozen=True)
class Season:
    """What came in one group's year, month 0 = harvest: prices, grain, needs, drying, and how insects thrived.

    `prices` (months,) US dollars a kg; `insects` (months,) the month's part of what they do in a usual month, open
    bags; `severity` the year's factor on their loss; `dried` (lots,) moisture to which a month on the floor brings each
    lot at the driest; `needs` (month, money).
    """

    prices: tuple[float, ...]
    heaps: tuple[Heap, ...]
    needs: tuple[tuple[int, float], ...]
    tariff: Tariff
    insects: tuple[float, ...]
    severity: float
    dried: tuple[float, ...]


@dataclass(frozen=True)
class Step:
    """One month of some bags: dried to a moisture (None: not), then kept in ("" = a heap) unless sold in it."""

    dry_to: float | None = None
    kept_in: str = ""


@dataclass(frozen=True)
class Part:
    """Some bags of a lot that go one way; sold in the month of the last step."""

    lot: int
    bags: int
    steps: tuple[Step, ...]
    buyer: str = MARKET

    @property
    def month(self) -> int:
        """Month after harvest in which it is sold."""
        return len(self.steps) - 1


@dataclass(frozen=True)
class Bag:
    """One bag as it stands: kg, moisture, insects' exposure so far [usual months], share eaten, spoilt share."""

    kg: float
    moisture_pct: float
    exposure: float = 0.0
    eaten: float = 0.0
    spoilt: float = 0.0


OPEN_LOSS = 0.103 / 7**2
"""Dry matter eaten in untreated woven bags by (usual months)^2: 10.3 % in seven months, northern Benin (Baributsa 2020,
Insects 11:541); that it grows with the square of time is judgement (insects multiply)."""
EXPOSURE = {"woven_bag": 1.0, "woven_bag_protectant": (6.3 / 10.3) ** 0.5, "hermetic_bag": 0.0, "": 1.0}
"""A month's exposure to insects by store: treated bags lost 6.3 % in the same trial."""
SEALED_LOSS = 0.0015
"""Fraction of dry matter a month in sealed bags, no kernels damaged: middle of the published 0-2 % in six months."""
DAMAGED_FOR_LOSS = 4.0
"""Damaged kernels [%] for each 1 % of dry matter that insects ate; from memory."""
DAMP_POINTS, SPOILT_MONTH = 1.0, 0.5
"""Points above the buyers' base at which grain spoils within the month, and the share of its worth that it then loses;
basis: judgement."""


def one_month(season: Season, bag: Bag, lot: int, step: Step, month: int, sold: bool) -> tuple[Bag, float]:
    """Return a bag after a month's step, and what was paid for it [US dollars]; a bag that is sold is not kept."""
    terms, cost = season.tariff, 0.0
    if step.dry_to is not None:
        to = min(bag.moisture_pct, max(step.dry_to, season.dried[lot]))
        cost += terms.drying_kg * bag.kg
        kg = bag.kg * (100 - bag.moisture_pct) / (100 - to) * (1 - terms.handling_loss)
        bag = replace(bag, kg=kg, moisture_pct=to)
    if sold:
        return bag, cost
    if bag.moisture_pct > terms.base_pct + DAMP_POINTS:
        bag = replace(bag, spoilt=1 - (1 - bag.spoilt) * (1 - SPOILT_MONTH))
    exposure = bag.exposure + season.insects[month] * EXPOSURE[step.kept_in]
    eaten = min(0.99, season.severity * OPEN_LOSS * exposure**2)
    kg = bag.kg * (1 - eaten) / (1 - bag.eaten) * (1 - SEALED_LOSS * (step.kept_in == "hermetic_bag"))
    return replace(bag, kg=kg, exposure=exposure, eaten=eaten), cost


def paid_kg(season: Season, bag: Bag, month: int, buyer: str) -> float:
    """Return what a buyer pays for a kg of a bag in a month, before fee and transport [US dollars]."""
    terms, market = season.tariff, season.prices[month]
    points = max(0.0, bag.moisture_pct - terms.base_pct)
    damaged = min(100.0, 100 * bag.eaten * DAMAGED_FOR_LOSS)
    full = market * (terms.gate_factor if buyer == GATE else 1.0)
    price = full * (1 - min(1.0, terms.per_point * points)) * (1 - terms.per_damaged_pct) ** damaged
    limit = terms.gate_refuses_pct if buyer == GATE else terms.base_pct + terms.market_refuses_points
    if bag.moisture_pct > limit:
        price = min(price, terms.refused_factor * market)
    return price * (1 - bag.spoilt)


def followed(season: Season, part: Part) -> tuple[Bag, list[float]]:
    """Return one bag of a part on the day of its sale, and what it cost by month [US dollars]."""
    heap = season.heaps[part.lot]
    bag, costs, before = Bag(heap.bag_kg, heap.moisture_pct), [], ""
    for month, step in enumerate(part.steps):
        sold = month == part.month
        bag, cost = one_month(season, bag, part.lot, step, month, sold)
        if not sold and step.kept_in != before:
            cost += {
                "hermetic_bag": season.tariff.hermetic_bag,
                "woven_bag_protectant": season.tariff.protectant_bag,
            }.get(step.kept_in, 0.0)
            before = step.kept_in
        costs.append(cost)
    return bag, costs


@dataclass(frozen=True)
class Outcome:
    """What a year brought [US dollars], and in how many needs of cash it failed.

    `value` is at harvest, `interest` what borrowing in need cost of it, `short` the money that needs lacked.
    """

    value: float
    interest: float
    missed: int
    short: float
    mean_month: float


def settle(season: Season, parts: Sequence[Part]) -> Outcome:
    """Return what bags that went given ways brought, month by month, at the real prices of later.

    Money that a need lacks is borrowed at the emergency interest until sales repay it. All flows but the needs
    themselves are brought to the harvest at the one interest.

    Raises
    ------
    ValueError
        Where not every bag of every lot is sold once.
    """
    terms = season.tariff
    for lot, heap in enumerate(season.heaps):
        if sum(part.bags for part in parts if part.lot == lot) != heap.bags:
            raise ValueError(f"lot {lot} has {heap.bags} bags: not all of them are sold once")
    flows, market_kg = [0.0] * (MONTHS + 1), [0.0] * (MONTHS + 1)
    for part in parts:
        bag, costs = followed(season, part)
        price = paid_kg(season, bag, part.month, part.buyer)
        for _each in range(part.bags):
            for month, cost in enumerate(costs):
                flows[month] -= cost
            flows[part.month] += bag.kg * price
            if part.buyer == MARKET:
                flows[part.month] -= bag.kg * price * terms.market_fee + terms.loading_bag
                market_kg[part.month] += bag.kg
    for month, kg in enumerate(market_kg):
        flows[month] -= int(np.ceil(kg / terms.truck_kg - 1e-9)) * terms.trip
    return _with_needs(season, flows, parts)


def _with_needs(season: Season, flows: Sequence[float], parts: Sequence[Part]) -> Outcome:
    """Return the outcome of monthly flows of money, with what the needs of cash make of them."""
    terms, money, debt = season.tariff, 0.0, 0.0
    value = interest = short = 0.0
    missed, first = 0, min((month for month, _ in season.needs), default=MONTHS + 1)
    for month, flow in enumerate(flows):
        charged = debt * terms.emergency
        interest += charged
        value += (flow - charged) / (1 + terms.interest) ** month
        money += flow - charged
        for due, amount in season.needs:
            if due == month:
                lacking = min(amount, max(0.0, amount - money))
                missed += lacking > 0.005
                short += lacking
                money -= amount
        debt = max(0.0, -money) if month >= first else 0.0
    bags = sum(part.bags for part in parts)
    mean_month = sum(part.bags * part.month for part in parts) / bags
    return Outcome(value, interest, missed, short, mean_month)


# ---- simple rules, and perfect foresight ----


def kept(target_pct: float, months: int) -> tuple[Step, ...]:
    """Return the steps of grain that is dried at once and sold after some months: sealed bags where it waits."""
    first = Step(target_pct, "hermetic_bag" if months > 1 else "woven_bag")
    return (first, *(Step(None, first.kept_in) for _ in range(months)))


def better_buyer(season: Season, parts: Sequence[Part]) -> list[Part]:
    """Return parts that are sold in one month, to gate or market, whichever pays more for all of them that day."""

    def brings(buyer: str) -> float:
        total = kg = 0.0
        for part in parts:
            bag, _ = followed(season, part)
            kg += part.bags * bag.kg
            total += part.bags * bag.kg * paid_kg(season, bag, part.month, buyer)
        if buyer == GATE:
            return total
        terms = season.tariff
        trips = int(np.ceil(kg / terms.truck_kg - 1e-9))
        return total * (1 - terms.market_fee) - trips * terms.trip - terms.loading_bag * sum(p.bags for p in parts)

    best = max((GATE, MARKET), key=brings)
    return [replace(part, buyer=best) for part in parts]


def sold_in(season: Season, shares: Sequence[tuple[int, float]], target_pct: float) -> list[Part]:
    """Return all grain dried at once and sold in given months, in given shares of each lot (whole bags)."""
    parts: dict[int, list[Part]] = {month: [] for month, _ in shares}
    for lot, heap in enumerate(season.heaps):
        edges = np.round(np.cumsum([0.0, *(share for _, share in shares)]) * heap.bags).astype(int)
        for (month, _), bags in zip(shares, np.diff(edges), strict=True):
            if bags:
                parts[month].append(Part(lot, int(bags), kept(target_pct, month)))
    return [part for month in parts for part in better_buyer(season, parts[month])]


def sell_wet(season: Season, _target: float) -> list[Part]:
    """Sell everything wet on the day of harvest."""
    parts = [Part(lot, heap.bags, (Step(),)) for lot, heap in enumerate(season.heaps)]
    return better_buyer(season, parts)


def until_risen(season: Season, target: float) -> list[Part]:
    """Keep until the price is a fifth above that at harvest, nine months at most; knows no later price."""
    month = next((k for k in range(1, MONTHS) if season.prices[k] >= 1.2 * season.prices[0]), MONTHS)
    return sold_in(season, ((month, 1.0),), target)


Rule = Callable[[Season, float], list[Part]]
AT_HARVEST = "dry, sell at harvest"
RULES: dict[str, Rule] = {
    AT_HARVEST: lambda season, target: sold_in(season, ((0, 1.0),), target),
    "sell wet at harvest": sell_wet,
    "dry, sell after six months": lambda season, target: sold_in(season, ((6, 1.0),), target),
    "a third at harvest, rest after six": lambda season, target: sold_in(season, ((0, 1 / 3), (6, 2 / 3)), target),
    "thirds: harvest, three, six months": lambda season, target: sold_in(
        season, ((0, 1 / 3), (3, 1 / 3), (6, 1 / 3)), target
    ),
    "keep until 20 % above harvest": until_risen,
    "sell evenly each month": lambda season, target: sold_in(
        season, tuple((month, 1 / (MONTHS + 1)) for month in range(MONTHS + 1)), target
    ),
}
PLAN, FORESIGHT = "the plan", "perfect foresight"


def foresight(season: Season, target: float, known: Sequence[Sequence[Part]]) -> list[Part]:
    """Return the best way found with all later prices known: thirds of lots moved one by one while that pays.

    It begins with everything in the best single month and is never below any of the ways given.
    """
    starts = [sold_in(season, ((month, 1.0),), target) for month in range(MONTHS + 1)]
    best = max((*starts, *known), key=lambda parts: settle(season, parts).value)
    chunks = []
    for part in best:
        edges = np.round(np.linspace(0, part.bags, min(3, part.bags) + 1)).astype(int)
        chunks += [replace(part, bags=int(bags)) for bags in np.diff(edges)]
    ways = [
        ((Step(),), GATE),
        *((kept(target, month), buyer) for month in range(MONTHS + 1) for buyer in (GATE, MARKET)),
    ]
    value, moved = settle(season, chunks).value, True
    while moved:
        moved = False
        for place, chunk in enumerate(chunks):
            for steps, buyer in ways:
                other = [*chunks[:place], replace(chunk, steps=steps, buyer=buyer), *chunks[place + 1 :]]
                found = settle(season, other).value
                if found > value + 1e-9:
                    chunks, value, moved = other, found, True
    return chunks


# ---- markets, harvests and the truth of a group's year ----


@dataclass(frozen=True)
class Market:
    """One open price series: `raw` as published, `mended` on the whole series (for settling only).

    `others` are the same crop's prices in other markets of the country, of the same kind, by name, as published.
    """

    country: str
    name: str
    series: str
    crop: str
    raw: pd.Series
    mended: pd.Series
    others: tuple[tuple[str, pd.Series], ...] = ()

    @cached_property
    def harvests(self) -> list[pd.Period]:
        """Months of harvest: the lowest of the year as the prices known a year before have it."""
        found, start = [], self.mended.index[0] + HISTORY
        while start + MONTHS <= self.mended.index[-1]:
            known = self.mended[: start - 1]
            if len(known) < 0.75 * HISTORY:
                start = start + 1
                continue
            origin = start + (fit_season(known).trough_month - start.month) % 12
            start = origin + 7
            if origin + MONTHS <= self.mended.index[-1] and self._is_sound(origin):
                found.append(origin)
        return found

    def _is_sound(self, origin: pd.Period) -> bool:
        """Return whether the harvest's prices are there, and none of them is a slip or new money."""
        window = self.raw[origin : origin + MONTHS]
        same = np.isclose(window, self.mended.reindex(window.index), equal_nan=False)
        return bool(same.all()) and price_course(self.mended, origin, MONTHS) is not None


def load_markets(folder: Path, alone: bool = False) -> list[Market]:
    """Return the open series of cereals that farmers of the country grow (nothing called imported); `alone` without
    their other markets.
    """
    table = pd.concat([pd.read_csv(folder / name) for name in ("prices_dev.csv", "prices_dev2.csv")])
    table = table[table["crop"].isin(CROPS) & table["country"].isin(COUNTRIES)]
    table = table[~table["commodity"].str.contains("import", case=False)]
    table["value"] = table["price_per_kg"].fillna(table["price"])
    found, kinds = [], []
    for series, rows in table.groupby("series_id"):
        first = rows.iloc[0]
        raw = pd.Series(rows["value"].to_numpy(float), index=pd.PeriodIndex(rows["date"], freq="M")).sort_index()
        raw = raw[raw > 0].dropna()
        if len(raw) < HISTORY:
            continue
        mended = mend_slips(raw)[0].dropna().astype(float)
        found.append(Market(first["country"], first["market"], str(series), CROPS[first["crop"]], raw, mended))
        kinds.append((first["country"], first["commodity"], str(first["pricetype"])))
    if alone:
        return found
    near = [
        [(f"{other.name} {other.series}", other.raw) for other, its in zip(found, kinds, strict=True) if its == kind]
        for kind in kinds
    ]
    return [
        replace(one, others=tuple(pair for pair in pairs if not pair[1].equals(one.raw)))
        for one, pairs in zip(found, near, strict=True)
    ]


def inflating(markets: Sequence[Market]) -> set[str]:
    """Return the countries whose median series rose by more than 9 % a year, as `price_bars` parts them."""
    rises: dict[str, list[float]] = {}
    for one in markets:
        months = (one.mended.index[-1] - one.mended.index[0]).n
        rises.setdefault(one.country, []).append(12 * np.log(one.mended.iloc[-1] / one.mended.iloc[0]) / months)
    return {country for country, found in rises.items() if np.median(found) > 0.09}


def chosen(markets: Sequence[Market], count: int, seed: int) -> Iterator[tuple[Market, pd.Period]]:
    """Yield harvests, one of each country in turn, series and years drawn by the seed; none twice."""
    random = np.random.default_rng(seed)
    waiting = {country: [one for one in markets if one.country == country] for country in sorted(COUNTRIES)}
    order = {country: [ones[place] for place in random.permutation(len(ones))] for country, ones in waiting.items()}
    taken: set[tuple[str, pd.Period]] = set()
    made, turn = 0, 0
    while made < count and turn < 400:
        for ones in order.values():
            if not ones or made >= count:
                continue
            market = ones[turn % len(ones)]
            left = [origin for origin in market.harvests if (market.series, origin) not in taken]
            if left:
                origin = left[int(random.integers(len(left)))]
                taken.add((market.series, origin))
                made += 1
                yield market, origin
        turn += 1


def place_of(market: Market) -> Place:
    """Return where a market is: its town, else its country's."""
    country, town = COUNTRIES[market.country]
    known = towns().get(country, {})
    found = known.get(market.name) or (get_town(country, town) if town in known else next(iter(known.values())))
    altitude = max(0.0, reference_altitude_m(found.latitude, found.longitude))
    return Place(found.latitude, found.longitude, round(altitude), found.time_zone)


def planning_day(month: pd.Period) -> date:
    """Return the day of a month on which the group plans: the first Monday from the 12th on."""
    day = date(month.year, month.month, 12)
    return day + timedelta(days=-day.weekday() % 7)


@dataclass(frozen=True)
class Year:
    """A group's year: market, harvest, place, what came, and how its meter errs [points]."""

    market: Market
    origin: pd.Period
    place: Place
    season: Season
    target_pct: float
    scale: float
    meter_bias: float
    seed: int

    @property
    def dried_to(self) -> float:
        """True moisture of grain that is dried until the group's meter reads the target [% w.b.]."""
        return self.target_pct - self.meter_bias


def make_year(market: Market, origin: pd.Period, target_pct: float, seed: int) -> Year:
    """Return a group's year: real prices, everything else made by the seed."""
    random = np.random.default_rng([seed, origin.ordinal, int(market.series[1:])])
    place = place_of(market)
    scale = PRICE_AT_HARVEST / float(market.mended[:origin].iloc[-12:].mean())
    prices = price_course(market.mended, origin, MONTHS) * scale
    lots = int(random.integers(4, 6))
    heaps = tuple(
        Heap(int(random.integers(5, 10)), 90.0, round(float(np.clip(random.normal(20, 2), 16, 24)), 1))
        for _ in range(lots)
    )
    dry_kg = sum(heap.bags * heap.bag_kg * (100 - heap.moisture_pct) / (100 - target_pct) for heap in heaps)
    needs = tuple((month, round(NEED_SHARE * dry_kg * float(prices[0]), 2)) for month in NEED_MONTHS)
    weather, insects = _nature(place, origin, random)
    setup = DryingSetup("tarpaulin", 100.0, 15.0, altitude_m=place.altitude_m, time_zone=place.time_zone)
    rate = np.full((lots, 1), np.exp(random.normal(0, 0.27)))  # one place's rate against the table: setups.toml
    runs = simulate_lots(
        [market.crop] * lots,
        [heap.moisture_pct for heap in heaps],
        weather,
        [setup] * lots,
        [target_pct - 3] * lots,
        rate_factors=rate,
    )
    season = Season(
        tuple(float(price) for price in prices),
        heaps,
        needs,
        Tariff(round(target_pct + 0.5, 1)),
        insects,
        float(np.exp(random.normal(0, 0.5))),
        tuple(float(run.moisture_pct.min()) for run in runs),
    )
    bias = float(np.clip(random.normal(0, 0.5), -1.0, 1.0))  # a meter that errs by more is found out (judgement)
    return Year(market, origin, place, season, target_pct, scale, bias, seed)


def _nature(place: Place, origin: pd.Period, random: np.random.Generator) -> tuple[pd.DataFrame, tuple[float, ...]]:
    """Return hourly weather of the month of drying, and by month how insects thrive against 27 °C and 60 %.

    The year departs from the usual by a standard deviation of 0.8 °C, 4 points of humidity and a quarter of the rain
    (judgement, the size of seasonal means from year to year). No insect develops below 15 °C, nor in air drier than
    30 % (handbooks, from memory); between, in proportion (judgement).
    """
    usual = reference_normals(place)
    warm, damp, wet = random.normal(0, 0.8), random.normal(0, 4.0), np.exp(random.normal(0, 0.25))
    table = usual.table.copy()
    table["temperature_c"] += warm
    table["relative_humidity_pct"] = (table["relative_humidity_pct"] + damp).clip(12, 97)
    table["rain_mm"] *= wet
    truth, begin = Normals(table, source="a year's departure", status="entered"), planning_day(origin)
    start = datetime.combine(begin, datetime.min.time(), tzinfo=place.zone)
    own = int(random.integers(2**31))
    weather = extend_scenarios(None, truth, place, start, 26, 1, own)[0]
    days = climate_scenarios(truth, begin, 31 * (MONTHS + 1), 1, own + 1, place)[0]
    means = [days.iloc[31 * month : 31 * (month + 1)].mean() for month in range(MONTHS + 1)]
    warmth = [np.clip((mean["temperature_c"] - 15) / 12, 0, 1.2) for mean in means]
    damps = [np.clip((mean["relative_humidity_pct"] - 30) / 30, 0.1, 1.3) for mean in means]
    return weather, tuple(float(one * other) for one, other in zip(warmth, damps, strict=True))


# ---- the planner, rolled through the year: records -> plan -> what is done -> records ----


@dataclass(frozen=True)
class Parcel:
    """Bags of one lot that went the same way so far, and the number of their record."""

    record: int
    lot: int
    bags: int
    steps: tuple[Step, ...] = ()


@dataclass
class Diary:
    """What the group keeps while its year runs."""

    store: Any
    group: int
    year: Year
    random: np.random.Generator

    def at(self, month: int, days: int = 0) -> datetime:
        """Return an evening of a month's planning day, or some days later."""
        day = planning_day(self.year.origin + month) + timedelta(days=days)
        return datetime.combine(day, datetime.min.time(), tzinfo=UTC).replace(hour=18)

    def days_in(self, month: int) -> int:
        """Return the days from a month's planning day to the next."""
        return (planning_day(self.year.origin + month + 1) - planning_day(self.year.origin + month)).days


def begin(store: Any, year: Year) -> tuple[Diary, list[Parcel]]:
    """Write a group, its things, its past prices and its harvest into the store."""
    place, season = year.place, year.season
    name = f"{year.market.country} {year.market.series} {year.origin}"
    group = store.add_group(
        Group(
            name=name,
            latitude=place.latitude,
            longitude=place.longitude,
            altitude_m=place.altitude_m,
            time_zone=place.time_zone,
            currency="USD",
        )
    )
    diary = Diary(store, group, year, np.random.default_rng([year.seed, year.origin.ordinal, 7]))
    kg = sum(heap.bags * heap.bag_kg for heap in season.heaps)
    floor = [{"method": "tarpaulin", "access": "own", "area_m2": round(1.05 * kg / 15.0)}]
    facts = {**FACTS, "drying_spaces": floor, "plan.market": year.market.name}
    store.set_facts(group, facts, "entered", "benchmark", diary.at(0))
    store.add_price_quotes(_quotes(diary, None, year.origin - 1))
    parcels = []
    for number, heap in enumerate(season.heaps):
        member = store.add_member(Member(group_id=group, name=f"Member {number + 1}"))
        lot = Lot(
            group_id=group,
            label=f"L{number + 1}",
            commodity=year.market.crop,
            bags=heap.bags,
            bag_mass_kg=heap.bag_kg,
            weighed_moisture_pct=heap.moisture_pct,
            weighed_on=planning_day(year.origin),
            owner_id=member,
            harvested_on=planning_day(year.origin),
        )
        parcels.append(Parcel(store.add_lot(lot), number, heap.bags))
    return diary, parcels


def _quotes(diary: Diary, first: pd.Period | None, last: pd.Period) -> list[PriceQuote]:
    """Return the prices of some months, of the group's market and of the others."""
    year = diary.year
    return [
        PriceQuote(
            group_id=diary.group,
            quoted_on=date(month.year, month.month, 10),
            market=name,
            commodity=year.market.crop,
            price_per_kg=float(price) * year.scale,
        )
        for name, series in ((year.market.name, year.market.raw), *year.market.others)
        for month, price in series[first:last].items()
    ]


def new_month(diary: Diary, parcels: Sequence[Parcel], month: int, in_hand: float) -> None:
    """Enter what a month brings: its price, tests, how far to look, and the needs that money in hand does not cover.

    Every lot is tested but those in sealed bags, which nobody opens for a test.
    """
    store, year, now = diary.store, diary.year, diary.at(month)
    period = year.origin + month
    store.add_price_quotes(_quotes(diary, period, period))
    tests = []
    for parcel in parcels:
        if parcel.steps and parcel.steps[-1].kept_in == "hermetic_bag":
            continue
        bag, _ = followed(year.season, Part(parcel.lot, parcel.bags, (*parcel.steps, Step())))
        for number in range(min(5, parcel.bags)):
            read = bag.moisture_pct + year.meter_bias + diary.random.normal(0, 0.6)
            tests.append(
                Reading(
                    lot_id=parcel.record,
                    taken_at=now - timedelta(hours=8),
                    bag=str(number + 1),
                    meter_moisture_pct=round(float(np.clip(read, 5, 40)), 1),
                )
            )
    store.add_readings(tests)
    end = planning_day(year.origin + MONTHS)
    store.set_fact(diary.group, "plan.weeks", max(2, (end - now.date()).days // 7 + 1), "entered", "benchmark", now)
    needs = []
    for due, amount in year.season.needs:
        if due < month:
            continue
        lacking, in_hand = max(0.0, amount - in_hand), max(0.0, in_hand - amount)
        if lacking > 0.005:
            on = planning_day(year.origin + due) + timedelta(days=20)
            needs.append({"on": on.isoformat(), "amount": round(lacking, 2), "label": f"need {due}"})
    write_wishes(store, diary.group, {"needs": needs}, now)


@dataclass(frozen=True)
class Deed:
    """What is done this month with some bags of a parcel: dried or not, then sold to a buyer, or ("") kept."""

    bags: int
    step: Step
    buyer: str = ""


def decisions(plan: Any, parcels: Sequence[Parcel], until: date, bias: float) -> list[tuple[Parcel, list[Deed]]]:
    """Return what a plan does with each parcel before a day; bags that it does not name stay as they are.

    Grain is dried until the meter, which reads `bias` points too much, shows the plan's target.
    """
    method = {choice.name: choice.method for choice in plan.case.storage}
    found = []
    for parcel in parcels:
        now = parcel.steps[-1].kept_in if parcel.steps else ""
        deeds: dict[tuple[Step, str], int] = {}
        left = parcel.bags
        for line in sorted(plan.sales, key=lambda one: one.sell_on):
            if line.lot != str(parcel.record):
                continue
            bags = min(left, line.bags)
            left -= bags
            spread = bool(line.setup) and line.dry_from is not None and line.dry_from < until
            dried = round(line.target_pct - bias, 6) if spread else None
            sold = bool(line.buyer) and line.sell_on < until
            stored = method.get(line.storage, now) if line.ready_on < until else now
            key = (Step(dried, "" if sold else stored), line.buyer if sold else "")
            deeds[key] = deeds.get(key, 0) + bags
        if left:
            key = (Step(None, now), "")
            deeds[key] = deeds.get(key, 0) + left
        found.append((parcel, [Deed(bags, step, buyer) for (step, buyer), bags in deeds.items() if bags]))
    return found


def _states(diary: Diary, at: datetime) -> dict[int, LotState]:
    return {one.lot.id: one for one in current_lot_states(diary.store, diary.group, at)}


def carry_out(diary: Diary, done: list[tuple[Parcel, list[Deed]]], month: int) -> tuple[list[Parcel], list[Part]]:
    """Record a month's deeds in the store; return the parcels that are left and the parts that were sold."""
    store, season, left, sold = diary.store, diary.year.season, [], []
    evening = diary.at(month, diary.days_in(month) - 1)
    for parcel, deeds in done:
        keeping = [deed for deed in deeds if not deed.buyer]
        for deed in deeds:
            if not deed.buyer:
                continue
            part = Part(parcel.lot, deed.bags, (*parcel.steps, deed.step), deed.buyer)
            bag, _ = followed(season, part)
            sale = Sale(
                lot_id=parcel.record,
                sold_on=evening.date(),
                bags=deed.bags,
                mass_kg=round(deed.bags * bag.kg, 1),
                moisture_pct=round(bag.moisture_pct, 1),
                price_per_kg=round(paid_kg(season, bag, month, deed.buyer), 4),
                buyer=deed.buyer,
                paid_on=evening.date(),
            )
            record_sale(store, _states(diary, evening)[parcel.record], sale, evening.date())
            sold.append(part)
        for number, deed in enumerate(keeping):
            record = parcel.record
            if number:  # bags that go another way become a lot of their own
                old = store.lot(parcel.record)
                store.update_lot(replace(old, bags=old.bags - deed.bags))
                record = store.add_lot(replace(old, id=0, label=f"{old.label}.{month}{number}", bags=deed.bags))
            left.append(Parcel(record, parcel.lot, deed.bags, (*parcel.steps, deed.step)))
    states = _states(diary, evening)
    for parcel in left:
        _note_work(diary, parcel, month, states[parcel.record])
    return left, sold


def _note_work(diary: Diary, parcel: Parcel, month: int, state: LotState) -> None:
    """Record that bags were dried, and where they lie now."""
    store, season, step = diary.store, diary.year.season, parcel.steps[-1]
    at = diary.at(month, 16)
    if step.dry_to is not None:
        bag, _ = followed(season, Part(parcel.lot, parcel.bags, parcel.steps))
        tests = tuple(
            round(float(bag.moisture_pct + diary.year.meter_bias + diary.random.normal(0, 0.4)), 1) for _ in range(5)
        )
        kg = bag.kg * (100 - bag.moisture_pct) / (100 - float(np.mean(tests)))  # dry matter as the meter has it
        dried = Dried(on=at.date(), tests_pct=tests, bags=parcel.bags, bag_mass_kg=round(min(kg, bag.kg), 2))
        record_dried(store, state, dried, at, at.date())
    lot = store.lot(parcel.record)
    if step.kept_in and (lot.storage_method != step.kept_in or lot.status != "stored"):
        store.update_lot(replace(lot, status="stored", storage_method=step.kept_in, stored_on=at.date()))


@dataclass(frozen=True)
class Rolled:
    """What the planner did in a year, what it had promised on the day of harvest, and how many plans it made."""

    parts: tuple[Part, ...]
    said_mean: float
    said_worst: float
    plans: int
    first: tuple[tuple[int, Deed], ...]


def quick_plan(store: Any, group: int, now: datetime) -> SalePlan:
    """Return a group's plan as the programme's batch makes it."""
    built = build_case(store, group, now.date())
    case = coarse(built.case)
    outlook = build_outlook(case, seasons=group_seasons(case, case.seed, built.data))
    return batch_plan(case, outlook, LAST_STOP_SECONDS)


def full_plan(store: Any, group: int, now: datetime) -> SalePlan:
    """Return a group's plan as its pages show it."""
    return situation(store, group, now).plan


PLANNERS = {"quick": quick_plan, "full": full_plan}


def roll(store: Any, year: Year, planner: str = "quick", months: int = MONTHS) -> Rolled:
    """Roll the planner through a year; fewer `months` stop it early (for tests: then not all is sold).

    Only prices up to the month are in the store when it plans.
    """
    diary, parcels = begin(store, year)
    parts: list[Part] = []
    first: tuple[tuple[int, Deed], ...] = ()
    said, plans = (0.0, 0.0), 0
    for month in range(months):
        if not parcels:
            break
        new_month(diary, parcels, month, _in_hand(year.season, parts, month))
        now = diary.at(month)
        try:
            plan = PLANNERS[planner](store, diary.group, now)
        except PlanError:
            done = [(parcel, [Deed(parcel.bags, Step(None, parcel.steps[-1].kept_in))]) for parcel in parcels]
        else:
            plans += 1
            keep_plan(store, diary.group, plan, now.date(), "benchmark", now)
            done = decisions(plan, parcels, planning_day(year.origin + month + 1), year.meter_bias)
            if month == 0:
                said = (plan.mean, plan.worst_tenth_mean)
                first = tuple((parcel.lot, deed) for parcel, deeds in done for deed in deeds)
        parcels, sold = carry_out(diary, done, month)
        parts += sold
    if parcels and months == MONTHS:
        last = [Part(parcel.lot, parcel.bags, (*parcel.steps, Step())) for parcel in parcels]
        parts += better_buyer(year.season, last)
    return Rolled(tuple(parts), *said, plans, first)


def _in_hand(season: Season, parts: Sequence[Part], month: int) -> float:
    """Return the money of sales before a month, less the needs before it, US dollars; transport is left out."""
    money = 0.0
    for part in parts:
        bag, costs = followed(season, part)
        money += part.bags * (bag.kg * paid_kg(season, bag, part.month, part.buyer) - sum(costs))
    return max(0.0, money - sum(amount for due, amount in season.needs if due < month))


# ---- the run ----


def target_of(crop: str, store: Any) -> float:
    """Return the moisture to which the product would have a crop dried for keeping [% w.b.], whole tenths."""
    group = store.add_group(Group(name=f"limit of {crop} {time.time_ns()}", currency="USD"))
    now = datetime(2020, 1, 1, tzinfo=UTC)
    store.add_lot(Lot(group_id=group, label="x", commodity=crop, bags=10, bag_mass_kg=90.0))
    limit = current_lot_states(store, group, now)[0].limit.moisture_pct
    return float(np.floor(10 * limit + 1e-6) / 10)


def run_harvest(
    store: Any, market: Market, origin: pd.Period, kind: str, seed: int, planner: str = "quick"
) -> dict[str, Any]:
    """Return one harvest's outcome under the plan, every rule and perfect foresight, as JSON values."""
    year = make_year(market, origin, target_of(market.crop, store), seed)
    began = time.process_time()
    rolled = roll(store, year, planner)
    seconds = time.process_time() - began
    ways: dict[str, Sequence[Part]] = {PLAN: rolled.parts}
    ways |= {name: rule(year.season, year.dried_to) for name, rule in RULES.items()}
    ways[FORESIGHT] = foresight(year.season, year.dried_to, list(ways.values()))
    outcomes = {name: settle(year.season, parts) for name, parts in ways.items()}
    return {
        "country": market.country,
        "kind": kind,
        "market": market.name,
        "series": market.series,
        "crop": market.crop,
        "harvest": str(origin),
        "prices": [round(price / year.season.prices[0], 4) for price in year.season.prices],
        "sold": [round(sum(p.bags for p in rolled.parts if p.month == m), 1) for m in range(MONTHS + 1)],
        "bags": sum(heap.bags for heap in year.season.heaps),
        "needs": sum(amount for _, amount in year.season.needs),
        "said_mean": rolled.said_mean,
        "said_worst": rolled.said_worst,
        "plans": rolled.plans,
        "planner": planner,
        "seconds": round(seconds, 2),
        "outcomes": {name: outcome.__dict__ for name, outcome in outcomes.items()},
    }


def main(arguments: list[str] | None = None) -> int:
    """Run harvests, print the tables and a JSON row, and write the report where a folder is given."""
    from tests.benchmarks import _past_seasons_report as report

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--groups", type=int, default=24)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--plan", choices=sorted(PLANNERS), default="quick")
    parser.add_argument("--alone", action="store_true", help="the group knows its own market only")
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args(arguments)
    folder = Path(os.environ.get("DRYHOLD_OPEN_DATA", Path(__file__).resolve().parents[3] / "shared" / "data"))
    if not (folder / "prices_dev2.csv").exists():
        print("open price data are not on this machine: skipped")
        return 0
    markets = load_markets(folder, asked.alone)
    fast = inflating(markets)
    with tempfile.TemporaryDirectory() as scratch:
        out = asked.out or Path(scratch)
        out.mkdir(parents=True, exist_ok=True)
        kept_rows = out / "harvests.jsonl"
        lines = kept_rows.read_text(encoding="utf-8").splitlines() if kept_rows.exists() else []
        rows = [json.loads(line) for line in lines]
        known = {(row["series"], row["harvest"]) for row in rows}
        store = open_store(f"sqlite:///{scratch}/seasons.sqlite3")
        for market, origin in chosen(markets, asked.groups, asked.seed):
            if (market.series, str(origin)) in known:
                continue
            kind = "inflating" if market.country in fast else "calm"
            try:
                rows.append(run_harvest(store, market, origin, kind, asked.seed, asked.plan))
            except WeatherError as error:
                print(f"{market.country} {market.series} left out: {error}")
                continue
            with kept_rows.open("a", encoding="utf-8") as handle:
                handle.write(json.dumps(rows[-1]) + "\n")
        print(report.printed(rows))
        print(json.dumps(report.row(rows)))
        if asked.out:
            report.write(rows, asked.out)
            print(f"report: {asked.out / 'report.html'}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
