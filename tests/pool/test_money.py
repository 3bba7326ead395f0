"""What is taken off, loans, prices by week and grade, contracts and the season's close: each worked by hand in
the test.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from decimal import Decimal as D

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.errors import InputError
from core.group.records import Group, Member
from core.market.deductions import Deductions, flat_deductions
from core.messages import message
from core.pool.book import check_new, take_back, write_entries
from core.pool.buyers_side import give_to_plan
from core.pool.contracts import Contract, against_water, contract_of
from core.pool.deliveries import checked_delivery
from core.pool.loans import checked_loan, loan_account
from core.pool.losses import mean_days, pool_losses
from core.pool.payout import (
    ADVANCED,
    CASH,
    FOR_METER,
    LENT,
    OVER_AND_SHORT,
    PAYABLE,
    books,
    loan_accounts,
    pay_by_member,
)
from core.pool.prices import price_effects
from core.pool.season import replay
from core.pool.terms import checked_terms
from core.reports.receipt import GSM_SIGNS, short_message
from core.reports.tongue import Tongue
from tests.pool.helpers import delivery, event, sale
from tests.shared_store import fresh_store

NOW = datetime(2026, 5, 20, 7, tzinfo=UTC)
AGREED = {
    "step": "1",
    "minimum_take_home": "0.5",
    "order": ["loans", "meter", "levies", "advances"],
    "levies": [{"name": "office", "kind": "share", "amount": "0.05"}],
}


def test_what_is_taken_off_in_the_agreed_order_down_to_the_least_take_home():
    """By hand.

    Load 2000 kg at 100 = 200,000, half each; truck 10,000, half each: A has 100,000 - 5,000 = 95,000; at most 47,500
    may be taken off. Loan 30,000 at 2 % from 1 January, load on 5 May: four whole months of 600 = 2,400; 32,400 off.
    Meter 10,000 off: 42,400. Office 5 % of 100,000 = 5,000 off: 47,400. Advance 3,000: room for 100 only.
    B: 95,000 - 5,000 = 90,000.
    """
    events = [
        event(1, "terms", AGREED, date(2026, 1, 1)),
        event(2, "loan", {"member_id": 1, "principal": "30000", "monthly_rate": "0.02"}, date(2026, 1, 1)),
        delivery(3, 1, "1000", "13.5"),
        delivery(4, 2, "1000", "13.5"),
        event(5, "payment", {"member_id": 1, "amount": "3000", "about": "advance"}),
        event(6, "dues", {"amounts": {"1": "10000"}}),
        sale(7, "2000", "13.5", "100", on=date(2026, 5, 5), costs="10000"),
        event(8, "buyer_payment", {"buyer": "Ridge Millers", "amount": "200000"}, date(2026, 5, 6)),
        event(9, "passed_on", {"amounts": {"1": "10000"}}, date(2026, 5, 7)),
        event(10, "payment", {"member_id": 1, "amount": "40000"}, date(2026, 5, 8)),
    ]
    season = replay(events)
    pays = pay_by_member(season)
    a = pays[1]
    assert (a.loans, a.meter, a.levies["office"], a.advances) == (D(32400), D(10000), D(5000), D(100))
    assert (a.take_home, a.due, a.owes) == (D(47500), D(7500), D(2900))
    assert a.short == {("advances", ""): D(2900)}
    assert pays[2].due == D(90000)
    journal = books(season)
    assert -journal.balance(PAYABLE, party="1") == a.due
    assert journal.balance(LENT) == 0
    assert journal.balance(FOR_METER) == 0  # taken off, then passed on
    assert journal.balance(ADVANCED) == D(2900)
    # cash: -30,000 loan - 3,000 advance - 10,000 truck + 200,000 - 10,000 meter - 40,000 paid
    assert journal.balance(CASH) == D(107000)
    (account,) = loan_accounts(season, pays, date(2026, 12, 1))
    assert (account.interest, account.recovered, account.still_due) == (D(2400), D(32400), D(0))


@pytest.mark.parametrize(
    ("order", "taken"),
    [
        # room is 47,500 of 95,000; loan 32,400, meter 10,000, office 5,000, advance 3,000 as above
        (["advances", "levies", "meter", "loans"], (D(29500), D(10000), D(5000), D(3000))),
        (["levies", "loans", "advances", "meter"], (D(32400), D(7100), D(5000), D(3000))),
    ],
)
def test_another_order_takes_otherwise_and_never_more(order, taken):
    events = [
        event(1, "terms", AGREED | {"order": order}, date(2026, 1, 1)),
        event(2, "loan", {"member_id": 1, "principal": "30000", "monthly_rate": "0.02"}, date(2026, 1, 1)),
        delivery(3, 1, "1000", "13.5"),
        delivery(4, 2, "1000", "13.5"),
        event(5, "payment", {"member_id": 1, "amount": "3000", "about": "advance"}),
        event(6, "dues", {"amounts": {"1": "10000"}}),
        sale(7, "2000", "13.5", "100", on=date(2026, 5, 5), costs="10000"),
    ]
    pay = pay_by_member(replay(events))[1]
    assert (pay.loans, pay.meter, pay.levies["office"], pay.advances) == taken
    assert pay.taken_off == D(47500)


def test_a_loan_by_months():
    """12,000 at 2 %: 240 after each of two months; 4,240 paid: 480 interest, 3,760 principal.

    Then 2 % of 8,240 = 164.80.
    """
    loan = checked_loan({"member_id": 1, "principal": "12000", "monthly_rate": "0.02"}, 1, date(2026, 1, 31))
    account = loan_account(loan, date(2026, 4, 30), D("0.01"), [(date(2026, 4, 1), 9, D(4240))])
    assert [line.kind for line in account.lines] == ["lent", "interest", "interest", "recovered", "interest"]
    assert (account.principal_due, account.interest_due) == (D(8240), D("164.80"))
    # January's last day comes round on the last of February
    assert account.lines[1].on == date(2026, 2, 28)


@pytest.mark.parametrize("payload", [{"principal": "0"}, {"monthly_rate": "2"}, {"member_id": None}])
def test_impossible_loans_are_refused(payload):
    with pytest.raises(InputError):
        checked_loan({"member_id": 1, "principal": "5", "monthly_rate": "0.02"} | payload, 1, date(2026, 1, 1))


def two_weeks(**terms):
    return [
        event(1, "terms", {"step": "1", **terms}, date(2026, 5, 1)),
        delivery(2, 1, "500", "13.5", on=date(2026, 5, 1)),  # ISO week 18
        delivery(3, 2, "500", "13.5", on=date(2026, 5, 8)),  # ISO week 19
        sale(4, "600", "13.5", "2", on=date(2026, 5, 10)),
        sale(5, "400", "13.5", "3", on=date(2026, 5, 12)),
    ]


def test_prices_by_week_of_delivery():
    """First load 600 kg: A's 500 and 100 of B's, 1,200 money; second 400 kg of B: 1,200. A 1,000, B 1,400.

    One price: 1,200 each.
    """
    events = two_weeks(price_rule="by_week")
    pays = pay_by_member(replay(events))
    assert (pays[1].proceeds, pays[2].proceeds) == (D(1000), D(1400))
    (effect,) = price_effects(events)
    assert effect.by_member == {1: D(-200), 2: D(200)}
    assert "weeks of delivery" in str(effect.sentence)


def test_week_and_grade_factors_each_with_their_effect():
    """Pool price: 2,400 for 1,000 kg. Week 19 at 110 %: weights 500 and 550, A 2,400 x 500 / 1,050 = 1,142.86 ->
    1,143 (two loads of 1,200: 571.43 -> 571 each).
    """
    events = two_weeks(price_rule="pool_price", week_factors={"2026-W19": "1.1"})
    pays = pay_by_member(replay(events))
    assert (pays[1].proceeds, pays[2].proceeds) == (D(1142), D(1258))
    (effect,) = price_effects(events)
    assert effect.name == "week"
    assert effect.by_member == {1: D(-58), 2: D(58)}
    assert price_effects(two_weeks(price_rule="pool_price")) == []


@pytest.mark.parametrize(
    "changed", [{"week_factors": {"week one": "1"}}, {"order": ["loans"]}, {"minimum_take_home": "2"}]
)
def test_impossible_agreements_are_refused(changed):
    with pytest.raises(InputError):
        checked_terms(changed)


def test_contract_by_steps_and_the_exact_water():
    # 1.2 % a point from 13.5 to 15, then 1.5 %: at 16 % it is 1.8 + 1.5 = 3.3 % (by the schedule's own definition)
    cut = Deductions(D("13.5"), ((D(15), D("0.012")), (D(100), D("0.015"))))
    steps = Contract("B", cut, "entered", message("by hand"))
    assert steps.deduction(D(1000), D(16), D(2)) == D("66.0")
    assert steps.deduction(D(1000), D("13.5"), D(2)) == 0
    # a flat 1.4 % a point, 1000 kg at 2.00, one point above: 28.00 by hand
    flat = Contract("B", flat_deductions(D("13.5"), D("0.014")), "entered", message("by hand"))
    assert flat.deduction(D(1000), D("14.5"), D(2)) == D("28.000")
    # extension shrink column (SDSU): maize from 25 to 15.5 % loses 11.24 % water; a flat 1.4 % takes 13.3 %
    flat = Contract("B", flat_deductions(D("15.5"), D("0.014")), "entered", message("by hand"))
    seen = against_water(flat, D(1000), D(25), D(2))
    assert seen.by_rate_kg == D("133.0")
    assert seen.by_water_kg == pytest.approx(D("112.4"), abs=D("0.05"))
    assert seen.money == pytest.approx(D("41.15"), abs=D("0.01"))  # (133.0 - 112.426) x 2


def test_closed_seasons_stay_as_they_are():
    day, later = date(2026, 5, 20), date(2026, 6, 1)
    events = [
        event(1, "terms", {"step": "1", "levies": [{"name": "office", "kind": "share", "amount": "0.05"}]}),
        delivery(2, 1, "1000", "13.5"),
        sale(3, "1000", "13.5", "100"),
        event(4, "buyer_payment", {"buyer": "Ridge Millers", "amount": "100000"}),
        event(5, "close", {"counted": "99000", "explanation": "a note was torn"}, day),
    ]
    journal = books(replay(events))
    assert journal.balance(CASH) == D(99000)
    assert journal.balance(OVER_AND_SHORT) == D(1000)  # a loss of 1,000
    due = pay_by_member(replay(events))[1].due
    assert due == D(95000)
    with pytest.raises(InputError, match="closed"):
        check_new([*events, delivery(6, 1, "10", "13.5", on=day)], 1)
    with pytest.raises(InputError, match="closed"):
        check_new([*events, event(6, "reversal", {}, later, reverses=3)], 1)
    # what is agreed for the next season leaves the closed one alone
    agreed = {"step": "1", "levies": [{"name": "office", "kind": "share", "amount": "0.50"}]}
    again = [*events, event(6, "terms", agreed, later), delivery(7, 1, "100", "13.5", on=later)]
    again.append(sale(8, "100", "13.5", "100", on=later))
    assert pay_by_member(replay(again))[1].due == due + D(5000)  # 10,000 less a half
    # the close itself can be taken back, then its days are open
    opened = [*events, event(6, "reversal", {}, later, reverses=5), delivery(7, 1, "10", "13.5", on=day)]
    assert len(replay(opened).deliveries) == 2


@pytest.mark.parametrize(("share", "kept", "levied"), [("0.0333", "0", 20), ("0.5", "0.9", 70)])
def test_what_is_taken_off_is_whole_coins_never_more_than_agreed(share, kept, levied):
    """100 kg at 7.90 are 790, in coins of 10: 3.33 % are 26.3, so 20; a tenth that may be taken is 79, so 70."""
    agreed = {"step": "10", "levies": [{"name": "office", "kind": "share", "amount": share}], "minimum_take_home": kept}
    events = [event(1, "terms", agreed), delivery(2, 1, "100", "13.5"), sale(3, "100", "13.5", "7.90")]
    assert pay_by_member(replay(events))[1].levies == {"office": D(levied)}


def test_losses_beside_what_was_to_be_expected():
    """Two times 100 dry kg, a month apart, at 1 % a month: half goes after 60 and 30 days (mean 45), half after
    90 and 60 (mean 75).
    """
    events = [
        delivery(1, 1, "115.607", "13.5", on=date(2026, 1, 1)),
        delivery(2, 2, "115.607", "13.5", on=date(2026, 1, 31)),
        sale(3, "115.607", "13.5", "2", on=date(2026, 3, 2)),
        event(4, "loss", {"pool": "maize", "dry_kg": "10", "kind": "insects and mould"}, date(2026, 4, 1)),
        event(5, "loss", {"pool": "maize", "dry_kg": "2", "kind": "theft"}, date(2026, 4, 1)),
    ]
    season = replay(events)
    rows = mean_days(season, "maize", date(2026, 4, 1))
    assert rows[0][1] == pytest.approx(45, abs=0.01)
    assert rows[1][1] == pytest.approx(75, abs=0.01)
    found = pool_losses(
        season, "maize", date(2026, 4, 1), lambda days: np.stack([days / 30] * 3, axis=-1), "woven_bag", True, 0.005
    )
    # (100 x 1.5 % + 100 x 2.5 %) / 0.865 = 4.62 kg at 13.5 %
    assert found.expected_storage[1] == pytest.approx(4.62, abs=0.01)
    assert float(found.measured_storage) == pytest.approx(11.56, abs=0.01)  # 10 / 0.865; theft is not of the store
    assert "more than" in str(found.verdict)
    assert float(found.delivered_kg) == pytest.approx(2 * 115.607, abs=0.01)
    assert found.moisture_pct == pytest.approx(13.5, abs=0.001)
    # Another pool's deliveries, sales and losses are nothing to it.
    other = [
        delivery(6, 1, "50", "20", pool="beans", on=date(2026, 1, 1)),
        sale(7, "10", "20", "2", pool="beans", on=date(2026, 1, 15)),
        event(8, "loss", {"pool": "beans", "dry_kg": "3", "kind": "insects and mould"}, date(2026, 4, 1)),
    ]
    both = replay(events + other)
    again = pool_losses(
        both, "maize", date(2026, 4, 1), lambda days: np.stack([days / 30] * 3, axis=-1), "woven_bag", True, 0.005
    )
    assert again == found


@given(name=st.text(max_size=80), pool=st.text(max_size=60), kg=st.decimals("1", "90000", places=1))
def test_receipts_fit_one_short_message(name, pool, kg):
    """160 signs of the default alphabet of 3GPP TS 23.038."""
    payload = {
        "member_id": 1,
        "pool": pool.strip() or "p",
        "commodity": "pearl_millet",
        "gross_kg": str(kg),
        "moisture_pct": "13.25",
    }
    item = checked_delivery(payload, 123456, date(2026, 5, 1))
    for language in ("en", "fr", "pt"):
        text = short_message(item, name, D("13.5"), Tongue(language))
        assert len(text) <= 160
        assert set(text) <= GSM_SIGNS


@pytest.fixture
def store(tmp_path):
    opened = fresh_store(tmp_path / "pool.sqlite3")
    group = opened.add_group(Group(name="G", latitude=1.0, longitude=30.0, time_zone="Africa/Kampala", currency="UGX"))
    opened.add_member(Member(group_id=group, name="Adiru"))
    yield opened
    opened.engine.dispose()


def test_the_buyers_meter_is_given_back_to_the_plan(store):
    from core.planning.case import CaseBuyer
    from core.planning.case_buyers import with_meter_offsets

    group = store.groups()[0].id
    member = store.members(group)[0].id
    brought = {"member_id": member, "pool": "maize", "commodity": "maize", "gross_kg": "9000", "moisture_pct": "13"}
    load = {
        "pool": "maize",
        "buyer": "Ridge Millers",
        "loaded_kg": "1000",
        "loaded_moisture_pct": "13",
        "buyer_kg": "1000",
        "buyer_moisture_pct": "13.6",
        "price_per_kg": "2",
    }
    day = date(2026, 5, 1)
    numbers = write_entries(
        store, group, [("delivery", day, brought), ("sale", day, load), ("sale", day, load)], "A", NOW
    )
    season = replay(store.events(group, "pool"))
    # normal prior sd 0.5, load's scatter 0.4 (market room): mean 0.6 x (2 / 0.16) / (1 / 0.25 + 2 / 0.16) = 0.4545
    assert give_to_plan(store, group, season, "A", NOW) == {"Ridge Millers": 0.455}
    fact = store.facts(group)["buyer_offset.Ridge Millers"]
    assert (fact.value, fact.origin) == (0.455, "file")
    assert "2 loads" in fact.set_by
    (buyer,) = with_meter_offsets((CaseBuyer("ridge", "Ridge Millers"),), store.facts(group))
    assert buyer.deductions.meter_offset_pct == 0.455  # the plan reads it
    take_back(store, group, numbers[1:], "wrong slips", day, "A", NOW)
    assert give_to_plan(store, group, replay(store.events(group, "pool")), "A", NOW) == {}
    assert "buyer_offset.Ridge Millers" not in store.facts(group)


def test_contract_from_the_buyers_book_else_assumed(store):
    from core.group.selling import write_buyer

    group = store.groups()[0].id
    assumed = contract_of(store, group, "Ridge Millers", "maize")
    assert assumed.origin == "assumed"
    store.set_fact(group, "buyer_limit.maize", 14.0, "entered", "A", NOW)
    assert contract_of(store, group, "Ridge Millers", "maize").deductions.base_pct == D("14.0")
    terms = {"name": "Ridge Millers", "discount_from_pct": 13.0, "discount_per_point": 0.015}
    write_buyer(store, group, terms, date(2026, 5, 1), "A", NOW)
    own = contract_of(store, group, "ridge millers", "maize")
    assert (own.origin, own.deductions.base_pct) == ("entered", D("13.0"))
    assert own.deductions.fraction(D(15)) == D("0.030")


@pytest.mark.parametrize("name", ["meter", "advances", "loans"])
def test_a_levy_may_have_the_name_of_another_deduction(name):
    """By hand: 1000 kg at 100 = 100,000; the meter asks 2,000 and the levy 3 % = 3,000: each is taken, and told apart.

    An advance of 500 is taken as well: 5,500 together.
    """
    terms = {"step": "1", "order": ["levies", "meter", "loans", "advances"]}
    terms["levies"] = [{"name": name, "kind": "share", "amount": "0.03"}]
    events = [
        event(1, "terms", terms, date(2026, 1, 1)),
        delivery(2, 1, "1000", "13.5"),
        event(3, "dues", {"amounts": {"1": "2000"}}),
        event(4, "payment", {"member_id": 1, "amount": "500", "about": "advance"}),
        sale(5, "1000", "13.5", "100", on=date(2026, 5, 5)),
    ]
    pay = pay_by_member(replay(events))[1]
    assert (pay.levies, pay.meter, pay.advances) == ({name: D(3000)}, D(2000), D(500))
    assert (pay.taken_off, pay.short) == (D(5500), {})
