"""The least-complaint split of large groups: against the listed one, a runway's recursion, and what must hold
for any.
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.errors import InputError
from core.meter.games import all_groups, largest_complaint, nucleolus, shapley_values
from core.meter.large_games import (
    WaysGame,
    largest_complaint_by_ways,
    nucleolus_by_ways,
    sampled_shapley_by_ways,
    ways_of,
)
from core.meter.shares import MemberNeed, RunningCosts, group_cost, season_ways, share_cost
from tests.meter.test_shares import airport_nucleolus


def drawn_needs(count: int, seed: int) -> list[MemberNeed]:
    generator = np.random.default_rng(seed)
    return [
        MemberNeed(
            f"m{place:02d}",
            int(generator.integers(0, 30)),
            int(generator.integers(0, 60)),
            Decimal(int(generator.integers(100, 3000))),
            Decimal(int(generator.choice([40, 60, 90]))),
            Decimal(int(generator.integers(1, 120))),
        )
        for place in range(count)
    ]


@given(st.integers(2, 7), st.integers(0, 500), st.integers(30, 200), st.sampled_from([None, "0.5", "2"]))
def test_the_same_split_as_with_every_group_listed(count: int, seed: int, amount: int, fee: str | None) -> None:
    """The programmes over all 2^n groups are the reference (they are checked against published examples themselves)."""
    needs = drawn_needs(count, seed)
    costs = RunningCosts(Decimal("0.1"), None if fee is None else Decimal(fee))
    by_name = {need.member: need for need in needs}
    table = all_groups(
        list(by_name), lambda group: min(group_cost([by_name[n] for n in sorted(group)], costs), Decimal(amount))
    )
    table[frozenset(by_name)] = Decimal(amount)
    game = season_ways(Decimal(amount), needs, costs)
    for group, cost in table.items():
        if group and len(group) < count:
            assert float(game.cost([name in group for name in game.names])) == pytest.approx(float(cost))
    shares = nucleolus_by_ways(game)
    assert shares == pytest.approx(nucleolus(table), abs=1e-5)
    _group, excess = largest_complaint_by_ways(game, shares)
    _listed, listed_excess = largest_complaint(table, {name: Fraction(share) for name, share in shares.items()})
    assert excess == pytest.approx(float(listed_excess), abs=1e-6)


def runway(costs: dict[str, float]) -> WaysGame:
    """Return nested needs: a runway of each length, on which those who need a longer one cannot land (they pay a
    fortune).
    """
    names, fortune = list(costs), 100.0 * max(costs.values())
    return ways_of(
        names,
        [
            (length, [0.0 if costs[name] <= length else fortune for name in names])
            for length in sorted(set(costs.values()))
        ],
        max(costs.values()),
    )


@pytest.mark.parametrize(("count", "seed"), [(5, 1), (14, 2), (30, 3), (60, 4)])
def test_runways_of_any_size_agree_with_the_recursion(count: int, seed: int) -> None:
    """Littlechild (1974), A simple expression for the nucleolus in a special case: the recursion, exact, written
    in another test.
    """
    generator = np.random.default_rng(seed)
    costs = {f"p{place:02d}": float(cost) for place, cost in enumerate(generator.integers(5, 200, count))}
    expected = {name: float(share) for name, share in airport_nucleolus(costs).items()}
    assert nucleolus_by_ways(runway(costs)) == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize("count", [13, 25, 40])
def test_no_other_split_of_a_large_group_has_a_smaller_largest_complaint(count: int) -> None:
    needs = drawn_needs(count, count)
    costs = RunningCosts(Decimal("0.05"), Decimal("0.5"))
    amount = Decimal(90)
    game = season_ways(amount, needs, costs)
    shares = nucleolus_by_ways(game)
    assert sum(shares.values()) == pytest.approx(90)
    _group, least = largest_complaint_by_ways(game, shares)
    generator = np.random.default_rng(1)
    for _ in range(60):
        moved = np.array(list(shares.values())) + generator.normal(0, 1, count) * generator.choice([0.01, 0.3, 2.0])
        moved += (90 - moved.sum()) / count
        assert largest_complaint_by_ways(game, dict(zip(game.names, moved, strict=True)))[1] >= least - 1e-6


def test_a_large_group_gets_every_rule_and_knows_who_would_leave() -> None:
    needs = drawn_needs(20, 3)
    splits = {
        split.rule: split for split in share_cost(Decimal(90), needs, RunningCosts(Decimal("0.05"), Decimal("0.5")))
    }
    assert splits["nucleolus"].unavailable is None
    for split in splits.values():
        assert sum(split.shares.values()) == 90
    assert splits["shapley"].error
    assert splits["nucleolus"].complaint is None or splits["equal"].complaint is not None


def test_twenty_members_with_nested_needs_have_exact_shares_by_the_closed_form() -> None:
    """Littlechild & Owen (1973): each step of cost shared by those who need it; equal members pay 100 / 20 each."""
    needs = [MemberNeed(f"m{n:02d}", 1, 0, Decimal(100), Decimal(100), Decimal(500)) for n in range(20)]
    shapley = next(split for split in share_cost(Decimal(100), needs, RunningCosts()) if split.rule == "shapley")
    assert set(shapley.shares.values()) == {Decimal(5)}
    assert not shapley.error


def test_sampled_shares_hold_the_exact_ones_within_their_bound() -> None:
    """Shapley (1953) over all orders of nine members.

    The bound is for all of them together in 95 of 100 draws: this seed is one.
    """
    needs = drawn_needs(9, 11)
    costs = RunningCosts(Decimal("0.05"), Decimal("0.5"))
    by_name = {need.member: need for need in needs}
    table = all_groups(
        list(by_name), lambda group: min(group_cost([by_name[n] for n in sorted(group)], costs), Decimal(90))
    )
    table[frozenset(by_name)] = Decimal(90)
    exact = shapley_values(table)
    sampled = sampled_shapley_by_ways(season_ways(Decimal(90), needs, costs), seed=2)
    assert sum(sampled.shares.values()) == pytest.approx(90)
    assert all(abs(sampled.shares[name] - float(exact[name])) <= sampled.error[name] + 1e-9 for name in exact)
    assert max(sampled.error.values()) < 0.5
    with pytest.raises(InputError):
        sampled_shapley_by_ways(season_ways(Decimal(90), needs, costs), seed=2, orders=2)


def test_games_that_cannot_be_are_refused() -> None:
    assert nucleolus_by_ways(ways_of(["a"], [(3.0, [1.0])], 4.0)) == {"a": 4.0}
    assert largest_complaint_by_ways(ways_of(["a"], [(3.0, [1.0])], 4.0), {"a": 4.0})[1] == 0
    with pytest.raises(InputError):
        WaysGame(("a", "b"), np.array([1.0]), np.array([[1.0]]), 2.0)
    with pytest.raises(InputError):
        WaysGame(("a",), np.array([np.nan]), np.array([[1.0]]), 2.0)
