"""The season as people see it: each lot's way from drying to sale, the headline, each member's part, money by date."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from core.market.buyers import buyer_words
from core.messages import Message, message, plural
from core.planning.case import PlanningCase
from core.planning.rolling import Purchase
from core.planning.sale_plan import PlannedSale, SalePlan
from core.planning.schedule import Load
from core.planning.why import PartReason

DRY, KEEP, SELL, HOME = "dry", "keep", "sell", "home"
SOON_DAYS = 14


@dataclass(frozen=True)
class Stretch:
    """One part of a lot's way.

    Parameters
    ----------
    kind : str
        "dry", "keep", "sell" (one day) or "home" (kept back to eat or to sow, to the day until which it lasts).
    where : str
        Drying space, store, buyer, or what it is kept back for.
    """

    kind: str
    on: date
    until: date
    bags: int
    where: str


@dataclass(frozen=True)
class SeasonRow:
    """A lot in the calendar of the season: its bags, and its stretches in the order of dates.

    Bags sold, kept back and left over (`left`, no place in the plan) add up to `bags`.
    """

    lot: str
    owner: str
    crop: str
    bags: int
    left: int
    stretches: tuple[Stretch, ...]

    def bags_of(self, kind: str) -> int:
        """Return the bags of one kind of stretch."""
        return sum(stretch.bags for stretch in self.stretches if stretch.kind == kind)


def season_rows(plan: SalePlan, loads: Sequence[Load]) -> tuple[SeasonRow, ...]:
    """Return the calendar of the season, one row a lot, in the order of their first sale."""
    over = dict(plan.unsold_bags)
    rows = []
    for lot in plan.case.lots:
        mine = [line for line in plan.sales if line.lot == lot.id]
        stretches = [
            Stretch(DRY, load.on, load.until, load.bags, load.space) for load in loads if load.lot == lot.label
        ]
        stretches += [stretch for line in mine for stretch in _kept_and_sold(line, plan.case)]
        ordered = tuple(sorted(_merged(stretches), key=lambda item: (item.on, item.until, item.kind)))
        rows.append(SeasonRow(lot.label, lot.owner, lot.commodity, lot.bags, over.get(lot.label, 0), ordered))
    return tuple(sorted(rows, key=lambda row: (_first_sale(row), row.lot)))


def _first_sale(row: SeasonRow) -> date:
    return min((item.on for item in row.stretches if item.kind == SELL), default=date.max)


def _kept_and_sold(line: PlannedSale, case: PlanningCase) -> list[Stretch]:
    """Return what happens to the bags of one line once they are dry."""
    if line.reserve:
        last = max((item.until_week for item in case.reserves if item.label == line.reserve), default=case.weeks)
        return [Stretch(HOME, line.ready_on, max(case.week_date(last), line.ready_on), line.bags, line.reserve)]
    sold = Stretch(SELL, line.sell_on, line.sell_on, line.bags, line.buyer)
    if not line.storage or line.sell_on <= line.ready_on:
        return [sold]
    return [Stretch(KEEP, line.ready_on, line.sell_on, line.bags, line.storage), sold]


def _merged(stretches: Sequence[Stretch]) -> list[Stretch]:
    """Return stretches with those of the same days and place added up."""
    bags: dict[tuple[str, date, date, str], int] = {}
    for item in stretches:
        key = (item.kind, item.on, item.until, item.where)
        bags[key] = bags.get(key, 0) + item.bags
    return [Stretch(kind, on, until, count, where) for (kind, on, until, where), count in bags.items()]


@dataclass(frozen=True)
class Headline:
    """The plan in numbers that add up: total = soon + later + home + left; `dried` is a part of them.

    `main_on` is the day on which most of the later bags are sold; `gain` is against selling all now, `total_value` and
    `gain` are means over the fresh seasons (money today), `chance_below` the share of them in which selling now
    brings more.
    """

    total: int
    soon: int
    later: int
    home: int
    left: int
    dried: int
    main_on: date | None
    total_value: float
    gain: float
    chance_below: float


def headline(
    plan: SalePlan, rows: Sequence[SeasonRow], today: date, plan_values: Sequence[float], now_values: Sequence[float]
) -> Headline:
    """Return the plan in numbers.

    Parameters
    ----------
    today : date
        Sales within two weeks of it count as soon.
    plan_values, now_values : sequences of float
        Worth of the plan, and of selling all now, in each fresh season.
    """
    last = today + timedelta(days=SOON_DAYS)
    later: dict[date, int] = {}
    soon = home = 0
    for row in rows:
        home += row.bags_of(HOME)
        for item in row.stretches:
            if item.kind == SELL and item.on <= last:
                soon += item.bags
            elif item.kind == SELL:
                later[item.on] = later.get(item.on, 0) + item.bags
    count = max(len(plan_values), 1)
    pairs = list(zip(plan_values, now_values, strict=True))
    return Headline(
        sum(row.bags for row in rows),
        soon,
        sum(later.values()),
        home,
        sum(row.left for row in rows),
        sum(line.bags for line in plan.sales if line.setup),
        max(later, key=lambda on: (later[on], on), default=None),
        sum(plan_values) / count,
        sum(here - now for here, now in pairs) / count,
        sum(here < now - 1e-9 for here, now in pairs) / count,
    )


@dataclass(frozen=True)
class MoneyLine:
    """Money by date: `amount` above 0 comes in, below 0 goes out; `kind` is sale, order, need, loan or repayment."""

    on: date
    kind: str
    what: Message
    amount: float


PAYS = plural("bags", "{buyer} pays for {bags} bag", "{buyer} pays for {bags} bags")


def money_lines(plan: SalePlan, buying: Sequence[Purchase], today: date) -> tuple[MoneyLine, ...]:
    """Return the plan's money by date: expected receipts, orders, cash needs."""
    receipts: dict[tuple[date, str], list[float]] = {}
    for line in plan.sales:
        if line.buyer:
            total = receipts.setdefault((line.paid_on, line.buyer), [0.0, 0.0])
            total[0] += line.kg_sold * line.price_kg
            total[1] += line.bags
    found = [
        MoneyLine(on, "sale", replace(PAYS, values={"buyer": buyer_words(buyer), "bags": int(bags)}), amount)
        for (on, buyer), (amount, bags) in receipts.items()
    ]
    found += [MoneyLine(max(item.order_by, today), "order", item.what, -item.cost) for item in buying]
    for need in plan.case.needs:
        what = message("cash needed for {what}", what=need.label or need.member or message("the group"))
        found.append(MoneyLine(plan.case.week_date(need.week), "need", what, -need.amount))
    return tuple(sorted(found, key=lambda item: (item.on, item.kind, str(item.what))))


@dataclass(frozen=True)
class OwnDay:
    """One thing to do with own bags: `kind` is dry, gather, store, sell or home; `where` as in `Stretch`."""

    on: date
    kind: str
    lot: str
    bags: int
    where: str


@dataclass(frozen=True)
class MemberPart:
    """What concerns one member: own rows of the calendar, own days, expected money, and why.

    `receipts` are expected payments by date; `worth`, `low` and `high` are the value today of the member's lots (mean,
    and 8 in 10 possible seasons lot by lot) before joint costs of trips and bags. `why` has the reasons of the
    member's parts, that of the largest part first.
    """

    name: str
    rows: tuple[SeasonRow, ...]
    days: tuple[OwnDay, ...]
    receipts: tuple[tuple[date, float], ...]
    worth: float
    low: float
    high: float
    why: tuple[Message, ...]


def own_days(rows: Sequence[SeasonRow]) -> tuple[OwnDay, ...]:
    """Return what is to be done with the bags of some rows, in the order of dates."""
    found = []
    for row in rows:
        for item in row.stretches:
            kind = "store" if item.kind == KEEP else item.kind
            found.append(OwnDay(item.on, kind, row.lot, item.bags, item.where))
            if item.kind == DRY:
                found.append(OwnDay(item.until, "gather", row.lot, item.bags, item.where))
    order = (DRY, "gather", "store", HOME, SELL)
    return tuple(sorted(found, key=lambda day: (day.on, order.index(day.kind), day.lot)))


def member_parts(plan: SalePlan, rows: Sequence[SeasonRow], reasons: Sequence[PartReason]) -> tuple[MemberPart, ...]:
    """Return each member's part of the plan, in the order of names ("" = the group's own lots)."""
    found, largest = [], sorted(reasons, key=lambda one: -one.bags)
    for name in sorted({row.owner for row in rows}):
        own = tuple(row for row in rows if row.owner == name)
        labels = {row.lot for row in own}
        lines = [line for line in plan.sales if line.label in labels]
        paid: dict[date, float] = {}
        for line in lines:
            if line.buyer:
                paid[line.paid_on] = paid.get(line.paid_on, 0.0) + line.kg_sold * line.price_kg
        said = {str(one.reason): one.reason for one in largest if one.label in labels}
        found.append(
            MemberPart(
                name,
                own,
                own_days(own),
                tuple(sorted(paid.items())),
                sum(line.value for line in lines),
                sum(line.value_low for line in lines),
                sum(line.value_high for line in lines),
                tuple(said.values()),
            )
        )
    return tuple(found)
