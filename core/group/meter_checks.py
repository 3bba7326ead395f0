"""What is known of the meter's own error: oven samples, the saturated-salt check, side-by-side tests."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from core.accounts.book import Book
from core.errors import InputError
from core.group.records import Event
from core.group.sampling import UNCHECKED_METER_SD

METHODS = ("oven", "salt", "side_by_side")
# Oven methods differ by 0.3 to 1 point between one another; repeats of one method by about 0.15 (judgement).
OVEN_SD = 0.15
# A salt jar in a room that is not held steady (judgement).
SALT_SD = 1.0
USUAL_PAIR_SD = 0.5


@dataclass(frozen=True, kw_only=True)
class MeterError:
    """A meter's bias: what it shows too much, and how sure that is.

    Parameters
    ----------
    moisture_bias, moisture_sd : float
        Points of moisture.
    humidity_bias, humidity_sd : float
        % relative humidity.
    buyer_bias, buyer_sd : float or None
        What it shows above the buyer's meter, points; None where the two never met.
    """

    moisture_bias: float = 0.0
    moisture_sd: float = UNCHECKED_METER_SD
    humidity_bias: float = 0.0
    humidity_sd: float = 2.0
    buyer_bias: float | None = None
    buyer_sd: float | None = None
    checked: tuple[str, ...] = ()


def salt_humidity(temperature_c: float) -> float:
    """Return the humidity, %, over a saturated solution of kitchen salt (sodium chloride).

    Parameters
    ----------
    temperature_c : float
        Temperature of jar and meter, °C, 0 to 80.

    Notes
    -----
    Greenspan, L. (1977). Humidity fixed points of binary saturated aqueous solutions. Journal of Research of the
    National Bureau of Standards 81A(1), 89-96: 75.5164 + 0.0398321 t - 0.265459e-2 t^2 + 0.2848e-4 t^3.
    """
    if not 0 <= temperature_c <= 80:
        raise InputError("the salt check holds from 0 to 80 °C, not at {value} °C", value=temperature_c)
    t = temperature_c
    return 75.5164 + 0.0398321 * t - 0.265459e-2 * t**2 + 0.2848e-4 * t**3


def bias_from_pairs(shown: ArrayLike, true: ArrayLike, reference_sd: float = OVEN_SD) -> tuple[float, float]:
    """Return a meter's bias and its standard deviation, in the unit of the pairs.

    Parameters
    ----------
    shown, true : array_like, shape (n,)
        What the meter showed and what the reference gave.

    Raises
    ------
    InputError
        There is no pair, or the two lists differ in length.

    Notes
    -----
    Mean difference with its standard error (JCGM 100:2008, 4.2.3). With fewer than four pairs the usual spread of
    pairs is pooled in (judgement).
    """
    differences = np.asarray(shown, dtype=float).ravel() - np.asarray(true, dtype=float).ravel()
    count = differences.size
    if count == 0 or not np.all(np.isfinite(differences)):
        raise InputError("a check needs at least one pair of numbers")
    squares = float(((differences - differences.mean()) ** 2).sum())
    variance = squares / (count - 1) if count >= 4 else (squares + 2 * USUAL_PAIR_SD**2) / (count + 1)
    return float(differences.mean()), math.hypot(math.sqrt(variance / count), reference_sd)


def combine(first: tuple[float, float], second: tuple[float, float]) -> tuple[float, float]:
    """Return the weighted mean of two independent estimates, each (value, standard deviation)."""
    weights = [1 / max(sd, 1e-6) ** 2 for _, sd in (first, second)]
    value = (first[0] * weights[0] + second[0] * weights[1]) / sum(weights)
    return value, math.sqrt(1 / sum(weights))


def meter_error(
    checks: Sequence[Event], moisture_sd: float = UNCHECKED_METER_SD, humidity_sd: float = 2.0
) -> MeterError:
    """Return what the checks in the diary say of the meter.

    Parameters
    ----------
    checks : sequence of Event
        Entries of kind "meter_check"; payload ``method`` ("oven", "salt", "side_by_side"), ``shown`` and ``true``
        (lists), for salt ``temperature_c`` in the place of ``true``. Reversed entries do not count.
    moisture_sd, humidity_sd : float
        What is assumed of a meter that nobody has checked: these are the prior, with a bias of zero.
    """
    moisture, humidity = (0.0, moisture_sd), (0.0, humidity_sd)
    pairs: dict[str, tuple[list[float], list[float]]] = {method: ([], []) for method in METHODS}
    for event in Book(checks).standing("meter_check"):
        if event.payload.get("method") not in METHODS:
            continue
        method = event.payload["method"]
        try:
            shown = [float(value) for value in event.payload["shown"]]
            if method == "salt":
                true = [salt_humidity(float(event.payload["temperature_c"]))] * len(shown)
            else:
                true = [float(value) for value in event.payload["true"]]
        except (KeyError, TypeError):  # of a damaged file, or another program
            continue
        pairs[method][0].extend(shown)
        pairs[method][1].extend(true)
    made = tuple(method for method in METHODS if pairs[method][0])
    if "oven" in made:
        moisture = combine(moisture, bias_from_pairs(*pairs["oven"], OVEN_SD))
    if "salt" in made:
        humidity = combine(humidity, bias_from_pairs(*pairs["salt"], SALT_SD))
    beside = bias_from_pairs(*pairs["side_by_side"], 0.0) if "side_by_side" in made else (None, None)
    return MeterError(
        moisture_bias=moisture[0],
        moisture_sd=moisture[1],
        humidity_bias=humidity[0],
        humidity_sd=humidity[1],
        buyer_bias=beside[0],
        buyer_sd=beside[1],
        checked=made,
    )
