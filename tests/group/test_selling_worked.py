"""A group's own prices, its ways to sell and what its book takes in, by small cases worked by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from types import SimpleNamespace

import pandas as pd
import pytest

from core.errors import InputError
from core.group import selling
from core.group.records import Group, Lot, PriceQuote, Sale
from core.group.selling import (
    GATE,
    MARKET,
    Comparison,
    Delivery,
    assumed_terms,
    basis_to,
    buyer_book,
    compare_delivery,
    crop_prices,
    crop_verdict,
    own_prices,
    reference_market,
    split_known,
    usual_buyers,
    waiting_costs,
    ways_to_sell,
    with_lent_months,
    withdraw,
    write_buyer,
    write_offer,
)
from core.market.buyers import Bid
from tests.shared_store import fresh_store

NOW = datetime(2026, 5, 20, 7, tzinfo=UTC)
TODAY = NOW.date()


@pytest.fixture
def where():
    store = fresh_store()
    group = store.add_group(Group(name="By hand", time_zone="UTC", currency="KES"))
    yield store, group
    store.engine.dispose()


def quote(group, on, price, kind="wholesale", market="Town", commodity="maize"):
    return PriceQuote(
        group_id=group, quoted_on=on, market=market, commodity=commodity, price_per_kg=price, price_type=kind
    )


def test_usual_buyers_by_hand(where):
    """The market is 20 km off at 0.5 a km: there and back 2 x 20 x 0.5 = 20 beside 30 for the trip."""
    store, group = where
    facts = {
        "truck.trip_cost": 30.0,
        "truck.km_cost": 0.5,
        "truck.capacity_kg": 900.0,
        "pay_delay_days": 5,
        "offer_chance_not_honoured": 0.2,
        "plan.market_weekly_kg": 4000.0,
        "plan.price_fall": 0.06,
        "plan.discount_per_point": 0.03,
        "damaged_price_cut_per_point": 0.004,
        "plan.market_km": 20.0,
        "plan.gate_factor": 0.85,
        "plan.market_fee": 0.02,
    }
    known = {key: SimpleNamespace(value=value) for key, value in facts.items()}
    gate, market = usual_buyers(known, 13.5)
    assert (gate.name, gate.price_factor, gate.distance_km, gate.trip_cost) == (GATE, 0.85, 0.0, 0.0)
    assert gate.deductions.refusal_pct == 25.0
    assert (market.name, market.trip_cost, market.distance_km, market.truck_kg) == (MARKET, 50.0, 20.0, 900.0)
    assert market.deductions.refusal_pct == 17.0
    assert (market.weekly_quantity_kg, market.price_fall_per_double, market.fee_share) == (4000.0, 0.03, 0.02)
    for who in (gate, market):
        assert (who.deductions.base_pct, who.deductions.first_rate, who.deductions.damage_per_pct) == (
            13.5,
            0.03,
            0.004,
        )
    terms = assumed_terms(known)
    assert (terms.pay_delay_days, terms.chance_not_honoured, terms.fee_share, terms.price_fall) == (5, 0.2, 0.0, 0.06)
    costs = waiting_costs(store.facts(group))
    for name, key in (
        ("monthly_interest", "interest_monthly"),
        ("monthly_loss", "market_loss_monthly"),
        ("monthly_cost", "storage_cost_kg_month"),
        ("monthly_rise", "price_rise_monthly"),
        ("months", "sale_horizon_months"),
    ):
        assert getattr(costs, name) == float(store.fact(group, key).value)


def test_own_prices_are_those_at_the_gate_or_of_one_buyer(where):
    """Sold: to nobody by name, to the mill (half a km off), to the co-operative (collects), a gift; and two quotes."""
    store, group = where
    for name, km in ((" Mill", 0.5), ("Collector", 0.0)):
        write_buyer(store, group, {"name": name, "distance_km": km}, TODAY, "Asha", NOW)
    maize = store.add_lot(Lot(group_id=group, label="A", commodity="maize", bags=40))
    beans = store.add_lot(Lot(group_id=group, label="B", commodity="common_bean", bags=40))
    sold = [
        (maize, 9, "", 30.0),
        (maize, 3, "MILL ", 36.0),
        (maize, 5, "collector", 31.0),
        (maize, 6, "Somebody", 0.9),
        (maize, 7, "Somebody", 0.0),
        (beans, 8, "Mill", 90.0),
    ]
    for lot, day, buyer, price in sold:
        store.add_sale(
            Sale(lot_id=lot, sold_on=date(2026, 5, day), bags=1, mass_kg=90.0, price_per_kg=price, buyer=buyer)
        )
    store.add_price_quotes([quote(group, date(2026, 5, 4), 28.0, "farm gate"), quote(group, date(2026, 5, 4), 40.0)])
    book = buyer_book(store, group)

    def rows(buyer=None):
        found = own_prices(store, group, "maize", book, buyer)
        return [(row.on.day, row.price_per_kg, row.what) for row in found.itertuples()]

    assert rows() == [(4, 28.0, "quote"), (5, 31.0, "sale"), (6, 0.9, "sale"), (9, 30.0, "sale")]
    assert rows("mill") == [(3, 36.0, "sale")]
    assert rows(" Collector ") == [(5, 31.0, "sale")]
    assert rows("nobody") == []
    assert list(own_prices(store, group, "wheat", book).columns) == ["on", "price_per_kg", "what"]


def test_ways_to_sell_by_hand(where):
    """The market stood at 40 in all three months; the mill paid 36 and 38: nine tenths or a little more."""
    store, group = where
    months = pd.Series(40.0, pd.period_range("2026-03", periods=3, freq="M"))
    write_buyer(store, group, {"name": "Mill", "distance_km": 12.0}, TODAY, "Asha", NOW)
    write_buyer(store, group, {"name": "Fixed", "price_factor": 1.1}, TODAY, "Asha", NOW)
    write_buyer(store, group, {"name": "Offers", "only_offers": True}, TODAY, "Asha", NOW)
    write_buyer(store, group, {"name": "Beans", "commodities": ["common_bean"]}, TODAY, "Asha", NOW)
    write_buyer(store, group, {"name": "New"}, TODAY, "Asha", NOW)
    gone = write_buyer(store, group, {"name": "Gone"}, TODAY, "Asha", NOW)
    withdraw(store, group, gone, "moved away", TODAY, "Asha", NOW)
    lot = store.add_lot(Lot(group_id=group, label="A", commodity="maize", bags=40))
    for month, price in ((3, 36.0), (4, 36.0)):
        store.add_sale(
            Sale(lot_id=lot, sold_on=date(2026, month, 9), bags=1, mass_kg=90.0, price_per_kg=price, buyer="Mill")
        )
    found = {
        way.buyer.name: way
        for way in ways_to_sell(store, group, "maize", months, buyer_book(store, group), 13.5, TODAY)
    }
    assert list(found) == [GATE, MARKET, "Mill", "Fixed", "New"]
    assert found[GATE].basis is None
    assert found[GATE].buyer.price_factor == float(store.fact(group, "plan.gate_factor").value)
    assert found[MARKET].basis is None
    assert found["Mill"].basis.quotes == 2
    # two prices at nine tenths draw the factor from 1 towards it, and never beyond
    assert 0.9 < found["Mill"].buyer.price_factor < 1.0
    assert found["Mill"].buyer.price_factor == found["Mill"].basis.factor
    assert (found["Fixed"].buyer.price_factor, found["Fixed"].basis) == (1.1, None)
    assert (found["New"].buyer.price_factor, found["New"].basis) == (1.0, None)
    store.add_price_quotes([quote(group, date(2026, 4, 4), 20.0, "farm gate")])
    gate = ways_to_sell(store, group, "maize", months, buyer_book(store, group), 13.5, TODAY)[0]
    assert gate.basis.quotes == 1
    assert 0.5 < gate.buyer.price_factor == gate.basis.factor
    before = ways_to_sell(store, group, "maize", months, buyer_book(store, group), 13.5, date(2026, 4, 3))[0]
    assert before.basis is None  # what comes later is not known yet


def bid(name, net, refused=False, offer=None):
    return Bid(name, offer, None, net, 1.0, refused)


def test_what_the_best_bid_is_worth_more_than_the_gate():
    def compared(*bids):
        return Comparison(tuple(bids), (), None, 1.0)

    best, gate, third = bid("Mill", 1.0), bid(GATE, 0.75), bid("Far", 0.5)
    assert compared(best, gate, third).gain_over_gate() == 0.25
    assert compared(gate, third).gain_over_gate() is None  # the gate is the best
    assert compared(best, third).gain_over_gate() is None  # nobody comes to the gate
    assert compared(best, third, bid(GATE, 0.75, refused=True)).gain_over_gate() is None
    assert compared(best, bid(GATE, 0.9, offer="an offer"), gate).gain_over_gate() == 0.25
    assert compared(bid("Mill", 9.0, refused=True), best, gate).taking == [best, gate]


def test_two_in_a_hundred_are_the_same():
    """0.98 of 100 is 98: a bid at 98 is not called the same any more, at 98.01 it is; never one that is refused."""

    def second(*nets):
        found = Comparison(tuple(bid(str(net), net) for net in nets), (), None, 1.0).as_good()
        return found and found.net_today_per_kg

    assert second(100.0, 98.01) == 98.01
    assert second(100.0, 98.0) is None
    assert second(100.0, 99.5, 98.5) == 99.5
    assert second(100.0) is None
    refused = Comparison((bid("a", 100.0), bid("b", 99.0, refused=True)), (), None, 1.0)
    assert refused.as_good() is None


def test_a_delivery_is_compared_at_todays_price_and_what_is_refused_goes_for_seven_tenths(where, monkeypatch):
    store, group = where
    store.add_price_quotes([quote(group, date(2026, 5, 4), 40.0)])
    buyer = write_buyer(store, group, {"name": "Mill"}, TODAY, "Asha", NOW)
    offer = {"buyer": buyer, "commodity": "maize", "price_per_kg": 44.0}
    for first, last in (("2026-05-01", "2026-05-20"), ("2026-05-01", "2026-05-19")):
        write_offer(store, group, offer | {"valid_from": first, "valid_until": last}, TODAY, "Asha", NOW)
    asked = {}

    def compare_bids(**given):
        asked.update(given)
        return ["bid"]

    monkeypatch.setattr(selling, "compare_bids", compare_bids)
    load = Delivery("maize", 500.0, 12.5, 4.0, 13.5, treated=True)
    found = compare_delivery(store, group, load, buyer_book(store, group), TODAY)
    assert (found.bids, found.price) == (("bid",), 40.0)
    assert (asked["market_price"], asked["price_otherwise"]) == (40.0, pytest.approx(28.0))
    assert (asked["mass_kg"], asked["moisture_pct"], asked["moisture_sd_pct"]) == (500.0, 12.5, 3.0)
    assert (asked["treated"], asked["day"], asked["commodity"]) == (True, TODAY, "maize")
    assert asked["monthly_interest"] == float(store.fact(group, "interest_monthly").value)
    assert [one.valid_until.day for one in asked["offers"]] == [20]
    compare_delivery(store, group, replace(load, moisture_sd_pct=0.5), buyer_book(store, group), TODAY)
    assert asked["moisture_sd_pct"] == 0.5
    assert compare_delivery(store, group, replace(load, commodity="wheat"), buyer_book(store, group), TODAY) is None


def test_two_buyers_of_one_name_and_offers_of_nobody_are_refused(where):
    store, group = where
    first = write_buyer(store, group, {"name": "Mill"}, TODAY, "Asha", NOW)
    with pytest.raises(InputError, match="already"):
        write_buyer(store, group, {"name": " mill "}, TODAY, "Asha", NOW)
    write_buyer(store, group, {"name": "MILL", "of": first}, TODAY, "Asha", NOW)  # the same one, spelt anew
    assert [entry.buyer.name for entry in buyer_book(store, group).buyers] == ["MILL"]
    offer = {"commodity": "maize", "price_per_kg": 44.0, "valid_from": "2026-05-01", "valid_until": "2026-05-19"}
    with pytest.raises(InputError, match="choose a buyer"):
        write_offer(store, group, offer | {"buyer": first + 7}, TODAY, "Asha", NOW)
    withdraw(store, group, first, "moved", TODAY, "Asha", NOW)
    with pytest.raises(InputError, match="choose a buyer"):
        write_offer(store, group, offer | {"buyer": first}, TODAY, "Asha", NOW)
    write_buyer(store, group, {"name": "Mill"}, TODAY, "Asha", NOW)  # the name is free again


def frame(*rows):
    table = pd.DataFrame(rows, columns=["quoted_on", "market", "price_type", "price_per_kg"])
    return table.assign(quoted_on=pd.to_datetime(table["quoted_on"]), commodity="maize")


def test_the_reference_market_has_the_most_months_not_the_most_quotes():
    table = frame(
        ("2026-01-03", "Often", "wholesale", 10.0),
        ("2026-01-10", "Often", "wholesale", 10.0),
        ("2026-01-17", "Often", "wholesale", 10.0),
        ("2026-01-03", "Long", "wholesale", 12.0),
        ("2026-02-03", "Long", "wholesale", 0.5),
        *((f"2025-0{month}-03", "Home", "farm gate", 8.0) for month in range(1, 10)),
        *((f"2025-0{month}-03", "Wrong", "wholesale", 0.0) for month in range(1, 10)),
    )
    assert reference_market(table).market == "Long"
    assert reference_market(table, "Often", "wholesale").monthly.prices.tolist() == [10.0]
    assert reference_market(table, "Often", "retail") is None
    assert reference_market(table[table["price_per_kg"] == 0]) is None
    assert reference_market(table[table["price_type"] == "farm gate"]) is None


def test_neighbours_have_two_years_of_the_same_kind_and_come_longest_first():
    months = [str(month) for month in pd.period_range("2022-01", periods=40, freq="M")]
    rows = [(f"{month}-15", "Town", "wholesale", 100.0) for month in months]
    for market, count in zip("ABCDEFGH", (23, 24, 30, 29, 28, 27, 26, 25), strict=True):
        rows += [(f"{month}-15", market, "wholesale", 90.0) for month in months[:count]]
    found = crop_prices(frame(*rows))
    assert [len(series) for series in found.neighbours] == [30, 29, 28, 27, 26, 25, 24]
    assert found.on == date(2025, 4, 15)


def test_months_of_the_gate_stand_for_a_market_at_one_over_the_factor_neighbours_too():
    months = [str(month) for month in pd.period_range("2023-01", periods=26, freq="M")]
    rows = [(f"{month}-15", "Home", "farm gate", 80.0) for month in months]
    rows += [(f"{month}-15", "Next", "farm gate", 60.0) for month in months[:24]]
    found = crop_prices(frame(*rows), gate_factor=0.8)
    assert (found.price_now, set(found.months)) == (100.0, {100.0})
    assert set(found.neighbours[0]) == {75.0}


def test_a_price_within_a_factor_of_three_of_its_month_is_todays():
    """The month's middle price is 100; the last quote, 290, is dear but no slip; 310 is."""
    rows = [(f"2026-04-{day:02d}", "Town", "wholesale", 100.0) for day in range(1, 8)]
    assert crop_prices(frame(*rows, ("2026-04-20", "Town", "wholesale", 290.0))).price_now == 290.0
    assert crop_prices(frame(*rows, ("2026-04-20", "Town", "wholesale", 34.0))).price_now == 34.0
    assert crop_prices(frame(*rows, ("2026-04-20", "Town", "wholesale", 32.0))).price_now == 100.0
    # exactly three times and a third are the last that are none; a price of nothing is no price
    assert crop_prices(frame(*rows, ("2026-04-20", "Town", "wholesale", 300.0))).price_now == 300.0
    dear = [(day, market, kind, 300.0) for day, market, kind, _ in rows]
    assert crop_prices(frame(*dear, ("2026-04-20", "Town", "wholesale", 100.0))).price_now == 100.0
    assert crop_prices(frame(*dear, ("2026-04-20", "Town", "wholesale", 0.0))).price_now == 300.0
    cheap = [(day, market, kind, 0.5) for day, market, kind, _ in rows]
    assert crop_prices(frame(*cheap)).price_now == 0.5


def test_a_millionth_of_a_price_is_the_same_price():
    stored = frame(("2026-04-01", "Town", "wholesale", 1_000_000.0))
    near = [quote(1, date(2026, 4, 1), price) for price in (1_000_001.0, 999_999.0, 1_000_001.5, 999_998.5)]
    split = split_known(near, stored)
    assert split.known == tuple(near[:2])
    assert split.new == split.differing == tuple(near[2:])
    other = quote(1, date(2026, 4, 1), 5.0, market="Hill")
    assert split_known([other], stored).differing == ()


def test_the_basis_takes_the_middle_price_of_a_month_and_the_day_itself(where):
    """April: 30, 34 and 60 at the gate, of 40 at the market: 34 / 40 = 0.85, which is also what is usual."""
    months = pd.Series([40.0], pd.period_range("2026-04", periods=1, freq="M"))
    own = pd.DataFrame(
        {"on": pd.to_datetime(["2026-04-02", "2026-04-09", "2026-04-10"]), "price_per_kg": [30.0, 60, 34]}
    )
    found = basis_to(months, own, date(2026, 4, 10), 0.85)
    assert (found.quotes, found.factor) == (1, pytest.approx(0.85))
    assert basis_to(months, own, date(2026, 4, 1), 0.7).factor == pytest.approx(0.7)
    assert basis_to(months, own, date(2026, 4, 1), 0.7).quotes == 0
    two_before = own.assign(on=pd.to_datetime(["2026-02-02"] * 3))
    assert basis_to(months, two_before, date(2026, 4, 10), 0.85).quotes == 0
    far_apart = pd.Series([40.0, 40.0], pd.PeriodIndex(["2026-02", "2026-06"], freq="M"))
    assert basis_to(far_apart, own, date(2026, 4, 10), 0.85).quotes == 0  # two months from either price
    month_after = own.assign(on=pd.to_datetime(["2026-05-02"] * 3))
    assert basis_to(months, month_after, date(2026, 5, 10), 0.85).quotes == 1


def test_no_verdict_without_prices_or_with_too_few(where):
    store, group = where
    assert crop_verdict(store, group, "maize") is None
    store.add_price_quotes([quote(group, date(2026, 5, 4), 40.0)])
    assert crop_verdict(store, group, "maize") is None


def test_lent_months_stand_at_the_level_of_the_own_market():
    """Common months at 40 of 50, 44 of 55, 30 of 60 and 52 of 65: ratios 0.8, 0.8, 0.5 and 0.8, the middle one 0.8.

    January's 45 is lent at 36; June's 70 at 56 only where later months are asked for.
    """
    months = pd.period_range("2026-01", periods=6, freq="M")
    longer = pd.Series([45.0, 50.0, 55.0, 60.0, 65.0, 70.0], months)
    own = pd.Series([40.0, 44.0, 30.0, 52.0], months[1:5])
    assert with_lent_months(own, longer).tolist() == pytest.approx([36.0, 40.0, 44.0, 30.0, 52.0])
    later = with_lent_months(own, longer, later=True)
    assert later.tolist() == pytest.approx([36.0, 40.0, 44.0, 30.0, 52.0, 56.0])
    assert list(later.index) == list(months)
    # without a common month the other's prices stand as they are
    apart = with_lent_months(own.iloc[:1], longer.iloc[[0, 5]], later=True)
    assert apart.tolist() == [45.0, 40.0, 70.0]


@pytest.mark.parametrize(
    ("own_months", "last_other", "lent", "price"),
    [
        # 24 months are a season of its own; 23 borrow the months before
        (24, "2025-12-15", "", 80.0),
        (23, "2025-12-15", "Port", 80.0),
        # the other's last quote 45 days later says nothing yet, 46 days later it is today's: 100 at 0.8
        (24, "2026-01-29", "", 80.0),
        (24, "2026-01-30", "Port", 80.0),
    ],
)
def test_when_a_market_borrows_from_another(own_months, last_other, lent, price):
    months = pd.period_range(end="2025-12", periods=40, freq="M")
    own = [(f"{month}-15", "Town", "wholesale", 80.0) for month in months[-own_months:]]
    other = [(f"{month}-15", "Port", "wholesale", 100.0) for month in months[:-1]]
    found = crop_prices(frame(*own, *other, (last_other, "Port", "wholesale", 100.0)), market="Town")
    assert (found.lent_by, found.price_now) == (lent, pytest.approx(price))
    assert found.on == (date(2026, 1, 30) if last_other == "2026-01-30" else date(2025, 12, 15))
    assert len(found.neighbours) == (0 if lent else 1)
    assert set(found.months.round(9)) == {80.0}
    assert len(found.months) == {"": 24, "Port": 40 + (last_other == "2026-01-30")}[lent]


def test_a_price_of_45_days_ago_is_still_one_of_these_weeks():
    rows = [(f"2025-{month:02d}-10", "Long", "wholesale", 10.0) for month in range(1, 11)]
    assert reference_market(frame(*rows, ("2025-11-24", "Now", "wholesale", 12.0))).market == "Long"
    assert reference_market(frame(*rows, ("2025-11-25", "Now", "wholesale", 12.0))).market == "Now"
