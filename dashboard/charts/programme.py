"""Figures that compare groups without ranking them: funnels, estimates with intervals, avoidable losses."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from core.programme.avoidable import Avoidable
from core.programme.comparison import GroupEstimate, widened_limits
from dashboard.charts.base import layout
from dashboard.charts.palette import BLUE, CLAY, PLUM, STONE, STRAW


def funnel(
    frame: pd.DataFrame, benchmark: float, phi: float, x_title: str, y_title: str, words: Sequence[str]
) -> go.Figure:
    """Return a funnel: each group's proportion over its size, with limits of chance.

    Parameters
    ----------
    frame : DataFrame
        ``group, value (0-1), denominator``.
    benchmark : float
        Proportion of all together.
    phi : float
        Spread beyond chance (1 = none); widens the limits.
    x_title, y_title : str
        Axis titles.
    words : sequence of str
        Names of: all groups together, 95 % limits, 99.8 % limits, groups.
    """
    largest = max(10, int(frame["denominator"].max() * 1.1))
    sizes = np.unique(np.linspace(1, largest, min(largest, 200)).astype(int))
    figure = go.Figure()
    for coverage, dash, name in ((0.95, "dash", words[1]), (0.998, "dot", words[2])):
        low, high = widened_limits(benchmark, sizes, coverage, phi)
        for index, limit in enumerate((low, high)):
            figure.add_trace(
                go.Scatter(
                    x=sizes, y=100 * limit, mode="lines", line={"dash": dash, "color": STONE, "shape": "hv"},
                    name=name, showlegend=index == 0, legendgroup=name, hoverinfo="skip",
                )
            )  # fmt: skip
    figure.add_trace(
        go.Scatter(
            x=[1, largest], y=[100 * benchmark] * 2, mode="lines", line={"color": BLUE}, name=words[0], hoverinfo="skip"
        )
    )
    figure.add_trace(
        go.Scatter(
            x=frame["denominator"], y=100 * frame["value"], mode="markers", name=words[3], text=frame["group"],
            marker={"size": 10, "color": STRAW, "line": {"width": 1, "color": BLUE}},
            hovertemplate="%{text}: %{y:.0f} % (%{x})<extra></extra>",
        )
    )  # fmt: skip
    layout(figure, x_title, y_title)
    figure.update_layout(hovermode="closest")
    figure.update_yaxes(range=[-4, 104])
    return figure


def estimates(
    groups: Sequence[str], items: Sequence[GroupEstimate], centre: float, x_title: str, scale: float = 1.0
) -> go.Figure:
    """Return shrunken estimates with their 95 % intervals, groups in the order of the alphabet (no league table)."""
    order = np.argsort(groups)[::-1]
    names = [groups[i] for i in order]
    values = np.array([items[i].value for i in order]) * scale
    low = np.array([items[i].low for i in order]) * scale
    high = np.array([items[i].high for i in order]) * scale
    figure = go.Figure(
        go.Scatter(
            x=values, y=names, mode="markers", marker={"size": 9, "color": PLUM, "symbol": "diamond"},
            error_x={"type": "data", "symmetric": False, "array": high - values, "arrayminus": values - low, "color": STONE},
            showlegend=False,
        )
    )  # fmt: skip
    figure.add_vline(x=centre * scale, line={"color": BLUE, "dash": "dash"})
    layout(figure, x_title, "", height=max(260, 26 * len(names) + 120))
    figure.update_layout(hovermode="closest")
    return figure


def avoidable(items: Sequence[Avoidable], names: Sequence[str], x_title: str) -> go.Figure:
    """Return the avoidable losses by cause, in money."""
    figure = go.Figure(
        go.Bar(
            x=[item.money for item in items][::-1],
            y=list(names)[::-1],
            orientation="h",
            marker={"color": CLAY},
            showlegend=False,
        )
    )
    return layout(figure, x_title, "", height=120 + 46 * max(1, len(items)))
