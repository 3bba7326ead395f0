"""The drying floor as a picture: a row for each space, a block for each batch."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from html import escape

import plotly.graph_objects as go

from core.planning.floor import FloorBatch, FloorSchedule
from dashboard.charts.base import layout
from dashboard.charts.palette import GRID, INK, SERIES, shade
from dashboard.text import _, number, percent

HEAD = 0.6
"""Room above a space's lanes for its name, in lanes."""

PATTERNS = ("", "/", ".", "x", "-", "\\")


def floor_figure(schedule: FloorSchedule, spaces: Sequence[str], first_day: date, days: int) -> go.Figure:
    """Return days across and spaces down, a block per batch as long as it keeps its space.

    Blocks of one space that lie there at the same time stand in lanes below each other; colour and hatching name the
    lot, the text in the block does too.
    """
    figure = go.Figure()
    lots = sorted({batch.lot for batch in schedule.batches})
    lanes = {name: _lanes([batch for batch in schedule.batches if batch.space == name]) for name in spaces}
    bottom = 0.0
    for name in spaces:
        height = max([lane for _batch, lane in lanes[name]], default=0) + 1
        figure.add_annotation(
            x=_midnight(first_day, 0),
            y=bottom + HEAD / 2,
            text=f"<b>{escape(name)}</b>",
            showarrow=False,
            xanchor="left",
            font={"color": INK, "size": 12},
        )
        bottom += HEAD
        for batch, lane in lanes[name]:
            look = lots.index(batch.lot)
            figure.add_trace(
                go.Bar(
                    orientation="h",
                    base=[_midnight(first_day, batch.start_day)],
                    x=[batch.days * 86_400_000],
                    y=[bottom + lane + 0.5],
                    width=[0.9],
                    marker={
                        "color": shade(SERIES[look % len(SERIES)], 0.75),
                        "line": {"color": INK, "width": 1},
                        "pattern": {"shape": PATTERNS[(look // len(SERIES)) % len(PATTERNS)]},
                    },
                    text=[f"{escape(batch.lot)}<br>× {batch.bags}"],
                    textposition="inside",
                    insidetextanchor="start",
                    textangle=0,
                    name=batch.lot,
                    legendgroup=batch.lot,
                    showlegend=False,
                    hovertext=[_hover(batch)],
                    hoverinfo="text",
                )
            )
        bottom += height
        figure.add_hline(y=bottom, line={"color": GRID, "width": 2})
    layout(figure, _("day"), _("drying space"), height=int(110 + 36 * max(bottom, 3)))
    figure.update_layout(barmode="overlay", hovermode="closest", uniformtext={"minsize": 8, "mode": "show"})
    figure.update_yaxes(showticklabels=False, showgrid=False, range=[bottom, 0])
    figure.update_xaxes(
        type="date",
        range=[_midnight(first_day, 0), _midnight(first_day, days)],
        dtick=86_400_000,
        tickformat="%d<br>%b",
        tickangle=0,
        ticklabelmode="period",
    )
    return figure


def _lanes(batches: Sequence[FloorBatch]) -> list[tuple[FloorBatch, int]]:
    """Return each batch with the lowest lane that is free while it lies there."""
    free: list[int] = []
    placed = []
    for batch in sorted(batches, key=lambda item: (item.start_day, -item.days, item.lot)):
        lane = next((index for index, until in enumerate(free) if until <= batch.start_day), len(free))
        if lane == len(free):
            free.append(0)
        free[lane] = batch.start_day + batch.days
        placed.append((batch, lane))
    return placed


def _hover(batch: FloorBatch) -> str:
    """Return what is said of a batch."""
    return _("{lot}: {bags} bags, {mass} kg, {area} m², {days} days; chance to be dry by then: {chance}").format(
        lot=batch.lot,
        bags=batch.bags,
        mass=number(batch.mass_kg, 0),
        area=number(batch.area_m2, 0),
        days=batch.days,
        chance=percent(batch.chance_dry),
    )


def _midnight(first_day: date, offset: int) -> str:
    """Return the midnight that begins a day of the plan, as Plotly reads it."""
    return (first_day + timedelta(days=offset)).isoformat()
