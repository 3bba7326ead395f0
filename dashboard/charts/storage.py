"""Figures of the storage outlook."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from textwrap import wrap
from typing import Any

import plotly.graph_objects as go
from plotly.subplots import make_subplots

from core.planning.store_outlook import MethodOutlook
from dashboard.charts.base import layout
from dashboard.charts.palette import BLUE, DASHES, INK, PAPER, SERIES, STONE, shade
from dashboard.text import _, day


def figure(
    outlooks: Mapping[str, MethodOutlook],
    start: date,
    names: Mapping[str, str],
    titles: Sequence[str],
    limit_pct: float | None,
    band_of: str | None = None,
) -> go.Figure:
    """Return moisture, mould and loss through the year, one line a method, in three panels under one another.

    Parameters
    ----------
    titles : sequence of three str
        Axis titles with units: moisture, bags unfit, weight loss.
    band_of : str, optional
        The method whose 10-90 % band is shown.
    """
    result = make_subplots(rows=3, cols=1, shared_xaxes=True, vertical_spacing=0.06)
    panels = (("moisture_pct", 1.0), ("mould_risk", 100.0), ("weight_loss_pct", 1.0))
    for number, (method, outlook) in enumerate(outlooks.items()):
        table = outlook.weekly
        line = {"color": SERIES[number % len(SERIES)], "dash": DASHES[number % len(DASHES)], "width": 2}
        days = [start + timedelta(weeks=int(week)) for week in table.index]
        shown = {"mode": "lines", "name": names[method], "legendgroup": method, "line": line}
        for row, (column, factor) in enumerate(panels, start=1):
            if method == band_of:
                band = _band(days, table[f"{column}_low"] * factor, table[f"{column}_high"] * factor, line["color"])
                result.add_trace(band, row=row, col=1)
            middle = go.Scatter(x=days, y=table[f"{column}_middle"] * factor, showlegend=row == 1, **shown)
            result.add_trace(middle, row=row, col=1)
    if limit_pct is not None:
        result.add_hline(y=limit_pct, line={"color": STONE, "dash": "dot", "width": 1}, row=1, col=1)
    for row, title in enumerate(titles, start=1):
        result.update_yaxes(title_text=title, zeroline=False, row=row, col=1)
    result.update_yaxes(range=[0, 102], row=2, col=1)
    result.update_yaxes(rangemode="tozero", row=3, col=1)
    result.update_layout(height=720, margin={"l": 10, "r": 10, "t": 20, "b": 30 + 21 * len(outlooks)}, font_size=13)
    return result


def _band(days: Sequence[date], low: Any, high: Any, colour: str) -> go.Scatter:
    """Return the shaded band between two lines, each (days,)."""
    return go.Scatter(
        x=[*days, *reversed(days)],
        y=[*high, *reversed(list(low))],
        fill="toself",
        fillcolor=shade(colour, 0.15),
        line={"width": 0},
        hoverinfo="skip",
        showlegend=False,
    )


def keeping_figure(outlooks: Mapping[str, MethodOutlook], start: date, names: Mapping[str, str]) -> go.Figure:
    """Return a bar for each store from today to the day until which a lot keeps, with the day at its end."""
    ordered = sorted(outlooks, key=lambda method: (outlooks[method].refusal is None, outlooks[method].sure.days))
    rows = [_bar(outlooks[method], start) for method in ordered]
    result = go.Figure(
        go.Bar(
            y=["<br>".join(wrap(names[method], 18)) for method in ordered],
            x=[days for days, _words in rows],
            orientation="h",
            marker={"color": [BLUE if days else STONE for days, _words in rows]},
            hoverinfo="skip",
        )
    )
    longest = max(max(days for days, _words in rows), 1.0)
    for method, (days, words) in zip(ordered, rows, strict=True):
        inside = days > 0.6 * longest
        result.add_annotation(
            x=days,
            y="<br>".join(wrap(names[method], 18)),
            text=words,
            showarrow=False,
            xanchor="right" if inside else "left",
            xshift=-6 if inside else 6,
            font={"color": PAPER if inside else INK},
        )
    result = layout(result, _("Days from today"), _("Keeps at least until (95 % sure)"), 60 + 62 * len(ordered))
    result.update_xaxes(range=[0, max(1.05 * longest, 30)])
    return result.update_layout(showlegend=False, hovermode=False, bargap=0.3).update_yaxes(showgrid=False)


def _bar(outlook: MethodOutlook, start: date) -> tuple[float, str]:
    """Return a bar's length in days and the words at its end."""
    if outlook.refusal is not None:
        return 0.0, _("not surely dry enough")
    horizon = outlook.sure.horizon_days
    if outlook.sure.days == float("inf"):
        return float(horizon), _("past {date}").format(date=day(start + timedelta(days=horizon)))
    return outlook.sure.days, day(start + timedelta(days=int(outlook.sure.days)))
