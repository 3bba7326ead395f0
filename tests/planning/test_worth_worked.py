"""What an allocation takes, brings and breaks, by hand on the tables of the programme's worked case."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from core.planning.allocation import Allocation, use_of
from core.planning.case import CashNeed
from core.planning.model import Columns, Program
from core.planning.placing import Ledger, fill, in_time, place_reserves
from core.planning.search import Search
from core.planning.settling import allocation_of, by_lot, in_whole_parts, part_of, small_parts
from core.planning.worth import (
    account_balances,
    borrowed_for_needs,
    broken_limits,
    cash_by_week,
    complete,
    drying_jobs,
    evaluate,
)
from tests.planning.test_model_worked import CASE, MAIZE, OUTLOOK, SCENARIOS, SORGHUM, counted, option, table_of, today

PLAIN = CASE.with_changes(credit=None, drying=tuple(replace(way, capacity_kg=1000.0) for way in CASE.drying))
TABLES = (counted(MAIZE), counted(SORGHUM))


def outlook_of(case=PLAIN, tables=TABLES):
    return SimpleNamespace(
        case=case, lot_class=np.array([0, 1]), classes=tables, options=lambda lot: tables[lot], seasons=OUTLOOK.seasons
    )


def plan(rows, outlook=None):
    lot, chosen, bags = (np.array(column) for column in zip(*rows, strict=True))
    return complete(outlook or outlook_of(), lot, chosen, bags)


ROWS = [(0, 0, 4), (0, 1, 2), (0, 2, 1), (0, 3, 3), (1, 0, 3), (1, 1, 1)]


def test_what_an_allocation_takes_and_has_to_buy_by_hand():
    """Maize of 100 kg, sorghum of 50: four bags by the first road (360 kg: a trip), two by the third (170 kg).

    In the first store 4 + 3 + 1 bags at most in week 3 (four maize leave then): 4 in week 2, 3 + 4 before; three are
    at hand, units hold four. In the second store three and two meet in weeks 2 and 3: five are at hand.
    """
    made = plan([*ROWS, (0, 0, 0)])
    use = use_of(outlook_of(), made.lot, made.option, made.bags)
    assert len(made.lot) == len(ROWS)  # a line without bags is none
    assert use.stock[0].tolist() == [4, 4, 7, 4, 4, 0]
    assert use.stock[1].tolist() == [3, 3, 5, 5, 2, 0]
    assert use.kg[0].tolist() == pytest.approx([0, 0, 0, 4 * 90, 0, 0])
    assert use.kg[1].tolist() == pytest.approx([0, 95, 0, 0, 0, 0])
    assert use.kg[2].tolist() == pytest.approx([0] * 5 + [170])
    assert use.kg[3].tolist() == pytest.approx([0] * 5 + [3 * 46])
    assert use.reserve_kg.tolist() == pytest.approx([240, 44])
    assert use.bags.tolist() == [10, 4]
    assert use.floor[0, :2].tolist() == [5 * 400, 0]
    assert use.floor[1, :4].tolist() == pytest.approx([0, 7 * 180, 3 * 180, 0])
    assert (made.bought.tolist(), made.spaces) == ([1, 0], (0.0, 1.0))
    assert made.trips[0].tolist() == [0, 0, 0, 1, 0, 0]
    assert made.trips[2].tolist() == [0, 0, 0, 0, 0, 1]
    assert made.trips[[1, 3]].sum() == 0
    assert made.purchases(PLAIN) == 1 * 8.0 + 25.0
    idle = plan([(0, 2, 1)])
    assert (idle.spaces, idle.purchases(PLAIN)) == ((0.0, 0.0), 0.0)


def test_what_is_dried_and_until_when_by_hand():
    """From day 2 (two are gone) to the end of week 0; ten days from day 7 on to the end of week 2.

    Sold in the week in which it is ready it must be off by the buyer's last day, sold later not.
    """
    first, second = drying_jobs(outlook_of(), plan(ROWS))
    assert (first.line, first.space, first.bags, first.bag_kg, first.days) == (0, 0, 4, 100.0, 3)
    assert (first.first_day, first.ready_by) == (2, 6)
    assert (second.line, second.space, second.bags, second.bag_kg, second.days) == (1, 1, 2, 90.0, 10)
    assert (second.first_day, second.ready_by) == (7, 20)
    buyers = tuple(replace(who, last_day=4) for who in PLAIN.buyers)
    limited = outlook_of(PLAIN.with_changes(buyers=buyers))
    assert [job.ready_by for job in drying_jobs(limited, plan(ROWS))] == [6, 20]
    soon = counted(MAIZE)
    soon.sale_week = np.array([0, 5, 1, 4])
    limited = outlook_of(limited.case, (soon, TABLES[1]))
    assert [job.ready_by for job in drying_jobs(limited, plan(ROWS))] == [4, 20]
    assert [job.ready_by for job in drying_jobs(outlook_of(PLAIN, (soon, TABLES[1])), plan(ROWS))] == [6, 20]


def test_each_limit_that_an_allocation_breaks_is_named_alone():
    made = plan(ROWS)
    lenient = PLAIN.with_changes(
        buyers=tuple(replace(who, minimum_kg=0.0) for who in PLAIN.buyers), store_bags=None, needs=()
    )
    assert broken_limits(outlook_of(lenient), made) == []
    assert broken_limits(outlook_of(lenient), replace(made, bags=made.bags + np.array([0.5, 0, 0, 0, 0, 0]))) == [
        "whole bags",
        "bags of a lot",
        "storage bags",
    ]
    assert broken_limits(outlook_of(lenient), replace(made, bags=np.array([4, 2, 2, 3, 3, 1]))) == ["bags of a lot"]
    assert "whole bags" in broken_limits(outlook_of(lenient), replace(made, bags=np.array([4, 2, 1, 3, 3, -1])))
    assert broken_limits(outlook_of(lenient), replace(made, spaces=())) == ["drying space"]
    assert broken_limits(outlook_of(lenient), replace(made, spaces=(0.0, 0.1))) == ["drying space"]
    assert broken_limits(outlook_of(lenient), replace(made, bought=np.array([0, 0]))) == ["storage bags"]
    assert broken_limits(outlook_of(lenient), replace(made, bought=np.array([3, 0]))) == [
        "storage bags"
    ]  # two are for sale
    assert broken_limits(outlook_of(lenient), replace(made, trips=0 * made.trips)) == ["truck"]
    for room, names in ((12, []), (11, ["store room"])):  # seven and five in week 2
        assert broken_limits(outlook_of(lenient.with_changes(store_bags=room)), made) == names
    for buyer, kg, field, name in ((1, 95.0, "quantity_kg", "offer quantity"), (2, 170.0, "minimum_kg", "least sale")):
        for more, names in ((0.0, []), (-1.0 if field == "quantity_kg" else 1.0, [name])):
            buyers = list(lenient.buyers)
            buyers[buyer] = replace(buyers[buyer], **{field: kg + more})
            assert broken_limits(outlook_of(lenient.with_changes(buyers=tuple(buyers))), made) == names


def test_what_an_allocation_brings_by_week_and_today_by_hand():
    """Line by line; a trip of 15 and one of 7; a unit of four at 2 and a space at 25; 60 kg too many at the first road.

    Each kg beyond 300 loses a fifth of 1.1 times the mean price by mass.
    """
    case = PLAIN.with_changes(needs=())
    made = plan(ROWS)
    cash, value = np.zeros((6 + 1 + 53, SCENARIOS)), np.zeros(SCENARIOS)

    def flow(week, amount):
        nonlocal value
        cash[week] += amount
        value = value + amount * today(week)

    for lot, chosen, bags in ROWS:
        table, mass = (MAIZE, SORGHUM)[lot], (100.0, 50.0)[lot]
        receipts = bags * mass * table.receipts_kg[chosen]
        if table.reserve[chosen] < 0:
            flow(table.pay_week[chosen], receipts)
        else:
            value = value + receipts * today(table.pay_week[chosen])
        flow(table.start_week[chosen], -bags * (mass * table.upfront_kg[chosen] + table.upfront_bag[chosen]))
        flow(table.sale_week[chosen], -bags * table.later_bag[chosen])
    flow(0, -8.0 - 25.0)
    flow(3, -15.0)
    flow(5, -7.0)
    prices = OUTLOOK.seasons.prices
    mean = (1000 * prices["maize"][3].mean() + 200 * prices["sorghum"][3].mean()) / 1200
    value = value - 60 * 0.2 * 1.1 * mean * today(3)
    found = cash_by_week(outlook_of(case), made)
    assert found == pytest.approx(cash, abs=1e-4)
    worth = evaluate(outlook_of(case), made)
    assert worth.value == pytest.approx(value, rel=1e-5)
    assert (worth.mean, worth.worst_tenth_mean) == pytest.approx((value.mean(), value.min()), rel=1e-5)
    assert worth.missed.shape == (0, SCENARIOS)
    # the balance after each need, with 17 at hand: 30 are due in week 2, 28 more in week 4
    upto = np.cumsum(cash, axis=0)
    assert account_balances(outlook_of(), made) == pytest.approx(
        np.array([17 + upto[2] - 30, 17 + upto[4] - 58]), abs=1e-4
    )


def test_interest_and_what_is_missed_of_each_need_by_hand():
    """5 at hand, 30 due in week 1 and 20 in week 3 of six; sales bring 10 in week 2 and 100 in week 4, or nothing.

    What is missed at a date is at most what is due then. Without any sale the debt stands to the horizon, not beyond.
    """
    case = PLAIN.with_changes(
        needs=(CashNeed(1, 30.0), CashNeed(3, 20.0)), cash_now=5.0, emergency_interest_monthly=0.1, advances=True
    )
    rate = 1.1 ** (12 * 7 / 365.25) - 1
    cash = np.zeros((9, SCENARIOS))
    cash[2, 0], cash[4, 0] = 10.0, 100.0
    interest, missed = borrowed_for_needs(case, cash)
    first = 25 * rate  # in week 2 on what lacked in week 1
    second = (25 + first - 10) * rate
    third = (25 + first - 10 + second + 20) * rate
    assert interest[0] == pytest.approx(first * today(2) + second * today(3) + third * today(4))
    assert missed[:, 0] == pytest.approx([25.0, 20.0])
    debt, paid = 25.0, 0.0
    for week in (2, 3, 4, 5):
        charged = debt * rate
        paid += charged * today(week)
        debt += charged + (20.0 if week == 3 else 0.0)
    assert interest[1] == pytest.approx(paid)
    assert missed[:, 1] == pytest.approx([25.0, 20.0])
    # money that comes in week 7 pays back what it can, and the interest on it until then
    cash[7, 2] = 12.0
    late, _ = borrowed_for_needs(case, cash)
    assert late[2] == pytest.approx(paid + 12 * rate * (today(6) + today(7)))
    rich, none = borrowed_for_needs(case.with_changes(cash_now=40.0), cash)
    assert none[:, 1] == pytest.approx([0.0, 10.0])
    assert rich[1] == pytest.approx(10 * rate * today(4) + 10 * (1 + rate) * rate * today(5))


def test_parts_of_a_lot_by_hand():
    """Options alike in all that a reader sees are one part: two and one bags make three, which is enough."""
    rows = [
        option((0, 3.0, 0), (0, 0, 3, 4), (0, -1), (0.02, 0.3, 0.15), (1.0, 0.9)),
        option((0, 4.0, 0), (1, 1, 3, 4), (0, -1), (0.02, 0.3, 0.15), (1.0, 0.9)),
        option((-1, 0.0, 0), (0, 0, 4, 5), (0, -1), (0.02, 0.3, 0.15), (1.0, 0.9)),
    ]
    table = counted(table_of(rows, np.ones((3, SCENARIOS))))
    table.target_pct, table.harvest_week = np.array([13.0, 13.0, np.nan]), np.zeros(3, dtype=int)
    assert part_of(table, 0) == part_of(table, 1) != part_of(table, 2)
    outlook = outlook_of(PLAIN, (table, TABLES[1]))
    assert small_parts(outlook, 0, {0: 2, 1: 1, 2: 7}) == []
    assert small_parts(outlook, 0, {0: 1, 1: 1, 2: 2}) == [0, 1, 2]
    assert small_parts(outlook, 0, {0: 3, 2: 2}) == [2]
    assert small_parts(outlook, 0, {0: 3, 2: 0}) == []
    for bags, found in ((2, []), (3, [0])):
        few = outlook_of(PLAIN.with_changes(lots=(replace(PLAIN.lots[0], bags=bags), PLAIN.lots[1])), outlook.classes)
        assert small_parts(few, 0, {0: 2}) == found
    made = Allocation(np.array([0, 0, 1]), np.array([0, 0, 1]), np.array([2.0, 0.9999, 4.0]), None, None)
    assert by_lot(made) == {0: {0: 3}, 1: {1: 4}}
    again = allocation_of(outlook_of(), {1: {1: 4}, 0: {2: 1, 0: 3, 1: 0}})
    assert list(zip(again.lot.tolist(), again.option.tolist(), again.bags.tolist(), strict=True)) == [
        (0, 0, 3),
        (0, 2, 1),
        (1, 1, 4),
    ]


def test_bags_that_would_be_late_find_another_way():
    """Three usual bags of 86 kg fit, two of 100: two of four are late. The rest of 700 kg are sold undried."""
    tight = PLAIN.with_changes(
        drying=(replace(PLAIN.drying[0], capacity_kg=260.0), PLAIN.drying[1]),
        buyers=tuple(replace(who, minimum_kg=0.0) for who in PLAIN.buyers),
        needs=(),
    )
    outlook = outlook_of(tight)
    made = in_time(outlook, plan([(0, 0, 4)], outlook))
    assert by_lot(made) == {0: {0: 2, 2: 7}}
    in_order = plan([(0, 0, 2), (0, 2, 1)], outlook)
    assert in_time(outlook, in_order) is in_order


def test_bags_are_placed_in_their_order_until_each_is_full():
    """Eight bags fit into all stores together in week 2: four of sorghum and four of maize, the rest is sold undried.

    Without that limit ten bags of 90 kg a week lie on 942 kg of floor.
    """
    buyers = tuple(replace(who, minimum_kg=0.0, weekly_kg=None) for who in PLAIN.buyers)
    for most, maize in ((8, {1: 4, 2: 6}), (None, {1: 10}), (13, {1: 9, 2: 1})):
        ledger = Ledger(outlook_of(PLAIN.with_changes(buyers=buyers, store_bags=most)), frozenset({1}))
        fill(ledger, {0: np.array([1, 0, 2]), 1: np.array([0])}, [1, 0])
        assert by_lot(ledger.allocation()) == {1: {0: 4}, 0: maize}
    closed = Ledger(outlook_of(PLAIN.with_changes(buyers=buyers, store_bags=None)))
    fill(closed, {0: np.array([1, 2])})
    assert by_lot(closed.allocation()) == {0: {2: 7}}  # the space is not bought; 700 kg in bags of 95


def test_bags_in_whole_parts_by_hand():
    """Lots of ten and of two bags, parts of three: empty or three to ten, any number to two; a small one also again.

    What is in play again holds two bags at most and counts for nothing: its cost stays, its worth does not.
    """
    case = PLAIN.with_changes(lots=(PLAIN.lots[0], replace(PLAIN.lots[1], bags=2)))
    search = Search(outlook_of(case), None, [], [], None, [], [])
    columns = Columns(np.array([0, 0, 1]), np.array([5, 6, 7]))
    program = Program(
        cost=np.array([9.0, -4.0, -5.0, 2.0, -6.0, 3.0]),
        matrix=None,
        lower=None,
        upper=None,
        bound_low=np.array([-1.0, 0, 0, 0, 0, 0]),
        bound_high=np.array([8.0, *[np.inf] * 5]),
        integrality=np.array([1.0, *[1.0] * 5]),
        shared=1,
    )
    few, kind = in_whole_parts(search, columns, np.array([False, True, True]), 3)
    assert (few.columns.lot.tolist(), few.columns.option.tolist()) == ([0, 0, 1, 0, 1], [5, 6, 7, 6, 7])
    made = kind(program)
    assert made.cost.tolist() == [9, -4, -5, 2, 0, 3]
    assert made.bound_low.tolist() == [-1, 3, 3, 0, 0, 0]
    assert made.bound_high.tolist() == [8, 10, 10, 2, 2, 2]
    assert made.integrality.tolist() == [1, 3, 3, 1, 1, 1]  # 3: between its bounds, or none
    exactly = in_whole_parts(search, columns, np.array([False, False, True]), 2)[1](replace(program, cost=np.zeros(5)))
    assert exactly.bound_low.tolist() == [-1, 2, 2, 2, 0]  # a lot of two bags has a part of two
    whole, every = in_whole_parts(search, columns, np.array([True, True, True]), 1)
    assert whole.columns.lot.tolist() == [0, 0, 1]
    assert every(replace(program, cost=np.zeros(4))).bound_low.tolist() == [-1, 0, 0, 0]


def test_promises_and_reserves_are_placed_from_those_who_lose_least_by_hand():
    """120 kg to the third buyer: two bags of 85 kg; 150 kg of maize: two of 80 kg; 30 kg of sorghum: one of 44."""
    ledger = Ledger(outlook_of(PLAIN.with_changes(store_bags=None)), frozenset({1}))
    place_reserves(ledger)
    assert by_lot(ledger.allocation()) == {0: {1: 2, 3: 2}, 1: {1: 1}}
    tiny = PLAIN.with_changes(reserves=(PLAIN.reserves[0], replace(PLAIN.reserves[1], kg=44.1)), store_bags=None)
    ledger = Ledger(outlook_of(tiny), frozenset({1}))
    place_reserves(ledger)
    assert ledger.taken[1, 1] == 2
