"""What a group's own records say of its market and its buyers."""

from __future__ import annotations

from datetime import UTC, date, datetime

import numpy as np
import pandas as pd
import pytest

from core.group.records import Group, PriceQuote
from core.group.selling import (
    FARM_GATE,
    Delivery,
    basis_to,
    buyer_book,
    compare_delivery,
    crop_prices,
    group_prices,
    reference_market,
    split_known,
)
from tests.shared_store import fresh_store


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


def test_a_slip_within_its_month_is_not_todays_price():
    """A second quote of the last month, a hundred times the first ones: the month's median is 111, and so is today."""
    table = quotes("Town", "wholesale", [100.0 + i for i in range(12)])
    day = table["quoted_on"].iloc[-1]
    more = pd.DataFrame(
        {
            "quoted_on": [day - pd.Timedelta(days=1), day + pd.Timedelta(days=1)],
            "market": "Town",
            "commodity": "maize",
            "price_type": "wholesale",
            "price_per_kg": [110.0, 11100.0],
        }
    )
    found = crop_prices(pd.concat([table, more]))
    assert found is not None
    assert found.months.iloc[-1] == found.price_now == 111
    more.loc[1, "price_per_kg"] = 130.0  # dearer, and no slip: the newest is today's
    found = crop_prices(pd.concat([table, more]))
    assert found is not None
    assert found.price_now == 130


@pytest.mark.parametrize("kind", ["wholesale", "farm gate"])
def test_buyers_are_compared_at_the_price_that_the_plan_starts_from(kind, tmp_path):
    """Two quotes in the last month, 200 and 230; of the farm gate they stand for a market at 1 / 0.9 of it."""
    store = fresh_store(tmp_path / "x.sqlite3")
    group = store.add_group(Group(name="Two quotes", time_zone="UTC", currency="XOF"))
    days = ((date(2026, 5, 3), 200.0), (date(2026, 5, 18), 230.0))
    store.add_price_quotes(
        [
            PriceQuote(
                group_id=group, quoted_on=on, market="Town", commodity="maize", price_per_kg=each, price_type=kind
            )
            for on, each in days
        ]
    )
    gate = float(store.fact(group, "plan.gate_factor").value)
    expected = 230.0 if kind == "wholesale" else 230.0 / gate
    known = crop_prices(store.price_quotes(group, "maize"), gate)
    load = Delivery("maize", 1000.0, 12.0, 0.3, 13.5)
    found = compare_delivery(store, group, load, buyer_book(store, group), date(2026, 5, 20))
    assert known is not None
    assert found is not None
    assert found.price == pytest.approx(known.price_now) == pytest.approx(expected)
    store.engine.dispose()


def test_a_file_that_ended_long_ago_never_hides_this_weeks_price():
    """Town's 30 months end in June 2025; at Hill 60 is paid in December: today's price is Hill's.

    Hill's months before it are Town's at Hill's level. Both have May 2025, Hill at 60 where Town has 120, and June, 52
    at 130: the middle of 0.5 and 0.4 is 0.45.
    """
    town = quotes("Town", "wholesale", [92.0 + i for i in range(28)] + [120.0, 130.0])
    hill = quotes("Hill", "wholesale", [60.0, 52.0], "2025-05")
    new = quotes("Hill", "wholesale", [61.0], "2025-12")
    found = crop_prices(pd.concat([town, hill, new]))
    assert found is not None
    assert (found.market.market, found.price_now, found.lent_by) == ("Hill", 61.0, "Town")
    assert found.months.tolist() == pytest.approx([0.45 * (92.0 + i) for i in range(28)] + [60.0, 52.0, 61.0])
    assert found.neighbours == ()  # what is lent is not counted a second time
    # while the file is as recent as Hill's price, the longest record is the market
    assert crop_prices(pd.concat([town, hill])).market.market == "Town"


def test_the_own_market_goes_on_at_its_level_where_its_last_price_is_old():
    """Hill, where the group sells, was last priced at 50 in June, Town at 100 then and at 140 in December: Hill's price
    today is half of Town's, 70. Without a common month nobody can say: the old price stays, of its day.
    """
    town = quotes("Town", "wholesale", [100.0] * 30 + [140.0] * 6)  # to December 2025
    hill = quotes("Hill", "wholesale", [50.0], "2025-06")
    found = crop_prices(pd.concat([town, hill]), market="Hill")
    assert (found.market.market, found.price_now, found.lent_by) == ("Hill", pytest.approx(70.0), "Town")
    assert found.months.tolist() == pytest.approx([50.0] * 30 + [70.0] * 6)
    assert found.on == date(2025, 12, 15)
    apart = town[town["quoted_on"].dt.month != 6]
    found = crop_prices(pd.concat([apart, hill]), market="Hill")
    assert (found.price_now, found.on) == (50.0, date(2025, 6, 15))


@pytest.mark.parametrize(("later", "market"), [(45, "Town"), (46, "Hill")])
def test_a_price_is_old_after_45_days(later, market):
    town, hill = quotes("Town", "wholesale", [100.0] * 3), quotes("Hill", "wholesale", [90.0])
    hill["quoted_on"] = town["quoted_on"].iloc[-1] + pd.Timedelta(days=later)
    assert reference_market(pd.concat([town, hill])).market == market


def test_without_common_months_the_lent_prices_stand_as_they_are():
    town = quotes("Town", "wholesale", [100.0] * 23 + [110.0])
    found = crop_prices(pd.concat([town, quotes("Hill", "wholesale", [90.0], "2026-03")]))
    assert found.months.tolist() == [100.0] * 23 + [110.0, 90.0]
    short = crop_prices(pd.concat([town.iloc[1:], quotes("Hill", "wholesale", [90.0], "2026-03")]))
    assert (short.months.tolist(), short.lent_by) == ([90.0], "")  # 23 months lend nothing


def test_a_retail_price_is_never_taken_for_the_wholesale_price_of_a_longer_record():
    town = quotes("Town", "wholesale", [100.0] * 5)
    assert crop_prices(pd.concat([town, quotes("Town", "retail", [150.0], "2024-01")])).price_now == 100.0


def test_where_the_group_sells_goes_before_the_longest_record(tmp_path):
    """Plan, advice, buyers and the lots' prices all start from Hill's 90 once the group has said so."""
    from core.advice.origins import prices_now
    from core.group.lot_state import judging_rules
    from core.planning.case_from_records import crop_price
    from core.programme.counting import reference_prices

    store = fresh_store(tmp_path / "x.sqlite3")
    group = store.add_group(Group(name="Two markets", time_zone="UTC", currency="XOF"))
    rows = [("Town", month, 100.0) for month in range(1, 6)] + [("Hill", month, 90.0) for month in range(3, 6)]
    store.add_price_quotes(
        PriceQuote(group_id=group, quoted_on=date(2026, month, 10), market=name, commodity="maize", price_per_kg=price)
        for name, month, price in rows
    )
    load, day = Delivery("maize", 1000.0, 12.0, 0.3, 13.5), date(2026, 5, 20)

    def starting() -> list[float]:
        return [
            crop_price(store, group, "maize", 1.0).price_now,
            prices_now(store, group, ["maize"], day)[0].per_kg,
            compare_delivery(store, group, load, buyer_book(store, group), day).price,
            judging_rules(store, group).prices["maize"],
            reference_prices(store.price_quotes(group), str(store.fact(group, "plan.market").value))[
                ("maize", 2026, 5)
            ],
            group_prices(store, group, "maize").price_now,
        ]

    assert starting() == [100.0] * 6
    store.set_fact(group, "plan.market", "Hill", "entered", "", datetime(2026, 5, 20, tzinfo=UTC))
    assert starting() == [90.0] * 6
    store.set_fact(group, "plan.market", "Nowhere", "entered", "", datetime(2026, 5, 21, tzinfo=UTC))
    assert starting() == [100.0] * 6
    store.engine.dispose()


def at_gate(prices: list[float], start: str) -> pd.DataFrame:
    table = quotes("", FARM_GATE, prices, start)
    return pd.DataFrame({"on": table["quoted_on"], "price_per_kg": table["price_per_kg"], "what": "quote"})


@pytest.mark.parametrize(
    ("market", "gate", "today"),
    [
        (date(2025, 6, 30), date(2025, 8, 14), 100.0),
        (date(2025, 6, 30), date(2025, 8, 15), 180.0 / 0.9),
        (date(2025, 6, 1), date(2025, 7, 31), 100.0),  # 60 days, but of the month after: the gate's part is learnt
    ],
)
def test_a_gate_price_of_these_weeks_brings_a_market_up_whose_last_price_is_old(market, gate, today):
    """180 at the gate, which pays 0.9 of the market where no month tells better: the market is at 200."""
    town = quotes("Town", "wholesale", [100.0] * 30)  # to June 2025
    town.loc[29, "quoted_on"] = pd.Timestamp(market)
    found = crop_prices(town, 0.9, gate=at_gate([180.0], "2025-06").assign(on=pd.Timestamp(gate)))
    moved = today != 100.0
    assert (found.price_now, found.by_gate) == (pytest.approx(today), moved)
    assert found.on == (gate if moved else market)
    assert found.seen.tolist() == [100.0] * 30


def test_a_gate_price_stands_to_an_old_market_as_gate_prices_did_before():
    """Half of Town's price at the gate for all of thirty months: 90 there is nearer to 180 at the market than to 100;
    the months between them are lent, and what the gate was of the market is not learnt from them again.
    """
    town = quotes("Town", "wholesale", [100.0] * 30)
    gate = pd.concat([at_gate([50.0] * 30, "2023-01"), at_gate([85.0, 90.0], "2025-11")])
    found = crop_prices(town, 0.9, gate=gate)
    factor = basis_to(
        town.set_index(town["quoted_on"].dt.to_period("M"))["price_per_kg"], gate, date(2025, 12, 15), 0.9
    ).factor
    assert factor == pytest.approx(0.5, abs=0.02)
    assert found.price_now * factor == pytest.approx(90.0)
    assert (found.months.iloc[-2:] * factor).tolist() == pytest.approx([85.0, 90.0])
    assert found.months.index[-1] == pd.Period("2025-12", "M")
    assert found.seen.index[-1] == pd.Period("2025-06", "M")


def test_a_slip_at_the_gate_moves_no_market():
    town = quotes("Town", "wholesale", [100.0] * 30)
    slip = at_gate([90.0] * 5 + [900.0], "2025-07")
    assert crop_prices(town, 0.9, gate=slip).price_now == 100.0
    assert crop_prices(town, 0.9, gate=slip.iloc[:-1]).price_now == pytest.approx(100.0)
