"""Sheets of the meter's account to print: a member's statement, receipts, and the account at the season's close."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date
from decimal import Decimal
from html import escape

from core.messages import Message
from core.meter.account import Account, MemberBalance, Receipt, member_balances, member_statement

Say = Callable[[Message | str], str]
DAY_LENGTH = len("2026-11-25")
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


def html_table(head: list[str], rows: list[list[str]], numbers: int) -> str:
    """Return an HTML table, every cell escaped; the last ``numbers`` columns stand to the right."""

    def line(cells: list[str], tag: str) -> str:
        first = len(cells) - numbers

        def mark(place: int, cell: str) -> str:
            is_day = len(cell) == DAY_LENGTH and cell[4:5] == cell[7:8] == "-"
            return " class=n" if place >= first else " class=d" if is_day else ""

        marks = [f"<{tag}{mark(place, cell)}>{escape(cell)}</{tag}>" for place, cell in enumerate(cells)]
        return "<tr>" + "".join(marks) + "</tr>"

    body = "".join(line(row, "td") for row in rows)
    return f"<table><thead>{line(head, 'th')}</thead><tbody>{body}</tbody></table>"


def statement_sheet(
    account: Account, member: str, group: str, currency: str, on: date, say: Say = str, start: date | None = None
) -> str:
    """Return a member's statement as a page to print.

    Returns
    -------
    str
        HTML, all text escaped.
    """
    statement = member_statement(account, member, start, on)
    balance = next(row for row in member_balances(account, on) if row.member == member)
    rows = [[on_text(start) if start else "", say("Carried forward"), "", "", coins(statement.opening)]]
    rows += [
        [row.entry.on.isoformat(), say(row.entry.text), _or_blank(row.debit), _or_blank(row.credit), coins(row.balance)]
        for row in statement.rows
    ]
    head = [say("Day"), say("What"), say("Charged"), say("Paid"), say("Owed")]
    lines = _balance_lines(balance, currency, say)
    title = f"{balance.name} – {say('the shared meter')}"
    intro = f"<p>{escape(group)} · {escape(on.isoformat())} · {escape(currency)}</p>"
    sums = "".join(f"<li>{escape(line)}</li>" for line in lines)
    sign = (
        f"<p class=sign>{escape(say('Treasurer'))}: ____________________ &nbsp; "
        f"{escape(say('Member'))}: ____________________</p>"
    )
    ahead = [
        [day.isoformat(), coins(amount)]
        for plan in account.facts.plans
        if plan.member == member
        for day, amount, _interest in plan.due
        if day > on
    ]
    coming = [f"<h2>{escape(say('Instalments to come'))}</h2>", html_table([say("Day"), say("To pay")], ahead, 1)]
    parts = [intro, html_table(head, rows, 3), f"<ul>{sums}</ul>", *(coming if ahead else []), sign]
    return sheet(title, parts)


def receipt_text(receipt: Receipt, group: str, currency: str, say: Say = str) -> str:
    """Return a receipt as a few lines of plain text."""
    lines = [
        f"{group}",
        f"{say('Receipt')} {receipt.number}",
        f"{say('Day')}: {receipt.on.isoformat()}",
        f"{say('From')}: {receipt.payer}",
        f"{say('Amount')}: {currency} {coins(receipt.amount)}",
        f"{say('For')}: {say(receipt.what)}",
    ]
    if receipt.reference:
        lines.append(f"{say('Reference')}: {receipt.reference}")
    lines.append(f"{say('Written by')}: {receipt.who}")
    if receipt.reversed_on:
        lines.append(f"*** {say('Cancelled on')} {receipt.reversed_on.isoformat()} ***")
    return "\n".join(lines) + "\n"


def account_sheet(account: Account, group: str, currency: str, on: date, say: Say = str) -> str:
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
    trial = account.journal.trial_balance(on)
    rows = [[row.account, _or_blank(row.debit), _or_blank(row.credit)] for row in trial if row.debit or row.credit]
    total = [
        say("Together"),
        coins(sum((row.debit for row in trial), Decimal(0))),
        coins(sum((row.credit for row in trial), Decimal(0))),
    ]
    members = [
        [row.name, coins(row.owes), coins(row.arrears), coins(row.owed_to_him), coins(row.capital)]
        for row in member_balances(account, on)
    ]
    journal = []
    for entry in account.journal.entries:
        head = [str(entry.number), entry.on.isoformat(), say(entry.text), entry.who]
        for line in entry.lines if entry.on <= on else ():
            named = account.facts.names.get(line.party, "")
            where = f"{line.account} – {named}" if named else line.account
            # what is the same for all lines of an entry stands once
            journal.append([*head, where, _or_blank(line.debit), _or_blank(line.credit)])
            head = [""] * len(head)
    signed = [f"{escape(say(name))}: ____________________" for name in ("Treasurer", "Chair", "Member who checked")]
    return sheet(
        f"{group} – {say('the account of the shared meter')}",
        [
            f"<p>{escape(on.isoformat())} · {escape(currency)}</p>",
            html_table([say("Account"), say("Debit"), say("Credit")], [*rows, total], 2),
            f"<h2>{escape(say('Members'))}</h2>",
            html_table(
                [say("Member"), say("Owes"), say("In arrears"), say("Is owed"), say("Share capital")], members, 4
            ),
            f"<h2>{escape(say('Journal'))}</h2>",
            html_table(
                [say("No."), say("Day"), say("What"), say("Written by"), say("Account"), say("Debit"), say("Credit")],
                journal,
                2,
            ),
            f"<p class=sign>{' &nbsp; '.join(signed)}</p>",
        ],
    )


def shares_sheet(
    title: str,
    group: str,
    on: date,
    rows: Mapping[str, Mapping[str, Decimal]],
    explanations: Mapping[str, str],
    say: Say = str,
) -> str:
    """Return the members' shares by rule side by side as a page to print.

    Returns
    -------
    str
        HTML, all text escaped.
    """
    rules = list(explanations)
    body = [
        [name, *[coins(shares[rule]) if rule in shares else "–" for rule in rules]] for name, shares in rows.items()
    ]
    notes = "".join(f"<li><b>{escape(rule)}</b>: {escape(text)}</li>" for rule, text in explanations.items())
    return sheet(
        title,
        [
            f"<p>{escape(group)} · {escape(on.isoformat())}</p>",
            html_table([say("Member"), *rules], body, len(rules)),
            f"<ul>{notes}</ul>",
        ],
    )


def coins(amount: Decimal) -> str:
    """Return money with two digits and grouped thousands."""
    return f"{amount:,.2f}"


def on_text(day: date) -> str:
    """Return a day as year-month-day."""
    return day.isoformat()


def _or_blank(amount: Decimal) -> str:
    return coins(amount) if amount else ""


def _balance_lines(balance: MemberBalance, currency: str, say: Say) -> list[str]:
    lines = [f"{say('Owed in all')}: {currency} {coins(balance.owes)}"]
    if balance.not_yet_due:
        lines.append(f"{say('of that not yet due')}: {currency} {coins(balance.not_yet_due)}")
    lines.append(f"{say('In arrears')}: {currency} {coins(balance.arrears)}")
    if balance.owed_to_him:
        lines.append(f"{say('The group owes the member')}: {currency} {coins(balance.owed_to_him)}")
    lines.append(f"{say('Share capital')}: {currency} {coins(balance.capital)}")
    return lines
