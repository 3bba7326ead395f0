"""What an importer must keep: grain temperatures, decimal commas, other sheets, remarks, corrections without doubles.

The tables are written by hand; what each cell means stands beside it.
"""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from openpyxl import Workbook

from core.group.reading_tables import import_preview, open_table, preview_table, remarks_of_tests
from core.group.records import Group, Reading
from core.group.table_words import heading_words
from core.market.price_tables import clean_prices, read_price_table
from core.market.products import suggest_commodity
from core.tables.files import read_file
from core.tables.headings import _together, find_headings
from core.tables.numbers import NumberStyle, number, number_style
from core.tables.reading import Column, pasted, read_rows
from core.tables.reading import open_table as open_any
from core.tables.words import matches, word_list
from tests.shared_store import fresh_store

NOW = datetime(2026, 11, 25, 8, tzinfo=UTC)


@pytest.fixture
def where():
    store = fresh_store()
    return store, store.add_group(Group(name="Upper terrace", time_zone="Africa/Nairobi"))


def preview(data: bytes, where, name: str = "a.csv", sheet: str = "", **changes):
    opened = open_table(data, name, *where, sheet=sheet)
    return preview_table(opened, replace(opened.options, **changes), *where, NOW)


@pytest.mark.parametrize("heading", ["Temp. grain", "Grain temp.", "Temperature of the grain (°C)", "T grain"])
def test_the_temperature_of_the_grain_is_not_a_crop(where, heading):
    found = preview(f"Lot;Date;{heading};Moisture\nA;2026-05-01;28,3;13,1\n".encode(), where)
    assert found.readings[0]["temperature_c"] == 28.3
    assert found.unused == ()


def test_the_temperature_of_the_air_is_not_the_grains(where):
    found = preview(b"Lot,Date,Air temperature,Grain temp,Moisture\nA,2026-05-01,35,28,13\n", where)
    assert found.readings[0]["temperature_c"] == 28
    assert found.unused == ("Air temperature",)


def test_pasted_rows_keep_their_decimal_commas(where):
    data, name = pasted("Lot\tDate\tTemp\tMoisture\nA\t2026-05-01\t28,3\t13,1\n")
    assert preview(data, where, name).readings[0]["temperature_c"] == 28.3


def test_a_second_sheet_with_tests_is_offered(where):
    book = Workbook()
    book.active.title = "Notes"
    for row in range(9):
        book.active.append([f"line {row}", "words"])
    for title, moisture in (("May", 13.1), ("June", 12.4)):
        page = book.create_sheet(title)
        page.append(["Lot", "Date", "Moisture"])
        page.append(["A", datetime(2026, 5, 1), moisture])
    out = io.BytesIO()
    book.save(out)
    opened = open_table(out.getvalue(), "a.xlsx", *where)
    assert dict(opened.table.sheets) == {"Notes": 9, "May": 2, "June": 2}
    assert opened.table.sheet == "May"  # it has the headings of tests, the longer sheet of notes has none
    assert preview(out.getvalue(), where, "a.xlsx", "June").readings[0]["meter_moisture_pct"] == 12.4
    assert sum("is not read" in str(note) for note in opened.notes) == 2


def test_a_corrected_mapping_takes_the_place_of_the_first_try(where):
    store, group = where
    data = b"Lot,Date,Bag,First,Second\nA,2026-05-01,1,13.1,60\nA,2026-05-01,2,13.3,61\n"
    wrong = preview(data, where, columns={"lot": 0, "date": 1, "bag": 2, "moisture": 4})
    import_preview(wrong, store, group, "Asha", NOW)
    right = preview(data, where, columns={"lot": 0, "date": 1, "bag": 2, "moisture": 3, "humidity": 4})
    assert right.replaces is not None
    import_preview(right, store, group, "Asha", NOW)
    assert sorted(store.readings(group)["meter_moisture_pct"]) == [13.1, 13.3]
    assert len(store.lots(group)) == 1
    assert [record.undone_at is None for record in store.imports(group)] == [True, False]
    store.undo_import(store.imports(group)[0].id, NOW)  # the second takes back what both brought
    assert store.readings(group).empty
    assert store.lots(group) == []


def test_a_corrected_mapping_removes_the_lots_that_the_first_try_made_of_another_column(where):
    """Three bags taken for lots: two go with the correction, the one that somebody wrote about meanwhile stays."""
    store, group = where
    data = b"Plot,Date,Sack,Moisture\nA,2026-05-01,s1,13.1\nA,2026-05-01,s2,13.3\nA,2026-05-01,s3,13.2\n"
    wrong = preview(data, where, columns={"lot": 2, "date": 1, "moisture": 3})
    import_preview(wrong, store, group, "Asha", NOW)
    lots = {lot.label: lot for lot in store.lots(group)}
    assert set(lots) == {"s1", "s2", "s3"}
    store.append_event(group, "lot_actions", "spread", NOW.date(), "Asha", {"lot_id": lots["s3"].id}, NOW)
    right = preview(data, where, columns={"lot": 0, "date": 1, "bag": 2, "moisture": 3})
    import_preview(right, store, group, "Asha", NOW)
    assert {lot.label for lot in store.lots(group)} == {"A", "s3"}
    assert len(store.readings(group)) == 3


def test_remarks_are_kept_and_unused_columns_are_listed(where):
    store, group = where
    found = preview(b"Lot,Date,Moisture,Remarks,Moon\nA,2026-05-01,13,smells musty,full\n", where)
    assert found.unused == ("Moon",)
    import_preview(found, store, group, "Asha", NOW)
    assert store.imports(group)[0].summary["remarks"] == [
        [2, "A", "", "smells musty", found.readings[0]["taken_at"].isoformat()]
    ]


def test_a_remark_stays_with_its_test(where):
    """Of two tests of one bag the remark belongs to one; a test typed by hand and another lot's have none."""
    store, group = where
    data = b"Lot,Date,Bag,Moisture,Remarks\nA,2026-05-01,1,13,musty\nA,2026-05-02,1,13.5,\nB,2026-05-01,1,14,wet\n"
    import_preview(preview(data, where), store, group, "Asha", NOW)
    lot = next(one for one in store.lots(group) if one.label == "A")
    store.add_reading(Reading(lot_id=lot.id, taken_at=NOW, bag="1", meter_moisture_pct=12.0))
    assert remarks_of_tests(store, group, "A", store.readings(group, lot.id)) == ["musty", "", ""]


def test_headings_over_two_rows():
    words = heading_words("tests")
    table = read_file(b"Lot;Date of;Grain;;Air\n;test;Temp;Moisture;RH\nA;2026-05-01;25;13;60\n", "a.csv")
    found = find_headings(table, words)
    assert found.names == ("Lot", "Date of test", "Grain Temp", "Grain Moisture", "Air RH")
    assert found.first_row == 2


def test_several_products_of_one_price_file_are_told_apart():
    data = b"date,market,product,price\n2026-05-01,B,Maize (white),50\n2026-05-01,B,Beans (red),120\n"
    found = clean_prices(read_price_table(data, "a.csv"), "KES").series_list()
    assert {suggest_commodity(name) for name in found["commodity"]} == {"maize", "common_bean"}


@pytest.mark.parametrize(
    ("cells", "decimal", "mixed"),
    [
        (["12,5", "1.250"], ",", False),
        (["12.5", "1,250"], ".", False),
        (["1,250", "1,300"], "", False),
        (["1.234.567"], ",", False),
        (["12,34,567"], ".", False),
        (["12,5", "12.5"], "", True),
    ],
)
def test_the_decimal_mark_is_decided_for_the_whole_table(cells, decimal, mixed):
    assert number_style(cells)[0] == NumberStyle(decimal, mixed)


def test_the_whole_table_decides_what_one_cell_leaves_open():
    columns = (Column(name="amount", kind="money", unclear="thousands"), Column(name="kg", kind="number"))
    words = word_list('[amount]\nwords = ["amount"]\n[kg]\nwords = ["mass"]')

    def amounts(text: str) -> list[float | None]:
        opened = open_any(text.encode(), "a.csv", columns, words)
        read = read_rows(opened, columns, opened.columns)
        return [row.values["amount"] for row in read.rows] + [None] * len(read.refused)

    assert amounts("amount;mass\n1.250;12,5\n") == [1250]  # a comma parts decimals, so a point parts thousands
    assert amounts("amount;mass\n1,250;12.5\n") == [1250]
    assert amounts("amount;mass\n1.250;12.5\n") == [None]  # a point parts decimals, but money has no third: refused
    assert amounts("amount;mass\n1.250;12\n") == [1250]
    assert number("1.250") == 1.25  # what is measured is never grouped


def test_air_alone_is_not_taken_for_the_grain_and_what_is_measured_wins(where):
    assert "temperature" not in open_table(b"Lot,Date,Air temperature,Moisture\nA,2026-05-01,35,13\n", "a.csv").columns
    found = matches("Temp. of our grain", heading_words("tests"), ("temperature",))
    assert max(found, key=lambda meaning: found[meaning]) == "temperature"


def test_of_a_lot_the_greatest_number_of_bags_and_the_first_mass_count(where):
    store, group = where
    data = b"Lot,Date,Moisture,Bags,Bag kg\nA,2026-05-01,13,7,90\nA,2026-05-02,13,9,80\nB,2026-05-01,14,,\n"
    import_preview(preview(data, where), store, group, "Asha", NOW)
    lots = {lot.label: lot for lot in store.lots(group)}
    assert (lots["A"].bags, lots["A"].bag_mass_kg) == (9, 90.0)


def test_headings_whose_second_row_is_longer_or_shorter():
    """The upper one reaches over the empty cells to its right, as merged cells do, also beyond its own row."""
    longer = _together(("Lot", "Grain", None), (None, "Temp", "Moisture", "RH"))
    assert longer == ["Lot", "Grain Temp", "Grain Moisture", "Grain RH"]
    assert _together(("Lot", "Date", "Bag"), (None, "of test")) == ["Lot", "Date of test", "Bag"]
    assert _together((None, None), (None, "x")) == [None, "x"]
