"""Pictures of a drying forecast."""

from __future__ import annotations

import numpy as np
import plotly.graph_objects as go

from core.drying.learning import RateBelief
from core.drying.run import DryingRun
from dashboard.charts.base import add_fan, label_ends, layout
from dashboard.charts.palette import CLAY, PLUM, SKY, STRAW
from dashboard.text import _


def moisture_figure(run: DryingRun, tests: list[tuple[object, float]] | None = None) -> go.Figure:
    """Return moisture over time: middle line, 10 to 90 % band, the target, and the group's own tests."""
    times = run.times if run.setup.time_zone is None else run.times.tz_convert(run.setup.time_zone)
    last = _last_hour(run)
    stamps = [stamp.replace(tzinfo=None) for stamp in times[: last + 1].to_pydatetime()]
    low, middle, high = np.quantile(run.moisture_pct[: last + 1], [0.1, 0.5, 0.9], axis=1)
    figure = add_fan(go.Figure(), stamps, low, middle, high, _("Moisture: middle and 8 in 10"))
    figure.add_scatter(
        x=[stamps[0], stamps[-1]],
        y=[run.target_pct, run.target_pct],
        mode="lines",
        name=_("Dry enough"),
        line={"color": CLAY, "dash": "dash"},
    )
    if tests:
        figure.add_scatter(
            x=[time for time, _moisture in tests],
            y=[moisture for _time, moisture in tests],
            mode="markers",
            name=_("Your tests"),
            marker={"color": PLUM, "symbol": "diamond", "size": 10},
        )
    return label_ends(layout(figure, _("Local date and hour"), _("Moisture, %")), 11)


def _last_hour(run: DryingRun) -> int:
    """Return the hour up to which the picture is of use: two days beyond nine in ten weathers, at least three days."""
    ordered = np.sort(run.hours_to_target)
    late = ordered[max(int(np.ceil(0.9 * len(ordered))) - 1, 0)]
    end = len(run.times) - 1
    return end if not np.isfinite(late) else int(min(end, max(72, np.ceil(late) + 48)))


def days_figure(run: DryingRun) -> go.Figure:
    """Return the chance to be dry by the end of each day."""
    days = np.arange(1, int(np.ceil(_last_hour(run) / 24)) + 1)
    chance = [100.0 * float((run.days_to_target <= day).mean()) for day in days]
    figure = go.Figure(go.Bar(x=days, y=chance, marker={"color": SKY}, name=_("Chance to be dry")))
    figure.update_yaxes(range=[0, 100])
    figure.update_xaxes(dtick=1 if len(days) <= 8 else 2)
    return layout(figure, _("Day (today is 1)"), _("Chance to be dry, %"), height=260)


def belief_figure(assumed: RateBelief, believed: RateBelief) -> go.Figure:
    """Return what is assumed and what is now believed of the place's rate."""
    figure = go.Figure()
    for belief, name, colour, dash in (
        (assumed, _("assumed"), STRAW, "dot"),
        (believed, _("now believed"), PLUM, "solid"),
    ):
        weights = belief.weights.sum(axis=1)
        figure.add_scatter(
            x=belief.factors, y=weights / weights.max(), mode="lines", name=name, line={"color": colour, "dash": dash}
        )
    figure.update_yaxes(showticklabels=False)
    return layout(figure, _("Rate here against the published rate (1 = the same)"), _("How likely"), height=260)
