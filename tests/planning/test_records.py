"""A group's records become a planning case: what is tested and priced is in, the rest is named and left out."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from core.errors import PlanError
from core.grain.commodities import get_commodity
from core.group.database import open_store
from core.group.own_crops import keep_own_crop
from core.group.records import Group
from core.planning.case import case_from_json
from core.planning.records import build_case
from demo_data.load import fill_with_demo

NOW = datetime(2026, 5, 20, 7, tzinfo=UTC)


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    made = open_store(f"sqlite:///{tmp_path_factory.mktemp('case') / 'demo.sqlite3'}")
    fill_with_demo(made, NOW)
    return made


def test_open_tested_lots_are_in_and_survive_json(store):
    group = store.groups()[0]
    case = build_case(store, group.id, NOW.date()).case
    labels = {lot.label for lot in store.lots(group.id, open_only=True) if lot.use != "seed"}
    assert {lot.label for lot in case.lots} == labels
    assert case_from_json(case.to_json()).content_hash == case.content_hash


def test_a_crop_that_the_rooms_do_not_know_is_named_and_left_out(store):
    group = store.groups()[1]
    lot = next(item for item in store.lots(group.id, open_only=True) if item.use != "seed")
    before = build_case(store, group.id, NOW.date())
    keep_own_crop(store, group.id, replace(get_commodity("maize"), code="own_teff", name="teff", own=True), NOW)
    store.update_lot(replace(lot, commodity="own_teff"))
    after = build_case(store, group.id, NOW.date())
    assert lot.label not in {item.label for item in after.case.lots}
    assert len(after.case.lots) == len(before.case.lots) - 1
    assert any("own_teff" in str(note) for note in after.notes)


def test_nothing_to_plan_is_said(tmp_path):
    empty = open_store(f"sqlite:///{tmp_path / 'empty.sqlite3'}")
    group = empty.add_group(Group(name="New"))
    with pytest.raises(PlanError):
        build_case(empty, group, date(2026, 5, 20))
