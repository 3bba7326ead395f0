"""Every rule of reading and writing tables met exactly: just below, at and just above; small tables worked by hand."""

from __future__ import annotations

import io
from datetime import date, datetime, time
from types import SimpleNamespace

import numpy as np
import openpyxl
import pandas as pd
import pytest
from openpyxl import Workbook

from core.errors import ImportRefusedError, InputError
from core.messages import Message
from core.tables.files import decode, find_delimiter, read_file
from core.tables.grid import Collector, RawTable, column_cells, first_filled, letter
from core.tables.headings import find_headings, guess_columns, heading_key, known_headings, unused_columns
from core.tables.reading import (
    Column,
    Row,
    guess_meanings,
    open_table,
    pasted,
    read_rows,
    refused_row,
    remedy_of,
    text_of,
    yes_or_no,
)
from core.tables.words import last_part, lookup, matches, plain, word_list
from core.tables.workbook import _look, choose_sheet, read_workbook
from core.tables.write import csv_bytes, download_name, unguarded, workbook_bytes

WORDS = word_list(
    """
[lot]
words = ["lot", "heap"]
[date]
words = ["date", "start", "date of test"]
[moisture]
words = ["moisture", "moisture of the whole grain"]
[temperature]
words = ["temp", "temperature"]
without = ["air"]
[crop]
words = ["grain"]
[kg]
words = ["kg", "mass"]
"""
)
LOT, DATE = Column(name="lot"), Column(name="date", kind="date")
MOISTURE = Column(name="moisture", kind="number", unit="%", low=5, high=40)


def raw(*rows, numbers=None, sheet=""):
    kept = tuple(tuple(row) for row in rows)
    return RawTable(rows=kept, numbers=tuple(numbers or range(1, len(kept) + 1)), sheet=sheet)


def read(text, columns=(LOT, DATE, MOISTURE), **more):
    opened = open_table(text.encode(), "a.csv", columns, WORDS)
    return read_rows(opened, columns, opened.columns, **more)


# How large a table may be


@pytest.mark.parametrize(
    ("bound", "value", "within", "beyond"),
    [
        ("FURTHEST_ROW", 5, [(5, ["x"]), (9, [None])], (6, ["x"])),
        ("MAX_COLUMNS", 3, [(1, [None, None, "x"]), (2, ["x", None, None, None])], (3, [None, None, None, "x"])),
        ("MAX_SEEN", 6, [(1, ["x", None, None]), (2, [None, None, None])], (3, [None])),
        ("MAX_ROWS", 2, [(1, ["x"]), (2, ["x"]), (3, [None])], (4, ["x"])),
        ("MAX_CELLS", 4, [(1, ["x", None, "y"]), (2, ["z"])], (3, ["x"])),
    ],
)
def test_what_a_table_may_hold_is_taken_and_one_more_is_not(monkeypatch, bound, value, within, beyond):
    monkeypatch.setattr(f"core.tables.grid.{bound}", value)
    rows = Collector("a.csv")
    for number, cells in within:
        rows.add(number, cells)
    assert len(rows.rows) == sum(any(cell for cell in cells) for _number, cells in within)
    with pytest.raises(ImportRefusedError):
        rows.add(*beyond)


def test_rows_are_cut_behind_their_last_filled_cell_and_keep_their_numbers():
    rows = Collector("a.csv")
    for number, cells in enumerate((["a", None, 0, None], [None, None], [None, "b"], []), start=7):
        rows.add(number, cells)
    made = rows.table((), "s")
    assert made.rows == (("a", None, 0), (None, "b"))
    assert (made.numbers, made.blank_rows, made.sheet) == ((7, 9), 2, "s")
    assert (rows.cells, rows.seen) == (5, 8)
    assert column_cells(made.rows, 2) == [0, None]
    assert column_cells(made.rows, 1) == [None, "b"]
    assert column_cells(made.rows, None) == []
    assert [first_filled(row) for row in (*made.rows, (None,))] == ["a", "b", None]


def test_columns_are_called_as_spreadsheets_call_them():
    """A to Z, then AA: 26 + 26 x 26 end at ZZ; XFD is the last column of ECMA-376 workbooks, the 16,384th."""
    names = {0: "A", 25: "Z", 26: "AA", 51: "AZ", 52: "BA", 701: "ZZ", 702: "AAA", 16_383: "XFD"}
    assert {at: letter(at) for at in names} == names


# Bytes and text


def test_files_that_are_no_table_say_so():
    for start in (b"%PDF-1.7", b"{\\rtf1", b"\xff\xd8\xff\xe0", b"\x89PNG\r\n"):
        with pytest.raises(ImportRefusedError, match="is not a table"):
            read_file(start + b"lot,date\n", "x")
    with pytest.raises(ImportRefusedError, match="old or locked"):
        read_file(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1lot,date\n", "x")
    with pytest.raises(ImportRefusedError, match="can be read; save it as CSV"):
        read_file(b"PK\x03\x04lot,date\n", "x")
    for text in (b"<!DOCTYPE html>\n<p>a,b", b"\n  <table>\n<HTML>", b"\xef\xbb\xbf<html>"):
        with pytest.raises(ImportRefusedError, match="web page"):
            read_file(text, "x")
    # what only looks a little like one of these is read
    for text in (b"PK,lot\n1,2\n", b"<lot,date\nA,html\n", b"%PD,lot\n1,2\n"):
        assert len(read_file(text, "x").rows) == 2


def test_how_letters_are_coded():
    """0x81 means nothing in the Windows table: then Latin-1. A stray zero does not make UTF-16."""
    assert decode("é".encode("cp1252") + b"t\xe9") == ("été", "cp1252")
    assert decode(b"\xe9\x81")[1] == "latin-1"
    assert decode(b"lot\x00,date") == ("lot\x00,date", "utf-8")
    # of eight bytes two are zeros: a quarter, not more
    assert decode(b"abc\x00def\x00")[1] == "utf-8"
    assert decode(b"ab\x00d\x00f\x00h")[1] == "utf-16-be"
    assert decode(b"a\x00c\x00e\x00gh")[1] == "utf-16-le"
    for mark, name in ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16")):
        assert decode(mark + "a".encode({"utf-8-sig": "utf-8"}.get(name, "utf-16-le")))[1] == name
    assert decode(b"") == ("", "utf-8")


@pytest.mark.parametrize(
    ("text", "mark"),
    [
        ("lot;moisture\nA;13,5\nB;14,5\n", ";"),
        ("lot\tmoisture\nA\t13,5\nB\t14,5\n", "\t"),
        ("lot|moisture\nA|13,5\n", "|"),
        ("lot,moisture\nA,13.5\n", ","),
        ("lot\nA\n", ","),
        ("1,5;2,5\n3,5;4,5\n", ","),  # three cells beat two where no heading tells
        ("My notes, of May\nlot;date;moisture\nA;1.5.;13,5\nB;2.5.;14,5\n", ";"),
        ("\n\n\nlot;moisture\nA;13,5\n", ";"),
        ('lot;"a\n' + "x;y\n", ";"),
    ],
)
def test_which_sign_divides_cells(text, mark):
    assert find_delimiter(text) == mark


def test_a_line_that_names_the_dividing_sign_is_obeyed_and_counted():
    table = read_file(b"sep=|\nlot|kg, net\nA|1;5\n", "x")
    assert table.rows == (("lot", "kg, net"), ("A", "1;5"))
    assert table.numbers == (2, 3)
    assert table.notes[0].values["delimiter"] == "bar"
    for none in (b"sep=\nlot,kg\nA,1\n", b"sep=' '\nlot,kg\nA,1\n", b"sep,kg\nA,1\n"):
        assert read_file(none, "x").rows[-1] == ("A", "1")
        assert read_file(none, "x").numbers[0] == 1
    # a cell over two lines: the row is called by the line on which it begins
    table = read_file(b'lot,note\nA,"two\nlines"\nB,\n', "x")
    assert table.numbers == (1, 2, 4)
    with pytest.raises(ImportRefusedError, match="no filled row"):
        read_file(b",,\n,\n", "x")
    with pytest.raises(ImportRefusedError, match="is empty"):
        read_file(b" \n ", "x")
    assert pasted("é") == ("é".encode(), "pasted.txt")


# Words and headings


def test_words_in_plain_letters():
    assert [plain(text) for text in ("Été", "  MC_(%) w.b. ", "Ñame", 7, "ﬁ")] == ["ete", "mc w b", "name", "7", "fi"]
    assert lookup({"maize": ("Corn", "mais blanc")}) == {"corn": "maize", "mais blanc": "maize", "maize": "maize"}
    parts = {"test/bag/moisture": "moisture", "test:rh": "rh", "test.rh": "rh", "Temp. grain": "Temp. grain"}
    assert {text: last_part(text) for text in (*parts, "plain")} == {**parts, "plain": "plain"}


def test_how_well_a_heading_fits_by_hand():
    """A whole heading scores 100 and its letters, one more without its brackets; a part 60 and its letters."""
    assert matches("lot", WORDS) == {"lot": 100 + 3 + 1}
    assert matches("Lot (no.)", WORDS) == {"lot": 100 + 3 + 1}
    assert matches("our lot here", WORDS) == {"lot": 60 + 3}
    assert matches("date of test", WORDS) == {"date": 100 + 12 + 1}
    assert matches("test/moisture", WORDS) == {"moisture": 100 + 8}
    assert matches("our grain temp", WORDS) == {"crop": 65, "temperature": 64}
    assert matches("our grain temp", WORDS, ("temperature",)) == {"crop": 65, "temperature": 74}
    assert matches("air temp", WORDS) == {}
    # a service column of a survey form counts 40 less than one that was asked
    assert matches("start", WORDS) == {"date": 100 + 5 + 1 - 40}
    assert matches("_lot", WORDS) == {"lot": 100 + 3 + 1 - 40}
    # words of two letters must be the whole heading; long ones count as twenty letters
    assert matches("net kg", WORDS) == {}
    assert matches("kg", WORDS) == {"kg": 102}
    assert matches("the moisture of the whole grain", WORDS)["moisture"] == 60 + 20
    many = word_list('[a]\nwords = ["one two three four five six", "one two three four five six seven"]')
    assert matches("x one two three four five six", many) == {"a": 80}
    assert matches("one two three four five six seven", many) == {"a": 80}  # no more than six words together
    assert matches("x " * 23 + "lot", WORDS) == {"lot": 63}
    assert matches("x " * 24 + "lot", WORDS) == {}  # nor beyond the twenty-fourth
    assert matches("x" * 200 + " lot", WORDS) == {}


def test_the_heading_row_is_the_one_with_most_known_words():
    table = raw(("Notes", "of", "May"), ("lot", "date", "moisture"), ("A", "1 May", 13.5))
    found = find_headings(table, WORDS)
    assert (found.names, found.first_row, found.above, found.width) == (("lot", "date", "moisture"), 2, 1, 3)
    # where no word is known: the first row that is all text
    assert find_headings(raw((1, "x"), ("a", "b"), ("c", "d")), WORDS).names == ("a", "b")
    # equal rows: the upper one; the row of tags is never it
    again = raw(("lot", "date"), ("lot", "date"))
    assert find_headings(again, WORDS).first_row == 1
    tagged = raw(("a", "b"), ("#lot", "#date"), ("x", "y"))
    found = find_headings(tagged, WORDS)
    assert (found.first_row, found.skipped, found.tags) == (1, (1,), ("#lot", "#date"))
    assert known_headings(table, WORDS) == 3
    assert known_headings(raw(("a", 1)), WORDS) == 0


@pytest.mark.parametrize("before", [24, 25])
def test_headings_are_looked_for_in_the_first_twenty_five_rows(before):
    table = raw(*[(number, "x") for number in range(before)], ("lot", "date"), ("A", "1 May"))
    found = find_headings(table, WORDS)
    assert (found.names == ("lot", "date")) == (before == 24)
    assert known_headings(table, WORDS) == (2 if before == 24 else 0)


def test_headings_over_two_rows_only_where_that_tells_more():
    upper, lower = ("Date of", "grain", None), ("test", "temp", "moisture")
    found = find_headings(raw(upper, lower, ("1 May", 25, 13)), WORDS)
    assert (found.names, found.first_row) == (("Date of test", "grain temp", "grain moisture"), 2)
    # not over an empty line, nor with a number that a heading would not begin with, nor with tags
    apart = raw(("Bag", None), ("lot", "date"), ("A", "1 May"), numbers=(1, 3, 4))
    assert find_headings(apart, WORDS).names == ("lot", "date")
    assert find_headings(raw(("lot", "date"), ("7", "1 May")), WORDS).first_row == 1
    # the upper row tells apart columns of one name
    twins = raw(("our", "their"), ("moisture", "moisture"), (13, 14))
    assert find_headings(twins, WORDS).names == ("our moisture", "their moisture")


def test_headings_are_made_distinct_and_empty_ones_get_a_letter():
    table = raw(("lot", None, "lot", "x  y"), ("A", 1, 2, 3, 4))
    found = find_headings(table, WORDS)
    assert found.names == ("lot", "(B)", "lot (C)", "x y", "(E)")
    assert found.width == 4
    assert [found.name(at, "none") for at in (0, 4, 5, None)] == ["lot", "(E)", "none", "none"]
    assert unused_columns(found, table, {"lot": 0}) == ("(B)", "lot (C)", "x y", "(E)")
    short = raw(("lot", "date"), ("A",))
    assert unused_columns(find_headings(short, WORDS), short, {"lot": 0}) == ()


def test_units_and_tags_are_looked_for_in_two_rows_below():
    rows = [("lot", "moisture", "kg"), (None, "(% w.b.)", "kg"), ("#loc", "#value", None), (None, "%", None)]
    found = find_headings(raw(*rows, ("A", 13, 5)), WORDS)
    assert found.skipped == (1, 2)  # the third is an entry
    assert found.tags == ("#loc", "#value", "")
    half = raw(("lot", "date"), ("#5", "1 May"))  # half tags are none
    assert find_headings(half, WORDS).skipped == ()


def test_columns_are_guessed_by_the_best_fit_once_each():
    assert guess_columns(["heap", "lot", "test date", "date"], WORDS, ("date", "lot")) == {"date": 3, "lot": 0}
    # a part of a heading counts only where the cells fit, a whole one always
    assert guess_columns(["our lot", "date"], WORDS, ("lot", "date"), fits=lambda _name, _at: False) == {"date": 1}
    assert list(guess_columns(["date", "lot"], WORDS, ("lot", "date"))) == ["lot", "date"]
    assert guess_columns(["date"], WORDS, ("lot",)) == {}
    # a heading of two meanings gives its column to one of them
    assert guess_columns(["lot", "our grain temp"], WORDS, ("temperature", "crop", "lot")) == {"crop": 1, "lot": 0}
    tagged = find_headings(raw(("a", "b"), ("#date", "#lot"), ("x", "y")), WORDS)
    assert guess_columns(tagged, WORDS, ("lot", "date")) == {"lot": 1, "date": 0}
    assert heading_key(1, ["Lot", "DATE"]) == heading_key(1, ["lot ", "date"])
    assert len({heading_key(1, ["a"]), heading_key(2, ["a"]), heading_key(1, ["b"])}) == 3


# Rows


def test_a_column_fits_where_a_third_of_its_cells_are_of_its_kind():
    def meant(cells, **column):
        columns = (Column(name="moisture", **column),)
        table = raw(("our moisture",), *[(cell,) for cell in cells])
        return guess_meanings(table, find_headings(table, WORDS), columns, WORDS)

    assert meant([13, "x", "y"], kind="number") == {"moisture": 0}
    assert meant([13, "x", "y", "z"], kind="number") == {}
    assert meant(["-", "n/a", 13, "x", "y"], kind="number") == {"moisture": 0}  # empty ones do not count
    assert meant(["", "-"], kind="number") == {"moisture": 0}
    assert meant(["KES 5", "x", "y"], kind="money") == {"moisture": 0}
    assert meant(["KES 5", "x", "y"], kind="number") == {}
    choices = {"yellow": "maize"}
    assert meant(["Yellow", "x", "y"], kind="choice", choices=choices) == {"moisture": 0}
    assert meant(["Yellow", "x", "y", "z"], kind="choice", choices=choices) == {}
    assert meant(["x", "y", "z"], kind="date") == {"moisture": 0}
    # two hundred rows are looked at
    assert meant(["x"] * 134 + [1] * 66 + [1] * 600, kind="number") == {}
    assert meant(["x"] * 133 + [1] * 67, kind="number") == {"moisture": 0}


def test_bounds_of_a_number_are_allowed_themselves_and_above_is_not():
    rows = read("lot;date;moisture\n" + "".join(f"A;1.5.2026;{v}\n" for v in ("4,9", "5", "40", "40,1", "")))
    assert [row.values["moisture"] for row in rows.rows] == [5, 40, None]
    assert [row.number for row in rows.refused] == [2, 5]
    assert str(rows.refused[0].reason) == "4.9 % is outside 5 to 40"
    assert "check the decimal sign" in str(rows.refused[0].remedy)
    columns = (LOT, Column(name="kg", kind="number", above=0, high=10, convert=lambda pounds: pounds / 2))
    found = read("lot,kg\nA,0\nB,0.1\nC,20\nD,20.2\n", columns)
    assert [row.values["kg"] for row in found.rows] == [0.05, 10]
    assert [str(row.reason) for row in found.refused] == ["0 must be above 0", "10.1  is outside 0 to 10"]
    needed = (LOT, Column(name="kg", kind="whole", required=True, low=1))
    found = read('lot,kg\nA,\nB,"1,200"\nC,0\nD,2.5\n', needed)
    assert [row.values["kg"] for row in found.rows] == [1200]
    assert [str(row.reason) for row in found.refused] == [
        "this cell is empty",
        "0  is outside 1 to inf",
        "a whole number is needed",
    ]


def test_every_row_is_read_refused_or_skipped_with_its_number():
    text = (
        "lot;date;moisture;note\nA;1.5.2026;13,5;x\nTotal;;13,5;\nTotal;1.5.2026;14;\n"
        "lot;date;moisture;note\nlot;x;;\nmean;mean;13;\nB;noon;13;\n"
    )
    found = read(text)
    assert [(row.number, row.values["lot"]) for row in found.rows] == [(2, "A"), (4, "Total")]  # a lot called so
    assert [(number, str(why)) for number, why in found.skipped] == [
        (3, "a row of totals or means"),
        (5, "the headings once more"),
        (7, "a row of totals or means"),
    ]
    assert [(row.number, row.column, row.value) for row in found.refused] == [(6, "date", "x"), (8, "date", "noon")]
    assert found.refused[1].text == "B, noon, 13"
    assert [number for number, _why in read("lot;date\nTotal\nA;1.5.2026\n").skipped] == [2]
    assert found.unused == ("note",)
    assert len(found.rows) + len(found.refused) + len(found.skipped) == 7


def test_a_row_with_more_cells_than_headings_is_refused_where_that_is_the_exception():
    """A decimal comma not in quotation marks makes a cell too many: in one row of three, not where all have it."""
    found = read("lot,moisture\nA,13\nB,13,5\nC,14\n", (LOT, MOISTURE))
    assert [row.number for row in found.refused] == [3]
    assert found.refused[0].value == "5"
    assert "more cells than headings" in str(found.refused[0].reason)
    assert read("lot,moisture\nA,13,5\nB,13,5\n", (LOT, MOISTURE)).refused == ()
    assert read("lot,moisture\nA,13,5\nB,13\n", (LOT, MOISTURE)).refused == ()  # a half is no exception
    assert len(read("lot,moisture\nA,13,5\n", (LOT, MOISTURE)).refused) == 1
    assert read("lot,moisture\nA,13,\nB,12\nC,12\n", (LOT, MOISTURE)).refused == ()


def test_empty_cells_as_above_until_the_next_filled_one():
    text = "lot;moisture\n;12\nA;13\n;14\nB;15\n-;16\n"
    found = read(text, (LOT, MOISTURE), fill_down=("lot", "bag"))
    assert [row.values["lot"] for row in found.rows] == [None, "A", "A", "B", "B"]
    assert [row.values["lot"] for row in read(text, (LOT, MOISTURE)).rows] == [None, "A", None, "B", None]
    seen = []
    many = "lot;moisture\n" + "A;13\n" * 4000
    read(many, (LOT, MOISTURE), progress=seen.append)
    assert seen == [2000 / 4001, 4000 / 4001]


@pytest.mark.parametrize(
    ("cells", "usual", "values"),
    [
        (["1.250", "1.300"], (500, 2000), [1250, 1300]),
        (["1.250", "1.300"], (1, 2), [1.25, 1.3]),
        (["1.250", "9.300"], (1, 2000), [1.25, 9.3]),  # one fits either way, and the other too: as decimals
        (["1.250", "3.000", "4.000"], (3, 1250), [1.25, 3, 4]),  # 1,250 fits once, 3 and 4 as decimals
        (["2.000", "1.250", "3.000"], (3, 2000), [2000, 1250, 3000]),  # two against one
        (["1.250"], None, [1.25]),
    ],
)
def test_thousands_or_decimals_by_what_is_usual(cells, usual, values):
    columns = (LOT, Column(name="kg", kind="number", unclear="usual", usual=usual))
    found = read("lot;kg\n" + "".join(f"A;{cell}\n" for cell in cells), columns)
    assert [row.values["kg"] for row in found.rows] == values


def test_what_is_said_of_marks_and_dates():
    money = (LOT, Column(name="kg", kind="money", unclear="thousands"))

    def said(text, columns, **more):
        return [str(note) for note in read(text, columns, **more).notes]

    assert said("lot;kg\nA;1.250\n", money) == ["points and commas before three digits are read as thousands"]
    assert said('lot;kg\nA;"1,250"\nB;2.5\n', money) == ["commas are read as parting thousands, as in 1,250"]
    point = (LOT, Column(name="kg", kind="money", unclear="point"))
    assert said("lot;kg\nA;1,250\n", point) == ["commas are read as parting thousands, as in 1,250"]
    assert "look whether thousands were meant" in said("lot;kg\nA;1.250\n", point)[0]
    assert said("lot;kg\nA;1250\n", point) == []
    dated = (LOT, DATE)
    assert said("lot;date\nA;3/4/2026\n", dated) == ["dates such as 3/4/2026 are read day first"]
    assert said("lot;date\nA;3/4/2026\nB;13/4/2026\n", dated) == []
    assert said("lot;date\nA;3/4/2026\nB;4/13/2026\n", dated) == ["dates such as 3/4/2026 are read month first"]
    assert said("lot;date\nA;3/4/2026\n", dated, order="month") == ["dates such as 3/4/2026 are read month first"]
    month = (LOT, Column(name="date", kind="month"))
    assert said("lot;date\nA;2026-04\n", month) == ["a month without a day is taken as its 15th"]
    assert said("lot;date\nA;2026-04-03\n", month) == []


def test_text_yes_and_choice():
    assert [
        text_of(cell) for cell in (12.0, 12.5, 1e15, date(2026, 5, 1), time(8, 5), " a\n b\t", "\u202ea", None)
    ] == [*("12", "12.5", "1000000000000000.0", "2026-05-01", "08:05:00", "a b", "a", "")]
    assert text_of("x" * 5, 5) == "x" * 5
    assert text_of("x" + " " * 48 + "y", 5) == "x y"
    for long in ("x" * 6, "x" + " " * 49 + "y"):
        with pytest.raises(InputError):
            text_of(long, 5)
    assert [yes_or_no(cell) for cell in ("X", "Oui", 1, 1.0, True, "non", "0", 0, False, "")] == [
        *[True] * 5,
        *[False] * 4,
        None,
    ]
    assert yes_or_no("ano", {"ano": "yes"}) is True
    with pytest.raises(InputError):
        yes_or_no("maybe")
    columns = (LOT, Column(name="crop", kind="choice", choices={"mais": "maize"}, unknown="'{value}' is no crop"))
    found = read("lot,grain\nA,MAÏS\nB,rye\n", columns)
    assert [row.values["crop"] for row in found.rows] == ["maize"]
    assert str(found.refused[0].reason) == "'rye' is no crop"
    error = InputError("'{value}' is not known here", value="rye")
    again = refused_row("crop", Row(number=5, values={}, text="t"), "y" * 300, error)
    assert (again.number, again.value, again.text) == (5, "y" * 200, "t")
    assert refused_row("crop", Row(number=5, values={}), None, error).value == ""
    assert str(remedy_of(error)).startswith("use one of the names")
    assert str(remedy_of(InputError("this text is too long", longest=7))) == "shorten it to 7 letters"
    assert str(remedy_of(InputError("else"))) == "correct the value in the file"


def test_a_file_of_headings_only_or_with_too_many_rows_is_refused():
    text = b"lot,date\nA,1.5.2026\nB,2.5.2026\n"
    assert open_table(text, "a", (LOT, DATE), WORDS, most_rows=2).data_rows == 2
    with pytest.raises(ImportRefusedError, match="more than 1 rows"):
        open_table(text, "a", (LOT, DATE), WORDS, most_rows=1)
    with pytest.raises(ImportRefusedError, match="headings only"):
        open_table(b"lot,date\n", "a", (LOT, DATE), WORDS)
    opened = open_table(b"x,y\nlot,date\n#loc,#date\nA,1.5.2026\n", "a", (LOT, DATE), WORDS)
    assert opened.data_rows == 1
    assert opened.cells("lot") == ["#loc", "A"]
    assert opened.cells("date", {"date": 0}) == ["#loc", "A"]
    assert opened.cells("kg") == []


# Workbooks


@pytest.mark.parametrize(
    ("size", "packed", "fits"), [(10_000_001, 25_001, True), (10_000_001, 25_000, False), (10_000_000, 0, True)]
)
def test_a_part_packed_four_hundred_times_is_no_sheet_where_it_is_large(size, packed, fits):
    """Above 10 million bytes: 400 x 25,001 are 10,000,400, enough; 400 x 25,000 are one too few."""
    part = SimpleNamespace(filename="xl/media/a.bin", file_size=size, compress_size=packed)
    book = SimpleNamespace(infolist=lambda: [part])
    if fits:
        assert _look(book, "a.xlsx") == (False, False)
    else:
        with pytest.raises(ImportRefusedError, match="too large"):
            _look(book, "a.xlsx")


def saved(book) -> bytes:
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def test_of_several_sheets_the_one_that_fits_is_read_and_the_others_are_told():
    def known(table):
        return known_headings(table, WORDS)

    fits = raw(("lot", "date"), ("A", "x"), sheet="fits")
    long = raw(*[("x",)] * 9, sheet="long")
    one = raw(("lot", "y"), *[("x", "y")] * 5, sheet="one")
    chosen = choose_sheet([long, one, fits], "a", "", known)
    assert (chosen.sheet, chosen.sheets) == ("fits", (("long", 9), ("one", 6), ("fits", 2)))
    assert [note.values.get("name") for note in chosen.notes] == [None, "long", "one"]
    assert choose_sheet([one, long], "a", "", known).sheet == "long"  # one known word is none
    assert choose_sheet([one, long], "a", "", None).sheet == "long"
    assert choose_sheet([long, fits], "a", "long", known).sheet == "long"
    with pytest.raises(ImportRefusedError, match="no sheet"):
        choose_sheet([long], "a", "else", known)
    with pytest.raises(ImportRefusedError, match="no filled row"):
        choose_sheet([], "a", "", known)


def test_cells_of_a_workbook_as_a_person_sees_them():
    book = Workbook()
    page = book.active
    page.title = "Tests"
    for row in (["lot", "share", "kg", "on"], [" A ", 0.135, 7, datetime(2026, 5, 1)], [None], ["B", 1, True, "  "]):
        page.append(row)
    page["B2"].number_format = "0.0%"
    hidden = book.create_sheet("Hidden")
    hidden.append(["x"])
    hidden.sheet_state = "hidden"
    book.create_sheet("Empty")
    (table,) = read_workbook(saved(book), "a.xlsx")
    assert table.sheet == "Tests"
    assert table.rows[1:] == (("A", 13.5, 7, datetime(2026, 5, 1)), ("B", 1, True))
    assert table.numbers == (1, 2, 4)
    assert table.blank_rows == 1
    page["B2"].number_format = "0.0"
    assert read_workbook(saved(book), "a.xlsx")[0].rows[1][1] == 0.135


def test_a_formula_is_shown_only_where_it_has_no_value():
    book = Workbook()
    book.active.append(["lot", "kg"])
    book.active.append(["A", "=1+1"])
    (table,) = read_workbook(saved(book), "a.xlsx")
    assert table.rows[1] == ("A", "=1+1")


# Writing


def test_a_workbook_is_laid_out_to_be_read():
    """A column is as wide as its longest entry and one more, between 10 and 60 letters; the head stays in view."""
    frame = pd.DataFrame(
        {
            "a": ["x"],
            "a heading of twenty-": [1],
            "w": ["y" * 90],
            "f": [1234.5],
            "b": [True],
            "m": [datetime(2026, 5, 1, 8, 30)],
            "d": [date(2026, 5, 1)],
            "none": [None],
            "nan": [np.nan],
            "long": ["z" * 40_000],
        }
    )
    name = "a/very long name of a sheet that goes on"
    book = openpyxl.load_workbook(io.BytesIO(workbook_bytes({name: frame, "tags": frame}, {"tags": {"a": "#x"}})))
    page, tagged = book.worksheets
    assert page.title == name.replace("/", " ")[:31]
    assert (page.freeze_panes, tagged.freeze_panes) == ("A2", "A3")
    widths = [page.column_dimensions[column].width for column in "ABC"]
    assert widths == pytest.approx([11, 21, 61], abs=0.8)  # the file adds the room of its own grid, 0.71
    cells = {cell.value: page.cell(2, at) for at, cell in enumerate(page[1], start=1)}
    assert cells["f"].number_format == "#,##0.00"
    assert cells["a heading of twenty-"].number_format == "General"
    assert (cells["b"].value, cells["b"].data_type) == (True, "b")
    assert (cells["m"].value, cells["m"].number_format) == (datetime(2026, 5, 1, 8, 30), "yyyy-mm-dd hh:mm")
    assert (cells["d"].value, cells["d"].number_format) == (datetime(2026, 5, 1), "yyyy-mm-dd")
    assert cells["none"].value is cells["nan"].value is None
    assert len(cells["long"].value) == 32_767
    assert page["A1"].font.bold
    assert [row[0].value for row in tagged.iter_rows(max_col=1)] == ["a", "#x", "x"]


def test_tags_stand_right_under_the_headings_and_names_are_cut():
    text = csv_bytes([{"a": 1, "b": "=x"}], {"a": "#x"}).decode("utf-8-sig")
    assert text == "a,b\r\n#x,\r\n1,'=x\r\n"
    assert [unguarded(cell) for cell in ("'=x", "'x", "=x", 5, "'", "''=x")] == ["=x", "'x", "=x", 5, "'", "'=x"]
    assert download_name(["x" * 130], date(2026, 5, 1), "csv") == "x" * 120 + "_2026-05-01.csv"


def test_notes_are_messages():
    assert all(isinstance(note, Message) for note in read("lot;moisture\nA;13,5\n", (LOT, MOISTURE)).notes)
