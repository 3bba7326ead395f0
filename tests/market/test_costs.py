"""Costs of waiting against worked examples and another library."""

from __future__ import annotations

import numpy as np
import pytest

from core.errors import InputError
from core.market.costs import breakeven_price


def test_breakeven_worked_example():
    # P0 300, r 2 %, l 1 % a month, 6 months: 358.85 without and 372.25 with a cost of 2 a month, by the formula
    # [300 1.02^6 + 2 (1.02^6 - 1)/0.02] / 0.99^6 worked by hand.
    assert breakeven_price(300, 6, 0.02, 0.01) == pytest.approx(358.85, abs=0.005)
    assert breakeven_price(300, 6, 0.02, 0.01, monthly_cost=2) == pytest.approx(372.25, abs=0.005)


def test_breakeven_against_numpy_financial():
    financial = pytest.importorskip("numpy_financial")
    for months in (1, 4, 9):
        future = -financial.fv(0.03, months, 2.5, 280)
        assert breakeven_price(280, months, 0.03, 0.02, 2.5) == pytest.approx(future / 0.98**months, rel=1e-12)


def test_no_interest_takes_the_limit():
    assert breakeven_price(100, 5, 0.0, 0.0, 2) == 110
    assert breakeven_price(100, 5, 1e-12, 0.0, 2) == pytest.approx(110, rel=1e-9)


def test_arrays_and_refusals():
    assert breakeven_price(300, np.arange(7), 0.02, 0.01)[-1] == pytest.approx(358.85, abs=0.005)
    with pytest.raises(InputError):
        breakeven_price(300, 6, 0.02, 1.0)
