"""The situation checked against itself: each check names what two parts say differently, or what is unsafe to do."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from datetime import date, timedelta
from functools import partial

from core.advice.parts import EXAMPLE, LotNow
from core.advice.read import Reading
from core.advice.season import HOME, SELL
from core.grain.mass import tenth_below
from core.group.sampling import DRY, judge_dryness
from core.messages import Message, message
from core.planning.sale_plan import PlannedSale
from core.planning.schedule import mass_by_day
from core.storage import safety
from core.storage.methods import get_method

SLACK_KG = 0.5
MONEY_SHARE = 1e-6
SOON_WEEKS = 4  # waiting for a market day or a truck is no bet on the price (judgement)


def contradictions(now: Reading) -> list[Message]:
    """Return every contradiction of a situation, in the order of the checks.

    Parameters
    ----------
    now : Situation
        The situation; its plan is made where it is not yet.
    """
    found = [item for check in CHECKS for item in check(now)]
    return list({str(item): item for item in found}.values())


def bags_add_up(now: Reading) -> Iterator[Message]:
    """Bags sold, kept back and left over are the bags that the lot has."""
    planned: Counter[str] = Counter()
    for line in now.plan.sales:
        planned[line.lot] += line.bags
    over = dict(now.plan.unsold_bags)
    known = {str(lot.id): lot.bags for lot in now.lots}
    for lot in now.plan.case.lots:
        total = planned[lot.id] + over.get(lot.label, 0)
        if total != lot.bags:
            yield message(
                "lot {lot} has {bags} bags, the plan speaks of {total}", lot=lot.label, bags=lot.bags, total=total
            )
        if lot.id in known and known[lot.id] != lot.bags:
            yield message(
                "lot {lot} has {bags} bags in the records and {total} in the plan",
                lot=lot.label,
                bags=known[lot.id],
                total=lot.bags,
            )


def headline_adds_up(now: Reading) -> Iterator[Message]:
    """Sold soon, sold later, kept back and left over are all bags, in the headline and in each row of the calendar."""
    for row in now.season:
        parts = row.bags_of(SELL) + row.bags_of(HOME) + row.left
        if parts != row.bags:
            yield message("lot {lot} has {bags} bags, its calendar {parts}", lot=row.lot, bags=row.bags, parts=parts)
    said = now.headline
    parts = said.soon + said.later + said.home + said.left
    if parts != said.total or said.total != sum(lot.bags for lot in now.plan.case.lots):
        yield message("the headline speaks of {total} bags and adds up to {parts}", total=said.total, parts=parts)
    if abs(said.total_value - now.made.fresh["plan"].mean) > max(1.0, MONEY_SHARE * abs(said.total_value)):
        yield message("the headline's value is not the plan's")


def floor_fits(now: Reading) -> Iterator[Message]:
    """On every day the grain that lies out fits each space."""
    room = {space.name: space.capacity_kg for space in now.spaces}
    for (space, on), mass in sorted(mass_by_day(now.schedule).items()):
        if space not in room:
            yield message("{space} is in the drying schedule and not among the spaces", space=space)
        elif mass > room[space] + SLACK_KG:
            yield message(
                "{mass} kg lie on {space} on {day}: it holds {room} kg",
                mass=round(mass),
                space=space,
                day=on,
                room=round(room[space]),
            )


def schedule_is_the_plan(now: Reading) -> Iterator[Message]:
    """Hold that what the plan dries lies on the floor, bag by bag, and nothing else does."""
    wanted: Counter[str] = Counter()
    for line in now.plan.sales:
        if line.setup:
            wanted[line.label] += line.bags
    lying: Counter[str] = Counter()
    for load in now.schedule:
        lying[load.lot] += load.bags
    for lot in sorted({*wanted, *lying}):
        if wanted[lot] == 0:
            yield message("lot {lot} lies on a drying space, but the plan does not dry it", lot=lot)
        elif wanted[lot] != lying[lot]:
            yield message(
                "the plan dries {wanted} bags of lot {lot}, the schedule {lying}",
                lot=lot,
                wanted=wanted[lot],
                lying=lying[lot],
            )


def dry_before_bagged_and_sold(now: Reading) -> Iterator[Message]:
    """Bags leave the floor before they are bagged or sold."""
    for lot in sorted({load.lot for load in now.schedule}):
        gathered = sorted((load.until, load.bags) for load in now.schedule if load.lot == lot)
        leaving = sorted((line.sell_on, line.bags) for line in now.plan.sales if line.label == lot and line.setup)
        for on, _bags in leaving:
            gone = sum(bags for day, bags in leaving if day <= on)
            dry = sum(bags for day, bags in gathered if day <= on)
            if gone > dry:
                yield message(
                    "{gone} bags of lot {lot} are sold by {day}, and only {dry} are off the drying space",
                    lot=lot,
                    day=on,
                    gone=gone,
                    dry=dry,
                )
                break


def waiting_times_are_kept(now: Reading) -> Iterator[Message]:
    """Nothing treated is sold or eaten before its waiting days are over."""
    days = waiting_days(now)
    methods = {choice.name: choice.method for choice in now.stores}
    earlier = {str(lot.id): lot.state for lot in now.lots}
    for line in now.plan.sales:
        leaves = line.ready_on if line.reserve else line.sell_on
        treated = []
        if wait := days.get(methods.get(line.storage, ""), 0):
            treated.append((line.ready_on, line.ready_on + timedelta(days=wait)))
        if (state := earlier.get(line.lot)) is not None and (free := state.free_from(now.today)) is not None:
            treated.append((state.lot.stored_on or now.today, free))
        for on, first in treated:
            if leaves < first:
                yield message(
                    "lot {lot} is treated on {treated} and leaves the store on {day}: not before {first}",
                    lot=line.label,
                    treated=on,
                    day=leaves,
                    first=first,
                )


def waiting_days(now: Reading) -> dict[str, int]:
    """Return the waiting days by storage method: the group's own label time where a method has any."""
    own = float(now.store.fact(now.group_id, "protectant_waiting_days").value)
    codes = {choice.method for choice in now.stores}
    return {code: safety.waiting_days(code, own) for code in codes if get_method(code).treated}


def sealed_dry(now: Reading) -> Iterator[Message]:
    """Nothing is sealed above the moisture at which its bag or silo may be sealed."""
    methods = {choice.name: get_method(choice.method) for choice in now.stores}
    for line, pct, sure in _stored(now):
        method = methods.get(line.storage)
        limit = None if method is None else safety.sealing_limit(line.commodity, method)
        if limit is None:
            continue
        if pct > limit + 1e-6 or not sure(limit):
            yield message(
                "lot {lot} is sealed at {moisture} % in {storage}: at most {limit} %, and surely so",
                lot=line.label,
                moisture=round(pct, 1),
                storage=line.storage,
                limit=round(limit, 1),
            )


def stored_below_limit(now: Reading) -> Iterator[Message]:
    """Nothing is stored above the moisture at which it keeps."""
    limits = {str(lot.id): lot.limit.of_kind("keeping") for lot in now.lots}
    for line, pct, sure in _stored(now):
        limit = limits.get(line.lot)
        weeks = (line.sell_on - line.ready_on).days / 7
        if limit is None or (weeks <= SOON_WEEKS and not line.reserve):
            continue
        if pct > limit.moisture_pct + 0.05 or not sure(limit.moisture_pct):
            yield message(
                "lot {lot} is stored at {moisture} %: it keeps at {limit} % or less, and surely so",
                lot=line.label,
                moisture=round(pct, 1),
                limit=tenth_below(limit.moisture_pct),
            )


def _stored(now: Reading) -> Iterator[tuple[PlannedSale, float, Callable[[float], bool]]]:
    """Yield each stored line with its moisture at bagging, and whether undried grain is surely below a limit."""
    lots = {str(lot.id): lot for lot in now.lots}
    for line in now.plan.sales:
        lot = lots.get(line.lot)
        if not line.storage or lot is None or lot.moisture is None:
            continue
        if line.setup:
            yield line, float(line.target_pct or 0.0), lambda _limit: True
        else:
            yield line, float(lot.moisture.mean_pct), partial(_surely_below, lot)


def _surely_below(lot: LotNow, limit_pct: float) -> bool:
    """Return whether a lot is dry enough for a limit, judged like its verdict: by chance, not by the mean."""
    return lot.moisture is not None and judge_dryness(lot.moisture, limit_pct, lot.state.risk) == DRY


def one_price(now: Reading) -> Iterator[Message]:
    """Hold that plan, prices and the lots' verdicts start from one price a crop."""
    here = {price.crop: price.per_kg for price in now.prices if not price.assumed}
    for crop, judged in sorted(now.judged_at.items()):
        if crop in here and abs(here[crop] - judged) > 1e-5 * here[crop]:
            yield message(
                "{crop} is priced at {here} a kg, and its lots are judged at {there}",
                crop=crop,
                here=round(here[crop], 4),
                there=round(judged, 4),
            )
    here |= {price.crop: price.per_kg for price in now.prices}
    for price in now.plan.case.prices:
        known = here.get(price.commodity)
        if known is not None and abs(known - price.price_now) > 1e-5 * known:
            yield message(
                "{crop} is priced at {here} a kg and planned at {there}",
                crop=price.commodity,
                here=round(known, 4),
                there=round(price.price_now, 4),
            )


def waiting_agrees(now: Reading) -> Iterator[Message]:
    """Where past prices do not support waiting, the plan does not wait on the price."""
    refused = {price.crop for price in now.prices if price.waiting is not None and not price.waiting.wait}
    days, methods = waiting_days(now), {choice.name: choice.method for choice in now.stores}
    treated = {str(lot.id): lot.state.free_from(now.today) for lot in now.lots}

    def free(line: PlannedSale) -> date:
        """Return the first day on which a line may be sold: until then it does not wait on the price."""
        own = line.ready_on + timedelta(days=days.get(methods.get(line.storage, ""), 0))
        return max(own, treated.get(line.lot) or own)

    for crop in sorted(refused):
        waits = [
            line
            for line in now.plan.sales
            if line.commodity == crop and line.buyer and (line.sell_on - free(line)).days > 7 * SOON_WEEKS
        ]
        if waits:
            yield message(
                "past prices of {crop} do not support waiting, and the plan stores {bags} bags of it until {day}",
                crop=crop,
                bags=sum(line.bags for line in waits),
                day=max(line.sell_on for line in waits),
            )


def actions_follow(now: Reading) -> Iterator[Message]:
    """Actions are the schedule's loads and the plan's sales, on the same days."""
    loads: Counter[tuple[date, str]] = Counter()
    for load in now.schedule:
        loads[load.on, load.lot] += load.bags
    told: Counter[tuple[date, str]] = Counter()
    for action in now.actions:
        if action.kind == "dry":
            for lot in action.lots:
                told[action.on, lot] += action.bags
    for (on, lot), bags in sorted(loads.items()):
        if told[on, lot] != bags and on >= now.today:
            yield message(
                "the schedule spreads {bags} bags of lot {lot} on {day}, the actions {told}",
                bags=bags,
                lot=lot,
                day=on,
                told=told[on, lot],
            )
    sold = sum(line.bags for line in now.plan.sales if line.buyer)
    said = sum(action.bags for action in now.actions if action.kind == "sell")
    if sold != said:
        yield message("the plan sells {sold} bags, the actions {said}", sold=sold, said=said)


def orders_agree(now: Reading) -> Iterator[Message]:
    """Each thing to order has one last day, in the purchases as in the actions."""
    for item in now.purchases:
        last = max(item.order_by, now.today)
        days = {action.on for action in now.actions if action.kind in ("buy", "book") and action.what == item.what}
        if last not in days:
            yield message("'{what}' is ordered by {day}, and the actions do not say so", what=item.what, day=last)


def nothing_in_the_past(now: Reading) -> Iterator[Message]:
    """No action and no load is dated before today."""
    for action in now.actions:
        if action.on < now.today:
            yield message("'{what}' is dated {day}, before today", what=action.what, day=action.on)
    for load in now.schedule:
        if load.on < now.today:
            yield message("lot {lot} is spread on {day}, before today", lot=load.lot, day=load.on)


def assumptions_are_told(now: Reading) -> Iterator[Message]:
    """Assumed weather and prices are declared, and a group of one's own never gets the example's weather."""
    told = {item.subject for item in now.assumed if item.important}
    if not now.weather.is_forecast and "weather" not in told:
        yield message("the weather is assumed and nothing says so")
    if any(price.assumed for price in now.prices) and "price" not in told:
        yield message("a price is assumed and nothing says so")
    if now.weather.origin == EXAMPLE and not now.group.demo:
        yield message("the weather of the invented example is used for a group of one's own")


def one_net_value(now: Reading) -> Iterator[Message]:
    """Hold that the steps from gross to net end at the value that the plan has on the fresh seasons."""
    net, mean = float(now.made.net["net"]), now.made.fresh["plan"].mean
    if abs(net - mean) > max(1.0, MONEY_SHARE * abs(mean)):
        yield message(
            "the plan is worth {mean}, and the steps from gross to net end at {net}", mean=round(mean), net=round(net)
        )


CHECKS = (
    bags_add_up,
    headline_adds_up,
    floor_fits,
    schedule_is_the_plan,
    dry_before_bagged_and_sold,
    waiting_times_are_kept,
    sealed_dry,
    stored_below_limit,
    one_price,
    waiting_agrees,
    actions_follow,
    orders_agree,
    nothing_in_the_past,
    assumptions_are_told,
    one_net_value,
)
