"""What a plan is worth, reckoned a second time bag by bag and week by week (`plain_value`), on many random cases."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from core.accounts.finance import InventoryCredit
from core.market.deductions import Deductions
from core.planning.allocation import tail_mean
from core.planning.case import CashNeed, make_case
from core.planning.invented_seasons import invented_seasons
from core.planning.outlook import build_outlook
from core.planning.worth import cash_by_week, complete, evaluate
from tests.planning.plain_value import reckon


def random_case(seed):
    """A small case in which every term of value is at work: fees, delays, deductions, hire, silos, needs, a loan."""
    draw = np.random.default_rng([seed, 5])
    case = make_case(3, 9, 12, seed)
    terms = [
        Deductions(
            base_pct=float(draw.uniform(12, 14)),
            steps=((15.0, float(draw.uniform(0.01, 0.03))), (100.0, float(draw.uniform(0.02, 0.05)))),
            refusal_pct=float(draw.uniform(15, 20)),
            reading_sd_pct=0.0,
            damage_per_pct=float(draw.uniform(0, 0.04)),
            meter_offset_pct=float(draw.uniform(-0.5, 0.5)),
            scale_offset=float(draw.uniform(-0.02, 0.02)),
        )
        for _ in case.buyers
    ]
    buyers = tuple(
        replace(
            who,
            deductions=cut,
            pay_delay_weeks=int(draw.integers(0, 4)),
            fee_fraction=float(draw.uniform(0, 0.05)),
            fee_per_bag=float(draw.uniform(0, 0.4)),
            weekly_kg=float(draw.uniform(200, 900)) if draw.random() < 0.6 else None,
            price_fall=0.1,
            minimum_kg=0.0,
            inspects=bool(draw.random() < 0.5),
        )
        for who, cut in zip(case.buyers, terms, strict=True)
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
        reserves=(),
    )


def random_plan(outlook, seed):
    draw = np.random.default_rng([seed, 6])
    lots, options, bags = [], [], []
    for lot, item in enumerate(outlook.case.lots):
        left = item.bags
        for option in draw.choice(len(outlook.options(lot)), 3, replace=False):
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


def with_spoiling(keep, seed):
    """Mould and inspectors' refusals, which the invented seasons leave out, growing from week to week."""

    def kept(lot, moisture, storage, first, length):
        found = keep(lot, moisture, storage, first, length)
        week = np.arange(length + 1, dtype=float)[:, None] + 0 * found.moisture_pct
        return replace(found, unfit_share=np.minimum(0.02 * week, 0.5), refusal_chance=np.minimum(0.03 * week, 0.6))

    return kept


def test_the_worst_tenth_of_twelve_is_two():
    """A tenth of 12 scenarios is 1.2: at least so many means two (rounded up); of 20 it is two, of 5 one."""
    values = np.arange(20, dtype=float)
    assert tail_mean(values[:12], 0.1) == pytest.approx(0.5)
    assert tail_mean(values, 0.1) == pytest.approx(0.5)
    assert tail_mean(values[:5], 0.1) == 0.0
