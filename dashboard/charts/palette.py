"""Colours of our own, told apart by people who see colours differently; each state also has a word and a mark.

The values follow `dashboard/design.md`: each has a contrast of at least 4.5 to 1 on the page's ground, so that a label
may have its line's colour. Figures are drawn in the light colours; `dashboard.page.chart` changes them where the page
is dark.
"""

from __future__ import annotations

INK = "#1f1b22"
PAPER = "#fbfbf9"
GRID = "#dcd8df"
ZERO = "#6f6876"
PLUM = "#4a0438"
BLUE = "#164e6e"
STRAW = "#945f08"
SKY = "#5151bb"
CLAY = "#622701"
STONE = "#666f75"
SERIES = (BLUE, STRAW, PLUM, SKY, CLAY, STONE)
DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")
MARKS = ("circle", "square", "diamond", "triangle-up", "x", "cross")

DARK = {
    INK: "#f1eef3",
    PAPER: "#17161a",
    GRID: "#3a3640",
    ZERO: "#9a93a3",
    PLUM: "#f1d8e5",
    BLUE: "#0789e5",
    STRAW: "#efb94b",
    SKY: "#b3adf6",
    CLAY: "#e17233",
    STONE: "#94959d",
}
"""Each colour's counterpart on a dark page."""

BEHIND_WORDS = 0.4
"""Opacity of a colour that has words in ink on it, on a light page and on a dark one."""


def shade(colour: str, opacity: float) -> str:
    """Return a hex colour as rgba with the given opacity, for bands of a fan."""
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"rgba({red},{green},{blue},{opacity})"


def darkened(text: str) -> str:
    """Return a figure's JSON text with every colour of the palette changed to its counterpart on a dark page."""
    for light, dark in DARK.items():
        text = text.replace(light, dark).replace(light.upper(), dark)
        text = text.replace(shade(light, 0).removesuffix("0)"), shade(dark, 0).removesuffix("0)"))
    return text
