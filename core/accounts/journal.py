"""A double-entry journal whose entries never change: what is wrong is reversed, not rubbed out.

An account is a name whose first word says what it is: ``assets``, ``liabilities``, ``equity``, ``income`` or
``expenses`` (``"assets:cash"``, ``"equity:capital"``). A line may name the member (party) whom it concerns.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from decimal import Decimal

from core.errors import LedgerError
from core.messages import Message

KINDS = ("assets", "liabilities", "equity", "income", "expenses")
ZERO = Decimal(0)


KIND_WORDS = {
    "assets": "Asset",
    "liabilities": "Debt",
    "equity": "Own money",
    "income": "Income",
    "expenses": "Expense",
}


def account_words(account: str) -> tuple[Message, Message]:
    """Return an account's kind and name as people say them: ``"assets:cash box"`` is Asset, cash box."""
    kind, _colon, name = account.partition(":")
    return Message(KIND_WORDS.get(kind, kind.capitalize())), Message(name)


@dataclass(frozen=True)
class Line:
    """One side of an entry: an account is debited or credited with money.

    Parameters
    ----------
    account : str
        Such as ``"assets:cash"``.
    debit, credit : Decimal
        Money, one of them above 0 and the other 0.
    party : str
        The member or outsider whom the line concerns, or ``""``.
    """

    account: str
    debit: Decimal
    credit: Decimal
    party: str = ""

    def __post_init__(self) -> None:
        """Refuse what is not money on one side of a known kind of account."""
        if self.account.split(":", 1)[0] not in KINDS:
            raise LedgerError(
                "account {account} must begin with one of {kinds}", account=self.account, kinds=", ".join(KINDS)
            )
        for amount in (self.debit, self.credit):
            if not isinstance(amount, Decimal) or not amount.is_finite():
                raise LedgerError("{amount} is not exact money (a Decimal)", amount=amount)
            if amount < 0:
                raise LedgerError("{amount} is below 0: use the other side of the account", amount=amount)
        if (self.debit == 0) == (self.credit == 0):
            raise LedgerError("a line of {account} needs either a debit or a credit", account=self.account)

    @property
    def net(self) -> Decimal:
        """Return debit minus credit, money."""
        return self.debit - self.credit


def debit(account: str, amount: Decimal, party: str = "") -> Line:
    """Return a line that debits an account (assets and expenses grow, claims shrink)."""
    return Line(account, amount, ZERO, party)


def credit(account: str, amount: Decimal, party: str = "") -> Line:
    """Return a line that credits an account (claims and income grow, assets shrink)."""
    return Line(account, ZERO, amount, party)


def signed(account: str, amount: Decimal, party: str = "") -> list[Line]:
    """Return a debit for an amount above 0, a credit for one below, nothing for 0.

    Parameters
    ----------
    amount : Decimal
        Money, debit less credit.
    """
    return [Line(account, max(amount, ZERO), max(-amount, ZERO), party)] if amount else []


@dataclass(frozen=True)
class Entry:
    """One balanced entry of the journal.

    Parameters
    ----------
    number : int
        Its place in the journal, from 1, without gaps.
    lines : tuple of Line
        At least two; debits and credits are equal.
    reference : str
        Receipt number, mobile-money reference or the like.
    """

    number: int
    on: date
    text: Message
    lines: tuple[Line, ...]
    who: str = ""
    recorded_at: datetime | None = None
    reference: str = ""
    reverses: int | None = None

    def __post_init__(self) -> None:
        """Refuse an entry whose sides differ."""
        if len(self.lines) < 2:
            raise LedgerError("an entry needs at least two lines")
        debits = sum((line.debit for line in self.lines), ZERO)
        credits = sum((line.credit for line in self.lines), ZERO)
        if debits != credits:
            raise LedgerError(
                "the entry does not balance: debits {debits}, credits {credits}", debits=debits, credits=credits
            )

    @property
    def amount(self) -> Decimal:
        """Return the sum of one side, money."""
        return sum((line.debit for line in self.lines), ZERO)


@dataclass(frozen=True)
class TrialRow:
    """One account of the trial balance: its balance on the side where it stands."""

    account: str
    debit: Decimal
    credit: Decimal


@dataclass(frozen=True)
class StatementRow:
    """One line of a statement, with the balance after it (debit minus credit, money)."""

    entry: Entry
    account: str
    debit: Decimal
    credit: Decimal
    balance: Decimal


@dataclass(frozen=True)
class Statement:
    """What happened on an account, or with a member, over some time.

    Parameters
    ----------
    opening, closing : Decimal
        Balance before and after, debit minus credit, money.
    rows : tuple of StatementRow
        In the order of the days, then of the numbers.
    """

    opening: Decimal
    rows: tuple[StatementRow, ...]
    closing: Decimal


@dataclass(frozen=True)
class Journal:
    """The entries so far; every change gives a new journal and leaves the old one as it was.

    Parameters
    ----------
    entries : tuple of Entry
        Numbered 1, 2, 3, ...
    """

    entries: tuple[Entry, ...] = field(default_factory=tuple)

    def __post_init__(self) -> None:
        """Refuse a journal with a hole in its numbers."""
        last = len(self.entries)
        if last and (self.entries[-1].number != last or self.entries[0].number != 1):
            raise LedgerError(
                "numbers are missing in the book: its {last} entries end with number {number}",
                last=last,
                number=self.entries[-1].number,
            )

    def post(
        self,
        on: date,
        text: Message | str,
        lines: Iterable[Line],
        who: str = "",
        reference: str = "",
        recorded_at: datetime | None = None,
    ) -> Journal:
        """Return the journal with one more entry.

        Parameters
        ----------
        lines : iterable of Line
            At least two, balanced.
        """
        # the words are data in a plain sentence, so braces in them must not be read as places to fill
        said = text if isinstance(text, Message) else Message("{text}", {"text": text})
        entry = Entry(len(self.entries) + 1, on, said, tuple(lines), who, recorded_at, reference)
        return replace(self, entries=(*self.entries, entry))

    def reverse(
        self, number: int, on: date, who: str = "", reason: str = "", recorded_at: datetime | None = None
    ) -> Journal:
        """Return the journal with an entry that takes an earlier one back in full.

        Parameters
        ----------
        on : date
            Day on which the reversal counts.

        Raises
        ------
        LedgerError
            Where there is no such entry, it is a reversal itself, or it has been reversed already.
        """
        if not 1 <= number <= len(self.entries):
            raise LedgerError("there is no entry number {number}", number=number)
        entry = self.entries[number - 1]
        if entry.reverses is not None:
            raise LedgerError("entry {number} is a cancellation; record the entry again instead", number=number)
        if self.reversed_by(number) is not None:
            raise LedgerError("entry {number} is cancelled already", number=number)
        back = tuple(Line(line.account, line.credit, line.debit, line.party) for line in entry.lines)
        text = Message("Cancels entry {number}: {reason}", {"number": number, "reason": reason or "–"})
        new = Entry(len(self.entries) + 1, on, text, back, who, recorded_at, entry.reference, number)
        return replace(self, entries=(*self.entries, new))

    def reversed_by(self, number: int) -> int | None:
        """Return the number of the entry that took this one back, or None."""
        return next((entry.number for entry in self.entries if entry.reverses == number), None)

    def balances(self, until: date | None = None, party: str | None = None) -> dict[str, Decimal]:
        """Return the balance of every account that was used, debit minus credit, money."""
        totals: dict[str, Decimal] = {}
        for entry in self.entries:
            if until is not None and entry.on > until:
                continue
            for line in entry.lines:
                if party is None or line.party == party:
                    totals[line.account] = totals.get(line.account, ZERO) + line.net
        return dict(sorted(totals.items()))

    def party_balances(self, account: str, until: date | None = None) -> dict[str, Decimal]:
        """Return each party's balance in an account, debit minus credit, money."""
        totals: dict[str, Decimal] = {}
        for entry in self.entries:
            if until is not None and entry.on > until:
                continue
            for line in entry.lines:
                if line.account == account:
                    totals[line.party] = totals.get(line.party, ZERO) + line.net
        return dict(sorted(totals.items()))

    def balance(self, account: str, until: date | None = None, party: str | None = None) -> Decimal:
        """Return one account's balance, debit minus credit, money; 0 if it was never used."""
        return self.balances(until, party).get(account, ZERO)

    def trial_balance(self, until: date | None = None) -> tuple[TrialRow, ...]:
        """Return every account's balance on its side; both sides add up to the same."""
        return tuple(
            TrialRow(account, max(balance, ZERO), max(-balance, ZERO))
            for account, balance in self.balances(until).items()
        )

    def totals(self, until: date | None = None) -> dict[str, Decimal]:
        """Return the total of each kind of account on its natural side, money.

        Returns
        -------
        dict
            ``assets`` and ``expenses`` debit minus credit; ``liabilities``, ``equity``, ``income`` credit minus debit.
            Always ``assets = liabilities + equity + income - expenses``.
        """
        totals = dict.fromkeys(KINDS, ZERO)
        for account, balance in self.balances(until).items():
            kind = account.split(":", 1)[0]
            totals[kind] += balance if kind in {"assets", "expenses"} else -balance
        return totals

    def statement(
        self, account: str | None = None, party: str | None = None, start: date | None = None, until: date | None = None
    ) -> Statement:
        """Return the lines of an account, of a member, or of a member in an account, with running balance.

        Parameters
        ----------
        account : str, optional
            Only this account, or every account below it (``"assets"``); all where None.
        start, until : date, optional
            First and last day; what lies before ``start`` is in the opening balance.
        """
        opening = ZERO
        rows: list[StatementRow] = []
        ordered = sorted(self.entries, key=lambda entry: (entry.on, entry.number))
        running = ZERO
        for entry in ordered:
            if until is not None and entry.on > until:
                continue
            for line in entry.lines:
                wanted = account is None or line.account == account or line.account.startswith(account + ":")
                if not wanted or (party is not None and line.party != party):
                    continue
                running += line.net
                if start is not None and entry.on < start:
                    opening = running
                else:
                    rows.append(StatementRow(entry, line.account, line.debit, line.credit, running))
        return Statement(opening, tuple(rows), running)

    def close(
        self, on: date, into: str, text: Message | str, who: str = "", recorded_at: datetime | None = None
    ) -> Journal:
        """Return the journal with income and expenses emptied into one account of equity.

        Parameters
        ----------
        on : date
            Last day of the season.
        into : str
            The account that takes the result, such as ``"equity:surplus"``.

        Returns
        -------
        Journal
            Unchanged where there is nothing to close.
        """
        lines: list[Line] = []
        result = ZERO
        for account, balance in self.balances(on).items():
            if account.split(":", 1)[0] in {"income", "expenses"}:
                lines += signed(account, -balance)
                result += balance
        if not lines:
            return self
        lines += signed(into, result)
        return self.post(on, text, lines, who, recorded_at=recorded_at)
