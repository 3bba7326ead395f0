"""The entries of the pools' book: each kind described once, by one function."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from typing import Any

from core.errors import InputError
from core.grain.commodities import commodity_codes
from core.group.coins import smallest_coin
from core.group.records import Event, Group
from core.group.selling import buyer_book
from core.pool.book import agreement_effects, assumed_terms
from core.pool.deliveries import checked_delivery, may_join, weight_at
from core.pool.loans import LoanAccount
from core.pool.losses import method_of
from core.pool.payout import BuyerAccount, MemberPay, buyer_accounts, loan_accounts, pay_by_member
from core.pool.season import LOSS_KINDS, Season
from core.pool.terms import (
    DEDUCTIONS,
    Terms,
    factors_text,
    factors_typed,
    first_day_of,
    levies_text,
    levies_typed,
    weeks_typed,
)
from core.storage.methods import method_codes
from dashboard import state
from dashboard.forms.entries import EntryForm, Scene, Values, reference_field
from dashboard.forms.fields import Field
from dashboard.money_parts import member_label
from dashboard.names import crop_name, method_name
from dashboard.text import _, day, ngettext, number

ZERO, HUNDRED = Decimal(0), Decimal(100)
MUCH_DEDUCTED = Decimal("0.3")
OTHER_SCALE = Decimal("0.03")
OTHER_PRICE = 2
BAG_KG = (20, 130)
"""Bounds beyond which a load or a weighing is asked about (deductions and scales as fractions, price as times the last
one, kg in a bag); basis: judgement."""


@dataclass(frozen=True)
class PoolScene(Scene):
    """What the forms of the pools rest on: beside the group and its book, the season, members, everybody's money."""

    season: Season
    members: Mapping[int, str]
    pays: Mapping[int, MemberPay]
    buyers: Mapping[str, BuyerAccount]
    loans: Mapping[int, LoanAccount]

    def label(self, member: Any) -> str:
        """Return a member by name and number."""
        return member_label(member, self.members.get(member, "?"))

    def due(self, member: int | None) -> Decimal:
        """Return what is still due to a member, 0 or more."""
        pay = self.pays.get(member) if member is not None else None
        return max(pay.due, ZERO) if pay else ZERO

    def stored_kg(self, pool: str | None) -> Decimal:
        """Return what is in a pool, kg at the common moisture."""
        return weight_at(self.season.pool_dry_kg(pool or ""), self.season.terms.base_pct)


def scene_of(group: Group, events: Sequence[Event], season: Season, members: Mapping[int, str]) -> PoolScene:
    """Return what the forms rest on."""
    pays = pay_by_member(season)
    accounts = loan_accounts(season, pays, state.today())
    loans = {account.loan.number: account for account in accounts}
    step = (
        season.terms.step if any(event.kind == "terms" for event in events) else smallest_coin(state.store(), group.id)
    )
    return PoolScene(group, events, step, season, members, pays, buyer_accounts(season), loans)


# Fields that several entries share


def member_field(scene: PoolScene, with_due: bool = False) -> Field:
    """Return the choice of a member by name and number, with what is due where asked."""
    options = {member: scene.label(member) for member in scene.members}
    if with_due:
        options = {
            member: _("{member}: due {amount}").format(member=words, amount=scene.coins(scene.due(member)))
            for member, words in options.items()
        }
    return Field("member", _("Member"), "choice", options=options)


def pool_field(scene: PoolScene, new: bool = False) -> Field:
    """Return the choice of a pool; `new` lets one be opened."""
    pools = scene.season.pools()
    options = {
        pool: _("{pool}: {kg} kg in it").format(pool=pool, kg=number(float(scene.stored_kg(pool)), 0)) for pool in pools
    }
    if new and not options:
        options = {_("Main pool"): _("Main pool")}
    first = next(iter(options)) if len(options) == 1 else None
    label = _("Pool (type a name to open one)") if new else _("Pool")
    return Field("pool", label, "choice", options=options, accept_new=new, value=first)


def moisture_field(name: str, label: str, value: Decimal | None = None, required: bool = True) -> Field:
    """Return a field for a moisture in % wet basis."""
    return Field(name, label, "exact", unit="%", low=3, high=45, value=value, required=required)


def beyond(amount: Decimal, due: Decimal, scene: PoolScene) -> list[str]:
    """Return what to ask about an amount that is more than is due."""
    return scene.beyond(amount, due, _("This is more than is owed ({owed})."))


# One function for each kind of entry


def delivery(scene: PoolScene) -> EntryForm:
    """Describe the entry: a member's grain is weighed in."""
    season = scene.season
    crops = {code: crop_name(code) for code in commodity_codes()}

    def crop(values: Values) -> Field:
        known = next((item.commodity for item in season.deliveries if item.pool == values["pool"]), None)
        return Field("crop", _("Crop"), "choice", options=crops, value=known, follows=("pool",))

    def payload(values: Values) -> dict[str, Any]:
        made = _weighed_in(values)
        item = checked_delivery(made, 0, values["on"], state.who())
        present = next((other for other in season.deliveries if other.pool == item.pool), None)
        refused = may_join(item, season.terms.limit_pct, present)
        if refused is not None:
            raise InputError(refused.template, **refused.values)
        return made

    def sentence(values: Values) -> str:
        item = checked_delivery(payload(values), 0, values["on"], state.who())
        return _("{member} delivers {net} kg of {crop} at {moisture} %: {kg} kg at {base} %, into {pool}").format(
            member=scene.label(values["member"]),
            net=number(float(item.net_kg), 1),
            crop=crops[values["crop"]],
            moisture=values["moisture"],
            kg=number(float(weight_at(item.dry_kg, season.terms.base_pct)), 1),
            base=season.terms.base_pct,
            pool=values["pool"],
        )

    def cautions(values: Values) -> list[str]:
        bags = values["bags"]
        each = (values["gross"] - values["tare"]) / bags if bags else ZERO
        if bags and not BAG_KG[0] <= each <= BAG_KG[1]:
            return [_("That is {kg} kg a bag. Is the weight or the count right?").format(kg=number(float(each), 0))]
        return []

    grades = {grade: grade for grade in sorted(season.terms.grade_factors)}
    return EntryForm(
        fields=(
            member_field(scene),
            pool_field(scene, new=True),
            crop,
            Field("gross", _("Gross weight"), "exact", unit="kg", low=Decimal("0.1"), high=100000),
            Field("tare", _("Empty bags (tare)"), "exact", unit="kg", low=0, high=1000, value=ZERO),
            Field("bags", _("Bags"), "whole", low=0, high=5000),
            moisture_field("moisture", _("Moisture by our meter")),
            Field("spread", _("How sure: ±"), "exact", unit="%", low=Decimal("0.1"), high=3, value=Decimal("0.5")),
            Field("grade", _("Grade"), "choice", options=grades, value=next(iter(grades), None)),
        ),
        payload=payload,
        sentence=sentence,
        cautions=cautions,
    )


def _weighed_in(values: Values) -> dict[str, Any]:
    """Return what the book keeps of a delivery: kg to the gram, moisture in % to two places."""
    return {
        "member_id": values["member"],
        "pool": str(values["pool"]).strip(),
        "commodity": values["crop"],
        "gross_kg": f"{values['gross']:.3f}",
        "tare_kg": f"{values['tare']:.3f}",
        "bags": values["bags"],
        "moisture_pct": f"{values['moisture']:.2f}",
        "moisture_sd_pct": f"{values['spread']:.2f}",
        "grade": values["grade"],
    }


def sale(scene: PoolScene) -> EntryForm:
    """Describe the entry: a load is sold."""

    def payload(values: Values) -> dict[str, Any]:
        made = {
            "pool": values["pool"],
            "buyer": str(values["buyer"]).strip(),
            "loaded_kg": f"{values['loaded']:.3f}",
            "loaded_moisture_pct": f"{values['ours']:.2f}",
            "price_per_kg": values["price"],
            "buyer_deductions": values["taken"],
            "costs": values["costs"],
            "due_on": values["due"],
        }
        if values["theirs_kg"] is not None:
            made["buyer_kg"] = f"{values['theirs_kg']:.3f}"
        if values["theirs"] is not None:
            made["buyer_moisture_pct"] = f"{values['theirs']:.2f}"
        if _is_heavier(scene, values):
            made["whole_pool"] = True
        return made

    def worth(values: Values) -> Decimal:
        mass = values["loaded"] if values["theirs_kg"] is None else values["theirs_kg"]
        return mass * values["price"]

    def sentence(values: Values) -> str:
        payload(values)
        return _(
            "{kg} kg from {pool} go to {buyer} for {amount}, less {taken} deductions; truck and market {costs}"
        ).format(
            kg=number(float(values["loaded"]), 1),
            pool=values["pool"],
            buyer=values["buyer"],
            amount=scene.coins(round(worth(values), 2)),
            taken=scene.coins(values["taken"]),
            costs=scene.coins(values["costs"]),
        )

    return EntryForm(
        fields=sale_fields(scene),
        payload=payload,
        sentence=sentence,
        cautions=lambda values: sale_cautions(scene, values, worth(values)),
        note=_("Use a verified scale and a checked meter where the law requires them in trade."),
    )


def sale_fields(scene: PoolScene) -> tuple[Field, ...]:
    """Return what a load consists of: weights and moistures by both sides' instruments, price, deductions, costs."""
    known = {sale.buyer for sale in scene.season.sales}
    known |= {entry.buyer.name for entry in buyer_book(state.store(), scene.group.id).standing_buyers()}
    buyers = {name: name for name in sorted(known)}
    return (
        pool_field(scene),
        Field("buyer", _("Buyer"), "choice", options=buyers, accept_new=True),
        Field("loaded", _("Loaded, on our scale"), "exact", unit="kg", low=Decimal("0.1"), high=1000000),
        moisture_field("ours", _("Moisture by our meter")),
        Field(
            "theirs_kg",
            _("Buyer's scale (empty: as ours)"),
            "exact",
            unit="kg",
            low=Decimal("0.1"),
            high=1000000,
            required=False,
        ),
        moisture_field("theirs", _("Buyer's meter (empty: as ours)"), required=False),
        Field("price", _("Price per kg"), "exact", unit=scene.group.currency, low=Decimal("0.0001")),
        scene.money_field(_("Deductions by the buyer"), "taken", ZERO, ZERO),
        scene.money_field(_("Truck and market costs, paid in cash"), "costs", ZERO, ZERO),
        Field("due", _("Buyer pays on"), "day", value=state.today()),
    )


def _is_heavier(scene: PoolScene, values: Values) -> bool:
    """Return whether a load has more dry matter than the book's pool."""
    return bool(values["loaded"] * (HUNDRED - values["ours"]) / HUNDRED > scene.season.pool_dry_kg(values["pool"]))


def sale_cautions(scene: PoolScene, values: Values, worth: Decimal) -> list[str]:
    """Return what to look at twice before a load is recorded."""
    found = []
    if _is_heavier(scene, values):
        found.append(
            _(
                "The pool holds {kg} kg at {base} %, less than this load. Is a delivery missing, or the weight wrong? "
                "If the load is right, the whole pool counts as sold and its members share the money."
            ).format(kg=number(float(scene.stored_kg(values["pool"])), 1), base=scene.season.terms.base_pct)
        )
    if values["taken"] > MUCH_DEDUCTED * worth:
        found.append(
            _("The deductions are {part} % of the price. Is that right?").format(
                part=number(float(100 * values["taken"] / worth), 0)
            )
        )
    theirs = values["theirs_kg"]
    if theirs is not None and abs(theirs - values["loaded"]) > OTHER_SCALE * values["loaded"]:
        found.append(
            _("The buyer's scale differs from ours by {kg} kg.").format(kg=number(float(theirs - values["loaded"]), 1))
        )
    last = next((sale.price_per_kg for sale in reversed(scene.season.sales)), None)
    if last and not last / OTHER_PRICE <= values["price"] <= last * OTHER_PRICE:
        found.append(_("The last load was sold at {price} per kg.").format(price=scene.coins(last)))
    return found


def received(scene: PoolScene) -> EntryForm:
    """Describe the entry: a buyer pays."""
    buyers = {sale.buyer for sale in scene.season.sales}
    if not buyers:
        raise InputError("No load has been sold yet.")
    options = {
        name: _("{buyer}: owes {amount}").format(buyer=name, amount=scene.coins(scene.buyers[name].open))
        for name in sorted(buyers)
    }

    def owed(values: Values) -> Decimal:
        return scene.buyers[values["buyer"]].open if values["buyer"] else ZERO

    return EntryForm(
        fields=(
            Field("buyer", _("Buyer"), "choice", options=options),
            lambda values: scene.money_field(value=owed(values) or None),
            reference_field(),
        ),
        sentence=lambda values: scene.fill(_("{buyer} pays {amount} into the pools' cash"), values),
        cautions=lambda values: beyond(values["amount"], owed(values), scene),
    )


def written_off(scene: PoolScene) -> EntryForm:
    """Describe the entry: what a buyer never pays."""
    owing = {name: account.open for name, account in scene.buyers.items() if account.open > 0}
    if not owing:
        raise InputError("No buyer owes anything.")
    options = {
        name: _("{buyer}: owes {amount}").format(buyer=name, amount=scene.coins(amount))
        for name, amount in owing.items()
    }

    def amount_field(values: Values) -> Field:
        owed = owing.get(values["buyer"])
        return replace(scene.money_field(value=owed), high=owed)

    return EntryForm(
        fields=(Field("buyer", _("Buyer"), "choice", options=options), amount_field),
        sentence=lambda values: scene.fill(
            _("{buyer} never pays {amount}; each member bears a part, by their grain in the loads to {buyer}"), values
        ),
        cautions=lambda values: [_("Members who were paid already may then owe the group.")],
    )


def _with_member(values: Values) -> dict[str, Any]:
    """Return the values asked as the pools' book keeps them: its members are numbers under "member_id"."""
    return {{"member": "member_id"}.get(name, name): value for name, value in values.items() if name != "on"}


def payment(scene: PoolScene) -> EntryForm:
    """Describe the entry: a member is paid."""
    return _to_member(scene, _("{member} is paid {amount} from the pools' cash"), {})


def advance(scene: PoolScene) -> EntryForm:
    """Describe the entry: a member gets an advance."""
    form = _to_member(scene, _("{member} gets an advance of {amount}, deducted from later pay"), {"about": "advance"})
    note = _("The by-laws say who may get an advance, and the lending law what may be asked for it.")
    return EntryForm(form.fields, form.sentence, form.payload, note=note)


def _to_member(scene: PoolScene, words: str, more: Mapping[str, str]) -> EntryForm:
    return EntryForm(
        fields=(
            member_field(scene, with_due=not more),
            lambda values: scene.money_field(value=None if more else scene.due(values["member"]) or None),
            reference_field(),
        ),
        payload=lambda values: {**_with_member(values), **more},
        sentence=lambda values: scene.fill(words, values),
        cautions=lambda values: beyond(values["amount"], scene.due(values["member"]), scene),
    )


def charge(scene: PoolScene) -> EntryForm:
    """Describe the entry: something is charged to a member."""
    return EntryForm(
        fields=(
            member_field(scene),
            scene.money_field(),
            Field("about", _("What for"), required=False),
            reference_field(),
        ),
        payload=_with_member,
        sentence=lambda values: scene.fill(_("{member} is charged {amount}: {about}"), values),
    )


def money_in(scene: PoolScene) -> EntryForm:
    """Describe the entry: the group puts money into the pools' cash."""
    return _with_group(
        scene, _("The group puts {amount} from {place} into the pools' cash"), _("From (bank, loan, ...)")
    )


def money_out(scene: PoolScene) -> EntryForm:
    """Describe the entry: the group takes money out of the pools' cash."""
    return _with_group(scene, _("The group takes {amount} out of the pools' cash: {place}"), _("What for, or where to"))


def _with_group(scene: PoolScene, words: str, label: str) -> EntryForm:
    return EntryForm(
        fields=(scene.money_field(), Field("place", label)), sentence=lambda values: scene.fill(words, values)
    )


def loan(scene: PoolScene) -> EntryForm:
    """Describe the entry: a loan to a member."""
    return EntryForm(
        fields=(
            member_field(scene),
            scene.money_field(_("Lent")),
            Field("rate", _("Interest a month"), "exact", unit="%", low=0, high=50, value=ZERO),
            Field("purpose", _("What for"), required=False),
        ),
        payload=lambda values: {
            "member_id": values["member"],
            "principal": values["amount"],
            "monthly_rate": str(values["rate"] / HUNDRED),
            "purpose": values["purpose"],
        },
        sentence=lambda values: scene.fill(_("{member} is lent {amount} at {rate} % a month"), values),
        note=_("The by-laws and the lending law say whether the group may lend, and at what interest."),
    )


def loan_repaid(scene: PoolScene) -> EntryForm:
    """Describe the entry: a loan is paid back in cash."""
    open_loans = {number: account for number, account in scene.loans.items() if account.still_due > 0}
    if not open_loans:
        raise InputError("No loan is open.")
    options = {
        number: _("{number}: {member}, still due {amount}").format(
            number=number, member=scene.label(account.loan.member_id), amount=scene.coins(account.still_due)
        )
        for number, account in open_loans.items()
    }

    def due(values: Values) -> Decimal:
        return open_loans[values["loan"]].still_due if values["loan"] else ZERO

    return EntryForm(
        fields=(
            Field("loan", _("Loan"), "choice", options=options),
            lambda values: scene.money_field(_("Paid back in cash"), value=due(values) or None),
        ),
        sentence=lambda values: scene.fill(
            _("{member} pays back {amount} of loan {number} in cash"),
            values,
            member=scene.label(open_loans[values["loan"]].loan.member_id),
            number=values["loan"],
        ),
        cautions=lambda values: beyond(values["amount"], due(values), scene),
    )


def loss(scene: PoolScene) -> EntryForm:
    """Describe the entry: grain left a pool unsold."""
    base = scene.season.terms.base_pct
    kinds = {kind: _(kind).capitalize() for kind in LOSS_KINDS}
    return EntryForm(
        fields=(
            pool_field(scene),
            Field("kind", _("Kind of loss"), "choice", options=kinds),
            Field(
                "kg",
                _("Weight at the agreed moisture of {base} %").format(base=base),
                "exact",
                unit="kg",
                low=Decimal("0.001"),
                high=1000000,
            ),
        ),
        payload=lambda values: {
            "pool": values["pool"],
            "kind": values["kind"],
            "dry_kg": f"{values['kg'] * (HUNDRED - base) / HUNDRED:.3f}",
        },
        sentence=lambda values: scene.fill(
            _("{kg} kg leave {pool} unsold ({kind}); every member bears their share"),
            values,
            kg=number(float(values["kg"]), 1),
            kind=kinds[values["kind"]],
        ),
    )


def place(scene: PoolScene) -> EntryForm:
    """Describe the entry: how a pool is stored."""
    methods = {code: method_name(code) for code in method_codes()}

    def method(values: Values) -> Field:
        known = method_of(state.store(), scene.group.id, scene.season, values["pool"])[0] if values["pool"] else None
        return Field("method", _("How it is stored"), "choice", options=methods, value=known, follows=("pool",))

    return EntryForm(
        fields=(pool_field(scene), method),
        sentence=lambda values: scene.fill(
            _("{pool} is stored in: {method}"), values, method=methods[values["method"]]
        ),
    )


LOAD_ENTRIES: Mapping[str, Callable[[PoolScene], EntryForm]] = {
    "sale": sale,
    "buyer_payment": received,
    "written_off": written_off,
}
OTHER_ENTRIES: Mapping[str, Callable[[PoolScene], EntryForm]] = {
    "payment": payment,
    "advance": advance,
    "charge": charge,
    "money_in": money_in,
    "money_out": money_out,
    "loan": loan,
    "loan_repaid": loan_repaid,
    "loss": loss,
    "store": place,
}
KIND_OF = {"advance": "payment"}
"""Kinds of entries that the book keeps under another's name."""


def entry_words() -> dict[str, str]:
    """Return what each kind of entry is called in the choice."""
    return {
        "sale": _("A load is sold"),
        "buyer_payment": _("A buyer pays"),
        "written_off": _("A buyer never pays"),
        "payment": _("A member is paid"),
        "advance": _("A member gets an advance"),
        "charge": _("Something is charged to a member"),
        "money_in": _("The group puts money into the pools' cash"),
        "money_out": _("The group takes money out of the pools' cash"),
        "loan": _("A member gets a loan"),
        "loan_repaid": _("A member pays a loan back in cash"),
        "loss": _("Grain left a pool unsold"),
        "store": _("How a pool is stored"),
    }


# The agreement


def agreement(scene: PoolScene) -> EntryForm:
    """Describe the entry: what the group agreed, with what the change does to each member."""
    agreed = any(event.kind == "terms" for event in scene.events)

    def payload(values: Values) -> dict[str, Any]:
        return {
            "base_pct": values["base"],
            "limit_pct": values["limit"],
            "first_payment_per_kg": values["first"],
            "step": values["coin"],
            "price_rule": values["rule"],
            "grade_factors": factors_typed(values["grades"]) or {"1": "1"},
            "week_factors": weeks_typed(values["weeks"]),
            "levies": levies_typed(values["levies"]),
            "order": [values[f"order_{place}"] for place in range(len(DEDUCTIONS))],
            "minimum_take_home": str(values["kept"] / HUNDRED),
        }

    def effects(values: Values) -> dict[int, tuple[Decimal, Decimal]]:
        assumed = assumed_terms(state.store(), scene.group.id)
        return agreement_effects(list(scene.events), payload(values), state.today(), assumed)

    def sentence(values: Values) -> str:
        changed = sum(before != after for before, after in effects(values).values())
        if not changed:
            return _("The agreement is saved. It changes nobody's pay so far")
        return ngettext(
            "The agreement is saved. It changes the pay of {count} member",
            "The agreement is saved. It changes the pay of {count} members",
            changed,
        ).format(count=changed)

    def cautions(values: Values) -> list[str]:
        return agreement_cautions(scene, effects(values))

    return EntryForm(
        fields=agreement_fields(scene, agreed),
        payload=payload,
        sentence=sentence,
        cautions=cautions,
        dated=False,
        note=""
        if agreed
        else _("Assumed until the group saves its own: the moistures are common practice for maize, no source."),
    )


def agreement_fields(scene: PoolScene, agreed: bool) -> tuple[Field, ...]:
    """Return what an agreement consists of, with what holds now."""
    terms, currency = scene.season.terms, scene.group.currency
    kinds = {"levies": _("Levies"), "meter": _("Meter fees"), "loans": _("Loans"), "advances": _("Advances")}
    rules = {
        "by_sale": _("Each load's money goes to those who had grain in the pool that day"),
        "pool_price": _("One price for the whole season"),
        "by_week": _("What came in first is sold first: each week's grain gets what its load was sold for"),
    }
    return (
        moisture_field("base", _("Agreed moisture"), terms.base_pct),
        moisture_field("limit", _("Highest moisture accepted"), terms.limit_pct),
        Field(
            "first",
            _("First payment per kg at the agreed moisture"),
            "exact",
            unit=currency,
            low=0,
            value=terms.first_payment_per_kg,
        ),
        Field(
            "coin",
            _("Smallest coin in use"),
            "exact",
            unit=currency,
            low=Decimal("0.001"),
            value=scene.step if not agreed else terms.step,
        ),
        Field("rule", _("Price"), "choice", options=rules, value=terms.price_rule, wide=True),
        *_fields_of_lines(terms),
        *(
            Field(
                f"order_{place}",
                _("Place {place} in the order of deductions").format(place=place + 1),
                "choice",
                options=kinds,
                value=terms.order[place],
            )
            for place in range(len(DEDUCTIONS))
        ),
        Field(
            "kept",
            _("Least that a member takes home (0: none agreed)"),
            "exact",
            unit="%",
            low=0,
            high=100,
            value=100 * terms.minimum_take_home,
        ),
    )


def _fields_of_lines(terms: Terms) -> tuple[Field, ...]:
    """Return what an agreement has of unknown number: a line for each grade, week with another price, and levy."""
    return (
        Field(
            "grades",
            _("Grades, and % of the first grade's price: one line each, such as 2: 93"),
            "long_text",
            value=factors_text(terms.grade_factors),
        ),
        Field(
            "weeks",
            _("Weeks of delivery with another price: one line each, a day of the week and %, such as {day}: 95").format(
                day=day(date(2026, 5, 11))
            ),
            "long_text",
            value=factors_text({day(first_day_of(week)): part for week, part in terms.week_factors.items()}),
            required=False,
        ),
        Field(
            "levies",
            _("Levies, the first taken first: one line each, such as office: 4 (money per kg) or school: 2 %"),
            "long_text",
            value=levies_text(terms.levies),
            required=False,
            wide=True,
        ),
    )


def agreement_cautions(scene: PoolScene, effects: Mapping[int, tuple[Decimal, Decimal]]) -> list[str]:
    """Return what a changed agreement does to each member, those first whose pay is settled."""
    found = []
    settled = [member for member, (before, after) in effects.items() if before <= 0 and before != after]
    if settled:
        names = ", ".join(scene.label(member) for member in settled)
        found.append(
            _("This opens pay that is settled already: {names}. Close the season first to leave it alone.").format(
                names=names
            )
        )
    changed = {member: pair for member, pair in effects.items() if pair[0] != pair[1]}
    if changed:
        rows = "; ".join(
            _("{member}: due {before}, then {after}").format(
                member=scene.label(member), before=scene.coins(before), after=scene.coins(after)
            )
            for member, (before, after) in sorted(changed.items())
        )
        found.append(rows)
    return found


def closed_words(season: Season) -> str:
    """Return when the season was closed, or nothing."""
    last = max((close.on for close in season.closes), default=None)
    return _("Closed up to {day}.").format(day=day(last)) if last else ""
