"""Deliveries, pay-out and statements on screen."""

from __future__ import annotations

import pytest

from tests.dashboard.pages import open_page


@pytest.mark.parametrize("name", ["deliveries", "payout", "statements"])
def test_opens_on_the_example(name, demo_store):
    app = open_page(name)
    assert not app.exception
    assert not app.error


@pytest.mark.parametrize("name", ["deliveries", "payout", "statements"])
def test_opens_on_an_empty_group(name, empty_store):
    app = open_page(name)
    assert not app.exception
    assert not app.error


def click(app, label):
    return next(button for button in app.button if button.label == label).click().run()


def named(app):
    return app.text_input(key="meter_name").set_value("Bakari").run()


def test_from_the_weighing_to_the_close(empty_store):
    """One delivery of 86.5 kg at 13.5 % sold at 600: 51,900, less 100 of truck, all of it due; then paid and closed."""
    from datetime import UTC, date, datetime

    from core.group.records import Member
    from core.group.selling import write_buyer

    group = empty_store.groups()[0]
    empty_store.add_member(Member(group_id=group.id, name="Adiru"))
    at = datetime(2026, 5, 19, tzinfo=UTC)
    write_buyer(empty_store, group.id, {"name": "Ridge Millers"}, date(2026, 5, 19), "Bakari", at)
    app = open_page("deliveries")
    app.number_input(key="delivery_gross").set_value(86.5)
    app.number_input(key="delivery_moisture").set_value(13.5)
    app = click(app, "Write it down")
    assert any("give your name first" in error.value for error in app.error)
    app = click(named(app), "Write it down")
    assert not app.exception
    assert any(code.value.startswith("Receipt") and len(code.value) <= 160 for code in app.code)
    assert app.number_input(key="delivery_gross").value == 0  # a second press writes nothing twice
    app.number_input(key="delivery_gross").set_value(80.0)
    app.number_input(key="delivery_moisture").set_value(19.0)
    app = click(app, "Write it down")
    assert any("dry it first" in error.value for error in app.error)
    assert len(empty_store.events(group.id, "pool")) == 1
    app = named(open_page("payout"))
    app.number_input(key="sale_loaded").set_value(5000.0)
    app.number_input(key="sale_ours").set_value(13.5)
    app.number_input(key="sale_price").set_value(600.0)
    app.number_input(key="sale_costs").set_value(100.0)
    app = click(app, "Write the load down")
    assert any("held" in error.value for error in app.error)
    app.number_input(key="sale_loaded").set_value(86.5)
    app.number_input(key="sale_theirs").set_value(14.5)
    app = click(app, "Write the load down")
    assert not app.exception
    assert [event.kind for event in empty_store.events(group.id, "pool")] == ["delivery", "sale"]
    assert empty_store.facts(group.id)["buyer_offset.Ridge Millers"].value > 0  # given back to the plan
    assert any("51,800" in info.value for info in app.info)
    app = click(app, "Everybody was paid today what is due")
    assert [event.kind for event in empty_store.events(group.id, "pool")][-1] == "payment"
    app.text_area(key="close_notes").set_value("1000 x 3\n500 x 1").run()
    app = click(app, "Close the season up to today")
    assert any("how the difference" in error.value for error in app.error)
    app.text_input(key="close_explanation").set_value("opening cash was not written down").run()
    app = click(app, "Close the season up to today")
    assert not app.exception
    assert empty_store.events(group.id, "pool")[-1].kind == "close"
    app = named(open_page("deliveries"))
    app.number_input(key="delivery_gross").set_value(20.0)
    app = click(app, "Write it down")
    assert any("closed" in error.value for error in app.error)
    app = open_page("statements")
    assert not app.exception
    assert any("due" in info.value for info in app.info)


def test_a_table_of_earlier_deliveries_comes_in_and_goes_back(empty_store):
    group = empty_store.groups()[0]
    app = named(open_page("deliveries"))
    table = b"Date;Nom;Poids net;Humidite\n03/04/2026;Adiru;93,4;12,8\n04/04/2026;Bakari;neuf;13\n"
    app.file_uploader[0].set_value(("carnet.csv", table, "text/csv")).run()
    assert not app.exception
    assert any("0 rows can come in" in info.value for info in app.info)
    app.checkbox(key="earlier_add_deliveries_0").check().run()
    assert any("1 rows can come in" in info.value for info in app.info)
    app.button(key="earlier_write_deliveries").click().run()
    assert not app.exception
    assert [member.name for member in empty_store.members(group.id)] == ["Adiru"]
    assert [event.kind for event in empty_store.events(group.id, "pool")] == ["import", "delivery"]
    app.text_input(key="earlier_reason").set_value("another group's book").run()
    app.button(key="earlier_undo").click().run()
    assert not app.exception
    assert len(empty_store.events(group.id, "pool")) == 4
