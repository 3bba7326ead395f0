"""Wait or sell: whether the data support waiting, and from what price on to sell.

The same rule serves the page's sentence, the hindcast and the price that a group is told to sell at.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from core.accounts.finance import annuity_worth, present_value
from core.errors import InputError
from core.given import check_kind, check_number
from core.market.other_markets import OtherMarkets
from core.market.season import FAST_DRIFT, SeasonalCurve, fit_season
from core.messages import Message, message, plural

Floats = NDArray[np.float64]

CALM_DRIFT = 0.003
"""Drift up to which a wait is judged by its middle alone [log price a month]; basis: judgement."""
PATHS = 1000
LEAST_GAIN = 0.03
"""Gain below which waiting is not begun; once begun it goes on while it gains at all.

Basis: judgement, looked at on open prices.
"""


@dataclass(frozen=True)
class WaitingRule:
    """The terms of waiting.

    Parameters
    ----------
    months : int
        Longest wait from today.
    monthly_interest, monthly_loss : float
        Cost of money and weight lost, fractions a month.
    monthly_cost_share : float
        Storage cost a month as a fraction of today's price, paid at month end.
    """

    months: int
    monthly_interest: float
    monthly_loss: float
    monthly_cost_share: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what is no number, and a loss or cost that would be a gain."""
        check_number("months", self.months, whole=True)
        for name in ("monthly_interest", "monthly_loss", "monthly_cost_share"):
            check_number(name, getattr(self, name), finite=True)
        loss, interest = self.monthly_loss, self.monthly_interest
        if not 0 <= loss < 1 or interest <= -1:
            raise InputError("loss {loss} or interest {interest} is not possible", loss=loss, interest=interest)
        if self.monthly_cost_share < 0:
            raise InputError("a cost cannot be below zero")

    def discount(self, months: ArrayLike) -> Floats:
        """Return what a unit of price after some months is worth today, weight loss and interest taken off."""
        periods = np.asarray(months, dtype=float)
        return present_value((1 - self.monthly_loss) ** periods, self.monthly_interest, periods)

    def cost(self, months: ArrayLike) -> Floats:
        """Return the storage paid until then, brought to today, as a fraction of today's price."""
        return self.monthly_cost_share * annuity_worth(self.monthly_interest, np.asarray(months, dtype=float))

    def after(self, months: int) -> WaitingRule:
        """Return the terms left when some months have gone."""
        return WaitingRule(self.months - months, self.monthly_interest, self.monthly_loss, self.monthly_cost_share)


@dataclass(frozen=True)
class WaitingAdvice:
    """Whether to wait, and what it is worth.

    Attributes
    ----------
    wait : bool
        Whether the data support waiting.
    best_month : int
        Months from today with the greatest worth (0 = today), judged by its middle, and by its mean where prices rise
        fast.
    expected_gain, median_gain : float
        Of waiting until then, as a fraction of selling today.
    chance_of_loss : float
        That waiting until then earns less than selling today.
    season_rise, other_rise : float
        Expected rise of the price until then by the season alone, and by the drift alone, as fractions; for the best
        month, or where waiting is not supported for the month in which most would be gained.
    led_rise : float
        Likewise what follows from the crop's prices in other markets.
    by_inflation : bool
        Whether the rise is a fast general rise of prices more than a season.
    sentence : Message
        The same in words.
    """

    wait: bool
    best_month: int
    expected_gain: float
    median_gain: float
    chance_of_loss: float
    season_rise: float
    other_rise: float
    led_rise: float
    by_inflation: bool
    sentence: Message


def decide(curve: SeasonalCurve, rule: WaitingRule, begun: bool = False, seed: int = 11) -> WaitingAdvice:
    """Judge whether the data support waiting.

    Prices, and the interest that they are held against, are money of the day: where all prices rise, interest must be
    what money costs there today, inflation included.

    Parameters
    ----------
    curve : SeasonalCurve
        Prices up to today.
    rule : WaitingRule
        The terms.
    begun : bool
        Whether the group waits already: beginning asks for more gain than going on.
    seed : int
        Of the price paths.
    """
    check_kind("rule", rule, WaitingRule)
    if rule.months < 1:
        return _advice(curve, False, 0, np.ones((1, 1)))
    months = np.arange(rule.months + 1)
    paths = curve.sample_paths(rule.months, PATHS, seed) / curve.last_price
    worth = paths * rule.discount(months) - rule.cost(months)
    middle = np.median(worth, axis=0)
    judged = middle + _share_of_mean(curve) * (worth.mean(axis=0) - middle)
    best = int(np.argmax(judged))
    wait = best > 0 and float(judged[best]) - 1 > (0.0 if begun else LEAST_GAIN)
    return _advice(curve, wait, best, worth)


def _share_of_mean(curve: SeasonalCurve) -> float:
    """Return how far a wait is judged by its mean and not by its middle, 0-1.

    The mean is led by the few paths that double, the middle ignores them. Where prices hardly rise besides the season
    such paths are bad luck as often as good, and the middle decides; where they rise fast they are what waiting is
    for. Basis: judgement, looked at on open series with whole countries left out.
    """
    return float(np.clip((curve.drift_monthly - CALM_DRIFT) / (FAST_DRIFT - CALM_DRIFT), 0.0, 1.0))


def _advice(curve: SeasonalCurve, wait: bool, looked_at: int, worth: Floats) -> WaitingAdvice:
    """Return the advice in figures and words; `looked_at` is the month that was judged best."""
    best = looked_at if wait else 0
    middle = np.median(worth, axis=0)
    today = curve.last_month.month
    then = (today - 1 + looked_at) % 12 + 1
    season_rise = float(curve.factors[then] / curve.factors[today]) - 1
    other_rise = float(np.expm1(curve.drift_monthly * looked_at))
    led_rise = float(np.expm1(curve.others.rise(looked_at)))
    by_inflation = curve.inflating and other_rise > max(season_rise, led_rise)
    led = led_rise > max(season_rise, other_rise)
    loss = float(np.mean(worth[:, best] < 1)) if best else 0.0
    return WaitingAdvice(
        wait=wait,
        best_month=best,
        expected_gain=float(worth[:, best].mean()) - 1,
        median_gain=float(middle[best]) - 1,
        chance_of_loss=loss,
        season_rise=season_rise,
        other_rise=other_rise,
        led_rise=led_rise,
        by_inflation=by_inflation,
        sentence=_led_sentence(curve, best, loss) if wait and led else _sentence(curve, wait, by_inflation, best, loss),
    )


def _led_sentence(curve: SeasonalCurve, best: int, loss: float) -> Message:
    """Say that other markets are the reason to wait, by the greater of their two effects."""
    chance = round(100 * loss)
    moved, apart = curve.others.moved, curve.others.apart
    if OtherMarkets(moved=moved).rise(best) >= OtherMarkets(apart=apart).rise(best):
        return plural(
            "best",
            "Prices in other markets rose by about {moved:.0f} % in four months, and such rises often go on. About "
            "{best} month looks best. About {chance} years in 100 would lose by waiting.",
            "Prices in other markets rose by about {moved:.0f} % in four months, and such rises often go on. About "
            "{best} months look best. About {chance} years in 100 would lose by waiting.",
            moved=100 * math.expm1(moved),
            best=best,
            chance=chance,
        )
    return plural(
        "best",
        "Compared with other markets, the price here is about {apart:.0f} % lower than usual, and such gaps often "
        "close. About {best} month looks best. About {chance} years in 100 would lose by waiting.",
        "Compared with other markets, the price here is about {apart:.0f} % lower than usual, and such gaps often "
        "close. About {best} months look best. About {chance} years in 100 would lose by waiting.",
        apart=-100 * math.expm1(apart),
        best=best,
        chance=chance,
    )


def _sentence(curve: SeasonalCurve, wait: bool, by_inflation: bool, best: int, loss: float) -> Message:
    chance, yearly = round(100 * loss), 100 * float(np.expm1(12 * curve.drift_monthly))
    if wait and by_inflation:
        return plural(
            "best",
            "Prices of this crop rise about {yearly:.0f} % a year besides the season. Waiting about {best} month earns "
            "more money, but most of the gain is inflation: count what you could do with the money today. About "
            "{chance} years in 100 would lose by waiting.",
            "Prices of this crop rise about {yearly:.0f} % a year besides the season. Waiting about {best} months earns"
            " more money, but most of the gain is inflation: count what you could do with the money today. About "
            "{chance} years in 100 would lose by waiting.",
            yearly=yearly,
            best=best,
            chance=chance,
        )
    if wait and curve.reliable:
        return plural(
            "best",
            "Waiting is supported by past prices: prices rise about {gap:.0f} % from lowest to highest month. About "
            "{best} month looks best. About {chance} years in 100 would lose by waiting.",
            "Waiting is supported by past prices: prices rise about {gap:.0f} % from lowest to highest month. About "
            "{best} months look best. About {chance} years in 100 would lose by waiting.",
            gap=curve.gap_pct,
            best=best,
            chance=chance,
        )
    if wait:
        return plural(
            "best",
            "Past prices show no reliable season, but today's price is low. Waiting about {best} month is a bet: about "
            "{chance} years in 100 would lose by it.",
            "Past prices show no reliable season, but today's price is low. Waiting about {best} months is a bet: about"
            " {chance} years in 100 would lose by it.",
            best=best,
            chance=chance,
        )
    if curve.reliable:
        return message(
            "Waiting is not supported: prices rise about {gap:.0f} % from lowest to highest month, but from "
            "today's price that does not pay for interest and losses.",
            gap=curve.gap_pct,
        )
    return message("Waiting is not supported: past prices show no reliable season. Waiting would be a bet.")


@dataclass(frozen=True)
class WaitingCosts:
    """What waiting costs a group: the one set of figures that the prices page, the plan and the advice use.

    Parameters
    ----------
    months : int
        Longest time kept.
    monthly_interest, monthly_loss : float
        Cost of money and weight lost in store, fractions a month.
    monthly_cost : float
        Storage [money/kg/month].
    monthly_rise : float
        General rise of prices towards which the drift is drawn, fraction a month.
    """

    months: int
    monthly_interest: float
    monthly_loss: float
    monthly_cost: float
    monthly_rise: float

    def rule(self, price_now: float) -> WaitingRule:
        """Return the terms of waiting at a price of today [money/kg]."""
        return WaitingRule(self.months, self.monthly_interest, self.monthly_loss, self.monthly_cost / price_now)


@dataclass(frozen=True)
class Verdict:
    """Whether past prices of a crop support waiting, with what it rests on.

    Attributes
    ----------
    price_now : float
        [money/kg]
    """

    advice: WaitingAdvice
    curve: SeasonalCurve
    costs: WaitingCosts
    price_now: float

    @property
    def wait(self) -> bool:
        """Return whether waiting is supported."""
        return self.advice.wait

    @property
    def sell_by_month(self) -> int:
        """Return after how many months at the latest past prices support a sale (0 = now)."""
        return self.advice.best_month

    @property
    def sentence(self) -> Message:
        """Return the verdict in words."""
        return self.advice.sentence


def verdict(prices: pd.Series, costs: WaitingCosts, price_now: float, neighbours: Sequence[pd.Series] = ()) -> Verdict:
    """Return the one answer to 'does waiting pay here?' that page, plan and advice read.

    Parameters
    ----------
    prices : Series
        Months of the reference market [money/kg], monthly PeriodIndex.
    price_now : float
        Today's price where the grain is sold [money/kg].
    neighbours : sequence of Series
        The same crop in other markets.

    Raises
    ------
    PriceDataError
        Too few months, or prices that cannot be.
    InputError
        A price of today that is not above zero.
    """
    if not (math.isfinite(price_now) and price_now > 0):
        raise InputError("today's price {price} must be above zero", price=price_now)
    curve = fit_season(prices, costs.monthly_rise, neighbours)
    return Verdict(decide(curve, costs.rule(price_now)), curve, costs, price_now)


def look_back_sentence(mean_gain: float, captured: float, share_losing: float, worst: float, years: int) -> Message:
    """Say whether following the plan would have helped in past years.

    Parameters
    ----------
    mean_gain, captured, share_losing, worst : float
        Fractions: mean against selling at harvest, share of the foreseeable gain, share of years below, worst year's
        change.
    years : int
        Years looked back on.
    """
    few = message(" Few years: this proves little.") if years < 6 else message("")
    values = {
        "years": years,
        "gain": 100 * mean_gain,
        "captured": 100 * max(captured, 0.0) if captured == captured else 0.0,
        "losing": round(share_losing * years),
        "worst": 100 * worst,
        "few": few,
    }
    if mean_gain > 0.005:
        return message(
            "Over {years} past harvests this plan would have earned {gain:.1f} % more than selling at harvest, "
            "{captured:.0f} % of the gain with perfect foresight; {losing} of them lost, the worst "
            "{worst:+.1f} %.{few}",
            **values,
        )
    if mean_gain < -0.005:
        return message(
            "Over {years} past harvests this plan would have earned {gain:.1f} % against selling at harvest: it "
            "would not have helped here.{few}",
            **values,
        )
    return message(
        "Over {years} past harvests this plan would have earned about the same as selling at harvest ({gain:+.1f} "
        "%).{few}",
        **values,
    )
