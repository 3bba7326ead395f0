"""What a crop's prices in other markets say about the months to come.

Markets of one crop share most of their moves, and the move of several is less a matter of chance than that of one:
where the others have risen for some months the rise mostly goes on, and a market that stands lower beside them than it
usually does catches up (Ravallion 1986, American Journal of Agricultural Economics 68:102-109: prices of a market
follow those of the others, and a gap between them closes).

The four shares were chosen on open prices of 18 countries, each country held out in turn, and judged once on a quarter
of the series that was kept back (`tests/benchmarks/price_bars`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

MOVE_MONTHS = 4
MOVE_SHARE, MOVE_LASTS = 0.07, 6
"""Share of the others' move of the last four months that still comes in each month, and for how many months."""
CATCH_UP_SHARE, CATCH_UP_LASTS = 0.08, 3
"""Share of an unusual gap to the others that closes in each month, and for how many months."""
USUAL_MONTHS, LEAST_USUAL_MONTHS = 24, 12
"""Months before that tell the usual gap, and how many of them must have prices."""
OLDEST_MONTHS = 2
"""How much older than today's the others' last prices may be; basis: judgement, tried on open prices."""
MOST = 0.5
"""Greatest move or gap that is believed [log price]; basis: judgement (more is mostly new money or a slip)."""


@dataclass(frozen=True)
class OtherMarkets:
    """How a crop's prices in other markets moved, and how this market stands beside them.

    Attributes
    ----------
    moved : float
        Middle change of the other markets over four months [log price].
    apart : float
        How much higher than usual this market stands beside them [log price].
    """

    moved: float = 0.0
    apart: float = 0.0

    def rise(self, months: ArrayLike) -> Floats:
        """Return the rise still to come some months ahead [log price]."""
        ahead = np.asarray(months, dtype=float)
        goes_on = MOVE_SHARE * self.moved * np.minimum(ahead, MOVE_LASTS)
        return np.asarray(goes_on - CATCH_UP_SHARE * self.apart * np.minimum(ahead, CATCH_UP_LASTS))


def other_markets(prices: pd.Series, neighbours: Sequence[pd.Series]) -> OtherMarkets:
    """Return what other markets say; nothing where none has a price of these months and of four months before.

    Parameters
    ----------
    prices : Series
        Of this market [money/kg], monthly PeriodIndex, up to today; its last month is today.
    neighbours : sequence of Series
        The same crop in other markets; later months than today's are not used.
    """
    if not len(neighbours):
        return OtherMarkets()
    last = prices.index[-1]
    window = pd.period_range(last - USUAL_MONTHS - OLDEST_MONTHS, last, freq="M")
    own, others = _logs(prices, window), np.array([_logs(series, window) for series in neighbours])
    for at in range(len(window) - 1, len(window) - 2 - OLDEST_MONTHS, -1):
        moves = others[:, at] - others[:, at - MOVE_MONTHS]
        moves = moves[np.isfinite(moves)]
        if len(moves):
            near = slice(at - USUAL_MONTHS, at + 1)
            return OtherMarkets(float(np.clip(np.median(moves), -MOST, MOST)), _apart(own[near], others[:, near]))
    return OtherMarkets()


def _logs(prices: pd.Series, window: pd.PeriodIndex) -> Floats:
    """Return the log prices of some months, NaN where there is none above zero."""
    known = prices.reindex(window).to_numpy(dtype=float)
    return np.log(np.where(known > 0, known, np.nan))


def _apart(own: Floats, others: Floats) -> float:
    """Return how much more than usual the last own price is above the middle of the others; 0 if it cannot be told."""
    both = np.isfinite(own) & np.isfinite(others).any(axis=0)
    if not both[-1]:
        return 0.0
    gaps = own[both] - np.nanmedian(others[:, both], axis=0)
    if len(gaps) <= LEAST_USUAL_MONTHS:
        return 0.0
    return float(np.clip(gaps[-1] - gaps[:-1].mean(), -MOST, MOST))
