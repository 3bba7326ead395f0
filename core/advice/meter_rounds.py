"""Which lots need the meter on which days: the re-test schedule of stored lots, and lots on the drying floor."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from core.errors import DryholdError
from core.group.lot_state import current_lot_states
from core.group.sieves import last_sieves
from core.group.store import Store
from core.meter.log import LotToTest
from core.planning.storage_from_records import stored_lot
from core.planning.store_outlook import method_outlook
from core.storage.methods import usual_method
from core.weather.place import Place
from core.weather.scenarios import climate_scenarios
from core.weather.usual import get_normals

HORIZON_DAYS = 60
SCENARIOS = 40
# first day at which a test says something new, and how long it may wait; common practice, no source
DRYING_DAYS = {"wet": (2, 3), "drying": (1, 2)}
STORED_DAYS = (0, 28)
LEAD_DAYS = 7


def lots_to_test(store: Store, group_id: int, today: date, now: datetime) -> list[LotToTest]:
    """Return the open lots with the days within which each has to be tested.

    Parameters
    ----------
    store : Store
        The records.
    group_id : int
        The group.
    today : date
        First day.
    now : datetime
        Aware.

    Returns
    -------
    list of LotToTest
        Stored lots by their re-test schedule (a week before its day until that day), untested stored ones within four
        weeks, drying ones within days. Lots without an owner are left out: nobody would come for the meter.
    """
    group = store.group(group_id)
    sieves = last_sieves(store.events(group_id, "diary"))
    climates = None
    if group.latitude is not None and group.longitude is not None:
        place = Place(group.latitude, group.longitude, group.altitude_m or 0.0, group.time_zone)
        normals = get_normals(place, store.documents, now)
        climates = climate_scenarios(normals, today, HORIZON_DAYS, SCENARIOS, seed=group_id, place=place)
    needs = []
    for state in current_lot_states(store, group_id, now):
        lot = state.lot
        owner = lot.owner_id or (lot.shares[0][0] if lot.shares else None)
        if owner is None or lot.status not in {*DRYING_DAYS, "stored"}:
            continue
        wait, slack = DRYING_DAYS.get(lot.status, STORED_DAYS)
        first, last = today + timedelta(days=wait), today + timedelta(days=wait + slack)
        stored = stored_lot(state, sieves, today) if lot.status == "stored" else None
        if stored is not None and climates is not None:
            try:
                outlook = method_outlook(stored, stored.method or usual_method(), climates, HORIZON_DAYS)
            except DryholdError:
                pass  # what the storage model cannot judge keeps the practice's four weeks
            else:
                last = today + timedelta(days=outlook.test.days)
                first = max(today, last - timedelta(days=LEAD_DAYS))
        needs.append(LotToTest(str(owner), lot.label, first, last))
    return needs
