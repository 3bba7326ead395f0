"""Ways of sharing a joint cost from the theory of cooperative games: pure functions on costs of groups."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from core.errors import InputError

if TYPE_CHECKING:
    from numpy.typing import NDArray

Money = Decimal | Fraction | float

EXACT_MEMBERS = 12
LARGEST_TABLE = 16
TIGHT = 1e-7


def shapley_values(cost_of: Mapping[frozenset[str], Money]) -> dict[str, float]:
    """Return each member's Shapley share of a joint cost, worked out exactly.

    Parameters
    ----------
    cost_of : Mapping of frozenset of names to cost
        Cost of every group of members alone, money; the empty group costs 0 and may be left out.

    Returns
    -------
    dict of name to float
        Shares, money, adding up to the cost of all.

    Raises
    ------
    InputError
        Where a group of members is missing, a cost is not a number, or the empty group costs something.

    Notes
    -----
    ``phi_i = sum over S without i of |S|! (n - |S| - 1)! / n! x [c(S + i) - c(S)]``. Source: Shapley (1953), A value
    for n-person games. Summed in whole numbers, so nothing is lost to rounding before the final division.
    """
    return {name: float(share) for name, share in shapley_fractions(cost_of).items()}


def shapley_fractions(cost_of: Mapping[frozenset[str], Money]) -> dict[str, Fraction]:
    """Return the Shapley shares as exact fractions; see `shapley_values`.

    Parameters
    ----------
    cost_of : Mapping of frozenset of names to cost
        As in `shapley_values`.
    """
    names, costs = _table(cost_of)
    count = len(names)
    if count == 0:
        return {}
    scale = math.lcm(*(cost.denominator for cost in costs))
    whole = [cost.numerator * (scale // cost.denominator) for cost in costs]
    weight = [math.factorial(size) * math.factorial(count - size - 1) for size in range(count)]
    divisor = math.factorial(count) * scale
    shares: dict[str, Fraction] = {}
    for place, name in enumerate(names):
        bit = 1 << place
        total = 0
        for group in range(len(whole)):
            if not group & bit:
                total += weight[group.bit_count()] * (whole[group | bit] - whole[group])
        shares[name] = Fraction(total, divisor)
    return shares


@dataclass(frozen=True)
class SampledShares:
    """Shapley shares from random orders of arrival, with how far off they may be.

    Parameters
    ----------
    shares : dict of name to float
        Money, adding up to the cost of all.
    error : dict of name to float
        Half width of the interval that holds all true shares at once in 95 of 100 such samples, money.
    """

    shares: dict[str, float]
    error: dict[str, float]


def shares_from_draws(members: Sequence[str], extra: NDArray[np.float64]) -> SampledShares:
    """Return shares and their errors from what each member added in drawn orders.

    Parameters
    ----------
    extra : array, shape (pairs, n)
        Extra cost of each member, the mean of an order and its mirror image, money.
    """
    from scipy.special import ndtri

    pairs = len(extra)
    reach = float(ndtri(1.0 - 0.025 / len(members)))
    error = reach * extra.std(axis=0, ddof=1) / math.sqrt(pairs)
    shares = extra.mean(axis=0)
    return SampledShares(
        dict(zip(members, map(float, shares), strict=True)), dict(zip(members, map(float, error), strict=True))
    )


def airport_shares(cost_by_name: Mapping[str, Money]) -> dict[str, float]:
    """Return the Shapley shares where needs are nested: what serves the costliest need serves all smaller ones.

    Parameters
    ----------
    cost_by_name : Mapping of name to cost
        What each would spend alone, money, 0 or more.

    Returns
    -------
    dict of name to float
        Shares, money, adding up to the largest cost.

    Raises
    ------
    InputError
        Where a cost is negative or not a number.

    Notes
    -----
    Each step of cost is shared equally by those who need it: ``phi_i = sum over k <= i of (c_k - c_(k-1)) /
    (n - k + 1)`` in ascending order. Source: Littlechild & Owen (1973), A simple expression for the Shapley value in a
    special case.
    """
    return {name: float(share) for name, share in airport_fractions(cost_by_name).items()}


def airport_fractions(cost_by_name: Mapping[str, Money]) -> dict[str, Fraction]:
    """Return the shares of `airport_shares` as exact fractions."""
    if not isinstance(cost_by_name, Mapping):
        raise InputError("the cost of {group} is missing", group="–")
    costs = {name: _exact(cost, name) for name, cost in cost_by_name.items()}
    for name, cost in costs.items():
        if cost < 0:
            raise InputError("the cost of {name} is below 0: {cost}", name=name, cost=cost_by_name[name])
    paid = step_before = Fraction(0)
    shares: dict[str, Fraction] = {}
    ordered = sorted(costs, key=lambda name: costs[name])
    for place, name in enumerate(ordered):
        paid += (costs[name] - step_before) / (len(ordered) - place)
        step_before = costs[name]
        shares[name] = paid
    return {name: shares[name] for name in costs}


def nucleolus(cost_of: Mapping[frozenset[str], Money]) -> dict[str, float]:
    """Return the split whose largest complaint is least, then the next largest, and so on.

    A group's complaint is what it pays together less what it would cost alone.

    Parameters
    ----------
    cost_of : Mapping of frozenset of names to cost
        As in `shapley_values`.

    Returns
    -------
    dict of name to float
        Shares, money, adding up to the cost of all. Nobody pays more than alone where that is possible at all.

    Raises
    ------
    InputError
        As `shapley_values`, or where the linear programme finds no answer.

    Notes
    -----
    Successive linear programmes: the largest complaint is minimised, the groups that hold it in every best split
    (those with a positive price in the programme) are fixed, and the next is minimised, until the split is
    determined. Sources: Schmeidler (1969), The nucleolus of a characteristic function game; Maschler, Peleg & Shapley
    (1979) for the successive programmes.
    """
    from scipy.optimize import linprog

    names, exact = _table(cost_of)
    count = len(names)
    if count == 0:
        return {}
    costs = np.array([float(cost) for cost in exact])
    if count == 1:
        return {names[0]: float(costs[-1])}
    unit = float(np.max(np.abs(costs))) or 1.0
    costs = costs / unit

    groups = np.arange(1, 2**count - 1)
    member_of = (groups[:, None] >> np.arange(count) & 1).astype(float)
    alone = costs[1 << np.arange(count)]
    possible = alone.sum() >= costs[-1] - 1e-12
    bounds = [(None, float(limit)) if possible else (None, None) for limit in alone] + [(None, None)]

    fixed_rows = [np.ones(count)]
    fixed_sums = [costs[-1]]
    open_groups = np.ones(len(groups), dtype=bool)
    shares = np.zeros(count)
    for _ in range(count):
        rows = member_of[open_groups]
        limits = costs[groups[open_groups]]
        answer = linprog(
            np.r_[np.zeros(count), 1.0],
            A_ub=np.c_[rows, -np.ones(len(rows))],
            b_ub=limits,
            A_eq=np.c_[np.array(fixed_rows), np.zeros(len(fixed_rows))],
            b_eq=np.array(fixed_sums),
            bounds=bounds,
            method="highs",
        )
        if answer.status != 0:
            raise InputError("no least-complaint split was found: {reason}", reason=answer.message)
        shares, complaint = answer.x[:count], answer.x[-1]
        priced = answer.ineqlin.marginals < -TIGHT
        fixed_rows, fixed_sums = _independent(fixed_rows, fixed_sums, rows[priced], limits[priced] + complaint)
        if len(fixed_rows) == count:
            shares = np.linalg.solve(np.array(fixed_rows), np.array(fixed_sums))
            break
        open_groups &= ~_determined(np.array(fixed_rows), member_of)
    return {name: float(share * unit) for name, share in zip(names, shares, strict=True)}


def largest_complaint(
    cost_of: Mapping[frozenset[str], Money], shares: Mapping[str, Money]
) -> tuple[frozenset[str], Fraction]:
    """Return the group that pays most above its cost alone, and by how much; below 0 nobody has reason to leave.

    Parameters
    ----------
    cost_of : Mapping of frozenset of names to cost
        As in `shapley_values`.
    shares : Mapping of name to money
        A split.

    Returns
    -------
    (frozenset of names, Fraction)
        The group and its complaint, money; the smallest group among equals. The group of all is not counted.
    """
    names, costs = _table(cost_of)
    if len(names) < 2:
        return frozenset(names), Fraction(0)
    best_group, best = frozenset[str](), None
    for size in range(1, len(names)):
        for places in combinations(range(len(names)), size):
            paid = sum((Fraction(shares[names[place]]) for place in places), Fraction(0))
            complaint = paid - costs[sum(1 << place for place in places)]
            if best is None or complaint > best:
                best_group, best = frozenset(names[place] for place in places), complaint
    return best_group, best if best is not None else Fraction(0)


def all_groups(names: Sequence[str], cost: Callable[[frozenset[str]], Money]) -> dict[frozenset[str], Money]:
    """Return the cost of every group of members, the empty one 0.

    Parameters
    ----------
    names : sequence of str
        At most 16 members.
    cost : callable
        Cost of a group alone, money.

    Raises
    ------
    InputError
        Where there are too many members to list.
    """
    if len(names) > LARGEST_TABLE:
        raise InputError("{count} members have too many groups to list", count=len(names))
    table: dict[frozenset[str], Money] = {frozenset(): Fraction(0)}
    for size in range(1, len(names) + 1):
        for group in combinations(names, size):
            table[frozenset(group)] = cost(frozenset(group))
    return table


def _table(cost_of: Mapping[frozenset[str], Money]) -> tuple[list[str], list[Fraction]]:
    """Return the names and the costs by bit pattern, or say which group is missing."""
    members: set[str] = set()
    if not isinstance(cost_of, Mapping) or not all(isinstance(group, frozenset) for group in cost_of):
        raise InputError("the cost of {group} is missing", group="–")
    for group in cost_of:
        members |= set(group)
    names = sorted(members, key=str)
    if len(names) > LARGEST_TABLE:
        raise InputError("{count} members have too many groups to list; use the sampled shares", count=len(names))
    costs: list[Fraction] = []
    for pattern in range(2 ** len(names)):
        group = frozenset(name for place, name in enumerate(names) if pattern >> place & 1)
        if group not in cost_of:
            if group:
                raise InputError("the cost of {group} is missing", group=", ".join(sorted(map(str, group))))
            costs.append(Fraction(0))
            continue
        costs.append(_exact(cost_of[group], ", ".join(sorted(map(str, group))) or "nobody"))
    if costs and costs[0] != 0:
        raise InputError("an empty group must cost 0, not {cost}", cost=float(costs[0]))
    return names, costs


def _exact(cost: Money, name: str) -> Fraction:
    try:
        return Fraction(cost)
    except (TypeError, ValueError, OverflowError):
        try:
            return Fraction(float(cost))  # NumPy numbers
        except (TypeError, ValueError, OverflowError) as error:
            raise InputError("the cost of {name} is not a number: {cost}", name=name, cost=cost) from error


def _independent(
    rows: list[NDArray[np.float64]], sums: list[float], more_rows: NDArray[np.float64], more_sums: NDArray[np.float64]
) -> tuple[list[NDArray[np.float64]], list[float]]:
    """Add those rows that the ones so far do not already determine."""
    rows, sums = list(rows), list(sums)
    for row, value in zip(more_rows, more_sums, strict=True):
        if np.linalg.matrix_rank(np.array([*rows, row]), tol=1e-9) > len(rows):
            rows.append(row)
            sums.append(float(value))
    return rows, sums


def _determined(rows: NDArray[np.float64], member_of: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return which groups' payments follow from the fixed ones (their row lies in the fixed rows' span)."""
    basis = np.linalg.qr(rows.T)[0]
    rest = member_of - member_of @ basis @ basis.T
    return np.asarray(np.abs(rest).max(axis=1) < 1e-9)
