"""The plan's dated steps and orders, grain that is kept back or promised, by hand; how many bags still fit, by trying.

Nothing is planned: lines, loads and stores are written down here.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from core.accounts.finance import InventoryCredit
from core.planning import kept_back
from core.planning.allocation import use_of
from core.planning.case import CropPrice, DryingChoice, make_case
from core.planning.invented_seasons import invented_seasons
from core.planning.kept_back import dried_kg, lean_price, promised_sales, reserves_of
from core.planning.outlook import build_outlook
from core.planning.placing import Ledger, place_reserves
from core.planning.rolling import (
    KeptPlan,
    _difference,
    _moved,
    _why_changed,
    kept_bags,
    next_actions,
    purchases,
    season_end,
)
from core.planning.sale_plan import PlannedSale
from core.planning.schedule import Load, floor_room
from tests.planning.test_plain_value import random_case

CASE = make_case(3, 20, 40, 1)
MONTH = 365.25 / 12 / 7  # weeks
MONDAY = date(2026, 7, 6)


def day(month: int, number: int) -> date:
    return date(2026, month, number)


def line(lot, bags, ready, sell, **more):
    """Return a line of the plan."""
    values = {
        "lot": lot,
        "label": lot.capitalize(),
        "owner": lot[-1],
        "commodity": "maize",
        "kg_in": 90.0 * bags,
        "kg_sold": 85.0 * bags,
        "setup": "",
        "dry_from": None,
        "storage": "",
        "week": (sell - MONDAY).days // 7,
        "paid_on": sell,
        "buyer": "",
        "reserve": "",
        "price_kg": 0.3,
        "value": 0.0,
        "value_low": 0.0,
        "value_high": 0.0,
    }
    return PlannedSale(bags=bags, ready_on=ready, sell_on=sell, **values | more)


def a_plan(**changes):
    """Two spaces, one to be bought and a hired dryer; one store; sales to the town, at the gate and to eat; a loan."""
    drying = (
        DryingChoice("sheets", "Tarpaulins", "tarpaulin", 500.0, price=25.0),
        DryingChoice(
            "dryer", "Hired dryer", "mechanical", 500.0, cost_per_kg=0.01, fee_per_point_kg=0.004, powered=True
        ),
    )
    case = CASE.with_changes(
        drying=drying,
        lots=tuple(replace(lot, moisture_pct=18.0) for lot in CASE.lots),
        storage=(replace(CASE.storage[0], cost_per_bag=0.5, bags_per_unit=4), *CASE.storage[1:]),
        credit=InventoryCredit(0.5, 0.02),
    )
    store, town, gate = case.storage[0].name, case.buyers[1].name, case.buyers[0].name
    sales = (
        line("lot-1", 5, day(7, 10), day(9, 7), setup="Tarpaulins", storage=store, buyer=town, paid_on=day(9, 21)),
        line("lot-2", 4, day(7, 20), day(7, 27), setup="Hired dryer", buyer=gate, harvest_on=day(7, 18)),
        line("lot-3", 3, day(7, 8), day(10, 5), storage=store, reserve="home use"),
        line("lot-2", 2, day(7, 20), day(9, 7), buyer=town, paid_on=day(9, 7)),
    )
    loads = (
        Load("Tarpaulins", "Lot-1", "1", day(7, 8), day(7, 10), 5, 450.0, 13.0, 0),
        Load("Hired dryer", "Lot-2", "2", day(7, 20), day(7, 20), 4, 400.0, 13.0, 1),
        Load("Hired dryer", "Lot-2", "2", day(7, 18), day(7, 18), 1, 100.0, None, 1),
        Load("Tarpaulins", "Lot-1", "1", day(7, 14), day(7, 14), 1, 90.0, 13.0, 0),
    )
    trips = np.zeros((len(case.buyers), 20), dtype=int)
    trips[1, 9], trips[1, 15] = 2, 1
    made = {"loans": ((1, 9, 100.0),), "bought": np.array([3, 0, 0]), "spaces": (1.0, 1.0), "trips": trips}
    allocation = SimpleNamespace(**made | changes)
    return SimpleNamespace(case=case, schedule=loads, sales=sales, allocation=allocation)


def test_orders_and_their_last_day_by_hand():
    """Bags ten days ahead, spaces ten, trucks and dryers seven, never before today (Monday 6 July).

    Three units of four bags at 0.5: 6. The dryer: 500 kg at 0.01; 0.004 a point: 400 kg from 18 to 13, 100 kg from 18:
    5 + 8 + 7.2 = 20.2.
    """
    plan = a_plan()
    trip = plan.case.trip_cost(1)
    found = [(item.kind, item.count, item.needed_on, item.order_by) for item in purchases(plan)]
    assert found == [
        ("bags", 3, day(7, 8), day(7, 6)),
        ("space", 1, day(7, 8), day(7, 6)),
        ("dryer", 1, day(7, 18), day(7, 11)),
        ("truck", 2, day(9, 7), day(8, 31)),
        ("truck", 1, day(10, 19), day(10, 12)),
    ]
    costs = [item.cost for item in purchases(plan)]
    assert costs == pytest.approx([3 * 4 * 0.5, 25.0, 20.2, 2 * trip, trip])
    said = [str(item.what) for item in purchases(plan)]
    assert "3 " in said[0]
    assert "500 kg" in said[2]
    assert said[3].startswith("book 2 truck trips to")
    assert said[4].startswith("book a truck trip to")
    without = a_plan(bought=np.array([0, 3, 0]), spaces=(0.0, 1.0), trips=np.zeros((4, 20)))
    assert [item.kind for item in purchases(without)] == ["dryer"]  # of a store that no line uses nothing is ordered


def test_steps_by_hand():
    """By day, and within a day in the order of the work; sales of one day to one buyer are one step of both lots."""
    plan = a_plan()
    found = [(action.on, action.kind, action.who, action.bags, action.lots) for action in next_actions(plan)]
    assert found == [
        (day(7, 6), "buy", "treasurer", 3, ()),
        (day(7, 6), "buy", "treasurer", 1, ()),
        (day(7, 8), "dry", "1", 5, ("Lot-1",)),
        (day(7, 8), "bag", "3", 3, ("Lot-3",)),
        (day(7, 10), "test", "1", 5, ("Lot-1",)),
        (day(7, 10), "bag", "1", 5, ("Lot-1",)),
        (day(7, 11), "book", "treasurer", 1, ()),
        (day(7, 13), "borrow", "treasurer", 0, ()),
        (day(7, 14), "dry", "1", 1, ("Lot-1",)),
        (day(7, 14), "test", "1", 1, ("Lot-1",)),
        (day(7, 14), "bag", "1", 1, ("Lot-1",)),
        (day(7, 18), "harvest", "2", 4, ("Lot-2",)),
        (day(7, 18), "dry", "2", 1, ("Lot-2",)),
        (day(7, 18), "test", "2", 1, ("Lot-2",)),
        (day(7, 20), "dry", "2", 4, ("Lot-2",)),
        (day(7, 20), "test", "2", 4, ("Lot-2",)),
        (day(7, 27), "sell", "group", 4, ("Lot-2",)),
        (day(8, 31), "book", "treasurer", 2, ()),
        (day(9, 7), "sell", "group", 7, ("Lot-1", "Lot-2")),
        (day(9, 7), "repay", "treasurer", 0, ()),
        (day(9, 21), "collect", "treasurer", 5, ("Lot-1",)),
        (day(10, 12), "book", "treasurer", 1, ()),
    ]
    money = {
        action.kind: action.what.values["amount"].value
        for action in next_actions(plan)
        if "pay" in action.kind or action.kind == "borrow"
    }
    assert money == pytest.approx({"borrow": 100.0, "repay": 100 * 1.02 ** (8 / MONTH)})
    (sold,) = [action for action in next_actions(plan) if action.on == day(9, 7) and action.kind == "sell"]
    assert "sell 7 bags" in str(sold.what)
    late = [action.on for action in next_actions(plan, day(7, 25))]
    assert late == sorted(late)
    assert {on for on in late if on <= day(9, 7)} == {day(7, 25), day(7, 27), day(8, 31), day(9, 7)}


# Grain kept back and promised

FACTS = {
    "plan.buying_margin": 0.1,
    "plan.seed_value_factor": 3.0,
    "plan.home_use_kg_week": 0.0,
    "plan.eaten_damage_per_pct": 0.02,
    "damaged_price_cut_per_point": 0.03,
    "plan.discount_per_point": 0.015,
}
PRICES = (CropPrice("maize", 0.25), CropPrice("sorghum", 0.3))


def kept(rows=(), lots=(), prices=PRICES, weeks=20, **facts):
    values = FACTS | {f"plan.{name}": value for name, value in facts.items()}
    targets = {"maize": 13.0, "sorghum": 12.5}
    found = reserves_of(rows, values.__getitem__, prices, lots, targets, weeks)
    assert all(one.damage_per_pct == 0.02 for one in found)
    return [(one.label, one.commodity, one.kg, one.until_week, one.value_per_kg, one.evenly, one.use) for one in found]


def test_what_is_asked_to_be_kept_back_by_hand():
    """Without a season a kg to eat is worth 1.3 times today's price, seed three times; to the last of 20 weeks."""
    rows = (
        {"commodity": "maize", "kg": 100, "label": "food"},
        {"commodity": "sorghum", "kg": 50, "evenly": False, "weeks": 5},
        {"commodity": "maize", "kg": 0.5, "weeks": 99, "value_per_kg": 2.0},
        {"commodity": "maize", "kg": 0},
        {"commodity": "beans", "kg": 5},
    )
    assert kept(rows) == [
        ("food", "maize", 100, 19, 0.325, True, "food"),
        ("reserve", "sorghum", 50, 5, pytest.approx(0.9), False, "seed"),
        ("reserve", "maize", 0.5, 19, 2.0, True, "food"),
    ]


@pytest.mark.parametrize(("asked", "left"), [(0, 450.0), (50, 400.0), (448.9, 1.1), (449.5, None)])
def test_seed_lots_are_kept_but_for_what_keeping_takes_by_hand(asked, left):
    """Ten bags of 50 kg at 12 %, drier than 12.5: 500 kg, of which 450 must be there, less what is asked for."""
    lot = replace(CASE.lots[0], commodity="sorghum", bags=10, bag_mass_kg=50.0, moisture_pct=12.0, use="seed")
    rows = [{"commodity": "sorghum", "kg": asked, "evenly": False}]
    found = [row for row in kept(rows, (lot,)) if row[0] == "seed of sorghum"]
    assert found == (
        [] if left is None else [("seed of sorghum", "sorghum", left, 19, pytest.approx(0.9), False, "seed")]
    )
    assert not kept((), (replace(lot, use="sale"),))


def test_home_use_lasts_to_the_next_harvest_of_the_staple_by_hand():
    """10 kg a week: 20 weeks are 200 kg; maize harvested in week 3 ends it with week 3, that of week 1 is this one."""
    first = replace(CASE.lots[0], commodity="maize", standing=True, available_week=1)
    lots = (first, replace(first, id="b", available_week=3), replace(first, id="c", available_week=2, standing=False))
    lots = (*lots, replace(first, id="d", available_week=2, commodity="sorghum"))  # another crop, which nobody eats
    assert kept(home_use_kg_week=10.0) == [("home use", "maize", 200.0, 19, 0.325, True, "food")]
    assert kept((), lots, home_use_kg_week=10.0) == [("home use", "maize", 40.0, 3, 0.325, True, "food")]
    two = (replace(first, available_week=2),)
    assert kept((), two, home_use_kg_week=10.0)[0][2:4] == (30.0, 2)
    others = (CropPrice("sorghum", 0.3), CropPrice("common_bean", 0.7))
    most = (
        replace(CASE.lots[0], commodity="sorghum", bags=3, bag_mass_kg=100.0),
        replace(CASE.lots[1], commodity="common_bean", bags=2, bag_mass_kg=100.0),
        replace(CASE.lots[2], commodity="common_bean", bags=2, bag_mass_kg=60.0),
    )
    assert kept((), most, others, home_use_kg_week=1.0)[0][1] == "common_bean"
    assert kept((), (), others, home_use_kg_week=1.0) == []


def test_the_price_of_the_lean_season_by_hand(monkeypatch):
    """Dearest month ahead at 0.5, a tenth more in small measures: 0.55; never below today's price."""
    asked = []

    def curve(months, from_price):
        asked.append((months, from_price))
        return pd.DataFrame({"mean": [0.3, 0.5, 0.4]})

    monkeypatch.setattr(kept_back, "season_of", lambda price: SimpleNamespace(forecast=curve))
    assert lean_price(CropPrice("maize", 0.25), 26, 0.1) == pytest.approx(0.55)
    assert lean_price(CropPrice("maize", 0.6), 1, 0.1) == pytest.approx(0.66)
    assert asked == [(6, 0.25), (1, 0.6)]  # 26 weeks are 5.98 months
    lot = replace(CASE.lots[0], bags=10, bag_mass_kg=100.0, moisture_pct=20.0)
    assert dried_kg(lot, 13.0) == pytest.approx(1000 * 80 / 87)
    assert dried_kg(replace(lot, moisture_pct=12.0), 13.0) == 1000


def test_promised_grain_by_hand():
    """500 kg promised on 1 July, 200 brought since and 99 before: 300 left, a bag more may come; due in week 3."""
    maize = replace(CASE.lots[0], id="7", commodity="maize")
    sales = pd.DataFrame(
        {
            "buyer": [" Mill ", "mill", "mill", "other"],
            "sold_on": ["2026-07-01", "2026-07-10", "2026-06-30", "2026-07-10"],
            "mass_kg": [50.0, 150.0, 99.0, 70.0],
            "commodity": ["maize"] * 4,
            "lot_id": [1, 1, 1, 1],
        }
    )
    row = {
        "buyer": "Mill",
        "commodity": "maize",
        "kg": 500,
        "price_per_kg": 0.4,
        "due": "2026-08-01",
        "agreed_on": "2026-07-01",
        "moisture_limit_pct": 14.0,
        "pay_delay_days": 8,
    }

    def promised(sold=sales, **changes):
        return promised_sales([row | changes], sold, (maize,), MONDAY, 20, FACTS.__getitem__)

    (who,) = promised()
    assert (who.code, who.name, who.commodities, who.fixed_price) == ("promise-1", "Mill (promised)", ("maize",), 0.4)
    assert (who.promised_kg, who.quantity_kg, who.pay_delay_weeks) == (300.0, 400.0, 2)
    assert (who.first_week, who.last_week, who.lots) == (0, 3, ())
    terms = who.deductions
    assert (terms.base_pct, terms.refusal_pct, terms.first_rate, terms.damage_per_pct) == (14.0, 15.0, 0.015, 0.03)
    assert float(terms.fraction(16.0)) == pytest.approx(0.03)
    (free,) = promised(moisture_limit_pct=None, pay_delay_days=0, lot="7")
    assert (free.deductions.base_pct, free.deductions.damage_per_pct, free.pay_delay_weeks, free.lots) == (
        None,
        0.03,
        0,
        ("7",),
    )
    assert promised(pay_delay_days=7)[0].pay_delay_weeks == 1
    assert promised(due="2026-07-01")[0].last_week == 0
    assert promised(due="2026-11-22")[0].last_week == 19
    nothing = sales.iloc[:0]
    for gone in ({"due": "2026-11-23"}, {"kg": 200.5}, {"commodity": "sorghum"}):
        assert promised(**gone) == ()
    assert promised(kg=200.6)[0].promised_kg == pytest.approx(0.6)
    assert promised(sold=nothing)[0].promised_kg == 500


# Placing


def fits(outlook, placed, ledger, spaces=()):
    """Whether bags by (lot, option) keep every limit: counted anew by day and week, no running account."""
    case = outlook.case
    lots, options = (np.array([key[at] for key in placed], dtype=int) for at in (0, 1))
    use = use_of(outlook, lots, options, np.array(list(placed.values()), dtype=float))
    room = floor_room(case, use.floor.shape[1])
    for number, choice in enumerate(case.drying):
        if choice.price > 0 and number not in spaces:
            room[number] = 0.0
    most = [way.owned_bags + way.buyable_units * way.bags_per_unit for way in case.storage]
    trips = sum(
        np.ceil(use.kg[number] / case.truck.capacity_kg - 1e-7)
        for number, who in enumerate(case.buyers)
        if who.distance_km > 0
    )
    return (
        (use.floor <= room + 1e-4).all()
        and (use.stock <= np.array(most)[:, None] + 1e-6).all()
        and (case.store_bags is None or (use.stock.sum(axis=0) <= case.store_bags + 1e-6).all())
        and (trips <= case.truck.trips_per_week).all()
        and all(
            (who.quantity_kg is None or use.kg[number].sum() <= who.quantity_kg + 1e-4)
            and (who.weekly_kg is None or not ledger.soft or use.kg[number].max() <= who.weekly_kg + 1e-4)
            for number, who in enumerate(case.buyers)
        )
    )


@pytest.mark.parametrize("seed", range(8))
def test_as_many_bags_are_placed_as_fit_by_trying_one_more(seed):
    """Bags are placed one choice after another; each time a bag more would have broken a limit or its lot is empty.

    Of a reserve a bag is placed as long as kg are lacking before it.
    """
    draw = np.random.default_rng([seed, 9])
    case = random_case(seed)
    case = case.with_changes(
        lots=tuple(replace(lot, bags=int(draw.integers(5, 15))) for lot in case.lots),
        buyers=tuple(
            replace(who, quantity_kg=float(draw.uniform(150, 900)) if draw.random() < 0.4 else None)
            for who in case.buyers
        ),
        storage=tuple(
            replace(way, owned_bags=int(draw.integers(0, 6)), buyable_bags=int(draw.integers(0, 9)))
            for way in case.storage
        ),
        truck=replace(case.truck, capacity_kg=float(draw.uniform(150, 500)), trips_per_week=int(draw.integers(1, 4))),
        store_bags=int(draw.integers(4, 14)) if draw.random() < 0.5 else None,
        drying=tuple(replace(way, capacity_kg=float(draw.uniform(200, 700))) for way in case.drying),
    )
    outlook = build_outlook(case, seed, invented_seasons(case, seed))
    bought = frozenset({1}) if seed % 2 else frozenset()
    ledger = Ledger(outlook, bought)
    ledger.soft = seed % 3 > 0
    placed: dict[tuple[int, int], int] = {}
    lacking = [reserve.kg for reserve in case.reserves]
    for _ in range(25):
        lot = int(draw.integers(len(case.lots)))
        table = outlook.options(lot)
        option = int(draw.integers(len(table)))
        if draw.random() < 0.3 and (table.reserve >= 0).any():
            option = int(draw.choice(np.flatnonzero(table.reserve >= 0)))
        left = case.lots[lot].bags - sum(bags for (one, _option), bags in placed.items() if one == lot)
        wanted = int(draw.integers(1, 12))
        found = ledger.take(lot, option, wanted)
        assert 0 <= found <= min(wanted, left)
        reserve, each = int(table.reserve[option]), case.lots[lot].bag_mass_kg * float(table.kept_kg[option])

        def possible(bags, place=(lot, option), reserve=reserve, each=each):
            if reserve >= 0 and bags and lacking[reserve] - (bags - 1) * each <= 1e-6:
                return False
            return fits(outlook, placed | {place: placed.get(place, 0) + bags}, ledger, bought)

        assert possible(found)
        if found < min(wanted, left):
            assert not possible(found + 1)
        if found:
            placed[lot, option] = placed.get((lot, option), 0) + found
            if reserve >= 0:
                lacking[reserve] -= found * each
    made = ledger.allocation()
    assert (
        dict(zip(zip(made.lot.tolist(), made.option.tolist(), strict=True), made.bags.tolist(), strict=True)) == placed
    )


def test_sales_below_what_a_buyer_takes_at_least_are_taken_back():
    """The gate takes 400 kg at least: three bags sold to it in a week go back to their lot, and the week is closed."""
    case = random_case(0)
    buyers = tuple(
        replace(who, minimum_kg=400.0 if number == 0 else 0.0, weekly_kg=None) for number, who in enumerate(case.buyers)
    )
    lots = tuple(replace(lot, bags=9, commodity=case.lots[0].commodity) for lot in case.lots)
    case = case.with_changes(buyers=buyers, lots=lots, reserves=())
    outlook = build_outlook(case, 0, invented_seasons(case, 0))
    ledger, table = Ledger(outlook), outlook.options(0)
    bare = (table.setup < 0) & (table.storage < 0)
    small = int(np.flatnonzero(bare & (table.buyer == 0))[0])
    other = int(np.flatnonzero(bare & (table.buyer == 1))[0])
    assert (ledger.take(0, small, 3), ledger.take(0, other, 2)) == (3, 2)
    assert ledger.close_small_sales()
    assert ledger.taken == {(0, other): 2}
    assert ledger.left[0] == 7
    assert ledger.kg[0].sum() == pytest.approx(0.0)
    assert ledger.room(0, small, 7) == 0
    assert not ledger.close_small_sales()
    enough = math.ceil(400 / (case.lots[0].bag_mass_kg * float(table.kept_kg[small])))
    fresh = Ledger(outlook)
    assert fresh.take(0, small, enough) == enough
    assert not fresh.close_small_sales()


@pytest.mark.parametrize("seed", range(6))
def test_what_is_promised_and_kept_back_is_placed_to_the_bag(seed):
    """Enough grain and room: of a promise and of each reserve no kg is lacking, and not a whole bag is too much."""
    case = random_case(seed)
    buyers = tuple(
        replace(who, promised_kg=240.0 if number == 0 else 0.0, commodities=(), quantity_kg=None, weekly_kg=None)
        for number, who in enumerate(case.buyers)
    )
    case = case.with_changes(
        buyers=buyers,
        lots=tuple(replace(lot, bags=40) for lot in case.lots),
        drying=tuple(replace(way, capacity_kg=1e6, price=0.0) for way in case.drying),
        storage=tuple(replace(way, owned_bags=400) for way in case.storage),
        truck=replace(case.truck, trips_per_week=50),
    )
    outlook = build_outlook(case, seed, invented_seasons(case, seed))
    ledger = Ledger(outlook)
    place_reserves(ledger)
    bag = max(lot.bag_mass_kg for lot in case.lots)
    assert 240.0 - 1e-3 <= ledger.kg[0].sum() < 240.0 + bag
    assert ledger.kg[1:].sum() == 0
    assert all(-bag < left <= 1e-3 for left in ledger.reserve)
    assert ledger.left.sum() + sum(ledger.taken.values()) == 120


# The last plan


@pytest.mark.parametrize("seed", range(4))
def test_a_kept_line_goes_to_the_option_most_like_it(seed):
    """Plain distance: 10 a week of the sale, 3 another store, 2 another space, 0.5 a week of drying, 0.3 a point."""
    case = random_case(seed)
    outlook, draw = build_outlook(case, seed, invented_seasons(case, seed)), np.random.default_rng([seed, 3])
    table, item = outlook.options(1), case.lots[1]
    for option in draw.choice(np.flatnonzero(table.buyer >= 0), 6, replace=False):
        setup, store = int(table.setup[option]), int(table.storage[option])
        away = int(draw.integers(-1, 3))
        begun = case.start + timedelta(weeks=int(table.start_week[option]) + away)
        kept_line = line(
            item.id,
            2,
            case.start,
            case.start + timedelta(weeks=max(0, int(table.sale_week[option]) + away), days=3),
            buyer=case.buyers[table.buyer[option]].name,
            storage="" if draw.random() < 0.3 or store < 0 else case.storage[store].name,
            setup="" if setup < 0 else case.drying[setup].name,
            dry_from=None if setup < 0 else begun,
            target_pct=None if setup < 0 else float(table.target_pct[option]) - 0.4,
        )
        best, nearest = math.inf, None
        for other in range(len(table)):
            if table.buyer[other] != table.buyer[option]:
                continue
            space, where = int(table.setup[other]), int(table.storage[other])
            apart = 10 * abs(int(table.sale_week[other]) - case.week_of(kept_line.sell_on))
            apart += 3 * ((case.storage[where].name if where >= 0 else "") != kept_line.storage)
            apart += 2 * ((case.drying[space].name if space >= 0 else "") != kept_line.setup)
            if kept_line.dry_from is not None:
                apart += 0.5 * abs(int(table.start_week[other]) - max(0, case.week_of(begun)))
                target = float(table.target_pct[other])
                apart += 0.0 if math.isnan(target) else 0.3 * abs(target - kept_line.target_pct)
            if apart < best - 1e-9:
                best, nearest = apart, other
        assert kept_bags(outlook, [kept_line]) == {1: {nearest: 2}}


def test_bags_that_are_gone_are_dropped_from_a_kept_plan():
    """Of nine bags seven and four were planned: seven and two are left. A lot that is gone is nobody's; a buyer that
    is gone ends the plan.
    """
    case = random_case(1)
    case = case.with_changes(lots=(replace(case.lots[0], bags=9), *case.lots[1:]))
    outlook = build_outlook(case, 1, invented_seasons(case, 1))
    gate, lot = case.buyers[0].name, case.lots[0].id
    rows = [line(lot, 4, MONDAY, day(8, 3), buyer=gate), line(lot, 7, MONDAY, MONDAY, buyer=gate)]
    found = kept_bags(outlook, [*rows, line("gone", 5, MONDAY, MONDAY, buyer=gate)])
    assert sorted(found[0].values()) == [2, 7]
    assert list(found) == [0]
    assert kept_bags(outlook, [rows[0], line(lot, 1, MONDAY, MONDAY, buyer="gone")]) is None
    assert kept_bags(outlook, []) == {}


def test_the_seasons_end_by_hand():
    """Lot 1: 425 kg at 0.30 and 170 at 0.35 planned: 187.00; 300 at 0.32 and 300 at 0.30 sold: 186.00.

    5 kg more at 187 / 595; the rest is the price. Planned on 11 September at the mean of the kg, sold on the 15th.
    """
    lines = (
        line("1", 5, MONDAY, day(9, 7), buyer="Mill", price_kg=0.30),
        line("1", 2, MONDAY, day(9, 21), buyer="Mill", price_kg=0.35),
        line("2", 4, MONDAY, day(7, 27), buyer="Gate"),
        line("3", 3, MONDAY, day(7, 27), reserve="home use"),
    )
    first = KeptPlan(1, MONDAY, "w", 0.0, 0.0, "{}", lines)
    rows = [
        (1, day(7, 5), 99.0, 0.9, None),
        (1, day(9, 8), 300.0, 0.32, day(9, 10)),
        (1, day(9, 22), 300.0, 0.30, None),
        (9, day(8, 1), 100.0, 0.20, None),
    ]
    sales = pd.DataFrame(rows, columns=["lot_id", "sold_on", "mass_kg", "price_per_kg", "paid_on"])
    found = {row["lot"]: row for row in season_end(first, sales, {9: "Ninth"}).to_dict("records")}
    assert set(found) == {"1", "2", "Ninth"}
    one = found["1"]
    assert (one["kg_planned"], one["kg_done"]) == (595, 600)
    assert (one["planned"], one["done"], one["paid"], one["unpaid"]) == pytest.approx((187, 186, 96, 90))
    assert (one["by_quantity"], one["by_price"]) == pytest.approx((5 * 187 / 595, -1 - 5 * 187 / 595))
    assert (one["planned_on"], one["done_on"], one["days_later"]) == (day(9, 11), day(9, 15), 4)
    assert str(one["why"]) == "as planned"
    assert (found["2"]["kg_planned"], found["2"]["by_quantity"]) == (340, pytest.approx(-340 * 0.3))
    assert str(found["2"]["why"]) == "not sold yet"
    ninth = found["Ninth"]
    assert (ninth["by_quantity"], ninth["by_price"], str(ninth["why"])) == (20, 0, "sold without having been planned")
    early = season_end(first, sales.iloc[:0], {}, until=day(9, 7)).set_index("lot")
    assert early["kg_planned"].tolist() == [425, 340]
    assert season_end(first, sales, {}, until=MONDAY).set_index("lot").loc["2", "kg_planned"] == 0


def test_what_differs_from_the_plan_at_its_edges():
    def said(kg=100.0, price=1.0, later=0):
        return str(_difference(100.0, kg, 1.0, price, later))

    for alike in (
        {"kg": 102.9},
        {"kg": 97.1},
        {"price": 1.029},
        {"price": 0.971},
        {"later": 7},
        {"later": -7},
        {"later": None},
    ):
        assert said(**alike) == "as planned"
    for other in ({"kg": 103.1}, {"kg": 96.9}, {"price": 1.031}, {"price": 0.969}, {"later": 8}, {"later": -8}):
        assert "%" in said(**other)
    assert said(120.0, 0.9, 9) == "+20 % of quantity, -10 % of price, 9 days later than planned"


def test_what_changed_since_the_last_plan_at_its_edges():
    """Prices from 2 % on, moisture from half a point on; lots moved by more than a week or to another buyer."""
    before = CASE.with_changes(
        prices=(CropPrice("maize", 1.0), CropPrice("common_bean", 1.0), CropPrice("sorghum", 1.0))
    )
    last = KeptPlan(1, MONDAY, "w", 0.0, 0.0, before.to_json(), ())

    def said(impossible=False, prices=(1.0, 1.0, 1.0), wetter=(0.0, 0.0, 0.0), number="lot-1"):
        now = before.with_changes(
            prices=tuple(replace(one, price_now=price) for one, price in zip(before.prices, prices, strict=True)),
            lots=tuple(
                replace(lot, moisture_pct=lot.moisture_pct + more, id=number if lot.id == "lot-1" else lot.id)
                for lot, more in zip(before.lots, wetter, strict=True)
            ),
        )
        return [str(one) for one in _why_changed(last, SimpleNamespace(case=now, allocation=None), impossible)]

    assert said() == []
    assert len(said(prices=(1.021, 0.979, 1.019))) == 2
    assert "by -2 %" in said(prices=(1.0, 0.979, 1.0))[0]
    assert len(said(wetter=(0.51, -0.51, 0.49))) == 2
    assert said(number="new") == ["lot Lot 1 is new", "lot Lot 1 is sold or used"]
    assert len(said(impossible=True)) == 1
    old = (line("a", 3, MONDAY, day(8, 3), buyer="M"), line("a", 2, MONDAY, day(9, 7), buyer="M"))

    def moved(*lines):
        return _moved(replace(last, lines=old), SimpleNamespace(sales=lines))["lot"].tolist()

    assert moved(line("a", 5, MONDAY, day(8, 10), buyer="M")) == []
    assert moved(line("a", 5, MONDAY, day(8, 11), buyer="M")) == ["A"]
    assert moved(line("a", 5, MONDAY, day(8, 3), buyer="N")) == ["A"]
    assert moved(line("b", 5, MONDAY, day(8, 3), buyer="M")) == ["A", "B"]
    assert moved() == ["A"]
