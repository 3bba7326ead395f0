"""Who pays what for the shared meter: several rules side by side, each explained, each adding up exactly."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from fractions import Fraction

from core.accounts.splitting import round_shares, split_exactly
from core.errors import InputError
from core.messages import Message, message
from core.meter.games import (
    EXACT_MEMBERS,
    Money,
    airport_fractions,
    airport_shares,
    all_groups,
    largest_complaint,
    nucleolus,
    shapley_fractions,
    shapley_values,
)
from core.meter.large_games import (
    WaysGame,
    largest_complaint_by_ways,
    nucleolus_by_ways,
    sampled_shapley_by_ways,
    ways_of,
)

__all__ = [
    "MemberNeed",
    "RunningCosts",
    "Split",
    "StandAlone",
    "airport_shares",
    "group_cost",
    "nucleolus",
    "own_meter_season_cost",
    "shapley_values",
    "share_cost",
    "stand_alone",
]

ZERO = Decimal(0)
OWN_METER, PAID_TESTS, NO_TESTING = "own meter", "paid tests", "no testing"
RULE_KEYS = ("equal", "bags", "harvest", "two_part", "shapley", "nucleolus")


@dataclass(frozen=True)
class MemberNeed:
    """What one member needs of a meter in a season.

    Parameters
    ----------
    bags_tested : int
        Bags that the member has tested or expects to have tested.
    tests : int
        Tests, that is probings of one bag; often the bags times the times they are tested.
    own_meter : Decimal
        What an own meter that does for this member would cost a season, money.
    loss_without_testing : Decimal
        What the member expects to lose a season by judging without a meter, money.
    """

    member: str
    bags_tested: int
    tests: int
    harvest_kg: Decimal
    own_meter: Decimal
    loss_without_testing: Decimal

    def __post_init__(self) -> None:
        """Refuse what is below 0."""
        for value in (self.bags_tested, self.tests, self.harvest_kg, self.own_meter, self.loss_without_testing):
            if value < 0:
                raise InputError("what {member} needs cannot be below 0: {value}", member=self.member, value=value)


@dataclass(frozen=True)
class RunningCosts:
    """What testing costs beside the meter itself.

    Parameters
    ----------
    per_test : Decimal
        Batteries, carrying and wear for one test with the own or shared meter, money.
    paid_test : Decimal or None
        Fee for one test by somebody else; None where nobody offers it.
    """

    per_test: Decimal = ZERO
    paid_test: Decimal | None = None

    def __post_init__(self) -> None:
        """Refuse what is below 0."""
        for value in (self.per_test, self.paid_test or ZERO):
            if value < 0:
                raise InputError("the cost of a test cannot be below 0: {value}", value=value)


@dataclass(frozen=True)
class StandAlone:
    """What a member would do alone, and what that would cost him a season, money."""

    member: str
    cost: Decimal
    way: str
    explanation: Message


@dataclass(frozen=True)
class Split:
    """One rule's split of the cost.

    Parameters
    ----------
    rule : str
        One of `RULE_KEYS`.
    title : Message
        The rule's name.
    explanation : Message
        The rule in a sentence.
    shares : dict of member to Decimal
        Adding up exactly to the amount; empty where the rule cannot be applied.
    effects : dict of member to Message
        What the rule means for each member.
    overpaying : tuple of str
        Members who would pay less alone.
    complaint : Message or None
        The group that would do better on its own, if there is one.
    error : dict of member to float
        How far a sampled share may be off, money; empty where it is exact.
    unavailable : Message or None
        Why the rule cannot be applied.
    method : Message or None
        How the split was worked out, where there is more than one way.
    """

    rule: str
    title: Message
    explanation: Message
    shares: dict[str, Decimal] = field(default_factory=dict)
    effects: dict[str, Message] = field(default_factory=dict)
    overpaying: tuple[str, ...] = ()
    complaint: Message | None = None
    error: dict[str, float] = field(default_factory=dict)
    unavailable: Message | None = None
    method: Message | None = None


def own_meter_season_cost(
    price: Decimal, seasons: int, yearly_upkeep: Decimal = ZERO, resale: Decimal = ZERO
) -> Decimal:
    """Return what owning a meter costs a season: its price less resale spread over its life, and upkeep.

    Parameters
    ----------
    price : Decimal
        Price now, money.
    seasons : int
        Seasons that it lasts.
    yearly_upkeep : Decimal
        Batteries and calibration check per season, money.
    resale : Decimal
        What it fetches at the end, money.

    Returns
    -------
    Decimal
        Money per season, unrounded.
    """
    return max(price - resale, ZERO) / seasons + yearly_upkeep


def meter_season_cost(
    price: Decimal, seasons: int, yearly_upkeep: Decimal, per_test: Decimal, tests: int, resale: Decimal = ZERO
) -> Decimal:
    """Return what the shared meter costs a season: as an own one (price over its life, upkeep), and its tests.

    Parameters
    ----------
    price, seasons, yearly_upkeep, resale
        As `own_meter_season_cost`.
    per_test : Decimal
        Batteries, carrying and wear of a test, money.
    tests : int
        Tests of all members in the season.

    Returns
    -------
    Decimal
        Money per season, unrounded.
    """
    return own_meter_season_cost(price, seasons, yearly_upkeep, resale) + per_test * tests


@dataclass(frozen=True)
class Together:
    """What all members spend in a season; money.

    Parameters
    ----------
    without : Decimal
        Each one alone, the cheapest way: an own meter, paid tests, or the loss expected without testing.
    with_meter : Decimal
        Sharing one meter.
    pays_from : int or None
        Number of tests from which sharing costs no more, harvests and tests growing alike; None where it never does.
    """

    without: Decimal
    with_meter: Decimal
    tests: int
    pays_from: int | None

    @property
    def saved(self) -> Decimal:
        """Return what sharing saves a season; below 0 it costs that much more."""
        return self.without - self.with_meter


def together(amount: Decimal, needs: Sequence[MemberNeed], costs: RunningCosts) -> Together:
    """Return what sharing the meter costs all members beside what they would spend each alone.

    Parameters
    ----------
    amount : Decimal
        What the season's testing with the shared meter costs together, its tests included, money.
    costs : RunningCosts
        Cost of tests.

    Notes
    -----
    Let k be how many times as much is harvested and tested. Alone a member spends ``min(M + c t k, f t k, L k)``,
    together they spend ``F + c T k`` (M own meter, c wear of a test, f fee, L loss, t and T tests, F what does not
    depend on tests). The difference is concave in k and not above 0 at k = 0, so that its first zero lies on the first
    stretch between the kinks that ends above 0. The test count there is ``T k``, rounded up.
    """
    tests = sum(need.tests for need in needs)
    without = sum((stand_alone(need, costs).cost for need in needs), ZERO)
    fixed = max(amount - costs.per_test * tests, ZERO)

    def gain(times: Decimal) -> Decimal:
        alone = ZERO
        for need in needs:
            ways = [need.own_meter + costs.per_test * need.tests * times, need.loss_without_testing * times]
            ways += [costs.paid_test * need.tests * times] if costs.paid_test is not None else []
            alone += min(ways)
        return alone - fixed - costs.per_test * tests * times

    kinks = {ZERO}
    for need in needs:
        rates = [need.loss_without_testing - costs.per_test * need.tests]
        if costs.paid_test is not None:
            rates.append((costs.paid_test - costs.per_test) * need.tests)
        kinks |= {need.own_meter / rate for rate in rates if rate > 0}
    edges = sorted(kinks)
    edges.append(2 * edges[-1] + 1)
    start = edges[0]
    for end in edges[1:]:
        low, high = gain(start), gain(end)
        last = end == edges[-1]
        if high >= 0 or (last and high > low):
            times = start if high == low else start - low * (end - start) / (high - low)
            return Together(without, amount, tests, math.ceil(round(times * tests, 6)))
        start = end
    return Together(without, amount, tests, None)


def stand_alone(need: MemberNeed, costs: RunningCosts) -> StandAlone:
    """Return the cheapest that a member can do alone.

    Parameters
    ----------
    costs : RunningCosts
        Cost of tests.

    Returns
    -------
    StandAlone
        An own meter, paid tests, or going without and bearing the expected loss; the first of these among equals.
    """
    ways = {OWN_METER: need.own_meter + costs.per_test * need.tests}
    if costs.paid_test is not None:
        ways[PAID_TESTS] = costs.paid_test * need.tests
    ways[NO_TESTING] = need.loss_without_testing
    way = min(ways, key=lambda each: ways[each])
    text = {
        OWN_METER: "{member} alone would do best with an own meter: {cost} a season",
        PAID_TESTS: "{member} alone would do best paying for tests: {cost} a season",
        NO_TESTING: "{member} alone would do best without testing, expecting to lose {cost} a season",
    }[way]
    return StandAlone(need.member, ways[way], way, message(text, member=need.member, cost=ways[way]))


def group_cost(needs: Sequence[MemberNeed], costs: RunningCosts) -> Decimal:
    """Return the least that some members together would spend a season without the others.

    Parameters
    ----------
    costs : RunningCosts
        Cost of tests.

    Returns
    -------
    Decimal
        Money: either no meter at all, or one meter good enough for those who use it, with everyone else choosing
        between paid tests and going without. For one member this is his stand-alone cost.
    """
    outside = [
        min(
            need.loss_without_testing,
            costs.paid_test * need.tests if costs.paid_test is not None else need.loss_without_testing,
        )
        for need in needs
    ]
    cheapest = sum(outside, ZERO)
    for meter in {need.own_meter for need in needs}:
        total = meter
        for need, without in zip(needs, outside, strict=True):
            total += min(without, costs.per_test * need.tests) if need.own_meter <= meter else without
        cheapest = min(cheapest, total)
    return cheapest


def share_cost(
    amount: Decimal, needs: Sequence[MemberNeed], costs: RunningCosts, step: Decimal = Decimal("0.01"), seed: int = 0
) -> tuple[Split, ...]:
    """Return the split of a season's cost by every rule.

    Parameters
    ----------
    amount : Decimal
        What the season's testing with the shared meter costs together, money, 0 or more.
    needs : sequence of MemberNeed
        All members who share, each named once.
    costs : RunningCosts
        Cost of tests.
    step : Decimal
        Smallest coin, money.
    seed : int
        For the sampled shares of more than 12 members.

    Raises
    ------
    InputError
        Where nobody shares, a member is named twice, or the amount is below 0.
    """
    names = [need.member for need in needs]
    if not names or len(set(names)) != len(names):
        raise InputError("a cost is shared among at least one member, each named once")
    if amount < 0:
        raise InputError("the cost to share must be 0 or more, not {amount}", amount=amount)
    alone = {need.member: stand_alone(need, costs) for need in needs}
    game = _season_game(amount, needs, costs) if len(names) <= EXACT_MEMBERS else None
    ways = season_ways(amount, needs, costs)
    makers: dict[str, Callable[[], tuple[dict[str, Decimal], dict[str, float]]]] = {
        "equal": lambda: (split_exactly(amount, dict.fromkeys(names, 1), step), {}),
        "bags": lambda: (split_exactly(amount, {need.member: need.bags_tested for need in needs}, step), {}),
        "harvest": lambda: (split_exactly(amount, {need.member: need.harvest_kg for need in needs}, step), {}),
        "two_part": lambda: (two_part(amount, needs, costs.per_test, step), {}),
        "shapley": lambda: _by_savings(amount, needs, costs, game, ways, step, seed),
        "nucleolus": lambda: _least_complaint(amount, game, ways, step),
    }
    splits: list[Split] = []
    for rule in RULE_KEYS:
        title, explanation = RULE_TEXT[rule]
        try:
            shares, error = makers[rule]()
        except InputError as problem:
            splits.append(Split(rule, Message(title), Message(explanation), unavailable=problem.message))
            continue
        split = _explained(rule, shares, error, alone, game, ways, step)
        splits.append(replace(split, method=_method(rule, len(names), bool(error))))
    return tuple(splits)


def _method(rule: str, members: int, sampled: bool) -> Message | None:
    if rule == "shapley":
        text = "Exact, over all orders or by the closed form of nested needs"
        return message("Estimated from 4,000 random orders" if sampled else text)
    if rule == "nucleolus":
        if members <= EXACT_MEMBERS:
            return message("Exact, by linear programmes over every part of the group")
        return message("Exact, by linear programmes; parts of the group are added one by one as needed")
    return None


def two_part(
    amount: Decimal, needs: Sequence[MemberNeed], per_test: Decimal, step: Decimal = Decimal("0.01")
) -> dict[str, Decimal]:
    """Return shares of a fixed part, the same for all, and a part for each test.

    Parameters
    ----------
    amount : Decimal
        Cost to share, money.
    per_test : Decimal
        What each test costs in batteries, carrying and wear, money.
    step : Decimal
        Smallest coin.

    Returns
    -------
    dict of member to Decimal
        Together exactly ``amount``; where the tests alone would cost more than that, it is shared by tests.
    """
    tests = {need.member: need.tests for need in needs}
    for_tests = min(per_test * sum(tests.values()), amount)
    exact = {
        name: Fraction(amount - for_tests) / len(tests)
        + (Fraction(for_tests) * count / sum(tests.values()) if for_tests else Fraction(0))
        for name, count in tests.items()
    }
    return round_shares(exact, amount, step)


RULE_TEXT: dict[str, tuple[str, str]] = {
    "equal": ("Equal parts", "Everyone pays the same, however much is tested."),
    "bags": ("By bags tested", "Each pays by the bags that were tested; who tests none pays nothing."),
    "harvest": ("By harvest", "Each pays by the harvest, whether it is tested or not."),
    "two_part": (
        "Fixed part and per test",
        "What the meter costs even when it lies idle is shared equally; what each test uses up is paid by the test.",
    ),
    "shapley": (
        "By what each saves",
        "Each pays according to how much sharing saves: who saves much by sharing pays more (Shapley value).",
    ),
    "nucleolus": (
        "Least complaint",
        "The largest gap between what any part of the group pays and what it would cost that part alone is made as "
        "small as "
        "possible, then the next largest (nucleolus).",
    ),
}


def _season_game(amount: Decimal, needs: Sequence[MemberNeed], costs: RunningCosts) -> dict[frozenset[str], Money]:
    by_name = {need.member: need for need in needs}
    # what serves all of them serves a part of them too, so no group needs to spend more than all together
    table = all_groups(
        list(by_name), lambda group: min(group_cost([by_name[name] for name in sorted(group)], costs), amount)
    )
    table[frozenset(by_name)] = amount  # all together pay what was really spent, not what a model says
    return table


def _by_savings(
    amount: Decimal,
    needs: Sequence[MemberNeed],
    costs: RunningCosts,
    game: Mapping[frozenset[str], Money] | None,
    ways: WaysGame,
    step: Decimal,
    seed: int,
) -> tuple[dict[str, Decimal], dict[str, float]]:
    if game is not None:
        return round_shares(_nested_or_listed(game), amount, step), {}
    if (nested := _nested(amount, needs, costs)) is not None:
        return round_shares(airport_fractions(nested), amount, step), {}
    sampled = sampled_shapley_by_ways(ways, seed)
    return round_shares(sampled.shares, amount, step), sampled.error


def _nested(amount: Decimal, needs: Sequence[MemberNeed], costs: RunningCosts) -> dict[str, Fraction] | None:
    """Return each one's cost where a group costs as much as its costliest member, None where that is not sure."""
    for need in needs:
        outside = need.loss_without_testing
        if costs.paid_test is not None:
            outside = min(outside, costs.paid_test * need.tests)
        # tests that cost nothing more, and nobody better off without a meter: then the best meter needed serves all
        if costs.per_test * need.tests or outside < need.own_meter:
            return None
    if amount > max(need.own_meter for need in needs):
        return None
    return {need.member: Fraction(min(need.own_meter, amount)) for need in needs}


def _nested_or_listed(game: Mapping[frozenset[str], Money]) -> dict[str, Fraction]:
    """Return exact shares, by the closed form where every group costs as much as its costliest member."""
    alone = {next(iter(group)): Fraction(cost) for group, cost in game.items() if len(group) == 1}
    if all(not group or Fraction(cost) == max(alone[name] for name in group) for group, cost in game.items()):
        return airport_fractions(alone)
    return shapley_fractions(game)


def season_ways(amount: Decimal, needs: Sequence[MemberNeed], costs: RunningCosts) -> WaysGame:
    """Return the season's game as the ways a group can take: no meter, one of each goodness, or what all pay.

    Parameters
    ----------
    amount : Decimal
        What all together pay, money.
    costs : RunningCosts
        Cost of tests.

    Returns
    -------
    WaysGame
        For every part of the group the same cost as `group_cost`, at most ``amount``.
    """
    outside = [
        min(need.loss_without_testing, costs.paid_test * need.tests)
        if costs.paid_test is not None
        else need.loss_without_testing
        for need in needs
    ]
    ways: list[tuple[float, list[float]]] = [
        (0.0, [float(part) for part in outside]),
        (float(amount), [0.0] * len(needs)),
    ]
    for meter in sorted({need.own_meter for need in needs}):
        parts = [
            min(without, costs.per_test * need.tests) if need.own_meter <= meter else without
            for need, without in zip(needs, outside, strict=True)
        ]
        ways.append((float(meter), [float(part) for part in parts]))
    return ways_of([need.member for need in needs], ways, float(amount))


def _least_complaint(
    amount: Decimal, game: Mapping[frozenset[str], Money] | None, ways: WaysGame, step: Decimal
) -> tuple[dict[str, Decimal], dict[str, float]]:
    shares = nucleolus_by_ways(ways) if game is None else nucleolus(game)
    # the programme's own rounding noise must not decide who gets a left-over coin
    quiet = {name: Fraction(round(share / float(step), 4)) * Fraction(step) for name, share in shares.items()}
    return round_shares(quiet, amount, step), {}


def _explained(
    rule: str,
    shares: dict[str, Decimal],
    error: dict[str, float],
    alone: Mapping[str, StandAlone],
    game: Mapping[frozenset[str], Money] | None,
    ways: WaysGame,
    step: Decimal,
) -> Split:
    title, explanation = RULE_TEXT[rule]
    effects: dict[str, Message] = {}
    overpaying: list[str] = []
    for name, share in shares.items():
        difference = alone[name].cost - share
        # being one rounded coin above is the coin's fault, not the rule's
        if difference <= -step:
            overpaying.append(name)
            effects[name] = message(
                "pays {share}, that is {more} more than alone ({way})",
                share=share,
                more=-difference,
                way=alone[name].way,
            )
        else:
            effects[name] = message(
                "pays {share}, that is {less} less than alone ({way})",
                share=share,
                less=max(difference, ZERO),
                way=alone[name].way,
            )
    complaint = None
    if len(shares) > 1:
        if game is not None:
            group, excess = largest_complaint(game, shares)
        else:
            group, found = largest_complaint_by_ways(ways, {name: float(share) for name, share in shares.items()})
            excess = Fraction(round(found / float(step), 4)) * Fraction(step)
        if excess >= Fraction(step) * len(group):
            complaint = message(
                "{members} together would save {excess} without the others",
                members=", ".join(sorted(group)),
                excess=(Decimal(excess.numerator) / Decimal(excess.denominator)).quantize(step),
            )
    return Split(rule, Message(title), Message(explanation), shares, effects, tuple(overpaying), complaint, error)
