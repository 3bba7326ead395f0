"""Pictures of lots: how moist each is and how sure that is, and the bags of one lot."""

from __future__ import annotations

from collections.abc import Sequence

import plotly.graph_objects as go

from core.group.lot_state import LotState
from core.group.sampling import LotMoisture
from dashboard.charts.base import label_ends, layout
from dashboard.charts.palette import BLUE, CLAY, INK, MARKS, PLUM, STONE, STRAW
from dashboard.text import _

COLOUR = {"dry enough": BLUE, "too wet": CLAY, "cannot tell": STRAW, "not tested": STONE}
MARK = {"dry enough": MARKS[0], "too wet": MARKS[1], "cannot tell": MARKS[2], "not tested": MARKS[4]}


def verdict_words() -> dict[str, str]:
    """Return the verdicts in the reader's language."""
    return {
        "dry enough": _("dry enough"),
        "too wet": _("too wet"),
        "cannot tell": _("cannot tell"),
        "not tested": _("not tested"),
    }


def lots_figure(states: Sequence[LotState]) -> go.Figure:
    """Return each lot's mean moisture with the range that holds it in 9 of 10 cases, and the limit that binds."""
    figure = go.Figure()
    tested = [state for state in states if state.moisture is not None]
    words = verdict_words()
    for verdict, name in words.items():
        chosen = [state for state in tested if state.decision == verdict]
        if not chosen:
            continue
        means = [state.moisture.mean_pct for state in chosen if state.moisture]
        ranges = [state.moisture.interval(0.9) for state in chosen if state.moisture]
        figure.add_scatter(
            x=means,
            y=[state.lot.label for state in chosen],
            error_x={
                "type": "data",
                "symmetric": False,
                "array": [high - mean for mean, (_low, high) in zip(means, ranges, strict=True)],
                "arrayminus": [mean - low for mean, (low, _high) in zip(means, ranges, strict=True)],
                "color": COLOUR[verdict],
            },
            mode="markers",
            marker={"color": COLOUR[verdict], "symbol": MARK[verdict], "size": 11},
            name=name,
        )
    figure.add_scatter(
        x=[state.limit.moisture_pct for state in tested],
        y=[state.lot.label for state in tested],
        mode="markers",
        marker={"symbol": "line-ns", "size": 18, "line": {"width": 3, "color": INK}},
        name=_("strictest limit"),
    )
    layout(figure, _("Moisture, %"), "", height=140 + 34 * max(1, len(tested)))
    figure.update_layout(hovermode="closest")
    labels = [state.lot.label for state in tested]
    figure.update_yaxes(autorange="reversed", type="category", dtick=1, categoryorder="array", categoryarray=labels)
    return figure


def bags_figure(moisture: LotMoisture, limit_pct: float) -> go.Figure:
    """Return the probed bags of one lot, wettest first, with the limit as a line."""
    bags = sorted(moisture.bag_means_pct.items(), key=lambda item: -item[1])
    figure = go.Figure()
    for above, colour, mark, words in (
        (True, CLAY, MARKS[1], _("bag above the limit")),
        (False, BLUE, MARKS[0], _("bag at or below it")),
    ):
        chosen = [(name, value) for name, value in bags if (value > limit_pct) == above]
        if chosen:
            figure.add_scatter(
                x=[name for name, _value in chosen],
                y=[value for _name, value in chosen],
                mode="markers",
                marker={"color": colour, "symbol": mark, "size": 13},
                name=words,
            )
    names = [name for name, _value in bags]
    for value, name, colour, dash in (
        (limit_pct, _("strictest limit"), INK, "solid"),
        (moisture.mean_pct, _("average of the lot"), PLUM, "dash"),
    ):
        figure.add_scatter(
            x=names, y=[value] * len(names), mode="lines", name=name, line={"color": colour, "dash": dash}
        )
    layout(figure, _("Bag"), _("Moisture, %"), height=320)
    figure.update_xaxes(type="category", categoryorder="array", categoryarray=names)
    return label_ends(figure, 11)
