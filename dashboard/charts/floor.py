"""The drying floor as a picture: a row for each space, a block for each load."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from html import escape

import plotly.graph_objects as go

from core.planning.schedule import Load
from dashboard.charts.base import layout
from dashboard.charts.palette import BEHIND_WORDS, GRID, INK, SERIES, shade
from dashboard.text import _, ngettext, number

HEAD = 0.6
"""Room above a space's lanes for its name, in lanes."""

PATTERNS = ("", "/", ".", "x", "-", "\\")


def floor_figure(loads: Sequence[Load], spaces: Mapping[str, str], first_day: date, days: int) -> go.Figure:
    """Return days across and spaces down, a block per load as long as it keeps its space.

    Blocks of one space that lie there at the same time stand in lanes below each other; colour and hatching name the
    lot, the text in the block does too.
    """
    figure = go.Figure()
    lots = sorted({load.lot for load in loads})
    lanes = {name: _lanes([load for load in loads if load.space == name]) for name in spaces}
    bottom = 0.0
    for name, called in spaces.items():
        height = max([lane for _load, lane in lanes[name]], default=0) + 1
        figure.add_annotation(
            x=first_day.isoformat(),
            y=bottom + HEAD / 2,
            text=f"<b>{escape(called)}</b>",
            showarrow=False,
            xanchor="left",
            font={"color": INK, "size": 12},
        )
        bottom += HEAD
        for load, lane in lanes[name]:
            look = lots.index(load.lot)
            figure.add_bar(
                orientation="h",
                base=[load.on.isoformat()],
                x=[_days(load) * 86_400_000],
                y=[bottom + lane + 0.5],
                width=[0.9],
                marker={
                    "color": shade(SERIES[look % len(SERIES)], BEHIND_WORDS),
                    "line": {"color": INK, "width": 1},
                    "pattern": {"shape": PATTERNS[(look // len(SERIES)) % len(PATTERNS)]},
                },
                text=[f"{escape(load.lot)}<br>× {load.bags}"],
                textposition="inside",
                insidetextanchor="start",
                textangle=0,
                textfont={"color": INK},
                name=load.lot,
                legendgroup=load.lot,
                showlegend=False,
                hovertext=[_hover(load)],
                hoverinfo="text",
            )
        bottom += height
        figure.add_hline(y=bottom, line={"color": GRID, "width": 2})
    layout(figure, _("day"), _("drying space"), height=int(110 + 36 * max(bottom, 3)))
    figure.update_layout(barmode="overlay", hovermode="closest", uniformtext={"minsize": 8, "mode": "show"})
    figure.update_yaxes(showticklabels=False, showgrid=False, range=[bottom, 0])
    figure.update_xaxes(
        type="date",
        range=[first_day.isoformat(), (first_day + timedelta(days=days)).isoformat()],
        dtick=86_400_000,
        tickformat="%-d\n%b",
        tickangle=0,
        ticklabelmode="period",
    )
    return figure


def _days(load: Load) -> int:
    """Return the days that a load keeps its space."""
    return (load.until - load.on).days + 1


def _lanes(loads: Sequence[Load]) -> list[tuple[Load, int]]:
    """Return each load with the lowest lane that is free while it lies there."""
    free: list[date] = []
    placed = []
    for load in sorted(loads, key=lambda item: (item.on, -_days(item), item.lot)):
        lane = next((index for index, until in enumerate(free) if until < load.on), len(free))
        if lane == len(free):
            free.append(load.until)
        free[lane] = load.until
        placed.append((load, lane))
    return placed


def _hover(load: Load) -> str:
    """Return what is said of a load."""
    bags = ngettext("{count} bag", "{count} bags", load.bags).format(count=load.bags)
    days = ngettext("{n} day", "{n} days", _days(load)).format(n=_days(load))
    return f"{load.lot}: {bags}, {number(load.mass_kg, 0)} kg, {days}"
