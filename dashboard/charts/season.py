"""The season as a calendar: a row for each lot, with its days on a drying space, its time in store and its sales."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from html import escape

import plotly.graph_objects as go

from core.advice.season import DRY, HOME, KEEP, SELL, SeasonRow, Stretch
from core.market.buyers import buyer_words
from core.messages import plural
from dashboard.charts.palette import BLUE, CLAY, INK, PAPER, SKY, STONE, shade
from dashboard.text import _, say, tongue

ROW_PX, MARK_PX = 30, 22
MOST_MARKS = 9
"""Sales of a row nearer to each other than this part of the width are one mark: a phone has no room for more."""
SHORT = timedelta(days=60)
"""A shorter calendar is marked by fortnights from today, a longer one by months."""
FORTNIGHTS = {"dtick": 14 * 86_400_000, "tickformat": "%-d %b", "tickangle": 0}
MONTHS = {"dtick": "M1", "tickformat": "%b", "ticklabelmode": "period"}


def season_figure(rows: Sequence[SeasonRow], today: date) -> go.Figure:
    """Return the calendar; the numbers are bags, and the square marks and home use of a row add up to its bags."""
    last = max([item.until for row in rows for item in row.stretches] + [today + timedelta(days=27)])
    figure = go.Figure()
    names = [f"{escape(row.lot)} · {row.bags}" for row in rows]
    bars = [(name, item) for name, row in zip(names, rows, strict=True) for item in _bars(row)]
    for kind in (KEEP, DRY, HOME):  # one trace a kind: a browser draws three sooner than three for each lot
        if found := [bar for bar in bars if bar[1].kind == kind]:
            figure.add_trace(_kind(kind, found))
    gap = (last - today) / MOST_MARKS
    figure.add_trace(
        _marks([(name, group) for name, row in zip(names, rows, strict=True) for group in _near(row, gap)])
    )
    figure.update_layout(
        height=70 + ROW_PX * max(len(rows), 2),
        margin={"l": 10, "r": 16, "t": 28, "b": 6},
        font_size=13,
        barmode="overlay",
        showlegend=False,
        hovermode="closest",
    )
    figure.update_xaxes(
        type="date",
        range=[(today - (last - today) / 22).isoformat(), (last + timedelta(days=8)).isoformat()],
        side="top",
        **({**FORTNIGHTS, "tick0": today.isoformat()} if last - today < SHORT else MONTHS),
    )
    figure.update_yaxes(categoryorder="array", categoryarray=names[::-1], dtick=1, ticklabelstandoff=4)
    return figure


def _bars(row: SeasonRow) -> list[Stretch]:
    """Return what is drawn as bars: the store as one, so that its number is the bags put in."""
    kept = [item for item in row.stretches if item.kind == KEEP]
    bars = [item for item in row.stretches if item.kind in (DRY, HOME)]
    if not kept:
        return bars
    where = ", ".join(dict.fromkeys(item.where for item in kept))
    on, until = min(item.on for item in kept), max(item.until for item in kept)
    return [Stretch(KEEP, on, until, sum(item.bags for item in kept), where), *bars]


def _kind(kind: str, bars: Sequence[tuple[str, Stretch]]) -> go.Bar:
    """Return the bars of one kind, each with the name of its row."""
    look = {
        DRY: {"color": shade(CLAY, 0.55), "pattern": {"shape": "/", "fgcolor": INK, "size": 5}},
        KEEP: {"color": shade(SKY, 0.45)},
        HOME: {"color": shade(STONE, 0.5), "pattern": {"shape": ".", "size": 6}},
    }[kind]
    words = {
        DRY: plural("bags", "{bags} bag on {where}, {first} to {last}", "{bags} bags on {where}, {first} to {last}"),
        KEEP: plural("bags", "{bags} bag in {where}, {first} to {last}", "{bags} bags in {where}, {first} to {last}"),
        HOME: plural(
            "bags", "{bags} bag kept for {where}, {first} to {last}", "{bags} bags kept for {where}, {first} to {last}"
        ),
    }[kind]
    days = [(item.until - item.on).days + 1 for _name, item in bars]
    return go.Bar(
        orientation="h",
        base=[item.on.isoformat() for _name, item in bars],
        x=[count * 86_400_000 for count in days],
        y=[name for name, _item in bars],
        width=0.7 if kind == DRY else 0.62,
        marker={**look, "line": {"color": INK, "width": 0.6}},
        text=[
            str(item.bags) if kind != DRY and count > 20 else ""
            for (_name, item), count in zip(bars, days, strict=True)
        ],
        textposition="inside",
        insidetextanchor="middle",
        textangle=0,
        textfont={"color": INK, "size": 11},
        constraintext="none",
        hovertext=[
            tongue().say(words, bags=item.bags, where=escape(_(item.where)), first=item.on, last=item.until)
            for _name, item in bars
        ],
        hoverinfo="text",
    )


def _near(row: SeasonRow, gap: timedelta) -> list[list[Stretch]]:
    """Return a row's sales in groups that lie apart."""
    groups: list[list[Stretch]] = []
    for item in sorted((item for item in row.stretches if item.kind == SELL), key=lambda item: item.on):
        if groups and item.on - groups[-1][0].on < gap:
            groups[-1].append(item)
        else:
            groups.append([item])
    return groups


def _middle(group: Sequence[Stretch]) -> date:
    """Return the day around which the bags of several sales lie."""
    bags = sum(item.bags for item in group)
    return group[0].on + timedelta(days=round(sum((item.on - group[0].on).days * item.bags for item in group) / bags))


def _marks(sales: Sequence[tuple[str, Sequence[Stretch]]]) -> go.Scatter:
    """Return the marks of sales, each of one or of several that lie close together, with the name of its row."""
    words = plural("bags", "{bags} bag to {where}, {day}", "{bags} bags to {where}, {day}")
    return go.Scatter(
        x=[_middle(group).isoformat() for _name, group in sales],
        y=[name for name, _group in sales],
        mode="markers+text",
        marker={"symbol": "square", "size": MARK_PX, "color": BLUE, "line": {"color": INK, "width": 1}},
        text=[f"<b>{sum(item.bags for item in group)}</b>" for _name, group in sales],
        textfont={"color": PAPER, "size": 11},
        hovertext=[
            "<br>".join(
                tongue().say(words, bags=item.bags, where=escape(say(buyer_words(item.where))), day=item.on)
                for item in group
            )
            for _name, group in sales
        ],
        hoverinfo="text",
        cliponaxis=False,
    )
