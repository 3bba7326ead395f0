"""Harvests to come and promised grain on the plan page: written down, shown, planned, taken away, refused where
they cannot be.
"""

from __future__ import annotations

from datetime import timedelta

import pytest

from core.planning.wishes import read_wishes
from tests.dashboard.forms import faults, field
from tests.dashboard.pages import open_page


@pytest.fixture
def plan_page(demo_store, few_seasons):
    app = open_page("plan")
    assert not app.exception, app.exception
    return app


def press(app, label):
    next(button for button in app.button if button.label == label).click().run()
    assert not app.exception, app.exception


def test_a_harvest_to_come_is_kept_planned_and_taken_away(plan_page, demo_store):
    group = demo_store.groups()[0]
    first = field(plan_page, "harvest", "on").value - timedelta(days=46)
    field(plan_page, "harvest", "commodity").set_value("maize")
    field(plan_page, "harvest", "on").set_value(first)
    field(plan_page, "harvest", "kg").set_value("900")
    field(plan_page, "harvest", "moisture_pct").set_value("23,0")
    field(plan_page, "harvest", "label").set_value("upper field")
    press(plan_page, "Add this harvest")
    rows = read_wishes(demo_store, group.id)["harvests"]
    assert [(row["label"], row["kg"], row["moisture_pct"]) for row in rows] == [("upper field", 900.0, 23.0)]
    tables = [frame.value for frame in plan_page.dataframe]
    lines = next(frame for frame in tables if "Sell in the week of" in frame.columns)
    assert "Harvest in the week of" in lines.columns
    assert "upper field" in set(lines["Lot"])
    plan_page.selectbox(key="drop_harvests").set_value(0).run()
    press(plan_page, "Cancel entry")
    assert read_wishes(demo_store, group.id)["harvests"] == []


def test_a_promise_without_a_price_is_refused_kindly(plan_page, demo_store):
    group = demo_store.groups()[0]
    field(plan_page, "promise", "buyer").set_value("district mill")
    field(plan_page, "promise", "kg").set_value("100")
    press(plan_page, "Add this promise")
    assert any("rice of 1 kg" in words for words in faults(plan_page))
    assert read_wishes(demo_store, group.id)["promises"] == []
    field(plan_page, "promise", "buyer").set_value("district mill")
    field(plan_page, "promise", "kg").set_value("100")
    field(plan_page, "promise", "price_per_kg").set_value("400")
    field(plan_page, "promise", "commodity").set_value("maize")
    press(plan_page, "Add this promise")
    assert read_wishes(demo_store, group.id)["promises"][0]["buyer"] == "district mill"
