"""The pages of lots and members."""

from __future__ import annotations

from core.group.store import Store
from tests.dashboard.pages import open_page


def test_the_demo_lots_are_shown_with_verdict_and_picture(demo_store: Store) -> None:
    app = open_page("lots")
    assert not app.exception
    assert not app.error
    assert app.info
    assert app.get("plotly_chart")


def test_an_empty_group_is_told_what_to_do(empty_store: Store) -> None:
    app = open_page("lots")
    assert not app.exception
    assert "no lot" in app.info[0].value


def test_a_lot_a_test_and_a_check_by_form(empty_store: Store) -> None:
    group_id = empty_store.groups()[0].id
    app = open_page("lots")
    app.text_input(key="lot_label_0").set_value("Heap 1")
    app.number_input(key="lot_bags_0").set_value(4)
    next(button for button in app.button if button.label == "Store the lot").click().run()
    assert not app.exception
    assert [lot.label for lot in empty_store.lots(group_id)] == ["Heap 1"]
    app.text_input(key="test_bag").set_value("1")
    app.number_input(key="test_temperature").set_value(26.0)
    app.number_input(key="test_humidity").set_value(62.0)
    next(button for button in app.button if button.label == "Store this test").click().run()
    assert not app.exception
    assert len(empty_store.readings(group_id)) == 1
    app.selectbox(key="check_method").set_value("salt").run()
    app.text_input(key="check_shown_salt").set_value("77; 77,5; 76,8")
    next(button for button in app.button if button.label == "Store this check").click().run()
    assert not app.exception
    assert empty_store.events(group_id, "diary")[0].payload["shown"] == [77.0, 77.5, 76.8]


def test_a_wrong_input_gets_a_sentence(empty_store: Store) -> None:
    app = open_page("lots")
    next(button for button in app.button if button.label == "Store the lot").click().run()
    assert not app.exception
    assert "label" in app.error[0].value


def test_tests_typed_into_the_table_are_kept_as_draft_and_stored(empty_store: Store) -> None:
    from core.group.records import Lot

    group_id = empty_store.groups()[0].id
    lot_id = empty_store.add_lot(Lot(group_id=group_id, label="Heap 1", commodity="maize", bags=3))
    app = open_page("lots")
    app.session_state[f"many_{lot_id}_0"] = {
        "edited_rows": {},
        "added_rows": [{"bag": "1", "meter_moisture_pct": 13.4}, {"bag": "2", "meter_moisture_pct": 14.1}],
        "deleted_rows": [],
    }
    app.run()
    assert not app.exception
    assert empty_store.documents.keys("tests_draft")
    fresh = open_page("lots")
    fresh.button(key="many_store").click().run()
    assert not fresh.exception
    assert list(empty_store.readings(group_id)["meter_moisture_pct"]) == [13.4, 14.1]
    assert not empty_store.documents.keys("tests_draft")


def test_demo_members_are_listed(demo_store: Store) -> None:
    app = open_page("members")
    assert not app.exception
    assert app.dataframe
