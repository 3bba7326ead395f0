"""The page that shows where the numbers come from."""

from __future__ import annotations

from tests.dashboard.pages import open_page


def test_all_tables_are_shown_and_searchable(demo_store):
    app = open_page("sources")
    assert not app.exception
    everything = app.dataframe[0].value
    assert {"grain/commodities", "storage/keeping"} <= set(everything["table"])
    units = set(everything["unit"])
    assert "share of dry matter" in units
    assert not [unit for unit in units if "fraction" in unit]
    app.text_input(key="sources_search").set_value("cowpea cromarty").run()
    assert not app.exception
    found = app.dataframe[0].value
    assert 0 < len(found) < len(everything)


def test_a_search_that_finds_nothing_is_no_error(demo_store):
    app = open_page("sources")
    app.text_input(key="sources_search").set_value("(zz*[").run()
    assert not app.exception
    assert len(app.dataframe[0].value) == 0


def test_every_outside_check_is_shown_with_its_source(demo_store):
    app = open_page("validation")
    assert not app.exception
    assert "outside checks hold" in app.info[0].value
    shown = app.dataframe[0].value
    assert len(shown) >= 200
    assert shown["Source"].str.len().min() > 5
