"""Worth of more probed bags: the closed form for two straight lines, the meter's room, and that no reading beats
knowing the truth.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import erf, exp, pi, sqrt
from types import SimpleNamespace

import numpy as np
import pytest

from core.planning import probing
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


def test_error_after_some_more_bags_by_hand():
    """Of 20 bags 4 more: 0.8^2 / 4 (1 - 4/20) + 0.4^2 / 4 = 0.128 + 0.04 = 0.168 is the variance of their mean.

    Of 0.6^2 = 0.36 what all share is 0.09, so 0.27 can be told: 0.27^2 / (0.27 + 0.168) = 0.16644 will be.
    """
    lot = replace(
        make_case(1, 8, 20, 1).lots[0],
        bags=20,
        moisture_se_pct=0.6,
        common_sd_pct=0.3,
        bag_sd_pct=0.8,
        reading_sd_pct=0.4,
    )
    told = 0.27**2 / (0.27 + 0.168)
    assert error_after(lot, 4) == pytest.approx((sqrt(0.36 - told), sqrt(0.36**2 / told - 0.36)))
    # more than there are: all 20, and the bags left untested are none
    told = 0.27**2 / (0.27 + 0.16 / 20)
    assert error_after(lot, 30) == pytest.approx((sqrt(0.36 - told), sqrt(0.36**2 / told - 0.36)))
    assert error_after(replace(lot, common_sd_pct=0.7), 4) == (0.6, float("inf"))
    # nothing is shared, bags are alike and readings exact: all is known then
    assert error_after(replace(lot, common_sd_pct=0.0, bag_sd_pct=0.0, reading_sd_pct=0.0), 4) == (0.0, 1e-6)


def chances_of(distance, spread):
    return exp(-0.5 * (distance / spread) ** 2)


@pytest.mark.parametrize(("reading", "bags"), [(0.02, 8), (3.0, 3)])
def test_what_more_tests_are_worth_by_adding_up(monkeypatch, reading, bags):
    """Two ways at the seven moistures that are tried, their worth made up; every answer is gone through one by one."""
    case = make_case(1, 8, 20, 1)
    lot = replace(
        case.lots[0],
        bags=bags,
        moisture_pct=14.0,
        moisture_se_pct=0.5,
        common_sd_pct=0.1,
        bag_sd_pct=reading,
        reading_sd_pct=reading,
    )
    spoilt = (
        replace(lot, id="standing", standing=True),
        replace(lot, id="seed", use="seed"),
        replace(lot, id="one", bags=1),
        replace(lot, id="sure", moisture_se_pct=0.0),
    )
    nodes = np.linspace(-2.4, 2.4, 7)
    true = 14.0 + 0.5 * nodes
    first, second = 3.0 - (true - 13.0) ** 2, np.linspace(2.5, 2.0, 7)
    asked = []

    def values(outlook, number, moisture):
        asked.append((number, moisture))
        return np.stack([np.stack([row - 1, row + 1], axis=1) for row in (first, second)])

    monkeypatch.setattr(probing, "_values", values)
    known = replace(lot, id="known", common_sd_pct=0.5)
    outlook = SimpleNamespace(case=SimpleNamespace(lots=(*spoilt, known, lot)))
    found = probing_gains(outlook, 4)
    [(number, moisture)] = asked
    assert number == 5
    np.testing.assert_allclose(moisture, true)
    after, told = error_after(lot, 4)
    belief = [chances_of(node, 1) for node in nodes]
    belief = [one / sum(belief) for one in belief]
    spread = max(told, 0.2)  # half of the 0.4 points between the moistures that are tried
    assert (told < 0.2) == (reading < 1)
    reach = 4 * sqrt(0.25 + told**2)
    answers = [14 - reach + 2 * reach * at / 60 for at in range(61)]
    heard = [[chances_of(answer - one, spread) for one in true] for answer in answers]
    heard = [[row[at] / sum(other[at] for other in heard) for at in range(7)] for row in heard]
    now = max(range(2), key=lambda way: sum(b * v for b, v in zip(belief, (first, second)[way], strict=True)))
    gain = changes = 0.0
    for row in heard:
        worth = [sum(c * b * v for c, b, v in zip(row, belief, way, strict=True)) for way in (first, second)]
        if max(worth) > worth[now] + 1e-8:
            gain += max(worth) - worth[now]
            changes += sum(c * b for c, b in zip(row, belief, strict=True))
    assert gain > 0
    best, none = found
    assert (best.lot, best.bags, best.now_pct, best.then_pct) == (lot.id, min(4, bags), 0.5, after)
    assert best.gain == pytest.approx(bags * gain)
    assert best.changes == pytest.approx(changes)
    assert (none.lot, none.bags, none.gain, none.now_pct, none.then_pct, none.changes) == (
        "known",
        min(4, bags),
        0.0,
        0.5,
        0.5,
        0.0,
    )


class Ways:
    """Ways of a lot as `_values` takes them: two that are sold and one that is kept, worth what the draws say."""

    def __init__(self, worth, setup=-1, count=3):
        self.worth, self.setup, self.count = worth, np.full(count, setup), count
        self.buyer = np.array([0, 1, -1])[:count]

    def __len__(self):
        return self.count


@pytest.mark.parametrize(
    ("surely", "setup", "drying", "stand_ins"),
    [
        (13.5, -1, True, (13.0, 14.0)),  # as if it were dry enough to keep, and as if it were wet enough to dry
        (13.0, -1, True, (14.0,)),  # it keeps already
        (13.5, 0, True, (13.0,)),  # it is dried already
        (13.5, -1, False, (13.0,)),  # nothing to dry with
        (13.0, 0, False, ()),
    ],
)
def test_what_is_done_with_a_lot_if_its_moisture_were_known(monkeypatch, surely, setup, drying, stand_ins):
    """True moistures 12 and 15 of a lot of 12.5 +- 0.5: drawn at -1 and 5; of one of 13: -2 and 4; of 14: -4 and 2.

    A bag of 90 kg brings 1000 and 90 x 10 by its draw; 7 is its part of trips.
    """
    case = make_case(2, 8, 20, 1)
    lot = replace(
        case.lots[1],
        moisture_pct=12.5,
        moisture_se_pct=0.5,
        bag_mass_kg=90.0,
        keeping_pct=13.0,
        surely_at_most_pct=surely,
        surely_to_seal_pct=surely,
    )
    case = case.with_changes(lots=(case.lots[0], lot), drying=case.drying if drying else ())
    made = []

    def class_options(case, seasons, stands, booked, known=None):
        if known is None:
            made.append((stands.moisture_pct, stands.surely_at_most_pct, stands.surely_to_seal_pct))
            booked["mine"] = stands.moisture_pct
            return Ways(0.0)
        assert booked == {"mine": 12.5 if stands is lot else stands.moisture_pct}
        assert seasons.moisture_draw["other"] == "theirs"
        return Ways(seasons.moisture_draw[lot.id][None, :] + np.zeros((3, 1)), known.setup[0])

    @dataclass(frozen=True)
    class Seasons:
        moisture_draw: dict

    monkeypatch.setattr(probing, "class_options", class_options)
    monkeypatch.setattr(probing, "bag_values", lambda case, table, mass: 1000 + 10 * mass * table.worth)
    monkeypatch.setattr(probing, "shared_costs", lambda case, table, mass: np.array([7.0, 9.0, 0.0]))
    outlook = SimpleNamespace(
        case=case,
        lot_class=np.array([1, 0]),
        representatives=(lot, case.lots[0]),
        classes=(Ways(0.0, setup), None),
        planned_days={(0, "mine"): 12.5, (1, "theirs"): 3.0},
        seasons=Seasons({"other": "theirs"}),
    )
    values = probing._values(outlook, 1, np.array([12.0, 15.0]))
    assert made == [(pct, pct, pct) for pct in stand_ins]
    draws = [[(true - mean) / 0.5 for true in (12.0, 15.0)] for mean in (12.5, *stand_ins)]
    expected = [[1000 + 900 * draw - cost for draw in row] for row in draws for cost in (7, 9)]
    assert values.shape == (2 * len(draws), 2, 20)
    np.testing.assert_allclose(values[:, :, 3], expected)
