"""Sheets of the meter's account to print: a member's statement, receipts, and the account at the season's close."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from decimal import Decimal

from core.accounts.journal import account_words
from core.meter.account import Account, MemberBalance, Receipt, member_balances, member_statement
from core.reports.printed import heading, page, paragraph, signatures, table
from core.reports.tongue import ENGLISH, Tongue


def statement_sheet(
    account: Account,
    member: str,
    group: str,
    currency: str,
    on: date,
    tongue: Tongue = ENGLISH,
    start: date | None = None,
) -> str:
    """Return a member's statement as a page to print."""
    say = tongue.say
    statement = member_statement(account, member, start, on)
    balance = next(row for row in member_balances(account, on) if row.member == member)
    rows = [
        [tongue.day(start) if start else "", say("Carried forward"), "", "", tongue.amount(statement.opening, currency)]
    ]
    rows += [
        [
            tongue.day(row.entry.on),
            say(row.entry.text),
            _or_blank(row.debit, currency, tongue),
            _or_blank(row.credit, currency, tongue),
            tongue.amount(row.balance, currency),
        ]
        for row in statement.rows
    ]
    head = [say("Day"), say("What"), say("Charged"), say("Paid"), say("Owed")]
    lines = _balance_lines(balance, currency, tongue)
    title = f"{balance.name} – {say('the shared meter')}"
    ahead = [
        [tongue.day(day), tongue.amount(amount, currency)]
        for plan in account.facts.plans
        if plan.member == member
        for day, amount, _interest in plan.due
        if day > on
    ]
    coming = [heading(say("Instalments to come")), table([[say("Day"), say("To pay")], *ahead], 1, days=(0,))]
    parts = [
        heading(title, 1),
        paragraph(f"{group} · {tongue.day(on)} · {currency}"),
        table([head, *rows], 3, days=(0,)),
        *(paragraph(line) for line in lines),
        *(coming if ahead else []),
        signatures([say("Treasurer"), say("Member")]),
    ]
    return page(title, parts, tongue.language)


def receipt_text(receipt: Receipt, group: str, currency: str, tongue: Tongue = ENGLISH) -> str:
    """Return a receipt as a few lines of plain text."""
    say = tongue.say
    lines = [
        f"{group}",
        f"{say('Receipt')} {receipt.number}",
        f"{say('Day')}: {tongue.day(receipt.on)}",
        f"{say('From')}: {receipt.payer}",
        f"{say('Amount')}: {tongue.coins(receipt.amount, currency)}",
        f"{say('For')}: {say(receipt.what)}",
    ]
    if receipt.reference:
        lines.append(f"{say('Reference')}: {receipt.reference}")
    lines.append(f"{say('Written by')}: {receipt.who}")
    if receipt.reversed_on:
        lines.append(f"*** {say('Cancelled on')} {tongue.day(receipt.reversed_on)} ***")
    return "\n".join(lines) + "\n"


def account_sheet(account: Account, group: str, currency: str, on: date, tongue: Tongue = ENGLISH) -> str:
    """Return the whole account as a page to print: balances, members, journal."""
    say = tongue.say
    trial = account.journal.trial_balance(on)
    rows = [
        [
            *_in_words(row.account, tongue),
            _or_blank(row.debit, currency, tongue),
            _or_blank(row.credit, currency, tongue),
        ]
        for row in trial
        if row.debit or row.credit
    ]
    total = [
        say("Together"),
        "",
        tongue.amount(sum((row.debit for row in trial), Decimal(0)), currency),
        tongue.amount(sum((row.credit for row in trial), Decimal(0)), currency),
    ]
    members = [
        [
            row.name,
            tongue.amount(row.owes, currency),
            tongue.amount(row.arrears, currency),
            tongue.amount(row.owed_to_him, currency),
            tongue.amount(row.capital, currency),
        ]
        for row in member_balances(account, on)
    ]
    journal = []
    for entry in account.journal.entries:
        head = [str(entry.number), tongue.day(entry.on), say(entry.text), entry.who]
        for line in entry.lines if entry.on <= on else ():
            named = account.facts.names.get(line.party, "")
            called = _in_words(line.account, tongue)[1]
            where = f"{called} – {named}" if named else called
            # what is the same for all lines of an entry stands once
            journal.append(
                [*head, where, _or_blank(line.debit, currency, tongue), _or_blank(line.credit, currency, tongue)]
            )
            head = [""] * len(head)
    title = f"{group} – {say('the account of the shared meter')}"
    owing = [say("Member"), say("Owes"), say("In arrears"), say("Is owed"), say("Share capital")]
    heads = [say("No."), say("Day"), say("What"), say("Written by"), say("Account"), say("Debit"), say("Credit")]
    parts = [
        heading(title, 1),
        paragraph(f"{tongue.day(on)} · {currency}"),
        table([[say("Kind"), say("Account"), say("Debit"), say("Credit")], *rows, total], 2, sums=1),
        heading(say("Members")),
        table([owing, *members], 4),
        heading(say("Journal")),
        table([heads, *journal], 2, days=(1,)),
        signatures([say(name) for name in ("Treasurer", "Chair", "Member who checked")]),
    ]
    return page(title, parts, tongue.language)


def shares_sheet(
    title: str,
    group: str,
    currency: str,
    on: date,
    rows: Mapping[str, Mapping[str, Decimal]],
    explanations: Mapping[str, str],
    tongue: Tongue = ENGLISH,
) -> str:
    """Return the members' shares by rule side by side as a page to print."""
    say, rules = tongue.say, list(explanations)
    body = [
        [name, *[tongue.amount(shares[rule], currency) if rule in shares else "–" for rule in rules]]
        for name, shares in rows.items()
    ]
    parts = [
        heading(title, 1),
        paragraph(f"{group} · {tongue.day(on)} · {currency}"),
        table([[say("Member"), *rules], *body]),
        *(paragraph(f"{rule}: {text}") for rule, text in explanations.items()),
    ]
    return page(title, parts, tongue.language)


def _or_blank(amount: Decimal, currency: str, tongue: Tongue) -> str:
    return tongue.amount(amount, currency) if amount else ""


def _in_words(account: str, tongue: Tongue) -> tuple[str, str]:
    """Return an account's kind and name as the screen writes them."""
    kind, name = (tongue.say(words) for words in account_words(account))
    return kind, name[:1].upper() + name[1:]


def _balance_lines(balance: MemberBalance, currency: str, tongue: Tongue) -> list[str]:
    say = tongue.say
    lines = [f"{say('Owed in all')}: {tongue.coins(balance.owes, currency)}"]
    if balance.not_yet_due:
        lines.append(f"{say('of that not yet due')}: {tongue.coins(balance.not_yet_due, currency)}")
    lines.append(f"{say('In arrears')}: {tongue.coins(balance.arrears, currency)}")
    if balance.owed_to_him:
        lines.append(f"{say('The group owes the member')}: {tongue.coins(balance.owed_to_him, currency)}")
    lines.append(f"{say('Share capital')}: {tongue.coins(balance.capital, currency)}")
    return lines
