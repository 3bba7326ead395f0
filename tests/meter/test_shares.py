"""Sharing rules against published games, an independent library, and the axioms that define them."""

from __future__ import annotations

from decimal import Decimal
from decimal import Decimal as D
from fractions import Fraction
from itertools import combinations, permutations

import coopgt.shapley_value
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from core.errors import InputError
from core.meter.games import all_groups, largest_complaint
from core.meter.large_games import sampled_shapley_by_ways, ways_of
from core.meter.shares import (
    RULE_KEYS,
    MemberNeed,
    RunningCosts,
    airport_shares,
    group_cost,
    meter_season_cost,
    nucleolus,
    own_meter_season_cost,
    shapley_values,
    share_cost,
    stand_alone,
    together,
    two_part,
)


def largest_need(costs: dict[str, float]) -> dict[frozenset[str], float]:
    """Return the game in which a group costs as much as its costliest member."""
    return all_groups(list(costs), lambda group: max(costs[name] for name in group))


RUNWAY = {"a": 8, "b": 11, "c": 13, "d": 18}
TAXI = {"a": 6, "b": 12, "c": 42}


def test_runway_of_the_encyclopaedia() -> None:
    """Published airport problem: runway costs 8, 11, 13, 18 are shared 2, 3, 4, 9."""
    assert shapley_values(largest_need(RUNWAY)) == pytest.approx({"a": 2, "b": 3, "c": 4, "d": 9})
    assert airport_shares(RUNWAY) == pytest.approx({"a": 2, "b": 3, "c": 4, "d": 9})


def test_shared_taxi_of_the_coopgt_documentation() -> None:
    """Published: rides of 6, 12, 42 are shared 2, 5, 35."""
    assert shapley_values(largest_need(TAXI)) == pytest.approx({"a": 2, "b": 5, "c": 35})


def test_one_left_glove_two_right() -> None:
    """Published glove game: worth 1 for a pair; 2/3 to the left glove, 1/6 to each right one."""
    worth = all_groups(["l", "r", "s"], lambda group: 1 if "l" in group and len(group) > 1 else 0)
    assert shapley_values(worth) == pytest.approx({"l": 2 / 3, "r": 1 / 6, "s": 1 / 6})


GAMES = st.integers(2, 6).flatmap(
    lambda count: st.lists(st.integers(0, 1000), min_size=2**count - 1, max_size=2**count - 1)
)


def game_of(values: list[int]) -> dict[frozenset[str], float]:
    count = (len(values) + 1).bit_length() - 1
    names = "abcdef"[:count]
    groups = [frozenset(group) for size in range(1, count + 1) for group in combinations(names, size)]
    return dict(zip(groups, map(float, values), strict=True))


@given(GAMES)
def test_agrees_with_coopgt(values: list[int]) -> None:
    """The library walks all orders; ours sums over groups."""
    game = game_of(values)
    names = sorted(set().union(*game))
    theirs = coopgt.shapley_value.calculate(
        {(): 0, **{tuple(sorted(names.index(name) + 1 for name in group)): cost for group, cost in game.items()}}
    )
    assert list(shapley_values(game).values()) == pytest.approx(list(theirs))


@given(GAMES, GAMES)
def test_axioms_of_the_shapley_value(values: list[int], others: list[int]) -> None:
    """Efficiency, additivity, symmetry and the null member (Shapley 1953)."""
    game = game_of(values)
    everyone = frozenset().union(*game)
    shares = shapley_values(game)
    assert sum(shares.values()) == pytest.approx(game[everyone])
    if len(others) == len(values):
        other = game_of(others)
        both = {group: cost + other[group] for group, cost in game.items()}
        assert shapley_values(both) == pytest.approx(
            {name: share + shapley_values(other)[name] for name, share in shares.items()}
        )
    with_null = game | {group | {"zz"}: cost for group, cost in game.items()} | {frozenset({"zz"}): 0}
    assert shapley_values(with_null) == pytest.approx(shares | {"zz": 0})
    by_size = all_groups(sorted(everyone), lambda group: values[len(group) - 1])
    assert len({round(share, 9) for share in shapley_values(by_size).values()}) == 1


@given(st.lists(st.integers(0, 500), min_size=1, max_size=9))
def test_closed_form_equals_the_listed_game(costs: list[int]) -> None:
    named = {f"m{place}": cost for place, cost in enumerate(costs)}
    assert airport_shares(named) == pytest.approx(shapley_values(largest_need(named)))
    assert sum(airport_shares(named).values()) == pytest.approx(max(costs))


def test_twelve_members_are_exact() -> None:
    costs = {f"m{place:02d}": 7 * place + 3 for place in range(12)}
    assert shapley_values(largest_need(costs)) == pytest.approx(airport_shares(costs))


def test_sampled_shares_hold_the_exact_ones() -> None:
    """The stated error must cover all members of a 9-member game in nearly all of 20 seeds (95 % promised)."""
    costs = {f"m{place}": float(place * place + 1) for place in range(9)}
    exact = airport_shares(costs)
    # whoever needs more than a way gives pays far too much for it: a group costs what its costliest member does
    ways = [(cost, [0.0 if need <= cost else 1e6 for need in costs.values()]) for cost in costs.values()]
    game = ways_of(list(costs), ways, max(costs.values()))
    covered = 0
    for seed in range(20):
        sampled = sampled_shapley_by_ways(game, seed, orders=400)
        assert sum(sampled.shares.values()) == pytest.approx(max(costs.values()))
        covered += all(abs(sampled.shares[name] - exact[name]) <= sampled.error[name] for name in costs)
    assert covered >= 17  # chance of fewer, at 95 % each: 1.6 % (binomial)


def test_a_missing_group_is_said() -> None:
    game = largest_need(TAXI)
    del game[frozenset({"a", "c"})]
    for rule in (shapley_values, nucleolus):
        with pytest.raises(InputError, match="a, c is missing"):
            rule(game)
    with pytest.raises(InputError, match="empty group"):
        shapley_values({frozenset(): 1, frozenset({"a"}): 2})
    with pytest.raises(InputError, match="not a number"):
        shapley_values({frozenset({"a"}): float("nan")})
    assert shapley_values({frozenset({"a"}): 5}) == {"a": 5}
    assert shapley_values({}) == nucleolus({}) == {}


def airport_nucleolus(costs: dict[str, float]) -> dict[str, Fraction]:
    """Return the nucleolus of a runway game by its recursion (Littlechild 1974), independent of any programme."""
    left = sorted(((Fraction(cost), name) for name, cost in costs.items()))
    shares: dict[str, Fraction] = {}
    while left:
        if len(left) == 1:
            shares[left[0][1]] = left[0][0]
            break
        options = [(left[place][0] / (place + 2), place) for place in range(len(left) - 1)]
        charge = min(option for option, _ in options)
        last = max(place for option, place in options if option == charge)
        for place in range(last + 1):
            shares[left[place][1]] = charge
        left = [(cost - charge * (last + 1), name) for cost, name in left[last + 1 :]]
    return shares


def test_runway_nucleolus() -> None:
    """By hand for 8, 11, 13, 18: 13/4 = 3.25 is the least of 8/2, 11/3, 13/4; the last pays 8.25."""
    assert nucleolus(largest_need(RUNWAY)) == pytest.approx({"a": 3.25, "b": 3.25, "c": 3.25, "d": 8.25})


@given(st.lists(st.integers(1, 300), min_size=2, max_size=6))
def test_nucleolus_agrees_with_the_recursion(costs: list[int]) -> None:
    named = {f"m{place}": cost for place, cost in enumerate(costs)}
    expected = {name: float(share) for name, share in airport_nucleolus(named).items()}
    assert nucleolus(largest_need(named)) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(
    ("estate", "expected"), [(100, (100 / 3, 100 / 3, 100 / 3)), (200, (50, 75, 75)), (300, (50, 100, 150))]
)
def test_the_three_widows(estate: int, expected: tuple[float, ...]) -> None:
    """Bankruptcy problem with claims 100, 200, 300 (Aumann & Maschler 1985): the Talmud's three divisions."""
    claims = {"a": 100, "b": 200, "c": 300}

    def worth(group: frozenset[str]) -> float:
        return max(estate - sum(claim for name, claim in claims.items() if name not in group), 0)

    costs = {group: -worth(group) if group else 0 for group in all_groups("abc", worth)}
    shares = nucleolus(costs)
    assert [-shares[name] for name in "abc"] == pytest.approx(expected, abs=1e-7)


@settings(max_examples=15)
@given(GAMES, st.integers(0, 10_000))
def test_no_other_split_has_smaller_complaints(values: list[int], seed: int) -> None:
    """Lexicographic minimality against random splits of the same total among which nobody pays above his own cost."""
    game = game_of(values)
    everyone = sorted(frozenset().union(*game))
    full = frozenset(everyone)
    shares = nucleolus(game)
    assert sum(shares.values()) == pytest.approx(game[full])

    def complaints(split: dict[str, float]) -> list[float]:
        return sorted(
            (sum(split[name] for name in group) - cost for group, cost in game.items() if group != full), reverse=True
        )

    possible = sum(game[frozenset({name})] for name in everyone) >= game[full]
    best = complaints(shares)
    generator = np.random.default_rng(seed)
    for scale in (1e-2, 1.0, 100.0):
        for _ in range(10):
            move = generator.normal(0, scale, len(everyone))
            move -= move.mean()
            other = {name: shares[name] + step for name, step in zip(everyone, move, strict=True)}
            if possible and any(other[name] > game[frozenset({name})] for name in everyone):
                continue
            for ours, theirs in zip(best, complaints(other), strict=True):
                if ours < theirs - 1e-6:
                    break
                assert ours <= theirs + 1e-6


def need(member: str, tests: int, harvest: int = 1000, own: str = "30", loss: str = "25") -> MemberNeed:
    return MemberNeed(member, tests, tests, Decimal(harvest), Decimal(own), Decimal(loss))


NEEDS = st.lists(
    st.builds(
        MemberNeed,
        member=st.sampled_from([f"m{place}" for place in range(8)]),
        bags_tested=st.integers(0, 60),
        tests=st.integers(0, 100),
        harvest_kg=st.decimals(0, 9999, places=1),
        own_meter=st.decimals(0, 500, places=2),
        loss_without_testing=st.decimals(0, 500, places=2),
    ),
    min_size=1,
    max_size=5,
    unique_by=lambda each: each.member,
)
COSTS = st.builds(RunningCosts, per_test=st.decimals(0, 2, places=2), paid_test=st.none() | st.decimals(0, 5, places=2))


def test_what_a_member_would_do_alone() -> None:
    """By hand: 40 tests; meter 30 + 40 x 0.05 = 32; paid 40 x 0.5 = 20; loss 25."""
    costs = RunningCosts(Decimal("0.05"), Decimal("0.50"))
    alone = stand_alone(need("Amara", 40), costs)
    assert (alone.way, alone.cost) == ("paid tests", Decimal("20.00"))
    assert stand_alone(need("Amara", 60), costs).way == "no testing"
    assert stand_alone(need("Amara", 400, loss="500"), costs).way == "own meter"


@given(NEEDS, COSTS)
def test_a_group_of_one_is_the_member_alone_and_groups_never_cost_more_than_apart(needs, costs) -> None:
    for each in needs:
        assert group_cost([each], costs) == stand_alone(each, costs).cost
    assert group_cost(needs, costs) <= sum(stand_alone(each, costs).cost for each in needs)


@settings(max_examples=15)
@given(NEEDS, COSTS)
def test_group_cost_is_the_best_of_all_choices(needs, costs) -> None:
    """Full enumeration of who uses a common meter, independent of the sorted search."""
    best = None
    for users in range(2 ** len(needs)):
        inside = [each for place, each in enumerate(needs) if users >> place & 1]
        outside = [each for place, each in enumerate(needs) if not users >> place & 1]
        total = max((each.own_meter for each in inside), default=Decimal(0))
        total += sum(costs.per_test * each.tests for each in inside)
        for each in outside:
            ways = [each.loss_without_testing]
            if costs.paid_test is not None:
                ways.append(costs.paid_test * each.tests)
            total += min(ways)
        best = total if best is None else min(best, total)
    assert group_cost(needs, costs) == best


@settings(max_examples=20)
@given(NEEDS, COSTS, st.integers(0, 20_000), st.sampled_from([Decimal("0.01"), Decimal(1), Decimal(50)]))
def test_every_split_adds_up_exactly(needs, costs, coins: int, step: Decimal) -> None:
    amount = coins * step
    splits = share_cost(amount, needs, costs, step)
    assert [split.rule for split in splits] == list(RULE_KEYS)
    for split in splits:
        if split.unavailable:
            assert not split.shares
            continue
        assert sum(split.shares.values()) == amount
        assert all(share % step == 0 for share in split.shares.values())
        assert set(split.effects) == {each.member for each in needs}
        if split.rule == "shapley":
            assert min(split.shares.values()) >= -step  # nobody is paid for joining (costs never fall by a member)
        for name in split.overpaying:
            alone = stand_alone(next(each for each in needs if each.member == name), costs)
            assert split.shares[name] > alone.cost


def test_equal_parts_overcharge_the_light_users_of_the_taxi() -> None:
    """Published taxi: 42 / 3 = 14 each exceeds the 6 and 12 that two of them would pay alone."""
    needs = [MemberNeed(name, 1, 0, Decimal(1), Decimal(cost), Decimal(999)) for name, cost in TAXI.items()]
    by_rule = {split.rule: split for split in share_cost(Decimal(42), needs, RunningCosts())}
    assert by_rule["equal"].shares == {name: Decimal("14.00") for name in TAXI}
    assert by_rule["equal"].overpaying == ("a", "b")
    assert by_rule["shapley"].shares == {"a": Decimal("2.00"), "b": Decimal("5.00"), "c": Decimal("35.00")}
    assert by_rule["shapley"].overpaying == ()
    assert by_rule["shapley"].complaint is None
    assert by_rule["equal"].complaint is not None
    assert "a, b" in str(by_rule["equal"].complaint)


def test_two_part_tariff_recovers_the_cost() -> None:
    """By hand: 60 = fixed 40 / 2 each, and 100 tests at 0.20: 20 + 30 x 0.2 = 26 and 20 + 70 x 0.2 = 34."""
    shares = two_part(Decimal(60), [need("a", 30), need("b", 70)], Decimal("0.20"))
    assert shares == {"a": Decimal("26.00"), "b": Decimal("34.00")}
    # tests dearer than the whole bill: shared by tests
    assert two_part(Decimal(10), [need("a", 30), need("b", 70)], Decimal("0.20")) == {"a": 3, "b": 7}


def test_nobody_tested_leaves_that_rule_out() -> None:
    by_rule = {split.rule: split for split in share_cost(Decimal(10), [need("a", 0), need("b", 0)], RunningCosts())}
    assert "every weight is 0" in str(by_rule["bags"].unavailable)
    assert sum(by_rule["equal"].shares.values()) == 10


def test_more_than_twelve_members_are_sampled_with_their_error() -> None:
    needs = [need(f"m{place:02d}", 10 + place) for place in range(14)]
    by_rule = {split.rule: split for split in share_cost(Decimal(50), needs, RunningCosts(Decimal("0.05")), seed=3)}
    assert sum(by_rule["shapley"].shares.values()) == 50
    assert set(by_rule["shapley"].error) == {each.member for each in needs}
    assert sum(by_rule["nucleolus"].shares.values()) == 50
    assert not by_rule["nucleolus"].error


def test_own_meter_over_its_life() -> None:
    """By hand: 240 over 8 seasons is 30, with upkeep 6 it is 36."""
    assert own_meter_season_cost(Decimal(240), 8, Decimal(6)) == 36
    assert own_meter_season_cost(Decimal(240), 8, resale=Decimal(80)) == 20


def test_largest_complaint_by_hand() -> None:
    game = largest_need(TAXI)
    group, excess = largest_complaint(game, {"a": 14, "b": 14, "c": 14})
    assert (group, excess) == (frozenset({"a", "b"}), 16)  # 28 paid, 12 alone


def test_order_of_names_changes_nothing() -> None:
    splits = {
        tuple(sorted(shapley_values(largest_need({name: TAXI[name] for name in order})).items()))
        for order in permutations(TAXI)
    }
    assert len(splits) == 1


def test_who_needs_no_test_pays_nothing_by_what_he_saves() -> None:
    """The null member of Shapley's axioms: no tests and no loss add no cost, even where the bill beats the model."""
    needs = [need("a", 40), need("b", 60), MemberNeed("idle", 0, 0, Decimal(0), Decimal(30), Decimal(0))]
    by_rule = {split.rule: split for split in share_cost(Decimal(20), needs, RunningCosts(Decimal("0.05")))}
    assert by_rule["shapley"].shares["idle"] == 0
    assert by_rule["equal"].overpaying == ("idle",)


def test_together_against_each_alone_and_from_how_many_tests_it_pays() -> None:
    """By hand: a meter of 60 over 4 seasons and 5 upkeep is 20 a season; a test wears 0.1.

    Three members with 20 tests and a loss of 12 each: alone min(20 + 2, 12) = 12, together 36 against 20 + 6 = 26. With
    k times as much, 36 k = 20 + 6 k at k = 2/3: 40 tests. With a fee of 0.3 a test alone costs 6 each: 18 k = 20 + 6 k
    at k = 5/3, 100 tests. With a fee of 0.1, sharing never pays.
    """
    needs = [MemberNeed(str(n), 20, 20, D(1000), D(20), D(12)) for n in range(3)]
    season = meter_season_cost(D(60), 4, D(5), D("0.1"), 60)
    assert season == 26
    seen = together(season, needs, RunningCosts(D("0.1"), None))
    assert (seen.without, seen.with_meter, seen.saved, seen.tests, seen.pays_from) == (36, 26, 10, 60, 40)
    dearer = together(season, needs, RunningCosts(D("0.1"), D("0.3")))
    assert (dearer.without, dearer.saved, dearer.pays_from) == (18, -8, 100)
    assert together(season, needs, RunningCosts(D("0.1"), D("0.1"))).pays_from is None


def test_one_alone_gains_nothing_from_sharing_with_nobody() -> None:
    """By hand: own meter 20, loss 30, 10 tests: from k = 2/3 on (20 of loss) the meter is as good as none: 7 tests."""
    seen = together(D(20), [MemberNeed("1", 10, 10, D(1), D(20), D(30))], RunningCosts(D(0), None))
    assert (seen.without, seen.saved, seen.pays_from) == (20, 0, 7)
