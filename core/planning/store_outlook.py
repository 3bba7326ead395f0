"""A lot's outlook under each way of keeping it, side by side, and the lots of a group by urgency."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from core.market.deductions import flat_deductions
from core.messages import Message, plural
from core.storage.advice import (
    SURE,
    BuyerTerms,
    Keeping,
    StorageLimits,
    keeps_until,
    paid_weight_loss_pct,
    refusal_chances,
    weekly_table,
)
from core.storage.methods import get_method, method_codes
from core.storage.retest import NextTest, Retest, RetestCosts, next_test, resampled, update_forecast
from core.storage.safety import Belief, storage_refusal
from core.storage.simulate import PestDraw, StorageRun, draw_pests, lot_of, simulate_storage

UNLIKELY_POINTS = 1.5  # from the nearest scenario: three times what the model strays (judgement)


@dataclass(frozen=True)
class StoredLot:
    """A lot as storage sees it.

    Parameters
    ----------
    moisture_pct, moisture_sd : float
        Mean of the last test and how sure it is, points (standard error with the meter's bias).
    insects_per_kg : float or None
        Live adults counted per kg sieved; None where nobody sieved.
    unshelled : bool
        On the cob, in the panicle or in the pod: only then a crib is a choice.
    sieved_kg, sieved_days_ago
        Mass that was sieved, and how long ago.
    method : str or None
        How it is kept now, None where it is not in store yet.
    limit_pct : float or None
        Moisture that its buyer allows; None takes the settings'.
    keeping_pct : float or None
        Moisture at which it keeps for as long as is wanted; None where that is not known.
    freedom : float
        Degrees of freedom of the last test.
    """

    lot_id: int
    label: str
    commodity: str
    moisture_pct: float
    moisture_sd: float = 0.5
    insects_per_kg: float | None = None
    unshelled: bool = False
    sieved_kg: float = 1.0
    sieved_days_ago: int = 0
    method: str | None = None
    stored_days: int = 0
    limit_pct: float | None = None
    keeping_pct: float | None = None
    verdict_risk: float = 0.05
    freedom: float = math.inf


@dataclass(frozen=True)
class MethodOutlook:
    """What becomes of a lot under one method.

    Parameters
    ----------
    run : StorageRun
        Arrays (days + 1, scenarios).
    sure, likely : Keeping
        At 95 and 80 % certainty.
    refusal_grounds : tuple of (str, float)
        The grounds on which a buyer would refuse at the end of the run, the likeliest first, with their chances.
    dried_below_pct : float
        Weight lost by drying below what is paid for at the driest, middle of the scenarios, %.
    refusal : Message or None
        Why the lot must not be kept in this store as it is (`core.storage.safety`); None where it may.
    """

    method: str
    run: StorageRun
    weekly: pd.DataFrame
    sure: Keeping
    likely: Keeping
    test: NextTest
    notes: tuple[Message, ...]
    refusal_grounds: tuple[tuple[str, float], ...]
    dried_below_pct: float
    refusal: Message | None = None

    @property
    def test_days(self) -> int:
        """Days until the next test: tomorrow where the lot must not stay as it is, else by its course in the store."""
        return 1 if self.refusal is not None else int(self.test.days)


@dataclass(frozen=True)
class OutlookSettings:
    """What a lot is judged by.

    Parameters
    ----------
    store_offset_c : float
        How much warmer the store is than its kind usually is, degC.
    """

    limits: StorageLimits = field(default_factory=StorageLimits)
    terms: BuyerTerms = field(default_factory=BuyerTerms)
    costs: RetestCosts = field(default_factory=RetestCosts)
    borer_present: bool | None = None
    store_offset_c: float = 0.0
    seed: int = 0


def method_outlook(
    lot: StoredLot,
    method: str,
    climates: Sequence[pd.DataFrame],
    days: int,
    settings: OutlookSettings | None = None,
    draw: PestDraw | None = None,
) -> MethodOutlook:
    """Return a lot's outlook under one method.

    Parameters
    ----------
    draw : PestDraw, optional
        The scenarios' insects; None draws them from the settings' seed.
    """
    chosen = settings or OutlookSettings()
    limits, terms = chosen.limits, chosen.terms
    if lot.limit_pct is not None:
        limits = replace(limits, moisture_pct=lot.limit_pct)
        own = flat_deductions(lot.limit_pct, terms.deductions.first_rate, refusal_pct=lot.limit_pct)
        terms = replace(terms, deductions=replace(own, damage_per_pct=terms.deductions.damage_per_pct))
    staying = lot.method == method
    sealed_now = lot.method is not None and get_method(lot.method).sealed
    since = lot.stored_days if lot.insects_per_kg is None else lot.sieved_days_ago
    counted_in_run = staying and lot.insects_per_kg is None
    grown = 0 if sealed_now or counted_in_run else since
    count = len(climates)
    pests = draw or draw_pests(count, chosen.seed, chosen.borer_present)
    shock = np.random.default_rng([chosen.seed, 17]).standard_normal(count)
    moisture = np.clip(lot.moisture_pct + lot.moisture_sd * shock, 3.0, 45.0)[None, :]
    run = simulate_storage(
        lot.commodity,
        moisture,
        method,
        climates,
        days,
        insects_per_kg=lot.insects_per_kg,
        borer_present=chosen.borer_present,
        draw=pests,
        sieved_kg=lot.sieved_kg,
        stored_days=lot.stored_days if staying else 0,
        insects_grown_days=grown,
        store_offset_c=chosen.store_offset_c,
    )
    run = lot_of(run, 0)
    grounds = refusal_chances(run, terms)
    last = sorted(((name, float(c[-1].mean())) for name, c in grounds.items() if name != "any"), key=lambda g: -g[1])
    paid, dried_below = terms.deductions.our_base_pct, 0.0
    if paid is not None:
        dried_below = float(np.median(paid_weight_loss_pct(run, paid).max(axis=0)))
    return MethodOutlook(
        method=method,
        run=run,
        weekly=weekly_table(run, terms),
        sure=keeps_until(run, SURE, limits),
        likely=keeps_until(run, 0.80, limits),
        test=next_test(run, chosen.costs, limits),
        notes=run.notes,
        refusal_grounds=tuple(last),
        dried_below_pct=dried_below,
        refusal=_refusal(lot, method, days),
    )


def _refusal(lot: StoredLot, method: str, days: int) -> Message | None:
    """Return why a lot must not go into a store as it is."""
    belief = Belief(lot.moisture_pct, lot.moisture_sd, lot.freedom)
    keeping = math.inf if lot.keeping_pct is None else lot.keeping_pct
    return storage_refusal(lot.commodity, method, belief, keeping, days, lot.verdict_risk)


@dataclass(frozen=True)
class CorrectedLot:
    """A lot after the tests since it was bagged.

    Parameters
    ----------
    lot : StoredLot
        With the moisture of today: the forecast and the last test together.
    draw : PestDraw
        The scenarios' insects, after what the sieve showed.
    expected_pct : float
        Moisture that the forecast from bagging had for the day of the last test.
    fits : bool
        False where the last test lies further from the forecast than weather can bring it: the lot was dried again,
        or a record is wrong. Then the test stands alone.
    """

    lot: StoredLot
    draw: PestDraw
    expected_pct: float
    effective_scenarios: float
    fits: bool = True


def corrected_by_tests(
    bagged: StoredLot,
    method: str,
    climates: Sequence[pd.DataFrame],
    retests: Sequence[Retest],
    settings: OutlookSettings | None = None,
) -> CorrectedLot:
    """Return a lot corrected by its re-tests in store.

    Parameters
    ----------
    bagged : StoredLot
        As it was on the day of bagging.
    climates : sequence of DataFrame
        Scenarios from the day of bagging; as long as the last re-test.
    retests : sequence of Retest
        In days since bagging; at least one.

    Returns
    -------
    CorrectedLot
        Moisture: mean and standard deviation of the weighted scenarios, shifted; never surer than the last test alone
        would be with the model's own error.
    """
    chosen = settings or OutlookSettings()
    last = max(test.day for test in retests)
    pests = draw_pests(len(climates), chosen.seed, chosen.borer_present)
    shock = np.random.default_rng([chosen.seed, 17]).standard_normal(len(climates))
    start = np.clip(bagged.moisture_pct + bagged.moisture_sd * shock, 3.0, 45.0)[None, :]
    run = simulate_storage(
        bagged.commodity,
        start,
        method,
        climates,
        max(last, 1),
        insects_per_kg=bagged.insects_per_kg,
        borer_present=chosen.borer_present,
        sieved_kg=bagged.sieved_kg,
        store_offset_c=chosen.store_offset_c,
        draw=pests,
    )
    run = lot_of(run, 0)
    updated = update_forecast(run, retests)
    now = run.moisture_pct[last]
    read = [test for test in retests if test.moisture_pct is not None]
    if read:
        latest = max(read, key=lambda test: test.day)
        there = run.moisture_pct[latest.day]
        off = float(np.abs(there - latest.moisture_pct).min())
        if off > UNLIKELY_POINTS and latest.moisture_pct is not None:
            alone = replace(bagged, moisture_pct=latest.moisture_pct, moisture_sd=latest.moisture_sd, method=method)
            return CorrectedLot(
                replace(alone, stored_days=last), pests, float(there.mean()), float(len(climates)), False
            )
    mean = float(updated.weights @ now)
    spread = float(np.sqrt(updated.weights @ (now - mean) ** 2))
    sure = max(spread, 0.2)
    lot = replace(bagged, moisture_pct=mean + updated.moisture_shift, moisture_sd=sure, method=method, stored_days=last)
    return CorrectedLot(lot, resampled(pests, updated.weights), float(now.mean()), updated.effective_scenarios)


def methods_for(lot: StoredLot) -> list[str]:
    """Return every method that fits a lot's form (no crib for shelled grain)."""
    return [method for method in method_codes() if lot.unshelled or not get_method(method).unshelled]


def best_method(outlooks: dict[str, MethodOutlook]) -> tuple[str | None, Message]:
    """Return the method that keeps longest at 95 % certainty (then loses least), with a sentence.

    Only stores into which the lot may go as it is are named; None where it is too wet for all of them.
    """

    def merit(item: MethodOutlook) -> tuple[float, float]:
        return (item.sure.days, -float(item.weekly["weight_loss_pct_middle"].iloc[-1]))

    allowed = [item for item in outlooks.values() if item.refusal is None and item.sure.days > 0]
    if not allowed:
        return None, Message("not dry enough to store safely: dry it further, or sell it soon")
    best = max(allowed, key=merit)
    if np.isinf(best.sure.days):
        return best.method, Message("keeps through the whole time looked at, at 95 % certainty")
    words = plural(
        "days",
        "keeps longest: {days} day at 95 % certainty",
        "keeps longest: {days} days at 95 % certainty",
        days=int(best.sure.days),
    )
    return best.method, words
