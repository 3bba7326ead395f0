"""The smallest coin that a group counts with."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from core.accounts.coins import currency_coin


def smallest_coin(store: Any, group_id: int) -> Decimal:
    """Return the smallest coin in use in a group, money: what the group entered, else that of its currency.

    Parameters
    ----------
    store : Store
    group_id : int
    """
    entered = Decimal(str(store.fact(group_id, "meter.smallest_coin").value))
    return entered if entered > 0 else currency_coin(store.group(group_id).currency)
