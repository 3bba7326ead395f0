"""Past years under each rule, and a price file row by row, with made-up curves and figures worked by hand."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from core.errors import ImportRefusedError, InputError, PriceDataError
from core.market import hindcast as looking
from core.market import stopping
from core.market.hindcast import FORESIGHT, HARVEST, PLAN, hindcast
from core.market.price_tables import CleanedPrices, clean_prices, read_price_table
from core.market.products import suggest_commodity
from core.market.stopping import hindcast_selling_prices
from core.market.units import kilograms
from core.market.waiting import WaitingRule


def test_three_past_years_under_each_rule(monkeypatch):
    """Harvest is in January. At 1 % loss and 2 % interest a month's d is 0.99 / 1.02 = 0.9706:

    2004: 10, 12, 9, 11, the plan sells in February: 1.2 d, the best there was;
    2005: 10, no price, 7, 6, sold in April, the last month: 0.6 d^3; the best is harvest; February is bridged to
    the root of 70;
    2006: 10, 9, 15, 12, sold in March: 1.5 d^2.
    """
    series = pd.Series(10.0, pd.period_range("2000-01", "2006-12", freq="M"))
    series["2004-02":"2004-04"] = [12.0, 9.0, 11.0]
    series["2005-03":"2005-04"] = [7.0, 6.0]
    series["2006-02":"2006-04"] = [9.0, 15.0, 12.0]
    series = series.drop(pd.Period("2005-02", "M"))
    asked = []

    def curve(known: pd.Series, *lent: object) -> SimpleNamespace:
        made = SimpleNamespace(trough_month=1, last=known.index[-1], lent=lent)
        made.updated = lambda later: curve(later, "again")
        return made

    def decide(at: SimpleNamespace, rule: WaitingRule, begun: bool) -> SimpleNamespace:
        asked.append((str(at.last), rule.months, begun, at.lent))
        return SimpleNamespace(wait=str(at.last) not in ("2004-02", "2006-03"))

    monkeypatch.setattr(looking, "fit_season", curve)
    monkeypatch.setattr(looking, "decide", decide)
    report = hindcast(series, 0.01, 0.02, 3, 0.004, ["other"])
    d = 0.99 / 1.02
    years = report.years
    assert [str(year) for year in years.index] == ["2004-01", "2005-01", "2006-01"]
    assert years["sold_after"].tolist() == [1, 3, 2]
    np.testing.assert_allclose(years["price"], 10.0)
    np.testing.assert_allclose(years[PLAN], [1.2 * d, 0.6 * d**3, 1.5 * d**2])
    np.testing.assert_allclose(years[FORESIGHT], [1.2 * d, 1.0, 1.5 * d**2])
    np.testing.assert_allclose(years["wait 1 months"], [1.2 * d, 70**0.5 / 10 * d, 0.9 * d])
    np.testing.assert_allclose(years["wait 3 months"], [1.1 * d**3, 0.6 * d**3, 1.2 * d**3])
    table = report.table
    assert list(table.index) == [HARVEST, "wait 1 months", "wait 2 months", "wait 3 months", PLAN, FORESIGHT]
    assert table.loc[PLAN, "mean"] == pytest.approx((1.2 * d + 0.6 * d**3 + 1.5 * d**2) / 3)
    assert table.loc[PLAN, "worst"] == pytest.approx(0.6 * d**3)
    assert table["share_losing"].to_numpy() == pytest.approx([0, 2 / 3, 2 / 3, 1 / 3, 1 / 3, 0])
    assert table["years"].tolist() == [3] * 6
    gain = 1.2 * d + 1.5 * d**2
    assert report.captured == pytest.approx((gain + 0.6 * d**3 - 3) / (gain + 1 - 3))
    # asked at harvest and each month with a price, with the months that are left, until it sells
    assert asked == [
        ("2004-01", 3, False, (0.004, ["other"])),
        ("2004-02", 2, True, ("again",)),
        ("2005-01", 3, False, (0.004, ["other"])),
        ("2005-03", 1, True, ("again",)),
        ("2006-01", 3, False, (0.004, ["other"])),
        ("2006-02", 2, True, ("again",)),
        ("2006-03", 1, True, ("again",)),
    ]
    falling = pd.Series(np.linspace(20, 10, 84), pd.period_range("2000-01", periods=84, freq="M"))
    assert np.isnan(hindcast(falling, 0.01, 0.02, 3).captured)  # nothing was to be gained


def test_what_cannot_be_looked_back_on():
    series = pd.Series(10.0, pd.period_range("2000-01", periods=84, freq="M"))
    for wrong in ((-0.01, 0.02, 3), (1.0, 0.02, 3), (0.0, -1.0, 3), (0.0, 0.02, 0)):
        with pytest.raises(InputError):
            hindcast(series, *wrong)
    with pytest.raises(PriceDataError, match="above zero"):
        hindcast(series * np.nan, 0.01, 0.02, 3)
    with pytest.raises(PriceDataError, match="at least 52"):
        hindcast(series.iloc[:51], 0.01, 0.02, 3)


def test_past_years_of_a_rule_by_price(monkeypatch):
    """Prices 10, 11, 12.5 came; the rule sells from 12 on in the second month, at any price in the third.

    The second month looked best: means 1, 1.3, 1.29 of today's price less loss, interest and 3 % storage a month.
    """
    paths = np.array([[10.0, 12.0, 11.8], [10.0, 14.0, 14.0]])
    seen = {}

    def fit(known: pd.Series, *lent: object) -> SimpleNamespace:
        seen["fitted"] = (str(known.index[-1]), lent)
        return SimpleNamespace(sample_paths=lambda months, count, seed: paths)

    def rule_of(prices: np.ndarray, worth: np.ndarray) -> SimpleNamespace:
        seen["worth"] = worth
        return SimpleNamespace(price=np.array([np.nan, 12.0, 0.0]))

    origin = pd.Period("2004-03", "M")
    harvests = [(origin, np.array([10.0, 11.0, 12.5])), (origin + 12, np.array([8.0, 10.0, 7.0]))]
    monkeypatch.setattr(stopping, "past_harvests", lambda series, *asked: harvests if asked == (2, 0.004) else [])
    monkeypatch.setattr(stopping, "fit_season", fit)
    monkeypatch.setattr(stopping, "selling_prices", rule_of)
    series = pd.Series(1.0, pd.period_range("2000-01", "2006-12", freq="M"))
    years = hindcast_selling_prices(series, WaitingRule(2, 0.02, 0.01, 0.03), 0.004, ("other",))
    d, one, two = 0.99 / 1.02, 0.03 / 1.02, 0.03 / 1.02 + 0.03 / 1.02**2
    np.testing.assert_allclose(seen["worth"][:, 0], [10.0, 12 * d - 10 * one, 11.8 * d**2 - 10 * two])
    assert seen["fitted"] == ("2005-03", (0.004, ("other",)))
    assert years["price"].tolist() == [10.0, 8.0]
    assert years["fixed_month"].tolist() == [1, 1]
    assert years["rule_month"].tolist() == [2, 2]
    np.testing.assert_allclose(years["fixed"], [1.1 * d - one, 1.25 * d - one])
    np.testing.assert_allclose(years["rule"], [1.25 * d**2 - two, 7 / 8 * d**2 - two])
    np.testing.assert_allclose(years["best"], [1.25 * d**2 - two, 1.25 * d - one])


# Price files

HEAD = "date,market,commodity,unit,price flag,price type,currency,price\n"
WORDS = "Date,Market,Commodity,Unit,Priceflag,Pricetype,Currency,Price\n"


def cleaned(rows: str, head: str = WORDS, today: date | None = date(2024, 6, 15)) -> CleanedPrices:
    return clean_prices(read_price_table((head + rows).encode(), "p.csv"), "kes", today)


def told(found: CleanedPrices) -> list[tuple[int | None, bool, str]]:
    return [(action.row, action.kept, str(action.what)) for action in found.actions]


def test_a_file_is_accounted_for_row_by_row():
    """Thirteen rows, lines 2 to 14: six are used. A price of today may have been seen, one of tomorrow not."""
    found = cleaned(
        "2024-05-15,A,Maize,90 KG,actual,Wholesale,KES,4500\n"
        "2024-05-15,A,Maize,90 KG,actual,Wholesale,KES,4500\n"
        "2024-05-15,A,Maize,90 KG,actual,Wholesale,KES,4590\n"
        "2024-04-15,A,Maize,KG,aggregate,Retail,,60\n"
        "2024-06-15,A,Maize,,actual,Farm gate,,55\n"
        "2024-06-16,A,Maize,KG,actual,Retail,KES,60\n"
        "2024-03-15,A,Maize,KG,forecast,Retail,KES,60\n"
        "2024-03-15,A,,KG,actual,Retail,KES,60\n"
        "2024-03-15,A,Maize,KG,actual,Retail,KES,\n"
        "2024-03-15,A,Maize,KG,actual,Retail,KES,0\n"
        "2024-03-15,A,Maize,heap,actual,Retail,KES,60\n"
        "2024-03-15,B,Beans,MT,actual,Producer,usd,700000\n"
        "2024-02-15,A,Maize,90 KG,aggregate,Wholesale,KES,4050\n"
    )
    assert found.rows_read == 13
    quotes = found.quotes
    assert quotes["row"].tolist() == [14, 5, 2, 4, 6, 13]
    assert quotes["price_per_kg"].tolist() == pytest.approx([45.0, 60.0, 50.0, 51.0, 55.0, 700.0])
    assert quotes["currency"].tolist() == ["KES"] * 5 + ["USD"]
    assert quotes["price_type"].tolist() == ["wholesale", "retail", "wholesale", "wholesale", "farm gate", "farm gate"]
    said = told(found)
    assert {row for row, kept, _what in said if row} == {3, 7, 8, 9, 10, 11, 12}
    assert not any(kept for row, kept, _what in said if row)
    out = {row: what for row, _kept, what in said if row}
    assert "earlier row" in out[3]
    assert "date 2024-06-16 lies in the future" in out[7]
    assert "a forecast" in out[8]
    assert "no commodity" in out[9] or "empty" in out[9]
    assert "missing" in out[10]
    assert "price 0 is not above zero" in out[11]
    assert "unit 'heap' has no known weight" in out[12]
    general = [what for row, kept, what in said if row is None and kept]
    for words in (
        "2 rows are averages of several prices",
        "2 rows: no currency given: taken as kes",
        "1 rows: no unit given: taken as KG",
        "4 rows priced per 90 KG: divided by 90",
        "1 rows priced per MT: divided by 1000",
        "2 rows give several prices for one day and market",
        "Maize in A: farm gate, retail, wholesale are kept apart, as different kinds of price",
    ):
        assert any(what.startswith(words) for what in general), (words, general)
    # what concerns no row is told first, then row by row
    rows = [row or 0 for row, _kept, _what in said]
    assert rows == sorted(rows)
    series = found.series_list()
    assert series[["market", "price_type", "months"]].to_numpy().tolist()[0] == ["A", "wholesale", 2]
    assert series["months"].tolist() == [2, 1, 1, 1]
    assert cleaned("2024-03-15,A,,KG,actual,Retail,KES,60\n").series_list().empty


def test_a_price_per_kilogram_needs_no_unit():
    """The column's own heading says what it is: nothing is divided, and nothing is said of a missing unit."""
    found = cleaned("2024-05-15,A,Maize,31\n", "date,market,commodity,price per kg\n")
    assert found.quotes["price_per_kg"].tolist() == [31.0]
    assert [what for _row, _kept, what in told(found)] == ["1 rows: no currency given: taken as kes"]
    for head in ("date,commodity,unit\n", "date,market,price\n", "market,commodity,price\n"):
        with pytest.raises(ImportRefusedError):
            cleaned("2024-05-15,Maize,31\n", head)


@pytest.mark.parametrize(
    ("unit", "kg"),
    [
        ("kg", 1.0),
        ("per 12,5 kg", 12.5),
        ("2.5 quintal", 250.0),
        ("3 oz", 3 * 0.45359237 / 16),
        ("2 libras", 2 * 0.45359237),
        ("750 gr.", 0.75),
        ("bag (50 kg)", 50.0),
        ("sacks (90 KG)", 90.0),
        ("crate (2 tins)", None),
        ("3 boxes", None),
    ],
)
def test_kilograms_of_a_unit(unit, kg):
    """A pound has sixteen ounces; what stands in brackets tells the weight of a measure that has none of its own."""
    assert kilograms(unit) == (None if kg is None else pytest.approx(kg, rel=1e-6))


def test_the_longest_name_of_a_crop_counts():
    assert suggest_commodity("cowpea beans") != suggest_commodity("beans")
    assert suggest_commodity("") is None
    assert suggest_commodity("maize flour") is None
