"""Coins of currencies against ISO 4217's table of minor units."""

from decimal import Decimal

import pytest

from core.accounts.coins import currency_coin


@pytest.mark.parametrize(
    ("currency", "coin"), [("XOF", "1"), ("JPY", "1"), ("USD", "0.01"), ("MWK", "0.01"), ("KWD", "0.001")]
)
def test_the_smallest_coin_of_a_currency(currency: str, coin: str) -> None:
    """ISO 4217, list one: minor unit 0 for XOF and JPY, 2 for USD and MWK, 3 for KWD."""
    assert currency_coin(currency) == Decimal(coin)
