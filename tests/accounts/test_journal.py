"""The journal: a school-book entry, refusals, reversal, and balance after any sequence."""

from __future__ import annotations

from dataclasses import FrozenInstanceError
from datetime import date, timedelta
from decimal import Decimal

import pytest
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from core.accounts.journal import Entry, Journal, Line, credit, debit
from core.errors import LedgerError
from core.messages import Message

DAY = date(2027, 3, 1)
ACCOUNTS = ("assets:cash", "assets:meter", "liabilities:loan", "equity:capital", "income:fees", "expenses:repairs")


def school_book() -> Journal:
    """Return the cooperative's opening entry of a school text on cooperative accounts (bank 60,500)."""
    return Journal().post(
        DAY,
        "opening",
        [
            debit("assets:bank", Decimal(60_500)),
            credit("equity:share capital", Decimal(8_000)),
            credit("liabilities:member deposits", Decimal(30_000)),
            credit("liabilities:loan", Decimal(22_500)),
        ],
    )


def test_school_book_entry_balances() -> None:
    journal = school_book()
    totals = journal.totals()
    assert totals["assets"] == 60_500
    assert totals["liabilities"] == 52_500
    assert totals["equity"] == 8_000
    rows = journal.trial_balance()
    assert sum(row.debit for row in rows) == sum(row.credit for row in rows) == 60_500


def test_an_unbalanced_entry_is_refused() -> None:
    with pytest.raises(LedgerError, match="does not balance"):
        Journal().post(DAY, "x", [debit("assets:cash", Decimal(1)), credit("income:fees", Decimal(2))])


@pytest.mark.parametrize(
    ("account", "debited", "credited"),
    [
        ("assets:cash", 1.0, Decimal(0)),
        ("assets:cash", Decimal(-1), Decimal(0)),
        ("assets:cash", Decimal(1), Decimal(1)),
        ("assets:cash", Decimal(0), Decimal(0)),
        ("assets:cash", Decimal("NaN"), Decimal(0)),
        ("cash", Decimal(1), Decimal(0)),
    ],
)
def test_what_is_not_money_is_refused(account, debited, credited) -> None:
    with pytest.raises(LedgerError):
        Line(account, debited, credited)


def test_nothing_can_be_changed() -> None:
    journal = school_book()
    with pytest.raises(FrozenInstanceError):
        journal.entries = ()  # type: ignore[misc]
    with pytest.raises(FrozenInstanceError):
        journal.entries[0].on = DAY  # type: ignore[misc]
    assert not hasattr(journal, "delete")
    with pytest.raises(LedgerError, match="numbers are missing"):
        Journal((Entry(2, DAY, Message("x"), journal.entries[0].lines),))


def test_reversal_brings_all_back_and_happens_once() -> None:
    journal = school_book().reverse(1, DAY, "Amara", "typed twice")
    assert set(journal.balances().values()) == {Decimal(0)}
    assert len(journal.entries) == 2
    assert journal.reversed_by(1) == 2
    assert "typed twice" in str(journal.entries[1].text)
    with pytest.raises(LedgerError, match="already"):
        journal.reverse(1, DAY)
    with pytest.raises(LedgerError, match="is a cancellation"):
        journal.reverse(2, DAY)
    with pytest.raises(LedgerError, match="no entry"):
        journal.reverse(9, DAY)


def test_statement_of_a_member_runs_on() -> None:
    journal = Journal()
    for number, amount in enumerate([30, 20, 50]):
        lines = [debit("assets:dues", Decimal(amount), "Amara"), credit("income:dues", Decimal(amount))]
        journal = journal.post(DAY + timedelta(days=number), "dues", lines)
    statement = journal.statement("assets", party="Amara", start=DAY + timedelta(days=1))
    assert statement.opening == 30
    assert [row.balance for row in statement.rows] == [50, 100]
    assert statement.closing == 100
    assert journal.party_balances("assets:dues") == {"Amara": Decimal(100)}


def test_braces_in_words_are_only_words() -> None:
    lines = [debit("assets:cash", Decimal(1)), credit("income:fees", Decimal(1))]
    assert str(Journal().post(DAY, "paid {half}", lines).entries[0].text) == "paid {half}"


def test_closing_empties_income_and_expenses() -> None:
    """By hand: fees 70 less repairs 30 leaves 40."""
    journal = (
        Journal()
        .post(DAY, "fees", [debit("assets:cash", Decimal(70)), credit("income:fees", Decimal(70))])
        .post(DAY, "repair", [debit("expenses:repairs", Decimal(30)), credit("assets:cash", Decimal(30))])
        .close(DAY, "equity:surplus", "season")
    )
    assert journal.balance("equity:surplus") == -40
    assert journal.balance("income:fees") == journal.balance("expenses:repairs") == 0
    assert journal.close(DAY, "equity:surplus", "again") is journal


class JournalMachine(RuleBasedStateMachine):
    """Any sequence of entries, reversals and closings keeps the books in balance."""

    def __init__(self) -> None:
        super().__init__()
        self.journal = Journal()

    @rule(
        accounts=st.permutations(ACCOUNTS),
        parts=st.lists(st.decimals(Decimal("0.01"), 9999, places=2), min_size=1, max_size=4),
        party=st.sampled_from(["", "Amara", "Binta"]),
    )
    def post(self, accounts: list[str], parts: list[Decimal], party: str) -> None:
        lines = [debit(account, part, party) for account, part in zip(accounts[1:], parts, strict=False)]
        before = self.journal
        self.journal = before.post(DAY, "any", [*lines, credit(accounts[0], sum(parts, Decimal(0)))])
        assert self.journal.entries[:-1] == before.entries

    @precondition(lambda self: self.journal.entries)
    @rule(data=st.data())
    def reverse(self, data: st.DataObject) -> None:
        number = data.draw(st.integers(1, len(self.journal.entries)))
        entry = self.journal.entries[number - 1]
        if entry.reverses is not None or self.journal.reversed_by(number) is not None:
            with pytest.raises(LedgerError):
                self.journal.reverse(number, DAY)
        else:
            self.journal = self.journal.reverse(number, DAY, "Amara", "wrong")

    @rule()
    def close(self) -> None:
        self.journal = self.journal.close(DAY, "equity:surplus", "season")
        totals = self.journal.totals()
        assert totals["income"] == totals["expenses"] == 0

    @invariant()
    def sides_are_equal(self) -> None:
        rows = self.journal.trial_balance()
        assert sum(row.debit for row in rows) == sum(row.credit for row in rows)
        totals = self.journal.totals()
        assert totals["assets"] == totals["liabilities"] + totals["equity"] + totals["income"] - totals["expenses"]


TestJournalMachine = JournalMachine.TestCase
