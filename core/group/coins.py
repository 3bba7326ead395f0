"""The smallest coin that a group counts with."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from core.accounts.book import Book
from core.accounts.coins import currency_coin


def smallest_coin(store: Any, group_id: int) -> Decimal:
    """Return a group's smallest coin, money: as entered, else as agreed for its pools, else its currency's."""
    entered = Decimal(str(store.fact(group_id, "meter.smallest_coin").value))
    if entered > 0:
        return entered
    agreed = [
        event.payload["step"]
        for event in Book(store.events(group_id, "pool")).standing("terms")
        if "step" in event.payload
    ]
    return Decimal(str(agreed[-1])) if agreed else currency_coin(store.group(group_id).currency)
