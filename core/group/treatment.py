"""Grain that was treated: whether a lot carries a protectant, and from which day on it may be eaten or sold.

One home for plan, checks and pages. What is kept in a treated store is treated, whatever its state: grain that was
taken out to dry again still carries what was put on it.
"""

from __future__ import annotations

from datetime import date

from core.group.records import Lot
from core.storage.methods import get_method, method_codes
from core.storage.safety import first_allowed_day


def is_treated(lot: Lot) -> bool:
    """Return whether a lot carries a protectant."""
    return lot.storage_method in method_codes() and get_method(str(lot.storage_method)).treated


def free_from(lot: Lot, today: date, on_label: float | None = None) -> date | None:
    """Return the first day on which a treated lot may be eaten or sold, None where it is not treated.

    Parameters
    ----------
    today : date
        Where nobody said when it was treated, it may have been today: its waiting days count from here.
    on_label : float, optional
        The label's waiting days (see `core.storage.safety.waiting_days`).
    """
    if not is_treated(lot):
        return None
    return first_allowed_day(str(lot.storage_method), lot.stored_on or today, on_label)
