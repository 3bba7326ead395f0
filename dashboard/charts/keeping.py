"""Figure of keeping grain: what the price must reach, part by part, beside what it may be by then."""

from __future__ import annotations

from textwrap import wrap
from typing import Any

import numpy as np
import plotly.graph_objects as go

from core.market.costs import WaitingCost
from dashboard.charts.base import layout
from dashboard.charts.palette import BLUE, INK, PAPER, SKY, STONE, shade
from dashboard.text import _, ngettext, number

LABEL_LETTERS = 15
ROW_PX = 44


def keeping_figure(price: float, cost: WaitingCost, then: np.ndarray, months: int, currency: str) -> go.Figure:
    """Draw the price today, the cost of keeping that is added to it, the price needed, and the band of later prices.

    Parameters
    ----------
    price : float
        Today's [money/kg].
    then : ndarray of shape (n,)
        Prices in the possible seasons after that many months [money/kg].
    """
    steps = [(_("Price today"), 0.0, price, STONE)]
    at = price
    for name, part in (
        (_("Interest"), cost.interest),
        (_("Lost weight"), cost.loss),
        (_("Store's charge"), cost.storage),
    ):
        steps.append((name, at, part, STONE))
        at += part
    steps.append((_("Price needed"), 0.0, at, BLUE))
    low, middle, high = (float(value) for value in np.quantile(then, [0.1, 0.5, 0.9]))
    later = ngettext("Price after {count} month", "Price after {count} months", months).format(count=months)
    names = ["<br>".join(wrap(name, LABEL_LETTERS)) for name in (*(step[0] for step in steps), later)]
    figure = go.Figure()
    figure.add_bar(
        y=names,
        base=[*(step[1] for step in steps), low],
        x=[*(step[2] for step in steps), high - low],
        orientation="h",
        marker={"color": [*(step[3] for step in steps), shade(SKY, 0.45)]},
        showlegend=False,
        hoverinfo="skip",
    )
    figure.add_scatter(
        x=[middle],
        y=names[-1:],
        mode="markers",
        marker={"color": INK, "symbol": "line-ns-open", "size": 22, "line": {"width": 3}},
        showlegend=False,
        hoverinfo="skip",
    )
    figure.add_vline(x=at, line={"color": BLUE, "dash": "dot", "width": 1.5})
    digits = 0 if price >= 100 else 2
    for number_of, (name, (_label, base, part, _colour)) in enumerate(zip(names, steps, strict=False)):
        sign = "+ " if 0 < number_of < len(steps) - 1 else ""
        _write(figure, base + part, name, sign + number(part, digits), xanchor="left", xshift=6, bgcolor=PAPER)
    _write(figure, middle, names[-1], number(middle, digits), yshift=-21)
    figure.update_yaxes(autorange="reversed", ticklabelstandoff=6)
    figure.update_xaxes(range=[0, max(1.35 * at, 1.05 * high)], zeroline=True)
    figure.update_layout(bargap=0.45)
    return layout(figure, "", _("{currency} per kg").format(currency=currency), height=70 + ROW_PX * len(names))


def _write(figure: go.Figure, x: float, row: str, words: str, **place: Any) -> None:
    """Write words at a place of a row."""
    figure.add_annotation(x=x, y=row, text=words, showarrow=False, font={"color": INK, "size": 13}, **place)
