"""Wait or sell: whether the data support waiting, and from what price on to sell.

The same rule serves the page's sentence, the hindcast and the price that a group is told to sell at.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from core.accounts.finance import annuity_worth, present_value
from core.market.season import SeasonalCurve
from core.messages import Message, message

Floats = NDArray[np.float64]

PATHS = 1000
LEAST_GAIN = 0.03
"""Gain below which waiting is not begun; once begun it goes on while it gains; judgement, tried on open prices."""


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
        Months from today with the greatest worth, judged half by its mean and half by its middle (0 = today).
    expected_gain, median_gain : float
        Of waiting until then, as a fraction of selling today.
    chance_of_loss : float
        That waiting until then earns less than selling today.
    sentence : Message
        The same in words.
    """

    wait: bool
    best_month: int
    expected_gain: float
    median_gain: float
    chance_of_loss: float
    sentence: Message


def decide(curve: SeasonalCurve, rule: WaitingRule, begun: bool = False, seed: int = 11) -> WaitingAdvice:
    """Judge whether the data support waiting.

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

    Returns
    -------
    WaitingAdvice
    """
    months = np.arange(rule.months + 1)
    paths = curve.sample_paths(rule.months, PATHS, seed) / curve.last_price
    worth = paths * rule.discount(months) - rule.cost(months)
    # The mean alone is led by the few paths that double, the median alone ignores them: the rule stands half way.
    middle = np.median(worth, axis=0)
    judged = (worth.mean(axis=0) + middle) / 2
    best = int(np.argmax(judged))
    gain = float(judged[best]) - 1
    wait = best > 0 and gain > (0.0 if begun else LEAST_GAIN)
    if not wait:
        best = 0
    loss = float(np.mean(worth[:, best] < 1)) if best else 0.0
    return WaitingAdvice(
        wait, best, float(worth[:, best].mean()) - 1, float(middle[best]) - 1, loss, _sentence(curve, wait, best, loss)
    )


def _sentence(curve: SeasonalCurve, wait: bool, best: int, loss: float) -> Message:
    season = "a season of about {gap:.0f} %" if curve.reliable else "no reliable season"
    chance = round(100 * loss)
    if wait and curve.reliable:
        return message(
            "Waiting is supported by the data: "
            + season
            + "; about {best} months look best, and about {chance} years in 100 would lose by it.",
            gap=curve.gap_pct,
            best=best,
            chance=chance,
        )
    if wait:
        return message(
            (
                "No reliable season: waiting is a bet on today's low price; about {best} months look best, and about "
                "{chance} years in 100 would lose by it."
            ),
            best=best,
            chance=chance,
        )
    if curve.reliable:
        return message(
            (
                "There is a season of about {gap:.0f} %, but from today's price it does not pay for interest and loss: "
                "waiting is not supported."
            ),
            gap=curve.gap_pct,
        )
    return message("No reliable season: waiting is a bet, and the data do not support it.")


def look_back_sentence(mean_gain: float, captured: float, share_losing: float, worst: float, years: int) -> Message:
    """Say whether following the plan would have helped in past years.

    Parameters
    ----------
    mean_gain, captured, share_losing, worst : float
        Fractions: mean against selling at harvest, share of the foreseeable gain, share of years below, worst year's
        change.
    years : int
        Years looked back on.

    Returns
    -------
    Message
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
            (
                "Over {years} past harvests this plan would have earned {gain:.1f} % more than selling at harvest, "
                "{captured:.0f} % of what perfect foresight would have gained; {losing} of them lost, the worst "
                "{worst:+.1f} %.{few}"
            ),
            **values,
        )
    if mean_gain < -0.005:
        return message(
            (
                "Over {years} past harvests this plan would have earned {gain:.1f} % against selling at harvest: it "
                "would not have helped here.{few}"
            ),
            **values,
        )
    return message(
        (
            "Over {years} past harvests this plan would have earned about the same as selling at harvest ({gain:+.1f} "
            "%).{few}"
        ),
        **values,
    )
