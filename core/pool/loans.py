"""Loans to members as a book of their own: principal, interest by whole months, what was recovered and is due."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from core.accounts.finance import add_months, round_to_step, whole_months
from core.accounts.splitting import as_decimal
from core.errors import InputError

ZERO = Decimal(0)


@dataclass(frozen=True)
class Loan:
    """Money lent to a member.

    `monthly_rate` is a fraction a month on the principal still due; `repaid` holds what the member brought back in
    cash: (day, event's number, money). `number` is the event's.
    """

    number: int
    on: date
    member_id: int
    principal: Decimal
    monthly_rate: Decimal
    purpose: str = ""
    who: str = ""
    repaid: tuple[tuple[date, int, Decimal], ...] = ()


@dataclass(frozen=True)
class LoanLine:
    """One line of a loan's account, money: `kind` is "lent", "interest", "repaid" (cash) or "recovered" (from pay)."""

    on: date
    kind: str
    amount: Decimal
    principal_due: Decimal
    interest_due: Decimal


@dataclass(frozen=True)
class LoanAccount:
    """A loan as it stands on a day, money; `still_due` is principal and interest together, below 0 paid too much."""

    loan: Loan
    lines: tuple[LoanLine, ...]
    principal_due: Decimal
    interest_due: Decimal
    interest: Decimal
    recovered: Decimal
    repaid: Decimal

    @property
    def still_due(self) -> Decimal:
        """Return principal and interest still due, money."""
        return self.principal_due + self.interest_due


def checked_loan(payload: dict[str, Any], number: int, on: date, who: str = "") -> Loan:
    """Return a loan from its stored or entered values.

    Raises
    ------
    InputError
        No member, no money, or a rate outside 0 to 1 a month.
    """
    principal = as_decimal(payload["principal"], "loan")
    rate = as_decimal(payload.get("monthly_rate", 0), "monthly interest")
    if not payload.get("member_id"):
        raise InputError("the loan names no member")
    if principal <= 0:
        raise InputError("a loan of {amount} cannot be given", amount=principal)
    if not 0 <= rate < 1:
        raise InputError("interest of {rate} a month cannot be: give a fraction such as 0.02", rate=rate)
    return Loan(number, on, int(payload["member_id"]), principal, rate, str(payload.get("purpose", "")), who)


def loan_account(
    loan: Loan, until: date, step: Decimal, recoveries: Iterable[tuple[date, int, Decimal]] = ()
) -> LoanAccount:
    """Return a loan's account up to a day.

    Returns
    -------
    LoanAccount
        Simple interest: after each whole month since the loan was given, the principal still due that day times the
        monthly rate, in whole coins, halves up; money that comes in pays interest first, then principal (common
        practice, no source). Interest is not charged on interest.
    """
    incoming = [(on, number, "repaid", amount) for on, number, amount in loan.repaid]
    incoming += [(on, number, "recovered", amount) for on, number, amount in recoveries]
    waiting = sorted((item for item in incoming if item[0] <= until), key=lambda item: (item[0], item[1]))
    lines = [LoanLine(loan.on, "lent", loan.principal, loan.principal, ZERO)]
    principal, owing, interest, recovered, repaid, months = loan.principal, ZERO, ZERO, ZERO, ZERO, 0

    def charge(day: date) -> None:
        nonlocal months, owing, interest
        while months < whole_months(loan.on, day):
            months += 1
            amount = round_to_step(max(principal, ZERO) * loan.monthly_rate, step)
            if amount > 0:
                owing += amount
                interest += amount
                lines.append(LoanLine(add_months(loan.on, months), "interest", amount, principal, owing))

    for on, _number, kind, amount in waiting:
        charge(on)
        to_interest = min(owing, amount)
        owing -= to_interest
        principal -= amount - to_interest
        recovered += amount if kind == "recovered" else ZERO
        repaid += amount if kind == "repaid" else ZERO
        lines.append(LoanLine(on, kind, amount, principal, owing))
    charge(until)
    return LoanAccount(loan, tuple(lines), principal, owing, interest, recovered, repaid)
