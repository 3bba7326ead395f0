"""What the plan never does, in weeks and lots: the rules themselves stand in `core.storage.safety`.

Grain that may lie above its keeping limit is not stored, none is sealed too wet, and treated grain is neither sold nor
eaten before its waiting days are over. Dryness is judged by chance: a lot "surely" lies below a moisture where the
chance of the contrary is no greater than those rules allow.
"""

from __future__ import annotations

import math

import numpy as np

from core.planning.case import DAYS_PER_WEEK, CaseLot, PlanningCase, StorageChoice
from core.storage.safety import safety_value

UNSHELLED = ("cob", "panicle", "pod")


def keeping_limit(case: PlanningCase, lot: CaseLot) -> float:
    """Return the moisture at or below which a lot may be stored [% w.b.]."""
    return case.target(lot.commodity) if lot.keeping_pct is None else lot.keeping_pct


def weeks_in_bags(case: PlanningCase, lot: CaseLot, surely_pct: float) -> float:
    """Return how many weeks grain may stay in bags: without end where it surely keeps, else until the days are over.

    Parameters
    ----------
    surely_pct : float
        The moisture that it surely does not exceed when it is bagged [% w.b.].
    """
    if surely_pct <= keeping_limit(case, lot):
        return math.inf
    days = safety_value("days_above_limit_aflatoxin" if lot.aflatoxin else "days_above_limit")
    return days // DAYS_PER_WEEK


def may_be_kept_in(lot: CaseLot, storage: StorageChoice, surely_pct: float) -> bool:
    """Return whether a lot of that moisture may go into a way of storing.

    Parameters
    ----------
    storage : StorageChoice
        One that is sealed has a moisture by crop above which nothing is sealed; a crib takes unshelled grain alone.
    surely_pct : float
        The moisture that it surely does not exceed at bagging, at the risk taken with sealed grain [% w.b.].
    """
    if storage.unshelled and lot.form not in UNSHELLED:
        return False
    return surely_pct <= dict(storage.seal_below_pct).get(lot.commodity, math.inf)


def first_week_after_treatment(storage: StorageChoice, ready_week: int) -> int:
    """Return the first plan week in which grain treated in `ready_week` may be sold.

    Its waiting days are counted from the end of that week: on which day of it the grain is treated is not known yet.
    """
    if storage.waiting_days <= 0:
        return ready_week
    return ready_week + 1 + math.ceil(storage.waiting_days / DAYS_PER_WEEK)


def surely_below(moisture_pct: np.ndarray) -> float:
    """Return the moisture that scenarios of one lot exceed only with the chance allowed for sealed grain [% w.b.]."""
    return float(np.quantile(moisture_pct, 1.0 - safety_value("most_risk_aflatoxin")))
