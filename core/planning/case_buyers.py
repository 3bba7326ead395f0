"""A group's buyers as the plan takes them: the farm gate, the market, and every buyer and dated offer of its book."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from typing import Any

import pandas as pd

from core.group.selling import GATE, CropPrices, Seller, buyer_book, open_offers, usual_buyers, ways_to_sell
from core.market.buyer_book import BuyerBook
from core.market.buyers import Buyer
from core.planning.case import DAYS_PER_WEEK, CaseBuyer, Truck

OVER_LIMIT = 0.5  # points above the moisture dried to from which market and gate deduct (judgement)


def case_buyers(
    store: Any,
    group_id: int,
    facts: Mapping[str, Any],
    prices: Mapping[str, CropPrices | None],
    targets: Mapping[str, float],
    truck: Truck,
    start: date,
    today: date,
) -> tuple[CaseBuyer, ...]:
    """Return the market, the farm gate, and every buyer and dated offer of the group's book that can still be used.

    Parameters
    ----------
    prices : mapping of crop to prices
        Of each crop with a price in the plan; None where no market is known.
    targets : mapping of crop to moisture
        Dried to [% w.b.].
    start : date
        First day of plan week 0.
    """
    book = buyer_book(store, group_id)
    gate, market = _gate_and_market(facts, truck, targets)
    ways = {
        crop: _sellers(store, group_id, crop, None if found is None else found.seen, book, targets[crop], today)
        for crop, found in prices.items()
        if crop in targets  # others have no lot in the plan
    }
    made = _by_crop(gate, {crop: found.get(GATE) for crop, found in ways.items()})
    made.append(market)
    for entry in book.standing_buyers():
        if entry.only_offers:
            continue
        who = _case_buyer(entry.buyer, truck.capacity_kg, f"buyer-{entry.number}")
        mine = {crop: found.get(entry.buyer.name) for crop, found in ways.items() if entry.buyer.takes(crop)}
        made += _by_crop(who, mine)
    for item in open_offers(book, store.sales(group_id), today):
        offer = item.offer
        if not offer.buyer.takes(offer.commodity):
            continue
        first, last = max(0, (offer.valid_from - start).days), (offer.valid_until - start).days
        made.append(
            replace(
                _case_buyer(offer.buyer, truck.capacity_kg, f"offer-{item.number}"),
                name=offer.name,
                commodities=(offer.commodity,),
                fixed_price=offer.price_per_kg,
                chance_failing=offer.chance_not_honoured,
                quantity_kg=_finite(offer.quantity_kg),
                first_week=first // DAYS_PER_WEEK,
                last_week=last // DAYS_PER_WEEK,
                first_day=first,
                last_day=last,
            )
        )
    return with_meter_offsets(tuple(made), facts)


def _gate_and_market(
    facts: Mapping[str, Any], truck: Truck, targets: Mapping[str, float]
) -> tuple[CaseBuyer, CaseBuyer]:
    """Return the trader at the farm gate and the market: each crop is paid in full up to its own moisture."""
    found = []
    limits = {crop: round(target + OVER_LIMIT, 1) for crop, target in sorted(targets.items())}
    by_crop = {crop: usual_buyers(dict(facts), limit) for crop, limit in limits.items()}
    widest = max(limits, key=lambda crop: limits[crop])
    for number, code in enumerate(("gate", "market")):
        who = _case_buyer(by_crop[widest][number], truck.capacity_kg, code)
        terms = tuple((crop, pair[number].deductions) for crop, pair in by_crop.items())
        # what is too wet for them is sold there on the spot
        found.append(replace(who, trip_cost=None, crop_deductions=terms, strict=False))
    return found[0], found[1]


def with_meter_offsets(buyers: tuple[CaseBuyer, ...], facts: Mapping[str, Any]) -> tuple[CaseBuyer, ...]:
    """Return buyers with what their meters read above ours [points].

    From a fact `buyer_offset.NAME`, where nothing else says it.
    """
    known = {
        key.removeprefix("buyer_offset.").strip().lower(): fact.value
        for key, fact in facts.items()
        if key.startswith("buyer_offset.")
    }
    made = []
    for who in buyers:
        # an offer carries its buyer's name and its last day
        offset = known.get(who.name.strip().lower(), known.get(who.name.split(" (")[0].strip().lower()))
        if offset is None or who.deductions.meter_offset_pct != 0.0:
            made.append(who)
            continue
        read = float(offset)
        by_crop = tuple((crop, replace(terms, meter_offset_pct=read)) for crop, terms in who.crop_deductions)
        made.append(replace(who, deductions=replace(who.deductions, meter_offset_pct=read), crop_deductions=by_crop))
    return tuple(made)


def _finite(number: float) -> float | None:
    return number if math.isfinite(number) else None


def _case_buyer(buyer: Buyer, truck_kg: float, code: str) -> CaseBuyer:
    """Return a buyer's terms as the plan takes them."""
    # The plan counts trips of the group's own truck: another size is paid by what it carries.
    trip = buyer.trip_cost * (truck_kg / buyer.truck_kg if math.isfinite(buyer.truck_kg) else 1.0)
    return CaseBuyer(
        code=code,
        name=buyer.name,
        distance_km=buyer.distance_km,
        commodities=buyer.commodities,
        price_factor=buyer.price_factor,
        deductions=buyer.deductions,
        fee_fraction=buyer.fee_share,
        pay_delay_weeks=math.ceil(buyer.pay_delay_days / DAYS_PER_WEEK),
        weekly_kg=_finite(buyer.weekly_quantity_kg),
        price_fall=2 * buyer.price_fall_per_double,
        minimum_kg=buyer.minimum_kg,
        inspects=buyer.inspects,
        refuses_treated=buyer.refuses_treated,
        trip_cost=trip,
        strict=True,
    )


def _sellers(
    store: Any, group_id: int, crop: str, reference: pd.Series | None, book: BuyerBook, limit_pct: float, today: date
) -> dict[str, Seller]:
    """Return the ways to sell a crop by the buyer's name; none without prices of the crop."""
    if reference is None:
        return {}
    found = ways_to_sell(store, group_id, crop, reference, book, limit_pct, today)
    return {seller.buyer.name: seller for seller in found}


def _by_crop(who: CaseBuyer, sellers: Mapping[str, Seller | None]) -> list[CaseBuyer]:
    """Return a buyer by crop with what was learnt of his price against the market's, else as he is."""
    made, unknown = [], []
    for crop, seller in sellers.items():
        if seller is None or seller.basis is None:
            unknown.append(crop)
            continue
        made.append(
            replace(
                who,
                code=f"{who.code}-{crop}" if len(sellers) > 1 else who.code,
                commodities=(crop,),
                price_factor=round(seller.basis.factor, 4),
                basis_sd=round(seller.basis.factor_log_sd, 4),
            )
        )
    if unknown:
        made.append(replace(who, commodities=tuple(unknown) if made else who.commodities))
    return made
