"""The book of buyers and offers: entries are only added, and what stands today is worked out from all of them.

Kinds of entries: ``buyer`` and ``offer`` (a new one, or new terms of the one whose number stands in ``of``),
``withdrawn`` (``of`` = the number of a buyer or an offer). A term that nobody entered is absent from the entry: it
stays assumed, and follows what is assumed today.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np

from core.accounts.book import Book
from core.errors import InputError
from core.market.buyers import Buyer, MeterOffset, Offer, learn_offset
from core.market.deductions import READING_SD_PCT, Deductions

BOOK = "buyers"
SCALE_PRIOR = 0.01
SCALE_SCATTER = 0.005
"""How far buyers' scales lie from ours in general, and how one load scatters, fractions of mass; basis: judgement."""
ENTERED_OFFSET_SD = (0.3, 0.003)
"""How well a difference that people tell is known: points of moisture, fraction of mass; basis: judgement."""


@dataclass(frozen=True)
class AssumedTerms:
    """What is taken of a buyer of whom nobody has said otherwise.

    Attributes
    ----------
    trip_cost, km_cost : float
        A truck's hire for one trip, and for each km driven [money].
    weekly_quantity_kg, price_fall : float
        What a market takes in a week [kg], and the fraction by which the rest sells lower.
    discount_per_point : float
        Fraction of the price for each point of moisture above a buyer's base.
    damage_per_pct : float
        Fraction of the price for each 1 % of insect-damaged kernels.
    """

    trip_cost: float = 0.0
    km_cost: float = 0.0
    truck_kg: float = math.inf
    pay_delay_days: int = 0
    chance_not_honoured: float = 0.1
    weekly_quantity_kg: float = math.inf
    price_fall: float = 0.05
    fee_share: float = 0.0
    discount_per_point: float = 0.02
    damage_per_pct: float = 0.0


@dataclass(frozen=True)
class BuyerEntry:
    """A buyer of the book.

    Attributes
    ----------
    number : int
        Of the first entry; stays the same through all changes.
    entered : frozenset of str
        Names of the terms that somebody entered; the others are assumed, and offsets learnt where there are deliveries.
    payload : dict
        The last entry as it was written.
    only_offers : bool
        Whether the buyer buys by offer only, not at the market's price.
    changed_on, changed_by
        Last entry.
    """

    number: int
    buyer: Buyer
    entered: frozenset[str]
    payload: Mapping[str, Any]
    only_offers: bool
    changes: int
    changed_on: date
    changed_by: str
    withdrawn_on: date | None = None


@dataclass(frozen=True)
class OfferEntry:
    """An offer of the book, with the number of its buyer."""

    number: int
    buyer_number: int
    offer: Offer
    entered: frozenset[str]
    payload: Mapping[str, Any]
    changes: int
    changed_on: date
    changed_by: str
    withdrawn_on: date | None = None


@dataclass(frozen=True)
class BuyerBook:
    """All buyers and offers that were ever written down."""

    buyers: tuple[BuyerEntry, ...] = ()
    offers: tuple[OfferEntry, ...] = ()

    def standing_buyers(self) -> list[BuyerEntry]:
        """Return the buyers that were not withdrawn."""
        return [entry for entry in self.buyers if entry.withdrawn_on is None]

    def standing_offers(self, day: date) -> list[OfferEntry]:
        """Return the offers, of buyers not withdrawn, that can still be taken on a day or later."""
        there = {entry.number for entry in self.standing_buyers()}
        return [
            entry
            for entry in self.offers
            if entry.withdrawn_on is None and entry.buyer_number in there and entry.offer.valid_until >= day
        ]

    def withdrawals(self, entries: Iterable[Any], day: date) -> list[tuple[Any, str]]:
        """Return the withdrawals that still hold, each with the name of its buyer or of its offer."""
        gone = {entry.number: entry.buyer.name for entry in self.buyers if entry.withdrawn_on is not None}
        gone |= {
            entry.number: entry.offer.name
            for entry in self.offers
            if entry.withdrawn_on is not None and entry.offer.valid_until >= day
        }
        return [
            (entry, gone[entry.payload["of"]])
            for entry in Book(entries).standing("withdrawn")
            if entry.payload.get("of") in gone
        ]


@dataclass(frozen=True)
class WeighedTwice:
    """A load that both sides weighed and measured: kilograms and moisture [% w.b.] by ours and by theirs."""

    buyer: str
    our_kg: float
    their_kg: float
    our_moisture_pct: float
    their_moisture_pct: float


def loads_weighed_twice(entries: Iterable[Any]) -> list[WeighedTwice]:
    """Return the loads of the deliveries' book that carry both sides' figures."""
    found = []
    for entry in Book(entries).standing():
        if entry.kind != "sale":
            continue
        load = entry.payload
        try:
            figures = [
                float(load[key]) for key in ("loaded_kg", "buyer_kg", "loaded_moisture_pct", "buyer_moisture_pct")
            ]
        except (KeyError, TypeError, ValueError):
            continue
        if figures[0] > 0 and figures[1] > 0:
            found.append(WeighedTwice(str(load.get("buyer", "")), *figures))
    return found


def replay_buyers(
    entries: Iterable[Any], assumed: AssumedTerms | None = None, loads: Sequence[WeighedTwice] = ()
) -> BuyerBook:
    """Work out buyers and offers from all entries of the book.

    Parameters
    ----------
    entries : iterable
        Entries of the book (with id, kind, on, who, payload, reverses), in the order in which they were written.
    loads : sequence of WeighedTwice
        Past deliveries, from which the offsets of a buyer's scale and meter are learnt.

    Raises
    ------
    InputError
        An entry with impossible terms, or one about a buyer or an offer that is not in the book.
    """
    assumed = assumed or AssumedTerms()
    buyers: dict[int, BuyerEntry] = {}
    offers: dict[int, OfferEntry] = {}
    for entry in Book(entries).standing():
        of = entry.payload.get("of")
        number = entry.id if of is None else int(of)
        if entry.kind == "withdrawn":
            if number in buyers:
                buyers[number] = replace(buyers[number], withdrawn_on=entry.on)
            elif number in offers:
                offers[number] = replace(offers[number], withdrawn_on=entry.on)
            else:
                raise InputError("there is no buyer or offer number {number}", number=number)
        elif entry.kind == "buyer":
            before = _before(buyers.get(number), of)
            buyer, entered = buyer_from(entry.payload, assumed, loads)
            buyers[number] = BuyerEntry(
                number,
                buyer,
                entered,
                entry.payload,
                bool(entry.payload.get("only_offers")),
                before.changes + 1 if before else 0,
                entry.on,
                entry.who,
            )
        elif entry.kind == "offer":
            earlier = _before(offers.get(number), of)
            of_buyer = int(entry.payload.get("buyer", 0))
            if of_buyer not in buyers:
                raise InputError("there is no buyer or offer number {number}", number=of_buyer)
            offer, entered = offer_from(entry.payload, buyers[of_buyer].buyer, assumed)
            offers[number] = OfferEntry(
                number,
                of_buyer,
                offer,
                entered,
                entry.payload,
                earlier.changes + 1 if earlier else 0,
                entry.on,
                entry.who,
            )
    # An offer follows the terms that its buyer has today.
    current = {
        number: replace(entry, offer=replace(entry.offer, buyer=buyers[entry.buyer_number].buyer))
        for number, entry in offers.items()
    }
    return BuyerBook(tuple(buyers.values()), tuple(current.values()))


def _before(found: Any, of: Any) -> Any:
    """Return the earlier state, which a change must have."""
    if of is not None and found is None:
        raise InputError("there is no buyer or offer number {number}", number=of)
    return found


def buyer_from(
    payload: Mapping[str, Any], assumed: AssumedTerms, loads: Sequence[WeighedTwice] = ()
) -> tuple[Buyer, frozenset[str]]:
    """Return a buyer from an entry, and which terms were entered."""
    name = str(payload.get("name", "")).strip()
    if not name:
        raise InputError("a buyer needs a name")
    entered = frozenset(key for key, value in payload.items() if value is not None and key not in ("of", "name"))

    def term(key: str, otherwise: float) -> float:
        return _number(payload, key, otherwise)

    distance = term("distance_km", 0.0)
    trip = term("trip_cost", assumed.trip_cost + 2 * distance * assumed.km_cost if distance > 0 else 0.0)
    meter, scale = _offsets(name, payload, loads)
    own_meter = meter if payload.get("own_meter") else None
    own_scale = scale if payload.get("own_scale") else None
    return (
        Buyer(
            name=name,
            price_factor=term("price_factor", 1.0),
            deductions=_deductions(payload, assumed, own_meter, own_scale),
            refuses_treated=bool(payload.get("refuses_treated", False)),
            distance_km=distance,
            trip_cost=trip,
            truck_kg=term("truck_kg", assumed.truck_kg),
            pay_delay_days=int(term("pay_delay_days", assumed.pay_delay_days)),
            chance_not_paid=0.0,
            weekly_quantity_kg=term("weekly_quantity_kg", assumed.weekly_quantity_kg),
            # Twice the quantity brings the same money either way: the rest at 1 - f, or all of it at 1 - f / 2.
            price_fall_per_double=term("price_fall", assumed.price_fall) / 2,
            own_meter=own_meter,
            own_scale=own_scale,
            commodities=tuple(payload.get("commodities") or ()),
            minimum_kg=term("minimum_kg", 0.0),
            fee_share=term("fee_share", assumed.fee_share),
            inspects=bool(payload.get("inspects", False)),
        ),
        entered,
    )


def _deductions(
    payload: Mapping[str, Any], assumed: AssumedTerms, meter: MeterOffset | None, scale: MeterOffset | None
) -> Deductions:
    """Return what an entry says of deductions; a rate that nobody entered is the assumed one."""

    def term(key: str, otherwise: float) -> float:
        return _number(payload, key, otherwise)

    base: float | None = None
    steps: tuple[tuple[float, float], ...] = ()
    if payload.get("discount_from_pct") is not None:
        base, rate = term("discount_from_pct", 0.0), term("discount_per_point", assumed.discount_per_point)
        steps = ((100.0, rate),)
        if payload.get("second_from_pct") is not None:
            steps = ((term("second_from_pct", 0.0), rate), (100.0, term("second_per_point", rate)))
    return Deductions(
        base_pct=base,
        steps=steps,
        counted_by_pct=term("counted_by_pct", 0.0),
        refusal_pct=None if payload.get("refuses_above_pct") is None else term("refuses_above_pct", 0.0),
        reading_sd_pct=READING_SD_PCT if meter is None else meter.standard_deviation,
        damage_per_pct=term("damage_per_pct", assumed.damage_per_pct),
        meter_offset_pct=0.0 if meter is None else round(meter.mean, 3),
        scale_offset=0.0 if scale is None else round(scale.mean, 5),
    )


def _offsets(name: str, payload: Mapping[str, Any], loads: Sequence[WeighedTwice]) -> tuple[MeterOffset, MeterOffset]:
    """Return the offsets of meter and scale: learnt about what was told, or about none, from the buyer's own loads."""
    own = [load for load in loads if load.buyer.strip().lower() == name.lower()]
    meter_told, scale_told = _number(payload, "meter_offset_pct", 0.0), _number(payload, "scale_offset", 0.0)
    told = [payload.get(key) is not None for key in ("meter_offset_pct", "scale_offset")]
    ratio = np.array([load.their_kg / load.our_kg - 1 for load in own]) - scale_told
    points = np.array([load.their_moisture_pct - load.our_moisture_pct for load in own]) - meter_told
    meter = learn_offset(np.zeros_like(points), points, **({"prior_sd": ENTERED_OFFSET_SD[0]} if told[0] else {}))
    scale = learn_offset(np.zeros_like(ratio), ratio, ENTERED_OFFSET_SD[1] if told[1] else SCALE_PRIOR, SCALE_SCATTER)
    return (replace(meter, mean=meter.mean + meter_told), replace(scale, mean=scale.mean + scale_told))


def offer_from(payload: Mapping[str, Any], buyer: Buyer, assumed: AssumedTerms) -> tuple[Offer, frozenset[str]]:
    """Return an offer from an entry, and which terms were entered."""
    entered = frozenset(key for key, value in payload.items() if value is not None and key not in ("of", "buyer"))
    try:
        first, last = date.fromisoformat(str(payload["valid_from"])), date.fromisoformat(str(payload["valid_until"]))
    except (KeyError, ValueError) as error:
        raise InputError("the offer of {name} needs its first and its last day", name=buyer.name) from error
    offer = Offer(
        buyer,
        str(payload.get("commodity", "")),
        _number(payload, "price_per_kg", 0.0),
        first,
        last,
        _number(payload, "quantity_kg", math.inf),
        _number(payload, "chance_not_honoured", assumed.chance_not_honoured),
    )
    if not buyer.takes(offer.commodity):
        raise InputError("{name} does not buy this crop", name=buyer.name)
    return offer, entered


def _number(payload: Mapping[str, Any], key: str, otherwise: float) -> float:
    value = payload.get(key)
    if value is None:
        return float(otherwise)
    try:
        return float(value)
    except (TypeError, ValueError) as error:
        raise InputError("'{value}' is no number", value=value) from error
