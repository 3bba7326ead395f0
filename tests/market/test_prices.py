"""Price files as they come: tag row, units, zero forecasts, mixtures, slips, new money; nothing changed silently."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from core.errors import ImportRefusedError
from core.market.price_tables import clean_prices, read_price_table
from core.market.prices import learn_basis, mend_slips, monthly_prices
from core.market.products import suggest_commodity
from core.market.units import kilograms

HEAD = "date,market,commodity,unit,priceflag,pricetype,currency,price\n"
TAGS = "#date,#loc+market+name,#item+name,#item+unit,#item+price+flag,#item+price+type,#currency,#value\n"


def cleaned(rows: str, tags: str = TAGS):
    return clean_prices(read_price_table((HEAD + tags + rows).encode(), "prices.csv"), "XOF")


@pytest.mark.parametrize(
    ("unit", "expected"),
    # International pound: NIST SP 811, 0.45359237 kg exactly.
    [
        ("KG", 1),
        ("50 KG", 50),
        ("90 kg bag", 90),
        ("MT", 1000),
        ("Pound", 0.45359237),
        ("800 G", 0.8),
        ("tin (20 kg)", 20),
    ],
)
def test_units_are_brought_to_kilograms(unit, expected):
    assert kilograms(unit) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("unit", ["Marmite", "L", "heap", ""])
def test_local_measures_have_no_weight(unit):
    assert kilograms(unit) is None


def test_every_row_left_out_is_listed_with_its_line():
    result = cleaned(
        "2020-01-15,A,Maize,90 KG,actual,Wholesale,KES,2700\n"
        "2020-02-15,A,Maize,90 KG,forecast,Wholesale,KES,0.0\n"
        "2020-03-15,A,Maize,KG,actual,Wholesale,KES,0\n"
        "2020-04-15,A,Maize,Marmite,actual,Wholesale,KES,40\n"
        "not a day,A,Maize,KG,actual,Wholesale,KES,40\n"
        "2020-05-15,A,Maize,KG,actual,Wholesale,KES,31\n"
    )
    assert list(result.quotes["price_per_kg"]) == [30.0, 31.0]
    left_out = {action.row: str(action.what) for action in result.actions if not action.kept}
    # The heading is line 1, the tag row line 2.
    assert sorted(left_out) == [2, 4, 5, 6, 7]
    assert "forecast" in left_out[4]
    assert "Marmite" in left_out[6]
    assert result.rows_read == len(result.quotes) + len(left_out)
    assert any("90 KG" in str(action.what) for action in result.actions if action.kept)


def test_retail_and_wholesale_are_not_mixed_and_it_is_said():
    rows = "".join(
        f"2020-{month:02d}-15,A,Maize,KG,actual,{kind},KES,{price}\n"
        for month in range(1, 7)
        for kind, price in (("Retail", 50), ("Wholesale", 30))
        if not (kind == "Retail" and month == 6)
    )
    result = cleaned(rows)
    assert any("kept apart" in str(action.what) for action in result.actions)
    month = monthly_prices(result.quotes)
    assert set(month.prices) == {30.0}
    assert any("not mixed" in str(action.what) for action in month.actions)
    assert set(monthly_prices(result.quotes[result.quotes["price_type"] == "retail"]).prices) == {50.0}


def test_weekly_and_irregular_quotes_become_the_median_of_their_month():
    quotes = pd.DataFrame(
        {
            "quoted_on": pd.to_datetime(["2021-01-04", "2021-01-11", "2021-01-20", "2021-03-02"]),
            "price_per_kg": [10, 12, 99, 20],
        }
    )
    month = monthly_prices(quotes)
    assert list(month.prices) == [12, 20]
    assert [str(period) for period in month.prices.index] == ["2021-01", "2021-03"]


def wavy(count: int = 40) -> pd.Series:
    index = pd.period_range("2018-01", periods=count, freq="M")
    return pd.Series(300 + 20 * np.sin(np.arange(count)), index=index)


def test_a_slip_of_unit_that_goes_back_is_left_out():
    series = wavy()
    series.iloc[12] *= 90
    mended, actions = mend_slips(series)
    pd.testing.assert_series_equal(mended, wavy().drop(series.index[12]))
    assert len(actions) == 1
    assert not actions[0].kept


@pytest.mark.parametrize("factor", [0.001, 1000, 50])
def test_new_money_or_a_new_unit_brings_earlier_prices_to_the_new_one(factor):
    series = wavy()
    series.iloc[20:] *= factor
    mended, actions = mend_slips(series)
    np.testing.assert_allclose(mended, wavy() * factor, rtol=1e-9)
    assert len(actions) == 1
    assert actions[0].kept


def test_a_true_tripling_is_left_alone_but_told():
    series = wavy()
    series.iloc[20:] *= 4
    mended, actions = mend_slips(series)
    pd.testing.assert_series_equal(mended, series)
    assert "left as it is" in str(actions[0].what)


def test_two_true_moves_in_a_row_are_both_told():
    """Four times and four times again in the next month: neither goes back, neither is a unit."""
    series = wavy()
    series.iloc[20:] *= 4
    series.iloc[21:] *= 4
    mended, actions = mend_slips(series)
    pd.testing.assert_series_equal(mended, series)
    assert [str(series.index[month]) in str(action.what) for month, action in zip((20, 21), actions, strict=True)]
    assert len(actions) == 2


@pytest.mark.parametrize(("months", "left_out"), [(3, True), (4, False)])
def test_a_slip_goes_back_within_three_months(months, left_out):
    """Six times for three months is a slip; for four it is told and left, both ways."""
    series = wavy()
    series.iloc[20 : 20 + months] *= 6
    mended, actions = mend_slips(series)
    assert len(mended) == (len(series) - 3 if left_out else len(series))
    assert len(actions) == (3 if left_out else 2)


@pytest.mark.parametrize(("times", "looked_at"), [(3.1, True), (2.9, False), (1 / 3.1, True), (1 / 2.9, False)])
def test_a_move_by_more_than_three_is_looked_at(times, looked_at):
    flat = pd.Series(300.0, index=wavy().index)
    flat.iloc[20:] *= times
    mended, actions = mend_slips(flat)
    assert len(actions) == looked_at
    pd.testing.assert_series_equal(mended, flat)


def test_the_newest_month_alone_does_not_bring_new_money():
    series = wavy()
    series.iloc[-1] *= 100
    mended, actions = mend_slips(series)
    pd.testing.assert_series_equal(mended, wavy().iloc[:-1])
    assert not actions[0].kept
    series.iloc[-2] *= 100  # a second one bears it out
    np.testing.assert_allclose(mend_slips(series)[0], wavy() * 100)


def test_a_factor_from_six_months_has_their_own_scatter():
    """Logs of the ratio about 0.1 by turns of 0.05: six months' own scatter, five keep the usual one."""
    months = pd.period_range("2025-01", periods=6, freq="M")
    market = pd.Series(100.0, index=months)
    own = market * np.exp(0.1 + 0.05 * np.tile([-1, 1], 3))
    scatter = 0.05 * np.sqrt(6 / 5)
    precision = 1 / 0.2**2 + 6 / scatter**2
    six = learn_basis(own, market)
    assert np.log(six.factor) == pytest.approx(0.6 / scatter**2 / precision)
    assert six.log_sd == pytest.approx(np.sqrt(1 / precision + scatter**2))
    five = learn_basis(own.iloc[:5], market)
    assert five.log_sd == pytest.approx(np.sqrt(1 / (1 / 0.2**2 + 5 / 0.1**2) + 0.1**2))
    same = learn_basis(market, market)  # six times the same price: 2 % of scatter is believed at least
    assert same.log_sd == pytest.approx(np.sqrt(1 / (25 + 6 / 0.02**2) + 0.02**2))


def test_workbooks_and_decimal_commas():
    frame = pd.DataFrame(
        {"Date": ["2022-01-15"], "Commodity": ["Maize"], "Market": ["B"], "Price per kg": ["1 250,50"]}
    )
    buffer = io.BytesIO()
    frame.to_excel(buffer, index=False)
    result = clean_prices(read_price_table(buffer.getvalue(), "prices.xlsx"), "TZS")
    assert result.quotes["price_per_kg"].iloc[0] == 1250.5
    semicolons = clean_prices(read_price_table(b"date;commodity;price\n15/01/2022;Maize;12,5\n", "p.csv"), "EUR")
    assert semicolons.quotes["price_per_kg"].iloc[0] == 12.5


@pytest.mark.parametrize("content", [b"", b"a,b\n1,2\n", b"date,commodity\n2020-01-01,Maize\n", b"\x00\xff\xfe"])
def test_files_without_prices_are_refused(content):
    with pytest.raises(ImportRefusedError):
        clean_prices(read_price_table(content, "prices.csv"), "KES")


def test_a_real_file(open_data: Path):
    content = (open_data / "hdx_sample.csv").read_bytes()
    result = clean_prices(read_price_table(content, "hdx_sample.csv"), "XOF")
    # 399 lines below the heading, one of them the tag row, counted with a text editor's line count.
    assert result.rows_read == 399
    assert len(result.quotes) + sum(not action.kept for action in result.actions) == 399
    assert {"Maize (white)", "Sorghum"} <= set(result.quotes["commodity"])
    assert set(result.quotes["price_type"]) == {"retail"}


def test_basis_is_learnt_and_shrunk():
    reference = wavy(24)
    assert learn_basis(reference * 0.8, reference).factor == pytest.approx(0.8, rel=0.01)
    one = learn_basis(reference.iloc[:1] * 0.8, reference).factor
    # Normal prior sd 0.2, one quote of sd 0.1: weight 0.04 / (0.04 + 0.01) = 0.8 of log 0.8, by hand.
    assert one == pytest.approx(0.8**0.8, rel=1e-9)


def test_product_names():
    assert suggest_commodity("Maize (white)") == "maize"
    assert suggest_commodity("Maize meal (white)") is None
    assert suggest_commodity("Beans (red)") == "common_bean"


def test_own_prices_stand_to_the_market_as_learnt():
    """Four months at 0.8 of the market: normal mean with prior 0.88 +- 0.2 and scatter 0.1, by hand in logs."""
    months = pd.period_range("2025-01", periods=4, freq="M")
    market = pd.Series([100.0, 110, 120, 130], index=months)
    basis = learn_basis(0.8 * market, market, prior_factor=0.88)
    precision = 1 / 0.2**2 + 4 / 0.1**2
    expected = np.log(0.88) + 4 / 0.1**2 / precision * np.log(0.8 / 0.88)
    assert np.log(basis.factor) == pytest.approx(expected)
    assert basis.factor_log_sd == pytest.approx(precision**-0.5)
    low, high = basis.interval(0.8)
    assert low < basis.factor < high
    # 1.2816 standard deviations hold 80 % of a normal variable (tables).
    assert np.log(high / basis.factor) == pytest.approx(1.2816 * basis.log_sd, rel=1e-4)
    nothing = learn_basis(market.iloc[:0], market, prior_factor=0.88)
    assert (nothing.quotes, nothing.factor) == (0, pytest.approx(0.88))


def test_own_paths_start_from_todays_own_price_and_are_wider_than_the_markets():
    rng = np.random.default_rng(1)
    market = 100 * np.exp(np.cumsum(rng.normal(0, 0.05, (4000, 8)), axis=1))
    market[:, 0] = 100
    basis = learn_basis(
        pd.Series(dtype=float, index=pd.PeriodIndex([], freq="M")),
        pd.Series(dtype=float, index=pd.PeriodIndex([], freq="M")),
    )
    own = basis.own_paths(market, 3, own_today=85.0)
    assert (own[:, 0] == 85).all()
    np.testing.assert_array_equal(own, basis.own_paths(market, 3, own_today=85.0))
    wider = np.log(own[:, -1]).std() ** 2 - np.log(market[:, -1]).std() ** 2
    # One month's scatter of 0.1 is added.
    assert wider == pytest.approx(0.1**2, rel=0.15)
    unknown = basis.own_paths(market, 3)
    assert np.log(unknown[:, 0]).std() == pytest.approx(basis.log_sd, rel=0.05)
