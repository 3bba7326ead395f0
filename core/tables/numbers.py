"""Numbers as people write them: which mark parts decimals is decided once for a table, and said."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, time, timedelta

from core.errors import InputError
from core.messages import Message
from core.tables.grid import Cell

MISSING = {
    *("", "-", "--", "---", "–", "—", ".", "..", "?", "n/a", "na", "n.a.", "nil", "none", "null", "nan"),
    *("nd", "n.d.", "#n/a"),
}
LONGEST_NUMBER = 60
LARGEST = 1e300
_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:e[-+]?\d{1,3})?", re.I)
_UNIT = re.compile(r"(%|°\s*[cf]?|ºc?|deg\.?\s*c?|degrees?|celsius|kgs?\.?|c|pct|percent|points?|pts?)$", re.I)
_SPACES = re.compile(r"[\s\u00a0\u202f'’]")
_GROUPS = {
    ",": re.compile(r"\d{1,3}(,\d{3})+|\d{1,2}(,\d{2})*,\d{3}"),  # 1,234,567 and, in South Asia, 12,34,567
    ".": re.compile(r"\d{1,3}(\.\d{3})+"),
}
_UNCLEAR = re.compile(r"[1-9]\d{0,2}[.,]\d{3}")
_CURRENCY = re.compile(r"^[^\d.,+-]{1,6}(?=[\d.,+-])|(?<=\d)[^\d.,]{1,4}$")


@dataclass(frozen=True)
class NumberStyle:
    """Which mark parts decimals in a table.

    Parameters
    ----------
    decimal : str
        ``","`` or ``"."``; ``""`` where nothing in the table tells.
    mixed : bool
        The table has both: what could be read in two ways is then refused.
    """

    decimal: str = ""
    mixed: bool = False


def is_missing(cell: Cell) -> bool:
    """Return whether a cell is empty or holds one of the marks that people write for nothing."""
    if cell is None:
        return True
    if isinstance(cell, float) and math.isnan(cell):
        return True
    return isinstance(cell, str) and cell.strip().casefold() in MISSING


def _bare(cell: str, money: bool = False) -> str:
    """Return a number's digits and marks, without spaces, unit, currency or the sign of a formula."""
    text = _SPACES.sub("", cell).replace("−", "-").lstrip("=")
    text = _UNIT.sub("", text)
    return _CURRENCY.sub("", text) if money else text


def decimal_mark(text: str) -> str:
    """Return the mark that must part decimals in a bare number, "" where there is none or it could be either."""
    digits = text.lstrip("+-")
    if "," in digits and "." in digits:
        return max(",", ".", key=digits.rfind)
    mark = "," if "," in digits else "." if "." in digits else ""
    if not mark:
        return ""
    if digits.count(mark) > 1:
        return "." if mark == "," else ","
    return "" if _UNCLEAR.fullmatch(digits) else mark


def number_style(cells: Iterable[Cell], money: bool = False) -> tuple[NumberStyle, list[Message]]:
    """Return how the numbers of a table are written, from all its cells that hold numbers, and what to say of it."""
    example: dict[str, str] = {}
    for cell in cells:
        if isinstance(cell, str) and len(cell) <= LONGEST_NUMBER and ("," in cell or "." in cell):
            text = _bare(cell, money)
            mark = decimal_mark(text)
            if mark and mark not in example and _read(text, mark) is not None:
                example[mark] = cell
        if len(example) == 2:
            return NumberStyle("", mixed=True), []
    if "," in example:
        return NumberStyle(","), [
            Message("commas are read as decimal marks, as in {example}", {"example": example[","]})
        ]
    return NumberStyle("." if example else ""), []


def _read(text: str, decimal: str) -> float | None:
    """Return the value of a bare number with this decimal mark, None where it is none."""
    other = "," if decimal == "." else "."
    whole, mark, part = text.partition(decimal)
    if other in part or decimal in part:
        return None
    if other in whole:
        if not _GROUPS[other].fullmatch(whole.lstrip("+-")):
            return None
        whole = whole.replace(other, "")
    text = f"{whole}.{part}" if mark else whole
    if not _NUMBER.fullmatch(text):
        return None
    value = float(text)
    return value if abs(value) <= LARGEST else None


def number(cell: Cell, style: NumberStyle | None = None, unclear: str = "decimal", money: bool = False) -> float | None:
    """Return the number in a cell, None for an empty one; a percent sign or unit after it is passed over.

    Parameters
    ----------
    style : NumberStyle, optional
        How the table's numbers are written; without it the cell alone decides.
    unclear : str
        What a mark before three digits means where the table does not tell: ``"decimal"`` (always, for what is
        measured), ``"thousands"`` (for money and counts), ``"point"`` (a point parts decimals, a comma thousands).
    money : bool
        A currency's sign or code may stand beside the number.

    Raises
    ------
    InputError
        The cell holds something that is not a number, or one that could be read in two ways.
    """
    if is_missing(cell):
        return None
    if isinstance(cell, bool | date | time | timedelta):
        raise InputError("a number is needed")
    if isinstance(cell, int | float):
        if not abs(cell) <= LARGEST:
            raise InputError("a number is needed")
        return float(cell)
    if len(str(cell)) > LONGEST_NUMBER:
        raise InputError("a number is needed")
    text = _bare(str(cell), money)
    style = style or NumberStyle()
    mark = decimal_mark(text)
    if not mark and ("," in text or "." in text):
        mark = _unclear_mark(text, style, unclear)
    value = _read(text, mark or ".")
    if value is None:
        raise InputError("a number is needed")
    return value


def _unclear_mark(text: str, style: NumberStyle, unclear: str) -> str:
    """Return the decimal mark of a number such as 1,250 that could be read in two ways."""
    mark = "," if "," in text else "."
    if unclear == "decimal":
        return mark
    if style.mixed or (unclear == "thousands" and style.decimal == mark):
        raise InputError("it is not clear whether {value} means thousands", value=text)
    if style.decimal:
        return style.decimal
    return "." if unclear == "point" or mark == "," else ","


def unclear_number(cell: Cell, money: bool = False) -> bool:
    """Return whether a cell holds a number such as 1.250 that could be read in two ways."""
    return isinstance(cell, str) and len(cell) <= LONGEST_NUMBER and bool(_UNCLEAR.fullmatch(_bare(cell, money)))


def number_or_none(cell: Cell) -> float | None:
    """Return the number in a cell, None where there is none."""
    try:
        return number(cell)
    except InputError:
        return None


def whole_number(cell: Cell, style: NumberStyle | None = None) -> int | None:
    """Return a count; ``1,200`` is twelve hundred here, since a count has no decimals."""
    if unclear_number(cell):
        style = NumberStyle()
    value = number(cell, style, "thousands")
    if value is None:
        return None
    if value != math.floor(value) or value < 0:
        raise InputError("a whole number is needed")
    return int(value)
