"""Deliveries, pay-out and statements on screen."""

from __future__ import annotations

import pytest

from tests.dashboard.pages import open_page


@pytest.mark.parametrize("name", ["deliveries", "payout", "statements"])
def test_opens_on_the_example_and_on_an_empty_group(name, demo_store):
    assert not open_page(name).exception


@pytest.mark.parametrize("name", ["deliveries", "payout", "statements"])
def test_opens_on_an_empty_group(name, empty_store):
    assert not open_page(name).exception


def click(app, label):
    return next(button for button in app.button if button.label == label).click().run()


def test_from_the_weighing_to_the_statement(empty_store):
    from core.group.records import Member

    group = empty_store.groups()[0]
    empty_store.add_member(Member(group_id=group.id, name="Adiru"))
    app = open_page("deliveries")
    app.number_input(key="delivery_moisture").set_value(13.0)
    app = click(app, "Write it down")
    assert not app.exception
    assert any("Receipt" in code.value for code in app.code)
    app.number_input(key="delivery_moisture").set_value(19.0)
    app = click(app, "Write it down")
    assert any("dry it first" in error.value for error in app.error)
    assert len(empty_store.events(group.id, "pool")) == 1
    app = open_page("payout")
    app.number_input(key="sale_loaded").set_value(50.0)
    app.number_input(key="sale_price").set_value(600.0)
    app = click(app, "Write the load down")
    assert not app.exception
    assert [event.kind for event in empty_store.events(group.id, "pool")] == ["delivery", "sale"]
    app.number_input(key="sale_loaded").set_value(5000.0)
    app = click(app, "Write the load down")
    assert any("held" in error.value for error in app.error)
    app = open_page("statements")
    assert not app.exception
    assert any("30,000" in info.value for info in app.info)
