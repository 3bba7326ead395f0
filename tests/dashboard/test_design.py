"""The look holds what `dashboard/design.md` promises: contrasts, colours told apart, numbers in one place."""

from __future__ import annotations

import itertools
import json
import re
import tomllib

import numpy as np
import plotly.graph_objects as go
import pytest

from core.reports import printed
from dashboard.catalogue import ROOT
from dashboard.charts import palette
from dashboard.charts.base import label_ends, layout

CONFIG = tomllib.loads((ROOT / "dashboard" / ".streamlit" / "config.toml").read_text(encoding="utf-8"))
THEME = CONFIG["theme"]
# How people without one sort of cones see: Machado, Oliveira and Fernandes (2009), IEEE TVCG 15, 1291-1298, severity 1.
SIGHT = {
    "all": np.eye(3),
    "no red cones": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "no green cones": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "no blue cones": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}


def linear(colour: str) -> np.ndarray:
    """Return linear sRGB (IEC 61966-2-1)."""
    share = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of WCAG 2.1."""
    low, high = sorted(float(linear(colour) @ [0.2126, 0.7152, 0.0722]) for colour in (one, other))
    return (high + 0.05) / (low + 0.05)


def oklab(rgb: np.ndarray) -> np.ndarray:
    """Return the coordinates of Ottosson (2020), in which equal steps look about equally large."""
    cones = [
        [0.4122214708, 0.5363325363, 0.0514459929],
        [0.2119034982, 0.6806995451, 0.1073969566],
        [0.0883024619, 0.2817188376, 0.6299787005],
    ]
    lab = [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
    return np.array(lab) @ np.cbrt(np.array(cones) @ np.clip(rgb, 0, 1))


def test_the_ruler_itself():
    """WCAG 2.1: black on white is 21 to 1; #767676 on white is the lightest grey with 4.5 (4.54)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("mode", ["light", "dark"])
def test_words_of_the_theme_can_be_read(mode):
    look = THEME[mode]
    grounds = look["backgroundColor"], look["secondaryBackgroundColor"]
    for name in ("textColor", "primaryColor", "linkColor", "grayTextColor"):
        assert min(contrast(look[name], ground) for ground in grounds) >= 4.5, name
    for colour in ("blue", "yellow", "red", "green"):
        assert contrast(look[f"{colour}TextColor"], look[f"{colour}BackgroundColor"]) >= 4.5, colour
    on_button = "#ffffff" if mode == "light" else palette.DARK[palette.PAPER]
    assert contrast(look["primaryColor"], on_button) >= 4.5
    assert min(contrast(look["borderColor"], ground) for ground in grounds) >= 3.0


@pytest.mark.parametrize("mode", ["light", "dark"])
def test_colours_of_pictures_can_be_read_and_told_apart(mode):
    series = [colour if mode == "light" else palette.DARK[colour] for colour in palette.SERIES]
    ground = THEME[mode]["backgroundColor"]
    assert ground == (palette.PAPER if mode == "light" else palette.DARK[palette.PAPER])
    for colour in series:
        assert contrast(colour, ground) >= 4.5, colour
    for sight, matrix in SIGHT.items():
        seen = [oklab(np.array(matrix) @ linear(colour)) for colour in series]
        nearest = min(np.linalg.norm(one - other) for one, other in itertools.combinations(seen, 2))
        assert nearest > (0.07 if sight == "no blue cones" else 0.10), sight


@pytest.mark.parametrize("mode", ["light", "dark"])
def test_words_on_a_coloured_block_can_be_read(mode):
    def seen(colour):
        return colour if mode == "light" else palette.DARK[colour]

    def mixed(colour):
        pairs = zip(bytes.fromhex(seen(colour)[1:]), bytes.fromhex(seen(palette.PAPER)[1:]), strict=True)
        return "#" + bytes(round(a * palette.BEHIND_WORDS + b * (1 - palette.BEHIND_WORDS)) for a, b in pairs).hex()

    for colour in palette.SERIES:
        assert contrast(mixed(colour), seen(palette.INK)) >= 4.5, colour


def test_no_colour_is_named_outside_theme_and_palette():
    for path in (ROOT / "dashboard").rglob("*.py"):
        if path.name != "palette.py":
            found = re.findall(r"#[0-9a-fA-F]{6}\b", path.read_text(encoding="utf-8"))
            assert not found, f"{path.name}: {found}"


def test_a_dark_page_gets_dark_colours():
    figure = layout(go.Figure(go.Scatter(x=[1, 2], y=[3, 4], line={"color": palette.PLUM})), "week", "kg")
    figure.add_hrect(y0=0, y1=1, fillcolor=palette.shade(palette.BLUE, 0.2))
    text = palette.darkened(figure.to_json())
    assert palette.DARK[palette.PLUM] in text
    assert palette.shade(palette.DARK[palette.BLUE], 0.2) in text
    assert not any(light in text for light in palette.DARK if light not in palette.DARK.values())


@pytest.mark.parametrize("mode", ["light", "dark"])
def test_words_inside_a_bar_can_be_read(mode):
    text = layout(go.Figure(go.Bar(x=[5, 9], y=["a", "b"], text=["5", "9"])), "kg", "").to_json()
    (bars,) = json.loads(palette.darkened(text) if mode == "dark" else text)["data"]
    for colour in palette.SERIES:
        ground = colour if mode == "light" else palette.DARK[colour]
        assert contrast(bars["insidetextfont"]["color"], ground) >= 4.5, colour
    assert contrast(bars["outsidetextfont"]["color"], THEME[mode]["backgroundColor"]) >= 4.5


def test_a_sheet_shown_in_a_page_has_its_own_ground():
    """The page around it may be dark, its ink is not."""
    assert "html{background:#fff}" in printed.STYLE


def test_lines_are_named_at_their_ends_without_overlap():
    figure = go.Figure()
    for name, last in (("one", 10.0), ("two", 10.1), ("three", 10.2)):
        figure.add_trace(go.Scatter(x=[0, 1], y=[0.0, last], mode="lines", name=name))
    drawn = json.loads(label_ends(layout(figure, "month", "price")).to_json())
    assert all(trace["showlegend"] is False for trace in drawn["data"])
    heights = sorted(note["y"] for note in drawn["layout"]["annotations"])
    assert len(heights) == 3
    assert min(np.diff(heights)) > 0.1 * 10.2
    figure = go.Figure(layout={"yaxis": {"rangemode": "tozero"}})  # an axis that begins at 0, names of three lines
    for name, last in (("price that pays for waiting", 700.0), ("middle of all prices", 710.0)):
        figure.add_trace(go.Scatter(x=[0, 1], y=[600.0, last], mode="lines", name=name))
    drawn = json.loads(label_ends(layout(figure, "month", "price", height=380), 8).to_json())
    low, high = sorted(drawn["layout"]["annotations"], key=lambda note: note["y"])
    lines = (low["text"].count("<br>") + high["text"].count("<br>") + 2) / 2
    assert (high["y"] - low["y"]) / 710 * 270 > 16 * lines  # of 270 pixels, 16 a line


def test_no_page_waits_for_a_whole_collection_of_memory():
    """After each run of a page it held all the others up (`tests/benchmarks/page_speed`)."""
    assert CONFIG["runner"]["postScriptGC"] is False
