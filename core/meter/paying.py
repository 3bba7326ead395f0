"""Ways to pay one's share: at once, in instalments, in grain, by work; and the seller's offer to take grain."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np

from core.accounts.finance import (
    WEEKS_PER_MONTH,
    Instalment,
    annuity_worth,
    instalment,
    present_value,
    round_down,
    round_to_step,
    schedule,
)
from core.errors import InputError
from core.messages import Message, message

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

HUNDRED = Decimal(100)
GRAM = Decimal("0.001")


@dataclass(frozen=True)
class GrainPayment:
    """Grain taken in payment, put right for water, bags and dirt first.

    Parameters
    ----------
    amount : Decimal
        Value at the agreed price, rounded down to the coin, money.
    """

    agreed_kg: Decimal
    amount: Decimal
    explanation: Message


def value_grain(
    weighed_kg: Decimal,
    moisture_pct: Decimal,
    agreed_moisture_pct: Decimal,
    price_per_kg: Decimal,
    agreed_on: date,
    bags: int = 0,
    bag_tare_kg: Decimal = Decimal(0),
    foreign_matter_pct: Decimal = Decimal(0),
    step: Decimal = Decimal("0.01"),
) -> GrainPayment:
    """Return what grain brought in payment is worth.

    Parameters
    ----------
    weighed_kg : Decimal
        Mass as weighed, bags included, kg.
    moisture_pct, agreed_moisture_pct : Decimal
        Moisture as tested and as agreed, % wet basis.
    bag_tare_kg : Decimal
        Mass of an empty bag, kg.
    foreign_matter_pct : Decimal
        Dirt and broken pieces, % of mass.

    Returns
    -------
    GrainPayment
        Grain drier than agreed counts for more kilograms, wetter for fewer: the dry matter is what is paid.

    Raises
    ------
    InputError
        Where a moisture or percentage is impossible, or nothing is left after the bags.

    Notes
    -----
    ``m2 = m1 (100 - M1) / (100 - M2)``: dry matter is kept. Source: mass balance, e.g. the shrink tables of
    agricultural extension services.
    """
    for value in (moisture_pct, agreed_moisture_pct, foreign_matter_pct):
        if not 0 <= value < HUNDRED:
            raise InputError("{value} % is outside 0 to below 100", value=value)
    if price_per_kg <= 0:
        raise InputError("the agreed price must be above 0, not {price}", price=price_per_kg)
    grain = weighed_kg - bags * bag_tare_kg
    if grain <= 0:
        raise InputError("no grain is left of {kg} kg after the weight of the bags", kg=weighed_kg)
    clean = grain * (HUNDRED - foreign_matter_pct) / HUNDRED
    agreed = round_down(clean * (HUNDRED - moisture_pct) / (HUNDRED - agreed_moisture_pct), GRAM)
    amount = round_down(agreed * price_per_kg, step)
    text = message(
        "{weighed_kg} kg as weighed are {agreed_kg} kg clean grain at {agreed_moisture_pct} %, at {price} a kg "
        "agreed on "
        "{day}: {amount}",
        weighed_kg=weighed_kg,
        agreed_kg=agreed,
        agreed_moisture_pct=agreed_moisture_pct,
        price=price_per_kg,
        day=agreed_on,
        amount=amount,
    )
    return GrainPayment(agreed, amount, text)


def value_labour(hours: Decimal, price_per_hour: Decimal, step: Decimal = Decimal("0.01")) -> Decimal:
    """Return what work is worth at a price agreed before the season, money.

    Parameters
    ----------
    hours : Decimal
        Hours worked, above 0.

    Raises
    ------
    InputError
        Where hours or price are not above 0.
    """
    if hours <= 0 or price_per_hour <= 0:
        raise InputError("hours and price must be above 0, not {hours} and {price}", hours=hours, price=price_per_hour)
    return round_to_step(hours * price_per_hour, step)


def instalment_plan(
    amount: Decimal, rate_per_period: Decimal, periods: int, first_due: date, step: Decimal = Decimal("0.01")
) -> tuple[tuple[Instalment, ...], dict[str, Any]]:
    """Return a member's instalments and the particulars of the plan for the meter's book.

    Parameters
    ----------
    rate_per_period : Decimal
        Interest per month, fraction; 0 among members who ask none.

    Returns
    -------
    (tuple of Instalment, dict)
        The schedule, and ``interest`` and ``due`` of the event ``"plan"``: day, payment and the interest in it, which
        is booked on that day.
    """
    rows = schedule(amount, rate_per_period, periods, step, first_due)
    interest = sum((row.interest for row in rows), Decimal(0))
    return rows, {"interest": interest, "due": [[row.due, row.payment, row.interest] for row in rows]}


@dataclass(frozen=True)
class SellerOffer:
    """A way to pay for the meter: cash now, a loan, or grain at the harvest.

    Parameters
    ----------
    grain_kg : float
        Grain that the seller accepts instead, kg.
    """

    cash_price: float
    grain_kg: float
    months: int
    delivery_cost: float = 0.0


@dataclass(frozen=True)
class OfferComparison:
    """The ways to pay in today's money.

    Parameters
    ----------
    loan : float
        The loan's payments brought to today, money.
    loan_payment : float
        Payment per month, money.
    grain : array, shape (paths,)
        The grain's value brought to today, by price path, money.
    grain_low, grain_median, grain_high : float
        10, 50 and 90 % points of ``grain``.
    chance_grain_dearer : float
        Share of paths in which the grain costs more than the loan.
    breakeven_price : float
        Price per kg at the harvest at which grain and loan cost the same.
    """

    cash: float
    loan: float
    loan_payment: float
    grain: NDArray[np.float64]
    grain_low: float
    grain_median: float
    grain_high: float
    chance_grain_dearer: float
    breakeven_price: float
    explanation: Message


def compare_offer(
    offer: SellerOffer, price_paths: ArrayLike, loan_rate_monthly: float, loan_months: int, cost_of_money_monthly: float
) -> OfferComparison:
    """Return cash, loan and grain side by side in today's money.

    Parameters
    ----------
    price_paths : array_like, shape (paths,)
        What the group would otherwise get for a kg when the grain is handed over, money.
    loan_rate_monthly : float
        The loan's interest per month on what is still owed, fraction (turn a flat rate first).
    cost_of_money_monthly : float
        Interest a month that the group counts with, fraction; the same for all ways.

    Raises
    ------
    InputError
        Where a price, mass, rate or count is impossible.

    Notes
    -----
    Present values ``x / (1 + r)^months``. The loan's interest enters only as its payments, never as the discount rate.
    """
    prices = np.atleast_1d(np.asarray(price_paths, dtype=float))
    if prices.size == 0 or not np.all(np.isfinite(prices)) or np.any(prices < 0):
        raise InputError("prices must be 0 or more and there must be at least one")
    if offer.cash_price <= 0 or offer.grain_kg <= 0 or offer.months < 0 or cost_of_money_monthly < 0:
        raise InputError("price and grain must be above 0, months and interest 0 or more")
    waiting = present_value(1.0, cost_of_money_monthly, offer.months)
    grain = (offer.grain_kg * prices + offer.delivery_cost) * waiting
    payment = instalment(float(offer.cash_price), loan_rate_monthly, loan_months)
    loan = payment * annuity_worth(cost_of_money_monthly, loan_months)
    low, median, high = (float(value) for value in np.percentile(grain, [10, 50, 90]))
    chance = float(np.mean(grain > loan))
    breakeven = (loan / waiting - offer.delivery_cost) / offer.grain_kg
    text = message(
        "grain costs {median} in today's money (between {low} and {high} in 8 of 10 cases), the loan {loan}, cash "
        "{cash}; "
        "above {price} a kg at the harvest, paying in grain costs more",
        median=round(median, 2),
        low=round(low, 2),
        high=round(high, 2),
        loan=round(loan, 2),
        cash=round(offer.cash_price, 2),
        price=round(breakeven, 3),
    )
    return OfferComparison(offer.cash_price, loan, payment, grain, low, median, high, chance, breakeven, text)


@dataclass(frozen=True)
class ExpectedPrice:
    """What a kg is expected to fetch months from now: median, money, and usual relative difference, fraction."""

    median: float
    spread: float


def expected_price(store: Any, group_id: int, commodity: str, months: int, seed: int = 9) -> ExpectedPrice | None:
    """Return what the group's own price series says of the price some months from now.

    Parameters
    ----------
    months : int
        Months from the last quote.

    Returns
    -------
    ExpectedPrice or None
        None where the series is too short for a season.
    """
    from core.planning.case_from_records import crop_price
    from core.planning.group_seasons import season_of

    price = crop_price(store, group_id, commodity, 1.0)
    curve = None if price is None else season_of(price)
    if price is None or curve is None:
        return None
    weeks = max(round(months * WEEKS_PER_MONTH), 1)
    end = np.asarray(curve.sample_weekly_paths(weeks, 2000, seed, price.price_now))[:, -1 if months else 0]
    return ExpectedPrice(float(np.median(end)), float(np.expm1(np.std(np.log(end)))))


def lognormal_prices(expected: float, spread: float, count: int, seed: int) -> NDArray[np.float64]:
    """Return drawn prices whose mean is the expected one.

    Parameters
    ----------
    expected : float
        Mean price, money.
    spread : float
        Standard deviation over the mean, fraction.
    count, seed : int
        How many are drawn, and from which seed.

    Returns
    -------
    array, shape (count,)
        Money, above 0.
    """
    sd = float(np.sqrt(np.log1p(spread**2)))
    return np.asarray(expected * np.exp(np.random.default_rng(seed).normal(-0.5 * sd**2, sd, count)))
