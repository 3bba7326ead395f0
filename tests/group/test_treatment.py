"""Grain that carries a protectant: known by its store, free by the label's days, never to who refuses it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from core.group.lot_sales import check_sale
from core.group.lot_state import current_lot_states
from core.group.records import Change, Lot, Sale
from core.group.treatment import earlier_treatments, free_from, is_treated
from core.planning.case_from_records import build_case
from tests.advice.groups import NOW, Heap, small_group

TODAY = NOW.date()
DUSTED = Lot(group_id=1, label="A", commodity="maize", storage_method="woven_bag_protectant", status="stored")


@pytest.mark.parametrize(
    ("lot", "label", "free"),
    [
        (replace(DUSTED, stored_on=date(2028, 2, 20)), 10, date(2028, 3, 1)),  # a leap day lies between
        (replace(DUSTED, stored_on=date(2026, 12, 25)), 14, date(2027, 1, 8)),
        (replace(DUSTED, stored_on=TODAY), 0, TODAY + timedelta(days=90)),  # not entered: the table's 90 days
        (DUSTED, 7, TODAY + timedelta(days=7)),  # nobody knows when: it may have been today
        (replace(DUSTED, status="drying", stored_on=TODAY), 7, TODAY + timedelta(days=7)),  # out to dry again
        (replace(DUSTED, storage_method="hermetic_bag"), 7, None),
        (replace(DUSTED, storage_method="a box"), 7, None),
        (replace(DUSTED, storage_method=None), 7, None),
    ],
)
def test_treated_grain_is_free_when_the_labels_days_are_over(lot, label, free):
    assert free_from(lot, TODAY, label) == free
    assert is_treated(lot) == (free is not None)


@pytest.fixture(scope="module")
def dusted(tmp_path_factory):
    """A group with one dry lot under a protectant of 30 days; nobody said since when."""
    url = f"sqlite:///{tmp_path_factory.mktemp('dusted') / 'x.sqlite3'}"
    store = small_group(url, (Heap("maize", 10, (11.0, 11.2, 10.9)),), {"protectant_waiting_days": 30})
    lot = store.lots(store.groups()[0].id)[0]
    store.update_lot(replace(lot, status="stored", storage_method="woven_bag_protectant"))
    yield store
    store.engine.dispose()


def test_a_plan_sells_grain_of_an_unknown_day_of_treatment_only_after_its_days(dusted):
    built = build_case(dusted, dusted.groups()[0].id, TODAY)
    lot = built.case.lots[0]
    assert lot.treated
    assert built.case.week_date(lot.sale_from_week) >= TODAY + timedelta(days=30)
    assert built.case.week_date(lot.sale_from_week - 1) < TODAY + timedelta(days=30)


def test_a_sale_within_the_waiting_time_is_asked_about(dusted):
    state = current_lot_states(dusted, dusted.groups()[0].id, NOW)[0]
    sale = Sale(lot_id=state.lot.id, sold_on=TODAY, bags=1, mass_kg=88.0, price_per_kg=200.0, buyer="Town")
    (said,) = check_sale(state, sale, ["Town"], TODAY)
    assert "before 2026-06-19" in str(said)
    earlier = replace(state, lot=replace(state.lot, stored_on=TODAY - timedelta(days=30)))
    assert check_sale(earlier, sale, ["Town"], TODAY) == ()


DAY = date(2026, 3, 1)
PLAIN = replace(DUSTED, id=7, storage_method="hermetic_bag", stored_on=DAY + timedelta(days=10))


def moved(**changed):
    return Change(group_id=1, kind="lot", row="7", changed=changed, who="Ama", at=NOW)


METHOD, SINCE = ["woven_bag_protectant", "hermetic_bag"], [DAY.isoformat(), (DAY + timedelta(days=10)).isoformat()]


@pytest.mark.parametrize(
    ("lot", "trail", "free"),
    [
        # taken out of the dusted bags after ten days: 30 days from the dusting, not from the new bags
        (PLAIN, [moved(storage_method=METHOD, stored_on=SINCE)], DAY + timedelta(days=30)),
        # the same day: the store was entered wrongly, nothing was moved
        (replace(PLAIN, stored_on=DAY), [moved(storage_method=METHOD)], None),
        # nobody said since when, neither before nor after: it may have been dusted up to the day of the edit
        (replace(PLAIN, stored_on=None), [moved(storage_method=METHOD)], TODAY + timedelta(days=30)),
        # out to dry, no store now
        (
            replace(PLAIN, storage_method=None, stored_on=None),
            [moved(storage_method=[METHOD[0], None], stored_on=[SINCE[0], None])],
            DAY + timedelta(days=30),
        ),
        # moved on twice: the trail is read from the newest edit back
        (
            replace(PLAIN, storage_method="woven_bag", stored_on=DAY + timedelta(days=20)),
            [
                moved(storage_method=["hermetic_bag", "woven_bag"], stored_on=[SINCE[1], "2026-03-21"]),
                moved(storage_method=METHOD, stored_on=SINCE),
            ],
            DAY + timedelta(days=30),
        ),
        (PLAIN, [replace(moved(storage_method=METHOD, stored_on=SINCE), row="8")], None),  # another lot's
        (PLAIN, [moved(label=["A", "B"])], None),
    ],
)
def test_what_was_treated_stays_treated_in_other_bags(lot, trail, free):
    carried = earlier_treatments([lot], trail).get(7, ())
    assert free_from(lot, TODAY, 30, carried) == free


def test_a_plan_keeps_the_waiting_time_of_grain_that_was_moved_into_other_bags(dusted):
    group = dusted.groups()[0].id
    lot = dusted.lots(group)[0]
    bagged = replace(lot, storage_method="hermetic_bag", stored_on=TODAY)
    dusted.by("Ama", NOW).update_lot(bagged)
    state = current_lot_states(dusted, group, NOW)[0]
    planned = build_case(dusted, group, TODAY).case.lots[0]
    dusted.update_lot(replace(lot, revision=dusted.lot(lot.id).revision))
    assert state.treated
    assert state.free_from(TODAY) == TODAY + timedelta(days=30)
    assert planned.treated
    assert planned.sale_from_week >= 4
