"""Pages to print as HTML: no script, nothing fetched, every text escaped."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from html import escape

STYLE = (
    "html{background:#fff}"
    "body{font-family:Georgia,serif;max-width:46rem;margin:1rem auto;padding:0 .5rem;color:#22261f;font-size:.86rem}"
    "table{border-collapse:collapse;width:100%;margin:.3rem 0 .1rem}"
    "td,th{border-bottom:1px solid #bbb;padding:.12rem .35rem;text-align:left;vertical-align:bottom}"
    "td:first-child,.d{white-space:nowrap}.n{text-align:right;font-variant-numeric:tabular-nums}"
    "h1{font-size:1.25rem;margin:.2rem 0}h2{font-size:1rem;margin:.7rem 0 .1rem}p{margin:.15rem 0}"
    ".how{color:#555;font-style:italic}.sum td{font-weight:bold;border-bottom:2px solid #22261f}"
    "section{border:1px solid #22261f;padding:.6rem 1rem;margin:0 auto 1.2rem;max-width:26rem}"
    ".next{break-before:page}.sign{margin-top:1.6rem;display:flex;gap:2rem}.sign p{flex:1;border-top:1px solid #22261f}"
    "@media print{body{margin:0;max-width:none}@page{size:A4;margin:14mm}}"
    "@media screen and (max-width:500px){"
    ".wide tr:has(th){display:none}.wide tr{display:block;border:1px solid #bbb;padding:.3rem .5rem;margin:.3rem 0}"
    ".wide td{display:flex;justify-content:space-between;gap:1rem;border:0}.wide td:empty{display:none}"
    ".wide td:first-child{font-weight:bold}.wide td:not(:first-child)::before{content:attr(data-of);text-align:left}}"
)
MOST_COLUMNS_ON_A_PHONE = 3
"""A wider table becomes a card for each row on a narrow screen; on paper it stays a table."""


def page(title: str, parts: Sequence[str], language: str) -> str:
    """Return a whole page; the title is not yet escaped, the parts are safe HTML."""
    return (
        f"<!doctype html><html lang='{escape(language)}'><head><meta charset='utf-8'>"
        "<meta name='viewport' content='width=device-width, initial-scale=1'>"
        f"<title>{escape(title)}</title><style>{STYLE}</style></head><body>{''.join(parts)}</body></html>"
    )


def heading(text: str, level: int = 2) -> str:
    """Return a heading."""
    return f"<h{level}>{escape(text)}</h{level}>"


def paragraph(text: str, kind: str = "") -> str:
    """Return a paragraph; `kind` "how" explains a sum."""
    return f"<p class={kind}>{escape(text)}</p>" if kind else f"<p>{escape(text)}</p>"


def table(rows: Sequence[Sequence[str]], numbers: int | None = None, sums: int = 0, days: Collection[int] = ()) -> str:
    """Return a table whose first row heads it, where anything stands in that.

    Parameters
    ----------
    numbers : int, optional
        So many of the last columns stand to the right; all but the first where left out.
    """
    head = rows[0]
    first = 1 if numbers is None else len(head) - numbers
    kinds = [" class=n" if place >= first else " class=d" if place in days else "" for place in range(len(head))]

    wide = len(head) > MOST_COLUMNS_ON_A_PHONE

    def cells(row: Sequence[str]) -> str:
        marks = [f"{kind} data-of='{escape(of)}'" if wide else kind for of, kind in zip(head, kinds, strict=True)]
        return "".join(f"<td{mark}>{escape(cell)}</td>" for mark, cell in zip(marks, row, strict=True))

    sum_from = len(rows) - sums
    body = "".join(
        f"<tr{' class=sum' if place >= sum_from else ''}>{cells(row)}</tr>" for place, row in enumerate(rows) if place
    )
    top = "".join(f"<th{kind}>{escape(cell)}</th>" for kind, cell in zip(kinds, head, strict=True)) if any(head) else ""
    return f"<table{' class=wide' if wide else ''}><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>"


def signatures(names: Sequence[str]) -> str:
    """Return a line to sign on for each name."""
    return f"<div class=sign>{''.join(paragraph(name) for name in names)}</div>"
