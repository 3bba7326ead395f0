"""Pictures of a sale plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from core.market.buyers import buyer_words
from dashboard.charts.base import add_band, layout
from dashboard.charts.palette import BLUE, CLAY, INK, SERIES, SKY, STONE, STRAW, shade
from dashboard.text import number, say

PATTERNS = ("", "/", ".", "x", "\\", "-")


def sales_figure(
    sales: pd.DataFrame, x_title: str, y_title: str, span: tuple[object, object] | None = None
) -> go.Figure:
    """Return stacked bars of kg sold by week (index) and buyer (columns), on an axis over `span`."""
    figure = go.Figure()
    for place, buyer in enumerate(sales.columns):
        figure.add_bar(
            x=list(sales.index),
            y=sales[buyer],
            name=say(buyer_words(str(buyer))),
            width=5 * 86_400_000,
            marker={"color": SERIES[place % len(SERIES)], "pattern": {"shape": PATTERNS[place % len(PATTERNS)]}},
        )
    figure.update_layout(barmode="stack", showlegend=True)
    if span is not None:
        figure.update_xaxes(range=[str(day) for day in span])
    return layout(figure, x_title, y_title)


def cash_figure(
    cash: pd.DataFrame, needs: Sequence[tuple[object, float, str]], names: Mapping[str, str], x_title: str, y_title: str
) -> go.Figure:
    """Return money in hand by week: band from 1 to 9 of 10 scenarios, median, and a mark at each cash need's date."""
    figure = go.Figure()
    x = list(cash.index)
    add_band(figure, x, cash["low"], cash["high"], BLUE, names["band"])
    figure.add_scatter(x=x, y=cash["median"], mode="lines", line={"color": BLUE}, name=names["median"])
    if needs:
        at = pd.Series(cash["median"].to_numpy(), index=pd.to_datetime(pd.Index(x)))
        days = [day for day, _, _ in needs]
        height = [float(at.iloc[at.index.get_indexer([pd.Timestamp(str(day))], method="nearest")[0]]) for day in days]
        figure.add_scatter(
            x=days,
            y=height,
            mode="markers",
            marker={"symbol": "diamond", "size": 11, "color": CLAY},
            text=[f"{label}: {number(amount, 0)}" for _, amount, label in needs],
            name=names["need"],
        )
    figure.add_hline(y=0, line={"color": STONE, "dash": "dot"})
    return layout(figure, x_title, y_title)


def week_value_figure(
    weeks: pd.DataFrame,
    dates: Sequence[object],
    chosen: object | None,
    names: Mapping[str, str],
    x_title: str,
    y_title: str,
) -> go.Figure:
    """Return the value of one bag by week of sale with its spread (1 to 9 of 10 scenarios).

    The planned week is marked.
    """
    figure = go.Figure()
    x = list(dates)
    add_band(figure, x, weeks["low"], weeks["high"], STRAW, names["band"])
    figure.add_scatter(
        x=x, y=weeks["mean"], mode="lines", line={"color": INK}, name=names["mean"], text=list(weeks["buyer"])
    )
    if chosen in x:
        figure.add_scatter(
            x=[chosen],
            y=[float(weeks["mean"].iloc[x.index(chosen)])],
            mode="markers",
            marker={"symbol": "square", "size": 12, "color": BLUE},
            name=names["chosen"],
        )
    return layout(figure, x_title, y_title)


def selling_price_figure(
    dates: Sequence[object], level: np.ndarray, prices: np.ndarray, names: Mapping[str, str], x_title: str, y_title: str
) -> go.Figure:
    """Return the price to sell at by week over the band (1 to 9 of 10) of possible prices; NaN = wait."""
    low, high = np.quantile(prices, [0.1, 0.9], axis=1)
    x = list(dates)
    figure = go.Figure()
    add_band(figure, x, low, high, STRAW, names["band"])
    shown = np.where(level > 0, level, np.nan)
    figure.add_scatter(x=x, y=shown, mode="lines+markers", line={"color": BLUE}, marker={"size": 6}, name=names["rule"])
    return layout(figure, x_title, y_title)


def rules_figure(
    values: Mapping[str, np.ndarray], names: Mapping[str, str], x_title: str, tenth_name: str, mean_name: str
) -> go.Figure:
    """Return the spread of value on fresh scenarios for plan and rules: box, mean, mean of the worst tenth."""
    figure = go.Figure()
    order = list(values)[::-1]
    for key in order:
        figure.add_box(
            x=np.quantile(values[key], np.linspace(0.02, 0.98, 49)),
            name=names.get(key, key),
            orientation="h",
            boxpoints=False,
            showlegend=False,
            line={"color": BLUE if key == "plan" else STONE},
            fillcolor=shade(BLUE if key == "plan" else STONE, 0.25),
        )
    labels = [names.get(key, key) for key in order]
    tenth = [float(np.sort(values[key])[: max(1, len(values[key]) // 10)].mean()) for key in order]
    figure.add_scatter(
        x=[float(values[key].mean()) for key in order],
        y=labels,
        mode="markers",
        marker={"symbol": "diamond", "size": 10, "color": INK},
        name=mean_name,
    )
    figure.add_scatter(
        x=tenth,
        y=labels,
        mode="markers",
        marker={"symbol": "triangle-left", "size": 11, "color": CLAY},
        name=tenth_name,
    )
    made = layout(figure, x_title, "", height=430)
    made.update_layout(hovermode="closest")
    return made


def planned_and_done_figure(frame: pd.DataFrame, names: Mapping[str, str], x_title: str, y_title: str) -> go.Figure:
    """Return planned and done money by lot as paired bars; columns lot, planned, done."""
    figure = go.Figure(
        [
            go.Bar(
                x=frame["lot"],
                y=frame["planned"],
                name=names["planned"],
                marker={"color": SKY, "pattern": {"shape": "/"}},
            ),
            go.Bar(x=frame["lot"], y=frame["done"], name=names["done"], marker={"color": BLUE}),
        ]
    )
    figure.update_layout(barmode="group")
    return layout(figure, x_title, y_title)
