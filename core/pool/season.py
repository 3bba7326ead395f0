"""The season of all pools, rebuilt from the append-only book: who has how much grain where, what was sold, who was paid.

Kinds of events in the book "pool": ``terms``, ``store`` (where a pool lies), ``delivery``, ``sale``, ``buyer_payment``,
``loss``, ``payment``, ``charge``, ``loan``, ``loan_repaid``, ``dues`` (asked for the meter), ``passed_on`` (given to
the
meter's account), ``import``, ``close``. An event that reverses another undoes it; nothing is ever deleted.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import Decimal
from typing import Any

from core.accounts.book import Book
from core.accounts.splitting import as_decimal, split_exactly
from core.errors import BalanceError, InputError
from core.group.records import Event
from core.pool.deliveries import GRAM, Delivery, checked_delivery, to_gram
from core.pool.loans import Loan, checked_loan
from core.pool.terms import Terms, checked_terms, week_of

ZERO = Decimal(0)
Line = tuple[int, str, str]
"""A line of a pool: member, grade, ISO week of delivery."""
LOSS_KINDS = ("insects and mould", "shrink of dry matter", "spillage", "theft", "home use", "count")


@dataclass(frozen=True)
class PoolSale:
    """A load sold from a pool: dry kg by member, money by member, what was taken off before sharing.

    `price_per_kg` is per kg as the buyer weighed it, after his own deductions; `due_on` is the day he pays.
    """

    number: int
    on: date
    pool: str
    buyer: str
    loaded_kg: Decimal
    loaded_moisture_pct: Decimal
    buyer_kg: Decimal
    buyer_moisture_pct: Decimal
    price_per_kg: Decimal
    buyer_deductions: Decimal
    costs: Decimal
    due_on: date
    dry_by_member: Mapping[int, Decimal]
    weight_by_member: Mapping[int, Decimal]
    terms: Terms = field(default_factory=Terms)

    @property
    def gross(self) -> Decimal:
        """Return what the buyer owes before his deductions, money."""
        return self.buyer_kg * self.price_per_kg

    @property
    def dry_kg(self) -> Decimal:
        """Return the dry matter loaded, kg."""
        return sum(self.dry_by_member.values(), ZERO)


@dataclass(frozen=True)
class PoolLoss:
    """Grain that left a pool unsold, borne by share."""

    number: int
    on: date
    pool: str
    kind: str
    dry_by_member: Mapping[int, Decimal]


@dataclass(frozen=True)
class MoneyEvent:
    """A payment to a member, a charge on him, or a buyer's payment."""

    number: int
    on: date
    kind: str
    party: str
    amount: Decimal
    reference: str
    about: str = ""
    who: str = ""


@dataclass(frozen=True)
class Close:
    """A season's close: the cash counted that day, and how what differs from the books was explained."""

    number: int
    on: date
    counted: Decimal
    explanation: str
    who: str


@dataclass(frozen=True)
class Season:
    """All pools as they stand; `stock` is dry kg by pool and line (member, grade, week of delivery).

    `dues` and `passed_on` are what was asked for the meter and given to its account: (day, number, member to money).
    `stores` tells by pool how it is stored.
    """

    terms: Terms = field(default_factory=Terms)
    deliveries: tuple[Delivery, ...] = ()
    sales: tuple[PoolSale, ...] = ()
    losses: tuple[PoolLoss, ...] = ()
    money: tuple[MoneyEvent, ...] = ()
    stock: Mapping[str, Mapping[Line, Decimal]] = field(default_factory=dict)
    loans: tuple[Loan, ...] = ()
    dues: tuple[tuple[date, int, Mapping[int, Decimal]], ...] = ()
    passed_on: tuple[tuple[date, int, Mapping[int, Decimal]], ...] = ()
    closes: tuple[Close, ...] = ()
    stores: Mapping[str, str] = field(default_factory=dict)
    spans: tuple[tuple[date, Terms], ...] = ()

    def terms_on(self, day: date) -> Terms:
        """Return what was agreed for the season in which a day lies."""
        return terms_on(self.spans, day) if self.spans else self.terms

    def place_of(self, day: date) -> int:
        """Return which season a day lies in, counted from 0."""
        return next((place for place, (end, _terms) in enumerate(self.spans) if day <= end), 0)

    def member_ids(self) -> list[int]:
        """Return everybody who delivered, was paid, charged or lent to."""
        people = {delivery.member_id for delivery in self.deliveries} | {loan.member_id for loan in self.loans}
        people |= {int(x.party) for x in self.money if x.kind in {"payment", "charge"} and x.party.isdigit()}
        return sorted(people | {member for _on, _number, amounts in self.dues for member in amounts})

    def pool_dry_kg(self, pool: str) -> Decimal:
        """Return the dry matter now in a pool, kg."""
        return sum(self.stock.get(pool, {}).values(), ZERO)

    def pools(self) -> list[str]:
        """Return the names of all pools that ever took a delivery."""
        return sorted({delivery.pool for delivery in self.deliveries})


def replay(events: Iterable[Event], agreed: Terms | None = None) -> Season:
    """Return the season from its events, in order of day and then of writing.

    Parameters
    ----------
    events : iterable of Event
        Of the book "pool".
    agreed : Terms, optional
        Reckon with these instead of what the book says: to show what a rule does.

    Returns
    -------
    Season
        Kilograms conserved to the gram: delivered = sold + lost + in stock, for every pool.

    Raises
    ------
    InputError
        More grain sold or lost than a pool held at that day, an entry in a closed season, or values that cannot be.
    BalanceError
        Kilograms that do not add up (a fault of the program).
    """
    events = list(events)
    _check_closed(events)
    ordered = sorted(Book(events).standing(), key=lambda event: (event.on, event.id))
    spans = _spans(ordered, agreed)
    receipts = receipt_numbers(events)
    deliveries: list[Delivery] = []
    sales: list[PoolSale] = []
    losses: list[PoolLoss] = []
    money: list[MoneyEvent] = []
    stock: dict[str, dict[Line, Decimal]] = {}
    loans: dict[int, Loan] = {}
    asked: list[tuple[date, int, Mapping[int, Decimal]]] = []
    passed: list[tuple[date, int, Mapping[int, Decimal]]] = []
    closes: list[Close] = []
    stores: dict[str, str] = {}
    for event in ordered:
        if event.kind == "delivery":
            delivery = checked_delivery(event.payload, event.id, event.on, event.who)
            delivery = replace(delivery, receipt=receipts[event.id])
            deliveries.append(delivery)
            held = stock.setdefault(delivery.pool, {})
            key = (delivery.member_id, delivery.grade, week_of(delivery.on))
            held[key] = held.get(key, ZERO) + delivery.dry_kg
        elif event.kind == "sale":
            sales.append(_sale(event, stock, terms_on(spans, event.on)))
        elif event.kind == "loss":
            losses.append(_loss(event, stock))
        elif event.kind in {"payment", "charge", "buyer_payment", "cash_count"}:
            money.append(_money(event))
        elif event.kind == "loan":
            loans[event.id] = checked_loan(event.payload, event.id, event.on, event.who)
        elif event.kind == "loan_repaid":
            _repay(loans, event)
        elif event.kind in {"dues", "passed_on"}:
            amounts = {int(member): as_decimal(value) for member, value in event.payload["amounts"].items()}
            if not amounts or min(amounts.values()) <= 0:
                raise InputError("an amount asked for the meter must be above 0")
            (asked if event.kind == "dues" else passed).append((event.on, event.id, amounts))
        elif event.kind == "close":
            counted = as_decimal(event.payload["counted"], "cash counted")
            if counted < 0:
                raise InputError("counted cash of {amount} cannot be", amount=counted)
            words = str(event.payload.get("explanation", ""))
            closes.append(Close(event.id, event.on, counted, words, event.who))
        elif event.kind == "store":
            stores[str(event.payload["pool"])] = str(event.payload["method"])
    season = Season(
        spans[-1][1],
        tuple(deliveries),
        tuple(sales),
        tuple(losses),
        tuple(money),
        stock,
        tuple(loans.values()),
        tuple(asked),
        tuple(passed),
        tuple(closes),
        stores,
        spans,
    )
    _check_mass(season)
    return season


def receipt_numbers(events: Iterable[Event]) -> dict[int, int]:
    """Return each delivery's receipt number by its event's: counted from 1 as written, those taken back included."""
    written = sorted(event.id for event in events if event.kind == "delivery" and event.reverses is None)
    return {number: place for place, number in enumerate(written, start=1)}


def _spans(ordered: list[Event], agreed: Terms | None) -> tuple[tuple[date, Terms], ...]:
    """Return the terms by season: last day and what was agreed; terms made after a close leave what is closed alone."""
    ends = [event.on for event in ordered if event.kind == "close"]
    made = [event for event in ordered if event.kind == "terms"]
    closes = {event.on: event.id for event in ordered if event.kind == "close"}
    spans = []
    for end in [*sorted(ends), date.max]:
        number = closes.get(end)
        before = [event for event in made if event.on <= end and (number is None or event.id < number)]
        spans.append((end, agreed or (checked_terms(before[-1].payload) if before else Terms())))
    return tuple(spans)


def terms_on(spans: tuple[tuple[date, Terms], ...], day: date) -> Terms:
    """Return the terms of the season in which a day lies, from `Season.spans`."""
    return next(terms for end, terms in spans if day <= end)


def _check_closed(events: list[Event]) -> None:
    """Refuse what was written after a close and touches its days."""
    by_number = {event.id: event for event in events}
    for close in Book(events).standing("close"):
        for event in events:
            if event.id <= close.id:
                continue
            target = event if event.reverses is None else by_number.get(event.reverses, event)
            if target.on <= close.on and target.kind != "close":
                raise InputError(
                    "the season is closed until {day}: take the close back before writing in those days", day=close.on
                )


def _repay(loans: dict[int, Loan], event: Event) -> None:
    number, amount = int(event.payload["loan"]), as_decimal(event.payload["amount"])
    if number not in loans:
        raise InputError("there is no loan number {number} on that day", number=number)
    if amount <= 0:
        raise InputError("an amount of {amount} cannot be paid or charged", amount=amount)
    loan = loans[number]
    loans[number] = replace(loan, repaid=(*loan.repaid, (event.on, event.id, amount)))


def _take(
    stock: dict[str, dict[Line, Decimal]], pool: str, dry: Decimal, oldest_first: bool = False
) -> dict[Line, Decimal]:
    """Take dry kg out of a pool by share, or week by week by share, to the gram; return what each line gave."""
    held = stock.get(pool, {})
    there = sum(held.values(), ZERO)
    if dry <= 0:
        raise InputError("a mass of {mass} kg cannot leave a pool", mass=dry)
    if dry > there:
        raise InputError(
            "{dry} kg of dry matter cannot leave the pool '{pool}': it held {there} kg that day",
            dry=dry,
            pool=pool,
            there=there,
        )
    if oldest_first:
        return _take_by_week(held, dry)
    return _take_by_share(held, dry)


def _take_by_week(held: dict[Line, Decimal], dry: Decimal) -> dict[Line, Decimal]:
    taken: dict[Line, Decimal] = {}
    for week in sorted({line[2] for line, mass in held.items() if mass > 0}):
        own = {line: mass for line, mass in held.items() if line[2] == week and mass > 0}
        part = min(dry, sum(own.values(), ZERO))
        if part <= 0:
            break
        gone = _take_by_share(own, part)
        for line, mass in gone.items():
            held[line] -= mass
        taken |= gone
        dry -= part
    return taken


def _take_by_share(held: dict[Line, Decimal], dry: Decimal) -> dict[Line, Decimal]:
    # rounding may ask a nearly empty line for a gram more than it holds: whole shares, then the grams left over
    lines = {key: mass for key, mass in held.items() if mass > 0}
    taken = split_exactly(dry, lines, GRAM)
    short = sum((max(ZERO, taken[key] - held[key]) for key in lines), ZERO)
    for key in lines:
        taken[key] = min(taken[key], held[key])
    for key in lines:
        more = min(short, held[key] - taken[key])
        taken[key] += more
        short -= more
    for key, mass in taken.items():
        held[key] -= mass
    return taken


def _by_member(taken: Mapping[Line, Decimal]) -> dict[int, Decimal]:
    sums: dict[int, Decimal] = {}
    for (member, _grade, _week), mass in taken.items():
        sums[member] = sums.get(member, ZERO) + mass
    return sums


def _sale(event: Event, stock: dict[str, dict[Line, Decimal]], terms: Terms) -> PoolSale:
    values: dict[str, Any] = event.payload
    loaded, moisture = as_decimal(values["loaded_kg"]), as_decimal(values["loaded_moisture_pct"])
    if not 3 <= moisture <= 45:
        raise InputError("a moisture of {value} % cannot be: between 3 and 45 is possible", value=moisture)
    taken = _take(stock, str(values["pool"]), to_gram(loaded * (100 - moisture) / 100), terms.price_rule == "by_week")
    weights: dict[int, Decimal] = {}
    for (member, grade, week), mass in taken.items():
        weights[member] = weights.get(member, ZERO) + mass * terms.factor(grade, week)
    price, deductions = as_decimal(values["price_per_kg"]), as_decimal(values.get("buyer_deductions", 0))
    costs = as_decimal(values.get("costs", 0))
    if price < 0 or deductions < 0 or costs < 0:
        raise InputError("price, deductions and costs cannot be below 0")
    return PoolSale(
        number=event.id,
        on=event.on,
        pool=str(values["pool"]),
        buyer=str(values.get("buyer", "")),
        loaded_kg=to_gram(loaded),
        loaded_moisture_pct=moisture,
        buyer_kg=to_gram(as_decimal(values.get("buyer_kg", loaded))),
        buyer_moisture_pct=as_decimal(values.get("buyer_moisture_pct", moisture)),
        price_per_kg=price,
        buyer_deductions=deductions,
        costs=costs,
        due_on=date.fromisoformat(values["due_on"]) if values.get("due_on") else event.on,
        dry_by_member=_by_member(taken),
        weight_by_member=weights,
        terms=terms,
    )


def _loss(event: Event, stock: dict[str, dict[Line, Decimal]]) -> PoolLoss:
    kind = str(event.payload.get("kind", "count"))
    if kind not in LOSS_KINDS:
        raise InputError("'{kind}' is no kind of loss: {kinds}", kind=kind, kinds=", ".join(LOSS_KINDS))
    pool = str(event.payload["pool"])
    taken = _take(stock, pool, to_gram(as_decimal(event.payload["dry_kg"])))
    return PoolLoss(event.id, event.on, pool, kind, _by_member(taken))


def _money(event: Event) -> MoneyEvent:
    amount = as_decimal(event.payload["amount"])
    if amount < 0 or (amount == 0 and event.kind != "cash_count"):
        raise InputError("an amount of {amount} cannot be paid or charged", amount=amount)
    party = str(event.payload.get("member_id", event.payload.get("buyer", "")))
    about = str(event.payload.get("about", event.payload.get("sale", "")))
    return MoneyEvent(
        event.id, event.on, event.kind, party, amount, str(event.payload.get("reference", "")), about, event.who
    )


def _check_mass(season: Season) -> None:
    for pool in season.pools():
        brought = sum((item.dry_kg for item in season.deliveries if item.pool == pool), ZERO)
        sold = sum((item.dry_kg for item in season.sales if item.pool == pool), ZERO)
        lost = sum((sum(item.dry_by_member.values(), ZERO) for item in season.losses if item.pool == pool), ZERO)
        if brought != sold + lost + season.pool_dry_kg(pool):
            raise BalanceError("the kilograms of pool '{pool}' do not add up", pool=pool)
