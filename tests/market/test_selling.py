"""What a group's own records say of its market and its buyers."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest

from core.group.records import PriceQuote
from core.group.selling import basis_to, crop_prices, reference_market, split_known


def quotes(market: str, kind: str, prices: list[float], start: str = "2023-01") -> pd.DataFrame:
    months = pd.period_range(start, periods=len(prices), freq="M").to_timestamp() + pd.Timedelta(days=14)
    return pd.DataFrame(
        {"quoted_on": months, "market": market, "commodity": "maize", "price_type": kind, "price_per_kg": prices}
    )


def test_one_market_and_one_kind_of_price_never_a_mixture():
    table = pd.concat(
        [
            quotes("Town", "wholesale", [100.0 + i for i in range(30)]),
            quotes("Town", "retail", [150.0] * 28),
            quotes("Hill", "wholesale", [90.0] * 26),
            quotes("Lake", "wholesale", [90.0] * 5),
            quotes("Home", "farm gate", [80.0] * 40),
        ]
    )
    found = crop_prices(table)
    assert found is not None
    assert found.price_now == 129
    assert found.months.tolist() == [100.0 + i for i in range(30)]
    # Hill is long enough to lend its season, Lake is not; retail and farm gate are other goods.
    assert [len(series) for series in found.neighbours] == [26]
    assert crop_prices(table.iloc[:0]) is None


def test_where_only_the_farm_gate_is_known_the_market_is_inferred():
    found = crop_prices(quotes("Home", "farm gate", [80.0, 88.0]), gate_factor=0.8)
    assert found is not None
    assert (found.price_now, found.months.tolist()) == (pytest.approx(110), pytest.approx([100, 110]))


def test_a_slip_is_not_todays_price_and_new_money_reaches_the_plan():
    prices = [100.0, 101, 102, 103, 104, 105]
    found = crop_prices(quotes("Town", "wholesale", [price * 1000 for price in prices] + prices))
    assert found is not None
    np.testing.assert_allclose(found.months, prices + prices)


def test_a_last_quote_that_is_a_slip_leaves_the_month_before_as_todays_price():
    prices = [100.0, 101, 102, 103, 104, 105, 106, 107, 108, 109, 110, 11100]
    found = crop_prices(quotes("Town", "wholesale", prices))
    assert found is not None
    assert found.months.tolist() == prices[:-1]
    assert found.price_now == 110


def test_the_basis_uses_the_month_beside_where_the_market_has_none_and_nothing_of_the_future():
    reference = reference_market(quotes("Town", "wholesale", [100.0, 100.0, 200.0])).monthly.prices
    own = pd.DataFrame(
        {"on": pd.to_datetime(["2023-01-20", "2023-04-02", "2024-01-01"]), "price_per_kg": [80.0, 160.0, 999.0]}
    )
    own["what"] = "sale"
    basis = basis_to(reference, own, date(2023, 6, 1), 0.8)
    # January against January, April against March: both 0.8; January of the next year has no market month and lies
    # ahead.
    assert (basis.quotes, basis.factor) == (2, pytest.approx(0.8))


def test_prices_of_a_file_that_stand_already_are_found():
    stored = quotes("Town", "wholesale", [100.0, 101.0])
    coming = [
        PriceQuote(
            group_id=1, quoted_on=day, market="Town", commodity="maize", price_per_kg=price, price_type="wholesale"
        )
        for day, price in ((date(2023, 1, 15), 100.0), (date(2023, 2, 15), 110.0), (date(2023, 3, 15), 102.0))
    ]
    split = split_known(coming, stored)
    assert (split.known, split.new, split.differing) == ((coming[0],), (coming[1], coming[2]), (coming[1],))
