"""What each kind of help would bring over a programme's groups, with the spread of years."""

from __future__ import annotations

from collections.abc import Sequence

import plotly.graph_objects as go

from core.programme.counterfactual import Difference
from core.programme.helping import HelpSum
from dashboard.charts.base import layout
from dashboard.charts.palette import CLAY


def help_figure(sums: Sequence[HelpSum], names: Sequence[str], x_title: str) -> go.Figure:
    """Return net worth by kind of help: a mark for the mean, a line from a bad year to a good one, both less the cost.

    Parameters
    ----------
    sums : sequence of HelpSum
        Of one currency, what brings most first.
    """
    return _spread([(item.net, item.money, item.low, item.high) for item in sums], names, x_title)


def losses_figure(losses: Sequence[Difference], names: Sequence[str], x_title: str) -> go.Figure:
    """Return a group's avoidable losses, largest first: a mark for the mean, a line from a bad year to a good one."""
    return _spread([(item.money, item.money, item.low, item.high) for item in losses], names, x_title)


def _spread(rows: Sequence[tuple[float, float, float, float]], names: Sequence[str], x_title: str) -> go.Figure:
    """Return marks at the first of each row, with a line as far below and above as `low` and `high` are of the mean."""
    top = list(rows)[::-1]
    figure = go.Figure(
        go.Scatter(
            x=[mark for mark, _mean, _low, _high in top],
            y=list(names)[::-1],
            error_x={
                "type": "data",
                "symmetric": False,
                "array": [max(0.0, high - mean) for _mark, mean, _low, high in top],
                "arrayminus": [max(0.0, mean - low) for _mark, mean, low, _high in top],
                "thickness": 2,
            },
            mode="markers",
            marker={"color": CLAY, "size": 11, "symbol": "diamond"},
            showlegend=False,
        )
    )
    figure.add_vline(x=0, line_width=1, line_dash="dot")
    figure.update_yaxes(ticksuffix=" ")
    return layout(figure, x_title, "", height=130 + 46 * max(1, len(top)))
