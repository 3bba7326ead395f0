"""A sale recorded on its page is asked about once, counts against the lot, and can be cancelled."""

from __future__ import annotations

from tests.dashboard.pages import open_page


def field(app, name: str):
    """Return the widget of a field of the sale form."""
    key = f"sale.0.{name}"
    every = (*app.text_input, *app.selectbox, *app.date_input)
    return next(item for item in every if item.key == key or str(item.key).startswith(f"{key}."))


def test_a_sale_is_confirmed_once_and_cancelled(demo_store):
    group = demo_store.groups()[0]
    before = len(demo_store.sales(group.id))
    lot = demo_store.lots(group.id, open_only=True)[0]
    app = open_page("sales")
    assert not app.exception, app.exception
    field(app, "lot").set_value(lot.id).run()
    field(app, "bags").set_value("2").run()
    field(app, "price").set_value("650").run()
    field(app, "buyer").set_value("market").run()
    app.button(key="sale.continue").click().run()
    assert not app.exception
    app.button(key="sale.record").click().run()
    assert not app.exception
    sales = demo_store.sales(group.id)
    assert len(sales) == before + 1
    assert sales["bags"].iloc[-1] == 2
    app.selectbox(key="sale_cancel").set_value(int(sales["id"].iloc[-1])).run()
    app.button(key="sale_cancel_go").click().run()
    assert not app.exception
    assert len(demo_store.sales(group.id)) == before


def test_more_bags_than_the_lot_has_are_refused_in_plain_words(demo_store):
    group = demo_store.groups()[0]
    lot = demo_store.lots(group.id, open_only=True)[0]
    app = open_page("sales")
    field(app, "lot").set_value(lot.id).run()
    field(app, "bags").set_value("900").run()
    field(app, "price").set_value("650").run()
    field(app, "buyer").set_value("market").run()
    app.button(key="sale.continue").click().run()
    assert not app.exception
    assert any("bags left, not 900" in item.value for item in app.error)
