"""A sheet as PDF (A4, black and white), with letters of Latin scripts bundled."""

from __future__ import annotations

from importlib import resources
from typing import Any

from core.reports.paper import (
    BLACK,
    FILLS,
    GREY,
    HATCH,
    NONE,
    WHITE,
    Care,
    Grid,
    HalfPage,
    Heading,
    Paper,
    Season,
    Shape,
    Words,
    season_shapes,
)

# The look of a sheet, as dashboard/design.md has it: mm, points, and a line's height in sizes of its type.
MARGIN_MM, GAP_MM, LEAST_GAP_MM = 12.0, 1.5, 0.8
TITLE, HEADING, TEXT, SMALL, LEGEND, FOOT = 15.0, 11.0, 9.0, 8.5, 7.5, 7.0
LEADING = 1.3
SCALES = (1.0, 0.92, 0.85, 0.78, 0.71, 0.64)
POINT_MM = 25.4 / 72
FAMILY = "sheet"


def paper_pdf(paper: Paper) -> bytes:
    """Return a sheet as PDF; where it has a limit of pages, its type is made smaller until it fits."""
    for scale in SCALES:
        made = _draw(paper, scale)
        if paper.most_pages is None or made.pages_count <= paper.most_pages:
            break
    return bytes(made.output())


def _draw(paper: Paper, scale: float) -> Any:
    """Return the sheet drawn with type of one size."""
    pdf = _blank(paper)
    pdf.add_page()
    width = pdf.w - 2 * MARGIN_MM
    _line(pdf, paper.title, TITLE * scale, bold=True)
    if paper.under:
        _line(pdf, paper.under, TEXT * scale)
    pdf.ln(GAP_MM * scale)
    for block in paper.blocks:
        if isinstance(block, HalfPage):
            _next_half(pdf)
        elif isinstance(block, Heading):
            pdf.ln(GAP_MM * scale)
            _line(pdf, block.text, HEADING * scale, bold=True)
        elif isinstance(block, Words):
            _line(pdf, block.text, TEXT * scale, bold=block.strong)
            pdf.ln(LEAST_GAP_MM * scale)
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
            self.set_y(-0.75 * MARGIN_MM)
            self.set_font(FAMILY, size=FOOT)
            self.cell(0, FOOT * POINT_MM * LEADING, paper.foot, align="L")

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
    pdf.multi_cell(0, points * POINT_MM * LEADING, text, new_x="LMARGIN", new_y="NEXT", align="L")


def _next_half(pdf: Any) -> None:
    """Go to the lower half of the page, or to a new page where that is begun."""
    half = pdf.h / 2
    if pdf.get_y() > half:
        pdf.add_page()
        return
    pdf.set_draw_color(150)
    pdf.set_dash_pattern(2, 2)
    pdf.line(0, half, pdf.w, half)
    pdf.set_dash_pattern()
    pdf.set_draw_color(0)
    pdf.set_y(half + MARGIN_MM / 2)


def _care(pdf: Any, block: Care, scale: float, width: float) -> None:
    """Write cautions in a frame that is kept on one page."""
    pdf.ln(GAP_MM * scale)
    points = SMALL * scale
    step = points * POINT_MM * LEADING
    inner = width - 2 * GAP_MM
    pdf.set_font(FAMILY, "", points)
    lines = sum(
        len(pdf.multi_cell(inner, step, text, dry_run=True, output="LINES")) for text in (block.title, *block.lines)
    )
    tall = lines * step + 2 * GAP_MM
    if pdf.get_y() + tall > pdf.h - MARGIN_MM:
        pdf.add_page()
    top = pdf.get_y()
    pdf.set_line_width(0.6)
    pdf.rect(MARGIN_MM, top, width, tall)
    pdf.set_line_width(0.2)
    pdf.set_y(top + GAP_MM)
    for number, text in enumerate((block.title, *block.lines)):
        pdf.set_font(FAMILY, "B" if number == 0 else "", points)
        pdf.set_x(MARGIN_MM + GAP_MM)
        pdf.multi_cell(inner, step, text, new_x="LMARGIN", new_y="NEXT", align="L")
    pdf.set_y(top + tall + LEAST_GAP_MM)


def _grid(pdf: Any, block: Grid, scale: float) -> None:
    """Write a table whose headings come again on each page."""
    from fpdf.enums import TableBordersLayout
    from fpdf.fonts import FontFace

    points = SMALL * scale
    pdf.set_font(FAMILY, "", points)
    layout = TableBordersLayout.ALL if block.lined else TableBordersLayout.HORIZONTAL_LINES
    aligns = tuple("RIGHT" if at in block.right else "LEFT" for at in range(len(block.heads)))
    with pdf.table(
        col_widths=block.widths,
        text_align=aligns,
        borders_layout=layout,
        line_height=points * POINT_MM * LEADING,
        headings_style=FontFace(emphasis="BOLD"),
        padding=(0.3, 0.8),
        min_row_height=block.row_mm,
    ) as table:
        head = table.row()
        for text in block.heads:
            head.cell(text)
        for cells in block.rows:
            row = table.row()
            for text in cells:
                row.cell(text)
    pdf.ln(LEAST_GAP_MM * scale)


def _season(pdf: Any, block: Season, scale: float, width: float) -> None:
    """Draw the calendar, and below it what its signs mean."""
    from dataclasses import replace

    shapes, tall = season_shapes(replace(block, row_mm=block.row_mm * scale), width)
    signs, tall = _legend(pdf, block, LEGEND * POINT_MM * scale, tall + LEAST_GAP_MM, width)
    top = pdf.get_y() + LEAST_GAP_MM
    if top + tall > pdf.h - MARGIN_MM:
        pdf.add_page()
        top = pdf.get_y()
    for shape in (*shapes, *signs):
        _shape(pdf, shape, MARGIN_MM, top)
    pdf.set_y(top + tall + LEAST_GAP_MM)


def _legend(pdf: Any, block: Season, size: float, top: float, width: float) -> tuple[list[Shape], float]:
    """Return each sign and its words beside it, in as many lines as they need, and where the last line ends."""
    shapes, at = [], 0.0
    for kind, text in block.legend:
        long = _length(pdf, Shape(0.0, 0.0, text=text, size_mm=size))
        if at + 2.5 * size + long > width:
            at, top = 0.0, top + LEADING * size
        shapes.append(Shape(at, top, 2 * size, size, FILLS[kind]))
        shapes.append(Shape(at + 2.5 * size, top + size, text=text, size_mm=size))
        at += 3.5 * size + long
    return shapes, top + size


def _length(pdf: Any, shape: Shape) -> float:
    """Return how long a shape's text is, mm, and leave its type set: smaller where it has less room than that."""
    pdf.set_font(FAMILY, "B" if shape.bold else "", shape.size_mm / POINT_MM)
    long = pdf.get_string_width(shape.text)
    if shape.width and long > shape.width:
        pdf.set_font_size(shape.size_mm / POINT_MM * shape.width / long)
        return shape.width
    return long


def _shape(pdf: Any, shape: Shape, left: float, top: float) -> None:
    """Draw one shape."""
    x, y = left + shape.x, top + shape.y
    if shape.text:
        long = _length(pdf, shape)
        pdf.set_text_color(255 if shape.fill == WHITE else 0)
        pdf.text(x - (long / 2 if shape.middle else 0), y, shape.text)
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
