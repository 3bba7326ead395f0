"""The programme officer's pages on the example and on an empty group."""

from __future__ import annotations

import pytest

from core.programme.indicators import DEFINITIONS
from tests.dashboard.pages import open_page

PAGES = ["programme_overview", "programme_group", "programme_help"]


@pytest.mark.parametrize("name", PAGES)
def test_opens_on_the_example(name, demo_store):
    app = open_page(name)
    assert not app.exception
    assert not app.error
    assert app.info


@pytest.mark.parametrize("name", PAGES)
def test_opens_on_an_empty_group(name, empty_store):
    assert not open_page(name).exception


def test_every_indicator_can_be_shown(demo_store):
    app = open_page("programme_overview")
    for key in DEFINITIONS:
        app.selectbox(key="indicator_key").select(key).run()
        assert not app.exception, key


def test_days_to_dry_against_what_conditions_allowed(demo_store):
    app = open_page("programme_overview")
    app.toggle(key="show_expected").set_value(True).run()
    assert not app.exception
    assert not app.error
