"""Cash counted by notes and coins."""

from __future__ import annotations

import re
from decimal import Decimal

from core.accounts.typed import typed_number
from core.errors import InputError


def counted_notes(text: str, explanation: str | None = None, in_book: Decimal | None = None) -> Decimal:
    """Return the sum of lines such as ``10000 x 12``, money.

    Raises
    ------
    InputError
        A line that is not a value and a whole count above 0, or a difference that nobody explains.
    """
    total = Decimal(0)
    for line in text.splitlines():
        if not line.strip():
            continue
        parts = re.split(r"[x×*]", line.lower())
        if len(parts) != 2:
            raise InputError("'{line}' is not a note or coin and how many, such as 10000 x 12", line=line.strip()[:60])
        value, count = typed_number(parts[0]), typed_number(parts[1])
        if value <= 0 or count < 0 or count != count.to_integral_value():
            raise InputError("'{line}' is not a note or coin and how many, such as 10000 x 12", line=line.strip()[:60])
        total += value * count
    if in_book is not None and total != in_book and not (explanation or "").strip():
        raise InputError("Say how the difference between the cash and the book is explained.")
    return total
