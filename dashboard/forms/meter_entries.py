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
from dashboard.forms.entries import EntryForm, Scene, Values, reference_field
from dashboard.forms.fields import Field
from dashboard.money_parts import coin, coins, member_label, place_words
from dashboard.text import _, day, say

ZERO, HUNDRED = Decimal(0), Decimal(100)


@dataclass(frozen=True)
class MeterScene(Scene):
    """What the forms of the meter's book rest on: beside the group and its book, the account and the group's facts."""

    account: Account
    facts: Mapping[str, Fact]

    def balance(self, member: str | None) -> MemberBalance | None:
        """Return where a member stands today."""
        return next((row for row in member_balances(self.account, state.today()) if row.member == member), None)

    def owed(self, member: str | None) -> Decimal | None:
        """Return what a member owes today, None where that is nothing."""
        row = self.balance(member)
        return row.owes if row is not None and row.owes > 0 else None

    def label(self, member: Any) -> str:
        """Return a member by name and number."""
        return member_label(member, self.account.facts.names.get(member, "?"))

    def held(self, place: str) -> Decimal:
        """Return what is in a place today, money."""
        return self.account.journal.balance(money_account(place), state.today())

    def number(self, name: str) -> float:
        """Return a fact as a number."""
        return float(self.facts[name].value)


def scene_of(group: Group, events: Sequence[Event], account: Account) -> MeterScene:
    """Return what the forms rest on."""
    return MeterScene(group, events, coin(group), account, state.store().facts(group.id))


# Fields that several entries share


def member_field(scene: MeterScene, label: str = "", present: bool = False, required: bool = True) -> Field:
    """Return the choice of a member, by name and number."""
    facts = scene.account.facts
    known = facts.members if present else tuple(facts.names)
    options = {member: scene.label(member) for member in known}
    return Field("member", label or _("Member"), "choice", options=options, required=required)


def owed_field(scene: MeterScene) -> Callable[[Values], Field]:
    """Return the field for an amount of money, at first what the member chosen owes."""
    return lambda values: scene.money_field(value=scene.owed(values["member"]))


def place_field(scene: MeterScene, label: str = "", name: str = "money", value: str | None = "cash box") -> Field:
    """Return the choice of a place of money, with what is in it."""
    words = _("{place}: {amount} in it")
    options = {
        place: words.format(place=place_words(place).capitalize(), amount=scene.coins(scene.held(place)))
        for place in MONEY_PLACES
    }
    return Field(name, label or _("Where the money is kept"), "choice", options=options, value=value)


def beyond(amount: Decimal, owed: Decimal | None, scene: MeterScene) -> list[str]:
    """Return what to ask about an amount that is more than is owed."""
    return scene.beyond(amount, owed, _("This is more than is owed ({owed}): the rest is paid ahead."))


def lacking(amount: Decimal, place: str, scene: MeterScene) -> list[str]:
    """Return a warning where a place holds less than is taken from it."""
    short = amount - scene.held(place)
    words = _("The {place} holds {amount} less than that today.")
    return [words.format(place=place_words(place), amount=scene.coins(short))] if short > 0 else []


# One function for each kind of entry


def payment(scene: MeterScene) -> EntryForm:
    """Describe the entry: a member pays money."""
    return EntryForm(
        fields=(member_field(scene), owed_field(scene), place_field(scene, _("Paid into")), reference_field()),
        sentence=lambda values: scene.fill(_("{member} pays {amount} into the {place}"), values),
        cautions=lambda values: beyond(values["amount"], scene.owed(values["member"]), scene),
    )


def plan(scene: MeterScene) -> EntryForm:
    """Describe the entry: a member pays in instalments."""

    def terms(values: Values) -> dict[str, Any]:
        rate = Decimal(str(values["rate"])) / HUNDRED
        return instalment_plan(values["amount"], rate, values["months"], values["first"], scene.step)[1]

    return EntryForm(
        fields=(
            member_field(scene),
            owed_field(scene),
            Field("rate", _("Interest a month"), "number", unit="%", low=0, high=20, value=0.0),
            Field("months", _("Monthly instalments"), "whole", low=1, high=60, value=6),
            Field("first", _("First due on"), "day", value=add_months(state.today(), 1)),
        ),
        payload=lambda values: {"member": values["member"], **terms(values)},
        sentence=lambda values: scene.fill(
            _("{member} pays {amount} in {count} instalments of {payment}, the first on {day}"),
            values,
            count=values["months"],
            payment=scene.coins(terms(values)["due"][0][1]),
            day=day(values["first"]),
        ),
        cautions=lambda values: beyond(values["amount"], scene.owed(values["member"]), scene),
        note=_("The by-laws and the lending law say whether the group may ask for interest."),
    )


def grain_payment(scene: MeterScene) -> EntryForm:
    """Describe the entry: a member pays in grain."""

    def worth(values: Values) -> Any:
        names = ("kg", "moisture", "agreed", "price", "agreed_on", "bags", "tare")
        return value_grain(*(values[name] for name in names), step=scene.step)

    price = scene.number("maize_price_kg")
    agreed = scene.number("pool.base_pct")
    return EntryForm(
        fields=(
            member_field(scene),
            Field("kg", _("Weighed with bags"), "exact", unit="kg", low=0, high=100000),
            Field("bags", _("Bags weighed with it"), "whole", low=0, high=1000, value=1),
            Field("tare", _("An empty bag"), "exact", unit="kg", low=0, high=5, value=Decimal("0.2")),
            Field("moisture", _("Moisture as tested"), "exact", unit="%", low=5, high=40),
            Field("agreed", _("Agreed moisture"), "exact", unit="%", low=5, high=30, value=agreed),
            Field("price", _("Agreed price a kg"), "exact", unit=scene.currency, low=0, value=price),
            Field("agreed_on", _("Price agreed on"), "day", value=state.today()),
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
        sentence=lambda values: scene.fill(
            _("{member} pays in grain, worth {amount}: {sum}"),
            values,
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

    words, usual = _("Price of an hour agreed before the season"), scene.number("meter.hour_price")
    return EntryForm(
        fields=(
            member_field(scene),
            Field("hours", _("Hours"), "exact", low=Decimal("0.25"), high=500),
            Field("price", words, "exact", unit=scene.currency, low=Decimal("0.0001"), value=usual),
        ),
        payload=lambda values: {
            **{name: values[name] for name in ("member", "hours", "price")},
            "amount": worth(values),
        },
        sentence=lambda values: scene.fill(
            _("{member} pays by {hours} hours of work, worth {amount}"), values, amount=scene.coins(worth(values))
        ),
        cautions=lambda values: beyond(worth(values), scene.owed(values["member"]), scene),
    )


def outside_tests(scene: MeterScene) -> EntryForm:
    """Describe the entry: an outsider pays for tests."""
    return EntryForm(
        fields=(
            Field("payer", _("Who pays")),
            Field("tests", _("Tests"), "whole", low=1, high=1000),
            scene.money_field(),
            place_field(scene, _("Paid into")),
            reference_field(),
        ),
        sentence=lambda values: scene.fill(
            _("{payer}, no member, pays {amount} for {tests} tests into the {place}"), values
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
            Field("what", _("On what"), "choice", options=words),
            scene.money_field(),
            place_field(scene, _("Paid from")),
            holder,
            Field("text", _("Note"), required=False),
        ),
        payload=lambda values: {
            "on_what": values["what"],
            **{name: values[name] for name in ("amount", "money", "text")},
            **({"holder": values["member"]} if values.get("member") else {}),
        },
        sentence=lambda values: scene.fill(
            _("{amount} is spent on {what} from the {place}"), values, what=_(values["what"])
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
            Field("kg", _("Sold"), "exact", unit="kg", low=Decimal("0.001"), high=left, value=left),
            scene.money_field(_("Money received")),
            place_field(scene, _("Paid into")),
        ),
        payload=lambda values: grain_sold_terms(
            scene.account, values["kg"], values["amount"], values["money"], scene.step
        ),
        sentence=lambda values: scene.fill(
            _("{kg} kg of grain from payments is sold for {amount} into the {place}"), values
        ),
    )


def meter_bought(scene: MeterScene) -> EntryForm:
    """Describe the entry: the meter is bought."""
    if scene.account.facts.meter is not None:
        raise InputError("The meter bought on {day} is in the book already.", day=scene.account.facts.meter.bought_on)
    ways = {"money": _("Money in hand"), "seller": _("Owed to the seller"), "loan": _("A loan")}
    months = 12 * int(scene.number("meter.life_seasons"))

    def place(values: Values) -> Field | None:
        return place_field(scene, _("Where the money is taken from")) if values["source"] == "money" else None

    return EntryForm(
        fields=(
            scene.money_field(_("Price"), value=scene.number("meter.price")),
            Field("source", _("Paid from"), "choice", options=ways, value="money"),
            place,
            Field("life", _("How long it will last"), "whole", unit=_("months"), low=1, high=240, value=months),
            scene.money_field(_("What it can be sold for then"), "resale", ZERO, low=0),
        ),
        payload=lambda values: {
            "amount": values["amount"],
            "paid_from": values["source"],
            "money": values.get("money") or MONEY_PLACES[0],
            "life_months": values["life"],
            "resale": values["resale"],
        },
        sentence=lambda values: scene.fill(
            _("The meter is bought for {amount}; paid from: {way}"), values, way=ways[values["source"]]
        ),
        cautions=lambda values: (
            lacking(values["amount"], values["money"], scene) if values["source"] == "money" else []
        ),
    )


def seller_paid(scene: MeterScene) -> EntryForm:
    """Describe the entry: the seller is paid."""
    owed = max(-scene.account.journal.balance(SELLER, state.today()), ZERO)
    return EntryForm(
        fields=(scene.money_field(value=owed or None), place_field(scene, _("Paid from"))),
        sentence=lambda values: scene.fill(_("The seller of the meter is paid {amount} from the {place}"), values),
        cautions=lambda values: [
            *lacking(values["amount"], values["money"], scene),
            *beyond(values["amount"], owed, scene),
        ],
    )


def loan_taken(scene: MeterScene) -> EntryForm:
    """Describe the entry: a loan is taken."""
    return EntryForm(
        fields=(scene.money_field(), place_field(scene, _("Paid into"))),
        sentence=lambda values: scene.fill(_("The group takes a loan of {amount} into the {place}"), values),
        note=_("The by-laws say who may borrow for the group, and the lending law what a lender may ask."),
    )


def loan_paid(scene: MeterScene) -> EntryForm:
    """Describe the entry: a loan is paid down."""
    owed = -scene.account.journal.balance(LOAN, state.today())
    return EntryForm(
        fields=(
            scene.money_field(_("Of the loan itself"), "principal", ZERO, low=0),
            scene.money_field(_("Interest"), "interest", ZERO, low=0),
            place_field(scene, _("Paid from")),
        ),
        sentence=lambda values: scene.fill(
            _("{principal} of the loan and {interest} interest are paid from the {place}"), values
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
    words = _("By its age {amount} is to be written off today.")
    return EntryForm(
        fields=(scene.money_field(_("Written off (proposed by its age)"), value=due or None),),
        sentence=lambda values: scene.fill(_("The meter is written off by {amount}"), values),
        cautions=lambda values: [words.format(amount=scene.coins(due))] if values["amount"] > due else [],
    )


def loss_rule(scene: MeterScene) -> EntryForm:
    """Describe the entry: the rule for loss, theft and breakage is agreed."""
    labels = {
        "loss": _("The holder's part where it is lost"),
        "theft": _("where it is stolen"),
        "breakage": _("where it breaks"),
    }
    now = {what: 100 * scene.number(f"meter.holder_part.{what}") for what in LOSS_KINDS}
    return EntryForm(
        fields=tuple(
            Field(what, labels[what], "exact", unit="%", low=0, high=100, value=now[what]) for what in LOSS_KINDS
        ),
        payload=lambda values: {what: values[what] / HUNDRED for what in LOSS_KINDS},
        sentence=lambda values: scene.fill(
            _("The holder of the meter bears {loss} % of a loss, {theft} % of a theft, {breakage} % of a breakage"),
            values,
        ),
    )


def meter_gone(scene: MeterScene) -> EntryForm:
    """Describe the entry: the meter is lost, stolen or broken."""
    words = {"loss": _("lost"), "theft": _("stolen"), "breakage": _("broken beyond repair")}
    holder = holder_on(scene.events, state.today())
    return EntryForm(
        fields=(Field("what", _("The meter is"), "choice", options=words), member_field(scene, _("Who had it"))),
        payload=lambda values: {"what": values["what"], "holder": values["member"]},
        sentence=lambda values: scene.fill(
            _("The meter is {what}; {member} had it"), values, what=words[values["what"]]
        ),
        note=_("By the bookings {member} had it.").format(member=scene.label(holder)) if holder else "",
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
        fields=(Field("member", _("Member"), "choice", options=options),),
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

    most = _("Most that the by-laws allow the group to pay out (empty: no limit)")
    return EntryForm(
        fields=(
            member_field(scene, present=True),
            Field("most", most, "money", unit=scene.currency, low=0, step=scene.step, required=False),
        ),
        payload=terms,
        sentence=lambda values: scene.fill(
            _("{member} leaves. Part of the group's own money: {part}. Still owed to the group: {owes}"),
            values,
            part=scene.coins(Decimal(terms(values)["pay_out"])),
            owes=scene.coins(scene.owed(values["member"]) or ZERO),
        ),
        cautions=lambda values: _age_first(scene),
        dated=False,
    )


def paid_out(scene: MeterScene) -> EntryForm:
    """Describe the entry: a member is paid what the group owes."""

    def owed(values: Values) -> Field:
        row = scene.balance(values["member"])
        return scene.money_field(value=(row.owed_to_him or None) if row else None)

    return EntryForm(
        fields=(member_field(scene), owed, place_field(scene, _("Paid from"))),
        sentence=lambda values: scene.fill(_("The group pays {member} {amount} from the {place}"), values),
        cautions=lambda values: lacking(values["amount"], values["money"], scene),
    )


def money_moved(scene: MeterScene) -> EntryForm:
    """Describe the entry: money is moved between places."""
    return EntryForm(
        fields=(
            scene.money_field(),
            place_field(scene, _("Moved from")),
            place_field(scene, _("Moved to"), "to", None),
        ),
        sentence=lambda values: scene.fill(
            _("{amount} is moved from the {place} to the {other}"), values, other=place_words(values["to"])
        ),
        cautions=lambda values: lacking(values["amount"], values["money"], scene),
    )


def cash_counted(scene: MeterScene) -> EntryForm:
    """Describe the entry: the money is counted."""
    return EntryForm(
        fields=(scene.money_field(_("Counted"), low=0), place_field(scene, _("Where"))),
        payload=lambda values: {"counted": values["amount"], "money": values["money"]},
        sentence=lambda values: scene.fill(
            _("{amount} is counted in the {place}; the book says {book}"),
            values,
            book=scene.coins(scene.held(values["money"])),
        ),
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
