"""The drying page: it opens, answers, keeps choices, writes the diary, and says what is missing."""

from __future__ import annotations

from tests.dashboard.pages import open_page


def test_page_answers_in_one_sentence_with_picture_and_origin(demo_store):
    app = open_page("drying")
    assert not app.exception
    assert any("Dry in" in item.value or "Probably not dry" in item.value for item in app.info)
    spec = app.get("plotly_chart")[0].proto.spec
    assert "Moisture, %" in spec
    assert "Local date and hour" in spec
    words = " ".join(item.value for item in (*app.caption, *app.markdown))
    assert "assumed" in words
    assert "invented example" in words


def test_diary_is_kept_as_an_event_and_replaced_by_a_second_tap(demo_store):
    group = demo_store.groups()[0]
    app = open_page("drying")
    app.button(key="drying_diary_sun").click().run()
    app.button(key="drying_diary_rain").click().run()
    assert not app.exception
    from core.group.drying_records import diary

    standing = diary(demo_store.events(group.id, "diary"))
    assert [event.payload["seen"] for event in standing] == ["rain"]


def test_every_method_can_be_chosen_and_a_dryer_has_its_own_cautions(demo_store):
    app = open_page("drying")
    spaces = app.selectbox(key="drying_space").options
    for label in ("rack", "solar", "cobs", "mechanical"):
        name = next(name for name in spaces if label in name.lower()).removesuffix(" (not yours)")
        app.selectbox(key="drying_space").set_value(name).run()
        assert not app.exception, label
        assert app.info, label
    warnings = " ".join(item.value for item in app.warning)
    assert "carbon monoxide" in warnings
    words = " ".join(item.value for item in app.markdown)
    assert "Never leave the dryer alone" in words
    assert "middle" not in words


def test_a_group_without_lots_is_told_what_to_do(empty_store):
    app = open_page("drying")
    assert not app.exception
    assert any("No lot" in item.value for item in app.info)
