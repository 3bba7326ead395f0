"""How sure a lot's moisture is, and what may be said about it: estimate, verdict, and what would settle a doubt."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from core.errors import InputError
from core.given import check_kind, takes_numbers
from core.messages import plural
from core.storage.keeping import DRY, UNSURE, WET
from core.storage.retest import USUAL_BAG_SD

USUAL_BAG_SD_WEIGHT = 2.0
# Repeated tests of one bag differ by about this much with hand-held meters (judgement; replaced by repeats where made).
USUAL_READING_SD = 0.2
# A meter that nobody has checked: within about 1 point in 95 of 100 cases.
UNCHECKED_METER_SD = 0.5


@dataclass(frozen=True, kw_only=True)
class LotMoisture:
    """A lot's moisture with its uncertainty.

    Parameters
    ----------
    mean_pct : float
        Mean of the lot, % wet basis, corrected for what is known of the meter.
    standard_error_pct : float
        Standard error of that mean in points: sampling, reading and common error together.
    bag_sd_pct : float
        Standard deviation between bags, points.
    degrees_of_freedom : float
        For Student's t (Welch-Satterthwaite); infinite where only the common error counts.
    bags, bags_probed, readings : int
        Bags in the lot, bags probed, tests made.
    common_sd_pct : float
        The part that is the same for all bags (meter, isotherm) and does not shrink with more of them, points.
    reading_sd_pct : float
        Standard deviation of repeated tests of one bag, points.
    bag_means_pct : mapping of str to float
        Mean of each probed bag, corrected like the mean.
    """

    mean_pct: float
    standard_error_pct: float
    bag_sd_pct: float = 0.0
    degrees_of_freedom: float = math.inf
    bags: int = 1
    bags_probed: int = 1
    readings: int = 1
    common_sd_pct: float = 0.0
    reading_sd_pct: float = 0.0
    bag_means_pct: Mapping[str, float] = field(default_factory=dict)

    def interval(self, coverage: float) -> tuple[float, float]:
        """Return the range, % wet basis, that holds the lot's mean with the given probability."""
        half = student_quantile(0.5 + coverage / 2, self.degrees_of_freedom) * self.standard_error_pct
        return self.mean_pct - half, self.mean_pct + half


@takes_numbers(whole=("bags",))
def bags_to_probe(bags: int) -> int:
    """Return how many bags of a lot to probe: all up to 10, 10 up to 100, then the square root rounded up.

    Raises
    ------
    InputError
        The number of bags is below one.

    Notes
    -----
    The tradition of ISO 950 and ISO 13690 (cereals in bags), from memory of both.
    """
    if bags < 1:
        raise InputError("{bags} is not a number of bags", bags=bags)
    if bags <= 10:
        return int(bags)
    return 10 if bags <= 100 else math.ceil(math.sqrt(bags))


def bags_for_precision(bag_sd: float, half_width: float, bags: int, confidence: float = 0.95) -> int:
    """Return how many bags to probe so that the mean is known within plus or minus ``half_width`` points.

    Parameters
    ----------
    bag_sd : float
        Standard deviation between bags, points.
    half_width : float
        Wanted half width, points.
    bags : int
        Bags in the lot.
    confidence : float
        Two-sided confidence.

    Notes
    -----
    n0 = (z s / E)^2 and n = n0 / (1 + n0 / N): Cochran, Sampling Techniques (1977), eq. 4.4 and 4.5.
    The meter's own error is not in it: more bags do not shrink that.
    """
    if bag_sd < 0 or half_width <= 0 or not 0 < confidence < 1:
        raise InputError("the spread must not be negative, and the wanted precision must be above zero")
    needed = (student_quantile(0.5 + confidence / 2, math.inf) * bag_sd / half_width) ** 2
    return min(bags, max(1, math.ceil(needed / (1 + needed / bags))))


@takes_numbers(
    alone=("readings_pct",),
    finite=("meter_bias_sd", "meter_bias", "isotherm_sd", "reading_sd", "usual_bag_sd"),
    whole=("bags",),
)
def estimate_lot(
    readings_pct: ArrayLike,
    bags: int,
    meter_bias_sd: float = UNCHECKED_METER_SD,
    *,
    meter_bias: float = 0.0,
    isotherm_sd: float = 0.0,
    reading_sd: float | None = None,
    bag_names: Sequence[str] | None = None,
    usual_bag_sd: float = USUAL_BAG_SD,
) -> LotMoisture:
    """Return a lot's mean moisture with its standard error.

    Parameters
    ----------
    readings_pct : array_like, shape (n,)
        Tests, % wet basis.
    bags : int
        Bags in the lot; never taken as fewer than were probed.
    meter_bias_sd : float
        Standard deviation of the meter's own bias, points: the same for all bags.
    meter_bias : float
        What the meter is known to show too much, points; taken off.
    isotherm_sd : float
        Standard deviation of the sorption relation's error, points: the same for all bags.
    reading_sd : float, optional
        Standard deviation of repeated tests of one bag; learnt from repeats, or usual, when absent.
    bag_names : sequence of str, shape (n,), optional
        The bag of each test; each test is of another bag when absent.
    usual_bag_sd : float
        Spread between bags that stands in where one or two were probed, points.

    Returns
    -------
    LotMoisture
        The estimate.

    Raises
    ------
    InputError
        There is no test, or one is not between 0 and 100.

    Notes
    -----
    u^2 = s_b^2 / n (1 - n / N) + s_r^2 / (n m) + u_common^2 (Cochran 1977, two-stage sampling, with a systematic
    part added as JCGM 100:2008 section 5.1 does); degrees of freedom by Welch-Satterthwaite (JCGM 100:2008, G.2b).
    With one or two bags the usual spread between bags is pooled with what was seen (judgement).
    """
    values = np.asarray(readings_pct, dtype=float).ravel()
    if values.size == 0:
        raise InputError(
            plural(
                "bags",
                "there is no test of this lot yet; test {bags} bag",
                "there is no test of this lot yet; test {bags} bags",
                bags=bags_to_probe(max(1, int(bags))),
            )
        )
    outside = values[~((values >= 0) & (values < 100))]
    if outside.size:
        raise InputError("a moisture of {value} % is outside 0-100", value=float(outside[0]))
    if any(sd is not None and sd < 0 for sd in (meter_bias_sd, isotherm_sd, reading_sd)):
        raise InputError("a standard deviation cannot be negative")
    names = [str(name) for name in bag_names] if bag_names is not None else [str(i + 1) for i in range(values.size)]
    if len(names) != values.size:
        raise InputError("each test needs its bag: {tests} tests, {names} bags", tests=values.size, names=len(names))
    grouped: dict[str, list[float]] = {}
    for name, value in zip(names, values - meter_bias, strict=True):
        grouped.setdefault(name, []).append(float(value))
    means = {name: float(np.mean(tests)) for name, tests in grouped.items()}
    probed = len(means)
    in_lot = max(int(bags), probed)
    tests_per_bag = probed / sum(1 / len(tests) for tests in grouped.values())
    observed = np.array(list(means.values()))
    variance, spread_df = _between_bags(observed, usual_bag_sd)
    repeat = _reading_sd(grouped, reading_sd)
    # Never more reading error than the whole spread that was seen.
    reading_variance = min(repeat**2 / tests_per_bag, variance) if probed > 2 else repeat**2 / tests_per_bag
    bag_variance = max(variance - reading_variance, 0.0)
    by_bags = bag_variance / probed * (1 - probed / in_lot)
    by_reading = reading_variance / probed
    common = meter_bias_sd**2 + isotherm_sd**2
    total = by_bags + by_reading + common
    sampled = by_bags + by_reading if probed < in_lot else 0.0
    # With every bag probed nothing was left to chance but the reading error, whose size is taken as known.
    freedom = spread_df * (total / sampled) ** 2 if sampled > 0 else math.inf
    return LotMoisture(
        mean_pct=float(observed.mean()),
        standard_error_pct=math.sqrt(total),
        bag_sd_pct=math.sqrt(bag_variance),
        degrees_of_freedom=freedom,
        bags=in_lot,
        bags_probed=probed,
        readings=int(values.size),
        common_sd_pct=math.sqrt(common),
        reading_sd_pct=repeat,
        bag_means_pct=means,
    )


def _between_bags(observed: np.ndarray, usual_bag_sd: float) -> tuple[float, float]:
    """Return the variance of bag means (shape (n,)) and its degrees of freedom, pooled with the usual for n < 3."""
    squares = observed.var() * observed.size
    weight = USUAL_BAG_SD_WEIGHT if observed.size < 3 else 0.0
    freedom = weight + observed.size - 1
    return float(weight * usual_bag_sd**2 + squares) / freedom, freedom


def _reading_sd(grouped: Mapping[str, Sequence[float]], given: float | None) -> float:
    """Return the spread of repeated tests, learnt where at least four repeats were made."""
    if given is not None:
        return given
    freedom = sum(len(tests) - 1 for tests in grouped.values())
    if freedom < 4:
        return USUAL_READING_SD
    squares = sum(float(np.var(tests)) * len(tests) for tests in grouped.values())
    return math.sqrt(squares / freedom)


def student_quantile(probability: float, freedom: float) -> float:
    """Return a quantile of Student's t; of the normal distribution where the degrees of freedom are infinite."""
    from scipy.special import ndtri, stdtrit

    return float(ndtri(probability) if math.isinf(freedom) else stdtrit(freedom, probability))


def student_probability(value: float, freedom: float) -> float:
    """Return the probability of a smaller value than ``value`` under Student's t (normal where infinite)."""
    from scipy.special import ndtr, stdtr

    return float(ndtr(value) if math.isinf(freedom) else stdtr(freedom, value))


def acceptance_limit(limit_pct: float, standard_error_pct: float, risk: float, freedom: float = math.inf) -> float:
    """Return the highest mean, % wet basis, that is still called dry enough: the limit less the guard band.

    Notes
    -----
    JCGM 106:2012 (ISO/IEC Guide 98-4) section 8.3: a guarded acceptance keeps the chance of accepting a lot that is
    too wet at or below ``risk``.
    """
    return limit_pct - student_quantile(1 - risk, freedom) * standard_error_pct


@takes_numbers(alone=("limit_pct", "risk", "wet_risk"))
def judge_dryness(
    lot_moisture: LotMoisture, limit_pct: float, risk: float = 0.05, wet_risk: float | None = None
) -> str:
    """Return "dry enough", "too wet" or "cannot tell" for the mean of a lot.

    Parameters
    ----------
    lot_moisture : LotMoisture
        The estimate.
    limit_pct : float
        The limit, % wet basis.
    risk : float
        Greatest chance of calling a lot dry enough that is too wet, above 0 and at most 0.5.
    wet_risk : float, optional
        Greatest chance of calling a lot too wet that is dry enough; as ``risk`` when absent.

    Raises
    ------
    InputError
        A risk is not above 0 and at most 0.5, or the limit is not between 0 and 100.

    Notes
    -----
    One-sided each way with Student's t: guarded acceptance and guarded rejection of JCGM 106:2012, section 8.3.
    """
    check_kind("lot_moisture", lot_moisture, LotMoisture)
    other = risk if wet_risk is None else wet_risk
    for value in (risk, other):
        if not 0 < value <= 0.5:
            raise InputError("a risk of {value} is not above 0 and at most 0.5", value=value)
    if not 0 < limit_pct < 100:
        raise InputError("a moisture limit of {value} % is outside 0-100", value=limit_pct)
    error, freedom = lot_moisture.standard_error_pct, lot_moisture.degrees_of_freedom
    if lot_moisture.mean_pct <= acceptance_limit(limit_pct, error, risk, freedom):
        return DRY
    if lot_moisture.mean_pct > limit_pct + student_quantile(1 - other, freedom) * error:
        return WET
    return UNSURE


LOWEST_RISK, HIGHEST_RISK = 0.01, 0.5
"""Bounds of the risk (judgement): never blind trust, never more caution than a hundred to one."""


def risk_by_cost(cost_if_wet: float, cost_of_a_day: float) -> float:
    """Return the risk to take: accept when the chance of being too wet times its cost is below one more day's cost.

    Parameters
    ----------
    cost_if_wet : float
        What a refused or spoilt lot costs, in money.
    cost_of_a_day : float
        What one more day of drying costs, in the same money.

    Notes
    -----
    JCGM 106:2012, section 9 and annex: the guard band that balances both costs.
    """
    if cost_if_wet < 0 or cost_of_a_day < 0:
        raise InputError("costs cannot be negative")
    if cost_if_wet == 0:
        return HIGHEST_RISK
    return min(HIGHEST_RISK, max(LOWEST_RISK, cost_of_a_day / cost_if_wet))


def more_bags_to_settle(lot: LotMoisture, limit_pct: float, risk: float = 0.05) -> int | None:
    """Return how many more bags would settle a "cannot tell", were they like those probed; None: none would.

    None means that the common error (meter, isotherm) alone leaves the doubt: the meter needs a check.
    """
    if judge_dryness(lot, limit_pct, risk) != UNSURE:
        return 0
    distance = abs(lot.mean_pct - limit_pct)
    bag_variance, reading_variance = lot.bag_sd_pct**2, lot.reading_sd_pct**2
    for probed in range(lot.bags_probed + 1, lot.bags + 1):
        sampled = bag_variance / probed * (1 - probed / lot.bags) + reading_variance / probed
        total = sampled + lot.common_sd_pct**2
        freedom = (probed - 1) * (total / sampled) ** 2 if sampled > 0 else math.inf
        if distance >= student_quantile(1 - risk, freedom) * math.sqrt(total):
            return probed - lot.bags_probed
    return None


def share_above(lot: LotMoisture, limit_pct: float) -> float:
    """Return the expected share (0-1) of the lot's bags that lie above the limit.

    Probed bags count by their own tests, the others as drawn from the bags seen (normal, with the error of the mean).
    """
    known = [chance_bag_above(lot, mean, limit_pct) for mean in lot.bag_means_pct.values()]
    rest = lot.bags - len(known)
    spread = math.hypot(lot.bag_sd_pct, lot.standard_error_pct)
    chance = (
        student_probability((lot.mean_pct - limit_pct) / spread, lot.degrees_of_freedom)
        if spread > 0
        else float(lot.mean_pct > limit_pct)
    )
    return (sum(known) + rest * chance) / lot.bags


def chance_bag_above(lot: LotMoisture, bag_mean_pct: float, limit_pct: float) -> float:
    """Return the probability that one probed bag lies above the limit."""
    error = math.hypot(lot.reading_sd_pct, lot.common_sd_pct)
    if error == 0:
        return float(bag_mean_pct > limit_pct)
    return student_probability((bag_mean_pct - limit_pct) / error, math.inf)


def bags_to_dry_again(lot: LotMoisture, limit_pct: float) -> tuple[str, ...]:
    """Return the names of the probed bags that are more likely above the limit than below it, wettest first."""
    wet = [(mean, name) for name, mean in lot.bag_means_pct.items() if mean > limit_pct]
    return tuple(name for _, name in sorted(wet, reverse=True))


def judge_bags(lot: LotMoisture, limit_pct: float, risk: float = 0.05, allowed_share: float = 0.05) -> str:
    """Return the verdict for storing: whether at most ``allowed_share`` of the bags lie above the limit.

    A damp bag spoils in the store whatever the mean is, so that the wettest bags are judged, not the mean.

    Notes
    -----
    One-sided statistical tolerance limit of a normal population with unknown spread (ISO 16269-6:2014, section 5;
    factor by the non-central t distribution), the common error added in quadrature. Where every bag was probed
    each bag is judged by itself.
    """
    if not 0 < risk <= 0.5 or not 0 < allowed_share < 1:
        raise InputError("risk and allowed share must lie between 0 and 1")
    if lot.bags_probed == lot.bags:
        chances = [chance_bag_above(lot, mean, limit_pct) for mean in lot.bag_means_pct.values()]
        if sum(chance > 0.5 for chance in chances) > allowed_share * lot.bags and max(chances) >= 1 - risk:
            return WET
        return DRY if sum(chance > risk for chance in chances) <= allowed_share * lot.bags else UNSURE
    low, high = _bag_quantile_bounds(lot, risk, allowed_share)
    if high <= limit_pct:
        return DRY
    return WET if low > limit_pct else UNSURE


def _bag_quantile_bounds(lot: LotMoisture, risk: float, allowed_share: float) -> tuple[float, float]:
    """Return lower and upper one-sided bounds of the moisture that all but ``allowed_share`` of the bags stay below."""
    from scipy.special import nctdtrit

    wanted = student_quantile(1 - allowed_share, math.inf)
    centre = lot.mean_pct + wanted * lot.bag_sd_pct
    root = math.sqrt(lot.bags_probed)
    freedom = max(1, lot.bags_probed - 1)
    spread = math.hypot(lot.bag_sd_pct, 0.0 if lot.bag_sd_pct else lot.reading_sd_pct)
    upper = float(nctdtrit(freedom, wanted * root, 1 - risk)) / root * spread
    lower = float(nctdtrit(freedom, wanted * root, risk)) / root * spread
    by_common = student_quantile(1 - risk, math.inf) * lot.common_sd_pct
    above = math.hypot(upper - wanted * lot.bag_sd_pct, by_common)
    below = math.hypot(max(0.0, wanted * lot.bag_sd_pct - lower), by_common)
    return centre - below, centre + above
