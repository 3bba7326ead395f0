"""Plan sheet, calendar and workbook: whole, escaped, and readable by other programs."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser

import pytest

from core.planning.case import make_case
from core.planning.outlook import build_outlook
from core.planning.plan_tables import plan_deductions
from core.planning.rolling import next_actions
from core.planning.sale import plan_sale
from core.planning.why import lot_reasons
from core.reports.calendar import plan_calendar
from core.reports.plan_sheet import plan_sheet
from core.reports.workbook import plan_workbook

AT = datetime(2026, 7, 6, 8, tzinfo=UTC)
NASTY = "<script>alert(1)</script>&\"'"


@pytest.fixture(scope="module")
def parts():
    case = make_case(5, 20, 40, 4)
    case = case.with_changes(lots=(replace(case.lots[0], label=NASTY, owner="=1+1"), *case.lots[1:]))
    outlook = build_outlook(case)
    plan = plan_sale(case, outlook, time_limit=1.0)
    return plan, lot_reasons(outlook, plan), plan_deductions(outlook, plan.allocation)


def test_sheet_is_escaped_and_fetches_nothing(parts):
    page = plan_sheet(parts[0], NASTY, parts[1], parts[2], AT)
    assert "<script" not in page
    assert "&lt;script&gt;" in page
    assert "http" not in page

    class Tags(HTMLParser):
        def __init__(self):
            super().__init__()
            self.open, self.seen = [], set()

        def handle_starttag(self, tag, attrs):
            self.seen.add(tag)
            if tag not in ("meta",):
                self.open.append(tag)

        def handle_endtag(self, tag):
            assert self.open.pop() == tag

    tags = Tags()
    tags.feed(page)
    assert tags.open == []
    assert "table" in tags.seen
    for line in parts[0].sales:
        assert line.sell_on.isoformat() in page


def test_calendar_is_read_back_by_icalendar(parts):
    from icalendar import Calendar

    calendar = Calendar.from_ical(plan_calendar(parts[0], "Group", AT))
    events = list(calendar.walk("VEVENT"))
    steps = next_actions(parts[0])
    assert len(events) == len(steps)
    assert {event["DTSTART"].dt for event in events} == {step.on for step in steps}
    assert len({str(event["UID"]) for event in events}) == len(events)


def test_workbook_is_read_back_by_openpyxl_without_formulas(parts):
    from openpyxl import load_workbook

    book = load_workbook(io.BytesIO(plan_workbook(*parts)))
    assert book.sheetnames == ["Plan", "Next steps", "To buy and book", "Gross to net", "Rests on"]
    rows = list(book["Plan"].iter_rows(values_only=True))
    assert len(rows) == len(parts[0].sales) + 1
    assert sum(row[3] for row in rows[1:]) == sum(line.bags for line in parts[0].sales)
    for sheet in book:
        for row in sheet.iter_rows():
            assert all(cell.data_type != "f" for cell in row)
