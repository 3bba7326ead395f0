"""Which lots go into a plan, how each is read, and what a group has to store them in: by hand, without a store."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from types import SimpleNamespace

import pytest
from scipy.stats import t as student

from core.grain.commodities import get_commodity
from core.group.lot_state import JudgingRules
from core.group.possessions import GrainStore
from core.group.records import Lot
from core.group.sampling import LotMoisture
from core.group.sieves import Sieve
from core.market.deductions import flat_deductions
from core.planning import case_lots
from core.planning.case import CaseBuyer
from core.planning.case_lots import LotRules, coming_harvests, recorded_lots, target_choices
from core.planning.case_possessions import filled_bags, storage_choices
from core.storage.safety import greatest_risk

MONDAY = date(2026, 7, 6)
TODAY = MONDAY + timedelta(days=3)
RULES = LotRules(TODAY, MONDAY, weeks=20, field_weeks=4, harvest_moisture_pct=22.0, bag_kg=90.0)
LOT = Lot(id=7, group_id=1, label="A", commodity="maize", bags=12)
TESTED = LotMoisture(
    mean_pct=14.0, standard_error_pct=0.4, bag_sd_pct=0.6, degrees_of_freedom=5.0, common_sd_pct=0.2, reading_sd_pct=0.1
)


def state(lot=LOT, moisture=TESTED, bags=12, mass=1000.0, grain=0.0, limit=13.47, keeping=None, free=None, risk=0.03):
    """Return a lot's state as far as the plan reads it."""
    kinds = {} if keeping is None else {"keeping": SimpleNamespace(moisture_pct=keeping)}
    return SimpleNamespace(
        lot=lot,
        moisture=moisture,
        bags=bags,
        mass_now_kg=mass,
        grain_kg=grain,
        limit=SimpleNamespace(moisture_pct=limit, of_kind=kinds.get),
        risk=risk,
        treated=free is not None,
        free_from=lambda today: free,
    )


def read(*states, priced=("maize",), owners=None, sieves=None, rules=RULES):
    return recorded_lots(states, owners or {}, set(priced), sieves or {}, rules)


@pytest.mark.parametrize(
    ("limits", "further"),
    [
        ((), [12.0]),
        ((13.5,), [13.5, 12.0]),
        ((13.2, 12.8, 12.1), [12.0]),  # less than 0.3 point from what is there
        ((13.3, 12.3), [13.3, 12.3, 12.0]),
        ((16.0,), [16.0, 12.0]),  # up to three points above keeping
        ((16.1,), [12.0]),
        ((2.9, 3.0), [12.0]),
        ((13.5, 14.2, 15.0, 15.1), [15.1, 14.2, 12.0]),  # three at most, those furthest from keeping first
    ],
)
def test_moistures_to_dry_to_beside_the_one_for_keeping(limits, further):
    def buyer(limit, *crops):
        return CaseBuyer("b", "B", commodities=crops, deductions=flat_deductions(limit, 0.02))

    buyers = tuple(buyer(limit, "maize") for limit in limits)
    assert target_choices({"maize": 13.0}, buyers) == tuple(("maize", pct) for pct in further)
    # a buyer of all crops is one of each, who deducts nothing is none, crops stand in the order of their names
    both = (*buyers, buyer(12.4), CaseBuyer("free", "F"))
    found = target_choices({"sorghum": 12.0, "maize": 13.0}, both)
    assert [crop for crop, _ in found] == sorted(crop for crop, _ in found)
    assert [pct for crop, pct in found if crop == "sorghum"] == [12.4, 11.0]


def test_lots_that_are_planned_and_those_that_are_left_out():
    """The last week in which a lot may be harvested is two before the end of the twenty: week 18."""
    late = MONDAY + timedelta(days=7 * 18 + 6)
    standing = replace(LOT, harvested_on=late)
    found = read(
        state(),
        state(replace(LOT, label="other crop", commodity="sorghum")),
        state(replace(LOT, label="gone"), bags=0),
        state(replace(LOT, label="untested"), moisture=None),
        state(replace(LOT, label="unweighed"), mass=0.0),
        *(state(replace(LOT, label=str(pct)), replace(TESTED, mean_pct=pct)) for pct in (1.0, 1.1, 59.9, 60.0)),
        state(replace(standing, label="last"), moisture=None),
        state(replace(standing, label="too late", harvested_on=late + timedelta(days=1)), moisture=None),
        state(replace(standing, label="today", harvested_on=TODAY), moisture=None),
        state(replace(standing, label="tomorrow", harvested_on=TODAY + timedelta(days=1)), moisture=None),
    )
    assert [lot.label for lot in found.lots] == ["A", "1.1", "59.9", "last", "tomorrow"]
    said = [str(note) for note in found.notes]
    assert [note.split(" ")[1].rstrip(":") for note in said] == [
        "untested",
        "unweighed",
        "1.0",
        "60.0",
        "last",
        "too",
        "today",
        "tomorrow",
    ]
    last, tomorrow = found.lots[-2:]
    assert (last.available_week, last.moisture_week, tomorrow.available_week) == (18, 18, 0)
    assert (tomorrow.moisture_pct, tomorrow.moisture_se_pct, tomorrow.standing) == (22.0, 2.5, True)
    assert (found.lots[0].standing, found.lots[0].latest_week, found.lots[0].moisture_week) == (False, None, 0)


def test_whose_a_lot_is_and_to_what_a_crop_is_dried():
    states = (
        state(replace(LOT, owner_id=3), limit=13.47),
        state(replace(LOT, owner_id=4), limit=13.09),
        state(limit=14.0),
        state(replace(LOT, commodity="sorghum"), limit=12.5),
    )
    found = read(*states, priced=("maize", "sorghum"), owners={3: "Ama"})
    assert [lot.owner for lot in found.lots] == ["Ama", "pool", "pool", "pool"]
    assert found.targets == {"maize": 13.0, "sorghum": 12.5}  # the strictest, to the tenth below


def test_a_lot_as_the_plan_sees_it_by_hand():
    """Judged at 3 %, or at what is stricter where a crop can poison or is sealed; 5 degrees of freedom."""
    sieve = Sieve(TODAY - timedelta(days=11), 2.5, 0.005)
    made = state(mass=1000.0, grain=700.0, keeping=13.1234, free=MONDAY + timedelta(days=8))
    lot = read(made, sieves={7: sieve}).lots[0]
    assert (lot.id, lot.label, lot.commodity, lot.bags) == ("7", "A", "maize", 12)
    assert lot.bag_mass_kg == 58.333  # 700 kg of grain, not 1000 on the cob
    assert read(state()).lots[0].bag_mass_kg == 83.333
    assert (lot.moisture_pct, lot.moisture_se_pct, lot.keeping_pct) == (14.0, 0.4, 13.123)
    assert read(state(moisture=replace(TESTED, standard_error_pct=4.0))).lots[0].moisture_se_pct == 3.0
    assert (lot.insects_per_kg, lot.sieved_kg, lot.sieved_days_ago) == (2.5, 0.01, 11)
    assert (lot.treated, lot.sale_from_week, lot.aflatoxin) == (True, 2, True)
    assert (lot.common_sd_pct, lot.bag_sd_pct, lot.reading_sd_pct) == (0.2, 0.6, 0.1)
    for method, found in (("woven_bag", lot.surely_at_most_pct), ("hermetic_bag", lot.surely_to_seal_pct)):
        risk = greatest_risk(get_commodity("maize"), method, 0.03)
        assert found == pytest.approx(14.0 + student.ppf(1 - risk, 5) * 0.4, abs=6e-4)
    beans = read(state(replace(LOT, commodity="common_bean")), priced=("common_bean",)).lots[0]
    assert beans.surely_at_most_pct == pytest.approx(14.0 + student.ppf(0.97, 5) * 0.4, abs=6e-4)
    assert not beans.aflatoxin
    alike = read(state(moisture=replace(TESTED, bag_sd_pct=0.0, reading_sd_pct=0.0))).lots[0]
    usual = read(state(replace(LOT, harvested_on=TODAY + timedelta(days=9)), moisture=None)).lots[0]
    # bags that were not seen to differ differ as usual
    assert (alike.bag_sd_pct, alike.reading_sd_pct) == (usual.bag_sd_pct, usual.reading_sd_pct)
    assert min(alike.bag_sd_pct, alike.reading_sd_pct) > 0
    assert (usual.surely_at_most_pct, usual.insects_per_kg, usual.sieved_kg) == (None, None, 1.0)


@pytest.mark.parametrize(("days", "week"), [(None, 0), (3, 0), (4, 1), (7, 1), (8, 2), (14, 2), (15, 3)])
def test_the_week_from_which_a_treated_lot_is_free(days, week):
    """Today is the fourth day of week 0; grain is sold on the first day of a week."""
    free = None if days is None else MONDAY + timedelta(days=days)
    assert read(state(free=free)).lots[0].sale_from_week == week


def test_for_how_long_insects_have_grown():
    put_away = replace(LOT, status="stored", stored_on=TODAY - timedelta(days=30), storage_method="woven_bag")
    sieve = {7: Sieve(TODAY - timedelta(days=11), 2.5, 1.0)}

    def days(lot, sieves=None):
        return read(state(lot), sieves=sieves).lots[0].sieved_days_ago

    assert (days(put_away), days(put_away, sieve)) == (30, 11)
    assert (days(replace(put_away, status="drying")), days(replace(put_away, storage_method="a heap"))) == (0, 30)
    assert days(replace(put_away, storage_method="hermetic_bag"), sieve) == 0
    assert days(put_away, {7: Sieve(TODAY + timedelta(days=2), 2.5, 1.0)}) == 0


@pytest.mark.parametrize(
    ("week", "pct", "field", "harvest"),
    [
        (3, 32.0, 2, (0, 5, 0)),  # ripe: from now on, to two weeks after the day that was meant
        (3, 32.0, 4, (0, 6, 0)),  # but no more than six weeks are compared
        (3, 32.1, 4, (3, 7, 0)),
        (3, None, 4, (3, 7, 3)),
        (3, None, 9, (3, 9, 3)),
        (3, None, 0, (3, 3, 3)),
        (0, 20.0, 0, (0, 0, 0)),
    ],
)
def test_weeks_in_which_a_standing_lot_may_be_cut(week, pct, field, harvest):
    lot = replace(LOT, harvested_on=MONDAY + timedelta(days=7 * week + 4))
    moisture = None if pct is None else replace(TESTED, mean_pct=pct)
    made = read(state(lot, moisture), rules=replace(RULES, field_weeks=field)).lots[0]
    assert (made.available_week, made.latest_week, made.moisture_week) == harvest
    pulled = read(state(lot, moisture), rules=replace(RULES, not_left=frozenset({"maize"}))).lots[0]
    assert pulled.harvest_weeks == (week,)
    assert pulled.moisture_week == week


def test_coming_harvests_by_hand():
    """1,290 kg are 14 bags of 92.143 kg; 30 kg are one; the last week that is looked at is week 18 of 20."""

    def row(day, kg=1290, **more):
        return {"commodity": "maize", "on": (MONDAY + timedelta(days=day)).isoformat(), "kg": kg} | more

    rows = (
        row(7 * 18 + 6, 30),
        row(7 * 19),
        row(-1),
        row(0, moisture_pct=24.0, member="Ama", label="rains"),
        row(10, commodity="common_bean"),
    )
    rules = replace(RULES, not_left=frozenset({"common_bean"}))
    found = coming_harvests(rows, 1, {"maize", "common_bean"}, JudgingRules(), rules)
    last, first, beans = found.lots
    assert [lot.id for lot in found.lots] == ["harvest-1", "harvest-4", "harvest-5"]
    assert (last.bags, last.bag_mass_kg, last.available_week, last.owner) == (1, 30.0, 18, "pool")
    assert (last.moisture_pct, last.moisture_se_pct) == (22.0, 2.5)
    assert (first.bags, first.bag_mass_kg, first.owner, first.label) == (14, 92.143, "Ama", "rains")
    assert (first.moisture_pct, first.moisture_se_pct, first.moisture_week) == (24.0, 1.5, 0)
    assert (first.available_week, first.latest_week, beans.available_week, beans.latest_week) == (0, 4, 1, 1)
    assert (first.aflatoxin, beans.aflatoxin, beans.label) == (True, False, "common bean 2026-07-16")
    assert all(lot.standing for lot in found.lots)
    assert ["due" in str(note) for note in found.notes] == [False, True]
    long = coming_harvests([row(0)], 1, {"maize"}, JudgingRules(), replace(rules, field_weeks=9)).lots[0]
    assert long.latest_week == case_lots.LONGEST_STANDING_WEEKS == 6
    # dried to what such a lot is judged by
    assert set(found.targets) == {"maize", "common_bean"}


def test_stores_of_a_group_by_hand():
    """Bags of 80 kg. 20 of a group's own and 30 to buy at 2 for two seasons are one way; a silo of 500 kg holds six
    bags, two of them twelve, and its fee of 0.01 a kg is 0.8 a bag; one too small for a bag counts as one.
    """

    def store(method, access, units, unit, kg, **more):
        return GrainStore(
            name=f"{access} {method}", method=method, access=access, units=units, unit=unit, unit_capacity_kg=kg, **more
        )

    stores = (
        store("woven_bag", "own", 20, "bag", 90.0, unit_cost=9.0),
        store("woven_bag", "buy", 30, "bag", 90.0, unit_cost=2.0, seasons=2.0),
        store("metal_silo", "buy", 2, "silo", 500.0, unit_cost=100.0, seasons=10.0, treatment_cost=5.0),
        store("metal_silo", "own", 1, "silo", 500.0, unit_cost=70.0, treatment_cost=5.0),
        store("metal_silo", "own", 3, "silo", 500.0, treatment_cost=6.0),
        store("woven_bag", "hire", 4, "stack", 60.0, cost_per_kg_month=0.01),
    )
    bags, silo, dusted, stack = storage_choices(stores, {"woven_bag": 7}, 80.0, {"maize": "maize"}, {"metal_silo": 9})
    assert [way.code for way in (bags, silo, dusted, stack)] == ["store-1", "store-3", "store-5", "store-6"]
    assert (bags.owned_bags, bags.buyable_bags, bags.cost_per_bag, bags.bags_per_unit) == (27, 30, 1.0, 1)
    assert (bags.waiting_days, bags.sealed, bags.treatment_per_bag, bags.cost_per_bag_month) == (0, False, 0.0, 0.0)
    # 1,000 kg to buy are 12 bags, 500 at hand six; a season of a bag in it costs 100 / 10 x 80 / 500
    assert (silo.owned_bags, silo.buyable_bags, silo.bags_per_unit, silo.waiting_days) == (6, 12, 6, 9)
    assert silo.cost_per_bag == pytest.approx(1.6)
    assert (silo.treatment_per_bag, dusted.treatment_per_bag) == (pytest.approx(0.8), pytest.approx(0.96))
    assert (dusted.owned_bags, dusted.buyable_bags, dusted.cost_per_bag) == (18, 0, 0.0)
    assert (stack.bags_per_unit, stack.owned_bags, stack.cost_per_bag_month) == (1, 10, 0.8)


def test_bags_that_hold_grain_already():
    inside = replace(LOT, status="stored", storage_method="woven_bag")
    states = [
        state(inside, bags=5),
        state(inside, bags=8),
        state(replace(inside, storage_method="crib"), bags=3),
        state(replace(inside, status="drying"), bags=90),
        state(replace(inside, storage_method=""), bags=90),
    ]
    assert filled_bags(states) == {"woven_bag": 13, "crib": 3}
