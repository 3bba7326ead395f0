"""What a group has: one list each, the methods' own values where nothing is entered, older settings carried over."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
import sqlalchemy as sa

from core.drying.setups import drying_method_table
from core.errors import DryholdError, InputError, StaleError
from core.group import tables
from core.group.database import open_store
from core.group.older_records import carried_over, carried_over_facts
from core.group.possessions import keep_spaces, keep_stores, possessions, space_from, store_from
from core.group.records import Fact, Group
from core.storage.methods import method_codes
from tests.shared_store import fresh_store

NOW = datetime(2026, 11, 25, 8, tzinfo=UTC)
OLDER = Path(__file__).with_name("older")


@pytest.fixture
def store(tmp_path):
    opened = fresh_store(tmp_path / "x.sqlite")
    opened.add_group(Group(name="Upper terrace", currency="KES"))
    yield opened
    opened.engine.dispose()


def test_all_is_assumed_until_entered_and_costs_are_in_the_groups_money(store):
    """A sealed bag of 2.40 USD (methods.toml) at 130 shillings to the dollar (money.toml) is 312; over 3 seasons
    104.
    """
    has = possessions(store, 1)
    assert has.assumed == {"spaces", "stores", "truck", "meter"}
    assert has.usual_method == "tarpaulin"
    sealed = has.store("hermetic_bag")
    assert (sealed.access, sealed.units) == ("buy", 200)
    assert sealed.unit_cost == pytest.approx(312)
    assert sealed.cost_per_bag(90) == pytest.approx(104)


def test_every_method_of_the_tables_can_be_had(store):
    currency = store.currency_per_usd(1)
    spaces = [space_from({"name": code, "method": code, "access": "hire"}, currency) for code in drying_method_table()]
    stores = [store_from({"name": code, "method": code, "units": 2}, currency) for code in method_codes()]
    keep_spaces(store, 1, spaces, "Asha", NOW)
    keep_stores(store, 1, stores, "Asha", NOW)
    has = possessions(store, 1)
    assert [space.method for space in has.spaces] == list(drying_method_table())
    assert [one.method for one in has.stores] == method_codes()
    assert has.other_spaces == has.other_stores == ()
    assert has.assumed == {"truck", "meter"}
    assert all(space.capacity_kg > 0 for space in has.spaces)


def test_vessels_hold_bags_by_weight_and_bags_hold_any_bag(store):
    silo = store_from({"method": "metal_silo", "units": 2, "unit_cost": 900.0}, 1.0)
    assert silo.bags(90) == 11  # 2 x 500 kg / 90 kg = 11.1
    assert silo.cost_per_bag(90) == pytest.approx(900 / 15 * 90 / 500)  # a silo serves 15 seasons
    woven = store_from({"method": "woven_bag_protectant", "units": 7}, 1.0)
    assert woven.bags(50) == woven.bags(100) == 7
    assert woven.treatment_per_bag(50) == pytest.approx(0.6)


def test_a_dryers_fee_is_by_the_point(store):
    """KSh 30 per point and bag of 90 kg: five points of a kilogram cost 5 x 30 / 90 = 1.67 shillings."""
    dryer = space_from({"method": "mechanical", "fee_per_point_kg": 30 / 90}, 130.0)
    assert dryer.cost_of_drying(5) == pytest.approx(5 * 30 / 90)
    assert dryer.cost_of_drying(-1) == 0
    assert dryer.capacity_kg == pytest.approx(500)


@pytest.mark.parametrize(
    "wrong",
    [
        {"area_m2": 0.0},
        {"area_m2": float("nan")},
        {"area_m2": -5.0},
        {"load_kg_m2": 1e9},
        {"access": "steal"},
        {"name": " "},
        {"cost_per_kg": -1.0},
        {"method": "sunbed"},
    ],
)
def test_spaces_that_cannot_be_are_refused_and_nothing_is_written(store, wrong):
    good = possessions(store, 1).spaces[0]
    with pytest.raises(DryholdError):
        keep_spaces(store, 1, [replace(good, **wrong)], "Asha", NOW)
    with pytest.raises(InputError):
        keep_spaces(store, 1, [good, good], "Asha", NOW)
    with pytest.raises(InputError):
        keep_spaces(store, 1, [], "Asha", NOW)
    assert "spaces" in possessions(store, 1).assumed


def test_a_second_editor_does_not_overwrite_the_first(store):
    seen = store.fact(1, "drying_spaces").revision
    first = [space_from({"name": "Yard", "method": "concrete_floor", "area_m2": 80}, 1.0)]
    second = [space_from({"name": "Sheets", "method": "tarpaulin", "area_m2": 10}, 1.0)]
    keep_spaces(store, 1, first, "Asha", NOW, expected=seen)
    with pytest.raises(StaleError) as caught:
        keep_spaces(store, 1, second, "Odo", NOW, expected=seen)
    assert caught.value.theirs[0]["name"] == "Yard"
    assert caught.value.mine[0]["name"] == "Sheets"
    assert possessions(store, 1).spaces[0].name == "Yard"


@pytest.fixture
def older(tmp_path):
    path = tmp_path / "older.sqlite"
    with sqlite3.connect(path) as connection:
        connection.executescript((OLDER / "schema_0001.sql").read_text(encoding="utf-8"))
    connection.close()
    opened = open_store(f"sqlite:///{path}")
    yield opened
    opened.engine.dispose()


def test_a_database_of_the_first_version_keeps_what_was_entered(older):
    """By hand from tests/group/older/schema_0001.sql: 150 m² entered for the plan after 99 m² on the drying page."""
    has = possessions(older, 1)
    floor, sheets, dryer = has.spaces
    assert (floor.method, floor.area_m2) == ("concrete_floor", 80)  # the usual way comes first
    assert (sheets.method, sheets.area_m2, sheets.load_kg_m2) == ("tarpaulin", 150, 12)
    assert (dryer.access, dryer.capacity_kg) == ("hire", pytest.approx(1000))
    assert dryer.cost_of_drying(5) == pytest.approx(2.5)
    assert [(one.method, one.access, one.units) for one in has.stores] == [
        ("woven_bag", "own", 60),
        ("woven_bag_protectant", "own", 60),
        ("hermetic_bag", "buy", 200),
        ("hermetic_bag", "own", 12),
    ]
    assert has.stores[2].unit_cost == has.stores[3].unit_cost == 250
    assert has.truck.capacity_kg == 3000
    assert has.truck.trips_per_week == 2
    assert older.fact(1, "interest_monthly").value == 0.05
    assert older.fact(1, "maize_price_kg").value == 44
    assert not any(
        key.startswith(("drying_area", "plan.truck", "bag_cost")) for key in older.facts(1) if _entered(older, key)
    )
    assert older.lots(1)[0].shares == ((1, 1.0),)
    assert older.events(1, "meter")[0].payload == {"amount": "12.50"}


def _entered(store, key):
    return store.fact(1, key).origin != "assumed"


def test_the_older_list_of_the_floor_is_kept(older):
    yard, hired = possessions(older, 2).spaces
    assert {yard.name, hired.name} == {"Yard", "Hired sheets"}
    by_name = {space.name: space for space in (yard, hired)}
    assert by_name["Yard"].access == "own"
    assert by_name["Hired sheets"].access == "hire"
    assert by_name["Hired sheets"].hire_per_bag_day == 2
    assert older.documents.read("floor_spaces", "2") is None


def test_a_buyers_deduction_is_one_setting_and_what_nothing_reads_is_gone(tmp_path):
    """By hand from tests/group/older/schema_0004.sql: 0.03 for the meter alone, and in group 2 a 0.01 beside it."""
    path = tmp_path / "older.sqlite"
    with sqlite3.connect(path) as connection:
        connection.executescript((OLDER / "schema_0004.sql").read_text(encoding="utf-8"))
    connection.close()
    store = open_store(f"sqlite:///{path}")
    assert [store.fact(group, "plan.discount_per_point").value for group in (1, 2)] == [0.03, 0.01]
    assert store.fact(1, "plan.discount_per_point").set_by == "Asha"
    for group in (1, 2):
        assert not [key for key in store.facts(group) if key.startswith(("floor_", "meter.worth.deduction"))]
    store.engine.dispose()
    older = {"meter.worth.deduction_per_point": 0.03, "floor_wage_hour": 55}
    assert carried_over(older) == {"plan.discount_per_point": 0.03}
    assert carried_over({**older, "plan.discount_per_point": 0.01}) == {"plan.discount_per_point": 0.01}


def test_a_setting_that_is_gone_is_neither_shown_nor_carried_over(store):
    """Records of this very version may hold it: it was taken out without a change of the tables."""
    store.set_fact(1, "meter.worth.day_cost", 0.5, "entered", "Asha", NOW)
    with store.engine.begin() as connection:
        connection.execute(sa.update(tables.facts).values(key="meter.worth.store_days"))
    assert "meter.worth.store_days" not in store.facts(1)
    assert carried_over({"meter.worth.store_days": 90}) == {}


def test_carrying_over_twice_changes_nothing():
    once = carried_over({"plan.tarpaulin_m2": 150, "bag_cost.woven_bag": 60, "x": 1})
    assert carried_over(once) == once
    assert carried_over({}) == {}
    assert once["x"] == 1


def test_the_facts_of_an_older_group_file_are_carried_over_with_who_entered_them():
    facts = {
        "plan.truck_kg": Fact(key="plan.truck_kg", value=3000, origin="entered", set_by="Asha", set_at=NOW),
        "maize_price_kg": Fact(key="maize_price_kg", value=44, origin="entered", set_by="Odo", set_at=NOW),
    }
    now = carried_over_facts(facts)
    assert set(now) == {"truck.capacity_kg", "maize_price_kg"}
    assert now["truck.capacity_kg"].value == 3000
    assert now["maize_price_kg"].set_by == "Odo"
    assert carried_over_facts({}) == {}


def test_every_older_setting_of_drying_by_hand():
    """The dryer takes 1,000 kg at 50 kg/m2: 20 m2. A sheet of 24 m2 at 36 is 72 for 48 m2. Costs of the dryer: 2 for
    five points; 18 for a point of a bag of 90 kg where that was entered.
    """
    entered = {
        "drying_area.tarpaulin": 40.0,
        "plan.tarpaulin_m2": 48.0,
        "drying_method": "crib",
        "drying_area.crib": 12.0,
        "drying_load.crib": 30.0,
        "plan.drying_cost_kg": 0.7,
        "drying_tarpaulin_price": 36.0,
        "plan.dryer_kg": 1000.0,
        "drying_load.mechanical": 50.0,
        "plan.dryer_cost_kg": 2.0,
    }
    crib = {"method": "crib", "access": "own", "area_m2": 12.0, "load_kg_m2": 30.0, "cost_per_kg": 0.7}
    sheets = {"method": "tarpaulin", "access": "own", "area_m2": 48.0, "cost_per_kg": 0.7, "price": 72.0}
    dryer = {"method": "mechanical", "access": "hire", "area_m2": 20.0, "load_kg_m2": 50.0, "fee_per_point_kg": 0.4}
    assert carried_over(entered) == {"drying_spaces": [crib, sheets, dryer]}
    by_point = carried_over({**entered, "dryer_fee_per_point": 18.0})["drying_spaces"]
    assert by_point == [crib, sheets, dryer | {"fee_per_point_kg": 0.2}]
    # of two areas of the sheets the one entered later counts; one of nothing says nothing
    sooner = {"plan.tarpaulin_m2": 48.0, "drying_area.tarpaulin": 40.0}
    assert carried_over(sooner)["drying_spaces"] == [{"method": "tarpaulin", "access": "own", "area_m2": 40.0}]
    alone = [{"method": "tarpaulin", "access": "own", "area_m2": 48.0}]
    assert carried_over({"plan.tarpaulin_m2": 48.0})["drying_spaces"] == alone
    assert carried_over({"drying_area.tarpaulin": 40.0, "plan.tarpaulin_m2": 0.0})["drying_spaces"] == [
        {"method": "tarpaulin", "access": "own", "area_m2": 40.0}
    ]
    # without a load of one's own the method's
    load = drying_method_table()["mechanical"]["load_kg_m2"]
    [_usual, made] = carried_over({"plan.dryer_kg": 600.0})["drying_spaces"]
    assert made == {"method": "mechanical", "access": "hire", "area_m2": 600 / load}
    listed = [
        {"name": "Rented", "method": "mechanical", "area_m2": 10.0, "hire_per_bag_day": 0.25},
        {"name": "Yard", "method": "tarpaulin", "area_m2": 30.0},
    ]
    found = carried_over({"plan.dryer_kg": 600.0, "plan.tarpaulin_m2": 48.0}, listed)["drying_spaces"]
    assert found == [{**listed[1], "hire_per_bag_day": 0.0, "access": "own"}, {**listed[0], "access": "hire"}]
    assert carried_over({}, listed[1:]) == {"drying_spaces": found[:1]}
    assert carried_over({"drying_spaces": ["as it is"], "plan.dryer_kg": 1.0}) == {"drying_spaces": ["as it is"]}


def test_every_older_setting_of_storing_by_hand():
    """A fee of 18 for a bag of 90 kg is 0.2 for a kilogram; what nobody entered is left to the method."""
    entered = {
        "plan.woven_bags_owned": 70.0,
        "plan.sealed_bags_owned": 5.0,
        "plan.sealed_bags_buyable": 33.0,
        "plan.sealed_bag_seasons": 2.0,
        "bag_cost.woven_bag": 1.5,
        "bag_cost.hermetic_bag": 3.5,
        "bag_cost.protectant": 0.6,
        "bag_cost.metal_silo": 200.0,
        "storage_fee.warehouse": 18.0,
    }
    sealed = {"unit_cost": 3.5, "seasons": 2.0}
    assert carried_over(entered) == {
        "grain_stores": [
            {"method": "woven_bag", "access": "own", "units": 70, "unit_cost": 1.5},
            {"method": "woven_bag_protectant", "access": "own", "units": 70, "unit_cost": 1.5, "treatment_cost": 0.6},
            {"method": "hermetic_bag", "access": "buy", "units": 33, **sealed},
            {"name": "sealed bags at hand", "method": "hermetic_bag", "access": "own", "units": 5, **sealed},
            {"method": "metal_silo", "access": "buy", "units": 0, "unit_cost": 200.0},
            {"method": "warehouse", "access": "hire", "units": 0, "cost_per_kg_month": 0.2},
        ]
    }
    few = carried_over({"bag_cost.crib": 0.0})["grain_stores"]
    assert [(row["method"], row["units"]) for row in few] == [
        ("woven_bag", 1000),
        ("woven_bag_protectant", 1000),
        ("hermetic_bag", 200),
        ("crib", 0),
    ]
    assert carried_over({"grain_stores": ["as it is"], "bag_cost.crib": 2.0}) == {"grain_stores": ["as it is"]}


def test_of_two_older_facts_the_later_counts_and_its_writer_stands_for_the_list():
    early, late = NOW, NOW.replace(year=2027)

    def fact(key, value, who, at):
        return Fact(key=key, value=value, origin="entered", set_by=who, set_at=at)

    area = fact("drying_area.tarpaulin", 40.0, "Asha", late)
    sheets = fact("plan.tarpaulin_m2", 48.0, "Odo", early)
    undated = fact("drying_load.tarpaulin", 9.0, "Neema", None)
    made = carried_over_facts({one.key: one for one in (area, sheets, undated)})
    assert list(made) == ["drying_spaces"]
    assert made["drying_spaces"].set_by == "Asha"
    assert made["drying_spaces"].value[0]["area_m2"] == 40.0
    other = carried_over_facts({one.key: one for one in (replace(area, set_at=None), sheets)})
    assert (other["drying_spaces"].value[0]["area_m2"], other["drying_spaces"].set_by) == (48.0, "Odo")
