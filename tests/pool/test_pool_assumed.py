"""What the pool takes where nobody says otherwise: nothing, or no, but that money is cash, in cents."""

from __future__ import annotations

from decimal import Decimal

from tests.assumed import slipped


def test_nothing_else_is_assumed_of_deliveries():
    assert slipped("pool", {"check_new.cash": True, "Terms.step": Decimal("0.01")}) == {}
