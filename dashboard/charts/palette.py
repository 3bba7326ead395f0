"""Colours of our own, told apart by people who see colours differently; each state also has a word and a mark."""

from __future__ import annotations

INK = "#22261f"
PAPER = "#fdfcf8"
GRID = "#ded8c8"
BLUE = "#1f4e79"
STRAW = "#d9a441"
PLUM = "#7b3f61"
SKY = "#6fa8c9"
CLAY = "#b5623a"
STONE = "#8a8778"
SERIES = (BLUE, STRAW, PLUM, SKY, CLAY, STONE)
DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")
MARKS = ("circle", "square", "diamond", "triangle-up", "x", "cross")


def shade(colour: str, opacity: float) -> str:
    """Return a hex colour as rgba with the given opacity, for bands of a fan."""
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"rgba({red},{green},{blue},{opacity})"
