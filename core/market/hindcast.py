"""What each rule of sale would have earned in the past years of a price series, each date knowing only its past.

A year of the hindcast begins at its harvest month: the month that the data *up to then* call the lowest. From there
each rule sells once within the horizon. A rule's result is what a kilogram earned, less weight loss and interest,
relative to selling at harvest in the same year.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from core.errors import InputError, PriceDataError
from core.given import takes_numbers
from core.market.season import SeasonalCurve, checked_months, fit_season
from core.market.waiting import WaitingRule, decide

Floats = NDArray[np.float64]

HARVEST = "sell at harvest"
PLAN = "plan"
FORESIGHT = "perfect foresight"
LEAST_HISTORY_MONTHS = 48
LONGEST_BRIDGED_GAP = 3


@dataclass(frozen=True)
class HindcastReport:
    """Past years of one series under each rule.

    Attributes
    ----------
    table : DataFrame
        Indexed by rule: mean, worst, share_losing (share of years below selling at harvest), years; selling at
        harvest = 1.
    years : DataFrame
        One row for each year: harvest month, price then, month sold under the plan, and each rule's result.
    captured : float
        Gain of the plan as a fraction of the gain of perfect foresight; NaN if there was nothing to gain.
    """

    table: pd.DataFrame
    years: pd.DataFrame
    captured: float


def past_harvests(
    series: pd.Series, horizon_months: int, monthly_inflation: float | None
) -> list[tuple[pd.Period, Floats]]:
    """Return the months of harvest that can be looked back on, each with the prices from it to the horizon's end.

    Harvest is in the lowest month of the curve known before it.

    Raises
    ------
    PriceDataError
        No whole year left after the least history.
    """
    found = []
    start = series.index[0] + LEAST_HISTORY_MONTHS
    while start + horizon_months <= series.index[-1]:
        known = series[: start - 1]
        if len(known) < 0.75 * LEAST_HISTORY_MONTHS:
            start = start + 1
            continue
        origin = start + (fit_season(known, monthly_inflation).trough_month - start.month) % 12
        start = origin + 7
        came = price_course(series, origin, horizon_months) if origin + horizon_months <= series.index[-1] else None
        if came is not None:
            found.append((origin, came))
    if not found:
        raise PriceDataError(
            "{months} months of prices leave no whole year to look back on: at least {least} are needed",
            months=len(series),
            least=LEAST_HISTORY_MONTHS + horizon_months + 1,
        )
    return found


@takes_numbers(finite=("monthly_loss", "monthly_interest"), whole=("horizon_months",))
def hindcast(
    prices: pd.Series,
    monthly_loss: float,
    monthly_interest: float,
    horizon_months: int,
    monthly_inflation: float | None = None,
    neighbours: Sequence[pd.Series] = (),
) -> HindcastReport:
    """Replay the past years of a price series under each rule.

    Parameters
    ----------
    prices : Series
        Price [money/kg] with a monthly PeriodIndex; gaps allowed.
    monthly_loss, monthly_interest : float
        Weight lost and cost of money, fractions a month.
    horizon_months : int
        Longest wait; the stock must be sold by then.
    monthly_inflation : float, optional
        Towards which the drift is shrunk.
    neighbours : sequence of Series, optional
        The same crop in other markets, lent to the plan's fit as far as they were known then.

    Raises
    ------
    PriceDataError
        No whole year left after the least history.
    """
    if horizon_months < 1:
        raise InputError("a horizon of {months} months is too short; 1 is the least", months=horizon_months)
    if not 0 <= monthly_loss < 1 or monthly_interest <= -1:
        raise InputError(
            "loss {loss} or interest {interest} is not possible", loss=monthly_loss, interest=monthly_interest
        )
    series = checked_months(prices)
    if series.empty:
        raise PriceDataError("every price must be a number above zero")
    rule = WaitingRule(horizon_months, monthly_interest, monthly_loss)
    rows = []
    for origin, outcome in past_harvests(series, horizon_months, monthly_inflation):
        worth = outcome * rule.discount(np.arange(horizon_months + 1)) / outcome[0]
        sold = _plan_month(series, origin, rule, monthly_inflation, neighbours)
        rows.append(
            {"harvest": origin, "price": outcome[0], "sold_after": sold, HARVEST: 1.0}
            | {f"wait {k} months": worth[k] for k in range(1, horizon_months + 1)}
            | {PLAN: worth[sold], FORESIGHT: worth.max()}
        )
    years = pd.DataFrame(rows).set_index("harvest")
    rules = [column for column in years.columns if column not in ("price", "sold_after")]
    table = pd.DataFrame(
        {
            "mean": years[rules].mean(),
            "worst": years[rules].min(),
            "share_losing": (years[rules] < 1 - 1e-12).mean(),
            "years": len(years),
        }
    ).rename_axis("rule")
    possible = float(table["mean"][FORESIGHT]) - 1
    captured = (float(table["mean"][PLAN]) - 1) / possible if possible > 0 else float("nan")
    return HindcastReport(table, years, captured)


def price_course(series: pd.Series, origin: pd.Period, months: int) -> Floats | None:
    """Return the prices that came, short gaps bridged for the valuation only, or None."""
    if origin not in series.index:
        return None
    wanted = pd.period_range(origin, origin + months, freq="M")
    logs = np.log(series.reindex(wanted))
    bridged = logs.interpolate(limit=LONGEST_BRIDGED_GAP, limit_area="inside")
    return None if bridged.isna().any() else np.exp(bridged.to_numpy(dtype=float))


def _plan_month(
    series: pd.Series,
    origin: pd.Period,
    rule: WaitingRule,
    monthly_inflation: float | None,
    neighbours: Sequence[pd.Series],
) -> int:
    """Return after how many months the plan sells, asking again every month with the prices known then."""
    curve: SeasonalCurve | None = None
    for waited in range(rule.months):
        if origin + waited not in series.index:
            continue
        known = series[: origin + waited]
        curve = fit_season(known, monthly_inflation, neighbours) if curve is None else curve.updated(known)
        if not decide(curve, rule.after(waited), begun=waited > 0).wait:
            return waited
    return rule.months
