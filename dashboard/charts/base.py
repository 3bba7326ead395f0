"""The common look of all figures."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import plotly.graph_objects as go

from dashboard.charts.palette import BLUE, GRID, INK, PAPER, SERIES, shade


def layout(figure: go.Figure, x_title: str, y_title: str, height: int = 380) -> go.Figure:
    """Give a figure the common look: axis titles with units, legend below, room at a phone's width."""
    figure.update_layout(
        height=height,
        margin={"l": 10, "r": 10, "t": 20, "b": 10},
        paper_bgcolor=PAPER,
        plot_bgcolor=PAPER,
        font={"color": INK, "size": 13},
        colorway=list(SERIES),
        legend={"orientation": "h", "yanchor": "top", "y": -0.22, "x": 0},
        hovermode="x unified",
    )
    figure.update_xaxes(title_text=x_title, gridcolor=GRID, automargin=True)
    figure.update_yaxes(title_text=y_title, gridcolor=GRID, automargin=True, zeroline=False)
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
    figure.add_trace(go.Scatter(x=list(x), y=high, mode="lines", line={"width": 0}, showlegend=False, hoverinfo="skip"))
    figure.add_trace(
        go.Scatter(
            x=list(x),
            y=low,
            mode="lines",
            line={"width": 0},
            fill="tonexty",
            fillcolor=shade(colour, 0.18),
            showlegend=False,
            hoverinfo="skip",
        )
    )
    figure.add_trace(go.Scatter(x=list(x), y=middle, mode="lines", name=name, line={"color": colour, "dash": dash}))
    return figure
