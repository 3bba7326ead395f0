"""What may be stored where, and when treated grain may leave: one home for the rules that page, plan and Today share.

Four rules, each a function, each to be asked and never written a second time:

- **Sealing.** `sealing_limit` is the method's own `seal_below_pct`, carried over to the crop. Grain is sealed where the
  chance of lying above it is at most `greatest_risk`: judged by chance, as the lot's verdict is, never by the mean.
- **Keeping.** `storage_refusal` names why grain must not go into a store (or None): above the sealing limit, or above
  the limit at which it keeps for longer than `days_above_limit`. Crops with aflatoxin (a field of commodities.toml) get
  fewer days and a smaller risk.
- **Waiting.** `waiting_days` is the one value between a treatment and the first day on which grain may be eaten or
  sold; `first_allowed_day` is its date.
- **Regained water.** `saleable_mass` counts water that grain takes up in store as no gain.

A moisture is given as `Belief`: mean, standard error and degrees of freedom of a lot's test, or as draws, one per
scenario (a plan's grain after drying).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from core.errors import InputError
from core.grain.commodities import Commodity, get_commodity
from core.grain.mass import tenth_below
from core.messages import Message, plural
from core.reference_tables import reference_table
from core.storage.loss import moisture_at_equal_humidity
from core.storage.methods import Method, get_method

Array = NDArray[Any]
HAIR = 1e-9


@dataclass(frozen=True)
class Belief:
    """A lot's moisture and how sure it is.

    Parameters
    ----------
    mean_pct, standard_error_pct : float
        % wet basis, and points with the meter's error.
    degrees_of_freedom : float
        Of Student's t; infinity for a normal error.
    """

    mean_pct: float
    standard_error_pct: float
    degrees_of_freedom: float = math.inf


Moisture = Belief | Sequence[float] | Array
"""A belief, or draws of a lot's mean moisture by scenario, % wet basis (shape (scenarios,))."""


def safety_value(key: str) -> float:
    """Return one figure of safety.toml."""
    return float(reference_table("storage", "safety.toml")[key]["value"])


def chance_above(moisture: Moisture, limit_pct: float) -> float:
    """Return the chance that a lot's mean moisture lies above a limit, 0-1.

    Parameters
    ----------
    moisture : Belief or draws (scenarios,)
        % wet basis. A belief without error is above or not.
    limit_pct : float
        % wet basis.
    """
    if not isinstance(moisture, Belief):
        draws = np.asarray(moisture, dtype=float)
        if draws.size == 0 or not bool(np.isfinite(draws).all()):
            raise InputError("a moisture is missing: nothing can be said of the store")
        return float((draws > limit_pct + HAIR).mean())
    if moisture.standard_error_pct <= 0.0:
        return float(moisture.mean_pct > limit_pct + HAIR)
    from scipy.special import ndtr, stdtr

    distance = (moisture.mean_pct - limit_pct) / moisture.standard_error_pct
    free = moisture.degrees_of_freedom
    return float(ndtr(distance) if math.isinf(free) else stdtr(free, distance))


def greatest_risk(commodity: str | Commodity, method: str | Method, verdict_risk: float = 0.05) -> float:
    """Return the greatest chance of lying above the limit that may be taken, 0-1.

    Parameters
    ----------
    verdict_risk : float
        The risk that the lot's own verdict takes, from its costs; it counts only while it is smaller.
    """
    strict = get_commodity(commodity).aflatoxin or get_method(method).sealed
    return min(verdict_risk, safety_value("most_risk_aflatoxin" if strict else "most_risk"))


def sealing_limit(commodity: str | Commodity, method: str | Method) -> float | None:
    """Return the moisture above which a crop must not be sealed in a method, % wet basis; None for an open store.

    Notes
    -----
    The table gives it for maize. Other crops are sealed at the same equilibrium humidity at 27 °C: sealed grain
    ferments by the humidity between its grains, not by its moisture.
    """
    limit = get_method(method).seal_below_pct
    crop = get_commodity(commodity)
    if limit is None or crop.code == "maize":
        return limit
    celsius = np.asarray(safety_value("reference_temperature_c"))
    return float(moisture_at_equal_humidity("maize", crop, celsius, np.asarray(limit)))


def days_above_limit(commodity: str | Commodity) -> int:
    """Return for how many days grain above its keeping limit may wait in an open store."""
    aflatoxin = get_commodity(commodity).aflatoxin
    return int(safety_value("days_above_limit_aflatoxin" if aflatoxin else "days_above_limit"))


def storage_refusal(
    commodity: str | Commodity,
    method: str | Method,
    moisture: Moisture,
    keeping_pct: float,
    days: float,
    verdict_risk: float = 0.05,
) -> Message | None:
    """Return why grain must not go into a store for so long, None where it may.

    Parameters
    ----------
    moisture : Belief or draws (scenarios,)
        Of the lot on the day of bagging, % wet basis.
    keeping_pct : float
        Moisture at which the lot keeps for as long as is wanted, % wet basis (`core.group.limits`, the keeping limit).
    days : float
        How long it would stay.
    verdict_risk : float
        The risk that the lot's own verdict takes.
    """
    crop, how = get_commodity(commodity), get_method(method)
    risk = greatest_risk(crop, how, verdict_risk)
    seal = sealing_limit(crop, how)
    if seal is not None and chance_above(moisture, seal) > risk:
        return Message(
            "Not dry enough for {store}: seal {crop} only at {limit} % or less, and surely so. Dry it first.",
            {"store": Message(how.name), "crop": Message(crop.name), "limit": tenth_below(seal)},
        )
    allowed = days_above_limit(crop)
    if days > allowed and chance_above(moisture, keeping_pct) > risk:
        words = (
            plural(
                "days",
                "Not surely dry enough to store: {crop} keeps at {limit} % or less. Above it, aflatoxin can form: dry "
                "or sell it within {days} day.",
                "Not surely dry enough to store: {crop} keeps at {limit} % or less. Above it, aflatoxin can form: dry "
                "or sell it within {days} days.",
            )
            if crop.aflatoxin
            else plural(
                "days",
                "Not surely dry enough to store: {crop} keeps at {limit} % or less. Dry or sell it within {days} day.",
                "Not surely dry enough to store: {crop} keeps at {limit} % or less. Dry or sell it within {days} days.",
            )
        )
        values = {"crop": Message(crop.name), "limit": tenth_below(keeping_pct), "days": allowed}
        return replace(words, values=values)
    return None


def waiting_days(method: str | Method, on_label: float | None = None) -> int:
    """Return how many days treated grain waits before it may be eaten or sold, 0 where nothing is treated.

    Parameters
    ----------
    on_label : float, optional
        The label's own time, days, where the group entered it (the fact ``protectant_waiting_days``; 0 or None: not
        entered). It comes before the table's.
    """
    how = get_method(method)
    if not how.treated:
        return 0
    return math.ceil(on_label) if on_label is not None and on_label > 0 else how.waiting_days


def first_allowed_day(method: str | Method, treated_on: date, on_label: float | None = None) -> date:
    """Return the first day on which grain treated on a day may be eaten or sold (`waiting_days` later)."""
    return treated_on + timedelta(days=waiting_days(method, on_label))


def saleable_mass(mass_bagged_kg: ArrayLike, moisture_bagged_pct: ArrayLike, moisture_now_pct: ArrayLike) -> Any:
    """Return the mass that counts as value: water taken up in store is never gain.

    Parameters
    ----------
    mass_bagged_kg, moisture_bagged_pct : array_like
        On the day of bagging, kg and % wet basis.
    moisture_now_pct : array_like
        Now, % wet basis (broadcast together).

    Returns
    -------
    float or ndarray
        kg: the dry matter bagged, with water up to the smaller of the two moistures.

    Raises
    ------
    InputError
        A moisture outside 0 to below 100 %.
    """
    bagged, now = np.asarray(moisture_bagged_pct, dtype=float), np.asarray(moisture_now_pct, dtype=float)
    if not bool(np.all((bagged >= 0) & (bagged < 100)) and np.all((now >= 0) & (now < 100))):
        raise InputError("moisture is outside 0 to below 100 % wet basis")
    dry = np.asarray(mass_bagged_kg, dtype=float) * (1 - bagged / 100)
    return (dry / (1 - np.minimum(bagged, now) / 100))[()]
