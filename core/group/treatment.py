"""Grain that was treated: whether a lot carries a protectant, and from which day on it may be eaten or sold.

One home for plan, checks and pages. What is kept in a treated store is treated, whatever its state: grain that was
taken out to dry again, or moved into other bags, still carries what was put on it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from core.group.records import Change, Lot
from core.storage.methods import get_method, method_codes
from core.storage.safety import first_allowed_day


@dataclass(frozen=True)
class Treatment:
    """A protectant that a lot still carries from an earlier store: the store's method, the last day it can be of."""

    method: str
    on: date | None


def treats(method: str | None) -> bool:
    """Return whether what is kept in a method is treated."""
    return method in method_codes() and get_method(str(method)).treated


def is_treated(lot: Lot) -> bool:
    """Return whether a lot is kept where grain is treated; see `LotState.treated` for what it carries from before."""
    return treats(lot.storage_method)


def earlier_treatments(lots: Sequence[Lot], changes: Sequence[Change]) -> dict[int, tuple[Treatment, ...]]:
    """Return what each lot still carries from stores that it was taken out of, by lot; lots without are left out.

    An edit that names another store for the same day, or for an earlier one, corrects a slip: nothing was moved.

    Parameters
    ----------
    changes : sequence of Change
        The trail of the lots, newest first.
    """
    since = {str(lot.id): lot.stored_on for lot in lots}
    found: dict[int, list[Treatment]] = {}
    for change in changes:
        if change.row not in since:
            continue
        after = since[change.row]
        first, _last = change.changed.get("stored_on", (None, None))
        before = after if "stored_on" not in change.changed else None if first is None else date.fromisoformat(first)
        since[change.row] = before
        old, new = change.changed.get("storage_method", (None, None))
        slip = before is not None and after is not None and after <= before
        if treats(old) and not treats(new) and not slip:
            noted = None if change.at is None else change.at.date()
            found.setdefault(int(change.row), []).append(Treatment(str(old), before or after or noted))
    return {lot: tuple(carried) for lot, carried in found.items()}


def free_from(lot: Lot, today: date, on_label: float | None = None, earlier: Sequence[Treatment] = ()) -> date | None:
    """Return the first day on which a treated lot may be eaten or sold, None where it is not treated.

    Parameters
    ----------
    today : date
        Where nobody said when it was treated, it may have been today: its waiting days count from here.
    on_label : float, optional
        The label's waiting days (see `core.storage.safety.waiting_days`).
    earlier : sequence of Treatment
        What it carries from earlier stores.
    """
    own = (Treatment(str(lot.storage_method), lot.stored_on),) if is_treated(lot) else ()
    days = [first_allowed_day(one.method, one.on or today, on_label) for one in (*own, *earlier)]
    return max(days, default=None)
