"""The seasonal curve of a price series: level, drift, season and noise, each as well as the data know it.

The log price is a straight drift, plus a season of few parameters, plus an autoregressive deviation of second order:

    y_t = a + g t + s(month) + u_t,        (1 - rho L)(1 - phi L) u_t = e_t

Nothing is estimated alone. Every pair (rho, phi) of a small grid and every form of season (none, one harmonic, two
harmonics, sawtooth) is one linear model with normal priors, so that its fit and its marginal likelihood have closed
forms; the forms are then averaged by how well they explain the series. A season that the data do not support is thus
shrunk away, and one that they half support is half believed.

References
----------
Gilbert, Christiaensen & Kaminski 2017, Food Policy 67:119-132 (trigonometric and sawtooth seasons; gap; bias of
dummies).
Hoeting, Madigan, Raftery & Volinsky 1999, Statistical Science 14(4):382-417 (averaging of models).
Rasmussen & Williams 2006, Gaussian Processes for Machine Learning, section 2.7 (linear terms with a normal prior).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from core.errors import InputError, PriceDataError
from core.messages import Message, message

Floats = NDArray[np.float64]

LEAST_MONTHS = 6
MOST_MONTHS = 264
LEAST_MONTHS_FOR_SEASON = 48
SIGNIFICANCE = 0.06
"""Share of series without a season that may be taken for seasonal; judgement (persistence is estimated)."""
MOST_NEIGHBOURS = 6
NEIGHBOUR_SCALE = 0.03
"""Usual spread between markets of a harmonic's coefficient, in log price; basis: judgement."""
WEEKS_PER_MONTH = 365.25 / 12 / 7

# Persistence of the deviation from the drift line (rho) and of monthly changes (phi), with prior weights.
# Judged on the open development series with countries left out; basis: judgement.
PERSISTENCE = (0.999, 0.97, 0.94, 0.90, 0.80, 0.50)
PERSISTENCE_WEIGHT = (0.30, 0.25, 0.25, 0.13, 0.05, 0.02)
MOMENTUM = (-0.2, 0.0, 0.2, 0.4, 0.6)
MOMENTUM_WEIGHT = (0.15, 0.30, 0.32, 0.18, 0.05)

# Prior standard deviations, in log price.
HARMONIC_SCALES = (0.05, 0.12)
SECOND_HARMONIC_RATIO = 0.5
SAWTOOTH_SCALE = 0.25
DRIFT_PRIOR = 0.004
DRIFT_SCALE = 0.006
NEIGHBOURS = "two harmonics about the neighbours' season"
FORM_WEIGHT = {"none": 0.2, "one harmonic": 0.35, "two harmonics": 0.25, "sawtooth": 0.2, NEIGHBOURS: 0.4}
NOISE_PRIOR = 0.08
NOISE_PRIOR_MONTHS = 4.0
TESTED_FORMS: tuple[tuple[list[int], float], ...] = (
    ([2, 3], 0.0),
    ([2, 3, 4, 5], 2.5),
    *(([6 + month], 2.5) for month in range(12)),
)
"""Columns of each form that the test looks at, and what it pays for more freedom than one harmonic has.

In log likelihood: about one for each parameter more (Akaike 1974); for the sawtooth the logarithm of its months."""
TAIL_WIDTHS = ((3.0, 0.739), (4.0, 0.846), (6.0, 0.917), (10.0, 0.957), (30.0, 0.988))
"""Degrees of freedom, and the 10-90 % width of a Student variable against a normal one's (tables of Student's t)."""
MOST_TAIL = 2.5
"""Greatest factor by which a path's noise is widened.

An unbounded Student tail of a log price has no mean, and one path in a thousand would then carry the whole expected
value of waiting; basis: judgement (1 path in 100 is cut at 3 degrees of freedom)."""
TAIL_PRIOR_WIDTH = 0.80
TAIL_PRIOR_MONTHS = 60.0
"""Width that staple prices usually have, and the months it counts for against the series' own; judgement."""


@dataclass(frozen=True)
class _Model:
    """One linear model of the average: its weight, coefficients and what a forecast needs."""

    weight: float
    rho: float
    phi: float
    form: str
    columns: NDArray[np.int64]
    mean: Floats
    covariance: Floats
    sigma: float


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
    season_form : str
        Form with the greatest weight: none, one harmonic, two harmonics or sawtooth.
    drift_monthly : float
        Expected monthly change of the log price beside the season.
    noise : float
        Standard deviation of the monthly innovation of the log price.
    tail_degrees : float
        Degrees of freedom of the Student tails of the paths; few = many months far out.
    last_price, last_month, months, span_months
        Last price and its month; months with a price, and months spanned.
    notes : tuple of Message
        What was found and done about the series (jumps, gaps, shortness).
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
    season_form: str
    drift_monthly: float
    noise: float
    tail_degrees: float
    last_price: float
    last_month: pd.Period
    months: int
    span_months: int
    notes: tuple[Message, ...]
    _times: NDArray[np.int64] = field(repr=False)
    _log_price: Floats = field(repr=False)
    _design: Floats = field(repr=False)
    _models: tuple[_Model, ...] = field(repr=False)
    _inflation: float = field(default=0.0, repr=False)
    _shared: tuple[Floats, Floats] | None = field(default=None, repr=False)

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
        months = max(1, int(np.ceil(weeks / WEEKS_PER_MONTH)))
        logs = np.log(self.sample_paths(months, count, seed, from_price))
        at = np.arange(weeks + 1) / WEEKS_PER_MONTH
        left = np.minimum(at.astype(int), months - 1)
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
        share = np.clip((edges - at[right_of - 1]) / (at[right_of] - at[right_of - 1]), 0, 1)
        at_edges = wiener[:, right_of - 1] * (1 - share) + wiener[:, right_of] * share
        bridge = wiener - (at_edges[:, left] * (1 - part) + at_edges[:, left + 1] * part)
        return np.exp(line + self.noise * bridge)

    def updated(self, prices: pd.Series) -> SeasonalCurve:
        """Fit the same forms again to a series with a few months more, at a fraction of the cost.

        Parameters
        ----------
        prices : Series
            As for `fit_season`.

        Returns
        -------
        SeasonalCurve
            Weights among the forms already kept are found anew; the test of the season is not.
        """
        keep = {(model.rho, model.phi, model.form) for model in self._models}
        return _fit(prices, self._inflation, keep, self.p_value, self._shared)

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
        last = self._times[-1]
        future = _design_matrix(last + ahead, int(last), [], _month_of(self.last_month, ahead))
        future = np.concatenate([future, np.repeat(self._design[-1:, future.shape[1] :], months, axis=0)], axis=1)
        for number, model in enumerate(self._models):
            mine = np.flatnonzero(choice == number)
            if mine.size == 0:
                continue
            among = _autocovariance(np.abs(self._times[:, None] - self._times[None, :]), model.rho, model.phi)
            across = _autocovariance(last + ahead[:, None] - self._times[None, :], model.rho, model.phi)
            forward = _autocovariance(np.abs(ahead[:, None] - ahead[None, :]), model.rho, model.phi)
            gain = np.linalg.solve(among, across.T).T
            spread = forward - gain @ across.T
            root = _root(model.covariance)
            beta = model.mean + rng.standard_normal((mine.size, model.mean.size)) @ root.T
            past = self._design[:, model.columns]
            rest = self._log_price - beta @ past.T
            noise = rng.standard_normal((mine.size, months)) @ (model.sigma * _root(spread)).T
            wide = np.sqrt((self.tail_degrees - 2) / rng.chisquare(self.tail_degrees, (mine.size, 1)))
            tail = np.minimum(wide, MOST_TAIL)
            out[mine] = beta @ future[:, model.columns].T + rest @ gain.T + noise * tail - self._log_price[-1]
        return out


def fit_season(
    prices: pd.Series, monthly_inflation: float | None = None, neighbours: Sequence[pd.Series] = ()
) -> SeasonalCurve:
    """Fit level, drift, season and noise to a monthly price series.

    Parameters
    ----------
    prices : Series
        Price [money/kg] with a monthly PeriodIndex; gaps (absent or NaN months) allowed; today is its last month.
    monthly_inflation : float, optional
        Rate towards which the drift is shrunk, as a fraction a month; default that of staple prices in general.
    neighbours : sequence of Series, optional
        The same crop in other markets: their common season becomes one more form that this series may follow. Only
        their months up to
        today are used. The test of the season stays with this series alone.

    Returns
    -------
    SeasonalCurve

    Raises
    ------
    PriceDataError
        Too few months, or prices that are not above zero.
    """
    shared = _shared_season(prices, neighbours) if len(neighbours) else None
    return _fit(prices, DRIFT_PRIOR if monthly_inflation is None else monthly_inflation, None, None, shared)


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
        table = _season_columns(np.arange(1, 13))[:, :4]
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
    keep: set[tuple[float, float, str]] | None,
    p_value: float | None,
    shared: tuple[Floats, Floats] | None,
) -> SeasonalCurve:
    """Fit all forms, or only those kept from an earlier fit (then with its p-value)."""
    series, notes = _checked(prices)
    periods = pd.PeriodIndex(series.index)
    times = (periods.year * 12 + periods.month - 1).to_numpy().astype(np.int64)
    times = times - times[0]
    months = periods.month.to_numpy().astype(np.int64)
    y = np.log(series.to_numpy(dtype=float))
    jumps, jump_notes = _jumps(times, y, periods)
    notes += jump_notes
    design = _design_matrix(times, times[-1], jumps, months)
    models, p_value, tails = _average(times, y, design, jumps, monthly_inflation, keep, p_value, shared)
    return _curve(series, times, y, design, models, p_value, tails, tuple(notes), monthly_inflation, shared)


def _checked(prices: pd.Series) -> tuple[pd.Series, list[Message]]:
    """Return the usable months in order, and notes about shortness and gaps."""
    if not isinstance(prices.index, pd.PeriodIndex):
        raise InputError("prices need a monthly PeriodIndex, not {kind}", kind=type(prices.index).__name__)
    series = prices.dropna().astype(float).sort_index()
    if series.index.has_duplicates:
        raise InputError(
            "the month {month} stands twice in the prices", month=str(series.index[series.index.duplicated()][0])
        )
    if not np.isfinite(series.to_numpy()).all() or (series <= 0).any():
        raise PriceDataError("every price must be a number above zero")
    if len(series) < LEAST_MONTHS:
        raise PriceDataError(
            "{months} months of prices are too few for a curve; {least} is the least",
            months=len(series),
            least=LEAST_MONTHS,
        )
    notes: list[Message] = []
    if len(series) > MOST_MONTHS:
        notes.append(message("only the last {months} months are used", months=MOST_MONTHS))
        series = series.iloc[-MOST_MONTHS:]
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


def _month_of(last_month: pd.Period, ahead: NDArray[np.int64]) -> NDArray[np.int64]:
    return (last_month.month - 1 + ahead) % 12 + 1


def _season_columns(months: NDArray[np.int64]) -> Floats:
    """Return columns: cos, sin of 12 months; cos, sin of 6 months.

    Sawteeth falling in month 1..12 (mean 0, height 1).
    """
    angle = 2 * np.pi * months[:, None] / 12
    harmonics = np.concatenate([np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)], axis=1)
    teeth = ((months[:, None] - np.arange(1, 13)[None, :]) % 12) / 11 - 0.5
    return np.concatenate([harmonics, teeth], axis=1)


def _design_matrix(
    times: NDArray[np.int64], origin: int, jumps: list[tuple[int, float]], months: NDArray[np.int64]
) -> Floats:
    """Return columns: 1, months since the origin, 16 season columns, one step for each jump."""
    steps = [(times >= at).astype(float)[:, None] for at, _ in jumps]
    return np.concatenate(
        [np.ones((len(times), 1)), (times - origin).astype(float)[:, None], _season_columns(months), *steps], axis=1
    )


def _autocovariance(lag: NDArray[np.int64], rho: float, phi: float) -> Floats:
    """Autocovariance of (1 - rho L)(1 - phi L) u = e, unit innovations (Box & Jenkins 1970, section 3.2)."""
    lag = np.asarray(lag)
    return (rho ** (lag + 1.0) / (1 - rho**2) - np.float_power(phi, lag + 1) / (1 - phi**2)) / (
        (rho - phi) * (1 - rho * phi)
    )


def _root(covariance: Floats) -> Floats:
    """Return a square root of a covariance matrix that may be singular."""
    values, vectors = np.linalg.eigh(covariance)
    return vectors * np.sqrt(np.maximum(values, 0))


def _forms(shared: tuple[Floats, Floats] | None) -> list[tuple[str, NDArray[np.int64], Floats, float]]:
    """Return (name, season columns, prior standard deviations, prior weight) of every form of season."""
    forms: list[tuple[str, NDArray[np.int64], Floats, float]] = [
        ("none", np.array([], dtype=np.int64), np.array([]), FORM_WEIGHT["none"])
    ]
    for scale in HARMONIC_SCALES:
        share = 1 / len(HARMONIC_SCALES)
        forms.append(("one harmonic", np.array([2, 3]), np.full(2, scale), FORM_WEIGHT["one harmonic"] * share))
        second = scale * SECOND_HARMONIC_RATIO
        forms.append(
            (
                "two harmonics",
                np.array([2, 3, 4, 5]),
                np.array([scale, scale, second, second]),
                FORM_WEIGHT["two harmonics"] * share,
            )
        )
    forms.extend(
        ("sawtooth", np.array([6 + month]), np.array([SAWTOOTH_SCALE]), FORM_WEIGHT["sawtooth"] / 12)
        for month in range(12)
    )
    if shared is not None:
        forms.append((NEIGHBOURS, np.array([2, 3, 4, 5]), shared[1], FORM_WEIGHT[NEIGHBOURS]))
    return forms


def _average(
    times: NDArray[np.int64],
    y: Floats,
    design: Floats,
    jumps: list[tuple[int, float]],
    monthly_inflation: float,
    keep: set[tuple[float, float, str]] | None,
    p_value: float | None,
    shared: tuple[Floats, Floats] | None,
) -> tuple[tuple[_Model, ...], float, float]:
    """Return the weighted models, the p-value of the season and the degrees of freedom of the tails."""
    count = len(y)
    pairs = [
        (rho, phi, np.log(a * b))
        for rho, a in zip(PERSISTENCE, PERSISTENCE_WEIGHT, strict=True)
        for phi, b in zip(MOMENTUM, MOMENTUM_WEIGHT, strict=True)
        if keep is None or any((rho, phi) == kept[:2] for kept in keep)
    ]
    lag = np.abs(times[:, None] - times[None, :])
    powers = np.arange(lag.max() + 1)
    among = np.stack([_autocovariance(powers, rho, phi)[lag] for rho, phi, _ in pairs])
    among[:, np.arange(count), np.arange(count)] *= 1 + 1e-9
    _, logdet = np.linalg.slogdet(among)
    both = np.concatenate([design, y[:, None]], axis=1)
    solved = np.linalg.solve(among, np.broadcast_to(both, (len(pairs), *both.shape)))
    gram = np.einsum("np,knq->kpq", both, solved)

    step_columns = np.arange(18, design.shape[1])
    step_scales = np.array([size for _, size in jumps])
    base_columns = np.concatenate([[0, 1], step_columns]).astype(np.int64)
    models: list[_Model] = []
    logs: list[float] = []
    for k, (rho, phi, log_prior) in enumerate(pairs):
        sigma = _innovation(gram[k], base_columns, count)
        for name, columns, scales, weight in _forms(shared):
            used = np.concatenate([base_columns, columns]).astype(np.int64)
            prior_mean = np.zeros(len(used))
            prior_mean[0] = y[-1]
            prior_mean[1] = monthly_inflation
            if name == NEIGHBOURS and shared is not None:
                prior_mean[len(base_columns) :] = shared[0]
            prior_sd = np.concatenate([[3.0, DRIFT_SCALE], step_scales, scales])
            mean, covariance, evidence = _conjugate(gram[k], used, prior_mean, prior_sd, sigma, count)
            models.append(_Model(0.0, rho, phi, name, used, mean, covariance, sigma))
            logs.append(evidence - logdet[k] / 2 + log_prior + np.log(weight))
    weights = np.exp(np.array(logs) - max(logs))
    weights /= weights.sum()
    best = np.argsort(-weights)
    kept = best[: int(np.searchsorted(np.cumsum(weights[best]), 0.97)) + 1][:24]
    total = weights[kept].sum()
    averaged = tuple(_with_weight(models[i], float(weights[i] / total)) for i in kept)
    if p_value is None:
        p_value = _season_test(
            among[int(np.argmax(weights.reshape(len(pairs), -1).sum(axis=1)))], y, design, base_columns
        )
    top = averaged[0]
    chosen = next(k for k, (rho, phi, _) in enumerate(pairs) if (rho, phi) == (top.rho, top.phi))
    return averaged, p_value, _tails(among[chosen], y - design[:, top.columns] @ top.mean, top.sigma)


def _tails(among: Floats, residual: Floats, sigma: float) -> float:
    """Return the degrees of freedom whose middle 80 % is as narrow as that of the whitened residuals."""
    white = np.linalg.solve(np.linalg.cholesky(among), residual) / sigma
    low, high = np.quantile(white, [0.1, 0.9])
    count = len(residual)
    width = (count * (high - low) / 2.5631 + TAIL_PRIOR_MONTHS * TAIL_PRIOR_WIDTH) / (count + TAIL_PRIOR_MONTHS)
    degrees, widths = zip(*TAIL_WIDTHS, strict=True)
    return float(np.exp(np.interp(width, widths, np.log(degrees))))


def _with_weight(model: _Model, weight: float) -> _Model:
    return _Model(weight, model.rho, model.phi, model.form, model.columns, model.mean, model.covariance, model.sigma)


def _innovation(gram: Floats, base_columns: NDArray[np.int64], count: int) -> float:
    """Return the standard deviation of innovations: residuals of drift and two harmonics, with a weak prior."""
    used = np.concatenate([base_columns, [2, 3, 4, 5]]).astype(np.int64)
    penalty = np.diag(np.where(np.arange(len(used)) < len(base_columns), 1e-9, 0.3))
    inner = gram[np.ix_(used, used)] + penalty
    cross = gram[used, -1]
    residual = gram[-1, -1] - cross @ np.linalg.solve(inner, cross)
    freedom = max(count - len(used), 1)
    return float(np.sqrt((NOISE_PRIOR_MONTHS * NOISE_PRIOR**2 + max(residual, 0)) / (NOISE_PRIOR_MONTHS + freedom)))


def _conjugate(
    gram: Floats, used: NDArray[np.int64], prior_mean: Floats, prior_sd: Floats, sigma: float, count: int
) -> tuple[Floats, Floats, float]:
    """Return posterior mean, covariance and log marginal likelihood of a linear model (no determinant of the noise)."""
    precision = gram[np.ix_(used, used)] / sigma**2
    cross = gram[used, -1] / sigma**2
    posterior = precision + np.diag(prior_sd**-2)
    right = cross + prior_mean / prior_sd**2
    covariance = np.linalg.inv(posterior)
    mean = covariance @ right
    quadratic = gram[-1, -1] / sigma**2 + np.sum((prior_mean / prior_sd) ** 2) - right @ mean
    evidence = -quadratic / 2 - count * np.log(sigma) - np.sum(np.log(prior_sd)) - np.linalg.slogdet(posterior)[1] / 2
    return np.asarray(mean), np.asarray(covariance), float(evidence)


def _season_test(among: Floats, y: Floats, design: Floats, base_columns: NDArray[np.int64], draws: int = 1999) -> float:
    """Test the season against none, exactly but for the noise's persistence, which is taken as known.

    Whitened and freed of level, drift and jumps, a series without season is a direction drawn at random on a sphere.
    The statistic is the greatest penalised share of it that a form of season explains; its law under no season is
    simulated
    (Besag & Clifford 1989, Biometrika 76:633-642: Monte Carlo tests).
    """
    count = len(y)
    lower = np.linalg.cholesky(among)
    white = np.linalg.solve(lower, np.concatenate([design, y[:, None]], axis=1))
    nuisance, _ = np.linalg.qr(white[:, base_columns])
    free = white - nuisance @ (nuisance.T @ white)
    freedom = count - len(base_columns)
    if freedom < 8:
        return 1.0
    rng = np.random.default_rng(1989)
    noise = rng.standard_normal((count, draws))
    noise -= nuisance @ (nuisance.T @ noise)
    trial = np.concatenate([free[:, -1:], noise], axis=1)
    total = np.sum(trial**2, axis=0)
    best = np.full(draws + 1, -np.inf)
    for columns, penalty in TESTED_FORMS:
        basis, _ = np.linalg.qr(free[:, columns])
        explained = np.sum((basis.T @ trial) ** 2, axis=0) / total
        gained = -freedom / 2 * np.log(np.maximum(1 - explained, 1e-12))
        best = np.maximum(best, gained - penalty)
    return float((1 + np.sum(best[1:] >= best[0])) / (draws + 1))


def _curve(
    series: pd.Series,
    times: NDArray[np.int64],
    y: Floats,
    design: Floats,
    models: tuple[_Model, ...],
    p_value: float,
    tail_degrees: float,
    notes: tuple[Message, ...],
    monthly_inflation: float,
    shared: tuple[Floats, Floats] | None,
) -> SeasonalCurve:
    """Summarise the average of models."""
    table = _season_columns(np.arange(1, 13))
    season = np.zeros(12)
    drift = 0.0
    noise = 0.0
    shares: dict[str, float] = {}
    rng = np.random.default_rng(4021)
    drawn: list[Floats] = []
    for model in models:
        mine = (model.columns >= 2) & (model.columns < 18)
        columns = table[:, model.columns[mine] - 2]
        shape = columns @ model.mean[mine] if mine.any() else np.zeros(12)
        season += model.weight * shape
        drift += model.weight * float(model.mean[1])
        noise += model.weight * model.sigma
        shares[model.form] = shares.get(model.form, 0.0) + model.weight
        repeat = max(1, round(800 * model.weight))
        if mine.any():
            root = _root(model.covariance[np.ix_(mine, mine)])
            beta = model.mean[mine] + rng.standard_normal((repeat, int(mine.sum()))) @ root.T
            drawn.append(beta @ columns.T)
        else:
            drawn.append(np.zeros((repeat, 12)))
    season -= season.mean()
    cloud = np.concatenate(drawn)
    gaps = 100 * np.expm1(cloud.max(axis=1) - cloud.min(axis=1))
    # A draw without season has no lowest month: every month is as likely.
    flat = np.ptp(cloud, axis=1) < 1e-12
    months = pd.RangeIndex(1, 13, name="month")

    def chance(extreme: NDArray[np.int64]) -> pd.Series:
        counted = np.bincount(extreme[~flat], minlength=12) + flat.sum() / 12
        return pd.Series(counted / len(cloud), index=months)

    long_enough = len(y) >= LEAST_MONTHS_FOR_SEASON
    low, high = np.quantile(gaps, [0.05, 0.95])
    return SeasonalCurve(
        factors=pd.Series(np.exp(season), index=months, name="factor"),
        gap_pct=float(100 * np.expm1(season.max() - season.min())),
        gap_interval_pct=(float(low), float(high)),
        p_value=p_value,
        reliable=bool(long_enough and p_value < SIGNIFICANCE),
        trough_month=int(np.argmin(season)) + 1,
        peak_month=int(np.argmax(season)) + 1,
        trough_chance=chance(np.argmin(cloud, axis=1)),
        peak_chance=chance(np.argmax(cloud, axis=1)),
        season_form=max(shares, key=lambda name: shares[name]),
        drift_monthly=drift,
        noise=noise,
        tail_degrees=tail_degrees,
        last_price=float(series.iloc[-1]),
        last_month=series.index[-1],
        months=len(y),
        span_months=int(times[-1] - times[0]) + 1,
        notes=notes,
        _times=times,
        _log_price=y,
        _design=design,
        _models=models,
        _inflation=monthly_inflation,
        _shared=shared,
    )
