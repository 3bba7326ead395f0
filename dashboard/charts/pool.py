"""Figures of the pools: what members brought, where the money is, what buyers owe."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal

import plotly.graph_objects as go

from core.pool.deliveries import weight_at
from core.pool.payout import BuyerAccount, MemberPay
from core.pool.season import Season
from dashboard.charts.base import layout
from dashboard.charts.palette import BLUE, SKY, STONE, STRAW
from dashboard.text import _, money, number

MOST_BARS = 25


def deliveries_figure(season: Season, names: Mapping[int | str, str]) -> go.Figure:
    """Return what each member brought, kg at the agreed moisture, the largest first; the smallest are added up."""
    base = season.terms.base_pct
    sums: dict[int, Decimal] = {}
    for item in season.deliveries:
        sums[item.member_id] = sums.get(item.member_id, Decimal(0)) + weight_at(item.dry_kg, base)
    ordered = sorted(sums.items(), key=lambda item: -item[1])
    rows = [(names.get(member, str(member)), float(mass)) for member, mass in ordered[:MOST_BARS]]
    if len(ordered) > MOST_BARS:
        rest = sum((mass for _member, mass in ordered[MOST_BARS:]), Decimal(0))
        rows.append((_("{count} others").format(count=len(ordered) - MOST_BARS), float(rest)))
    return _bars(rows, _("kg at {base} % moisture").format(base=base), [number(mass, 0) for _name, mass in rows])


def _bars(rows: Sequence[tuple[str, float]], axis: str, texts: Sequence[str], colours: Sequence[str] = ()) -> go.Figure:
    figure = go.Figure(
        go.Bar(
            x=[value for _name, value in rows],
            y=[name for name, _value in rows],
            orientation="h",
            marker={"color": list(colours) or BLUE},
            text=list(texts),
            textposition="auto",
            hoverinfo="skip",
        )
    )
    layout(figure, axis, "", height=90 + 30 * len(rows))
    figure.update_layout(showlegend=False)
    figure.update_yaxes(autorange="reversed", type="category", dtick=1, ticksuffix=" ")
    figure.update_xaxes(rangemode="tozero")
    return figure


def money_figure(buyers: Iterable[BuyerAccount], pays: Iterable[MemberPay], cash: Decimal, currency: str) -> go.Figure:
    """Return where the pools' money is: for loads, come in, paid to members, in the cash, still due."""
    accounts, members = list(buyers), list(pays)
    zero = Decimal(0)
    rows = [
        (_("Loads sold"), sum((account.loads for account in accounts), zero), STONE),
        (_("Received from buyers"), sum((account.paid for account in accounts), zero), SKY),
        (_("Paid, advances too"), sum((pay.paid + pay.advanced for pay in members), zero), BLUE),
        (_("In the cash"), cash, STRAW),
        (_("Still due to members"), sum((max(pay.due, zero) for pay in members), zero), STONE),
    ]
    return _bars(
        [(name, float(amount)) for name, amount, _colour in rows],
        currency,
        [money(amount, currency) for _name, amount, _colour in rows],
        [colour for _name, _amount, colour in rows],
    )


def buyers_figure(buyers: Iterable[BuyerAccount], currency: str) -> go.Figure:
    """Return what each buyer has paid, still owes and never pays, as one bar a buyer."""
    accounts = list(buyers)
    figure = go.Figure()
    parts = (
        (_("paid"), [account.paid for account in accounts], BLUE, ""),
        (_("still owed"), [account.open for account in accounts], STRAW, "/"),
        (_("never paid"), [account.written_off for account in accounts], STONE, "x"),
    )
    for name, amounts, colour, pattern in parts:
        if any(amounts):
            figure.add_bar(
                x=[float(amount) for amount in amounts],
                y=[account.buyer for account in accounts],
                orientation="h",
                name=name,
                marker={"color": colour, "pattern": {"shape": pattern}},
                text=[f"{name} {money(amount, currency)}" if amount else "" for amount in amounts],
                textposition="auto",
                hoverinfo="skip",
            )
    layout(figure, currency, "", height=110 + 34 * len(accounts))
    figure.update_layout(barmode="stack", showlegend=False)
    figure.update_yaxes(autorange="reversed", type="category", dtick=1, ticksuffix=" ")
    return figure
