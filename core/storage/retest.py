"""When a stored lot is tested next, how the shared meter gets round, and what a re-test changes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from core.errors import InputError
from core.messages import Figure, Message, plural
from core.storage.advice import SURE, StorageLimits, end_days
from core.storage.insects import chance_seen
from core.storage.simulate import PestDraw, StorageRun

Array = NDArray[Any]
MODEL_SD_POINTS = 0.5  # how far a lot's moisture strays from the model in a month or two (judgement)


@dataclass(frozen=True)
class RetestCosts:
    """What decides how often to test.

    Parameters
    ----------
    test_cost : float
        Cost of testing one lot once (time and share of the meter), in money.
    lot_value : float
        Money.
    daily_loss_share : float
        Share of the value lost for each day that trouble goes unseen (0.5 %, judgement).
    shortest_days, longest_days : int
        Never sooner, never later; eight weeks at most (common practice, no source).
    """

    test_cost: float = 1.0
    lot_value: float = 300.0
    daily_loss_share: float = 0.005
    shortest_days: int = 3
    longest_days: int = 56


@dataclass(frozen=True)
class NextTest:
    """When to test a lot again.

    Parameters
    ----------
    days : int
        Days from the start of the run.
    cause : str
        What is most likely to be found (a cause of the storage advice), "" where nothing is.
    """

    days: int
    cause: str
    reason: Message


def next_test(run: StorageRun, costs: RetestCosts | None = None, limits: StorageLimits | None = None) -> NextTest:
    """Return how many days after the start of a run one lot is best tested.

    Parameters
    ----------
    run : StorageRun
        Of one lot, by day, over scenarios.

    Notes
    -----
    The interval minimises (cost of a test + expected loss by trouble that nobody has seen) / interval, the renewal
    argument of inspection policies (Barlow and Proschan 1965). Whatever a test costs, it comes no later than the day
    until which the lot keeps in 19 of 20 seasons: else trouble that is near or there already would wait longest.
    """
    prices = costs or RetestCosts()
    by_cause = {cause: np.atleast_1d(days) for cause, days in end_days(run, limits).items()}
    names = list(by_cause)
    table = np.stack([by_cause[name] for name in names])
    earliest = table.min(axis=0)
    intervals = np.arange(prices.shortest_days, prices.longest_days + 1)
    unseen = np.clip(intervals[:, None] - earliest[None, :], 0.0, None).mean(axis=1)
    rate = (prices.test_cost + unseen * prices.daily_loss_share * prices.lot_value) / intervals
    cheapest = int(intervals[int(np.argmin(rate))])
    keeps = float(np.quantile(earliest, 1.0 - SURE, method="lower"))
    days = int(max(prices.shortest_days, min(cheapest, keeps)))
    chance = float((earliest <= days).mean())
    if chance < 0.005:
        reason = plural(
            "days",
            "Nothing is expected within {days} day; a test keeps it so.",
            "Nothing is expected within {days} days; a test keeps it so.",
            days=days,
        )
        return NextTest(days, "", reason)
    soon = earliest <= days
    cause = names[int(np.argmax((table[:, soon] == table[:, soon].min(axis=0)).sum(axis=1)))]
    values = {"chance": round(100 * chance), "cause": cause}
    if days < cheapest:
        return NextTest(
            days, cause, Message("{chance} in 100 years like these are in trouble by then ({cause}).", values)
        )
    reason = Message(
        "{chance} in 100 years like these would be in trouble by then ({cause}); later would cost more than the test.",
        values,
    )
    return NextTest(days, cause, reason)


@dataclass(frozen=True)
class DueTest:
    """A lot that is due: by when, how many bags to probe, where it stands."""

    lot_id: int
    due: date
    bags: int
    place: str = ""


@dataclass(frozen=True)
class Visit:
    """A day of the meter's holder.

    Parameters
    ----------
    lots : tuple of int
        In the order of their due dates, those of one place together.
    late : tuple of int
        Lots that could not be reached by their due date.
    """

    on: date
    lots: tuple[int, ...]
    bags: int
    late: tuple[int, ...] = field(default=())


GATHER_DAYS = 6  # a visit takes along what falls due within so many days after it; basis: judgement


def schedule_tests(due: Sequence[DueTest], start: date, bags_per_day: int = 60) -> list[Visit]:
    """Return the days on which the meter's holder tests, so that every lot is met by its due date where that can be.

    Parameters
    ----------
    start : date
        First possible day.
    bags_per_day : int
        Bags that can be probed in a day (settling time of the meter decides).

    Returns
    -------
    list of Visit
        By date. Work that does not fit on a due day moves to the days before it; what does not fit before is late.

    Raises
    ------
    InputError
        A day without any bags.
    """
    if bags_per_day < 1:
        raise InputError("the meter's holder must be able to probe at least one bag a day")
    waiting = sorted(due, key=lambda item: (item.due, item.place, item.lot_id))
    load: dict[date, list[DueTest]] = {}
    room: dict[date, int] = {}
    visit_days: list[date] = []
    late: set[int] = set()
    for item in waiting:
        need = min(item.bags, bags_per_day)
        latest = max(item.due, start)
        known = [
            day for day in visit_days if latest - timedelta(days=GATHER_DAYS) <= day <= latest and room[day] >= need
        ]
        if known:
            chosen = known[0]
        else:
            chosen = latest
            while chosen > start and room.get(chosen, bags_per_day) < need:
                chosen -= timedelta(days=1)
            while room.get(chosen, bags_per_day) < need:
                chosen += timedelta(days=1)
        if chosen > item.due:
            late.add(item.lot_id)
        if chosen not in room:
            room[chosen] = bags_per_day
            visit_days.append(chosen)
        room[chosen] -= need
        load.setdefault(chosen, []).append(item)
    visits = []
    for day in sorted(load):
        order = sorted(load[day], key=lambda item: (item.place, item.due, item.lot_id))
        visits.append(
            Visit(
                day,
                tuple(item.lot_id for item in order),
                sum(item.bags for item in order),
                tuple(item.lot_id for item in order if item.lot_id in late),
            )
        )
    return visits


@dataclass(frozen=True)
class Retest:
    """A test of a lot in store.

    Parameters
    ----------
    day : int
        Days since bagging.
    moisture_pct : float or None
        Mean of the bags probed, % w.b.
    moisture_sd : float
        Its standard error with the meter's bias, points.
    insects_seen : bool or None
        Live insects in the sieve or not; None where nobody sieved.
    """

    day: int
    moisture_pct: float | None = None
    moisture_sd: float = 0.5
    insects_seen: bool | None = None
    sieved_kg: float = 1.0


@dataclass(frozen=True)
class UpdatedForecast:
    """A forecast after re-tests.

    Parameters
    ----------
    weights : ndarray (scenarios,)
        Adding up to 1.
    moisture_shift : float
        Points to add to the model's moisture, fading with nothing (until the next test).
    effective_scenarios : float
        1 / sum of squared weights: how many scenarios still speak.
    """

    weights: Array
    moisture_shift: float
    effective_scenarios: float


def update_forecast(run: StorageRun, retests: Sequence[Retest]) -> UpdatedForecast:
    """Return the scenarios' weights and the shift of moisture that re-tests ask for.

    Parameters
    ----------
    run : StorageRun
        Of one lot, arrays (days + 1, scenarios).

    Notes
    -----
    Bayes on the scenarios: a scenario counts as likely as its moisture fits the reading (normal, reading and model
    error together) and as its insects fit what the sieve showed (Poisson). What the scenarios cannot explain becomes
    a shift of the lot, by the share that the model's own error has in both (Kalman gain).
    """
    scenarios = run.moisture_pct.reshape(len(run.day), -1)
    insects = run.insects_per_kg.reshape(len(run.day), -1)
    log_weight = np.zeros(scenarios.shape[1])
    shift = 0.0
    for test in sorted(retests, key=lambda item: item.day):
        if not 0 <= test.day <= run.day[-1]:
            raise InputError("the re-test on day {day} lies outside the forecast", day=test.day)
        row = int(np.searchsorted(run.day, test.day, side="right") - 1)
        if test.moisture_pct is not None:
            spread = math.hypot(test.moisture_sd, MODEL_SD_POINTS)
            difference = test.moisture_pct - shift - scenarios[row]
            log_weight -= 0.5 * (difference / spread) ** 2
            weights = _softmax(log_weight)
            gain = MODEL_SD_POINTS**2 / spread**2
            shift += gain * float(weights @ difference)
        if test.insects_seen is not None:
            seen = np.clip(chance_seen(insects[row], test.sieved_kg), 0.01, 0.99)
            log_weight += np.log(seen if test.insects_seen else 1.0 - seen)
    weights = _softmax(log_weight)
    return UpdatedForecast(weights, shift, float(1.0 / (weights**2).sum()))


USUAL_BAG_SD = 0.75
"""Between-bag spread after sun drying, points (0.5-1.0, from memory): where no or few bags tell it."""


def high_bag(reading_pct: float, other_readings_pct: Sequence[float], limit_pct: float) -> Message | None:
    """Return what a bag that reads high means for its stack, None where it does not stand out.

    Parameters
    ----------
    other_readings_pct : sequence of float
        The other bags of the same round.
    limit_pct : float
        Moisture up to which the lot may stay in store.
    """
    others = np.asarray(other_readings_pct, dtype=float)
    if others.size == 0:
        return None
    spread = max(USUAL_BAG_SD, float(others.std(ddof=1)) if others.size > 2 else 0.0)
    above = (reading_pct - float(others.mean())) / (spread * math.sqrt(1.0 + 1.0 / others.size))
    if above < 2.5:
        return None
    values = {"reading": Figure(reading_pct, ".1f"), "others": Figure(others.mean(), ".1f")}
    if reading_pct <= limit_pct:
        return Message(
            "This bag reads {reading} %, the others {others} %: still within the limit, but something wets it. "
            "Look for a leak or a damp wall, test the bags that touch it, and test it again within a week.",
            values,
        )
    return Message(
        "This bag reads {reading} %, the others {others} %: take it out today, dry it or use it first, and test all "
        "bags that touch it (above, below, beside). Damp spreads to neighbours, and insects breed there first.",
        values,
    )


def bags_that_stand_out(bag_means_pct: Mapping[str, float], limit_pct: float) -> list[tuple[str, Message]]:
    """Return the bags of a round that read high against all others, with what each means for its stack."""
    found = []
    for bag, reading in bag_means_pct.items():
        words = high_bag(reading, [other for name, other in bag_means_pct.items() if name != bag], limit_pct)
        if words is not None:
            found.append((bag, words))
    return found


def resampled(draw: PestDraw, weights: ArrayLike) -> PestDraw:
    """Return the scenarios' insects after re-tests: likely scenarios repeated, unlikely ones dropped.

    Systematic resampling at the middle of each step: no chance is needed, and equal weights change nothing.
    """
    share = np.asarray(weights, dtype=float)
    share = share / share.sum()
    points = (np.arange(len(share)) + 0.5) / len(share)
    chosen = np.minimum(np.searchsorted(np.cumsum(share), points), len(share) - 1)
    return PestDraw(draw.pressure[chosen], draw.borer[chosen])


def _softmax(log_weight: Array) -> Array:
    raw = np.exp(log_weight - log_weight.max())
    return np.asarray(raw / raw.sum())
