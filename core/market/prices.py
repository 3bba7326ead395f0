"""Price records: one price a month from quotes, slips mended, and how own prices stand to a market's.

Nothing is changed silently: what stays out or is brought to another unit is told.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from core.errors import PriceDataError
from core.market.price_tables import Action
from core.messages import message

SLIP = 3.0
"""A move of the monthly price by more than this factor is looked at.

Basis: practice (83 such moves in 122,827 of open files).
"""
SLIP_FACTORS = (10.0, 100.0, 1000.0, 1e4, 1e5, 1e6, 45.0, 46.0, 50.0, 90.0)
SLIP_TOLERANCE = 0.30
PLACE_LOG_SD, QUOTE_LOG_SD = 0.2, 0.1
"""How far places differ in general, and how one quote scatters, log price; basis: judgement."""


@dataclass(frozen=True)
class MonthlyPrices:
    """One series by month and what was done to it.

    Attributes
    ----------
    prices : Series
        Price [money/kg], monthly PeriodIndex; months without quotes are absent.
    """

    prices: pd.Series
    actions: tuple[Action, ...]


def monthly_prices(quotes: pd.DataFrame) -> MonthlyPrices:
    """Bring the quotes of one market and commodity to one price a month.

    Parameters
    ----------
    quotes : DataFrame
        Columns date (or quoted_on) and price_per_kg; price_type and currency where known: of several the one with the
        most months is taken, the others stay out and that is said.

    Returns
    -------
    MonthlyPrices
        Medians of the months; slips of units and new money mended, each with an action.
    """
    if quotes.empty:
        raise PriceDataError("there are no prices yet")
    table = quotes.rename(columns={"quoted_on": "date"}).copy()
    table["month"] = pd.to_datetime(table["date"]).dt.to_period("M")
    actions: list[Action] = []
    for name in ("price_type", "currency"):
        if name not in table:
            continue
        months = table.groupby(name)["month"].nunique().sort_values(ascending=False, kind="stable")
        chosen = str(months.index[0])
        for other in months.index[months.index != chosen]:
            count = int(table[name].eq(other).sum())
            template = "{count} quotes ({other}) are not mixed with the {chosen} ones: left out"
            actions.append(Action(None, False, message(template, count=count, other=other, chosen=chosen)))
        table = table[table[name] == chosen]
    grouped = table.groupby("month")["price_per_kg"]
    prices = grouped.median().astype(float)
    counts = grouped.size()
    several = int((counts > 1).sum())
    if several:
        actions.append(
            Action(None, True, message("{count} months with several quotes: their median is used", count=several))
        )
    mended, more = mend_slips(prices)
    return MonthlyPrices(mended.rename("price_per_kg"), tuple(actions + more))


def mend_slips(prices: pd.Series) -> tuple[pd.Series, list[Action]]:
    """Mend slips of units and new money in a monthly series, telling each.

    A move by more than three times that goes back within three months is a slip: those months stay out. One that lasts
    and is close to a power of ten or to a bag's weight is new money or a new unit: earlier prices are brought to the
    new one; the newest month alone cannot tell it from a slip and stays out until a second one bears it out. Any
    other is left as it is; the curve lets its level free there.

    Parameters
    ----------
    prices : Series
        Price [money/kg], monthly PeriodIndex.
    """
    series = prices.sort_index().astype(float).copy()
    actions: list[Action] = []
    at = 1
    while at < len(series):
        before, after = float(series.iloc[at - 1]), float(series.iloc[at])
        ratio = after / before
        size = max(ratio, 1 / ratio)
        if size <= SLIP:
            at += 1
            continue
        soon = [float(price) for price in series.iloc[at + 1 : at + 4]]
        back = next((k for k, price in enumerate(soon, at + 1) if max(price / before, before / price) < 1.8), None)
        if back is not None:
            for month, price in zip(series.index[at:back], [after, *soon], strict=False):
                words = message(
                    "{month}: {price:.4g} is {times:.3g} times the months around it, and goes back: left out",
                    month=str(month),
                    price=price,
                    times=price / before,
                )
                actions.append(Action(None, False, words))
            series = series.drop(series.index[at:back])
            continue
        near = [factor for factor in SLIP_FACTORS if abs(np.log(size / factor)) < SLIP_TOLERANCE]
        if near and at == len(series) - 1:
            words = message(
                "{month}: {price:.4g} is {times:.3g} times the month before and no later month bears it out: left out",
                month=str(series.index[at]),
                price=after,
                times=ratio,
            )
            return series.iloc[:at], [*actions, Action(None, False, words)]
        if near:
            factor = min(near, key=lambda value: abs(np.log(size / value)))
            scale = factor if ratio > 1 else 1 / factor
            series.iloc[:at] *= scale
            words = message(
                "from {month} on prices are about {factor:g} times {way}, for good: taken as a new unit or new "
                "money, earlier prices brought to it",
                month=str(series.index[at]),
                factor=factor,
                way=message("higher") if ratio > 1 else message("lower"),
            )
            actions.append(Action(None, True, words))
        else:
            words = message(
                "{month}: the price moves from {before:.4g} to {after:.4g} and stays: left as it is, look at it",
                month=str(series.index[at]),
                before=before,
                after=after,
            )
            actions.append(Action(None, True, words))
        at += 1
    return series, actions


@dataclass(frozen=True)
class Basis:
    """How a place's own price stands to a reference market's.

    Attributes
    ----------
    factor : float
        Own price as a multiple of the reference's.
    log_sd : float
        Standard deviation of the logarithm of the next own price against it: how well the factor is known, and how
        single prices scatter.
    quotes : int
        Months with both prices that it was learnt from.
    factor_log_sd : float
        Standard deviation of the factor's logarithm alone.
    """

    factor: float
    log_sd: float
    quotes: int
    factor_log_sd: float

    def interval(self, share: float = 0.8) -> tuple[float, float]:
        """Return between what multiples of the reference the next own price lies with a chance."""
        reach = NormalDist().inv_cdf((1 + share) / 2) * self.log_sd
        return self.factor * math.exp(-reach), self.factor * math.exp(reach)

    def own_paths(
        self, reference_paths: NDArray[np.float64], seed: int, own_today: float | None = None
    ) -> NDArray[np.float64]:
        """Return paths of the own price from paths of the reference market's.

        Parameters
        ----------
        reference_paths : ndarray, shape (count, months + 1)
            Column 0 is today [money/kg].
        own_today : float, optional
            Own price seen today [money/kg]: paths start from it and move as the reference does. Without it they start
            about factor x reference.

        Returns
        -------
        ndarray of the same shape
            The scatter of single months is drawn for each month, the doubt about the factor once for each path.
        """
        rng = np.random.default_rng([seed, 31])
        count, width = reference_paths.shape
        scatter = math.sqrt(self.log_sd**2 - self.factor_log_sd**2)
        wobble = scatter * rng.standard_normal((count, width))
        if own_today is None:
            doubt = self.factor_log_sd * rng.standard_normal((count, 1))
            return np.asarray(reference_paths * self.factor * np.exp(doubt + wobble))
        wobble[:, 0] = 0.0
        return np.asarray(reference_paths / reference_paths[:, :1] * own_today * np.exp(wobble))


def learn_basis(own: pd.Series, reference: pd.Series, prior_factor: float = 1.0) -> Basis:
    """Learn how own prices stand to a reference market, shrunk to what is usual while they are few.

    Normal mean with a normal prior (Gelman et al. 2013, Bayesian Data Analysis, section 2.5), in log price.

    Parameters
    ----------
    own, reference : Series
        Price [money/kg], monthly PeriodIndex.
    prior_factor : float
        Own price as a multiple of the reference's where nothing is known; default the same price.
    """
    both = own.index.intersection(reference.index)
    usual = math.log(prior_factor)
    difference = np.log(own.loc[both].to_numpy(dtype=float) / reference.loc[both].to_numpy(dtype=float)) - usual
    count = len(difference)
    scatter = max(float(np.std(difference, ddof=1)), 0.02) if count >= 6 else QUOTE_LOG_SD
    precision = PLACE_LOG_SD**-2 + count / scatter**2
    mean = float(difference.sum() / scatter**2 / precision)
    return Basis(math.exp(usual + mean), math.sqrt(1 / precision + scatter**2), count, math.sqrt(1 / precision))
