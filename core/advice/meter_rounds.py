"""Which lots need the meter on which days: the re-test schedule of stored lots, and lots on the drying floor."""

from __future__ import annotations

from contextlib import suppress
from datetime import date, datetime, timedelta

from core.advice.lot_outlooks import keeping_now, keeping_settings, measured_lots, store_climates
from core.errors import DryholdError, NoPlaceError
from core.group.store import Store
from core.meter.log import LotToTest

# first day at which a test says something new, and how long it may wait; common practice, no source
DRYING_DAYS = {"wet": (2, 3), "drying": (1, 2)}
STORED_DAYS = (0, 28)
LEAD_DAYS = 7


def lots_to_test(store: Store, group_id: int, today: date, now: datetime) -> list[LotToTest]:
    """Return the open lots with the days within which each has to be tested.

    Returns
    -------
    list of LotToTest
        Stored lots by their re-test schedule (a week before its day until that day), untested stored ones within four
        weeks, drying ones within days. Lots without an owner are left out: nobody would come for the meter.
    """
    measured = measured_lots(store, group_id, now, today)
    settings = keeping_settings(store, group_id, [one for one, _stored in measured])
    climates = None
    if any(stored is not None and stored.method for _one, stored in measured):
        with suppress(NoPlaceError):  # without a place, the practice's four weeks hold
            climates = store_climates(store, group_id, today)
    needs = []
    for state, stored in measured:
        lot = state.lot
        owner = lot.owner_id or (lot.shares[0][0] if lot.shares else None)
        if owner is None or lot.status not in {*DRYING_DAYS, "stored"}:
            continue
        wait, slack = DRYING_DAYS.get(lot.status, STORED_DAYS)
        first, last = today + timedelta(days=wait), today + timedelta(days=wait + slack)
        if stored is not None and stored.method and climates is not None:
            try:
                outlook = keeping_now(store, group_id, state, stored, climates, settings).where_it_lies()
            except DryholdError:
                pass  # what the storage model cannot judge keeps the practice's four weeks
            else:
                last = today + timedelta(days=outlook.test_days)
                first = max(today, last - timedelta(days=LEAD_DAYS))
        needs.append(LotToTest(str(owner), lot.label, first, last))
    return needs
