"""What a table of tests means, by small tables worked by hand: guesses, days and hours, new lots, what is new."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pandas as pd
import pytest

from core.errors import ImportRefusedError
from core.group import reading_tables
from core.group.reading_tables import import_preview, open_table, preview_table
from core.group.records import Group, Member
from tests.shared_store import fresh_store

NOW = datetime(2026, 5, 20, 8, tzinfo=UTC)


@pytest.fixture
def where():
    store = fresh_store()
    yield store, store.add_group(Group(name="By hand", time_zone="Africa/Nairobi"))
    store.engine.dispose()


def preview(where, text, now=NOW, name="a.csv", **changes):
    opened = open_table(text.encode(), name, *where)
    return preview_table(opened, replace(opened.options, **changes), *where, now)


def guessed(heads, *rows):
    text = "\n".join([heads, *rows]) + "\n"
    return open_table(text.encode(), "a.csv").options


def test_a_table_of_fahrenheit_is_known_by_its_heading_or_by_values_that_no_store_has():
    """At least five temperatures, all above 60 and below 120."""
    warm = [60.5, 70, 80, 90, 119.5]
    assert reading_tables._is_fahrenheit("temp", warm)
    for cells in (warm[:4], [60, *warm[1:]], [*warm[:4], 120]):
        assert not reading_tables._is_fahrenheit("temp", cells)
    for heading in ("Temp °F", "temp fahrenheit", "Temp F"):
        assert reading_tables._is_fahrenheit(heading, [])
    rows = [f"A,2026-05-01,{value},13.5" for value in warm]
    assert guessed("Lot,Date,Temperature,Moisture", *rows).fahrenheit
    assert not guessed("Lot,Date,Temperature,Moisture", *rows[:4]).fahrenheit


def test_fractions_are_three_values_between_nothing_and_one():
    assert reading_tables._are_fractions([0.12, 0.135, 0.999])
    for cells in ([0.12, 0.135], [0.0, 0.12, 0.135], [0.12, 0.135, 1.0], []):
        assert not reading_tables._are_fractions(cells)
    rows = ["A,2026-05-01,0.135", "A,2026-05-01,0.14", "A,2026-05-01,0.15"]
    assert guessed("Lot,Date,Moisture", *rows).fractions
    assert guessed("Lot,Date,Moisture (db)", *rows).basis == "dry"
    assert guessed("Lot,Date,Moisture", *rows).basis == "wet"


@pytest.mark.parametrize(("named", "rows", "down"), [(7, 10, False), (6, 10, True), (1, 2, True)])
def test_an_empty_cell_means_the_same_as_above_where_more_than_three_tenths_are_empty(named, rows, down):
    table = [f"{'A' if at < named else ''},2026-05-01,13.5" for at in range(rows)]
    assert guessed("Lot,Date,Moisture", *table).fill_down is down
    assert guessed("Lot,Date,Moisture", *[",2026-05-01,13.5", *table]).fill_down is False


@pytest.mark.parametrize(("values", "name"), [((12, 40, 70), "moisture"), ((12, 40.5, 70), "humidity")])
def test_a_heading_of_two_meanings_is_told_by_its_middle_value(values, name):
    """Above 40 % the middle of the values is humidity of the air, else moisture of the grain."""
    found = guessed("Lot,Date,Umidade", *[f"A,2026-05-01,{value}" for value in values])
    assert {field for field in ("moisture", "humidity") if field in found.columns} == {name}


def test_days_and_hours_where_the_group_lives(where):
    """Nairobi is three hours before UTC: its noon, taken without an hour, is 9 o'clock UTC."""
    rows = [
        "A,2026-05-01,,1,13.0",
        "A,2026-05-02,07:30,2,13.1",
        "A,2026-05-03T06:30:00+01:00,,3,13.2",
        "A,1990-01-01,,4,13.3",
        "A,1989-12-31,,5,13.4",
        "A,2026-05-21,11:00,6,13.5",
        "A,2026-05-21,11:01,7,13.6",
    ]
    found = preview(where, "\n".join(["Lot,Date,Time,Bag,Moisture", *rows]), NOW)
    assert {one["bag"]: one["taken_at"] for one in found.readings} == {
        "1": datetime(2026, 5, 1, 9, tzinfo=UTC),
        "2": datetime(2026, 5, 2, 4, 30, tzinfo=UTC),
        "3": datetime(2026, 5, 3, 5, 30, tzinfo=UTC),
        "4": datetime(1990, 1, 1, 9, tzinfo=UTC),
        "6": datetime(2026, 5, 21, 8, tzinfo=UTC),  # a day ahead of now, to the minute: clocks differ
    }
    assert [(row.number, str(row.reason)) for row in found.rejected] == [
        (6, "this date is too long ago"),
        (8, "this date lies in the future"),
    ]
    assert [one["timed"] for one in found.readings] == [False, True, True, False, True]
    frame = found.frame("Africa/Nairobi", 2)
    assert [at.hour for at in frame["taken_at"]] == [12, 7]
    assert found.frame(rows=0).empty


def test_what_rows_say_of_a_new_lot(where):
    """The first word counts, the greatest number of bags, the bags that are named; what nobody says is usual."""
    store, group = where
    store.add_member(Member(group_id=group, name="Asha"))
    heads = "Lot,Date,Bag,Moisture,Owner,Bags,Bag weight kg,Variety,Note,Form"
    rows = [
        "A,2026-05-01,1,13.0,Asha,3,,Early,seen twice,cob",
        "a,2026-05-01,2,13.1,Odo,5,80,Late,,grain",
        "B,2026-05-01,x,13.2,Odo,,,,,",
        "B,2026-05-01,y,13.3,,,,,,",
        "C,2026-05-01,,13.4,,,,,,",
    ]
    found = preview(where, "\n".join([heads, *rows]))
    made = {lot.label: (lot.bags, lot.bag_mass_kg, lot.variety, lot.form, owner) for lot, owner in found.new_lots}
    assert made == {
        "A": (5, 80.0, "Early", "cob", "Asha"),
        "B": (2, None, "", "threshed", "Odo"),
        "C": (1, None, "", "threshed", ""),
    }
    assert found.new_members == ("Odo",)
    assert found.remarks == ((2, "A", "1", "seen twice"),)
    assert [one["lot_label"] for one in found.readings] == ["A", "A", "B", "B", "C"]
    assert [one["bag"] for one in found.readings] == ["1", "2", "x", "y", ""]
    import_preview(found, store, group, "Asha", NOW)
    people = {member.id: member.name for member in store.members(group)}
    assert {lot.label: people.get(lot.owner_id) for lot in store.lots(group)} == {"A": "Asha", "B": "Odo", "C": None}
    assert preview(where, "\n".join([heads, *rows]), new_members=False).new_members == ()
    unknown = preview(where, "Lot,Date,Moisture\nZ,2026-05-01,13\n", new_lots=False)
    assert [str(row.reason) for row in unknown.rejected] == ["the group has no lot of this name"]


def test_the_same_file_again_and_read_otherwise(where):
    store, group = where
    text = "Lot,Date,Bag,Moisture\nA,2026-05-01,1,13.0\nA,2026-05-01,2,14.0\n"
    first = preview(where, text)
    assert first.replaces is None
    number = import_preview(first, store, group, "Asha", NOW)
    again = preview(where, text)
    assert (again.readings, again.duplicates, again.replaces) == ((), (2, 3), None)
    assert [str(note) for note in again.notes if "very file" in str(note)] == [
        "this very file was imported before, on 2026-05-20"
    ]
    # read as dry basis its values are others: 13 / 1.13 and 14 / 1.14; they take the place of those from then
    dry = preview(where, text, basis="dry")
    assert [one["meter_moisture_pct"] for one in dry.readings] == pytest.approx([1300 / 113, 1400 / 114])
    assert dry.replaces is not None
    assert dry.replaces.id == number
    said = [str(note) for note in dry.notes]
    assert any("take the place of the 2 from then" in note for note in said)
    assert "moisture is turned from dry basis to wet basis" in said
    import_preview(dry, store, group, "Asha", NOW)
    assert sorted(store.readings(group)["meter_moisture_pct"]) == pytest.approx([1300 / 113, 1400 / 114])
    # another file with one of these tests and a new one
    other = preview(where, text.replace("14.0", "15.5") + "\n", basis="dry")
    assert (len(other.readings), other.duplicates, other.replaces) == (1, (2,), None)
    lot = store.lots(group)[0]
    store.update_lot(replace(lot, status="sold"))
    sold = [str(note) for note in preview(where, text.replace("14.0", "15.5")).notes]
    assert any(note.startswith("some tests are for lots that are sold or used: A;") for note in sold)


def test_notes_of_how_a_table_is_read(where):
    text = "Lot,Date,Time,Moisture,Temperature\nA,2026-05-01,07:30,0.13,86\n"
    said = {str(note) for note in preview(where, text, fractions=True, fahrenheit=True).notes}
    assert {"temperatures are turned from °F to °C", "fractions such as 0.135 are read as 13.5 %"} <= said
    assert "where no time of day is given, noon is taken" not in said
    [row] = preview(where, text, fractions=True, fahrenheit=True).readings
    assert (row["meter_moisture_pct"], row["temperature_c"]) == pytest.approx((13.0, 30.0))
    plain = {str(note) for note in preview(where, "Lot,Date,Moisture\nA,2026-05-01,13\n").notes}
    assert [note for note in plain if "turned" in note or "taken" in note or "read as" in note] == [
        "where no time of day is given, noon is taken"
    ]


@pytest.mark.parametrize(
    ("text", "changes", "words"),
    [
        ("Lot,Date,Note\nA,2026-05-01,x\n", {}, "moisture, humidity or temperature"),
        ("Date,Moisture\n2026-05-01,13\n", {}, "names the lot"),
        ("Date,Moisture\n2026-05-01,13\n", {"default_lot": " "}, "names the lot"),
        ("Lot,Moisture\nA,13\n", {}, "holds the date"),
        ("Lot,Date,Moisture\nA,2026-05-01,13\n", {"commodity": "gold"}, "no crop"),
        (
            "Lot,Date,Moisture\nA,2026-05-01,13\n",
            {"columns": {"lot": 0, "date": 1, "moisture": 2, "humidity": 2}},
            "chosen twice",
        ),
    ],
)
def test_a_table_that_cannot_be_read_so(where, text, changes, words):
    with pytest.raises(ImportRefusedError, match=words):
        preview(where, text, **changes)


def test_one_lot_or_one_day_for_a_whole_file(where):
    found = preview(where, "Date,Moisture\n2026-05-01,13\n", default_lot=" Heap ")
    assert [one["lot_label"] for one in found.readings] == ["Heap"]
    found = preview(where, "Lot,Moisture\nA,13\n", default_date=date(2026, 5, 2))
    assert [one["taken_at"] for one in found.readings] == [datetime(2026, 5, 2, 9, tzinfo=UTC)]
    empty = preview(where, "Lot,Date,Moisture,Bag\n,2026-05-01,13,1\nA,,13,2\nA,2026-05-01,,3\n", fill_down=False)
    assert [(row.number, str(row.reason)) for row in empty.rejected] == [
        (2, "the row names no lot"),
        (3, "the row has no date"),
        (4, "nothing was measured in this row"),
    ]


def test_which_rows_stand_twice():
    """A bag with its hour is one test; without, two equal rows may be two bags, but for as many as are stored."""
    moment = datetime(2026, 5, 1, 9, tzinfo=UTC)

    def row(number, bag="", timed=False, later=0, value=13.0):
        return {
            "row": number,
            "lot_label": "A",
            "taken_at": moment + timedelta(seconds=later),
            "bag": bag,
            "temperature_c": None,
            "relative_humidity_pct": None,
            "meter_moisture_pct": value,
            "timed": timed,
        }

    def parted(*rows, stored=()):
        kept, twice = reading_tables._without_duplicates(rows, pd.DataFrame(list(stored), columns=list(row(0))))
        return [one["row"] for one in kept], twice

    assert parted(row(1, "x", True), row(2, "x", True)) == ([1], [2])
    assert parted(row(1, "x"), row(2, "x")) == parted(row(1, "", True), row(2, "", True)) == ([1, 2], [])
    assert parted(row(1), row(2), row(3), stored=[row(0), row(0)]) == ([3], [1, 2])
    # within one minute by the clock it is the same test, at the next not; to a millionth of a point
    stored = [row(0, "x", True) | {"temperature_c": float("nan"), "relative_humidity_pct": float("nan")}]
    assert parted(row(1, "x", True, 59), stored=stored) == ([], [1])
    assert parted(row(1, "x", True, 60), stored=stored) == ([1], [])
    assert parted(row(1, "x", True, value=13.0000004), stored=stored) == ([], [1])
    assert parted(row(1, "x", True, value=13.000001), stored=stored) == ([1], [])
