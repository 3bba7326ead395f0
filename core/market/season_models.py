"""The linear models behind a seasonal curve, each with a closed form, averaged by how well they explain a series.

    y_t = a + g t + changes of g + s(month) + jumps + u_t,        (1 - rho L)(1 - phi L) u_t = e_t

Every pair (rho, phi) of a small grid, every form of season and every kind of drift is one linear model with normal
priors. A kind of drift is a scale: in a calm economy the drift is small and hardly changes, in an inflating one it is
large, in a turbulent one it also changes from year to year. Normal priors of several scales, averaged, are one
heavy-tailed prior (Andrews & Mallows 1974, Journal of the Royal Statistical Society B 36:99-102): a fast rise is
believed where the series shows one, and shrunk away where it does not.

References
----------
Hoeting, Madigan, Raftery & Volinsky 1999, Statistical Science 14(4):382-417 (averaging of models).
Rasmussen & Williams 2006, Gaussian Processes for Machine Learning, section 2.7 (linear terms with a normal prior).
Box & Jenkins 1970, Time Series Analysis, section 3.2 (second-order autoregression).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

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
LEVEL_SCALE = 3.0
MISSING_SCALE = 1.0
DRIFT_CHANGES = (60, 24)
"""Months before today at which the drift may have changed; basis: judgement."""


@dataclass(frozen=True)
class DriftKind:
    """How far the drift may lie from its centre, and how much it changes, in one kind of economy [log price/month]."""

    name: str
    weight: float
    drift_scale: float
    change_scale: float


DRIFT_KINDS = (
    DriftKind("calm", 0.45, 0.003, 0.0015),
    DriftKind("inflating", 0.30, 0.007, 0.004),
    DriftKind("turbulent", 0.25, 0.025, 0.02),
)
"""Kinds of economy with prior weights; basis: judgement, looked at on open series."""
NEIGHBOURS = "two harmonics about the neighbours' season"
FORM_WEIGHT = {"none": 0.4, "one harmonic": 0.28, "two harmonics": 0.18, "sawtooth": 0.14, NEIGHBOURS: 0.4}
NOISE_PRIOR = 0.08
NOISE_PRIOR_MONTHS = 4.0
KEPT_WEIGHT, MOST_KEPT = 0.97, 24
TESTED_FORMS: tuple[tuple[list[int], float], ...] = (
    ([0, 1], 0.0),
    ([0, 1, 2, 3], 2.5),
    *(([4 + month], 2.5) for month in range(12)),
)
"""Season columns of each form that the test looks at, and what it pays for more freedom than one harmonic has.

In log likelihood: about one for each parameter more (Akaike 1974), and for the sawtooth the logarithm of its twelve
months.
"""
TAIL_WIDTHS = ((3.0, 0.739), (4.0, 0.846), (6.0, 0.917), (10.0, 0.957), (30.0, 0.988))
"""Degrees of freedom, and the 10-90 % width of a Student variable of unit variance against a normal one's (tables)."""
TAIL_PRIOR_WIDTH = 0.80
TAIL_PRIOR_MONTHS = 60.0
"""Width that staple prices in general have, and the months that it counts for against the series' own: judgement."""


@dataclass(frozen=True)
class Grid:
    """A series on every month of its span, with the columns of all models.

    Attributes
    ----------
    log_price : ndarray, shape (months,)
        Absent months carry the line between their neighbours, and a column each that lets them be anything.
    columns : ndarray, shape (months, base + 16 + absent)
        Level, drift, changes of drift, jumps; season; absent months.
    base : int
        How many of them are level, drift, changes and jumps.
    """

    log_price: Floats
    known: NDArray[np.bool_]
    columns: Floats
    base: int
    jump_sizes: Floats

    @property
    def season(self) -> Ints:
        """Return the numbers of the sixteen season columns."""
        return np.arange(self.base, self.base + 16)

    @property
    def absent(self) -> Ints:
        """Return the numbers of the columns of absent months."""
        return np.arange(self.base + 16, self.columns.shape[1])


@dataclass(frozen=True)
class Model:
    """One linear model of the average: its weight, coefficients and what a forecast needs.

    `before` gives the log price of the month before the last as (constant, coefficients) less what was read: zero where
    that month has a price.
    """

    weight: float
    rho: float
    phi: float
    form: str
    drift: str
    columns: Ints
    mean: Floats
    covariance: Floats
    sigma: float
    before: tuple[float, Floats]


def make_grid(times: Ints, log_price: Floats, jumps: list[tuple[int, float]], last_month: int) -> Grid:
    """Return the grid of a series.

    Parameters
    ----------
    times : ndarray of int
        Months since the first, rising.
    jumps : list of (time, size)
        Months from which the level is another.
    last_month : int
        Calendar month (1..12) of the last time.
    """
    every = np.arange(times[-1] + 1)
    known = np.isin(every, times)
    since = every - times[-1]
    months = (last_month - 1 + since) % 12 + 1
    base = trend_columns(since, [at - int(times[-1]) for at, _ in jumps])
    absent = np.eye(len(every))[:, ~known]
    columns = np.concatenate([base, season_columns(months), absent], axis=1)
    filled = np.interp(every, times, log_price)
    return Grid(filled, known, columns, base.shape[1], np.array([size for _, size in jumps]))


def trend_columns(since: Ints, jumps: list[int]) -> Floats:
    """Return columns: 1, months since today, months before each change of drift, one step for each jump."""
    bends = [np.minimum(since + ago, 0).astype(float) for ago in DRIFT_CHANGES]
    steps = [(since >= at).astype(float) for at in jumps]
    return np.column_stack([np.ones(len(since)), since.astype(float), *bends, *steps])


def season_columns(months: Ints) -> Floats:
    """Return columns: cos, sin of 12 and of 6 months; sawteeth falling in month 1..12 (mean 0, height 1)."""
    angle = 2 * np.pi * months[:, None] / 12
    harmonics = np.concatenate([np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)], axis=1)
    teeth = ((months[:, None] - np.arange(1, 13)[None, :]) % 12) / 11 - 0.5
    return np.concatenate([harmonics, teeth], axis=1)


def whitened(rows: Floats, rho: float, phi: float) -> tuple[Floats, float]:
    """Return rows freed of their autocorrelation, and the log determinant of what was taken out.

    The first two months by the stationary law, each later one less what the two before it foretell
    (Box & Jenkins 1970, section 3.2): unit innovations.
    """
    variance, lagged = (float(autocovariance(np.array(lag), rho, phi)) for lag in (0, 1))
    second = variance - lagged**2 / variance
    out = np.empty_like(rows)
    out[0] = rows[0] / np.sqrt(variance)
    out[1] = (rows[1] - lagged / variance * rows[0]) / np.sqrt(second)
    out[2:] = rows[2:] - (rho + phi) * rows[1:-1] + rho * phi * rows[:-2]
    return out, float(np.log(variance) + np.log(second))


def autocovariance(lag: Ints, rho: float, phi: float) -> Floats:
    """Autocovariance of (1 - rho L)(1 - phi L) u = e with unit innovations, distinct roots.

    Source: Box & Jenkins 1970, section 3.2.
    """
    lag = np.asarray(lag)
    return (rho ** (lag + 1.0) / (1 - rho**2) - np.float_power(phi, lag + 1) / (1 - phi**2)) / (
        (rho - phi) * (1 - rho * phi)
    )


def _forms(shared: tuple[Floats, Floats] | None) -> list[tuple[str, Ints, Floats, Floats, float]]:
    """Return (name, season columns, prior means, prior deviations, prior weight) of every form of season."""
    none = np.array([], dtype=np.int64)
    forms: list[tuple[str, Ints, Floats, Floats, float]] = [
        ("none", none, np.array([]), np.array([]), FORM_WEIGHT["none"])
    ]
    share = 1 / len(HARMONIC_SCALES)
    for scale in HARMONIC_SCALES:
        second = scale * SECOND_HARMONIC_RATIO
        one, two = np.full(2, scale), np.array([scale, scale, second, second])
        forms.append(("one harmonic", np.arange(2), np.zeros(2), one, FORM_WEIGHT["one harmonic"] * share))
        forms.append(("two harmonics", np.arange(4), np.zeros(4), two, FORM_WEIGHT["two harmonics"] * share))
    tooth = FORM_WEIGHT["sawtooth"] / 12
    forms.extend(
        ("sawtooth", np.array([4 + month]), np.zeros(1), np.array([SAWTOOTH_SCALE]), tooth) for month in range(12)
    )
    if shared is not None:
        forms.append((NEIGHBOURS, np.arange(4), shared[0], shared[1], FORM_WEIGHT[NEIGHBOURS]))
    return forms


@dataclass(frozen=True)
class _Reduced:
    """What each pair of persistences leaves of the normal equations once absent months are integrated out.

    `inner` (pairs, p, p), `cross` (pairs, p) and `square` (pairs,) over level to season; `log_weight` (pairs,) holds
    all that does not depend on the form; `fill` gives the absent months as (constant, matrix) of the coefficients.
    """

    pairs: list[tuple[float, float]]
    sigma: Floats
    inner: Floats
    cross: Floats
    square: Floats
    log_weight: Floats
    fill: list[tuple[Floats, Floats]]


def _reduce(grid: Grid, pairs: list[tuple[float, float, float]]) -> _Reduced:
    """Whiten the grid under every pair, and integrate the absent months out."""
    both = np.concatenate([grid.columns, grid.log_price[:, None]], axis=1)
    free, absent = np.arange(grid.base + 16), grid.absent
    keep = np.append(free, both.shape[1] - 1)
    months = int(grid.known.sum())
    rows: list[tuple[float, Floats, float, Floats, Floats]] = []
    for rho, phi, log_prior in pairs:
        white, logdet = whitened(both, rho, phi)
        gram = white.T @ white
        log_weight = log_prior - logdet / 2
        inverse: Floats = np.zeros((0, 0))
        mixed: Floats = np.zeros((0, len(keep)))
        # the innovations' size is found with absent months left free altogether
        loose = gram[np.ix_(absent, absent)]
        if len(absent):
            mixed = gram[np.ix_(absent, keep)]
            sharp = gram[np.ix_(keep, keep)] - mixed.T @ np.linalg.solve(loose, mixed)
        else:
            sharp = gram[np.ix_(keep, keep)]
        sigma = _innovation(sharp, grid.base, months)
        left = gram[np.ix_(keep, keep)] / sigma**2
        if len(absent):
            precision = loose / sigma**2 + np.eye(len(absent)) / MISSING_SCALE**2
            inverse = np.asarray(np.linalg.inv(precision), dtype=float)
            mixed = mixed / sigma**2
            left = left - mixed.T @ inverse @ mixed
            log_weight -= np.linalg.slogdet(precision)[1] / 2 + len(absent) * np.log(MISSING_SCALE)
        log_weight -= len(grid.log_price) * np.log(sigma)
        rows.append((sigma, left, log_weight, inverse @ mixed[:, -1], inverse @ mixed[:, :-1]))
    stacked = np.stack([row[1] for row in rows])
    return _Reduced(
        [(rho, phi) for rho, phi, _ in pairs],
        np.array([row[0] for row in rows]),
        stacked[:, :-1, :-1],
        stacked[:, :-1, -1],
        stacked[:, -1, -1],
        np.array([row[2] for row in rows]),
        [(row[3], row[4]) for row in rows],
    )


def _innovation(gram: Floats, base: int, count: int) -> float:
    """Return the standard deviation of innovations: residuals of trend and two harmonics, with a weak prior."""
    used = np.arange(base + 4)
    penalty = np.where(used < base, 1e-9, 0.3)
    # changes of drift are held back here as well, or a short series would have no noise left
    penalty[2 : 2 + len(DRIFT_CHANGES)] = 1.0
    inner = gram[np.ix_(used, used)] + np.diag(penalty)
    cross = gram[used, -1]
    residual = gram[-1, -1] - cross @ np.linalg.solve(inner, cross)
    freedom = max(count - len(used), 1)
    return float(np.sqrt((NOISE_PRIOR_MONTHS * NOISE_PRIOR**2 + residual) / (NOISE_PRIOR_MONTHS + freedom)))


def average(
    grid: Grid,
    drift_centre: float,
    shared: tuple[Floats, Floats] | None = None,
    keep: frozenset[tuple[float, float]] | None = None,
) -> tuple[Model, ...]:
    """Return the weighted models of a series, the heaviest first.

    Parameters
    ----------
    drift_centre : float
        Monthly rate towards which the drift of today is drawn [log price a month].
    shared : (means, standard deviations), optional
        Of the harmonics' coefficients in neighbouring markets.
    keep : frozenset of (rho, phi), optional
        Only these pairs.
    """
    pairs = [
        (rho, phi, float(np.log(a * b)))
        for rho, a in zip(PERSISTENCE, PERSISTENCE_WEIGHT, strict=True)
        for phi, b in zip(MOMENTUM, MOMENTUM_WEIGHT, strict=True)
        if keep is None or (rho, phi) in keep
    ]
    reduced = _reduce(grid, pairs)
    found: list[tuple[float, int, str, str, Ints, Floats, Floats]] = []
    for kind in DRIFT_KINDS:
        base_mean = np.zeros(grid.base)
        base_mean[:2] = grid.log_price[-1], drift_centre
        base_sd = np.concatenate(
            [[LEVEL_SCALE, kind.drift_scale], np.full(len(DRIFT_CHANGES), kind.change_scale), grid.jump_sizes]
        )
        for name, season, means, scales, weight in _forms(shared):
            used = np.concatenate([np.arange(grid.base), grid.base + season])
            prior_mean, prior_sd = np.concatenate([base_mean, means]), np.concatenate([base_sd, scales])
            mean, covariance, evidence = _conjugate(reduced, used, prior_mean, prior_sd)
            log_weight = evidence + np.log(weight * kind.weight)
            found += [
                (float(log_weight[k]), k, name, kind.name, used, mean[k], covariance[k]) for k in range(len(pairs))
            ]
    logs = np.array([row[0] for row in found])
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    best = np.argsort(-weights, kind="stable")
    kept = best[: int(np.searchsorted(np.cumsum(weights[best]), KEPT_WEIGHT)) + 1][:MOST_KEPT]
    total = float(weights[kept].sum())
    return tuple(_model(grid, reduced, found[i], float(weights[i]) / total) for i in kept)


def _model(
    grid: Grid, reduced: _Reduced, row: tuple[float, int, str, str, Ints, Floats, Floats], weight: float
) -> Model:
    _, k, form, drift, used, mean, covariance = row
    rho, phi = reduced.pairs[k]
    before = (0.0, np.zeros(len(used)))
    if not grid.known[-2]:
        constant, matrix = reduced.fill[k]
        # the column of the month before the last is the last of the absent ones
        before = (float(constant[-1]), -matrix[-1, used])
    return Model(weight, rho, phi, form, drift, used, mean, covariance, float(reduced.sigma[k]), before)


def _conjugate(reduced: _Reduced, used: Ints, prior_mean: Floats, prior_sd: Floats) -> tuple[Floats, Floats, Floats]:
    """Return posterior means, covariances and log marginal likelihoods of one form under every pair."""
    posterior = reduced.inner[:, used][:, :, used] + np.diag(prior_sd**-2)
    right = reduced.cross[:, used] + prior_mean / prior_sd**2
    covariance = np.linalg.inv(posterior)
    mean = np.einsum("kpq,kq->kp", covariance, right)
    quadratic = reduced.square + np.sum((prior_mean / prior_sd) ** 2) - np.einsum("kp,kp->k", right, mean)
    shrunk = np.sum(np.log(prior_sd)) + np.linalg.slogdet(posterior)[1] / 2
    evidence = np.asarray(reduced.log_weight - quadratic / 2 - shrunk, dtype=float)
    return np.asarray(mean, dtype=float), np.asarray(covariance, dtype=float), evidence


def residuals(grid: Grid, model: Model) -> Floats:
    """Return a model's innovations in units of its own noise, of the months that have a price."""
    rest = (grid.log_price - grid.columns[:, model.columns] @ model.mean)[:, None]
    white, _ = whitened(np.concatenate([rest, grid.columns[:, grid.absent]], axis=1), model.rho, model.phi)
    free = white[:, 0]
    if len(grid.absent):
        free = free - white[:, 1:] @ np.linalg.lstsq(white[:, 1:], free, rcond=None)[0]
    return np.asarray(free[grid.known] / model.sigma)


def tail_degrees(white: Floats) -> float:
    """Return the degrees of freedom whose middle 80 % is as narrow, against the spread, as that of the innovations."""
    low, high = np.quantile(white, [0.1, 0.9])
    count = len(white)
    width = (count * (high - low) / 2.5631 + TAIL_PRIOR_MONTHS * TAIL_PRIOR_WIDTH) / (count + TAIL_PRIOR_MONTHS)
    degrees, widths = zip(*TAIL_WIDTHS, strict=True)
    return float(np.exp(np.interp(width, widths, np.log(degrees))))


def season_test(grid: Grid, rho: float, phi: float, draws: int = 1999) -> float:
    """Test the season against none, exactly but for the noise's persistence, which is taken as known.

    Whitened and freed of level, drift, jumps and absent months, a series without season is a direction drawn at random
    on a sphere. The statistic is the greatest penalised share of it that a form of season explains; its law under no
    season is simulated (Besag & Clifford 1989, Biometrika 76:633-642: Monte Carlo tests).
    """
    white, _ = whitened(np.concatenate([grid.columns, grid.log_price[:, None]], axis=1), rho, phi)
    loose = np.concatenate([np.arange(2), np.arange(2 + len(DRIFT_CHANGES), grid.base), grid.absent])
    nuisance, _ = np.linalg.qr(white[:, loose])
    free = white - nuisance @ (nuisance.T @ white)
    count = len(grid.log_price)
    freedom = count - len(loose)
    if freedom < 8:
        return 1.0
    rng = np.random.default_rng(1989)
    noise = rng.standard_normal((count, draws))
    noise -= nuisance @ (nuisance.T @ noise)
    trial = np.concatenate([free[:, -1:], noise], axis=1)
    total = np.sum(trial**2, axis=0)
    best = np.full(draws + 1, -np.inf)
    for season, penalty in TESTED_FORMS:
        basis, _ = np.linalg.qr(free[:, grid.season[season]])
        explained = np.sum((basis.T @ trial) ** 2, axis=0) / total
        gained = -freedom / 2 * np.log(np.maximum(1 - explained, 1e-12))
        best = np.maximum(best, gained - penalty)
    return float((1 + np.sum(best[1:] >= best[0])) / (draws + 1))


def root(covariance: Floats) -> Floats:
    """Return the lower square root of a covariance matrix (Cholesky)."""
    return np.asarray(np.linalg.cholesky((covariance + covariance.T) / 2))
