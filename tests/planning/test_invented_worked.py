"""The invented cases and their seasons: what is drawn lies where it is said to lie, the rest is reckoned again."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import numpy as np
import pytest

from core.market.deductions import Deductions
from core.planning import case as room
from core.planning import invented_seasons as physics
from core.planning.case import CropPrice, DryingChoice, StorageChoice, make_case

PRICES = {"maize": 0.25, "common_bean": 0.70, "sorghum": 0.28}
GAPS = {"maize": 0.42, "common_bean": 0.22, "sorghum": 0.25}


def spans(values, low, high):
    """Return whether values fill a range to within a fiftieth of its width, and never leave it."""
    near = 0.02 * (high - low)
    return low <= min(values) <= low + near and high - near <= max(values) <= high


def test_invented_lots_lie_where_they_are_said_to():
    """Of 1500 lots a share is known to four standard errors, 0.05; the ends of a range to a fiftieth of it."""
    count = 1500
    lots = room._invented_lots(np.random.default_rng(5), count)
    crops = Counter(lot.commodity for lot in lots)
    assert {crop: many / count for crop, many in crops.items()} == pytest.approx(
        {"maize": 0.65, "common_bean": 0.2, "sorghum": 0.15}, abs=0.05
    )
    wet = [lot.moisture_pct for lot in lots if lot.moisture_pct > 13.5]
    assert len(wet) / count == pytest.approx(0.75, abs=0.04)
    assert spans(wet, 14.5, 21.0)
    assert spans([lot.moisture_pct for lot in lots if lot.moisture_pct <= 13.5], 11.5, 13.0)
    assert spans([lot.bag_mass_kg for lot in lots], 85, 100)
    assert spans([lot.moisture_se_pct for lot in lots], 0.15, 0.5)
    assert {lot.bags for lot in lots} == set(range(4, 26))
    weeks = Counter(lot.available_week for lot in lots)
    assert {week: many / count for week, many in weeks.items()} == pytest.approx({0: 0.6, 1: 0.2, 2: 0.2}, abs=0.05)
    assert {lot.aflatoxin for lot in lots if lot.commodity == "maize"} == {True}
    assert not any(lot.aflatoxin for lot in lots if lot.commodity != "maize")
    assert [(lot.id, lot.label) for lot in lots[:2]] == [("lot-1", "Lot 1"), ("lot-2", "Lot 2")]
    # a third as many members as lots, in turn
    assert [lot.owner for lot in room._invented_lots(np.random.default_rng(1), 7)] == [
        f"member-{number}" for number in (1, 2, 1, 2, 1, 2, 1)
    ]
    assert {lot.owner for lot in room._invented_lots(np.random.default_rng(1), 2)} == {"member-1"}


def test_invented_prices_rise_for_34_weeks_and_then_fall():
    """At the top a price is 1 + gap x (0.1 to 1.5) of today's; half way of the rise its square root; from week 54 on
    it has fallen to the power -0.2 and stays there (1 - 20 x 0.06).
    """
    draw = np.random.default_rng(3)
    made = [room._invented_prices(draw, 70) for _ in range(400)]
    for at, (crop, usual) in enumerate(PRICES.items()):
        prices = [prices[at] for prices in made]
        assert {price.commodity for price in prices} == {crop}
        assert spans([price.price_now / usual for price in prices], 0.848, 1.152)  # to a thousandth of a coin
        assert spans([price.weekly_sd for price in prices], 0.02, 0.04)
        assert spans([(price.path[34] - 1) / GAPS[crop] for price in prices], 0.0999, 1.5001)
        for price in prices[:20]:
            top = price.path[34]
            assert len(price.path) == 71
            # a cosine: half of the rise after 17 weeks, (1 - cos(pi / 4)) / 2 after eight and a half
            weeks, powers = [0, 17, 34, 44, 54, 70], [0.0, 0.5, 1.0, 0.4, -0.2, -0.2]
            assert [price.path[week] for week in weeks] == pytest.approx([top**power for power in powers], abs=2e-5)
            between = (1 - np.cos(np.pi * 8 / 34)) / 2
            assert price.path[8] == pytest.approx(top**between, abs=2e-5)


def test_invented_buyers_lie_where_they_are_said_to():
    def terms(base, rate, refused):
        return Deductions(base, ((100.0, rate),), refusal_pct=refused, damage_per_pct=0.03)

    draw = np.random.default_rng(7)
    made = [room._invented_buyers(draw, 0.25, 40_000.0, 20) for _ in range(300)]
    gate, town, mill, school = made[0]
    assert [{int(buyers[at].distance_km) for buyers in made} for at in (1, 2, 3)] == [
        set(range(8, 25)),
        set(range(30, 80)),
        set(range(5, 30)),
    ]
    assert spans([buyers[3].fixed_price / 0.25 for buyers in made], 1.048, 1.252)
    assert [who.deductions for who in made[0]] == [
        terms(14.0, 0.025, 22.0),
        terms(13.5, 0.015, 17.0),
        terms(13.5, 0.015, 14.5),
        terms(13.5, 0.015, 14.0),
    ]
    assert (gate.distance_km, gate.price_factor, town.price_factor, mill.price_factor) == (0.0, 0.88, 1.0, 1.07)
    # 15 % of 40 t a week in the town, never less than 2 t; 8 % for the school, from week 4 to 12
    assert (town.fee_fraction, town.weekly_kg, town.price_fall) == (0.02, 6000.0, 0.05)
    assert room._invented_buyers(draw, 0.25, 13_000.0, 20)[1].weekly_kg == 2000.0
    assert (mill.commodities, mill.pay_delay_weeks, mill.minimum_kg) == (("maize", "sorghum"), 2, 1500.0)
    assert (school.commodities, school.quantity_kg, school.first_week, school.last_week) == (("maize",), 3200.0, 4, 12)
    assert (school.chance_failing, school.pay_delay_weeks) == (0.1, 3)
    assert room._invented_buyers(draw, 0.25, 1e4, 8)[3].last_week == 7
    assert [len(room._invented_buyers(draw, 0.25, 1e4, weeks)) for weeks in (4, 5)] == [3, 4]


@pytest.mark.parametrize(("lots", "weeks", "seed"), [(3, 8, 2), (4, 15, 3), (60, 30, 4)])
def test_an_invented_case_goes_with_its_mass(lots, weeks, seed):
    case = make_case(lots, weeks, 40, seed)
    assert (len(case.lots), case.weeks, case.scenarios, case.seed, case.invented) == (lots, weeks, 40, seed, True)
    assert case.start == date(2026, 7, 6)
    mass, bags = sum(lot.bags * lot.bag_mass_kg for lot in case.lots), sum(lot.bags for lot in case.lots)
    assert (mass > 40_000) == (lots == 60)  # else the least trips and spaces are tested alone
    sheets, dryer = case.drying
    assert (sheets.capacity_kg, sheets.area_m2) == (max(400, 0.22 * mass), max(400, 0.22 * mass) / 20)
    assert dryer.capacity_kg == max(400, 0.06 * mass)
    assert (sheets.load_kg_m2, sheets.cost_per_kg, sheets.handling_loss, sheets.points_per_day) == (
        20,
        0.002,
        0.006,
        1.6,
    )
    assert (dryer.cost_per_kg, dryer.fee_per_point_kg, dryer.handling_loss, dryer.points_per_day) == (
        0,
        0.0032,
        0.004,
        8,
    )
    assert (sheets.powered, dryer.powered) == (False, True)
    assert [(way.owned_bags, way.buyable_bags) for way in case.storage] == [
        (bags, bags),
        (bags // 2, bags),
        (bags // 10, bags // 2),
    ]
    assert [way.cost_per_bag for way in case.storage] == [0.5, 0.5, 0.9]
    assert [way.treatment_per_bag for way in case.storage] == [0.0, 0.6, 0.0]
    assert [way.waiting_days for way in case.storage] == [0, 90, 0]
    assert [way.cost_per_bag_month for way in case.storage] == [0.0, 0.0, 0.0]
    targets = {"maize": 13.0, "common_bean": 14.0, "sorghum": 12.5}
    assert dict(case.target_pct) == dict(case.storage[2].seal_below_pct) == targets
    assert [case.targets(crop) for crop in targets] == [(13, 13.5, 12), (14, 15, 13), (12.5, 13.5, 11.5)]
    assert case.store_bags == int(0.9 * bags)
    truck = case.truck
    assert (truck.capacity_kg, truck.cost_per_trip, truck.cost_per_km, truck.cost_per_bag) == (5000, 12, 0.55, 0.15)
    assert truck.trips_per_week == max(2, mass // 20_000 + 1)
    money = sum(lot.bags * lot.bag_mass_kg * PRICES[lot.commodity] for lot in case.lots)
    assert [(need.week, need.label) for need in case.needs] == [
        (min(3, weeks - 1), "inputs"),
        (min(9, weeks - 1), "school fees"),
        (min(20, weeks - 1), "school fees"),
    ]
    assert [need.amount for need in case.needs] == pytest.approx([0.05 * money, 0.12 * money, 0.05 * money], abs=0.5)
    if lots == 3:
        assert case.reserves == ()
        return
    [home] = case.reserves
    assert home.kg == pytest.approx(0.06 * mass, abs=0.5)
    assert (home.commodity, home.until_week) == ("maize", weeks - 1)
    assert home.value_per_kg == pytest.approx(1.35 * case.prices[0].price_now, abs=5e-4)
    assert (home.evenly, home.use) == (True, "food")


WEEKS, COUNT = 10, 12
DRAWN = (0.5, -1.0, 2.0, -0.5, 1.5)  # weeks of sun, sun, humidity, weeks of humidity, insects


@pytest.fixture
def drawn(monkeypatch):
    """Let every standard normal draw of the seasons be one number, the next of `DRAWN` at each call."""
    left = list(DRAWN)
    draw = SimpleNamespace(standard_normal=lambda size: np.full(size, left.pop(0)))
    monkeypatch.setattr(physics, "common_draws", lambda *_: ({}, np.zeros((0, COUNT))))
    monkeypatch.setattr(physics, "price_paths", lambda *_: {})
    monkeypatch.setattr(np.random, "default_rng", lambda *_: draw)
    return physics.invented_seasons(CASE, 1)


CASE = make_case(1, WEEKS, COUNT, 1)
LOT = replace(CASE.lots[0], commodity="sorghum", moisture_pct=18.0, available_week=2, moisture_week=1, standing=True)
SUN = np.exp(0.22 * 0.5 - 0.12)
PESTS = np.exp(0.75 - 0.125)


def breathed(moisture):
    """Return the dry matter lost in a week [%]: 0.014 at 14 %, e^0.4 as much a point wetter, at most 1.2."""
    return min(1.2, 0.014 * np.exp(0.4 * (moisture - 14)))


def rest(week, offset):
    """Return the moisture at which grain rests: 0.13 a point of humidity over 4 %.

    The sixth of July is day 187, 6.144 months; humidity falls from 68 (seventh month) to 66 and 64, then rises.
    """
    months = 187 / (365.25 / 12) + week / (365.25 / 84)
    usual = 68 - 2 * (months - 6) if months < 8 else 64 + 2 * (months - 8)
    return 4 + 0.13 * (usual + 3 * 2.0 - 2 * 0.5) + offset


def test_invented_drying_by_hand(drawn):
    """5 points at 1.5 a day in that sun are 3.4 days and 3.7 (1.1 x 5 / 1.5) are booked: 4; a dryer knows no sun."""
    sheets = DryingChoice("a", "A", "tarpaulin", 500.0, points_per_day=1.5)
    start = np.full(COUNT, 18.2)
    dried = drawn.dry(LOT, sheets, 5, start, 13.0)
    days = 5.2 / (1.5 * SUN)
    np.testing.assert_allclose(dried.days, days)
    assert dried.planned_days == 4.0
    np.testing.assert_allclose(dried.dry_matter_loss_pct, 3 * breathed(18.2) + breathed(15.6) * days / 7)
    dryer = replace(sheets, method="mechanical", points_per_day=4.0)
    dried = drawn.dry(LOT, dryer, 2, start, 13.0)
    np.testing.assert_allclose(dried.days, 1.3)
    assert dried.planned_days == 2.0
    np.testing.assert_allclose(dried.dry_matter_loss_pct, breathed(15.6) * 1.3 / 7)
    # never less than a day; wet grain breathes no more than 1.2 % a week
    quick = drawn.dry(LOT, replace(dryer, points_per_day=20.0), WEEKS + 5, np.full(COUNT, 27.0), 17.5)
    np.testing.assert_allclose(quick.days, 1.0)
    assert quick.planned_days == 1.0
    np.testing.assert_allclose(quick.dry_matter_loss_pct, 13 * 1.2 + breathed(22.25) / 7)
    np.testing.assert_allclose(drawn.dry(LOT, sheets, WEEKS + 5, start, 13.0).days, days)


@pytest.mark.parametrize(("crop", "offset"), [("maize", 0.0), ("sorghum", -0.2)])
@pytest.mark.parametrize("week", [4, WEEKS, WEEKS + 3])
def test_invented_standing_grain_by_hand(drawn, week, crop, offset):
    """From week 1 on it nears its rest by e^-0.4 a week of usual sun; from week 2 on the field takes 2 % a week."""
    start = np.linspace(20.0, 26.0, COUNT)
    stood = drawn.stand(replace(LOT, commodity=crop), week, start)
    still = rest(min(week, WEEKS), offset)
    np.testing.assert_allclose(stood.moisture_pct, still + (start - still) * np.exp(-0.4 * (week - 1) * SUN), rtol=1e-6)
    np.testing.assert_allclose(stood.lost, 1 - np.exp(-0.02 * PESTS * (week - 2)))


@pytest.mark.parametrize(
    ("crop", "offset", "method", "share", "six"),
    [
        ("maize", 0.0, "woven_bag", 1.0, 4.0),
        ("common_bean", 0.8, "woven_bag_protectant", 1.0, 1.2),
        ("sorghum", -0.2, "hermetic_bag", 0.5, 0.4),
    ],
)
def test_invented_stores_by_hand(drawn, crop, offset, method, share, six):
    """Open grain nears the rest of each week by e^-1/8; sealed it stays as it is and breathes half as much.

    Insects take what is said for six months, 26 weeks, to the power 1.7 of the time; five times that is damaged.
    """
    lot, start = replace(LOT, commodity=crop), np.full(COUNT, 16.0)
    kept = drawn.keep(lot, start, StorageChoice("a", "A", method), 7, 6)
    assert kept.moisture_pct.shape == (7, COUNT)
    here = [rest(min(7 + week, WEEKS), offset) for week in range(7)]
    path = [16.0 if share < 1 else still + (16 - still) * np.exp(-week / 8) for week, still in enumerate(here)]
    np.testing.assert_allclose(kept.moisture_pct[:, 0], path, rtol=1e-6)
    lost = [sum(share * breathed(value) for value in path[1 : week + 1]) for week in range(7)]
    np.testing.assert_allclose(kept.dry_matter_loss_pct[:, 3], lost, rtol=1e-6)
    eaten = [six * PESTS * (week / 26) ** 1.7 for week in range(7)]
    np.testing.assert_allclose(kept.insect_loss_pct[:, 0], eaten)
    np.testing.assert_allclose(kept.damaged_pct[:, 0], [5 * value for value in eaten])
    assert (kept.unfit_share, kept.refusal_chance, kept.alive_share) == (0.0, 0.0, 1.0)
    # at most 30 % of the grain and 60 % of the kernels
    long = drawn.keep(lot, start, StorageChoice("a", "A", method), 0, 700)
    assert (long.insect_loss_pct.max(), long.damaged_pct.max()) == (30.0, 60.0)


def test_invented_humidity_turns_with_the_year(monkeypatch):
    """Half way through December it lies half way between December's 70 and January's 68."""
    months = 187 / (365.25 / 12) + np.arange(30) / (365.25 / 84)
    week = int(np.argmin(np.abs(months - 11.5)))
    monkeypatch.setattr(np.random, "default_rng", lambda *_: SimpleNamespace(standard_normal=np.zeros))
    monkeypatch.setattr(physics, "common_draws", lambda *_: ({}, np.zeros((0, COUNT))))
    monkeypatch.setattr(physics, "price_paths", lambda *_: {})
    made = physics.invented_seasons(CASE.with_changes(weeks=30), 1)
    # after a thousand weeks in the field grain is where it rests
    stood = made.stand(replace(LOT, moisture_week=week - 1000), week, np.full(COUNT, 20.0))
    np.testing.assert_allclose(stood.moisture_pct, 4 + 0.13 * (70 - 2 * (months[week] - 11)) - 0.2)


def test_invented_price_paths_by_hand():
    """The log change of a week has the crop's deviation; three quarters of its variance are common to all crops."""
    rising = CropPrice("maize", 0.4, tuple(1 + 0.1 * week for week in range(12)), 0.03)
    case = CASE.with_changes(prices=(rising, CropPrice("sorghum", 2.0, (), 0.05)), scenarios=4000, lots=())
    found = physics.price_paths(case, 3)
    assert {crop: rows.shape for crop, rows in found.items()} == {"maize": (11, 4000), "sorghum": (11, 4000)}
    np.testing.assert_allclose([rows[0].mean() for rows in found.values()], [0.4, 2.0])
    median = np.array([0.4 * (1 + 0.1 * week) for week in range(11)])
    logs = {"maize": np.log(found["maize"] / median[:, None]), "sorghum": np.log(found["sorghum"] / 2.0)}
    for crop, deviation in (("maize", 0.03), ("sorghum", 0.05)):
        # a standard deviation of 4000 draws is known to 1.1 %, a mean to 1.6 % of it: 5 and 8 % are five of those
        spread = deviation * np.sqrt(np.arange(1, 11))
        np.testing.assert_allclose(logs[crop][1:].std(axis=1), spread, rtol=0.05)
        assert (np.abs(logs[crop][1:].mean(axis=1)) < 0.08 * spread).all()
    steps = [np.diff(rows, axis=0).ravel() for rows in logs.values()]
    assert np.corrcoef(*steps)[0, 1] == pytest.approx(0.75, abs=0.02)
