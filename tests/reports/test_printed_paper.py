"""Sheets read back from the PDF as a viewer draws them: what stands where, inside the page, over nothing else.

The look is that of ``dashboard/design.md``, *Printed sheets*; where a line of type lies is worked out by hand: in a
line of height h, letters of size s stand on h / 2 + 0.3 s from its top (the rule of fpdf2's cells).
"""

from __future__ import annotations

import io
import re
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cache, cached_property
from importlib import resources
from itertools import pairwise

import pytest

from core.advice.season import DRY, HOME, KEEP, SELL
from core.messages import plural
from core.reports.paper import Bar, Care, Grid, HalfPage, Heading, Paper, Season, Words, season_shapes
from core.reports.pdf import paper_pdf
from core.reports.sheets import LEGEND, log_sheet, member_sheets, treasurer_sheet, wall_sheet
from core.reports.tongue import Tongue
from tests.reports.test_reports_worked import TODAY, a_load, a_member, a_row, a_step, on, situation

POINT = 25.4 / 72
EDGE = 12.0
LEADING = 1.3


@dataclass(frozen=True)
class Written:
    """A text of a page: mm from its left and upper edges to where it begins, points, shade of grey (0 black)."""

    text: str
    x: float
    base: float
    size: float
    bold: bool
    shade: float
    page: int

    @cached_property
    def end(self) -> float:
        return self.x + sum(widths(self.bold)[letter] for letter in self.text) * self.size * POINT

    @cached_property
    def box(self) -> tuple[float, float, float, float]:
        """Left, top, right, bottom of its letters: capitals of this type are 0.73 of its size tall."""
        return self.x, self.base - 0.73 * self.size * POINT, self.end, self.base


@dataclass(frozen=True)
class Box:
    """A rectangle: mm, shade of its ground, width of its line."""

    x: float
    y: float
    width: float
    height: float
    shade: float
    line: float
    page: int


@dataclass(frozen=True)
class Stroke:
    """A line: mm, its shade, whether it is dashed."""

    ends: tuple[float, float, float, float]
    shade: float
    dashed: bool
    page: int


@cache
def widths(bold: bool) -> dict[str, float]:
    """Return how wide each letter is, in sizes, from the font's own table."""
    from fontTools.ttLib import TTFont

    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    with resources.as_file(resources.files("core.reports").joinpath("fonts", name)) as path:
        font = TTFont(path)
        long, units = font["hmtx"], font["head"].unitsPerEm
        return {chr(code): long[glyph][0] / units for code, glyph in font.getBestCmap().items()}


@dataclass(frozen=True)
class Drawn:
    """What the pages of a PDF hold."""

    texts: list[Written]
    boxes: list[Box]
    strokes: list[Stroke]
    sizes: list[tuple[float, float]]

    def one(self, text: str) -> Written:
        (found,) = [item for item in self.texts if item.text == text]
        return found

    def lines(self) -> list[str]:
        return [item.text for item in self.texts]


def drawn(pdf: bytes) -> Drawn:
    """Run the drawing orders of every page (PDF 32000-1, 8.4 and 9.4: q Q w d g G re l Tf Td Tj)."""
    from pypdf import PdfReader
    from pypdf.generic import ContentStream

    reader = PdfReader(io.BytesIO(pdf))
    made = Drawn([], [], [], [])
    for number, page in enumerate(reader.pages):
        tall = float(page.mediabox.height)
        made.sizes.append((float(page.mediabox.width) * POINT, tall * POINT))
        letters = {}
        for name, font in page["/Resources"]["/Font"].items():
            table = font["/ToUnicode"].get_data().decode()
            codes = {int(a, 16): bytes.fromhex(b).decode("utf-16-be") for a, b in re.findall(r"<(\w+)> <(\w+)>", table)}
            letters[name] = (codes, "Bold" in font["/BaseFont"])
        state = {"fill": 0.0, "stroke": 0.0, "line": 0.2, "dash": False, "font": "", "size": 0.0}
        kept, at = [], (0.0, 0.0)
        for parts, order in ContentStream(page.get_contents(), reader).operations:
            order = order.decode()
            if order == "q":
                kept.append(dict(state))
            elif order == "Q":
                state = kept.pop()
            elif order in ("g", "G"):
                state["fill" if order == "g" else "stroke"] = float(parts[0])
            elif order == "w":
                state["line"] = float(parts[0]) * POINT
            elif order == "d":
                state["dash"] = bool(parts[0])
            elif order == "Tf":
                state["font"], state["size"] = parts[0], float(parts[1])
            elif order in ("Td", "m"):
                at = float(parts[0]), float(parts[1])
            elif order == "re":
                x, y, wide, high = (float(part) * POINT for part in parts)
                top = tall * POINT - max(y, y + high)
                made.boxes.append(Box(x, top, wide, abs(high), state["fill"], state["line"], number))
            elif order == "l":
                to = float(parts[0]), float(parts[1])
                ends = (at[0], tall - at[1], to[0], tall - to[1])
                ends = tuple(value * POINT for value in ends)
                made.strokes.append(Stroke(ends, state["stroke"], state["dash"], number))
            elif order == "Tj":
                codes, bold = letters[state["font"]]
                raw = parts[0].original_bytes
                said = "".join(codes[int.from_bytes(raw[n : n + 2])] for n in range(0, len(raw), 2))
                if said.strip():
                    base = (tall - at[1]) * POINT
                    made.texts.append(Written(said, at[0] * POINT, base, state["size"], bold, state["fill"], number))
    return made


def nothing_is_cut_off_or_overlaps(page: Drawn, foot: str = "") -> None:
    """Every text lies within the margins, and no two texts cover each other."""
    for item in page.texts:
        wide, tall = page.sizes[item.page]
        left, top, right, bottom = item.box
        assert left >= EDGE - 0.01, item
        assert right <= wide - EDGE + 0.01, item
        assert top >= EDGE - 0.01, item
        assert bottom <= tall - (0 if item.text == foot else EDGE), item
        assert item.shade in (0.0, 1.0)
    rows = sorted((item.page, item.box[1], item.box[3], item.box[0], item.box[2], item.text) for item in page.texts)
    for number, (leaf, _top, bottom, left, right, text) in enumerate(rows):
        for other in rows[number + 1 :]:
            if other[0] > leaf or other[1] >= bottom:
                break
            assert right <= other[3] or other[4] <= left, (text, other)


def letters_at(top: float, points: float) -> float:
    """Return where letters stand in a line that begins at `top`, mm."""
    return top + (LEADING / 2 + 0.3) * points * POINT


def line(points: float) -> float:
    return LEADING * points * POINT


@pytest.mark.parametrize("scale_of", [1.0, 0.92, 0.85, 0.78, 0.71, 0.64])
def test_every_part_of_a_sheet_stands_where_the_look_says(scale_of):
    """From the upper margin down, each part by its line heights and gaps; a tight sheet in every smaller type.

    A wall sheet that must fit on one page gets so many paragraphs that only the wanted type holds them.
    """
    gap, least, big, head, text, small = (value * scale_of for value in (1.5, 0.8, 15.0, 11.0, 9.0, 8.5))
    per, room = line(9.0) + 0.8, 297.0 - 2 * EDGE
    # what stands around the paragraphs at scale 1, mm: title, under, gap; heading; strong line; two rows; cautions
    around = line(15) + line(9) + 1.5 + 1.5 + line(11) + per + 2 * (line(8.5) + 0.6) + 0.8 + 1.5 + 2 * line(8.5) + 3
    count = 3 if scale_of == 1.0 else int((room / (scale_of + 0.02) - around) / per)
    plain = [Words(f"line {number}") for number in range(count)]
    parts = (
        Heading("Drying"),
        Words("strong", strong=True),
        Grid(("Lot", "Bags"), (("A", "12"),), (3, 1), frozenset({1})),
        *plain,
        Care("Take care", ("no mould",)),
    )
    page = drawn(paper_pdf(Paper("Title", "Under", parts, most_pages=1, foot="at the foot")))
    assert page.sizes == [pytest.approx((210.0, 297.0), abs=0.01)]
    at = EDGE
    expected = [("Title", letters_at(at, big), big, True)]
    at += line(big)
    expected.append(("Under", letters_at(at, text), text, False))
    at += line(text) + gap + gap
    expected.append(("Drying", letters_at(at, head), head, True))
    at += line(head)
    expected.append(("strong", letters_at(at, text), text, True))
    at += line(text) + least
    row = line(small) + 0.6  # 0.3 mm of ground above and below the words of a row
    for cells, bold in ((("Lot", "Bags"), True), (("A", "12"), False)):
        expected += [(cell, letters_at(at + 0.3, small), small, bold) for cell in cells]
        at += row
    at += least
    for words in plain:
        expected.append((words.text, letters_at(at, text), text, False))
        at += line(text) + least
    at += gap
    frame = (EDGE, at, 186.0, 2 * line(small) + 3)
    for words, bold in (("Take care", True), ("no mould", False)):
        expected.append((words, letters_at(at + 1.5, small), small, bold))
        at += line(small)
    expected.append(("at the foot", letters_at(297 - 9, 7.0), 7.0, False))
    found = [(item.text, item.base, item.size, item.bold) for item in page.texts]
    assert [item[0] for item in found] == [item[0] for item in expected]
    for one, other in zip(found, expected, strict=True):
        assert one[1:3] == pytest.approx(other[1:3], abs=0.02), one
        assert one[3] == other[3]
    # words begin a mm inside the left margin or frame, numbers end 0.8 mm before the end of their column
    assert [page.one(name).x for name in ("Title", "line 0", "at the foot")] == pytest.approx([13.0] * 3, abs=0.02)
    assert [page.one(name).x for name in ("Take care", "no mould")] == pytest.approx([14.5] * 2, abs=0.02)
    assert [page.one(name).x for name in ("Lot", "A")] == pytest.approx([12.8] * 2, abs=0.02)
    assert [page.one(name).end for name in ("Bags", "12")] == pytest.approx([198 - 0.8] * 2, abs=0.02)
    (care,) = page.boxes
    assert (care.x, care.y, care.width, care.height) == pytest.approx(frame, abs=0.02)
    assert care.line > 0.5  # a frame that is seen across a room, unlike the lines of a table
    nothing_is_cut_off_or_overlaps(page, "at the foot")


def test_the_type_is_made_smaller_only_where_a_sheet_must_fit_and_no_smaller_than_the_least():
    """Fifty-five paragraphs of 4.93 mm are longer than a page of 273 mm; five hundred fit in no type."""

    def pages_and_size(count, most):
        page = drawn(paper_pdf(Paper("T", "", tuple(Words("w") for _ in range(count)), most_pages=most)))
        return len(page.sizes), page.texts[0].size

    assert pages_and_size(60, None) == (2, 15.0)
    assert pages_and_size(60, 2) == (2, 15.0)
    assert pages_and_size(60, 1) == (1, pytest.approx(0.85 * 15))  # 60 x 4.93 + 8.4 = 304; x 0.92 = 280; x 0.85 = 258
    count, size = pages_and_size(500, 1)
    assert count > 1
    assert size == pytest.approx(0.64 * 15)


def test_long_words_go_on_in_the_next_line_and_a_table_has_its_heads_on_each_page():
    """A line is at most 184 mm long between its margins; every word of what was said is there, in its order."""
    said = " ".join(f"word{number}" for number in range(200))
    rows = tuple((str(number), "x") for number in range(120))
    page = drawn(paper_pdf(Paper("T", "", (Words(said), Grid(("Number", "Note"), rows, (1, 3), lined=True)))))
    nothing_is_cut_off_or_overlaps(page)
    lines = [item for item in page.texts if item.text.startswith("word")]
    assert " ".join(item.text.strip() for item in lines) == said
    assert all(197 - item.end < 16 for item in lines[:-1])  # less free than a further word would take
    steps = [below.base - above.base for above, below in pairwise(lines)]
    assert steps == pytest.approx([line(9.0)] * len(steps), abs=0.02)
    assert len(page.sizes) == 3
    assert page.lines().count("Number") == 3
    assert [item.text for item in page.texts if item.text.isdigit()] == [row[0] for row in rows]
    assert {round(item.x, 1) for item in page.texts if item.text in ("Note", "x")} == {12 + 186 / 4 + 0.8}
    # each cell has its frame where a table is lined, else a line below it
    assert {round(edge, 1) for box in page.boxes for edge in (box.x, box.x + box.width)} == {12.0, 58.5, 198.0}
    plain = drawn(paper_pdf(Paper("T", "", (Grid(("Number", "Note"), rows, (1, 3)),))))
    assert not plain.boxes
    assert {stroke.ends[1] - stroke.ends[3] for stroke in plain.strokes} == {0.0}


def test_rows_to_fill_in_by_hand_are_as_tall_as_said_and_lie_across():
    """Seven mm a row; a landscape sheet is 297 mm wide."""
    page = drawn(paper_pdf(log_sheet("Upper", TODAY, [("A", 8)], 4)))
    assert page.sizes[0] == pytest.approx((297.0, 210.0), abs=0.01)
    bags = [item.base for item in page.texts if item.text in "12345678" and item.text.strip()]
    assert [below - above for above, below in pairwise(bags)] == pytest.approx([7.0] * 7, abs=0.02)
    nothing_is_cut_off_or_overlaps(page)


@pytest.mark.parametrize("count", range(47, 53))
def test_cautions_stay_whole_on_one_page(count):
    """Three lines and 3 mm, 14.69 mm, after a gap of 1.5: where these end below 285 mm they go to the next page.

    The title takes 6.88 + 1.5 mm, each paragraph 4.93: 49 end at 261.8, the frame then at 278.0; after 50 at 283.0;
    after 51 it would end at 287.9.
    """
    top = EDGE + line(15) + 1.5 + count * (line(9) + 0.8) + 1.5
    tall = 3 * line(8.5) + 3
    parts = (*(Words(f"line {number}") for number in range(count)), Care("Take care", ("one", "two")))
    page = drawn(paper_pdf(Paper("T", "", parts)))
    (frame,) = page.boxes
    stays = top + tall <= 285
    assert stays == (count <= 50)
    assert (frame.page, frame.y) == (0 if stays else 1, pytest.approx(top if stays else EDGE, abs=0.02))
    for name in ("Take care", "one", "two"):
        item = page.one(name)
        assert item.page == frame.page
        assert frame.y < item.box[1]
        assert item.base < frame.y + frame.height
    nothing_is_cut_off_or_overlaps(page)


def test_long_cautions_are_framed_to_their_last_line():
    said = " ".join(["mouldy"] * 60)
    page = drawn(paper_pdf(Paper("T", "", (Care("Take care", (said, "last")), Words("after")))))
    (frame,) = page.boxes
    inside = [item for item in page.texts if item.text not in ("T", "after")]
    assert " ".join(item.text.strip() for item in inside) == f"Take care {said} last"
    assert all(frame.x < item.x and item.end <= frame.x + frame.width - 1.5 for item in inside)
    # as much room below the last line as above the first: 1.5 mm each, and lines of 1.3
    assert frame.height == pytest.approx(len(inside) * line(8.5) + 3.0, abs=0.02)
    assert page.one("after").base == pytest.approx(letters_at(frame.y + frame.height + 0.8, 9.0), abs=0.02)


def test_a_line_of_a_caution_is_as_long_as_its_frame_allows():
    """186 mm less 1.5 of the frame and 1 of the cell on each side are 181: as many words as have room there."""
    page = drawn(paper_pdf(Paper("T", "", (Care("Take care", (" ".join(["i"] * 300),)),))))
    letter, space = (widths(False)[sign] * 8.5 * POINT for sign in "i ")
    first = next(item for item in page.texts if item.text.startswith("i "))
    assert first.text.count("i") == int((181 + space) / (letter + space))


def test_two_halves_of_a_page_are_divided_where_it_is_folded():
    """The half of 297 mm is 148.5; what follows begins 6 mm below; a third goes to the next page."""
    parts = (Heading("first"), HalfPage(), Heading("second"), HalfPage(), Heading("third"), HalfPage(), Heading("4"))
    page = drawn(paper_pdf(Paper("T", "", parts)))
    assert [page.one(name).page for name in ("first", "second", "third", "4")] == [0, 0, 1, 1]
    for name in ("second", "4"):
        assert page.one(name).base == pytest.approx(letters_at(148.5 + 6 + 1.5, 11.0), abs=0.02)
    assert page.one("third").base == pytest.approx(letters_at(EDGE + 1.5, 11.0), abs=0.02)
    folds = [stroke for stroke in page.strokes if stroke.dashed]
    assert [stroke.page for stroke in folds] == [0, 1]
    for stroke in folds:
        assert stroke.ends == pytest.approx((0, 148.5, 210, 148.5), abs=0.02)
        assert 0.4 < stroke.shade < 0.8  # grey: to fold along, not to read
    # one that is longer than half a page has the next on a new page, in its upper half
    long = (*(Words(f"line {number}") for number in range(30)), HalfPage(), Heading("second"))
    page = drawn(paper_pdf(Paper("T", "", long)))
    assert (page.one("line 29").page, page.one("second").page) == (0, 1)
    assert not [stroke for stroke in page.strokes if stroke.dashed]


# The calendar of the season


def a_season(rows=1, days=30, label="A: 12 bags", bags="12"):
    bars = (
        Bar("dry", on(0), on(4), "12"),
        Bar("keep", on(5), on(20), "12"),
        Bar("home", on(24), on(28), "3"),
        Bar("sell", on(20), on(20), bags),
    )
    months = ((on(0), "Aug"), (on(15), "mid"))
    legend = (("dry", "drying"), ("keep", "store"), ("sell", "sold"), ("home", "kept"))
    return Season(on(0), on(days), months, ((label, bars),) * rows, legend)


def test_the_calendar_is_drawn_to_the_day():
    """Thirty days on 150 mm: 5 mm a day from 48 mm on. Title and gap end at 20.38; the picture begins at 21.18.

    Its head is 5 mm, its row 4.6: bars from 26.68 to 30.28. Drying from day 0 to the end of day 4: 25 mm.
    """
    page = drawn(paper_pdf(Paper("T", "", (a_season(), Words("after")))))
    top = EDGE + line(15) + 1.5 + 0.8
    chart = [box for box in page.boxes if box.height > 3]
    assert [(box.x, box.width) for box in chart] == [
        pytest.approx(pair, abs=0.02) for pair in ((48, 25), (73, 80), (168, 25), (148, 6.5))
    ]
    assert all((box.y, box.height) == pytest.approx((top + 5.5, 3.6), abs=0.02) for box in chart)
    dry, keep, home, sold = (box.shade for box in chart)
    assert (dry, keep, sold) == (1.0, 1.0, 0.0)
    assert 0.7 < home < 0.95  # grey, with black letters on it
    # letters stand in the middle of what they count, white on black
    months = [page.one(name) for name in ("Aug", "mid")]
    assert [item.x for item in months] == pytest.approx([48.8, 48 + 15 * 5 + 0.8], abs=0.02)
    assert all(top < item.box[1] and item.base < top + 5 for item in months)
    assert [item.size for item in months] == pytest.approx([2.6 / POINT] * 2, abs=0.01)
    inside = [item for item in page.texts if item.text in ("12", "3")]
    assert [(item.text, item.shade, item.bold) for item in inside] == [
        ("12", 0.0, False),
        ("3", 0.0, False),
        ("12", 1.0, True),
    ]
    for item, box in zip(inside, (chart[1], chart[2], chart[3]), strict=True):
        assert (item.x + item.end) / 2 == pytest.approx(box.x + box.width / 2, abs=0.03)
        assert box.y < item.box[1]
        assert item.base < box.y + box.height
    name = page.one("A: 12 bags")
    assert top + 5 < name.box[1]
    assert name.base < top + 9.6
    # what the signs mean, each beside its sign; then the next paragraph
    signs = [box for box in page.boxes if box.height <= 3]
    named = [page.one(text) for text in ("drying", "store", "sold", "kept")]
    assert [box.shade for box in signs] == [dry, keep, sold, home]
    size = 7.5 * POINT
    at = EDGE
    for box, item in zip(signs, named, strict=True):
        assert (box.x, box.width, box.height) == pytest.approx((at, 2 * size, size), abs=0.03)
        assert (item.x, item.base) == pytest.approx((at + 2.5 * size, box.y + size), abs=0.03)
        at = item.end + size
    assert signs[0].y == pytest.approx(top + 9.6 + 0.8, abs=0.03)
    assert page.one("after").base == pytest.approx(letters_at(signs[0].y + size + 0.8, 9.0), abs=0.03)
    nothing_is_cut_off_or_overlaps(page)


def test_drying_is_hatched_within_its_bar():
    """Slanting lines a mm apart: each from the bar's left or lower side to its upper or right one."""
    page = drawn(paper_pdf(Paper("T", "", (replace(a_season(), legend=()),))))
    bar = page.boxes[0]
    slants = [s.ends for s in page.strokes if abs(s.ends[0] - s.ends[2]) > 0.01 and abs(s.ends[1] - s.ends[3]) > 0.01]
    assert len(slants) == 28  # 25 + 3.6 mm: at 1, 2, ... 28
    for number, (x1, y1, x2, y2) in enumerate(slants, start=1):
        assert x1 + y1 == pytest.approx(x2 + y2, abs=0.04)
        assert x1 + y1 - bar.x - bar.y == pytest.approx(number, abs=0.04)
        assert bar.x - 0.03 <= x2 < x1 <= bar.x + bar.width + 0.03
        assert bar.y - 0.03 <= y1 < y2 <= bar.y + bar.height + 0.03
        assert min(abs(y1 - bar.y), abs(x1 - bar.x - bar.width)) < 0.03
        assert min(abs(x2 - bar.x), abs(y2 - bar.y - bar.height)) < 0.03
    others = [stroke for stroke in page.strokes if stroke.ends not in slants]
    assert all(0.4 < stroke.shade < 0.8 for stroke in others)  # the grid is paler than what it holds


@pytest.mark.parametrize("label", ["A: 12 bags", "the lower terrace behind the old mill, second harvest: 12 bags"])
@pytest.mark.parametrize("bags", ["3", "1250"])
def test_names_and_counts_stay_in_their_room(label, bags):
    """A lot's name has the 36 mm before the calendar, a count the black box of 6.5 mm: longer ones are smaller."""
    page = drawn(paper_pdf(Paper("T", "", (a_season(3, label=label, bags=bags),))))
    nothing_is_cut_off_or_overlaps(page)
    names = [item for item in page.texts if item.text == label]
    assert len(names) == 3
    assert all(item.end <= EDGE + 35.5 + 0.1 for item in names)
    assert (names[0].size == pytest.approx(4.6 * 0.56 / POINT, abs=0.05)) == (len(label) < 20)
    if len(label) > 20:  # no smaller than it must be
        assert names[0].end == pytest.approx(EDGE + 35.5, abs=0.1)
    white = [item for item in page.texts if item.shade == 1.0]
    black = [box for box in page.boxes if box.shade == 0.0 and box.width == pytest.approx(6.5, abs=0.01)]
    for item, box in zip(white, black, strict=True):
        if bags == "1250":  # 0.3 mm of black on each side
            assert item.end - item.x == pytest.approx(5.9, abs=0.05)
        assert box.x + 0.2 < item.x
        assert item.end < box.x + box.width - 0.2


@pytest.mark.parametrize(
    ("first", "days", "named"),
    [(1, 30, ["Aug"]), (1, 33, ["Aug", "Sep"]), (25, 30, ["Aug", "Sep"]), (30, 60, ["Sep"]), (31, 30, ["Sep"])],
)
def test_a_month_is_named_where_its_name_has_room(first, days, named):
    """A name takes 3 x 2.6 x 0.62 + 1 = 5.84 mm. Of 150 mm a day of 30 has 5, two of 60 have 5, two of 33 have 9."""
    start = date(2026, 8, first)
    season = Season(start, start + timedelta(days=days), ((start, "Aug"), (date(2026, 9, 1), "Sep")), (), ())
    shapes, _tall = season_shapes(season, 186.0)
    assert [shape.text for shape in shapes if shape.text] == named


@pytest.mark.parametrize(("rows", "page_of"), [(52, 0), (53, 1)])
def test_a_calendar_stays_whole_on_one_page(rows, page_of):
    """It begins at 35.96 mm; head 5, rows 4.6, 0.8 and 2.65 for the signs: 52 rows end at 283.6 of 285, 53 at 288.2."""
    before = tuple(Words(f"line {number}") for number in range(3))
    page = drawn(paper_pdf(Paper("T", "", (*before, a_season(rows)))))
    top = EDGE + line(15) + 1.5 + 3 * (line(9) + 0.8) + 0.8
    assert (top + 5 + 4.6 * rows + 0.8 + 7.5 * POINT <= 285) == (page_of == 0)
    assert {box.page for box in page.boxes} == {page_of}
    assert min(box.y for box in page.boxes) == pytest.approx(5.5 + (EDGE if page_of else top), abs=0.02)
    nothing_is_cut_off_or_overlaps(page)


def test_signs_that_have_no_room_go_on_in_the_next_line():
    """Three of 60 mm and their signs are longer than 186 mm: two stand in the first line, one in the second."""
    said = "m" * round(60 / (widths(False)["m"] * 7.5 * POINT))
    kinds = ("dry", "keep", "sell")
    season = replace(a_season(), legend=tuple((kind, said) for kind in kinds))
    page = drawn(paper_pdf(Paper("T", "", (season, Words("after")))))
    first, second, third = [item for item in page.texts if item.text == said]
    assert first.base == second.base
    assert third.base == pytest.approx(first.base + line(7.5), abs=0.02)
    assert third.x == first.x
    assert page.one("after").base == pytest.approx(letters_at(third.base + 0.8, 9.0), abs=0.03)
    nothing_is_cut_off_or_overlaps(page)


# Whole sheets, in each language


@pytest.mark.parametrize("language", ["en", "fr", "sw", "pt"])
def test_sheets_of_a_busy_group_are_whole_in_every_language(language):
    from dashboard.text import _catalogue

    tongue = Tongue(language, _catalogue(language))
    way = ((DRY, on(0), on(3), 20, ""), (KEEP, on(4), on(80), 17, ""), (SELL, on(20), on(20), 9, "Mill"))
    rows = tuple(
        a_row(f"Lot {n}", *way, (SELL, on(80), on(80), 8, "M"), (HOME, on(4), on(90), 3, "")) for n in range(14)
    )
    people = tuple(a_member(name, 6, 8, 3) for name in ("Abla", "Bijou", "Chiku"))
    now = situation(
        season=rows,
        schedule=tuple(a_load(n % 14, f"Lot {n}") for n in range(18)),
        actions=tuple(a_step(n % 14) for n in range(10)),
        members=people,
    )
    for paper in (wall_sheet(now, tongue), member_sheets(now, tongue), treasurer_sheet(now, tongue)):
        page = drawn(paper_pdf(paper))
        nothing_is_cut_off_or_overlaps(page, paper.foot)
        if paper.most_pages:
            assert len(page.sizes) == paper.most_pages
            assert {tongue.say(text) for text in LEGEND.values()} <= set(page.lines())
            scale = page.texts[0].size / 15  # signs and rows are as much smaller as the title
            assert scale < 1
            assert page.one(tongue.say(LEGEND[SELL])).size == pytest.approx(7.5 * scale, abs=0.02)
            bars = [box.height for box in page.boxes if box.width == pytest.approx(6.5, abs=0.02)]
            assert bars == pytest.approx([4.6 * scale - 1] * 28, abs=0.02)
            counts = [item.size for item in page.texts if item.shade == 1.0]
            assert counts == pytest.approx([0.56 * 4.6 * scale / POINT] * 28, abs=0.02)
            for row in rows:
                words = plural("bags", "{lot}: {bags} bag", "{lot}: {bags} bags")
                assert tongue.say(words, lot=row.lot, bags=row.bags) in page.lines()
