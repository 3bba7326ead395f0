"""What a buyer's contract deducts for moisture: the buyer's own schedule where recorded, else what is assumed."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from core.accounts.splitting import as_decimal
from core.market.deductions import Deductions, flat_deductions
from core.messages import Message, message

ZERO, HUNDRED = Decimal(0), Decimal(100)


@dataclass(frozen=True)
class Contract:
    """A buyer's deductions for moisture, in exact numbers, and where they come from.

    `origin` is "entered" or "assumed", `source` says it in words.
    """

    buyer: str
    deductions: Deductions
    origin: str
    source: Message

    def deduction(self, mass_kg: Decimal, moisture_pct: Decimal, price_per_kg: Decimal) -> Decimal:
        """Return what is deducted from a load at a reading of its moisture, money."""
        return mass_kg * price_per_kg * as_decimal(self.deductions.fraction(moisture_pct))


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
    base = contract.deductions.base_pct
    rate = mass_kg * as_decimal(contract.deductions.fraction(moisture_pct))
    water = (
        ZERO if base is None else mass_kg * max(ZERO, moisture_pct - as_decimal(base)) / (HUNDRED - as_decimal(base))
    )
    return WaterComparison(rate, water, (rate - water) * price_per_kg)


def contract_of(store: Any, group_id: int, buyer: str, commodity: str) -> Contract:
    """Return a buyer's contract: from the book of buyers, else the group's own limit, else what is assumed.

    Parameters
    ----------
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
    if entry is not None and entry.buyer.deductions.base_pct is not None:
        entered = "discount_per_point" in entry.entered
        words = message("the deductions recorded under Buyers and offers")
        if not entered:
            words = message("the agreed moisture recorded under Buyers and offers, the rate per point assumed")
        return Contract(buyer, entry.buyer.deductions.exactly(), "entered" if entered else "assumed", words)
    rate = as_decimal(assumed.value)
    limit = facts.get(f"buyer_limit.{commodity}")
    if limit is not None and limit.value is not None:
        words = message("limit entered by the group, rate per point {origin}", origin=assumed.origin)
        return Contract(buyer, flat_deductions(as_decimal(limit.value), rate), assumed.origin, words)
    from core.pool.book import season_of

    base = season_of(store, group_id).terms.base_pct
    words = message("no deductions of this buyer are recorded: the pool's agreed moisture, rate assumed")
    return Contract(buyer, flat_deductions(base, rate), "assumed", words)
