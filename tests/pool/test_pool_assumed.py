"""What the pool takes where nobody says otherwise: nothing, or no, but that money is paid in cash."""

from __future__ import annotations

from tests.assumed import not_neutral


def test_nothing_else_is_assumed_of_deliveries():
    assert not_neutral("pool") == {"check_new.cash": True}
