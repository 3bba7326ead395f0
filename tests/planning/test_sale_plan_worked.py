"""What a plan leaves unmet, which limits bind or break, its lines, and when a standing lot is cut: by hand.

Nothing is planned: what an allocation takes of each limit is written down here.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from core.errors import InputError
from core.planning import drying_ahead, harvest, sale_plan, worth
from core.planning.case import CaseBuyer, CashNeed, DryingChoice, Reserve, StorageChoice, Truck, make_case
from core.planning.schedule import DryingJob, Spread

WEEKS, COUNT = 6, 10
CASE = make_case(2, WEEKS, COUNT, 1)
LOTS = tuple(
    replace(lot, id=name, label=f"Lot {name}", commodity="maize", bags=10, bag_mass_kg=50.0, standing=False, use="sale")
    for lot, name in zip(CASE.lots, "ab", strict=True)
)
GATE, TOWN = CaseBuyer("gate", "Gate"), CaseBuyer("town", "Town", distance_km=10.0)
CASE = CASE.with_changes(
    lots=LOTS,
    buyers=(GATE, TOWN),
    drying=(DryingChoice("s", "Sheets", "tarpaulin", 500.0),),
    storage=(StorageChoice("w", "Woven", "woven_bag", owned_bags=10, buyable_bags=10, bags_per_unit=5),),
    truck=Truck(capacity_kg=1000.0, trips_per_week=2),
    needs=(),
    reserves=(),
    store_bags=None,
    risk_weight=0.0,
    certainty=0.9,
    cash_now=0.0,
    days_gone=0,
)


def use(**parts):
    """Return what an allocation takes: nothing, unless said otherwise."""
    nothing = {
        "floor": np.zeros((1, WEEKS + 8)),
        "stock": np.zeros((1, WEEKS)),
        "kg": np.zeros((2, WEEKS)),
        "bags": np.zeros(2),
        "reserve_kg": np.zeros(0),
    }
    return SimpleNamespace(**nothing | parts)


def at(shape, place, value):
    made = np.zeros(shape)
    made[place] = value
    return made


def allocation(**parts):
    plain = {
        "lot": np.zeros(0, dtype=int),
        "option": np.zeros(0, dtype=int),
        "bags": np.zeros(0),
        "trips": np.zeros((2, WEEKS), dtype=int),
        "bought": np.array([0]),
        "spaces": (),
        "loans": (),
    }
    return SimpleNamespace(**plain | parts)


def outlook(case=CASE, **more):
    return SimpleNamespace(case=case, **more)


@pytest.fixture
def taken(monkeypatch):
    """Set what the allocation takes, and the balances of the group's account."""

    def set_to(balances=None, **parts):
        for room in (sale_plan, worth):
            monkeypatch.setattr(room, "use_of", lambda *_: use(**parts))
            if balances is not None:
                monkeypatch.setattr(room, "account_balances", lambda *_: np.asarray(balances, dtype=float))

    set_to(np.zeros((0, COUNT)))
    return set_to


# 500 kg of sheets hold ten bags of 50 kg, seven days a week: 3500 kg-days; 0.9 of them are 3150
@pytest.mark.parametrize(
    ("parts", "trips", "case", "binding"),
    [
        ({"floor": at((1, WEEKS + 8), (0, 2), 3150.0)}, 0, CASE, ()),
        ({"floor": at((1, WEEKS + 8), (0, 2), 3151.0)}, 0, CASE, ("drying:s",)),
        # 10 bags and two units of five: 20; 0.95 of them are 19
        ({"stock": at((1, WEEKS), (0, 3), 19.0)}, 0, CASE, ()),
        ({"stock": at((1, WEEKS), (0, 3), 19.1)}, 0, CASE, ("storage:w",)),
        ({"stock": at((1, WEEKS), (0, 3), 19.0)}, 0, CASE.with_changes(store_bags=20), ()),
        ({"stock": at((1, WEEKS), (0, 3), 19.1)}, 0, CASE.with_changes(store_bags=20), ("storage:w", "store")),
        ({"stock": at((1, WEEKS), (0, 3), 18.0)}, 0, CASE.with_changes(store_bags=18), ("store",)),
        ({}, 1, CASE, ()),
        ({}, 2, CASE, ("truck",)),
    ],
)
def test_limits_that_bind(taken, parts, trips, case, binding):
    taken(**parts)
    assert sale_plan._binding(outlook(case), allocation(trips=at((2, WEEKS), (1, 2), trips))) == binding


def test_a_space_without_room_does_not_bind_for_nothing_stored(taken):
    nothing = CASE.with_changes(storage=(replace(CASE.storage[0], owned_bags=0, buyable_bags=0),))
    assert sale_plan._binding(outlook(nothing), allocation()) == ()


def test_cash_binds_where_a_bad_year_leaves_less_than_three_hundredths_of_the_needs(taken):
    """Needs of 1000: in the worst tenth of the years less than 30 over."""
    case = CASE.with_changes(needs=(CashNeed(1, 400.0), CashNeed(3, 600.0)))
    for low, binding in ((30.0, ()), (29.9, ("cash",))):
        taken(np.array([np.full(COUNT, 500.0), np.full(COUNT, low)]))
        assert sale_plan._binding(outlook(case), allocation()) == binding
    # nine good years of ten and one short of all: the tenth part of the years lies at 0.1 x 9 = 0.9 of the way
    row = np.full(COUNT, 500.0)
    row[0] = -400.0  # 500 - 0.1 x 900 = 410 is left at that place
    taken(np.array([row, row]))
    assert sale_plan._binding(outlook(case), allocation()) == ()


def test_what_is_lacking_by_hand(taken):
    """100 kg for the house at 2 of which 60 are kept; 300 kg promised at 0.5 of which 250 go: 80 + 25 = 105.

    Cash: the first date is met in 9 of 10 years, as asked for; the second in 8, and at one tenth of the years 0.9
    of the way from -50 to -30 = -32 is missing.
    """
    promised = (replace(GATE, promised_kg=300.0, fixed_price=0.5), TOWN)
    case = CASE.with_changes(
        needs=(CashNeed(1, 400.0), CashNeed(3, 600.0)),
        reserves=(Reserve("home", "maize", 100.0, 4, 2.0),),
        buyers=promised,
    )
    first, second = np.full(COUNT, 10.0), np.full(COUNT, 10.0)
    first[0], second[:2] = -99.0, (-50.0, -30.0)
    taken([first, second], reserve_kg=np.array([60.0]), kg=at((2, WEEKS), (0, 2), 250.0))
    lacking = sale_plan.lacking_of(outlook(case), allocation())
    assert lacking.kept_back == pytest.approx(105.0)
    assert lacking.met.tolist() == [0.9, 0.8]
    assert lacking.cash == pytest.approx([0.0, 32.0])
    assert sale_plan.penalty_of(outlook(case), allocation()) == pytest.approx(5.0 * (105.0 + 32.0))
    taken([first, first], reserve_kg=np.array([130.0]), kg=at((2, WEEKS), (0, 2), 400.0))
    assert sale_plan.penalty_of(outlook(case), allocation()) == 0.0
    [reserve] = sale_plan._unmet_reserves(outlook(case), allocation()) or [None]
    assert reserve is None
    taken([first, second], reserve_kg=np.array([60.0]), kg=at((2, WEEKS), (0, 2), 240.0))
    [reserve] = sale_plan._unmet_reserves(outlook(case), allocation())
    assert (reserve.label, reserve.amount, reserve.lacking, reserve.share_met) == ("home", 100.0, 40.0, 0.6)
    assert reserve.advice.values["kg"] == 40
    [promise] = sale_plan._unmet_promises(outlook(case), allocation())
    assert (promise.label, promise.amount, promise.lacking, promise.share_met) == ("Gate", 300.0, 60.0, 0.8)
    assert promise.advice.values["kg"] == 60
    taken([first, second], kg=at((2, WEEKS), (0, 2), 300.0))
    assert sale_plan._unmet_promises(outlook(case), allocation()) == []


def test_an_unmet_need_names_when_the_sales_cover_it(taken, monkeypatch):
    """At hand 50; sales of 100 a week but for one bad year of ten, which has 60 less from week 2 on.

    By week 2 300 are due: 250 come in by week 1, 350 (290 in the bad year) by week 2, 450 (390) by week 3. At one
    tenth of the years, 0.9 of the way: 344 - that is enough in week 2 already. Of 350 it is not: week 3 has 444.
    """
    income = np.zeros((WEEKS + 40, COUNT))
    income[:WEEKS] = 100.0
    income[2, 0] = 40.0
    monkeypatch.setattr(sale_plan, "evaluate", lambda *_: SimpleNamespace(cash_week=income))

    def advice(second, week=2):
        case = CASE.with_changes(needs=(CashNeed(1, 200.0), CashNeed(2, second), CashNeed(4, 1e6)), cash_now=50.0)
        return sale_plan._remedy(outlook(case), allocation(), week, 12.4).values

    assert advice(150.0)["later"] == CASE.week_date(3)
    assert advice(244.0 - 1e-9)["later"] == CASE.week_date(3)
    assert advice(245.0)["later"] == CASE.week_date(4)
    assert advice(150.0)["day"] == CASE.week_date(2)
    assert str(advice(150.0)["amount"]) == f"{CASE.currency} 12.40"
    assert "later" not in advice(1e6)
    assert advice(100.0, 1)["later"] == CASE.week_date(2)


def test_unmet_cash_is_said_of_its_date(taken, monkeypatch):
    case = CASE.with_changes(
        needs=(CashNeed(1, 400.0, label="seed"), CashNeed(3, 250.0, label="school"), CashNeed(3, 350.0))
    )
    second = np.full(COUNT, 10.0)
    second[:2] = (-50.0, -30.0)
    taken([np.full(COUNT, 10.0), second])
    monkeypatch.setattr(sale_plan, "_remedy", lambda outlook, allocation, week, short: (week, short))
    [unmet] = sale_plan._unmet_cash(outlook(case), allocation())
    assert (unmet.label, unmet.amount, unmet.share_met) == ("cash, school", 600.0, 0.8)
    assert unmet.lacking == pytest.approx(32.0)
    assert unmet.advice == (3, unmet.lacking)


def test_mould_is_said_from_three_bags_in_a_hundred_on():
    sales = tuple(
        SimpleNamespace(label=label, unfit_share=share)
        for label, share in (("a", 0.01), ("a", 0.04), ("b", 0.029), ("c", 0.03))
    )
    said = sale_plan._spoilt(sales)
    assert [(one.values["lot"], one.values["share"]) for one in said] == [("a", 4), ("c", 3)]


def test_the_gap_and_what_is_left_by_hand(taken, monkeypatch):
    """Value 100 on average and 40 in the worst tenth, weighed by a half: 120. A bound of 126 leaves 5 %."""
    value = np.full(COUNT, 960.0 / 9)
    value[0] = 40.0
    monkeypatch.setattr(
        sale_plan, "evaluate", lambda *_: worth.Worth(value, np.zeros((WEEKS + 40, COUNT)), np.zeros(0))
    )
    monkeypatch.setattr(sale_plan, "_lines_and_loads", lambda *_: ((), (), ()))
    taken(np.zeros((0, COUNT)), bags=np.array([7.0, 9.6]))
    case = CASE.with_changes(risk_weight=0.5)
    plan = sale_plan.finish(outlook(case), allocation(), 126.0, "by hand", 1.0)
    assert plan.objective == pytest.approx(120.0)
    assert plan.gap == pytest.approx(0.05)
    assert plan.unsold_bags == (("Lot a", 3),)
    assert [note.values["bags"] for note in plan.notes] == [3]
    assert sale_plan.finish(outlook(case), allocation(), 119.0, "by hand", 1.0).gap == 0.0
    assert sale_plan.finish(outlook(case), allocation(), np.inf, "by hand", 1.0).gap == np.inf
    taken(np.zeros((0, COUNT)), bags=np.array([10.0, 10.0]))
    assert sale_plan.finish(outlook(case), allocation(), 126.0, "by hand", 1.0).notes == ()


ROAD = at((2, WEEKS), (1, 2), 1000.0)


@pytest.mark.parametrize(
    ("parts", "made", "case", "broken"),
    [
        ({}, {}, CASE, []),
        ({}, {"bags": np.array([1.0, -1.0])}, CASE, ["whole bags"]),
        ({}, {"bags": np.array([1.5])}, CASE, ["whole bags"]),
        ({"bags": np.array([10.0, 10.0])}, {}, CASE, []),
        ({"bags": np.array([10.0, 10.1])}, {}, CASE, ["bags of a lot"]),
        ({"floor": at((1, WEEKS + 8), (0, 2), 3500.0)}, {}, CASE, []),
        ({"floor": at((1, WEEKS + 8), (0, 2), 3500.1)}, {}, CASE, ["drying space"]),
        ({"stock": at((1, WEEKS), (0, 3), 10.0)}, {}, CASE, []),
        ({"stock": at((1, WEEKS), (0, 3), 11.0)}, {}, CASE, ["storage bags"]),
        ({"stock": at((1, WEEKS), (0, 3), 20.0)}, {"bought": np.array([2])}, CASE, []),
        ({"stock": at((1, WEEKS), (0, 3), 20.1)}, {"bought": np.array([2])}, CASE, ["storage bags"]),
        ({}, {"bought": np.array([3])}, CASE, ["storage bags"]),  # two units can be had
        ({"stock": at((1, WEEKS), (0, 3), 9.0)}, {}, CASE.with_changes(store_bags=9), []),
        ({"stock": at((1, WEEKS), (0, 3), 9.1)}, {}, CASE.with_changes(store_bags=9), ["store room"]),
        ({"kg": ROAD}, {"trips": at((2, WEEKS), (1, 2), 1)}, CASE, []),
        ({"kg": 1.001 * ROAD}, {"trips": at((2, WEEKS), (1, 2), 1)}, CASE, ["truck"]),
        ({"kg": ROAD[::-1]}, {}, CASE, []),  # who comes to fetch needs no trip
        ({}, {"trips": at((2, WEEKS), (1, 2), 2)}, CASE, []),
        ({}, {"trips": at((2, WEEKS), (1, 2), 3)}, CASE, ["truck"]),
    ],
)
def test_limits_that_break(taken, monkeypatch, parts, made, case, broken):
    monkeypatch.setattr(worth, "spread_of", lambda *_: [])
    taken(**parts)
    assert worth.broken_limits(outlook(case), allocation(**made)) == broken


def test_offers_and_late_loads_that_break(taken, monkeypatch):
    job = DryingJob(0, 0, 1, 50.0, 3, 0, 2)
    monkeypatch.setattr(worth, "spread_of", lambda *_: [Spread(job, 0, 1)])
    assert worth.broken_limits(outlook(), allocation()) == []  # off the floor on the day that it is needed
    monkeypatch.setattr(worth, "spread_of", lambda *_: [Spread(job, 1, 1)])
    assert worth.broken_limits(outlook(), allocation()) == ["drying space"]
    monkeypatch.setattr(worth, "spread_of", lambda *_: [])
    offer = CASE.with_changes(buyers=(replace(GATE, quantity_kg=300.0, minimum_kg=100.0), TOWN))
    weeks = np.zeros((2, WEEKS))
    for first, second, broken in (
        (100.0, 200.0, []),
        (100.0, 201.0, ["offer quantity"]),
        (99.0, 200.0, ["least sale"]),
        (0.0, 100.0, []),
    ):
        weeks[0, 1], weeks[0, 4] = first, second
        taken(kg=weeks)
        assert worth.broken_limits(outlook(offer), allocation()) == broken
    bought = CASE.with_changes(drying=(replace(CASE.drying[0], price=10.0),))
    taken(floor=at((1, WEEKS + 8), (0, 2), 1000.0))
    assert worth.broken_limits(outlook(bought), allocation()) == ["drying space"]
    assert worth.broken_limits(outlook(bought), allocation(spaces=(1.0,))) == []
    monkeypatch.setattr(worth, "breaks_terms", lambda *_: True)
    taken()
    assert worth.broken_limits(outlook(), allocation(loans=((0, 1, 5.0),))) == ["loan on stored grain"]
    assert worth.broken_limits(outlook(), allocation()) == []


def table(**columns):
    plain = {
        "setup": [-1, 0],
        "storage": [-1, 0],
        "buyer": [0, -1],
        "reserve": [-1, 0],
        "sale_week": [1, 4],
        "pay_week": [3, 4],
        "ready_week": [1, 2],
        "harvest_week": [0, 1],
        "kept_kg": [0.9, 0.8],
        "price_kg": [0.5, 0.4],
        "target_pct": [np.nan, 13.0],
        "unfit": [0.1, 0.2],
    }
    return SimpleNamespace(**{name: np.asarray(value) for name, value in (plain | columns).items()})


def test_a_line_of_the_plan_by_hand():
    """Four bags of 50 kg: 200 in, 180 left; a bag is worth 1 to 10, so a tenth of the way 4 x 1.9 and 4 x 9.1."""
    values = np.arange(1.0, 11.0)
    case = CASE.with_changes(reserves=(Reserve("home", "maize", 100.0, 4, 2.0),))
    start = case.start

    def line(option, spreads=(), case=case, **columns):
        view = outlook(case, options=lambda lot: table(**columns), values=lambda lot, at: np.array([values]))
        return sale_plan._line(view, 0, option, 4, list(spreads))

    sold = line(0)
    assert (sold.kg_in, sold.kg_sold, sold.buyer, sold.reserve) == (200.0, 180.0, "Gate", "")
    assert (sold.value, sold.value_low, sold.value_high) == pytest.approx((22.0, 7.6, 36.4))
    assert (sold.ready_on, sold.sell_on, sold.paid_on) == tuple(start + timedelta(days=7 * week) for week in (1, 1, 3))
    assert (sold.setup, sold.storage, sold.dry_from, sold.target_pct, sold.harvest_on) == ("", "", None, None, None)
    assert (sold.price_kg, sold.unfit_share, sold.week) == (0.5, 0.1, 1)
    job = DryingJob(0, 0, 4, 50.0, 3, 8, 20)
    kept = line(1, (Spread(job, 9, 2), Spread(job, 8, 2)))
    assert (kept.buyer, kept.reserve, kept.setup, kept.storage, kept.target_pct) == (
        "",
        "home",
        "Sheets",
        "Woven",
        13.0,
    )
    assert (kept.dry_from, kept.ready_on) == (start + timedelta(days=8), start + timedelta(days=11))
    assert kept.sell_on == kept.paid_on == start + timedelta(days=28)
    # sold in its week, but not before it is dry, nor before the offer stands; paid not before it is sold
    late = line(0, (Spread(job, 9, 4),), pay_week=[1, 1])
    assert late.sell_on == late.paid_on == start + timedelta(days=11)
    offer = case.with_changes(buyers=(replace(GATE, first_day=12, first_week=1), TOWN))
    assert line(0, case=offer).sell_on == start + timedelta(days=12)
    standing = case.with_changes(lots=(replace(LOTS[0], standing=True, latest_week=3), LOTS[1]))
    assert line(1, case=standing).harvest_on == start + timedelta(days=7)


def test_lines_come_in_the_order_of_sale_and_loads_name_theirs(monkeypatch):
    """The first line of the allocation is sold in week 4, the second in week 1: they change places, loads follow."""
    case = CASE.with_changes(reserves=(Reserve("home", "maize", 100.0, 4, 2.0),))
    view = outlook(case, options=lambda lot: table(setup=[0, 0]), values=lambda lot, at: np.ones((1, COUNT)))
    early = DryingJob(1, 0, 2, 40.0, 2, 0, 6)
    late = DryingJob(0, 0, 3, 50.0, 3, 0, 20)
    spreads = [Spread(late, 4, 3), Spread(early, 2, 1), Spread(early, 0, 1)]
    monkeypatch.setattr(sale_plan, "spread_of", lambda *_: spreads)
    made = allocation(lot=np.array([0, 1]), option=np.array([1, 0]), bags=np.array([3, 2]))
    lines, loads, order = sale_plan._lines_and_loads(view, made)
    assert order == (1, 0)
    assert [(line.label, line.week, line.bags) for line in lines] == [("Lot b", 1, 2), ("Lot a", 4, 3)]
    assert [(line.dry_from - case.start).days for line in lines] == [0, 4]
    assert [(line.ready_on - case.start).days for line in lines] == [3, 6]
    days = [((load.on - case.start).days, (load.until - case.start).days) for load in loads]
    assert days == [(0, 1), (2, 3), (4, 6)]
    assert [(load.lot, load.line, load.bags, load.mass_kg) for load in loads] == [
        ("Lot b", 0, 1, 40.0),
        ("Lot b", 0, 1, 40.0),
        ("Lot a", 1, 3, 150.0),
    ]


def standing_view(worths, weeks, case=None):
    lot = replace(LOTS[0], standing=True, latest_week=4, available_week=0, moisture_pct=20.0, moisture_se_pct=0.0)
    case = case or CASE.with_changes(lots=(lot, LOTS[1]))
    columns = SimpleNamespace(
        harvest_week=np.array(weeks), sale_week=np.arange(len(weeks)), buyer=np.zeros(len(weeks), dtype=int)
    )

    def stand(stands, week, moisture):
        return SimpleNamespace(moisture_pct=moisture - week, lost=np.linspace(0.0, 0.02 * week, COUNT))

    seasons = SimpleNamespace(stand=stand, moisture_draw={"a": np.zeros(COUNT)})
    return SimpleNamespace(
        case=case,
        representatives=(lot,),
        lot_class=np.zeros(2, dtype=int),
        options=lambda number: columns,
        seasons=seasons,
        worths=np.array(worths),
    )


@pytest.fixture
def worths(monkeypatch):
    monkeypatch.setattr(harvest, "net_values", lambda case, table, kg: standing_view.worths)
    monkeypatch.setattr(harvest, "free_to_sell", lambda case, table: standing_view.free)

    def made(worths, weeks, free=None):
        standing_view.worths = np.array(worths, dtype=float)
        standing_view.free = np.array(free or [True] * len(weeks))
        return standing_view(worths, weeks)

    return made


def test_weeks_of_harvest_by_hand(worths):
    """A point a week dries in the field, and up to 2 % a week is lost: 1 % on average."""
    view = worths([10.0, 12.0, 99.0, 13.0, 11.0], [0, 0, 2, 2, 3], [True, True, False, True, True])
    found = harvest.harvest_weeks_compared(view, 0)
    assert found.index.tolist() == [0, 2, 3]
    assert found["mean"].tolist() == [12.0, 13.0, 11.0]
    assert found["option"].tolist() == found["sale_week"].tolist() == [1, 3, 4]
    assert found["moisture_pct"].tolist() == pytest.approx([20.0, 18.0, 17.0])
    assert found["lost_pct"].tolist() == pytest.approx([0.0, 2.0, 3.0])
    said = harvest.harvest_sentence(view, 0)
    assert said.values["day"] == CASE.week_date(2)
    assert (said.values["moisture"], said.values["lost"], said.values["more"]) == (18.0, 2.0, 8.3)  # 13 / 12 - 1
    with pytest.raises(InputError, match="harvested already"):
        harvest.harvest_weeks_compared(view, 1)


def test_words_of_the_weeks_of_harvest(worths):
    assert "as soon as it can be" in str(harvest.harvest_sentence(worths([12.0, 12.0], [0, 1]), 0))
    assert "no other week" in str(harvest.harvest_sentence(worths([12.0, 11.0], [1, 1]), 0))
    assert "no buyer" in str(harvest.harvest_sentence(worths([12.0], [1], [False]), 0))
    assert "leave lot" in str(harvest.harvest_sentence(worths([12.0, 12.1], [0, 1]), 0))


def test_a_lots_drying_meets_each_weather_with_three_draws_of_its_moisture(monkeypatch):
    """16 % give or take half a point; 400 weathers have 1200 draws, whose mean and spread are known to 0.02."""
    asked = {}

    def simulate_drying(crop, starts, frames, setup, target, rate_factors):
        asked.update(starts=starts, frames=frames, rates=rate_factors, target=target)
        return SimpleNamespace(days_to_target=np.array([2.0, 3.0, 3.2, 9.0, 9.0]))

    monkeypatch.setattr(drying_ahead, "simulate_drying", simulate_drying)
    monkeypatch.setattr(drying_ahead, "outlook", lambda crop, run: "outlook")
    belief = SimpleNamespace(sample=lambda count, seed: np.arange(count) + 1.0)
    frames = list(range(400))
    found = drying_ahead.lot_drying("maize", (16.0, 0.5), frames, "setup", 13.0, belief, 1)
    assert asked["frames"] == frames * 3
    assert asked["rates"].tolist() == [*range(1, 401)] * 3
    assert asked["starts"].mean() == pytest.approx(16.0, abs=0.06)  # four times 0.5 / sqrt(1200)
    assert asked["starts"].std() == pytest.approx(0.5, abs=0.04)
    assert found.outlook == "outlook"
    drying_ahead.lot_drying("maize", (74.9, 5.0), frames, "setup", 13.0, belief, 1)
    assert asked["starts"].max() == 75.0
    drying_ahead.lot_drying("maize", (1.1, 5.0), frames, "setup", 13.0, belief, 1)
    assert asked["starts"].min() == 1.0


@pytest.mark.parametrize(
    ("days", "booked"), [([1, 2, 3, 4, 9], 4), ([1, 2, 3, 4.2, 9], 5), ([9, 1, np.inf, 2, 3], 9), ([1, np.inf], np.inf)]
)
def test_a_space_is_kept_until_four_in_five_weathers_have_dried_the_grain(days, booked):
    assert drying_ahead.booked(np.array(days, dtype=float)) == booked


def test_drying_begins_with_the_forecast_where_its_first_hours_of_that_day_are_over(monkeypatch):
    """The forecast's first hour ends at 9: it begins at 8, on the day asked for, at its last hour, or another day."""
    asked = []
    monkeypatch.setattr("core.weather.scenarios.extend_scenarios", lambda *given: asked.append(given[3:6]) or [])
    monkeypatch.setattr(drying_ahead, "mend_weather", lambda frames, longitude: frames)
    index = pd.date_range("2026-07-06 09:00", periods=48, freq="h", tz="UTC")
    data = SimpleNamespace(forecast=SimpleNamespace(index=index), normals=None, place=SimpleNamespace(longitude=0.0))
    first = datetime(2026, 7, 6, 8, tzinfo=UTC)
    for start, begins in (
        (datetime(2026, 7, 6, tzinfo=UTC), first),
        (datetime(2026, 7, 5, 8, tzinfo=UTC), first),
        (datetime(2026, 7, 5, 7, tzinfo=UTC), datetime(2026, 7, 5, 7, tzinfo=UTC)),
        (datetime(2026, 7, 6, 8, tzinfo=UTC), first),
        (datetime(2026, 7, 6, 9, tzinfo=UTC), datetime(2026, 7, 6, 9, tzinfo=UTC)),
    ):
        drying_ahead.weather_ahead(data, start, 1)
        assert asked[-1] == (begins, 20, 24)
    drying_ahead.weather_ahead(SimpleNamespace(**{**vars(data), "forecast": None}), first, 1)
    assert asked[-1] == (first, 20, 24)
