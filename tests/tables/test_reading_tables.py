"""Tables as people have them: whatever was written is read back, or refused with its row and reason."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.errors import ImportRefusedError, InputError
from core.group.reading_columns import FIELDS
from core.group.reading_tables import TablePreview, import_preview, open_table, preview_table
from core.group.records import Group, Lot
from core.group.store import Store
from core.group.table_words import heading_words
from core.tables import dates, numbers
from core.tables.files import decode, find_delimiter
from core.tables.headings import guess_columns
from tests.group.messy import BAD_ROWS, as_csv, as_workbook, sixty_rows
from tests.shared_store import fresh_store

NOW = datetime(2026, 11, 25, 8, tzinfo=UTC)


@pytest.fixture(scope="module")
def shared() -> tuple[Store, int]:
    """Return a store that previews do not change."""
    store = fresh_store()
    return store, store.add_group(Group(name="Upper terrace", time_zone="Africa/Nairobi"))


@pytest.fixture
def fresh() -> tuple[Store, int]:
    store = fresh_store()
    return store, store.add_group(Group(name="Upper terrace", time_zone="Africa/Nairobi"))


def _preview(data: bytes, where: tuple[Store, int], name: str = "a.csv", **changes: Any) -> TablePreview:
    from dataclasses import replace

    opened = open_table(data, name, *where)
    return preview_table(opened, replace(opened.options, **changes), *where, NOW)


def test_four_bad_rows_of_sixty_are_named_and_nothing_else_is_lost(shared: tuple[Store, int]) -> None:
    preview = _preview(sixty_rows(), shared)
    assert len(preview.readings) == 56
    assert {row.number: row.column for row in preview.rejected} == BAD_ROWS
    assert all(str(row.reason) and str(row.remedy) for row in preview.rejected)
    assert [number for number, _why in preview.skipped] == [65]
    first = preview.readings[0]
    # Noon in Nairobi is 09:00 UTC.
    assert first["taken_at"] == datetime(2026, 4, 1, 9, tzinfo=UTC)
    assert (first["temperature_c"], first["relative_humidity_pct"], first["meter_moisture_pct"]) == (24.0, 60.5, 12.0)
    assert {lot.commodity for lot, _owner in preview.new_lots} == {"maize"}


def test_import_again_and_taking_back(fresh: tuple[Store, int]) -> None:
    store, group_id = fresh
    number = import_preview(_preview(sixty_rows(), fresh), store, group_id, "Asha", NOW)
    assert len(store.readings(group_id)) == 56
    assert {member.name for member in store.members(group_id)} == {f"Paysan {k}" for k in range(4)}
    again = _preview(sixty_rows(), fresh)
    assert any("as you read a file with these headings before" in str(note) for note in again.opened.notes)
    assert (len(again.readings), len(again.duplicates), len(again.rejected)) == (0, 56, 4)
    with pytest.raises(ImportRefusedError):
        import_preview(again, store, group_id, "Asha", NOW)
    store.undo_import(number, NOW)
    assert store.readings(group_id).empty
    assert store.lots(group_id) == []
    assert len(_preview(sixty_rows(), fresh).readings) == 56


def test_a_failure_while_storing_leaves_nothing(fresh: tuple[Store, int]) -> None:
    store, group_id = fresh

    def fail(_fraction: float) -> None:
        message = "the lamp went out"
        raise RuntimeError(message)

    with pytest.raises(RuntimeError):
        import_preview(_preview(sixty_rows(), fresh), store, group_id, "Asha", NOW, progress=fail)
    assert store.readings(group_id).empty
    assert store.lots(group_id) == []
    assert store.members(group_id) == []
    assert store.imports(group_id) == []


floats = st.one_of(st.none(), st.floats(0, 99).map(lambda value: round(value, 1)))
stamps = st.datetimes(datetime(2020, 1, 1), datetime(2026, 11, 24)).map(
    lambda value: value.replace(second=0, microsecond=0)
)
labels = st.text(st.characters(codec="cp1252", categories=("L", "N")), min_size=1, max_size=12).filter(
    lambda text: text.casefold() not in numbers.MISSING
)
junk = st.sampled_from(["abc", "12..3", "99/99/2026", "#REF!", "??", "1e999", "soon", "--5--", "=1+1"])


@st.composite
def tables(draw: st.DrawFn) -> tuple[bytes, list[dict[str, Any]], set[int]]:
    """Return a file, what was meant by each row, and the positions of rows that hold junk."""
    kind = draw(st.sampled_from(["csv", "xlsx"]))
    comma = draw(st.booleans())
    order = draw(st.sampled_from(["iso", "dmy", "dotted", "word", "serial"]))
    rows, meant, bad = [], [], set()
    for position in range(draw(st.integers(1, 12))):
        stamp = draw(stamps)
        temperature, humidity, moisture = draw(floats), draw(floats), draw(floats)
        temperature = None if temperature is None else min(temperature, 60)
        lot, bag = f"L{draw(labels)}", f"b{position}"

        def written(value: float | None) -> str:
            text = "" if value is None else f"{value:.1f}"
            return text.replace(".", ",") if comma else text

        when = {
            "iso": stamp.strftime("%Y-%m-%d %H:%M"),
            "dmy": stamp.strftime("%d/%m/%Y %H:%M"),
            "dotted": stamp.strftime("%d.%m.%Y %H:%M"),
            "word": f"{stamp.day} {stamp:%b} {stamp.year} {stamp:%H:%M}",
            "serial": f"{(stamp - datetime(1899, 12, 30)) / timedelta(days=1):.6f}",
        }[order]
        cells: list[Any] = [lot, bag, when, written(temperature), written(humidity), written(moisture)]
        if kind == "xlsx":
            cells = [lot, bag, stamp, temperature, humidity, moisture]
        if draw(st.integers(0, 5)) == 0:
            cells[draw(st.integers(2, 5))] = draw(junk)
            bad.add(position)
        elif temperature is None and humidity is None and moisture is None:
            bad.add(position)
        rows.append(cells)
        meant.append({"lot": lot, "bag": bag, "stamp": stamp, "values": (temperature, humidity, moisture)})
    headings = ["Lot", "Bag", "Date", "Temp (°C)", "RH (%)", "Moisture (%)"]
    if kind == "xlsx":
        return as_workbook(headings, rows), meant, bad
    delimiter = draw(st.sampled_from([";", "\t"] if comma else [";", ",", "\t"]))
    encoding = draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]))
    return as_csv(headings, rows, delimiter, encoding), meant, bad


@given(table=tables())
def test_whatever_was_written_is_read_back_or_refused_with_a_reason(
    shared: tuple[Store, int], table: tuple[bytes, list[dict[str, Any]], set[int]]
) -> None:
    data, meant, bad = table
    preview = _preview(data, shared, order="day", fractions=False, fahrenheit=False)
    found = {reading["row"] - 2: reading for reading in preview.readings}
    refused = {row.number - 2: row for row in preview.rejected}
    assert set(found) | set(refused) == set(range(len(meant)))
    assert not set(found) & set(refused)
    assert set(refused) == bad
    assert all(row.column and str(row.reason) and str(row.remedy) for row in preview.rejected)
    for position, reading in found.items():
        wanted = meant[position]
        assert reading["bag"] == wanted["bag"]
        assert reading["lot_label"].casefold() == wanted["lot"].casefold()
        local = reading["taken_at"].astimezone(shared_zone()).replace(tzinfo=None)
        noon_for_midnight = wanted["stamp"].time() == time(0) and local == wanted["stamp"].replace(hour=12)
        assert abs(local - wanted["stamp"]) <= timedelta(seconds=1) or noon_for_midnight
        got = (reading["temperature_c"], reading["relative_humidity_pct"], reading["meter_moisture_pct"])
        assert got == pytest.approx(wanted["values"], abs=1e-9)


def shared_zone() -> Any:
    from zoneinfo import ZoneInfo

    return ZoneInfo("Africa/Nairobi")


@given(data=st.binary(max_size=400))
def test_any_bytes_are_refused_in_a_sentence_or_read(shared: tuple[Store, int], data: bytes) -> None:
    try:
        opened = open_table(data, "x.csv", *shared)
        preview_table(opened, opened.options, *shared, NOW)
    except ImportRefusedError as error:
        told = str(error)
    else:
        told = "read"
    assert told


@given(text=st.text(max_size=300))
def test_any_text_is_refused_in_a_sentence_or_accounted_for_row_by_row(shared: tuple[Store, int], text: str) -> None:
    data = ("lot;date;moisture\n" + text).encode("utf-8", errors="replace")
    try:
        opened = open_table(data, "x.csv", *shared)
        preview = preview_table(opened, opened.options, *shared, NOW)
    except ImportRefusedError:
        return
    counted = [reading["row"] for reading in preview.readings]
    counted += [row.number for row in preview.rejected] + [number for number, _why in preview.skipped]
    counted += list(preview.duplicates)
    expected = [
        opened.table.numbers[at]
        for at in range(opened.headings.first_row, len(opened.table.rows))
        if at not in opened.headings.skipped
    ]
    assert sorted(counted) == sorted(expected)


@pytest.mark.parametrize(
    ("cell", "value"),
    [
        ("13,5", 13.5),
        ("13.5 %", 13.5),
        (" 1 013,5", 1013.5),
        ("1.234,5", 1234.5),
        ("1,234.5", 1234.5),
        ("12 °C", 12),
        ("−3", -3),
        (13, 13),
        ("n/a", None),
        ("", None),
        (None, None),
        ("13·5", InputError),
        ("12,x", InputError),
        (True, InputError),
    ],
)
def test_numbers(cell: Any, value: Any) -> None:
    if value is InputError:
        with pytest.raises(InputError):
            numbers.number(cell)
    else:
        assert numbers.number(cell) == value


@pytest.mark.parametrize(
    ("cell", "day", "hour"),
    [
        ("03/04/2026", date(2026, 4, 3), None),
        ("3.4.26", date(2026, 4, 3), None),
        ("2026-04-03T14:05:00.000+03:00", date(2026, 4, 3), time(14, 5)),
        ("3 avr. 2026", date(2026, 4, 3), None),
        ("3 de abril de 2026", date(2026, 4, 3), None),
        ("April 3rd, 2026", date(2026, 4, 3), None),
        ("Fri 3 Apr 2026", date(2026, 4, 3), None),
        ("20260403", date(2026, 4, 3), None),
        (46115, date(2026, 4, 3), None),  # a spreadsheet's serial day: 2026-01-01 is 46023
        (46115.5, date(2026, 4, 3), time(12, 0)),
        ("46115", date(2026, 4, 3), None),
        (datetime(2026, 4, 3, 9, 30), date(2026, 4, 3), time(9, 30)),
        ("03/04/2026 2:30 pm", date(2026, 4, 3), time(14, 30)),
    ],
)
def test_dates(cell: Any, day: date, hour: time | None) -> None:
    found = dates.date_and_time(cell)
    assert found is not None
    assert (found[0], found[1]) == (day, hour)


def test_month_first_where_the_dates_themselves_say_so() -> None:
    assert dates.date_order(["03/04/2026", "03/25/2026"]) == ("month", True)
    assert dates.date_order(["03/04/2026", "25/03/2026"]) == ("day", True)
    assert dates.date_order(["03/04/2026"]) == ("day", False)


def test_times_of_day() -> None:
    assert dates.time_of_day("14h30") == time(14, 30)
    assert dates.time_of_day("2:05 PM") == time(14, 5)
    assert dates.time_of_day(0.5) == time(12, 0)
    for wrong in ("25:00", "noonish"):
        with pytest.raises(InputError):
            dates.time_of_day(wrong)


def test_encodings_and_delimiters() -> None:
    text = "Température;Humidité\n24,5;60,1\n"
    for encoding in ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"):
        assert decode(text.encode(encoding))[0].lstrip("\ufeff") == text
    assert find_delimiter(text) == ";"
    assert find_delimiter("a,b,c\n1,2,3\n") == ","
    assert find_delimiter('lot,note,moisture\nA,"wet; warm",13.5\n') == ","


@pytest.mark.parametrize(
    ("headings", "expected"),
    [
        (
            ["Lote", "Saco", "Fecha", "Temperatura", "Humedad relativa", "Humedad del grano"],
            ["lot", "bag", "date", "temperature", "humidity", "moisture"],
        ),
        (
            ["Lote", "Saca", "Data", "Temperatura", "Umidade relativa", "Teor de água"],
            ["lot", "bag", "date", "temperature", "humidity", "moisture"],
        ),
        (
            ["Kundi", "Gunia", "Tarehe", "Joto", "Unyevu wa hewa", "Unyevu wa nafaka"],
            ["lot", "bag", "date", "temperature", "humidity", "moisture"],
        ),
        (
            ["test/lot", "test/bag_no", "start", "test/grain_temp", "test/rh", "test/moisture", "_uuid"],
            ["lot", "bag", "date", "temperature", "humidity", "moisture"],
        ),
        (
            ["Batch no.", "Sack #", "Date of test", "Grain temp (°C)", "RH %", "MC (% w.b.)"],
            ["lot", "bag", "date", "temperature", "humidity", "moisture"],
        ),
    ],
)
def test_headings_in_other_words_and_languages(headings: list[str], expected: list[str]) -> None:
    columns = guess_columns(headings, heading_words("tests"), FIELDS, ("temperature", "humidity", "moisture"))
    assert [name for at in range(6) for name, column in columns.items() if column == at] == expected


def test_a_word_for_moisture_or_humidity_is_told_by_its_values() -> None:
    for values, meaning in (("13\n14", "moisture"), ("61\n72", "humidity")):
        assert open_table(f"Humidité\n{values}\n".encode(), "x.csv").options.columns == {meaning: 0}


def test_title_rows_units_tags_totals_and_repeated_headings(shared: tuple[Store, int]) -> None:
    text = (
        "Test notes of the season;;;\n;;;\nLot;Date;Temp;Moisture\n;;(°C);(%)\n#loc;#date;#indicator;#value\n"
        "A;2026-05-01;25;13,1\nLot;Date;Temp;Moisture\nA;2026-05-02;26;13,2\nAverage;;25,5;13,15\n"
    )
    preview = _preview(text.encode(), shared)
    assert [reading["row"] for reading in preview.readings] == [6, 8]
    assert [number for number, _why in preview.skipped] == [7, 9]
    assert preview.rejected == ()


def test_dry_basis_fahrenheit_and_fractions_where_declared(shared: tuple[Store, int]) -> None:
    """15 % of dry matter is 100 x 15 / 115 = 13.04 % of the whole; 77 °F is 25 °C."""
    preview = _preview(b"lot,date,temp (\xc2\xb0F),moisture d.b.\nA,2026-05-01,77,15\n", shared)
    assert preview.options.basis == "dry"
    assert preview.readings[0]["meter_moisture_pct"] == pytest.approx(13.0435, abs=1e-4)
    assert preview.readings[0]["temperature_c"] == pytest.approx(25)
    parts = _preview(b"lot,date,moisture\nA,2026-05-01,0.131\nA,2026-05-02,0.14\nA,2026-05-03,0.12\n", shared)
    assert parts.readings[0]["meter_moisture_pct"] == pytest.approx(13.1)


def test_empty_cells_mean_the_same_as_above_where_chosen(shared: tuple[Store, int]) -> None:
    data = b"lot,bag,date,moisture\nA,1,2026-05-01,13\n,2,,14\n,3,,15\nB,1,2026-05-02,12\n,2,,13\n"
    preview = _preview(data, shared)
    assert preview.options.fill_down
    assert [reading["lot_label"] for reading in preview.readings] == ["A", "A", "A", "B", "B"]
    strict = _preview(data, shared, fill_down=False)
    assert len(strict.rejected) == 3


def test_percent_cells_of_a_workbook_are_what_a_person_sees(shared: tuple[Store, int]) -> None:
    import io

    from openpyxl import Workbook

    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(["Lot", "Date", "Moisture"])
    sheet.append(["A", datetime(2026, 5, 1), 0.135])
    sheet["C2"].number_format = "0.0%"
    out = io.BytesIO()
    book.save(out)
    assert _preview(out.getvalue(), shared, "a.xlsx").readings[0]["meter_moisture_pct"] == pytest.approx(13.5)


def test_what_is_missing_is_asked_for(shared: tuple[Store, int]) -> None:
    for data, word in (
        (b"lot,date\nA,2026-05-01\n", "moisture"),
        (b"date,moisture\n2026-05-01,13\n", "lot"),
        (b"lot,moisture\nA,13\n", "date"),
    ):
        with pytest.raises(ImportRefusedError, match=word):
            _preview(data, shared)
    preview = _preview(b"moisture\n13\n14\n", shared, default_lot="Heap 1", default_date=date(2026, 5, 1))
    assert len(preview.readings) == 2


def test_impossible_values_and_the_future_are_refused(shared: tuple[Store, int]) -> None:
    rows = b"lot,date,temp,rh,moisture\n"
    rows += b"A,2027-05-01,25,60,13\nA,2026-05-01,250,60,13\n"
    rows += b"A,2026-05-01,25,160,13\nA,2026-05-01,25,60,130\nA,1905-05-01,25,60,13\n"
    preview = _preview(rows, shared)
    assert [row.column for row in preview.rejected] == ["date", "temp", "rh", "moisture", "date"]
    assert preview.readings == ()


def test_known_lots_are_met_whatever_their_capitals(fresh: tuple[Store, int]) -> None:
    store, group_id = fresh
    store.add_lot(Lot(group_id=group_id, label="Heap A", commodity="maize", bags=3))
    data = b"lot,date,moisture\nheap a,2026-05-01,13\nheap b,2026-05-01,13\n"
    preview = _preview(data, fresh, new_lots=False)
    assert preview.readings[0]["lot_label"] == "Heap A"
    assert preview.rejected[0].value == "heap b"


def test_wrong_files_are_refused_kindly(shared: tuple[Store, int]) -> None:
    for data in (
        b"",
        b"   \n",
        b"%PDF-1.7 x",
        b"<html><body>sign in</body></html>",
        b"PK\x03\x04broken",
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1xx",
        b"lot;date\n",
    ):
        with pytest.raises(ImportRefusedError):
            open_table(data, "x", *shared)


def test_the_invented_notebook_is_read(shared: tuple[Store, int]) -> None:
    import demo_data

    data = (Path(demo_data.__file__).parent / "notebook_table.csv").read_bytes()
    preview = _preview(data, shared)
    assert len(preview.readings) > 0
    assert (
        len(preview.readings) + len(preview.rejected) + len(preview.skipped) + len(preview.duplicates)
        == preview.opened.data_rows
    )


def test_tests_for_a_lot_that_is_gone_are_pointed_out(fresh: tuple[Store, int]) -> None:
    store, group_id = fresh
    store.add_lot(Lot(group_id=group_id, label="Heap A", commodity="maize", bags=3, status="sold"))
    preview = _preview(b"lot,date,moisture\nHeap A,2026-05-01,13\n", fresh)
    assert any("sold or used" in str(note) for note in preview.notes)
