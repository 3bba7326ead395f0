"""The season of all pools, rebuilt from the append-only book: who has how much grain where, what was sold, who was paid.

Kinds of events in the book "pool": ``terms``, ``delivery``, ``sale``, ``buyer_payment``, ``loss``, ``payment``,
``charge``, ``cash_count``. An event that reverses another undoes it; nothing is ever deleted.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import Any

from core.accounts.splitting import as_decimal, split_exactly
from core.errors import BalanceError, InputError
from core.group.records import Event
from core.pool.deliveries import GRAM, Delivery, checked_delivery, to_gram
from core.pool.terms import Terms, checked_terms

ZERO = Decimal(0)
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


@dataclass(frozen=True)
class Season:
    """All pools as they stand; `stock` is dry kg by pool, grade-weighted lines by (member, grade)."""

    terms: Terms = field(default_factory=Terms)
    deliveries: tuple[Delivery, ...] = ()
    sales: tuple[PoolSale, ...] = ()
    losses: tuple[PoolLoss, ...] = ()
    money: tuple[MoneyEvent, ...] = ()
    stock: Mapping[str, Mapping[tuple[int, str], Decimal]] = field(default_factory=dict)

    def pool_dry_kg(self, pool: str) -> Decimal:
        """Return the dry matter now in a pool, kg."""
        return sum(self.stock.get(pool, {}).values(), ZERO)

    def pools(self) -> list[str]:
        """Return the names of all pools that ever took a delivery."""
        return sorted({delivery.pool for delivery in self.deliveries})


def live_events(events: Iterable[Event]) -> list[Event]:
    """Return the events that stand: without those reversed and without the reversals themselves."""
    events = list(events)
    undone = {event.reverses for event in events if event.reverses is not None}
    return [event for event in events if event.reverses is None and event.id not in undone]


def replay(events: Iterable[Event]) -> Season:
    """Return the season from its events, in order of day and then of writing.

    Parameters
    ----------
    events : iterable of Event
        Of the book "pool".

    Returns
    -------
    Season
        Kilograms conserved to the gram: delivered = sold + lost + in stock, for every pool.

    Raises
    ------
    InputError
        More grain sold or lost than a pool held at that day, or values that cannot be.
    BalanceError
        Kilograms that do not add up (a fault of the program).
    """
    ordered = sorted(live_events(events), key=lambda event: (event.on, event.id))
    terms = Terms()
    for event in ordered:
        if event.kind == "terms":
            terms = checked_terms(event.payload)
    deliveries: list[Delivery] = []
    sales: list[PoolSale] = []
    losses: list[PoolLoss] = []
    money: list[MoneyEvent] = []
    stock: dict[str, dict[tuple[int, str], Decimal]] = {}
    for event in ordered:
        if event.kind == "delivery":
            delivery = checked_delivery(event.payload, event.id, event.on, event.who)
            deliveries.append(delivery)
            held = stock.setdefault(delivery.pool, {})
            key = (delivery.member_id, delivery.grade)
            held[key] = held.get(key, ZERO) + delivery.dry_kg
        elif event.kind == "sale":
            sales.append(_sale(event, stock, terms))
        elif event.kind == "loss":
            losses.append(_loss(event, stock))
        elif event.kind in {"payment", "charge", "buyer_payment", "cash_count"}:
            money.append(_money(event))
    season = Season(terms, tuple(deliveries), tuple(sales), tuple(losses), tuple(money), stock)
    _check_mass(season)
    return season


def _take(stock: dict[str, dict[tuple[int, str], Decimal]], pool: str, dry: Decimal) -> dict[tuple[int, str], Decimal]:
    """Take dry kg out of a pool by share, to the gram, and return what each (member, grade) gave."""
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


def _by_member(taken: Mapping[tuple[int, str], Decimal]) -> dict[int, Decimal]:
    sums: dict[int, Decimal] = {}
    for (member, _grade), mass in taken.items():
        sums[member] = sums.get(member, ZERO) + mass
    return sums


def _sale(event: Event, stock: dict[str, dict[tuple[int, str], Decimal]], terms: Terms) -> PoolSale:
    values: dict[str, Any] = event.payload
    loaded, moisture = as_decimal(values["loaded_kg"]), as_decimal(values["loaded_moisture_pct"])
    if not 3 <= moisture <= 45:
        raise InputError("a moisture of {value} % cannot be: between 3 and 45 is possible", value=moisture)
    taken = _take(stock, str(values["pool"]), to_gram(loaded * (100 - moisture) / 100))
    weights: dict[int, Decimal] = {}
    for (member, grade), mass in taken.items():
        weights[member] = weights.get(member, ZERO) + mass * terms.factor(grade)
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
    )


def _loss(event: Event, stock: dict[str, dict[tuple[int, str], Decimal]]) -> PoolLoss:
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
    return MoneyEvent(event.id, event.on, event.kind, party, amount, str(event.payload.get("reference", "")), about)


def _check_mass(season: Season) -> None:
    for pool in season.pools():
        brought = sum((item.dry_kg for item in season.deliveries if item.pool == pool), ZERO)
        sold = sum((item.dry_kg for item in season.sales if item.pool == pool), ZERO)
        lost = sum((sum(item.dry_by_member.values(), ZERO) for item in season.losses if item.pool == pool), ZERO)
        if brought != sold + lost + season.pool_dry_kg(pool):
            raise BalanceError("the kilograms of pool '{pool}' do not add up", pool=pool)
