"""What a test is worth for the group's own lots: methods and their errors from the group's facts."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from core.errors import InputError
from core.testing.worth import (
    DecisionTable,
    LotWorth,
    ProbingWorth,
    expected_value,
    no_knowledge,
    normal_belief,
    reading_chances,
    sampling_error,
    threshold_chances,
    worth_of_calibration,
    worth_of_probing,
    worth_of_testing,
)

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

JUDGEMENTS = ("bite", "rattle", "salt_jar", "none")


@dataclass(frozen=True)
class Errors:
    """How far off each way of telling moisture is, standard deviations in points."""

    bags: float
    reading: float
    common: float
    common_checked: float
    bite: float
    rattle: float
    salt_threshold: float
    salt_spread: float


def judgement_chances(moisture_pct: NDArray[np.float64], judgement: str, errors: Errors) -> NDArray[np.float64]:
    """Return the answers of the judgement that stands in for a meter.

    Parameters
    ----------
    moisture_pct : array, shape (M,)
        True moistures.
    judgement : str
        One of `JUDGEMENTS`.
    errors : Errors
        How far off it is.

    Returns
    -------
    array, shape (R, M)

    Raises
    ------
    InputError
        Where the judgement is unknown.
    """
    if judgement == "salt_jar":
        return threshold_chances(moisture_pct, errors.salt_threshold, errors.salt_spread)
    if judgement in {"bite", "rattle"}:
        return reading_chances(moisture_pct, errors.bite if judgement == "bite" else errors.rattle)
    if judgement == "none":
        return no_knowledge(moisture_pct)
    raise InputError("judging without a meter is one of {names}", names=", ".join(JUDGEMENTS))


@dataclass(frozen=True)
class LotReport:
    """Worth of testing one lot, of more bags, and of a calibration check."""

    worth: LotWorth
    probing: ProbingWorth
    calibration: float


def report_table(
    table: DecisionTable,
    belief: NDArray[np.float64],
    bags: int,
    errors: Errors,
    judgement: str,
    probed: int,
    cost_per_test: float,
) -> LotReport:
    """Return what testing is worth for a lot whose values by decision are known.

    Parameters
    ----------
    table : DecisionTable
        The lot's values, money.
    belief : array, shape (M,)
        Probabilities of the true moisture before the test.
    bags : int
        Bags in the lot.
    errors : Errors
        Errors of the methods.
    judgement : str
        What is done without a meter.
    probed : int
        Bags tested with the meter.
    cost_per_test : float
        Money for probing a bag.
    """
    without = judgement_chances(table.moisture_pct, judgement, errors)
    probed = min(probed, bags)
    error = sampling_error(bags, probed, errors.bags, errors.reading, errors.common)
    worth = worth_of_testing(table, belief, reading_chances(table.moisture_pct, error), without)
    probing = worth_of_probing(table, belief, without, bags, errors.bags, errors.reading, errors.common, cost_per_test)
    own = sampling_error(bags, probed, errors.bags, errors.reading, 0.0)
    check = worth_of_calibration(table, belief, own, errors.common, errors.common_checked)
    return LotReport(worth, probing, check)


def retest_error(standard_error_pct: float, common_pct: float, sampling_pct: float) -> float:
    """Return the error of another test by the same meter, where its common error is in the belief already.

    Parameters
    ----------
    standard_error_pct : float
        How sure the lot's mean is now, standard error with the meter's common error in it, points.
    common_pct : float
        The meter's common error, the same in the old tests and the new one, points.
    sampling_pct : float
        Error of the new test's mean without the common one, points.

    Returns
    -------
    float
        Points; infinity where only the common error is left, which no further test by this meter takes away.

    Notes
    -----
    With ``e^2 = se^2 - b^2`` the new mean moves the belief by ``e^2 / sqrt(e^2 + n^2)`` (standard deviation, normal
    theory; b common, n
    sampling), and an independent reading with error s by ``se^2 / sqrt(se^2 + s^2)``: the s that makes both equal.
    """
    own = standard_error_pct**2 - common_pct**2
    if own <= 0:
        return math.inf
    square = standard_error_pct**4 * (own + sampling_pct**2) / own**2 - standard_error_pct**2
    return math.sqrt(max(square, 0.0))


def worth_of_retest(
    table: DecisionTable, bags: int, moisture_pct: float, standard_error_pct: float, errors: Errors, probed: int
) -> float:
    """Return what another test of a lot that was tested before is worth today, money.

    Parameters
    ----------
    table : DecisionTable
        The lot's values, money.
    bags : int
        Bags in the lot.
    moisture_pct, standard_error_pct : float
        The lot's mean as it is believed now, % wet basis, and its standard error, points.
    errors : Errors
        Errors of the meter.
    probed : int
        Bags that would be probed.

    Returns
    -------
    float
        0 or more.
    """
    sampling = sampling_error(bags, min(probed, bags), errors.bags, errors.reading, 0.0)
    error = retest_error(standard_error_pct, errors.common, sampling)
    if not math.isfinite(error):
        return 0.0
    belief = normal_belief(table.moisture_pct, moisture_pct, standard_error_pct)
    tested = expected_value(table, belief, reading_chances(table.moisture_pct, error))
    return max(tested - expected_value(table, belief, no_knowledge(table.moisture_pct)), 0.0)


@dataclass(frozen=True)
class FirstTests:
    """What the first tests of a season's lots said: count, mean and spread of the points above their limit."""

    lots: int
    above_limit: float
    spread: float


LEAST_LOTS = 5


def first_tests(readings: pd.DataFrame, lots: Mapping[int, tuple[str, float]]) -> FirstTests | None:
    """Return how the lots' first tests lay about their limits: the best guide to what is expected before the next ones.

    Parameters
    ----------
    readings : DataFrame
        The group's readings as the store gives them.
    lots : Mapping of lot number to (crop, limit in % wet basis)
        The lots to look at.

    Returns
    -------
    FirstTests or None
        None where fewer than five lots were tested.
    """
    from core.group.reading_moisture import moisture_of_readings

    above = []
    for _lot, rows in readings[readings["lot_id"].isin(list(lots))].groupby("lot_id"):
        crop, limit = lots[int(rows["lot_id"].iloc[0])]
        days = rows["taken_at"].dt.normalize()
        tested = moisture_of_readings(crop, rows[days == days.min()])["moisture_pct"].mean()
        if np.isfinite(tested):
            above.append(float(tested) - limit)
    if len(above) < LEAST_LOTS:
        return None
    return FirstTests(len(above), float(np.mean(above)), float(np.std(above, ddof=1)))


SALT_HUMIDITY_PCT, SALT_TEMPERATURE_C = 75.3, 25.0


def errors_for_crop(errors: Errors, commodity: str) -> Errors:
    """Return the errors with the salt jar's threshold, which is entered for maize, moved to another crop.

    Table salt draws water above one humidity of the air, 75.3 % at 25 °C (Greenspan 1977, J. Res. NBS 81A: saturated
    sodium chloride);
    each crop rests at its own moisture in such air, so the threshold moves by the difference to maize.
    """
    if commodity == "maize":
        return errors
    from core.grain.sorption import equilibrium_moisture

    here, maize = (
        float(equilibrium_moisture(crop, SALT_TEMPERATURE_C, SALT_HUMIDITY_PCT)) for crop in (commodity, "maize")
    )
    return replace(errors, salt_threshold=errors.salt_threshold + here - maize)


def errors_from_facts(facts: Mapping[str, Any]) -> Errors:
    """Return the methods' errors from the group's facts (objects with ``.value``)."""
    names = ("bags", "reading", "common", "common_checked", "bite", "rattle")
    values = {name: float(facts[f"meter.error.{name}"].value) for name in names}
    return Errors(
        **values,
        salt_threshold=float(facts["meter.salt_jar.threshold"].value),
        salt_spread=float(facts["meter.salt_jar.spread"].value),
    )
