"""What a plan is worth, reckoned a second time bag by bag and week by week (`plain_value`), on many random cases."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from core.accounts.finance import InventoryCredit
from core.market.deductions import Deductions
from core.planning.allocation import tail_mean, tail_size, tail_weights, use_of
from core.planning.case import CashNeed, Reserve, make_case
from core.planning.invented_seasons import invented_seasons
from core.planning.outlook import build_outlook
from core.planning.worth import broken_limits, cash_by_week, complete, evaluate
from tests.planning.plain_value import reckon


def random_terms(draw):
    """Return deductions of two steps, with a buyer's own meter and scale."""
    return Deductions(
        base_pct=float(draw.uniform(12, 14)),
        steps=((15.0, float(draw.uniform(0.01, 0.03))), (100.0, float(draw.uniform(0.02, 0.05)))),
        refusal_pct=float(draw.uniform(15, 20)),
        reading_sd_pct=0.0,
        damage_per_pct=float(draw.uniform(0, 0.04)),
        meter_offset_pct=float(draw.uniform(-0.5, 0.5)),
        scale_offset=float(draw.uniform(-0.02, 0.02)),
    )


def random_case(seed):
    """A small case in which every term of value is at work: fees, delays, deductions, hire, silos, needs, a loan."""
    draw = np.random.default_rng([seed, 5])
    case = make_case(3, 9, 12, seed)
    buyers = tuple(
        replace(
            who,
            deductions=random_terms(draw),
            crop_deductions=((case.lots[0].commodity, random_terms(draw)),) if draw.random() < 0.5 else (),
            pay_delay_weeks=int(draw.integers(0, 4)),
            fee_fraction=float(draw.uniform(0, 0.05)),
            weekly_kg=float(draw.uniform(200, 900)) if draw.random() < 0.6 else None,
            price_fall=0.1,
            minimum_kg=0.0,
            inspects=bool(draw.random() < 0.5),
            trip_cost=float(draw.uniform(5, 40)) if draw.random() < 0.3 else None,
        )
        for who in case.buyers
    )
    drying = (replace(case.drying[0], hire_per_bag_day=0.02), replace(case.drying[1], price=25.0))
    storage = (
        replace(case.storage[0], owned_bags=2, cost_per_bag_month=0.05),
        case.storage[1],
        replace(case.storage[2], owned_bags=1, bags_per_unit=4, cost_per_bag_month=0.1),
    )
    return case.with_changes(
        lots=tuple(replace(lot, bags=int(draw.integers(3, 8))) for lot in case.lots),
        buyers=buyers,
        drying=drying,
        storage=storage,
        truck=replace(case.truck, capacity_kg=600.0),
        needs=(CashNeed(2, float(draw.uniform(50, 900)), label="fees"), CashNeed(5, 200.0, label="inputs")),
        cash_now=float(draw.uniform(0, 100)),
        emergency_interest_monthly=float(draw.uniform(0.05, 0.2)),
        interest_monthly=float(draw.uniform(0.01, 0.05)),
        credit=InventoryCredit(0.7, 0.02, 0.01) if draw.random() < 0.5 else None,
        reserves=(
            Reserve("food", case.lots[0].commodity, 100.0, int(draw.integers(5, 9)), 0.5, damage_per_pct=0.02),
            Reserve("seed", case.lots[1].commodity, 50.0, 6, 0.9, evenly=False, use="seed", damage_per_pct=0.01),
        ),
    )


def random_plan(outlook, seed):
    draw = np.random.default_rng([seed, 6])
    lots, options, bags = [], [], []
    for lot, item in enumerate(outlook.case.lots):
        left = item.bags
        table = outlook.options(lot)
        chosen = list(draw.choice(len(table), 3, replace=False))
        kept_back = np.flatnonzero(table.reserve >= 0)
        if len(kept_back):
            chosen.insert(1, int(draw.choice(kept_back)))
        for option in chosen:
            count = int(draw.integers(0, left + 1))
            left -= count
            if count:
                lots.append(lot)
                options.append(int(option))
                bags.append(count)
    made = complete(outlook, np.array(lots), np.array(options), np.array(bags))
    if outlook.case.credit is not None:  # a loan of our own choosing: its flows must be told right, wanted or not
        made = replace(made, loans=((0, 6, 120.0),))
    return made


@pytest.mark.parametrize("seed", range(40))
def test_value_cash_and_borrowing_are_those_of_a_plain_reckoning(seed):
    case = random_case(seed)
    seasons = invented_seasons(case, seed)
    seasons = replace(seasons, keep=with_spoiling(seasons.keep, seed))
    outlook = build_outlook(case, seed, seasons)
    plan = random_plan(outlook, seed)
    worth, cash = evaluate(outlook, plan), cash_by_week(outlook, plan)
    plain = [reckon(case, seasons, outlook, plan, scenario) for scenario in range(case.scenarios)]
    scale = abs(worth.value).max() + 100.0
    assert worth.value == pytest.approx([one.value for one in plain], abs=2e-5 * scale)
    for scenario, one in enumerate(plain):
        money = [one.cash.get(week, 0.0) for week in range(len(cash))]
        assert cash[:, scenario] == pytest.approx(money, abs=2e-5 * scale)
    assert worth.worst_tenth_mean == pytest.approx(np.mean(np.sort([one.value for one in plain])[:2]), abs=2e-5 * scale)


@pytest.mark.parametrize("seed", range(20))
def test_what_a_plan_takes_of_each_limit_is_counted_day_by_day(seed):
    """Bags in store by week, kg sold by buyer and week, kg kept back, and kg-days of floor, bag by bag.

    Floor: grain that is through within its week books its part of a week of as many loads as fit (2 days fit 3 times in
    7, so 7/3 days each); longer drying books the days it lies, the first seven in the first week.
    """
    case = random_case(seed)
    outlook = build_outlook(case, seed, invented_seasons(case, seed))
    plan = random_plan(outlook, seed)
    use = use_of(outlook, plan.lot, plan.option, plan.bags)
    floor, stock, kg = np.zeros_like(use.floor), np.zeros_like(use.stock), np.zeros_like(use.kg)
    kept, used = np.zeros_like(use.reserve_kg), np.zeros_like(use.bags)
    for lot, option, bags in zip(plan.lot, plan.option, plan.bags, strict=True):
        table, mass = outlook.options(int(lot)), case.lots[lot].bag_mass_kg
        for _ in range(int(bags)):
            used[lot] += 1
            for week in range(table.ready_week[option], table.sale_week[option]):
                if table.storage[option] >= 0:
                    stock[table.storage[option], week] += 1
            left = mass * table.kept_kg[option]
            if table.reserve[option] >= 0:
                kept[table.reserve[option]] += left
            else:
                kg[table.buyer[option], table.sale_week[option]] += left
            if table.setup[option] < 0:
                continue
            days, first = int(np.ceil(max(table.days[option], 1.0))), int(table.start_week[option])
            spread = mass * table.floor_kg[option]
            if table.ready_week[option] == first:
                floor[table.setup[option], first] += spread * 7 / (7 // days)
            else:
                for day in range(days):
                    floor[table.setup[option], first + day // 7] += spread
    assert use.floor == pytest.approx(floor)
    assert use.stock == pytest.approx(stock)
    assert use.kg == pytest.approx(kg)
    assert use.reserve_kg == pytest.approx(kept)
    assert use.bags == pytest.approx(used)
    made = complete(outlook, plan.lot, plan.option, plan.bags)
    for number, who in enumerate(case.buyers):
        loads = [
            int(np.ceil(sold / case.truck.capacity_kg - 1e-9)) if who.distance_km > 0 else 0 for sold in kg[number]
        ]
        assert list(made.trips[number]) == loads
    check_limits(outlook, made, floor, stock, kg)


def check_limits(outlook, plan, floor, stock, kg):
    """Of each limit the last value that it bears, and the first that it does not."""
    case, sold = outlook.case, kg.sum(axis=1)
    roomy = case.with_changes(
        drying=tuple(replace(way, capacity_kg=1e6) for way in case.drying),
        storage=tuple(replace(way, buyable_bags=999) for way in case.storage),
        truck=replace(case.truck, trips_per_week=999),
        buyers=tuple(replace(who, quantity_kg=None, minimum_kg=0.0) for who in case.buyers),
        store_bags=None,
    )

    def broken(**changes):
        return broken_limits(replace(outlook, case=roomy.with_changes(**changes)), replace(plan, loans=()))

    assert broken() == []
    peak = int(stock.sum(axis=0).max())
    for most, found in ((peak, []), (peak - 1, ["store room"]))[: 1 + (peak > 0)]:
        assert broken(store_bags=most) == found
    trips = int(plan.trips.sum(axis=0).max())
    for most, found in ((trips, []), (trips - 1, ["truck"]))[: 1 + (trips > 0)]:
        assert broken(truck=replace(roomy.truck, trips_per_week=most)) == found
    for number, units in enumerate(plan.bought.tolist()):
        for most, found in ((units, []), (units - 1, ["storage bags"]))[: 1 + (units > 0)]:
            ways = [
                replace(way, buyable_bags=most * way.bags_per_unit) if at == number else way
                for at, way in enumerate(roomy.storage)
            ]
            assert broken(storage=tuple(ways)) == found
    for number, amount in enumerate(sold):
        weekly = kg[number][kg[number] > 0]
        for limit, found in ((amount, []), (amount - 1, ["offer quantity"])) if amount else ():
            ways = [replace(who, quantity_kg=limit) if at == number else who for at, who in enumerate(roomy.buyers)]
            assert broken(buyers=tuple(ways)) == found
        if len(weekly):
            for least, found in ((weekly.min(), []), (weekly.min() + 1, ["least sale"])):
                ways = [replace(who, minimum_kg=least) if at == number else who for at, who in enumerate(roomy.buyers)]
                assert broken(buyers=tuple(ways)) == found


def test_the_lowest_values_by_hand():
    """A tenth of 12 is two scenarios, a tenth of 10 one, nothing still one; each of two counts a half."""
    assert [tail_size(count, 0.1) for count in (5, 10, 11, 20, 21)] == [1, 1, 2, 2, 3]
    assert tail_size(10, 0.0) == 1
    assert list(tail_weights(np.array([3.0, 1.0, 2.0, 1.0]), 0.5)) == [0, 0.5, 0, 0.5]
    assert tail_mean(np.array([3.0, 1.0, 2.0, 0.0]), 0.5) == 0.5


def with_spoiling(keep, seed):
    """Mould and inspectors' refusals, which the invented seasons leave out, growing from week to week."""

    def kept(lot, moisture, storage, first, length):
        found = keep(lot, moisture, storage, first, length)
        week = np.arange(length + 1, dtype=float)[:, None] + 0 * found.moisture_pct
        return replace(
            found,
            unfit_share=np.minimum(0.02 * week, 0.5),
            refusal_chance=np.minimum(0.03 * week, 0.6),
            alive_share=1 - 0.02 * week,
        )

    return kept


def test_the_worst_tenth_of_twelve_is_two():
    """A tenth of 12 scenarios is 1.2: at least so many means two (rounded up); of 20 it is two, of 5 one."""
    values = np.arange(20, dtype=float)
    assert tail_mean(values[:12], 0.1) == pytest.approx(0.5)
    assert tail_mean(values, 0.1) == pytest.approx(0.5)
    assert tail_mean(values[:5], 0.1) == 0.0
