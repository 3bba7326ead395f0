"""What testing is worth: the best plan with a meter's reading against the best plan with a judgement by tooth or ear.

Everything rests on a table of net values by decision, true moisture and scenario; `core.testing.plan_worth` makes it
from the group's sale plan.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from core.accounts.finance import instalment, present_value
from core.errors import InputError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]

READING_STEPS = 241
REACH_SD = 5.0


@dataclass(frozen=True)
class DecisionTable:
    """Net values by decision, true moisture and scenario.

    Parameters
    ----------
    decisions : tuple of str, length D
        What can be done with the lot.
    moisture_pct : array, shape (M,)
        True moisture now, % wet basis, rising.
    values : array, shape (D, M, K)
        Net value in today's money; scenario k is the same weather, pests and prices everywhere.
    parts : Mapping of str to array, shape (D, M, K)
        Losses that are contained in ``values``, such as ``"over-drying"``, money, above 0 = a loss.
    """

    decisions: tuple[str, ...]
    moisture_pct: Array
    values: Array
    parts: Mapping[str, Array] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Refuse tables whose shapes do not fit or that hold no number somewhere."""
        shape = (len(self.decisions), len(self.moisture_pct))
        if min(shape) < 1 or self.values.ndim != 3 or self.values.shape[:2] != shape or self.values.shape[2] < 1:
            raise InputError("the table of values must have one number for each decision, moisture and scenario")
        if any(part.shape != self.values.shape for part in self.parts.values()):
            raise InputError("each part of the loss must have the shape of the values")
        if np.any(np.diff(self.moisture_pct) <= 0) or not np.all(np.isfinite(self.values)):
            raise InputError("moisture must rise along the table and every value must be a number")

    @cached_property
    def mean_values(self) -> Array:
        """Return the values averaged over the scenarios, (D, M)."""
        return np.asarray(self.values.mean(axis=2))

    def times(self, factor: float) -> DecisionTable:
        """Return the table with all money multiplied, for instance from one kg to a lot."""
        parts = {name: part * factor for name, part in self.parts.items()}
        return DecisionTable(self.decisions, self.moisture_pct, self.values * factor, parts)


def normal_belief(moisture_pct: ArrayLike, mean_pct: float, sd_pct: float) -> Array:
    """Return how likely each true moisture is before anything is measured.

    Parameters
    ----------
    moisture_pct : array_like, shape (M,)
        Grid of true moistures, % wet basis, rising.
    mean_pct, sd_pct : float
        Belief from the harvest, the weather and the days spread: mean and standard deviation, points.

    Returns
    -------
    array, shape (M,)
        Probabilities that add up to 1: the normal law's mass around each grid point.

    Raises
    ------
    InputError
        Where the spread is not above 0.
    """
    if not sd_pct > 0:
        raise InputError("the spread of the belief must be above 0, not {sd}", sd=sd_pct)
    from scipy.special import ndtr

    grid = np.asarray(moisture_pct, dtype=float)
    edges = np.r_[-np.inf, 0.5 * (grid[1:] + grid[:-1]), np.inf]
    return np.asarray(np.diff(ndtr((edges - mean_pct) / sd_pct)))


def reading_chances(moisture_pct: ArrayLike, error_sd_pct: float) -> Array:
    """Return how likely each reading is for each true moisture, for a method that names a number.

    Parameters
    ----------
    moisture_pct : array_like, shape (M,)
        True moistures, % wet basis.
    error_sd_pct : float
        Standard deviation of the method's error, points; 0 = no error.

    Returns
    -------
    array, shape (R, M)
        Each column adds up to 1.

    Raises
    ------
    InputError
        Where the error is below 0.
    """
    from scipy.special import ndtr

    grid = np.asarray(moisture_pct, dtype=float)
    if error_sd_pct < 0 or not math.isfinite(error_sd_pct):
        raise InputError("a method's error must be 0 or more, not {sd}", sd=error_sd_pct)
    if error_sd_pct == 0:
        return np.eye(len(grid))
    low, high = grid[0] - REACH_SD * error_sd_pct, grid[-1] + REACH_SD * error_sd_pct
    edges = np.r_[-np.inf, np.linspace(low, high, READING_STEPS), np.inf]
    return np.asarray(np.diff(ndtr((edges[:, None] - grid) / error_sd_pct), axis=0))


def threshold_chances(moisture_pct: ArrayLike, threshold_pct: float, error_sd_pct: float) -> Array:
    """Return how likely 'dry' and 'wet' are for each true moisture, for a method with only two answers.

    Parameters
    ----------
    moisture_pct : array_like, shape (M,)
        True moistures, % wet basis.
    threshold_pct : float
        Moisture at which both answers are as likely.
    error_sd_pct : float
        Spread of that threshold, points, above 0.

    Returns
    -------
    array, shape (2, M)
        Row 0 'dry', row 1 'wet'.

    Raises
    ------
    InputError
        Where the spread is not above 0.
    """
    if not error_sd_pct > 0:
        raise InputError("the spread of a yes-or-no test must be above 0, not {sd}", sd=error_sd_pct)
    from scipy.special import ndtr

    dry = ndtr((threshold_pct - np.asarray(moisture_pct, dtype=float)) / error_sd_pct)
    return np.array([dry, 1 - dry])


def no_knowledge(moisture_pct: ArrayLike) -> Array:
    """Return the chances of a method that says the same whatever the moisture, shape (1, M)."""
    return np.ones((1, len(np.asarray(moisture_pct))))


def sampling_error(bags: int, probed: int, bag_sd_pct: float, reading_sd_pct: float, bias_sd_pct: float) -> float:
    """Return the standard error of a lot's mean moisture from some probed bags.

    Parameters
    ----------
    bags, probed : int
        Bags in the lot, and bags probed once each, 1 to ``bags``.
    bag_sd_pct, reading_sd_pct, bias_sd_pct : float
        Spread between bags, between repeated readings, and of the meter's common error, points.

    Returns
    -------
    float
        Points.

    Raises
    ------
    InputError
        Where the count probed does not fit the lot.

    Notes
    -----
    ``u^2 = s_bag^2 / n (1 - n / N) + s_reading^2 / n + u_meter^2``: the meter's own error does not shrink with n.
    Source: simple random sampling without replacement, Cochran (1977), Sampling Techniques.
    """
    if not 1 <= probed <= bags:
        raise InputError("between 1 and {bags} bags can be tested, not {probed}", bags=bags, probed=probed)
    between = bag_sd_pct**2 / probed * (1 - probed / bags)
    return math.sqrt(between + reading_sd_pct**2 / probed + bias_sd_pct**2)


@dataclass(frozen=True)
class PolicyOutcome:
    """The best use of a method, expected before its answer is known.

    Parameters
    ----------
    choices : tuple of int, one for each answer
        Index of the decision taken.
    by_scenario : array, shape (K,)
        Value by scenario, money.
    parts : Mapping of str to array, shape (K,)
        Losses by scenario, money.
    chance_of_decision : array, shape (D,)
        How often each decision is taken.
    """

    choices: tuple[int, ...]
    by_scenario: Array
    parts: Mapping[str, Array]
    chance_of_decision: Array

    @property
    def mean(self) -> float:
        """Return the expected value, money."""
        return float(self.by_scenario.mean())


def best_use(table: DecisionTable, belief: ArrayLike, chances: ArrayLike) -> PolicyOutcome:
    """Return the outcome of deciding as well as possible after each answer of a method.

    Parameters
    ----------
    table : DecisionTable
        Net values.
    belief : array_like, shape (M,)
        Probabilities of the true moisture before the test.
    chances : array_like, shape (R, M)
        Probability of each answer for each true moisture.

    Raises
    ------
    InputError
        Where probabilities do not add up to 1 or shapes do not fit.

    Notes
    -----
    Preposterior analysis: for each answer the decision with the highest expected value given that answer, averaged
    over answers. Source: Raiffa & Schlaifer (1961), Applied Statistical Decision Theory.
    """
    joint = _joint(table, belief, chances)
    choices = np.argmax(joint @ table.mean_values.T, axis=1)
    taken = np.zeros((len(table.decisions), joint.shape[1]))
    np.add.at(taken, choices, joint)
    return PolicyOutcome(
        tuple(int(choice) for choice in choices),
        np.tensordot(taken, table.values, 2),
        {name: np.tensordot(taken, part, 2) for name, part in table.parts.items()},
        taken.sum(axis=1),
    )


def expected_value(table: DecisionTable, belief: ArrayLike, chances: ArrayLike) -> float:
    """Return the mean of `best_use` alone, money (parameters and errors as there)."""
    return float((_joint(table, belief, chances) @ table.mean_values.T).max(axis=1).sum())


def _joint(table: DecisionTable, belief: ArrayLike, chances: ArrayLike) -> Array:
    """Return the probability of each answer together with each moisture, (R, M), after checking both."""
    prior = np.asarray(belief, dtype=float)
    likelihood = np.asarray(chances, dtype=float)
    if prior.shape != table.moisture_pct.shape or likelihood.ndim != 2 or likelihood.shape[1] != len(prior):
        raise InputError("belief and chances must have one number for each moisture of the table")
    if abs(prior.sum() - 1) > 1e-9 or np.any(np.abs(likelihood.sum(axis=0) - 1) > 1e-9):
        raise InputError("probabilities must add up to 1")
    return np.asarray(likelihood * prior)


@dataclass(frozen=True)
class LotWorth:
    """What one method is worth over another for one lot.

    Parameters
    ----------
    by_scenario : array, shape (K,)
        Gain by scenario, money; the same scenarios with and without.
    avoided : Mapping of str to float
        Losses avoided on average by kind, money (below 0: more of that loss is accepted to save elsewhere).
    with_test, without_test : PolicyOutcome
        Both policies.
    perfect : float
        Gain if the true moisture were known, money: no test can be worth more.
    """

    by_scenario: Array
    avoided: Mapping[str, float]
    with_test: PolicyOutcome
    without_test: PolicyOutcome
    perfect: float

    @property
    def mean(self) -> float:
        """Return the expected gain, money, never below 0 but for rounding where the test says more."""
        return float(self.by_scenario.mean())


def worth_of_testing(
    table: DecisionTable, belief: ArrayLike, with_chances: ArrayLike, without_chances: ArrayLike
) -> LotWorth:
    """Return what testing is worth for a lot, expected before the reading is seen.

    Parameters
    ----------
    table : DecisionTable
        Net values.
    belief : array_like, shape (M,)
        Probabilities of the true moisture.
    with_chances, without_chances : array_like, shape (R, M)
        Answers of the meter, and of the judgement that stands in for it.

    Raises
    ------
    InputError
        As `best_use`.
    """
    tested = best_use(table, belief, with_chances)
    judged = best_use(table, belief, without_chances)
    known = expected_value(table, belief, np.eye(len(table.moisture_pct)))
    avoided = {name: float((judged.parts[name] - tested.parts[name]).mean()) for name in table.parts}
    return LotWorth(tested.by_scenario - judged.by_scenario, avoided, tested, judged, known - judged.mean)


@dataclass(frozen=True)
class ProbingWorth:
    """Worth by number of bags probed.

    Parameters
    ----------
    probed : array of int, shape (N,)
        Bags tested.
    error_pct : array, shape (N,)
        Standard error of the lot's mean, points.
    worth : array, shape (N,)
        Gain over the judgement, money.
    net : array, shape (N,)
        Gain less the cost of the tests, money.
    best : int
        Bags at which ``net`` is highest.
    """

    probed: NDArray[np.int64]
    error_pct: Array
    worth: Array
    net: Array
    best: int


def worth_of_probing(
    table: DecisionTable,
    belief: ArrayLike,
    without_chances: ArrayLike,
    bags: int,
    bag_sd_pct: float,
    reading_sd_pct: float,
    bias_sd_pct: float,
    cost_per_test: float,
) -> ProbingWorth:
    """Return what it is worth to probe more bags of a lot.

    Parameters
    ----------
    table, belief, without_chances
        As in `worth_of_testing`.
    bags : int
        Bags in the lot.
    bag_sd_pct, reading_sd_pct, bias_sd_pct : float
        As in `sampling_error`, points.
    cost_per_test : float
        Money for probing one bag.
    """
    tried = sorted({min(count, bags) for count in (1, 2, 3, 5, 7, 10, 15, 20, 30, 50)})
    errors = np.array([sampling_error(bags, count, bag_sd_pct, reading_sd_pct, bias_sd_pct) for count in tried])
    judged = expected_value(table, belief, without_chances)
    worth = np.array(
        [expected_value(table, belief, reading_chances(table.moisture_pct, float(error))) - judged for error in errors]
    )
    net = worth - cost_per_test * np.array(tried)
    return ProbingWorth(np.array(tried), errors, worth, net, tried[int(np.argmax(net))])


def worth_of_calibration(
    table: DecisionTable, belief: ArrayLike, sampling_sd_pct: float, bias_before_pct: float, bias_after_pct: float
) -> float:
    """Return what a calibration check is worth for one lot, money.

    Parameters
    ----------
    table, belief
        As in `worth_of_testing`.
    sampling_sd_pct : float
        Error of the lot's mean without the meter's own, points.
    bias_before_pct, bias_after_pct : float
        Standard deviation of the meter's common error before and after the check, points.
    """

    def value(bias: float) -> float:
        return expected_value(table, belief, reading_chances(table.moisture_pct, math.hypot(sampling_sd_pct, bias)))

    return value(bias_after_pct) - value(bias_before_pct)


@dataclass(frozen=True)
class SeasonWorth:
    """Worth of testing all lots of a season.

    Parameters
    ----------
    by_scenario : array, shape (K,)
        Money.
    by_member : dict of str to float
        Expected gain, money.
    avoided : dict of str to float
        Losses avoided on average, money.
    low, high : float
        10 and 90 % points over the scenarios, money.
    """

    by_scenario: Array
    by_member: dict[str, float]
    avoided: dict[str, float]
    low: float
    high: float

    @property
    def mean(self) -> float:
        """Return the expected gain of the season, money."""
        return float(self.by_scenario.mean())


def season_worth(lots: Mapping[str, LotWorth], owners: Mapping[str, Mapping[str, float]]) -> SeasonWorth:
    """Return the season's worth of testing from that of its lots, in the same scenarios.

    Parameters
    ----------
    lots : Mapping of lot to LotWorth
        All with the same number of scenarios.
    owners : Mapping of lot to (Mapping of member to share)
        Who owns the lot; shares add up to 1.

    Raises
    ------
    InputError
        Where there is no lot, scenarios differ, or shares do not add up to 1.
    """
    if not lots or len({len(worth.by_scenario) for worth in lots.values()}) != 1:
        raise InputError("the season needs at least one lot, all with the same scenarios")
    total = np.sum([worth.by_scenario for worth in lots.values()], axis=0)
    by_member: dict[str, float] = {}
    avoided: dict[str, float] = {}
    for lot, worth in lots.items():
        shares = owners.get(lot, {})
        if shares and abs(sum(shares.values()) - 1) > 1e-6:
            raise InputError("the shares in lot {lot} do not add up to 1", lot=lot)
        for member, share in shares.items():
            by_member[member] = by_member.get(member, 0.0) + share * worth.mean
        for kind, amount in worth.avoided.items():
            avoided[kind] = avoided.get(kind, 0.0) + amount
    low, high = (float(value) for value in np.percentile(total, [10, 90]))
    return SeasonWorth(total, by_member, avoided, low, high)


@dataclass(frozen=True)
class Payback:
    """Seasons until the meter has paid for itself.

    Parameters
    ----------
    low, median, high : float
        10, 50 and 90 % points, seasons; infinity where it does not within its life.
    chance_within_life : float
        How often it pays for itself before it is worn out.
    by_season : array, shape (life,)
        Chance that it has paid for itself after 1, 2, ... seasons.
    """

    low: float
    median: float
    high: float
    chance_within_life: float
    by_season: Array


def payback(
    meter_cost: float,
    worth_by_scenario: ArrayLike,
    upkeep_per_season: float,
    life_seasons: int,
    cost_of_money_per_season: float,
    seed: int,
    paths: int = 2000,
) -> Payback:
    """Return after how many seasons the meter has paid for itself, with its spread.

    Parameters
    ----------
    meter_cost : float
        Price now, money.
    worth_by_scenario : array_like, shape (K,)
        A season's worth of testing, money; every season is drawn from these anew.
    upkeep_per_season : float
        Batteries and calibration, money.
    life_seasons : int
        Seasons that the meter lasts.
    cost_of_money_per_season : float
        What a season's waiting costs, fraction.
    paths : int
        Histories drawn.

    Raises
    ------
    InputError
        Where price, life or cost of money is impossible.
    """
    if meter_cost < 0 or life_seasons < 1 or cost_of_money_per_season < 0:
        raise InputError("a meter has a price of 0 or more and lasts at least one season")
    worth = np.asarray(worth_by_scenario, dtype=float)
    drawn = np.random.default_rng(seed).choice(worth, size=(paths, life_seasons))
    worth_today = present_value(drawn - upkeep_per_season, cost_of_money_per_season, np.arange(1, life_seasons + 1))
    paid = np.cumsum(worth_today, axis=1) >= meter_cost
    seasons = np.where(paid.any(axis=1), paid.argmax(axis=1) + 1.0, np.inf)
    # "inverted_cdf" keeps infinity out of the arithmetic of interpolation
    low, median, high = (float(value) for value in np.percentile(seasons, [10, 50, 90], method="inverted_cdf"))
    by_season = np.array([float(np.mean(seasons <= season)) for season in range(1, life_seasons + 1)])
    return Payback(low, median, high, float(np.mean(np.isfinite(seasons))), by_season)


def paying_scale(
    meter_cost: float,
    season_worth_mean: float,
    upkeep_per_season: float,
    tests_cost: float,
    life_seasons: int,
    cost_of_money_per_season: float,
) -> float:
    """Return how many times as much grain as now would have to be tested for the meter to pay for itself on average.

    Parameters
    ----------
    meter_cost, season_worth_mean, upkeep_per_season, tests_cost : float
        Price now; a season's worth of testing, upkeep, and cost of its tests, money.
    life_seasons : int
        Seasons that the meter lasts.
    cost_of_money_per_season : float
        What a season's waiting costs, fraction.

    Returns
    -------
    float
        Below 1 it pays already; infinity where the tests cost more than they bring.

    Notes
    -----
    Worth and tests grow with the grain, price and upkeep do not: the annuity of the price and the upkeep over what a
    season brings.
    """
    brings = season_worth_mean - tests_cost
    if brings <= 0:
        return math.inf
    return (instalment(float(meter_cost), cost_of_money_per_season, life_seasons) + upkeep_per_season) / brings
