"""What a buyer's contract takes off for moisture: the buyer's own schedule where the group wrote it down, else what is assumed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise
from typing import Any

from core.accounts.splitting import as_decimal
from core.errors import InputError
from core.messages import Message, message

ZERO, HUNDRED = Decimal(0), Decimal(100)


@dataclass(frozen=True)
class Contract:
    """Deductions for moisture.

    `base_pct` is the moisture up to which nothing is taken off, `steps` hold (up to % w.b., % of the value per point)
    in rising order, the last one going on for ever. `origin` is "entered" or "assumed", `source` says where it is from.
    """

    buyer: str
    base_pct: Decimal
    steps: tuple[tuple[Decimal, Decimal], ...]
    origin: str
    source: Message

    def __post_init__(self) -> None:
        """Refuse steps that do not rise or rates below 0."""
        edges = [self.base_pct, *(edge for edge, _rate in self.steps)]
        if not self.steps or any(b <= a for a, b in pairwise(edges)) or min(rate for _e, rate in self.steps) < 0:
            raise InputError("the contract of {buyer} needs steps that rise from its base", buyer=self.buyer)

    def percent_off(self, moisture_pct: Decimal) -> Decimal:
        """Return what is taken off the value at a moisture, %; at most 100."""
        total, lower = ZERO, self.base_pct
        for place, (upper, rate) in enumerate(self.steps):
            top = moisture_pct if place == len(self.steps) - 1 else min(upper, moisture_pct)
            total += rate * max(ZERO, top - lower)
            lower = upper
        return min(total, HUNDRED)

    def deduction(self, mass_kg: Decimal, moisture_pct: Decimal, price_per_kg: Decimal) -> Decimal:
        """Return what is taken off a load, money."""
        return mass_kg * price_per_kg * self.percent_off(moisture_pct) / HUNDRED


@dataclass(frozen=True)
class WaterComparison:
    """A contract's rate beside the exact water of one load: kg taken off by each, and the difference in money.

    `money` is above 0 where the contract takes more than the water above its base.
    """

    by_rate_kg: Decimal
    by_water_kg: Decimal
    money: Decimal


def against_water(
    contract: Contract, mass_kg: Decimal, moisture_pct: Decimal, price_per_kg: Decimal
) -> WaterComparison:
    """Return a contract's deduction on one load beside the exact water above its base.

    Source of the exact water: mass balance of dry matter, W1 (M1 - M2) / (100 - M2).
    """
    rate = mass_kg * contract.percent_off(moisture_pct) / HUNDRED
    water = mass_kg * max(ZERO, moisture_pct - contract.base_pct) / (HUNDRED - contract.base_pct)
    return WaterComparison(rate, water, (rate - water) * price_per_kg)


def contract_of(store: Any, group_id: int, buyer: str, commodity: str) -> Contract:
    """Return a buyer's contract: from the book of buyers, else the group's own limit, else what is assumed.

    Parameters
    ----------
    store, group_id
    buyer : str
        Name, as on the load.
    commodity : str
        Crop, for the group's own fact ``buyer_limit.CROP``.
    """
    from core.group.selling import buyer_book

    entry = next(
        (
            found
            for found in buyer_book(store, group_id).buyers
            if found.buyer.name.strip().lower() == buyer.strip().lower() and found.withdrawn_on is None
        ),
        None,
    )
    facts = store.facts(group_id)
    assumed = facts["plan.discount_per_point"]
    if entry is not None and entry.buyer.discount is not None:
        return _from_book(entry.payload, buyer, assumed)
    rate = as_decimal(assumed.value) * HUNDRED
    limit = facts.get(f"buyer_limit.{commodity}")
    if limit is not None and limit.value is not None:
        words = message("limit by the group's own entry, rate per point {origin}", origin=assumed.origin)
        return Contract(buyer, as_decimal(limit.value), ((HUNDRED, rate),), assumed.origin, words)
    from core.pool.book import season_of

    base = season_of(store, group_id).terms.base_pct
    words = message("no schedule of this buyer is written down: base as the pool's common moisture, rate assumed")
    return Contract(buyer, base, ((HUNDRED, rate),), "assumed", words)


def _from_book(payload: Mapping[str, Any], buyer: str, assumed: Any) -> Contract:
    own_rate = payload.get("discount_per_point")
    rate = as_decimal(assumed.value if own_rate is None else own_rate) * HUNDRED
    steps: tuple[tuple[Decimal, Decimal], ...] = ((HUNDRED, rate),)
    if payload.get("second_from_pct") is not None:
        second = payload.get("second_per_point")
        steps = (
            (as_decimal(payload["second_from_pct"]), rate),
            (HUNDRED, rate if second is None else as_decimal(second) * HUNDRED),
        )
    words = message("the schedule written down under Buyers and offers")
    if own_rate is None:
        words = message("the base written down under Buyers and offers, the rate per point assumed")
    return Contract(
        buyer, as_decimal(payload["discount_from_pct"]), steps, "assumed" if own_rate is None else "entered", words
    )
