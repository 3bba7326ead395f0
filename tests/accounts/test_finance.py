"""Instalments against a published schedule, a spreadsheet-compatible library and limits."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import numpy as np
import numpy_financial
import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.accounts.finance import (
    add_months,
    annuity_growth,
    annuity_worth,
    growth,
    instalment,
    interest_on,
    present_value,
    rate_of,
    schedule,
)
from core.errors import InputError


def test_published_loan_of_fifteen_thousand() -> None:
    """Published worked example: 15,000 at 5.5 % over 12 periods is 1,740.44; first interest 825.00, then 774.65.

    The web answer prints 915.00 and 774.68 for principal and next interest, a rounding slip; by hand
    1740.44 - 825.00 = 915.44 and (15000 - 915.44) x 0.055 = 774.65.
    """
    assert instalment(15_000.0, 0.055, 12) == pytest.approx(1740.44, abs=0.005)
    rows = schedule(Decimal(15_000), Decimal("0.055"), 12)
    assert rows[0].payment == Decimal("1740.44")
    assert rows[0].interest == Decimal("825.00")
    assert rows[0].principal == Decimal("915.44")
    assert rows[1].interest == Decimal("774.65")


def test_twelve_months_at_one_percent_a_month() -> None:
    """Annuity tables: 1,000 at 1 % a month for 12 months is 88.8488."""
    assert instalment(1000.0, 0.01, 12) == pytest.approx(88.848788, abs=1e-6)


@given(st.floats(0.01, 1e7), st.floats(0, 0.5), st.integers(1, 120))
def test_agrees_with_numpy_financial(principal: float, rate: float, periods: int) -> None:
    # below 1e-7 the library itself loses digits, so the comparison would judge the library
    rate = 0.0 if rate < 1e-7 else rate
    assert instalment(principal, rate, periods) == pytest.approx(
        -numpy_financial.pmt(rate, periods, principal), rel=1e-7
    )


@given(st.decimals(0, 1_000_000, places=2), st.decimals(0, Decimal("0.3"), places=4), st.integers(1, 60))
def test_exact_and_floating_instalments_agree(principal: Decimal, rate: Decimal, periods: int) -> None:
    assert float(instalment(principal, rate, periods)) == pytest.approx(
        instalment(float(principal), float(rate), periods), rel=1e-9
    )


def test_no_interest_takes_the_limit() -> None:
    assert instalment(120.0, 0.0, 12) == 10.0
    assert instalment(120.0, 1e-12, 12) == pytest.approx(10.0, rel=1e-9)
    assert instalment(Decimal(100), 0, 8) == Decimal("12.5")


@given(
    st.integers(0, 10_000_000),
    st.decimals(0, Decimal("0.2"), places=4),
    st.integers(1, 48),
    st.sampled_from([Decimal("0.01"), Decimal(1), Decimal(50)]),
)
def test_schedule_pays_off_exactly(coins: int, rate: Decimal, periods: int, step: Decimal) -> None:
    principal = coins * step
    rows = schedule(principal, rate, periods, step)
    assert len(rows) == periods
    assert sum(row.principal for row in rows) == principal
    assert rows[-1].remaining == 0
    for row in rows:
        assert row.payment == row.interest + row.principal
        assert row.payment % step == 0
        assert row.payment >= 0
        assert row.remaining >= 0


def test_only_the_last_payment_differs() -> None:
    """By hand: 100 in 3 without interest is 33.33, 33.33, 33.34."""
    assert [row.payment for row in schedule(Decimal(100), 0, 3)] == [
        Decimal("33.33"),
        Decimal("33.33"),
        Decimal("33.34"),
    ]


def test_months_end_on_the_last_day() -> None:
    assert add_months(date(2027, 1, 31), 1) == date(2027, 2, 28)
    assert add_months(date(2027, 11, 30), 3) == date(2028, 2, 29)
    assert add_months(date(2027, 12, 15), 1) == date(2028, 1, 15)
    assert [row.due for row in schedule(Decimal(30), 0, 3, first_due=date(2027, 1, 31))] == [
        date(2027, 1, 31),
        date(2027, 2, 28),
        date(2027, 3, 31),
    ]


@pytest.mark.parametrize(
    ("principal", "rate", "periods"),
    [(-1.0, 0.1, 3), (1.0, -0.1, 3), (1.0, 0.1, 0), (1.0, 0.1, 2.5), (float("nan"), 0.1, 3)],
)
def test_what_cannot_be_paid_off_is_said(principal, rate, periods) -> None:
    with pytest.raises(InputError):
        instalment(principal, rate, periods)


@pytest.mark.parametrize(("rate", "periods"), [(0.0, 5), (0.02, 12), (0.015, 7.5), (1e-12, 60), (-0.03, 4)])
def test_growth_present_value_and_annuities_against_numpy_financial(rate: float, periods: float) -> None:
    """fv and pv of the outside package; at a rate of 1e-12 its own digits are gone, so the limit n is taken there."""
    assert growth(rate, periods) == pytest.approx(-numpy_financial.fv(rate, periods, 0, 1), rel=1e-12)
    assert present_value(250.0, rate, periods) == pytest.approx(-numpy_financial.pv(rate, periods, 0, 250), rel=1e-12)
    paid = periods if rate == 1e-12 else -numpy_financial.fv(rate, periods, 1, 0)
    worth = periods if rate == 1e-12 else -numpy_financial.pv(rate, periods, 1, 0)
    assert annuity_growth(rate, periods) == pytest.approx(paid, rel=1e-9)
    assert annuity_worth(rate, periods) == pytest.approx(worth, rel=1e-9)
    assert interest_on(rate, periods) == pytest.approx(paid * rate, rel=1e-9)
    assert rate_of(growth(rate, periods), periods) == pytest.approx(rate, abs=1e-12)


def test_growth_is_exact_for_exact_money_and_broadcasts_for_arrays() -> None:
    """By hand: 1.02^2 = 1.0404; 100 / 1.0404 for the day after two months."""
    assert growth(Decimal("0.02"), 2) == Decimal("1.0404")
    assert present_value(Decimal("104.04"), Decimal("0.02"), 2) == Decimal("100")
    table = present_value(np.array([[1.0], [2.0]]), 0.1, np.arange(3))
    assert table.shape == (2, 3)
    assert table[1, 2] == pytest.approx(2 / 1.21)
    assert isinstance(growth(0.1, 2), float)


@pytest.mark.parametrize("rate", [-1.0, -2.0, float("nan")])
def test_a_rate_that_leaves_nothing_is_refused(rate: float) -> None:
    for law in (lambda: growth(rate, 2), lambda: interest_on(rate, 2), lambda: annuity_worth(rate, 2)):
        with pytest.raises(InputError):
            law()


def test_a_rate_needs_time_and_money_that_is_not_below_nothing() -> None:
    assert rate_of(0.0, 5) == -1.0
    for grown, periods in ((1.1, 0), (1.1, -1), (-0.1, 3), (1.1, float("inf"))):
        with pytest.raises(InputError):
            rate_of(grown, periods)
