"""Pictures of sorption: moisture over humidity, with a reading on the curve."""

from __future__ import annotations

from collections.abc import Sequence

import plotly.graph_objects as go

from core.grain.sorption import IsothermCurve
from core.storage.keeping import LotCheck
from dashboard.charts.base import add_fan, layout
from dashboard.charts.palette import CLAY, INK, PLUM
from dashboard.text import _, number


def isotherm_figure(
    curve: IsothermCurve, check: LotCheck | None = None, pairs: Sequence[tuple[float, float, float]] = ()
) -> go.Figure:
    """Return moisture over humidity at one temperature, with a reading and its limit, or with pairs of readings.

    A pair is temperature (°C), humidity (%) and moisture (% wet basis).
    """
    figure = go.Figure()
    name = _("{crop} at {temperature} °C; shaded: other published sets").format(
        crop=_(curve.commodity.name), temperature=number(curve.temperature_c, 0)
    )
    add_fan(figure, list(curve.humidity_pct), curve.lowest_pct, curve.moisture_pct, curve.highest_pct, name)
    if check is not None:
        figure.add_vline(
            x=check.limit_pct,
            line={"color": CLAY, "dash": "dash"},
            annotation_text=_("keeps below {limit} %").format(limit=number(check.limit_pct, 0)),
            annotation_font_color=CLAY,
            annotation_position="top left",
        )
        figure.add_scatter(
            x=[check.relative_humidity_pct],
            y=[check.moisture_pct],
            mode="markers",
            name=_("this reading"),
            marker={"symbol": "diamond", "size": 14, "color": PLUM, "line": {"color": INK, "width": 1}},
            error_y={"type": "data", "array": [check.moisture_sd_pct], "color": PLUM},
        )
    if pairs:
        figure.add_scatter(
            x=[pair[1] for pair in pairs],
            y=[pair[2] for pair in pairs],
            mode="markers",
            name=_("own readings, each at its own temperature"),
            marker={"symbol": "circle-open", "size": 10, "color": PLUM, "line": {"width": 2}},
        )
    return layout(figure, _("humidity between grains (%)"), _("moisture (% wet basis)"))
