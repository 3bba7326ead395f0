"""The seasonal curve of a price series: level, drift, season and noise, each as well as the data know it.

The log price is a drift, plus a season of few parameters, plus an autoregressive deviation of second order. Nothing is
estimated alone: the linear models of `core.market.season_models` are averaged by how well they explain the series. A
season that the data do not support is thus shrunk away, one that they half support is half believed, and a fast rise
of prices is believed where the series shows it.

References
----------
Gilbert, Christiaensen & Kaminski 2017, Food Policy 67:119-132 (trigonometric and sawtooth seasons; gap; bias of
dummies).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from core.accounts.finance import WEEKS_PER_MONTH
from core.errors import InputError, PriceDataError
from core.given import takes_numbers
from core.market.other_markets import OtherMarkets, other_markets
from core.market.season_models import (
    Floats,
    Grid,
    Ints,
    Model,
    average,
    make_grid,
    residuals,
    root,
    season_columns,
    season_test,
    tail_degrees,
    trend_columns,
)
from core.messages import Message, message

LEAST_MONTHS = 6
MOST_MONTHS = 264
LEAST_MONTHS_FOR_SEASON = 48
SIGNIFICANCE = 0.06
"""Share of series without a season that may be taken for seasonal.

Basis: judgement (the persistence is estimated, so a little more is).
"""
MOST_NEIGHBOURS = 6
NEIGHBOUR_SCALE = 0.03
"""Usual spread between markets of a harmonic's coefficient, in log price; basis: judgement."""
DRIFT_PRIOR = 0.004
"""Monthly drift of staple prices in general [log price a month]; basis: judgement."""
FAST_DRIFT = 0.01
"""Drift of today above which a rise is called inflation [log price a month, about 13 % a year]; basis: judgement."""
OWN_RISE_YEARS = (3, 5)
"""Fewest and most years over which a series' own rise is taken; basis: judgement."""
MOST_TAIL = 2.5
"""Greatest factor by which a path's noise is widened.

An unbounded Student tail of a log price has no mean, and one path in a thousand would then carry the whole expected
value of waiting; basis: judgement (1 path in 100 is cut at 3 degrees of freedom).
"""


@dataclass(frozen=True)
class SeasonalCurve:
    """What a price series says about its level, drift, season and noise.

    Attributes
    ----------
    factors : Series
        Seasonal factors indexed 1..12 (January..December), geometric mean 1, shrunk.
    gap_pct : float
        100 x (peak factor / trough factor - 1) [%].
    gap_interval_pct : tuple of float
        The middle 90 % of the posterior of the gap [%].
    p_value : float
        Chance of so strong a season in a series that has none.
    reliable : bool
        Whether the season is to be believed.
    trough_month, peak_month : int
        Months (1..12) of the lowest and the highest factor.
    trough_chance, peak_chance : Series
        Posterior chance that month 1..12 is the lowest or the highest.
    drift_monthly : float
        Expected monthly change of the log price today, beside the season.
    inflating : bool
        Whether prices rise so fast beside the season that a gain by waiting is inflation first of all.
    noise : float
        Standard deviation of the monthly innovation of the log price.
    tail_degrees : float
        Degrees of freedom of the Student tails of the paths; few = many months far out.
    last_price, last_month, months, span_months
        Last price and its month; months with a price, and months spanned.
    notes : tuple of Message
        What was found and done about the series (jumps, gaps, shortness).
    others : OtherMarkets
        What the crop's prices in other markets say about the months to come; part of every path.
    """

    factors: pd.Series
    gap_pct: float
    gap_interval_pct: tuple[float, float]
    p_value: float
    reliable: bool
    trough_month: int
    peak_month: int
    trough_chance: pd.Series
    peak_chance: pd.Series
    drift_monthly: float
    inflating: bool
    noise: float
    tail_degrees: float
    last_price: float
    last_month: pd.Period
    months: int
    span_months: int
    notes: tuple[Message, ...]
    others: OtherMarkets
    _grid: Grid = field(repr=False)
    _models: tuple[Model, ...] = field(repr=False)
    _inflation: float = field(default=0.0, repr=False)
    _shared: tuple[Floats, Floats] | None = field(default=None, repr=False)
    _neighbours: tuple[pd.Series, ...] = field(default=(), repr=False)

    @takes_numbers(alone=("interval", "from_price"), whole=("months",))
    def forecast(self, months: int, interval: float = 0.8, from_price: float | None = None) -> pd.DataFrame:
        """Forecast the price month by month.

        Parameters
        ----------
        months : int
            How far ahead.
        interval : float
            Share of outcomes between low and high.
        from_price : float, optional
            Today's price at the place of sale [money/kg]; default the last price of the series.

        Returns
        -------
        DataFrame
            Indexed 1..months; columns low, median, high, mean [money/kg].
        """
        if not 0 < interval < 1:
            raise InputError("interval {interval} is not between 0 and 1", interval=interval)
        paths = self.sample_paths(months, 4000, 20201, from_price)[:, 1:]
        tails = [(1 - interval) / 2, 0.5, (1 + interval) / 2]
        low, median, high = np.quantile(paths, tails, axis=0)
        index = pd.RangeIndex(1, months + 1, name="months_ahead")
        return pd.DataFrame({"low": low, "median": median, "high": high, "mean": paths.mean(axis=0)}, index=index)

    @takes_numbers(alone=("from_price",), whole=("months", "count", "seed"))
    def sample_paths(self, months: int, count: int, seed: int, from_price: float | None = None) -> Floats:
        """Draw possible monthly price paths.

        Parameters
        ----------
        months, count : int
            How far ahead, and how many.
        seed : int
            Same seed, same paths.
        from_price : float, optional
            Today's price at the place of sale [money/kg].

        Returns
        -------
        ndarray, shape (count, months + 1)
            Price [money/kg]; column 0 is today.
        """
        start = self.last_price if from_price is None else float(from_price)
        if not np.isfinite(start) or start <= 0:
            raise InputError("today's price {price} must be above zero", price=from_price)
        changes = self._log_changes(months, count, np.random.default_rng(seed))
        return start * np.exp(np.concatenate([np.zeros((count, 1)), changes], axis=1))

    def sample_weekly_paths(self, weeks: int, count: int, seed: int, from_price: float | None = None) -> Floats:
        """Draw possible weekly price paths: monthly paths with Brownian bridges between the months.

        Parameters
        ----------
        weeks, count, seed, from_price
            As for `sample_paths`, in weeks.

        Returns
        -------
        ndarray, shape (count, weeks + 1)
            Price [money/kg]; column 0 is today.
        """
        months = int(np.ceil(weeks / WEEKS_PER_MONTH))
        logs = np.log(self.sample_paths(months, count, seed, from_price))
        at = np.arange(weeks + 1) / WEEKS_PER_MONTH
        left = at.astype(int)  # no whole number of weeks is a whole number of months
        part = at - left
        line = logs[:, left] * (1 - part) + logs[:, left + 1] * part
        # A Wiener path less its own straight line within each month: variance part x (1 - part) of a month's noise.
        rng = np.random.default_rng([seed, 7])
        steps = np.diff(at)
        wiener = np.concatenate(
            [np.zeros((count, 1)), np.cumsum(rng.standard_normal((count, weeks)) * np.sqrt(steps), axis=1)], axis=1
        )
        edges = np.arange(months + 1)
        right_of = np.clip(np.searchsorted(at, edges), 1, weeks)
        share = np.minimum((edges - at[right_of - 1]) / (at[right_of] - at[right_of - 1]), 1)
        at_edges = wiener[:, right_of - 1] * (1 - share) + wiener[:, right_of] * share
        bridge = wiener - (at_edges[:, left] * (1 - part) + at_edges[:, left + 1] * part)
        return np.exp(line + self.noise * bridge)

    def updated(self, prices: pd.Series) -> SeasonalCurve:
        """Fit the same persistences again to a series with a few months more, at a fraction of the cost.

        Parameters
        ----------
        prices : Series
            As for `fit_season`.

        Returns
        -------
        SeasonalCurve
            Weights among the persistences already kept are found anew; the test of the season is not.
        """
        keep = frozenset((model.rho, model.phi) for model in self._models)
        return _fit(prices, self._inflation, keep, self.p_value, self._shared, self._neighbours)

    def _log_changes(self, months: int, count: int, rng: np.random.Generator) -> Floats:
        """Return draws of log price less today's, shape (count, months)."""
        if months < 1 or count < 1:
            raise InputError("months ({months}) and count ({count}) must be at least 1", months=months, count=count)
        weights = np.array([model.weight for model in self._models])
        # Even shares of the paths instead of drawn ones: less noise, same average.
        marks = (np.arange(count) + rng.random()) / count
        choice = rng.permutation(np.minimum(np.searchsorted(np.cumsum(weights), marks), len(weights) - 1))
        out = np.empty((count, months))
        ahead = np.arange(1, months + 1)
        jumps = self._grid.base - len(trend_columns(ahead, [])[0])
        future = np.concatenate(
            [trend_columns(ahead, [0] * jumps), season_columns((self.last_month.month - 1 + ahead) % 12 + 1)], axis=1
        )
        for number, model in enumerate(self._models):
            mine = np.flatnonzero(choice == number)
            if mine.size:
                out[mine] = self._one_model(model, future, mine.size, rng) - self._grid.log_price[-1]
        return out + self.others.rise(ahead)

    def _one_model(self, model: Model, future: Floats, count: int, rng: np.random.Generator) -> Floats:
        """Return draws of the log price under one model, shape (count, months)."""
        beta = model.mean + rng.standard_normal((count, model.mean.size)) @ root(model.covariance).T
        last = self._grid.log_price[-2:] - beta @ self._grid.columns[-2:, model.columns].T
        absent, by_beta = model.before
        before, now = last[:, 0] - absent - beta @ by_beta, last[:, 1]
        wide = np.sqrt((self.tail_degrees - 2) / rng.chisquare(self.tail_degrees, count))
        sigma = model.sigma * np.minimum(wide, MOST_TAIL)
        shock = rng.standard_normal((len(future), count))
        out = beta @ future[:, model.columns].T
        for month in range(len(future)):
            before, now = now, (model.rho + model.phi) * now - model.rho * model.phi * before + sigma * shock[month]
            out[:, month] += now
        return np.asarray(out)


def fit_season(
    prices: pd.Series, monthly_inflation: float | None = None, neighbours: Sequence[pd.Series] = ()
) -> SeasonalCurve:
    """Fit level, drift, season and noise to a monthly price series.

    Parameters
    ----------
    prices : Series
        Price [money/kg] with a monthly PeriodIndex; gaps (absent or NaN months) allowed; today is its last month.
    monthly_inflation : float, optional
        Rate towards which the drift of today is shrunk where the series itself does not rise fast, as a fraction a
        month; default that of staple prices in general.
    neighbours : sequence of Series, optional
        The same crop in other markets: their common season becomes one more form that this series may follow, and
        their last moves lead its own (`core.market.other_markets`). Only their months up to today are used. The test
        of the season stays with this series alone.

    Raises
    ------
    PriceDataError
        Too few months, or prices that are not above zero.
    """
    shared = _shared_season(prices, neighbours) if len(neighbours) else None
    inflation = DRIFT_PRIOR if monthly_inflation is None else monthly_inflation
    return _fit(prices, inflation, None, None, shared, tuple(neighbours))


def _shared_season(prices: pd.Series, neighbours: Sequence[pd.Series]) -> tuple[Floats, Floats] | None:
    """Return mean and standard deviation between markets of the harmonics' coefficients.

    None without a usable neighbour.
    """
    last = prices.dropna().index.max()
    found = []
    for series in list(neighbours)[:MOST_NEIGHBOURS]:
        known = series[series.index <= last].dropna()
        if len(known) < LEAST_MONTHS_FOR_SEASON:
            continue
        table = season_columns(np.arange(1, 13))[:, :4]
        found.append(np.linalg.lstsq(table, np.log(fit_season(known).factors.to_numpy()), rcond=None)[0])
    if not found:
        return None
    between = np.array(found)
    count = len(between)
    # Few markets tell little of how markets differ: the spread is shrunk to a usual one that counts as three markets.
    variance = (between.var(axis=0) * count + 3 * NEIGHBOUR_SCALE**2) / (count + 3)
    return between.mean(axis=0), np.sqrt(variance * (1 + 1 / count))


def _fit(
    prices: pd.Series,
    monthly_inflation: float,
    keep: frozenset[tuple[float, float]] | None,
    p_value: float | None,
    shared: tuple[Floats, Floats] | None,
    neighbours: tuple[pd.Series, ...],
) -> SeasonalCurve:
    """Fit all models, or only those of some persistences (then with the p-value found before)."""
    series, notes = _checked(prices)
    if not -0.5 <= monthly_inflation <= 1.0:
        raise InputError("a price rise of {rate} a month is not possible", rate=monthly_inflation)
    periods = pd.PeriodIndex(series.index)
    times = (periods.year * 12 + periods.month - 1).to_numpy().astype(np.int64)
    times = times - times[0]
    y = np.log(series.to_numpy(dtype=float))
    jumps, jump_notes = _jumps(times, y, periods)
    grid = make_grid(times, y, jumps, int(periods[-1].month))
    models = average(grid, drift_centre(times, y, [at for at, _ in jumps], monthly_inflation), shared, keep)
    top = models[0]
    tested = season_test(grid, top.rho, top.phi) if p_value is None else p_value
    fitted = _Fitted(grid, models, tested, tail_degrees(residuals(grid, top)), tuple(notes + jump_notes))
    return replace(
        _curve(series, fitted, monthly_inflation, shared),
        others=other_markets(series, neighbours),
        _neighbours=neighbours,
    )


def drift_centre(times: Ints, log_price: Floats, jumps: Sequence[int], general: float) -> float:
    """Return the rate towards which today's drift is drawn: the series' own where that is fast, the general one else.

    On open series the prices that had risen by more than 1 % a month over five years went on at that rate, while those
    that had risen more slowly went on at one common rate, whatever their own had been (`tests/benchmarks/price_bars`).

    Parameters
    ----------
    times : ndarray of int
        Months since the first, rising.
    jumps : sequence of int
        Times from which the level is another: such a step is no rise.
    general : float
        Rate of staple prices in general, or the group's own figure [fraction a month].

    Returns
    -------
    float
        [log price a month]
    """
    fewest, most = OWN_RISE_YEARS
    for years in range(most, fewest - 1, -1):
        start = int(np.searchsorted(times, times[-1] - 12 * years))
        if times[start] == times[-1] - 12 * years:  # the same month of the year: no season in between
            smooth = ~np.isin(times[start + 1 :], jumps)
            own = float(np.diff(log_price[start:])[smooth].sum() / np.diff(times[start:])[smooth].sum())
            return own if own > max(FAST_DRIFT, general) else general
    return general


def checked_months(prices: pd.Series) -> pd.Series:
    """Return the months that have a price, in order.

    Raises
    ------
    InputError
        Not a monthly PeriodIndex, or a month that stands twice.
    PriceDataError
        A price that is no number above zero.
    """
    if not isinstance(prices, pd.Series) or not isinstance(prices.index, pd.PeriodIndex):
        raise InputError("prices need a monthly PeriodIndex, not {kind}", kind=type(prices).__name__)
    if prices.index.freqstr != "M":
        raise InputError("prices need a monthly PeriodIndex, not {kind}", kind=prices.index.freqstr)
    try:
        series = prices.dropna().astype(float).sort_index()
    except (TypeError, ValueError) as error:
        raise PriceDataError("every price must be a number above zero") from error
    if series.index.hasnans or series.index.has_duplicates:
        raise InputError("a month stands twice in the prices, or a price has no month")
    if not np.isfinite(series.to_numpy()).all() or (series <= 0).any():
        raise PriceDataError("every price must be a number above zero")
    return series


def _checked(prices: pd.Series) -> tuple[pd.Series, list[Message]]:
    """Return the usable months in order, and notes about shortness and gaps."""
    series = checked_months(prices)
    notes: list[Message] = []
    recent = series[series.index > series.index[-1] - MOST_MONTHS] if len(series) else series
    if len(recent) < len(series):
        notes.append(message("only the last {months} months are used", months=MOST_MONTHS))
        series = recent
    if len(series) < LEAST_MONTHS:
        raise PriceDataError(
            "{months} months of prices are too few for a curve; {least} is the least",
            months=len(series),
            least=LEAST_MONTHS,
        )
    span = (series.index[-1] - series.index[0]).n + 1
    if span > len(series):
        notes.append(message("{missing} of {span} months have no price", missing=span - len(series), span=span))
    if len(series) < LEAST_MONTHS_FOR_SEASON:
        notes.append(message("{months} months are too short a record to trust a season", months=len(series)))
    return series, notes


def _jumps(
    times: NDArray[np.int64], y: Floats, periods: pd.PeriodIndex
) -> tuple[list[tuple[int, float]], list[Message]]:
    """Find changes of level that are no ordinary month's noise (new money, unit slips, shocks)."""
    change = np.diff(y) / np.sqrt(np.diff(times))
    usual = 1.4826 * np.median(np.abs(change - np.median(change)))
    limit = max(0.35, 5 * usual)
    found = [int(i) + 1 for i in np.argsort(-np.abs(change))[:6] if abs(change[i]) > limit]
    jumps = [(int(times[i]), abs(float(y[i] - y[i - 1]))) for i in sorted(found)]
    notes = [
        message(
            "the price jumps from {before:.4g} to {after:.4g} in {month}: the level is let free there",
            before=float(np.exp(y[i - 1])),
            after=float(np.exp(y[i])),
            month=str(periods[i]),
        )
        for i in sorted(found)
    ]
    return jumps, notes


@dataclass(frozen=True)
class _Fitted:
    """What was found about a series, before it is summed up."""

    grid: Grid
    models: tuple[Model, ...]
    p_value: float
    tail_degrees: float
    notes: tuple[Message, ...]


def _season_cloud(grid: Grid, models: tuple[Model, ...]) -> tuple[Floats, Floats]:
    """Return the averaged season (12,) and draws of it (draws, 12), in log price."""
    table = season_columns(np.arange(1, 13))
    rng = np.random.default_rng(4021)
    season = np.zeros(12)
    drawn: list[Floats] = []
    for model in models:
        mine = model.columns >= grid.base
        columns = table[:, model.columns[mine] - grid.base]
        season += model.weight * (columns @ model.mean[mine])
        repeat = max(1, round(800 * model.weight))
        scatter = rng.standard_normal((repeat, int(mine.sum()))) @ root(model.covariance[np.ix_(mine, mine)]).T
        drawn.append((model.mean[mine] + scatter) @ columns.T)
    return season - season.mean(), np.concatenate(drawn)


def _curve(
    series: pd.Series, fitted: _Fitted, monthly_inflation: float, shared: tuple[Floats, Floats] | None
) -> SeasonalCurve:
    """Summarise the average of models."""
    models = fitted.models
    season, cloud = _season_cloud(fitted.grid, models)
    gaps = 100 * np.expm1(cloud.max(axis=1) - cloud.min(axis=1))
    # A draw without season has no lowest month: every month is as likely.
    flat = np.ptp(cloud, axis=1) < 1e-12
    months = pd.RangeIndex(1, 13, name="month")

    def chance(extreme: Ints) -> pd.Series:
        counted = np.bincount(extreme[~flat], minlength=12) + flat.sum() / 12
        return pd.Series(counted / len(cloud), index=months)

    low, high = np.quantile(gaps, [0.05, 0.95])
    drift = sum(model.weight * float(model.mean[1]) for model in models)
    return SeasonalCurve(
        factors=pd.Series(np.exp(season), index=months, name="factor"),
        gap_pct=float(100 * np.expm1(season.max() - season.min())),
        gap_interval_pct=(float(low), float(high)),
        p_value=fitted.p_value,
        reliable=bool(len(series) >= LEAST_MONTHS_FOR_SEASON and fitted.p_value < SIGNIFICANCE),
        trough_month=int(np.argmin(season)) + 1,
        peak_month=int(np.argmax(season)) + 1,
        trough_chance=chance(np.argmin(cloud, axis=1)),
        peak_chance=chance(np.argmax(cloud, axis=1)),
        drift_monthly=drift,
        inflating=drift > FAST_DRIFT,
        noise=sum(model.weight * model.sigma for model in models),
        tail_degrees=fitted.tail_degrees,
        last_price=float(series.iloc[-1]),
        last_month=series.index[-1],
        months=len(series),
        span_months=len(fitted.grid.log_price),
        notes=fitted.notes,
        others=OtherMarkets(),
        _grid=fitted.grid,
        _models=models,
        _inflation=monthly_inflation,
        _shared=shared,
    )
