"""Grain that carries a protectant: known by its store, free by the label's days, never to who refuses it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from core.group.lot_sales import check_sale
from core.group.lot_state import current_lot_states
from core.group.records import Lot, Sale
from core.group.treatment import free_from, is_treated
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
