"""Money of several currencies at a stated day's rate; without a rate an amount stays in its own currency."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from core.errors import InputError


def is_currency_code(text: str) -> bool:
    """Return whether a text may be a currency of ISO 4217: three capital letters without accents."""
    return re.fullmatch("[A-Z]{3}", text) is not None


@dataclass(frozen=True)
class ExchangeRate:
    """What one unit of `source_currency` was worth in `target_currency` on a day, and who says so."""

    source_currency: str
    target_currency: str
    rate: float
    on: date
    source: str
    entered_by: str = ""

    def __post_init__(self) -> None:
        """Refuse what is no rate between two currencies (ISO 4217 codes)."""
        for code in (self.source_currency, self.target_currency):
            if not is_currency_code(code):
                raise InputError("'{code}' is not a currency code: give three capital letters (ISO 4217)", code=code)
        if self.source_currency == self.target_currency:
            raise InputError("a rate needs two different currencies")
        if not (np.isfinite(self.rate) and self.rate > 0):
            raise InputError("a rate of {rate} is not possible: give a number above 0", rate=self.rate)
        if not self.source.strip():
            raise InputError("say where the rate comes from")


@dataclass(frozen=True)
class RateUsed:
    """The factor from one currency to another and the day that it is of."""

    factor: float
    on: date
    source: str


def rate_between(rates: Sequence[ExchangeRate], source: str, target: str, on: date) -> RateUsed | None:
    """Return the latest rate of a pair up to a day, or None: none from after it, none through a third currency.

    Parameters
    ----------
    rates : sequence of ExchangeRate
        As entered; of two for one pair and day the later entered counts.
    source, target : str
        ISO 4217 codes.
    """
    if source == target:
        return RateUsed(1.0, on, "")
    best: RateUsed | None = None
    for rate in rates:
        pair = (rate.source_currency, rate.target_currency)
        if rate.on > on or pair not in {(source, target), (target, source)}:
            continue
        if best is None or rate.on >= best.on:
            best = RateUsed(rate.rate if pair == (source, target) else 1 / rate.rate, rate.on, rate.source)
    return best


def in_one_currency(table: pd.DataFrame, currency: str, on: date, rates: Sequence[ExchangeRate]) -> pd.DataFrame:
    """Return the indicator table with money in one currency where a rate is known.

    Parameters
    ----------
    on : date
        Day whose rate counts.

    Returns
    -------
    DataFrame
        With ``own_currency, rate, rate_on``; `currency` is the one that the value now stands in. Rows without a rate
        keep their own currency, so that a comparison can leave them out.
    """
    result = table.copy()
    result["own_currency"] = table["currency"]
    used = {
        code: rate_between(rates, code, currency, on) for code in set(table["currency"]) - {""} if isinstance(code, str)
    }
    factor = np.array(
        [1.0 if (found := used.get(code)) is None else found.factor for code in table["currency"]], dtype=float
    )
    for column, power in (("value", 1), ("numerator", 1), ("variance", 2)):
        result[column] = table[column].astype(float) * factor**power
    result["rate"] = [np.nan if used.get(code) is None else used[code].factor for code in table["currency"]]  # type: ignore[union-attr]
    result["rate_on"] = [None if used.get(code) is None else used[code].on for code in table["currency"]]  # type: ignore[union-attr]
    result["currency"] = [currency if used.get(code) is not None else code for code in table["currency"]]
    return result


def same_currency(table: pd.DataFrame, currency: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the rows that can be compared (in the programme's currency, or no money) and those kept in their own."""
    own = ~table["currency"].isin(["", currency])
    return table[~own], table[own]
