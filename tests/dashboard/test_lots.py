"""The pages of lots and members."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta

import pytest

from core.errors import InputError
from core.group.lot_actions import actions_of_lot
from core.group.records import Lot, Member
from core.group.store import Store
from core.group.treatment import free_from
from dashboard.forms.lot_form import pool_shares
from tests.dashboard.conftest import NOW
from tests.dashboard.forms import field
from tests.dashboard.pages import open_page


def test_the_demo_lots_are_shown_with_verdict_and_picture(demo_store: Store) -> None:
    app = open_page("lots")
    assert not app.exception
    assert not app.error
    assert app.info
    assert app.get("plotly_chart")
    verdicts = list(app.dataframe[0].value["Verdict"])
    assert verdicts == sorted(verdicts, key=("too wet", "not tested", "cannot tell", "dry enough").index)
    drawn = json.loads(app.get("plotly_chart")[0].proto.spec)["layout"]["yaxis"]["categoryarray"]
    assert drawn == list(app.dataframe[0].value["Lot"])  # the picture and the table have one order


def test_an_empty_group_is_told_what_to_do(empty_store: Store) -> None:
    app = open_page("lots")
    assert not app.exception
    assert "no lot" in app.info[0].value


def test_a_lot_a_test_and_a_check_by_form(empty_store: Store) -> None:
    group_id = empty_store.groups()[0].id
    app = open_page("lots_entry")
    app.text_input(key="lot_new.0.label").set_value("Heap 1")
    app.text_input(key="lot_new.0.bags").set_value("4").run()
    app.button(key="lot_new.save").click().run()
    assert not app.exception
    assert [lot.label for lot in empty_store.lots(group_id)] == ["Heap 1"]
    app.button(key="test.save").click().run()
    assert any("at least one" in error.value for error in app.error)
    app.text_input(key="test.0.bag").set_value("1")
    app.text_input(key="test.0.temperature").set_value("26,5")
    app.text_input(key="test.0.humidity").set_value("6 2 %")
    app.button(key="test.save").click().run()
    assert any(":material/error:" in line.value for line in app.markdown)  # said beside the field, nothing is saved
    assert empty_store.readings(group_id).empty
    app.text_input(key="test.0.humidity").set_value("62")
    app.button(key="test.save").click().run()
    assert not app.exception
    assert list(empty_store.readings(group_id)["temperature_c"]) == [26.5]
    assert app.text_input(key="test.1.temperature").value == ""  # nothing survives into the next test
    app.button(key="test_undo").click().run()
    assert empty_store.readings(group_id).empty
    assert all(button.key != "test_undo" for button in app.button)
    app.selectbox(key="check_method").set_value("salt").run()
    app.text_input(key="check_salt.0.shown").set_value("77; 77,5; 76,8")
    app.button(key="check_salt.save").click().run()
    assert not app.exception
    assert empty_store.events(group_id, "diary")[0].payload["shown"] == [77.0, 77.5, 76.8]


def test_limits_are_saved_once_and_not_over_another_tab(empty_store: Store) -> None:
    group_id = empty_store.groups()[0].id
    empty_store.add_lot(Lot(group_id=group_id, label="Heap 1", commodity="maize", bags=3))
    tabs = [open_page("lots_entry") for _tab in range(2)]
    for months, app in zip(("9", "4"), tabs, strict=True):
        app.text_input(key="limits.0.keeping_months").set_value(months)
        app.button(key="limits.save").click().run()
        assert not app.exception
    assert empty_store.fact(group_id, "keeping_months").value == 9
    assert any("Nothing was overwritten" in error.value for error in tabs[1].error)
    app = open_page("lots_entry")
    app.text_input(key="limits.0.contract").set_value("36,000")
    app.button(key="limits.save").click().run()
    assert any("two ways" in line.value for line in app.markdown)
    app.text_input(key="limits.0.contract").set_value("13.5")
    app.button(key="limits.save").click().run()
    assert empty_store.fact(group_id, "buyer_limit.maize").value == 13.5


def test_a_test_sent_from_two_tabs_is_one(empty_store: Store) -> None:
    group_id = empty_store.groups()[0].id
    empty_store.add_lot(Lot(group_id=group_id, label="Heap 1", commodity="maize", bags=3))
    for app in [open_page("lots_entry") for _tab in range(2)]:
        app.text_input(key="test.0.moisture").set_value("13.5")
        app.button(key="test.save").click().run()
        assert not app.exception
    assert len(empty_store.readings(group_id)) == 1


def test_work_is_typed_with_a_decimal_comma_and_two_tabs_record_it_once(empty_store: Store) -> None:
    group = empty_store.groups()[0]
    number = empty_store.add_lot(Lot(group_id=group.id, label="A", commodity="maize", bags=4, form="threshed"))
    form = f"work_{number}_cleaning"
    for app in [open_page("lots_entry") for _tab in range(2)]:
        for name, typed in {"before": "360", "after": "351,5", "broken": "2,5"}.items():
            field(app, form, name).set_value(typed)
        app.button(key=f"{form}.save").click().run()
        assert not app.exception
    (action,) = actions_of_lot(empty_store.events(group.id, "lot_actions"), number)
    assert (action.mass_out_kg, action.faults_after) == (351.5, {"broken": 2.5})


def test_own_limit_and_local_measure_by_form(empty_store: Store) -> None:
    group_id = empty_store.groups()[0].id
    empty_store.add_lot(Lot(group_id=group_id, label="Heap 1", commodity="maize", bags=3))
    app = open_page("lots_entry")
    app.text_input(key="own_limit.0.value").set_value("13")
    app.button(key="own_limit.save").click().run()
    assert empty_store.documents.read("limits", str(group_id))["rows"][0]["moisture_pct"] == 13.0
    app.button(key="measure.save").click().run()
    assert sum("fill this in" in line.value for line in app.markdown) == 2
    app.text_input(key="measure.0.name").set_value("big tin")
    app.text_input(key="measure.0.mass").set_value("16,4")
    app.button(key="measure.save").click().run()
    assert empty_store.events(group_id, "diary")[0].payload["mass_kg"] == 16.4


def test_a_wrong_input_gets_a_sentence(empty_store: Store) -> None:
    app = open_page("lots_entry")
    app.text_input(key="lot_new.0.bags").set_value("36,000").run()
    app.button(key="lot_new.save").click().run()
    assert not app.exception
    said = [line.value for line in app.markdown if ":material/error:" in line.value]
    assert any("fill this in" in words for words in said)
    assert any("two ways" in words for words in said)
    assert not empty_store.lots(empty_store.groups()[0].id)


def test_a_lot_that_somebody_else_changed_is_not_overwritten(empty_store: Store) -> None:
    number = empty_store.add_lot(Lot(group_id=empty_store.groups()[0].id, label="Heap 1", commodity="maize", bags=3))
    app = open_page("lots_entry")
    app.selectbox(key="lot.0.row").set_value(number).run()
    app.text_input(key=f"lot_{number}.0.bags").set_value("5").run()
    empty_store.update_lot(replace(empty_store.lot(number), note="moved"))
    app.button(key=f"lot_{number}.save").click().run()
    assert any("Nothing was overwritten" in error.value for error in app.error)
    assert (empty_store.lot(number).bags, empty_store.lot(number).note) == (3, "moved")


def test_shares_of_a_pool_are_read_by_name_or_number() -> None:
    """40 and 60 of 100; two of one name can only be told apart by their numbers."""
    names = enumerate(("Asha", "Odo", "Zoe", "Zoe"), start=1)
    asha, odo, zoe, other = (Member(id=number, group_id=1, name=name) for number, name in names)
    assert pool_shares("Asha 40, odo 60 %", [asha, odo]) == ((1, 0.4), (2, 0.6))
    assert pool_shares("3 1; 4 1", [zoe, other]) == ((3, 0.5), (4, 0.5))
    for wrong in ("Zoe 40", "Asha 40, nobody 60", "Asha much"):
        with pytest.raises(InputError):
            pool_shares(wrong, [asha, zoe, other])


def test_tests_typed_into_the_table_are_kept_as_draft_and_stored(empty_store: Store) -> None:
    group_id = empty_store.groups()[0].id
    lot_id = empty_store.add_lot(Lot(group_id=group_id, label="Heap 1", commodity="maize", bags=3))
    app = open_page("lots_entry")
    app.session_state[f"many_{lot_id}_0"] = {
        "edited_rows": {},
        "added_rows": [{"bag": "1", "meter_moisture_pct": 13.4}, {"bag": "2", "meter_moisture_pct": 14.1}],
        "deleted_rows": [],
    }
    app.run()
    assert not app.exception
    assert empty_store.documents.keys("tests_draft")
    fresh = open_page("lots_entry")
    fresh.button(key="many_store").click().run()
    assert not fresh.exception
    assert list(empty_store.readings(group_id)["meter_moisture_pct"]) == [13.4, 14.1]
    assert not empty_store.documents.keys("tests_draft")


def test_demo_members_are_listed(demo_store: Store) -> None:
    app = open_page("members")
    assert not app.exception
    assert app.dataframe


def test_a_lot_is_told_to_lie_under_a_protectant_and_since_when(empty_store: Store) -> None:
    """Without the store and its day nobody could say that grain still waits its days."""
    app = open_page("lots_entry")
    app.text_input(key="lot_new.0.label").set_value("Dusted")
    app.text_input(key="lot_new.0.bags").set_value("4")
    app.selectbox(key="lot_new.0.storage_method").select("woven_bag_protectant")
    app.date_input(key="lot_new.0.stored_on").set_value(NOW.date()).run()
    app.button(key="lot_new.save").click().run()
    assert not app.exception
    lot = next(one for one in empty_store.lots(empty_store.groups()[0].id) if one.label == "Dusted")
    assert free_from(lot, NOW.date(), 21) == NOW.date() + timedelta(days=21)
