"""Borrowing on stored grain: exhaustive search with loans of another formulation, CBC on a middle case, terms
never broken, money adds up.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from core.accounts.finance import InventoryCredit
from core.planning.allocation import tail_mean
from core.planning.case import CashNeed, case_from_json, make_case
from core.planning.credit import breaks_terms, lendable, loan_cash, loan_value, principal_by_week
from core.planning.layout import loan_pairs, loan_unit_owed
from core.planning.outlook import build_outlook
from core.planning.plan_tables import plan_deductions
from core.planning.rules import fresh_worths
from core.planning.sale import plan_sale
from core.planning.worth import account_balances, broken_limits, complete, evaluate
from tests.planning.test_sale import days_on_the_floor, every_allocation, tiny_case, whole_bags_kg
from tests.shared_plans import GAP

SLOW = pytest.mark.slow
CHEAP = InventoryCredit(0.7, 0.005, 0.002)
DEAR = InventoryCredit(0.6, 0.06, 0.02)


def best_with_loans(case, outlook):
    """Return the best objective over every allocation, its loans by CBC week by week: draw, hold, repay (no
    pairs of weeks).

    Written apart from the product: the loan is held in layers by the week in which it was taken.
    """
    pulp = pytest.importorskip("pulp")
    best, at_all = -np.inf, 0.0
    without = case.with_changes(credit=None)
    bare = replace(outlook, case=without)
    seen = {}
    weight, price = 1 + case.risk_weight, max(price.price_now for price in case.prices)
    pledged = case.credit.loan_share * price * sum(lot.bags * lot.bag_mass_kg for lot in case.lots)
    for before, allocation in every_allocation(bare):
        if weight * (before + 0.05 * case.weeks * pledged) <= best:
            break
        if broken_limits(bare, allocation):
            continue
        worth = evaluate(bare, allocation)
        value = worth.mean + case.risk_weight * worth.worst_tenth_mean
        room = lendable(outlook, allocation.lot, allocation.option, allocation.bags)
        assert room.max() <= pledged + 1e-9
        lacks = [-tail_mean(row, 1 - case.certainty) for row in account_balances(bare, allocation)]
        most = (
            value + weight * 0.05 * room.sum()
        )  # no loan here can gain more than 5 % of what could be lent, week for week
        if most <= best or (room.max() == 0 and any(lack > 1e-9 for lack in lacks)):
            continue
        key = (tuple(np.round(room, 9)), tuple(np.round(lacks, 9)))
        if key not in seen:
            problem = pulp.LpProblem("loan", pulp.LpMaximize)
            draw = [pulp.LpVariable(f"d{w}", 0) for w in range(case.weeks)]
            paid = {
                (w, v): pulp.LpVariable(f"p{w}_{v}", 0) for w in range(case.weeks) for v in range(w + 1, case.weeks)
            }
            fee, interest = case.credit.fee_share, case.credit.monthly_interest
            months = 7 / (365.25 / 12)
            flow = [
                (1 - fee) * draw[w] - pulp.lpSum((1 + interest) ** ((w - u) * months) * paid[u, w] for u in range(w))
                for w in range(case.weeks)
            ]
            for u in range(case.weeks):
                problem += pulp.lpSum(paid[u, v] for v in range(u + 1, case.weeks)) == draw[u]
            for w in range(case.weeks):
                still = pulp.lpSum(draw[: w + 1]) - pulp.lpSum(p for (_, v), p in paid.items() if v <= w)
                problem += still <= float(room[w])
            dates = sorted({need.week for need in case.needs})
            for date, lack in zip(dates, lacks, strict=True):
                problem += pulp.lpSum(flow[: date + 1]) >= float(lack)
            problem += pulp.lpSum(float(case.discount(w)) * flow[w] for w in range(case.weeks))
            status = problem.solve(pulp.PULP_CBC_CMD(msg=False))
            seen[key] = float(pulp.value(problem.objective)) if status == 1 else -np.inf
        at_all += 1
        best = max(best, value + weight * seen[key])
    assert at_all
    return best


@pytest.mark.parametrize(
    ("seed", "weight", "need", "credit"), [(1, 0.0, 0.0, CHEAP), (2, 1.0, 0.0, CHEAP), (4, 0.0, 25.0, CHEAP)]
)
def test_equal_to_exhaustive_search_with_loans(seed, weight, need, credit):
    case = tiny_case(
        seed,
        risk_weight=weight,
        credit=credit,
        needs=(CashNeed(2, need, label="fees"),) if need else (),
        lots=tuple(replace(lot, bags=2) for lot in tiny_case(seed).lots),
    )
    outlook = build_outlook(case)
    plan = plan_sale(case, outlook, mip_gap=1e-9, least_part=1, effort=1000)
    assert not plan.unmet
    best = best_with_loans(case, outlook)
    assert plan.objective == pytest.approx(best, rel=2e-6)
    assert plan.bound >= best - 2e-6 * abs(best)


@pytest.mark.slow
def test_a_need_that_sales_cannot_meet_is_met_by_a_loan_and_the_bags_wait():
    """The need falls due before the price rises: without a loan bags go at harvest, with one they stay until the
    better weeks.
    """
    case = make_case(6, 26, 80, 8)
    case = case.with_changes(needs=(), reserves=(), store_bags=None, interest_monthly=0.02)
    free = plan_sale(case, build_outlook(case))
    money = round(0.45 * sum(lot.bags * lot.bag_mass_kg * case.prices[0].price_now for lot in case.lots), 0)
    tight = case.with_changes(
        needs=(CashNeed(6, money, label="fees"),),
        prices=tuple(replace(p, path=tuple(np.linspace(1, 1.6, 27))) for p in case.prices),
    )
    outlook = build_outlook(tight)
    alone = plan_sale(tight, outlook)
    lent = tight.with_changes(credit=InventoryCredit(0.7, 0.02, 0.01, 0.0, 6.0))
    again = plan_sale(lent, replace(outlook, case=lent), start=alone.allocation)
    assert free.mean > 0
    assert again.allocation.loans
    assert again.objective > alone.objective
    early = [sum(line.bags for line in plan.sales if line.week <= 6) for plan in (alone, again)]
    assert early[1] < early[0]
    assert broken_limits(replace(outlook, case=lent), again.allocation) == []
    assert not again.unmet


def test_dear_money_is_not_borrowed_without_need():
    case = make_case(5, 16, 40, 3).with_changes(needs=(), credit=DEAR)
    outlook = build_outlook(case)
    assert plan_sale(case, outlook, mip_gap=GAP).allocation.loans == ()


@settings(max_examples=max(6, settings.default.max_examples // 4))  # each solves a whole plan, some for half a minute
@given(st.integers(0, 10**6))
def test_loans_keep_their_terms_and_their_money_adds_up(seed):
    draw = np.random.default_rng(seed)
    terms = InventoryCredit(
        float(draw.uniform(0.3, 0.9)),
        float(draw.uniform(0, 0.05)),
        float(draw.uniform(0, 0.03)),
        float(draw.uniform(0, 0.004)),
        float(draw.uniform(1, 8)),
    )
    case = make_case(4, int(draw.integers(8, 24)), 30, seed % 97).with_changes(credit=terms, interest_monthly=0.04)
    outlook = build_outlook(case)
    plan = plan_sale(case, outlook, mip_gap=GAP)
    allocation, loans = plan.allocation, plan.allocation.loans
    assert not breaks_terms(outlook, allocation)
    assert broken_limits(outlook, allocation) == []
    room = lendable(outlook, allocation.lot, allocation.option, allocation.bags)
    assert (principal_by_week(case, loans) <= room + 1e-6 * (1 + room.max())).all()
    # every loan: what is paid back = what `InventoryCredit` itself says is owed, plus the store's charge on the grain
    # behind it
    for taken, repaid, amount in loans:
        months = (repaid - taken) * 7 / (365.25 / 12)
        assert months <= terms.longest_months + 1e-9
        assert (
            loan_unit_owed(case, repaid - taken) * amount >= terms.owed(amount / terms.loan_share, 1.0, months) - 1e-9
        )
    # value with loans = value without them + the loans' own flows brought to today, in every scenario alike
    bare = replace(allocation, loans=())
    no_needs = replace(outlook, case=case.with_changes(needs=()))
    difference = evaluate(no_needs, allocation).value - evaluate(no_needs, bare).value
    assert difference == pytest.approx(np.full(30, loan_value(case, loans)))
    assert evaluate(no_needs, allocation).cash_week[: case.weeks] - evaluate(no_needs, bare).cash_week[
        : case.weeks
    ] == pytest.approx(np.repeat(loan_cash(case, loans)[:, None], 30, axis=1))
    assert plan_deductions(no_needs, allocation)["net"] == pytest.approx(evaluate(no_needs, allocation).mean, rel=1e-6)


def test_checked_by_another_solver_with_loans():
    """PuLP with CBC: pairs of weeks, occupancy of the pledge summed week by week (no running headroom)."""
    pulp = pytest.importorskip("pulp")
    case = make_case(4, 10, 30, 12)
    case = case.with_changes(
        needs=(CashNeed(4, 150.0, label="fees"),),
        reserves=(),
        start_delays=(0,),
        credit=CHEAP,
        store_bags=None,
        buyers=tuple(
            replace(who, minimum_kg=0.0, weekly_kg=None, distance_km=0.0, quantity_kg=None) for who in case.buyers
        ),
    )
    outlook = build_outlook(case)
    problem = pulp.LpProblem("sale", pulp.LpMaximize)
    gain, stock, floor, pledge, cash = [], {}, {}, {}, [[] for _ in range(case.scenarios)]
    now = {price.commodity: price.price_now for price in case.prices}
    for lot, item in enumerate(case.lots):
        table, worth = outlook.options(lot), outlook.values(lot).mean(axis=1)
        mine = []
        for option in range(len(table)):
            x = pulp.LpVariable(f"x_{lot}_{option}", 0, item.bags, "Integer")
            mine.append(x)
            gain.append(float(worth[option]) * x)
            if table.setup[option] >= 0:
                for week, days in days_on_the_floor(table, option):
                    kg_days = days * float(table.floor_kg[option]) * item.bag_mass_kg
                    floor.setdefault((int(table.setup[option]), week), []).append(kg_days * x)
            if table.storage[option] >= 0:
                for week in range(int(table.ready_week[option]), int(table.sale_week[option])):
                    stock.setdefault((int(table.storage[option]), week), []).append(x)
                    amount = 0.7 * now[item.commodity] * item.bag_mass_kg * float(table.kept_kg[option])
                    pledge.setdefault(week, []).append(amount * x)
            for k in range(case.scenarios):
                flow = 0.0
                if table.pay_week[option] <= 4:
                    flow += item.bag_mass_kg * float(table.receipts_kg[option, k])
                if table.start_week[option] <= 4:
                    flow -= item.bag_mass_kg * float(table.upfront_kg[option]) + float(table.upfront_bag[option])
                if table.sale_week[option] <= 4:
                    flow -= float(table.later_bag[option])
                cash[k].append(flow * x)
        problem += pulp.lpSum(mine) <= item.bags
    for (setup, _), terms in floor.items():
        problem += pulp.lpSum(terms) <= 7 * whole_bags_kg(case, setup)
    bought = [pulp.LpVariable(f"b_{m}", 0, way.buyable_bags, "Integer") for m, way in enumerate(case.storage)]
    for (storage, _), terms in stock.items():
        problem += pulp.lpSum(terms) <= case.storage[storage].owned_bags + bought[storage]
    loans = {pair: pulp.LpVariable(f"l_{pair[0]}_{pair[1]}", 0) for pair in loan_pairs(case)}
    for week in range(case.weeks):
        problem += pulp.lpSum(x for (w, v), x in loans.items() if w <= week < v) <= pulp.lpSum(pledge.get(week, []))
    month = 7 / (365.25 / 12)
    lent = []
    for (w, v), x in loans.items():
        owed = 1.005 ** ((v - w) * month)
        gain.append(float((1 - 0.002) * case.discount(w) - owed * case.discount(v)) * x)
        lent.append(((1 - 0.002) * (w <= 4) - owed * (v <= 4)) * x)
    costs = [case.storage[m].cost_per_bag * bought[m] for m in range(len(bought))]
    # mean of the worst tenth of scenarios at the need's date >= the need (Rockafellar and Uryasev 2000)
    level = pulp.LpVariable("level")
    under = [pulp.LpVariable(f"u_{k}", 0) for k in range(case.scenarios)]
    for k in range(case.scenarios):
        problem += under[k] >= level - (pulp.lpSum(cash[k]) + pulp.lpSum(lent) - pulp.lpSum(costs) - 150.0)
    problem += level - pulp.lpSum(under) * (1.0 / 3) >= 0
    problem += pulp.lpSum(gain) - pulp.lpSum(costs)
    problem.solve(pulp.PULP_CBC_CMD(msg=False, timeLimit=60, gapRel=1e-4))
    best = float(pulp.value(problem.objective))
    plan = plan_sale(case, outlook, mip_gap=1e-4, least_part=1, effort=1000)
    assert plan.allocation.loans
    # the plan asks only for the share of scenarios, not for their mean: it may be a little better
    assert plan.objective >= best * (1 - 3e-4)
    assert plan.objective <= best * (1 + 5e-3)
    assert plan.bound >= best * (1 - 2e-4)


@pytest.mark.parametrize("seed", [pytest.param(20, marks=SLOW), pytest.param(21, marks=SLOW), 22])  # 15 s, 10 s
def test_with_loans_too_the_plan_is_at_least_as_good_as_every_rule_on_fresh_scenarios(seed):
    """The rules may borrow on their stored grain as the plan does."""
    case = make_case(int(5 + seed % 4 * 5), int(12 + seed % 3 * 10), 120, seed).with_changes(
        credit=InventoryCredit(0.7, 0.02, 0.01), interest_monthly=0.03
    )
    outlook = build_outlook(case)
    plan = plan_sale(case, outlook)
    worths = fresh_worths(case, plan, 10_000 + seed, outlook)
    for rule, worth in worths.items():
        difference = worths["plan"].value - worth.value
        noise = 2.5 * difference.std() / np.sqrt(len(difference))
        assert difference.mean() >= -noise - plan.gap * abs(plan.mean), (seed, rule)


def test_a_case_with_credit_is_kept_as_json():
    case = make_case(2, 8, 20, 1).with_changes(credit=CHEAP)
    again = case_from_json(case.to_json())
    assert again.credit == CHEAP
    assert again.content_hash == case.content_hash


def test_an_allocation_without_stored_grain_borrows_nothing():
    case = make_case(2, 8, 20, 1).with_changes(credit=CHEAP)
    outlook = build_outlook(case)
    none = np.zeros(0, dtype=int)
    assert complete(outlook, none, none, none).loans == ()
