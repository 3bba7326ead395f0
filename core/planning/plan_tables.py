"""What a plan says to people: sales by week, value by sale week, deductions from gross to net, the table by lot."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from core.planning.allocation import Allocation, use_of
from core.planning.credit import loan_value
from core.planning.layout import excess_price
from core.planning.outlook import DEDUCTIONS, NONE, Outlook, free_to_sell, option_masses, shared_costs
from core.planning.sale_plan import PlannedSale, SalePlan
from core.planning.worth import borrowed_for_needs, cash_by_week


def breakdown(outlook: Outlook, lot: int, option: int) -> dict[str, np.ndarray]:
    """Return what is taken off one bag between gross and net, each as (scenarios,) in money.

    Keys: "gross" (mass put in x market price of the sale week), the `DEDUCTIONS` that belong to the bag (trips and bag
    purchases are shared and come in `plan_deductions`), "net" (value today) and "kg" (left to sell). gross - deductions
    = net in every scenario.
    """
    case, table = outlook.case, outlook.options(lot)
    item = case.lots[lot]
    mass = item.bag_mass_kg
    buyer = int(table.buyer[option])
    start, sale, pay = (int(column[option]) for column in (table.start_week, table.sale_week, table.pay_week))
    parts, row = option_masses(outlook, lot, option)
    market = outlook.seasons.prices[item.commodity][min(sale, case.weeks)]
    if buyer == NONE:
        # grain kept back is valued at what it would cost to buy, on what is left
        sold = parts.sold[row]
        market = np.full(case.scenarios, case.reserves[int(table.reserve[option])].value_per_kg)
    else:
        sold = parts.sold[row]
    receipts = mass * table.receipts_kg[option].astype(float)
    fee = case.buyers[buyer].fee_fraction if buyer != NONE else 0.0
    paid = receipts / (1.0 - fee)
    # what mould makes unfit brings nothing: its market value is a deduction of its own
    spoilt = mass * sold * parts.unfit_share[row] * market
    way = int(table.storage[option])
    treatment = case.storage[way].treatment_per_bag if way != NONE else 0.0
    upfront = mass * float(table.upfront_kg[option]) + float(table.upfront_bag[option]) - treatment
    load = case.truck.cost_per_bag if buyer != NONE and case.buyers[buyer].distance_km > 0 else 0.0
    keeping = float(table.later_bag[option]) - load
    early, late = float(case.discount(start)), float(case.discount(sale))
    result = {
        "gross": mass * market,
        "field": mass * parts.field[row] * market,
        "water": mass * parts.water[row] * market,
        "handling": mass * parts.handling[row] * market,
        "dry_matter": mass * parts.dry_matter[row] * market,
        "insects": mass * parts.insects[row] * market,
        "mould": spoilt,
        "discount": mass * sold * market - spoilt - paid,
        "fees": paid - receipts,
        "drying": np.full(case.scenarios, upfront),
        "storage": np.full(case.scenarios, keeping + treatment),
        "bags": np.zeros(case.scenarios),
        "transport": np.full(case.scenarios, load),
    }
    # bringing each flow to today: receipts shrink, and so do the costs that come later
    result["cost_of_money"] = (
        receipts * (1.0 - float(case.discount(pay)))
        - (1 - early) * (upfront + treatment)
        - (1 - late) * (keeping + load)
    )
    result["net"] = result["gross"] - sum(result[name] for name in DEDUCTIONS)
    result["kg"] = mass * sold
    return result


def plan_deductions(outlook: Outlook, allocation: Allocation) -> pd.Series:
    """Return the mean money between gross and net of a whole plan.

    Gross, each of `DEDUCTIONS`, net (value today, as `worth.evaluate` has it).
    """
    case = outlook.case
    total = dict.fromkeys(("gross", *DEDUCTIONS), 0.0)
    for lot, option, bags in zip(allocation.lot, allocation.option, allocation.bags, strict=True):
        parts = breakdown(outlook, int(lot), int(option))
        for name in total:
            total[name] += float(bags * parts[name].mean())
    week = np.arange(case.weeks)
    for buyer in range(len(case.buyers)):
        cost = allocation.trips[buyer] * case.trip_cost(buyer)
        total["transport"] += float(cost.sum())
        total["cost_of_money"] -= float((cost * (1 - case.discount(week))).sum())
    # a loan on stored grain comes in with its own flows: it costs or gains what it differs from the case's cost of
    # money
    total["cost_of_money"] -= loan_value(case, allocation.loans)
    # so does what has to be borrowed for needs that the sales do not meet in time
    total["cost_of_money"] += float(borrowed_for_needs(case, cash_by_week(outlook, allocation))[0].mean())
    spaces = sum(share * way.price for share, way in zip(allocation.spaces, case.drying, strict=False))
    total["drying"] += spaces
    total["bags"] += allocation.purchases(case) - spaces
    use = use_of(outlook, allocation.lot, allocation.option, allocation.bags)
    lost = excess_price(case, outlook)
    for buyer, who in enumerate(case.buyers):
        if who.weekly_kg is not None:
            total["discount"] += float((np.maximum(use.kg[buyer] - who.weekly_kg, 0.0) * lost[buyer]).sum())
    total["net"] = total["gross"] - sum(total[name] for name in DEDUCTIONS)
    return pd.Series(total)


def value_by_week(outlook: Outlook, lot: int) -> pd.DataFrame:
    """Return the best choice for one bag of a lot sold in each week.

    Mean, low and high (1 and 9 of 10) value today, indexed by plan week.

    A full load's share of the trip and the price of a bought bag are taken off.
    """
    case, table = outlook.case, outlook.options(lot)
    values = outlook.values(lot)
    shared = shared_costs(case, table, case.lots[lot].bag_mass_kg)
    mean = values.mean(axis=1) - shared
    open_to_all = free_to_sell(case, table)  # what a promise pays is open to the promised bags alone
    mean = np.where(open_to_all, mean, -np.inf)
    rows = []
    for week in np.unique(table.sale_week[open_to_all]):
        here = np.flatnonzero((table.sale_week == week) & open_to_all)
        best = int(here[np.argmax(mean[here])])
        spread = values[best] - shared[best]
        rows.append(
            {
                "week": int(week),
                "option": best,
                "mean": float(mean[best]),
                "low": float(np.quantile(spread, 0.1)),
                "high": float(np.quantile(spread, 0.9)),
                "buyer": case.buyers[int(table.buyer[best])].name,
                "storage": case.storage[int(table.storage[best])].name if table.storage[best] >= 0 else "",
            }
        )
    return (
        pd.DataFrame(rows).set_index("week")
        if rows
        else pd.DataFrame(columns=["option", "mean", "low", "high", "buyer", "storage"])
    )


def sales_by_week(plan: SalePlan) -> pd.DataFrame:
    """Return kg sold by week (rows, dates) and buyer (columns)."""
    frame = pd.DataFrame(
        [{"date": line.sell_on, "buyer": line.buyer, "kg": line.kg_sold} for line in plan.sales if line.buyer]
    )
    return (
        frame.pivot_table(index="date", columns="buyer", values="kg", aggfunc="sum").fillna(0.0)
        if len(frame)
        else pd.DataFrame()
    )


def cash_curve(outlook: Outlook, plan: SalePlan) -> pd.DataFrame:
    """Return the cash in hand by week with needs paid: low (1 of 10), median, high (9 of 10), indexed by date."""
    case = plan.case
    needs = np.zeros(len(plan.worth.cash_week))
    for need in case.needs:
        needs[need.week] += need.amount
    cash = case.cash_now + np.cumsum(plan.worth.cash_week - needs[:, None], axis=0)[: case.weeks + 1]
    low, middle, high = np.quantile(cash, [0.1, 0.5, 0.9], axis=1)
    return pd.DataFrame(
        {"low": low, "median": middle, "high": high}, index=[case.week_date(week) for week in range(len(cash))]
    )


def parts_of(plan: SalePlan) -> tuple[tuple[int, ...], ...]:
    """Return the plan's parts, each as the numbers of the lines that tell a reader the same.

    One lot, way to dry, store, week and buyer.
    """
    found: dict[tuple[object, ...], list[int]] = {}
    for number, line in enumerate(plan.sales):
        dried = line.setup, line.target_pct, line.harvest_on
        key = (line.lot, *dried, line.storage, line.week, line.buyer, line.reserve)
        found.setdefault(key, []).append(number)
    return tuple(tuple(numbers) for numbers in found.values())


def merged_lines(plan: SalePlan) -> tuple[PlannedSale, ...]:
    """Return one line for each of the plan's parts, in the order of `parts_of`."""
    made = []
    for numbers in parts_of(plan):
        lines = [plan.sales[number] for number in numbers]
        sums = {
            name: sum(getattr(line, name) for line in lines)
            for name in ("bags", "kg_in", "kg_sold", "value", "value_low", "value_high")
        }
        made.append(replace(lines[0], **sums))
    return tuple(made)


def lines_table(plan: SalePlan) -> pd.DataFrame:
    """Return the plan's lines as a table for screen and workbook."""
    return pd.DataFrame(
        [
            {
                "lot": line.label,
                "owner": line.owner,
                "crop": line.commodity,
                "bags": line.bags,
                "harvest_on": line.harvest_on,
                "dry": line.setup,
                "dry_from": line.dry_from,
                "dry_to_pct": line.target_pct,
                "store": line.storage,
                "sell_on": line.sell_on,
                "buyer": line.buyer or line.reserve,
                "kg_in": line.kg_in,
                "kg_sold": line.kg_sold,
                "price_kg": line.price_kg,
                "paid_on": line.paid_on,
                "value": line.value,
                "value_low": line.value_low,
                "value_high": line.value_high,
            }
            for line in plan.sales
        ]
    )
