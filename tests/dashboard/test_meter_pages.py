"""The treasurer's pages of the shared meter."""

from __future__ import annotations

import pytest

from tests.dashboard.pages import open_page

PAGES = ("meter_shares", "meter_account", "meter_log", "meter_worth")


def group_shown(store):
    """Return the group that the pages show first."""
    return store.groups()[0]


@pytest.mark.parametrize("name", PAGES)
def test_page_opens_with_no_members(empty_store, name: str) -> None:
    app = open_page(name)
    assert not app.exception
    assert app.title


def opened(store, name: str):
    """Return the page after the book was opened with all members."""
    app = open_page(name)
    assert not app.exception
    if any(button.key == "meter_open" for button in app.button):
        app.button(key="meter_open").click().run()
        assert not app.exception
    return app


def test_shares_are_shown_and_charged(demo_store) -> None:
    app = opened(demo_store, "meter_shares")
    assert app.get("plotly_chart")
    assert app.info
    group = group_shown(demo_store)
    before = len(demo_store.events(group.id, "meter"))
    app.number_input(key="shares_amount").set_value(90.0).run()
    next(button for button in app.button if button.label == "Charge the members").click().run()
    assert not app.exception
    events = demo_store.events(group.id, "meter")
    assert len(events) == before + 1
    from decimal import Decimal

    assert sum(Decimal(share) for share in events[-1].payload["shares"].values()) == 90
