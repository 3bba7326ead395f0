"""The meter's account: worked examples by hand, refusals, and balance after any sequence of events."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

import numpy_financial
import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from core.accounts.book import plain_payload
from core.errors import LedgerError
from core.group.records import Event
from core.meter.account import (
    CAPITAL,
    INTEREST_EARNED,
    KEPT,
    MEMBERS_OWE,
    METER_LOST,
    OWED_TO_MEMBERS,
    RESERVE,
    Account,
    book_value,
    depreciation_due,
    grain_sold_terms,
    join_terms,
    leave_terms,
    member_balances,
    member_statement,
    money_book,
    own_money,
    post_event,
    record_all,
    replay,
    warnings,
)
from core.meter.book import KINDS, MONEY_PLACES
from core.meter.paying import instalment_plan

START = date(2027, 1, 15)
AT = datetime(2027, 1, 15, 8, tzinfo=UTC)


def an_entry(number: int, kind: str, on: date, payload: dict[str, Any], reverses: int | None = None) -> Event:
    return Event(
        id=number, book="meter", kind=kind, on=on, who="Amara", payload=payload, recorded_at=AT, reverses=reverses
    )


def after(account: Account, kind: str, on: date = START, reverses: int | None = None, **payload) -> Account:
    """Return the account after one more event, numbered in turn."""
    following = len(account.events) + 1
    return post_event(account, an_entry(following, kind, on, plain_payload(payload), reverses))


def group_of(count: int, price: int = 240) -> Account:
    """Return members who share a meter in equal parts and have paid."""
    account = Account()
    for number in range(1, count + 1):
        account = after(account, "member_added", member=str(number), name=f"Member {number}")
    share = Decimal(price) / count
    account = after(account, "capital_due", shares={str(number): share for number in range(1, count + 1)}, text="meter")
    for number in range(1, count + 1):
        account = after(account, "payment", member=str(number), amount=share, money="cash box")
    return after(account, "meter_bought", amount=price, paid_from="money", money="cash box", life_months=48, resale=0)


def check_balance(account: Account) -> None:
    rows = account.journal.trial_balance()
    assert sum(row.debit for row in rows) == sum(row.credit for row in rows)
    totals = account.journal.totals()
    assert totals["assets"] == totals["liabilities"] + totals["equity"] + totals["income"] - totals["expenses"]


def test_a_ninth_member_buys_a_ninth_of_the_group_s_own_money() -> None:
    """By hand (reference example): 240 over 48 months is 5 a month; after 18 months 150, 18.75 each of 8.

    A ninth joins at 150 / 9 = 16.67, about 2.083 to each of the 8, who have 18.75 as before.
    """
    account = group_of(8)
    day = date(2028, 7, 15)
    assert depreciation_due(account, day) == 90
    account = after(account, "depreciation", day, amount=depreciation_due(account, day))
    assert book_value(account) == own_money(account) == 150
    assert leave_terms(account, "1")["pay_out"] == "18.75"
    terms = join_terms(account, "9", "Member 9")
    assert terms["buy_in"] == "16.67"
    assert sorted(terms["to"].values()) == ["2.08"] * 5 + ["2.09"] * 3
    account = after(account, "joins", day, **terms)
    assert account.facts.members == tuple("123456789")
    assert account.journal.balance(MEMBERS_OWE, party="9") == Decimal("16.67")
    assert account.journal.balance(OWED_TO_MEMBERS) == Decimal("-16.67")
    assert own_money(account) == 150
    check_balance(account)


def test_joining_and_leaving_count_what_the_group_has_less_what_it_owes() -> None:
    """By hand: a meter of 150 in the books, 40 lent by a bank and in the box, 8 in the bank from a fee of outsiders.

    Own money 150 + 40 + 8 - 40 = 158: a leaving member of 8 takes 19.75, a ninth pays 158 / 9 = 17.56. The meter alone
    would say 18.75 and 16.67. With 400 spent on repairs the group owes more than it has: nobody takes anything along.
    """
    account = group_of(8)
    day = date(2028, 7, 15)
    account = after(account, "depreciation", day, amount=90)
    account = after(account, "loan_taken", day, amount=40, money="cash box")
    account = after(account, "outside_tests", day, payer="Yao", tests=1, amount=8, money="bank")
    assert own_money(account) == 158
    assert leave_terms(account, "1")["pay_out"] == "19.75"
    assert join_terms(account, "9", "Member 9")["buy_in"] == "17.56"
    poor = after(account, "spent", day, on_what="repair", amount=400, money="bank")
    assert Decimal(leave_terms(poor, "1")["pay_out"]) == 0
    assert Decimal(join_terms(poor, "9", "Member 9")["buy_in"]) == 0


def test_a_member_leaves_with_a_part_less_what_is_owed() -> None:
    """By hand: the charge of 5 is a claim of the group: own money 155, an eighth 19.375, to the coin 19.37.

    Capital was 30; 5 are owed, so 14.37 is left to pay and 10.63 of the capital stay in the group.
    """
    account = group_of(8)
    day = date(2028, 7, 15)
    account = after(account, "depreciation", day, amount=90)
    account = after(account, "charge", day, shares={"1": "5"}, text="season")
    account = after(account, "leaves", day, **leave_terms(account, "1"))
    assert account.facts.members == tuple("2345678")
    assert account.journal.balance(OWED_TO_MEMBERS, party="1") == Decimal("-14.37")
    assert account.journal.balance(MEMBERS_OWE, party="1") == 0
    assert account.journal.balance(CAPITAL, party="1") == 0
    assert account.journal.balance(KEPT) == Decimal("-10.63")
    with pytest.raises(LedgerError, match="only 14"):
        after(account, "paid_out", day, member="1", amount="14.38")
    with pytest.raises(LedgerError, match="left already"):
        after(account, "leaves", day, member="1", pay_out="1")
    check_balance(account)


def test_the_reserve_rule_limits_what_is_paid_out() -> None:
    assert leave_terms(group_of(8), "1", most=Decimal(10))["pay_out"] == "10"


def test_cash_is_counted_and_the_difference_booked() -> None:
    """By hand: 10 fees less 4 for batteries is 6; 5.50 are found, so 0.50 is short."""
    account = after(Account(), "outside_tests", payer="Koffi", tests=10, amount="10")
    account = after(account, "spent", on_what="batteries", amount="4")
    account = after(account, "cash_counted", counted="5.50")
    assert account.journal.balance("expenses:cash short") == Decimal("0.50")
    assert account.journal.balance("assets:cash box") == Decimal("5.50")
    over = after(account, "cash_counted", counted="7")
    assert over.journal.balance("income:cash over") == Decimal("-1.50")
    assert after(account, "cash_counted", counted="5.50").journal == account.journal


def test_loss_theft_and_breakage_go_by_the_rule_agreed_beforehand() -> None:
    """By hand: value 240, the holder bears half of a loss = 120, nothing of a theft, all of a breakage."""
    account = group_of(4)
    with pytest.raises(LedgerError, match="agree"):
        after(account, "meter_gone", what="loss", holder="2")
    account = after(account, "loss_rule", loss="0.5", theft="0", breakage="1")
    lost = after(account, "meter_gone", what="loss", holder="2")
    assert lost.journal.balance(MEMBERS_OWE, party="2") == 120
    assert lost.journal.balance(METER_LOST) == 120
    assert book_value(lost) == 0
    stolen = after(account, "meter_gone", what="theft")
    assert stolen.journal.balance(METER_LOST) == 240
    repaired = after(account, "spent", on_what="repair", amount="30", holder="3")
    assert repaired.journal.balance(MEMBERS_OWE, party="3") == 30
    assert repaired.journal.balance("expenses:repair") == 0
    with pytest.raises(LedgerError, match="not in the meter's book"):
        after(account, "meter_gone", what="loss")
    for each in (lost, stolen, repaired):
        check_balance(each)


def test_season_close_empties_income_and_locks_the_days() -> None:
    """By hand: charges 40 less batteries 10 leave 30; 20 to the reserve, 5 each to two members."""
    account = group_of(2)
    account = after(account, "charge", shares={"1": "20", "2": "20"}, text="season")
    account = after(account, "spent", on_what="batteries", amount="10")
    end = START + timedelta(days=60)
    account = after(account, "season_closed", end, reserve="20", to_pay={"1": "5", "2": "5"})
    totals = account.journal.totals()
    assert totals["income"] == totals["expenses"] == 0
    assert account.journal.balance(RESERVE) == -20
    assert account.journal.balance(KEPT) == 0
    with pytest.raises(LedgerError, match="closed"):
        after(account, "payment", end, member="1", amount="1")
    check_balance(after(account, "payment", end + timedelta(days=1), member="1", amount="1"))


def test_arrears_follow_the_payment_plan() -> None:
    """By hand: owes 60 in three of 20; after the second day 40 were due, 15 paid: 25 in arrears, 20 later."""
    account = group_of(2)
    account = after(account, "charge", shares={"1": "60"}, text="season")
    days = [START + timedelta(days=30 * k) for k in range(3)]
    account = after(account, "plan", member="1", due=[[day, Decimal(20)] for day in days], interest="0")
    account = after(account, "payment", member="1", amount="15", money="mobile money", reference="MM-77")
    balance = member_balances(account, days[1])[0]
    assert (balance.owes, balance.not_yet_due, balance.arrears) == (45, 20, 25)
    assert member_statement(account, "1").closing == 45
    assert account.receipts[-1].reference == "MM-77"
    assert member_balances(account, days[2])[0].arrears == 45


def test_each_season_has_its_own_interest_of_a_payment_plan() -> None:
    """By hand: 1,200 in three months at 2 %: level payment 24 / (1 - 1.02^-3) = 416.11; interest 24.00, 16.16, 8.16.

    1,200 x 0.02 = 24.00, repaid 392.11, left 807.89; x 0.02 = 16.16, repaid 399.95, left 407.94; x 0.02 = 8.16, last
    payment 416.10.
    The season that closes after the first instalment earns 24.00, the next 24.32. numpy-financial gives the same
    before rounding.
    """
    account = group_of(2)
    account = after(account, "charge", shares={"1": "1200"}, text="a second meter")
    firsts = [date(2027, 2, 15), date(2027, 3, 15), date(2027, 4, 15)]
    rows, payload = instalment_plan(Decimal(1200), Decimal("0.02"), 3, firsts[0])
    assert [row.payment for row in rows] == [Decimal("416.11"), Decimal("416.11"), Decimal("416.10")]
    exact = -numpy_financial.ipmt(0.02, [1, 2, 3], 3, 1200)
    assert [float(row.interest) for row in rows] == pytest.approx(exact, abs=0.006)
    account = after(account, "plan", member="1", **payload)
    assert member_balances(account, START)[0].owes == 1200
    assert member_balances(account, START)[0].arrears == 0
    due = member_balances(account, firsts[0])[0]
    assert (due.owes, due.arrears) == (Decimal("1224.00"), Decimal("416.11"))
    account = after(account, "payment", firsts[0], member="1", amount="416.11")
    paid = member_balances(account, firsts[0])[0]
    assert (paid.owes, paid.arrears, paid.not_yet_due) == (Decimal("807.89"), 0, Decimal("807.89"))
    account = after(account, "season_closed", date(2027, 2, 28), reserve="0")
    kept = -account.journal.balance(KEPT, date(2027, 2, 28))
    assert kept == 1200 + 24
    account = after(account, "season_closed", date(2027, 12, 31), reserve="0")
    assert -account.journal.balance(KEPT, date(2027, 12, 31)) - kept == Decimal("24.32")
    assert member_balances(account, firsts[2])[0].owes == Decimal("1248.32") - Decimal("416.11")
    check_balance(account)


def test_interest_of_later_instalments_falls_away_when_a_plan_or_a_member_goes() -> None:
    """By hand: of the plan above only the first instalment's 24.00 counts where member 1 leaves, or the plan is
    taken back, on day two.
    """
    begun = after(group_of(2), "charge", shares={"1": "1200"}, text="a second meter")
    _rows, payload = instalment_plan(Decimal(1200), Decimal("0.02"), 3, date(2027, 2, 15))
    begun = after(begun, "plan", member="1", **payload)
    plan = begun.events[-1].id
    day = date(2027, 2, 16)
    left = after(begun, "leaves", day, **leave_terms(begun, "1", on=day))
    end = date(2028, 1, 1)
    assert -left.journal.balance(INTEREST_EARNED, end) == 24
    # own money that day: meter 240, claim 1,200 + 24 = 1,464; of the 1,224 half of it, 732, is set off
    assert left.journal.balance(MEMBERS_OWE, end, "1") == 492
    with pytest.raises(LedgerError, match="builds on it"):
        after(left, "reversal", day, reverses=plan, reason="wrong")
    back = after(left, "reversal", day, reverses=left.events[-1].id, reason="stays after all")
    assert -back.journal.balance(INTEREST_EARNED, end) == Decimal("48.32")
    for account in (back, begun):
        gone = after(account, "reversal", day, reverses=plan, reason="pays at once")
        assert gone.journal.balance(MEMBERS_OWE, end, "1") == 1200
        check_balance(gone)


def test_a_plan_whose_rows_name_no_interest_is_booked_as_it_was_agreed() -> None:
    """Books written before instalments named their interest keep their figures: 3 on the day of the agreement."""
    account = after(group_of(2), "charge", shares={"1": "60"}, text="season")
    account = after(account, "plan", member="1", due=[[START, "31.50"], [date(2027, 3, 1), "31.50"]], interest="3")
    assert -account.journal.balance(INTEREST_EARNED, START) == 3
    assert member_balances(account, START)[0].arrears == Decimal("31.50")


def test_money_counted_for_an_earlier_day_is_held_against_the_book_of_that_day() -> None:
    """By hand: 100 came in on day 1 and 50 on day 10.

    Counted for day 5 were 90: 10 are short, and 140 are left in the end.
    """
    account = after(group_of(2), "outside_tests", payer="x", tests=1, amount="100", money="bank")
    account = after(account, "outside_tests", START + timedelta(days=9), payer="x", tests=1, amount="50", money="bank")
    account = after(account, "cash_counted", START + timedelta(days=4), counted="90", money="bank")
    assert account.journal.balance("expenses:cash short") == 10
    assert account.journal.balance("assets:bank") == 140
    assert account.journal.balance("assets:bank", START + timedelta(days=4)) == 90


def test_grain_is_kept_at_its_mean_value_and_sold() -> None:
    """By hand: 100 kg for 30 in the books; 40 kg at 12 cost, sold for 10: a loss of 2."""
    account = group_of(2)
    account = after(account, "charge", shares={"1": "30"}, text="season")
    account = after(
        account,
        "grain_payment",
        member="1",
        kg="105",
        moisture_pct="17",
        agreed_kg="100",
        agreed_moisture_pct="13",
        price_per_kg="0.3",
        amount="30",
    )
    assert account.journal.balance(MEMBERS_OWE, party="1") == 0
    account = after(account, "grain_sold", **grain_sold_terms(account, Decimal(40), Decimal(10), "cash box"))
    assert account.journal.balance("expenses:loss on grain") == 2
    assert account.facts.grain_kg == 60
    with pytest.raises(LedgerError, match="only 60"):
        after(account, "grain_sold", kg="61", book="18", amount="1")
    rest = after(account, "grain_sold", **grain_sold_terms(account, Decimal(60), Decimal(20), "cash box"))
    assert rest.facts.grain_value == 0
    assert rest.journal.balance("assets:grain received as payment") == 0


def test_receipts_are_numbered_and_keep_their_number_when_taken_back() -> None:
    account = group_of(3)
    assert [receipt.number for receipt in account.receipts] == [1, 2, 3]
    payment = account.receipts[1].event_id
    account = after(account, "reversal", reverses=payment, reason="typed twice")
    assert account.receipts[1].reversed_on == START
    assert account.journal.balance(MEMBERS_OWE, party="2") == 80
    assert after(account, "payment", member="2", amount="80").receipts[-1].number == 4
    with pytest.raises(LedgerError, match="already"):
        after(account, "reversal", reverses=payment)
    with pytest.raises(LedgerError, match="cannot be cancelled"):
        after(account, "reversal", reverses=len(account.events))


def test_what_others_build_on_is_not_taken_back_first() -> None:
    account = group_of(2)
    bought = len(account.events)
    account = after(account, "depreciation", START + timedelta(days=31), amount="5")
    with pytest.raises(LedgerError, match="builds on it"):
        after(account, "reversal", reverses=bought)
    with pytest.raises(LedgerError, match="builds on it"):
        after(account, "reversal", reverses=1)


@pytest.mark.parametrize(
    ("kind", "payload"),
    [
        ("payment", {"member": "9", "amount": "1"}),
        ("payment", {"member": "1", "amount": "0"}),
        ("payment", {"member": "1", "amount": "-5"}),
        ("payment", {"member": "1", "amount": "five"}),
        ("payment", {"member": "1"}),
        ("payment", {"member": "1", "amount": "1", "money": "under the bed"}),
        ("charge", {"shares": {}}),
        ("charge", {"shares": {"9": "1"}}),
        ("joins", {"member": "9", "buy_in": "5", "to": {"1": "4"}}),
        ("member_added", {"member": "1"}),
        ("spent", {"on_what": "a feast", "amount": "1"}),
        ("depreciation", {"amount": "241"}),
        ("meter_bought", {"amount": "1", "paid_from": "money", "life_months": 1}),
        ("loss_rule", {"loss": "2", "theft": "0", "breakage": "0"}),
        ("plan", {"member": "1", "due": []}),
        ("plan", {"member": "1", "due": [["2027-02-01", "5", "6"]]}),
        ("plan", {"member": "1", "due": [["2027-02-01"]]}),
        ("deleted", {}),
        ("loan_paid", {"principal": "0", "interest": "0"}),
    ],
)
def test_what_cannot_be_right_is_refused(kind: str, payload: dict) -> None:
    with pytest.raises(LedgerError):
        after(group_of(2), kind, **payload)


def test_floats_are_not_money() -> None:
    with pytest.raises(LedgerError, match="exact"):
        after(group_of(2), "payment", member="1", amount=1.5)


def test_a_spoilt_record_is_reported_and_the_rest_stands() -> None:
    good = an_entry(1, "member_added", START, {"member": "1"})
    bad = an_entry(2, "payment", START, {"member": "7", "amount": "1"})
    account = replay([good, bad])
    assert account.facts.members == ("1",)
    assert len(account.refused) == 1
    assert "Entry 2" in str(warnings(account, MONEY_PLACES)[0])


def test_money_below_nothing_is_pointed_out() -> None:
    account = after(Account(), "spent", on_what="repair", amount="4")
    assert "cash box" in str(warnings(account, MONEY_PLACES)[0])
    assert money_book(account, MONEY_PLACES)[0].money_out == 4


def test_the_group_s_records_keep_the_book(tmp_path) -> None:
    """Events pass through the database and give the same account; what is refused is not written."""
    from core.group.records import Group
    from tests.shared_store import fresh_store

    store = fresh_store(tmp_path / "x.sqlite3")
    group = store.add_group(Group(name="Invented", currency="XOF"))
    begun = [
        ("member_added", START, {"member": "1", "name": "Binta"}),
        ("charge", START, {"shares": {"1": Decimal("0.10")}, "text": "x {y}"}),
        ("payment", START, {"member": "1", "amount": Decimal("0.10")}),
    ]
    paid = record_all(store, group, begun, "Amara", AT)[-1]
    with pytest.raises(LedgerError):
        record_all(store, group, [("payment", START, {"member": "2", "amount": Decimal(1)})], "Amara", AT)
    record_all(store, group, [("reversal", START, {"reason": "not received"})], "Amara", AT, reverses=paid)
    account = replay(store.events(group, "meter"))
    assert not account.refused
    assert account.journal.balance(MEMBERS_OWE, party="1") == Decimal("0.10")
    assert account.journal.entries[-1].who == "Amara"
    assert "x {y}" in str(account.journal.entries[0].text)


MONEY = st.integers(1, 100_000).map(lambda coins: Decimal(coins) / 100)
MEMBERS = [str(number) for number in range(1, 6)]


class AccountMachine(RuleBasedStateMachine):
    """Whatever is written, in whatever order, either is refused and changes nothing, or leaves the books balanced."""

    def __init__(self) -> None:
        super().__init__()
        self.account = Account()
        self.day = START

    def write(self, kind: str, reverses: int | None = None, **payload) -> None:
        before = self.account
        try:
            self.account = after(before, kind, self.day, reverses, **payload)
        except LedgerError:
            assert self.account is before
        else:
            assert self.account.journal.entries[: len(before.journal.entries)] == before.journal.entries
            assert [receipt.number for receipt in self.account.receipts] == list(
                range(1, len(self.account.receipts) + 1)
            )

    @initialize(count=st.integers(1, 4))
    def begin(self, count: int) -> None:
        for member in MEMBERS[:count]:
            self.write("member_added", member=member, name=f"Member {member}")

    @rule(days=st.integers(0, 60))
    def days_pass(self, days: int) -> None:
        self.day += timedelta(days=days)

    @rule(kind=st.sampled_from(["capital_due", "charge"]), shares=st.dictionaries(st.sampled_from(MEMBERS), MONEY))
    def ask(self, kind: str, shares: dict) -> None:
        self.write(kind, shares=shares, text="any")

    @rule(member=st.sampled_from(MEMBERS), amount=MONEY, place=st.sampled_from(MONEY_PLACES))
    def pay(self, member: str, amount: Decimal, place: str) -> None:
        self.write("payment", member=member, amount=amount, money=place)

    @rule(
        kind=st.sampled_from(["labour", "paid_out", "outside_tests", "loan_taken", "seller_paid", "depreciation"]),
        member=st.sampled_from(MEMBERS),
        amount=MONEY,
    )
    def simple(self, kind: str, member: str, amount: Decimal) -> None:
        self.write(kind, member=member, amount=amount, payer="x", tests=1, hours=1)

    @rule(amount=MONEY, source=st.sampled_from(["money", "seller", "loan"]))
    def buy(self, amount: Decimal, source: str) -> None:
        self.write("meter_bought", amount=amount, paid_from=source, life_months=48, resale="0")

    @rule()
    def wear(self) -> None:
        self.write("depreciation", amount=depreciation_due(self.account, self.day))

    @rule(amount=MONEY, holder=st.sampled_from(["", *MEMBERS]))
    def spend(self, amount: Decimal, holder: str) -> None:
        self.write("spent", on_what="repair", amount=amount, holder=holder)

    @rule(part=st.integers(0, 100))
    def agree(self, part: int) -> None:
        self.write("loss_rule", **dict.fromkeys(["loss", "theft", "breakage"], Decimal(part) / 100))

    @rule(what=st.sampled_from(["loss", "theft", "breakage"]), holder=st.sampled_from(MEMBERS))
    def lose(self, what: str, holder: str) -> None:
        self.write("meter_gone", what=what, holder=holder)

    @rule(member=st.sampled_from(MEMBERS))
    def join(self, member: str) -> None:
        self.write("joins", **join_terms(self.account, member, f"Member {member}"))

    @rule(member=st.sampled_from(MEMBERS))
    def leave(self, member: str) -> None:
        self.write("leaves", **leave_terms(self.account, member))

    @rule(member=st.sampled_from(MEMBERS), amount=MONEY)
    def pay_grain(self, member: str, amount: Decimal) -> None:
        self.write("grain_payment", member=member, agreed_kg="10", amount=amount, kg="11")

    @rule(amount=MONEY)
    def sell_grain(self, amount: Decimal) -> None:
        self.write("grain_sold", **grain_sold_terms(self.account, Decimal(5), amount, "cash box"))

    @rule(amount=MONEY, source=st.sampled_from(MONEY_PLACES), to=st.sampled_from(MONEY_PLACES))
    def move(self, amount: Decimal, source: str, to: str) -> None:
        held = sum(self.account.journal.balance(f"assets:{place}") for place in MONEY_PLACES)
        self.write("money_moved", amount=amount, money=source, to=to)
        assert sum(self.account.journal.balance(f"assets:{place}") for place in MONEY_PLACES) == held

    @rule(counted=MONEY)
    def count(self, counted: Decimal) -> None:
        self.write("cash_counted", counted=counted, money="cash box")

    @rule(principal=MONEY, interest=MONEY)
    def repay(self, principal: Decimal, interest: Decimal) -> None:
        self.write("loan_paid", principal=principal, interest=interest)

    @rule(member=st.sampled_from(MEMBERS), amount=MONEY, months=st.integers(1, 4), named=st.booleans())
    def plan(self, member: str, amount: Decimal, months: int, named: bool) -> None:
        rows, payload = instalment_plan(amount, Decimal("0.03"), months, self.day)
        plain = {**payload, "due": [[row.due, row.payment] for row in rows]}
        self.write("plan", member=member, **(payload if named else plain))

    @rule(reserve=MONEY, member=st.sampled_from(MEMBERS))
    def close(self, reserve: Decimal, member: str) -> None:
        self.write("season_closed", reserve=reserve, to_pay={member: Decimal(1)}, to_capital={member: Decimal(2)})

    @rule(data=st.data())
    def take_back(self, data: st.DataObject) -> None:
        if self.account.events:
            self.write("reversal", reverses=data.draw(st.integers(1, len(self.account.events))), reason="wrong")

    @invariant()
    def books_balance(self) -> None:
        check_balance(self.account)
        facts = self.account.facts
        meter = self.account.journal.balance("assets:meter") + self.account.journal.balance(
            "assets:meter written off so far"
        )
        assert meter == book_value(self.account)
        assert self.account.journal.balance("assets:grain received as payment") == facts.grain_value
        assert facts.grain_kg >= 0
        for day in (self.day, facts.closed_until):
            totals = self.account.journal.totals(day)
            claims = totals["liabilities"] + totals["equity"] + totals["income"] - totals["expenses"]
            assert totals["assets"] == claims
        if facts.closed_until is not None:  # nothing of a closed season is left to earn or to spend
            balances = self.account.journal.balances(facts.closed_until)
            assert not any(balance for name, balance in balances.items() if name.startswith(("income:", "expenses:")))


AccountMachine.TestCase.settings = settings(max_examples=20, stateful_step_count=30)
TestAccountMachine = AccountMachine.TestCase


def test_every_kind_of_event_is_tried_by_some_test() -> None:
    from pathlib import Path

    text = Path(__file__).read_text(encoding="utf-8")
    assert [kind for kind in KINDS if f'"{kind}"' not in text] == []
