"""Cash is real: what came in, what can be paid, who owes; refused entries are marked; two at once cannot lock a
book.
"""

from __future__ import annotations

import threading
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal as D

import pytest

from core.errors import AlreadySavedError, InputError
from core.group.records import Group, Member
from core.pool.book import agreement_effects, check_new, season_of, write_entries
from core.pool.cash_count import counted_notes
from core.pool.payout import BUYERS, CASH, PAYABLE, books, buyer_accounts, lowest_cash, pay_by_member, payable_now
from core.pool.season import replay
from core.pool.terms import checked_terms, factors_text, factors_typed, levies_text, levies_typed
from tests.pool.helpers import DAY, delivery, event, sale
from tests.shared_store import fresh_store

NOW = datetime(2026, 5, 20, 7, tzinfo=UTC)
LATER = date(2026, 5, 10)
BEGUN = [
    event(1, "terms", {"step": "1"}),
    delivery(2, 1, "600", "13.5"),
    delivery(3, 2, "400", "13.5"),
    sale(4, "1000", "13.5", "100"),
]
"""By hand: 100,000 owed by Ridge Millers; 60,000 to member 1, 40,000 to member 2."""


def paid(number: int, buyer: str, amount: str):
    return event(number, "buyer_payment", {"buyer": buyer, "amount": amount})


def test_what_has_come_in_is_paid_in_proportion_to_what_is_due() -> None:
    """By hand: 25,000 in: 60 % and 40 % of it; 25,001: 15,000.6 and 10,000.4, the coin left over to the larger part."""
    assert payable_now(replay(BEGUN), pay_by_member(replay(BEGUN))) == {}
    for amount, parts in (("25000", {1: 15000, 2: 10000}), ("25001", {1: 15001, 2: 10000})):
        season = replay([*BEGUN, paid(5, "Ridge Millers", amount)])
        assert payable_now(season, pay_by_member(season)) == parts
    season = replay([*BEGUN, paid(5, "Ridge Millers", "130000")])
    assert payable_now(season, pay_by_member(season)) == {1: 60000, 2: 40000}


def test_more_than_there_is_cannot_be_paid() -> None:
    events = [*BEGUN, paid(5, "Ridge Millers", "25000")]
    pay = event(6, "payment", {"member_id": 1, "amount": "25001"})
    with pytest.raises(InputError, match="1 is missing"):
        check_new([*events, pay], 1)
    check_new([*events, event(6, "payment", {"member_id": 1, "amount": "25000"})], 1)
    put_in = [*events, event(6, "money_in", {"amount": "1", "place": "bank"})]
    check_new([*put_in, event(7, "payment", {"member_id": 1, "amount": "25001"})], 1)
    # cancelling what came in would leave the cash below nothing
    spent = [*events, event(6, "payment", {"member_id": 1, "amount": "25000"})]
    with pytest.raises(InputError, match="missing"):
        check_new([*spent, event(7, "reversal", {}, reverses=5)], 1)
    assert lowest_cash(replay(spent)) == (date(2026, 5, 1), D(0))
    # a book that was below nothing already (earlier payments) takes what makes it no worse
    old = [*BEGUN, event(5, "payment", {"member_id": 1, "amount": "10"})]
    check_new([*old, delivery(6, 1, "10", "13.5")], 1)


def test_one_buyer_s_payment_never_counts_against_another_s_debt() -> None:
    events = [*BEGUN, delivery(5, 1, "100", "13.5"), sale(6, "100", "13.5", "100", buyer="Gate traders")]
    season = replay([*events, paid(7, "Ridge Millers", "103000")])
    accounts = buyer_accounts(season)
    assert (accounts["Ridge Millers"].open, accounts["Ridge Millers"].ahead) == (0, 3000)
    assert (accounts["Gate traders"].open, accounts["Gate traders"].ahead) == (10000, 0)
    assert books(season).party_balances(BUYERS) == {"Gate traders": 10000, "Ridge Millers": -3000}


def test_what_a_buyer_never_pays_is_borne_by_those_whose_grain_it_was() -> None:
    """By hand: of 100,000 the buyer pays 70,000; 30,000 are borne 60 : 40: 18,000 and 12,000; 42,000 and 28,000
    left.
    """
    lost = event(6, "written_off", {"buyer": "Ridge Millers", "amount": "30000"}, LATER)
    season = replay([*BEGUN, paid(5, "Ridge Millers", "70000"), lost])
    other = [delivery(7, 2, "1000", "13.5"), sale(8, "1000", "13.5", "100", buyer="Gate traders")]
    beside = pay_by_member(replay([*BEGUN, paid(5, "Ridge Millers", "70000"), *other, lost]))
    assert {member: pay.written_off for member, pay in beside.items()} == {1: 18000, 2: 12000}  # no load of this buyer
    pays = pay_by_member(season)
    assert {member: pay.written_off for member, pay in pays.items()} == {1: 18000, 2: 12000}
    assert {member: pay.due for member, pay in pays.items()} == {1: 42000, 2: 28000}
    assert buyer_accounts(season)["Ridge Millers"].balance == 0
    journal = books(season)
    assert journal.balance(BUYERS) == 0
    assert -journal.balance(PAYABLE) == journal.balance(CASH) == 70000


@pytest.mark.parametrize(
    "bad",
    [
        event(9, "sale", {"pool": "maize", "loaded_kg": "x", "loaded_moisture_pct": "13"}),
        event(9, "delivery", {"member_id": 1}),
        event(9, "payment", {"member_id": 1, "amount": "1e999999999"}),
        event(9, "payment", {}),
        event(9, "dues", {"amounts": []}),
        event(9, "terms", {"levies": [{"name": "a"}]}),
        event(9, "close", {"counted": None}),
        event(9, "loan_repaid", {"loan": "7", "amount": "1"}),
        sale(9, "1", "13.5", "1", buyer_deductions="2"),
        sale(9, "9999", "13.5", "1"),
    ],
    ids=lambda item: item.kind,
)
def test_an_entry_that_cannot_be_is_marked_and_the_others_go_on(bad) -> None:
    """What was loaded before and after it counts as if it were not there; the stock it did not get stays."""
    begun = [event(1, "terms", {"step": "1"}), delivery(2, 1, "600", "13.5")]
    last = delivery(10, 2, "400", "13.5")
    season = replay([*begun, bad, last])
    assert [item.id for item, _reason in season.refused] == [9]
    assert str(season.refused[0][1])
    assert len(season.deliveries) == 2
    assert season.pool_dry_kg("maize") == D("865.000")
    assert not season.sales
    assert not season.money
    assert not season.closes
    with pytest.raises(InputError):
        check_new([*begun, bad], 1)
    check_new([*begun, bad, last], 1)  # what was refused before does not lock the book


@pytest.fixture
def store(tmp_path):
    opened = fresh_store(tmp_path / "pool.sqlite3")
    yield opened
    opened.engine.dispose()


def a_group(store) -> int:
    group = store.add_group(Group(name="Invented", currency="XOF"))
    for name in ("Zoe", "Zoe"):
        store.add_member(Member(group_id=group, name=name))
    write_entries(store, group, [(item.kind, item.on, item.payload) for item in BEGUN[1:3]], "A", NOW)
    return group


def test_two_sales_at_one_moment_cannot_both_take_the_same_grain(store) -> None:
    """Two tills sell 700 of the 1,000 kg at once: one is told that the pool holds less, and the book stays readable."""
    group = a_group(store)
    item = BEGUN[3]
    start, told = threading.Barrier(2), []

    def sell() -> None:
        start.wait()
        try:
            write_entries(store, group, [("sale", item.on, {**item.payload, "loaded_kg": "700"})], "A", NOW)
        except InputError as error:
            told.append(str(error))

    tills = [threading.Thread(target=sell) for _till in range(2)]
    for till in tills:
        till.start()
    for till in tills:
        till.join()
    season = season_of(store, group)
    assert len(season.sales) == 1
    assert len(told) == 1
    assert "held" in told[0]
    assert not season.refused


def test_an_entry_sent_twice_with_one_token_is_written_once(store) -> None:
    group = a_group(store)
    payload = {"buyer": "Ridge Millers", "amount": "100"}
    write_entries(store, group, [("buyer_payment", LATER, payload)], "A", NOW, token="one")
    with pytest.raises(AlreadySavedError):
        write_entries(store, group, [("buyer_payment", LATER, payload)], "A", NOW, token="one")
    assert len(season_of(store, group).money) == 1


def test_money_is_counted_in_the_coins_of_the_currency_until_another_is_agreed(store) -> None:
    """XOF has no decimals (ISO 4217): 600 kg and 400 kg at 0.333 are 333 in whole francs, 200 and 133 by remainders."""
    group = a_group(store)
    write_entries(store, group, [("sale", BEGUN[3].on, {**BEGUN[3].payload, "price_per_kg": "0.333"})], "A", NOW)
    parts = {member: pay.proceeds for member, pay in pay_by_member(season_of(store, group)).items()}
    assert parts == {1: D(200), 2: D(133)}


def test_a_changed_agreement_is_tried_on_every_member() -> None:
    """By hand: 10 % of the proceeds taken: 6,000 and 4,000 less; what is closed before stays."""
    payload = {"step": "1", "levies": [{"name": "office", "kind": "share", "amount": "0.1"}]}
    assert agreement_effects(BEGUN, payload, LATER) == {1: (60000, 54000), 2: (40000, 36000)}
    closed = [*BEGUN, event(5, "close", {"counted": "0"}, LATER)]
    assert agreement_effects(closed, payload, date(2026, 6, 1)) == {1: (60000, 60000), 2: (40000, 40000)}
    with pytest.raises(InputError):
        agreement_effects(BEGUN, {"step": "0"}, LATER)


def test_agreements_are_typed_in_lines() -> None:
    assert factors_typed("1: 100\n\n second grade : 93,5 %") == {"1": "1", "second grade": "0.935"}
    assert levies_typed("office: 4\nschool: 2 %") == [
        {"name": "office", "kind": "per_kg", "amount": "4"},
        {"name": "school", "kind": "share", "amount": "0.02"},
    ]
    terms = checked_terms({"grade_factors": factors_typed("1: 100\n2: 93"), "levies": levies_typed("a: 4\nb: 2 %")})
    assert factors_typed(factors_text(terms.grade_factors)) == {"1": "1", "2": "0.93"}
    assert levies_typed(levies_text(terms.levies)) == levies_typed("a: 4\nb: 2 %")


@pytest.mark.parametrize("text", ["first", ": 3", "a:", "a: x", "a: 0", "a: -1", "a: 36,000", "a: 1001"])
def test_lines_of_an_agreement_that_cannot_be_are_refused(text: str) -> None:
    with pytest.raises(InputError):
        factors_typed(text)


def test_a_levy_below_nothing_is_refused() -> None:
    with pytest.raises(InputError):
        levies_typed("office: -4")


@pytest.mark.parametrize(
    ("changed", "fits"),
    [
        ({"levies": [{"name": "a", "kind": "share", "amount": "0.99"}]}, True),
        ({"levies": [{"name": "a", "kind": "share", "amount": "1"}]}, False),
        ({"levies": [{"name": "a", "kind": "share", "amount": "1.5"}]}, False),
        ({"levies": [{"name": "a", "kind": "per_kg", "amount": "1.5"}]}, True),
        ({"levies": [{"name": "a", "kind": "per_kg", "amount": "0"}]}, True),
        ({"levies": [{"name": "a", "kind": "per_kg", "amount": "-0.1"}]}, False),
        ({"levies": [{"name": "a", "kind": "per_bag", "amount": "1"}]}, False),
        ({"levies": [{"name": "a", "kind": "per_kg", "amount": "1"}] * 2}, False),
        ({"base_pct": "3", "limit_pct": "3"}, True),
        ({"base_pct": "2.9", "limit_pct": "3"}, False),
        ({"base_pct": "30", "limit_pct": "30"}, True),
        ({"base_pct": "30.1", "limit_pct": "30.1"}, False),
        ({"base_pct": "13", "limit_pct": "12.9"}, False),
        ({"base_pct": "13", "limit_pct": "30.1"}, False),
        ({"minimum_take_home": "0"}, True),
        ({"minimum_take_home": "1"}, True),
        ({"minimum_take_home": "1.01"}, False),
        ({"minimum_take_home": "-0.01"}, False),
        ({"step": "0"}, False),
        ({"step": "0.001"}, True),
        ({"grade_factors": {"1": "0"}}, False),
        ({"grade_factors": {"1": "1", "2": "1.2"}}, True),
        ({"week_factors": {"2026-W20": "0"}}, False),
        ({"week_factors": {"2026-W20": "0.9"}}, True),
        ({"week_factors": {"2026-20": "0.9"}}, False),
        ({"first_payment_per_kg": "-0.1"}, False),
        ({"first_payment_per_kg": "0"}, True),
        ({"order": ["levies", "meter", "loans", "loans"]}, False),
    ],
)
def test_the_edge_of_what_an_agreement_may_say(changed, fits) -> None:
    if fits:
        checked_terms(changed)
    else:
        with pytest.raises(InputError):
            checked_terms(changed)


def test_notes_and_coins_are_counted() -> None:
    """By hand: 12 x 10,000 + 3 x 500 + 4 x 0.5 = 121,502."""
    assert counted_notes("10000 x 12\n\n500 × 3\n0.5*4") == D(121502)
    assert counted_notes("") == 0
    assert counted_notes("1 x 7\n50 x 0") == 7
    assert counted_notes("5 x 2", "", D(10)) == 10
    with pytest.raises(InputError, match="explained"):
        counted_notes("5 x 2", " ", D(11))
    assert counted_notes("5 x 2", "a note was torn", D(11)) == 10
    for text in ("10000", "10 x 2 x 3", "ten x 2", "10 x 1.5", "0 x 3", "-5 x 1", "5 x -1", "10,000 x 2"):
        with pytest.raises(InputError):
            counted_notes(text)


def test_what_came_in_counts_for_the_loads_to_be_paid_first() -> None:
    """Loads of 10,000 due on day 9, 20,000 due on day 3 (sold later), 5,000 due on day 6; then 20,000, 4,999 and 1."""
    loads = [("100", 9, 5), ("200", 3, 6), ("50", 6, 7)]
    events = [*BEGUN[:-1], delivery(4, 1, "1000", "13.5")]
    events += [
        sale(number, kg, "13.5", "100", buyer="Gate traders", due_on=(DAY + timedelta(days=due)).isoformat())
        for kg, due, number in loads
    ]

    def due(*amounts: str) -> int | None:
        money = [paid(20 + place, "Gate traders", amount) for place, amount in enumerate(amounts)]
        found = buyer_accounts(replay([*events, *money]))["Gate traders"].due_on
        return None if found is None else (found - DAY).days

    assert [due(*("20000", "4999", "1", "10000")[:count]) for count in range(5)] == [3, 6, 6, 9, None]
    lost = event(30, "written_off", {"buyer": "Gate traders", "amount": "20000"}, LATER)
    assert buyer_accounts(replay([*events, lost]))["Gate traders"].due_on == DAY + timedelta(days=6)
