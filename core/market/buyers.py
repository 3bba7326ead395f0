"""Buyers: what each pays, deducts, takes, refuses and when; and stored grain as security for a loan."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from numpy.typing import ArrayLike, NDArray

from core.accounts.finance import DAYS_PER_MONTH, present_value
from core.errors import InputError
from core.market.deductions import NO_DEDUCTIONS, Deductions
from core.messages import Message, message


@dataclass(frozen=True)
class MeterOffset:
    """How a buyer's own scale or meter differs from ours.

    Attributes
    ----------
    mean, standard_deviation : float
        Of the next delivery's difference, buyer less ours (points of moisture, or a fraction of mass).
    """

    mean: float
    standard_deviation: float
    deliveries: int


def learn_offset(ours: ArrayLike, theirs: ArrayLike, prior_sd: float = 0.5, delivery_sd: float = 0.4) -> MeterOffset:
    """Learn a buyer's offset from deliveries that both sides measured, shrunk to none while they are few.

    Normal mean with a normal prior (Gelman et al. 2013, Bayesian Data Analysis, section 2.5).

    Parameters
    ----------
    ours, theirs : arrays of one shape
        The same deliveries by each side.
    prior_sd : float
        How far buyers' instruments differ in general; basis: judgement.
    delivery_sd : float
        How one delivery scatters about the offset; basis: judgement. More deliveries than five replace it by their own.
    """
    difference = np.asarray(theirs, dtype=float) - np.asarray(ours, dtype=float)
    difference = difference[np.isfinite(difference)]
    count = int(difference.size)
    scatter = max(float(np.std(difference, ddof=1)), 1e-6) if count > 5 else delivery_sd
    precision = prior_sd**-2 + count / scatter**2
    mean = float(difference.sum() / scatter**2 / precision)
    return MeterOffset(mean, math.sqrt(1 / precision + scatter**2), count)


@dataclass(frozen=True)
class Buyer:
    """Who buys, and on what terms.

    Attributes
    ----------
    deductions : Deductions
        For moisture and damage, with the buyer's instruments where they decide.
    trip_cost, truck_kg : float
        Money for one trip and what it carries [kg]; a trip is paid whole.
    chance_not_paid : float
        Chance that the buyer does not keep the terms.
    weekly_quantity_kg : float
        What the market takes in a week before its price falls [kg].
    price_fall_per_double : float
        Fraction by which the price falls when twice that quantity is brought.
    own_meter, own_scale : MeterOffset or None
        Where the buyer's instruments decide: what is known of them, buyer's less ours (points of moisture; fraction of
        mass). Its means stand in `deductions`.
    commodities : tuple of str
        Crops that are bought; empty = all.
    inspects : bool
        Whether live insects, smell, dust and damaged kernels are a reason to refuse.
    """

    name: str
    price_factor: float = 1.0
    deductions: Deductions = NO_DEDUCTIONS
    refuses_treated: bool = False
    distance_km: float = 0.0
    trip_cost: float = 0.0
    truck_kg: float = math.inf
    pay_delay_days: int = 0
    chance_not_paid: float = 0.0
    weekly_quantity_kg: float = math.inf
    price_fall_per_double: float = 0.1
    own_meter: MeterOffset | None = None
    own_scale: MeterOffset | None = None
    commodities: tuple[str, ...] = ()
    minimum_kg: float = 0.0
    fee_share: float = 0.0
    inspects: bool = False

    def __post_init__(self) -> None:
        if not 0 <= self.chance_not_paid <= 1 or not 0 <= self.price_fall_per_double < 1:
            raise InputError("chances and price falls of {name} must lie between 0 and 1", name=self.name)
        if self.truck_kg <= 0 or self.weekly_quantity_kg <= 0 or self.price_factor <= 0:
            raise InputError(
                "truck size, weekly quantity and price factor of {name} must be above zero", name=self.name
            )
        if (
            min(self.distance_km, self.trip_cost, self.pay_delay_days, self.minimum_kg) < 0
            or not 0 <= self.fee_share < 1
        ):
            raise InputError("distance, costs, days and fee of {name} must not be below zero", name=self.name)

    def takes(self, commodity: str) -> bool:
        """Return whether a crop is bought."""
        return not self.commodities or commodity in self.commodities


@dataclass(frozen=True)
class Offer:
    """A buyer's offer for a span of dates.

    Attributes
    ----------
    valid_from, valid_until : date
        First and last day, both included.
    chance_not_honoured : float
        Chance that the offer does not stand when the grain arrives.
    """

    buyer: Buyer
    commodity: str
    price_per_kg: float
    valid_from: date
    valid_until: date
    quantity_kg: float = math.inf
    chance_not_honoured: float = 0.0

    def __post_init__(self) -> None:
        if self.price_per_kg <= 0 or self.valid_until < self.valid_from or not 0 <= self.chance_not_honoured <= 1:
            raise InputError(
                "the offer of {name} is not possible: look at its price, dates and chance", name=self.buyer.name
            )

    @property
    def name(self) -> str:
        """What a plan calls the offer; `buyer_words` says it."""
        return f"{self.buyer.name} ({self.valid_until.isoformat()})"

    def stands_on(self, day: date) -> bool:
        """Return whether the offer holds on a day."""
        return self.valid_from <= day <= self.valid_until


def buyer_words(name: str) -> Message:
    """Return what a buyer is called, or an offer by its `Offer.name`: its last day in the reader's words."""
    found = re.fullmatch(r"(.*) \((\d{4}-\d\d-\d\d)\)", name)
    if found is None:
        return message(name)
    return message("{buyer} (offer until {date})", buyer=found[1], date=date.fromisoformat(found[2]))


def truck_cost(mass_kg: ArrayLike, buyer: Buyer) -> NDArray[np.float64]:
    """Return what transport costs, whole trips [money]."""
    mass = np.asarray(mass_kg, dtype=float)
    # A hair of grain over a full truck is no further trip.
    trips = np.where(mass > 0, np.maximum(np.ceil(mass / buyer.truck_kg - 1e-9), 1.0), 0.0)
    return np.asarray(trips * buyer.trip_cost)


def price_after_quantity(price: ArrayLike, mass_kg: ArrayLike, buyer: Buyer) -> NDArray[np.float64]:
    """Return the price for all of a week's quantity, fallen where it is more than the market takes.

    Constant elasticity beyond the quantity: price x (mass / quantity) ** log2(1 - fall).
    """
    over = np.maximum(np.asarray(mass_kg, dtype=float) / buyer.weekly_quantity_kg, 1.0)
    return np.asarray(np.asarray(price, dtype=float) * over ** math.log2(1 - buyer.price_fall_per_double))


@dataclass(frozen=True)
class Proceeds:
    """What a delivery is expected to bring.

    Attributes
    ----------
    accepted_chance : float
        Chance that the moisture passes the buyer's limit on the instrument that decides.
    price_per_kg : float
        After deductions.
    gross, transport, net : float
        Expected money; a refused load still pays its transport.
    """

    accepted_chance: float
    price_per_kg: float
    gross: float
    transport: float
    net: float


def delivery_proceeds(
    buyer: Buyer, price: float, mass_kg: float, moisture_pct: float, moisture_sd_pct: float = 0.0, treated: bool = False
) -> Proceeds:
    """Return what one delivery is expected to bring; a load that is refused or not paid brings nothing here.

    Parameters
    ----------
    price : float
        Reference price [money/kg].
    mass_kg, moisture_pct, moisture_sd_pct : float
        The delivery by our instruments, and how uncertain its moisture is [points].
    """
    terms = buyer.deductions
    chance = 0.0 if buyer.refuses_treated and treated else 1.0 - float(terms.refused(moisture_pct, moisture_sd_pct))
    chance *= 1 - buyer.chance_not_paid
    per_kg = float(price_after_quantity(price * buyer.price_factor, mass_kg, buyer) * terms.kept(moisture_pct))
    per_kg *= 1 - buyer.fee_share
    paid = mass_kg * (1 + terms.scale_offset)
    transport = float(truck_cost(mass_kg, buyer))
    return Proceeds(chance, per_kg, chance * per_kg * paid, transport, chance * per_kg * paid - transport)


@dataclass(frozen=True)
class Bid:
    """What a buyer or an offer brings for one delivery made today.

    Attributes
    ----------
    offer : Offer or None
        None = at the market's price.
    proceeds : Proceeds
        With a refused or broken load sold on at the price otherwise.
    net_today_per_kg : float
        Net of transport, brought to today at the cost of money [money/kg delivered].
    refused : bool
        Whether the delivery cannot be sold there at all: wrong crop, too little, or treated.
    """

    name: str
    offer: Offer | None
    proceeds: Proceeds
    net_today_per_kg: float
    taken_kg: float
    refused: bool


def compare_bids(
    buyers: Sequence[Buyer],
    offers: Sequence[Offer],
    commodity: str,
    market_price: float,
    price_otherwise: float,
    mass_kg: float,
    moisture_pct: float,
    moisture_sd_pct: float,
    treated: bool,
    day: date,
    monthly_interest: float,
) -> list[Bid]:
    """Return what one delivery would bring today from every buyer and every offer that stands, the best first.

    Parameters
    ----------
    market_price, price_otherwise : float
        Price of the reference market, and what a refused load is sold at on the spot [money/kg].
    mass_kg, moisture_pct, moisture_sd_pct : float
        The delivery by our instruments [kg, % w.b., points].
    monthly_interest : float
        Cost of money until the buyer pays, fraction a month.
    """
    bids = []
    asked: list[tuple[Buyer, Offer | None]] = [(buyer, None) for buyer in buyers]
    asked += [(offer.buyer, offer) for offer in offers if offer.commodity == commodity and offer.stands_on(day)]
    for buyer, offer in asked:
        price, terms = market_price, buyer
        taken = mass_kg
        if offer is not None:
            price, taken = offer.price_per_kg, min(mass_kg, offer.quantity_kg)
            kept = (1 - offer.chance_not_honoured) * (1 - buyer.chance_not_paid)
            terms = replace(buyer, price_factor=1.0, chance_not_paid=1 - kept, weekly_quantity_kg=math.inf)
        made = delivery_proceeds(terms, price, taken, moisture_pct, moisture_sd_pct, treated)
        months = buyer.pay_delay_days / DAYS_PER_MONTH
        salvage = (1 - made.accepted_chance) * min(price_otherwise, made.price_per_kg) * taken
        worth = present_value(made.gross, monthly_interest, months) + salvage - made.transport
        refused = not buyer.takes(commodity) or taken < buyer.minimum_kg or (buyer.refuses_treated and treated)
        bids.append(Bid(buyer.name, offer, made, worth / taken, taken, refused))
    return sorted(bids, key=lambda bid: (bid.refused, -bid.net_today_per_kg))
