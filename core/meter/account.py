"""The meter's account: the book's events turned into a double-entry journal, and what a treasurer asks of it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from core.accounts.book import plain_payload
from core.accounts.finance import round_down, round_to_step, whole_months
from core.accounts.journal import Journal, Line, Statement, credit, debit, signed
from core.accounts.splitting import split_exactly
from core.errors import LedgerError
from core.group.records import NewEntry
from core.messages import Message, message
from core.meter.book import (
    BOOK,
    LOG_KINDS,
    MONEY_PLACES,
    REVERSAL,
    ZERO,
    BookEvent,
    Facts,
    agreed_part,
    check_day,
    member_of,
    money_of,
    next_facts,
    not_below_zero,
    place_of,
    plan_rows,
    shares_of,
)

if TYPE_CHECKING:
    from core.group.store import Store

MEMBERS_OWE = "assets:members owe"
METER = "assets:meter"
WORN = "assets:meter written off so far"
GRAIN = "assets:grain received as payment"
SELLER = "liabilities:owed to the seller"
LOAN = "liabilities:loan"
OWED_TO_MEMBERS = "liabilities:owed to members"
CAPITAL = "equity:members' capital"
RESERVE = "equity:reserve for the next meter"
KEPT = "equity:kept in the group"
CHARGES = "income:members' charges"
TEST_FEES = "income:test fees"
INTEREST_EARNED = "income:interest on instalments"
CASH_OVER = "income:cash over"
GRAIN_GAIN = "income:gain on grain"
GRAIN_LOSS = "expenses:loss on grain"
CASH_SHORT = "expenses:cash short"
WEAR = "expenses:depreciation"
LABOUR = "expenses:labour"
INTEREST_PAID = "expenses:interest"
METER_LOST = "expenses:meter lost"
RECEIPT_KINDS = ("payment", "grain_payment", "labour", "outside_tests")
SMALLEST = Decimal("0.01")


def money_account(place: str) -> str:
    """Return the account of a place where money is kept."""
    return f"assets:{place}"


@dataclass(frozen=True)
class Receipt:
    """A numbered receipt for what somebody gave.

    Parameters
    ----------
    number : int
        1, 2, 3, ... without gaps; a reversed receipt keeps its number.
    reference : str
        Mobile-money or other reference.
    """

    number: int
    event_id: int
    on: date
    payer: str
    amount: Decimal
    what: Message
    reference: str = ""
    who: str = ""
    reversed_on: date | None = None


@dataclass(frozen=True)
class Account:
    """The account after some events.

    Parameters
    ----------
    facts : Facts
        Members, meter, rule, plans, closed seasons.
    entries_of : Mapping of event number to entry numbers
        Where each event stands in the journal.
    refused : tuple of (event, Message)
        Events in the records that the books cannot take; none where all were checked before writing.
    """

    journal: Journal = field(default_factory=Journal)
    facts: Facts = field(default_factory=Facts)
    receipts: tuple[Receipt, ...] = ()
    entries_of: Mapping[int, tuple[int, ...]] = field(default_factory=dict)
    events: tuple[BookEvent, ...] = ()
    reversed_events: frozenset[int] = frozenset()
    refused: tuple[tuple[BookEvent, Message], ...] = ()


def replay(events: Iterable[BookEvent]) -> Account:
    """Return the account that the book's events add up to.

    Returns
    -------
    Account
        Debits equal credits and assets equal claims after every event.
    """
    account = Account()
    for event in events:
        try:
            account = post_event(account, event)
        except LedgerError as error:
            account = replace(account, refused=(*account.refused, (event, error.message)))
        except (KeyError, TypeError, ValueError, ArithmeticError, AttributeError):
            reason = message("something in the entry is missing or is not what it should be")
            account = replace(account, refused=(*account.refused, (event, reason)))
    return account


def post_event(account: Account, event: BookEvent) -> Account:
    """Return the account after one more event.

    Raises
    ------
    LedgerError
        Where the event cannot be right, or later events build on what it takes back.
    """
    if event.reverses is not None or event.kind == REVERSAL:
        return _take_back(account, event)
    facts = next_facts(account.facts, event)
    journal = account.journal
    before = len(journal.entries)
    if event.kind not in LOG_KINDS:
        for posting in POSTINGS[event.kind](account, event):
            journal = journal.post(
                posting.on or event.on,
                posting.text,
                posting.lines,
                event.who,
                str(event.payload.get("reference", "")),
                event.recorded_at,
            )
    if event.kind == "season_closed":
        journal = _close(journal, event)
    numbers = tuple(range(before + 1, len(journal.entries) + 1))
    return replace(
        account,
        journal=journal,
        facts=facts,
        receipts=_with_receipt(account, facts, event),
        entries_of={**account.entries_of, event.id: numbers},
        events=(*account.events, event),
    )


def _take_back(account: Account, event: BookEvent) -> Account:
    target = next((earlier for earlier in account.events if earlier.id == event.reverses), None)
    if target is None:
        raise LedgerError("there is no entry {number} to cancel", number=event.reverses or "–")
    if target.reverses is not None:
        raise LedgerError("a cancellation cannot be cancelled; record the entry again")
    if target.id in account.reversed_events:
        raise LedgerError("entry {number} is cancelled already", number=target.id)
    gone = account.reversed_events | {target.id}
    facts = Facts()
    for earlier in account.events:
        if earlier.reverses is None and earlier.id not in gone:
            try:
                facts = next_facts(facts, earlier)
            except LedgerError as error:
                raise LedgerError(
                    "entry {later} ({kind}) builds on it; cancel that one first", later=earlier.id, kind=earlier.kind
                ) from error
    if target.kind not in LOG_KINDS:
        check_day(facts, event.on)
    if target.kind == "plan" and _left_since(account, target):
        raise LedgerError("entry {later} ({kind}) builds on it; cancel that one first", later="–", kind="leaves")
    journal = account.journal
    before = len(journal.entries)
    reason = str(event.payload.get("reason", ""))
    for number in account.entries_of.get(target.id, ()):
        # what is dated ahead, such as the interest of a later instalment, is taken back on its own day
        day = max(event.on, journal.entries[number - 1].on)
        journal = journal.reverse(number, day, event.who, reason, event.recorded_at)
    receipts = tuple(
        replace(receipt, reversed_on=event.on) if receipt.event_id == target.id else receipt
        for receipt in account.receipts
    )
    numbers = tuple(range(before + 1, len(journal.entries) + 1))
    return replace(
        account,
        journal=journal,
        facts=facts,
        receipts=receipts,
        entries_of={**account.entries_of, event.id: numbers},
        events=(*account.events, event),
        reversed_events=gone,
    )


def _left_since(account: Account, plan: BookEvent) -> bool:
    member = plan.payload.get("member")
    return any(
        event.kind == "leaves" and event.payload.get("member") == member and event.id not in account.reversed_events
        for event in account.events[account.events.index(plan) :]
    )


def _with_receipt(account: Account, facts: Facts, event: BookEvent) -> tuple[Receipt, ...]:
    if event.kind not in RECEIPT_KINDS:
        return account.receipts
    payload = event.payload
    payer = str(payload.get("payer", "")) or facts.names.get(str(payload.get("member", "")), "")
    receipt = Receipt(
        len(account.receipts) + 1,
        event.id,
        event.on,
        payer,
        money_of(payload),
        _text(account, event),
        str(payload.get("reference", "")),
        event.who,
    )
    return (*account.receipts, receipt)


# What each kind of event posts


@dataclass(frozen=True)
class Posting:
    """A text and balanced lines; ``on`` is a later day on which they count, where it is not the event's own."""

    text: Message
    lines: list[Line]
    on: date | None = None


Postings = list[Posting]

TEXTS: dict[str, str] = {
    "capital_due": "Shares in the meter are due: {text}",
    "charge": "Charges are due: {text}",
    "payment": "{name} pays ({money})",
    "grain_payment": "{name} pays in grain: {kg} kg at {moisture_pct} % are {agreed_kg} kg at {agreed_moisture_pct} %",
    "grain_sold": "{kg} kg of grain received as payment are sold",
    "labour": "{name} works {hours} hours",
    "outside_tests": "{payer} pays for {tests} tests",
    "meter_bought": "The meter is bought",
    "spent": "Spent on {on_what} ({money}) {text}",
    "loan_taken": "The group takes a loan",
    "loan_paid": "The loan is paid down",
    "seller_paid": "The seller is paid",
    "depreciation": "The meter is written off by its age",
    "joins": "{name} joins and buys a part of the group's own money",
    "leaves": "{name} leaves with a part of the group's own money",
    "meter_gone": "The meter is gone: {what}",
    "money_moved": "Moved from the {money} to the {to}",
    "cash_counted": "Money counted in the {money}: {counted}",
    "plan": "Interest on an instalment of {name}",
    "paid_out": "{name} is paid what the group owes",
    "season_closed": "The season is closed",
}


def _text(account: Account, event: BookEvent) -> Message:
    values: dict[str, Any] = {
        "text": "",
        "name": "",
        "money": "cash box",
        "kg": "–",
        "moisture_pct": "–",
        "agreed_kg": "–",
        "agreed_moisture_pct": "–",
        "hours": "–",
        "payer": "–",
        "tests": "–",
    }
    values.update({key: value for key, value in event.payload.items() if isinstance(value, str | int)})
    for key in ("money", "to", "on_what", "what"):
        if isinstance(values.get(key), str):
            values[key] = Message(values[key])
    values["name"] = account.facts.names.get(str(event.payload.get("member", "")), values["name"])
    return Message(TEXTS[event.kind], values)


def _two(
    account: Account, event: BookEvent, to: str, source: str, to_party: str = "", from_party: str = ""
) -> Postings:
    amount = money_of(event.payload)
    return [Posting(_text(account, event), [debit(to, amount, to_party), credit(source, amount, from_party)])]


def _shared_out(account: Account, event: BookEvent, source: str, by_party: bool) -> Postings:
    lines: list[Line] = []
    for member, share in shares_of(event.payload).items():
        lines += [debit(MEMBERS_OWE, share, member), credit(source, share, member if by_party else "")]
    return [Posting(_text(account, event), lines)]


def _by_member(account: Account, event: BookEvent, to: str) -> Postings:
    """Post what a member gives against what all members owe."""
    return _two(account, event, to, MEMBERS_OWE, from_party=member_of(account.facts, event.payload))


def _grain_sold(account: Account, event: BookEvent) -> Postings:
    amount, book = money_of(event.payload), money_of(event.payload, "book")
    lines = [debit(money_account(place_of(event.payload)), amount), credit(GRAIN, book)]
    lines += signed(GRAIN_GAIN if amount > book else GRAIN_LOSS, book - amount)
    return [Posting(_text(account, event), lines)]


def _meter_bought(account: Account, event: BookEvent) -> Postings:
    source = {"seller": SELLER, "loan": LOAN}.get(event.payload["paid_from"])
    return _two(account, event, METER, source or money_account(place_of(event.payload)))


def _spent(account: Account, event: BookEvent) -> Postings:
    amount = money_of(event.payload)
    holder = str(event.payload.get("holder") or "")
    part = agreed_part(account.facts, {"what": "breakage", "holder": holder}) if holder else ZERO
    borne = _part(amount, part)
    lines = [credit(money_account(place_of(event.payload)), amount)]
    lines += signed(MEMBERS_OWE, borne, holder) + signed(f"expenses:{event.payload['on_what']}", amount - borne)
    return [Posting(_text(account, event), lines)]


def _part(amount: Decimal, part: Decimal) -> Decimal:
    return min(round_to_step(amount * part, SMALLEST), amount)


def _loan_paid(account: Account, event: BookEvent) -> Postings:
    principal, interest = (not_below_zero(event.payload, key) for key in ("principal", "interest"))
    lines = [credit(money_account(place_of(event.payload)), principal + interest)]
    lines += signed(LOAN, principal) + signed(INTEREST_PAID, interest)
    return [Posting(_text(account, event), lines)]


def _joins(account: Account, event: BookEvent) -> Postings:
    buy_in = not_below_zero(event.payload, "buy_in")
    if buy_in == 0:
        return []
    member = str(event.payload["member"])
    lines = [debit(MEMBERS_OWE, buy_in, member), credit(CAPITAL, buy_in, member)]
    for other, part in shares_of(event.payload, "to").items():
        lines += [debit(CAPITAL, part, other), credit(OWED_TO_MEMBERS, part, other)]
    return [Posting(_text(account, event), lines)]


def _leaves(account: Account, event: BookEvent) -> Postings:
    member = member_of(account.facts, event.payload)
    pay_out = not_below_zero(event.payload, "pay_out")
    capital = -account.journal.balance(CAPITAL, party=member)
    owes = account.journal.balance(MEMBERS_OWE, event.on, member)
    lines = signed(CAPITAL, capital, member) + signed(OWED_TO_MEMBERS, -pay_out, member)
    lines += signed(KEPT, pay_out - capital)
    # what he owes is taken off what he is owed; what he has paid ahead is owed back to him
    set_off = min(owes, pay_out)
    lines += signed(OWED_TO_MEMBERS, set_off, member) + signed(MEMBERS_OWE, -set_off, member)
    made = [Posting(_text(account, event), lines)] if lines else []
    return made + _interest_let_go(account, event, member)


def _meter_gone(account: Account, event: BookEvent) -> Postings:
    meter = account.facts.meter
    if meter is None:
        raise LedgerError("there is no meter in the books")
    holder = str(event.payload.get("holder") or "")
    borne = _part(meter.book_value, agreed_part(account.facts, event.payload))
    lines = signed(METER, -meter.cost) + signed(WORN, meter.worn)
    lines += signed(MEMBERS_OWE, borne, holder) + signed(METER_LOST, meter.book_value - borne)
    return [Posting(_text(account, event), lines)]


def _cash_counted(account: Account, event: BookEvent) -> Postings:
    place = money_account(place_of(event.payload))
    difference = not_below_zero(event.payload, "counted") - account.journal.balance(place, event.on)
    if difference == 0:
        return []
    other = CASH_OVER if difference > 0 else CASH_SHORT
    return [Posting(_text(account, event), signed(place, difference) + signed(other, -difference))]


def _plan(account: Account, event: BookEvent) -> Postings:
    """Book the interest of each instalment on its day, so that each season has its own.

    As a whole where the rows do not name it.
    """
    member = member_of(account.facts, event.payload)
    rows = plan_rows(event.payload)
    parts = [(max(day, event.on), interest) for day, _payment, interest in rows if interest]
    if not parts and (whole := not_below_zero(event.payload, "interest")):
        parts = [(event.on, whole)]
    return [
        Posting(_text(account, event), [debit(MEMBERS_OWE, interest, member), credit(INTEREST_EARNED, interest)], day)
        for day, interest in parts
    ]


def _interest_let_go(account: Account, event: BookEvent, member: str) -> Postings:
    """Return entries that cancel, each on its day, the interest of instalments after a member has left."""
    ahead: dict[date, Decimal] = {}
    for entry in account.journal.entries:
        for line in entry.lines:
            if entry.on > event.on and line.account == MEMBERS_OWE and line.party == member:
                ahead[entry.on] = ahead.get(entry.on, ZERO) + line.net
    text = message("{name} leaves: no interest on later instalments", name=account.facts.names[member])
    return [
        Posting(text, signed(INTEREST_EARNED, amount) + signed(MEMBERS_OWE, -amount, member), day)
        for day, amount in sorted(ahead.items())
        if amount
    ]


def _paid_out(account: Account, event: BookEvent) -> Postings:
    member = member_of(account.facts, event.payload)
    owed = -account.journal.balance(OWED_TO_MEMBERS, party=member)
    if money_of(event.payload) > owed:
        raise LedgerError("the group owes {name} only {owed}", name=account.facts.names[member], owed=owed)
    return _two(account, event, OWED_TO_MEMBERS, money_account(place_of(event.payload)), to_party=member)


def _close(journal: Journal, event: BookEvent) -> Journal:
    text = Message("The season is closed")
    journal = journal.close(event.on, KEPT, text, event.who, event.recorded_at)
    reserve = not_below_zero(event.payload, "reserve")
    lines = signed(KEPT, reserve) + signed(RESERVE, -reserve)
    for key, target in (("to_capital", CAPITAL), ("to_pay", OWED_TO_MEMBERS)):
        for member, part in shares_of(event.payload, key).items():
            lines += [debit(KEPT, part), credit(target, part, member)]
    if lines:
        text = Message("What the season left is set aside or shared")
        journal = journal.post(event.on, text, lines, event.who, recorded_at=event.recorded_at)
    return journal


def _nothing(account: Account, event: BookEvent) -> Postings:
    return []


POSTINGS: dict[str, Callable[[Account, BookEvent], Postings]] = {
    "member_added": _nothing,
    "loss_rule": _nothing,
    "season_closed": _nothing,
    "joins": _joins,
    "leaves": _leaves,
    "capital_due": lambda account, event: _shared_out(account, event, CAPITAL, by_party=True),
    "charge": lambda account, event: _shared_out(account, event, CHARGES, by_party=False),
    "payment": lambda account, event: _by_member(account, event, money_account(place_of(event.payload))),
    "grain_payment": lambda account, event: _by_member(account, event, GRAIN),
    "grain_sold": _grain_sold,
    "labour": lambda account, event: _by_member(account, event, LABOUR),
    "outside_tests": lambda account, event: _two(account, event, money_account(place_of(event.payload)), TEST_FEES),
    "meter_bought": _meter_bought,
    "spent": _spent,
    "loan_taken": lambda account, event: _two(account, event, money_account(place_of(event.payload)), LOAN),
    "loan_paid": _loan_paid,
    "seller_paid": lambda account, event: _two(account, event, SELLER, money_account(place_of(event.payload))),
    "depreciation": lambda account, event: _two(account, event, WEAR, WORN),
    "meter_gone": _meter_gone,
    "money_moved": lambda account, event: _two(
        account, event, money_account(place_of(event.payload, "to")), money_account(place_of(event.payload))
    ),
    "cash_counted": _cash_counted,
    "plan": _plan,
    "paid_out": _paid_out,
}


# Writing


def check_new(events: Sequence[BookEvent], count: int) -> Account:
    """Return the account with the book's last entries, or refuse them.

    Raises
    ------
    LedgerError
        Where the account refuses one of them, or one takes out more money than was in its place on that day.
    """
    before = replay(events[: len(events) - count])
    account = before
    for event in events[len(events) - count :]:
        account = post_event(account, event)
    for place in MONEY_PLACES:
        had, has = _lowest(before, place), _lowest(account, place)
        if has < 0 and has < had:
            raise LedgerError(
                "{short} is missing in the {place} for this. Record first how the money came in or was moved",
                short=-has,
                place=place,
            )
    return account


def _lowest(account: Account, place: str) -> Decimal:
    """Return the least money that was in a place at the end of any day, 0 at most."""
    by_day = {row.entry.on: row.balance for row in account.journal.statement(money_account(place)).rows}
    return min([ZERO, *by_day.values()])


def record_all(
    store: Store,
    group_id: int,
    items: Sequence[tuple[str, date, Mapping[str, Any]]],
    who: str,
    at: datetime,
    reverses: int | None = None,
    token: str = "",
) -> list[int]:
    """Check entries against the account and write them in the same transaction, all or none.

    Parameters
    ----------
    items : sequence of (kind, day, particulars)
        In the order in which they are written; Decimals are written as text.
    reverses : int, optional
        Number of the entry that the (only) item cancels.
    """
    entries = meter_entries(items, reverses)
    checks = {BOOK: lambda events: check_new(events, len(entries))}
    return store.record_all(group_id, entries, who, at, checks=checks, token=token)


def meter_entries(items: Sequence[tuple[str, date, Mapping[str, Any]]], reverses: int | None = None) -> list[NewEntry]:
    """Return entries of the meter's book from (kind, day, particulars), money as text."""
    return [
        NewEntry(book=BOOK, kind=kind, on=on, payload=plain_payload(payload), reverses=reverses)
        for kind, on, payload in items
    ]


# What a treasurer asks


def own_money(account: Account, on: date | None = None) -> Decimal:
    """Return the group's own money: all that it has (money, claims, meter, grain) less all that it owes, money.

    Parameters
    ----------
    account : Account
        The account, the meter's depreciation written up to the day.
    """
    totals = account.journal.totals(on)
    return totals["assets"] - totals["liabilities"]


def book_value(account: Account) -> Decimal:
    """Return what the meter is still worth in the books, money; 0 where there is none."""
    return account.facts.meter.book_value if account.facts.meter else ZERO


def depreciation_due(account: Account, on: date, step: Decimal = SMALLEST) -> Decimal:
    """Return what is still to be written off up to a day, straight over the meter's life.

    Returns
    -------
    Decimal
        Money, 0 or more, rounded down to the coin.

    Notes
    -----
    ``(price - resale) / life`` for every whole month of age. Common practice (straight line), no source.
    """
    meter = account.facts.meter
    if meter is None:
        return ZERO
    months = min(whole_months(meter.bought_on, on), meter.life_months)
    due = (meter.cost - meter.resale) * months / meter.life_months - meter.worn
    return max(round_down(due, step), ZERO)


def join_terms(
    account: Account, member: str, name: str, step: Decimal = SMALLEST, on: date | None = None
) -> dict[str, Any]:
    """Return the particulars of a member who buys an equal part of the group's own money.

    Parameters
    ----------
    account : Account
        The account, the meter's depreciation written up to the day.

    Returns
    -------
    dict
        Payload for ``"joins"``: own money W shared by one more, W / (n + 1), paid to the n members so far in equal
        parts. Each of them had W / n and has W / (n + 1) + W / (n (n + 1)) = W / n afterwards. Nothing where the group
        owes more than it has.
    """
    old = account.facts.members
    buy_in = round_to_step(max(own_money(account, on), ZERO) / (len(old) + 1), step) if old else ZERO
    to = split_exactly(buy_in, dict.fromkeys(old, 1), step) if old else {}
    return plain_payload({"member": member, "name": name, "buy_in": buy_in, "to": to})


def leave_terms(
    account: Account, member: str, most: Decimal | None = None, step: Decimal = SMALLEST, on: date | None = None
) -> dict[str, Any]:
    """Return the particulars of a member who takes an equal part of the group's own money along.

    Parameters
    ----------
    account : Account
        The account, the meter's depreciation written up to the day.
    most : Decimal, optional
        Most that the group's rule lets it pay out, money.

    Returns
    -------
    dict
        Payload for ``"leaves"``: the member's part of assets less loans, rounded down to the coin; nothing where the
        group owes more than it has.
    """
    count = max(len(account.facts.members), 1)
    share = round_down(max(own_money(account, on), ZERO) / count, step)
    return plain_payload({"member": member, "pay_out": share if most is None else min(share, max(most, ZERO))})


def grain_sold_terms(
    account: Account, kg: Decimal, amount: Decimal, money: str, step: Decimal = SMALLEST
) -> dict[str, Any]:
    """Return the particulars of selling grain that was taken in payment, at its mean value in the books.

    Parameters
    ----------
    kg : Decimal
        Mass sold, at the agreed moisture, kg.

    Returns
    -------
    dict
        Payload for ``"grain_sold"``.
    """
    facts = account.facts
    if kg >= facts.grain_kg or facts.grain_kg == 0:
        book = facts.grain_value
    else:
        book = round_to_step(facts.grain_value * kg / facts.grain_kg, step)
    return plain_payload({"kg": kg, "amount": amount, "money": money, "book": book})


@dataclass(frozen=True)
class MemberBalance:
    """Where a member stands; money.

    Parameters
    ----------
    owes : Decimal
        Everything charged less everything paid; below 0 he has paid ahead.
    not_yet_due : Decimal
        The part that a payment plan leaves for later.
    capital : Decimal
        His share capital.
    """

    member: str
    name: str
    present: bool
    owes: Decimal
    not_yet_due: Decimal
    arrears: Decimal
    owed_to_him: Decimal
    capital: Decimal


def member_balances(account: Account, on: date) -> tuple[MemberBalance, ...]:
    """Return where every member stands on a day, in the order of joining."""
    owes = account.journal.party_balances(MEMBERS_OWE, on)
    owed = account.journal.party_balances(OWED_TO_MEMBERS, on)
    capital = account.journal.party_balances(CAPITAL, on)
    rows = []
    for member, name in account.facts.names.items():
        owing = owes.get(member, ZERO)
        later = sum(
            (
                amount - interest  # the interest of a later instalment is not owed yet
                for plan in account.facts.plans
                if plan.member == member
                for day, amount, interest in plan.due
                if day > on
            ),
            ZERO,
        )
        not_yet = min(later, max(owing, ZERO))
        rows.append(
            MemberBalance(
                member,
                name,
                member in account.facts.members,
                owing,
                not_yet,
                max(owing - not_yet, ZERO),
                -owed.get(member, ZERO),
                -capital.get(member, ZERO),
            )
        )
    return tuple(rows)


def member_statement(account: Account, member: str, start: date | None = None, until: date | None = None) -> Statement:
    """Return what a member was charged and paid, with what he owes after each line.

    Returns
    -------
    Statement
        Debit = charged, credit = paid; balance = owed by him.
    """
    return account.journal.statement(MEMBERS_OWE, member, start, until)


@dataclass(frozen=True)
class MoneyLine:
    """Money in or out, with what is left in that place; ``event_id`` is the event behind it."""

    on: date
    text: Message
    place: str
    money_in: Decimal
    money_out: Decimal
    left: Decimal
    who: str
    reference: str
    entry: int


def money_book(account: Account, places: Sequence[str]) -> tuple[MoneyLine, ...]:
    """Return money in and money out, by day, with what is left in each place."""
    lines: list[MoneyLine] = []
    for place in places:
        for row in account.journal.statement(money_account(place)).rows:
            entry = row.entry
            lines.append(
                MoneyLine(
                    entry.on,
                    entry.text,
                    place,
                    row.debit,
                    row.credit,
                    row.balance,
                    entry.who,
                    entry.reference,
                    entry.number,
                )
            )
    return tuple(sorted(lines, key=lambda line: (line.on, line.entry)))


def warnings(account: Account, places: Sequence[str]) -> tuple[Message, ...]:
    """Return what looks wrong in the account: money below nothing, entries that the books could not take."""
    found: list[Message] = []
    for place in places:
        below = next((line for line in money_book(account, (place,)) if line.left < 0), None)
        if below is not None:
            found.append(
                message(
                    "On {day} more had gone out of the {place} than was in it: something is missing or dated wrongly",
                    day=below.on,
                    place=place,
                )
            )
    for event, reason in account.refused:
        found.append(message("Entry {number} does not count: {reason}", number=event.id, reason=reason))
    return tuple(found)
