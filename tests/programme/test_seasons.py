"""Intervals of values and changes against published examples and reference libraries; seasons.

No accusation by noise.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from core.errors import InputError
from core.group.records import Group, Lot
from core.programme.counting import Records, mean, ratio, share
from core.programme.intervals import (
    Change,
    change_between,
    difference_of_means,
    difference_of_proportions,
    interval,
    paired_difference,
    verdict_of_change,
    wilson_interval,
)
from core.programme.seasons import changes_of_group, first_month, indicators_by_season, seasons, shrunken_changes

# Student 1908 (Cushny and Peebles): extra hours of sleep of ten patients with two drugs; R's data set "sleep".
SLEEP_1 = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
SLEEP_2 = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]


def owned(values, first=1):
    return [(value, first + at) for at, value in enumerate(values)]


def test_score_interval_against_statsmodels_and_its_published_digits():
    # checks list: proportion_confint(8, 40, method='wilson') = 0.10500, 0.34756
    assert wilson_interval(8, 40) == pytest.approx((0.10500, 0.34756), abs=2e-5)  # statsmodels' own last digit is 7
    proportion = pytest.importorskip("statsmodels.stats.proportion")
    for top, size in ((0, 7), (3, 9), (25, 25), (500, 900)):
        assert wilson_interval(top, size) == pytest.approx(
            proportion.proportion_confint(top, size, method="wilson"), abs=1e-12
        )
    with pytest.raises(InputError):
        wilson_interval(5, 4)


def test_newcombe_1998_table_ii_example():
    # Newcombe 1998, 56/70 against 48/80: difference 0.2000, method 10: 0.0524 to 0.3339
    assert difference_of_proportions(48, 80, 56, 70) == pytest.approx((0.2, 0.0524, 0.3339), abs=5e-5)


def test_difference_of_proportions_against_statsmodels():
    proportion = pytest.importorskip("statsmodels.stats.proportion")
    reference = proportion.confint_proportions_2indep(30, 34, 18, 40, method="newcomb", compare="diff")
    assert difference_of_proportions(18, 40, 30, 34)[1:] == pytest.approx(reference, abs=1e-9)


def test_sleep_of_student_1908_by_all_and_by_the_same_people():
    first, second = mean("days_to_dry", owned(SLEEP_1)), mean("days_to_dry", owned(SLEEP_2))
    # R, t.test(extra ~ group, data = sleep): 95 % interval of the difference -3.3654832 to 0.2054832
    middle, low, high, _variance = difference_of_means(first, second)
    assert (middle, low, high) == pytest.approx((1.58, -0.2054832, 3.3654832), abs=5e-7)
    # R, paired: mean difference 1.58, 95 % interval 0.7001142 to 2.4598858
    middle, low, high, _variance, people = paired_difference(first, second)
    assert (middle, low, high, people) == pytest.approx((1.58, 0.7001142, 2.4598858, 10), abs=5e-7)
    change = change_between(first, second, proportion=False, better="high")
    assert (change.method, change.verdict) == ("same members", "better")
    assert change_between(first, second, proportion=False, better="low").verdict == "worse"


def test_other_people_are_not_paired():
    first, second = mean("days_to_dry", owned(SLEEP_1)), mean("days_to_dry", owned(SLEEP_2, first=100))
    assert paired_difference(first, second) is None
    change = change_between(first, second, proportion=False, better="high")
    assert (change.method, change.verdict) == ("all lots", "cannot tell yet")


def test_few_observations_say_nothing():
    first, second = share("dry_when_bagged", owned([False] * 4)), share("dry_when_bagged", owned([True] * 30))
    assert change_between(first, second, proportion=True, better="high").verdict == "cannot tell yet"
    nothing = share("dry_when_bagged", [])
    assert change_between(nothing, second, proportion=True, better="high").method == "none"


@pytest.mark.parametrize(
    ("low", "high", "better", "verdict"),
    [
        (0.02, 0.3, "high", "better"),
        (0.02, 0.3, "low", "worse"),
        (-0.3, -0.02, "low", "better"),
        (-0.3, 0.2, "high", "cannot tell yet"),
        (-0.05, 0.06, "high", "about the same"),
        (np.nan, np.nan, "high", "cannot tell yet"),
    ],
)
def test_words_of_a_change(low, high, better, verdict):
    assert verdict_of_change(low, high, better, alike=0.1) == verdict


def test_ratio_variance_against_the_jackknife():
    random = np.random.default_rng(5)
    below = random.uniform(50, 150, 60)
    top = 0.2 * below + random.normal(0, 6, 60)
    found = ratio("gain_planned", list(zip(top, below, strict=True)))
    left_out = np.array([(top.sum() - y) / (below.sum() - x) for y, x in zip(top, below, strict=True)])
    jackknife = 59 / 60 * np.sum((left_out - left_out.mean()) ** 2)
    assert found.value == pytest.approx(top.sum() / below.sum())
    assert found.variance == pytest.approx(jackknife, rel=0.05)


def test_interval_of_a_mean_against_scipy():
    from scipy import stats

    found = mean("days_to_dry", owned(SLEEP_2))
    reference = stats.t.interval(0.95, 9, np.mean(SLEEP_2), stats.sem(SLEEP_2))
    assert interval(found, proportion=False) == pytest.approx(reference)
    assert interval(mean("days_to_dry", owned([3.0])), proportion=False) is None


def harvested(days):
    lots = [
        Lot(id=n, group_id=1, label=str(n), commodity="maize", bags=1, harvested_on=day) for n, day in enumerate(days)
    ]
    empty = pd.DataFrame(columns=["lot_id", "taken_at", "bag", "settled"])
    none, facts = pd.DataFrame(columns=["lot_id", "bags"]), {"plan.market": ""}
    return Records(Group(id=1, name="g"), [], lots, empty, none, pd.DataFrame(columns=["a"]), facts=facts)


def test_a_season_begins_after_the_longest_gap():
    across_new_year = harvested(
        [date(2025, 11, 20), date(2025, 12, 3), date(2026, 1, 9), date(2026, 12, 1), date(2027, 2, 1)]
    )
    assert first_month([across_new_year]) == 11
    found = seasons([across_new_year])
    assert [(item.name, item.start) for item in found] == [
        ("2025/26", date(2025, 11, 1)),
        ("2026/27", date(2026, 11, 1)),
    ]
    assert first_month([harvested([])]) == 1
    assert first_month([harvested([date(2026, month, 1) for month in range(1, 13)])]) == 1


def test_a_group_of_one_season_has_no_change():
    record = harvested([date(2026, 5, 1)])
    assert changes_of_group(indicators_by_season(record, seasons([record]))) == {}


def changes_of(random, groups, rate_1, rate_2):
    found = []
    for _group in range(groups):
        size = int(random.integers(8, 40))
        first = share("dry_when_bagged", [(bool(x), None) for x in random.random(size) < rate_1])
        second = share("dry_when_bagged", [(bool(x), None) for x in random.random(size) < rate_2])
        found.append(change_between(first, second, proportion=True, better="high"))
    return found


def test_where_nothing_changed_hardly_any_group_is_said_to_have():
    random = np.random.default_rng(7)
    verdicts = [item.verdict for _run in range(20) for item in shrunken_changes(changes_of(random, 30, 0.7, 0.7))]
    said = sum(verdict in {"better", "worse"} for verdict in verdicts) / len(verdicts)
    assert said < 0.05  # looked at alone, 95 % intervals would flag 5 %


def test_a_group_whose_own_lots_show_no_change_is_not_said_to_have_changed():
    others = changes_of(np.random.default_rng(9), 30, 0.45, 0.85)
    still = change_between(
        share("dry_when_bagged", owned([True, False] * 4)),
        share("dry_when_bagged", owned([True, False] * 4)),
        proportion=True,
        better="high",
    )
    assert shrunken_changes([still, *others])[0].verdict == "cannot tell yet"


def test_a_real_common_change_is_seen():
    random = np.random.default_rng(8)
    verdicts = [item.verdict for item in shrunken_changes(changes_of(random, 30, 0.45, 0.85))]
    assert verdicts.count("better") > 25


def change(difference, variance=0.01, before=30, after=30, **other):
    half = 1.96 * np.sqrt(variance)
    found = Change("dry_when_bagged", 0.5, 0.5 + difference, before, after, difference, 0.0, 0.0, variance, "all", "x")
    return replace(found, low=difference - half, high=difference + half, **other)


def test_changes_that_cannot_be_weighed_are_kept_as_they_are_and_move_no_other():
    """No variance, a variance of 0 or not known, four lots before or after: only five lots or more with one are drawn.

    Of two nothing is drawn together (fewer than four): each keeps its own difference, with 1.96 standard errors.
    """
    fit = [change(0.3, 0.01, 5, 9), change(0.02, 0.0004, 9, 5)]
    unfit = [change(0.1, np.nan), change(0.1, 0.0), change(0.1, before=4), change(0.1, after=4)]
    found = shrunken_changes([*unfit[:2], *fit, *unfit[2:]])
    assert [item.verdict for item in (*found[:2], *found[4:])] == ["cannot tell yet"] * 4
    assert [item.difference for item in found] == pytest.approx([0.1, 0.1, 0.3, 0.02, 0.1, 0.1])
    assert [(item.low, item.high) for item in found[2:4]] == [
        pytest.approx((0.3 - 0.196, 0.3 + 0.196)),
        pytest.approx((0.02 - 0.0392, 0.02 + 0.0392)),
    ]
    assert [item.verdict for item in found[2:4]] == ["better", "about the same"]
    assert shrunken_changes([fit[0], *unfit]) == [fit[0], *unfit]  # one alone: as it was told
    assert shrunken_changes([]) == []
