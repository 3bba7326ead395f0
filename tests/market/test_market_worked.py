"""Which past harvests are looked back on, what other markets say, which rows a file brought before: by hand."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from core.errors import InputError, PriceDataError
from core.market import hindcast as room
from core.market.costs import breakeven_price
from core.market.hindcast import past_harvests, price_course
from core.market.other_markets import OtherMarkets, other_markets
from core.market.price_tables import as_stretches, clean_prices, read_price_table, taken_before
from core.market.season_models import DRIFT_KINDS, FORM_WEIGHT, NEIGHBOURS, TESTED_FORMS
from core.market.waiting import look_back_sentence


def months(count, start="2000-01", price=10.0):
    return pd.Series(price + np.arange(count) / 10, pd.period_range(start, periods=count, freq="M"))


@pytest.fixture
def trough(monkeypatch):
    """Say in which month a curve known until then is lowest, and note what was known."""
    known = []

    def of(month_of):
        def fit_season(series, inflation):
            known.append((str(series.index[0]), str(series.index[-1]), inflation))
            return SimpleNamespace(trough_month=month_of(series.index[-1]))

        monkeypatch.setattr(room, "fit_season", fit_season)
        known.clear()
        return known

    return of


def origins(series, horizon, inflation=None):
    return [str(origin) for origin, _ in past_harvests(series, horizon, inflation)]


def test_harvests_come_once_a_year_from_the_fifth_year_on(trough):
    """Seven years from January 2000, lowest in May: May 2004, 2005 and, with a horizon of seven months, 2006."""
    known = trough(lambda last: 5)
    assert origins(months(84), 7, 0.01) == ["2004-05", "2005-05", "2006-05"]
    # what is known ends before the month from which a harvest is looked for: four whole years at first, then until
    # six months after the harvest before
    assert known[:2] == [("2000-01", "2003-12", 0.01), ("2000-01", "2004-11", 0.01)]
    assert origins(months(84), 8) == ["2004-05", "2005-05"]  # January 2007 is not there yet
    assert origins(months(85), 8) == ["2004-05", "2005-05", "2006-05"]


def test_a_season_that_moves_is_not_harvested_twice(trough):
    """Lowest in May until April 2004 was known, in August from then on: August 2004 is in the same season."""
    trough(lambda last: 5 if last < pd.Period("2004-05", "M") else 8)
    assert origins(months(84), 6)[:2] == ["2004-05", "2005-08"]


def test_an_early_harvest_may_be_the_month_itself(trough):
    trough(lambda last: 1)
    assert origins(months(62), 12)[0] == "2004-01"
    with pytest.raises(PriceDataError):
        past_harvests(months(60), 12, None)  # the last month of the horizon is missing


def test_at_least_three_quarters_of_four_years_must_be_known(trough):
    """Of the first 48 months 13 are missing: 35 are too few; a month later there are 36, which are enough."""
    trough(lambda last: last.month % 12 + 1)  # lowest in the very month after
    series = months(84).drop(pd.period_range("2001-01", periods=13, freq="M"))
    assert origins(series, 6)[0] == "2004-02"
    series = months(84).drop(pd.period_range("2001-01", periods=12, freq="M"))
    assert origins(series, 6)[0] == "2004-01"


def test_prices_that_came_bridge_three_months_and_no_more():
    """1, then 16 four months later: a straight line of logs doubles each month."""
    series = pd.Series([1.0, 16.0, 20.0], pd.PeriodIndex(["2004-01", "2004-05", "2004-06"], freq="M"))
    first = series.index[0]
    np.testing.assert_allclose(price_course(series, first, 5), [1, 2, 4, 8, 16, 20])
    late = pd.Series([1.0, 16.0], pd.PeriodIndex(["2004-01", "2004-06"], freq="M"))
    assert price_course(late, first, 5) is None
    assert price_course(series, first + 1, 3) is None
    assert price_course(series, first, 6) is None  # what comes after the last is not made up


def test_a_gap_in_what_came_leaves_the_year_out(trough):
    trough(lambda last: 5)
    series = months(84).drop(pd.period_range("2004-06", periods=4, freq="M"))
    assert origins(series, 7) == ["2005-05", "2006-05"]


def test_the_rise_that_others_say_by_hand():
    """7 % of the others' move in each of six months; 8 % of the gap closes in each of three."""
    moved, apart = OtherMarkets(moved=0.1), OtherMarkets(apart=0.1)
    np.testing.assert_allclose(moved.rise([0, 1, 6, 9]), [0.0, 0.007, 0.042, 0.042])
    np.testing.assert_allclose(apart.rise([0, 1, 3, 9]), [0.0, -0.008, -0.024, -0.024])
    np.testing.assert_allclose(OtherMarkets(0.1, 0.1).rise(2), 0.014 - 0.016)


def test_the_others_move_and_the_gap_by_hand():
    """Two markets rose by 10 and by 30 % over four months: the middle of the logs. We stood beside them at 0.2 [log]
    for two years and are 0.1 lower now.
    """
    count = 30
    flat = np.ones(count)
    first, second = flat * 100.0, flat * 100.0
    first[-4:], second[-4:] = 110.0, 130.0
    index = pd.period_range("2020-01", periods=count, freq="M")
    others = [pd.Series(values, index) for values in (first, second)]
    middle = np.median(np.log([first, second]), axis=0)
    own = np.exp(middle + 0.2)
    own[-1] *= np.exp(-0.1)
    found = other_markets(pd.Series(own, index), others)
    assert found.moved == pytest.approx((np.log(1.1) + np.log(1.3)) / 2)
    assert found.apart == pytest.approx(-0.1)
    # two months older than today is the oldest that counts
    for older, said in ((1, True), (2, True), (3, False)):
        cut = [series.iloc[: count - older] for series in others]
        assert (other_markets(pd.Series(own, index), cut) != OtherMarkets()) is said
    # eleven months before tell nothing usual yet; twelve are enough
    for known, apart in ((12, 0.0), (13, -0.1)):
        found = other_markets(pd.Series(own[-known:], index[-known:]), others)
        assert found.apart == pytest.approx(apart)
    wild = [pd.Series(np.where(np.arange(count) < count - 4, 100.0, 900.0), index)]
    assert other_markets(pd.Series(own, index), wild).moved == 0.5
    fallen = [pd.Series(np.where(np.arange(count) < count - 4, 900.0, 100.0), index)]
    assert other_markets(pd.Series(own, index), fallen).moved == -0.5
    assert other_markets(pd.Series(own, index), []) == OtherMarkets()


def test_rows_as_stretches_and_whether_they_were_taken_before():
    assert as_stretches([5, 3, 4, 9, 8, 12, 4]) == [[3, 5], [8, 9], [12, 12]]
    assert as_stretches([]) == []
    taken = as_stretches([3, 4, 5, 9])
    assert [taken_before(taken, [row]) for row in (2, 3, 5, 6, 8, 9, 10)] == [
        False,
        True,
        True,
        False,
        False,
        True,
        False,
    ]
    assert taken_before(taken, [1, 4])
    assert not taken_before(taken, [])
    assert not taken_before([], [4])


@pytest.mark.parametrize(
    ("cells", "are_months"), [("1,12,0", True), ("1,0,13", False), ("1,13", False), ("12,1", True)]
)
def test_numbers_of_months_beside_a_column_of_years(cells, are_months):
    """More than half of the cells must be 1 to 12, or the column is no column of months."""
    rows = "".join(f"2024,{cell},Town,Maize,KG,{10 + at}\n" for at, cell in enumerate(cells.split(",")))
    opened = read_price_table(f"year,date,market,commodity,unit,price\n{rows}".encode(), "p.csv")
    found = clean_prices(opened, "KES", date(2026, 1, 1))
    dates = {str(stamp)[:7] for stamp in found.quotes["date"]}
    assert ({"2024-01", "2024-12"} & dates != set()) is are_months


@pytest.mark.parametrize(
    ("gain", "words"),
    [(0.0051, "0.5 % more"), (0.005, "about the same"), (-0.005, "about the same"), (-0.0051, "would not have helped")],
)
def test_half_a_per_cent_is_about_the_same(gain, words):
    assert words in str(look_back_sentence(gain, 0.4, 0.2, -0.1, 10))


def test_a_look_back_in_words_by_hand():
    """12.3 % more, 45 % of what could be foreseen; three of eight years lost, 9.5 % in the worst."""
    said = str(look_back_sentence(0.123, 0.45, 0.375, -0.095, 8))
    for words in ("Over 8 past harvests", "12.3 % more", "45 % of the gain", "3 of them lost", "-9.5 %"):
        assert words in said
    assert "Few years" not in str(look_back_sentence(0.1, 0.4, 0.2, -0.1, 6))
    assert "Few years" in str(look_back_sentence(0.1, 0.4, 0.2, -0.1, 5))
    for captured in (-0.2, float("nan")):  # nothing of it was captured, or there was nothing to foresee
        assert " 0 % of the gain" in str(look_back_sentence(0.1, captured, 0.2, -0.1, 8))


def test_kinds_of_economy_and_forms_of_season_are_shared_out_whole():
    """Prior weights add up to one; the forms without the neighbours' do."""
    assert sum(kind.weight for kind in DRIFT_KINDS) == pytest.approx(1.0)
    assert sum(weight for form, weight in FORM_WEIGHT.items() if form != NEIGHBOURS) == pytest.approx(1.0)
    # the more restless an economy, the further its drift lies and the more it changes
    for name in ("drift_scale", "change_scale"):
        scales = [getattr(kind, name) for kind in DRIFT_KINDS]
        assert scales == sorted(scales)


def test_forms_of_season_that_the_test_looks_at():
    """One harmonic, two, and a sawtooth for each month, in the columns of the grid: 0 to 3, then twelve. More freedom
    costs ln(12) = 2.48, or two and a half for two parameters more and their choice.
    """
    columns = [tuple(form) for form, _ in TESTED_FORMS]
    assert columns == [(0, 1), (0, 1, 2, 3), *((4 + month,) for month in range(12))]
    assert TESTED_FORMS[0][1] == 0.0
    assert all(abs(price - np.log(12)) < 0.02 for _, price in TESTED_FORMS[1:])


def test_grain_that_is_worth_nothing_now_must_still_pay_its_keep():
    """0.5 a month at 10 %: 0.5 x 1.1 + 0.5 = 1.05 after two months; of what is left of it, half a half: 4.2."""
    assert breakeven_price(0.0, 2, 0.1, 0.5, 0.5) == pytest.approx(1.05 / 0.25)
    with pytest.raises(InputError):
        breakeven_price(-1e-9, 2, 0.1, 0.5, 0.5)
