"""A sheet as one HTML file: no script, nothing fetched, every text escaped; prints like the PDF."""

from __future__ import annotations

from html import escape

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

STYLE = """
@page { size: A4 %s; margin: 12mm; }
body { font-family: sans-serif; color: #000; background: #fff; margin: 0 auto; max-width: %s; padding: 0 3mm; }
h1 { font-size: 15pt; margin: 0 0 1mm; } h2 { font-size: 11pt; margin: 3mm 0 1mm; }
p { margin: 0 0 1mm; font-size: 9.5pt; }
table { border-collapse: collapse; width: 100%%; font-size: 9pt; margin-bottom: 2mm; }
th, td { border-bottom: 1px solid #888; padding: 0.5mm 1mm; text-align: left; vertical-align: top; }
table.lined th, table.lined td { border: 1px solid #666; }
td.right { text-align: right; white-space: nowrap; }
thead { display: table-header-group; } tr { break-inside: avoid; }
.care { border: 2px solid #000; padding: 1mm 2mm; margin: 2mm 0; break-inside: avoid; }
.scroll { overflow-x: auto; } svg { max-width: 100%%; height: auto; }
.part { break-before: page; } .half { border-top: 1px dashed #888; margin-top: 6mm; padding-top: 4mm; }
footer { font-size: 7pt; margin-top: 3mm; }
@media print { .scroll { overflow: visible; } body { padding: 0; } }
"""
FILLS = {BLACK: "#000", WHITE: "#fff", HATCH: "url(#hatch)", GREY: "#d7d7d7"}
KINDS = {"dry": HATCH, "keep": WHITE, "sell": BLACK, "home": GREY}


def paper_html(paper: Paper) -> str:
    """Return a sheet as HTML."""
    wide = "273mm" if paper.landscape else "186mm"
    style = STYLE % ("landscape" if paper.landscape else "portrait", wide)
    parts = []
    for block in paper.blocks:
        if isinstance(block, NewPage):
            parts.append("<div class='part'></div>")
        elif isinstance(block, HalfPage):
            parts.append("<div class='half'></div>")
        elif isinstance(block, Heading):
            parts.append(f"<h2>{escape(block.text)}</h2>")
        elif isinstance(block, Words):
            text = escape(block.text)
            parts.append(f"<p><b>{text}</b></p>" if block.strong else f"<p>{text}</p>")
        elif isinstance(block, Care):
            lines = "".join(f"<p>{escape(text)}</p>" for text in block.lines)
            parts.append(f"<div class='care'><p><b>{escape(block.title)}</b></p>{lines}</div>")
        elif isinstance(block, Grid):
            parts.append(_grid(block))
        else:
            parts.append(_season(block, 273.0 if paper.landscape else 186.0))
    return (
        f"<!DOCTYPE html><html lang='{escape(paper.language)}'><head><meta charset='utf-8'><meta name='viewport' "
        f"content='width=device-width, initial-scale=1'><title>{escape(paper.title)}</title><style>{style}</style>"
        f"</head><body><h1>{escape(paper.title)}</h1><p>{escape(paper.under)}</p>{''.join(parts)}"
        f"<footer>{escape(paper.foot)}</footer></body></html>"
    )


def _grid(block: Grid) -> str:
    head = "".join(f"<th scope='col'>{escape(text)}</th>" for text in block.heads)
    tall = f" style='height:{block.row_mm:g}mm'" if block.row_mm else ""
    body = "".join(
        f"<tr{tall}>"
        + "".join(
            f"<td{' class=right' if at in block.right else ''}>{escape(text)}</td>" for at, text in enumerate(cells)
        )
        + "</tr>"
        for cells in block.rows
    )
    lined = " class='lined'" if block.lined else ""
    return f"<div class='scroll'><table{lined}><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>"


def _season(block: Season, width_mm: float) -> str:
    shapes, tall = season_shapes(block, width_mm)
    drawn = "".join(_shape(shape) for shape in shapes)
    legend = "".join(
        f"<svg width='5mm' height='3mm' viewBox='0 0 5 3'>{_shape(Shape(0.1, 0.1, 4.8, 2.8, KINDS[kind]))}</svg> "
        f"{escape(text)} &nbsp; "
        for kind, text in block.legend
    )
    hatch = (
        "<defs><pattern id='hatch' width='1' height='1' patternUnits='userSpaceOnUse' patternTransform='rotate(45)'>"
        "<rect width='1' height='1' fill='#fff'/><rect width='0.25' height='1' fill='#000'/></pattern></defs>"
    )
    return (
        f"<div class='scroll'><svg width='{width_mm:g}mm' height='{tall:g}mm' viewBox='0 0 {width_mm:g} {tall:g}' "
        f"role='img' font-family='sans-serif'>{hatch}{drawn}</svg></div><p>{legend}</p>"
    )


def _shape(shape: Shape) -> str:
    if shape.text:
        anchor = " text-anchor='middle'" if shape.middle else ""
        weight = " font-weight='bold'" if shape.bold else ""
        colour = "#fff" if shape.fill == WHITE else "#000"
        return (
            f"<text x='{shape.x:.2f}' y='{shape.y:.2f}' font-size='{shape.size_mm:g}' fill='{colour}'{anchor}{weight}>"
            f"{escape(shape.text)}</text>"
        )
    if shape.fill == NONE:
        return (
            f"<line x1='{shape.x:.2f}' y1='{shape.y:.2f}' x2='{shape.x + shape.width:.2f}' "
            f"y2='{shape.y + shape.height:.2f}' stroke='#aaa' stroke-width='0.2'/>"
        )
    return (
        f"<rect x='{shape.x:.2f}' y='{shape.y:.2f}' width='{shape.width:.2f}' height='{shape.height:.2f}' "
        f"fill='{FILLS[shape.fill]}' stroke='#000' stroke-width='0.2'/>"
    )
