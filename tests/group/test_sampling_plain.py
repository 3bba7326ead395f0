"""A lot's moisture reckoned a second time: plain sums over bags and tests, scipy's distributions, a search by trying.

Formulas as the docstrings of `core/group/sampling.py` cite them (Cochran 1977, JCGM 100 and 106, ISO 16269-6); written
again without its code.
"""

from __future__ import annotations

import math
import random
import statistics
from dataclasses import replace

import pytest
from scipy import stats

from core.errors import InputError
from core.group.sampling import (
    DRY,
    UNSURE,
    WET,
    LotMoisture,
    bags_for_precision,
    bags_to_dry_again,
    bags_to_probe,
    chance_bag_above,
    estimate_lot,
    judge_bags,
    judge_dryness,
    more_bags_to_settle,
    risk_by_cost,
    share_above,
)


def a_draw(seed: int):
    """One to eight probed bags of up to twelve, one to three tests each."""
    draw = random.Random(seed)
    probed = draw.randint(1, 8)
    tests = {f"bag {n}": [round(draw.gauss(13, 1), 1) for _ in range(draw.randint(1, 3))] for n in range(probed)}
    values = [value for row in tests.values() for value in row]
    names = [name for name, row in tests.items() for _ in row]
    bags = draw.choice([0, probed, probed + 1, probed + 4, 40])
    errors = {
        "meter_bias_sd": draw.choice([0.0, 0.3, 0.5]),
        "meter_bias": draw.choice([0.0, 0.4]),
        "isotherm_sd": draw.choice([0.0, 0.35]),
        "reading_sd": draw.choice([None, 0.0, 0.25]),
        "usual_bag_sd": draw.choice([0.75, 1.1]),
    }
    return tests, values, names, bags, errors


def plain_estimate(tests, bags, e):
    """Return mean, squared standard error, bag variance, reading sd, degrees of freedom, bags in the lot."""
    tests = {name: [value - e["meter_bias"] for value in row] for name, row in tests.items()}
    means = [statistics.fmean(row) for row in tests.values()]
    n, m = len(means), len(means) / sum(1 / len(row) for row in tests.values())
    in_lot = bags if bags > n else n
    if n >= 3:
        between, df = statistics.variance(means), n - 1
    elif n == 2:  # two of the usual worth of freedom, one seen
        between, df = (2 * e["usual_bag_sd"] ** 2 + statistics.variance(means)) / 3, 3
    else:
        between, df = e["usual_bag_sd"] ** 2, 2
    repeats = sum(len(row) - 1 for row in tests.values())
    reading = e["reading_sd"]
    if reading is None and repeats < 4:
        reading = 0.2
    elif reading is None:
        inside = sum((value - statistics.fmean(row)) ** 2 for row in tests.values() for value in row)
        reading = math.sqrt(inside / repeats)
    by_reading = reading**2 / m
    if n > 2 and by_reading > between:
        by_reading = between
    by_bag = between - by_reading if between > by_reading else 0.0
    sampled = by_bag / n * (in_lot - n) / in_lot + by_reading / n
    total = sampled + e["meter_bias_sd"] ** 2 + e["isotherm_sd"] ** 2
    freedom = df * (total / sampled) ** 2 if sampled > 0 and n < in_lot else math.inf
    return statistics.fmean(means), total, by_bag, reading, freedom, in_lot


@pytest.mark.parametrize("seed", range(40))
def test_a_lot_is_estimated_as_a_plain_sum_has_it(seed):
    tests, values, names, bags, errors = a_draw(seed)
    lot = estimate_lot(values, bags, bag_names=names, **errors)
    mean, total, by_bag, reading, freedom, in_lot = plain_estimate(tests, bags, errors)
    assert lot.mean_pct == pytest.approx(mean)
    assert lot.standard_error_pct == pytest.approx(math.sqrt(total))
    assert lot.bag_sd_pct == pytest.approx(math.sqrt(by_bag), abs=1e-9)
    assert lot.reading_sd_pct == pytest.approx(reading)
    assert lot.degrees_of_freedom == pytest.approx(freedom)
    assert (lot.bags, lot.bags_probed, lot.readings) == (in_lot, len(tests), len(values))
    assert lot.common_sd_pct == pytest.approx(math.hypot(errors["meter_bias_sd"], errors["isotherm_sd"]))
    half = (stats.norm if math.isinf(freedom) else stats.t(freedom)).ppf(0.95) * math.sqrt(total)
    assert lot.interval(0.9) == pytest.approx((mean - half, mean + half))
    assert estimate_lot(values, bags).bags_probed == len(values)  # without names each test is of another bag


def plain_verdict(mean, error, freedom, limit, risk, wet_risk=None):
    law = stats.norm if math.isinf(freedom) else stats.t(freedom)
    if mean <= limit - law.ppf(1 - risk) * error:
        return DRY
    return WET if mean > limit + law.ppf(1 - (wet_risk or risk)) * error else UNSURE


@pytest.mark.parametrize("seed", range(60, 84))
def test_what_is_said_of_a_lot_follows_plainly(seed):
    """Verdict, share of wet bags and the number of further bags, each by its definition, at several limits."""
    _tests, values, names, bags, errors = a_draw(seed)
    lot = estimate_lot(values, bags, bag_names=names, **errors)
    for limit in (12.0, 12.8, 13.3, 14.1):
        for risk in (0.05, 0.3):
            mean, error, freedom = lot.mean_pct, lot.standard_error_pct, lot.degrees_of_freedom
            verdict = plain_verdict(mean, error, freedom, limit, risk)
            assert judge_dryness(lot, limit, risk) == verdict
            assert judge_dryness(lot, limit, risk, 0.45) == plain_verdict(mean, error, freedom, limit, risk, 0.45)
            more = more_bags_to_settle(lot, limit, risk)
            if verdict != UNSURE:
                assert more == 0
                continue
            settles = [n for n in range(lot.bags_probed + 1, lot.bags + 1) if settled_by(lot, n, limit, risk)]
            assert more == (settles[0] - lot.bags_probed if settles else None)
            if risk == 0.05:  # one in twenty where nothing else is asked for
                assert more_bags_to_settle(lot, limit) == more
        known = [chance_above(lot, mean, limit) for mean in lot.bag_means_pct.values()]
        spread = math.sqrt(lot.bag_sd_pct**2 + lot.standard_error_pct**2)
        law = stats.norm if math.isinf(lot.degrees_of_freedom) else stats.t(lot.degrees_of_freedom)
        other = law.cdf((lot.mean_pct - limit) / spread) if spread else float(lot.mean_pct > limit)
        share = (sum(known) + (lot.bags - len(known)) * other) / lot.bags
        assert share_above(lot, limit) == pytest.approx(share, abs=1e-9)
        wettest = sorted(lot.bag_means_pct, key=lambda name: lot.bag_means_pct[name])[::-1]
        assert set(bags_to_dry_again(lot, limit)) == {name for name in wettest if lot.bag_means_pct[name] > limit}


def chance_above(lot, mean, limit):
    error = math.sqrt(lot.reading_sd_pct**2 + lot.common_sd_pct**2)
    return stats.norm.cdf((mean - limit) / error) if error else float(mean > limit)


def settled_by(lot, probed, limit, risk):
    """With so many bags like those probed."""
    sampled = lot.bag_sd_pct**2 / probed * (lot.bags - probed) / lot.bags + lot.reading_sd_pct**2 / probed
    total = sampled + lot.common_sd_pct**2
    freedom = (probed - 1 or 1) * (total / sampled) ** 2 if sampled > 0 else math.inf
    guard = stats.norm.ppf(1 - risk) if math.isinf(freedom) else stats.t.ppf(1 - risk, freedom)
    return abs(lot.mean_pct - limit) >= guard * math.sqrt(total)


@pytest.mark.parametrize("seed", range(120, 144))
def test_the_verdict_for_storing_by_the_plain_tolerance_limit(seed):
    """All bags probed: each by itself. Else mean + k s with k of the non-central t, the common error in quadrature."""
    _tests, values, names, bags, errors = a_draw(seed)
    lot = estimate_lot(values, bags, bag_names=names, **errors)
    for limit in (11.5, 12.5, 13.4, 14.5, 16.0):
        for risk, allowed in ((0.05, 0.05), (0.3, 0.2)):
            assert judge_bags(lot, limit, risk, allowed) == plain_storing(lot, limit, risk, allowed)


def plain_storing(lot, limit, risk, allowed):
    if lot.bags_probed == lot.bags:
        chances = [chance_above(lot, mean, limit) for mean in lot.bag_means_pct.values()]
        if len([c for c in chances if c > 0.5]) > allowed * lot.bags and any(c >= 1 - risk for c in chances):
            return WET
        return DRY if len([c for c in chances if c > risk]) <= allowed * lot.bags else UNSURE
    n, z = lot.bags_probed, stats.norm.ppf(1 - allowed)
    s = lot.bag_sd_pct or lot.reading_sd_pct
    k_high, k_low = (stats.nct.ppf(p, max(n - 1, 1), z * math.sqrt(n)) / math.sqrt(n) for p in (1 - risk, risk))
    common = stats.norm.ppf(1 - risk) * lot.common_sd_pct
    centre, usual = lot.mean_pct + z * lot.bag_sd_pct, z * lot.bag_sd_pct
    high = centre + math.sqrt(max(k_high * s - usual, 0) ** 2 + common**2)
    low = centre - math.sqrt(max(usual - k_low * s, 0) ** 2 + common**2)
    return DRY if high <= limit else WET if low > limit else UNSURE


def test_without_any_error_the_mean_itself_decides():
    """No spread, no error: one bag more than the limit or not, at the limit it is dry enough."""
    lot = LotMoisture(mean_pct=13.5, standard_error_pct=0.0, bags=4, bags_probed=1, bag_means_pct={"a": 13.5})
    assert (judge_dryness(lot, 13.5), judge_dryness(lot, 13.4), judge_dryness(lot, 13.6)) == (DRY, WET, DRY)
    assert (share_above(lot, 13.5), share_above(lot, 13.4)) == (0.0, 1.0)
    assert (chance_bag_above(lot, 13.5, 13.5), chance_bag_above(lot, 13.6, 13.5)) == (0.0, 1.0)
    assert bags_to_dry_again(lot, 13.5) == ()
    # one bag, probed once, with no error of its own, where nothing else is said
    alone = LotMoisture(mean_pct=13.0, standard_error_pct=0.0)
    assert (share_above(alone, 13.0), share_above(alone, 12.99)) == (0.0, 1.0)
    assert chance_bag_above(alone, 13.01, 13.0) == 1.0
    assert more_bags_to_settle(replace(alone, standard_error_pct=1.0), 13.5) is None


@pytest.mark.parametrize("value", [-0.1, 100.0, math.nan])
def test_a_test_outside_0_to_100_is_refused_and_those_at_the_edge_are_not(value):
    with pytest.raises(InputError):
        estimate_lot([12.0, value], 3)
    assert estimate_lot([0.0, 99.9], 3).mean_pct == pytest.approx(49.95)


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: estimate_lot([12.0], 3, meter_bias_sd=-0.1),
        lambda: estimate_lot([12.0], 3, isotherm_sd=-0.1),
        lambda: estimate_lot([12.0], 3, reading_sd=-0.1),
        lambda: estimate_lot([12.0], 3, bag_names=["a", "b"]),
        lambda: estimate_lot([], 3),
        lambda: bags_to_probe(2.5),
        lambda: bags_for_precision(-0.1, 0.5, 10),
        lambda: bags_for_precision(0.5, 0, 10),
        lambda: bags_for_precision(0.5, 0.5, 10, 0),
        lambda: bags_for_precision(0.5, 0.5, 10, 1),
        lambda: judge_dryness(estimate_lot([12.0], 3), 13, 0),
        lambda: judge_dryness(estimate_lot([12.0], 3), 13, 0.51),
        lambda: judge_dryness(estimate_lot([12.0], 3), 13, 0.5, 0.51),
        lambda: judge_dryness(estimate_lot([12.0], 3), 0),
        lambda: judge_dryness(estimate_lot([12.0], 3), 100),
        lambda: judge_bags(estimate_lot([12.0], 3), 13, 0),
        lambda: judge_bags(estimate_lot([12.0], 3), 13, 0.51),
        lambda: judge_bags(estimate_lot([12.0], 3), 13, 0.5, 0),
        lambda: judge_bags(estimate_lot([12.0], 3), 13, 0.5, 1),
        lambda: risk_by_cost(-1, 1),
        lambda: risk_by_cost(1, -1),
    ],
)
def test_what_cannot_be_is_refused(wrong):
    with pytest.raises(InputError):
        wrong()


def test_the_widest_risks_are_taken():
    """A half, the largest risk that may be named: the mean alone decides."""
    lot = estimate_lot([12.9], 3)
    assert (judge_dryness(lot, 13, 0.5), judge_dryness(lot, 12.8, 0.5)) == (DRY, WET)
    assert judge_bags(lot, 20, 0.5) == DRY
    assert (risk_by_cost(0, 0), risk_by_cost(1, 0), risk_by_cost(4, 1)) == (0.5, 0.01, 0.25)
    # a known two-sided 95 %: (1.959964 x 1 / 0.5)^2 = 15.366; of 1000 bags 15.13: 16; at 80 %: 6.57: 7
    assert (bags_for_precision(1, 0.5, 1000), bags_for_precision(1, 0.5, 1000, 0.8)) == (16, 7)
