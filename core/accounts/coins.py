"""The smallest coin of a currency: the step in which its money is counted."""

from __future__ import annotations

from decimal import Decimal

from babel.numbers import get_currency_precision


def currency_coin(currency: str) -> Decimal:
    """Return the smallest coin of a currency, money: 1, 0.01 or 0.001.

    Parameters
    ----------
    currency : str
        ISO 4217 code, such as "XOF" (no decimals), "USD" (two) or "KWD" (three).

    Notes
    -----
    Source: the decimals of ISO 4217 as the Unicode CLDR gives them, by way of Babel; two for a code that it does not
    know.
    """
    return Decimal(1).scaleb(-get_currency_precision(currency))
