"""Exact splits: published apportionment, and properties that must hold for any split."""

from __future__ import annotations

import math
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.accounts.splitting import split_exactly
from core.errors import InputError

WEIGHTS = st.dictionaries(
    st.text("abcdefghij", min_size=1, max_size=3),
    st.one_of(st.integers(0, 10_000), st.decimals(0, 1000, places=3), st.floats(0, 1e6)),
    min_size=1,
    max_size=12,
).filter(lambda weights: any(weight > 0 for weight in weights.values()))
STEPS = st.sampled_from([Decimal("0.01"), Decimal("0.05"), Decimal(1), Decimal(5), Decimal(50)])


def test_largest_remainder_gives_the_published_seats() -> None:
    """Worked example of the largest-remainder method: 42 seats, published 6, 5, 11, 10, 10."""
    votes = {"a": 247_000, "b": 185_000, "c": 459_000, "d": 400_000, "e": 413_000}
    assert list(split_exactly(42, votes, step=1).values()) == [6, 5, 11, 10, 10]


def test_ten_among_three_leaves_one_coin_for_the_first_name() -> None:
    """By hand: 10.00 / 3 = 3.33 rest 0.01."""
    assert split_exactly(Decimal("10.00"), {"c": 1, "b": 1, "a": 1}) == {
        "c": Decimal("3.33"),
        "b": Decimal("3.33"),
        "a": Decimal("3.34"),
    }


@given(st.integers(-100_000, 100_000), WEIGHTS, STEPS)
def test_parts_add_up_and_stay_within_a_coin_of_the_quota(coins: int, weights: dict, step: Decimal) -> None:
    amount = coins * step
    parts = split_exactly(amount, weights, step)
    assert sum(parts.values()) == amount
    assert list(parts) == list(weights)
    whole = sum(Fraction(weight) for weight in weights.values())
    for name, weight in weights.items():
        quota = abs(coins) * Fraction(weight) / whole
        assert abs(parts[name]) / step in {math.floor(quota), math.ceil(quota)}
        assert parts[name] == 0 or (parts[name] > 0) == (coins > 0)


@given(st.integers(0, 100_000), WEIGHTS, STEPS, st.randoms())
def test_the_order_of_the_list_changes_nothing(coins: int, weights: dict, step: Decimal, rng) -> None:
    names = list(weights)
    rng.shuffle(names)
    shuffled = {name: weights[name] for name in names}
    assert split_exactly(coins * step, shuffled, step) == split_exactly(coins * step, weights, step)


@given(st.integers(0, 100_000), WEIGHTS)
def test_a_refund_mirrors_a_charge(coins: int, weights: dict) -> None:
    amount = coins * Decimal("0.01")
    charge, refund = split_exactly(amount, weights), split_exactly(-amount, weights)
    assert refund == {name: -part for name, part in charge.items()}


@pytest.mark.parametrize(
    ("amount", "weights", "step", "said"),
    [
        (10, {}, "0.01", "no member"),
        (10, {"a": 0, "b": 0}, "0.01", "every weight is 0"),
        (10, {"a": -1, "b": 2}, "0.01", "below 0"),
        (10, {"a": float("nan")}, "0.01", "not a number"),
        (10, {"a": float("inf")}, "0.01", "not a number"),
        ("10.005", {"a": 1}, "0.01", "whole number of coins"),
        (10, {"a": 1}, 0, "above 0"),
        ("ten", {"a": 1}, 1, "not a number"),
    ],
)
def test_what_cannot_be_split_is_said(amount, weights, step, said) -> None:
    with pytest.raises(InputError, match=said):
        split_exactly(amount, weights, Decimal(step))
