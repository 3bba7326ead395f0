"""The invented buyers of the invented groups: a mill with its own scale and meter, traders with a dated offer."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from core.group.selling import write_buyer, write_offer
from core.group.store import Store

WHO = "Amber (invented)"


def add_buyer_book(store: Store, group_id: int, now: datetime) -> None:
    """Write two invented buyers and an offer into the book; what is not said of them stays assumed."""
    today = now.date()
    mill: dict[str, Any] = {
        "name": "Ridge Millers",
        "commodities": ["maize"],
        "distance_km": 26.0,
        "discount_from_pct": 13.5,
        "discount_per_point": 0.02,
        "second_from_pct": 14.5,
        "second_per_point": 0.04,
        "refuses_above_pct": 15.5,
        "refuses_treated": True,
        "inspects": True,
        "pay_delay_days": 10,
        "minimum_kg": 500.0,
        "own_meter": True,
        "own_scale": True,
    }
    traders: dict[str, Any] = {
        "name": "Valley Traders",
        "only_offers": True,
        "distance_km": 11.0,
        "discount_from_pct": 14.0,
        "discount_per_point": 0.015,
        "refuses_above_pct": 16.0,
    }
    write_buyer(store, group_id, mill, today - timedelta(days=40), WHO, now)
    number = write_buyer(store, group_id, traders, today - timedelta(days=9), WHO, now)
    offer = {
        "buyer": number,
        "commodity": "maize",
        "price_per_kg": 668.0,
        "quantity_kg": 3000.0,
        "valid_from": (today - timedelta(days=4)).isoformat(),
        "valid_until": (today + timedelta(days=24)).isoformat(),
        "chance_not_honoured": 0.15,
    }
    write_offer(store, group_id, offer, today - timedelta(days=4), WHO, now)
