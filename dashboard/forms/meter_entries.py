"""The entries of the meter's book: each kind described once, by one function."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from core.accounts.finance import add_months
from core.errors import InputError
from core.group.records import Event, Fact, Group
from core.meter.account import (
    LOAN,
    SELLER,
    Account,
    MemberBalance,
    depreciation_due,
    grain_sold_terms,
    join_terms,
    leave_terms,
    member_balances,
    money_account,
)
from core.meter.book import LOSS_KINDS, MONEY_PLACES, SPENT_ON
from core.meter.log import holder_on
from core.meter.paying import instalment_plan, value_grain, value_labour
from dashboard import state
from dashboard.forms.entries import EntryForm, Values
from dashboard.forms.fields import Field
from dashboard.money_parts import coin, coins, member_label, place_words
from dashboard.text import _, day, say

ZERO, HUNDRED = Decimal(0), Decimal(100)
MUCH_MORE = 10
"""Times what is owed from which a payment is asked about as a slip of the pen; basis: judgement."""


@dataclass(frozen=True)
class MeterScene:
    """What the forms of the meter's book rest on: the group, its book and account, its facts, its coin."""

    group: Group
    events: Sequence[Event]
    account: Account
    facts: Mapping[str, Fact]
    step: Decimal

    @property
    def currency(self) -> str:
        """Return the group's currency."""
        return self.group.currency

    def balance(self, member: str | None) -> MemberBalance | None:
        """Return where a member stands today."""
        return next((row for row in member_balances(self.account, state.today()) if row.member == member), None)

    def owed(self, member: str | None) -> Decimal | None:
        """Return what a member owes today, None where that is nothing."""
        row = self.balance(member)
        return row.owes if row is not None and row.owes > 0 else None

    def label(self, member: str) -> str:
        """Return a member by name and number."""
        return member_label(member, self.account.facts.names.get(member, "?"))

    def held(self, place: str) -> Decimal:
        """Return what is in a place today, money."""
        return self.account.journal.balance(money_account(place), state.today())

    def coins(self, value: Decimal) -> str:
        """Return money in words."""
        return coins(value, self.currency)

    def number(self, name: str) -> float:
        """Return a fact as a number."""
        return float(self.facts[name].value)


def scene_of(group: Group, events: Sequence[Event], account: Account) -> MeterScene:
    """Return what the forms rest on."""
    return MeterScene(group, events, account, state.store().facts(group.id), coin(group))


# Fields that several entries share


def member_field(scene: MeterScene, label: str = "", present: bool = False, required: bool = True) -> Field:
    """Return the choice of a member, by name and number."""
    facts = scene.account.facts
    known = facts.members if present else tuple(facts.names)
    options = {member: scene.label(member) for member in known}
    return Field(name="member", label=label or _("Member"), kind="choice", options=options, required=required)


def money_field(
    scene: MeterScene, label: str = "", name: str = "amount", value: Decimal | float | None = None, low: Any = None
) -> Field:
    """Return a field for an amount of money, above 0 where nothing else is said."""
    least = scene.step if low is None else low
    return Field(
        name=name,
        label=label or _("Amount"),
        kind="money",
        unit=scene.currency,
        low=least,
        step=scene.step,
        value=value,
        follows=("member",),
    )


def place_field(scene: MeterScene, label: str = "", name: str = "money", value: str | None = "cash box") -> Field:
    """Return the choice of a place of money, with what is in it."""
    options = {
        place: _("{place}: {amount} in it").format(
            place=place_words(place).capitalize(), amount=scene.coins(scene.held(place))
        )
        for place in MONEY_PLACES
    }
    return Field(name=name, label=label or _("Where the money is kept"), kind="choice", options=options, value=value)


def reference_field() -> Field:
    """Return the field for a receipt or mobile-money reference."""
    return Field(name="reference", label=_("Reference (mobile money, receipt book)"), required=False)


def beyond(amount: Decimal, owed: Decimal | None, scene: MeterScene) -> list[str]:
    """Return what to ask about an amount that is more than is owed."""
    due = owed or ZERO
    if amount <= due:
        return []
    if due and amount >= MUCH_MORE * due:
        words = _("This is {times} times what is owed ({owed}). Is a digit too many?")
        return [words.format(times=int(amount // due), owed=scene.coins(due))]
    return [_("This is more than is owed ({owed}): the rest is paid ahead.").format(owed=scene.coins(due))]


def lacking(amount: Decimal, place: str, scene: MeterScene) -> list[str]:
    """Return a warning where a place holds less than is taken from it."""
    short = amount - scene.held(place)
    if short <= 0:
        return []
    words = _("The {place} holds {amount} less than that today.")
    return [words.format(place=place_words(place), amount=scene.coins(short))]


# One function for each kind of entry


def payment(scene: MeterScene) -> EntryForm:
    """Describe the entry: a member pays money."""
    return EntryForm(
        fields=(
            member_field(scene),
            lambda values: money_field(scene, value=scene.owed(values["member"])),
            place_field(scene, _("Paid into")),
            reference_field(),
        ),
        payload=lambda values: {
            "member": values["member"],
            "amount": values["amount"],
            "money": values["money"],
            "reference": values["reference"],
        },
        sentence=lambda values: _("{member} pays {amount} into the {place}").format(
            member=scene.label(values["member"]),
            amount=scene.coins(values["amount"]),
            place=place_words(values["money"]),
        ),
        cautions=lambda values: beyond(values["amount"], scene.owed(values["member"]), scene),
    )


def plan(scene: MeterScene) -> EntryForm:
    """Describe the entry: a member pays in instalments."""

    def terms(values: Values) -> dict[str, Any]:
        rate = Decimal(str(values["rate"])) / HUNDRED
        return instalment_plan(values["amount"], rate, values["months"], values["first"], scene.step)[1]

    def sentence(values: Values) -> str:
        due = terms(values)["due"]
        return _("{member} pays {amount} in {count} instalments of {payment}, the first on {day}").format(
            member=scene.label(values["member"]),
            amount=scene.coins(values["amount"]),
            count=values["months"],
            payment=scene.coins(due[0][1]),
            day=day(values["first"]),
        )

    return EntryForm(
        fields=(
            member_field(scene),
            lambda values: money_field(scene, value=scene.owed(values["member"])),
            Field(name="rate", label=_("Interest a month"), kind="number", unit="%", low=0, high=20, value=0.0),
            Field(name="months", label=_("Monthly instalments"), kind="whole", low=1, high=60, value=6),
            Field(name="first", label=_("First due on"), kind="day", value=add_months(state.today(), 1)),
        ),
        payload=lambda values: {"member": values["member"], **terms(values)},
        sentence=sentence,
        cautions=lambda values: beyond(values["amount"], scene.owed(values["member"]), scene),
        note=_("The by-laws and the lending law say whether the group may ask for interest."),
    )


def grain_payment(scene: MeterScene) -> EntryForm:
    """Describe the entry: a member pays in grain."""

    def worth(values: Values) -> Any:
        return value_grain(
            values["kg"],
            values["moisture"],
            values["agreed"],
            values["price"],
            values["agreed_on"],
            values["bags"],
            values["tare"],
            step=scene.step,
        )

    return EntryForm(
        fields=(
            member_field(scene),
            Field(name="kg", label=_("Weighed with bags"), kind="exact", unit="kg", low=0, high=100000),
            Field(name="bags", label=_("Bags weighed with it"), kind="whole", low=0, high=1000, value=1),
            Field(name="tare", label=_("An empty bag"), kind="exact", unit="kg", low=0, high=5, value=Decimal("0.2")),
            Field(name="moisture", label=_("Moisture as tested"), kind="exact", unit="%", low=5, high=40),
            Field(
                name="agreed",
                label=_("Agreed moisture"),
                kind="exact",
                unit="%",
                low=5,
                high=30,
                value=scene.number("pool.base_pct"),
            ),
            Field(
                name="price",
                label=_("Agreed price a kg"),
                kind="exact",
                unit=scene.currency,
                low=0,
                value=scene.number("maize_price_kg"),
            ),
            Field(name="agreed_on", label=_("Price agreed on"), kind="day", value=state.today()),
        ),
        payload=lambda values: {
            "member": values["member"],
            "kg": values["kg"],
            "moisture_pct": values["moisture"],
            "agreed_kg": worth(values).agreed_kg,
            "agreed_moisture_pct": values["agreed"],
            "price_per_kg": values["price"],
            "agreed_on": values["agreed_on"],
            "amount": worth(values).amount,
        },
        sentence=lambda values: _("{member} pays in grain, worth {amount}: {sum}").format(
            member=scene.label(values["member"]),
            amount=scene.coins(worth(values).amount),
            sum=say(worth(values).explanation),
        ),
        cautions=lambda values: beyond(worth(values).amount, scene.owed(values["member"]), scene),
        note=_("Use a verified scale and a checked meter where the law requires them in trade."),
    )


def labour(scene: MeterScene) -> EntryForm:
    """Describe the entry: a member pays by work."""

    def worth(values: Values) -> Decimal:
        return value_labour(values["hours"], values["price"], scene.step)

    return EntryForm(
        fields=(
            member_field(scene),
            Field(name="hours", label=_("Hours"), kind="exact", low=Decimal("0.25"), high=500),
            Field(
                name="price",
                label=_("Price of an hour agreed before the season"),
                kind="exact",
                unit=scene.currency,
                low=Decimal("0.0001"),
                value=scene.number("meter.hour_price"),
            ),
        ),
        payload=lambda values: {
            "member": values["member"],
            "hours": values["hours"],
            "price": values["price"],
            "amount": worth(values),
        },
        sentence=lambda values: _("{member} pays by {hours} hours of work, worth {amount}").format(
            member=scene.label(values["member"]), hours=values["hours"], amount=scene.coins(worth(values))
        ),
        cautions=lambda values: beyond(worth(values), scene.owed(values["member"]), scene),
    )


def outside_tests(scene: MeterScene) -> EntryForm:
    """Describe the entry: an outsider pays for tests."""
    return EntryForm(
        fields=(
            Field(name="payer", label=_("Who pays")),
            Field(name="tests", label=_("Tests"), kind="whole", low=1, high=1000),
            money_field(scene),
            place_field(scene, _("Paid into")),
            reference_field(),
        ),
        payload=lambda values: {
            "payer": values["payer"],
            "tests": values["tests"],
            "amount": values["amount"],
            "money": values["money"],
            "reference": values["reference"],
        },
        sentence=lambda values: _("{payer}, no member, pays {amount} for {tests} tests into the {place}").format(
            payer=values["payer"],
            amount=scene.coins(values["amount"]),
            tests=values["tests"],
            place=place_words(values["money"]),
        ),
    )


def spent(scene: MeterScene) -> EntryForm:
    """Describe the entry: money is spent."""
    words = {kind: _(kind).capitalize() for kind in SPENT_ON}
    label = _("Who broke it (empty: no member)")

    def holder(values: Values) -> Field | None:
        if values["what"] != "repair" or scene.account.facts.rule is None:
            return None
        return member_field(scene, label, required=False)

    return EntryForm(
        fields=(
            Field(name="what", label=_("On what"), kind="choice", options=words),
            money_field(scene),
            place_field(scene, _("Paid from")),
            holder,
            Field(name="text", label=_("Note"), required=False),
        ),
        payload=lambda values: {
            "on_what": values["what"],
            "amount": values["amount"],
            "money": values["money"],
            "text": values["text"],
            **({"holder": values["member"]} if values.get("member") else {}),
        },
        sentence=lambda values: _("{amount} is spent on {what} from the {place}").format(
            amount=scene.coins(values["amount"]), what=_(values["what"]), place=place_words(values["money"])
        ),
        cautions=lambda values: lacking(values["amount"], values["money"], scene),
    )


def grain_sold(scene: MeterScene) -> EntryForm:
    """Describe the entry: grain received as payment is sold."""
    left = scene.account.facts.grain_kg
    if left <= 0:
        raise InputError("The group has no grain from payments to sell.")
    return EntryForm(
        fields=(
            Field(name="kg", label=_("Sold"), kind="exact", unit="kg", low=Decimal("0.001"), high=left, value=left),
            money_field(scene, _("Money received")),
            place_field(scene, _("Paid into")),
        ),
        payload=lambda values: grain_sold_terms(
            scene.account, values["kg"], values["amount"], values["money"], scene.step
        ),
        sentence=lambda values: _("{kg} kg of grain from payments is sold for {amount} into the {place}").format(
            kg=values["kg"], amount=scene.coins(values["amount"]), place=place_words(values["money"])
        ),
    )


def meter_bought(scene: MeterScene) -> EntryForm:
    """Describe the entry: the meter is bought."""
    if scene.account.facts.meter is not None:
        raise InputError("The meter bought on {day} is in the book already.", day=scene.account.facts.meter.bought_on)
    ways = {"money": _("Money in hand"), "seller": _("Owed to the seller"), "loan": _("A loan")}
    return EntryForm(
        fields=(
            money_field(scene, _("Price"), value=scene.number("meter.price")),
            Field(name="source", label=_("Paid from"), kind="choice", options=ways, value="money"),
            lambda values: (
                place_field(scene, _("Where the money is taken from")) if values["source"] == "money" else None
            ),
            Field(
                name="life",
                label=_("How long it will last"),
                kind="whole",
                unit=_("months"),
                low=1,
                high=240,
                value=12 * int(scene.number("meter.life_seasons")),
            ),
            money_field(scene, _("What it can be sold for then"), "resale", ZERO, low=0),
        ),
        payload=lambda values: {
            "amount": values["amount"],
            "paid_from": values["source"],
            "money": values.get("money") or MONEY_PLACES[0],
            "life_months": values["life"],
            "resale": values["resale"],
        },
        sentence=lambda values: _("The meter is bought for {amount}; paid from: {way}").format(
            amount=scene.coins(values["amount"]), way=ways[values["source"]]
        ),
        cautions=lambda values: (
            lacking(values["amount"], values["money"], scene) if values["source"] == "money" else []
        ),
    )


def seller_paid(scene: MeterScene) -> EntryForm:
    """Describe the entry: the seller is paid."""
    owed = max(-scene.account.journal.balance(SELLER, state.today()), ZERO)
    return _paid_from(scene, _("The seller of the meter is paid {amount} from the {place}"), owed)


def _paid_from(scene: MeterScene, words: str, owed: Decimal) -> EntryForm:
    return EntryForm(
        fields=(money_field(scene, value=owed or None), place_field(scene, _("Paid from"))),
        payload=lambda values: {"amount": values["amount"], "money": values["money"]},
        sentence=lambda values: words.format(amount=scene.coins(values["amount"]), place=place_words(values["money"])),
        cautions=lambda values: [
            *lacking(values["amount"], values["money"], scene),
            *beyond(values["amount"], owed, scene),
        ],
    )


def loan_taken(scene: MeterScene) -> EntryForm:
    """Describe the entry: a loan is taken."""
    return EntryForm(
        fields=(money_field(scene), place_field(scene, _("Paid into"))),
        payload=lambda values: {"amount": values["amount"], "money": values["money"]},
        sentence=lambda values: _("The group takes a loan of {amount} into the {place}").format(
            amount=scene.coins(values["amount"]), place=place_words(values["money"])
        ),
        note=_("The by-laws say who may borrow for the group, and the lending law what a lender may ask."),
    )


def loan_paid(scene: MeterScene) -> EntryForm:
    """Describe the entry: a loan is paid down."""
    owed = -scene.account.journal.balance(LOAN, state.today())
    return EntryForm(
        fields=(
            money_field(scene, _("Of the loan itself"), "principal", ZERO, low=0),
            money_field(scene, _("Interest"), "interest", ZERO, low=0),
            place_field(scene, _("Paid from")),
        ),
        payload=lambda values: {name: values[name] for name in ("principal", "interest", "money")},
        sentence=lambda values: _("{principal} of the loan and {interest} interest are paid from the {place}").format(
            principal=scene.coins(values["principal"]),
            interest=scene.coins(values["interest"]),
            place=place_words(values["money"]),
        ),
        cautions=lambda values: [
            *lacking(values["principal"] + values["interest"], values["money"], scene),
            *(beyond(values["principal"], owed, scene) if values["principal"] else []),
        ],
        note=_("Of the loan {amount} is still owed.").format(amount=scene.coins(owed)),
    )


def depreciation(scene: MeterScene) -> EntryForm:
    """Describe the entry: the meter has grown older."""
    due = depreciation_due(scene.account, state.today(), scene.step)
    return EntryForm(
        fields=(money_field(scene, _("Written off (proposed by its age)"), value=due or None),),
        payload=lambda values: {"amount": values["amount"]},
        sentence=lambda values: _("The meter is written off by {amount}").format(amount=scene.coins(values["amount"])),
        cautions=lambda values: (
            [_("By its age {amount} is to be written off today.").format(amount=scene.coins(due))]
            if values["amount"] > due
            else []
        ),
    )


def loss_rule(scene: MeterScene) -> EntryForm:
    """Describe the entry: the rule for loss, theft and breakage is agreed."""
    labels = {
        "loss": _("The holder's part where it is lost"),
        "theft": _("where it is stolen"),
        "breakage": _("where it breaks"),
    }
    return EntryForm(
        fields=tuple(
            Field(
                name=what,
                label=labels[what],
                kind="exact",
                unit="%",
                low=0,
                high=100,
                value=100 * scene.number(f"meter.holder_part.{what}"),
            )
            for what in LOSS_KINDS
        ),
        payload=lambda values: {what: values[what] / HUNDRED for what in LOSS_KINDS},
        sentence=lambda values: _(
            "The holder of the meter bears {loss} % of a loss, {theft} % of a theft, {breakage} % of a breakage"
        ).format(**{what: values[what] for what in LOSS_KINDS}),
    )


def meter_gone(scene: MeterScene) -> EntryForm:
    """Describe the entry: the meter is lost, stolen or broken."""
    words = {"loss": _("lost"), "theft": _("stolen"), "breakage": _("broken beyond repair")}
    holder = holder_on(scene.events, state.today())
    note = _("By the bookings {member} had it.").format(member=scene.label(holder)) if holder else ""
    return EntryForm(
        fields=(
            Field(name="what", label=_("The meter is"), kind="choice", options=words),
            member_field(scene, _("Who had it")),
        ),
        payload=lambda values: {"what": values["what"], "holder": values["member"]},
        sentence=lambda values: _("The meter is {what}; {member} had it").format(
            what=words[values["what"]], member=scene.label(values["member"])
        ),
        note=note,
    )


def joins(scene: MeterScene) -> EntryForm:
    """Describe the entry: a member joins."""
    others = {
        str(member.id): member.name
        for member in state.store().members(scene.group.id)
        if str(member.id) not in scene.account.facts.members and member.left_on is None
    }
    if not others:
        raise InputError("Every member is in the book. Add the new member on the page Our things first.")

    def terms(values: Values) -> dict[str, Any]:
        member = values["member"]
        return join_terms(scene.account, member, others[member], scene.step, state.today())

    options = {number: member_label(number, name) for number, name in others.items()}
    return EntryForm(
        fields=(Field(name="member", label=_("Member"), kind="choice", options=options),),
        payload=terms,
        sentence=lambda values: _(
            "{member} joins and pays {amount}, an equal part of the group's own money (what it has less what it owes)"
        ).format(member=options[values["member"]], amount=scene.coins(Decimal(terms(values)["buy_in"]))),
        cautions=lambda values: _age_first(scene),
        dated=False,
    )


def _age_first(scene: MeterScene) -> list[str]:
    if depreciation_due(scene.account, state.today()):
        return [_("First write off the meter's age: then the group's own money is correct today.")]
    return []


def leaves(scene: MeterScene) -> EntryForm:
    """Describe the entry: a member leaves."""

    def terms(values: Values) -> dict[str, Any]:
        return leave_terms(scene.account, values["member"], values["most"], scene.step, state.today())

    def sentence(values: Values) -> str:
        part, owes = Decimal(terms(values)["pay_out"]), scene.owed(values["member"]) or ZERO
        return _("{member} leaves. Part of the group's own money: {part}. Still owed to the group: {owes}").format(
            member=scene.label(values["member"]), part=scene.coins(part), owes=scene.coins(owes)
        )

    return EntryForm(
        fields=(
            member_field(scene, present=True),
            Field(
                name="most",
                label=_("Most that the by-laws allow the group to pay out (empty: no limit)"),
                kind="money",
                unit=scene.currency,
                low=0,
                step=scene.step,
                required=False,
            ),
        ),
        payload=terms,
        sentence=sentence,
        cautions=lambda values: _age_first(scene),
        dated=False,
    )


def paid_out(scene: MeterScene) -> EntryForm:
    """Describe the entry: a member is paid what the group owes."""

    def owed(values: Values) -> Decimal:
        row = scene.balance(values["member"])
        return row.owed_to_him if row else ZERO

    return EntryForm(
        fields=(
            member_field(scene),
            lambda values: money_field(scene, value=owed(values) or None),
            place_field(scene, _("Paid from")),
        ),
        payload=lambda values: {name: values[name] for name in ("member", "amount", "money")},
        sentence=lambda values: _("The group pays {member} {amount} from the {place}").format(
            member=scene.label(values["member"]),
            amount=scene.coins(values["amount"]),
            place=place_words(values["money"]),
        ),
        cautions=lambda values: lacking(values["amount"], values["money"], scene),
    )


def money_moved(scene: MeterScene) -> EntryForm:
    """Describe the entry: money is moved between places."""
    return EntryForm(
        fields=(money_field(scene), place_field(scene, _("Moved from")), place_field(scene, _("Moved to"), "to", None)),
        payload=lambda values: {name: values[name] for name in ("amount", "money", "to")},
        sentence=lambda values: _("{amount} is moved from the {place} to the {other}").format(
            amount=scene.coins(values["amount"]), place=place_words(values["money"]), other=place_words(values["to"])
        ),
        cautions=lambda values: lacking(values["amount"], values["money"], scene),
    )


def cash_counted(scene: MeterScene) -> EntryForm:
    """Describe the entry: the money is counted."""

    def sentence(values: Values) -> str:
        book = scene.held(values["money"])
        return _("{amount} is counted in the {place}; the book says {book}").format(
            amount=scene.coins(values["amount"]), place=place_words(values["money"]), book=scene.coins(book)
        )

    return EntryForm(
        fields=(money_field(scene, _("Counted"), low=0), place_field(scene, _("Where"))),
        payload=lambda values: {"counted": values["amount"], "money": values["money"]},
        sentence=sentence,
        cautions=lambda values: (
            [_("The difference is booked.")] if values["amount"] != scene.held(values["money"]) else []
        ),
        dated=False,
    )


METER_ENTRIES: Mapping[str, Callable[[MeterScene], EntryForm]] = {
    "payment": payment,
    "plan": plan,
    "grain_payment": grain_payment,
    "labour": labour,
    "outside_tests": outside_tests,
    "spent": spent,
    "grain_sold": grain_sold,
    "meter_bought": meter_bought,
    "seller_paid": seller_paid,
    "loan_taken": loan_taken,
    "loan_paid": loan_paid,
    "depreciation": depreciation,
    "loss_rule": loss_rule,
    "meter_gone": meter_gone,
    "joins": joins,
    "leaves": leaves,
    "paid_out": paid_out,
    "money_moved": money_moved,
    "cash_counted": cash_counted,
}


def kind_words() -> dict[str, str]:
    """Return what each kind of entry is called: those that are recorded here first, then those of other pages."""
    return {
        "payment": _("A member pays money"),
        "plan": _("A member pays in instalments"),
        "grain_payment": _("A member pays in grain"),
        "labour": _("A member pays by work"),
        "outside_tests": _("An outsider pays for tests"),
        "spent": _("Money is spent (batteries, repair, check of the meter)"),
        "grain_sold": _("Grain from payments is sold"),
        "meter_bought": _("The meter is bought"),
        "seller_paid": _("The seller is paid"),
        "loan_taken": _("The group takes a loan"),
        "loan_paid": _("The group pays back a loan"),
        "depreciation": _("The meter is written off by its age"),
        "loss_rule": _("The rule for loss, theft and breakage is agreed"),
        "meter_gone": _("The meter is lost, stolen or broken"),
        "joins": _("A member joins"),
        "leaves": _("A member leaves"),
        "paid_out": _("A member is paid what the group owes"),
        "money_moved": _("Money is moved (cash box, mobile money, bank)"),
        "cash_counted": _("The money is counted"),
        "member_added": _("A member is in the book"),
        "charge": _("Charges are due"),
        "capital_due": _("Shares in the purchase are due"),
        "season_closed": _("The season is closed"),
        "handover": _("The meter changes hands"),
        "tests": _("Tests are made"),
        "booking": _("The meter is booked"),
    }


def brief(event: Event, names: Mapping[str, str], currency: str) -> str:
    """Return in a few words what an entry says: number, day, kind, member and amount."""
    load = event.payload
    parts = [str(event.id), day(event.on), kind_words().get(event.kind, event.kind)]
    member = str(load.get("member") or load.get("holder") or "")
    if member:
        parts.append(member_label(member, names.get(member, str(load.get("name") or "?"))))
    elif load.get("payer"):
        parts.append(str(load["payer"]))
    shares = load.get("shares") or {}
    amount = load.get("amount") or load.get("counted") or load.get("buy_in") or load.get("pay_out")
    if amount is None and shares:
        amount = sum((Decimal(str(part)) for part in shares.values()), ZERO)
    if amount is None and (load.get("principal") or load.get("interest")):
        amount = Decimal(str(load.get("principal") or 0)) + Decimal(str(load.get("interest") or 0))
    if amount is not None:
        parts.append(coins(Decimal(str(amount)), currency))
    return " · ".join(parts)
