"""A sheet of paper as plain parts, drawn as PDF: words, grids, the calendar of the season, cautions."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

LABEL_MM, HEAD_MM, BOX_MM, TYPE_MM = 36.0, 5.0, 6.5, 2.6
BLACK, WHITE, HATCH, GREY, NONE = "black", "white", "hatch", "grey", "none"
FILLS = {"dry": HATCH, "keep": WHITE, "sell": BLACK, "home": GREY}
"""How a bar of each kind is filled."""


@dataclass(frozen=True)
class Heading:
    """A heading inside a sheet."""

    text: str


@dataclass(frozen=True)
class Words:
    """A paragraph; `strong` sets it in bold."""

    text: str
    strong: bool = False


@dataclass(frozen=True)
class Care:
    """Cautions in a frame, each a line of its own."""

    title: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class Grid:
    """A table.

    Parameters
    ----------
    row_mm : float
        Least height of a row, mm (rows to be filled in by hand are taller).
    """

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[float, ...]
    right: frozenset[int] = frozenset()
    row_mm: float = 0.0
    lined: bool = False


@dataclass(frozen=True)
class Bar:
    """A stretch of a row of the calendar: `kind` dry, keep, sell or home."""

    kind: str
    on: date
    until: date
    text: str


@dataclass(frozen=True)
class Season:
    """The calendar of the season: rows of bars between two days; `legend` explains each kind in words."""

    first: date
    last: date
    months: tuple[tuple[date, str], ...]
    rows: tuple[tuple[str, tuple[Bar, ...]], ...]
    legend: tuple[tuple[str, str], ...]
    row_mm: float = 4.6


@dataclass(frozen=True)
class HalfPage:
    """What follows begins on the lower half of the page, or on a new page where that is taken."""


Block = Heading | Words | Care | Grid | Season | HalfPage


@dataclass(frozen=True)
class Paper:
    """A sheet to print on A4.

    Parameters
    ----------
    most_pages : int or None
        The type is made smaller until the sheet fits on so many pages.
    """

    title: str
    under: str
    blocks: tuple[Block, ...]
    language: str = "en"
    landscape: bool = False
    most_pages: int | None = None
    foot: str = ""


@dataclass(frozen=True)
class Shape:
    """A rectangle, a line (no fill) or a text of a picture, mm from its upper left corner.

    Parameters
    ----------
    width : float
        Of a text: the room that it has, 0 for any; a longer one is written smaller.
    """

    x: float
    y: float
    width: float = 0.0
    height: float = 0.0
    fill: str = NONE
    text: str = ""
    bold: bool = False
    middle: bool = False
    size_mm: float = TYPE_MM


def season_shapes(season: Season, width_mm: float) -> tuple[list[Shape], float]:
    """Return the calendar as shapes and its height, mm.

    A row shows its drying as hatched bars, its time in store as one outlined bar with the bags put in it, and each
    sale as a black box with the bags sold in it, so that the black boxes of a row add up to its bags.
    """
    days = max((season.last - season.first).days, 1)
    chart = width_mm - LABEL_MM

    def x_of(on: date) -> float:
        return LABEL_MM + chart * min(max((on - season.first).days / days, 0.0), 1.0)

    row = season.row_mm
    height = HEAD_MM + row * len(season.rows)
    shapes = [Shape(x_of(on), 0.0, 0.0, height) for on, _name in season.months]
    # the first days of a season may be the last of a month: a name without room before the next line is left out
    ends = [*(x_of(on) for on, _name in season.months[1:]), width_mm]
    shapes += [
        Shape(x_of(on) + 0.8, HEAD_MM - 1.6, text=name, size_mm=TYPE_MM)
        for (on, name), end in zip(season.months, ends, strict=False)
        if _fits(name, TYPE_MM, end - x_of(on))
    ]
    for number, (label, bars) in enumerate(season.rows):
        top = HEAD_MM + number * row
        shapes.append(Shape(0.0, top, width_mm, 0.0))
        shapes.append(Shape(0.5, top + row - 1.4, LABEL_MM - 1.0, text=label, size_mm=min(TYPE_MM, row * 0.56)))
        shapes += _bars(bars, x_of, top, row, width_mm)
    return [*shapes, Shape(0.0, height, width_mm, 0.0)], height


def _fits(text: str, size_mm: float, room_mm: float) -> bool:
    """Return whether a text, its letters 0.62 of their size wide on average, fits with half a mm on each side."""
    return room_mm > len(text) * size_mm * 0.62 + 1.0


def _bars(bars: Sequence[Bar], x_of: Callable[[date], float], top: float, row: float, width_mm: float) -> list[Shape]:
    """Return the shapes of one row: bars first, then the boxes of sales, moved apart where they would overlap."""
    tall, size = row - 1.0, min(TYPE_MM, row * 0.56)
    shapes = []
    for bar in bars:
        if bar.kind == "sell":
            continue
        left, right = x_of(bar.on), x_of(bar.until + timedelta(days=1))
        shapes.append(Shape(left, top + 0.5, max(right - left, 1.2), tall, FILLS[bar.kind]))
        if bar.kind == "dry":  # bags on the spaces are in the list of days
            continue
        if bar.text and _fits(bar.text, size, right - left):
            shapes.append(Shape((left + right) / 2, top + row - 1.4, text=bar.text, middle=True, size_mm=size))
    sold = sorted((item for item in bars if item.kind == "sell"), key=lambda item: item.on)
    for left, bar in zip(_apart([x_of(bar.on) for bar in sold], width_mm), sold, strict=True):
        shapes.append(Shape(left, top + 0.5, BOX_MM, tall, BLACK))
        at, base = left + BOX_MM / 2, top + row - 1.4
        shapes.append(Shape(at, base, BOX_MM - 0.6, 0.0, WHITE, bar.text, bold=True, middle=True, size_mm=size))
    return shapes


def _apart(lefts: Sequence[float], width_mm: float) -> list[float]:
    """Return the left sides of boxes moved apart, none beyond the right edge."""
    step, at = BOX_MM + 0.4, 0.0
    placed: list[float] = []
    for left in lefts:
        at = max(left, at)
        placed.append(at)
        at += step
    edge = width_mm - BOX_MM
    for number in range(len(placed) - 1, -1, -1):
        placed[number] = min(placed[number], edge)
        edge = placed[number] - step
    return placed
