"""Numbers as a person types them: read as what they can only mean, refused where they can mean two things."""

from __future__ import annotations

import re
from decimal import Decimal

from core.errors import InputError

MOST_AMOUNT = 10**12
"""Of money in any currency, or of anything else that is typed."""
_SPACES = re.compile(r"[\u00a0\u202f\u2009 '’]")
_GROUPED = re.compile(r"\d{1,3}(?:([,. ])\d{3})(?:\1\d{3})*")
_PLAIN = re.compile(r"(?:\d+(?:\.\d*)?|\.\d+)")


def typed_number(text: str) -> Decimal:
    """Return the number that somebody typed, exactly.

    Parameters
    ----------
    text : str
        Such as ``36000``, ``36 000``, ``36.5``, ``36,5``, ``1,234,567`` or ``1.234,50``.

    Raises
    ------
    InputError
        It is no number, it is larger than any amount of the trade, or it can be read in two ways: one comma or point
        before exactly three digits (``36,000``) divides thousands in one country and decimals in another.
    """
    bare = _SPACES.sub(" ", text.strip()).replace("−", "-")
    sign = "-" if bare.startswith("-") else ""
    digits = bare[1:].strip() if bare[:1] in {"+", "-"} else bare
    plain = digits
    if _GROUPED.fullmatch(digits):
        marks = re.sub(r"\d", "", digits)
        whole = re.sub(r"\D", "", digits)
        if marks in {",", "."} and not digits.startswith("0"):
            first, last = re.split(r"[,.]", digits)
            raise InputError(
                "{text} can be read in two ways: type {whole} or {decimal}",
                text=text.strip(),
                whole=sign + whole,
                decimal=f"{sign}{first}.{last.rstrip('0') or '0'}",
            )
        plain = f"{digits[:1]}.{digits[2:]}" if marks in {",", "."} else whole
    elif "," in digits and "." in digits:
        mark = max(digits.rfind(","), digits.rfind("."))
        head = digits[:mark]
        plain = digits[mark:].replace(",", ".") if _GROUPED.fullmatch(head) and digits[mark] not in head else "no"
        plain = re.sub(r"\D", "", head) + plain
    else:
        plain = digits.replace(",", ".")
    if not _PLAIN.fullmatch(plain) or not plain.isascii():
        raise InputError("'{text}' is not a number: use digits only, such as 1250 or 12.5", text=text.strip()[:60])
    value = Decimal(sign + plain)
    if abs(value) > MOST_AMOUNT:
        raise InputError("{text} is too large", text=text.strip()[:60])
    return value
