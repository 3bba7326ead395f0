"""The season of all pools, rebuilt from its book: who has how much grain where, what was sold, who was paid.

Kinds of events in the book "pool": ``terms``, ``store`` (where a pool lies), ``delivery``, ``sale``, ``buyer_payment``,
``written_off`` (what a buyer never pays), ``loss``, ``payment``, ``charge``, ``money_in`` and ``money_out`` (between
the pools' cash and the group's other money), ``loan``, ``loan_repaid``, ``dues`` (asked for the meter), ``passed_on``
(given
to the meter's account), ``import``, ``close``. An event that reverses another undoes it; nothing is ever deleted.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import Decimal
from functools import partial
from typing import Any

from core.accounts.book import Book
from core.accounts.splitting import as_decimal, split_exactly
from core.errors import BalanceError, DryholdError, InputError
from core.group.records import Event
from core.messages import Message, message
from core.pool.deliveries import GRAM, Delivery, checked_delivery, to_gram
from core.pool.loans import Loan, checked_loan
from core.pool.terms import Terms, checked_terms, week_of

ZERO = Decimal(0)
Line = tuple[int, str, str]
"""A line of a pool: member, grade, ISO week of delivery."""
MONEY_KINDS = ("payment", "charge", "buyer_payment", "written_off", "money_in", "money_out", "cash_count")
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
    """Money of one of `MONEY_KINDS`; `party` is the member's number, the buyer, or where money comes from or goes."""

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
    `stores` tells by pool how it is stored; `refused` are entries of the book that cannot count, with the reason.
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
    refused: tuple[tuple[Event, Message], ...] = ()

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


@dataclass
class _Pools:
    """A season while it is replayed: what the entries so far have built."""

    spans: tuple[tuple[date, Terms], ...]
    receipts: Mapping[int, int]
    deliveries: list[Delivery] = field(default_factory=list)
    sales: list[PoolSale] = field(default_factory=list)
    losses: list[PoolLoss] = field(default_factory=list)
    money: list[MoneyEvent] = field(default_factory=list)
    stock: dict[str, dict[Line, Decimal]] = field(default_factory=dict)
    loans: dict[int, Loan] = field(default_factory=dict)
    dues: list[tuple[date, int, Mapping[int, Decimal]]] = field(default_factory=list)
    passed_on: list[tuple[date, int, Mapping[int, Decimal]]] = field(default_factory=list)
    closes: list[Close] = field(default_factory=list)
    stores: dict[str, str] = field(default_factory=dict)


def replay(events: Iterable[Event], agreed: Terms | None = None, assumed: Terms | None = None) -> Season:
    """Return the season from its events, in order of day and then of writing.

    Parameters
    ----------
    agreed : Terms, optional
        Reckon with these instead of what the book says: to show what a rule does.

    Returns
    -------
    Season
        Kilograms conserved to the gram: delivered = sold + lost + in stock, for every pool. An entry that cannot be
        (more grain sold than a pool held that day, one in a closed season, values that are missing) does not count: it
        is named in `refused`, and the others go on.

    Raises
    ------
    BalanceError
        Kilograms that do not add up (a fault of the program).
    """
    events = list(events)
    refused: list[tuple[Event, Message]] = []
    for event in Book(events).standing("close"):
        _refuse_broken(refused, event, _close_of)
    refused += _after_close([event for event in events if event not in [one for one, _reason in refused]])
    out = {event.id for event, _reason in refused}
    ordered = sorted(
        Book(event for event in events if event.id not in out).standing(), key=lambda event: (event.on, event.id)
    )
    pools = _Pools(_spans(ordered, agreed, assumed or Terms(), refused), receipt_numbers(events))
    for event in ordered:
        if event.kind in ENTRIES:
            _refuse_broken(refused, event, partial(ENTRIES[event.kind], pools))
    season = Season(
        pools.spans[-1][1],
        tuple(pools.deliveries),
        tuple(pools.sales),
        tuple(pools.losses),
        tuple(pools.money),
        pools.stock,
        tuple(pools.loans.values()),
        tuple(pools.dues),
        tuple(pools.passed_on),
        tuple(pools.closes),
        pools.stores,
        pools.spans,
        tuple(refused),
    )
    _check_mass(season)
    return season


def _refuse_broken(refused: list[tuple[Event, Message]], event: Event, count: Callable[[Event], object]) -> None:
    """Let an entry count, or note why it cannot; what a damaged file or another program wrote is no fault of ours."""
    try:
        count(event)
    except DryholdError as error:
        refused.append((event, error.message))
    except (KeyError, TypeError, ValueError, ArithmeticError, AttributeError):
        refused.append((event, message("something in the entry is missing or is not what it should be")))


def receipt_numbers(events: Iterable[Event]) -> dict[int, int]:
    """Return each delivery's receipt number by its event's: counted from 1 as written, those taken back included."""
    written = sorted(event.id for event in events if event.kind == "delivery" and event.reverses is None)
    return {number: place for place, number in enumerate(written, start=1)}


def _spans(
    ordered: list[Event], agreed: Terms | None, assumed: Terms, refused: list[tuple[Event, Message]]
) -> tuple[tuple[date, Terms], ...]:
    """Return the terms by season: last day and what was agreed; terms made after a close leave what is closed alone."""
    ends = [event.on for event in ordered if event.kind == "close"]
    closes = {event.on: event.id for event in ordered if event.kind == "close"}
    made: list[tuple[Event, Terms]] = []
    for event in ordered:
        if event.kind == "terms":
            _refuse_broken(refused, event, lambda event: made.append((event, checked_terms(event.payload))))
    spans = []
    for end in [*sorted(ends), date.max]:
        number = closes.get(end)
        before = [terms for event, terms in made if event.on <= end and (number is None or event.id < number)]
        spans.append((end, agreed or (before[-1] if before else assumed)))
    return tuple(spans)


def terms_on(spans: tuple[tuple[date, Terms], ...], day: date) -> Terms:
    """Return the terms of the season in which a day lies, from `Season.spans`."""
    return next(terms for end, terms in spans if day <= end)


def _after_close(events: list[Event]) -> Iterable[tuple[Event, Message]]:
    """Give what was written after a close and touches its days, with the reason why it does not count."""
    by_number = {event.id: event for event in events}
    closes = Book(events).standing("close")
    for event in events:
        target = event if event.reverses is None else by_number.get(event.reverses, event)
        for close in closes:
            if event.id > close.id and target.on <= close.on and target.kind != "close":
                yield (
                    event,
                    message(
                        "the season is closed until {day}: cancel the close before writing in those days", day=close.on
                    ),
                )
                break


# One function for each kind of entry


def _delivered(pools: _Pools, event: Event) -> None:
    delivery = checked_delivery(event.payload, event.id, event.on, event.who)
    delivery = replace(delivery, receipt=pools.receipts[event.id])
    held = pools.stock.setdefault(delivery.pool, {})
    key = (delivery.member_id, delivery.grade, week_of(delivery.on))
    held[key] = held.get(key, ZERO) + delivery.dry_kg
    pools.deliveries.append(delivery)


def _sold(pools: _Pools, event: Event) -> None:
    pools.sales.append(_sale(event, pools.stock, terms_on(pools.spans, event.on)))


def _lost(pools: _Pools, event: Event) -> None:
    pools.losses.append(_loss(event, pools.stock))


def _moved(pools: _Pools, event: Event) -> None:
    pools.money.append(_money(event))


def _never_paid(pools: _Pools, event: Event) -> None:
    """Write off no more than a buyer owes on that day."""
    item = _money(event)
    owed = sum((sale.gross - sale.buyer_deductions for sale in pools.sales if sale.buyer == item.party), ZERO)
    kinds = {"buyer_payment", "written_off"}
    owed -= sum((other.amount for other in pools.money if other.kind in kinds and other.party == item.party), ZERO)
    if item.amount > owed + terms_on(pools.spans, event.on).step:
        raise InputError("{buyer} owes only {owed} on that day", buyer=item.party, owed=max(owed, ZERO))
    pools.money.append(item)


def _lent(pools: _Pools, event: Event) -> None:
    pools.loans[event.id] = checked_loan(event.payload, event.id, event.on, event.who)


def _repaid(pools: _Pools, event: Event) -> None:
    number, amount = int(event.payload["loan"]), as_decimal(event.payload["amount"])
    if number not in pools.loans:
        raise InputError("there is no loan number {number} on that day", number=number)
    if amount <= 0:
        raise InputError("an amount of {amount} cannot be paid or charged", amount=amount)
    loan = pools.loans[number]
    pools.loans[number] = replace(loan, repaid=(*loan.repaid, (event.on, event.id, amount)))


def _amounts(event: Event) -> tuple[date, int, Mapping[int, Decimal]]:
    amounts = {int(member): as_decimal(value) for member, value in event.payload["amounts"].items()}
    if not amounts or min(amounts.values()) <= 0:
        raise InputError("an amount asked for the meter must be above 0")
    return event.on, event.id, amounts


def _asked(pools: _Pools, event: Event) -> None:
    pools.dues.append(_amounts(event))


def _passed_on(pools: _Pools, event: Event) -> None:
    pools.passed_on.append(_amounts(event))


def _close_of(event: Event) -> Close:
    counted = as_decimal(event.payload["counted"], "cash counted")
    if counted < 0:
        raise InputError("counted cash of {amount} is not possible", amount=counted)
    return Close(event.id, event.on, counted, str(event.payload.get("explanation", "")), event.who)


def _closed(pools: _Pools, event: Event) -> None:
    pools.closes.append(_close_of(event))


def _placed(pools: _Pools, event: Event) -> None:
    pools.stores[str(event.payload["pool"])] = str(event.payload["method"])


ENTRIES: Mapping[str, Callable[[_Pools, Event], None]] = {
    "delivery": _delivered,
    "sale": _sold,
    "loss": _lost,
    **dict.fromkeys(MONEY_KINDS, _moved),
    "written_off": _never_paid,
    "loan": _lent,
    "loan_repaid": _repaid,
    "dues": _asked,
    "passed_on": _passed_on,
    "close": _closed,
    "store": _placed,
}
"""What each kind of entry does to the pools; `terms` are read before all others, `import` and reversals do nothing."""


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
        raise InputError("a moisture of {value} % is not possible: give 3 to 45", value=moisture)
    price, deductions = as_decimal(values["price_per_kg"]), as_decimal(values.get("buyer_deductions", 0))
    costs, buyer_kg = as_decimal(values.get("costs", 0)), to_gram(as_decimal(values.get("buyer_kg", loaded)))
    if price < 0 or deductions < 0 or costs < 0 or buyer_kg < 0:
        raise InputError("mass, price, deductions and costs cannot be below 0")
    if deductions > buyer_kg * price:
        raise InputError(
            "deductions of {deductions} are more than the load is worth ({worth})",
            deductions=deductions,
            worth=to_gram(buyer_kg * price),
        )
    due = date.fromisoformat(values["due_on"]) if values.get("due_on") else event.on
    theirs = as_decimal(values.get("buyer_moisture_pct", moisture))
    dry, pool = to_gram(loaded * (100 - moisture) / 100), str(values["pool"])
    if values.get("whole_pool"):  # somebody confirmed that the load was heavier than the book's pool: all of it is gone
        dry = min(dry, sum(stock.get(pool, {}).values(), ZERO))
    taken = _take(stock, pool, dry, terms.price_rule == "by_week")
    weights: dict[int, Decimal] = {}
    for (member, grade, week), mass in taken.items():
        weights[member] = weights.get(member, ZERO) + mass * terms.factor(grade, week)
    return PoolSale(
        number=event.id,
        on=event.on,
        pool=pool,
        buyer=str(values.get("buyer", "")),
        loaded_kg=to_gram(loaded),
        loaded_moisture_pct=moisture,
        buyer_kg=buyer_kg,
        buyer_moisture_pct=theirs,
        price_per_kg=price,
        buyer_deductions=deductions,
        costs=costs,
        due_on=due,
        dry_by_member=_by_member(taken),
        weight_by_member=weights,
        terms=terms,
    )


def _loss(event: Event, stock: dict[str, dict[Line, Decimal]]) -> PoolLoss:
    kind = str(event.payload.get("kind", "count"))
    if kind not in LOSS_KINDS:
        raise InputError("'{kind}' is not a kind of loss: {kinds}", kind=kind, kinds=", ".join(LOSS_KINDS))
    pool = str(event.payload["pool"])
    taken = _take(stock, pool, to_gram(as_decimal(event.payload["dry_kg"])))
    return PoolLoss(event.id, event.on, pool, kind, _by_member(taken))


def _money(event: Event) -> MoneyEvent:
    amount = as_decimal(event.payload["amount"])
    if amount < 0 or (amount == 0 and event.kind != "cash_count"):
        raise InputError("an amount of {amount} cannot be paid or charged", amount=amount)
    party = str(event.payload.get("member_id", event.payload.get("buyer", event.payload.get("place", ""))))
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
