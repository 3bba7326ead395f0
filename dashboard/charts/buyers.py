"""Figure of buyers: what one delivery brings from each, after everything is taken off."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap

import plotly.graph_objects as go

from core.market.buyers import Bid
from dashboard.charts.base import layout
from dashboard.charts.palette import BLUE, STONE
from dashboard.text import _, number


def bids_figure(bids: Sequence[Bid], names: Sequence[str], unit: str) -> go.Figure:
    """Draw net money per kg by buyer, the best on top.

    Parameters
    ----------
    bids : sequence of Bid
        Those that take the delivery, the best first.
    unit : str
        Of the price axis, such as ``KES per kg``.
    """
    values = [bid.net_today_per_kg for bid in bids]
    figure = go.Figure(
        go.Bar(
            x=values[::-1],
            y=["<br>".join(wrap(name, 18)) for name in names][::-1],
            orientation="h",
            marker={"color": [STONE] * (len(bids) - 1) + [BLUE]},
            text=[number(value, 2) for value in values[::-1]],
            textposition="auto",
            name=_("earns"),
            showlegend=False,
        )
    )
    figure.update_yaxes(automargin=True, ticklabelstandoff=6)
    return layout(figure, "", _("{unit}, after all deductions").format(unit=unit), height=90 + 48 * len(bids))
