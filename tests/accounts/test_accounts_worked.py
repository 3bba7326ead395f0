"""Small laws of the accounts worked by hand, or reckoned again the plain way."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal as D
from fractions import Fraction as F

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.accounts.finance import InventoryCredit, add_months, round_to_step, schedule, whole_months
from core.accounts.journal import Journal, Line, credit, debit
from core.accounts.splitting import as_decimal, round_shares, split_exactly
from core.accounts.typed import typed_number
from core.errors import InputError, LedgerError

DAYS = st.dates(date(2019, 1, 1), date(2033, 12, 31))


@given(DAYS, DAYS)
def test_whole_months_are_the_most_that_have_passed(start, end):
    """The plain way: a month more and a month more, until the day would lie beyond."""
    passed = 0
    while add_months(start, passed + 1) <= end:
        passed += 1
    assert whole_months(start, end) == passed


@given(DAYS, st.integers(-40, 60))
def test_some_months_later_by_walking_the_calendar(day, months):
    """The month by counting one by one; the day the same, or the last of the month."""
    year, month = day.year, day.month
    for _ in range(abs(months)):
        month += 1 if months > 0 else -1
        if month in (0, 13):
            year, month = (year - 1, 12) if month == 0 else (year + 1, 1)
    found = add_months(day, months)
    assert (found.year, found.month) == (year, month)
    assert found.day == day.day or (found.day < day.day and (found + timedelta(days=1)).month != found.month)


def test_whole_months_at_the_edges_by_hand():
    """31 January to 28 February is one month (its last day), to the 27th none; backwards none."""
    assert [whole_months(date(2027, 1, 31), date(2027, 2, day)) for day in (27, 28)] == [0, 1]
    assert whole_months(date(2027, 5, 1), date(2027, 3, 1)) == 0
    assert whole_months(date(2026, 12, 15), date(2027, 12, 14)) == 11


def test_half_a_coin_goes_up():
    assert [round_to_step(D(text), D("0.05")) for text in ("0.025", "0.0249", "0.075", "1")] == [
        D("0.05"),
        D(0),
        D("0.10"),
        D(1),
    ]


def test_a_coin_too_coarse_for_the_instalments_by_hand():
    """100 in 4 months at 1 % with a coin of 50: level 25.63 rounds to 50; 1 of interest rounds to 0: 50, 50, then 0."""
    rows = schedule(D(100), D("0.01"), 4, D(50))
    assert [(row.payment, row.interest, row.remaining) for row in rows] == [
        (50, 0, 50),
        (50, 0, 0),
        (0, 0, 0),
        (0, 0, 0),
    ]
    for step in (D(0), D(-1), D(30)):
        with pytest.raises(InputError, match="coins"):
            schedule(D(100), D("0.01"), 4, step)
    assert [row.number for row in rows] == [1, 2, 3, 4]
    assert [row.payment for row in schedule(D(0), D("0.1"), 2)] == [0, 0]
    # a hundred in coins of a hundred: 5.29 a month round to nothing, so that all of it is due in the last
    assert [row.principal for row in schedule(D(100), D("0.02"), 24, D(100))] == [0] * 23 + [100]


LOAN = InventoryCredit(0.6, 0.02, 0.05, 0.001, 6.0)


def test_a_loan_on_stored_grain_by_hand():
    """1,000 kg at 0.5: lent 300, 285 in hand; after 4 months 300 x 1.02^4 = 324.73 are owed.

    As one that gives 285: (324.73 / 285)^(1/4) - 1 = 3.316 % a month. Sold at 0.6 with 1 % lost a month: 1,000 x 0.99^4
    x 0.6 = 576.36, less 324.73, less four months of 1 for the store: 247.63.
    """
    assert LOAN.cash_now(1000, 0.5) == pytest.approx(285)
    assert LOAN.owed(1000, 0.5, 4) == pytest.approx(300 * 1.02**4)
    assert LOAN.rate(4) == pytest.approx((300 * 1.02**4 / 285) ** 0.25 - 1)
    assert LOAN.net_at_sale(1000, 0.6, 0.5, 4, 0.01) == pytest.approx(0.99**4 * 600 - 300 * 1.02**4 - 4)
    assert LOAN.net_at_sale(1000, 0.6, 0.5, 6.0, 0.0) == pytest.approx(600 - 300 * 1.02**6 - 6)
    with pytest.raises(InputError, match="repaid"):
        LOAN.net_at_sale(1000, 0.6, 0.5, 6.1, 0.0)


@pytest.mark.parametrize(
    ("field", "good", "bad"),
    [
        ("loan_share", (0.0, 1.0), (-0.01, 1.01)),
        ("fee_share", (0.0, 0.99), (-0.01, 1.0)),
        ("monthly_interest", (0.0, 0.5, 1.2), (-0.01,)),
    ],
)
def test_the_edge_of_what_a_loan_on_grain_may_be(field, good, bad):
    for value in good:
        replace(LOAN, **{field: value})
    for value in bad:
        with pytest.raises(InputError):
            replace(LOAN, **{field: value})
    assert InventoryCredit(0.5, 0.0).net_at_sale(1, 1.0, 1.0, 12.0, 0.0) == pytest.approx(0.5)  # a year unless said
    with pytest.raises(InputError):
        InventoryCredit(0.5, 0.0).net_at_sale(1, 1.0, 1.0, 12.1, 0.0)


def test_parts_of_less_than_one_and_refunds_of_them_by_hand():
    """0.50 in tenths among 2 and 1: 5 coins, quotas 3.33 and 1.67: 3 and 2. Half a coin beyond is refused."""
    assert split_exactly(D("0.50"), {"a": 2, "b": 1}, D("0.1")) == {"a": D("0.3"), "b": D("0.2")}
    assert split_exactly(D("-0.50"), {"a": 2, "b": 1}, D("0.1")) == {"a": D("-0.3"), "b": D("-0.2")}
    assert split_exactly(D(0), {"a": 2, "b": 0}, D("0.1")) == {"a": 0, "b": 0}
    with pytest.raises(InputError, match="whole number"):
        split_exactly(D("0.55"), {"a": 1}, D("0.1"))
    with pytest.raises(InputError, match="above 0"):
        split_exactly(1, {"a": 1}, D(-1))


def test_shares_of_a_rule_in_whole_coins_by_hand():
    """3.4, 3.4 and 3.2 of 10: 3 each, the coin left to the first of the largest remainders; -0.5 and 1.5 of 1: 0, 1.

    Thirds that miss the amount by less than a coin each are put right; by a coin each they are refused.
    """
    assert round_shares({"b": F(34, 10), "a": F(34, 10), "c": F(32, 10)}, 10, 1) == {"b": 3, "a": 4, "c": 3}
    assert round_shares({"a": F(-1, 2), "b": F(3, 2)}, 1, 1) == {"a": 0, "b": 1}
    assert round_shares({"a": F(5, 2), "b": F(9, 4)}, 3, 1) == {"a": 2, "b": 1}  # 4.75 of 3: b's remainder is smaller
    assert round_shares({"a": F(5, 2), "b": F(9, 4)}, 6, 1) == {"a": 3, "b": 3}
    for amount in (7, 2):  # 3 and 5 of shares: two coins off for two
        with pytest.raises(InputError, match="do not add up"):
            round_shares({"a": F(5, 2), "b": F(5, 2)}, amount, 1)
    with pytest.raises(InputError, match="do not add up"):
        round_shares({}, 0, 1)
    for amount, step, said in ((1, 0, "above 0"), (1, -1, "above 0"), ("1.5", 1, "whole number")):
        with pytest.raises(InputError, match=said):
            round_shares({"a": F(1)}, amount, step)


def test_the_largest_and_the_smallest_money():
    """Powers of ten from -18 to 18; beyond them an amount is a slip of the pen."""
    for text in ("9e18", "1e-18", "-9e18", " 12.50 ", "0", "0e99"):
        assert as_decimal(text) == D(text.strip())
    for text in ("1e19", "9e-19", "NaN", "inf", "ten"):
        with pytest.raises(InputError):
            as_decimal(text)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("36000", "36000"),
        ("36 000", "36000"),
        ("-5", "-5"),
        ("−5", "-5"),
        ("+5.", "5"),
        ("- 7,5", "-7.5"),
        (".5", "0.5"),
        ("0,125", "0.125"),
        ("1,234,567", "1234567"),
        ("-1.234,50", "-1234.50"),
        ("1,234.5", "1234.5"),
        ("12’345", "12345"),
        ("1000000000000", "1000000000000"),
        ("-999999999999.9", "-999999999999.9"),
    ],
)
def test_numbers_as_they_are_typed(text, value):
    assert typed_number(text) == D(value)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("36,000", "type 36000 or 36.0"),
        ("-36.125", "type -36125 or -36.125"),
        ("1000000000000.1", "too large"),
        ("-1000000000001", "too large"),
        ("1.234.5", "not a number"),
        ("1,23,456", "not a number"),
        ("1,234.50,1", "not a number"),
        ("--5", "not a number"),
        ("", "not a number"),
        ("5 kg", "not a number"),
        ("٣", "not a number"),
    ],
)
def test_what_is_typed_in_two_ways_or_is_none_is_refused(text, said):
    with pytest.raises(InputError, match=said):
        typed_number(text)


def test_a_journal_by_hand():
    """Fee 5 on day 1, 2 spent on day 3, 4 lent on day 5: balances by day, by side, and below a common name."""
    days = [date(2027, 3, day) for day in (1, 3, 5)]
    journal = (
        Journal()
        .post(days[2], "lent", [debit("assets:cash", D(4), "B"), credit("liabilities:loan", D(4))])
        .post(days[0], "fee", [debit("assets:cash", D(5), "A"), credit("income:fees", D(5), "A")], who="Ada")
        .post(days[1], "spent", [debit("expenses:batteries", D(2)), credit("assets:cash", D(2))], reference="R7")
    )
    assert journal.balances(days[0]) == {"assets:cash": 5, "income:fees": -5}
    assert journal.balances(days[1], party="A") == {"assets:cash": 5, "income:fees": -5}
    assert journal.party_balances("assets:cash", days[1]) == {"": -2, "A": 5}
    assert journal.balance("assets:cash") == 7
    assert journal.balance("assets:none") == 0
    assert journal.totals(days[1]) == {"assets": 3, "liabilities": 0, "equity": 0, "income": 5, "expenses": 2}
    assert [(row.account, row.debit, row.credit) for row in journal.trial_balance(days[1])] == [
        ("assets:cash", 3, 0),
        ("expenses:batteries", 2, 0),
        ("income:fees", 0, 5),
    ]
    page = journal.statement("assets", start=days[1], until=days[1])
    assert (page.opening, page.closing) == (5, 3)
    assert [(row.debit, row.credit, row.balance, row.entry.number) for row in page.rows] == [(0, 2, 3, 3)]
    assert [row.balance for row in journal.statement("assets:cash").rows] == [5, 3, 7]
    assert journal.statement("asset").rows == ()
    assert [(entry.number, entry.amount, entry.who, entry.reference) for entry in journal.entries] == [
        (1, 4, "", ""),
        (2, 5, "Ada", ""),
        (3, 2, "", "R7"),
    ]
    lost = journal.close(days[0], "equity:kept", "first day").close(days[2], "equity:kept", "the rest")
    assert lost.balance("equity:kept", days[0]) == -5
    assert lost.balance("equity:kept") == -3
    assert lost.entries[-1].lines[-1] == debit("equity:kept", D(2))


def test_what_no_journal_takes():
    journal = Journal().post(date(2027, 3, 1), "x", [debit("assets:cash", D(1)), credit("income:fees", D(1))])
    for number in (0, 2, -1):
        with pytest.raises(LedgerError, match="no entry"):
            journal.reverse(number, date(2027, 3, 1))
    with pytest.raises(LedgerError, match="two lines"):
        Journal().post(date(2027, 3, 1), "x", [debit("assets:cash", D(1))])
    first = journal.entries[0]
    for wrong in ((first, first), (replace(first, number=2), replace(first, number=2))):
        with pytest.raises(LedgerError, match="numbers are missing"):
            Journal(wrong)
    with pytest.raises(LedgerError, match="either a debit or a credit"):
        Line("assets:cash", D("0.5"), D(1))
