"""A group's records as storage reads them: lots in store, their tests since bagging, and what the sieve showed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pandas as pd

from core.group.lot_state import JudgingRules, LotState, estimate_from_tests, last_round
from core.group.sieves import Sieve
from core.planning.store_outlook import StoredLot
from core.storage.methods import method_codes, usual_method
from core.storage.retest import Retest

LEAST_SD = 0.1
BAGGED_WITHIN_DAYS = 5  # a test so long before bagging still says how it was bagged (later ones were of drying grain)
SETTLED_DAYS = 3  # tests of the first days in store are tests of the bagging


def stored_lot(state: LotState, sieves: Mapping[int, Sieve], today: date) -> StoredLot | None:
    """Return a lot as storage sees it today, None where nothing was ever measured."""
    if state.moisture is None:
        return None
    lot = state.lot
    sieve = sieves.get(lot.id)
    allowed = state.limit.of_kind("contract") or state.limit.of_kind("standard")
    keeping = state.limit.of_kind("keeping")
    in_store = lot.status == "stored"
    kept = lot.storage_method if lot.storage_method in method_codes() else usual_method()
    return StoredLot(
        lot_id=lot.id,
        label=lot.label,
        commodity=lot.commodity,
        moisture_pct=round(state.moisture.mean_pct, 2),
        moisture_sd=round(float(max(state.moisture.standard_error_pct, LEAST_SD)), 2),
        insects_per_kg=sieve.insects_per_kg if sieve else None,
        unshelled=lot.form in ("cob", "panicle", "pod"),
        sieved_kg=sieve.sieved_kg if sieve else 1.0,
        sieved_days_ago=max(0, (today - sieve.on).days) if sieve else 0,
        method=kept if in_store else None,
        stored_days=max(0, (today - lot.stored_on).days) if in_store and lot.stored_on else 0,
        limit_pct=allowed.moisture_pct if allowed else None,
        keeping_pct=keeping.moisture_pct if keeping else None,
        verdict_risk=state.risk,
        freedom=state.moisture.degrees_of_freedom,
    )


def rounds_of(readings: pd.DataFrame) -> list[pd.DataFrame]:
    """Return the rounds of tests of one lot, the oldest first (columns as `Store.readings`)."""
    rounds = []
    rest = readings
    while not rest.empty:
        latest = last_round(rest)
        rounds.append(latest)
        rest = rest.drop(latest.index)
    return rounds[::-1]


def retests_since_bagging(
    state: LotState, readings: pd.DataFrame, rules: JudgingRules, time_zone: str, sieve: Sieve | None = None
) -> tuple[StoredLot, list[Retest]] | None:
    """Return a lot as it was bagged and the tests since, None where one of them is missing.

    Parameters
    ----------
    time_zone : str
        Of the group: the day of bagging is a local one.
    sieve : Sieve, optional
        The latest sieve count; one since bagging is a re-test too.

    Returns
    -------
    tuple of (StoredLot, list of Retest) or None
        The last round around the day of bagging, and the rounds from the fourth day in store on.
    """
    lot = state.lot
    if lot.status != "stored" or lot.stored_on is None or readings.empty:
        return None
    bagged_at = datetime.combine(lot.stored_on, time(23, 59), ZoneInfo(time_zone)).astimezone(UTC)
    around = readings[
        (readings["taken_at"] > pd.Timestamp(bagged_at) - timedelta(days=BAGGED_WITHIN_DAYS))
        & (readings["taken_at"] <= pd.Timestamp(bagged_at) + timedelta(days=SETTLED_DAYS))
    ]
    if around.empty:
        return None
    first, _humidity = estimate_from_tests(lot, last_round(around), rules)
    if first is None:
        return None
    retests = []
    for tests in rounds_of(readings[readings["taken_at"] > pd.Timestamp(bagged_at) + timedelta(days=SETTLED_DAYS)]):
        found, _humidity = estimate_from_tests(lot, tests, rules)
        if found is None:
            continue
        days = (tests["taken_at"].max().to_pydatetime().date() - lot.stored_on).days
        # the meter's error is common to both tests, so that it says nothing of what has changed between them
        own = max(found.standard_error_pct**2 - found.common_sd_pct**2, LEAST_SD**2) ** 0.5
        retests.append(Retest(days, found.mean_pct, own))
    if sieve is not None and sieve.on > lot.stored_on:
        seen = sieve.insects_per_kg > 0
        retests.append(Retest((sieve.on - lot.stored_on).days, insects_seen=seen, sieved_kg=sieve.sieved_kg))
    if not retests:
        return None
    bagged = stored_lot(state, {}, lot.stored_on)
    if bagged is None:
        return None
    sure = max(first.standard_error_pct, LEAST_SD)
    return replace(bagged, moisture_pct=first.mean_pct, moisture_sd=sure, stored_days=0), retests
