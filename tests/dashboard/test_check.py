"""The page that checks one lot."""

from __future__ import annotations

import json

from tests.dashboard.pages import open_page


def test_three_entries_give_a_decision(demo_store):
    app = open_page("check")
    assert not app.exception
    app.selectbox(key="check_crop").select("maize")
    app.number_input(key="check_temperature").set_value(28.0)
    app.number_input(key="check_humidity").set_value(82.0)
    app.run()
    assert not app.exception
    assert any("Too wet" in box.value for box in app.info)
    assert any("kg of water out of every 100 kg" in text.value for text in app.markdown)
    figure = json.loads(app.get("plotly_chart")[0].proto.spec)
    assert "%" in figure["layout"]["title"]["text"]


def test_dry_grain_is_said_to_keep(demo_store):
    app = open_page("check")
    app.selectbox(key="check_crop").select("cowpea")
    app.number_input(key="check_temperature").set_value(27.0)
    app.number_input(key="check_humidity").set_value(55.0)
    app.run()
    assert any("Dry enough" in box.value for box in app.info)


def test_an_impossible_humidity_gets_a_sentence(demo_store):
    app = open_page("check")
    app.number_input(key="check_temperature").set_value(27.0)
    app.number_input(key="check_humidity").set_value(155.0)
    app.run()
    assert not app.exception
    assert any("0-100" in error.value for error in app.error)
