"""Sheets, calendar, workbook and phone messages: one voice, whole, harmless, and readable by other programs."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise

import pytest

from core.advice import situation
from core.cautions import caution_of
from core.errors import InputError
from core.grain.commodities import get_commodity
from core.reports.calendar import plan_calendar
from core.reports.paper import Grid, Paper, Season, season_shapes
from core.reports.pdf import paper_pdf
from core.reports.sheets import headline_words, log_sheet, member_sheets, treasurer_sheet, wall_sheet, wall_table
from core.reports.texts import LONGEST, basic_letters, phone_texts, septets
from core.reports.tongue import ENGLISH, Tongue
from core.reports.workbook import plan_workbook
from core.storage.keeping import keeping_table
from dashboard.text import day
from tests.advice.groups import NOW, Heap, small_group, with_parts

NASTY = "<script>alert(1)</script>&\"'"


@pytest.fixture(scope="module")
def now(tmp_path_factory):
    heaps = (Heap("maize", 12, (18.4, 18.0, 18.9, 18.2)), Heap("maize", 9, (12.0, 11.9, 12.1, 12.0, 11.8)))
    store = small_group(f"sqlite:///{tmp_path_factory.mktemp('reports') / 'small.sqlite3'}", heaps)
    group = store.groups()[0]
    lot = store.lots(group.id)[0]
    store.update_lot(replace(lot, label="=1+1"))
    made = situation(store, group.id, NOW)
    yield with_parts(made, group=replace(made.group, name=NASTY))
    store.engine.dispose()


def text_of(pdf: bytes) -> tuple[str, int]:
    """Return the words of a PDF as another program reads them, and its pages."""
    from pypdf import PdfReader

    reader = PdfReader(io.BytesIO(pdf))
    return re.sub(r"\s+", " ", " ".join(page.extract_text() for page in reader.pages)), len(reader.pages)


def many(now, count: int):
    """Return the situation with its calendar and schedule `count` times over."""
    rows = tuple(replace(row, lot=f"{row.lot} {at}", owner=f"{at}") for at in range(count) for row in now.season)
    loads = tuple(replace(load, lot=f"{load.lot} {at}") for at in range(count) for load in now.schedule)
    actions = tuple(action for _ in range(count) for action in now.actions)
    return with_parts(now, season=rows, schedule=loads, actions=actions)


def test_wall_sheet_is_one_page_with_season_loads_and_cautions(now):
    text, pages = text_of(paper_pdf(wall_sheet(now)))
    assert pages == 1
    for load in now.schedule:
        if load.on < now.today + timedelta(days=14):
            assert load.lot in text
    assert f"Of {now.headline.total} bags" in text
    assert caution_of("mould")[:40] in text
    assert str(now.assumed[0].said) in text  # no forecast: said at the top
    for row in now.season:
        assert f"{row.lot}: {row.bags} bags" in text


@pytest.mark.parametrize("count", [8, 60])
def test_wall_sheet_of_a_large_group_is_still_one_page(now, count):
    text, pages = text_of(paper_pdf(wall_sheet(many(now, count))))
    assert pages == 1
    assert "Take care" in text
    assert count < 60 or "more: see the members" in text


def test_two_members_share_a_page_and_each_reads_lots_days_and_money(now):
    part = now.members[0]
    both = with_parts(now, members=(part, replace(part, name="Bijou")))
    text, pages = text_of(paper_pdf(member_sheets(both)))
    assert pages == 1
    assert "Abla" in text
    assert "Bijou" in text
    for row in part.rows:
        assert row.lot in text
    assert f"{part.receipts[0][1]:,.0f}" in text
    assert "Why:" in text
    with pytest.raises(InputError):
        member_sheets(now, names=["nobody"])


def test_treasurer_reads_each_order_date_and_the_one_net_value(now):
    text, _pages = text_of(paper_pdf(treasurer_sheet(now)))
    assert f"{now.made.fresh['plan'].mean:,.0f}" in text
    for item in now.purchases:
        assert str(item.what) in text


def test_sheets_print_any_text_as_it_is_and_fetch_nothing(now):
    from pypdf import PdfReader

    card = keeping_table(replace(get_commodity("maize"), name=NASTY), 30)
    papers = (
        wall_sheet(now),
        member_sheets(now),
        treasurer_sheet(now),
        log_sheet(NASTY, now.today, [(NASTY, 2)]),
        wall_table(card, NASTY, now.today),
    )
    for paper in papers:
        pdf = paper_pdf(paper)
        assert NASTY in text_of(pdf)[0]
        reader = PdfReader(io.BytesIO(pdf))
        assert not {"/AA", "/AcroForm", "/Names"} & set(reader.trailer["/Root"])
        assert isinstance(reader.trailer["/Root"].get("/OpenAction", []), list)  # a page to begin on, no action
        assert not any("/Annots" in page for page in reader.pages)  # no link, no form, nothing that runs


def test_black_boxes_of_a_row_add_up_to_its_bags_and_do_not_overlap(now):
    season = next(block for block in wall_sheet(now).blocks if isinstance(block, Season))
    for (label, bars), row in zip(season.rows, now.season, strict=True):
        assert sum(int(bar.text) for bar in bars if bar.kind in ("sell", "home")) == row.bags - row.left, label
    bars = season.rows[0][1]
    sold = replace(next(bar for bar in bars if bar.kind == "sell"), on=season.last)
    twice = replace(season, rows=((season.rows[0][0], (sold, sold, sold)),))
    boxes = sorted((shape.x, shape.width) for shape in season_shapes(twice, 186.0)[0] if shape.fill == "black")
    assert len(boxes) == 3
    assert all(left + width <= after for (left, width), (after, _) in pairwise(boxes))
    assert boxes[-1][0] + boxes[-1][1] <= 186.0 + 1e-6


def test_letters_of_the_four_languages_are_in_the_type():
    words = "Où séchez-vous ? L'œuf · Não há previsão, ração · Ng'ombe, maharage · Ɖeka ŋkeke ẹ̀kọ́"
    text, _pages = text_of(paper_pdf(Paper("x", words, ())))
    for word in ("séchez", "œuf", "previsão", "Ng'ombe", "ŋkeke"):
        assert word in text


def test_a_row_for_each_bag_to_probe_and_empty_ones():
    grid = next(b for b in log_sheet("x", date(2026, 5, 1), [("A", 3), ("B", 10)], 5).blocks if isinstance(b, Grid))
    assert len(grid.rows) == 3 + 10 + 5
    text, pages = text_of(paper_pdf(log_sheet("Upper terrace", date(2026, 5, 1), [("A", 3)], 60)))
    assert pages >= 2
    assert "Upper terrace" in text
    for rows in (0, -1, 500):
        with pytest.raises(InputError):
            log_sheet("x", date(2026, 5, 1), empty_rows=rows)


def test_wall_table_is_one_page_and_shows_each_cell_with_its_mark():
    card = keeping_table("maize", 30)
    text, pages = text_of(paper_pdf(wall_table(card, "Group", date(2026, 5, 1))))
    assert pages == 1
    assert f"{card.moisture_pct[0, 0]:.1f}" in text
    for mark in "●◐○":
        assert mark in text


def test_calendar_is_read_back_by_another_parser_and_keeps_its_identities(now):
    import vobject

    def events(made):
        return list(vobject.readOne(plan_calendar(made).decode()).vevent_list)

    first = events(now)
    assert len(first) == len(now.actions)
    assert len({event.uid.value for event in first}) == len(first)
    assert {event.dtstart.value for event in first} == {action.on for action in now.actions}
    for event in first:
        assert (event.dtend.value - event.dtstart.value).days == 1
    dried = next(event for event in first if event.summary.value.startswith("dry"))
    assert "aflatoxin" in dried.description.value
    later = tuple(replace(action, on=action.on + timedelta(days=2)) for action in now.actions)
    moved = events(replace_now(now, later))
    assert {event.uid.value for event in moved} == {event.uid.value for event in first}
    assert int(moved[0].sequence.value) > int(first[0].sequence.value)


def replace_now(now, actions):
    """Return the situation an hour later with other actions."""
    other = with_parts(now, actions=actions)
    object.__setattr__(other, "now", now.now + timedelta(hours=1))
    return other


def test_workbook_has_typed_cells_and_no_formula(now):
    from openpyxl import load_workbook

    book = load_workbook(io.BytesIO(plan_workbook(now)))
    rows = list(book["Plan"].iter_rows(values_only=True))
    assert len(rows) == len(now.plan.sales) + 1
    assert sum(row[3] for row in rows[1:]) == sum(line.bags for line in now.plan.sales)
    assert {"=1+1"} <= {row[0] for row in rows[1:]}
    days = [row[0] for row in book["Steps"].iter_rows(min_row=2, values_only=True)]
    assert [day.date() for day in days] == [action.on for action in now.actions]
    net = {row[0]: row[1] for row in book["Gross to net"].iter_rows(min_row=2, values_only=True)}
    assert net["net, in today's money"] == pytest.approx(now.made.fresh["plan"].mean, abs=0.01)
    for sheet in book:
        for row in sheet.iter_rows():
            assert all(cell.data_type != "f" for cell in row)


def test_septets_are_counted_as_the_standard_has_them():
    """3GPP TS 23.038, 6.2.1: a letter of the basic table one septet, of the extension table two; 160 fit."""
    assert septets("hello") == 5
    assert septets("100 € [x]") == 9 + 3  # the euro sign and both brackets take two
    assert septets("à é ñ Ω") == 7
    with pytest.raises(ValueError, match="7-bit"):
        septets("ŋ")
    assert septets("a" * 160) == LONGEST
    assert basic_letters("naïve – ŋ’ç").startswith("naive - ")


def test_each_member_gets_one_message_that_fits(now):
    texts = phone_texts(with_parts(now, group=replace(now.group, name="Group")))
    assert [text.name for text in texts] == ["Abla"]
    for text in texts:
        assert septets(text.words) <= LONGEST
        assert text.words.endswith("Do not eat mouldy grain.")
        first = now.members[0].days[0]
        assert first.lot in text.words
        assert str(first.bags) in text.words


def test_headline_adds_up_in_words(now):
    said = headline_words(now.headline, "XOF")
    counts = [int(found) for found in re.findall(r"(\d+) (?:sold|stored|kept|without)", said)]
    assert sum(counts) == now.headline.total


def test_reports_and_pages_write_a_day_alike():
    """A page said '12 Oct 2026' in its table and 'Oct 12, 2026' in its answer."""
    assert ENGLISH.day(date(2026, 10, 12)) == day(date(2026, 10, 12)) == "12 Oct 2026"
    assert Tongue("fr").day(date(2026, 10, 12)) == "12 oct. 2026"
