"""The page with the drying floor's schedule."""

from __future__ import annotations

import json

import pytest

from core.group.possessions import keep_spaces, space_from
from tests.dashboard.conftest import NOW
from tests.dashboard.pages import open_page


def test_a_schedule_is_shown_with_its_bound(demo_store):
    app = open_page("floor")
    assert not app.exception
    assert not app.error
    assert any("bags" in box.value for box in app.info)
    figure = json.loads(app.get("plotly_chart")[0].proto.spec)
    assert figure["layout"]["title"]["text"] == "drying space"
    assert len(app.dataframe[0].value) > 0
    assert any("can cost less" in caption.value for caption in app.caption)


def test_no_lot_chosen_is_no_error(demo_store):
    app = open_page("floor")
    group = demo_store.groups()[0]
    app.multiselect(key=f"floor_lots_{group.id}").set_value([]).run()
    assert not app.exception
    assert any("at least one lot" in box.value for box in app.info)


def test_a_group_without_lots_is_told_what_to_do(empty_store):
    app = open_page("floor")
    assert not app.exception
    assert any("Lots and readings" in box.value for box in app.info)


def test_own_spaces_are_used(demo_store):
    group = demo_store.groups()[0]
    keep_spaces(
        demo_store,
        group.id,
        [space_from({"name": "Church yard", "method": "tarpaulin", "area_m2": 80.0}, 1.0)],
        "Ada",
        NOW,
    )
    app = open_page("floor")
    assert not app.exception
    assert set(app.dataframe[0].value["Drying space"]) == {"Church yard"}


@pytest.mark.slow
def test_one_more_space_is_priced(demo_store):
    app = open_page("floor")
    app.button(key="floor_worth").click().run()
    assert not app.exception
    assert any("would save" in box.value for box in app.success)
