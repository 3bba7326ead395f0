"""A whole season of the meter's book by hand, and each rule of sharing reckoned again the plain way, in fractions."""

from __future__ import annotations

from datetime import date
from decimal import Decimal as D
from fractions import Fraction as F
from itertools import chain, combinations, permutations
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from core.errors import InputError, LedgerError
from core.meter import paying
from core.meter.account import (
    MEMBERS_OWE,
    Account,
    check_new,
    depreciation_due,
    grain_sold_terms,
    join_terms,
    leave_terms,
    member_balances,
    money_book,
    own_money,
)
from core.meter.book import MONEY_PLACES, plan_rows
from core.meter.games import all_groups, nucleolus, shapley_values, shares_from_draws
from core.meter.large_games import ways_of
from core.meter.log import Booking, LotToTest, propose_days
from core.meter.paying import SellerOffer, compare_offer, lognormal_prices, value_grain, value_labour
from core.meter.shares import MemberNeed, RunningCosts, own_meter_season_cost, share_cost, together
from tests.meter.test_account import after, an_entry, group_of

BEGUN, HALF, LAST = date(2027, 1, 15), date(2027, 7, 15), date(2027, 8, 1)


def a_season() -> Account:
    """Return three members' season with an entry of every kind."""
    book = Account()
    for number, name in (("1", "Amara"), ("2", "Binta"), ("3", "Chidi")):
        book = after(book, "member_added", BEGUN, member=number, name=name)
    book = after(book, "capital_due", BEGUN, shares=dict.fromkeys("123", "100"), text="meter")
    book = after(book, "payment", BEGUN, member="1", amount="100")
    book = after(book, "payment", BEGUN, member="2", amount="60", money="mobile money")
    book = after(book, "grain_payment", BEGUN, member="3", amount="40", agreed_kg="100", kg="101")
    book = after(book, "labour", BEGUN, member="3", amount="25", hours=5)
    book = after(book, "loan_taken", BEGUN, amount="120", money="bank")
    book = after(book, "meter_bought", BEGUN, amount="240", paid_from="loan", life_months=24, resale="24")
    book = after(book, "money_moved", BEGUN, amount="30", money="cash box", to="bank")
    book = after(book, "charge", BEGUN, shares={"1": "12", "2": "12"}, text="season")
    book = after(book, "outside_tests", BEGUN, amount="9", money="bank", payer="Yao", tests=9)
    book = after(book, "spent", BEGUN, amount="5", on_what="batteries")
    book = after(book, "loss_rule", BEGUN, loss="0.5", theft="0.25", breakage="0.333")
    book = after(book, "spent", BEGUN, amount="10.01", on_what="repair", holder="2")
    for kg, money in ((40, 20), (60, 20)):
        book = after(book, "grain_sold", HALF, **grain_sold_terms(book, D(kg), D(money), "mobile money"))
    book = after(book, "loan_paid", HALF, principal="50", interest="6", money="bank")
    book = after(book, "depreciation", HALF, amount=depreciation_due(book, HALF))
    return after(book, "cash_counted", HALF, counted="54.50")


def balances(book: Account) -> dict[str, D]:
    """Return what is not 0, by the words after the kind."""
    return {name.split(":")[1]: amount for name, amount in book.journal.balances().items() if amount}


def test_a_whole_season_of_the_book_by_hand() -> None:
    """Money: cash 100 - 30 - 5 - 10.01 = 54.99, counted 54.50: 0.49 short; mobile 60 + 20 + 20; bank 120 + 30 + 9 -
    56 = 103. Owed: A 12, B 100 - 60 + 12 + a third of the repair (0.333 x 10.01 = 3.33), C 100 - 40 - 25 = 35.

    Grain: 100 kg at 40; 40 kg cost 16 and fetch 20, 60 kg cost 24 and fetch 20. Meter: 216 over 24 months is 9 a month,
    54 in six. Loans 120 + 240 - 50 = 310.
    """
    expected = {
        "cash box": "54.50",
        "mobile money": "100",
        "bank": "103",
        "members owe": "102.33",
        "meter": "240",
        "meter written off so far": "-54",
        "loan": "-310",
        "members' capital": "-300",
        "members' charges": "-24",
        "test fees": "-9",
        "gain on grain": "-4",
        "loss on grain": "4",
        "cash short": "0.49",
        "depreciation": "54",
        "labour": "25",
        "interest": "6",
        "batteries": "5",
        "repair": "6.68",
    }
    book = a_season()
    assert balances(book) == {name: D(amount) for name, amount in expected.items()}
    assert [book.journal.balance(MEMBERS_OWE, party=who) for who in "123"] == [12, D("55.33"), 35]
    assert own_money(book) == D("54.50") + 100 + 103 + D("102.33") + 186 - 310
    assert [receipt.amount for receipt in book.receipts] == [100, 60, 40, 25, 9]
    lines = money_book(book, MONEY_PLACES)
    assert sum(line.money_in - line.money_out for line in lines) == D("257.50")
    assert {line.place: line.left for line in lines} == {"cash box": D("54.50"), "mobile money": 100, "bank": 103}
    assert [line.on for line in lines] == sorted(line.on for line in lines)


def test_the_end_of_that_season_by_hand() -> None:
    """Closed: income 37, expenses 101.17: 64.17 lost; 1 to the reserve, 2 to A's capital, 3 to pay B: kept -70.17.

    Stolen: of 186 C bears a quarter, 46.50, and owes 81.50. Own money 54.50 + 100 + 103 + 148.83 - 310 - 3 = 93.33: a
    fourth pays 23.33, to A and B 7.78, to C 7.77. C leaves with 93.33 / 4 = 23.33, all set off against his debt: 58.17
    are left. His capital was 100 - 7.77 = 92.23, of which 68.90 stay: kept -1.27. A gets his 7.78 in cash.
    """
    book = after(a_season(), "season_closed", HALF, reserve="1", to_capital={"1": "2"}, to_pay={"2": "3"})
    book = after(book, "meter_gone", LAST, what="theft", holder="3")
    assert own_money(book) == D("93.33")
    book = after(book, "joins", LAST, **join_terms(book, "4", "Dede"))
    assert own_money(book) == D("93.33")
    book = after(book, "leaves", LAST, **leave_terms(book, "3"))
    book = after(book, "paid_out", LAST, member="1", amount="7.78")
    expected = {
        "cash box": "46.72",
        "mobile money": "100",
        "bank": "103",
        "members owe": "148.83",  # 12 + 55.33 + 58.17 + 23.33
        "loan": "-310",
        "owed to members": "-18.55",  # B 3 + 7.78, C 7.77
        "members' capital": "-209.77",  # A 100 + 2 - 7.78, B 92.22, D 23.33
        "reserve for the next meter": "-1",
        "kept in the group": "1.27",
        "meter lost": "139.50",
    }
    assert balances(book) == {name: D(amount) for name, amount in expected.items()}
    stand = {row.member: (row.owes, row.owed_to_him, row.capital, row.present) for row in member_balances(book, LAST)}
    assert stand == {
        "1": (12, 0, D("94.22"), True),
        "2": (D("55.33"), D("10.78"), D("92.22"), True),
        "3": (D("58.17"), D("7.77"), 0, False),
        "4": (D("23.33"), 0, D("23.33"), True),
    }


@given(st.integers(1, 90), st.integers(100, 900), st.integers(0, 99), st.integers(0, 40))
def test_wear_by_whole_months_the_plain_way(life, cost, resale, months) -> None:
    """Month by month an equal part is written off until only the resale value is left, in whole coins."""
    book = after(Account(), "meter_bought", BEGUN, amount=cost, paid_from="seller", life_months=life, resale=resale)
    day = date(2027 + (months // 12), 1 + months % 12, 15)
    worn = F(0)
    for _month in range(months):
        worn = min(worn + F(cost - resale, life), F(cost - resale))
    assert depreciation_due(book, day) == D(int(worn * 100)) / 100
    assert depreciation_due(book, day, D(10)) == int(worn / 10) * 10


@pytest.mark.parametrize(
    ("kind", "payload", "fits"),
    [
        ("depreciation", {"amount": "240"}, True),
        ("depreciation", {"amount": "240.01"}, False),
        ("loss_rule", {"loss": "1", "theft": "0", "breakage": "1"}, True),
        ("loss_rule", {"loss": "0", "theft": "1.01", "breakage": "0"}, False),
        ("plan", {"member": "1", "due": [["2027-02-01", "5", "5"], ["2027-03-01", "5", "0"]]}, True),
        ("plan", {"member": "1", "due": [["2027-02-01", "5", "5.01"]]}, False),
        ("plan", {"member": "1", "due": [["2027-02-01", "5", "-1"]]}, False),
        ("plan", {"member": "1", "due": [["2027-02-01", "5"], ["2027-03-01", "-5"]]}, False),
        ("loan_paid", {"principal": "0", "interest": "1"}, True),
        ("loan_paid", {"principal": "1"}, True),
        ("loan_paid", {"principal": "5", "interest": "5"}, True),  # as much of the one as of the other
        ("loan_paid", {"principal": "1", "interest": "-1"}, False),
        ("cash_counted", {"counted": "0"}, True),
        ("cash_counted", {"counted": "-1"}, False),
        ("money_moved", {"amount": "1", "money": "bank", "to": "bank"}, False),
        ("leaves", {"member": "1", "pay_out": "0"}, True),
        ("leaves", {"member": "1", "pay_out": "-1"}, False),
        ("joins", {"member": "9", "name": "N"}, True),
        ("joins", {"member": "9", "buy_in": "5", "to": {"1": "5", "2": "0"}}, True),
        ("joins", {"member": "9", "buy_in": "5", "to": {"1": "6", "2": "-1"}}, False),
        ("joins", {"member": "", "buy_in": "0"}, False),
        ("charge", {"shares": {"1": "0"}}, False),
        ("season_closed", {"reserve": "-1"}, False),
        ("season_closed", {"to_pay": {"9": "1"}}, False),
        ("spent", {"on_what": "repair", "amount": "1", "holder": "1"}, False),  # no rule was agreed
    ],
)
def test_the_edge_of_what_an_entry_may_say(kind, payload, fits) -> None:
    book = group_of(2)
    if fits:
        assert after(book, kind, **payload).events[-1].kind == kind
    else:
        with pytest.raises(LedgerError):
            after(book, kind, **payload)


def test_the_edges_of_buying_and_of_selling_grain() -> None:
    for resale, months, fits in (("5", 1, True), ("5.01", 1, False), ("0", 0, False)):
        bought = {"amount": "5", "paid_from": "seller", "life_months": months, "resale": resale}
        if fits:
            assert after(Account(), "meter_bought", **bought).facts.meter.life_months == months
        else:
            with pytest.raises(LedgerError):
                after(Account(), "meter_bought", **bought)
    book = after(group_of(2), "grain_payment", member="1", agreed_kg="10", amount="4", kg="10")
    assert grain_sold_terms(book, D(10), D(3), "bank")["book"] == "4"
    assert grain_sold_terms(book, D("2.5"), D(3), "bank")["book"] == "1.0"
    for kg, value in (("10.01", "4"), ("10", "4.01")):
        with pytest.raises(LedgerError, match="is left"):
            after(book, "grain_sold", kg=kg, book=value, amount="1")
    assert after(book, "grain_sold", kg="10", book="4", amount="4").facts.grain_kg == 0
    assert plan_rows({"due": [["2027-02-01", "5"]]}) == ((date(2027, 2, 1), D(5), D(0)),)


def test_nobody_may_take_out_of_a_place_more_than_was_in_it_on_that_day() -> None:
    """By hand: 10 in on the 1st, 10 on the 20th. Of 15 on the 10th 5 are missing; on the 20th they are there; an
    entry that leaves what was missing before as it was, or better, may come in.
    """
    day = [date(2027, 3, number) for number in (1, 10, 20, 25)]
    fees = [
        an_entry(1, "outside_tests", day[0], {"amount": "10", "payer": "x", "tests": 1}),
        an_entry(2, "outside_tests", day[2], {"amount": "10", "payer": "x", "tests": 1}),
    ]

    def spent(number, amount, on):
        return an_entry(number, "spent", on, {"amount": amount, "on_what": "other"})

    check_new([*fees, spent(3, "10", day[1])], 1)
    check_new([*fees, spent(3, "20", day[2])], 1)
    for amount, on, short in (("15", day[1], "5"), ("20.01", day[2], "0.01")):
        with pytest.raises(LedgerError, match=f"{short} is missing in the cash box"):
            check_new([*fees, spent(3, amount, on)], 1)
    older = [*fees, spent(3, "15", day[1])]
    check_new([*older, an_entry(4, "outside_tests", day[3], {"amount": "1", "payer": "x", "tests": 1})], 1)
    with pytest.raises(LedgerError, match="missing"):
        check_new([*older, spent(4, "1", day[1])], 1)


# Sharing


def plain_cost(group, costs) -> F:
    """What some members spend at least: every choice of who uses one common meter, the others each the cheapest way."""
    best = None
    for users in chain.from_iterable(combinations(group, size) for size in range(len(group) + 1)):
        total = max((F(one.own_meter) for one in users), default=F(0))
        for one in group:
            ways = [F(one.loss_without_testing)]
            ways += [F(costs.paid_test) * one.tests] if costs.paid_test is not None else []
            total += F(costs.per_test) * one.tests if one in users else min(ways)
        best = total if best is None else min(best, total)
    return best


NEEDS = st.lists(
    st.builds(
        MemberNeed,
        member=st.sampled_from("abcd"),
        bags_tested=st.integers(0, 9),
        tests=st.integers(1, 40),
        harvest_kg=st.integers(1, 999).map(D),
        own_meter=st.sampled_from([D(20), D(30), D("44.5")]),
        loss_without_testing=st.integers(0, 60).map(D),
    ),
    min_size=2,
    max_size=4,
    unique_by=lambda each: each.member,
)
COSTS = st.builds(
    RunningCosts, per_test=st.sampled_from([D(0), D("0.1"), D("0.55")]), paid_test=st.sampled_from([None, D("0.7")])
)


@settings(max_examples=20)
@given(NEEDS, COSTS, st.integers(0, 1200))
def test_every_rule_of_sharing_in_plain_fractions(needs, costs, tenths) -> None:
    """Equal, by bags, by harvest, fixed and per test, the mean over all orders of coming; who pays more than alone, and
    the largest complaint of any part of the group.
    """
    amount, step, by_name = D(tenths) / 10, D("0.01"), {one.member: one for one in needs}
    cost = {
        frozenset(group): min(plain_cost([by_name[name] for name in group], costs), F(amount))
        for size in range(1, len(needs))
        for group in combinations(by_name, size)
    }
    cost |= {frozenset(): F(0), frozenset(by_name): F(amount)}
    orders = list(permutations(by_name))
    added = dict.fromkeys(by_name, F(0))
    for order in orders:
        for place, name in enumerate(order):
            added[name] += cost[frozenset(order[: place + 1])] - cost[frozenset(order[:place])]
    tests = sum(one.tests for one in needs)
    wear = min(F(costs.per_test) * tests, F(amount))
    weights = {
        "equal": dict.fromkeys(by_name, F(1)),
        "bags": {name: F(one.bags_tested) for name, one in by_name.items()},
        "harvest": {name: F(one.harvest_kg) for name, one in by_name.items()},
    }
    exact = {
        rule: {name: F(amount) * part / sum(parts.values()) for name, part in parts.items()}
        for rule, parts in weights.items()
        if sum(parts.values())
    }
    exact["two_part"] = {
        name: (F(amount) - wear) / len(needs) + wear * one.tests / tests for name, one in by_name.items()
    }
    exact["shapley"] = {name: total / len(orders) for name, total in added.items()}
    splits = {split.rule: split for split in share_cost(amount, needs, costs, step)}
    assert {rule for rule, split in splits.items() if split.unavailable} == set(splits) - set(exact) - {"nucleolus"}
    for rule, split in splits.items():
        if split.unavailable:
            continue
        for name, part in exact.get(rule, {}).items():
            assert abs(F(split.shares[name]) - part) < F(step)
        alone = {name: min(plain_cost([one], costs), plain_cost([one], costs)) for name, one in by_name.items()}
        dearer = [name for name, share in split.shares.items() if F(share) - alone[name] >= F(step)]
        assert list(split.overpaying) == dearer
        worst = max(
            (sum(F(split.shares[name]) for name in group) - limit, -len(group))
            for group, limit in cost.items()
            if 0 < len(group) < len(needs)
        )
        if worst[0] >= F(step) * -worst[1]:
            assert f"save {worst[0].numerator / worst[0].denominator:.2f}" in str(split.complaint)
        else:
            assert split.complaint is None


@given(NEEDS, COSTS, st.integers(1, 400))
def test_from_how_many_tests_sharing_pays_the_plain_way(needs, costs, tenths) -> None:
    """With one test fewer the members together would still spend more than each alone, with so many not."""
    tests = sum(one.tests for one in needs)
    fixed = F(tenths, 10)
    amount = D(tenths) / 10 + costs.per_test * tests
    found = together(amount, needs, costs)

    def saved(count) -> F:
        times, alone = F(count) / tests, F(0)
        for one in needs:
            ways = [F(one.own_meter) + F(costs.per_test) * one.tests * times, F(one.loss_without_testing) * times]
            ways += [F(costs.paid_test) * one.tests * times] if costs.paid_test is not None else []
            alone += min(ways)
        return alone - fixed - F(costs.per_test) * count

    assert found.saved == sum((min(D(20000), *ways(one, costs)) for one in needs), D(0)) - amount
    if found.pays_from is None:
        assert max(saved(count) for count in (tests, 10 * tests, 100 * tests, 10_000 * tests)) < 0
    else:
        assert saved(found.pays_from) >= 0
        assert saved(found.pays_from - 1) < F(1, 10**5)  # a hair: the count is rounded at its sixth digit


def ways(one, costs) -> list[D]:
    fee = [] if costs.paid_test is None else [costs.paid_test * one.tests]
    return [one.own_meter + costs.per_test * one.tests, one.loss_without_testing, *fee]


def test_what_an_own_meter_costs_a_season_with_resale_by_hand() -> None:
    """240 for two seasons, sold for 44 then: 196 / 2 = 98, and 6 of upkeep."""
    assert own_meter_season_cost(D(240), 2, D(6), D(44)) == 104
    assert own_meter_season_cost(D(10), 2, D(6), D(50)) == 6  # it is worth more in the end than now


@pytest.mark.parametrize("field", ["bags_tested", "tests", "harvest_kg", "own_meter", "loss_without_testing"])
def test_no_need_lies_below_nothing(field) -> None:
    good = {"bags_tested": 0, "tests": 0, "harvest_kg": D(0), "own_meter": D(0), "loss_without_testing": D(0)}
    MemberNeed("a", **good)
    with pytest.raises(InputError):
        MemberNeed("a", **good | {field: D("-0.5")})


def test_costs_below_nothing_and_members_named_twice_are_refused() -> None:
    RunningCosts(D(0), D(0))
    for costs in ((D("-0.01"), None), (D(0), D("-0.01"))):
        with pytest.raises(InputError):
            RunningCosts(*costs)
    one = MemberNeed("a", 1, 1, D(1), D(1), D(1))
    for needs, amount in (([], D(1)), ([one, one], D(1)), ([one], D("-0.01"))):
        with pytest.raises(InputError):
            share_cost(amount, needs, RunningCosts())
    assert all(split.shares == {"a": 0} for split in share_cost(D(0), [one], RunningCosts()))


def test_how_a_split_was_worked_out_is_said() -> None:
    def said(count):
        needs = [MemberNeed(f"m{n:02d}", 1, 5 + n, D(1), D(30 + n), D(25)) for n in range(count)]
        return {split.rule: str(split.method) for split in share_cost(D(40), needs, RunningCosts(D("0.1")))}

    few, many = said(3), said(13)
    assert [few[rule].split()[0] for rule in ("equal", "shapley", "nucleolus")] == ["None", "Exact,", "Exact,"]
    assert "every part" in few["nucleolus"]
    assert "added one by one" in many["nucleolus"]
    assert "Estimated" in many["shapley"]


def test_games_at_their_edges(monkeypatch) -> None:
    """One member bears all; nothing costs nobody anything; as many members as can be listed, and one too many."""
    monkeypatch.setattr("core.meter.games.LARGEST_TABLE", 3)
    assert nucleolus({frozenset({"a"}): 5}) == {"a": 5.0}
    assert nucleolus(all_groups("ab", lambda group: 0)) == {"a": 0.0, "b": 0.0}
    assert shapley_values(all_groups("abc", len)) == {"a": 1.0, "b": 1.0, "c": 1.0}
    with pytest.raises(InputError, match="too many"):
        all_groups("abcd", len)
    with pytest.raises(InputError, match="too many"):
        shapley_values({frozenset("abcd"): 1})
    game = ways_of(["a", "b"], [(3.0, [1.0, 2.0]), (0.0, [4.0, 4.5])], 5.0)
    assert list(game.cost([[False, False], [True, False], [False, True], [True, True]])) == [0.0, 4.0, 4.5, 6.0]


def test_the_error_of_drawn_shares_by_hand() -> None:
    """Draws 1, 2, 3 and 6, 4, 2: means 2 and 4, deviations 1 and 2, over the root of 3; z of 1 - 0.025 / 2 is 2.2414
    (tables of the normal distribution).
    """
    found = shares_from_draws(["a", "b"], np.array([[1.0, 6.0], [2.0, 4.0], [3.0, 2.0]]))
    assert found.shares == {"a": 2.0, "b": 4.0}
    assert found.error == pytest.approx({"a": 2.2414 / 3**0.5, "b": 2 * 2.2414 / 3**0.5}, rel=1e-4)
    assert float(norm.ppf(1 - 0.0125)) == pytest.approx(2.2414, abs=5e-5)


# Paying


def test_offers_prices_and_work_at_their_edges() -> None:
    at_once = compare_offer(SellerOffer(200.0, 800.0, 0), [0.25, 0.0], 0.0, 1, 0.02)
    assert list(at_once.grain) == [200.0, 0.0]
    assert at_once.loan == pytest.approx(200 / 1.02)
    assert at_once.chance_grain_dearer == 0.5
    assert f"{200 / 1.02 / 800:.3f} a kg" in str(at_once.explanation)
    ten = compare_offer(SellerOffer(1.0, 1.0, 0), np.arange(11.0), 0.0, 1, 0.0)
    assert (ten.grain_low, ten.grain_median, ten.grain_high) == (1.0, 5.0, 9.0)
    for offer, prices in (
        (SellerOffer(200.0, 800.0, 6), [0.3, -0.1]),
        (SellerOffer(0.0, 800.0, 6), [0.3]),
        (SellerOffer(200.0, 800.0, -1), [0.3]),
    ):
        with pytest.raises(InputError):
            compare_offer(offer, prices, 0.02, 12, 0.02)
    with pytest.raises(InputError):
        compare_offer(SellerOffer(200.0, 800.0, 6), [0.3], 0.02, 12, -0.01)
    with pytest.raises(InputError):
        value_labour(D(1), D(0))
    assert value_grain(D(10), D(0), D(0), D("0.5"), BEGUN, bags=2).amount == 5  # bags whose mass nobody gave


def test_drawn_prices_have_the_mean_and_the_spread_that_were_asked() -> None:
    """Mean 0.3 and standard deviation 0.4 x 0.3 within four standard errors of 40,000 draws; logs are normal."""
    drawn = lognormal_prices(0.3, 0.4, 40_000, 1)
    assert drawn.mean() == pytest.approx(0.3, abs=4 * 0.12 / 200)
    assert drawn.std() == pytest.approx(0.12, rel=0.04)
    logs = np.log(drawn)
    assert np.mean((logs - logs.mean()) ** 3) == pytest.approx(0.0, abs=4 * (6 / 40_000) ** 0.5 * logs.std() ** 3)


@pytest.mark.parametrize(("months", "weeks", "median"), [(0, 1, 1.0), (1, 4, 1.04), (6, 26, 1.26)])
def test_the_price_some_months_on_is_read_from_the_paths_of_so_many_weeks(monkeypatch, months, weeks, median) -> None:
    """A price of 2 that rises 1 % of it a week, half the paths 10 % above and half below: 365.25 / 84 weeks a month."""

    def paths(count, draws, seed, price):
        assert (count, price) == (weeks, 2.0)
        rise = price * (1 + 0.01 * np.arange(count + 1))
        return rise * np.array([[0.9]] * (draws // 2) + [[1 / 0.9]] * (draws // 2))

    known = SimpleNamespace(price_now=2.0)
    monkeypatch.setattr("core.planning.case_from_records.crop_price", lambda *_args: known)
    monkeypatch.setattr(
        "core.planning.group_seasons.season_of", lambda price: SimpleNamespace(sample_weekly_paths=paths)
    )
    found = paying.expected_price(None, 1, "maize", months)
    assert found.median == pytest.approx(2.0 * median * (0.9 + 1 / 0.9) / 2)
    assert found.spread == pytest.approx(1 / 0.9 - 1)
    monkeypatch.setattr("core.planning.group_seasons.season_of", lambda price: None)
    assert paying.expected_price(None, 1, "maize", months) is None


def test_days_for_tests_where_others_have_promises_by_hand() -> None:
    """Two lots a day. Day 1 is B's alone, day 2 shared with one other: A's three lots go to day 2 (one), 3 (two)."""
    day = [date(2027, 3, number) for number in range(1, 5)]
    taken = [Booking(1, "B", day[0], day[0]), Booking(2, "B", day[1], day[1], shared=True)]
    lots = [LotToTest("A", name, day[0], day[1]) for name in "xyz"]
    placed = propose_days(lots, day[0], taken, lots_per_day=2)
    assert [(row.need.lot, row.day, row.late) for row in placed] == [
        ("x", day[1], False),
        ("y", day[2], True),
        ("z", day[2], True),
    ]
    assert "1 day late" in str(placed[1].reason)
    own = propose_days([LotToTest("B", "w", day[0], day[0])], day[0], taken)
    assert (own[0].day, own[0].late) == (day[0], False)
    assert propose_days(lots, day[0], [Booking(3, "A", day[0], day[0], "x")])[0].need.lot == "y"
