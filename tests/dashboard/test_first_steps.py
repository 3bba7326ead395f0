"""From nothing to a first plan in at most fifteen fields."""

from __future__ import annotations

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


def test_what_is_missing_is_said_beside_its_field(demo_store):
    before = len(demo_store.groups())
    app = open_page("first_steps")
    app.button(key="first_entry.continue").click().run()
    assert not app.exception
    assert len(demo_store.groups()) == before
    assert not any(part.key == "first_entry.record" for part in app.button)
