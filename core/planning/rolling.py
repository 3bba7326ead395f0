"""A plan rolls on: kept with its inputs, compared with the next one, turned into dated actions, purchases.

At season's end it is held against what was done.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd

from core.errors import DryholdError
from core.grain.commodities import crop_words
from core.market.buyers import buyer_words
from core.messages import Figure, Message, Money, message, plural
from core.planning.allocation import Allocation
from core.planning.case import DAYS_PER_WEEK, case_from_json
from core.planning.layout import loan_unit_owed
from core.planning.outlook import Outlook
from core.planning.sale_plan import PlannedSale, SalePlan, lacking_of
from core.planning.schedule import Load
from core.planning.settling import allocation_of
from core.planning.worth import broken_limits, evaluate

BOOK = "plans"
ORDER_OF_THE_DAY = ("borrow", "buy", "book", "harvest", "dry", "test", "bag", "sell", "collect", "repay")
ORDER_AHEAD_DAYS = {
    "bags": 10,
    "truck": 7,
    "dryer": 7,
    "space": 10,
}  # judgement: dealers and owners in small towns are told a week ahead

DRY = plural("bags", "dry {bags} bag of lot {lot} on {setup}", "dry {bags} bags of lot {lot} on {setup}")
PUT = plural("bags", "put {bags} bag of lot {lot} into {storage}", "put {bags} bags of lot {lot} into {storage}")


@dataclass(frozen=True)
class NextAction:
    """One thing to do: when, what, who, and for which lots.

    `kind` is one of `ORDER_OF_THE_DAY`.
    """

    on: date
    kind: str
    what: Message
    who: str
    lots: tuple[str, ...]
    bags: int


WHO_WORDS = {"group": "the group", "treasurer": "the treasurer"}
"""Who does a step that no member does alone, in words; any other name is a member's own."""


def who_words(who: str) -> str:
    """Return who does a step, in words for people."""
    return WHO_WORDS.get(who, who)


def next_actions(plan: SalePlan, today: date | None = None) -> list[NextAction]:
    """Return what is to be done from `today` on, in the order of dates: the plan's loads to dry, its sales, its orders.

    Parameters
    ----------
    today : date, optional
        Left out, the day of planning. What should have begun earlier is dated today.
    """
    begin = plan.case.today if today is None else today
    made = [*_floor_actions(plan), *_line_actions(plan), *_loan_actions(plan), *_order_actions(plan)]
    dated = [replace(action, on=max(action.on, begin)) for action in made]
    return sorted(_merged(dated), key=lambda action: (action.on, ORDER_OF_THE_DAY.index(action.kind), action.who))


def _floor_actions(plan: SalePlan) -> Iterator[NextAction]:
    """Yield what is done with each load of the schedule: spread it, test it on its last day, bag it."""
    for load in plan.schedule:
        store = plan.sales[load.line].storage
        again = plural(
            "bags",
            "test {bags} bag of lot {lot} again before it is bagged",
            "test {bags} bags of lot {lot} again before they are bagged",
        )
        yield _of_load(load, load.on, "dry", DRY, setup=message(load.space))
        yield _of_load(load, load.until, "test", again)
        if store:
            yield _of_load(load, load.until, "bag", PUT, storage=message(store))


def _of_load(load: Load, on: date, kind: str, words: Message, **values: Message) -> NextAction:
    what = replace(words, values={"bags": load.bags, "lot": load.lot, **values})
    return NextAction(on, kind, what, load.owner, (load.lot,), load.bags)


def _line_actions(plan: SalePlan) -> Iterator[NextAction]:
    """Yield what is done with each line of the plan but for its drying: cut, bag, sell, collect."""
    for line in plan.sales:

        def act(on: date, kind: str, who: str, words: Message, line: PlannedSale = line, **values: Any) -> NextAction:
            what = replace(words, values={"bags": line.bags, **values})
            return NextAction(on, kind, what, who, (line.label,), line.bags)

        if line.harvest_on is not None:
            words = plural("bags", "harvest {bags} bag of lot {lot}", "harvest {bags} bags of lot {lot}")
            yield act(line.harvest_on, "harvest", line.owner, words, lot=line.label)
        if line.storage and not line.setup:
            yield act(line.ready_on, "bag", line.owner, PUT, lot=line.label, storage=message(line.storage))
        if line.buyer:
            crop, buyer = message(crop_words(line.commodity)), buyer_words(line.buyer)
            words = plural("bags", "sell {bags} bag of {crop} to {buyer}", "sell {bags} bags of {crop} to {buyer}")
            yield act(line.sell_on, "sell", "group", words, crop=crop, buyer=buyer)
            if line.paid_on > line.sell_on:
                words = plural(
                    "bags",
                    "collect the money for {bags} bag from {buyer}",
                    "collect the money for {bags} bags from {buyer}",
                )
                yield act(line.paid_on, "collect", "treasurer", words, buyer=buyer)


def _loan_actions(plan: SalePlan) -> Iterator[NextAction]:
    """Yield each loan on stored grain, and its repayment with interest."""
    case = plan.case
    for taken, repaid, amount in plan.allocation.loans:
        owed = amount * loan_unit_owed(case, repaid - taken)
        for week, kind, words, money in (
            (taken, "borrow", "borrow {amount} on the grain in store", amount),
            (repaid, "repay", "pay back {amount} of the loan on stored grain", owed),
        ):
            what = message(words, amount=Money(money, case.currency))
            yield NextAction(case.week_date(week), kind, what, "treasurer", (), 0)


def _order_actions(plan: SalePlan) -> Iterator[NextAction]:
    """Yield what is to be bought and booked, on the last day to order it."""
    for item in purchases(plan):
        kind = "buy" if item.kind in ("bags", "space") else "book"
        yield NextAction(item.order_by, kind, item.what, "treasurer", (), item.count)


def _merged(actions: Iterable[NextAction]) -> list[NextAction]:
    """Return actions with those of one day added up that differ only in their bags."""
    made: dict[tuple[Any, ...], NextAction] = {}
    for action in actions:
        same = sorted((name, str(value)) for name, value in action.what.values.items() if name != "bags")
        key = (action.on, action.kind, action.what.template, tuple(same), action.who)
        old = made.get(key)
        if old is None or "bags" not in action.what.values:
            made[key] = action
            continue
        total = old.bags + action.bags
        made[key] = replace(
            old,
            bags=total,
            lots=tuple(dict.fromkeys((*old.lots, *action.lots))),
            what=replace(action.what, values={**action.what.values, "bags": total}),
        )
    return list(made.values())


@dataclass(frozen=True)
class Purchase:
    """Something to buy or book: how many, what it costs, when it is needed and the last day to order it."""

    kind: str
    what: Message
    count: int
    cost: float
    needed_on: date
    order_by: date


def purchases(plan: SalePlan) -> list[Purchase]:
    """Return bags and spaces to buy, trucks and dryers to book, with the last day to order each, never before today."""
    found = [*_bags_to_buy(plan), *_spaces_to_buy(plan), *_trips_to_book(plan), *_dryers_to_book(plan)]
    return sorted(found, key=lambda item: (item.order_by, item.kind))


def _purchase(plan: SalePlan, kind: str, what: Message, count: int, cost: float, on: date) -> Purchase:
    last = max(on - timedelta(days=ORDER_AHEAD_DAYS[kind]), plan.case.today)
    return Purchase(kind, what, count, cost, needed_on=on, order_by=last)


def _bags_to_buy(plan: SalePlan) -> Iterator[Purchase]:
    for number, storage in enumerate(plan.case.storage):
        count = int(plan.allocation.bought[number])
        days = [line.ready_on for line in plan.sales if line.storage == storage.name]
        if count and days:
            what = message("buy {count} {name}", count=count, name=message(storage.name))
            yield _purchase(plan, "bags", what, count, count * storage.unit_price, min(days))


def _spaces_to_buy(plan: SalePlan) -> Iterator[Purchase]:
    for bought, choice in zip(plan.allocation.spaces, plan.case.drying, strict=False):
        days = [load.on for load in plan.schedule if load.space == choice.name]
        if bought and choice.price > 0 and days:
            yield _purchase(plan, "space", message("buy {name}", name=message(choice.name)), 1, choice.price, min(days))


def _trips_to_book(plan: SalePlan) -> Iterator[Purchase]:
    case = plan.case
    for buyer, week in zip(*np.nonzero(plan.allocation.trips), strict=True):
        count, name = int(plan.allocation.trips[buyer, week]), case.buyers[buyer].name
        days = [line.sell_on for line in plan.sales if line.buyer == name and line.week == week]
        words = plural("count", "book a truck trip to {buyer}", "book {count} truck trips to {buyer}")
        what = replace(words, values={"count": count, "buyer": buyer_words(name)})
        on = min(days, default=case.week_date(int(week)))
        yield _purchase(plan, "truck", what, count, count * case.trip_cost(int(buyer)), on)


def _dryers_to_book(plan: SalePlan) -> Iterator[Purchase]:
    for choice in plan.case.drying:
        loads = [load for load in plan.schedule if load.space == choice.name]
        if choice.powered and loads:
            kg = sum(load.mass_kg for load in loads)
            lots = {lot.id: lot for lot in plan.case.lots}
            fees = sum(
                load.mass_kg
                * choice.fee_per_point_kg
                * max(0.0, lots[plan.sales[load.line].lot].moisture_pct - (load.target_pct or 0.0))
                for load in loads
            )
            what = message("book {name} for {kg} kg", name=message(choice.name), kg=round(kg))
            yield _purchase(plan, "dryer", what, 1, kg * choice.cost_per_kg + fees, min(load.on for load in loads))


def plan_payload(plan: SalePlan) -> dict[str, Any]:
    """Return a plan with its inputs as plain data for the book of plans."""
    return {
        "case": json.loads(plan.case.to_json()),
        "hash": plan.case.content_hash,
        "mean": repr(plan.mean),
        "worst_tenth_mean": repr(plan.worst_tenth_mean),
        "gap": plan.gap if np.isfinite(plan.gap) else None,
        "method": plan.method,
        "lines": [
            {key: str(value) if isinstance(value, date) else value for key, value in asdict(line).items()}
            for line in plan.sales
        ],
    }


def keep_plan(store: Any, group_id: int, plan: SalePlan, on: date, who: str, at: datetime) -> int:
    """Write a plan with its inputs into the book "plans" (append-only) and return its number."""
    return int(store.append_event(group_id, BOOK, "plan", on, who, plan_payload(plan), at))


@dataclass(frozen=True)
class KeptPlan:
    """A plan as it was kept: when, by whom, its value and its lines."""

    number: int
    on: date
    who: str
    mean: float
    worst_tenth_mean: float
    case_json: str
    lines: tuple[PlannedSale, ...]


def kept_plans(store: Any, group_id: int) -> list[KeptPlan]:
    """Return the kept plans of a group, oldest first (an entry that cannot be read is an error, not left out)."""
    return plans_in(store.events(group_id, BOOK))


def plans_in(entries: Iterable[Any]) -> list[KeptPlan]:
    """Return the plans among the entries of the book, in their order."""
    return [_kept(event) for event in entries if event.kind == "plan"]


def _kept(event: Any) -> KeptPlan:
    lines = []
    for row in event.payload["lines"]:
        dates = {
            key: None if row[key] in (None, "None") else date.fromisoformat(row[key])
            for key in ("dry_from", "ready_on", "sell_on", "paid_on", "harvest_on")
            if key in row  # plans kept before standing grain was planned have no day of harvest
        }
        lines.append(PlannedSale(**{**row, **dates}))
    return KeptPlan(
        event.id,
        event.on,
        event.who,
        float(event.payload["mean"]),
        float(event.payload["worst_tenth_mean"]),
        json.dumps(event.payload["case"]),
        tuple(lines),
    )


@dataclass(frozen=True)
class PlanChange:
    """How a new plan differs from the last.

    Whether to change the advice, what it gains, why, and the lines that moved.
    """

    change_advice: bool
    gain: float | None
    why: tuple[Message, ...]
    moved: pd.DataFrame


def kept_bags(outlook: Outlook, lines: Sequence[PlannedSale]) -> dict[int, dict[int, int]] | None:
    """Return what a kept plan does with each lot on today's options: bags by option, by lot.

    Each line goes to the option with the same dryness, store and buyer whose week of sale is nearest; bags that are
    gone are dropped. None where a line can no longer be carried out.
    """
    case = outlook.case
    found: dict[int, dict[int, int]] = {}
    number = {lot.id: index for index, lot in enumerate(case.lots)}
    left = {index: lot.bags for index, lot in enumerate(case.lots)}
    for line in sorted(lines, key=lambda item: -item.bags):
        lot = number.get(line.lot)
        if lot is None:
            continue
        option = _nearest_option(outlook, lot, line)
        if option is None:
            return None
        bags = min(left[lot], line.bags)
        if bags > 0:
            left[lot] -= bags
            mine = found.setdefault(lot, {})
            mine[option] = mine.get(option, 0) + bags
    return found


def _nearest_option(outlook: Outlook, lot: int, line: PlannedSale) -> int | None:
    """Return the option of a lot that is most like a kept line, None where its buyer or reserve is gone."""
    case, table = outlook.case, outlook.options(lot)
    buyers = [who.name for who in case.buyers]
    reserves = [reserve.label for reserve in case.reserves]
    stores = [storage.name for storage in case.storage]
    setups = [choice.name for choice in case.drying]

    def place(names: list[str], name: str) -> int:
        return names.index(name) if name in names else -1

    names = np.array([*buyers, ""], dtype=object)
    fits = (names[table.buyer] == line.buyer) & (table.reserve == place(reserves, line.reserve))
    if not fits.any() or (line.buyer and line.buyer not in buyers):
        return None
    distance = np.abs(table.sale_week - max(0, case.week_of(line.sell_on))) * 10.0
    distance += np.where(table.storage != place(stores, line.storage), 3.0, 0.0)
    distance += np.where(table.setup != place(setups, line.setup), 2.0, 0.0)
    if line.dry_from is not None:
        distance += 0.5 * np.abs(table.start_week - max(0, case.week_of(line.dry_from)))
    if line.harvest_on is not None:
        distance += 0.5 * np.abs(table.harvest_week - max(0, case.week_of(line.harvest_on)))
    if line.target_pct is not None:
        distance += 0.3 * np.abs(np.nan_to_num(table.target_pct, nan=line.target_pct) - line.target_pct)
    return int(np.argmin(np.where(fits, distance, np.inf)))


def carried_over(outlook: Outlook, lines: Sequence[PlannedSale]) -> Allocation | None:
    """Return the last plan's lines on today's options, None where they can no longer be carried out."""
    placed = kept_bags(outlook, lines)
    if placed is None:
        return None
    made = allocation_of(outlook, placed)
    return None if broken_limits(outlook, made) else made


def compare_plans(last: KeptPlan, new: SalePlan, outlook: Outlook, threshold: float = 0.01) -> PlanChange:
    """Compare a new plan with the last one on today's knowledge.

    The last plan is carried over to today's case and valued on the same scenarios. The advice stays where the gain is
    below `threshold`
    (fraction of the value) and the last plan can still be carried out with the cash needs met as surely.
    """
    old = carried_over(outlook, last.lines)
    gain: float | None = None
    if old is not None:
        worth = evaluate(outlook, old)
        before = worth.mean + new.case.risk_weight * worth.worst_tenth_mean
        gain = new.objective - before
        old_short = lacking_of(outlook, old).cash
        new_short = lacking_of(outlook, new.allocation).cash
        worse_cash = bool(old_short.sum() > new_short.sum() + 1e-6)
        change = worse_cash or gain > threshold * max(abs(new.objective), 1e-9)
    else:
        change = True
    return PlanChange(change, gain, tuple(_why_changed(last, new, old is None)), _moved(last, new))


def _why_changed(last: KeptPlan, new: SalePlan, impossible: bool) -> list[Message]:
    """Return what is different in the inputs, in sentences."""
    before, now, found = case_from_json(last.case_json), new.case, []
    if impossible:
        found.append(message("the last plan can no longer be carried out as it stands"))
    old_prices = {price.commodity: price.price_now for price in before.prices}
    for price in now.prices:
        was = old_prices.get(price.commodity)
        if was and abs(price.price_now / was - 1) > 0.02:
            found.append(
                message(
                    "the price of {crop} changed by {change} %",
                    crop=message(crop_words(price.commodity)),
                    change=round(100 * (price.price_now / was - 1)),
                )
            )
    old_lots = {lot.id: lot for lot in before.lots}
    for lot in now.lots:
        was_lot = old_lots.get(lot.id)
        if was_lot is None:
            found.append(message("lot {lot} is new", lot=lot.label))
        elif abs(lot.moisture_pct - was_lot.moisture_pct) > 0.5:
            found.append(
                message(
                    "lot {lot} is now at {now} % instead of {was} %",
                    lot=lot.label,
                    now=round(lot.moisture_pct, 1),
                    was=round(was_lot.moisture_pct, 1),
                )
            )
        elif lot.bags != was_lot.bags:
            found.append(
                plural(
                    "now",
                    "lot {lot} has {now} bag instead of {was}",
                    "lot {lot} has {now} bags instead of {was}",
                    lot=lot.label,
                    now=lot.bags,
                    was=was_lot.bags,
                )
            )
    for gone in sorted(set(old_lots) - {lot.id for lot in now.lots}):
        found.append(message("lot {lot} is sold or used", lot=old_lots[gone].label))
    for name, words in (
        ("risk_weight", "the answer about bad years"),
        ("interest_monthly", "the interest"),
        ("weeks", "the horizon"),
        ("needs", "the cash needs"),
        ("buyers", "buyers or offers"),
    ):
        if getattr(before, name) != getattr(now, name) and not (name == "buyers" and before.start != now.start):
            found.append(message("{what} changed", what=message(words)))
    if before.climate.forecast_id != now.climate.forecast_id:
        found.append(message("there is a newer forecast"))
    return found


def _moved(last: KeptPlan, new: SalePlan) -> pd.DataFrame:
    """Return, by lot, bags-weighted sale dates and buyers then and now."""

    def main(lines: Sequence[PlannedSale]) -> dict[str, tuple[str, date, str, int]]:
        best: dict[str, PlannedSale] = {}
        for line in lines:
            if line.lot not in best or line.bags > best[line.lot].bags:
                best[line.lot] = line
        return {lot: (line.label, line.sell_on, line.buyer or line.reserve, line.bags) for lot, line in best.items()}

    before, now = main(last.lines), main(new.sales)
    rows = []
    for lot in sorted({*before, *now}):
        was, here = before.get(lot), now.get(lot)
        if was is None or here is None or abs((was[1] - here[1]).days) > DAYS_PER_WEEK or was[2] != here[2]:
            rows.append(
                {
                    "lot": (here or was or ("",))[0],
                    "was": was[1] if was else None,
                    "was_buyer": was[2] if was else "",
                    "now": here[1] if here else None,
                    "now_buyer": here[2] if here else "",
                }
            )
    return pd.DataFrame(rows, columns=["lot", "was", "was_buyer", "now", "now_buyer"])


def season_end(
    first: KeptPlan, sales: pd.DataFrame, labels: Mapping[int, str], until: date | None = None
) -> pd.DataFrame:
    """Hold what was planned against what was done and paid, by lot, and say why they differ.

    Parameters
    ----------
    sales : pd.DataFrame
        Sales as the store keeps them: lot_id, sold_on, bags, mass_kg, price_per_kg, paid_on.
    until : date, optional
        Plans dated later do not count as missed.

    Returns
    -------
    pd.DataFrame
        By lot: planned and done kg and money (planned at its expected price), `by_quantity`, `by_price` (they add up to
        done - planned exactly: quantity at the planned price, price on the done quantity), planned_on, done_on,
        days_later, paid, unpaid, why (Message).
    """
    lines = [line for line in first.lines if line.buyer]
    sold = sales.copy()
    if not sold.empty:
        sold = sold[pd.to_datetime(sold["sold_on"]).dt.date >= first.on]
    rows = []
    keys = dict.fromkeys(
        [*[line.lot for line in lines], *[str(lot) for lot in (sold["lot_id"] if not sold.empty else [])]]
    )
    for lot in keys:
        mine = [line for line in lines if line.lot == lot and (until is None or line.sell_on <= until)]
        done = sold[sold["lot_id"].astype(str) == lot] if not sold.empty else sold
        kg_plan, money_plan = sum(line.kg_sold for line in mine), sum(line.kg_sold * line.price_kg for line in mine)
        kg_done = float(done["mass_kg"].sum()) if len(done) else 0.0
        money_done = float((done["mass_kg"] * done["price_per_kg"]).sum()) if len(done) else 0.0
        price_plan = money_plan / kg_plan if kg_plan > 0 else (money_done / kg_done if kg_done > 0 else 0.0)
        paid = float((done["mass_kg"] * done["price_per_kg"])[done["paid_on"].notna()].sum()) if len(done) else 0.0
        by_quantity = (kg_done - kg_plan) * price_plan
        plan_day = _mean_day([(line.sell_on, line.kg_sold) for line in mine])
        done_day = (
            _mean_day(list(zip(pd.to_datetime(done["sold_on"]).dt.date, done["mass_kg"].astype(float), strict=True)))
            if len(done)
            else None
        )
        later = (done_day - plan_day).days if plan_day and done_day else None
        label = next(
            (line.label for line in lines if line.lot == lot), labels.get(int(lot), lot) if lot.isdigit() else lot
        )
        rows.append(
            {
                "lot": label,
                "kg_planned": kg_plan,
                "kg_done": kg_done,
                "planned": money_plan,
                "done": money_done,
                "by_quantity": by_quantity,
                "by_price": money_done - money_plan - by_quantity,
                "planned_on": plan_day,
                "done_on": done_day,
                "days_later": later,
                "paid": paid,
                "unpaid": money_done - paid,
                "why": _difference(kg_plan, kg_done, price_plan, money_done / kg_done if kg_done else 0.0, later),
            }
        )
    return pd.DataFrame(rows)


def _mean_day(dated: Sequence[tuple[date, float]]) -> date | None:
    weight = sum(kg for _, kg in dated)
    return date.fromordinal(round(sum(day.toordinal() * kg for day, kg in dated) / weight)) if weight > 0 else None


def _difference(kg_plan: float, kg_done: float, price_plan: float, price_done: float, later: int | None) -> Message:
    if kg_done == 0:
        return message("not sold yet")
    if kg_plan == 0:
        return message("sold without having been planned")
    kg, price = 100 * (kg_done / kg_plan - 1), 100 * (price_done / price_plan - 1) if price_plan else 0.0
    if abs(kg) < 3 and abs(price) < 3 and abs(later or 0) <= DAYS_PER_WEEK:
        return message("as planned")
    return message(
        "{kg} % of quantity, {price} % of price, {days} days later than planned",
        kg=Figure(kg, "+.0f"),
        price=Figure(price, "+.0f"),
        days=later if later is not None else 0,
    )


def last_kept(store: Any, group_id: int) -> KeptPlan | None:
    """Return the last kept plan of a group, None where there is none or the book cannot be read."""
    try:
        plans = kept_plans(store, group_id)
    except (DryholdError, KeyError, TypeError, ValueError):
        return None
    return plans[-1] if plans else None
