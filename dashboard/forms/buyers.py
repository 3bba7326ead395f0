"""Forms of the book of buyers: a buyer's terms, an offer, and what is withdrawn."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import streamlit as st

from core.group.own_crops import crops_of_group
from core.group.records import Group
from core.group.selling import assumed_terms, withdraw, write_buyer, write_offer
from core.market.buyer_book import BOOK, AssumedTerms, BuyerBook
from core.market.buyers import buyer_words
from dashboard import state
from dashboard.forms.confirm import confirm_once
from dashboard.forms.fields import Field, Filled, draw_fields
from dashboard.names import crop_name
from dashboard.text import _, day, literal, money, number, say


@dataclass(frozen=True)
class Term:
    """One term of a buyer or an offer: its key in the book, its words, and how it is shown (times `scale`)."""

    key: str
    label: str
    unit: str = ""
    scale: float = 1.0
    low: float = 0.0
    high: float | None = None
    empty: str = ""
    kind: str = "number"


def buyer_terms(group: Group, assumed: AssumedTerms) -> dict[str, list[Term]]:
    """Return a buyer's terms by heading; an empty field stands for what its help says."""

    def usual(value: float, digits: int = 0) -> str:
        return _("Empty: {value} is assumed.").format(value=number(value, digits))

    unknown, learnt = _("Empty: not known."), _("Empty: learnt from loads that both sides weighed.")
    point = _("% of the price per point")
    return {
        "": [
            Term(
                "price_factor", _("Pays"), _("% of the market's price"), 100, 0, 300, _("Empty: learnt from own sales.")
            ),
            Term("only_offers", _("Buys by offer only"), kind="yes"),
        ],
        _("Moisture and quality"): [
            Term("discount_from_pct", _("Deduction starts above"), _("% moisture"), high=40, empty=unknown),
            Term("discount_per_point", _("Deduction"), point, 100, 0, 50, usual(100 * assumed.discount_per_point, 1)),
            Term("second_from_pct", _("Higher deduction above"), _("% moisture"), high=40, empty=unknown),
            Term("second_per_point", _("Higher deduction"), point, 100, 0, 50, unknown),
            Term(
                "counted_by_pct",
                _("Points count in steps of"),
                _("points"),
                high=5,
                empty=_("Empty: as the meter reads."),
            ),
            Term("refuses_above_pct", _("Refuses above"), _("% moisture"), high=40, empty=unknown),
            Term("refuses_treated", _("Refuses grain with a protectant"), kind="yes"),
            Term("inspects", _("Looks for insects, smell and damaged kernels"), kind="yes"),
        ],
        _("Road and money"): [
            Term("distance_km", _("Distance"), _("km (0: collects)"), empty=unknown),
            Term("trip_cost", _("Truck for one trip"), group.currency, empty=_("Empty: worked out from the distance.")),
            Term("truck_kg", _("The truck carries"), _("kg"), empty=usual(assumed.truck_kg)),
            Term("pay_delay_days", _("Pays after"), _("days"), high=365, empty=usual(assumed.pay_delay_days)),
            Term(
                "weekly_quantity_kg",
                _("Takes a week before the price falls"),
                _("kg"),
                empty=usual(assumed.weekly_quantity_kg),
            ),
            Term("price_fall", _("More than that sells lower by"), _("%"), 100, 0, 90, usual(100 * assumed.price_fall)),
            Term("minimum_kg", _("Takes at least"), _("kg"), empty=usual(0)),
            Term("fee_share", _("Fee or levy"), _("% of the price"), 100, 0, 50, usual(0)),
        ],
        _("Scale and meter"): [
            Term("own_meter", _("The buyer's own meter decides"), kind="yes"),
            Term("meter_offset_pct", _("It reads above ours"), _("points"), 1, -5, 5, learnt),
            Term("own_scale", _("The buyer's own scale decides"), kind="yes"),
            Term("scale_offset", _("It reads above ours"), _("%"), 100, -20, 20, learnt),
        ],
    }


def entry_words(payload: Mapping[str, Any], group: Group) -> str:
    """Return what an entry of the book says of a buyer or an offer, in words."""
    assumed = assumed_terms(state.store().facts(group.id))
    terms = {term.key: term for part in buyer_terms(group, assumed).values() for term in part}
    names = {
        "name": _("Name"),
        "commodity": _("Crop"),
        "commodities": _("Crops"),
        "price_per_kg": _("Price"),
        "quantity_kg": _("At most, kg"),
        "valid_from": _("From"),
        "valid_until": _("Until"),
        "chance_not_honoured": _("Chance that it is not kept"),
        "reason": _("Why"),
    }

    def said(key: str, value: Any) -> str:
        if value is True:
            return _("yes")
        if key in ("commodity", "commodities"):
            return ", ".join(crop_name(code) for code in ([value] if isinstance(value, str) else value))
        if key in terms:
            return f"{number(float(value) * terms[key].scale, 1)} {terms[key].unit}"
        return number(value, 2) if isinstance(value, float) else str(value)

    return "; ".join(
        f"{terms[key].label if key in terms else names.get(key, key)}: {said(key, value)}"
        for key, value in payload.items()
        if key not in ("of", "buyer") and value not in ("", [], False)
    )


def _fields(terms: Sequence[Term], old: Mapping[str, Any]) -> list[Field]:
    """Return terms as fields that hold what the book has."""
    made = []
    for term in terms:
        before = old.get(term.key)
        value = before if term.kind == "yes" or before is None else round(float(before) * term.scale, 6)
        numbers = {} if term.kind == "yes" else {"low": term.low, "high": term.high}
        made.append(
            Field(
                term.key, term.label, term.kind, unit=term.unit, value=value, help=term.empty, required=False, **numbers
            )
        )
    return made


def _in_book_units(terms: Sequence[Term], values: Mapping[str, Any]) -> dict[str, Any]:
    """Return what was filled in as the book keeps it."""
    scales = {term.key: term.scale for term in terms if term.kind != "yes"}
    return {
        key: round(value / scales[key], 9) if key in scales else value
        for key, value in values.items()
        if value is not None
    }


def buyer_form(group: Group, book: BuyerBook) -> None:
    """Write down a buyer, or new terms of one."""
    store = state.store()
    standing = {entry.number: entry for entry in book.standing_buyers()}
    of = st.selectbox(
        _("Which buyer"),
        [0, *standing],
        format_func=lambda n: literal(standing[n].buyer.name) if n else _("a new one"),
        key="buyers_which",
    )
    old = dict(standing[of].payload) if of else {}
    form = f"buyer_{of}_{standing[of].changes if of else 0}"
    crops = {code: crop_name(code) for code in crops_of_group(store, group.id)}
    first = [
        Field("name", _("Name"), "text", value=old.get("name")),
        Field(
            "commodities",
            _("Crops (none chosen: all)"),
            "several",
            options=crops,
            value=tuple(old.get("commodities") or ()),
            required=False,
        ),
    ]
    groups = buyer_terms(group, assumed_terms(store.facts(group.id)))
    filled = _draw_groups(
        form,
        {"": [*first, *_fields(groups.pop(""), old)]}
        | {heading: _fields(terms, old) for heading, terms in groups.items()},
    )
    terms = [term for part in buyer_terms(group, assumed_terms(store.facts(group.id))).values() for term in part]

    def write(values: Mapping[str, Any], token: str) -> str:
        made = {"of": of or None, **_in_book_units(terms, values)}
        kept = {
            key: list(value) if isinstance(value, tuple) else value for key, value in made.items() if value is not None
        }
        write_buyer(store, group.id, kept, state.today(), state.who(), state.now(), token)
        return _("Recorded: {name}.").format(name=literal(values["name"]))

    confirm_once(
        form,
        filled,
        lambda values: _("Record the terms of {name} from today on").format(name=values["name"]),
        write,
        seen=len(store.events(group.id, BOOK)),
    )


def _draw_groups(form: str, groups: Mapping[str, Sequence[Field]]) -> Filled:
    """Draw one form whose fields stand under headings."""
    values: dict[str, Any] = {}
    errors: dict[str, str] = {}
    for heading, fields in groups.items():
        if heading:
            st.markdown(f"**{heading}**")
        part = draw_fields(form, fields)
        values |= part.values
        errors |= part.errors
    return Filled(values, errors)


def offer_terms(group: Group, assumed: AssumedTerms) -> list[Term]:
    """Return an offer's terms; an empty field stands for what its help says."""
    broken = number(100 * assumed.chance_not_honoured, 0)
    return [
        Term("price_per_kg", _("Price"), _("{currency} per kg").format(currency=group.currency)),
        Term("quantity_kg", _("At most"), _("kg"), empty=_("Empty: any quantity.")),
        Term(
            "chance_not_honoured",
            _("Chance that it is not kept"),
            "%",
            100,
            0,
            100,
            _("Empty: {value} is assumed.").format(value=broken),
        ),
    ]


def offer_form(group: Group, book: BuyerBook) -> None:
    """Write down an offer, or new terms of one."""
    store = state.store()
    standing = {entry.number: literal(entry.buyer.name) for entry in book.standing_buyers()}
    if not standing:
        st.markdown(_("Record the buyer first."))
        return
    offers = {entry.number: entry for entry in book.standing_offers(state.today())}
    of = st.selectbox(
        _("Which offer"),
        [0, *offers],
        format_func=lambda n: literal(say(buyer_words(offers[n].offer.name))) if n else _("a new one"),
        key="buyers_which_offer",
    )
    old = dict(offers[of].payload) if of else {}
    first = offers[of].offer.valid_from if of else state.today()
    last = offers[of].offer.valid_until if of else state.today() + timedelta(days=30)
    crops = {code: crop_name(code) for code in crops_of_group(store, group.id)}
    terms = offer_terms(group, assumed_terms(store.facts(group.id)))
    form = f"offer_{of}_{offers[of].changes if of else 0}"
    filled = draw_fields(
        form,
        [
            Field("buyer", _("Buyer"), "choice", options=standing, value=old.get("buyer")),
            Field("commodity", _("Crop"), "choice", options=crops, value=old.get("commodity")),
            *_fields(terms, old),
            Field("valid_from", _("From"), "day", value=first),
            Field("valid_until", _("Until"), "day", value=last),
        ],
    )

    def write(values: Mapping[str, Any], token: str) -> str:
        made = {"of": of or None, **_in_book_units(terms, values)}
        made |= {key: values[key].isoformat() for key in ("valid_from", "valid_until")}
        kept = {key: value for key, value in made.items() if value is not None}
        write_offer(store, group.id, kept, state.today(), state.who(), state.now(), token)
        return _("Recorded: an offer of {name}.").format(name=standing[values["buyer"]])

    confirm_once(
        form,
        filled,
        lambda values: _("Record an offer of {name}: {price} per kg until {date}").format(
            name=standing[values["buyer"]],
            price=money(values["price_per_kg"] or 0.0, group.currency),
            date=day(values["valid_until"]),
        ),
        write,
        seen=len(store.events(group.id, BOOK)),
    )


def withdraw_form(group: Group, book: BuyerBook) -> None:
    """Withdraw a buyer or an offer, or let one stand again."""
    choices = {entry.number: literal(entry.buyer.name) for entry in book.standing_buyers()}
    choices |= {
        entry.number: literal(say(buyer_words(entry.offer.name))) for entry in book.standing_offers(state.today())
    }
    restore_form(group, book)
    if not choices:
        st.markdown(_("There is nothing to withdraw."))
        return
    store = state.store()
    filled = draw_fields(
        "withdraw",
        [
            Field("number", _("Which buyer or offer"), "choice", options=choices),
            Field("reason", _("Why"), "text", required=False),
        ],
    )

    def write(values: Mapping[str, Any], token: str) -> str:
        withdraw(store, group.id, values["number"], values["reason"], state.today(), state.who(), state.now(), token)
        return _("Withdrawn: {name}. The book keeps its entries.").format(name=choices[values["number"]])

    confirm_once(
        "withdraw",
        filled,
        lambda values: _("Withdraw {name}").format(name=choices[values["number"]]),
        write,
        seen=len(store.events(group.id, BOOK)),
    )


def restore_form(group: Group, book: BuyerBook) -> None:
    """Offer to restore a withdrawn buyer or offer; the withdrawal stays in the book, with the entry that cancels it."""
    store = state.store()
    for entry, name in book.withdrawals(store.events(group.id, BOOK), state.today()):
        left, right = st.columns([3, 1])
        left.markdown(_("Withdrawn on {date}: {name}").format(date=day(entry.on), name=literal(say(buyer_words(name)))))
        if right.button(_("Restore"), key=f"buyers_again_{entry.id}"):
            store.append_event(group.id, BOOK, "reversal", state.today(), state.who(), {}, state.now(), entry.id)
            st.rerun()
