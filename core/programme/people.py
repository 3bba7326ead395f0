"""Indicators by sex and age group of the lot's owner, with small cells blank and not to be worked out from totals."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from core.group.records import Member
from core.programme.counting import Indicator, Records

FEWEST_PEOPLE = 5
"""People below which a cell is not shown; basis: common practice of programmes, no source."""
AGE_EDGES = ((0, 30, "below 30"), (30, 60, "30 to 59"), (60, 200, "60 and above"))
NOT_KNOWN = "not known"


def age_group(member: Member, on: date) -> str:
    """Return a member's age group on a day: one of three, or "not known"."""
    if member.birth_year is None:
        return NOT_KNOWN
    age = on.year - member.birth_year
    return next((name for low, high, name in AGE_EDGES if low <= age < high), NOT_KNOWN)


def sex_of(member: Member) -> str:
    """Return a member's sex as written, or "not known"."""
    return member.sex or NOT_KNOWN


def consent_share(members: Sequence[Member]) -> tuple[int, int]:
    """Return how many members agreed to be named in reports, and how many there are."""
    return sum(member.consent for member in members), len(members)


def hidden_cells(
    people: NDArray[np.int64], fewest: int = FEWEST_PEOPLE, never_shown: NDArray[np.int64] | None = None
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return which cells stay blank so that no small cell is shown nor follows from totals.

    Parameters
    ----------
    fewest : int
        Smallest count that may be shown.
    never_shown : array of int, shape (groups,), optional
        Lots of each group that are in its total but in no cell (their owner is not known): what is left when shown
        cells are taken from the total is theirs too.

    Notes
    -----
    Every group's total over cells counts as known to all. First each cell with 1 to ``fewest - 1`` people is hidden.
    Then, as long as a row or column shows its total, its hidden cells must be two or more and hold ``fewest`` people
    or more together; else the next smallest cell of that line is hidden too, until nothing changes: complementary
    suppression (common practice of statistical offices, no source).
    """
    rest = np.zeros(len(people), dtype=np.int64) if never_shown is None else never_shown
    whole = np.hstack([people, rest[:, np.newaxis]])
    whole = np.vstack([whole, whole.sum(axis=0)])
    hidden = (whole > 0) & (whole < fewest)
    hidden[:, -1] = whole[:, -1] > 0
    changed = True
    while changed:
        changed = False
        for row in range(len(whole)):
            if hidden[row, :-1].any():
                changed |= _protect(whole[row], hidden[row], fewest)
        for column in range(people.shape[1]):
            inner, counts = hidden[:-1, column], whole[:-1, column]
            if hidden[-1, column]:
                # the total is not known: one cell hidden beside it is enough
                shown = np.flatnonzero((counts > 0) & ~inner)
                if not inner.any() and shown.size:
                    inner[shown[np.argmin(counts[shown])]] = changed = True
                continue
            changed |= _protect(counts, inner, fewest)
            if inner.any() and (inner.sum() < 2 or counts[inner].sum() < fewest):
                hidden[-1, column] = changed = True  # no other group's cell is left to hide: the total goes
    return hidden[:-1, :-1], hidden[-1, :-1]


def _protect(counts: NDArray[np.int64], hidden: NDArray[np.bool_], fewest: int) -> bool:
    """Hide more cells of a line whose total is known, in place; return whether any was hidden."""
    changed = False
    while hidden.any() and (hidden.sum() < 2 or counts[hidden].sum() < fewest):
        shown = np.flatnonzero((counts > 0) & ~hidden)
        if shown.size == 0:
            break
        hidden[shown[np.argmin(counts[shown])]] = changed = True
    return changed


@dataclass(frozen=True)
class PeopleTable:
    """An indicator by cell of its owners: for all groups, and by group; blank (NaN) where hidden.

    `whole` has ``cell, people, value, suppressed``; `by_group` the same with ``group_id`` in front.
    """

    whole: pd.DataFrame
    by_group: pd.DataFrame


def people_table(
    counted: Sequence[tuple[Records, Indicator]], split: Callable[[Member], str], fewest: int = FEWEST_PEOPLE
) -> PeopleTable:
    """Return an indicator by sex or age of the lot's owner, small cells blank here and in each group's table.

    Parameters
    ----------
    counted : sequence of (Records, Indicator)
        Each group with its indicator; observations whose lot has no single owner are left out.
    fewest : int
        People below which a cell is not shown.
    """
    cells: dict[tuple[int, str], list[tuple[float, float]]] = {}
    people: dict[tuple[int, str], set[int]] = {}
    for record, found in counted:
        names = {member.id: split(member) for member in record.members}
        for value, owner, weight in zip(
            found.values, found.owners, found.weights or (1.0,) * len(found.values), strict=True
        ):
            if owner is None or owner not in names:
                continue
            place = (record.group.id, names[owner])
            cells.setdefault(place, []).append((value, weight))
            people.setdefault(place, set()).add(owner)
    groups = [record.group.id for record, _found in counted]
    kinds = sorted({cell for _group, cell in cells})
    counts = np.array([[len(people.get((g, c), ())) for c in kinds] for g in groups], dtype=np.int64)
    counts = counts.reshape(len(groups), len(kinds))
    rest = np.array([_lots_of_nobody(record, found) for record, found in counted], dtype=np.int64)
    hidden, hidden_total = hidden_cells(counts, fewest, rest)

    def row(cell: str, count: int, values: list[tuple[float, float]], blank: bool) -> dict[str, object]:
        below = sum(weight for _value, weight in values)
        shown = not blank and count > 0
        return {
            "cell": cell,
            "people": count if shown else None,
            "value": sum(value for value, _weight in values) / below if shown and below > 0 else np.nan,
            "suppressed": blank,
        }

    whole = [
        row(
            cell,
            int(counts[:, at].sum()),
            [v for g in groups for v in cells.get((g, cell), [])],
            bool(hidden_total[at]),
        )
        for at, cell in enumerate(kinds)
    ]
    by_group = [
        {"group_id": group, **row(cell, int(counts[i, at]), cells.get((group, cell), []), bool(hidden[i, at]))}
        for i, group in enumerate(groups)
        for at, cell in enumerate(kinds)
        if counts[i, at]
    ]
    columns = ["cell", "people", "value", "suppressed"]
    return PeopleTable(
        _typed(pd.DataFrame(whole, columns=columns)), _typed(pd.DataFrame(by_group, columns=["group_id", *columns]))
    )


def _lots_of_nobody(record: Records, found: Indicator) -> int:
    """Return how many lots without a single known owner stand behind an indicator's total."""
    seen = sum(owner is None for owner in found.owners)
    return min(seen, sum(lot.owner_id is None for lot in record.lots))


def _typed(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.astype({"people": "Int64", "value": float, "suppressed": bool})
