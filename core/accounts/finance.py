"""The one home of interest: growth, present value, instalments, and loans made comparable with one another.

Rates are fractions per period, periods may be parts of one; interest compounds once a period.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from decimal import ROUND_DOWN, ROUND_HALF_UP, Decimal
from typing import Any, overload

import numpy as np
from numpy.typing import ArrayLike

from core.errors import InputError
from core.given import check_number

MONTHS_A_YEAR = 12
DAYS_PER_MONTH = 365.25 / MONTHS_A_YEAR
WEEKS_PER_MONTH = DAYS_PER_MONTH / 7


@overload
def growth(rate: Decimal, periods: int) -> Decimal: ...
@overload
def growth(rate: float, periods: float) -> float: ...
@overload
def growth(rate: ArrayLike, periods: ArrayLike) -> Any: ...
def growth(rate: ArrayLike | Decimal, periods: ArrayLike) -> Any:
    """Return to how much one unit of money grows with compound interest, ``(1 + r)^n``.

    Parameters
    ----------
    rate : float, array or Decimal
        Interest per period, fraction, above -1.
    periods : float or array
        How many periods, whole or part; broadcast against ``rate``; below 0 brings back in time.

    Returns
    -------
    float, array or Decimal
        Exact where ``rate`` is a Decimal and ``periods`` whole.

    Raises
    ------
    InputError
        Where a rate is -1 or below, or not a number.

    Notes
    -----
    Source: definition of compound interest, e.g. Kellison (2009) The Theory of Interest, ch. 1.
    """
    if isinstance(rate, Decimal):
        _check_rate(float(rate))
        return (1 + rate) ** int(np.asarray(periods))
    per_period, count = np.asarray(rate, dtype=float), np.asarray(periods, dtype=float)
    _check_rate(per_period)
    return _plain((1.0 + per_period) ** count)


def present_value(amount: Any, rate: Any, periods: Any) -> Any:
    """Return what money paid some periods from now is worth today, ``x / (1 + r)^n``.

    Parameters
    ----------
    amount : float, array or Decimal
        Money paid then.
    rate : float, array or Decimal
        Interest per period, fraction, above -1.
    periods : float or array
        Periods until then; at the end of each for a row of payments.

    Returns
    -------
    float, array or Decimal
        Money of today; the inputs broadcast.

    Raises
    ------
    InputError
        As `growth`.
    """
    return amount / growth(rate, periods)


@overload
def interest_on(rate: float, periods: float) -> float: ...
@overload
def interest_on(rate: ArrayLike, periods: ArrayLike) -> Any: ...
def interest_on(rate: ArrayLike, periods: ArrayLike) -> Any:
    """Return the compound interest on one unit of money, ``(1 + r)^n - 1``, exact at a tiny rate.

    Parameters
    ----------
    rate, periods : float or array
        As for `growth`.

    Returns
    -------
    float or array
        Fraction of the money.
    """
    per_period = np.asarray(rate, dtype=float)
    _check_rate(per_period)
    return _plain(np.expm1(np.asarray(periods, dtype=float) * np.log1p(per_period)))


@overload
def annuity_growth(rate: float, periods: float) -> float: ...
@overload
def annuity_growth(rate: float, periods: ArrayLike) -> Any: ...
def annuity_growth(rate: float, periods: ArrayLike) -> Any:
    """Return what 1 paid at each period's end has grown to after the last, ``((1 + r)^n - 1) / r``; n at r = 0.

    Parameters
    ----------
    rate : float
        Interest per period, fraction, above -1.
    periods : float or array
        Number of payments; a part of one by the same formula.

    Returns
    -------
    float or array
        Money. Source: Kellison (2009) The Theory of Interest, ch. 3 (s angle n).
    """
    count = np.asarray(periods, dtype=float)
    return _plain(count if rate == 0 else interest_on(rate, count) / rate)


@overload
def annuity_worth(rate: float, periods: float) -> float: ...
@overload
def annuity_worth(rate: float, periods: ArrayLike) -> Any: ...
def annuity_worth(rate: float, periods: ArrayLike) -> Any:
    """Return what 1 paid at each period's end is worth today, ``(1 - (1 + r)^-n) / r``; n at r = 0.

    Parameters
    ----------
    rate : float
        Interest per period, fraction, above -1.
    periods : float or array
        Number of payments; a part of one by the same formula.

    Returns
    -------
    float or array
        Money of today. Source: Kellison (2009) The Theory of Interest, ch. 3 (a angle n).
    """
    count = np.asarray(periods, dtype=float)
    return _plain(count if rate == 0 else -np.asarray(interest_on(rate, -count)) / rate)


def rate_of(grown: float, periods: float) -> float:
    """Return the interest per period by which one unit of money grows to ``grown``, ``g^(1/n) - 1``.

    Parameters
    ----------
    grown : float
        Money after the periods per unit at the start, at least 0 (0 gives -1: all is lost).
    periods : float
        Above 0.

    Returns
    -------
    float
        Fraction per period.

    Raises
    ------
    InputError
        Where there is no time between, or the end is below 0.
    """
    if not periods > 0 or not math.isfinite(periods):
        raise InputError("a loan of {months} months has no rate", months=periods)
    if not grown >= 0:
        raise InputError("one unit of money cannot become {grown}", grown=grown)
    return math.pow(grown, 1 / periods) - 1


def _check_rate(rate: Any) -> None:
    """Refuse a rate with which nothing is left, or that is no number."""
    if not np.all(np.asarray(rate) > -1):
        raise InputError("interest of {rate} a period must be above -1", rate=rate)


def _plain(result: Any) -> Any:
    """Return a number for a number and an array for an array."""
    return float(result) if np.ndim(result) == 0 else result


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
    for name, value in (("principal", principal), ("rate_per_period", rate_per_period), ("periods", periods)):
        check_number(name, value, finite=True)
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
        return principal * rate / (1 - growth(rate, -count))
    return principal / annuity_worth(float(rate_per_period), count)


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


def round_down(amount: Decimal, step: Decimal) -> Decimal:
    """Return an amount without the part that is no whole smallest coin."""
    return (amount / step).to_integral_value(rounding=ROUND_DOWN) * step


def add_months(day: date, months: int) -> date:
    """Return the same day some months later, or the month's last day where it has no such day.

    Parameters
    ----------
    day : date
        Start.
    months : int
        Months to add; may be negative.
    """
    index = day.year * MONTHS_A_YEAR + day.month - 1 + months
    year, month = divmod(index, MONTHS_A_YEAR)
    first = date(year, month + 1, 1)
    last = (date(year + (month + 1) // MONTHS_A_YEAR, (month + 1) % MONTHS_A_YEAR + 1, 1) - first).days
    return first.replace(day=min(day.day, last))


def whole_months(start: date, end: date) -> int:
    """Return how many whole months lie between two days; 0 where the end comes first."""
    months = max((end.year - start.year) * MONTHS_A_YEAR + end.month - start.month, 0)
    return months - 1 if months and add_months(start, months) > end else months


@dataclass(frozen=True)
class InventoryCredit:
    """A loan on stored grain (warehouse receipt or a store under two locks).

    Attributes
    ----------
    loan_share : float
        Loan as a fraction of the grain's value on the day it is stored.
    monthly_interest : float
        Fraction a month, compounding.
    fee_share : float
        Fee at the start as a fraction of the loan.
    storage_fee_per_kg_month : float
        Store's charge [money/kg/month], paid at month end.
    longest_months : float
        When the loan must be repaid.
    """

    loan_share: float
    monthly_interest: float
    fee_share: float = 0.0
    storage_fee_per_kg_month: float = 0.0
    longest_months: float = 12.0

    def __post_init__(self) -> None:
        if not 0 <= self.loan_share <= 1 or not 0 <= self.fee_share < 1 or self.monthly_interest < 0:
            raise InputError(
                "loan share {share} and fee {fee} must be between 0 and 1", share=self.loan_share, fee=self.fee_share
            )

    def cash_now(self, mass_kg: float, price: float) -> float:
        """Return what is paid out at the start, the fee taken off [money]."""
        return mass_kg * price * self.loan_share * (1 - self.fee_share)

    def owed(self, mass_kg: float, price: float, months: float) -> float:
        """Return what the loan costs to repay after some months [money]."""
        return mass_kg * price * self.loan_share * growth(self.monthly_interest, months)

    def rate(self, months: float) -> float:
        """Return what the loan costs a month with its fee, as a fraction: ((1 + i)^n / (1 - f))^(1/n) - 1."""
        return rate_of(growth(self.monthly_interest, months) / (1 - self.fee_share), months)

    def net_at_sale(
        self, mass_kg: float, price_then: float, price_now: float, months: float, monthly_loss: float
    ) -> float:
        """Return what is left at the sale: grain sold, less loan and storage charges [money]; may be below zero.

        Raises
        ------
        InputError
            Sale after the loan must be repaid.
        """
        if months > self.longest_months:
            raise InputError(
                "the loan must be repaid after {longest} months, before a sale in {months}",
                longest=self.longest_months,
                months=months,
            )
        sold = mass_kg * (1 - monthly_loss) ** months * price_then
        return sold - self.owed(mass_kg, price_now, months) - self.storage_fee_per_kg_month * mass_kg * months
