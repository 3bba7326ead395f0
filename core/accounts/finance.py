"""Instalments, their schedules, and flat-rate loans made comparable with others."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from typing import overload

from core.errors import InputError

MONTHS_A_YEAR = 12
WORKING_STEPS = 200


@dataclass(frozen=True)
class Instalment:
    """One row of a repayment schedule; all money in the currency's smallest coin.

    Parameters
    ----------
    number : int
        1 for the first payment.
    payment, interest, principal : Decimal
        ``payment = interest + principal``.
    remaining : Decimal
        Principal still owed afterwards; 0 after the last.
    due : date or None
        Day on which it is due, if the schedule has a start.
    """

    number: int
    payment: Decimal
    interest: Decimal
    principal: Decimal
    remaining: Decimal
    due: date | None = None


def _check(principal: float | Decimal, rate_per_period: float | Decimal, periods: int) -> None:
    if isinstance(periods, bool) or int(periods) != periods or periods < 1:
        raise InputError(
            "the number of instalments must be a whole number of 1 or more, not {periods}", periods=periods
        )
    if not math.isfinite(principal) or principal < 0:
        raise InputError("the amount to pay off must be 0 or more, not {principal}", principal=principal)
    if not math.isfinite(rate_per_period) or rate_per_period < 0:
        raise InputError("the interest per period must be 0 or more (0.02 = 2 %), not {rate}", rate=rate_per_period)


@overload
def instalment(principal: Decimal, rate_per_period: float | Decimal, periods: int) -> Decimal: ...
@overload
def instalment(principal: float, rate_per_period: float | Decimal, periods: int) -> float: ...
def instalment(principal: float | Decimal, rate_per_period: float | Decimal, periods: int) -> float | Decimal:
    """Return the equal payment at each period's end that pays off a principal, unrounded.

    Parameters
    ----------
    principal : float or Decimal
        Amount owed now, money.
    rate_per_period : float or Decimal
        Interest per period as a fraction; 0 gives equal parts of the principal.
    periods : int
        Number of payments, at least 1.

    Returns
    -------
    float or Decimal
        Payment per period, money; a Decimal where the principal is one.

    Raises
    ------
    InputError
        Where an amount or rate is negative or not finite, or there is no whole number of payments.

    Notes
    -----
    Annuity in arrears, ``A = P r / (1 - (1 + r)^-n)``; as r goes to 0 it becomes ``P / n``. Source: the standard
    ordinary-annuity formula, e.g. Kellison (2009) The Theory of Interest, ch. 3.
    """
    _check(principal, rate_per_period, periods)
    count = int(periods)
    if isinstance(principal, Decimal):
        rate = rate_per_period if isinstance(rate_per_period, Decimal) else Decimal(str(rate_per_period))
        if rate == 0:
            return principal / count
        present_worth = (1 - (1 + rate) ** -count) / rate
        return principal / present_worth
    rate_float = float(rate_per_period)
    if rate_float == 0:
        return principal / count
    # expm1 and log1p keep the digits that 1 - (1 + r)^-n loses at a tiny r
    return principal * rate_float / -math.expm1(-count * math.log1p(rate_float))


def schedule(
    principal: Decimal,
    rate_per_period: Decimal | float,
    periods: int,
    step: Decimal = Decimal("0.01"),
    first_due: date | None = None,
) -> tuple[Instalment, ...]:
    """Return the repayments period by period, rounded to the smallest coin, the remainder in the last.

    Parameters
    ----------
    principal : Decimal
        Amount owed at the start, a multiple of ``step``, money.
    rate_per_period : Decimal or float
        Interest per period as a fraction.
    periods : int
        Number of payments.
    step : Decimal
        Smallest coin in use, money.
    first_due : date, optional
        Day of the first payment; the others follow a month apart.

    Returns
    -------
    tuple of Instalment, length ``periods``
        The principal parts add up to ``principal`` exactly.

    Raises
    ------
    InputError
        As `instalment`, or where ``principal`` is not a multiple of ``step``.
    """
    rate = rate_per_period if isinstance(rate_per_period, Decimal) else Decimal(str(rate_per_period))
    _check(principal, rate, periods)
    if step <= 0 or principal % step != 0:
        raise InputError("{amount} cannot be paid in coins of {step}", amount=principal, step=step)
    level = round_to_step(instalment(principal, rate, periods), step)
    rows: list[Instalment] = []
    owed = principal
    for number in range(1, periods + 1):
        interest = round_to_step(owed * rate, step)
        # a coin so coarse that the level payment misses the interest must not let the debt grow or go below nothing
        part = owed if number == periods else min(max(level - interest, Decimal(0)), owed)
        owed -= part
        due = add_months(first_due, number - 1) if first_due else None
        rows.append(Instalment(number, interest + part, interest, part, owed, due))
    return tuple(rows)


def flat_to_effective(flat_rate_per_period: float, periods: int) -> float:
    """Return the interest on the falling balance that costs as much as a flat rate on the first principal.

    Parameters
    ----------
    flat_rate_per_period : float
        Interest per period as a fraction of the whole first principal, whatever has been paid back.
    periods : int
        Number of equal payments.

    Returns
    -------
    float
        Interest per period on what is still owed, fraction; roughly twice the flat one for several payments.

    Raises
    ------
    InputError
        As `instalment`.

    Notes
    -----
    Solves ``(1 + f n) / n = r / (1 - (1 + r)^-n)`` for r by halving; source: definition of the effective rate as the
    internal rate of return of the loan's payments.
    """
    _check(1.0, flat_rate_per_period, periods)
    if flat_rate_per_period == 0:
        return 0.0
    payment = (1.0 + flat_rate_per_period * periods) / periods
    low, high = 0.0, payment  # at r = payment the annuity already exceeds the payment
    for _ in range(WORKING_STEPS):
        middle = 0.5 * (low + high)
        if instalment(1.0, middle, periods) < payment:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def effective_yearly(rate_per_month: float) -> float:
    """Return the yearly rate with compounding that equals a monthly one.

    Parameters
    ----------
    rate_per_month : float
        Fraction per month.

    Returns
    -------
    float
        Fraction per year, ``(1 + r)^12 - 1``.
    """
    return math.expm1(MONTHS_A_YEAR * math.log1p(rate_per_month))


def round_to_step(amount: Decimal, step: Decimal) -> Decimal:
    """Return an amount rounded half up to the smallest coin.

    Parameters
    ----------
    amount, step : Decimal
        Money.

    Returns
    -------
    Decimal
        The nearest multiple of ``step``.
    """
    return (amount / step).to_integral_value(rounding=ROUND_HALF_UP) * step


def add_months(day: date, months: int) -> date:
    """Return the same day some months later, or the month's last day where it has no such day.

    Parameters
    ----------
    day : date
        Start.
    months : int
        Months to add; may be negative.

    Returns
    -------
    date
    """
    index = day.year * MONTHS_A_YEAR + day.month - 1 + months
    year, month = divmod(index, MONTHS_A_YEAR)
    first = date(year, month + 1, 1)
    last = (date(year + (month + 1) // MONTHS_A_YEAR, (month + 1) % MONTHS_A_YEAR + 1, 1) - first).days
    return first.replace(day=min(day.day, last))


def whole_months(start: date, end: date) -> int:
    """Return how many whole months lie between two days; 0 where the end comes first.

    Parameters
    ----------
    start, end : date
        Days.

    Returns
    -------
    int
    """
    months = max((end.year - start.year) * MONTHS_A_YEAR + end.month - start.month, 0)
    return months - 1 if months and add_months(start, months) > end else months
