"""The officer's tables: values in their unit, intervals, targets, and all groups together."""

from __future__ import annotations

from datetime import UTC, date, datetime

import numpy as np
import pandas as pd
import pytest

from core.programme.definitions import DEFINITIONS
from core.programme.intervals import wilson_interval
from core.programme.programme_book import Goal, ProgrammeBook
from core.programme.report import REPORT_COLUMNS, converted, group_report, programme_report

TODAY = date(2026, 11, 1)
AT = datetime(2026, 10, 1, tzinfo=UTC)


def row(group: int, key: str, top: float, below: float, variance: float, count: int, currency: str = "") -> dict:
    value = top / below if below else np.nan
    return {
        "group_id": group,
        "group": f"g{group}",
        "key": key,
        "value": value,
        "numerator": top,
        "denominator": below,
        "variance": variance,
        "missing": 1,
        "count": count,
        "currency": currency,
    }


def goal(kind: str, key: str, value: float, currency: str = "", group: int | None = None) -> Goal:
    return Goal(kind, key, value, date(2026, 10, 31), "plan", "Odalo", AT, group, currency)


def reported(rows: list[dict], *goals: Goal) -> pd.DataFrame:
    book = ProgrammeBook({(item.kind, item.key, item.group_id): item for item in goals})
    table, _currency, _on = converted(pd.DataFrame(rows), book, "XTS", TODAY)
    return group_report(table, book, TODAY).set_index("key")


def together(rows: list[dict], *goals: Goal) -> pd.DataFrame:
    book = ProgrammeBook({(item.kind, item.key, item.group_id): item for item in goals})
    table, currency, _on = converted(pd.DataFrame(rows), book, "XTS", TODAY)
    return programme_report(table, book, currency, TODAY).set_index("key")


def test_a_groups_values_stand_in_their_unit_with_published_intervals():
    """81 of 263: score interval 0.2553 to 0.3662 (R. G. Newcombe, Statistics in Medicine 17 (1998) 857, table I)."""
    found = reported(
        [
            row(1, "complete_lots", 81, 263, 0.0008, 263),
            row(1, "days_to_dry", 20, 4, 0.25, 4),
            row(1, "readings_per_lot", 1, 4, 0.25, 4),
            row(1, "loss_drying", 0.08, 2, np.nan, 2),
        ],
        goal("baseline", "complete_lots", 0.25),
        goal("target", "complete_lots", 0.4),
        goal("target", "days_to_dry", 7.0),
    )
    assert set(found.reset_index().columns) == set(REPORT_COLUMNS)
    lots = found.loc["complete_lots"]
    assert (lots["value"], lots["unit"]) == (pytest.approx(100 * 81 / 263), "%")
    assert (lots["low"], lots["high"]) == (pytest.approx(25.53, abs=0.005), pytest.approx(36.62, abs=0.005))
    assert (lots["baseline"], lots["target"], lots["against_target"]) == (25, pytest.approx(40), "not reached")
    # Student's t with 3 degrees of freedom: 3.1824 (any table of t)
    days = found.loc["days_to_dry"]
    assert (days["value"], days["low"], days["high"]) == (
        5,
        *(pytest.approx(5 + s * 1.5912, abs=1e-4) for s in (-1, 1)),
    )
    assert days["against_target"] == "reached"  # less is better, 6.59 is below 7
    assert found.loc["readings_per_lot", "low"] == 0  # no group has fewer than none
    assert found.loc["loss_drying", "value"] == pytest.approx(4)
    assert np.isnan(found.loc["loss_drying", "low"])
    assert (lots["missing"], lots["count"], lots["numerator"], lots["denominator"]) == (1, 263, 81, 263)


@pytest.mark.parametrize(
    ("value", "on", "said"),
    [(0.2, TODAY, "reached"), (0.3, TODAY, "cannot tell yet"), (0.5, date(2027, 1, 1), "not due yet")],
)
def test_a_target_is_judged_by_the_interval_and_its_day(value: float, on: date, said: str):
    target = Goal("target", "complete_lots", value, on, "", "Odalo", AT)
    found = reported([row(1, "complete_lots", 81, 263, 0.0008, 263)], target)
    assert found.loc["complete_lots", "against_target"] == said


def test_a_groups_own_target_comes_before_the_programmes_and_another_currency_is_none():
    key = "cost_per_tonne_tested"
    rows = [row(1, key, 50, 10, 1.0, 3, "XTS")]
    own = reported(rows, goal("target", key, 9.0, "XTS"), goal("target", key, 4.0, "XTS", 1))
    assert own.loc[key, "target"] == 4
    assert np.isnan(reported(rows, goal("target", key, 9.0, "XXX")).loc[key, "target"])


def test_all_groups_together_is_the_ratio_of_sums_with_groups_as_clusters():
    """By hand, Cochran 1977 chapter 6: R = 24 / 40; y - R x = 2, -3, 1; s2 = 14 / (3 x 2), xbar = 40 / 3."""
    rows = [row(g, "settled_share", *pair, 0.01, 9) for g, pair in enumerate([(8, 10), (9, 20), (7, 10)], 1)]
    found = together(rows).loc["settled_share"]
    assert (found["value"], found["numerator"], found["denominator"]) == (60, 24, 40)
    half = 100 * 4.3027 * np.sqrt(14 / 6) / (40 / 3)  # t with 2 degrees of freedom
    assert (found["low"], found["high"]) == (pytest.approx(60 - half, abs=0.01), 100)  # a share ends at all
    assert (found["groups"], found["count"], found["missing"]) == (3, 27, 3)


def test_groups_that_do_not_differ_are_as_sure_as_their_counts():
    found = together([row(g, "complete_lots", 6, 8, 0.02, 8) for g in (1, 2, 3)]).loc["complete_lots"]
    low, high = wilson_interval(18, 24)
    assert (found["low"], found["high"]) == (pytest.approx(100 * low), pytest.approx(100 * high))
    one = together([row(1, "complete_lots", 6, 8, 0.02, 8)]).loc["complete_lots"]
    assert (one["value"], one["groups"]) == (75, 1)
    assert np.isnan(one["low"])  # one group says nothing of how groups differ


def test_shares_of_groups_that_differ_widely_end_at_none_and_all():
    """Eight of eight and none of eight: a half, and with one degree of freedom any share at all."""
    found = together([row(1, "complete_lots", 8, 8, 0.02, 8), row(2, "complete_lots", 0, 8, 0.02, 8)])
    assert tuple(found.loc["complete_lots", ["value", "low", "high"]]) == (50, 0, 100)


def test_money_without_a_rate_is_left_out_of_the_sum():
    key = "cost_per_tonne_tested"
    found = together([row(1, key, 50, 10, 1.0, 3, "XTS"), row(2, key, 9000, 10, 1.0, 3, "XXX")]).loc[key]
    assert (found["value"], found["groups"], found["currency"]) == (5, 1, "XTS")


def test_only_yes_or_no_counts_are_proportions():
    """The unit of a yes-or-no count is %; everything that is no count of lots or sales is an average or a ratio."""
    proportions = {key for key, item in DEFINITIONS.items() if item.proportion}
    assert proportions == {
        "tested_before_bagging",
        "dry_when_bagged",
        "dry_when_sold",
        "meter_in_use",
        "complete_lots",
        "complete_sales",
    }
