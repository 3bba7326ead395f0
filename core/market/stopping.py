"""The price at or above which to sell at each date, and what that rule would have earned in past years.

Working back from the last date, selling now is held against the value of going on, which is regressed on the price
(least-squares Monte Carlo, Longstaff and Schwartz 2001). The price of a date is the lowest one from which on selling
is worth at least as much.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from core.market.hindcast import past_harvests
from core.market.season import SeasonalCurve, fit_season
from core.market.waiting import WaitingRule

Floats = NDArray[np.float64]

WAIT = float("nan")
ANY_PRICE = 0.0
PATHS = 2000
GRID = 201


@dataclass(frozen=True)
class SellingPrices:
    """A rule of sale by price.

    Attributes
    ----------
    price : ndarray, shape (dates,)
        Sell at or above it [the unit of the prices]; NaN = wait whatever the price, 0 = at any price.
    sold_at : ndarray of int, shape (paths,)
        Date at which each path sells.
    worth : ndarray, shape (paths,)
        What it brings.
    """

    price: Floats
    sold_at: NDArray[np.int64]
    worth: Floats


def selling_prices(prices: Floats, worth: Floats, learn: NDArray[np.bool_] | None = None) -> SellingPrices:
    """Return the price at or above which to sell at each date, by backward induction.

    Parameters
    ----------
    prices : ndarray, shape (dates, paths)
        Market price, which the seller sees.
    worth : ndarray, shape (dates, paths)
        What selling at that date brings today [money].
    learn : ndarray of bool, shape (paths,), optional
        Paths on which the rule is found (all if left out); the others are judged by it.

    Returns
    -------
    SellingPrices
        The last date sells at any price.
    """
    dates, count = prices.shape
    use = np.full(count, True) if learn is None else learn
    rule = np.full(dates, ANY_PRICE)
    best, sold_at = worth[-1].copy(), np.full(count, dates - 1)
    for date in range(dates - 2, -1, -1):
        rule[date] = _least_price(prices[date, use], worth[date, use], best[use])
        sells = prices[date] >= rule[date]
        best = np.where(sells, worth[date], best)
        sold_at = np.where(sells, date, sold_at)
    return SellingPrices(rule, sold_at, best)


def _least_price(price: Floats, now: Floats, later: Floats) -> float:
    """Return the lowest price from which on selling now is worth at least as much as going on.

    NaN if there is none, 0 if it is every one.
    """
    gain = now - later
    if np.ptp(price) <= 1e-9 * float(np.abs(price).max()):
        return ANY_PRICE if gain.mean() >= 0 else WAIT
    x = np.log(price)
    middle, spread = float(x.mean()), float(x.std())
    z = (x - middle) / spread
    design = np.column_stack([np.ones_like(z), z, z**2])
    fitted, *_ = np.linalg.lstsq(design, gain, rcond=None)
    at = np.linspace(float(z.min()), float(z.max()), GRID)
    advantage = np.column_stack([np.ones_like(at), at, at**2]) @ fitted
    waits = np.flatnonzero(advantage < 0)
    if len(waits) == 0:
        return ANY_PRICE
    if waits[-1] == GRID - 1:
        return WAIT
    return float(np.exp(middle + spread * at[waits[-1] + 1]))


def selling_prices_by_month(curve: SeasonalCurve, rule: WaitingRule, price_now: float, seed: int = 17) -> pd.Series:
    """Return the price at or above which to sell in each month from today's on.

    Parameters
    ----------
    curve : SeasonalCurve
        Prices up to today.
    rule : WaitingRule
        Longest wait, weight loss, interest, storage cost.
    price_now : float
        Today's price where the grain is sold [money/kg].
    seed : int
        Of the price paths.

    Returns
    -------
    Series
        Indexed by months waited 0..rule.months; NaN = wait whatever the price, 0 = sell at any price [money/kg].
    """
    months = np.arange(rule.months + 1)
    paths = curve.sample_paths(rule.months, PATHS, seed, price_now).T
    worth = paths * rule.discount(months)[:, None] - rule.cost(months)[:, None] * price_now
    return pd.Series(selling_prices(paths, worth).price, index=pd.RangeIndex(len(months), name="months"))


def hindcast_selling_prices(
    prices: pd.Series,
    rule: WaitingRule,
    monthly_inflation: float | None = None,
    neighbours: Sequence[pd.Series] = (),
    seed: int = 17,
) -> pd.DataFrame:
    """Replay past years: sell at each month's price as worked out at harvest, or in the month that looked best then.

    Parameters
    ----------
    prices : Series
        Price [money/kg] with a monthly PeriodIndex; gaps allowed.
    rule : WaitingRule
        Longest wait, weight loss, interest, storage cost.
    monthly_inflation : float, optional
        Towards which the drift is shrunk.
    neighbours : sequence of Series, optional
        The same crop in other markets.
    seed : int
        Of the price paths.

    Returns
    -------
    DataFrame
        One row for each year, indexed by harvest month: price then, `fixed_month` and `rule_month` (months waited),
        what a kilogram earned relative to selling at harvest: `fixed`, `rule`, `best` (perfect foresight).

    Raises
    ------
    PriceDataError
        No whole year left after the least history.
    """
    series = prices.dropna().astype(float).sort_index()
    months = np.arange(rule.months + 1)
    rows: list[dict[str, object]] = []
    for origin, came in past_harvests(series, rule.months, monthly_inflation):
        paths = fit_season(series[:origin], monthly_inflation, neighbours).sample_paths(rule.months, PATHS, seed).T
        worth = paths * rule.discount(months)[:, None] - rule.cost(months)[:, None] * paths[0]
        found = selling_prices(paths, worth)
        fixed = int(np.argmax(worth.mean(axis=1)))
        sold = int(np.flatnonzero(came >= found.price)[0])
        earned = came * rule.discount(months) / came[0] - rule.cost(months)
        rows.append(
            {
                "harvest": origin,
                "price": came[0],
                "fixed_month": fixed,
                "rule_month": sold,
                "fixed": earned[fixed],
                "rule": earned[sold],
                "best": earned.max(),
            }
        )
    return pd.DataFrame(rows).set_index("harvest")


@dataclass(frozen=True)
class LookBack:
    """What a rule of sale by price and the best fixed month earned in past years.

    Attributes
    ----------
    years : DataFrame
        From `hindcast_selling_prices`.
    rule, fixed, best : float
        Mean gain against selling at harvest, a fraction; `best` is perfect foresight.
    tied : int
        Years in which both sold in the same month.
    better : str
        "rule", "fixed", or "" where the difference is within two standard errors of nothing, or cannot be told.
    """

    years: pd.DataFrame
    rule: float
    fixed: float
    best: float
    tied: int
    better: str


def look_back(years: pd.DataFrame) -> LookBack:
    """Return past years summed up, and which way of selling did better where the years can tell.

    Parameters
    ----------
    years : DataFrame
        From `hindcast_selling_prices`.
    """
    rule, fixed, best = (float(years[name].mean()) - 1.0 for name in ("rule", "fixed", "best"))
    apart = years["rule"] - years["fixed"]
    error = float(apart.std() / np.sqrt(len(years))) if len(years) > 1 else float("nan")
    told = bool(abs(rule - fixed) >= 2.0 * error) and rule != fixed  # NaN: one year tells nothing
    better = ("rule" if rule > fixed else "fixed") if told else ""
    return LookBack(years, rule, fixed, best, int((apart == 0).sum()), better)
