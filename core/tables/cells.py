"""From single cells to numbers, dates, times, crops and yes or no; each refusal has its reason and remedy."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from datetime import date, datetime, time, timedelta
from functools import cache

from core.errors import InputError
from core.messages import Message
from core.reference_tables import reference_table
from core.tables.files import Cell
from core.tables.headings import plain

MISSING = {
    "",
    "-",
    "--",
    "---",
    "–",
    "—",
    ".",
    "..",
    "?",
    "n/a",
    "na",
    "n.a.",
    "nil",
    "none",
    "null",
    "nan",
    "nd",
    "n.d.",
    "#n/a",
}
_NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?", re.I)
_THOUSANDS = re.compile(r"[-+]?\d{1,3}(?:,\d{3}){2,}(?:\.\d+)?")
_UNIT = re.compile(r"(%|°\s*[cf]?|ºc?|deg\.?\s*c?|degrees?|celsius|kgs?\.?|c|pct|percent|points?|pts?)$", re.I)
_DATE_NUMBERS = re.compile(r"(\d{1,4})[-/. ](\d{1,2})[-/. ](\d{2,4})$")
_DATE_WORDS = re.compile(
    r"(?:\w{3,9},?\s+)?(\d{1,2})(?:st|nd|rd|th|er|\.)?[-/. ]+(?:de\s+)?([^\W\d]{3,12})\.?[-/., ]+(?:de\s+)?(\d{2,4})$"
)
_WORDS_DATE = re.compile(r"([^\W\d]{3,12})\.?[-/. ]+(\d{1,2})(?:st|nd|rd|th)?[,]?[-/. ]+(\d{2,4})$")
_TIME = re.compile(r"(\d{1,2})\s*(?:[:.h]\s*(\d{2})?(?::(\d{2})(?:\.\d+)?)?)?\s*(am|pm|a\.m\.|p\.m\.)?$", re.I)
_MONTHS = {
    1: "jan january janvier janv enero ene janeiro januari januar jaenner",
    2: "feb february fevrier fev febrero fevereiro februari februar",
    3: "mar march mars marzo marco machi marz maerz",
    4: "apr april avril avr abril abr aprili",
    5: "may mai mayo maio mei",
    6: "jun june juin junio junho juni",
    7: "jul july juillet juil julio julho julai juli",
    8: "aug august aout aou agosto ago agosti",
    9: "sep sept september septembre septiembre setembro set septemba",
    10: "oct october octobre octubre outubro out oktoba oktober okt",
    11: "nov november novembre noviembre novembro novemba",
    12: "dec december decembre diciembre dic dezembro dez desemba dezember",
}
MONTH_BY_NAME = {name: month for month, names in _MONTHS.items() for name in names.split()}
YES = {"x", "yes", "y", "true", "1", "oui", "si", "sim", "ndiyo", "ja", "ok", "settled", "stable"}
NO = {"no", "n", "false", "0", "non", "nao", "hapana", "nein", "not settled", "unstable"}
EXCEL_EPOCH = datetime(1899, 12, 30)
EXCEL_FIRST, EXCEL_LAST = 20_000, 80_000


def is_missing(cell: Cell) -> bool:
    """Return whether a cell is empty or holds one of the marks that people write for nothing."""
    if cell is None:
        return True
    if isinstance(cell, float) and math.isnan(cell):
        return True
    return isinstance(cell, str) and cell.strip().casefold() in MISSING


def number(cell: Cell) -> float | None:
    """Return the number in a cell, None for an empty one.

    A comma is read as the decimal sign unless it can only divide thousands; a percent sign or unit after it is
    passed over.

    Raises
    ------
    InputError
        The cell holds something that is not a number.
    """
    if is_missing(cell):
        return None
    if isinstance(cell, bool | date | time | timedelta):
        raise InputError("a number is needed")
    if isinstance(cell, int | float):
        if not math.isfinite(cell):
            raise InputError("a number is needed")
        return float(cell)
    text = re.sub(r"[\s\u00a0\u202f'’]", "", str(cell)).replace("−", "-").lstrip("=")
    text = _UNIT.sub("", text)
    if "," in text and "." in text:
        decimal = max(text.rfind(","), text.rfind("."))
        whole = text[:decimal].replace(",", "").replace(".", "")
        text = f"{whole}.{text[decimal + 1 :]}"
    elif _THOUSANDS.fullmatch(text):
        text = text.replace(",", "")
    else:
        text = text.replace(",", ".")
    if not _NUMBER.fullmatch(text):
        raise InputError("a number is needed")
    value = float(text)
    if not math.isfinite(value):
        raise InputError("a number is needed")
    return value


def number_or_none(cell: Cell) -> float | None:
    """Return the number in a cell, None where there is none."""
    try:
        return number(cell)
    except InputError:
        return None


def whole_number(cell: Cell) -> int | None:
    """Return a count; ``1,200`` is twelve hundred here, since a count has no decimals."""
    if isinstance(cell, str) and re.fullmatch(r"\d{1,3}([,. ]\d{3})+", cell.strip()):
        return int(re.sub(r"\D", "", cell))
    value = number(cell)
    if value is None:
        return None
    if value != int(value) or value < 0:
        raise InputError("a whole number is needed")
    return int(value)


def date_order(cells: Iterable[Cell]) -> tuple[str, bool]:
    """Return "day" or "month": which stands first in dates of three numbers, and whether the dates themselves tell.

    Day first where nothing tells, as in most countries.
    """
    day_first = month_first = False
    for cell in cells:
        found = _DATE_NUMBERS.match(_date_part(str(cell))) if isinstance(cell, str) else None
        if found and len(found[1]) <= 2:
            day_first |= int(found[1]) > 12
            month_first |= int(found[2]) > 12
    return ("month" if month_first and not day_first else "day"), day_first != month_first


def _date_part(text: str) -> str:
    """Return a text without the time of day that follows its date."""
    return re.split(r"[T ]+(?=\d{1,2}[:h]\d{2})|T(?=\d{2})", text.strip(), maxsplit=1)[0].strip(" ,")


def date_and_time(cell: Cell, order: str = "day") -> tuple[date, time | None, timedelta | None] | None:
    """Return date, time of day if given, and offset from UTC if given; None for an empty cell.

    Parameters
    ----------
    cell : text, date, datetime or number
        ISO 8601, numbers in the given order, month names, or an Excel serial day.
    order : str
        ``"day"``, ``"month"``: what stands first in dates such as 03/04/2026.

    Raises
    ------
    InputError
        The cell holds no date.
    """
    if is_missing(cell):
        return None
    if isinstance(cell, datetime):
        moment = cell.time().replace(microsecond=0, tzinfo=None)
        return cell.date(), (moment if moment != time(0) or cell.tzinfo else None), cell.utcoffset()
    if isinstance(cell, date):
        return cell, None, None
    if isinstance(cell, bool | time | timedelta):
        raise InputError("a date is needed")
    if isinstance(cell, int | float):
        return _from_serial(float(cell))
    text = str(cell).strip().strip("'")
    if re.fullmatch(r"\d{5}([.,]\d+)?", text):
        return _from_serial(float(text.replace(",", ".")))
    if re.fullmatch(r"(19|20)\d{6}", text):
        return _day(int(text[:4]), int(text[4:6]), int(text[6:])), None, None
    day = _parse_day(_date_part(text), order)
    rest = text[len(_date_part(text)) :].strip(" T,")
    if not rest:
        return day, None, None
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
    return day, time_of_day(rest), offset


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


def _from_serial(value: float) -> tuple[date, time | None, timedelta | None]:
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
        return date(year, month, day)
    except ValueError as error:
        raise InputError("this day is not in the calendar") from error


def time_of_day(cell: Cell) -> time | None:
    """Return the time of day, None for an empty cell: 14:30, 14h30, 2:30 pm, or a part of a day as Excel has it.

    Raises
    ------
    InputError
        The cell holds no time of day.
    """
    if is_missing(cell):
        return None
    if isinstance(cell, datetime):
        return cell.time()
    if isinstance(cell, time):
        return cell.replace(microsecond=0)
    if isinstance(cell, int | float) and not isinstance(cell, bool):
        part = float(cell) % 1
        if 0 <= float(cell) < EXCEL_LAST:
            return (EXCEL_EPOCH + timedelta(seconds=round(part * 86400) % 86400)).time()
        raise InputError("a time of day such as 14:30 is needed")
    text = str(cell).strip()
    if re.fullmatch(r"0?[.,]\d+", text):
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


def yes_or_no(cell: Cell) -> bool | None:
    """Return True, False, or None for an empty cell."""
    if is_missing(cell):
        return None
    if isinstance(cell, bool):
        return cell
    text = plain(cell).removesuffix(" 0") if isinstance(cell, float) else plain(cell)
    if text in YES:
        return True
    if text in NO:
        return False
    raise InputError("yes or no is needed")


@cache
def crop_names() -> Mapping[str, str]:
    """Return the crop's code for each of its names, in plain letters."""
    table = reference_table("grain", "commodities.toml")
    found = {plain(name): code for code, crop in table.items() for name in crop["names"]}
    return {**found, **{plain(code): code for code in table}}


def crop_code(cell: Cell) -> str | None:
    """Return the crop's code for a name in one of the known languages, None for an empty cell.

    Raises
    ------
    InputError
        The name is not known.
    """
    if is_missing(cell):
        return None
    code = crop_names().get(plain(cell))
    if code is None:
        raise InputError("this crop is not known")
    return code


REMEDIES = {
    "a number is needed": Message("correct the number in the file, or leave the cell empty"),
    "a whole number is needed": Message("write how many bags, such as 20"),
    "a date is needed": Message("write the date as 2026-11-25 or 25/11/2026"),
    "this day is not in the calendar": Message("correct the date; check whether day or month stands first"),
    "a time of day such as 14:30 is needed": Message("correct the time, or leave the cell empty"),
    "yes or no is needed": Message("write yes or no, or leave the cell empty"),
    "this crop is not known": Message("use a crop's name from the list, or choose the crop for the whole file"),
}
