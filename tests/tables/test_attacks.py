"""Files that were made to break the reader: each is read, or refused in our own words, in little time and memory."""

from __future__ import annotations

import io
import time
import zipfile
from datetime import UTC, date, datetime
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl import Workbook

from core.errors import DryholdError, ImportRefusedError
from core.group.reading_tables import open_table, preview_table
from core.group.records import Group, Member
from core.market.price_tables import clean_prices, read_price_table
from core.meter.payments_table import read_payments
from core.pool.earlier import EarlierOptions, open_earlier, preview_earlier
from core.tables.files import read_file
from core.tables.grid import MAX_COLUMNS
from tests.fuzzing import FEW, MANY, inputs
from tests.shared_store import fresh_store

NOW = datetime(2026, 11, 25, 8, tzinfo=UTC)
TODAY = date(2026, 11, 25)


@pytest.fixture(scope="module")
def where():
    store = fresh_store()
    group = store.add_group(Group(name="Upper terrace", time_zone="Africa/Nairobi"))
    store.add_member(Member(group_id=group, name="Adiru"))
    return store, group


def read_all(data: bytes, where, name: str = "t.csv") -> int:
    """Read bytes as every kind of table; return how many readers took them. Only our own errors may come."""
    store, group = where

    def tests() -> None:
        opened = open_table(data, name, *where)
        preview_table(opened, opened.options, *where, NOW)

    def pool() -> None:
        for kind in ("", "deliveries", "payments"):
            table = open_earlier(data, name, kind)
            options = EarlierOptions(columns=table.columns, moisture_pct=Decimal(13), add_members=True)
            preview_earlier(table, options, store.members(group), [], TODAY)

    def prices() -> None:
        clean_prices(read_price_table(data, name), "KES", today=TODAY)

    def payments() -> None:
        read_payments(data, {"1": "Adiru"}, [], TODAY)

    taken = 0
    for reader in (tests, pool, prices, payments):
        try:
            reader()
        except DryholdError as error:
            taken -= not str(error)
        else:
            taken += 1
    return taken


def saved(book: Workbook) -> bytes:
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def changed(data: bytes, part: str, old: bytes, new: bytes) -> bytes:
    """Return a workbook with some bytes of one of its parts changed."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as source, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target:
        for entry in source.namelist():
            content = source.read(entry)
            target.writestr(entry, content.replace(old, new) if entry == part else content)
    return out.getvalue()


def small(*rows: list[object]) -> Workbook:
    book = Workbook()
    for row in rows or ([["Lot", "Date", "Moisture"], ["A", datetime(2026, 5, 1), 13.5]]):
        book.active.append(row)
    return book


def test_a_stray_cell_in_the_last_row_and_column_is_named_at_once():
    book = small()
    book.active["XFD1048576"] = "x"
    data = saved(book)
    assert len(data) < 6000
    start = time.process_time()
    with pytest.raises(ImportRefusedError, match="far from the table"):
        read_file(data, "stray.xlsx")
    assert time.process_time() - start < 2  # padding the sheet would take 17,000 million cells


@pytest.mark.parametrize("rows", [1, 400])
def test_five_thousand_columns_are_answered_quickly(where, rows):
    start = time.process_time()
    line = ",".join(["date"] * 5000)
    with pytest.raises(ImportRefusedError, match="column 5000"):
        read_file("\n".join([line] * rows).encode(), "wide.csv")
    widest = ",".join(f"moisture of the grain {at}" for at in range(MAX_COLUMNS))
    read_all(f"{widest}\n{'1,' * MAX_COLUMNS}\n".encode(), where)
    assert time.process_time() - start < 8


@pytest.mark.parametrize("value", [b"1e9", b"-1e300", b"99999999999", b"1e999", b""])
def test_a_date_that_cannot_be_is_a_refused_row(where, value):
    data = changed(saved(small()), "xl/worksheets/sheet1.xml", b"<v>46143</v>", b"<v>" + value + b"</v>")
    store_row = open_table(data, "a.xlsx", *where)
    preview = preview_table(store_row, store_row.options, *where, NOW)
    assert [row.number for row in preview.rejected] == [2]
    read_all(data, where, "a.xlsx")


def test_a_bomb_of_zeros_and_one_of_entities_are_refused_before_they_are_read(monkeypatch):
    monkeypatch.setattr("openpyxl.load_workbook", lambda *_given, **_named: pytest.fail("it was read"))
    sheet = saved(small())
    with zipfile.ZipFile(io.BytesIO(sheet)) as source:
        xml = source.read("xl/worksheets/sheet1.xml")
    filled = changed(sheet, "xl/worksheets/sheet1.xml", xml, xml + b" " * 100_000_000)
    entity = b'<!DOCTYPE a [<!ENTITY b "bbbbbbbb">]>' + xml[xml.index(b"<worksheet") :]
    for data in (filled, changed(sheet, "xl/worksheets/sheet1.xml", xml, entity)):
        start = time.process_time()
        with pytest.raises(ImportRefusedError):
            read_file(data, "bomb.xlsx")
        assert time.process_time() - start < 2


def two_sheets() -> bytes:
    book = small()
    book.create_sheet("More").append(["x"])
    return saved(book)


@pytest.mark.parametrize(
    ("bound", "value", "data", "said"),
    [
        ("files.MAX_BYTES", 10, b"lot,date\nA,2026-05-01\n", "is larger than"),
        ("grid.FURTHEST_ROW", 3, b"lot\n" + b"\n" * 5 + b"A\n", "far from the table"),
        ("grid.MAX_COLUMNS", 2, b"lot,date,moisture\n", "far from the table"),
        ("grid.MAX_SEEN", 5, b"lot,,,,\nA,,,,\n", "most of them empty"),
        ("grid.MAX_ROWS", 2, b"lot\nA\nB\n", "has more than 2 rows"),
        ("grid.MAX_CELLS", 3, b"lot,date\nA,2026-05-01\n", "filled cells"),
        ("grid.MAX_CELLS", 6, two_sheets, "filled cells"),
        ("workbook.MAX_UNPACKED_BYTES", 100, two_sheets, "too large once it is unpacked"),
        ("workbook.MOST_PARTS", 3, two_sheets, "too large once it is unpacked"),
        ("workbook.MOST_SHEETS", 1, two_sheets, "more than 1 sheets"),
    ],
)
def test_each_bound_of_a_file_is_kept(monkeypatch, bound, value, data, said):
    """With the bound made small: what lies beyond it is refused by its own sentence, what lies within is read."""
    content = data if isinstance(data, bytes) else data()
    assert read_file(content, "t").rows
    monkeypatch.setattr(f"core.tables.{bound}", value)
    with pytest.raises(ImportRefusedError, match=said):
        read_file(content, "t")


def test_a_formula_without_a_value_is_shown_and_refused(where):
    book = small(["Lot", "Date", "Moisture"], ["A", datetime(2026, 5, 1), "=1+12"])
    opened = open_table(saved(book), "a.xlsx", *where)
    preview = preview_table(opened, opened.options, *where, NOW)
    assert preview.rejected[0].value == "=1+12"


@pytest.mark.parametrize(
    "cell",
    [
        "1e308",
        "-1e308",
        "1e400",
        "inf",
        "nan",
        "0001-01-01",
        "9999-12-31",
        "31/12/9999",
        "=1+1",
        "<b>x</b>",
        "'; DROP TABLE lots; --",
        "\u202e\u0627",
        "x" * 10_000,
        "9" * 400,
        "1,000,000,000,000,000,000,000",
        "-500",
        "1e12",
        "\ud800".encode("utf-16", "surrogatepass").decode("utf-16", "replace"),
        "١٢",
        "{value}",
        "{",
        "%s",
        "../../etc/passwd",
        "2026-02-30",
        "24:61",
        "12:00:00+99:99",
        "2026-05-01T12:00:00+23:59",
    ],
)
def test_hostile_cells_in_every_column(where, cell):
    fields = [
        "lot",
        "bag",
        "date",
        "time",
        "temperature",
        "humidity",
        "moisture",
        "settled",
        "crop",
        "bags",
        "member",
        "net",
    ]
    fields += ["amount", "price", "market", "year", "unit", "currency", "form"]
    good = ["A", "1", "2026-05-01", "12:00", "25", "60", "13", "yes", "maize", "5", "Adiru", "90"]
    good += ["100", "30", "B", "2026", "KG", "KES", "cob"]
    lines = [fields]
    for at in range(len(fields)):
        lines.append([*good[:at], cell, *good[at + 1 :]])
    quoted = "\n".join(",".join('"' + text.replace('"', '""') + '"' for text in line) for line in lines)
    read_all(quoted.encode("utf-8", "replace"), where)


@pytest.mark.parametrize(
    ("field", "value"), [("moisture", "-500"), ("bags", "1e12"), ("bags", "0"), ("bag weight", "1e9")]
)
def test_absurd_values_are_refused_with_their_row(where, field, value):
    known = {"lot": "A", "date": "2026-05-01", "moisture": "13"} | {field: value}
    data = f"{','.join(known)}\n{','.join(known.values())}\nB,2026-05-02,13\n".encode()
    opened = open_table(data, "a.csv", *where)
    preview = preview_table(opened, opened.options, *where, NOW)
    assert [(row.number, row.column, row.value) for row in preview.rejected] == [(2, field, value)]


def test_a_cell_of_131072_letters_is_refused_or_read(where):
    for length in (131_072, 131_073, 400_000):
        read_all(b"lot,date,moisture\n" + b"x" * length + b",2026-05-01,13\n", where)


WORDS = st.sampled_from(
    [
        "lot",
        "date",
        "moisture",
        "temp",
        "member",
        "kg",
        "amount",
        "price",
        "market",
        "crop",
        "year",
        "bags",
        "rh",
        "#date",
    ]
)
TABLES = (
    ["lot", "date", "moisture"],
    ["lot", "bag", "date", "time", "temp", "rh", "moisture", "crop", "bags"],
    ["date", "member", "kg", "moisture"],
    ["date", "member", "gross", "tare", "moisture", "bags", "crop"],
    ["date", "member", "amount", "what for"],
    ["date", "market", "crop", "unit", "price"],
    ["year", "month", "market", "crop", "price"],
    ["thing"],
)
GOOD = {"lot": "A", "date": "2026-05-01", "moisture": "13,5", "bag": "1", "time": "14:30", "temp": "25", "rh": "60"}
GOOD |= {"crop": "maize", "bags": "5", "member": "Adiru", "kg": "93,4", "gross": "94", "tare": "0,6", "amount": "1.250"}
GOOD |= {
    "what for": "advance",
    "market": "B",
    "unit": "90 KG",
    "price": "2.700",
    "year": "2024",
    "month": "3",
    "thing": "x",
}
CELLS = st.one_of(
    st.text(max_size=12),
    st.floats().map(str),
    st.integers().map(str),
    st.dates().map(str),
    st.datetimes().map(str),
    st.sampled_from(
        ["Adiru", "maize", "13,5", "1.250", "1,250", "1.250,5", "03/04/2026", "2026-05", "2 pm", "n/a", "-500"]
    ),
)


@st.composite
def hostile_files(draw: st.DrawFn) -> bytes:
    """Return a table with known headings and any cells, as text or as a workbook, or plain noise."""
    kind = draw(st.sampled_from(["csv", "csv", "csv", "bytes", "xlsx", "cut"]))
    if kind == "bytes":
        return draw(st.binary(max_size=300))
    known = draw(st.sampled_from(TABLES))
    heads = [*known, *draw(st.lists(st.one_of(WORDS, st.text(max_size=8)), max_size=4))]
    rows = []
    for _row in range(draw(st.integers(0, 5))):
        good = [GOOD[word] for word in known]
        for _cell in range(draw(st.integers(0, 3))):
            good[draw(st.integers(0, len(good) - 1))] = draw(CELLS)
        rows.append([*good, *draw(st.lists(CELLS, max_size=5))])
    if kind == "csv":
        mark = draw(st.sampled_from([",", ";", "\t", "|"]))
        encoding = draw(st.sampled_from(["utf-8", "utf-16", "cp1252", "utf-8-sig", "utf-16-be"]))
        return "\n".join(
            mark.join(f'"{cell}"' if mark in cell else cell for cell in row) for row in [heads, *rows]
        ).encode(encoding, errors="replace")
    book = Workbook()
    for row in [heads, *rows]:
        book.active.append([cell if cell.isprintable() else "?" for cell in row])
    data = saved(book)
    if kind == "cut":
        at = int(draw(st.floats(0, 0.999)) * len(data))  # a workbook's length is not the same twice
        data = data[:at] + draw(st.binary(max_size=4)) + data[at + draw(st.integers(0, 40)) :]
    return data


@inputs(FEW)
@given(data=hostile_files())
def test_any_file_gives_rows_or_our_own_error(where, data):
    read_all(data, where)


@pytest.mark.slow
@pytest.mark.timeout(14_400)
@inputs(MANY)
@given(data=hostile_files())
def test_any_of_twenty_thousand_files_gives_rows_or_our_own_error(where, data):
    read_all(data, where)
