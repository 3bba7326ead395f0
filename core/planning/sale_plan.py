"""The plan as people read it: its lines, what it cannot meet and why, and which limits are used up."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np

from core.messages import Message, Money, message, plural
from core.planning.allocation import Allocation, use_of
from core.planning.case import PlanningCase
from core.planning.layout import SHORT_PENALTY, make_layout, needs_by_account, promise_price
from core.planning.outlook import Outlook
from core.planning.schedule import Load, Spread, day_of, floor_room
from core.planning.worth import Worth, account_balances, evaluate, spread_of

MOULD_SAID = 0.03  # share of a lot's bags from which its mould is said beside the plan (judgement)


@dataclass(frozen=True)
class PlannedSale:
    """One line of the plan: some bags of a lot, how they are dried and stored, when and to whom they go.

    A buyer of "" means kept back.
    """

    lot: str
    label: str
    owner: str
    commodity: str
    bags: int
    kg_in: float
    kg_sold: float
    setup: str
    dry_from: date | None
    ready_on: date
    storage: str
    week: int
    sell_on: date
    paid_on: date
    buyer: str
    reserve: str
    price_kg: float
    value: float
    value_low: float
    value_high: float
    harvest_on: date | None = None
    target_pct: float | None = None
    unfit_share: float = 0.0


@dataclass(frozen=True)
class UnmetNeed:
    """A need that the plan cannot meet with the certainty asked for, and what would make it so."""

    label: str
    amount: float
    lacking: float
    share_met: float
    advice: Message


@dataclass(frozen=True)
class SalePlan:
    """A plan with its value in every scenario, its bound and gap, and what it could not meet.

    `gap` = (bound - objective + penalty of what is unmet)/|objective|, a fraction; `method` says which way the plan was
    found. `sales` are its lines in the order of sale; `schedule` is its drying as loads that fit, by day and space,
    each with the number of its line in `sales`: the floor page, next actions and the calendar read it and no other.
    `unsold_bags` and the lines' bags add up to the bags there are. `line_of` has, for each of `sales`, its number in
    the allocation.
    """

    case: PlanningCase
    allocation: Allocation
    sales: tuple[PlannedSale, ...]
    worth: Worth
    objective: float
    bound: float
    gap: float
    method: str
    seconds: float
    unmet: tuple[UnmetNeed, ...]
    notes: tuple[Message, ...]
    unsold_bags: tuple[tuple[str, int], ...]
    binding: tuple[str, ...]
    schedule: tuple[Load, ...] = ()
    line_of: tuple[int, ...] = ()

    @property
    def mean(self) -> float:
        """Return the mean value today [money]."""
        return self.worth.mean

    @property
    def worst_tenth_mean(self) -> float:
        """Return the mean of the worst tenth of scenarios [money]."""
        return self.worth.worst_tenth_mean


def objective_of(case: PlanningCase, worth: Worth) -> float:
    """Return what the plan is chosen by: the mean value and, weighted, the mean of the worst tenth [money]."""
    return worth.mean + case.risk_weight * worth.worst_tenth_mean


@dataclass(frozen=True)
class Lacking:
    """What an allocation leaves unmet.

    `kept_back` is the worth of the grain missing from reserves and promises [money]; `cash` (need dates,) the money
    missing at the certainty asked for, `met` (need dates,) the share of scenarios in which the date is met.
    """

    kept_back: float
    cash: np.ndarray
    met: np.ndarray


def lacking_of(outlook: Outlook, allocation: Allocation) -> Lacking:
    """Return what an allocation leaves unmet of reserves, promises and cash needs."""
    case = outlook.case
    use = use_of(outlook, allocation.lot, allocation.option, allocation.bags)
    lacking = sum(
        max(0.0, reserve.kg - kg) * reserve.value_per_kg
        for reserve, kg in zip(case.reserves, use.reserve_kg, strict=True)
    )
    lacking += sum(
        max(0.0, who.promised_kg - float(kg.sum())) * promise_price(case, who)
        for who, kg in zip(case.buyers, use.kg, strict=True)
    )
    balances = account_balances(outlook, allocation)
    met = (balances >= -1e-6).mean(axis=1) if len(balances) else np.zeros(0)
    short = np.array(
        [
            max(0.0, -float(np.quantile(row, 1.0 - case.certainty))) if share < case.certainty else 0.0
            for row, share in zip(balances, met, strict=True)
        ]
    )
    return Lacking(float(lacking), short, met)


def penalty_of(outlook: Outlook, allocation: Allocation) -> float:
    """Return what is taken off an allocation's objective for what it leaves unmet [money]."""
    lacking = lacking_of(outlook, allocation)
    return SHORT_PENALTY * (lacking.kept_back + float(lacking.cash.max(initial=0.0)))


def score_of(outlook: Outlook, allocation: Allocation) -> float:
    """Return the objective less the penalties for what is lacking: by this the candidates are compared."""
    return objective_of(outlook.case, evaluate(outlook, allocation)) - penalty_of(outlook, allocation)


def finish(outlook: Outlook, allocation: Allocation, bound: float, method: str, seconds: float) -> SalePlan:
    """Return an allocation as the plan that people read.

    Parameters
    ----------
    bound : float
        What no allocation can beat [money], infinity where none is known.
    """
    case, worth = outlook.case, evaluate(outlook, allocation)
    objective = objective_of(case, worth)
    sales, loads, line_of = _lines_and_loads(outlook, allocation)
    used = use_of(outlook, allocation.lot, allocation.option, allocation.bags).bags
    left = tuple(
        (lot.label, int(lot.bags - taken)) for lot, taken in zip(case.lots, used, strict=True) if lot.bags - taken > 0.5
    )
    # the bound counts what is unmet as the search does
    score = objective - penalty_of(outlook, allocation)
    slack = (bound - score) / max(abs(objective), 1e-9) if np.isfinite(bound) else float("inf")
    return SalePlan(
        case=case,
        allocation=allocation,
        sales=sales,
        worth=worth,
        objective=objective,
        bound=float(bound),
        gap=max(0.0, float(slack)),
        method=method,
        seconds=seconds,
        unmet=(
            *_unmet_cash(outlook, allocation),
            *_unmet_reserves(outlook, allocation),
            *_unmet_promises(outlook, allocation),
        ),
        notes=(*_left_over(left), *_spoilt(sales)),
        unsold_bags=left,
        binding=_binding(outlook, allocation),
        schedule=loads,
        line_of=line_of,
    )


def _unmet_cash(outlook: Outlook, allocation: Allocation) -> list[UnmetNeed]:
    """Return the cash needs that are not met at the certainty asked for."""
    case, layout, lacking = outlook.case, make_layout(outlook.case), lacking_of(outlook, allocation)
    amounts, found = needs_by_account(case, layout)[0], []
    for number, week in enumerate(layout.need_weeks):
        short = float(lacking.cash[number])
        if short > 0:
            labels = ", ".join(sorted({need.label or "cash" for need in case.needs if need.week == week}))
            found.append(
                UnmetNeed(
                    label=labels,
                    amount=float(amounts[number]),
                    lacking=short,
                    share_met=float(lacking.met[number]),
                    advice=_remedy(outlook, allocation, week, short),
                )
            )
    return found


def _unmet_reserves(outlook: Outlook, allocation: Allocation) -> list[UnmetNeed]:
    """Return the reserves of grain for which less is kept back than was asked for."""
    case = outlook.case
    kept = use_of(outlook, allocation.lot, allocation.option, allocation.bags).reserve_kg
    return [
        UnmetNeed(
            label=reserve.label,
            amount=reserve.kg,
            lacking=float(reserve.kg - kg),
            share_met=float(kg / reserve.kg),
            advice=message(
                "{kg} kg of {crop} for {label} must be bought, or that much more must be kept dry and bagged",
                kg=round(reserve.kg - kg),
                crop=reserve.commodity,
                label=reserve.label,
            ),
        )
        for reserve, kg in zip(case.reserves, kept, strict=True)
        if kg < reserve.kg - 1e-6
    ]


def _unmet_promises(outlook: Outlook, allocation: Allocation) -> list[UnmetNeed]:
    """Return the promises to buyers that are not delivered whole."""
    case = outlook.case
    sent = use_of(outlook, allocation.lot, allocation.option, allocation.bags).kg.sum(axis=1)
    return [
        UnmetNeed(
            label=who.name,
            amount=who.promised_kg,
            lacking=who.promised_kg - float(kg),
            share_met=float(kg / who.promised_kg),
            advice=message(
                "{kg} kg that were promised must be bought, or a later day of delivery agreed with the buyer",
                kg=round(who.promised_kg - float(kg)),
            ),
        )
        for who, kg in zip(case.buyers, sent, strict=True)
        if who.promised_kg > float(kg) + 1e-6
    ]


def _left_over(left: tuple[tuple[str, int], ...]) -> list[Message]:
    if not left:
        return []
    return [
        plural(
            "bags",
            "{bags} bag finds no buyer or no room in this plan",
            "{bags} bags find no buyer or no room in this plan",
            bags=sum(count for _, count in left),
        )
    ]


def _spoilt(sales: tuple[PlannedSale, ...]) -> list[Message]:
    """Return a warning for each lot of which mould is counted to make a part unfit."""
    spoilt: dict[str, float] = {}
    for line in sales:
        spoilt[line.label] = max(spoilt.get(line.label, 0.0), line.unfit_share)
    words = (
        "{share} % of the bags of lot {lot} are counted as unfit through mould by then: they bring nothing, "
        "and are kept out of food. Dry it first, or test it again soon"
    )
    return [
        message(words, lot=label, share=round(100 * share)) for label, share in spoilt.items() if share >= MOULD_SAID
    ]


def _remedy(outlook: Outlook, allocation: Allocation, week: int, short: float) -> Message:
    """Return what would make an unmet cash need met.

    An advance of so much, or waiting until a week in which sales cover it.
    """
    case = outlook.case
    cash = np.cumsum(evaluate(outlook, allocation).cash_week, axis=0) + case.cash_now
    due = sum(need.amount for need in case.needs if need.week <= week)
    enough = np.flatnonzero(np.quantile(cash, 1.0 - case.certainty, axis=1) >= due)
    later = [int(value) for value in enough if value > week]
    if later:
        return message(
            "an advance or loan of {amount} by {day}, or paying from {later}, when the planned sales cover it",
            amount=Money(short, case.currency),
            day=case.week_date(week),
            later=case.week_date(later[0]),
        )
    return message(
        "an advance or loan of {amount} by {day}: the planned sales do not cover it within the horizon",
        amount=Money(short, case.currency),
        day=case.week_date(week),
    )


def _binding(outlook: Outlook, allocation: Allocation) -> tuple[str, ...]:
    """Return which limits are used up to nine tenths or more in some week (keys)."""
    case, use = outlook.case, use_of(outlook, allocation.lot, allocation.option, allocation.bags)
    found, rooms = [], floor_room(case, use.floor.shape[1])
    for number, choice in enumerate(case.drying):
        if (use.floor[number] > 0.9 * rooms[number]).any():
            found.append(f"drying:{choice.code}")
    for number, storage in enumerate(case.storage):
        total = storage.owned_bags + storage.buyable_units * storage.bags_per_unit
        if use.stock[number].max(initial=0.0) > 0.95 * total:
            found.append(f"storage:{storage.code}")
    if case.store_bags is not None and use.stock.sum(axis=0).max(initial=0.0) > 0.95 * case.store_bags:
        found.append("store")
    if (allocation.trips.sum(axis=0) >= case.truck.trips_per_week).any():
        found.append("truck")
    if case.needs and account_balances(outlook, allocation).size:
        low = np.quantile(account_balances(outlook, allocation), 1 - case.certainty, axis=1)
        if (low < 0.03 * sum(need.amount for need in case.needs)).any():
            found.append("cash")
    return tuple(found)


def _lines_and_loads(
    outlook: Outlook, allocation: Allocation
) -> tuple[tuple[PlannedSale, ...], tuple[Load, ...], tuple[int, ...]]:
    """Return the lines of an allocation in the order of sale, and its drying as loads by day that name their line.

    The last are the numbers of those lines in the allocation.
    """
    case, spreads = outlook.case, spread_of(outlook, allocation)
    lines = [
        _line(outlook, int(lot), int(option), int(bags), [spread for spread in spreads if spread.job.line == number])
        for number, (lot, option, bags) in enumerate(
            zip(allocation.lot, allocation.option, allocation.bags, strict=True)
        )
    ]
    order = sorted(range(len(lines)), key=lambda at: (lines[at].week, lines[at].buyer, lines[at].label))
    place = {at: number for number, at in enumerate(order)}
    loads = [
        Load(
            space=case.drying[spread.job.space].name,
            lot=lines[spread.job.line].label,
            owner=lines[spread.job.line].owner,
            on=day_of(case, spread.day),
            until=day_of(case, spread.last_day),
            bags=spread.bags,
            mass_kg=spread.bags * spread.job.bag_kg,
            target_pct=lines[spread.job.line].target_pct,
            line=place[spread.job.line],
        )
        for spread in spreads
    ]
    ordered = tuple(sorted(loads, key=lambda load: (load.on, load.space, load.lot, load.line)))
    return tuple(lines[at] for at in order), ordered, tuple(order)


def _line(outlook: Outlook, lot: int, option: int, bags: int, spreads: list[Spread]) -> PlannedSale:
    """Return one line of the plan; what is dried is ready on the evening of its last load's last day."""
    case, item, table = outlook.case, outlook.case.lots[lot], outlook.options(lot)
    value = outlook.values(lot, np.array([option]))[0] * bags
    columns = (table.setup, table.storage, table.buyer, table.reserve)
    setup, storage, buyer, reserve = (int(column[option]) for column in columns)
    week, ready_on = int(table.sale_week[option]), case.week_date(int(table.ready_week[option]))
    if spreads:
        ready_on = day_of(case, max(spread.last_day for spread in spreads))
    opens_on = day_of(case, case.buyers[buyer].first_day if buyer >= 0 else 0)
    sell_on = max(case.week_date(week), ready_on, opens_on)
    return PlannedSale(
        lot=item.id,
        label=item.label,
        owner=item.owner,
        commodity=item.commodity,
        bags=bags,
        kg_in=float(bags * item.bag_mass_kg),
        kg_sold=float(bags * item.bag_mass_kg * table.kept_kg[option]),
        setup=case.drying[setup].name if setup >= 0 else "",
        dry_from=day_of(case, min(spread.day for spread in spreads)) if spreads else None,
        ready_on=ready_on,
        storage=case.storage[storage].name if storage >= 0 else "",
        week=week,
        sell_on=sell_on,
        paid_on=max(case.week_date(int(table.pay_week[option])), sell_on),
        buyer=case.buyers[buyer].name if buyer >= 0 else "",
        reserve=case.reserves[reserve].label if reserve >= 0 else "",
        price_kg=float(table.price_kg[option]),
        value=float(value.mean()),
        value_low=float(np.quantile(value, 0.1)),
        value_high=float(np.quantile(value, 0.9)),
        harvest_on=case.week_date(int(table.harvest_week[option])) if item.standing else None,
        target_pct=float(table.target_pct[option]) if setup >= 0 else None,
        unfit_share=float(table.unfit[option]),
    )
