"""What waiting costs: interest, storage, loss and the price that pays for them."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from core.errors import InputError

MONTHS_PER_WEEK = 7 / (365.25 / 12)


def breakeven_price(
    price_now: ArrayLike,
    months: ArrayLike,
    monthly_interest: float,
    monthly_loss: float,
    monthly_cost: float = 0.0,
    one_off_cost: float = 0.0,
    quality_discount: float = 0.0,
) -> NDArray[np.float64] | float:
    """Return the price that must be reached for waiting to earn as much as selling now.

    P_n = [P_0 (1+r)^n + k ((1+r)^n - 1)/r + F] / ((1-l)^n (1-q)), the competitive-storage condition of
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
    one_off_cost : float
        Costs once, valued at the sale [money/kg at start].
    quality_discount : float
        Fraction of the price lost by quality, 0 <= q < 1.

    Returns
    -------
    float or array
        Break-even price [money/kg].

    Raises
    ------
    InputError
        Loss or discount outside 0-1, or interest not above -1.
    """
    if not 0 <= monthly_loss < 1 or not 0 <= quality_discount < 1:
        raise InputError(
            "monthly loss {loss} and quality discount {discount} must be at least 0 and below 1",
            loss=monthly_loss,
            discount=quality_discount,
        )
    if monthly_interest <= -1:
        raise InputError("interest of {interest} a month must be above -1", interest=monthly_interest)
    periods = np.asarray(months, dtype=float)
    growth = (1 + monthly_interest) ** periods
    # expm1 keeps the annuity exact where the interest is next to nothing.
    annuity = periods if monthly_interest == 0 else np.expm1(periods * np.log1p(monthly_interest)) / monthly_interest
    needed = np.asarray(price_now, dtype=float) * growth + monthly_cost * annuity + one_off_cost
    result = needed / ((1 - monthly_loss) ** periods * (1 - quality_discount))
    return float(result) if np.ndim(result) == 0 else result
