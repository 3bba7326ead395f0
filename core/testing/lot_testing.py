"""What a test is worth for the group's own lots: their decisions, beliefs and methods from the group's facts."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from core.errors import InputError
from core.market.deductions import flat_deductions
from core.storage.loss import dry_matter_loss
from core.testing.bagging import BaggingTerms, bagging_table, moisture_after_days
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
GRID_STEP_PCT = 0.25
MOST_DAYS = 8
MOST_MOISTURE_PCT = 45.0


@dataclass(frozen=True)
class LotCase:
    """A lot about to be bagged.

    Parameters
    ----------
    mass_kg : float
        Mass at the expected moisture, kg.
    expected_moisture_pct : float
        What the group expects before any test, % wet basis.
    limit_pct : float
        Moisture up to which the buyer pays in full, % wet basis.
    price_per_kg : float
        Price expected at the sale, money.
    """

    commodity: str
    bags: int
    mass_kg: float
    expected_moisture_pct: float
    limit_pct: float
    price_per_kg: float


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


@dataclass(frozen=True)
class Circumstances:
    """What is the same for all lots: weather, prices and store in the same scenarios.

    Parameters
    ----------
    rate_per_day, floor_pct : array, shape (K,)
        Drying rate, and the moisture towards which the days dry relative to the buyer's limit, points below it.
    price_factor : array, shape (K,)
        Price at the sale over the expected one, brought to today.
    belief_sd_pct : float
        How unsure the group is of a lot before any test, points.
    store_days, store_temperature_c : float
        Time and temperature in store.
    deduction_per_point, refusal_above_limit_pct, refused_price, day_cost_per_kg : float
        Buyer's terms, and the work of a day's spreading, money per kg.
    """

    rate_per_day: NDArray[np.float64]
    floor_below_limit_pct: NDArray[np.float64]
    price_factor: NDArray[np.float64]
    belief_sd_pct: float
    store_days: float
    store_temperature_c: float
    deduction_per_point: float
    refusal_above_limit_pct: float
    refused_price: float
    day_cost_per_kg: float


def draw_circumstances(
    seed: int, scenarios: int, drying_rate: float, floor_below_limit_pct: float, price_spread: float, **fixed: float
) -> Circumstances:
    """Return scenarios of weather and price for all lots together.

    Parameters
    ----------
    drying_rate : float
        Mean rate constant per day.
    floor_below_limit_pct : float
        Mean points below the buyer's limit towards which the days dry.
    price_spread : float
        Standard deviation of the price about the expected one, fraction.
    **fixed : float
        The other entries of `Circumstances`.

    Returns
    -------
    Circumstances
        Rates and prices lognormal about their means, floors normal within one point (judgement).
    """
    generator = np.random.default_rng(seed)
    rate_sd, price_sd = (float(np.sqrt(np.log1p(spread**2))) for spread in (0.4, price_spread))
    return Circumstances(
        drying_rate * np.exp(generator.normal(-0.5 * rate_sd**2, rate_sd, scenarios)),
        generator.normal(floor_below_limit_pct, 0.7, scenarios),
        np.exp(generator.normal(-0.5 * price_sd**2, price_sd, scenarios)),
        **fixed,
    )


def lot_table(case: LotCase, around: Circumstances) -> tuple[DecisionTable, NDArray[np.float64]]:
    """Return the decisions for a lot and the belief about its moisture.

    Parameters
    ----------
    around : Circumstances
        Scenarios.

    Returns
    -------
    (DecisionTable, array of shape (M,))
        Bag now or after 1 to 8 more days; probabilities of the true moisture.

    Raises
    ------
    InputError
        Where the lot's figures are impossible.
    """
    if case.mass_kg <= 0 or case.price_per_kg < 0 or not 3 < case.expected_moisture_pct < MOST_MOISTURE_PCT:
        raise InputError("the lot's mass, price or moisture is impossible")
    reach = 4 * around.belief_sd_pct
    grid = np.arange(
        max(case.expected_moisture_pct - reach, 2.0),
        min(case.expected_moisture_pct + reach, MOST_MOISTURE_PCT) + GRID_STEP_PCT / 2,
        GRID_STEP_PCT,
    )
    days = np.arange(MOST_DAYS + 1)
    floor = np.clip(case.limit_pct - around.floor_below_limit_pct, 2.0, None)
    refusal = case.limit_pct + around.refusal_above_limit_pct
    cut = flat_deductions(case.limit_pct, around.deduction_per_point, refusal_pct=refusal, reading_sd_pct=0.0)
    terms = BaggingTerms(cut, around.refused_price, around.day_cost_per_kg)
    dry_matter = case.mass_kg * (1 - case.expected_moisture_pct / 100)

    def spoilt(moisture: NDArray[np.float64]) -> NDArray[np.float64]:
        loss = dry_matter_loss(case.commodity, around.store_days, around.store_temperature_c, moisture)
        return np.asarray(loss, dtype=float) / 100

    bagged = moisture_after_days(grid, days, around.rate_per_day, floor)
    table = bagging_table(dry_matter, grid, days, bagged, case.price_per_kg * around.price_factor, terms, spoilt)
    return table, normal_belief(grid, case.expected_moisture_pct, around.belief_sd_pct)


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
