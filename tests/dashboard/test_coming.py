"""Harvests to come and promised grain on the plan page: written down, shown, planned, taken away, refused where
they cannot be.
"""

from __future__ import annotations

from datetime import timedelta

import pytest

from core.planning.wishes import read_wishes
from tests.dashboard.pages import open_page


@pytest.fixture
def plan_page(demo_store):
    app = open_page("plan")
    assert not app.exception, app.exception
    return app


def press(app, label):
    next(button for button in app.button if button.label == label).click().run()
    assert not app.exception, app.exception


def test_a_harvest_to_come_is_kept_planned_and_taken_away(plan_page, demo_store):
    group = demo_store.groups()[0]
    first = plan_page.date_input(key="coming_on").value - timedelta(days=46)
    plan_page.selectbox(key="coming_crop").set_value("maize")
    plan_page.date_input(key="coming_on").set_value(first)
    plan_page.number_input(key="coming_kg").set_value(900.0)
    plan_page.number_input(key="coming_moisture").set_value(23.0)
    plan_page.text_input(key="coming_label").set_value("upper field")
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
    plan_page.text_input(key="promise_buyer").set_value("district mill")
    plan_page.number_input(key="promise_kg").set_value(100.0)
    press(plan_page, "Add this promise")
    assert any("price" in item.value for item in plan_page.error)
    assert read_wishes(demo_store, group.id)["promises"] == []
    plan_page.text_input(key="promise_buyer").set_value("district mill")
    plan_page.number_input(key="promise_kg").set_value(100.0)
    plan_page.number_input(key="promise_price").set_value(400.0)
    plan_page.selectbox(key="promise_crop").set_value("maize")
    press(plan_page, "Add this promise")
    assert read_wishes(demo_store, group.id)["promises"][0]["buyer"] == "district mill"
