"""The settings page: group, name, assumed values."""

from __future__ import annotations

from tests.dashboard.pages import open_page


def test_opens_on_the_example_and_says_that_it_is_invented(demo_store):
    app = open_page("settings")
    assert not app.exception
    assert any("invented" in caption.value for caption in app.caption)


def test_a_value_of_ones_own_is_kept_with_name_and_origin(demo_store):
    app = open_page("settings")
    app.text_input(key="who_entry").set_value("Adiru").run()
    key = app.selectbox(key="fact_key").value
    before = demo_store.fact(demo_store.groups()[0].id, key)
    assert before.origin == "assumed"
    app.text_input(key=f"fact_value_{key}").set_value("7")
    next(button for button in app.button if button.label == "Save this value").click().run()
    after = demo_store.fact(demo_store.groups()[0].id, key)
    assert (after.origin, after.set_by) == ("entered", "Adiru")


def test_a_word_where_a_number_is_wanted_gets_a_plain_sentence(demo_store):
    app = open_page("settings")
    key = next(
        name for name, fact in demo_store.facts(demo_store.groups()[0].id).items() if isinstance(fact.value, float)
    )
    app.selectbox(key="fact_key").select(key).run()
    app.text_input(key=f"fact_value_{key}").set_value("many")
    next(button for button in app.button if button.label == "Save this value").click().run()
    assert any("not a number" in error.value for error in app.error)
    assert demo_store.fact(demo_store.groups()[0].id, key).origin == "assumed"


def test_a_group_without_anything_opens(empty_store):
    assert not open_page("settings").exception
