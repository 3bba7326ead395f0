"""The invented groups' pools: last season's deliveries, a loss, a load sold and paid."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any

from core.group.records import Lot
from core.group.store import Store

WHO = "Amber (invented)"
STEP = Decimal(1)
POOL = "Maize of last season"


def add_pool_book(store: Store, group_id: int, lots: list[Lot], now: datetime) -> None:
    """Write last season's maize into a pool: deliveries at a common moisture, one load sold, first pay-out."""
    today = now.date()

    def write(kind: str, on: date, payload: dict[str, Any]) -> None:
        store.append_event(group_id, "pool", kind, on, WHO, payload, now)

    season = [
        lot for lot in lots if lot.status == "sold" and lot.commodity == "maize" and lot.owner_id and lot.harvested_on
    ]
    if not season:
        return
    first = min(lot.harvested_on for lot in season if lot.harvested_on)
    terms = {
        "base_pct": "13.5",
        "limit_pct": "14.0",
        "first_payment_per_kg": "250",
        "step": "1",
        "price_rule": "by_sale",
        "grade_factors": {"1": "1", "2": "0.93"},
        "levies": [{"name": "office", "kind": "per_kg", "amount": "4"}],
        "order": ["levies", "meter", "loans", "advances"],
        "minimum_take_home": "0.4",
    }
    write("terms", first, terms)
    total = Decimal(0)
    for index, lot in enumerate(season):
        payload, dry_kg = _delivery(lot, index)
        total += dry_kg
        write("delivery", (lot.harvested_on or first) + timedelta(days=12), payload)
    seed, short = season[0].owner_id, season[-1].owner_id
    loan = {"member_id": seed, "principal": "60000", "monthly_rate": "0.02", "purpose": "seed and bags"}
    write("loan", first + timedelta(days=5), loan)
    write(
        "payment",
        first + timedelta(days=40),
        {"member_id": short, "amount": "25000", "about": "advance", "reference": "school fees"},
    )
    write("store", first + timedelta(days=12), {"pool": POOL, "method": "woven_bag"})
    later = first + timedelta(days=130)
    write("loss", later, {"pool": POOL, "kind": "insects and mould", "dry_kg": f"{total * Decimal('0.012'):.3f}"})
    loaded = (total * Decimal("0.8") / Decimal("0.87")).quantize(Decimal("0.1"))
    sale = {
        "pool": POOL,
        "buyer": "Ridge Millers",
        "loaded_kg": str(loaded),
        "loaded_moisture_pct": "13.0",
        "buyer_kg": str((loaded * Decimal("0.994")).quantize(Decimal("0.1"))),
        "buyer_moisture_pct": "13.4",
        "price_per_kg": "655",
        "buyer_deductions": "0",
        "costs": "42000",
        "due_on": (later + timedelta(days=10)).isoformat(),
    }
    write("sale", later + timedelta(days=3), sale)
    paid = (Decimal(sale["buyer_kg"]) * 655).quantize(STEP)
    write("buyer_payment", min(today, later + timedelta(days=11)), {"buyer": "Ridge Millers", "amount": str(paid)})


def _delivery(lot: Lot, index: int) -> tuple[dict[str, Any], Decimal]:
    """Return the particulars of a lot's delivery, the `index`th, and its dry mass, kg."""
    mass = Decimal(lot.bags) * Decimal(str(lot.nominal_bag_kg)) * Decimal("0.93")
    moisture = Decimal("12.6") + Decimal(index % 5) * Decimal("0.3")
    payload = {
        "member_id": lot.owner_id,
        "pool": POOL,
        "commodity": "maize",
        "gross_kg": f"{mass:.3f}",
        "tare_kg": "0",
        "bags": lot.bags,
        "moisture_pct": str(moisture),
        "moisture_sd_pct": "0.5",
        "grade": "2" if index % 4 == 3 else "1",
    }
    return payload, mass * (100 - moisture) / 100
