"""Figures that compare groups without ranking them: funnels, estimates with intervals, avoidable losses."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from textwrap import wrap

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from numpy.typing import ArrayLike
from plotly.subplots import make_subplots

from core.programme.comparison import widened_limits
from dashboard.charts.base import label_ends, layout
from dashboard.charts.palette import BLUE, CLAY, PLUM, STONE, STRAW

VERDICT_MARKS = {
    "far below": ("triangle-down", CLAY),
    "below": ("triangle-down-open", CLAY),
    "inside": ("circle", STRAW),
    "above": ("triangle-up-open", BLUE),
    "far above": ("triangle-up", BLUE),
    "cannot tell yet": ("circle-open", STONE),
}


def funnel(
    frame: pd.DataFrame,
    benchmark: float,
    phi: float,
    x_title: str,
    y_title: str,
    words: Mapping[str, str],
    target: float | None = None,
) -> go.Figure:
    """Return a funnel: each group's proportion over its size, with limits of chance.

    Parameters
    ----------
    frame : DataFrame
        ``group, value (0-1), denominator, verdict`` (see `core.programme.comparison.funnel_verdicts`).
    phi : float
        Spread beyond chance (1 = none); widens the limits.
    """
    largest = max(10, int(frame["denominator"].max() * 1.1))
    sizes = np.unique(np.linspace(1, largest, min(largest, 200)).astype(int))
    figure = go.Figure()
    for coverage, dash, name in ((0.95, "dash", words["95"]), (0.998, "dot", words["99.8"])):
        low, high = widened_limits(benchmark, sizes, coverage, phi)
        for index, limit in enumerate((low, high)):
            figure.add_scatter(
                x=sizes,
                y=100 * limit,
                mode="lines",
                line={"dash": dash, "color": STONE, "shape": "hv"},
                name=name,
                showlegend=index == 0,
                legendgroup=name,
                hoverinfo="skip",
            )
    lines = [(benchmark, words["all"], BLUE, "solid")] + (
        [(target, words["target"], PLUM, "longdash")] if target else []
    )
    for level, name, colour, dash in lines:
        figure.add_scatter(
            x=[1, largest],
            y=[100 * level] * 2,
            mode="lines",
            line={"color": colour, "dash": dash},
            name=name,
            hoverinfo="skip",
        )
    for verdict, own in frame.groupby("verdict", sort=True):
        mark, colour = VERDICT_MARKS[str(verdict)]
        named = str(verdict) not in ("inside", "cannot tell yet")
        figure.add_scatter(
            x=own["denominator"],
            y=100 * own["value"],
            mode="markers+text" if named else "markers",
            name=words[str(verdict)],
            showlegend=False,
            text=own["group"],
            textposition=["middle left" if 2 * x > largest else "middle right" for x in own["denominator"]],
            marker={"size": 10, "color": colour, "symbol": mark, "line": {"width": 1.5, "color": colour}},
            hovertemplate="%{text}: %{y:.0f} % (%{x})<extra></extra>",
        )
    label_ends(layout(figure, x_title, y_title, height=420), 12)
    figure.update_layout(hovermode="closest")
    figure.update_xaxes(range=[0, largest])
    figure.update_yaxes(range=[-4, 104])
    return figure


def intervals(
    groups: Sequence[str],
    values: ArrayLike,
    low: ArrayLike,
    high: ArrayLike,
    x_title: str,
    lines: Sequence[tuple[float, str, str]] = (),
) -> go.Figure:
    """Return values with their intervals, groups in the order of the alphabet (no league table).

    Parameters
    ----------
    values, low, high : array of shape (n,)
        In the axis' unit; NaN ends leave the interval out.
    lines : sequence of (level, name, colour)
        Upright lines: all groups together, the target, no change.
    """
    order = np.argsort(groups)[::-1]
    names = [groups[i] for i in order]
    middle, left, right = (np.asarray(item, dtype=float)[order] for item in (values, low, high))
    figure = go.Figure(
        go.Scatter(
            x=middle,
            y=names,
            mode="markers",
            marker={"size": 9, "color": PLUM, "symbol": "diamond"},
            showlegend=False,
            error_x={
                "type": "data",
                "symmetric": False,
                "color": STONE,
                "array": np.nan_to_num(right - middle),
                "arrayminus": np.nan_to_num(middle - left),
            },
            hovertemplate="%{y}: %{x:.1f}<extra></extra>",
        )
    )
    ends = [names[0], names[-1]] if names else []
    for place, (level, name, colour) in enumerate(lines):
        figure.add_scatter(
            x=[level, level],
            y=ends,
            mode="lines",
            name=name,
            showlegend=False,
            line={"color": colour, "dash": "dash"},
            hoverinfo="skip",
        )
        figure.add_annotation(
            x=level,
            y=len(names) - 0.4 + 0.8 * place,
            text=name,
            showarrow=False,
            yanchor="bottom",
            font={"color": colour, "size": 13},
        )
    layout(figure, x_title, "", height=max(220, 24 * len(names) + 110 + 22 * len(lines)))
    figure.update_layout(hovermode="closest")
    figure.update_yaxes(
        tickfont={"size": 12},
        categoryorder="array",
        categoryarray=names,
        dtick=1,
        ticksuffix=" ",
        range=[-0.8, len(names) - 0.2 + 0.9 * len(lines)],
    )
    return figure


def completeness(groups: Sequence[str], shares: Mapping[str, ArrayLike], x_title: str) -> go.Figure:
    """Return how complete each group's records are, in per cent: a column of bars for each kind of record.

    Alphabet from above; each bar has its number, each column its name above it.
    """
    order = np.argsort(groups)[::-1]
    names = [groups[i] for i in order]
    figure = make_subplots(
        rows=1,
        cols=len(shares),
        shared_yaxes=True,
        horizontal_spacing=0.04,
        subplot_titles=["<br>".join(wrap(kind, 9)) for kind in shares],
    )
    for column, (values, colour) in enumerate(zip(shares.values(), (BLUE, CLAY, PLUM), strict=False), start=1):
        known = 100 * np.asarray(values, dtype=float)[order]
        figure.add_trace(
            go.Bar(
                x=np.nan_to_num(known),
                y=names,
                orientation="h",
                marker={"color": colour},
                text=["–" if value != value else f"{value:.0f}" for value in known],
                textposition="auto",
                textangle=0,
                cliponaxis=False,
                showlegend=False,
                hovertemplate="%{y}: %{x:.0f} %<extra></extra>",
            ),
            row=1,
            col=column,
        )
    layout(figure, "", x_title, height=max(240, 24 * len(names) + 130))
    figure.update_layout(hovermode="closest", margin={"t": 100}, bargap=0.25)
    figure.update_annotations(font={"size": 12})
    figure.update_yaxes(tickfont={"size": 12}, categoryorder="array", categoryarray=names, dtick=1, ticksuffix=" ")
    figure.update_xaxes(range=[0, 105], showticklabels=False, showgrid=False)
    return figure
