"""The deduction law: posted sheets, exact money, a reading that scatters, damage, and one law for every room."""

from __future__ import annotations

import math
from decimal import Decimal as D

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.errors import InputError
from core.market.deductions import Deductions, chance_above, damage_kept, flat_deductions

POSTED_SOYA = Deductions(13.0, ((15.0, 0.03), (20.0, 0.06)))


def test_posted_soya_schedule():
    # Posted US elevator sheet: 3 % a point from 13.1 to 15 %, 6 % a point above 15 %: at 16 %, 2 x 3 % + 1 x 6 % = 12
    # %.
    np.testing.assert_allclose(POSTED_SOYA.fraction(np.array([12.0, 13, 14, 15, 16])), [0, 0, 0.03, 0.06, 0.12])
    # beyond the last step its rate goes on: at 21 %, 6 % + 6 points x 6 % = 42 %; never more than the whole price
    assert POSTED_SOYA.fraction(21.0) == pytest.approx(0.42)
    assert POSTED_SOYA.fraction(60.0) == 1.0


def test_points_are_counted_in_steps_begun_where_the_contract_says_so():
    """ "1 % for each half point or part of it" above 13.5: 13.6 counts 0.5, 14.0 counts 0.5, 14.01 counts 1.0
    (by hand).
    """
    sheet = flat_deductions(13.5, 0.02, counted_by_pct=0.5)
    np.testing.assert_allclose(sheet.fraction(np.array([13.5, 13.6, 14.0, 14.01])), [0.0, 0.01, 0.01, 0.02])
    exact = sheet.exactly()
    assert [exact.fraction(D(m)) for m in ("13.5", "13.6", "14.0", "14.01")] == [0, D("0.010"), D("0.010"), D("0.020")]


@given(
    st.floats(5, 40),
    st.floats(5, 30),
    st.lists(st.tuples(st.floats(0.1, 5), st.floats(0, 0.2).map(lambda rate: round(rate, 6))), min_size=1),
)
def test_floats_arrays_and_exact_numbers_follow_the_sum_of_the_steps(moisture, base, steps):
    """Independent: rate x width of each step that the moisture fills, summed by hand in a loop."""
    edges, edge = [], base
    for width, rate in steps:
        edge += width
        edges.append((edge, rate))
    rule = Deductions(base, tuple(edges))
    by_hand, lower = 0.0, base
    for place, (upper, rate) in enumerate(edges):
        top = moisture if place == len(edges) - 1 else min(moisture, upper)
        by_hand += rate * max(0.0, top - lower)
        lower = upper
    by_hand = min(by_hand, 1.0)
    assert float(rule.fraction(moisture)) == pytest.approx(by_hand, abs=1e-9)
    assert rule.fraction(np.array([moisture]))[0] == pytest.approx(by_hand, abs=1e-9)
    assert float(rule.exactly().fraction(D(repr(moisture)))) == pytest.approx(by_hand, abs=1e-9)


def test_exact_money_has_no_hair():
    """1.2 % a point from 13.5 to 15, then 1.5 %: at 16 % it is 1.8 + 1.5 = 3.3 %, exactly."""
    assert Deductions(13.5, ((15.0, 0.012), (100.0, 0.015))).exactly().fraction(D(16)) == D("0.033")


def test_the_buyers_meter_is_read_before_the_law_and_not_on_the_buyers_own_reading():
    """A meter half a point high: 14.0 on ours is 14.5 on theirs, one point above 13.5, 2 %."""
    rule = flat_deductions(13.5, 0.02, meter_offset_pct=0.5)
    assert rule.kept(14.0) == pytest.approx(0.98)
    assert rule.fraction(14.0) == pytest.approx(0.01)
    assert rule.our_base_pct == 13.0
    assert flat_deductions(13.5, 0.02, meter_offset_pct=-0.5).our_base_pct == 14.0


def test_damage_costs_the_published_share_of_each_percent_and_never_the_whole():
    """Jones et al. 2016: about 3 % a point of damage; 10 % damaged at 3 %: 0.97^10 = 0.7374."""
    assert damage_kept(0.03, 1.0) == pytest.approx(0.97)
    assert damage_kept(0.03, 10.0) == pytest.approx(0.7374, abs=1e-4)
    assert damage_kept(0.03, 100.0) > 0
    both = flat_deductions(13.5, 0.02, damage_per_pct=0.03)
    assert both.kept(14.5, 1.0) == pytest.approx(0.98 * 0.97)


def test_refusal_is_the_chance_that_a_reading_lies_above_the_limit():
    """Against the normal distribution of the standard library; at one deviation above the limit 84.13 %."""
    over = np.linspace(-2, 2, 41)
    exact = [0.5 * math.erfc(-x / 0.4 / math.sqrt(2)) for x in over]
    np.testing.assert_allclose(chance_above(14 + over, 14.0, 0.4), exact, atol=2e-4)
    rule = Deductions(refusal_pct=14.0, reading_sd_pct=0.3, meter_offset_pct=0.5)
    # 0.3 and 0.4 together are 0.5: 14.0 on ours reads 14.5, one deviation above
    assert rule.refused(14.0, 0.4) == pytest.approx(0.8413, abs=2e-4)
    assert Deductions().refused(30.0) == 0
    sharp = Deductions(refusal_pct=14.0, reading_sd_pct=0.0)
    np.testing.assert_array_equal(sharp.refused(np.array([13.9, 14.0, 14.1])), [0, 0, 1])


def test_no_terms_deduct_nothing():
    assert Deductions().fraction(25.0) == 0
    assert Deductions().kept(25.0, 50.0) == 1
    assert Deductions().our_base_pct is None


@pytest.mark.parametrize(
    "wrong",
    [
        {"base_pct": 13.0},
        {"steps": ((15.0, 0.01),)},
        {"base_pct": 15.0, "steps": ((14.0, 0.01),)},
        {"base_pct": 13.0, "steps": ((15.0, 0.01), (15.0, 0.02))},
        {"base_pct": 13.0, "steps": ((15.0, -0.01),)},
        {"base_pct": math.nan, "steps": ((15.0, 0.01),)},
        {"base_pct": 13.0, "steps": ((15.0, math.inf),)},
        {"refusal_pct": 80.0},
        {"refusal_pct": math.nan},
        {"damage_per_pct": 1.0},
        {"counted_by_pct": -1.0},
        {"reading_sd_pct": -0.1},
    ],
)
def test_impossible_terms_get_our_error(wrong):
    with pytest.raises(InputError):
        Deductions(**wrong)
