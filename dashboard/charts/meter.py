"""Figures of the shared meter: shares by rule, money in the account, days of the meter, worth of testing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from decimal import Decimal
from textwrap import wrap

import numpy as np
import plotly.graph_objects as go

from core.meter.account import MoneyLine
from core.meter.log import Booking, Custody
from core.meter.paying import OfferComparison
from core.meter.shares import Together
from core.testing.worth import Payback, ProbingWorth, SeasonWorth
from dashboard.charts.base import label_ends, layout
from dashboard.charts.palette import BLUE, CLAY, DASHES, INK, MARKS, SERIES, SKY, STONE, STRAW
from dashboard.text import _, money


def together_figure(seen: Together, currency: str) -> go.Figure:
    """Return two bars: what all members spend together without the meter, and with it."""
    rows = ((_("Together without the meter"), seen.without, STONE), (_("Together with it"), seen.with_meter, BLUE))
    figure = go.Figure(
        go.Bar(
            x=[float(amount) for _name, amount, _colour in rows],
            y=["<br>".join(wrap(name, 14)) for name, _amount, _colour in rows],
            orientation="h",
            marker={"color": [colour for _name, _amount, colour in rows]},
            text=[money(amount, currency) for _name, amount, _colour in rows],
            textposition="auto",
            hoverinfo="skip",
        )
    )
    layout(figure, currency, "", height=190)
    figure.update_layout(showlegend=False)
    figure.update_yaxes(autorange="reversed", ticksuffix=" ")
    figure.update_xaxes(rangemode="tozero")
    return figure


def shares_figure(shares: Mapping[str, Decimal], alone: Mapping[str, Decimal], currency: str) -> go.Figure:
    """Return each member's share by one rule, with what the member would spend alone as a mark."""
    members = list(alone)
    figure = go.Figure(
        go.Bar(
            x=[float(shares[member]) for member in members],
            y=members,
            orientation="h",
            name=_("share"),
            marker={"color": SKY},
        )
    )
    figure.add_scatter(
        x=[float(alone[member]) for member in members],
        y=members,
        mode="markers",
        name=_("alone"),
        marker={"symbol": "line-ns-open", "size": 16, "color": INK, "line": {"width": 3}},
    )
    figure.update_layout(showlegend=False)
    layout(figure, currency, _("Bar: share. Upright mark: cost alone."), height=max(220, 26 * len(members) + 110))
    figure.update_layout(hovermode="closest")
    figure.update_yaxes(autorange="reversed", type="category", dtick=1, ticksuffix=" ")
    figure.update_xaxes(rangemode="tozero")
    return figure


def money_figure(lines: Sequence[MoneyLine], currency: str) -> go.Figure:
    """Return what was left in each place after each day."""
    figure = go.Figure()
    days = [line.on for line in lines]
    for place, name in enumerate(dict.fromkeys(line.place for line in lines)):
        chosen = [line for line in lines if line.place == name]
        left = [(line.on, float(line.left)) for line in chosen] + [(max(days), float(chosen[-1].left))]
        figure.add_scatter(
            x=[on for on, _amount in left],
            y=[amount for _on, amount in left],
            mode="lines+markers",
            name=_(name),
            line={"shape": "hv", "dash": DASHES[place], "color": SERIES[place]},
            marker={"symbol": MARKS[place]},
        )
    label_ends(layout(figure, _("Day"), _("Left, {currency}").format(currency=currency), height=300), 8)
    if days and (max(days) - min(days)).days < 14:  # a book of a few days would be drawn in hours
        middle = min(days) + (max(days) - min(days)) / 2
        figure.update_xaxes(range=[middle - timedelta(days=8), middle + timedelta(days=8)], dtick=4 * 86_400_000)
    elif days:  # with room for the names at the lines' ends
        figure.update_xaxes(range=[min(days), max(days) + (max(days) - min(days)) * 0.35], nticks=4)
    return figure


def days_figure(
    custodies: Sequence[Custody], promised: Sequence[Booking], names: Mapping[str, str], today: date
) -> go.Figure:
    """Return who has had the meter, and to whom it is promised, day by day from two months back."""
    figure = go.Figure()
    begin = today - timedelta(days=60)
    had = [
        (row.member, max(row.since, begin), row.until or today) for row in custodies if (row.until or today) >= begin
    ]
    to_come = [(row.member, row.first_day, row.last_day + timedelta(days=1)) for row in promised]
    shown = {member for member, _start, _end in (*had, *to_come)}
    for rows, label, colour, pattern in ((had, _("had it"), BLUE, ""), (to_come, _("promised"), STRAW, "/")):
        if rows:
            figure.add_bar(
                base=[start.isoformat() for _member, start, _end in rows],
                x=[max((end - start).days, 0.5) * 86_400_000 for _member, start, end in rows],
                y=[names.get(member, member) for member, _start, _end in rows],
                orientation="h",
                name=label,
                marker={"color": colour, "pattern": {"shape": pattern}},
            )
    figure.update_layout(barmode="overlay", showlegend=False)
    layout(figure, _("Day"), _("Full bar: had it. Striped bar: booked."), height=110 + 34 * max(2, len(shown)))
    figure.update_layout(hovermode="closest")
    figure.update_yaxes(type="category", dtick=1, ticksuffix=" ")
    figure.update_xaxes(type="date", nticks=4)
    figure.add_vline(x=today.isoformat(), line={"color": INK, "dash": "dot"})
    return figure


def avoided_figure(season: SeasonWorth, currency: str) -> go.Figure:
    """Return the losses that testing avoids, by kind."""
    kinds = list(season.avoided)
    figure = go.Figure(
        go.Bar(
            x=[season.avoided[kind] for kind in kinds],
            y=[_(kind) for kind in kinds],
            orientation="h",
            marker={"color": [BLUE if season.avoided[kind] >= 0 else CLAY for kind in kinds]},
            name=_("avoided a season"),
        )
    )
    layout(figure, _("{currency} a season").format(currency=currency), "", height=280)
    return figure.update_yaxes(ticksuffix=" ")


def payback_figure(result: Payback) -> go.Figure:
    """Return the chance that the meter has paid for itself after each season."""
    seasons = list(range(1, len(result.by_season) + 1))
    figure = go.Figure(
        go.Bar(
            x=seasons,
            y=100 * result.by_season,
            marker={"color": SKY, "line": {"color": BLUE, "width": 1}},
            name=_("paid for itself"),
        )
    )
    layout(figure, _("Seasons"), _("Chance that it has paid for itself, %"), height=300)
    figure.update_xaxes(dtick=1)
    figure.update_yaxes(range=[0, 105])
    return figure


def probing_figure(result: ProbingWorth, currency: str) -> go.Figure:
    """Return the worth of testing a lot by the number of bags probed."""
    figure = go.Figure()
    for values, name, colour, dash in (
        (result.worth, _("worth"), STONE, "dash"),
        (result.net, _("worth less cost of the tests"), BLUE, "solid"),
    ):
        figure.add_scatter(
            x=list(result.probed),
            y=np.round(values, 4),
            mode="lines+markers",
            name=name,
            line={"color": colour, "dash": dash},
        )
    layout(figure, _("Bags tested"), _("{currency} for one lot").format(currency=currency), height=320)
    return label_ends(figure, 12)


def offer_figure(result: OfferComparison, currency: str) -> go.Figure:
    """Return how often the grain would cost what, with cash and the loan marked."""
    figure = go.Figure(
        go.Histogram(
            x=result.grain,
            nbinsx=40,
            histnorm="percent",
            name=_("grain"),
            marker={"color": SKY},
            hovertemplate="%{x:,.0f}: %{y:.1f} %<extra></extra>",
        )
    )
    layout(figure, _("Costs in today's money, {currency}").format(currency=currency), _("% of cases"), height=300)
    for name, amount, dash, place in ((_("cash"), result.cash, "dot", 1.0), (_("loan"), result.loan, "dash", 0.88)):
        figure.add_vline(amount, line={"color": INK, "dash": dash, "width": 2})
        figure.add_annotation(
            x=amount, y=place, yref="paper", text=name, showarrow=False, xanchor="left", xshift=4, font={"color": INK}
        )
    return figure
