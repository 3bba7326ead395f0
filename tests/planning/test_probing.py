"""Worth of more probed bags: the closed form for two straight lines, the meter's room, and that no reading beats
knowing the truth.
"""

from __future__ import annotations

from dataclasses import replace
from math import erf, exp, pi, sqrt

import numpy as np
import pytest

from core.planning.case import make_case
from core.planning.outlook import build_outlook
from core.planning.probing import error_after, preposterior, probing_gains
from core.testing.worth import DecisionTable, best_use, sampling_error


def straight_lines(mean, sd, told, offset, slope, points=201):
    """Return values, belief and chances for "leave" (0) against "do" (offset + slope x moisture)."""
    moisture = mean + sd * np.linspace(-4, 4, points)
    belief = np.exp(-0.5 * ((moisture - mean) / sd) ** 2)
    answers = mean + np.linspace(-5, 5, 801) * np.hypot(sd, told)
    chances = np.exp(-0.5 * ((answers[:, None] - moisture) / told) ** 2)
    values = np.stack([np.zeros((points, 2)), np.repeat((offset + slope * moisture)[:, None], 2, axis=1)])
    return values, belief / belief.sum(), chances / chances.sum(axis=0)


@pytest.mark.parametrize(("told", "offset"), [(0.5, -14.2), (1.0, -14.0), (0.3, -13.5)])
def test_equal_to_the_unit_normal_linear_loss_integral(told, offset):
    """Raiffa & Schlaifer 1961, section 5.4: gain = slope x s x (phi(u) - u (1 - Phi(u))), s^2 = P^2/(P +
    told^2), u = distance/(slope s).
    """
    mean, sd, slope = 14.0, 0.8, 1.0
    spread = sd**2 / sqrt(sd**2 + told**2)
    u = abs(offset + slope * mean) / (slope * spread)
    expected = slope * spread * (exp(-u * u / 2) / sqrt(2 * pi) - u * (1 - 0.5 * (1 + erf(u / sqrt(2)))))
    gain, changes = preposterior(*straight_lines(mean, sd, told, offset, slope))
    assert gain == pytest.approx(expected, rel=2e-3)
    # it is decided otherwise where the posterior mean crosses the break-even
    assert changes == pytest.approx(1 - 0.5 * (1 + erf(u / sqrt(2))), abs=0.02)


def test_agrees_with_the_meters_room():
    draw = np.random.default_rng(3)
    values = draw.normal(size=(5, 9, 30))
    belief = draw.dirichlet(np.ones(9))
    chances = draw.dirichlet(np.ones(4), size=9).T
    table = DecisionTable(tuple("abcde"), np.arange(9.0) + 10, values, {})
    expected = best_use(table, belief, chances).mean - best_use(table, belief, np.ones((1, 9))).mean
    assert preposterior(values, belief, chances)[0] == pytest.approx(expected)


def test_error_after_more_bags_pools_what_is_not_shared():
    """The first five bags of a hundred give s1, five more of them s2: together they must give what ten bags give
    at once (Cochran 1977).
    """
    case = make_case(1, 8, 20, 1)
    many = replace(case.lots[0], bags=10**6, common_sd_pct=0.4, bag_sd_pct=0.9, reading_sd_pct=0.3)
    five = sampling_error(10**6, 5, 0.9, 0.3, 0.4)
    ten = sampling_error(10**6, 10, 0.9, 0.3, 0.4)
    after, _ = error_after(replace(many, moisture_se_pct=five), 5)
    assert after == pytest.approx(ten, rel=1e-6)
    # what all readings share stays, however many bags
    assert error_after(replace(many, moisture_se_pct=five), 10**6)[0] >= 0.4


def test_no_reading_is_worth_more_than_better_ones_and_none_is_worth_less_than_nothing():
    case = make_case(5, 20, 40, 4)
    lots = tuple(
        replace(lot, bags=40, moisture_pct=13.2 + number, moisture_se_pct=1.2, common_sd_pct=0.1)
        for number, lot in enumerate(case.lots)
    )
    outlook = build_outlook(case.with_changes(lots=lots))
    few = {item.lot: item for item in probing_gains(outlook, 1)}
    more = {item.lot: item for item in probing_gains(outlook, 20)}
    assert set(few) == {lot.id for lot in lots}
    for lot, item in few.items():
        assert item.gain >= 0
        assert more[lot].gain >= item.gain - 1e-6
        assert more[lot].then_pct < item.then_pct < item.now_pct
    assert max(item.gain for item in more.values()) > 0


def test_a_lot_known_as_well_as_the_meter_can_gains_nothing():
    case = make_case(2, 12, 30, 1)
    lots = tuple(replace(lot, moisture_se_pct=0.5, common_sd_pct=0.5) for lot in case.lots)
    assert all(item.gain == 0 for item in probing_gains(build_outlook(case.with_changes(lots=lots))))
