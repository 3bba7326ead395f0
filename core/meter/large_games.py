"""The least-complaint split for groups of any size, where a group's cost is the least of some ways to test.

Listing every group of members ends at a dozen. A group of members can only choose among a few ways (no meter at all, a
meter that does for some of them, what all pay together), and each way costs a fixed sum and something for each member.
The group with the largest complaint is then found way by way without listing any, and the linear programmes are fed
only the groups that matter.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from core.errors import InputError
from core.meter.games import TIGHT, SampledShares, shares_from_draws

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]

NOTHING = 1e-9
MOST_ROUNDS = 400


@dataclass(frozen=True)
class WaysGame:
    """A cost game in which a group takes the cheapest of some ways.

    Parameters
    ----------
    names : tuple of str, length n
        The members.
    fixed : array, shape (W,)
        What each way costs whoever takes it, money.
    parts : array, shape (W, n)
        What each way costs more for each member in the group, money, 0 or more.
    total : float
        What all together pay, money.
    """

    names: tuple[str, ...]
    fixed: Array
    parts: Array
    total: float

    def __post_init__(self) -> None:
        """Refuse shapes that do not fit and numbers that are none."""
        if len(self.names) < 1 or self.parts.shape != (len(self.fixed), len(self.names)) or len(self.fixed) < 1:
            raise InputError("the game needs members and at least one way, with a part for each member")
        if not (np.all(np.isfinite(self.fixed)) and np.all(np.isfinite(self.parts)) and np.isfinite(self.total)):
            raise InputError("the costs of the game must be numbers")

    def cost(self, group: ArrayLike) -> Array:
        """Return the cost of groups alone; ``group`` (..., n) of true and false, the result (...,)."""
        inside = np.asarray(group, dtype=float)
        costs = (inside @ self.parts.T + self.fixed).min(axis=-1)
        return np.asarray(np.where(inside.any(axis=-1), costs, 0.0))


def worst_groups(game: WaysGame, shares: ArrayLike, free: Array | None = None) -> tuple[NDArray[np.bool_], Array]:
    """Return for each way the group that complains most where it takes that way, and its complaint.

    Parameters
    ----------
    shares : array_like, shape (n,)
        What each pays, money.
    free : array, shape (n, d), optional
        Basis of the directions in which the split may still move; a group that moves in none of them is settled and is
        passed over. All directions that keep the total where left out.

    Returns
    -------
    (array of bool, shape (W, n); array, shape (W,))
        Groups and complaints (paid together less the cost alone), money.

    Notes
    -----
    In one way the complaint is a sum over members, so each is in the group whose share is above his part. Where that
    group is settled, the next best is the one in which the single member that matters least among those still free
    changes sides: one such change is enough, and none can be spared.
    """
    paid = np.asarray(shares, dtype=float)
    basis = _directions(np.ones((1, len(paid)))) if free is None else free
    gain = paid[None, :] - game.parts
    groups = gain > 0
    moving = np.abs(basis).max(axis=1) > NOTHING if basis.size else np.zeros(len(paid), dtype=bool)
    settled = np.abs(groups.astype(float) @ basis).max(axis=1, initial=0.0) <= NOTHING
    if moving.any():
        candidates = np.where(moving[None, :], np.abs(gain), np.inf)
        change = np.argmin(candidates, axis=1)
        for way in np.flatnonzero(settled):
            groups[way, change[way]] = ~groups[way, change[way]]
    return groups, groups.astype(float) @ paid - game.cost(groups)


def largest_complaint_by_ways(game: WaysGame, shares: Mapping[str, float]) -> tuple[frozenset[str], float]:
    """Return the group that pays most above its cost alone, and by how much; below 0 nobody has reason to leave.

    Parameters
    ----------
    shares : Mapping of name to money
        A split of the total.

    Returns
    -------
    (frozenset of names, float)
        The group of all is not counted.
    """
    if len(game.names) < 2:
        return frozenset(game.names), 0.0
    groups, complaints = worst_groups(game, [float(shares[name]) for name in game.names])
    worst = int(np.argmax(complaints))
    return frozenset(np.array(game.names)[groups[worst]].tolist()), float(complaints[worst])


def nucleolus_by_ways(game: WaysGame) -> dict[str, float]:
    """Return the split whose largest complaint is least, then the next largest, and so on, for a group of any size.

    Returns
    -------
    dict of name to float
        Shares, money, adding up to the total. Nobody pays more than alone where that is possible at all.

    Raises
    ------
    InputError
        Where a linear programme finds no answer.

    Notes
    -----
    The successive programmes of Maschler, Peleg & Shapley (1979), each begun with few groups; `worst_groups` adds those
    that the answer still breaks until none is left, so that the answer is that of all groups (constraint generation, as
    Hallefjord, Helming & Joernsten 1995, Computing the nucleolus when the characteristic function is given implicitly).
    """
    count = len(game.names)
    if count == 1:
        return {game.names[0]: game.total}
    unit = max(float(np.abs(game.fixed).max()), float(np.abs(game.parts).max()), abs(game.total)) or 1.0
    small = WaysGame(game.names, game.fixed / unit, game.parts / unit, game.total / unit)
    alone = small.cost(np.eye(count, dtype=bool))
    highest = alone if alone.sum() >= small.total - 1e-12 else None
    groups = np.concatenate([np.eye(count, dtype=bool), ~np.eye(count, dtype=bool)])
    rows, sums = np.ones((1, count)), np.array([small.total])
    shares = np.full(count, small.total / count)
    while len(rows) < count:
        free = _directions(rows)
        groups = groups[np.abs(groups.astype(float) @ free).max(axis=1) > NOTHING]
        shares, complaint, prices, groups = _least(small, groups, rows, sums, free, highest)
        known = len(rows)
        for group in groups[prices > TIGHT]:
            longer = np.vstack([rows, group.astype(float)])
            if np.linalg.matrix_rank(longer, tol=NOTHING) > len(rows):
                rows, sums = longer, np.r_[sums, small.cost(group) + complaint]
        if len(rows) == known:
            break
    if len(rows) == count:
        shares = np.linalg.solve(rows, sums)
    return {name: float(share * unit) for name, share in zip(game.names, shares, strict=True)}


def _least(
    game: WaysGame, groups: NDArray[np.bool_], rows: Array, sums: Array, free: Array, highest: Array | None
) -> tuple[Array, float, Array, NDArray[np.bool_]]:
    """Return shares, least largest complaint, prices of the groups, and the groups, once no group is broken."""
    from scipy.optimize import linprog

    count = len(game.names)
    bounds = [(None, None if highest is None else float(highest[place])) for place in range(count)] + [(None, None)]
    for _ in range(MOST_ROUNDS):
        answer = linprog(
            np.r_[np.zeros(count), 1.0],
            A_ub=np.c_[groups.astype(float), -np.ones(len(groups))],
            b_ub=game.cost(groups),
            A_eq=np.c_[rows, np.zeros(len(rows))],
            b_eq=sums,
            bounds=bounds,
            method="highs",
        )
        if answer.status != 0:
            raise InputError("no least-complaint split was found: {reason}", reason=answer.message)
        shares, complaint = answer.x[:count], float(answer.x[-1])
        found, excess = worst_groups(game, shares, free)
        more = np.unique(found[excess > complaint + TIGHT], axis=0)
        fresh = [group for group in more if not (groups == group).all(axis=1).any()]
        if not fresh:
            return shares, complaint, -answer.ineqlin.marginals, groups
        groups = np.concatenate([groups, np.array(fresh)])
    raise InputError("no least-complaint split was found: {reason}", reason="too many groups matter")


def sampled_shapley_by_ways(game: WaysGame, seed: int, orders: int = 4000) -> SampledShares:
    """Return Shapley shares from random orders, for groups too large to list.

    Parameters
    ----------
    orders : int
        Orders of arrival, each second one the mirror image of the one before, at least 4.

    Raises
    ------
    InputError
        Where there are fewer than 4 orders.

    Notes
    -----
    Mean extra cost of each member over random orders, each drawn together with its mirror image; the error from the
    spread between pairs, normal limit, shared over the members after Bonferroni. Sources: Castro, Gomez & Tejada
    (2009), Polynomial calculation of the Shapley value based on sampling; Dunn (1961) for several intervals at once.
    """
    if orders < 4:
        raise InputError("sampling needs at least one member and 4 orders, not {orders}", orders=orders)
    count = len(game.names)
    generator = np.random.default_rng(seed)
    extra = np.zeros(((orders + 1) // 2, count))
    for row in range(len(extra)):
        order = generator.permutation(count)
        for direction in (order, order[::-1]):
            costs = (game.fixed[:, None] + np.cumsum(game.parts[:, direction], axis=1)).min(axis=0)
            costs[-1] = game.total
            extra[row, direction] += 0.5 * np.diff(costs, prepend=0.0)
    return shares_from_draws(game.names, extra)


def _directions(rows: Array) -> Array:
    """Return an orthonormal basis of the directions that leave every row's sum as it is, shape (n, n - rank)."""
    _left, sizes, right = np.linalg.svd(rows)
    rank = int((sizes > NOTHING).sum())
    return np.asarray(right[rank:].T)


def ways_of(names: Sequence[str], ways: Sequence[tuple[float, Sequence[float]]], total: float) -> WaysGame:
    """Return a game from ways listed as (fixed cost, parts by member)."""
    return WaysGame(
        tuple(names),
        np.array([fixed for fixed, _parts in ways], dtype=float),
        np.array([list(parts) for _fixed, parts in ways], dtype=float),
        float(total),
    )
