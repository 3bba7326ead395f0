"""What a group has: ranges at their edges, and what nobody entered against the tables of the methods."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import sqlalchemy as sa

from core.drying.setups import drying_method
from core.errors import DryholdError, InputError
from core.group.drying_records import (
    day_word,
    diary_score,
    drying_setup,
    remember_weather,
    remembered_weather,
    temperature_limit,
)
from core.group.facts import PERCENT, facts_for_entry, load_defaults, shown_scale, shown_unit
from core.group.faults import SIGNS, explain
from core.group.lot_actions import LotAction, _action
from core.group.lot_state import JudgingRules, cost_if_refused, cost_of_a_day, lot_state
from core.group.meter_checks import OVEN_SD, SALT_SD, USUAL_PAIR_SD, meter_error
from core.group.possessions import DryingSpace, GrainStore, check_spaces, check_stores, space_from, store_from
from core.group.records import Event, Lot
from core.storage.methods import get_method
from core.weather.frames import NEEDED

DAY, AT = date(2026, 5, 1), datetime(2026, 5, 1, 8, tzinfo=UTC)
SPACE = DryingSpace(name="Sheets", method="tarpaulin", area_m2=30.0, load_kg_m2=20.0)
BAGS = GrainStore(
    name="Bags", method="woven_bag", units=3, unit="bag", unit_capacity_kg=100.0, unit_cost=12.0, seasons=2
)
SILO = GrainStore(
    name="Silo", method="metal_silo", units=2, unit="silo", unit_capacity_kg=500.0, unit_cost=300.0, treatment_cost=5.0
)


@pytest.mark.parametrize(
    ("field", "good", "bad"),
    [
        ("area_m2", (0.1, 100_000.0), (0.09, 100_001.0)),
        ("load_kg_m2", (0.1, 2000.0), (0.09, 2000.1)),
        ("cost_per_kg", (0.0,), (-0.01,)),
        ("fee_per_point_kg", (0.0,), (-0.01,)),
        ("hire_per_bag_day", (0.0,), (-0.01,)),
        ("price", (None, 0.0), (-0.01,)),
        ("access", ("own", "hire", "buy"), ("lent",)),
        ("name", (" x ",), ("", " ")),
        ("method", ("crib",), ("moonlight",)),
    ],
)
def test_a_drying_space_at_its_edges(field, good, bad):
    for value in good:
        check_spaces([replace(SPACE, **{field: value})])
    for value in bad:
        with pytest.raises(DryholdError):
            check_spaces([replace(SPACE, **{field: value})])


@pytest.mark.parametrize(
    ("field", "good", "bad"),
    [
        ("units", (0, 1), (-1,)),
        ("unit_capacity_kg", (0.1, 1e9), (0.09, 1.01e9)),
        ("seasons", (0.1, 100.0), (0.09, 100.1)),
        ("unit_cost", (0.0,), (-0.01,)),
        ("treatment_cost", (0.0,), (-0.01,)),
        ("cost_per_kg_month", (0.0,), (-0.01,)),
        ("access", ("own", "hire", "buy"), ("lent",)),
        ("method", ("crib",), ("moonlight",)),
    ],
)
def test_a_store_at_its_edges(field, good, bad):
    for value in good:
        check_stores([replace(BAGS, **{field: value})])
    for value in bad:
        with pytest.raises(DryholdError):
            check_stores([replace(BAGS, **{field: value})])


def test_names_are_there_and_differ():
    check_spaces([SPACE, replace(SPACE, name="Others")])
    for wrong in ([], [SPACE, replace(SPACE, name=" Sheets ")]):
        with pytest.raises(InputError):
            check_spaces(wrong)
    with pytest.raises(InputError):
        check_stores([])


def test_what_a_space_and_a_store_hold_and_cost_by_hand():
    """30 m2 at 20 kg: 600 kg. A bag of 12 over two seasons: 6. A silo of 500 kg at 300: 54 for a bag of 90 kg, 0.90 to
    treat it; two hold eleven bags of 90 kg.
    """
    assert SPACE.capacity_kg == 600
    dryer = replace(SPACE, cost_per_kg=0.5, fee_per_point_kg=0.2)
    assert [dryer.cost_of_drying(points) for points in (-1.0, 0.0, 3.0)] == pytest.approx([0.5, 0.5, 1.1])
    assert (BAGS.bags(90.0), BAGS.cost_per_bag(90.0)) == (3, 6.0)
    assert (SILO.bags(90.0), SILO.bags(100.0), SILO.bags(1001.0)) == (11, 10, 0)
    assert (SILO.cost_per_bag(90.0), SILO.treatment_per_bag(90.0)) == pytest.approx((54.0, 0.9))
    assert replace(BAGS, treatment_cost=2.0).treatment_per_bag(90.0) == 2.0


@pytest.mark.parametrize("method", ["tarpaulin", "raised_rack", "mechanical", "crib"])
def test_what_nobody_entered_of_a_space_is_the_methods_own(method):
    """Dollars of the table times the money for a dollar; a price by the square metre times the area."""
    table, made = drying_method(method), space_from({"method": method}, 40.0)
    assert (made.area_m2, made.load_kg_m2, made.access) == (table["area_m2"], table["load_kg_m2"], "own")
    assert made.cost_per_kg == pytest.approx(table["cost_per_kg_usd"] * 40)
    assert made.fee_per_point_kg == pytest.approx(table["fee_per_point_kg_usd"] * 40)
    assert made.hire_per_bag_day == 0.0
    each = table.get("price_m2_usd")
    assert made.price == (None if each is None else pytest.approx(each * table["area_m2"] * 40))
    given = space_from({"method": method, "name": "Mine", "area_m2": 7, "price": 3, "hire_per_bag_day": 2}, 40.0)
    assert (given.name, given.area_m2, given.price, given.hire_per_bag_day) == ("Mine", 7.0, 3.0, 2.0)


@pytest.mark.parametrize("method", ["woven_bag", "hermetic_bag", "metal_silo", "warehouse"])
def test_what_nobody_entered_of_a_store_is_the_methods_own(method):
    table, made = get_method(method), store_from({"method": method}, 40.0)
    assert (made.units, made.unit, made.unit_capacity_kg, made.seasons) == (
        0,
        table.unit,
        table.unit_capacity_kg,
        table.seasons,
    )
    assert made.unit_cost == pytest.approx(table.unit_cost_usd * 40)
    assert made.treatment_cost == pytest.approx(table.treatment_cost_usd * 40)
    assert made.cost_per_kg_month == pytest.approx(table.cost_per_month_usd / table.cost_per_month_unit_kg * 40)
    for wrong in (True, "3", float("nan"), float("inf")):
        with pytest.raises(InputError):
            store_from({"method": method, "units": wrong}, 40.0)


@pytest.mark.parametrize(("name", "signs"), SIGNS)
def test_each_sign_of_a_broken_database_is_told_by_any_of_its_words(name, signs):
    """What the engine says in an operating fault and in a statement; a broken promise of the tables is a refusal."""
    for sign in signs:
        said = Exception(f"well, {sign.upper()} it is")
        assert explain(sa.exc.OperationalError("x", {}, said)).fault == name
        assert explain(sa.exc.ProgrammingError("x", {}, said)).fault == name
        assert explain(sa.exc.IntegrityError("x", {}, said)).fault == "refused"
    assert explain(sa.exc.ProgrammingError("x", {}, Exception("syntax"))).fault == "refused"
    assert explain(sa.exc.OperationalError("x", {}, Exception("syntax"))).fault == "older engine"
    assert explain(OverflowError("too large")).fault == "refused"


def check_of(number, method, shown, true=None, reverses=None, **more):
    payload = {"method": method, "shown": shown, **({} if true is None else {"true": true}), **more}
    kind = "meter_check" if reverses is None else "reversal"
    return Event(
        id=number, book="diary", kind=kind, on=DAY, who="A", payload=payload, recorded_at=AT, reverses=reverses
    )


def test_what_checks_of_a_meter_say_by_hand():
    """Oven: 1 and 2 points too much: mean 1.5; spread (0.5 + 2 u^2) / 3 of two pairs, with the oven's own error; with
    the belief 0 +- 0.5 by the inverse of the variances. Salt at 25 °C holds 75.29 %. A check taken back is none.
    """
    checks = [
        check_of(1, "oven", [13, 14], [12, 12]),
        check_of(2, "salt", [77.29, 77.29], temperature_c=25),
        check_of(3, "side_by_side", [14.0, 14.4], [13.8, 14.0]),
        check_of(4, "oven", [99], [1]),
        check_of(5, "", [], reverses=4),
        check_of(6, "tasting", [99], [1]),
    ]
    found = meter_error(checks, 0.5, 2.0)

    def shrunk(mean, squares, own, before):
        sd = math.hypot(math.sqrt((squares + 2 * USUAL_PAIR_SD**2) / 3 / 2), own)
        first, second = 1 / before**2, 1 / sd**2
        return mean * second / (first + second), (first + second) ** -0.5

    assert (found.moisture_bias, found.moisture_sd) == pytest.approx(shrunk(1.5, 0.5, OVEN_SD, 0.5))
    assert (found.humidity_bias, found.humidity_sd) == pytest.approx(shrunk(2.0, 0.0, SALT_SD, 2.0), abs=0.02)
    beside = math.sqrt((0.02 + 2 * USUAL_PAIR_SD**2) / 3 / 2)
    assert (found.buyer_bias, found.buyer_sd) == pytest.approx((0.3, beside))
    assert set(found.checked) == {"oven", "salt", "side_by_side"}
    none = meter_error([])
    assert (none.moisture_bias, none.moisture_sd, none.humidity_sd, none.buyer_bias) == (0.0, 0.5, 2.0, None)


def a_day(rain, sun, first=1, hours=24):
    """Hour ends of 1 May in Nairobi (three hours before UTC): rain in one hour, sun [MJ/m2] evenly over all."""
    start = datetime(2026, 4, 30, 21, tzinfo=UTC) + timedelta(hours=first)
    index = pd.date_range(start, periods=hours, freq="h")
    wet = np.zeros(hours)
    wet[5] = rain
    return pd.DataFrame({"rain_mm": wet, "shortwave_w_m2": np.full(hours, sun / 0.0036 / hours)}, index=index)


def test_a_forecast_day_in_the_diarys_words_by_hand():
    """Rain where more than half of the runs have 1 mm; sun from 65 % of a cloudless day: of 20 MJ/m2 from 13."""

    def said(*days):
        return day_word(days, DAY, "Africa/Nairobi", 20.0)

    assert said(a_day(0.0, 13.01)) == said(a_day(0.99, 13.01)) == "sun"
    assert said(a_day(0.0, 12.99)) == "cloud"
    assert said(a_day(1.0, 20.0)) == "rain"
    wet, dry = a_day(1.0, 13.01), a_day(0.0, 13.01)
    assert (said(wet, dry), said(wet, wet, dry)) == ("sun", "rain")
    assert said(a_day(0.0, 14.0), a_day(0.0, 14.0), a_day(0.0, 0.0)) == "sun"  # the middle run
    assert said(a_day(0.0, 13.01, first=7, hours=12)) == "sun"  # 6 to 18 o'clock
    assert said(a_day(0.0, 13.01, first=8, hours=11)) is None
    assert said(a_day(0.0, 13.01, first=20, hours=40)) is None
    assert day_word([dry], DAY + timedelta(days=3), "Africa/Nairobi", 20.0) is None


def test_of_how_many_noted_days_the_forecast_was_right():
    def noted(number, seen, forecast, reverses=None):
        payload = {"seen": seen, "forecast": forecast}
        return Event(
            id=number,
            book="diary",
            kind="day_weather",
            on=DAY,
            who="A",
            payload=payload,
            recorded_at=AT,
            reverses=reverses,
        )

    rows = [noted(1, "sun", "sun"), noted(2, "rain", "sun"), noted(3, "rain", "rain"), noted(4, "sun", None)]
    assert diary_score(rows) == (2, 3)
    assert diary_score([*rows, noted(5, "", "", reverses=3)]) == (1, 2)
    assert diary_score([]) == (0, 0)


def test_a_dry_lot_needs_no_more_bags_and_an_untested_one_says_how_many():
    """Ten bags of which eight were read at 12 % by a meter that nobody checked; limit and risk as they are assumed."""
    lot = Lot(id=1, group_id=1, commodity="maize", label="heap", bags=10, bag_mass_kg=90.0, harvested_on=DAY)
    tests = pd.DataFrame(
        {
            "id": range(1, 9),
            "lot_id": 1,
            "bag": [str(n) for n in range(8)],
            "taken_at": pd.Timestamp(AT),
            "temperature_c": np.nan,
            "relative_humidity_pct": np.nan,
            "meter_moisture_pct": 8.0,
            "settled": True,
        }
    )
    rules = JudgingRules()
    state = lot_state(lot, tests, rules)
    assert (state.decision, state.more_bags, state.again) == ("dry enough", 0, ())
    assert (state.mass_now_kg, state.bags) == (900.0, 10)
    wet = lot_state(lot, tests.assign(meter_moisture_pct=25.0), rules, bags_sold=4)
    assert (wet.decision, wet.more_bags, wet.bags, len(wet.again)) == ("too wet", 0, 6, 8)
    assert wet.share_wet > 0.95
    wetter = lot_state(lot, tests.assign(meter_moisture_pct=26.0), rules, bags_sold=4)
    assert wetter.urgency < wet.urgency  # the wetter of two goes first
    assert wet.urgency[1] == pytest.approx(wet.limit.moisture_pct - 25.0)
    assert cost_if_refused(lot, 900.0, rules) == pytest.approx(0.15 * 0.3 * 900)
    assert cost_of_a_day(900.0, rules) == pytest.approx(2.7)


def test_a_weighing_is_read_back_from_the_diary_with_what_was_counted():
    """80 kg of 100: turnout 0.8; what nobody wrote is nothing."""
    bare = {"mass_in_kg": "100", "mass_out_kg": 80, "bags_out": "1"}
    day = date(2026, 5, 20)
    faults = {"faults_before": {"broken": 4.0}, "faults_after": {"broken": 1.0}}
    full = bare | faults | {"cost": 2.5, "moisture_pct": 13.0, "note": "twice"}

    def read(payload):
        written = datetime(2026, 5, 20, tzinfo=UTC)
        return _action(Event(book="diary", kind="cleaning", on=day, who="A", payload=payload, recorded_at=written))

    known = {"kind": "cleaning", "on": day, "mass_in_kg": 100.0, "mass_out_kg": 80.0, "bags_out": 1}
    assert read(bare) == LotAction(**known)
    assert read(full) == LotAction(**known, moisture_pct=13.0, cost=2.5, note="twice", **faults)
    assert read(bare).turnout == 0.8


def test_a_facts_unit_as_people_read_it():
    """Money says whose it is; a sum assumed in dollars or kilograms of maize too; a share is read as a percentage."""

    def shown(key, unit):
        said = shown_unit(SimpleNamespace(key=key, unit=unit), "KES")
        return str(said)

    in_dollars = next(key for key, one in load_defaults().items() if one.usd and one.unit not in ("", "money"))
    assert shown("anything", "money") == "KES"
    assert shown(in_dollars, "per trip") == "KES per trip"
    assert shown(in_dollars, "") == "KES"
    assert shown("currency_per_usd.KES", "per US dollar") == "KES per US dollar"
    assert shown("anything", "days") == "days"
    assert shown("anything", "") == ""
    assert shown_scale(SimpleNamespace(unit="days")) == 1.0
    assert {shown_scale(SimpleNamespace(unit=unit)) for unit in PERCENT} == {100.0}


def test_facts_that_a_person_enters_one_by_one():
    """No lists of things, and of the rates of money that of the group's own alone."""
    values = {
        "days": 3.0,
        "name": "x",
        "list": [1],
        "table": {"a": 1},
        "currency_per_usd.KES": 1.0,
        "currency_per_usd.XOF": 2.0,
    }
    facts = {key: SimpleNamespace(value=value) for key, value in values.items()}
    assert list(facts_for_entry(facts, "KES")) == ["days", "name", "currency_per_usd.KES"]


def test_how_hot_a_lot_may_get_and_how_it_lies():
    """Seed at the seed's limit whatever it is of; where the sun's floor is always open nothing is held back."""
    facts = {
        "drying_temperature_limit.seed": SimpleNamespace(value=43),
        "drying_temperature_limit.maize": SimpleNamespace(value=60),
        "drying_cover_in_rain": SimpleNamespace(value=True),
    }
    lot = Lot(group_id=1, commodity="maize", label="heap", bags=10)
    assert temperature_limit(facts, lot) == 60
    assert temperature_limit(facts, replace(lot, use="seed")) == 43
    assert temperature_limit(facts, replace(lot, commodity="cowpea")) is None
    for method in ("tarpaulin", "crib", "mechanical"):
        for height, said in ((1200.0, 1200.0), (None, 0.0)):
            group = SimpleNamespace(altitude_m=height, time_zone="UTC")
            made = drying_setup(replace(SPACE, method=method), facts, group, lot)
            assert (made.area_m2, made.load_kg_m2, made.altitude_m) == (30.0, 20.0, said)
            assert made.cover_in_rain is True
            opened = drying_method(method)["always_open"]
            assert made.grain_temperature_limit_c == (None if opened else 60)


def test_the_hours_that_have_passed_are_kept_for_120_days():
    """The mean of two members, to a hundredth; an hour that comes again takes the place of the older one."""
    kept = {}
    documents = SimpleNamespace(
        read=lambda kind, key: kept.get((kind, key)),
        write=lambda kind, key, payload, at: kept.update({(kind, key): payload}),
    )
    store = SimpleNamespace(documents=documents)

    def hours(start, values):
        index = pd.date_range(start, periods=len(values), freq="h", tz="UTC")
        return pd.DataFrame(dict.fromkeys(NEEDED, values), index=index)

    now = datetime(2026, 5, 1, 8, tzinfo=UTC)
    remember_weather(store, "here", [hours("2026-05-01 09:00", [1.0])], now)  # nothing has passed
    assert remembered_weather(store, "here") is None
    members = [hours("2026-05-01 06:00", [1.0, 2.0, 3.0, 9.0]), hours("2026-05-01 06:00", [2.0, 2.0, 3.024, 9.0])]
    remember_weather(store, "here", members, now)
    found = remembered_weather(store, "here")
    assert list(found[NEEDED[0]]) == [1.5, 2.0, 3.01]  # 3.012
    assert found.index[-1] == pd.Timestamp(now)
    remember_weather(store, "here", [hours("2026-05-01 08:00", [7.0, 8.0])], now + timedelta(hours=1))
    found = remembered_weather(store, "here")
    assert list(found[NEEDED[-1]]) == [1.5, 2.0, 7.0, 8.0]
    # 120 days after 7 o'clock that hour is gone, the next is still there
    later = datetime(2026, 5, 1, 7, tzinfo=UTC) + timedelta(days=120)
    remember_weather(store, "here", [hours(later.replace(tzinfo=None), [5.0])], later)
    assert list(remembered_weather(store, "here")[NEEDED[0]]) == [7.0, 8.0, 5.0]
