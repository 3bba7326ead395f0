"""What may be written in the meter's book, and what the group knows of its members and its meter after each entry.

Everything that happens is an event of the append-only book ``"meter"``; nothing here knows of debits and credits.
Money in an event is text with a decimal point, so that it stays exact.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from decimal import Decimal
from typing import Any, Protocol

from core.accounts.book import Entry
from core.accounts.splitting import as_decimal
from core.errors import DryholdError, LedgerError

BOOK = "meter"
ZERO = Decimal(0)
REVERSAL = "reversal"
LOSS_KINDS = ("loss", "theft", "breakage")
MONEY_PLACES = ("cash box", "mobile money", "bank")
LOG_KINDS = ("handover", "tests", "booking", "booking_dropped")
SPENT_ON = ("batteries", "repair", "calibration check", "carrying", "other")


class BookEvent(Entry, Protocol):
    """An entry of the meter's book: its kind is one of `KINDS`, of `LOG_KINDS`, or a reversal."""

    @property
    def recorded_at(self) -> datetime:
        """When it was written down."""


@dataclass(frozen=True)
class LossRule:
    """What was agreed beforehand: the part that the holder of the meter bears, 0-1, by what happened."""

    loss: Decimal
    theft: Decimal
    breakage: Decimal

    def part(self, what: str) -> Decimal:
        """Return the holder's part for ``loss``, ``theft`` or ``breakage``."""
        return {"loss": self.loss, "theft": self.theft, "breakage": self.breakage}[what]


@dataclass(frozen=True)
class MeterValue:
    """A meter in the books.

    Parameters
    ----------
    cost, resale, worn : Decimal
        Price paid, what it should fetch at the end, and what has been written off so far, money.
    """

    cost: Decimal
    resale: Decimal
    life_months: int
    bought_on: date
    worn: Decimal = ZERO

    @property
    def book_value(self) -> Decimal:
        """Return cost less what has been written off, money."""
        return self.cost - self.worn


@dataclass(frozen=True)
class PaymentPlan:
    """Dates and amounts agreed with a member.

    ``due`` lists (day, payment, interest in it that is booked on that day): an agreement whose interest was booked as
    a whole has 0 there.
    """

    member: str
    due: tuple[tuple[date, Decimal, Decimal], ...]


@dataclass(frozen=True)
class Facts:
    """What is known after some events, beside the money.

    Parameters
    ----------
    members : tuple of str
        Numbers of the present members, in the order of joining.
    closed_until : date or None
        Last day of the last closed season: nothing can be dated on or before it.
    grain_kg, grain_value : Decimal
        Grain taken in payment and not yet sold, kg and money.
    """

    names: Mapping[str, str] = field(default_factory=dict)
    members: tuple[str, ...] = ()
    meter: MeterValue | None = None
    rule: LossRule | None = None
    closed_until: date | None = None
    plans: tuple[PaymentPlan, ...] = ()
    grain_kg: Decimal = ZERO
    grain_value: Decimal = ZERO


def money_of(payload: Mapping[str, Any], key: str = "amount") -> Decimal:
    """Return the money at a key of an event, above 0.

    Raises
    ------
    LedgerError
        Where it is missing, not a number, or not above 0.
    """
    value = _number(payload, key)
    if value <= 0:
        raise LedgerError("{key} must be above 0, not {value}", key=key, value=value)
    return value


def not_below_zero(payload: Mapping[str, Any], key: str) -> Decimal:
    """Return the number at a key of an event, 0 or more; 0 where it is missing."""
    value = _number(payload, key) if payload.get(key) not in (None, "") else ZERO
    if value < 0:
        raise LedgerError("{key} must be 0 or more, not {value}", key=key, value=value)
    return value


def shares_of(payload: Mapping[str, Any], key: str = "shares") -> dict[str, Decimal]:
    """Return the money by member at a key of an event, those of 0 left out.

    Raises
    ------
    LedgerError
        Where a share is below 0 or not a number.
    """
    shares = payload.get(key) or {}
    return {str(member): value for member in shares if (value := not_below_zero(shares, member)) != 0}


def place_of(payload: Mapping[str, Any], key: str = "money") -> str:
    """Return where the money went or came from, one of `MONEY_PLACES`."""
    place = str(payload.get(key, "cash box"))
    if place not in MONEY_PLACES:
        raise LedgerError(
            "money is kept in the {places}, not in '{place}'", places=", ".join(MONEY_PLACES), place=place
        )
    return place


def _number(payload: Mapping[str, Any], key: str) -> Decimal:
    if isinstance(payload.get(key), float):
        raise LedgerError("{key} must be written as text to stay exact", key=key)
    try:
        return as_decimal(payload.get(key, ""), key)
    except DryholdError as error:
        raise LedgerError("{key} is missing or not a number", key=key) from error


def member_of(facts: Facts, payload: Mapping[str, Any]) -> str:
    """Return the member of an event, who must be or have been one."""
    member = str(payload.get("member", ""))
    if member not in facts.names:
        raise LedgerError(
            "'{member}' is not in the meter's book yet: record that the member joins", member=member or "–"
        )
    return member


def _all_known(facts: Facts, members: Iterable[str]) -> None:
    for member in members:
        member_of(facts, {"member": member})


# What each kind of event changes in the facts


def _added(facts: Facts, event: BookEvent) -> Facts:
    member = str(event.payload.get("member", ""))
    if not member or member in facts.members:
        raise LedgerError("'{member}' is in the group already", member=member or "–")
    name = str(event.payload.get("name") or member)
    return replace(facts, names={**facts.names, member: name}, members=(*facts.members, member))


def _joined(facts: Facts, event: BookEvent) -> Facts:
    to = shares_of(event.payload, "to")
    if sum(to.values(), ZERO) != not_below_zero(event.payload, "buy_in"):
        raise LedgerError("what the present members get differs from what the new one pays")
    _all_known(facts, to)
    return _added(facts, event)


def _left(facts: Facts, event: BookEvent) -> Facts:
    member = member_of(facts, event.payload)
    if member not in facts.members:
        raise LedgerError("'{member}' has left already", member=facts.names[member])
    not_below_zero(event.payload, "pay_out")
    return replace(facts, members=tuple(other for other in facts.members if other != member))


def _bought(facts: Facts, event: BookEvent) -> Facts:
    if facts.meter is not None:
        raise LedgerError("the group has a meter already; write off the old one first")
    cost, resale = money_of(event.payload), not_below_zero(event.payload, "resale")
    months = int(event.payload.get("life_months", 0))
    if months < 1 or resale > cost:
        raise LedgerError("a meter needs a life of at least one month and a resale value below its price")
    if event.payload.get("paid_from") not in {"money", "seller", "loan"}:
        raise LedgerError(
            "say whether the meter was paid from money in hand, is owed to the seller, or was bought on a loan"
        )
    return replace(facts, meter=MeterValue(cost, resale, months, event.on))


def _worn(facts: Facts, event: BookEvent) -> Facts:
    meter = _meter(facts)
    worn = meter.worn + money_of(event.payload)
    if worn > meter.cost - meter.resale:
        raise LedgerError("the meter cannot be written off below its resale value of {resale}", resale=meter.resale)
    return replace(facts, meter=replace(meter, worn=worn))


def _meter(facts: Facts) -> MeterValue:
    if facts.meter is None:
        raise LedgerError("there is no meter in the books")
    return facts.meter


def _rule_agreed(facts: Facts, event: BookEvent) -> Facts:
    parts = {what: not_below_zero(event.payload, what) for what in LOSS_KINDS}
    if any(part > 1 for part in parts.values()):
        raise LedgerError("the holder's part of a loss must be between 0 and 1")
    return replace(facts, rule=LossRule(**parts))


def _gone(facts: Facts, event: BookEvent) -> Facts:
    _meter(facts)
    agreed_part(facts, event.payload)
    return replace(facts, meter=None)


def agreed_part(facts: Facts, payload: Mapping[str, Any]) -> Decimal:
    """Return the part that the holder bears by the rule agreed beforehand, 0-1.

    Raises
    ------
    LedgerError
        Where no rule was agreed, what happened is unknown, or nobody held the meter but the rule asks something of him.
    """
    what = str(payload.get("what", ""))
    if what not in LOSS_KINDS:
        raise LedgerError("what happened to the meter is one of {kinds}", kinds=", ".join(LOSS_KINDS))
    if facts.rule is None:
        raise LedgerError("no rule for loss, theft and breakage was agreed beforehand: agree on one first")
    part = facts.rule.part(what)
    if part:
        member_of(facts, {"member": payload.get("holder", "")})
    return part


def _spent(facts: Facts, event: BookEvent) -> Facts:
    money_of(event.payload)
    place_of(event.payload)
    if event.payload.get("on_what") not in SPENT_ON:
        raise LedgerError("money is spent on one of: {kinds}", kinds=", ".join(SPENT_ON))
    if event.payload.get("holder"):
        agreed_part(facts, {"what": "breakage", "holder": event.payload["holder"]})
    return facts


def _grain_in(facts: Facts, event: BookEvent) -> Facts:
    member_of(facts, event.payload)
    return replace(
        facts,
        grain_kg=facts.grain_kg + money_of(event.payload, "agreed_kg"),
        grain_value=facts.grain_value + money_of(event.payload),
    )


def _grain_out(facts: Facts, event: BookEvent) -> Facts:
    kg, value = money_of(event.payload, "kg"), money_of(event.payload, "book")
    money_of(event.payload)
    place_of(event.payload)
    if kg > facts.grain_kg or value > facts.grain_value:
        raise LedgerError("only {kg} kg of the grain paid to the group is left", kg=facts.grain_kg)
    return replace(facts, grain_kg=facts.grain_kg - kg, grain_value=facts.grain_value - value)


def _plan_made(facts: Facts, event: BookEvent) -> Facts:
    member = member_of(facts, event.payload)
    not_below_zero(event.payload, "interest")
    return replace(facts, plans=(*facts.plans, PaymentPlan(member, plan_rows(event.payload))))


def plan_rows(payload: Mapping[str, Any]) -> tuple[tuple[date, Decimal, Decimal], ...]:
    """Return the rows of a payment plan: (day, payment, interest that is booked on that day).

    Raises
    ------
    LedgerError
        Where a row has no day or amount, nothing is listed, or a row's interest is more than its payment.
    """
    try:
        due = tuple(
            (date.fromisoformat(row[0]), as_decimal(row[1]), as_decimal(row[2]) if len(row) > 2 else ZERO)
            for row in payload["due"]
        )
    except (DryholdError, KeyError, IndexError, TypeError, ValueError) as error:
        raise LedgerError("a payment plan lists days and amounts") from error
    if not due or any(not 0 <= interest <= amount for _day, amount, interest in due):
        raise LedgerError("a payment plan lists at least one amount, none below 0 or below its own interest")
    return due


def _closed(facts: Facts, event: BookEvent) -> Facts:
    not_below_zero(event.payload, "reserve")
    for key in ("to_capital", "to_pay"):
        _all_known(facts, shares_of(event.payload, key))
    return replace(facts, closed_until=event.on)


def _for_member(facts: Facts, event: BookEvent) -> Facts:
    member_of(facts, event.payload)
    money_of(event.payload)
    place_of(event.payload)
    return facts


def _shared(facts: Facts, event: BookEvent) -> Facts:
    shares = shares_of(event.payload)
    if not shares:
        raise LedgerError("nothing is shared")
    _all_known(facts, shares)
    return facts


def _only_money(facts: Facts, event: BookEvent) -> Facts:
    money_of(event.payload)
    place_of(event.payload)
    return facts


def _moved(facts: Facts, event: BookEvent) -> Facts:
    money_of(event.payload)
    if place_of(event.payload) == place_of(event.payload, "to"):
        raise LedgerError("money is moved from one place to another")
    return facts


def _loan_paid(facts: Facts, event: BookEvent) -> Facts:
    if not_below_zero(event.payload, "principal") + not_below_zero(event.payload, "interest") == 0:
        raise LedgerError("a loan payment needs a principal or an interest")
    place_of(event.payload)
    return facts


def _counted(facts: Facts, event: BookEvent) -> Facts:
    not_below_zero(event.payload, "counted")
    place_of(event.payload)
    return facts


KINDS: dict[str, Callable[[Facts, BookEvent], Facts]] = {
    "member_added": _added,
    "joins": _joined,
    "leaves": _left,
    "capital_due": _shared,
    "charge": _shared,
    "payment": _for_member,
    "grain_payment": _grain_in,
    "grain_sold": _grain_out,
    "labour": _for_member,
    "outside_tests": _only_money,
    "meter_bought": _bought,
    "spent": _spent,
    "loan_taken": _only_money,
    "loan_paid": _loan_paid,
    "seller_paid": _only_money,
    "depreciation": _worn,
    "loss_rule": _rule_agreed,
    "meter_gone": _gone,
    "money_moved": _moved,
    "cash_counted": _counted,
    "plan": _plan_made,
    "paid_out": _for_member,
    "season_closed": _closed,
}


def next_facts(facts: Facts, event: BookEvent) -> Facts:
    """Return what is known after one more event that is no reversal."""
    if event.kind in LOG_KINDS:
        return facts
    if event.kind not in KINDS:
        raise LedgerError("the meter's book knows no entry '{kind}'", kind=event.kind)
    check_day(facts, event.on)
    return KINDS[event.kind](facts, event)


def check_day(facts: Facts, day: date) -> None:
    """Refuse a day in a closed season."""
    if facts.closed_until is not None and day <= facts.closed_until:
        raise LedgerError("the season up to {day} is closed; give a later day", day=facts.closed_until)
