"""Comparison, change and counting reckoned again one by one in plain Python, and the edges of each by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from core.errors import InputError
from core.group.records import Group, Member
from core.messages import message
from core.planning.case import CropPrice
from core.programme.comparison import (
    between_variance,
    funnel_limits,
    funnel_verdicts,
    overdispersion,
    shrink_to_mean,
    shrunken_estimates,
    widened_limits,
)
from core.programme.counterfactual import HELPS, Difference, GroupHelp
from core.programme.counting import Indicator, lot_mass, mean, ratio, share, share_by_lot
from core.programme.expected import observed_against_expected
from core.programme.gains import best_in_hindsight, months_between, sold_lots
from core.programme.helping import help_table, programme_sums
from core.programme.indicators import LotFacts
from core.programme.intervals import (
    change_between,
    difference_of_means,
    interval,
    no_change,
    paired_difference,
    verdict_of_change,
    wilson_interval,
)
from core.programme.loss_index import CropLoss, loss_index
from core.programme.people import NOT_KNOWN, age_group
from core.programme.season_case import SEASON_DAYS, _habits, known_price, season_lots
from core.programme.stages import food_loss_index
from core.programme.visits import visit_list
from tests.programme.test_indicators import reading, small


def plain_tau2(values, variances):
    """DerSimonian and Laird one by one: q = sum w (y - m)^2; (q - (k - 1)) / (sum w - sum w^2 / sum w), at least 0."""
    weights = [1 / variance for variance in variances]
    centre = sum(w * y for w, y in zip(weights, values, strict=True)) / sum(weights)
    q = sum(w * (y - centre) ** 2 for w, y in zip(weights, values, strict=True))
    divisor = sum(weights) - sum(w * w for w in weights) / sum(weights)
    return max(0.0, (q - (len(values) - 1)) / divisor)


@pytest.mark.parametrize("count", [2, 3, 4, 7])
@pytest.mark.parametrize("spread", [0.0, 2.0])
def test_shrunken_estimates_one_by_one(count, spread):
    """Morris (1983) as the docstring has it: k groups, B = v / (v + tau2), nothing drawn together below four."""
    draw = np.random.default_rng([count, int(spread)])
    variances = draw.uniform(0.2, 2.0, count)
    values = draw.normal(0, spread, count) + draw.normal(0, np.sqrt(variances))
    tau2 = plain_tau2(values, variances)
    assert between_variance(values, variances) == pytest.approx(tau2)
    weights = [1 / (v + tau2) for v in variances]
    centre = sum(w * y for w, y in zip(weights, values, strict=True)) / sum(weights)
    found = shrunken_estimates(
        [*values, np.nan, 5.0], [*variances, 1.0, 0.0], [5] * (count - 1) + [4, 50, 50], bounds=(-1.5, 1.7)
    )
    for y, v, item in zip(values, variances, found[:count], strict=True):
        pull = v / (v + tau2) if count > 3 else 0.0
        estimate = centre + (1 - pull) * (y - centre)
        spread_2 = v * (1 - max(0, count - 3) / count * pull)
        if count > 3:
            weight = 2 / (count - 3) * pull * pull * (sum(variances) / count + tau2) / (v + tau2)
            spread_2 += weight * (y - centre) ** 2
        low, high = estimate - 1.96 * math.sqrt(spread_2), estimate + 1.96 * math.sqrt(spread_2)
        assert item.value == pytest.approx(estimate)
        assert (item.low, item.high) == pytest.approx((max(low, -1.5), min(high, 1.7)))
        told = "higher" if item.low > centre else "lower" if item.high < centre else "like the others"
        assert item.verdict == (told if item is not found[count - 1] else "cannot tell yet")  # four lots are too few
    assert [item.verdict for item in found[count:]] == ["cannot tell yet"] * 2
    alone = shrunken_estimates([1.0, 2.0], [0.5, np.nan], [50, 50])
    assert [(item.value, item.verdict) for item in alone] == [(1.0, "cannot tell yet"), (2.0, "cannot tell yet")]


def test_a_group_far_from_others_is_told_on_either_side():
    found = shrunken_estimates([0.0, 0.0, 0.0, 0.0, 9.0, -9.0], [0.01] * 6, [20] * 6)
    assert [item.verdict for item in found] == ["like the others"] * 4 + ["higher", "lower"]


@pytest.mark.parametrize("sizes", [(20, 20, 20, 20), (20, 20, 20), (10, 30, 60, 25)])
def test_shrunk_rates_one_by_one(sizes):
    """Four of one size: Efron and Morris, 1 - (n - 3) s2 / sum of squares; else moments, at the common mean."""
    rates = [0.2, 0.5, 0.9, 0.4][: len(sizes)]
    whole = sum(r * n for r, n in zip(rates, sizes, strict=True)) / sum(sizes)
    variances = [whole * (1 - whole) / n for n in sizes]
    if sizes == (20, 20, 20, 20):
        factor = 1 - (4 - 3) * variances[0] / sum((r - whole) ** 2 for r in rates)
        expected = [whole + factor * (r - whole) for r in rates]
    else:
        tau2 = plain_tau2(rates, variances)
        assert tau2 > 0
        weights = [1 / (v + tau2) for v in variances]
        centre = sum(w * r for w, r in zip(weights, rates, strict=True)) / sum(weights)
        expected = [centre + tau2 / (tau2 + v) * (r - centre) for r, v in zip(rates, variances, strict=True)]
    assert list(shrink_to_mean(rates, sizes)) == pytest.approx(expected)


def test_shrinking_at_its_edges():
    assert list(shrink_to_mean([0.5, 0.52, 0.48], [10, 20, 30])) == pytest.approx([(5 + 10.4 + 14.4) / 60] * 3)
    assert list(shrink_to_mean([0.4, 0.4, 0.4, 0.4], [9] * 4)) == pytest.approx([0.4] * 4)
    # squares 0.0002 where chance makes 0.0125 of each: nothing is left of the differences
    assert list(shrink_to_mean([0.49, 0.5, 0.51, 0.5], [20] * 4)) == pytest.approx([0.5] * 4, abs=1e-12)
    for rates in ([0.0, 0.0], [1.0, 1.0], [0.3]):
        assert list(shrink_to_mean(rates, [5] * len(rates))) == rates
    assert list(shrink_to_mean([0.0, 1.0], [50, 50])) == pytest.approx([0.01, 0.99], abs=0.01)
    for rates, sizes in (([0.1, 0.2], [5]), ([], []), ([-0.01, 0.2], [5, 5]), ([0.1, 1.01], [5, 5]), ([0.1], [0])):
        with pytest.raises(InputError):
            shrink_to_mean(rates, sizes)


def test_funnels_at_their_edges():
    """A benchmark of 0 or 1 leaves no room; twice the spread in standard errors is phi 4 and doubles each reach."""
    assert [funnel_limits(edge, 1) for edge in (0.0, 1.0)] == [(0.0, 0.0), (1.0, 1.0)]
    for benchmark, coverage in ((-0.01, 0.95), (1.01, 0.95), (0.5, 0.0), (0.5, 1.0)):
        with pytest.raises(InputError):
            funnel_limits(benchmark, 10, coverage)
    low, high = funnel_limits(0.5, 100)
    assert widened_limits(0.5, 100, 0.95, 4.0) == pytest.approx((0.5 - 2 * (0.5 - low), 0.5 + 2 * (high - 0.5)))
    assert widened_limits(0.5, 100, 0.95, 0.25) == pytest.approx((low, high))
    assert widened_limits(0.1, 20, 0.95, 100.0) == (0.0, 1.0)
    # of one lot a fifth is none in most cases, four fifths one: the middle half lies there
    assert [widened_limits(rate, 1, 0.5, 2.5) for rate in (0.2, 0.8)] == [(0.0, 0.0), (1.0, 1.0)]
    assert funnel_verdicts([0.0, 0.0], [5, 4], 0.9) == ("far below", "cannot tell yet")
    assert funnel_verdicts([0.62], [100], 0.5) == ("above",)
    assert funnel_verdicts([0.62], [100], 0.5, phi=2.0) == ("inside",)
    # one more than the 95 % limit of 10,000 at a half (0.5098) is outside: nothing is widened unless it is said so
    top = round(funnel_limits(0.5, 10_000)[1] * 10_000)
    assert top == 5098  # 5000 + 1.96 x 50
    assert funnel_verdicts([top / 10_000, (top + 1) / 10_000], [10_000] * 2, 0.5) == ("inside", "above")
    for sizes in ([5, 0], [0.5, 5], [5, 2.5]):  # one that cannot be is enough
        with pytest.raises(InputError):
            funnel_limits(0.5, sizes)


def test_spread_beyond_chance_with_the_outer_tenths_drawn_in_by_hand():
    """Eleven groups of 10,000 at 0.5, 2 or 3 standard errors of 0.005 off but for two at 50, drawn in to 3.

    So phi = (4 x 9 + 7 x 4) / 11.
    """
    z = np.array([-50, -3, -2, -2, -2, -2, 2, 2, 2, 3, 50.0])
    assert overdispersion(0.5 + 0.005 * z, np.full(11, 10_000), 0.5) == pytest.approx(64 / 11)
    five = 0.5 + 0.005 * np.array([-3.0, -3, 3, 3, 3])
    assert overdispersion(five, np.full(5, 10_000), 0.5) == pytest.approx(9.0)
    assert overdispersion(five[:4], np.full(4, 10_000), 0.5) == 1.0
    # at a tenth a standard error is 0.3 / 100
    assert overdispersion(0.1 + 0.6 * (five - 0.5), np.full(5, 10_000), 0.1) == pytest.approx(9.0)
    for benchmark in (0.0, 1.0):
        assert overdispersion(five, np.full(5, 10_000), benchmark) == 1.0


# Counting


def test_shares_means_and_ratios_by_hand():
    """3 of 4 known: Agresti-Coull centre (3 + 2) / (4 + 4) = 0.625, variance 0.625 x 0.375 / 8.

    Mean of 1, 2, 6 is 3, squares 14, over 2 and 3: 7/3. Ratio 1, 2 and 6 over 2, 2, 5: 9 / 9 = 1; rests -1, 0, 1: 2 /
    (3 x 2 x 3^2).
    """
    found = share("x", [(True, 1), (True, 2), (True, None), (False, 3), (None, 4)])
    assert (found.value, found.numerator, found.denominator, found.missing) == (0.75, 3, 4, 1)
    assert (found.count, found.owners) == (4, (1, 2, None, 3))
    assert found.variance == pytest.approx(0.625 * 0.375 / 8)
    assert (share("x", []).value, share("x", []).variance) == (None, None)
    assert share("x", [(True, 1)]).variance == pytest.approx(0.6 * 0.4 / 5)
    three = mean("x", [(1.0, 1), (2.0, 1), (6.0, 2), (math.nan, 3), (None, 4)])
    assert (three.value, three.numerator, three.denominator, three.missing, three.count) == (3, 9, 3, 2, 3)
    assert three.variance == pytest.approx(7 / 3)
    assert mean("x", [(5.0, 1)]).variance is None
    assert mean("x", [(5.0, 1), (7.0, 1)]).variance == pytest.approx(1.0)
    part = ratio("x", [(1.0, 2.0), None, (2.0, 2.0), (6.0, 5.0), (math.nan, 1.0)], [1, 2, 3, 4, 5])
    assert (part.value, part.numerator, part.denominator, part.missing) == (1, 9, 9, 2)
    assert part.variance == pytest.approx(2 / 54)
    assert (part.owners, part.values, part.weights, part.count) == ((1, 3, 4), (1.0, 2.0, 6.0), (2.0, 2.0, 5.0), 3)
    assert ratio("x", [(1.0, 2.0)]).variance is None
    assert ratio("x", [(1.0, 2.0), (3.0, 2.0)]).variance == pytest.approx(2 / (2 * 4))
    assert ratio("x", [(1.0, 0.0), (1.0, 0.0)]).value is None
    assert ratio("x", [(1.0, 0.5)]).value == 2.0


def test_readings_of_one_lot_count_as_one_cluster_by_hand():
    """Lots of 3 of 3, 0 of 3 and 1 of 2: 4 of 8, a half; rests 1.5, -1.5, 0: 4.5 / (3 x 2 x (8/3)^2) = 0.105469.

    Counted once each: centre (1.5 + 2) / 7 = 0.5, over 8 + 4: 0.0208. Lots that agree keep that least.
    """
    items = [(True, 1, 10)] * 3 + [(False, 1, 11)] * 3 + [(True, 2, 12), (False, 2, 12), (None, 2, 13)]
    found = share_by_lot("x", items)
    assert (found.value, found.count, found.missing) == (0.5, 3, 1)
    assert found.variance == pytest.approx(4.5 / (6 * (8 / 3) ** 2))
    alike = share_by_lot("x", [(True, 1, 10), (True, 1, 11)])
    assert alike.variance == pytest.approx((4 / 6) * (2 / 6) / 6)
    one = share_by_lot("x", [(True, 1, 10), (False, 1, 10)])
    assert (one.value, one.variance, one.count) == (0.5, None, 1)
    assert share_by_lot("x", []).count == 0


def test_masses_and_months():
    lot = small().lots[0]
    assert (lot_mass(lot), lot_mass(lot, 3), lot_mass(lot, 0)) == (1000, 300, 0)
    assert lot_mass(replace(lot, bag_mass_kg=90.0), 2) == 180
    assert lot_mass(replace(lot, nominal_bag_kg=None)) is None
    assert months_between(date(2026, 5, 1), date(2027, 5, 1)) == pytest.approx(365 / 30.4375)
    assert months_between(date(2026, 5, 2), date(2026, 5, 1)) == 0


def test_hindsight_looks_six_months_ahead_and_not_back():
    """Sold in August 2026 at a market of 2.5: July's 9 is past, February's 4 counts, March's 9 does not."""
    record, row = small(), sold_lots(small())[0]
    more = [("2026-07-10", 9.0), ("2027-02-10", 4.0), ("2027-03-10", 9.0)]
    quotes = pd.DataFrame([record.prices.iloc[0].to_dict() | {"quoted_on": day, "price_per_kg": p} for day, p in more])
    quotes["quoted_on"] = pd.to_datetime(quotes["quoted_on"])
    known = record.prices.assign(quoted_on=pd.to_datetime(record.prices["quoted_on"]))
    assert best_in_hindsight(replace(record, prices=pd.concat([known, quotes])), row) == pytest.approx(4.0 / 2.5 - 1)
    assert best_in_hindsight(record, row) == 0.0
    assert best_in_hindsight(record, replace(row, reference=None)) is None


@pytest.mark.parametrize(
    ("age", "name"),
    [(0, "below 30"), (29, "below 30"), (30, "30 to 59"), (59, "30 to 59"), (60, "60 and above"), (200, NOT_KNOWN)],
)
def test_ages_at_their_edges(age, name):
    assert age_group(Member(group_id=1, name="a", birth_year=2026 - age), date(2026, 5, 1)) == name


def test_losses_weigh_by_hand():
    """Index: (0.05 x 200 + 0.2 x 100) / 40 = 75 %."""
    assert food_loss_index([0.05, 0.2], [0.1, 0.2], [200, 100]) == pytest.approx(75.0)
    with pytest.raises(InputError):
        food_loss_index([0.1], [0.0], [100])
    assert food_loss_index([0.001], [0.001], [1]) == pytest.approx(100.0)


@pytest.mark.parametrize("count", [4, 5, 6])
def test_the_interval_of_the_loss_index_leaves_out_one_group_after_another(count):
    """One crop: 100 x (lost later / in) / (lost before / in), all but one; Tukey's jackknife, t from tables."""
    base = [(100.0 + 10 * n, 8.0 + n) for n in range(count)]
    later = [(90.0 + 5 * n, 5.0 + (n * n) % 4) for n in range(count)]

    def index(without=None):
        kept = [n for n in range(count) if n != without]
        before, after = ([sum(pair[n][at] for n in kept) for at in (0, 1)] for pair in (base, later))
        return 100 * (after[1] / after[0]) / (before[1] / before[0])

    groups = [
        ({"maize": CropLoss(b, b - lost, 50.0)}, {"maize": CropLoss(a, a - gone, 7.0)}, 1.0)
        for (b, lost), (a, gone) in zip(base, later, strict=True)
    ]
    found = loss_index(groups)
    assert (found.value, found.groups) == (pytest.approx(index()), count)
    if count < 5:
        assert math.isnan(found.low)
        return
    left = [index(n) for n in range(count)]
    middle = sum(left) / count
    half = {5: 2.776, 6: 2.571}[count] * math.sqrt((count - 1) / count * sum((one - middle) ** 2 for one in left))
    assert (found.low, found.high) == pytest.approx((max(0.0, index() - half), index() + half), rel=1e-3)


# Change


def owned(values, first=1):
    return [(value, first + at) for at, value in enumerate(values)]


def test_wilson_at_its_edges():
    """z = 1.95996, z^2 = 3.84146: of 0 of 4 the reach is z^2 / (n + z^2) = 0.48989 above; of 4 of 4 as much below.

    Of 2 of 4: middle 1/2, half z / (1 + z^2 / 4) sqrt(1/16 + z^2 / 64) = (z / 4) / sqrt(1 + z^2 / 4) = 0.34996.
    """
    assert wilson_interval(0, 4) == pytest.approx((0.0, 0.48989), abs=1e-5)
    assert wilson_interval(4, 4) == pytest.approx((0.51011, 1.0), abs=1e-5)
    assert wilson_interval(2, 4) == pytest.approx((0.15004, 0.84996), abs=1e-5)
    assert wilson_interval(1, 1)[0] > 0.2
    for top, size in ((0, 0), (-0.5, 4), (4.5, 4), (1, -1)):
        with pytest.raises(InputError):
            wilson_interval(top, size)


def test_intervals_end_where_a_value_cannot_go_and_need_two_observations():
    """0 and 2: mean 1, variance of it 1, t of one degree of freedom 12.706 (tables)."""
    two = mean("price_against_market", owned([0.0, 2.0]))
    assert interval(two, proportion=False) == (0.0, pytest.approx(1 + 12.706, abs=1e-3))
    free = mean("gain_on_harvest_sale", owned([0.0, 2.0]))
    assert interval(free, proportion=False) == pytest.approx((1 - 12.706, 1 + 12.706), abs=1e-3)
    for key in ("days_to_dry", "readings_per_lot", "bags_per_test_day"):
        assert interval(mean(key, owned([0.0, 2.0])), proportion=False) == (0.0, pytest.approx(1 + 12.706, abs=1e-3))
    for key in ("settled_share", "complete_readings"):
        assert interval(mean(key, owned([0.1, 0.9])), proportion=False) == (0.0, 1.0)
    assert interval(share("x", owned([True, False])), proportion=True) == pytest.approx(wilson_interval(1, 2))
    assert interval(share("x", []), proportion=True) is None
    assert interval(mean("x", owned([1.0])), proportion=False) is None


def test_pairs_by_hand():
    """Members 1 and 2 rise by 1 and 3: mean 2, variance 2 over 2: 1; t 12.706. Lots of one member: their mean."""
    first = mean("x", [(1.0, 1), (3.0, 1), (5.0, 2), (9.0, None), (7.0, 8)])
    second = mean("x", [(3.0, 1), (8.0, 2), (0.0, 9)])
    middle, low, high, variance, people = paired_difference(first, second)
    assert (middle, variance, people) == (2.0, 1.0, 2)
    assert (low, high) == pytest.approx((2 - 12.706, 2 + 12.706), abs=1e-3)
    assert paired_difference(first, mean("x", [(3.0, 1)])) is None


def test_welch_by_hand():
    """Variances of the means 1 (2 values) and 7/3 (3): freedom (10/3)^2 / (1 / 1 + 49/9 / 2) = 2.985."""
    from scipy.stats import t

    first, second = mean("x", owned([0.0, 2.0])), mean("x", owned([1.0, 2.0, 6.0]))
    middle, low, high, variance = difference_of_means(first, second)
    assert (middle, variance) == pytest.approx((2.0, 10 / 3))
    freedom = (10 / 3) ** 2 / (1 + (7 / 3) ** 2 / 2)
    half = float(t.ppf(0.975, freedom)) * math.sqrt(10 / 3)
    assert (low, high) == pytest.approx((2 - half, 2 + half))
    still = mean("x", owned([1.0, 1.0]))
    assert difference_of_means(still, mean("x", owned([4.0, 4.0]))) == (3.0, 3.0, 3.0, 0.0)
    assert difference_of_means(mean("x", owned([1.0])), second) is None
    assert difference_of_means(first, share("x", [])) is None


@pytest.mark.parametrize(
    ("low", "high", "told"),
    [
        (0.0, 0.3, "cannot tell yet"),
        (-0.3, 0.0, "cannot tell yet"),
        (0.001, 0.3, "better"),
        (-0.3, -0.001, "worse"),
        (-0.1, 0.05, "cannot tell yet"),
        (-0.05, 0.1, "cannot tell yet"),
        (-0.099, 0.099, "about the same"),
        (0.0, math.inf, "cannot tell yet"),
        (math.nan, 0.1, "cannot tell yet"),
    ],
)
def test_words_of_a_change_at_their_edges(low, high, told):
    assert verdict_of_change(low, high, "high", 0.1) == told
    other = {"better": "worse", "worse": "better"}.get(told, told)
    assert verdict_of_change(low, high, "low", 0.1) == other


def test_by_whom_a_change_is_told():
    """Eight members seen twice are compared with themselves, seven are not; so not where nobody differs in his change,
    nor a ratio of sums.
    """
    rises = [1.0, 1.2, 0.8, 1.1, 0.9, 1.0, 1.3, 0.7]

    def method(first, second, proportion=False):
        return change_between(first, second, proportion, "high").method

    def both(count, rise):
        return mean("x", owned([10.0] * count)), mean("x", owned([10 + rise[n] for n in range(count)]))

    assert method(*both(8, rises)) == "same members"
    assert method(*both(7, rises)) == "all lots"
    assert method(*both(8, [1.0] * 8)) == "all lots"
    first, second = (ratio("x", [(10.0 + rise, 1.0) for rise in at], range(8)) for at in ([0.0] * 8, rises))
    assert method(first, second) == "all lots"
    assert method(share("x", owned([True] * 6)), share("x", owned([False] * 6)), True) == "all lots"
    alone = change_between(mean("x", owned([1.0])), mean("x", owned([4.0])), False, "high")
    assert (alone.method, alone.difference, math.isnan(alone.low)) == ("none", 3.0, True)
    nothing = change_between(mean("x", []), mean("x", owned([4.0])), False, "high")
    assert (nothing.method, math.isnan(nothing.difference)) == ("none", True)


def test_what_counts_as_no_change_and_how_many_must_be_seen():
    """A tenth of the earlier mean of 10 is 1: 0 +- 0.9 is the same, 0 +- 1.1 unsure. Four are too few.

    Of shares a tenth of the whole: 500 of 1,000 both times is 0 +- 0.044.
    """

    def change(half, count=5, value=10.0):
        first = Indicator("x", value, value * count, count, None, 0, count=count)
        return change_between(
            replace(first, variance=(half / 1.96) ** 2 / 2, count=1000),
            replace(first, variance=(half / 1.96) ** 2 / 2),
            False,
            "high",
        ).verdict

    assert change(0.4, 400) == "about the same"
    assert change(1.1, 400) == "cannot tell yet"
    assert change(0.4, 400, -10.0) == "about the same"
    assert change(0.2, 5) == "about the same"
    assert change(0.2, 4) == "cannot tell yet"
    half = share("x", [(n % 2 == 0, None) for n in range(1000)])
    kept = change_between(half, half, True, "high")
    assert (kept.verdict, kept.method) == ("about the same", "all lots")
    assert kept.variance == pytest.approx(2 * half.variance)
    assert (no_change(True, 5.0), no_change(False, 30.0), no_change(False, -30.0)) == (0.1, 3.0, 3.0)
    fewer = share("x", [(n % 2 == 0, None) for n in range(60)])
    assert change_between(half, fewer, True, "high").verdict == "cannot tell yet"


# Help, visits, and what was observed against what was expected


def a_help(number, *helps, why_not=None):
    return GroupHelp(number, "2026", 5, 100.0, (), helps, (), why_not)


def test_help_is_added_up_where_it_pays_by_currency_by_hand():
    """A dryer: 30 less 10 in A, 12 less 2 in B, 5 less 9 in C (does not pay), not known in D, no lot in E; F in KES.

    What brings most first: the dryer 42 - 12 = 30 before the rest at 0.
    """
    names = "ABCDEF"
    groups = [Group(id=n, name=name, currency="KES" if name == "F" else "XOF") for n, name in enumerate(names)]
    kind = HELPS[0]
    why = message("no price")
    results = {
        0: a_help(0, Difference(kind, 30.0, 10.0, 50.0, 4, 10.0)),
        1: a_help(1, Difference(kind, 12.0, 2.0, 20.0, 1, 2.0)),
        2: a_help(2, Difference(kind, 5.0, 1.0, 9.0, 2, 9.0)),
        3: a_help(3, Difference(kind, 99.0, 99.0, 99.0, 2, 0.0, why)),
        4: a_help(4, Difference(kind, 7.0, 7.0, 7.0, 0, 0.0)),
        5: a_help(5, Difference(kind, 3.0, 1.0, 4.0, 1, 1.0)),
        9: a_help(9, Difference(kind, 1e6, 0.0, 1e6, 1, 0.0)),  # of another programme
    }
    found = programme_sums(results, groups)
    assert [(one.currency, one.help) for one in found[:: len(HELPS)]] == [("KES", kind), ("XOF", kind)]
    kes, xof = found[0], found[len(HELPS)]
    assert (xof.money, xof.low, xof.high, xof.cost, xof.net) == (42, 12, 70, 12, 30)
    assert (xof.groups, xof.paying) == (3, ("A", "B"))
    assert (kes.money, kes.groups, kes.paying) == (3, 1, ("F",))
    assert all(one.money == 0 and not one.paying for one in found if one.help != kind)
    table = help_table({0: results[0], 3: results[3], 4: a_help(4, why_not=why)}, groups)
    assert table["group"].tolist() == ["A", "D", "E"]
    assert table["net"].tolist()[0] == 20.0
    assert table["money"].isna().tolist() == [False, True, True]
    assert table["not_known_because"].tolist() == ["", "no price", "no price"]
    causes = (Difference("a", 5.0, 0, 9, 1), Difference("b", 7.0, 0, 9, 1, 0.0, why), Difference("c", 6.0, 0, 9, 1))
    assert replace(results[0], causes=causes).largest.name == "c"
    small_one = Difference("a", 0.5, 0, 9, 1)
    assert (replace(results[0], causes=(small_one,)).largest, small_one.net) == (small_one, 0.5)
    assert replace(results[0], causes=(Difference("a", 0.0, 0, 9, 1),)).largest is None


def test_whom_to_visit_first_by_hand():
    """Limit 15.5 %: two lots bagged at 16 (3 each), one still wet 15 days after harvest (2), one never tested (1).

    No test for 15 days where 14 are allowed: 1 + 15 / 14. Lots sold, or read dry, are no reason.
    """
    now = datetime(2026, 5, 31, 8, tzinfo=UTC)
    base = small().lots[0]
    rows = [
        (1, "stored", 16.0),
        (2, "stored", 16.0),
        (3, "drying", 16.0),
        (4, "wet", None),
        (5, "stored", 15.5),
        (6, "sold", 20),
    ]
    lots = [replace(base, id=n, label=str(n), status=kind, harvested_on=date(2026, 5, 16)) for n, kind, _m in rows]
    readings = pd.DataFrame([reading(n, 16, moisture) for n, _kind, moisture in rows if moisture is not None])
    record = replace(small(), lots=lots, readings=readings)
    (visit,) = visit_list([record], now)
    assert visit.urgency == pytest.approx(3 * 2 + 2 + 1 + 1 + 15 / 14)
    assert [str(reason) for reason in visit.reasons] == [
        "2 lots are bagged above the limit",
        "1 lot is still wet two weeks after harvest",
        "1 open lot was never tested",
        "no reading for 15 days",
    ]
    (earlier,) = visit_list([record], now - timedelta(days=1))
    assert earlier.urgency == 3 * 2 + 1  # fourteen days are no reason yet, neither for the harvest nor for the test
    other = replace(record, group=replace(record.group, name="a", id=2))
    assert [one.group for one in visit_list([record, other], now)] == ["a", "g"]
    assert visit_list([replace(record, lots=lots[4:])], now - timedelta(days=1)) == []


def test_days_observed_against_expected_by_hand(monkeypatch):
    """Twice the days in sum; logs of the ratios 1, 4, 2, 2, 2: spread sqrt(2 ln(2)^2 / 4), t of four degrees 2.776."""
    base = small().lots[0]
    expected = [2.0, 1.0, 2.0, 3.0, 2.0]
    observed = [2.0, 4.0, 4.0, 6.0, 4.0]

    def found(count, days=observed, known=expected):
        facts = [LotFacts(replace(base, id=n), True, True, day, 1, 15.5) for n, day in enumerate(days[:count])]
        monkeypatch.setattr("core.programme.expected.expected_days_to_dry", lambda *_args: list(known[:count]))
        return observed_against_expected(facts, None, None, 1, None)

    five = found(5)
    half = 2.776 * math.sqrt(2 * math.log(2) ** 2 / 4) / math.sqrt(5)
    assert (five.lots, five.observed_days, five.expected_days, five.ratio) == (5, 20, 10, 2)
    assert (five.low, five.high) == pytest.approx((2 * math.exp(-half), 2 * math.exp(half)), rel=1e-3)
    assert five.verdict == "slower"
    assert found(4).verdict == "cannot tell yet"
    assert found(5, [one / 4 for one in observed]).verdict == "faster"
    assert found(5, [2.1, 1.0, 1.9, 3.1, 2.0]).verdict == "as expected"
    one = found(1)
    assert (one.lots, one.ratio, math.isnan(one.low), one.verdict) == (1, 1.0, True, "cannot tell yet")
    assert found(3, [2.0, 0.0, 3.0], [2.0, math.nan]).lots == 1  # none, or none expected
    assert found(0).lots == 0


# The last season as a case

MAY = date(2026, 5, 1)


def a_lot(number, **values):
    return replace(
        small().lots[0], **{"id": number, "label": str(number), "stored_on": None, "status": "drying"} | values
    )


def test_lots_of_the_last_season_by_hand():
    """Less than 300 days before the last harvest up to today, oldest first."""
    assert SEASON_DAYS == 300
    last = date(2026, 5, 31)
    days = [SEASON_DAYS - 1, SEASON_DAYS, 0, 10, 10]
    lots = [a_lot(n, harvested_on=last - timedelta(days=gone)) for n, gone in enumerate(days)]
    lots += [a_lot(8, harvested_on=None), a_lot(9, harvested_on=last + timedelta(days=1))]
    record = replace(small(), lots=lots[::-1])
    assert [lot.id for lot in season_lots(record, last)] == [0, 3, 4, 2]
    assert season_lots(record, date(2025, 1, 1)) == []


def test_a_price_is_what_was_known_in_the_month_of_the_harvest_by_hand():
    quotes = pd.DataFrame(
        [
            ("2026-04-10", "A", 1.0),
            ("2026-05-20", "A", 1.5),
            ("2026-05-31", "A", 1.7),
            ("2026-06-01", "A", 9.0),
            ("2026-05-05", "B", 3.0),
            ("2026-05-30", "A", 0.0),
        ],
        columns=["quoted_on", "market", "price_per_kg"],
    ).assign(commodity="maize")
    rows = (("2026-04", 1.0), ("2026-05", 1.6), ("2026-06", 9.0))
    found = known_price(CropPrice("maize", 5.0, history=rows, neighbours=(rows,)), quotes, MAY)
    assert (found.price_now, found.history, found.neighbours) == (1.7, rows[:2], (rows[:2],))
    assert known_price(CropPrice("sorghum", 5.0), quotes, MAY) is None
    assert known_price(CropPrice("maize", 5.0), quotes, date(2026, 3, 10)) is None
    assert known_price(CropPrice("maize", 5.0), quotes, date(2026, 3, 11)).price_now == 1.0


def season_of(lots, daily, sales=(), today=date(2026, 12, 1)):
    case = SimpleNamespace(
        target=lambda crop: 13.5,
        start=MAY,
        weeks=20,
        prices=(CropPrice("maize", 0.25),),
        buyers=(SimpleNamespace(price_factor=0.9), SimpleNamespace(price_factor=1.0)),
    )
    days = {
        n: pd.Series([v for _d, v in rows], index=[date(2026, 5, d) for d, _v in rows]) for n, rows in daily.items()
    }
    columns = ["lot_id", "sold_on", "mass_kg"]
    return _habits(replace(small(), sales=pd.DataFrame(sales, columns=columns)), lots, days, case, today)


def test_what_records_say_of_a_groups_habits_by_hand():
    """Lots harvested on 1 May at 20 %, limit 13.5: read dry on the 6th, bagged on the 7th: 5 days; bagged untested on
    the 7th: 6, and judged; not wet: none; wet to this day; bagged on the 10th, read 14.5 that day: 9; without a
    weighing, read on the day of harvest alone: 4. Dried to the mean of 13.5 and 14.5.
    """
    stored = {"stored_on": date(2026, 5, 7)}
    lots = [
        a_lot(1, storage_method="hermetic_bag", **stored),
        a_lot(2, **stored),
        a_lot(3, weighed_moisture_pct=13.5, **stored),
        a_lot(4, status="wet"),
        a_lot(5, stored_on=date(2026, 5, 10)),
        a_lot(6, harvested_on=date(2026, 5, 5), weighed_moisture_pct=None, stored_on=date(2026, 5, 9)),
    ]
    daily = {1: [(2, 19.0), (6, 13.5)], 2: [(20, 16.0)], 3: [(7, 12.0)], 5: [(10, 14.5)], 6: [(5, 18.0)]}
    sales = [(1, "2026-06-26", 900.0), (2, "2026-06-27", 500.0), (5, "2026-04-30", 10.0), (99, "2026-05-02", 1.0)]
    found = season_of(lots, daily, sales)
    assert found.ready_days == {"1": 5.0, "2": 6.0, "4": 214.0, "5": 9.0, "6": 4.0}
    assert found.judged == {"2"}
    assert found.dried_to == {"maize": 14.0}
    assert found.sealed_bags == 10
    # eight weeks after harvest count, a day more does not; at 0.25 and the gate's 0.9
    assert [(need.week, need.amount) for need in found.needs] == [(0, 2.25), (8, 202.5)]
    assert not found.silent
    few = season_of(lots[:1], {1: daily[1]})
    assert (few.dried_to, set(few.silent)) == ({}, {"over-drying", "bagged too wet", "sold early for cash"})
    assert set(season_of([a_lot(1)], {}).silent) == set(few.silent) | {"waiting wet", "too few tests"}
    assert not season_of(lots, daily, sales, today=date(2026, 4, 29)).needs
    late = replace(lots[0], harvested_on=date(2026, 9, 30))
    assert season_of([late], {}, [(1, "2026-10-30", 1.0)]).needs[0].week == 18  # two weeks before the end at the latest
    assert "too few tests" not in season_of([a_lot(7), lots[1]], {}).silent
