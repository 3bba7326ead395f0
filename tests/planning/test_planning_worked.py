"""What a planning case may say at its edges, and the small laws of the plan by hand or by plain enumeration."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, date, datetime
from itertools import pairwise
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from core.accounts.finance import InventoryCredit
from core.errors import InputError
from core.market.buyers import Buyer
from core.market.deductions import Deductions
from core.planning.case import (
    CaseBuyer,
    CaseLot,
    CashNeed,
    CropPrice,
    DryingChoice,
    Reserve,
    StorageChoice,
    Truck,
    make_case,
)
from core.planning.case_buyers import _case_buyer, with_meter_offsets
from core.planning.credit import (
    best_loans,
    breaks_terms,
    lendable,
    loan_cash,
    loan_value,
    pledged_bags,
    principal_by_week,
)
from core.planning.invented_seasons import invented_seasons
from core.planning.layout import interval_of, loan_pairs, loan_unit_owed, make_layout, needs_by_account, promise_price
from core.planning.outlook import build_outlook
from core.planning.safety import first_week_after_treatment, may_be_kept_in, weeks_in_bags
from core.planning.schedule import (
    DryingJob,
    Load,
    Spread,
    days_of_week,
    first_day_of_week,
    floor_room,
    late_bags,
    mass_by_day,
    ready_week,
)
from core.planning.simple_rules import _order, usual_storage
from core.planning.store_outlook import best_method
from core.planning.why import what_if_cases
from core.planning.wishes import add_harvest, add_promise, cash_needed, drop_wish, read_wishes, write_wishes
from tests.planning.test_plain_value import random_case

CASE = make_case(3, 20, 40, 1)
MONTH = 365.25 / 12 / 7  # weeks
PARTS = {"lot": "lots", "drying": "drying", "storage": "storage", "price": "prices", "buyer": "buyers"}


def changed(part, **values):
    """Return the case with the first of its lots, spaces, stores, prices or buyers changed, or the case itself."""
    if part == "case":
        return CASE.with_changes(**values)
    if part == "truck":
        return CASE.with_changes(truck=replace(CASE.truck, **values))
    rows = getattr(CASE, PARTS[part])
    return CASE.with_changes(**{PARTS[part]: (replace(rows[0], **values), *rows[1:])})


def terms(**offsets):
    return replace(Deductions(), **offsets)


EDGES = [
    ("case", "weeks", (1, 104), (0, 105)),
    ("case", "scenarios", (10, 20_000), (9, 20_001)),
    ("case", "start", (date(1950, 1, 1), date(2200, 12, 31)), (date(1949, 12, 31), date(2201, 1, 1))),
    ("case", "days_gone", (0, 6), (-1, 7)),
    ("case", "certainty", (0.01, 0.99), (0.0, 1.0)),
    ("case", "risk_weight", (0.0, 0.5), (-0.01,)),
    ("case", "interest_monthly", (0.0,), (-0.01, math.nan)),
    ("case", "emergency_interest_monthly", (0.0,), (-0.01,)),
    ("case", "cash_now", (-50.0,), (math.nan, math.inf)),
    ("case", "start_delays", ((), (0,), (3, 0)), ((0, -1),)),
    ("case", "target_pct", ((("maize", 2.1),), (("maize", 39.9),)), ((("maize", 2.0),), (("maize", 40.0),))),
    ("case", "target_choices", ((("maize", 2.1),), (("maize", 39.9),)), ((("maize", 2.0),), (("maize", 40.0),))),
    ("case", "needs", ((CashNeed(0, 0.0),),), ((CashNeed(-1, 1.0),), (CashNeed(0, -0.01),))),
    ("case", "reserves", ((Reserve("x", "maize", 0.01, 0, 0.0),),), ((Reserve("x", "maize", 0.0, 0, 0.0),),)),
    ("case", "reserves", (), ((Reserve("x", "maize", 1.0, -1, 0.0),), (Reserve("x", "maize", 1.0, 0, -0.01),))),
    ("price", "price_now", (0.01,), (0.0, -1.0)),
    ("price", "weekly_sd", (0.0,), (-0.01,)),
    ("price", "path", ((), (0.1, 1.0)), ((1.0, 0.0), (1.0, -1.0))),
    ("lot", "bags", (0, 1_000_000), (-1, 1_000_001)),
    ("lot", "bag_mass_kg", (0.1,), (0.0, -1.0)),
    ("lot", "moisture_pct", (1.1, 59.9), (1.0, 60.0)),
    ("lot", "moisture_se_pct", (0.0,), (-0.01,)),
    ("lot", "commodity", (), ("unknown",)),
    ("lot", "available_week", (0, 30), (-1,)),
    ("lot", "sale_from_week", (0, 30), (-1,)),
    ("lot", "harvest_step", (1,), (0,)),
    ("lot", "insects_per_kg", (None, 0.0), (-0.1,)),
    ("drying", "capacity_kg", (0.0,), (-1.0,)),
    *(
        ("drying", name, (0.0, 0.5), (-0.01,))
        for name in ("cost_per_kg", "fee_per_point_kg", "hire_per_bag_day", "price")
    ),
    ("drying", "handling_loss", (0.0, 0.99), (-0.01, 1.0)),
    *(("storage", name, (0,), (-1,)) for name in ("owned_bags", "buyable_bags", "waiting_days")),
    *(("storage", name, (0.0,), (-0.01,)) for name in ("cost_per_bag", "cost_per_bag_month", "treatment_per_bag")),
    ("storage", "bags_per_unit", (1,), (0,)),
    ("truck", "capacity_kg", (0.1,), (0.0,)),
    *(("truck", name, (0,), (-1,)) for name in ("trips_per_week", "cost_per_trip", "cost_per_km")),
    ("buyer", "promised_kg", (0.0,), (-0.1,)),
    ("buyer", "basis_sd", (0.0,), (-0.01,)),
    ("buyer", "trip_cost", (None, 0.0), (-0.01,)),
    ("buyer", "pay_delay_weeks", (0, 53), (-1, 54)),  # a year
    ("buyer", "first_week", (0,), (-1,)),
    ("buyer", "fee_fraction", (0.0, 1.0), (1.01,)),
    (
        "buyer",
        "deductions",
        (terms(meter_offset_pct=10.0), terms(meter_offset_pct=-10.0), terms(scale_offset=0.5)),
        (terms(meter_offset_pct=10.1), terms(meter_offset_pct=-10.1), terms(scale_offset=-0.51)),
    ),
    (
        "buyer",
        "crop_deductions",
        ((("maize", terms(meter_offset_pct=10.0)),),),
        ((("maize", terms(meter_offset_pct=10.1)),), (("maize", terms(scale_offset=0.51)),)),
    ),
]


@pytest.mark.parametrize(("part", "name", "good", "bad"), EDGES, ids=lambda item: item if isinstance(item, str) else "")
def test_the_last_value_that_a_case_takes_and_the_first_that_it_refuses(part, name, good, bad):
    for value in good:
        assert changed(part, **{name: value}).weeks > 0
    for value in bad:
        with pytest.raises(InputError):
            changed(part, **{name: value})


@pytest.mark.parametrize(
    ("values", "fits"),
    [
        ({"standing": True, "available_week": 2, "moisture_week": 2}, True),
        ({"standing": True, "available_week": 2, "moisture_week": 3}, False),
        ({"standing": True, "available_week": 2, "moisture_week": -1}, False),
        ({"standing": False, "available_week": 2, "moisture_week": 3}, True),
        ({"insects_per_kg": 1.0, "sieved_kg": 0.1}, True),
        ({"insects_per_kg": 1.0, "sieved_kg": 0.0}, False),
        ({"insects_per_kg": None, "sieved_kg": 0.0}, True),
        ({"id": CASE.lots[1].id}, False),
    ],
)
def test_values_of_a_lot_that_do_not_go_together(values, fits):
    if fits:
        changed("lot", **values)
    else:
        with pytest.raises(InputError):
            changed("lot", **values)


def test_what_nobody_said_costs_nothing_and_limits_nothing():
    """A buyer, a store, a space and a truck of which only the name is known."""
    who, way, space, truck = (
        CaseBuyer("a", "A"),
        StorageChoice("b", "B", "m"),
        DryingChoice("c", "C", "m", 1.0),
        Truck(),
    )
    free = {
        who: (
            "distance_km fee_fraction pay_delay_weeks chance_failing price_fall minimum_kg first_week promised_kg "
            "basis_sd first_day"
        ),
        way: "owned_bags buyable_bags cost_per_bag cost_per_bag_month treatment_per_bag waiting_days",
        space: "cost_per_kg fee_per_point_kg hire_per_bag_day price",
        truck: "cost_per_trip cost_per_km cost_per_bag",
    }
    for one, names in free.items():
        assert {name: getattr(one, name) for name in names.split()} == dict.fromkeys(names.split(), 0)
    assert (who.weekly_kg, who.quantity_kg, who.last_week, who.fixed_price, who.price_factor) == (*[None] * 4, 1.0)
    assert not any((who.inspects, who.refuses_treated, way.unshelled, space.unshelled, space.powered, way.sealed))
    lot = CaseLot("l", "L", "", "maize", 1, 90.0, 13.0)
    assert (lot.available_week, lot.sale_from_week, lot.moisture_week, lot.common_sd_pct) == (0, 0, 0, 0.0)
    assert not any((lot.standing, lot.aflatoxin))
    assert lot.insects_per_kg is lot.keeping_pct is None


def test_weeks_and_days_by_hand():
    """Monday 6 July 2026, three days gone: today is the 9th; week 1 begins on the 13th; the 5th lies before week 0."""
    case = CASE.with_changes(days_gone=3)
    assert [case.week_date(week) for week in (0, 1, 2)] == [date(2026, 7, 9), date(2026, 7, 13), date(2026, 7, 20)]
    assert [case.week_of(date(2026, 7, day)) for day in (5, 6, 12, 13)] == [-1, 0, 0, 1]
    assert [first_day_of_week(case, week) for week in (0, 1)] == [3, 7]
    assert list(days_of_week(case, np.array([0, 1, 5]))) == [4, 7, 7]
    # in the week of the start up to three days, and no more than are left of it
    assert [ready_week(case, 1, days) for days in (3.0, 3.1, 7.0, 7.1, 14.0, 14.1)] == [1, 2, 2, 3, 3, 4]
    late = CASE.with_changes(days_gone=5)
    assert [ready_week(late, 0, days) for days in (2.0, 2.1, 8.0)] == [0, 1, 2]


def test_what_is_said_of_lots_and_stores_by_hand():
    lot = replace(CASE.lots[0], standing=True, available_week=2, latest_week=7, harvest_step=2)
    assert lot.harvest_weeks == (2, 4, 6)
    assert [replace(lot, latest_week=last).harvest_weeks for last in (1, 2, 3, 4)] == [(2,), (2,), (2,), (2, 4)]
    assert replace(lot, standing=False).harvest_weeks == replace(lot, latest_week=None).harvest_weeks == (2,)
    lot = replace(lot, moisture_pct=13.0, moisture_se_pct=0.4)
    assert lot.surely_pct == lot.surely_when_sealed_pct == pytest.approx(13 + 1.645 * 0.4)  # 95 % of a normal, one side
    judged = replace(lot, surely_at_most_pct=14.0)
    assert (judged.surely_pct, judged.surely_when_sealed_pct) == (14.0, 14.0)
    assert replace(judged, surely_to_seal_pct=15.0).surely_when_sealed_pct == 15.0
    silo = StorageChoice("a", "A", "metal_silo", buyable_bags=11, cost_per_bag=2.0, bags_per_unit=4)
    assert (silo.buyable_units, silo.unit_price, silo.bag_price, silo.sealed) == (2, 8.0, 2.0, False)
    assert replace(silo, owned_bags=1).bag_price == 0.0
    assert replace(silo, seal_below_pct=(("maize", 13.0),)).sealed


def test_trips_and_targets_by_hand():
    """5 for the trip and 2 x 10 km at 0.5: 15."""
    who = CaseBuyer("a", "A", 10.0)
    buyers = (who, replace(who, distance_km=0.0), replace(who, trip_cost=7.0), replace(who, distance_km=0.5))
    case = CASE.with_changes(buyers=buyers, truck=Truck(1000.0, 5.0, 0.5))
    assert [case.trip_cost(number) for number in range(4)] == [15.0, 0.0, 7.0, 5.5]
    case = CASE.with_changes(
        target_pct=(("maize", 12.0),), target_choices=(("maize", 14.0), ("maize", 12.0), ("x", 9.0))
    )
    assert case.targets("maize") == (12.0, 14.0)
    assert case.targets("sorghum") == (13.0,)


def test_wishes_at_their_edges():
    from core.group.database import open_store
    from core.group.records import Group

    store, at = open_store("sqlite://"), datetime(2026, 7, 6, 8, tzinfo=UTC)
    group = store.add_group(Group(name="g"))
    day = date(2026, 8, 1)

    def harvest(kg, moisture):
        add_harvest(store, group, at, commodity="maize", on=day, kg=kg, moisture_pct=moisture, label=" field ")

    def promise(kg=1.0, price=1.0, due=day, buyer=" Mill "):
        add_promise(store, group, at, buyer=buyer, commodity="maize", kg=kg, price_per_kg=price, due=due, agreed_on=day)

    for kg, moisture in ((0.5, 5), (0.5, 50), (0.5, None)):
        harvest(kg, moisture)
    for kg, moisture in ((0, None), (-1, None), (1, 4.9), (1, 50.1)):
        with pytest.raises(InputError):
            harvest(kg, moisture)
    promise(0.5, 0.5)
    for bad in ({"kg": 0}, {"price": 0}, {"due": date(2026, 7, 31)}, {"buyer": " "}):
        with pytest.raises(InputError):
            promise(**bad)
    kept = read_wishes(store, group)
    assert [row["moisture_pct"] for row in kept["harvests"]] == [5, 50, None]
    assert kept["harvests"][0]["label"] == "field"
    assert [(row["buyer"], row["pay_delay_days"]) for row in kept["promises"]] == [("Mill", 0)]
    for number, left in ((2, [5, 50]), (0, [50])):
        drop_wish(store, group, "harvests", number, at)
        assert [row["moisture_pct"] for row in read_wishes(store, group)["harvests"]] == left
    for number in (-1, 1):
        with pytest.raises(InputError):
            drop_wish(store, group, "harvests", number, at)
    needs = [{"on": "2026-08-01", "amount": 5}, {"on": "2026-08-02", "amount": None}, {"on": "2026-08-02", "amount": 7}]
    write_wishes(store, group, {"needs": needs}, at)
    assert [cash_needed(store, group, date(2026, month, 1)) for month in (7, 8, 9)] == [0, 5, 12]
    store.engine.dispose()


# Loans on stored grain

TERMS = InventoryCredit(0.5, 0.02, 0.01, 0.0, 1.0)


def on_credit(credit=TERMS, weeks=12):
    """Two lots of maize: 10 bags of 100 kg at 0.25 and 10 of 50 kg of another crop at 0.70."""
    lots = (
        replace(CASE.lots[0], commodity="maize", bags=10, bag_mass_kg=100.0),
        replace(CASE.lots[1], commodity="sorghum", bags=10, bag_mass_kg=50.0),
    )
    prices = (CropPrice("maize", 0.25), CropPrice("sorghum", 0.70))
    return CASE.with_changes(lots=lots, prices=prices, weeks=weeks, credit=credit, interest_monthly=0.03, needs=())


@pytest.mark.parametrize("longest", [0.1, 3 / MONTH, 1.0, 9.0])
def test_weeks_between_which_money_is_lent(longest):
    """All pairs one by one: repaid later, within the horizon, and no later than the lender allows."""
    case = on_credit(replace(TERMS, longest_months=longest))
    pairs = {(a, b) for a in range(12) for b in range(12) if a < b and b - a <= longest * MONTH + 1e-9}
    assert set(loan_pairs(case)) == pairs
    assert len(loan_pairs(case)) == len(pairs)
    assert loan_pairs(on_credit(None)) == loan_pairs(on_credit(replace(TERMS, loan_share=0.0))) == ()


def test_what_a_unit_lent_costs_by_hand():
    """Mean price (1,000 x 0.25 + 500 x 0.70) / 1,500 = 0.4: 1 lent stands on 1 / (0.5 x 0.4) = 5 kg, 0.01 a month."""
    months = 13 / MONTH
    assert loan_unit_owed(on_credit(), 13) == pytest.approx(1.02**months)
    charged = on_credit(replace(TERMS, storage_fee_per_kg_month=0.01))
    assert loan_unit_owed(charged, 13) == pytest.approx(1.02**months + 5 * 0.01 * months)
    assert loan_unit_owed(on_credit(None), 13) == 1.0


def stored():
    """10 + 5 bags of the first lot are stored and sold; 3 are never stored, 2 never sold."""
    table = SimpleNamespace(
        storage=np.array([0, -1, 0, 0]),
        buyer=np.array([0, 0, -1, 1]),
        kept_kg=np.array([0.9, 0.9, 0.9, 0.8]),
        ready_week=np.array([1, 1, 1, 2]),
        sale_week=np.array([5, 3, 6, 4]),
    )
    where = SimpleNamespace(case=on_credit(), options=lambda lot: table)
    return where, np.zeros(4, dtype=int), np.array([0, 3, 1, 2]), np.array([10, 5, 3, 2])


def test_money_lent_on_stored_grain_by_hand():
    """Half of 0.25 on 10 x 90 kg is 112.50 in weeks 1-4, on 5 x 80 kg 50 in weeks 2-3.

    60 from week 1 to 3 and 20 from 2 to 5, less a fee of 1 %: most is owed in week 2: 80 of 162.50 are 7.4 of 15 bags.
    """
    outlook, lot, option, bags = stored()
    assert list(lendable(outlook, lot, option, bags)) == pytest.approx([0, 112.5, 162.5, 162.5, 112.5, *[0] * 7])
    loans = ((1, 3, 60.0), (2, 5, 20.0))
    assert list(principal_by_week(outlook.case, loans)) == [0, 60, 80, 20, 20, *[0] * 7]
    flows = [0, 59.4, 19.8, -60 * 1.02 ** (2 / MONTH), 0, -20 * 1.02 ** (3 / MONTH), *[0] * 6]
    assert list(loan_cash(outlook.case, loans)) == pytest.approx(flows)
    today = sum(flow / 1.03 ** (week / MONTH) for week, flow in enumerate(flows))
    assert loan_value(outlook.case, loans) == pytest.approx(today)
    assert loan_value(outlook.case, ()) == 0.0

    def plan(*loans):
        return SimpleNamespace(lot=lot, option=option, bags=bags, loans=loans)

    assert pledged_bags(outlook, plan(*loans)) == 8
    assert pledged_bags(outlook, plan((3, 4, 162.5))) == 15
    assert pledged_bags(outlook, plan((4, 5, 1.0))) == 1
    assert pledged_bags(outlook, plan()) == 0
    for fitting in ((), loans, ((1, 3, 112.5),), ((2, 4, 162.5),), ((1, 2, 0.0),)):
        assert not breaks_terms(outlook, plan(*fitting))
    for wrong in ((1, 3, 112.6), (2, 5, 113.0), (0, 1, 0.1), (1, 2, -0.1), (1, 6, 0.0), (2, 2, 1.0)):
        assert breaks_terms(outlook, plan(wrong))
    assert list(lendable(SimpleNamespace(case=on_credit(None), options=outlook.options), lot, option, bags)) == [0] * 12


# Where things stand


def test_the_loans_that_serve_best_by_hand():
    """A month at 2 % and a fee of 1 % cost more than money at 3 %: only what lacks in the worst tenth (the mean of four
    of forty, 40) is borrowed, with its fee, and, that once paid, for as long as grain secures it, for each week costs
    less than money. Of 200 no more than that: 112.5 in weeks 1-4, 50 in 2-3. Without a fee all is borrowed unasked.
    """
    outlook, *grain = stored()
    needed = outlook.case.with_changes(needs=(CashNeed(2, 10.0),))
    plenty = np.full((1, 40), 100.0)
    lacking = plenty.copy()
    lacking[0, [3, 11, 12, 39]] = -30.0, -50.0, -42.0, -38.0

    def loans(case, balances):
        return best_loans(SimpleNamespace(case=case, options=outlook.options), *grain, balances)

    assert loans(needed, plenty) == ()
    assert loans(needed, lacking) == ((1, 5, pytest.approx(40 / 0.99)),)
    assert loans(needed, 5 * lacking) == ((1, 5, pytest.approx(112.5)), (2, 4, pytest.approx(50.0)))
    assert loans(needed.with_changes(credit=None), lacking) == ()
    free = needed.with_changes(credit=replace(TERMS, fee_share=0.0))
    found = loans(free, plenty)
    assert list(principal_by_week(free, found)) == pytest.approx([0, 112.5, 162.5, 162.5, 112.5, *[0] * 7])
    empty = [part[:0] for part in grain]
    assert best_loans(SimpleNamespace(case=free, options=outlook.options), *empty, lacking) == ()


def test_needs_by_account_and_date_by_hand():
    needs = (CashNeed(5, 30.0, "B"), CashNeed(3, 50.0, "A"), CashNeed(3, 20.0), CashNeed(5, 5.0, "A"))
    apart = CASE.with_changes(needs=needs, advances=False)
    layout = make_layout(apart)
    assert (layout.accounts, layout.need_weeks) == (("", "A", "B"), (3, 5))
    assert needs_by_account(apart, layout).tolist() == [[70, 35], [50, 5], [0, 30]]
    together = CASE.with_changes(needs=needs, advances=True)
    assert needs_by_account(together, make_layout(together)).tolist() == [[70, 35]]
    assert list(interval_of(layout, np.array([0, 3, 4, 5, 6]))) == [0, 0, 1, 1, -1]
    for starts in (layout.row_starts, layout.variable_starts):
        assert list(starts.values()) == sorted(starts.values())
    # 3 lots, 2 spaces of 20 + 8 weeks, 3 stores twice by week, the store, 4 buyers five times, their trips, 1 reserve
    reserves = len(apart.reserves)
    rows = 3 + 2 * 28 + 2 * 3 * 20 + 20 + 4 * 20 + 20 + 4 * 20 + 4 + 2 * 4 * 20 + 2 * reserves + 4
    assert layout.row_starts["end"] == rows
    assert layout.variable_starts["end"] == 3 * 20 + 3 + 3 * 4 * 20 + 2 + reserves + 4 + 3 * 2 + 1


def test_what_promised_grain_is_worth_by_hand():
    case, who = on_credit(), CaseBuyer("a", "A", price_factor=1.1)
    assert promise_price(case, replace(who, fixed_price=0.3)) == 0.3
    assert promise_price(case, replace(who, commodities=("maize",))) == pytest.approx(1.1 * 0.25)
    assert promise_price(case, who) == pytest.approx(1.1 * 0.70)
    assert promise_price(case, replace(who, commodities=("beans",))) == 0.0


# The floor and the store


def test_the_floor_in_whole_bags_by_hand():
    """15 bags of 100 and 50 kg, 75 at the mean: 400 kg of room take five, 375 too, 374 only four."""
    case = on_credit().with_changes(days_gone=2)
    rooms = tuple(replace(case.drying[0], code=str(kg), capacity_kg=kg) for kg in (400.0, 375.0, 374.0, 0.0))
    room = floor_room(case.with_changes(drying=rooms), 3)
    assert room.tolist() == [[375 * 5, 375 * 7, 375 * 7]] * 2 + [[300 * 5, 300 * 7, 300 * 7], [0, 0, 0]]
    nothing = case.with_changes(lots=tuple(replace(lot, bags=0) for lot in case.lots), drying=rooms)
    assert not floor_room(nothing, 2).any()


def test_loads_day_by_day_and_late_bags_by_hand():
    first = Load("s", "A", "", date(2026, 7, 6), date(2026, 7, 8), 2, 200.0, None)
    loads = [first, replace(first, lot="B", on=date(2026, 7, 8), until=date(2026, 7, 8), mass_kg=50.0)]
    assert mass_by_day(loads) == {
        ("s", date(2026, 7, 6)): 200.0,
        ("s", date(2026, 7, 7)): 200.0,
        ("s", date(2026, 7, 8)): 250.0,
    }
    job = DryingJob(0, 0, 5, 100.0, 3, 0, 4)
    spreads = [Spread(job, 2, 3), Spread(job, 3, 2)]  # off on days 4 and 5
    assert ([spread.last_day for spread in spreads], late_bags(spreads)) == ([4, 5], 2)


def test_how_long_and_in_what_grain_is_kept_by_hand():
    """Waiting days count from the end of the week of treatment: 1 to 7 days are one further week."""
    dusted = [replace(CASE.storage[0], waiting_days=days) for days in (0, 1, 7, 8)]
    assert [first_week_after_treatment(way, 3) for way in dusted] == [3, 5, 5, 6]
    lot = replace(CASE.lots[0], commodity="maize", keeping_pct=13.0)
    assert weeks_in_bags(CASE, lot, 13.0) == math.inf
    assert weeks_in_bags(CASE, lot, 13.01) < 10
    crib = replace(CASE.storage[0], unshelled=True)
    assert [may_be_kept_in(replace(lot, form=form), crib, 20.0) for form in ("threshed", "cob")] == [False, True]
    sealed = replace(CASE.storage[0], seal_below_pct=(("maize", 12.5),))
    assert [may_be_kept_in(lot, sealed, pct) for pct in (12.5, 12.51)] == [True, False]
    assert may_be_kept_in(replace(lot, commodity="sorghum"), sealed, 30.0)


# Buyers, stores and rules


def test_a_buyers_terms_as_the_plan_takes_them_by_hand():
    """Paid after 8 days: the second week. A lorry of 6,000 kg at 30 is 15 for a truck of 3,000; a tenth for double."""
    buyer = Buyer(
        "Mill",
        distance_km=12.0,
        trip_cost=30.0,
        truck_kg=6000.0,
        pay_delay_days=8,
        weekly_quantity_kg=500.0,
        price_fall_per_double=0.1,
        minimum_kg=40.0,
        fee_share=0.02,
    )
    who = _case_buyer(buyer, 3000.0, "mill")
    assert (who.trip_cost, who.pay_delay_weeks, who.weekly_kg, who.price_fall) == (15.0, 2, 500.0, pytest.approx(0.2))
    assert (who.minimum_kg, who.fee_fraction, who.distance_km) == (40.0, 0.02, 12.0)
    plain = _case_buyer(
        replace(buyer, truck_kg=math.inf, weekly_quantity_kg=math.inf, pay_delay_days=7), 3000.0, "mill"
    )
    assert (plain.trip_cost, plain.pay_delay_weeks, plain.weekly_kg) == (30.0, 1, None)


def test_what_a_buyers_meter_reads_more_than_ours_is_taken_where_nothing_else_says_it():
    own = replace(Deductions(), meter_offset_pct=0.2)
    buyers = (
        CaseBuyer("a", "Mill", crop_deductions=(("maize", Deductions()),)),
        CaseBuyer("b", "Mill (2026-08-01)"),
        CaseBuyer("c", "Mill", deductions=own),
        CaseBuyer("d", "Other"),
    )
    found = with_meter_offsets(buyers, {"buyer_offset. mill ": SimpleNamespace(value="0.5"), "x": None})
    assert [who.deductions.meter_offset_pct for who in found] == [0.5, 0.5, 0.2, 0.0]
    assert found[0].crop_deductions[0][1].meter_offset_pct == 0.5


def test_the_store_in_which_grain_keeps_longest_by_hand():
    """Of two that keep 60 days the one that loses less; none that is refused or keeps not a day."""

    def keeps(method, days, loss, refusal=None):
        weekly = pd.DataFrame({"weight_loss_pct_middle": [0.0, loss]})
        return SimpleNamespace(method=method, sure=SimpleNamespace(days=days), weekly=weekly, refusal=refusal)

    ways = [keeps("a", 30.0, 0.1), keeps("b", 60.0, 9.0), keeps("c", 60.0, 3.0), keeps("d", 90.0, 1.0, "too wet")]
    best, said = best_method({way.method: way for way in [*ways, keeps("e", 0.0, 0.0)]})
    assert (best, "60 days" in str(said)) == ("c", True)
    assert best_method({"d": ways[3], "e": keeps("e", 0.0, 0.0)})[0] is None
    best, said = best_method({"a": ways[0], "f": keeps("f", math.inf, 20.0)})
    assert (best, "whole time" in str(said)) == ("f", True)


@pytest.mark.parametrize("seed", range(4))
def test_simple_rules_prefer_what_their_names_say(seed):
    """Now and wet: undried ways first, soonest first, then the dearest. Dried: dried ways in no or the usual store
    first. The peak: dried ways first, by their distance from the dearest week. By itself: worth less its own trips.
    """
    case = random_case(seed).with_changes(needs=(), reserves=())
    outlook = build_outlook(case, seed, invented_seasons(case, seed))
    table, item = outlook.options(0), case.lots[0]
    share = [
        0.0 if who.distance_km <= 0 else case.trip_cost(number) / case.truck.capacity_kg
        for number, who in enumerate(case.buyers)
    ]
    full = outlook.values(0).mean(axis=1)
    prices = np.array([way.cost_per_bag if way.owned_bags == 0 else 0.0 for way in case.storage])
    worth, alone = [], []
    for option in range(len(table)):
        buyer, store = int(table.buyer[option]), int(table.storage[option])
        kg = item.bag_mass_kg * float(table.kept_kg[option])
        value = full[option] - share[buyer] * kg - (prices[store] if store >= 0 else 0.0)
        loads = math.ceil(item.bags * kg / case.truck.capacity_kg)
        worth.append(value)
        alone.append(value + share[buyer] * kg - share[buyer] * loads * case.truck.capacity_kg / item.bags)
    peak = int(np.argmax(outlook.seasons.prices[item.commodity][: case.weeks].mean(axis=1)))
    dried, week = table.setup >= 0, table.sale_week
    usual = (table.storage < 0) | (table.storage == usual_storage(case))
    keys = {
        "sell all now wet": (dried, week, worth),
        "dry and sell": (~(dried & usual) if dried.any() else ~usual, week, worth),
        "store until the usual peak": (~dried if dried.any() else dried, abs(week - peak), worth),
        "each lot by itself": (0 * week, 0 * week, alone),
    }
    for rule, (first, second, value) in keys.items():
        order = _order(outlook, 0, rule)
        rank = [(bool(first[at]), int(second[at])) for at in order]
        assert rank == sorted(rank), rule
        assert len(order) == (table.buyer >= 0).sum()
        for one, two in pairwise(order):
            if (bool(first[one]), int(second[one])) == (bool(first[two]), int(second[two])):
                assert value[one] >= value[two] - 1e-3


def test_what_if_there_were_one_more_by_hand():
    """24 m2 at 20 kg are 480 kg more on the first space that is no dryer; ten sealed bags; a point of interest; half a
    truck; a trip. Everything else stays as it is.
    """
    storage = (CASE.storage[0], CASE.storage[2], CASE.storage[1])
    drying = (CASE.drying[1], replace(CASE.drying[0], load_kg_m2=20.0), replace(CASE.drying[0], code="b"))
    case = CASE.with_changes(storage=storage, drying=drying, interest_monthly=0.01)
    found = {key: changed for key, (_words, changed) in what_if_cases(case).items()}
    space = replace(drying[1], capacity_kg=drying[1].capacity_kg + 480.0, area_m2=drying[1].area_m2 + 24.0)
    sealed = replace(storage[1], owned_bags=storage[1].owned_bags + 10)
    truck = case.truck
    assert found == {
        "tarpaulin": case.with_changes(drying=(drying[0], space, drying[2])),
        "sealed": case.with_changes(storage=(storage[0], sealed, storage[2])),
        "loan": case.with_changes(interest_monthly=0.0),
        "truck": case.with_changes(truck=replace(truck, capacity_kg=1.5 * truck.capacity_kg)),
        "trip": case.with_changes(truck=replace(truck, trips_per_week=truck.trips_per_week + 1)),
    }
    assert "loan" not in what_if_cases(case.with_changes(interest_monthly=0.009))
