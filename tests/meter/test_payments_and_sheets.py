"""Earlier payments from a table, and the sheets to print."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime
from decimal import Decimal

import pytest

from core.accounts.book import plain_payload
from core.errors import ImportRefusedError
from core.group.records import Event
from core.meter.account import Account, post_event
from core.meter.paying import instalment_plan
from core.meter.payments_table import read_payments
from core.reports.meter_sheets import account_sheet, receipt_text, shares_sheet, statement_sheet

TODAY = date(2027, 3, 1)
AT = datetime(2027, 3, 1, tzinfo=UTC)
NAMES = {"1": "Amara", "2": "Binta <b>"}


def event(number: int, kind: str, **payload) -> Event:
    return Event(id=number, book="meter", kind=kind, on=TODAY, who="Treasurer & Co", payload=payload, recorded_at=AT)


def account() -> Account:
    result = Account()
    for made in (
        event(1, "member_added", member="1", name="Amara"),
        event(2, "member_added", member="2", name="Binta <b>"),
        event(3, "charge", shares={"1": "20.00", "2": "10.00"}, text="season <script>"),
        event(4, "payment", member="2", amount="4.00", money="mobile money", reference="MM-1"),
    ):
        result = post_event(result, made)
    return result


def test_a_payment_in_a_closed_season_is_refused_by_itself() -> None:
    table = b"day,member,amount\n2027-02-27,Binta <b>,4\n2027-03-01,Binta <b>,5\n"
    preview = read_payments(table, NAMES, [], TODAY, closed_until=date(2027, 2, 28))
    assert [row.amount for row in preview.rows] == [5]
    assert "closed" in str(preview.rejected[0].reason)


def test_good_rows_are_taken_and_bad_ones_are_explained() -> None:
    table = (
        "Date;Name;Amount;Reference;Kept in\n"
        "2027-01-05;amara;12,50;R1;\n"
        "05/02/2027;BINTA <B>;1 000;MM2;Mobile money\n"
        "2027-02-30;Amara;1;;\n"
        "2027-02-01;Nobody;1;;\n"
        "2027-02-01;Amara;-1;;\n"
        "2027-02-01;Amara;0,005;;\n"
        "2027-02-01;Amara;ten;;\n"
        "2028-02-01;Amara;1;;\n"
        "2027-02-01;Amara;1;;under the bed\n"
        "2027-01-05;Amara;12.50;R1;\n"
        ";;;;\n"
    ).encode("utf-8-sig")
    preview = read_payments(table, NAMES, [], TODAY)
    assert [(row.line, row.on, row.member, row.amount) for row in preview.rows] == [
        (2, date(2027, 1, 5), "1", Decimal("12.50")),
        (3, date(2027, 2, 5), "2", Decimal(1000)),
    ]
    assert preview.rows[1].place == "mobile money"
    assert [row.number for row in preview.rejected] == [4, 5, 6, 7, 8, 9, 10, 11]
    assert preview.total == Decimal("1012.50")
    assert "future" in str(preview.rejected[5].reason)


def test_what_is_in_the_book_is_not_taken_twice() -> None:
    events = [event(4, "payment", member="2", amount="4.00", reference="MM-1")]
    preview = read_payments(b"day,member,amount,reference\n2027-03-01,Binta <b>,4,MM-1\n", NAMES, events, TODAY)
    assert preview.rows == ()
    assert "already" in str(preview.rejected[0].reason)


@pytest.mark.parametrize("content", [b"", b"\x00\x01", b"a,b\n1,2\n", b"day,member\n1,2\n"])
def test_a_file_that_is_no_such_table_is_refused(content: bytes) -> None:
    with pytest.raises(ImportRefusedError):
        read_payments(content, NAMES, [], TODAY)


@pytest.mark.parametrize(
    ("text", "plain"),
    [
        ("1,5", "1.5"),
        ("1,500", "1500"),
        ("1.234,50", "1234.50"),
        ("1,234.50", "1234.50"),
        ("1,234,567", "1234567"),
        ("12 000", "12000"),
    ],
)
def test_decimal_marks(text: str, plain: str) -> None:
    table = f"day;member;amount\n2027-02-01;Amara;{text}\n".encode()
    assert read_payments(table, NAMES, [], TODAY).total == Decimal(plain)


def unnamed(page: str) -> str:
    """Return a page without the names that its cells carry for a narrow screen."""
    return re.sub(r" data-of='[^']*'", "", page)


def test_a_statement_is_safe_html_with_the_right_sums() -> None:
    page = unnamed(statement_sheet(account(), "2", "Group & friends", "XOF", TODAY))
    assert "<script>" not in page
    assert "Binta &lt;b&gt;" in page
    assert "Group &amp; friends" in page
    assert "<td class=n>6</td>" in page  # 10 charged, 4 paid
    assert page.startswith("<!doctype html>")


def test_the_account_lists_every_entry_and_both_sides_agree() -> None:
    page = unnamed(account_sheet(account(), "G", "XOF", TODAY))
    assert page.count("<td class=n>30</td>") >= 2  # charges 30 = members owe 26 + money 4
    assert "Treasurer &amp; Co" in page
    assert "<script>" not in page
    assert "<td>Asset</td><td>Mobile money</td>" in page
    assert "assets:" not in page


def test_a_receipt_says_who_what_and_its_number() -> None:
    text = receipt_text(account().receipts[0], "G", "XOF")
    for part in (
        "Receipt 1",
        "Binta <b>",
        "XOF 4",
        str(TODAY.day) + TODAY.strftime(" %b %Y"),
        "MM-1",
        "Treasurer & Co",
    ):
        assert part in text


def test_shares_side_by_side() -> None:
    page = shares_sheet(
        "Shares", "G", "XOF", TODAY, {"A&B": {"Equal": Decimal(2)}}, {"Equal": "all <same>", "Other": "x"}
    )
    assert "A&amp;B" in page
    assert "all &lt;same&gt;" in page
    assert "–" in page


def test_a_statement_lists_the_instalments_to_come() -> None:
    """Sixty in three months without interest: 20 a month; on the second day one is still to come."""
    _rows, payload = instalment_plan(Decimal(60), Decimal(0), 3, date(2027, 3, 1))
    made = post_event(account(), event(5, "plan", member="1", **plain_payload(payload)))
    text = statement_sheet(made, "1", "Group", "KES", date(2027, 4, 1))
    assert "Instalments to come" in text
    assert text.count(">20</td></tr>") >= 1
    assert "1 May 2027" in text
    assert "1 Apr 2027</td><td class=n>" not in text
