"""From nothing to a first plan in at most fifteen fields."""

from __future__ import annotations

import sqlalchemy as sa

from core.group import tables
from tests.dashboard.pages import open_page


def widgets(app):
    return {
        str(widget.key).split(".")[2]: widget
        for kind in (app.text_input, app.selectbox, app.number_input, app.date_input)
        for widget in kind
        if str(widget.key).startswith("first_entry.")
    }


def test_a_group_of_ones_own_beside_the_example(demo_store):
    before = len(demo_store.groups())
    app = open_page("first_steps")
    assert not app.exception
    widgets(app)["country"].select("TG").run()
    widgets(app)["town"].select("Sokodé").run()
    for name, value in {"name": "Nova", "bags": "40", "price": "210"}.items():
        widgets(app)[name].set_value(value)
    app.run()
    assert len(widgets(app)) <= 15
    app.button(key="first_entry.continue").click().run()
    assert any("The group Nova begins with 40 bags of maize, 100 kg each" in part.value for part in app.markdown)
    app.button(key="first_entry.record").click().run()
    assert not app.exception
    assert not app.error
    groups = demo_store.groups()
    assert len(groups) == before + 1
    group = next(one for one in groups if one.name == "Nova")
    assert (group.currency, group.time_zone, group.district) == ("XOF", "Africa/Lome", "Sokodé")
    assert abs(group.altitude_m - 340) < 300  # 340 m in atlases; the first value is a guess from towns of the region
    assert any("What to enter next for Nova" in part.value for part in app.subheader)
    first = next(link.proto for link in app.main.get("page_link") if link.proto.label.startswith("Test 1 lot"))
    assert "section=lots_entry" in first.query_string  # nobody has tested: without it there is no plan
    assert app.main.get("page_link")[0].proto == first
    assert demo_store.lots(group.id)[0].label == "maize 1"
    today = next(link.proto for link in app.sidebar.get("page_link") if link.proto.label == "Today")
    assert "section=today" in today.query_string  # not back to the first steps


def test_without_any_group_today_shows_the_first_steps(empty_store):
    with empty_store.engine.begin() as connection:
        connection.execute(sa.delete(tables.groups))
    app = open_page("today")
    assert not app.exception
    assert "name" in widgets(app)


def test_what_is_missing_is_said_beside_its_field(demo_store):
    before = len(demo_store.groups())
    app = open_page("first_steps")
    app.button(key="first_entry.continue").click().run()
    assert not app.exception
    assert len(demo_store.groups()) == before
    assert not any(part.key == "first_entry.record" for part in app.button)
