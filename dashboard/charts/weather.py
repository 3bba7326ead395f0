"""Figures of the weather page: rain and sun of the coming days, the hours, the year's normals."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from core.weather.frames import Forecast
from core.weather.windows import DayWindow, hourly_rain_chance
from dashboard.charts.base import add_fan, layout
from dashboard.charts.palette import BLUE, GRID, SKY, STRAW, shade
from dashboard.text import _


def days_figure(windows: Sequence[DayWindow], labels: Sequence[str]) -> go.Figure:
    """Return sunny hours as bars and the chance of rain as a line, by local day (labels in the reader's words)."""
    days = [label.replace(" ", "<br>") for label in labels]
    figure = make_subplots(specs=[[{"secondary_y": True}]])
    figure.add_bar(
        x=days,
        y=[window.sunny_hours for window in windows],
        name=_("hours of drying sun"),
        marker={"color": STRAW},
        hovertemplate="%{y:.0f} h",
    )
    figure.add_trace(
        go.Scatter(
            x=days,
            y=[100 * window.rain_chance for window in windows],
            name=_("chance of rain (%)"),
            mode="lines+markers",
            line={"color": BLUE, "dash": "dot"},
            marker={"symbol": "diamond", "size": 8},
            hovertemplate="%{y:.0f} %",
        ),
        secondary_y=True,
    )
    layout(figure, "", _("sunny hours (h)"), height=300)
    figure.update_yaxes(range=[0, 108], tickmode="linear", dtick=25, secondary_y=True, showgrid=False)
    figure.update_yaxes(range=[0, 13], tickmode="linear", dtick=3, secondary_y=False)
    return figure


def hours_figure(forecast: Forecast, time_zone: str) -> go.Figure:
    """Return temperature, relative humidity (with their spread over the runs) and rain by local hour of five days."""
    index = forecast.index[: 24 * 5]
    local = index.tz_convert(time_zone).tz_localize(None)
    titles = [f"{_('temperature')} (°C)", f"{_('relative humidity')} (%)", _("chance of rain (%)")]
    figure = make_subplots(rows=3, cols=1, shared_xaxes=True, vertical_spacing=0.1, subplot_titles=titles)
    for row, (column, name, colour) in enumerate(
        (("temperature_c", _("temperature"), STRAW), ("relative_humidity_pct", _("relative humidity"), BLUE)), start=1
    ):
        values = np.column_stack([member[column].to_numpy(float)[: len(index)] for member in forecast.members])
        low, middle, high = np.quantile(values, [0.1, 0.5, 0.9], axis=1)
        part = add_fan(go.Figure(), local, low, middle, high, name, colour)
        for trace in part.data:
            figure.add_trace(trace, row=row, col=1)
    chance = 100 * hourly_rain_chance(forecast)[: len(index)]
    figure.add_trace(
        go.Bar(
            x=local, y=chance, name=_("chance of rain in the hour"), marker={"color": SKY}, hovertemplate="%{y:.0f} %"
        ),
        row=3,
        col=1,
    )
    layout(figure.update_layout(showlegend=False), "", "", height=600)
    figure.update_yaxes(range=[0, 100], row=3, col=1)
    figure.update_xaxes(title_text=_("local time"), row=3, col=1)
    return figure.update_layout(bargap=0)


def normals_figure(table: pd.DataFrame, month_labels: Sequence[str]) -> go.Figure:
    """Return the year's normals: rain as bars where known, temperature (°C) and relative humidity (%) as lines."""
    figure = make_subplots(specs=[[{"secondary_y": True}]])
    if "rain_mm" in table:
        figure.add_trace(
            go.Bar(
                x=list(month_labels),
                y=table["rain_mm"],
                name=_("rain (mm a month)"),
                marker={"color": shade(SKY, 0.7)},
                hovertemplate="%{y:.0f} mm",
            ),
            secondary_y=True,
        )
    figure.add_scatter(
        x=list(month_labels),
        y=table["temperature_c"],
        name=_("temperature (°C)"),
        line={"color": STRAW, "width": 3},
        hovertemplate="%{y:.1f} °C",
    )
    figure.add_scatter(
        x=list(month_labels),
        y=table["relative_humidity_pct"],
        name=_("relative humidity (%)"),
        line={"color": BLUE, "dash": "dash"},
        hovertemplate="%{y:.0f} %",
    )
    layout(figure, "", _("°C and %"))
    most = float(table["rain_mm"].max()) if "rain_mm" in table else 0.0
    step = max(10.0, float(np.ceil(most / 50)) * 10)
    figure.update_yaxes(range=[0, 5 * step], tickmode="linear", dtick=step, secondary_y=True, showgrid=False)
    figure.update_yaxes(range=[0, 100], tickmode="linear", dtick=20, gridcolor=GRID, secondary_y=False)
    return figure
