"""Dates and times of day as people write them: what stands first, day or month, is decided once for a column."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import date, datetime, time, timedelta

from core.errors import InputError
from core.tables.grid import Cell
from core.tables.numbers import is_missing
from core.tables.words import plain

_DATE_NUMBERS = re.compile(r"(\d{1,4})[-/. ](\d{1,2})[-/. ](\d{2,4})$")
_DATE_WORDS = re.compile(
    r"(?:\w{3,9},?\s+)?(\d{1,2})(?:st|nd|rd|th|er|\.)?[-/. ]+(?:de\s+)?([^\W\d]{3,12})\.?[-/., ]+(?:de\s+)?(\d{2,4})$"
)
_WORDS_DATE = re.compile(r"([^\W\d]{3,12})\.?[-/. ]+(\d{1,2})(?:st|nd|rd|th)?[,]?[-/. ]+(\d{2,4})$")
_YEAR_MONTH = re.compile(r"(\d{4})[-/.](\d{1,2})")
_MONTH_YEAR = re.compile(r"(\d{1,2})[-/.](\d{4})")
_MONTH_WORD = re.compile(r"([^\W\d]{3,12})\.?[-/. ]+(\d{4}|\d{2})")
_TIME = re.compile(r"(\d{1,2})\s*(?:[:.h]\s*(\d{2})?(?::(\d{2})(?:\.\d+)?)?)?\s*(am|pm|a\.m\.|p\.m\.)?$", re.I)
_MONTHS = {
    1: "jan january janvier janv enero ene janeiro januari januar jaenner",
    2: "feb february fevrier fevr fev febrero fevereiro februari februar",
    3: "mar march mac mars marzo marco machi marz maerz",
    4: "apr april avril avr abril abr aprili",
    5: "may mai mayo maio mei",
    6: "jun june juin junio junho juni",
    7: "jul july juillet juil juil julio julho julai juli",
    8: "aug august aout aou agosto ago agosti",
    9: "sep sept september septembre septiembre setembro set septemba",
    10: "oct october octobre octubre outubro out oktoba oktober okt",
    11: "nov november novembre noviembre novembro novemba",
    12: "dec december decembre diciembre dic dezembro dez desemba des dezember",
}
MONTH_BY_NAME = {name: month for month, names in _MONTHS.items() for name in names.split()}
FIRST_YEAR, LAST_YEAR = 1900, 2200
EXCEL_EPOCH = datetime(1899, 12, 30)
EXCEL_FIRST, EXCEL_LAST = 20_000, 80_000
LONGEST_DATE = 60
MIDDLE_OF_MONTH = 15
Stamp = tuple[date, time | None, timedelta | None]


def date_order(cells: Iterable[Cell]) -> tuple[str, bool]:
    """Return "day" or "month": which stands first in dates of three numbers, and whether the dates themselves tell.

    Day first where nothing tells, as in most countries, or where as many dates say the one as the other.
    """
    day_first = month_first = 0
    for cell in cells:
        if not isinstance(cell, str) or len(cell) > LONGEST_DATE:
            continue
        found = _DATE_NUMBERS.match(_date_part(cell))
        if found and len(found[1]) <= 2:
            day_first += int(found[1]) > 12 >= int(found[2])
            month_first += int(found[2]) > 12 >= int(found[1])
    return ("month" if month_first > day_first else "day"), day_first != month_first


def either_order(cell: Cell) -> bool:
    """Return whether a cell holds a date such as 03/04/2026 that could be read day first or month first."""
    if not isinstance(cell, str) or len(cell) > LONGEST_DATE:
        return False
    found = _DATE_NUMBERS.match(_date_part(cell))
    return bool(found and len(found[1]) <= 2 and int(found[1]) <= 12 and int(found[2]) <= 12 and found[1] != found[2])


def _date_part(text: str) -> str:
    """Return a text without the time of day that follows its date."""
    return re.split(r"[T ]+(?=\d{1,2}[:h]\d{2})|T(?=\d{2})", text.strip(), maxsplit=1)[0].strip(" ,")


def date_and_time(cell: Cell, order: str = "day", month_only: bool = False) -> Stamp | None:
    """Return date, time of day if given, and offset from UTC if given; None for an empty cell.

    Parameters
    ----------
    cell : text, date, datetime or number
        ISO 8601, numbers in the given order, month names, or a spreadsheet's serial day.
    order : str
        ``"day"``, ``"month"``: what stands first in dates such as 03/04/2026.
    month_only : bool
        A month without a day (2022-01, 202201, 01/2022, Jan 2022) is taken as its 15th.
    """
    if is_missing(cell):
        return None
    if isinstance(cell, datetime):
        moment = cell.time().replace(microsecond=0, tzinfo=None)
        day = _day(cell.year, cell.month, cell.day)
        return day, (moment if moment != time(0) or cell.tzinfo else None), cell.utcoffset()
    if isinstance(cell, date):
        return _day(cell.year, cell.month, cell.day), None, None
    if isinstance(cell, bool | time | timedelta):
        raise InputError("a date is needed")
    if isinstance(cell, int | float):
        if month_only and 190_001 <= cell <= 220_012 and cell == int(cell):
            return _day(int(cell) // 100, int(cell) % 100, MIDDLE_OF_MONTH), None, None
        return _from_serial(float(cell))
    text = str(cell).strip().strip("'")
    if len(text) > LONGEST_DATE:
        raise InputError("a date is needed")
    if month_only and (found := month_of(text)) is not None:
        return found, None, None
    if re.fullmatch(r"[0-9]{5}([.,][0-9]+)?", text):
        return _from_serial(float(text.replace(",", ".")))
    if re.fullmatch(r"(19|20)[0-9]{6}", text):
        return _day(int(text[:4]), int(text[4:6]), int(text[6:])), None, None
    day = _parse_day(_date_part(text), order)
    return day, *_rest(text[len(_date_part(text)) :].strip(" T,"))


def _rest(rest: str) -> tuple[time | None, timedelta | None]:
    """Return the time of day and the offset from UTC that follow a date."""
    if not rest:
        return None, None
    offset = None
    zone = re.search(r"(Z|[+-]\d{2}:?\d{2})$", rest)
    if zone:
        rest = rest[: zone.start()].strip()
        if zone[1] == "Z":
            offset = timedelta(0)
        else:
            sign = -1 if zone[1][0] == "-" else 1
            offset = sign * timedelta(hours=int(zone[1][1:3]), minutes=int(zone[1][-2:]))
            if abs(offset) >= timedelta(hours=24):
                raise InputError("a date is needed")
    return time_of_day(rest), offset


def month_of(text: str) -> date | None:
    """Return the middle of a month that was written without a day, None where the text is no such month."""
    if found := _YEAR_MONTH.fullmatch(text):
        return _day(int(found[1]), int(found[2]), MIDDLE_OF_MONTH)
    if found := _MONTH_YEAR.fullmatch(text):
        return _day(int(found[2]), int(found[1]), MIDDLE_OF_MONTH)
    if re.fullmatch(r"(19|20)[0-9]{2}(0[1-9]|1[0-2])", text):
        return _day(int(text[:4]), int(text[4:]), MIDDLE_OF_MONTH)
    if (found := _MONTH_WORD.fullmatch(text)) and plain(found[1]) in MONTH_BY_NAME:
        return _day(_year(found[2]), _month(found[1]), MIDDLE_OF_MONTH)
    return None


def _parse_day(text: str, order: str) -> date:
    if found := _DATE_NUMBERS.fullmatch(text):
        first, second, third = found[1], int(found[2]), found[3]
        if len(first) == 4 and len(third) <= 2:
            return _day(int(first), second, int(third))
        if len(first) <= 2:
            day, month = (int(first), second) if order != "month" else (second, int(first))
            return _day(_year(third), month, day)
    if found := _DATE_WORDS.fullmatch(text):
        return _day(_year(found[3]), _month(found[2]), int(found[1]))
    if found := _WORDS_DATE.fullmatch(text):
        return _day(_year(found[3]), _month(found[1]), int(found[2]))
    raise InputError("a date is needed")


def _from_serial(value: float) -> Stamp:
    if not EXCEL_FIRST <= value < EXCEL_LAST:
        raise InputError("a date is needed")
    moment = EXCEL_EPOCH + timedelta(seconds=round(value * 86400))
    return moment.date(), (moment.time() if value != int(value) else None), None


def _year(text: str) -> int:
    return int(text) if len(text) == 4 else 2000 + int(text[-2:])


def _month(name: str) -> int:
    month = MONTH_BY_NAME.get(plain(name))
    if month is None:
        raise InputError("a date is needed")
    return month


def _day(year: int, month: int, day: int) -> date:
    try:
        found = date(year, month, day)
    except (ValueError, OverflowError) as error:
        raise InputError("this day is not in the calendar") from error
    if not FIRST_YEAR <= year <= LAST_YEAR:
        raise InputError("the year {year} cannot be right", year=year)
    return found


def time_of_day(cell: Cell) -> time | None:
    """Return the time of day, None for an empty cell: 14:30, 14h30, 2:30 pm, or a part of a day as in spreadsheets."""
    if is_missing(cell):
        return None
    if isinstance(cell, datetime):
        return cell.time().replace(microsecond=0)
    if isinstance(cell, time):
        return cell.replace(microsecond=0, tzinfo=None)
    if isinstance(cell, int | float) and not isinstance(cell, bool):
        if 0 <= cell < EXCEL_LAST:
            return (EXCEL_EPOCH + timedelta(seconds=round(float(cell) * 86400) % 86400)).time()
        raise InputError("a time of day such as 14:30 is needed")
    text = str(cell).strip()[:LONGEST_DATE]
    if re.fullmatch(r"0?[.,][0-9]{1,18}", text):
        return (EXCEL_EPOCH + timedelta(seconds=round(float(text.replace(",", ".")) * 86400) % 86400)).time()
    found = _TIME.fullmatch(text)
    if not found:
        raise InputError("a time of day such as 14:30 is needed")
    hour, minute, second = int(found[1]), int(found[2] or 0), int(found[3] or 0)
    if found[4]:
        if not 1 <= hour <= 12:
            raise InputError("a time of day such as 14:30 is needed")
        hour = hour % 12 + (12 if found[4][0] in "pP" else 0)
    if hour > 23 or minute > 59 or second > 59:
        raise InputError("a time of day such as 14:30 is needed")
    return time(hour, minute, second)
