"""Statements, slips, the calendar, the workbook and the wall table read back, each figure worked out by hand."""

from __future__ import annotations

import html
import re
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal as D
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from core.cautions import caution_of
from core.grain.commodities import get_commodity
from core.messages import message
from core.planning.rolling import NextAction
from core.pool.prices import price_effects
from core.pool.season import replay
from core.pool.statements import make_statements
from core.reports import workbook
from core.reports.calendar import plan_calendar
from core.reports.receipt import in_gsm_signs, receipt_page, short_message
from core.reports.sheets import wall_table
from core.reports.statement import statement_page
from core.reports.texts import BASIC, EXTENDED, basic_letters, septets
from core.storage.keeping import KeepingTable
from tests.pool.helpers import delivery, event, sale

TODAY = date(2026, 8, 1)


def tables(page: str) -> dict[str, list[list[str]]]:
    """Return the cells of each table by the heading above it (the first two stand under the same)."""
    found: dict[str, list[list[str]]] = {}
    for part in re.split(r"<h[12]>", page)[1:]:
        name, rest = part.split("</h", 1)
        rows = re.findall(r"<tr[^>]*>(.*?)</tr>", rest)
        found[html.unescape(name)] = [
            [html.unescape(cell) for cell in re.findall(r"<t[dh][^>]*>(.*?)</t[dh]>", row)] for row in rows
        ]
    return found


def a_season(**terms):
    agreed = {
        "step": "1",
        "base_pct": "13.5",
        "minimum_take_home": "0.5",
        "order": ["loans", "meter", "levies", "advances"],
        "levies": [
            {"name": "office", "kind": "share", "amount": "0.05"},
            {"name": "sacks", "kind": "per_kg", "amount": "0.5"},
        ],
        "grade_factors": {"1": "1", "2": "0.9"},
        "week_factors": {"2026-W30": "1.1", "2026-W31": "1"},
    }
    mill = {"buyer": "Ridge Millers"}
    return [
        event(1, "terms", agreed | terms, date(2026, 1, 1)),
        event(2, "loan", {"member_id": 1, "principal": "30000", "monthly_rate": "0.02"}, date(2026, 1, 1)),
        delivery(3, 1, "1000", "13.5"),
        delivery(4, 2, "1000", "13.5", grade="2"),
        event(5, "payment", {"member_id": 1, "amount": "3000", "about": "advance"}),
        event(6, "dues", {"amounts": {"1": "10000"}}),
        sale(7, "2000", "13.5", "100", on=date(2026, 5, 5), costs="10000"),
        event(8, "buyer_payment", mill | {"amount": "150000"}, date(2026, 5, 6)),
        event(9, "written_off", mill | {"amount": "19000"}, date(2026, 5, 7)),
        event(10, "charge", {"member_id": 1, "amount": "200", "about": "sieve"}, date(2026, 5, 8)),
        event(11, "payment", {"member_id": 1, "amount": "30000", "reference": "MM-7"}, date(2026, 5, 9)),
        event(12, "payment", {"member_id": 2, "amount": "80000"}, date(2026, 5, 9)),
        delivery(13, 3, "100", "12", pool="beans"),
        event(14, "loss", {"pool": "beans", "dry_kg": "8.65", "kind": "theft"}, date(2026, 5, 10)),
    ]


@pytest.fixture(scope="module")
def pages():
    events = a_season()
    statements = make_statements(replay(events), price_effects(events), date(2026, 5, 20))
    return {member: statement_page(statement, "A", "G", "UGX") for member, statement in statements.items()}


def test_everything_that_can_be_taken_off_stands_on_the_page_and_adds_up(pages):
    """By hand: 200,000 for 1,000 kg at 1 and 1,000 at 0.9: 105,263 and 94,737; truck 5,000 each; half may be kept.

    A: 100,263 / 2 = 50,131 to take off at most. Loan 30,000 + 4 x 600 = 32,400; meter 10,000; office 5 % = 5,263;
    sacks 0.5 x 1,000 = 500; so of 3,000 advances 1,968, 1,032 stay. Never paid 19,000 x 105,263 / 200,000 = 10,000.
    105,263 - 5,000 - 10,000 - 32,400 - 10,000 - 5,263 - 500 - 1,968 - 200 = 39,932; 30,000 paid: 9,932 due.
    B: 94,737 - 5,000 - 9,000 - 4,736 - 500 = 75,501; 80,000 paid: 4,499 too much.
    """
    expected = [
        ["Money", "UGX"],
        ["Your part of the sales", "105,263"],
        ["less truck and market", "-5,000"],
        ["less your part of the money that a buyer never pays", "-10,000"],
        ["less recovered on loans", "-32,400"],
        ["less meter fees, passed on to the meter's account", "-10,000"],
        ["less office (5 %)", "-5,263"],
        ["less sacks (0.5 / kg)", "-500"],
        ["less advances paid back", "-1,968"],
        ["less charge 8 May 2026 sieve", "-200"],
        ["Your net pay", "39,932"],
        ["paid 9 May 2026 MM-7", "-30,000"],
        ["Still due to you", "9,932"],
    ]
    assert tables(pages[1])["Your net pay"] == expected
    amounts = [int(row[1].replace(",", "")) for row in expected[1:]]
    assert sum(amounts[:9]) == amounts[9]
    assert amounts[9] + amounts[10] == amounts[11]
    assert "Advances you had: 3,000; still to pay back: 1,032." in pages[1]
    assert "at least 50 % of the sales after truck and market" in pages[1]
    assert "could not be deducted" not in pages[1]  # an advance left is said in a sentence of its own
    other = tables(pages[2])["Your net pay"]
    assert other[-3:] == [
        ["Your net pay", "75,501"],
        ["paid 9 May 2026", "-80,000"],
        ["Paid to you above what was due", "-4,499"],
    ]
    assert [row[0] for row in other[1:4]] == [row[0] for row in expected[1:4]]
    assert "Advances" not in pages[2]
    assert tables(pages[1])["What the buyers owe all members together"][1] == [
        "Ridge Millers",
        "200,000",
        "150,000",
        "19,000",
        "31,000",
    ]
    assert "buyers owe" not in pages[3]
    assert [row[-1] for row in tables(pages[3])["Your net pay"]] == ["UGX", "0", "0", "0", "0"]
    assert tables(pages[3])["Your net pay"][-1][0] == "Still due to you"  # nothing is due, nothing too much


def test_what_could_not_be_deducted_is_said():
    """With nine tenths to be kept of 100,263, 10,026 may be taken: the loan of 32,400 takes it, in its own table."""
    events = a_season(minimum_take_home="0.9")
    statement = make_statements(replay(events), (), date(2026, 5, 20))[1]
    page = statement_page(statement, "A", "G", "UGX")
    said = re.findall(r"<p>([^<]*could not be deducted yet\.)", page)
    assert said == [
        "meter fees: 10,000 could not be deducted yet.",
        "office: 5,263 could not be deducted yet.",
        "sacks: 500 could not be deducted yet.",
    ]
    assert ["less recovered on loans", "-10,026"] in tables(page)["Your net pay"]
    assert [row[0] for row in tables(page)["Your net pay"] if "meter" in row[0]] == []
    free = make_statements(replay(a_season(minimum_take_home="0")), (), date(2026, 5, 20))[1]
    assert "at least" not in statement_page(free, "A", "G", "UGX")


def test_a_loan_is_followed_line_by_line(pages):
    """30,000 at 2 %: 600 after each of four months to 1 May; on the 5th 32,400 pays interest and all of it."""
    rows = tables(pages[1])["Your loans"][1:]
    assert rows[0] == ["No. 2, 2 % a month", "1 Jan 2026", "lent", "30,000", "30,000", "0"]
    assert [row[1:] for row in rows[1:-1]] == [
        ["1 Feb 2026", "interest", "600", "30,000", "600"],
        ["1 Mar 2026", "interest", "600", "30,000", "1,200"],
        ["1 Apr 2026", "interest", "600", "30,000", "1,800"],
        ["1 May 2026", "interest", "600", "30,000", "2,400"],
        ["5 May 2026", "deducted from your pay", "32,400", "0", "0"],
    ]
    assert {row[0] for row in rows[1:-1]} == {""}  # its name stands once
    assert rows[-1] == ["Still due on loans", "", "", "", "", "0"]
    assert "Your loans" not in pages[2]
    # ten thousand of it recovered: 2,400 interest and 7,626 of the principal; 22,374 stay
    short = make_statements(replay(a_season(minimum_take_home="0.9")), (), date(2026, 5, 20))[1]
    assert tables(statement_page(short, "A", "G", "UGX"))["Your loans"][-1][-1] == "22,374"


def test_grain_and_parts_by_hand(pages):
    """Of B: 1,000 kg of 2,000, counted 900 of 1,900; price differences of grade and load together 0 over all."""
    sold = tables(pages[2])["What it sold for"]
    assert sold[0] == [
        "Sold on",
        "Buyer",
        "kg of all",
        "your kg",
        "Buyer paid",
        "counted kg of all",
        "your counted kg",
        "Your part",
        "Truck, market",
        "Your cost",
    ]
    row = ["5 May 2026", "Ridge Millers", "2,000.000", "1,000.000", "200,000", "1,900.000", "900.000"]
    assert sold[1] == [*row, "94,737", "10,000", "5,000"]
    assert sold[2] == ["Together", "", "", "1,000.000", "", "", "", "94,737", "", "5,000"]
    assert "counted kg ÷ counted kg of all" in pages[2]
    assert "price factors: grade 2 × 0.9, week of 20 Jul 2026 × 1.1." in pages[2]
    assert "One price for the season" not in pages[2]
    # one price for all would give each 100,000
    assert "+5,263 for you against one price for all" in pages[1]
    assert "-5,263 for you against one price for all" in pages[2]
    assert pages[1].count("against one price for all") == 1  # a difference that moves nobody's money is not said
    grain = tables(pages[3])["What you delivered"]
    # 100 x (100 - 12) / 86.5 = 101.734: drier than agreed, so it counts for more
    assert grain[1][3:] == ["100.0", "12.0", "-1.7", "101.7"]
    assert grain[2] == ["Together", "", "", "100.0", "", "-1.7", "101.7"]
    assert grain[3:] == [
        ["Your grain", "kg at 13.5 %"],
        ["Delivered", "101.7"],
        ["Lost in store, your share", "-10.0"],  # 8.65 kg dry matter
        ["Sold", "0.0"],
        ["Still in store", "91.7"],
    ]
    assert "A minus means" in pages[3]
    assert "÷ 86.5. Only water" in pages[3]
    assert "A minus means" not in pages[1]
    assert "What it sold for" not in pages[3]
    assert "1 May 2026 – 5 May 2026. Money in UGX" in pages[1]


def test_each_sum_is_the_last_row_of_its_table(pages):
    for member, names in ((1, 5), (2, 4), (3, 3)):  # brought, grain, sold, pay, loans
        page = pages[member]
        ends = [table_.rsplit("<tr", 1)[1].startswith(" class=sum") for table_ in page.split("</table>")[:-1]]
        assert sum(ends) == page.count("<tr class=sum>") == names


def test_without_price_factors_plain_kg_stand_alone():
    events = a_season(grade_factors={"1": "1"}, week_factors={}, price_rule="pool_price")
    page = statement_page(make_statements(replay(events))[2], "B", "G", "UGX")
    sold = tables(page)["What it sold for"]
    assert [len(row) for row in sold] == [8, 8, 8]
    assert sold[1][5] == "100,000"
    assert "your kg ÷ kg of all; your cost" in page
    assert "counted" not in page.split("One price for the season")[0].split("What it sold for")[1]
    assert "price factors" not in page


@pytest.mark.parametrize("count", [12, 13])
def test_more_than_twelve_deliveries_are_summed_by_week(count):
    """Of n deliveries of 100 kg, two at 20 % in the first week: 100 - 100 x 160 / 200 = 20.00 %; water 15.0 kg.

    200 x 80 / 86.5 = 184.97. The others, at 13.5 %, weigh 100 each.
    """
    events = [delivery(1 + n, 1, "100", "20", on=date(2026, 5, 1 + n)) for n in range(2)]
    events += [delivery(3 + n, 1, "100", "13.5", on=date(2026, 5, 4)) for n in range(count - 2)]
    page = statement_page(make_statements(replay(events))[1], "A", "G", "UGX")
    found = tables(page)
    rows = found["What you delivered"][1:-5]
    if count == 12:
        assert "All deliveries" not in page
        assert len(rows) == 13
        return
    assert rows == [
        ["27 Apr 2026", "2", "1", "200.0", "20.00", "15.0", "185.0"],
        ["4 May 2026", "11", "1", "1,100.0", "13.50", "0.0", "1,100.0"],
        ["Together", "", "", "1,300.0", "", "15.0", "1,285.0"],
    ]
    assert len(found["All deliveries"]) == 1 + 13
    assert found["All deliveries"][1][3:] == ["100.0", "20.0", "7.5", "92.5"]


def test_a_receipt_by_hand():
    """500 kg less 1.5 tare at 16.2 %: 498.5 x 83.8 / 86.5 = 482.94 kg."""
    payload = {"member_id": 1, "pool": "maize", "commodity": "maize", "gross_kg": "500", "tare_kg": "1.5", "bags": 6}
    made = event(7, "delivery", payload | {"moisture_pct": "16.2", "moisture_sd_pct": "0.4", "grade": "2"})
    (item,) = replay([made]).deliveries
    page = receipt_page(item, "Abla", "Upper", D("13.5"))
    cells = re.findall(r"<td>([^<]*)</td><td class=n>([^<]*)</td>", page)
    assert len(cells) == 22
    assert cells[:11] == cells[11:]  # one slip each for the member and the group
    said = dict(cells)
    assert (said["Bags"], said["Gross"], said["Tare"], said["Net"]) == ("6", "500.0 kg", "1.5 kg", "498.5 kg")
    assert said["Moisture"] == "16.2 % ± 0.4"
    assert said["At 13.5 % moisture"] == "482.9 kg"
    assert "498.5 × (100 − 16.2) ÷ 86.5 = 482.9" in page
    message_ = short_message(item, "Abla", D("13.5"))
    assert message_ == (
        f"Receipt {item.receipt_number}, 1 May 2026: Abla delivered 6 bags, 498.5 kg maize at 16.2 %, grade 2. "
        "At 13.5 %: 482.9 kg. maize"
    )


def test_a_short_message_cuts_names_by_no_more_than_needed():
    """Every sign more of the names would make it longer than 160; at most forty of each are kept."""
    payload = {"member_id": 1, "commodity": "maize", "gross_kg": "500", "tare_kg": "0", "bags": 6}
    made = event(7, "delivery", payload | {"pool": "P" * 60, "moisture_pct": "16.2", "grade": "2"})
    (item,) = replay([made]).deliveries
    said = short_message(item, "Q" * 60, D("13.5"))
    fixed = len(said) - said.count("Q") - said.count("P")
    assert said.count("Q") == said.count("P") == (160 - fixed) // 2 < 40
    short = event(8, "delivery", payload | {"pool": "p", "moisture_pct": "16.2", "grade": "2"})
    (item,) = replay([short]).deliveries
    assert short_message(item, "Q" * 60, D("13.5")).count("Q") == 40


def test_signs_of_a_short_message():
    """Accents that the alphabet has stay (é), others go (ê to e), a dash becomes a hyphen, the rest a question mark."""
    assert in_gsm_signs("é ê – ŋ") == "é e - ?"


def test_every_letter_of_the_standard_counts_once_or_twice():
    assert len(set(BASIC)) == 127  # 128 places of table 6.2.1 without the escape
    assert {septets(letter) for letter in BASIC} == {1}
    assert {septets(letter) for letter in EXTENDED} == {2}
    assert basic_letters(BASIC + EXTENDED) == BASIC + EXTENDED
    assert basic_letters("“ê” ŋ…") == '"e" ?...'


# The calendar


def an_action(kind="dry", what=None, who="Abla", lots=("A",), **values):
    told = what or message("spread {bags} bags of {lot} by {day}", bags=3, lot="A", day=TODAY, **values)
    return NextAction(TODAY, kind, told, who, lots, 3)


def events_of(*actions, at=datetime(2026, 8, 1, 7, 30, tzinfo=UTC), **group):
    made = SimpleNamespace(name="Upper", currency="KES", demo=False, **group)
    now = SimpleNamespace(group=made, group_id=1, now=at, today=TODAY, actions=actions)
    text = re.sub(r"\r\n[ \t]", "", plan_calendar(now).decode())
    return [
        dict(line.split(":", 1) for line in part.split("\r\n") if ":" in line)
        for part in text.split("BEGIN:VEVENT")[1:]
    ]


def test_an_event_says_when_what_and_who():
    """From 1 January 2020 to 1 August 2026, 7:30, are 2,404 days (366 + 365 x 3 + 366 + 365 + 212) and 450 minutes."""
    (one,) = events_of(an_action())
    assert (one["DTSTART;VALUE=DATE"], one["DTEND;VALUE=DATE"]) == ("20260801", "20260802")
    assert one["SUMMARY"] == "spread 3 bags of A by 1 Aug 2026"
    days = sum(366 if year % 4 == 0 else 365 for year in range(2020, 2026)) + 212
    assert int(one["SEQUENCE"]) == days * 24 * 60 + 450
    assert one["DTSTAMP"] == one["LAST-MODIFIED"] == "20260801T073000Z"
    said = one["DESCRIPTION"].replace("\\,", ",").replace("\\;", ";").split("\\n")
    assert said == ["Upper: Abla", "Lots: A", str(caution_of("mould"))]
    (bare,) = events_of(an_action("book", who="group", lots=()))
    assert bare["DESCRIPTION"] == "Upper: the group"


def test_a_step_keeps_its_identity_through_day_and_bags_but_not_through_lot_or_person():
    first = events_of(an_action())[0]["UID"]
    told = message("spread {bags} bags of {lot} by {day}", bags=9, lot="A", day=TODAY + timedelta(days=3))
    assert events_of(an_action(what=told))[0]["UID"] == first
    for other in (
        an_action(what=message("spread {bags} bags of {lot} by {day}", bags=3, lot="B", day=TODAY)),
        an_action(who="Bijou"),
        an_action("sell"),
    ):
        assert events_of(other)[0]["UID"] != first
    twice = events_of(an_action(), an_action())
    assert twice[0]["UID"] == first != twice[1]["UID"]
    later = events_of(an_action(), at=datetime(2026, 8, 1, 7, 31, tzinfo=UTC))[0]
    assert int(later["SEQUENCE"]) == int(events_of(an_action())[0]["SEQUENCE"]) + 1


# The wall table


def test_the_wall_table_puts_each_moisture_under_its_humidity():
    card = KeepingTable(
        get_commodity("maize"),
        np.array([20.0, 32.5]),
        np.array([60.0, 75.0]),
        np.array([[12.34, 15.0], [11.0, 13.96]]),
        np.array([["keeps for months", "too wet"], ["keeps for weeks", "too wet"]]),
        np.array([[False, False], [True, False]]),
        31.0,
    )
    paper = wall_table(card, "Upper", TODAY)
    grid = paper.blocks[0]
    assert grid.heads == ("°C \\ % humidity", "60", "75")
    assert grid.rows == (("20", "12.3 ●", "15.0 ○"), ("32.5", "(11.0) ◐", "14.0 ○"))
    assert len(grid.widths) == 3
    assert paper.under == "Upper · Made on 1 Aug 2026"
    assert (paper.landscape, paper.most_pages) == (True, 1)
    said = [block.text for block in paper.blocks[1:-1]]
    assert "For a store that gets as warm as 31 °C." in said
    assert sum("In brackets" in text for text in said) == 1
    assert wall_table(card, "", None).under == ""
    inside = KeepingTable(
        *(getattr(card, name) for name in list(card.__dataclass_fields__)[:5]), card.outside_range & False, 31.0
    )
    assert not any("In brackets" in block.text for block in wall_table(inside, "", None).blocks[1:-1])


def test_the_workbook_orders_nothing_in_the_past(monkeypatch):
    """An order that was due before today is due today; members' days and the sums stand as the sheets have them."""
    monkeypatch.setattr(workbook, "lines_table", lambda _plan: pd.DataFrame({"lot": ["A", "B"]}))
    orders = [
        SimpleNamespace(what=message("bags"), cost=9.0, needed_on=TODAY, order_by=TODAY + timedelta(days=n))
        for n in (-3, 2)
    ]
    now = SimpleNamespace(
        plan=None,
        reasons=[SimpleNamespace(reason=message("why"), lines=(0, 1))],
        group=SimpleNamespace(currency="KES"),
        schedule=(),
        actions=(an_action(),),
        purchases=orders,
        today=TODAY,
        members=(),
        made=SimpleNamespace(net={"gross": 9.0, "net": 8.0}),
        assumed=(),
    )
    made = workbook.plan_tables(now)
    assert made["To order"]["order_by"].tolist() == [TODAY, TODAY + timedelta(days=2)]
    assert made["Plan"]["why"].tolist() == ["why", "why"]
    assert made["Gross to net"]["mean KES"].tolist() == [9.0, 8.0]
