"""Figures of prices: history, season, fan to the next harvest with the break-even line, past years under each rule."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import pandas as pd
import plotly.graph_objects as go

from core.market.hindcast import FORESIGHT, PLAN, HindcastReport
from core.market.season import SeasonalCurve
from dashboard.charts.base import add_fan, label_ends, layout
from dashboard.charts.palette import BLUE, CLAY, INK, PLUM, STONE, STRAW, shade
from dashboard.text import _


def history_figure(prices: pd.Series, curve: SeasonalCurve, unit: str) -> go.Figure:
    """Draw the monthly prices, gaps left open, with the level that remains when the season is taken out.

    Parameters
    ----------
    prices : Series
        Price [money/kg], monthly PeriodIndex.
    unit : str
        Of the price axis, such as ``KES per kg``.
    """
    whole = prices.reindex(pd.period_range(prices.index[0], prices.index[-1], freq="M"))
    months = pd.PeriodIndex(whole.index)
    season = curve.factors.loc[list(months.month)].to_numpy()
    figure = go.Figure()
    x = months.to_timestamp()
    figure.add_scatter(
        x=x, y=whole.to_numpy(), mode="lines+markers", name=_("price"), line={"color": BLUE}, marker={"size": 4}
    )
    if curve.reliable:
        figure.add_scatter(
            x=x,
            y=whole.to_numpy() / season,
            mode="lines",
            name=_("without the season"),
            line={"color": STONE, "dash": "dot"},
        )
    return layout(figure, _("month"), unit)


def season_figure(curve: SeasonalCurve, month_names: Mapping[int, str]) -> go.Figure:
    """Draw the season as percent above or below the year's mean; hovering tells each month's chances."""
    months = list(range(1, 13))
    above = 100 * (curve.factors.loc[months].to_numpy() - 1)
    names = [month_names[month] for month in months]
    words = [
        _("lowest in {low:.0f} of 100, highest in {high:.0f} of 100").format(
            low=100 * curve.trough_chance[month], high=100 * curve.peak_chance[month]
        )
        for month in months
    ]
    colours = [
        STRAW if month == curve.trough_month else PLUM if month == curve.peak_month else STONE for month in months
    ]
    figure = go.Figure(
        go.Bar(x=names, y=above, marker={"color": colours}, hovertext=words, name=_("season"), showlegend=False)
    )
    figure.add_hline(y=0, line={"color": INK, "width": 1})
    return layout(figure, _("month"), _("% above or below the year's average"), height=300)


def fan_figure(table: pd.DataFrame, first: date, best_month: int, unit: str) -> go.Figure:
    """Draw the fan of prices week by week from today on, with the price that pays for waiting over it.

    Parameters
    ----------
    table : DataFrame
        Indexed week 0..n; columns breakeven, low, median, high [money/kg].
    first : date
        Day of week 0.
    best_month : int
        Months to the best sale, 0 = now.
    """
    x = [pd.Timestamp(first) + pd.Timedelta(weeks=int(week)) for week in table.index]
    price_today = float(table["median"].iloc[0])
    columns = [table[name].to_numpy() for name in ("low", "median", "high")]
    figure = go.Figure()
    add_fan(figure, x, *columns, name=_("middle price"), colour=BLUE)
    figure.add_scatter(
        x=x,
        y=table["breakeven"],
        mode="lines",
        name=_("price that pays for waiting"),
        line={"color": CLAY, "dash": "dash", "width": 3},
    )
    figure.add_scatter(
        x=[x[0]],
        y=[price_today],
        mode="markers",
        name=_("today"),
        marker={"symbol": "diamond", "size": 11, "color": INK},
        showlegend=False,
    )
    figure.add_annotation(
        x=0.02,
        y=0.16,
        xref="paper",
        yref="paper",
        text=_("8 in 10 possible prices<br>are inside the band"),
        showarrow=False,
        align="left",
        xanchor="left",
        yanchor="bottom",
        font={"color": BLUE, "size": 13},
    )
    if best_month:
        best = pd.Timestamp(first) + pd.DateOffset(months=best_month)
        figure.add_vline(x=best, line={"color": PLUM, "dash": "dot"})
        figure.add_annotation(
            x=best,
            y=0.02,
            yref="paper",
            text=_("best to sell"),
            showarrow=False,
            yanchor="bottom",
            font={"color": PLUM},
        )
    figure.update_yaxes(rangemode="tozero")
    figure.update_xaxes(tickformat="%b\n%Y")
    return label_ends(layout(figure, _("week of sale"), unit))


def hindcast_figure(report: HindcastReport) -> go.Figure:
    """Draw what each past harvest earned under the plan and under perfect foresight, selling at harvest being 100."""
    years = [f"{period.year}-{period.month:02d}" for period in pd.PeriodIndex(report.years.index)]
    figure = go.Figure()
    figure.add_bar(
        x=years, y=100 * report.years[FORESIGHT] - 100, name=_("perfect foresight"), marker={"color": shade(STONE, 0.5)}
    )
    figure.add_bar(x=years, y=100 * report.years[PLAN] - 100, name=_("this tool's rule"), marker={"color": BLUE})
    figure.add_hline(y=0, line={"color": INK, "width": 1})
    figure.update_layout(barmode="overlay")
    figure.update_xaxes(type="category")
    return layout(figure, _("harvest"), _("% more or less than selling at harvest"), height=320)
