"""Dates, times and numbers as people write them, each with what it means beside it; and the first that is refused."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, time, timedelta, timezone

import pytest

from core.errors import InputError
from core.tables.dates import MONTH_BY_NAME, date_and_time, date_order, either_order, month_of, time_of_day
from core.tables.numbers import (
    NumberStyle,
    decimal_mark,
    is_missing,
    number,
    number_or_none,
    number_style,
    unclear_number,
    whole_number,
)

DAY = date(2026, 5, 3)


@pytest.mark.parametrize(
    ("cell", "day", "at", "offset"),
    [
        ("2026-05-03", DAY, None, None),
        ("3/5/26", DAY, None, None),
        ("03.05.2026", DAY, None, None),
        ("3 May 2026", DAY, None, None),
        ("Sunday, 3rd May 2026", DAY, None, None),
        ("3 de mayo de 2026", DAY, None, None),
        ("May 3rd, 2026", DAY, None, None),
        ("3-mai-26", DAY, None, None),
        ("20260503", DAY, None, None),
        ("2026-05-03T14:30", DAY, time(14, 30), None),
        ("2026-05-03 14:30:15Z", DAY, time(14, 30, 15), timedelta(0)),
        ("2026-05-03T14:30:15.5+05:45", DAY, time(14, 30, 15), timedelta(hours=5, minutes=45)),
        ("2026-05-03T14:30-0330", DAY, time(14, 30), -timedelta(hours=3, minutes=30)),
        ("3/5/2026 2:30 pm", DAY, time(14, 30), None),
        ("3/5/2026 14h30", DAY, time(14, 30), None),
        # days since 30 December 1899: 45658 is 1 January 2025, so 3 May 2026 is 487 more
        (46145, DAY, None, None),
        ("46145", DAY, None, None),
        (46145.25, DAY, time(6, 0), None),
        ("46145,75", DAY, time(18, 0), None),
        (20_000, date(1954, 10, 3), None, None),
        (79_999, date(2119, 1, 10), None, None),
        (DAY, DAY, None, None),
        (datetime(2026, 5, 3), DAY, None, None),
        (datetime(2026, 5, 3, 8, 5, 7, 9), DAY, time(8, 5, 7), None),
        (datetime(2026, 5, 3, tzinfo=UTC), DAY, time(0), timedelta(0)),
        (datetime(2026, 5, 3, 8, tzinfo=timezone(timedelta(hours=2))), DAY, time(8), timedelta(hours=2)),
        ("1/1/1900", date(1900, 1, 1), None, None),
        ("31/12/2200", date(2200, 12, 31), None, None),
        ("29-2-2028", date(2028, 2, 29), None, None),
    ],
)
def test_dates_as_they_are_written(cell, day, at, offset):
    assert date_and_time(cell) == (day, at, offset)


@pytest.mark.parametrize(
    "cell",
    [
        *("29-2-2027", "31/12/1899", "1/1/2201", "12345", "80000", "May 2026", "2026-05", "0/5/2026", "3/13/2026"),
        *("3 Mayo", "yesterday", "2026-05-03T14:30+24:00", "2026-05-03T25:00", "x" * 61, "123-05-03"),
        *(19_999, 80_000, 19_999.9, True, time(8), timedelta(1), date(1899, 12, 31), 202605),
    ],
)
def test_what_is_no_date_is_refused(cell):
    with pytest.raises(InputError):
        date_and_time(cell)
    assert date_and_time(None) is date_and_time("") is date_and_time("n/a") is None


@pytest.mark.parametrize(
    ("cell", "month"),
    [
        ("2022-01", date(2022, 1, 15)),
        ("202212", date(2022, 12, 15)),
        (202201, date(2022, 1, 15)),
        (190001, date(1900, 1, 15)),
        (220012, date(2200, 12, 15)),
        ("01/2022", date(2022, 1, 15)),
        ("Jan 2022", date(2022, 1, 15)),
        ("janvier 22", date(2022, 1, 15)),
        ("Okt. 2022", date(2022, 10, 15)),
    ],
)
def test_a_month_alone_is_its_fifteenth(cell, month):
    assert date_and_time(cell, month_only=True) == (month, None, None)
    if isinstance(cell, str):
        assert month_of(cell) == month


def test_months_that_are_none():
    for cell in (202213, 202200, 190000, "2022-13", "00/2022"):
        with pytest.raises(InputError):
            date_and_time(cell, month_only=True)
    assert month_of("202213") is month_of("Foo 2022") is month_of("3 May 2022") is None
    assert date_and_time(46145, month_only=True)[0] == DAY


def test_each_month_has_its_names_in_six_languages():
    """English, French, Spanish, Portuguese, Swahili, German, in the order of the calendar."""
    languages = (
        "january february march april may june july august september october november december",
        "janvier fevrier mars avril mai juin juillet aout septembre octobre novembre decembre",
        "enero febrero marzo abril mayo junio julio agosto septiembre octubre noviembre diciembre",
        "janeiro fevereiro marco abril maio junho julho agosto setembro outubro novembro dezembro",
        "januari februari machi aprili mei juni julai agosti septemba oktoba novemba desemba",
        "januar februar maerz april mai juni juli august september oktober november dezember",
    )
    for names in languages:
        assert [MONTH_BY_NAME[name] for name in names.split()] == list(range(1, 13))


@pytest.mark.parametrize(
    ("cells", "order"),
    [
        (["3/4/2026", "13/4/2026"], ("day", True)),
        (["3/4/2026", "4/13/2026"], ("month", True)),
        (["3/4/2026", "12/12/2026"], ("day", False)),
        (["13/4/2026", "4/13/2026"], ("day", False)),
        (["13/4/2026", "4/13/2026", "4/14/2026"], ("month", True)),
        (["2026-13-04", "13 May 2026", None, 46145], ("day", False)),
        (["12/13/2026 08:00"], ("month", True)),
        (["13/12/2026 08:00"], ("day", True)),
        (["13/13/2026"], ("day", False)),
        (["4/13/2026" + " " * 60], ("day", False)),
    ],
)
def test_what_stands_first_in_a_column(cells, order):
    assert date_order(cells) == order


def test_dates_of_two_meanings():
    for cell, either in (("3/4/2026", True), ("12/11/26", True), ("13/4/2026", False), ("4/13/2026", False)):
        assert either_order(cell) is either
    for clear in ("4/4/2026", "2026-03-04", "3 April 2026", None, 46145, "3/4/2026" + " " * 60):
        assert not either_order(clear)
    assert date_and_time("3/4/2026", "month")[0] == date(2026, 3, 4)
    assert date_and_time("3/4/2026", "day")[0] == date(2026, 4, 3)
    assert date_and_time("2026-03-04", "month")[0] == date(2026, 3, 4)


@pytest.mark.parametrize(
    ("cell", "at"),
    [
        ("14:30", time(14, 30)),
        ("14h30", time(14, 30)),
        ("14h", time(14)),
        ("9", time(9)),
        ("2:30 pm", time(14, 30)),
        ("12 am", time(0)),
        ("12:05 p.m.", time(12, 5)),
        ("1 am", time(1)),
        ("23:59:59", time(23, 59, 59)),
        ("0:00", time(0)),
        (0, time(0)),
        (0.5, time(12)),
        ("0,25", time(6)),
        (".75", time(18)),
        (46145.999999, time(0)),  # a twelfth of a second before midnight
        (79_999.5, time(12)),
        (datetime(2026, 5, 3, 8, 1, 2, 3), time(8, 1, 2)),
        (time(8, 1, 2, 3, UTC), time(8, 1, 2)),
        ("", None),
        (None, None),
    ],
)
def test_times_as_they_are_written(cell, at):
    assert time_of_day(cell) == at


@pytest.mark.parametrize("cell", ["24:00", "12:60", "12:30:60", "13 pm", "0 am", "noon", -0.1, 80_000, True, "1.0:30"])
def test_what_is_no_time_is_refused(cell):
    with pytest.raises(InputError):
        time_of_day(cell)


@pytest.mark.parametrize(
    ("cell", "value"),
    [
        ("12.5", 12.5),
        ("12,5 %", 12.5),
        ("28 °C", 28.0),
        ("-3", -3.0),
        ("−3,5", -3.5),
        ("=7", 7.0),
        ("1,234,567.5", 1234567.5),
        ("1.234.567,5", 1234567.5),
        ("12,34,567", 1234567.0),
        ("1 250", 1250.0),
        ("1,250", 1.25),  # what is measured is never grouped
        ("0,125", 0.125),
        ("1e3", 1000.0),
        (".5", 0.5),
        ("5.", 5.0),
        (7, 7.0),
        (1e300, 1e300),
        ("1e300", 1e300),
        ("9" * 60, float("9" * 60)),
        ("nil", None),
        (math.nan, None),
        (None, None),
    ],
)
def test_numbers_as_they_are_written(cell, value):
    assert number(cell) == value


@pytest.mark.parametrize(
    "cell",
    ["1,23,4", "1.23.456", "1,2345,678", "1,234.5,6", "kg", "1e301", 1.1e300, math.inf, "9" * 61, "12..5", True, DAY],
)
def test_what_is_no_number_is_refused(cell):
    with pytest.raises(InputError):
        number(cell)
    assert number_or_none(cell) is None


@pytest.mark.parametrize(
    ("unclear", "style", "value"),
    [
        ("decimal", NumberStyle("."), 1.25),
        ("thousands", NumberStyle(), 1250),
        ("thousands", NumberStyle("."), 1250),
        ("thousands", NumberStyle(","), None),
        ("thousands", NumberStyle("", True), None),
        ("point", NumberStyle(), 1250),
        ("point", NumberStyle(","), 1.25),
        ("point", NumberStyle("", True), None),
    ],
)
def test_a_comma_before_three_digits_by_what_the_table_and_the_column_tell(unclear, style, value):
    if value is None:
        with pytest.raises(InputError, match="not clear"):
            number("1,250", style, unclear)
    else:
        assert number("1,250", style, unclear) == value


def test_a_point_before_three_digits():
    assert number("1.250", NumberStyle(), "thousands") == 1250
    assert number("1.250", NumberStyle(), "point") == 1.25
    assert number("1.250", NumberStyle(","), "point") == 1250
    with pytest.raises(InputError):
        number("1.250", NumberStyle("."), "thousands")


def test_which_mark_parts_decimals():
    marks = {"1,5": ",", "1.5": ".", "1,250": "", "1.250": "", "0.250": ".", "1234,567": ",", "1,234,567": ".", "7": ""}
    marks |= {"1.234,5": ",", "1,234.5": ".", "-1,250": "", "1.2.3": ","}
    assert {text: decimal_mark(text) for text in marks} == marks
    assert number_style(["5", 1.5, None, "1,250"])[0] == NumberStyle()
    assert number_style(["1.5", "x" * 60 + ",5"])[0] == NumberStyle(".")
    style, notes = number_style(["1,250", "2,5"])
    assert (style, len(notes)) == (NumberStyle(","), 1)
    assert number_style(["KES 2,5", "3.75"], money=True)[0] == NumberStyle("", True)
    assert number_style(["KES 2,5", "3.75"])[0] == NumberStyle(".")
    assert number("KES 1,250", NumberStyle(), "thousands", money=True) == 1250


def test_counts():
    assert [whole_number(cell) for cell in ("1,200", "1.200", "7", 0, 12.0, "")] == [1200, 1200, 7, 0, 12, None]
    for cell in ("7.5", -1, "1.25"):
        with pytest.raises(InputError):
            whole_number(cell)
    assert [unclear_number(cell) for cell in ("1,250", "0,250", "1250", 1.25, "12,500 kg", " " * 61)] == [
        *(True, False, False, False, True, False)
    ]
    for nothing in ("", " - ", "N/A", "nd", "..", None, math.nan):
        assert is_missing(nothing)
    for something in ("0", 0, "no", False, "nann"):
        assert not is_missing(something)
