"""Why a plan says what it says.

Reasons and runners-up by lot, the price at which to sell, and what one more of each limit would be worth.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from core.accounts.finance import WEEKS_PER_MONTH
from core.errors import PriceDataError
from core.market.buyers import buyer_words
from core.market.stopping import LookBack, hindcast_selling_prices, look_back, selling_prices
from core.market.waiting import WaitingRule
from core.messages import Message, message
from core.planning.allocation import tail_mean, use_of
from core.planning.case import CaseBuyer, PlanningCase
from core.planning.case_lots import OWN_CROP
from core.planning.layout import make_layout
from core.planning.outlook import Outlook
from core.planning.plan_tables import parts_of, value_by_week
from core.planning.probing import probing_gains
from core.planning.sale import plan_sale
from core.planning.sale_plan import SalePlan
from core.planning.worth import account_balances, broken_limits, complete, evaluate

QUICK = 0.1  # of the usual effort, for a plan that is only compared


@dataclass(frozen=True)
class PartReason:
    """Why a part of a lot is planned so, the next best choice for it and what that would cost.

    Parameters
    ----------
    dry_again_pct : float
        Moisture from which the lot is dried again [% w.b.].
    """

    lot: str
    label: str
    bags: int
    lines: tuple[int, ...]
    reason: Message
    runner_up: Message
    runner_up_cost: float
    dry_again_pct: float


def part_reasons(outlook: Outlook, plan: SalePlan) -> list[PartReason]:
    """Return the reason of each part of the plan, in the order of `plan_tables.merged_lines`."""
    case, allocation = outlook.case, plan.allocation
    weeks: dict[int, pd.DataFrame] = {}
    again: dict[int, float] = {}
    made = []
    for numbers in parts_of(plan):
        main = max((plan.line_of[number] for number in numbers), key=lambda at: int(allocation.bags[at]))
        lot, option = int(allocation.lot[main]), int(allocation.option[main])
        if lot not in weeks:
            weeks[lot], again[lot] = value_by_week(outlook, lot), dry_again_at(outlook, lot)
        bags = sum(plan.sales[number].bags for number in numbers)
        made.append(
            PartReason(
                case.lots[lot].id,
                case.lots[lot].label,
                bags,
                numbers,
                _framed(outlook, plan, lot, option, weeks[lot]),
                *_runner_up(outlook, lot, option, bags, weeks[lot]),
                again[lot],
            )
        )
    return made


def _framed(outlook: Outlook, plan: SalePlan, lot: int, option: int, weeks: pd.DataFrame) -> Message:
    """Return the reason with what frames it.

    A promise, seed, the week in which a standing lot is cut, what stands in for an own crop.
    """
    case, table, item = outlook.case, outlook.options(lot), outlook.case.lots[lot]
    buyer = int(table.buyer[option])
    if buyer >= 0 and case.buyers[buyer].promised_kg > 0:
        reason = message("delivered as it was promised: of the lots that fit, least is lost by it", lot=item.label)
    elif item.use == "seed" and table.reserve[option] >= 0:
        reason = message("kept for seed, not sold")
    else:
        reason = _reason(outlook, plan, lot, option, weeks)
    if item.standing:
        day = case.week_date(int(table.harvest_week[option]))
        reason = message("cut in the week of {day}; {reason}", day=day, reason=reason)
    if item.commodity.startswith(OWN_CROP):
        words = "{reason} (your own crop: drying rate, losses and pests are those of similar crops)"
        reason = message(words, reason=reason)
    return reason


def _reason(outlook: Outlook, plan: SalePlan, lot: int, option: int, weeks: pd.DataFrame) -> Message:
    """Return one sentence: what is won against selling now, and by what."""
    case, table = outlook.case, outlook.options(lot)
    week = int(table.sale_week[option])
    if table.reserve[option] >= 0:
        return _why_kept_back(plan, case.lots[lot].id, case.reserves[int(table.reserve[option])].label)
    now, here, peak = float(weeks.iloc[0]["mean"]), _mean_at(weeks, week), float(weeks["mean"].max())
    gain = (here / now - 1.0) * 100 if now > 0 else 0.0
    more = round((peak / max(here, 1e-9) - 1) * 100)
    if week <= int(weeks.index[0]) + 1:
        if gain > 0.5 and table.setup[option] >= 0:
            return message(
                "dried first and sold at once: dry grain earns {gain} % more than wet, "
                "and waiting longer earns no more",
                gain=round(gain),
            )
        if peak > here * 1.01:
            return _why_early(outlook, plan, lot, option, weeks, more)
        return message("sold at once: losses, costs and interest would cost more than a later price may add")
    if peak > here * 1.02:
        return message(
            "sold in the week of {day}, worth {gain} % more today than selling now; another week would earn "
            "{more} % more, but shared space, bags, trips or cash needs do not allow it",
            day=case.week_date(week),
            gain=round(gain),
            more=more,
        )
    if gain < 0.5:
        return message("sold in the week of {day}: about as good as selling now", day=case.week_date(week))
    return message(
        "sold in the week of {day}: after losses, costs and interest it is worth {gain} % more today than selling now",
        day=case.week_date(week),
        gain=round(gain),
    )


def _why_kept_back(plan: SalePlan, lot: str, what: str) -> Message:
    """Return why bags of a lot are kept back, and what becomes of its others."""
    if any(line.lot == lot and line.buyer for line in plan.sales):
        return message("kept for {what}; the other bags of this lot are sold", what=what)
    return message("kept for {what}: no bag of this lot is sold", what=what)


def _pays_a_need(outlook: Outlook, plan: SalePlan, lot: int, option: int) -> bool:
    """Return whether a cash need that is met would be missed without the money from these bags."""
    case, table, allocation = outlook.case, outlook.options(lot), plan.allocation
    balances = account_balances(outlook, allocation)
    bags = int(allocation.bags[(allocation.lot == lot) & (allocation.option == option)].sum())
    receipts = bags * case.lots[lot].bag_mass_kg * table.receipts_kg[option]
    later = np.asarray(make_layout(case).need_weeks, dtype=int) >= table.pay_week[option]
    met = (balances >= -1e-6).mean(axis=1) >= case.certainty
    without = (balances - receipts >= -1e-6).mean(axis=1) < case.certainty
    return bool((later & met & without).any())


def _why_early(outlook: Outlook, plan: SalePlan, lot: int, option: int, weeks: pd.DataFrame, more: int) -> Message:
    """Return why bags are sold early that would by themselves bring more later [%]: cash, bad years, or limits."""
    if any(key.startswith("cash") for key in plan.binding) or _pays_a_need(outlook, plan, lot, option):
        return message("sold early because money is needed by its date; later it would earn {more} % more", more=more)
    later = int(weeks["option"].to_numpy()[int(np.argmax(weeks["mean"].to_numpy()))])
    soon_worst, later_worst = (tail_mean(row, 0.1) for row in outlook.values(lot, np.array([option, later])))
    if outlook.case.risk_weight > 0 and soon_worst > later_worst:
        return message(
            "sold early: later it would earn {more} % more in an average year, but less in a bad year", more=more
        )
    return message(
        "sold early because other lots gain more from the space, bags or trips; later it would earn {more} % more",
        more=more,
    )


def _mean_at(weeks: pd.DataFrame, week: int) -> float:
    """Return the mean value of the row of one plan week."""
    return float(weeks["mean"].to_numpy()[np.flatnonzero(weeks.index.to_numpy() == week)[0]])


def _runner_up(outlook: Outlook, lot: int, option: int, bags: int, weeks: pd.DataFrame) -> tuple[Message, float]:
    """Return the next best choice.

    Two weeks away or more, or another store; and what choosing it would cost for these bags [money].
    """
    table = outlook.options(lot)
    week = int(table.sale_week[option])
    if table.buyer[option] < 0 or week not in weeks.index:
        return message("no other choice was compared"), 0.0
    others = weeks[np.abs(weeks.index.to_numpy() - week) >= 2]
    if others.empty:
        return message("no other week is open to it"), 0.0
    best = int(others.index[int(np.argmax(others["mean"].to_numpy()))])
    cost = (_mean_at(weeks, week) - _mean_at(others, int(best))) * bags
    where = str(others.loc[best, "buyer"])
    day = outlook.case.week_date(int(best))
    return message("next best: {buyer} in the week of {day}", buyer=buyer_words(where), day=day), cost


def dry_again_at(outlook: Outlook, lot: int) -> float:
    """Return the moisture [% w.b.] above which drying again pays or is needed.

    The lower of the buyers' limit plus the break-even and the crop's target plus 1.

    Drying a bag again costs its labour and handling loss; it pays once the discount per point on the price exceeds both
    and the water that is no longer sold (1/(100 - limit) per point).
    """
    case, item = outlook.case, outlook.case.lots[lot]
    target = case.target(item.commodity)
    if not case.drying:
        return target + 1.0
    choice = min(case.drying, key=lambda way: way.cost_per_kg)
    price = next(price.price_now for price in case.prices if price.commodity == item.commodity)
    best = target + 1.0
    for who in case.buyers:
        base = who.deductions_of(item.commodity).our_base_pct
        if base is None or (who.commodities and item.commodity not in who.commodities):
            continue
        gain = float(who.deductions_of(item.commodity).first_rate) - 1.0 / (100.0 - base)
        if gain > 0:
            best = min(best, base + (choice.cost_per_kg / price + choice.handling_loss) / gain)
    return round(max(best, target), 1)


def sell_above_prices(outlook: Outlook, lot: int) -> pd.DataFrame:
    """Return the price at or above which to sell, week by week, by backward induction on the scenarios.

    Returns
    -------
    pd.DataFrame
        Indexed by plan week: `sell_at_or_above` [money per kg at the market; NaN = wait whatever the price, 0 = sell at
        any price], `chance_of_selling` (fraction of scenarios that sell in that week). Attributes `mean_waiting_rule`
        and `mean_fixed_week` [money per bag today] hold the rule against the best fixed week `fixed_week`: both are
        found on one half of the scenarios and judged on the other (`core.market.stopping`).
    """
    case = outlook.case
    weeks = value_by_week(outlook, lot)
    price = outlook.seasons.prices[case.lots[lot].commodity]
    value = {
        int(week): outlook.values(lot, np.array([int(option)]))[0]
        for week, option in zip(weeks.index.to_numpy(), weeks["option"].to_numpy(), strict=True)
    }
    order = sorted(value)
    if not order:
        return pd.DataFrame(columns=["sell_at_or_above", "chance_of_selling"])
    learn = np.arange(case.scenarios) % 2 == 0
    seen = np.stack([price[min(week, case.weeks)] for week in order])
    worth = np.stack([value[week] for week in order])
    found = selling_prices(seen, worth, learn)
    frame = pd.DataFrame(
        {
            "sell_at_or_above": found.price,
            "chance_of_selling": [float((found.sold_at == at).mean()) for at in range(len(order))],
        },
        index=pd.Index(order, name="week"),
    )
    fixed = int(worth[:, learn].mean(axis=1).argmax())
    frame.attrs["mean_waiting_rule"] = float(found.worth[~learn].mean())
    frame.attrs["mean_fixed_week"] = float(worth[fixed, ~learn].mean())
    frame.attrs["fixed_week"] = order[fixed]
    return frame


def past_selling_prices(case: PlanningCase, commodity: str, monthly_loss: float) -> LookBack:
    """Return what selling by price would have earned in the past years of a crop's own series.

    Parameters
    ----------
    case : PlanningCase
        Its horizon is the longest wait (at most 11 months), its interest the cost of waiting.
    monthly_loss : float
        Weight lost in store a month, fraction.

    Raises
    ------
    PriceDataError
        Without past prices, or with too few years.
    """
    price = next(item for item in case.prices if item.commodity == commodity)
    if not price.history:
        raise PriceDataError("there are no past prices of this crop: enter some on the page 'Prices'")

    def series(rows: tuple[tuple[str, float], ...]) -> pd.Series:
        return pd.Series([value for _, value in rows], pd.PeriodIndex([month for month, _ in rows], freq="M"))

    months = max(1, min(round(case.weeks / WEEKS_PER_MONTH), 11))
    years = hindcast_selling_prices(
        series(price.history),
        WaitingRule(months, case.interest_monthly, monthly_loss),
        monthly_inflation=price.price_rise_monthly,
        neighbours=[series(rows) for rows in price.neighbours],
    )
    return look_back(years)


def what_if_cases(case: PlanningCase) -> dict[str, tuple[Message, PlanningCase]]:
    """Return changed cases by key.

    One more drying sheet (24 m2), ten more sealed bags, money one point a month cheaper, a truck half as big again,
    one more trip a week.
    """
    found: dict[str, tuple[Message, PlanningCase]] = {}
    sheets = [number for number, choice in enumerate(case.drying) if choice.method != "mechanical"]
    if sheets:
        number = sheets[0]
        choice = case.drying[number]
        more = replace(
            choice, capacity_kg=choice.capacity_kg + 24.0 * (choice.load_kg_m2 or 20.0), area_m2=choice.area_m2 + 24.0
        )
        found["tarpaulin"] = (
            message("one more tarpaulin of 24 m2"),
            case.with_changes(drying=(*case.drying[:number], more, *case.drying[number + 1 :])),
        )
    for number, storage in enumerate(case.storage):
        if storage.method == "hermetic_bag":
            more_bags = replace(storage, owned_bags=storage.owned_bags + 10)
            found["sealed"] = (
                message("ten more sealed bags at hand"),
                case.with_changes(storage=(*case.storage[:number], more_bags, *case.storage[number + 1 :])),
            )
    if case.interest_monthly >= 0.01:
        found["loan"] = (
            message("money that costs one point a month less (waiting then costs less)"),
            case.with_changes(interest_monthly=case.interest_monthly - 0.01),
        )
    found["truck"] = (
        message("a truck that carries half as much again, at the same price"),
        case.with_changes(truck=replace(case.truck, capacity_kg=case.truck.capacity_kg * 1.5)),
    )
    found["trip"] = (
        message("one more trip a week"),
        case.with_changes(truck=replace(case.truck, trips_per_week=case.truck.trips_per_week + 1)),
    )
    return found


def value_of_more(outlook: Outlook, plan: SalePlan, watch: Callable[[float], bool] | None = None) -> pd.DataFrame:
    """Return what one more of each limit would be worth, by solving again on the same scenarios.

    Parameters
    ----------
    watch : callable, optional
        Told the share that is done; the rest is left out where it returns True.

    Returns
    -------
    pd.DataFrame
        Indexed by key: `what` (Message), `gain` [money today in the objective, never below 0: the old plan stays
        possible], `uncertain` (the solver's gap [money], within which a gain says nothing).
    """
    rows = {}
    cases = what_if_cases(outlook.case)
    for number, (key, (what, changed)) in enumerate(cases.items()):
        if watch is not None and watch(number / (len(cases) + 1)):
            break
        # all the options and draws stay; only limits or the cost of money differ
        moved = replace(outlook, case=changed)
        kept = complete(moved, plan.allocation.lot, plan.allocation.option, plan.allocation.bags)
        possible = not broken_limits(moved, kept)
        again = plan_sale(changed, moved, start=kept if possible else None, effort=QUICK)
        if possible:
            old = evaluate(moved, kept)
            base = old.mean + changed.risk_weight * old.worst_tenth_mean
        # cheaper money makes every later sale worth more by itself: only what it changes in the group's money counts,
        # and that is all of it
        gain = max(again.objective, base if possible else -np.inf) - plan.objective
        rows[key] = {"what": what, "gain": max(0.0, gain), "uncertain": plan.gap * abs(plan.objective)}
    if watch is None or not watch(len(cases) / (len(cases) + 1)):
        rows |= _more_probed(outlook)
    return pd.DataFrame.from_dict(rows, orient="index")


def _more_probed(outlook: Outlook) -> dict[str, dict[str, object]]:
    """Return what five more probed bags are worth in the lot where they are worth most, as a row of `value_of_more`."""
    gains = probing_gains(outlook)
    if not gains:
        return {}
    best = gains[0]
    words = message("{bags} more bags tested of lot {lot}, which gains most", bags=best.bags, lot=best.label)
    return {"probing": {"what": words, "gain": best.gain, "uncertain": 0.0}}


def _part(outlook: Outlook, case: PlanningCase, lots: list[int]) -> Outlook:
    """Return the outlook of some of the lots.

    Their options and draws stay as they are, only the limits of `case` differ.
    """
    places = sorted({int(outlook.lot_class[lot]) for lot in lots})
    at = {place: number for number, place in enumerate(places)}
    return replace(
        outlook,
        case=case,
        lot_class=np.array([at[int(outlook.lot_class[lot])] for lot in lots], dtype=int),
        representatives=tuple(outlook.representatives[place] for place in places),
        classes=tuple(outlook.classes[place] for place in places),
        planned_days={
            (at[place], booking): days for (place, booking), days in outlook.planned_days.items() if place in at
        },
    )


def _buyer_alone(who: CaseBuyer, share: float, lots: set[str]) -> CaseBuyer:
    """Return a buyer as one member meets him alone.

    Of an offer and of what is promised the member's share, a promise of a lot with that lot.
    """
    if who.lots:
        return who if lots & set(who.lots) else replace(who, promised_kg=0.0, quantity_kg=0.0)
    quantity = None if who.quantity_kg is None else who.quantity_kg * share
    return replace(who, quantity_kg=quantity, promised_kg=who.promised_kg * share)


def _case_alone(case: PlanningCase, owner: str, numbers: Sequence[int]) -> PlanningCase:
    """Return the case of one member alone: own lots and needs, and the share of all else that goes with their mass."""
    total = sum(lot.bags * lot.bag_mass_kg for lot in case.lots)
    share = sum(case.lots[n].bags * case.lots[n].bag_mass_kg for n in numbers) / max(total, 1e-9)
    return case.with_changes(
        lots=tuple(case.lots[n] for n in numbers),
        drying=tuple(replace(choice, capacity_kg=choice.capacity_kg * share) for choice in case.drying),
        storage=tuple(
            replace(way, owned_bags=int(way.owned_bags * share), buyable_bags=int(np.ceil(way.buyable_bags * share)))
            for way in case.storage
        ),
        buyers=tuple(_buyer_alone(who, share, {case.lots[n].id for n in numbers}) for who in case.buyers),
        needs=tuple(need for need in case.needs if need.member == owner),
        reserves=tuple(replace(reserve, kg=reserve.kg * share) for reserve in case.reserves),
        cash_now=case.cash_now * share,
        credit=None,
    )


def joint_against_alone(outlook: Outlook, plan: SalePlan) -> pd.DataFrame:
    """Return how each member fares under the joint plan against planning alone with a share of space and bags.

    Alone, a member hires whole trips, has the share of drying space and of sealed bags that goes with the member's
    mass, and meets own cash needs and a share of the group's. Joint trips are shared by kg carried.

    Returns
    -------
    pd.DataFrame
        Indexed by owner: `bags`, `joint`, `alone` [mean money today], `gain`, `first_sale`, `last_sale` (plan weeks;
        who waits for whom).
    """
    case, done, rows = outlook.case, plan.allocation, {}
    lines = [
        (int(lot), int(option), float(bags)) for lot, option, bags in zip(done.lot, done.option, done.bags, strict=True)
    ]
    carried = use_of(outlook, done.lot, done.option, done.bags).kg
    stored = sum(bags for lot, option, bags in lines if outlook.options(lot).storage[option] >= 0)
    bought = sum(count * storage.unit_price for count, storage in zip(done.bought, case.storage, strict=True))
    for owner in sorted({lot.owner for lot in case.lots}):
        numbers = [number for number, lot in enumerate(case.lots) if lot.owner == owner]
        joint, weeks = 0.0, []
        for lot, option, bags in lines:
            if lot not in numbers:
                continue
            table = outlook.options(lot)
            joint += float(bags * outlook.values(lot, np.array([option]))[0].mean())
            buyer, week = int(table.buyer[option]), int(table.sale_week[option])
            if buyer >= 0:
                weeks.append(week)
                kg = bags * case.lots[lot].bag_mass_kg * table.kept_kg[option]
                cost = done.trips[buyer, week] * case.trip_cost(buyer) * float(case.discount(week))
                joint -= cost * float(kg / max(carried[buyer, week], 1e-9))
            if table.storage[option] >= 0:
                joint -= bought * float(bags / max(stored, 1))
        own = _case_alone(case, owner, numbers)
        alone = float("nan")
        made = _part(outlook, own, numbers)
        if any(len(table) for table in made.classes):
            alone = plan_sale(own, made, effort=QUICK).mean
        rows[owner] = {
            "bags": sum(case.lots[n].bags for n in numbers),
            "joint": joint,
            "alone": alone,
            "gain": joint - alone,
            "first_sale": min(weeks, default=-1),
            "last_sale": max(weeks, default=-1),
        }
    return pd.DataFrame.from_dict(rows, orient="index")
