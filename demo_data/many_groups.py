"""Further invented groups, any number, to see the programme's pages at work: two harvests each, fixed seed.

`python -m demo_data.many_groups --database sqlite:///trial.sqlite3 --count 30` fills a database of its own. Groups,
people, prices and places are invented; the database is marked as an example on every page.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from dataclasses import asdict, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import numpy as np

from core.group.records import Group, Lot, Member, PriceQuote, Reading, Sale
from core.group.store import Store
from core.planning.case import PlanningCase, make_case
from demo_data.make_records import FIRST, LAST, SEED, humidity_for
from demo_data.meter_book import add_meter_book

PLACES = [
    "Amber",
    "Birch",
    "Clay",
    "Dusk",
    "Ember",
    "Fern",
    "Granite",
    "Harbour",
    "Iron",
    "Jasper",
    "Kiln",
    "Linden",
    "Marsh",
    "Nettle",
    "Oak",
    "Pebble",
    "Quartz",
    "Reed",
    "Slate",
    "Thorn",
    "Umber",
    "Vale",
    "Willow",
    "Yarrow",
    "Ash",
    "Brook",
    "Cedar",
    "Dune",
    "Elder",
    "Flint",
]
CROPS = {"maize": (0.30, 18.0, 90.0), "sorghum": (0.27, 17.0, 90.0), "cowpea": (0.75, 16.0, 90.0)}
"""Invented price in US dollars per kg at harvest, moisture at harvest (% wet basis), nominal bag (kg)."""
CURRENCIES = {"MWK": 1700.0, "TZS": 2600.0}
MARKET = "Ostrel market (invented)"


def add_invented_groups(
    store: Store, count: int, now: datetime, seed: int = SEED, progress: Callable[[int], None] | None = None
) -> list[int]:
    """Write invented groups into a database and return their numbers.

    Parameters
    ----------
    now : datetime
        Aware; the last harvest was about five months ago.
    """
    made = []
    for index in range(count):
        random = np.random.default_rng([seed, index])
        made.append(_add_group(store, index, now, random))
        if progress is not None:
            progress(index + 1)
    return made


def _add_group(store: Store, index: int, now: datetime, random: np.random.Generator) -> int:
    currency = "TZS" if index % 3 == 2 else "MWK"
    suffix = "" if index < len(PLACES) else f" {index // len(PLACES) + 1}"
    group_id = store.add_group(
        Group(
            name=f"{PLACES[index % len(PLACES)]} Growers{suffix}",
            district="Ostrel plain (invented)",
            latitude=round(float(random.uniform(-12, -8)), 3),
            longitude=round(float(random.uniform(33, 36)), 3),
            altitude_m=float(random.integers(500, 1500)),
            time_zone="Africa/Blantyre",
            currency=currency,
            demo=True,
        )
    )
    members = [
        store.add_member(
            Member(
                group_id=group_id,
                name=f"{random.choice(FIRST)} {random.choice(LAST)} {number + 1}",
                sex=str(random.choice(["female", "male", ""], p=[0.55, 0.42, 0.03])),
                birth_year=int(random.integers(1955, 2006)) if random.random() > 0.05 else None,
                consent=bool(random.random() < 0.8),
                joined_on=date(now.year - 3, 2, 1),
            )
        )
        for number in range(int(random.integers(9, 26)))
    ]
    prices = _prices(now.date(), CURRENCIES[currency], random)
    store.add_price_quotes(
        PriceQuote(
            group_id=group_id,
            quoted_on=day,
            market=MARKET,
            commodity=crop,
            price_per_kg=price,
            source="invented example",
        )
        for (crop, day), price in prices.items()
    )
    # what a group is like: how careful with testing, how well it dries, what part of the price it gets
    habits = {
        "tested": float(random.beta(9, 3)),
        "dry": float(random.normal(-1.1, 0.35)),
        "part": float(random.normal(0.9, 0.04)),
        "days": float(random.normal(7, 1.2)),
        "learns": float(random.normal(0.06, 0.05)),
        "size": float(random.uniform(0.4, 1.1)),
    }
    if index == 4:
        habits |= {"tested": 0.25, "dry": 0.6, "days": 12.0, "size": 1.1}  # one that really needs help
    for season in (1, 0):
        _add_season(store, group_id, members, season, now, habits, prices, random)
    if index % 5 != 3:
        add_meter_book(store, group_id, now)
    return group_id


def _prices(today: date, per_dollar: float, random: np.random.Generator) -> dict[tuple[str, date], float]:
    found = {}
    for crop, (level, _moisture, _bag) in CROPS.items():
        shock = 0.0
        for back in range(30, -1, -1):
            month = today.year * 12 + today.month - 1 - back
            day = min(today, date(month // 12, month % 12 + 1, 12))
            since_harvest = (30 - back - 1) % 12  # the files' harvests lie 17 and 5 months back
            shock = 0.7 * shock + random.normal(0, 0.04)
            season = 0.38 * np.sin(np.pi * min(since_harvest, 10) / 10) if since_harvest <= 10 else 0.0
            found[(crop, day)] = round(float(level * per_dollar * np.exp(season + shock)), 1)
    return found


def _price(prices: dict[tuple[str, date], float], crop: str, day: date) -> float:
    return next(
        (
            price
            for (code, on), price in prices.items()
            if code == crop and (on.year, on.month) == (day.year, day.month)
        ),
        list(prices.values())[-1],
    )


def _add_season(
    store: Store,
    group_id: int,
    members: list[int],
    season: int,
    now: datetime,
    habits: dict[str, float],
    prices: dict[tuple[str, date], float],
    random: np.random.Generator,
) -> None:
    first = now.date() - timedelta(days=150 + 365 * season)
    readings: list[Reading] = []
    tested_share = min(0.98, habits["tested"] + (0 if season else habits["learns"]))
    for number in range(max(3, int(len(members) * habits["size"]))):
        crop = str(random.choice(list(CROPS), p=[0.6, 0.22, 0.18]))
        _level, wet, bag = CROPS[crop]
        bags = int(random.integers(3, 18))
        harvested = first + timedelta(days=int(random.integers(0, 30)))
        start = float(np.clip(random.normal(wet, 1.6), 14.5, 24))
        days = max(2, round(float(random.normal(habits["days"], 2.0))))
        limit = {"maize": 15.5, "sorghum": 14.5, "cowpea": 15.0}[crop]
        final = float(limit + random.normal(habits["dry"], 0.9))
        stored = harvested + timedelta(days=days + 1)
        tested = bool(random.random() < tested_share)
        sold = bool(season or random.random() < 0.45)
        lot = Lot(
            group_id=group_id,
            label=f"{crop[0].upper()}{number + 1:02d}-{first.year}",
            commodity=crop,
            bags=bags,
            nominal_bag_kg=bag,
            bag_mass_kg=round(float(bag * random.normal(1, 0.02)), 1) if random.random() < 0.7 else None,
            weighed_moisture_pct=round(start, 1) if random.random() < 0.9 else None,
            weighed_on=harvested,
            owner_id=int(random.choice(members)) if random.random() < 0.95 else None,
            harvested_on=harvested,
            status="sold" if sold else "stored",
            storage_method=str(random.choice(["woven_bag", "hermetic_bag"], p=[0.7, 0.3])),
            stored_on=stored,
            place="house store",
            demo=True,
        )
        kg, moisture = bags * (lot.bag_mass_kg or bag), start
        if tested and random.random() < 0.4:  # weighed again after drying, and cleaned
            lot, kg = _weighed_again(store, lot, stored, kg, start, final, random)
            moisture = final
        else:
            lot = replace(lot, id=store.add_lot(lot))
        days_read = [(harvested, start), (stored, final)] if tested else []
        if not tested and random.random() < 0.5:
            days_read.append((stored + timedelta(days=20), final))
        for day, level in days_read:
            for one in range(int(random.integers(2, 6))):
                readings.append(_reading(lot.id, crop, day, one, level, random))
        if sold:
            _sell(store, lot, stored, now.date(), kg * (100 - moisture) / (100 - final), final, prices, habits, random)
    store.add_readings(readings)


def _weighed_again(
    store: Store, lot: Lot, on: date, kg: float, start: float, final: float, random: np.random.Generator
) -> tuple[Lot, float]:
    """Return the lot as it was written down after drying and cleaning, and its mass then, kg."""
    dried = kg * (100 - start) / (100 - final) * float(random.normal(0.985, 0.006))
    cleaned = dried * float(random.normal(0.985, 0.004))
    lot = replace(lot, bag_mass_kg=cleaned / lot.bags, weighed_moisture_pct=round(final, 1), weighed_on=on)
    lot = replace(lot, id=store.add_lot(lot))
    _note_work(store, lot.group_id, lot.id, "weighing", on, kg, dried, lot.bags, round(final, 1))
    _note_work(store, lot.group_id, lot.id, "cleaning", on, dried, cleaned, lot.bags, round(final, 1))
    return lot, cleaned


def _sell(
    store: Store,
    lot: Lot,
    stored: date,
    today: date,
    dry_kg: float,
    moisture_pct: float,
    prices: dict[tuple[str, date], float],
    habits: dict[str, float],
    random: np.random.Generator,
) -> None:
    """Write down the sale of a whole stored lot, and mostly the plan that it followed; 1.2 % is lost a month."""
    waited = int(random.choice([10, 40, 75, 110, 135]))
    sold_on = min(stored + timedelta(days=waited), today)
    mass = dry_kg * (1 - 0.012 * waited / 30)
    store.add_sale(
        Sale(
            lot_id=lot.id,
            sold_on=sold_on,
            bags=lot.bags,
            mass_kg=round(mass * float(random.normal(0.99, 0.01)), 1),
            moisture_pct=round(moisture_pct + float(random.normal(0, 0.2)), 1) if random.random() < 0.85 else None,
            price_per_kg=round(_price(prices, lot.commodity, sold_on) * float(random.normal(habits["part"], 0.05)), 1),
            buyer="Ridge Millers (invented)",
        )
    )
    if random.random() < 0.7:
        _keep_plan(store, lot, stored, sold_on, prices, habits, random)


def _note_work(
    store: Store,
    group_id: int,
    lot_id: int,
    kind: str,
    on: date,
    mass_in: float,
    mass_out: float,
    bags: int,
    moisture: float,
) -> None:
    payload = {
        "lot_id": lot_id,
        "mass_in_kg": round(mass_in, 1),
        "mass_out_kg": round(mass_out, 1),
        "moisture_pct": moisture,
        "bags_in": bags,
        "bags_out": bags,
        "cost": "0.00",
    }
    store.append_event(
        group_id, "lot_actions", kind, on, "invented example", payload, datetime.combine(on, time(9), UTC)
    )


def _reading(lot_id: int, crop: str, day: date, bag: int, level: float, random: np.random.Generator) -> Reading:
    temperature = float(random.normal(26, 2))
    humidity = humidity_for(crop, temperature, level + float(random.normal(0, 0.3))) + float(random.normal(0, 1.5))
    return Reading(
        lot_id=lot_id,
        taken_at=datetime.combine(day, time(7 + bag), UTC),
        bag=str(bag + 1),
        temperature_c=round(temperature, 1) if random.random() > 0.04 else None,
        relative_humidity_pct=round(float(np.clip(humidity, 20, 97)), 1) if random.random() > 0.03 else None,
        meter_moisture_pct=round(float(level + random.normal(0.1, 0.35)), 1) if random.random() > 0.06 else None,
        settled=[True, False, None][int(random.choice(3, p=[0.75, 0.1, 0.15]))],
    )


def _case_of_one(store: Store, lot: Lot, on: date, price: float, part: float) -> PlanningCase:
    """Return an invented case of one lot, whose buyer pays a part of the market's price."""
    case = make_case(lots=1, weeks=20, scenarios=10, seed=1)
    own = replace(
        case.lots[0],
        id=str(lot.id),
        label=lot.label,
        commodity=lot.commodity,
        bags=lot.bags,
        bag_mass_kg=lot.bag_kg,
        moisture_pct=lot.weighed_moisture_pct or 16.0,
        owner="",
    )
    return replace(
        case,
        lots=(own,),
        prices=(replace(case.prices[0], commodity=lot.commodity, price_now=price),),
        buyers=(replace(case.buyers[0], commodities=(), price_factor=part, fixed_price=None),),
        interest_monthly=0.02,
        start=on,
        needs=(),
        reserves=(),
        currency=store.group(lot.group_id).currency,
    )


def _keep_plan(
    store: Store,
    lot: Lot,
    on: date,
    sold_on: date,
    prices: dict[tuple[str, date], float],
    habits: dict[str, float],
    random: np.random.Generator,
) -> None:
    """Keep an invented plan of one lot, as the planner would have kept it on that day."""
    from core.planning.rolling import BOOK
    from core.planning.sale_plan import PlannedSale

    now_price = _price(prices, lot.commodity, on)
    case = _case_of_one(store, lot, on, now_price, round(habits["part"], 3))
    buyer, own = case.buyers[0], case.lots[0]
    kg = own.bags * own.bag_mass_kg
    dry = kg * (100 - own.moisture_pct) / (100 - min(own.moisture_pct, 14.5))
    ahead = sold_on + timedelta(days=int(random.integers(-10, 20)))
    line = PlannedSale(
        lot=str(lot.id),
        label=lot.label,
        owner="",
        commodity=lot.commodity,
        bags=lot.bags,
        kg_in=kg,
        kg_sold=dry * 0.985,
        setup="",
        dry_from=None,
        ready_on=on,
        storage="",
        week=max(0, (ahead - on).days // 7),
        sell_on=max(on, ahead),
        paid_on=max(on, ahead),
        buyer=buyer.name,
        reserve="",
        price_kg=now_price
        * buyer.price_factor
        * float(np.exp(0.055 * (ahead - on).days / 30 + random.normal(0.03, 0.02))),
        value=0.0,
        value_low=0.0,
        value_high=0.0,
    )
    payload: dict[str, Any] = {
        "case": json.loads(case.to_json()),
        "hash": case.content_hash,
        "mean": "0.0",
        "worst_tenth_mean": "0.0",
        "gap": None,
        "method": "invented",
        "lines": [{k: str(v) if isinstance(v, date) else v for k, v in asdict(line).items()}],
    }
    store.append_event(lot.group_id, BOOK, "plan", on, "invented example", payload, datetime.combine(on, time(9), UTC))


def main() -> None:
    """Fill a database from the command line."""
    from core.group.database import open_store

    parser = argparse.ArgumentParser(description="Fill a database with invented groups.")
    parser.add_argument("--database", required=True, help="SQLAlchemy URL, such as sqlite:///trial.sqlite3")
    parser.add_argument("--count", type=int, default=30)
    parser.add_argument("--seed", type=int, default=SEED)
    given = parser.parse_args()
    store = open_store(given.database)
    add_invented_groups(
        store, given.count, datetime.now(UTC), given.seed, lambda done: print(f"{done} groups", end="\r")
    )
    print()


if __name__ == "__main__":
    main()
