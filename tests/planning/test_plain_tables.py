"""What is told of a plan (gross to net, cash by week, what is lacking, worth by week) beside the plain reckoning."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from core.planning.invented_seasons import invented_seasons
from core.planning.outlook import build_outlook
from core.planning.plan_tables import cash_curve, plan_deductions, value_by_week
from core.planning.sale_plan import lacking_of, penalty_of
from core.planning.worth import account_balances, evaluate
from tests.planning.plain_value import Reckoned, one_bag, reckon, trip_price
from tests.planning.test_plain_value import random_case, random_plan, with_spoiling

SEEDS = range(8)


def made(seed, **changes):
    case = random_case(seed).with_changes(**changes)
    seasons = invented_seasons(case, seed)
    seasons = replace(seasons, keep=with_spoiling(seasons.keep, seed))
    outlook = build_outlook(case, seed, seasons)
    plan = random_plan(outlook, seed)
    return case, seasons, outlook, plan, [reckon(case, seasons, outlook, plan, k) for k in range(case.scenarios)]


@pytest.mark.parametrize("seed", SEEDS)
def test_gross_to_net_of_a_plan_bag_by_bag(seed):
    """Gross: what was put in at the market's price, or at what it is worth at home; fees, drying, stores, roads."""
    _case, _seasons, outlook, plan, plain = made(seed)
    found = plan_deductions(outlook, plan)
    scale = abs(found["gross"]) + 100.0
    assert found["net"] == pytest.approx(np.mean([one.value for one in plain]), abs=2e-5 * scale)
    for name in ("gross", "fees", "drying", "storage", "bags", "transport"):
        expected = np.mean([one.parts.get(name, 0.0) for one in plain])
        assert found[name] == pytest.approx(expected, abs=2e-5 * scale), name


@pytest.mark.parametrize("seed", SEEDS)
def test_cash_in_hand_and_what_is_lacking_week_by_week(seed):
    """Balances after each need, nothing borrowed; lacking is what is missing in all but the share that may fail.

    The penalty is five times the worth of what is missing from reserves and promises and the largest gap in cash.
    """
    case = random_case(seed)
    buyers = tuple(
        replace(who, promised_kg=800.0 if number == seed % 2 else 0.0) for number, who in enumerate(case.buyers)
    )
    certainty = (0.6, 0.9)[seed % 2]
    case, _seasons, outlook, plan, plain = made(seed, certainty=certainty, buyers=buyers)
    dates = sorted({need.week for need in case.needs})
    rows = []
    for week in dates:
        needed = sum(need.amount for need in case.needs if need.week <= week)
        rows.append([case.cash_now + sum(m for at, m in one.cash.items() if at <= week) - needed for one in plain])
    scale = np.abs(rows).max() + 100.0
    assert account_balances(outlook, plan) == pytest.approx(np.array(rows), abs=2e-5 * scale)
    short = []
    for row in rows:
        missed = sum(value < 0 for value in row) / len(row)
        short.append(max(0.0, -float(np.quantile(row, 1 - certainty))) if 1 - missed < certainty else 0.0)
    lacking = lacking_of(outlook, plan)
    assert list(lacking.cash) == pytest.approx(short, abs=2e-5 * scale)
    kept, sold = np.zeros(len(case.reserves)), np.zeros(len(case.buyers))
    for lot, option, bags in zip(plan.lot, plan.option, plan.bags, strict=True):
        table = outlook.options(int(lot))
        kg = bags * case.lots[lot].bag_mass_kg * float(table.kept_kg[option])
        if table.reserve[option] >= 0:
            kept[table.reserve[option]] += kg
        else:
            sold[table.buyer[option]] += kg
    worth = sum(max(0.0, one.kg - kg) * one.value_per_kg for one, kg in zip(case.reserves, kept, strict=True))
    for who, kg in zip(case.buyers, sold, strict=True):
        crops = [price.price_now for price in case.prices if not who.commodities or price.commodity in who.commodities]
        price = who.fixed_price if who.fixed_price is not None else who.price_factor * max(crops)
        worth += max(0.0, who.promised_kg - kg) * price
    assert lacking.kept_back == pytest.approx(worth, rel=1e-6)
    assert penalty_of(outlook, plan) == pytest.approx(5 * (worth + max(short)), abs=1e-4 * scale)
    curve = cash_curve(outlook, SimpleNamespace(case=case, worth=evaluate(outlook, plan)))
    for week in (0, case.weeks):
        needed = sum(need.amount for need in case.needs if need.week <= week)
        held = [case.cash_now + sum(m for at, m in one.cash.items() if at <= week) - needed for one in plain]
        assert curve.iloc[week].tolist() == pytest.approx(np.quantile(held, [0.1, 0.5, 0.9]), abs=2e-5 * scale)
    assert len(curve) == case.weeks + 1


@pytest.mark.parametrize("seed", SEEDS)
def test_worth_of_a_bag_by_week_is_that_of_its_best_way(seed):
    """A bag reckoned by itself, less its part of a full load's trip and a bag to store in where none is at hand.

    Of ten other ways to sell it none is worth more than what its week is said to be worth.
    """
    case = random_case(seed)
    buyers = tuple(replace(who, promised_kg=50.0 if number == 1 else 0.0) for number, who in enumerate(case.buyers))
    case, seasons, outlook, _plan, _plain = made(seed, buyers=buyers, needs=())
    lot = seed % len(case.lots)
    item, table, frame = case.lots[lot], outlook.options(lot), value_by_week(outlook, lot)

    def worth(option):
        setup, start, ready = (int(c[option]) for c in (table.setup, table.start_week, table.ready_week))
        storage, sale, buyer = (int(c[option]) for c in (table.storage, table.sale_week, table.buyer))
        values = []
        for k in range(case.scenarios):
            bag = Reckoned()
            drying = setup, start, ready, float(table.target_pct[option]), float(table.days[option])
            one_bag(case, seasons, item, k, bag, drying, (storage, sale, buyer, -1))
            values.append(bag.value)
        shared = (
            trip_price(case, case.buyers[buyer])
            / case.truck.capacity_kg
            * float(table.kept_kg[option])
            * item.bag_mass_kg
        )
        if storage >= 0 and case.storage[storage].owned_bags == 0:
            shared += case.storage[storage].cost_per_bag
        return np.array(values) - shared

    free = np.flatnonzero((table.buyer >= 0) & (table.buyer != 1))
    assert set(frame.index) == set(table.sale_week[free].tolist())
    scale = 1e-4 * item.bag_mass_kg
    for week, row in frame.iloc[:: max(1, len(frame) // 3)].iterrows():
        values = worth(int(row["option"]))
        assert table.sale_week[int(row["option"])] == week
        assert (row["mean"], row["low"], row["high"]) == pytest.approx(
            (values.mean(), np.quantile(values, 0.1), np.quantile(values, 0.9)), abs=scale
        )
        assert row["buyer"] == case.buyers[int(table.buyer[int(row["option"])])].name
    for option in np.random.default_rng(seed).choice(free, 10, replace=len(free) < 10):
        assert worth(int(option)).mean() <= frame.loc[int(table.sale_week[option]), "mean"] + scale
