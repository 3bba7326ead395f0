"""Figures and sheets by hand: where bars, boxes and marks lie, what a sheet lists and what it leaves out, how numbers
are written. No plan is made: each sheet gets a situation of a few lines.
"""

from __future__ import annotations

import re
from datetime import date, timedelta
from decimal import Decimal as D
from types import SimpleNamespace

import pandas as pd
import pytest

from core.advice.season import DRY, HOME, KEEP, SELL, Headline, MemberPart, OwnDay, SeasonRow, Stretch
from core.cautions import caution_of
from core.errors import InputError
from core.market.hindcast import FORESIGHT, PLAN
from core.messages import message
from core.reports.paper import BLACK, GREY, HATCH, NONE, WHITE, Bar, Care, Grid, HalfPage, Heading, Season, Words
from core.reports.paper import season_shapes as shapes_of
from core.reports.printed import table
from core.reports.sheets import headline_words, log_sheet, member_sheets, treasurer_sheet, wall_sheet
from core.reports.texts import _words
from core.reports.tongue import ENGLISH
from core.reports.waiting import harvest_figure

TODAY = date(2026, 8, 1)
SAID = Headline(20, 5, 12, 3, 0, 4, date(2026, 10, 5), 1000.0, 150.0, 0.1)


def on(days: int) -> date:
    return TODAY + timedelta(days=days)


# The calendar of the season


def test_bars_and_boxes_lie_where_the_days_are_by_hand():
    """Ten days over 100 mm: 10 mm a day, from 36 mm on. A bar ends with its last day; a box is 6.5 mm wide, 0.4 apart.

    Boxes at day 8, 8 and 9: 116, 122.9 and 129.8; the last ends at the edge of 136, so 129.5, 122.6 and 115.7.
    """
    bars = (
        Bar("dry", on(-2), on(1), "9"),  # begun before the first day shown
        Bar("keep", on(2), on(7), "12"),
        Bar("home", on(9), on(30), ""),
        *(Bar("sell", on(days), on(days), text) for days, text in ((9, "3"), (8, "7"), (8, "5"))),
    )
    season = Season(on(0), on(10), ((on(0), "Aug"), (on(5), "mid")), (("A: 27", bars), ("B: 1", ())), ())
    shapes, height = shapes_of(season, 136.0)
    assert height == pytest.approx(5.0 + 2 * 4.6)
    boxes = [(s.x, s.y, s.width, s.height, s.fill) for s in shapes if s.fill != NONE and not s.text]
    expected = [
        (36.0, 5.5, 20.0, 3.6, HATCH),
        (56.0, 5.5, 60.0, 3.6, WHITE),
        (126.0, 5.5, 10.0, 3.6, GREY),
        *((x, 5.5, 6.5, 3.6, BLACK) for x in (115.7, 122.6, 129.5)),
    ]
    assert [one[4] for one in boxes] == [one[4] for one in expected]
    for found, wanted in zip(boxes, expected, strict=True):
        assert found[:4] == pytest.approx(wanted[:4])
    words = [(s.text, s.middle, s.bold, round(s.x, 2)) for s in shapes if s.text]
    assert words == [
        ("Aug", False, False, 36.8),
        ("mid", False, False, 86.8),
        ("A: 27", False, False, 0.5),
        ("12", True, False, 86.0),  # nine bags drying stand in the list of days, not here
        ("7", True, True, 118.95),
        ("5", True, True, 125.85),
        ("3", True, True, 132.75),
        ("B: 1", False, False, 0.5),
    ]
    lines = [(s.x, s.y, s.width, s.height) for s in shapes if s.fill == NONE and not s.text]
    wanted = [(36.0, 0, 0, 14.2), (86.0, 0, 0, 14.2), (0, 5.0, 136, 0), (0, 9.6, 136, 0), (0, 14.2, 136, 0)]
    assert sum(lines, ()) == pytest.approx(sum(wanted, ()))


def test_a_bar_has_a_least_width_and_names_its_bags_only_where_they_fit():
    """A thousand days: 0.1 mm each, at least 1.2 mm; of bags "123456" nothing is written on 6 mm."""
    bars = (
        Bar("keep", on(0), on(0), "1"),
        Bar("keep", on(100), on(159), "123456"),
        Bar("keep", on(300), on(419), "12"),
    )
    shapes, _height = shapes_of(Season(on(0), on(1000), (), (("A", bars),), ()), 136.0)
    assert [s.width for s in shapes if s.fill == WHITE and not s.text] == pytest.approx([1.2, 6.0, 12.0])
    assert [s.text for s in shapes if s.text] == ["A", "12"]
    same_day, _height = shapes_of(Season(on(0), on(0), (), (("A", bars),), ()), 136.0)
    assert all(s.x <= 136.0 for s in same_day)


def test_gains_of_past_harvests_drawn_by_hand():
    """Gains 20 and 10 %, the rule's 10 and -10: 256 px for 30 points; zero at 24 + 20 x 8.533 = 194.7.

    Two harvests share 656 px, 328 each; bars are inset by a tenth and by a quarter.
    """
    years = pd.DataFrame(
        {FORESIGHT: [1.2, 1.1], PLAN: [1.1, 0.9]}, index=pd.PeriodIndex(["2020-05", "2021-05"], freq="M")
    )
    svg = harvest_figure(SimpleNamespace(years=years))
    found = re.findall(r'x="([\d.]+)" y="([\d.]+)" width="([\d.]+)" height="([\d.]+)" fill="#(\w)', svg)
    assert found == [
        ("88.8", "24.0", "262.4", "170.7", "c"),
        ("138.0", "109.3", "164.0", "85.3", "1"),
        ("416.8", "109.3", "262.4", "85.3", "c"),
        ("466.0", "194.7", "164.0", "85.3", "1"),
    ]
    assert re.findall(r"<title>([^<]*)<", svg) == [
        "2020-05: +20.0 %",
        "2020-05: +10.0 %",
        "2021-05: +10.0 %",
        "2021-05: -10.0 %",
    ]
    assert re.findall(r'<text x="4" y="([\d.]+)" font-size="12">([^<]*)<', svg) == [
        ("28.0", "+20 %"),
        ("198.7", "+0 %"),
        ("284.0", "-10 %"),
    ]
    assert re.findall(r'<text x="([\d.]+)" y="306" font-size="12">([^<]*)<', svg) == [
        ("56.0", "2020-05"),
        ("384.0", "2021-05"),
    ]
    assert '<line x1="56" x2="720" y1="194.7" y2="194.7"' in svg


def test_many_harvests_are_named_every_sixty_pixels_and_small_gains_leave_room_for_five_points():
    """Twenty-two share 656 px: 29.8 each, so every second is named; gains of 1 % reach a fifth of 256 px.

    Where nothing was lost the zero line is the lowest: at 24 + 256 px.
    """
    gains = pd.DataFrame({FORESIGHT: [1.2], PLAN: [1.1]}, index=pd.PeriodIndex(["2020-05"], freq="M"))
    assert 'y1="280.0" y2="280.0"' in harvest_figure(SimpleNamespace(years=gains))
    index = pd.period_range("2000-05", periods=22, freq="12M")
    svg = harvest_figure(SimpleNamespace(years=pd.DataFrame({FORESIGHT: 1.01, PLAN: 1.0}, index=index)))
    assert len(re.findall(r'y="306"', svg)) == 11
    assert 'height="51.2"' in svg
    assert re.findall(r'<text x="4" y="[\d.]+" font-size="12">([^<]*)<', svg) == ["+5 %", "+0 %"]


# Sheets


def a_row(lot, *stretches, bags=20):
    return SeasonRow(lot, "Abla", "maize", bags, 0, tuple(Stretch(*one) for one in stretches))


def a_load(days, lot="A"):
    return SimpleNamespace(on=on(days), until=on(days + 1), space="Sheet", lot=lot, bags=3)


def a_step(days, kind="sell"):
    return SimpleNamespace(on=on(days), kind=kind, what=message("step on {day}", day=days), who="")


def situation(**parts):
    rows = (a_row("A", (KEEP, on(3), on(20), 5, ""), (KEEP, on(2), on(27), 7, ""), (SELL, on(20), on(20), 5, "Mill")),)
    made = {
        "group": SimpleNamespace(name="Upper", currency="KES", demo=False),
        "today": TODAY,
        "assumed": (),
        "headline": SAID,
        "season": rows,
        "schedule": (),
        "actions": (),
        "spaces": (),
        "members": (),
        "money": (),
        "purchases": (),
        "made": SimpleNamespace(net={"gross": 900.0, "net": 800.0}),
    }
    return SimpleNamespace(**made | parts)


def grids(paper):
    return [block for block in paper.blocks if isinstance(block, Grid)]


def words(paper):
    return [block.text for block in paper.blocks if isinstance(block, Words)]


def test_the_plan_in_a_sentence():
    said = headline_words(SAID, "KES")
    for part in ("Of 20 bags", "5 sold within two weeks", "12 stored and sold later", "3 kept back", "KES 150 more"):
        assert part in said
    assert "without a buyer" not in said
    assert "Bags to dry first: 4" in said
    less = Headline(20, 0, 0, 0, 20, 0, None, 1000.0, -150.0, 0.9)
    said = headline_words(less, "KES")
    assert "20 without a buyer" in said
    assert "KES 150 less" in said
    assert "dry first" not in said
    assert "week of" not in said
    assert "KES 0.00 more" in headline_words(Headline(1, 1, 0, 0, 0, 0, None, 10.0, 0.0, 0.5), "KES")


def test_the_wall_shows_two_weeks_the_season_and_what_does_not_fit_by_count():
    """Days 0 to 13 are two weeks; of steps those of drying stand in the loads already."""
    now = situation(
        schedule=(a_load(13, "in"), a_load(14, "out")),
        actions=(a_step(13), a_step(14), *(a_step(1, kind) for kind in ("dry", "test", "collect")), a_step(2, "order")),
    )
    loads, steps = grids(wall_sheet(now))
    assert [row[3] for row in loads.rows] == ["in"]
    assert (loads.right, steps.right) == ({4}, frozenset())  # bags end in line
    assert [row[1] for row in steps.rows] == ["step on 13", "step on 2"]
    (season,) = [block for block in wall_sheet(now).blocks if isinstance(block, Season)]
    assert [(label, [(b.kind, b.on, b.until, b.text) for b in bars]) for label, bars in season.rows] == [
        ("A: 20 bags", [(KEEP, on(2), on(27), "12"), (SELL, on(20), on(20), "5")])
    ]
    # the last day of the season or four weeks, and six days more; each month that begins before then
    assert (season.first, season.last) == (TODAY, on(33))
    assert [month for month, _name in season.months] == [TODAY, date(2026, 9, 1)]
    assert [kind for kind, _text in season.legend] == [KEEP, SELL]
    later = situation(season=(a_row("A", (HOME, on(0), on(120), 5, "food")),))
    (season,) = [block for block in wall_sheet(later).blocks if isinstance(block, Season)]
    assert season.last == on(126)
    assert [month.isoformat()[5:] for month, _name in season.months] == ["08-01", "09-01", "10-01", "11-01", "12-01"]
    assert not grids(wall_sheet(later))


@pytest.mark.parametrize(("rows", "loads", "steps"), [(30, 18, 10), (31, 20, 13)])
def test_what_a_wall_sheet_leaves_out_is_counted(rows, loads, steps):
    now = situation(
        season=tuple(a_row(f"L{n}", (DRY, on(0), on(1), 1, "")) for n in range(rows)),
        schedule=tuple(a_load(n % 14) for n in range(loads)),
        actions=tuple(a_step(n % 14) for n in range(steps)),
    )
    paper = wall_sheet(now)
    assert [len(grid.rows) for grid in grids(paper)] == [18, 10]
    (season,) = [block for block in paper.blocks if isinstance(block, Season)]
    assert len(season.rows) == 30
    more = [int(text.split()[1]) for text in words(paper) if text.startswith("and ")]
    assert more == [count for count in (rows - 30, loads - 18, steps - 10) if count > 0]


def test_heat_is_warned_of_where_there_is_a_dryer_and_invented_people_are_said():
    def cares(now):
        (care,) = [block for block in wall_sheet(now).blocks if isinstance(block, Care)]
        return care.lines

    heat = str(caution_of("heat"))
    assert heat not in cares(situation(spaces=(SimpleNamespace(method="tarpaulin"),)))
    both = situation(spaces=(SimpleNamespace(method="tarpaulin"), SimpleNamespace(method="mechanical")))
    assert cares(both)[1] == heat
    assert "invented" not in wall_sheet(both).under
    demo = situation(group=SimpleNamespace(name="Upper", currency="KES", demo=True))
    assert "invented" in wall_sheet(demo).under
    assumed = tuple(SimpleNamespace(said=message(text), important=text == "much") for text in ("much", "little"))
    (line,) = [text for text in words(wall_sheet(situation(assumed=assumed))) if "Assumed" in text]
    assert ("much" in line, "little" in line) == (True, False)


def a_member(name, rows=1, days=1, receipts=1, why=()):
    row = a_row("A", (DRY, on(1), on(2), 9, "Sheet"), (SELL, on(20), on(20), 9, "Mill"), bags=9)
    return MemberPart(
        name,
        (row,) * rows,
        tuple(OwnDay(on(n), "sell", "A", n, "Mill") for n in range(days)),
        tuple((on(n), 100.0 * (n + 1)) for n in range(receipts)),
        500.0,
        400.0,
        600.0,
        why,
    )


@pytest.mark.parametrize(("rows", "days", "receipts"), [(6, 8, 2), (8, 11, 5)])
def test_a_members_half_page_holds_six_lots_eight_days_and_three_payments(rows, days, receipts):
    part = a_member("Abla", rows, days, receipts, (message("first"), message("second")))
    paper = member_sheets(situation(members=(part, a_member(""), a_member("Bijou"))))
    lots, own = grids(paper)[:2]
    assert (len(lots.rows), len(own.rows)) == (min(rows, 6), min(days, 8))
    assert (lots.right, own.right) == ({2}, frozenset())
    assert lots.rows[0][2:] == ("9", "dry 9 from Sun 2 Aug; sell 9 on Fri 21 Aug to Mill")
    assert own.rows[3] == ("Tue 4 Aug", "sell 3 bags of A to Mill")
    said = words(paper)
    assert [text for text in said if text.startswith("and ")] == (
        [] if rows == 6 else ["and 2 more: see the members' sheets", "and 3 later steps"]
    )
    assert sum(text.startswith("About KES") for text in said) == min(receipts, 3) + 1
    assert "Why: first." in said
    assert sum("Why" in text for text in said) == 1
    assert any("between KES 400 and KES 600" in text for text in said)
    assert [block.text for block in paper.blocks if isinstance(block, Heading)] == ["Abla", "Bijou"]  # no name, no page
    assert sum(isinstance(block, HalfPage) for block in paper.blocks) == 1
    only = member_sheets(situation(members=(part, a_member("Bijou"))), names=["Bijou"])
    assert [block.text for block in only.blocks if isinstance(block, Heading)] == ["Bijou"]
    with pytest.raises(InputError):
        member_sheets(situation(members=(a_member(""),)))


def test_the_treasurer_reads_money_orders_and_steps():
    """What should have been ordered before today is to be ordered today."""
    order = SimpleNamespace(what=message("bags"), order_by=on(-3), needed_on=on(4), cost=40.0)
    money = (SimpleNamespace(on=on(2), kind="sale", what=message("Mill"), amount=1234.4),)
    first, second, third = grids(treasurer_sheet(situation(purchases=(order,), money=money)))
    assert first.rows == (("3 Aug 2026", "expected from a sale", "Mill", "KES 1,234"),)
    assert second.rows == (("bags", "1 Aug 2026", "5 Aug 2026", "KES 40.00"),)
    assert [row[1] for row in third.rows] == ["KES 900", "KES 800"]
    assert len(grids(treasurer_sheet(situation(money=money)))) == 2
    assert [grid.right for grid in (first, second, third)] == [{3}, {3}, {1}]  # money ends in line
    late = SimpleNamespace(what=message("bags"), order_by=on(3), needed_on=on(4), cost=40.0)
    assert grids(treasurer_sheet(situation(purchases=(late,))))[1].rows[0][1] == "4 Aug 2026"


def test_rows_to_note_tests_on():
    (grid,) = grids(log_sheet("G", TODAY, [("A", 2), ("B", 1)], 2))
    assert [row[:3] for row in grid.rows] == [
        ("A", "1", ""),
        ("A", "2", ""),
        ("B", "1", ""),
        ("", "", ""),
        ("", "", ""),
    ]
    assert {len(row) for row in grid.rows} == {len(grid.heads)} == {len(grid.widths)} == {8}
    for lots, empty, count in (([], 1, 1), ([], 200, 200), ([("A", 2000)], 0, 2000), ([("A", 1800)], 200, 2000)):
        assert len(grids(log_sheet("G", TODAY, lots, empty))[0].rows) == count
    for lots, empty in (([], 0), ([], 201), ([("A", 3)], -1), ([("A", 2001)], 0), ([("A", 1801)], 200)):
        with pytest.raises(InputError):
            log_sheet("G", TODAY, lots, empty)


# Words


def test_numbers_and_money_as_they_are_written():
    """Whole units from a hundred on; exact money with the coins that it has, at least those of its currency."""
    assert [ENGLISH.number(1234.567, digits) for digits in (0, 1, 3)] == ["1,235", "1,234.6", "1,234.567"]
    assert [ENGLISH.money(value, "KES") for value in (99.99, 100.0, 100.4, 7.0)] == [
        "KES 99.99",
        "KES 100",
        "KES 100",
        "KES 7.00",
    ]
    assert ENGLISH.money(-250.0, "KES").count("0") == 1
    exact = [("12.5", "XOF"), ("12.5", "KES"), ("12", "KES"), ("1200", "XOF"), ("0.125", "USD"), ("12.50", "XOF")]
    assert [ENGLISH.amount(D(value), currency) for value, currency in exact] == [
        "12.5",
        "12.50",
        "12",
        "1,200",
        "0.125",
        "12.5",
    ]
    assert ENGLISH.coins(D("12.5"), "KES") == "KES 12.50"
    assert ENGLISH.percent(0.125, 1) == "12.5\u00a0%"
    assert [ENGLISH.plain(value) for value in (12.34567, 12.0, D("0.5"))] == ["12.346", "12", "0.5"]
    assert [ENGLISH.day(TODAY), ENGLISH.weekday(TODAY), ENGLISH.month(TODAY)] == ["1 Aug 2026", "Sat 1 Aug", "Aug"]
    assert ENGLISH.say("{a} on {day}", a=message("{n} bags", n=3), day=TODAY) == "3 bags on 1 Aug 2026"
    assert ENGLISH.say("braces {stay}") == "braces {stay}"


def test_a_printed_table_by_hand():
    """All but the first column are numbers unless said; the last rows are sums; days have their own mark."""
    rows = [("", "x"), ("a", "1"), ("b", "<2>")]
    assert table(rows, sums=1) == (
        "<table><thead><tr><th></th><th class=n>x</th></tr></thead><tbody><tr><td>a</td><td class=n>1</td></tr>"
        "<tr class=sum><td>b</td><td class=n>&lt;2&gt;</td></tr></tbody></table>"
    )
    assert "class=sum" not in table(rows)
    assert table([("", ""), ("a", "1")]) == (
        "<table><thead><tr></tr></thead><tbody><tr><td>a</td><td class=n>1</td></tr></tbody></table>"
    )
    marked = table([("Day", "What", "kg"), ("1 May", "a", "7")], 1, days=(0, 2))
    assert "<tr><td class=d>1 May</td><td>a</td><td class=n>7</td></tr>" in marked
    assert table(rows, 0).count("class") == 0


@pytest.mark.parametrize("length", range(1, 51))
def test_a_phone_message_holds_as_many_steps_as_fit(length):
    """Joined one after another until the next would not fit with its stop and the caution into 160 signs.

    The group's name goes before the member's where both take no more than 60 signs.
    """
    part = a_member("Abla Mensah", days=9)
    part = MemberPart(
        part.name, part.rows, tuple(OwnDay(on(n), "sell", "A" * n, n, "M") for n in range(9)), (), 0, 0, 0, ()
    )
    now = SimpleNamespace(group=SimpleNamespace(name="G" * length))
    head = f"{'G' * length}, Abla Mensah: "
    head = head if len(head) <= 60 else "Abla Mensah: "
    steps = [f"{ENGLISH.weekday(on(n))} sell {n} {'A' * n}" for n in range(9)]
    care = " Do not eat mouldy grain."
    fitting = [f"{head}{'; '.join(steps[:count])}.{care}" for count in range(1, 10)]
    assert _words(part, now, ENGLISH) == max((text for text in fitting if len(text) <= 160), key=len)
    for more in (200, 201):  # a name without end is cut to the last sign that has room
        cut = _words(MemberPart("N" * more, part.rows, part.days, (), 0, 0, 0, ()), now, ENGLISH)
        assert (len(cut), cut[-len(care) :]) == (160, care)
    idle = MemberPart(part.name, part.rows, (), (), 0, 0, 0, ())
    assert _words(idle, now, ENGLISH) == f"{head}no step for you is planned.{care}"
