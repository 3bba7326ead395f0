"""The edges of what a record may say, and small laws of the group's records, each worked by hand."""

from __future__ import annotations

import math
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from core.errors import AccessError, InputError, StoreError
from core.grain.commodities import get_commodity
from core.group import facts
from core.group.access import EVERY_GROUP, MONEY, READ, Access, known_person
from core.group.bounds import check_lot, check_member, check_quote, check_reading, check_sale, check_sold, check_values
from core.group.database import check_open
from core.group.harvests import harvest_seasons
from core.group.limits import keeping_humidity
from core.group.lot_actions import LotAction, check_action, expected_mass_out, lot_after
from core.group.lot_state import last_round
from core.group.measures import WeighedMeasure, measure_mass, weigh_measure
from core.group.meter_checks import MeterError, bias_from_pairs, combine, meter_error, salt_humidity
from core.group.own_crops import drop_own_crop, keep_own_crop, own_crops
from core.group.possessions import DryingSpace, GrainStore
from core.group.reading_flags import NOT_SETTLED, OUTLIER, Flag, flag_readings
from core.group.records import Change, Event, Fact, Group, ImportRecord, Lot, Member, PriceQuote, Reading, Sale
from core.group.selling import FARM_GATE, Delivery, basis_to, crop_prices, reference_market, split_known
from core.messages import message
from tests.shared_store import fresh_store

DAY, AT = date(2026, 5, 1), datetime(2026, 5, 1, 8, tzinfo=UTC)
LOT = Lot(group_id=1, commodity="maize", label="heap", bags=10, harvested_on=DAY)
SALE = Sale(lot_id=1, sold_on=DAY, bags=1, mass_kg=90.0, price_per_kg=1.0)
READING = Reading(lot_id=1, taken_at=AT)
QUOTE = PriceQuote(group_id=1, market="M", commodity="maize", quoted_on=DAY, price_per_kg=1.0)


@pytest.mark.parametrize(
    ("check", "record", "field", "good", "bad"),
    [
        (check_member, Member(group_id=1, name="A"), "birth_year", (1880, 2100, None), (1879, 2101)),
        (check_lot, LOT, "bags", (0, 1_000_000), (-1, 1_000_001)),
        (check_lot, LOT, "bag_mass_kg", (0.1, 2000), (0, 2000.1, -1)),
        (check_lot, LOT, "nominal_bag_kg", (0.1, 2000), (0, 2000.1, -1)),
        (check_lot, LOT, "weighed_moisture_pct", (0, 99.9, None), (-0.1, 100)),
        (
            check_lot,
            LOT,
            "shares",
            (((1, 0.4), (2, 0.6)), ((1, 1.0),), ((1, 0.0), (2, 1.0))),
            (((1, 0.9),), ((1, 1.1),)),
        ),
        (check_lot, LOT, "shares", (), (((1, 1.5), (2, -0.5)), ((1, 0.5), (2, 0.50001)))),
        (
            check_lot,
            LOT,
            "harvested_on",
            (date(1950, 1, 1), date(2100, 12, 31)),
            (date(1949, 12, 31), date(2101, 1, 1)),
        ),
        (check_reading, READING, "temperature_c", (-40, 100, None), (-40.1, 100.1)),
        (check_reading, READING, "relative_humidity_pct", (0, 105, None), (-0.1, 105.1)),
        (check_reading, READING, "meter_moisture_pct", (0, 100, None), (-0.1, 100.1)),
        (check_sale, SALE, "bags", (0, 1_000_000), (-1, 1_000_001)),
        (check_sale, SALE, "mass_kg", (0, 1e9), (-1, 1.1e9)),
        (check_sale, SALE, "price_per_kg", (0, 1e8), (-1, 1.01e8)),
        (check_sale, SALE, "moisture_pct", (0, 100, None), (-0.1, 100.1)),
        (check_quote, QUOTE, "price_per_kg", (1e-9, 0.5, 1e8), (0, -1, 1.01e8, math.nan)),
    ],
    ids=lambda item: item if isinstance(item, str) else "",
)
def test_the_last_value_that_fits_and_the_first_that_does_not(check, record, field, good, bad):
    for value in good:
        check(replace(record, **{field: value}))
    for value in bad:
        with pytest.raises(InputError):
            check(replace(record, **{field: value}))


def test_a_lot_sells_no_more_than_it_ever_had():
    """10 bags of 90 kg; up to half more mass than that (bags are rarely weighed one by one): 1,350 kg."""
    lot = replace(LOT, bag_mass_kg=90.0)
    check_sold(lot, [(4, 600.0), (6, 750.0)])
    for sold in ([(5, 1.0), (6, 1.0)], [(1, 1350.1)]):
        with pytest.raises(InputError):
            check_sold(lot, sold)
    work = [{"bags_in": 14, "mass_in_kg": 2000.0}]  # before shelling
    check_sold(lot, [(14, 3000.0)], work)
    for sold in ([(15, 1.0)], [(1, 3000.1)]):
        with pytest.raises(InputError):
            check_sold(lot, sold, work)
    check_sold(replace(lot, bags=0, bag_mass_kg=None), [(99, 9e6)])  # nothing is known of it
    check_sold(replace(lot, bag_mass_kg=None, nominal_bag_kg=50.0), [(10, 750.0)])


def test_particulars_nest_forty_deep_and_hold_numbers_of_63_bits():
    def nested(depth):
        return [] if depth == 0 else [nested(depth - 1)]

    check_values(nested(40))
    check_values({"a": (2**63 - 1, -(2**63) + 1, 1.5)})
    for wrong in (nested(41), 2**63, -(2**63), {"a": [math.inf]}, (math.nan,)):
        with pytest.raises(InputError):
            check_values(wrong)


ACTION = LotAction(kind="cleaning", on=DAY, mass_in_kg=100.0, mass_out_kg=98.0, bags_out=2)


@pytest.mark.parametrize(
    ("changed", "fits"),
    [
        ({"mass_out_kg": 100.0}, True),
        ({"mass_out_kg": 100.1}, False),
        ({"mass_out_kg": 100.1, "kind": "weighing"}, True),
        ({"mass_in_kg": 0.5, "mass_out_kg": 0.5}, True),
        ({"mass_in_kg": 0.0, "mass_out_kg": 0.0}, False),
        ({"mass_out_kg": 0.0}, False),
        ({"mass_in_kg": 0.0, "kind": "weighing"}, False),
        ({"bags_out": 1}, True),
        ({"bags_out": 0}, False),
        ({"cost": 0.0}, True),
        ({"cost": -0.1}, False),
        ({"moisture_pct": 0.0}, True),
        ({"moisture_pct": 99.9}, True),
        ({"moisture_pct": 100.0}, False),
        ({"moisture_pct": -0.1}, False),
        ({"kind": "magic"}, False),
        ({"kind": "shelling"}, False),  # of a lot that is shelled
    ],
)
def test_the_edge_of_what_work_may_say(changed, fits):
    lot, action = replace(LOT, form="threshed"), replace(ACTION, **changed)
    if not fits:
        with pytest.raises(InputError):
            check_action(lot, action)
        return
    after = lot_after(lot, action)
    assert after.bags * after.bag_mass_kg == pytest.approx(action.mass_out_kg)


def test_mass_to_expect_after_work_by_hand():
    """100 kg of cobs at 0.8, 5 % lost: 76 kg; cleaned: 95 kg; weighed: 100 kg."""
    assert [expected_mass_out(kind, 100, 0.8, 0.05) for kind in ("shelling", "cleaning", "weighing")] == pytest.approx(
        [76, 95, 100]
    )
    assert expected_mass_out("cleaning", 0) == 0
    for turnout, loss, mass in ((0, 0, 1), (1.1, 0, 1), (1, 1, 1), (1, -0.1, 1), (1, 0, -1)):
        with pytest.raises(InputError):
            expected_mass_out("shelling", mass, turnout, loss)
    assert expected_mass_out("shelling", 10, 1, 0) == 10


def readings_of(*rows):
    """Rows of (minutes, humidity, settled)."""
    return pd.DataFrame(
        {
            "id": range(1, len(rows) + 1),
            "bag": [row[3] if len(row) > 3 else "1" for row in rows],
            "taken_at": [pd.Timestamp(AT) + timedelta(minutes=row[0]) for row in rows],
            "temperature_c": 25.0,
            "relative_humidity_pct": [row[1] for row in rows],
            "meter_moisture_pct": np.nan,
            "settled": [row[2] for row in rows],
        }
    )


@pytest.mark.parametrize(
    ("rows", "expected"),
    [
        # 2 % in 10 minutes is 0.2 a minute: both had settled, whatever the tester said
        ([(0, 65.0, False), (10, 67.0, False)], {}),
        # 4 % in 10 minutes is 0.4: the first does not count, the second is doubted
        ([(0, 65.0, True), (10, 69.0, True)], {1: True, 2: False}),
        ([(0, 69.0, True), (10, 65.0, True)], {1: True, 2: False}),
        # steady afterwards: the last two stand, the first does not
        ([(0, 60.0, True), (10, 69.0, True), (20, 70.0, True)], {1: True}),
        # steady first, then moving: the second by the third, the third by the second
        ([(0, 60.0, True), (10, 61.0, True), (20, 70.0, True)], {2: True, 3: False}),
        # 40 minutes are one series still, 41 are not: then the tester's word counts
        ([(0, 60.0, True), (40, 73.0, True)], {1: True, 2: False}),
        ([(0, 60.0, True), (41, 75.0, False)], {2: False}),
        ([(0, 60.0, None), (41, 75.0, True)], {}),
        # two tests of one minute have no rate; tests of bags without a name are no series
        ([(0, 60.0, True), (0, 75.0, False)], {2: False}),
        ([(0, 60.0, True, ""), (10, 75.0, False, "")], {2: False}),
        # in another order of writing the same
        ([(10, 69.0, True), (0, 65.0, True)], {2: True, 1: False}),
        # a test without humidity tells nothing of its neighbour
        ([(0, math.nan, False), (10, 69.0, True)], {1: False}),
    ],
)
def test_whether_a_test_had_settled_by_hand(rows, expected):
    """Settled: less than 0.3 % humidity a minute."""
    found = {f.reading_id: f.left_out for f in flag_readings("maize", readings_of(*rows)) if f.key == NOT_SETTLED}
    assert found == expected


def test_an_outlier_by_hand():
    """Meter values 12.0, 12.2, 12.4, 12.6 and one far off: median absolute deviation 0.2, limit 3.5 x 0.2 / 0.6745 =
    1.04, at least 1.5 points: 13.9 from the middle 12.4 lies 1.5 off and passes, 14.0 does not. Four bags are too few.
    """

    def named(*values):
        rows = readings_of(*[(n, math.nan, True, str(n)) for n in range(len(values))]).assign(meter_moisture_pct=values)
        return [flag.bag for flag in flag_readings("maize", rows) if flag.key == OUTLIER]

    assert named(12.0, 12.2, 12.4, 12.6, 14.0) == ["4"]
    assert named(12.0, 12.2, 12.4, 12.6, 13.89) == []
    assert named(12.0, 12.2, 12.4, 14.0) == []
    # wide spread: deviations 1, 1, 0, 1, 6 of the middle 13: limit 3.5 x 1 / 0.6745 = 5.19
    assert named(12.0, 14.0, 13.0, 12.0, 19.0) == ["4"]
    assert named(12.0, 14.0, 13.0, 12.0, 18.1) == []


def test_the_last_round_by_hand():
    """36 hours before the last test count; none from before a test after drying."""
    rows = readings_of((0, 60.0, True, "a"), (60, 60.0, True, "b"), (36 * 60, 60.0, True, "c"))
    assert list(last_round(rows)["bag"]) == ["a", "b", "c"]
    later = readings_of((-1, 60.0, True, "a"), (0, 60.0, True, "b"), (36 * 60, 60.0, True, "c"))
    assert list(last_round(later)["bag"]) == ["b", "c"]
    dried = readings_of((0, 60.0, True, "a"), (5, 60.0, True, "after drying 1"), (9, 60.0, True, "c"))
    assert list(last_round(dried)["bag"]) == ["after drying 1", "c"]


def test_keeping_humidity_falls_in_a_straight_line_by_hand():
    """70 % up to 3 months, 65 % from 6 on: after 4 months 70 - 5 / 3."""
    assert [keeping_humidity(months, "sale", 70, 65) for months in (0, 3, 4, 6, 9)] == pytest.approx(
        [70, 70, 70 - 5 / 3, 65, 65]
    )
    assert keeping_humidity(0, "seed", 70, 65) == 65
    with pytest.raises(InputError):
        keeping_humidity(-0.1)


def test_pairs_of_a_check_by_hand():
    """Four pairs off by 0, 1, 1, 2: mean 1, variance 2/3, error of the mean sqrt(1/6), with 0.15 of the reference.

    Two pairs off by 0 and 1: mean 0.5, squares 0.5; (0.5 + 2 x 0.25) / 3 = 1/3; over 2: 1/6.
    """
    bias, sd = bias_from_pairs([12, 13, 13, 14], [12, 12, 12, 12], 0.15)
    assert (bias, sd) == pytest.approx((1.0, math.hypot(math.sqrt(1 / 6), 0.15)))
    assert bias_from_pairs([12, 13], [12, 12], 0.0) == pytest.approx((0.5, math.sqrt(1 / 6)))
    # 0 +- 0.5 and 1 +- 1: weights 4 and 1
    assert combine((0, 0.5), (1, 1.0)) == pytest.approx((0.2, math.sqrt(1 / 5)))
    assert combine((3, 0.0), (1, 1.0))[0] == pytest.approx(3)
    for temperature in (-0.1, 80.1):
        with pytest.raises(InputError):
            salt_humidity(temperature)


def test_salt_humidity_as_published():
    """Greenspan (1977), sodium chloride (from memory): 75.51 % at 0, 75.47 at 20, 75.29 at 25, 74.68 at 40 °C."""
    for temperature, humidity in ((0, 75.51), (20, 75.47), (25, 75.29), (40, 74.68)):
        assert salt_humidity(temperature) == pytest.approx(humidity, abs=0.01)


def test_what_a_tin_holds_by_hand():
    """The last weighing up to the day: 17, 18, 19 kg: 18, deviation 1, over the root of 3; alone 5 % of it."""
    rows = [("Debe", 17.0, 1), ("debe", 18.0, 1), ("debe", 19.0, 1), ("debe", 20.0, 9), ("basin", 40.0, 1)]
    samples = [
        WeighedMeasure(name=name, commodity="maize", weighed_on=date(2026, 5, day), mass_kg=kg, moisture_pct=kg - 5)
        for name, kg, day in rows
    ]
    found = measure_mass(samples, " DEBE ", "maize", date(2026, 5, 8))
    assert (found.mass_kg, found.standard_error_kg, found.samples) == pytest.approx((18, 1 / math.sqrt(3), 3))
    assert (found.moisture_pct, found.weighed_on) == (13, date(2026, 5, 1))
    later = measure_mass(samples, "debe", "maize", date(2026, 5, 9))
    assert (later.mass_kg, later.standard_error_kg) == pytest.approx((20, 1.0))
    assert measure_mass(samples, "debe", "maize", date(2026, 4, 1)).mass_kg == 18
    two = measure_mass(samples[:2], "debe", "maize", DAY)
    assert two.standard_error_kg == pytest.approx(0.05 * 17.5 / math.sqrt(2))


def quotes_of(*rows):
    return pd.DataFrame(
        [(pd.Timestamp(on), market, kind, price) for on, market, kind, price in rows],
        columns=["quoted_on", "market", "price_type", "price_per_kg"],
    )


def test_the_reference_market_and_the_price_today_by_hand():
    """The market with most months; today's price its last quote; farm gates only where nothing else is known, over
    the gate's factor 0.8; two months are too few to lend a season.
    """
    rows = [(f"2026-{month:02d}-10", "Town", "retail", float(month)) for month in (1, 2, 3)]
    rows += [("2026-01-05", "Port", "retail", 7.0), ("2026-02-05", "Port", "retail", 8.0)]
    rows += [("2026-03-20", "Gate", FARM_GATE, 50.0), ("2026-04-01", "Town", "retail", 0.0)]
    quotes = quotes_of(*rows)
    assert reference_market(quotes).market == "Town"
    found = crop_prices(quotes, 0.8)
    assert (found.price_now, found.on) == (3.0, date(2026, 3, 10))
    assert found.neighbours == ()
    gates = quotes_of(
        ("2026-01-05", "A", FARM_GATE, 4.0),
        ("2026-02-05", "A", FARM_GATE, 8.0),
        ("2026-01-05", "B", FARM_GATE, 2.0),
        ("2026-01-06", "B", FARM_GATE, 2.0),
        ("2026-02-06", "B", FARM_GATE, 2.4),
    )
    only = crop_prices(gates, 0.8)
    assert only.price_now == pytest.approx(2.4 / 0.8)  # three days of quotes at B, two at A
    assert list(only.months) == pytest.approx([2.0 / 0.8, 2.4 / 0.8])
    assert crop_prices(quotes_of(("2026-01-05", "A", "retail", 0.0))) is None


def test_prices_of_a_file_known_to_a_millionth():
    stored = quotes_of(("2026-05-01", "M", "retail", 1.0)).assign(commodity="maize")
    quotes = [
        replace(QUOTE, price_type="retail", price_per_kg=price) for price in (1.0000009, 0.9999991, 1.0000011, 2.0)
    ]
    other = [replace(QUOTE, price_type="retail", quoted_on=date(2026, 5, 2))]
    parted = split_known([*quotes, *other], stored)
    assert parted.known == tuple(quotes[:2])
    assert parted.new == (*quotes[2:], *other)
    assert parted.differing == tuple(quotes[2:])


def test_own_prices_are_set_beside_the_month_or_its_neighbour():
    """Reference 10 in March and 20 in May: own 9 in February stands to March, 18 in June to May, both at 0.9; July's
    is two months off and August's later than today.
    """
    reference = pd.Series([10.0, 20.0], index=pd.PeriodIndex(["2026-03", "2026-05"], freq="M"))
    own = pd.DataFrame(
        {
            "on": pd.to_datetime(["2026-02-10", "2026-06-10", "2026-07-10", "2026-08-10"]),
            "price_per_kg": [9.0, 18.0, 99.0, 999.0],
            "what": "sale",
        }
    )
    two = basis_to(reference, own, date(2026, 7, 31))
    assert two == basis_to(reference, own.iloc[:2], date(2026, 7, 31))
    assert two != basis_to(reference, own.iloc[:1], date(2026, 7, 31))
    assert two != basis_to(reference, own.iloc[1:], date(2026, 7, 31))
    assert basis_to(reference, own, date(2026, 6, 10)) == two


def test_a_record_that_is_not_stored_has_no_number_and_says_nothing_of_itself():
    """The number 0, nothing sold, weighed or agreed to; the count of its edits makes no record another one."""
    entry = {"book": "meter", "kind": "fee", "on": DAY, "payload": {}}
    group, member = Group(name="G"), Member(group_id=1, name="A")
    lot, reading = Lot(group_id=1, label="L", commodity="maize"), Reading(lot_id=1, taken_at=AT)
    sale, file = (
        Sale(lot_id=1, sold_on=DAY),
        ImportRecord(group_id=1, kind="readings", file_name="a", file_hash="b", imported_at=AT),
    )
    event = Event(who="A", recorded_at=AT, **entry)
    change = Change(kind="lot", row="1", changed={}, who="A")
    for record in (group, member, lot, reading, sale, file, event, change, QUOTE):
        assert record.id == 0
    assert event.group_id == lot.bags == sale.bags == file.rows == 0
    assert sale.mass_kg == sale.price_per_kg == Fact(key="x", value=1).low == 0.0
    assert group.demo is lot.demo is member.consent is False
    for record in (group, member, lot, Fact(key="x", value=1)):
        assert record.revision == 0
        assert replace(record, revision=7) == record


def test_a_new_group_is_seen_until_it_is_removed_and_sold_lots_stay_in_its_list():
    store = fresh_store()
    ours, theirs = (store.add_group(Group(name=name)) for name in ("Ours", "Theirs"))
    for label, status in (("A", "stored"), ("B", "sold")):
        store.add_lot(Lot(group_id=ours, label=label, commodity="maize", bags=1, status=status))
    store.mark_removed(theirs, AT)
    assert [group.id for group in store.groups()] == [ours]
    assert [group.id for group in store.groups(removed=True)] == [theirs]
    assert [lot.label for lot in store.lots(ours)] == ["A", "B"]
    assert [lot.label for lot in store.lots(ours, open_only=True)] == ["A"]
    # crops of its own: one is dropped, the other stays
    drop_own_crop(store, ours, "own_x", AT)
    for code in ("own_x", "own_y"):
        keep_own_crop(store, ours, replace(get_commodity("maize"), code=code, own=True), AT)
    drop_own_crop(store, ours, "own_x", AT)
    assert list(own_crops(store, ours)) == ["own_y"]
    for wrong in ({"code": "own_z"}, {"code": "z", "own": True}):
        with pytest.raises(InputError):
            keep_own_crop(store, ours, replace(get_commodity("maize"), **{"own": False, **wrong}), AT)
    store.engine.dispose()


def test_records_are_there_or_it_is_said_what_is_wrong(tmp_path):
    file = tmp_path / "records.sqlite"

    def fault_of(url):
        with pytest.raises(StoreError) as caught:
            check_open(url)
        return caught.value.fault

    assert fault_of(f"sqlite:///{file}") == "lost"
    file.mkdir()
    assert fault_of(f"sqlite:///{file}") == "lost"  # a folder is no file
    file.rmdir()
    fresh_store(file).engine.dispose()
    check_open(f"sqlite:///{file}")
    for version, fault in (("9999", "newer"), ("0001", "not ours")):
        with closing(sqlite3.connect(file)) as connection, connection:
            connection.execute("UPDATE alembic_version SET version_num = ?", (version,))
        assert fault_of(f"sqlite:///{file}") == fault
    with closing(sqlite3.connect(file)) as connection, connection:
        connection.execute("DROP TABLE alembic_version")
    assert fault_of(f"sqlite:///{file}") == "not ours"


def test_an_assumed_value_says_no_more_than_its_table(tmp_path, monkeypatch):
    """What a table leaves out: not below zero, as high as may be, in the group's own money."""
    (tmp_path / "defaults").mkdir()
    (tmp_path / "defaults" / "notes.txt").write_text("not a table")
    table = tmp_path / "defaults" / "a.toml"
    monkeypatch.setattr(facts, "files", lambda _package: tmp_path)

    def read(text):
        table.write_text(text, encoding="utf-8")
        return facts.load_defaults.__wrapped__()

    found = read('[a.b]\nvalue = 3\n[a.c]\nvalue = 4\nusd = true\nlow = -1.0\nbasis = "practice"\n')
    assert list(found) == ["a.b", "a.c"]
    plain, dear = found["a.b"], found["a.c"]
    assert (plain.low, plain.high, plain.usd, plain.maize_kg, plain.room) == (0.0, None, False, False, "a")
    assert (dear.low, dear.usd, dear.basis) == (-1.0, True, "practice")
    for wrong in ("[a]\nvalue = 3\nnonsense = 1\n", '[a]\nvalue = 3\nbasis = "hearsay"\n', "a = 3\n"):
        with pytest.raises(InputError):
            read(wrong)


@pytest.mark.parametrize(
    ("mail", "known"),
    [
        (" Asha@X.org ", "asha@x.org"),
        ("a@b", "a@b"),
        ("x" * 318 + "@y", "x" * 318 + "@y"),
        ("x" * 319 + "@y", None),
        ("@b", None),
        ("ab", None),
        ("a@b@c", None),
        ("a,b@c", None),
        ("a\tb@c", None),
    ],
)
def test_a_mail_address_at_its_edges(mail, known):
    if known is None:
        with pytest.raises(InputError):
            known_person(mail)
    else:
        assert known_person(mail) == known


def test_what_a_role_lets_its_person_do():
    """A role in one group counts there, one for every group in the others too; an administrator's counts everywhere."""
    person = Access("a@b", {2: "treasurer", EVERY_GROUP: "viewer"})
    assert [person.role(number) for number in (0, 1, 2)] == ["viewer", "viewer", "treasurer"]
    assert (person.may(MONEY, 2), person.may(MONEY, 1), person.may(MONEY)) == (True, False, False)
    assert Access("a@b", {2: "viewer", EVERY_GROUP: "administrator"}).may(MONEY, 2)
    assert Access("a@b", {2: "treasurer"}).role(EVERY_GROUP) == ""
    person.check(MONEY, 2)
    person.check(READ, None)  # in every group
    nobody = Access("a@b", {2: "viewer"})
    for group_id, words in ((1, "no role"), (2, "does not allow"), (None, "does not allow")):
        with pytest.raises(AccessError, match=words):
            nobody.check(MONEY, group_id)


def test_what_costs_nothing_unless_it_is_said():
    space = DryingSpace(name="Yard", method="concrete_floor", area_m2=80, load_kg_m2=10)
    assert (space.cost_of_drying(4), space.hire_per_bag_day, space.capacity_kg) == (0.0, 0.0, 800)
    bags = GrainStore(name="Bags", method="woven_bag", units=3, unit="bag", unit_capacity_kg=100.0)
    assert (bags.cost_per_bag(90), bags.treatment_per_bag(90), bags.cost_per_kg_month) == (0.0, 0.0, 0.0)
    assert replace(bags, unit_cost=12.0).cost_per_bag(90) == 12.0  # of one season
    assert meter_error([]) == MeterError()  # a meter that nobody has checked
    assert Flag(reading_id=1, bag="", key=OUTLIER, reason=message("x")).left_out is False
    assert Delivery("maize", 500.0, 12.5, 0.4, 13.5).treated is False
    gate = crop_prices(quotes_of(("2026-01-05", "A", FARM_GATE, 4.0)))
    assert gate is not None
    assert gate.price_now == 4.0


def test_harvests_75_days_apart_are_of_one_season():
    """20 November to 3 February: 10 + 31 + 31 + 3 = 75 days; one day later another season begins."""
    first = date(2025, 11, 20)
    for last, seasons in ((date(2026, 2, 3), 1), (date(2026, 2, 4), 2)):
        lots = [replace(LOT, harvested_on=day) for day in (last, first)]
        found = harvest_seasons(lots)
        assert len(found) == seasons
        assert (found[-1].first, found[0].last, found[0].until) == (first, last, None)
        assert found[0].holds(lots[0])
        assert found[-1].holds(lots[1])
        assert not found[0].holds(replace(LOT, harvested_on=last + timedelta(days=1)))
        assert not found[-1].holds(replace(LOT, harvested_on=first - timedelta(days=1)))


@pytest.mark.parametrize(
    ("changed", "fits"),
    [
        ({"mass_kg": 0.1}, True),
        ({"mass_kg": 0.0}, False),
        ({"mass_kg": 1999.9}, True),
        ({"mass_kg": 2000.0}, False),
        ({"moisture_pct": 0.0}, True),
        ({"moisture_pct": 99.9}, True),
        ({"moisture_pct": 100.0}, False),
        ({"moisture_pct": -0.1}, False),
        ({"name": " "}, False),
    ],
)
def test_a_weighed_measure_at_its_edges(changed, fits):
    written = []
    store = SimpleNamespace(append_event=lambda *given, **_token: written.append(given) or 3)
    sample = WeighedMeasure(name="big  tin ", commodity="maize", weighed_on=DAY, mass_kg=17.0)
    if fits:
        assert weigh_measure(store, 1, replace(sample, **changed), "A", AT) == 3
        assert written[0][5]["name"] == "big tin"
    else:
        with pytest.raises(InputError):
            weigh_measure(store, 1, replace(sample, **changed), "A", AT)
        assert written == []
