"""A sheet as PDF (A4, black and white), with letters of Latin scripts bundled."""

from __future__ import annotations

from importlib import resources
from typing import Any

from core.reports.paper import (
    BLACK,
    GREY,
    HATCH,
    NONE,
    WHITE,
    Care,
    Grid,
    HalfPage,
    Heading,
    NewPage,
    Paper,
    Season,
    Shape,
    Words,
    season_shapes,
)

MARGIN_MM, SHORT_MM, LONG_MM = 12.0, 210.0, 297.0
SCALES = (1.0, 0.92, 0.85, 0.78, 0.71, 0.64)
POINT_MM = 0.3528
FAMILY = "sheet"


def paper_pdf(paper: Paper) -> bytes:
    """Return a sheet as PDF; where it has a limit of pages, its type is made smaller until it fits."""
    made = _draw(paper, 1.0)
    for scale in SCALES[1:]:
        if paper.most_pages is None or made.pages_count <= paper.most_pages:
            break
        made = _draw(paper, scale)
    return bytes(made.output())


def _draw(paper: Paper, scale: float) -> Any:
    """Return the sheet drawn with type of one size."""
    pdf = _blank(paper)
    pdf.add_page()
    width = pdf.w - 2 * MARGIN_MM
    _line(pdf, paper.title, 15 * scale, bold=True)
    if paper.under:
        _line(pdf, paper.under, 9 * scale)
    pdf.ln(1.5 * scale)
    lower = False
    for block in paper.blocks:
        if isinstance(block, NewPage):
            pdf.add_page()
        elif isinstance(block, HalfPage):
            lower = _next_half(pdf, lower)
        elif isinstance(block, Heading):
            pdf.ln(1.5 * scale)
            _line(pdf, block.text, 11 * scale, bold=True)
        elif isinstance(block, Words):
            _line(pdf, block.text, 9 * scale, bold=block.strong)
            pdf.ln(0.8 * scale)
        elif isinstance(block, Care):
            _care(pdf, block, scale, width)
        elif isinstance(block, Grid):
            _grid(pdf, block, scale)
        else:
            _season(pdf, block, scale, width)
    return pdf


def _blank(paper: Paper) -> Any:
    """Return an empty document with its letters, and a foot line on each page."""
    from fpdf import FPDF

    class Sheet(FPDF):
        def footer(self) -> None:
            """Write the foot line."""
            self.set_y(-9)
            self.set_font(FAMILY, size=7)
            self.cell(0, 4, paper.foot, align="L")

    pdf = Sheet(orientation="L" if paper.landscape else "P", format="A4")
    for style, name in (("", "DejaVuSans.ttf"), ("B", "DejaVuSans-Bold.ttf")):
        with resources.as_file(resources.files("core.reports").joinpath("fonts", name)) as path:
            pdf.add_font(FAMILY, style, path)
    pdf.set_margins(MARGIN_MM, MARGIN_MM, MARGIN_MM)
    pdf.set_auto_page_break(True, MARGIN_MM)
    pdf.set_title(paper.title)
    pdf.set_lang(paper.language)
    return pdf


def _line(pdf: Any, text: str, points: float, bold: bool = False) -> None:
    """Write a paragraph over the whole width."""
    pdf.set_font(FAMILY, "B" if bold else "", points)
    pdf.multi_cell(0, points * POINT_MM * 1.3, text, new_x="LMARGIN", new_y="NEXT", align="L")


def _next_half(pdf: Any, lower: bool) -> bool:
    """Go to the lower half of the page, or to a new page; return whether the lower half is now taken."""
    half = pdf.h / 2
    if lower or pdf.get_y() > half:
        pdf.add_page()
        return False
    pdf.set_draw_color(150)
    pdf.set_dash_pattern(2, 2)
    pdf.line(0, half, pdf.w, half)
    pdf.set_dash_pattern()
    pdf.set_draw_color(0)
    pdf.set_y(half + 6)
    return True


def _care(pdf: Any, block: Care, scale: float, width: float) -> None:
    """Write cautions in a frame that is kept on one page."""
    pdf.ln(1.5 * scale)
    points = 8.5 * scale
    step = points * POINT_MM * 1.3
    pdf.set_font(FAMILY, "", points)
    lines = sum(
        len(pdf.multi_cell(width - 4, step, text, dry_run=True, output="LINES")) for text in (block.title, *block.lines)
    )
    tall = lines * step + 3
    if pdf.get_y() + tall > pdf.h - MARGIN_MM:
        pdf.add_page()
    top = pdf.get_y()
    pdf.set_line_width(0.6)
    pdf.rect(MARGIN_MM, top, width, tall)
    pdf.set_line_width(0.2)
    pdf.set_xy(MARGIN_MM + 2, top + 1.5)
    for number, text in enumerate((block.title, *block.lines)):
        pdf.set_font(FAMILY, "B" if number == 0 else "", points)
        pdf.set_x(MARGIN_MM + 2)
        pdf.multi_cell(width - 4, step, text, new_x="LMARGIN", new_y="NEXT", align="L")
    pdf.set_y(top + tall + 1)


def _grid(pdf: Any, block: Grid, scale: float) -> None:
    """Write a table whose headings come again on each page."""
    from fpdf.enums import TableBordersLayout
    from fpdf.fonts import FontFace

    points = 8.5 * scale
    pdf.set_font(FAMILY, "", points)
    layout = TableBordersLayout.ALL if block.lined else TableBordersLayout.HORIZONTAL_LINES
    aligns = tuple("RIGHT" if at in block.right else "LEFT" for at in range(len(block.heads)))
    tall = max(points * POINT_MM * 1.35, block.row_mm)
    with pdf.table(
        col_widths=block.widths,
        text_align=aligns,
        borders_layout=layout,
        line_height=points * POINT_MM * 1.35,
        headings_style=FontFace(emphasis="BOLD"),
        padding=(0.3, 0.8),
        min_row_height=tall,
    ) as table:
        head = table.row()
        for text in block.heads:
            head.cell(text)
        for cells in block.rows:
            row = table.row()
            for text in cells:
                row.cell(text)
    pdf.ln(1.0 * scale)


def _season(pdf: Any, block: Season, scale: float, width: float) -> None:
    """Draw the calendar, and below it what its signs mean."""
    from dataclasses import replace

    shapes, tall = season_shapes(replace(block, row_mm=block.row_mm * scale), width)
    top = pdf.get_y() + 1
    if top + tall > pdf.h - MARGIN_MM:
        pdf.add_page()
        top = pdf.get_y()
    for shape in shapes:
        _shape(pdf, shape, MARGIN_MM, top)
    pdf.set_y(top + tall + 1)
    pdf.set_font(FAMILY, "", 7.5 * scale)
    at, y = MARGIN_MM, pdf.get_y()
    for kind, text in block.legend:
        fill = {"dry": HATCH, "keep": WHITE, "sell": BLACK, "home": GREY}[kind]
        _shape(pdf, Shape(at, y, 5, 3, fill), 0, 0)
        pdf.set_xy(at + 5.5, y - 0.3)
        pdf.cell(pdf.get_string_width(text) + 2, 3.5, text)
        at = pdf.get_x() + 3
    pdf.set_xy(MARGIN_MM, y + 4.5)


def _shape(pdf: Any, shape: Shape, left: float, top: float) -> None:
    """Draw one shape."""
    x, y = left + shape.x, top + shape.y
    if shape.text:
        pdf.set_font(FAMILY, "B" if shape.bold else "", shape.size_mm / POINT_MM)
        pdf.set_text_color(255 if shape.fill == WHITE else 0)
        pdf.text(x - (pdf.get_string_width(shape.text) / 2 if shape.middle else 0), y, shape.text)
        pdf.set_text_color(0)
    elif shape.fill == NONE:
        pdf.set_draw_color(170)
        pdf.line(x, y, x + shape.width, y + shape.height)
        pdf.set_draw_color(0)
    else:
        pdf.set_fill_color({BLACK: 0, GREY: 215}.get(shape.fill, 255))
        pdf.rect(x, y, shape.width, shape.height, style="DF")
        if shape.fill == HATCH:
            _hatch(pdf, x, y, shape.width, shape.height)


def _hatch(pdf: Any, x: float, y: float, width: float, height: float) -> None:
    """Draw slanting lines inside a rectangle."""
    at = 1.0
    while at < width + height:
        x1, y1 = min(at, width), max(at - width, 0.0)
        x2, y2 = max(at - height, 0.0), min(at, height)
        pdf.line(x + x1, y + y1, x + x2, y + y2)
        at += 1.0
