"""The common look of all figures."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap

import numpy as np
import plotly.graph_objects as go
import plotly.io as pio

from dashboard.charts.palette import BLUE, GRID, INK, PAPER, SERIES, ZERO, shade
from dashboard.text import tongue

LEGEND_LINE_PX, AXIS_PX = 21, 46
END_LINE = 0.075
"""What a line of a name at a line's end takes of the height of a picture of the usual height."""


AXIS = {"showgrid": True, "gridcolor": GRID, "automargin": True}
pio.templates["dryhold"] = go.layout.Template(
    layout={
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {"color": INK, "size": 14},
        "colorway": SERIES,
        "legend": {"orientation": "h", "yref": "container", "yanchor": "bottom", "y": 0, "x": 0},
        "hovermode": "x unified",
        "hoverlabel": {"bgcolor": PAPER, "font": {"color": INK}},
        "title": {"x": 0, "xref": "container", "y": 0.98, "yanchor": "top", "font": {"size": 14}},
        "xaxis": {**AXIS, "showline": True, "linecolor": ZERO, "nticks": 6, "autotickangles": [0]},
        "yaxis": {**AXIS, "zeroline": True, "zerolinecolor": ZERO, "zerolinewidth": 1.5, "nticks": 7},
    },
    data={"scatter": [{"marker": {"line": {"width": 0}}}]},
)
pio.templates.default = "dryhold"  # said once here: each figure then brings its own layout only, and is drawn sooner


def layout(figure: go.Figure, x_title: str, y_title: str, height: int = 380) -> go.Figure:
    """Give a figure the common look: axis titles with units, a drawn zero line, labels that fit a phone's width.

    Parameters
    ----------
    figure : Figure
        The picture; lines that `label_ends` has named need no legend, others get one below.
    x_title, y_title : str
        What the axes show, with unit. The vertical one stands above the picture, level, so that it is read without
        turning the head and takes no width.
    height : int
        Pixels.
    """
    figure.update_layout(height=height, margin={"l": 8, "r": 8, "t": 44 if y_title else 12, "b": 8}, title_text=y_title)
    figure.update_layout(separators="".join(tongue().signs))  # decimals first
    figure.update_xaxes(title_text=x_title)
    figure.update_traces(
        insidetextfont={"color": PAPER},
        outsidetextfont={"color": INK},
        selector=lambda trace: trace.type == "bar" and trace.textfont.color is None,
    )
    return _room_for_legend(figure)


def _room_for_legend(figure: go.Figure) -> go.Figure:
    """Keep room below the axis for a legend, a line for each name as on a phone; none where there is no name."""
    names = {trace.name for trace in figure.data if trace.name and trace.showlegend is not False}
    wanted = figure.layout.showlegend if figure.layout.showlegend is not None else len(figure.data) > 1
    shown = len(names) if wanted else 0
    room, before = LEGEND_LINE_PX * shown, figure.layout.meta or 0
    return figure.update_layout(
        margin={"b": 8 + (AXIS_PX + room if shown else 0)}, height=figure.layout.height + room - before, meta=room
    )


def label_ends(figure: go.Figure, width: int = 14) -> go.Figure:
    """Name each line of a figure at its last point instead of in a legend, moved apart where they would overlap.

    Parameters
    ----------
    width : int
        Letters in a line of a label; longer names are broken.
    """
    ends = []
    for trace in figure.data:
        line = trace.name and trace.showlegend is not False and "lines" in str(getattr(trace, "mode", "") or "")
        known = [(x, y) for x, y in zip(trace.x, trace.y, strict=False) if y is not None and y == y] if line else []
        if known:
            ends.append((float(known[-1][1]), known[-1][0], trace))
            trace.showlegend = False
    values = [float(y) for trace in figure.data for y in (trace.y if trace.y is not None else ()) if _is_number(y)]
    if figure.layout.yaxis.rangemode == "tozero":
        values.append(0.0)
    span = max(values) - min(values) if values else 0.0
    ends.sort(key=lambda end: end[0])
    at, before = -float("inf"), 0
    for value, x, trace in ends:
        lines = wrap(str(trace.name), width)
        at = max(value, at + span * max(0.11, END_LINE * (before + len(lines)) / 2))
        before = len(lines)
        figure.add_annotation(
            x=x,
            y=at,
            text="<br>".join(lines),
            showarrow=False,
            xanchor="left",
            align="left",
            xshift=6,
            font={"color": trace.line.color or INK, "size": 13},
            bgcolor=PAPER,
        )
    return _room_for_legend(figure)  # the axis itself makes room for the names


def _is_number(value: object) -> bool:
    return isinstance(value, int | float | np.number) and bool(np.isfinite(float(value)))


def add_band(
    figure: go.Figure, x: Sequence[object], low: np.ndarray, high: np.ndarray, colour: str, name: str = ""
) -> go.Figure:
    """Add a band between two lines to a figure, in the legend where it has a name; arrays of shape (n,)."""
    for edge in (high, low):
        figure.add_scatter(x=list(x), y=edge, mode="lines", line={"width": 0}, hoverinfo="skip", showlegend=False)
    shown = {"name": name, "showlegend": True, "hoverinfo": None} if name else {}
    figure.data[-1].update(fill="tonexty", fillcolor=shade(colour, 0.2), **shown)
    return figure


def add_fan(
    figure: go.Figure,
    x: Sequence[object],
    low: np.ndarray,
    middle: np.ndarray,
    high: np.ndarray,
    name: str,
    colour: str = BLUE,
    dash: str = "solid",
) -> go.Figure:
    """Add a middle line with its band (10 to 90 % where not said otherwise) to a figure; arrays of shape (n,)."""
    add_band(figure, x, low, high, colour)
    figure.add_scatter(x=list(x), y=middle, mode="lines", name=name, line={"color": colour, "dash": dash})
    return figure
