"""Sheets of the meter's account to print: a member's statement, receipts, and the account at the season's close."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import date
from decimal import Decimal
from html import escape

from core.accounts.journal import account_words
from core.meter.account import Account, MemberBalance, Receipt, member_balances, member_statement
from core.reports.tongue import ENGLISH, Tongue

STYLE = (
    "body{font-family:Georgia,serif;color:#22261f;max-width:44rem;margin:2rem auto;padding:0 1rem}"
    "table{border-collapse:collapse;width:100%}th,td{border-bottom:1px solid #ded8c8;padding:.3rem;text-align:left}"
    "td:first-child,td.d{white-space:nowrap}td.n,th.n{text-align:right;font-variant-numeric:tabular-nums}.sign{margin-top:3rem}"
    "@media print{body{margin:0}}"
)


def sheet(title: str, parts: list[str], language: str = "en") -> str:
    """Return a whole HTML page that prints on paper; the parts are already safe HTML.

    Parameters
    ----------
    title : str
        Title, not yet escaped.
    """
    head = f'<!doctype html><html lang="{escape(language)}"><head><meta charset="utf-8">'
    view = '<meta name="viewport" content="width=device-width, initial-scale=1">'
    body = f"<body><h1>{escape(title)}</h1>{''.join(parts)}</body></html>"
    return f"{head}{view}<title>{escape(title)}</title><style>{STYLE}</style></head>{body}"


def html_table(head: list[str], rows: list[list[str]], numbers: int, days: Collection[int] = ()) -> str:
    """Return an HTML table, every cell escaped; the last ``numbers`` columns stand to the right, days in one line."""

    def line(cells: list[str], tag: str) -> str:
        first = len(cells) - numbers

        marks = [
            f"<{tag}{' class=n' if place >= first else ' class=d' if place in days else ''}>{escape(cell)}</{tag}>"
            for place, cell in enumerate(cells)
        ]
        return "<tr>" + "".join(marks) + "</tr>"

    body = "".join(line(row, "td") for row in rows)
    return f"<table><thead>{line(head, 'th')}</thead><tbody>{body}</tbody></table>"


def statement_sheet(
    account: Account,
    member: str,
    group: str,
    currency: str,
    on: date,
    tongue: Tongue = ENGLISH,
    start: date | None = None,
) -> str:
    """Return a member's statement as a page to print.

    Returns
    -------
    str
        HTML, all text escaped.
    """
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
    intro = f"<p>{escape(group)} · {escape(tongue.day(on))} · {escape(currency)}</p>"
    sums = "".join(f"<li>{escape(line)}</li>" for line in lines)
    sign = (
        f"<p class=sign>{escape(say('Treasurer'))}: ____________________ &nbsp; "
        f"{escape(say('Member'))}: ____________________</p>"
    )
    ahead = [
        [tongue.day(day), tongue.amount(amount, currency)]
        for plan in account.facts.plans
        if plan.member == member
        for day, amount, _interest in plan.due
        if day > on
    ]
    coming = [f"<h2>{escape(say('Instalments to come'))}</h2>", html_table([say("Day"), say("To pay")], ahead, 1, (0,))]
    parts = [intro, html_table(head, rows, 3, (0,)), f"<ul>{sums}</ul>", *(coming if ahead else []), sign]
    return sheet(title, parts, tongue.language)


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
    """Return the whole account as a page to print: balances, members, journal.

    Parameters
    ----------
    on : date
        Day up to which entries count.

    Returns
    -------
    str
        HTML, all text escaped.
    """
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
    signed = [f"{escape(say(name))}: ____________________" for name in ("Treasurer", "Chair", "Member who checked")]
    return sheet(
        f"{group} – {say('the account of the shared meter')}",
        [
            f"<p>{escape(tongue.day(on))} · {escape(currency)}</p>",
            html_table([say("Kind"), say("Account"), say("Debit"), say("Credit")], [*rows, total], 2),
            f"<h2>{escape(say('Members'))}</h2>",
            html_table(
                [say("Member"), say("Owes"), say("In arrears"), say("Is owed"), say("Share capital")], members, 4
            ),
            f"<h2>{escape(say('Journal'))}</h2>",
            html_table(
                [say("No."), say("Day"), say("What"), say("Written by"), say("Account"), say("Debit"), say("Credit")],
                journal,
                2,
                (1,),
            ),
            f"<p class=sign>{' &nbsp; '.join(signed)}</p>",
        ],
        tongue.language,
    )


def shares_sheet(
    title: str,
    group: str,
    currency: str,
    on: date,
    rows: Mapping[str, Mapping[str, Decimal]],
    explanations: Mapping[str, str],
    tongue: Tongue = ENGLISH,
) -> str:
    """Return the members' shares by rule side by side as a page to print.

    Parameters
    ----------
    title, group, currency : str
        What is shared, by whom, and the currency code.
    on : date
        Day.
    rows : Mapping of member name to (Mapping of rule title to money)
        Shares.
    explanations : Mapping of rule title to sentence
        The rules.

    Returns
    -------
    str
        HTML, all text escaped.
    """
    say, rules = tongue.say, list(explanations)
    body = [
        [name, *[tongue.amount(shares[rule], currency) if rule in shares else "–" for rule in rules]]
        for name, shares in rows.items()
    ]
    notes = "".join(f"<li><b>{escape(rule)}</b>: {escape(text)}</li>" for rule, text in explanations.items())
    return sheet(
        title,
        [
            f"<p>{escape(group)} · {escape(tongue.day(on))} · {escape(currency)}</p>",
            html_table([say("Member"), *rules], body, len(rules)),
            f"<ul>{notes}</ul>",
        ],
        tongue.language,
    )


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
