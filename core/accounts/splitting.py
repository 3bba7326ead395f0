"""Splitting money so that the parts add up to the last coin."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from decimal import Decimal
from fractions import Fraction
from typing import TypeVar

from core.errors import InputError

MOST_DIGITS = 18
"""Powers of ten beyond which no amount of the trade lies; a number such as 1e999999 would fill the memory."""
Name = TypeVar("Name", bound=Hashable)


def as_decimal(amount: Decimal | float | str, what: str = "amount") -> Decimal:
    """Return an amount as a finite Decimal; a float is read as it is written, not as it is stored.

    Parameters
    ----------
    amount : Decimal, int, float or str
        Money.
    what : str
        Name of the amount for the error.

    Raises
    ------
    InputError
        Where it is not a number.
    """
    try:
        value = amount if isinstance(amount, Decimal) else Decimal(str(amount).strip())
    except ArithmeticError as error:
        raise InputError("{what} {amount} is not a number", what=what, amount=amount) from error
    if not value.is_finite():
        raise InputError("{what} {amount} is not a number", what=what, amount=amount)
    if value and not -MOST_DIGITS <= value.adjusted() <= MOST_DIGITS:
        raise InputError("{what} {amount} is too large or too small", what=what, amount=str(amount)[:40])
    return value


def split_exactly(
    amount: Decimal | int | float | str,
    weights: Mapping[Name, Decimal | int | float | Fraction],
    step: Decimal | int | str = Decimal("0.01"),
) -> dict[Name, Decimal]:
    """Split an amount in proportion to weights, in whole coins that add up to it exactly.

    Parameters
    ----------
    amount : Decimal
        Money to split, a multiple of ``step``; may be negative (a refund).
    weights : Mapping
        Weight by name, each 0 or more, at least one above 0.
    step : Decimal
        Smallest coin in use, money.

    Returns
    -------
    dict of name to Decimal
        In the order of ``weights``; each within one coin of its exact part; a weight of 0 gets 0.

    Raises
    ------
    InputError
        Where there is nobody, a weight is negative or not a number, all weights are 0, or the amount is no whole
        number of coins.

    Notes
    -----
    Largest remainder: everyone gets his quota rounded down, and the coins left over go one each to the largest
    remainders; among equal remainders the name first in the alphabet, so that neither the order of the list nor a
    second run changes anybody's part. A negative amount is split as the positive one. Source: method of Hamilton
    (Balinski & Young, 2001, Fair Representation).
    """
    total, coin = as_decimal(amount), as_decimal(step, "step")
    if coin <= 0:
        raise InputError("the smallest coin must be above 0, not {step}", step=step)
    if not isinstance(weights, Mapping) or not weights:
        raise InputError("there is no member to share {amount} among", amount=total)
    exact = {name: _weight(name, weight) for name, weight in weights.items()}
    whole = sum(exact.values(), Fraction(0))
    if whole == 0:
        raise InputError("{amount} cannot be shared: every weight is 0", amount=total)
    coins = Fraction(abs(total)) / Fraction(coin)
    if coins.denominator != 1:
        raise InputError("{amount} is not a whole number of coins of {step}", amount=total, step=coin)

    sign = -1 if total < 0 else 1
    quotas = {name: coins * weight / whole for name, weight in exact.items()}
    return {name: sign * count * coin for name, count in _whole_coins(quotas, int(coins)).items()}


def round_shares(
    shares: Mapping[Name, Fraction | float], amount: Decimal | int | str, step: Decimal | int | str = Decimal("0.01")
) -> dict[Name, Decimal]:
    """Round shares that a rule has already worked out to whole coins that add up to an amount exactly.

    Parameters
    ----------
    shares : Mapping
        Money by name, unrounded; may be negative; together the amount but for rounding.
    amount : Decimal
        What they must add up to, a multiple of ``step``.
    step : Decimal
        Smallest coin in use, money.

    Returns
    -------
    dict of name to Decimal
        In the order of ``shares``.

    Raises
    ------
    InputError
        Where there is nobody, or the shares are further from the amount than one coin each.
    """
    total, coin = as_decimal(amount), as_decimal(step, "step")
    if coin <= 0:
        raise InputError("the smallest coin must be above 0, not {step}", step=step)
    coins = Fraction(total) / Fraction(coin)
    if coins.denominator != 1:
        raise InputError("{amount} is not a whole number of coins of {step}", amount=total, step=coin)
    quotas = {name: Fraction(share) / Fraction(coin) for name, share in shares.items()}
    if not quotas or abs(sum(quotas.values(), Fraction(0)) - coins) >= len(quotas):
        raise InputError("the shares do not add up to {amount}", amount=total)
    return {name: count * coin for name, count in _whole_coins(quotas, int(coins)).items()}


def _whole_coins(quotas: Mapping[Name, Fraction], coins: int) -> dict[Name, int]:
    """Return whole coins for unrounded ones: the largest remainders are rounded up, ties by name."""
    parts = {name: math.floor(quota) for name, quota in quotas.items()}
    left_over = coins - sum(parts.values())
    in_turn = sorted(quotas, key=lambda name: (parts[name] - quotas[name], str(name)))
    if left_over < 0:  # only where unrounded shares exceed the amount by a trifle: take it from the smallest remainders
        for name in in_turn[left_over:]:
            parts[name] -= 1
    for name in in_turn[: max(left_over, 0)]:
        parts[name] += 1
    return parts


def _weight(name: Hashable, weight: Decimal | float | Fraction) -> Fraction:
    try:
        value = Fraction(weight)
    except (TypeError, ValueError, OverflowError) as error:
        raise InputError("the weight of {name} is not a number: {weight}", name=name, weight=weight) from error
    if value < 0:
        raise InputError("the weight of {name} is below 0: {weight}", name=name, weight=weight)
    return value
