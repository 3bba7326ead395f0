"""What waiting costs: interest, storage, loss and the price that pays for them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from core.accounts.finance import (
    WEEKS_PER_MONTH,
    InventoryCredit,
    annuity_growth,
    growth,
    interest_on,
    present_value,
    rate_of,
)
from core.errors import InputError
from core.given import takes_numbers

Floats = NDArray[np.float64]


@takes_numbers(
    "price_now",
    "months",
    finite=(
        "price_now",
        "months",
        "monthly_interest",
        "monthly_loss",
        "monthly_cost",
        "one_off_cost",
        "quality_discount",
    ),
)
def breakeven_price(
    price_now: ArrayLike, months: ArrayLike, monthly_interest: float, monthly_loss: float, monthly_cost: float = 0.0
) -> NDArray[np.float64] | float:
    """Return the price that must be reached for waiting to earn as much as selling now.

    P_n = [P_0 (1+r)^n + k ((1+r)^n - 1)/r] / (1-l)^n, the competitive-storage condition of
    Williams & Wright 1991, Storage and Commodity Markets, ch. 2, summed over n months.

    Parameters
    ----------
    price_now : float or array
        Price today [money/kg].
    months : float or array
        Months waited; may be part of a month.
    monthly_interest : float
        Cost of money, fraction a month; 0 takes the limit k n of the annuity.
    monthly_loss : float
        Weight lost, fraction a month, 0 <= l < 1.
    monthly_cost : float
        Storage cost per kg at start, paid at month end [money/kg].

    Returns
    -------
    float or array
        Break-even price [money/kg].

    Raises
    ------
    InputError
        Loss outside 0-1, or interest not above -1.
    """
    if not 0 <= monthly_loss < 1:
        raise InputError("monthly loss {loss} must be at least 0 and below 1", loss=monthly_loss)
    periods = np.asarray(months, dtype=float)
    if np.any(periods < 0):
        raise InputError("{months} months cannot be", months=months)
    if np.any(np.asarray(price_now, dtype=float) < 0):
        raise InputError("a price must be above zero")
    capital = np.asarray(price_now, dtype=float) * growth(monthly_interest, periods)
    needed = capital + monthly_cost * annuity_growth(monthly_interest, periods)
    result = needed / (1 - monthly_loss) ** periods
    return float(result) if np.ndim(result) == 0 else result


@dataclass(frozen=True)
class WaitingCost:
    """What waiting takes of one kg at its start, in money of the day of sale.

    The parts add up to the rise that the price must make.

    Attributes
    ----------
    interest, storage, loss, total : float
        [money/kg].
    """

    interest: float
    storage: float
    loss: float
    total: float


def waiting_cost(
    price_now: float, months: float, monthly_interest: float, monthly_loss: float, monthly_cost: float = 0.0
) -> WaitingCost:
    """Split the rise of price that waiting needs into interest, storage and loss of weight.

    Parameters
    ----------
    price_now, months, monthly_interest, monthly_loss, monthly_cost
        As for `breakeven_price`.

    Returns
    -------
    WaitingCost
        Interest on the grain's worth; storage with its interest; the rest is what the kilograms that are left must
        make good.
    """
    needed = float(breakeven_price(price_now, months, monthly_interest, monthly_loss, monthly_cost))
    without_loss = float(breakeven_price(price_now, months, monthly_interest, 0.0, monthly_cost))
    interest = price_now * interest_on(monthly_interest, months)
    return WaitingCost(interest, without_loss - price_now - interest, needed - without_loss, needed - price_now)


def outlook_by_week(
    paths: Floats, monthly_interest: float, monthly_loss: float, monthly_cost: float, monthly_inflation: float
) -> pd.DataFrame:
    """Hold the price that pays for waiting against the prices that may come, week by week.

    Parameters
    ----------
    paths : ndarray, shape (count, weeks + 1)
        Possible prices; column 0 is today, one and the same for all [money/kg].
    monthly_interest, monthly_loss, monthly_cost
        As for `breakeven_price`.
    monthly_inflation : float
        General rise of prices, fraction a month.

    Returns
    -------
    DataFrame
        Indexed week 0..weeks: breakeven, low, median, high (1 in 10 below and above), median_today (in today's money)
        [money/kg], and chance (that the price pays for the wait).
    """
    weeks = np.arange(paths.shape[1])
    months = weeks / WEEKS_PER_MONTH
    needed = np.asarray(breakeven_price(float(paths[0, 0]), months, monthly_interest, monthly_loss, monthly_cost))
    low, median, high = np.quantile(paths, [0.1, 0.5, 0.9], axis=0)
    return pd.DataFrame(
        {
            "breakeven": needed,
            "low": low,
            "median": median,
            "high": high,
            "median_today": present_value(median, monthly_inflation, months),
            "chance": (paths > needed * (1 + 1e-12)).mean(axis=0),
        },
        index=pd.RangeIndex(len(weeks), name="week"),
    )


@dataclass(frozen=True)
class LoanOutcome:
    """A loan on stored grain against selling everything today, for one lot [money].

    Attributes
    ----------
    cash_now : float
        Paid out at the start, the fee taken off.
    owed, store_charges : float
        At the sale.
    left_low, left_median, left_high : float
        Left at the sale when the loan and the store are paid, 1 in 10 below, middle, 1 in 10 above.
    better_than_selling : float
        Middle of what it brings more than selling today, both brought to the day of sale at the group's cost of money.
    chance_worse : float
        That selling today would have been better.
    chance_owing : float
        That the grain does not even pay for the loan and the store.
    monthly_rate : float
        What the loan costs a month, its fee included, as a fraction.
    """

    cash_now: float
    owed: float
    store_charges: float
    left_low: float
    left_median: float
    left_high: float
    better_than_selling: float
    chance_worse: float
    chance_owing: float
    monthly_rate: float


def loan_outcome(
    credit: InventoryCredit,
    mass_kg: float,
    price_now: float,
    prices_then: Floats,
    months: float,
    monthly_interest: float,
    monthly_loss: float,
) -> LoanOutcome:
    """Hold a loan on stored grain against selling everything today.

    Parameters
    ----------
    mass_kg, price_now : float
        What is stored, and today's price [kg, money/kg].
    prices_then : ndarray, shape (count,)
        Possible prices at the sale [money/kg].
    months : float
        Until the sale.
    monthly_interest, monthly_loss : float
        The group's cost of money and the loss of weight, fractions a month.
    """
    left = np.array(
        [credit.net_at_sale(mass_kg, float(price), price_now, months, monthly_loss) for price in prices_then]
    )
    cash = credit.cash_now(mass_kg, price_now)
    more = left + (cash - mass_kg * price_now) * growth(monthly_interest, months)
    low, median, high = np.quantile(left, [0.1, 0.5, 0.9])
    return LoanOutcome(
        cash,
        credit.owed(mass_kg, price_now, months),
        credit.storage_fee_per_kg_month * mass_kg * months,
        float(low),
        float(median),
        float(high),
        float(np.median(more)),
        float(np.mean(more < 0)),
        float(np.mean(left < 0)),
        credit.rate(months),
    )


def forgone_rate(price_now: float, price_then: float, months: float, monthly_loss: float, monthly_cost: float) -> float:
    """Return what selling today costs a month against waiting, as the rate of a loan that would do the same, fraction.

    (P_n (1-l)^n - k n) / P_0 = (1 + x)^n; below zero where waiting would not have paid even without interest.
    """
    kept = price_then * (1 - monthly_loss) ** months - monthly_cost * months
    return rate_of(max(kept, 0.0) / price_now, months)


@dataclass(frozen=True)
class CashSource:
    """Where cash may come from now: its price as a fraction a month, and the most that it gives [money]."""

    name: str
    monthly_rate: float
    most: float


SELL_GRAIN = "selling grain now"
GRAIN_LOAN = "a loan on stored grain"
OTHER_LOAN = "another loan"


def cash_sources(
    credit: InventoryCredit,
    mass_kg: float,
    price_now: float,
    price_then: float,
    months: float,
    monthly_loss: float,
    monthly_cost: float,
    other_rate: float,
) -> list[CashSource]:
    """Return where cash may come from now: grain sold today, a loan on it, another loan.

    Parameters
    ----------
    mass_kg, price_now, price_then : float
        Grain in hand, today's price, and the price looked for at the sale [kg, money/kg].
    months : float
        Until then; a loan on grain that must be repaid earlier is left out.
    monthly_loss, monthly_cost : float
        Weight lost, fraction a month; storage [money/kg/month].
    other_rate : float
        Of another loan, fraction a month.

    Returns
    -------
    list of CashSource
        Grain that is pledged cannot be sold as well: what the loan gives is taken off the other where the loan is the
        cheaper one.
    """
    value = mass_kg * price_now
    selling = forgone_rate(price_now, price_then, months, monthly_loss, monthly_cost)
    found = [CashSource(OTHER_LOAN, other_rate, math.inf)]
    pledged = 0.0
    if months <= credit.longest_months and credit.loan_share > 0:
        rate = credit.rate(months)
        cash = credit.cash_now(mass_kg, price_now)
        if rate <= selling:
            found.append(CashSource(GRAIN_LOAN, rate, cash))
            pledged = value * credit.loan_share
        # Where selling is cheaper all grain may be sold, and nothing is left to pledge.
    found.append(CashSource(SELL_GRAIN, max(selling, 0.0), value - pledged))
    return sorted(found, key=lambda source: source.monthly_rate)


def cash_plan(sources: list[CashSource], needed: float) -> tuple[list[tuple[CashSource, float]], float]:
    """Return from which sources cash is taken, the cheapest first, and what the last unit costs a month.

    Parameters
    ----------
    needed : float
        Cash needed now [money].

    Returns
    -------
    list of (source, amount), float
        Rate of the dearest source that must be used; 0 where nothing is needed, infinity where all together do not
        reach.
    """
    used: list[tuple[CashSource, float]] = []
    left = needed
    for source in sorted(sources, key=lambda item: item.monthly_rate):
        amount = min(left, source.most)
        if amount > 1e-9:
            used.append((source, amount))
            left -= amount
    if left > 1e-9:
        return used, math.inf
    return used, used[-1][0].monthly_rate if used else 0.0
