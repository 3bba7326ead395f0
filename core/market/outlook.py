"""What may come of a price where the grain is sold: possible paths, the price that pays for waiting, when to sell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from core.accounts.finance import WEEKS_PER_MONTH
from core.market.costs import outlook_by_week
from core.market.prices import Basis
from core.market.season import Floats
from core.market.stopping import selling_prices_by_month
from core.market.waiting import Verdict, WaitingCosts, verdict

PATHS = 2000


@dataclass(frozen=True)
class PriceOutlook:
    """The verdict on waiting with the possible prices at the place of sale.

    Attributes
    ----------
    paths : ndarray, shape (count, weeks + 1)
        Possible prices where the grain is sold [money/kg]; column 0 is today.
    weeks : DataFrame
        By week from today: breakeven, low, median, high, median_today [money/kg], chance that the wait pays.
    sell_at : Series
        Price at or above which not to wait on, by months from today; NaN = wait, 0 = sell at any price.
    """

    verdict: Verdict
    paths: Floats
    weeks: pd.DataFrame
    sell_at: pd.Series

    def week_of(self, months: float) -> int:
        """Return the week that stands for a number of months from today."""
        return min(round(months * WEEKS_PER_MONTH), len(self.weeks) - 1)

    def prices_after(self, months: float) -> Floats:
        """Return the possible prices some months from today [money/kg]."""
        return np.asarray(self.paths[:, self.week_of(months)])

    @property
    def chance_of_loss(self) -> float:
        """Return how often waiting until the month that looks best earns less than selling today, at this place."""
        best = self.verdict.sell_by_month
        return 1.0 - float(self.weeks["chance"].iloc[self.week_of(best)]) if best else 0.0

    def by_month(self) -> pd.DataFrame:
        """Return the outlook of each month from the next one on: the columns of `weeks`, and sell_at."""
        months = np.arange(1, self.verdict.costs.months + 1)
        rows = self.weeks.iloc[[self.week_of(int(month)) for month in months]].set_axis(months)
        sell = self.sell_at.reindex(months).to_numpy(dtype=float)
        # after the first month that sells at any price there is nothing left to wait with
        done = np.cumsum(sell == 0) - (sell == 0) > 0
        return rows.assign(sell_at=np.where(done, np.nan, sell), done=done).rename_axis("months")


def price_outlook(
    prices: pd.Series,
    costs: WaitingCosts,
    price_now: float,
    neighbours: Sequence[pd.Series] = (),
    basis: Basis | None = None,
    seed: int = 7,
) -> PriceOutlook:
    """Return the verdict on waiting, and what may come of the price where the grain is sold.

    Parameters
    ----------
    prices : Series
        Months of the reference market [money/kg], monthly PeriodIndex.
    price_now : float
        Today's price where the grain is sold [money/kg].
    basis : Basis, optional
        How the place's price stands to the market's, where it is not the market itself.
    """
    judged = verdict(prices, costs, price_now, neighbours)
    weeks = max(1, round(costs.months * WEEKS_PER_MONTH))
    market = judged.curve.sample_weekly_paths(weeks, PATHS, seed)
    paths = market / market[:, :1] * price_now if basis is None else basis.own_paths(market, seed, price_now)
    return PriceOutlook(
        verdict=judged,
        paths=paths,
        weeks=outlook_by_week(
            paths, costs.monthly_interest, costs.monthly_loss, costs.monthly_cost, costs.monthly_rise
        ),
        sell_at=selling_prices_by_month(judged.curve, costs.rule(price_now), price_now),
    )


def with_price_of_today(prices: pd.Series, today: date, price: float) -> pd.Series:
    """Return a market's months with the price of today in place of this month's."""
    this_month = pd.Period(today, freq="M")
    made = pd.concat([prices[prices.index < this_month], pd.Series({this_month: price})])
    made.index = pd.PeriodIndex(made.index, freq="M")
    return made
