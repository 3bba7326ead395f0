"""Our things: one place to enter each; wrong values get a sentence beside the field; no stale edit is kept."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from core.errors import InputError
from core.group.facts import PERCENT, check_value, facts_for_entry
from core.group.possessions import possessions
from core.group.records import Member
from dashboard.sections.assumed_values import _as_kept, facts_table, field_of
from tests.dashboard import forms
from tests.dashboard.pages import open_alone

SECTIONS = (
    "group_place",
    "members",
    "drying_spaces",
    "grain_stores",
    "truck_meter",
    "assumed_values",
    "own_crop",
    "backups",
)


def group_of(store):
    return store.groups()[0]


def complaints(app):
    """Return what is said beside the fields and above the form."""
    return [line.value for line in app.markdown if ":material/error:" in line.value] + [one.value for one in app.error]


def press(app, key):
    return app.button(key=key).click().run()


@pytest.mark.parametrize("section", SECTIONS)
def test_every_section_opens_for_a_group_without_anything(empty_store, section):
    app = open_alone(section)
    assert not app.exception
    assert not complaints(app)


def test_a_members_table_shows_numbers_and_two_of_one_name_are_told_apart(empty_store):
    group = group_of(empty_store)
    first, second = (empty_store.add_member(Member(group_id=group.id, name="Zoe")) for _ in range(2))
    app = open_alone("members")
    assert set(app.dataframe[0].value["No."]) == {first, second}
    options = app.selectbox(key="members.0.row").options
    assert options[1:] == [f"Zoe, member {first}", f"Zoe, member {second}"]
    app.selectbox(key="members.0.row").set_value(second).run()
    app.text_input(key=f"member_{second}.0.phone").set_value("0700").run()
    press(app, f"member_{second}.save")
    assert not app.exception
    assert [empty_store.member(number).phone for number in (first, second)] == ["", "0700"]


def test_members_come_in_from_a_table_and_likely_doubles_are_asked_about(empty_store):
    group = group_of(empty_store)
    empty_store.add_member(Member(group_id=group.id, name="Zoe"))
    table = b"Name;Sex;Born\nZoe;F;1990\nKofi;M;1980\n7;M;1980\nEsi;F;1890\n"
    app = open_alone("members")
    app.toggle(key="members_import_open").set_value(True).run()
    app.file_uploader[0].upload("people.csv", table, "text/csv").run()
    assert not app.exception
    assert "1 new member. 1 may be here already. 2 rows cannot be imported." in [one.value for one in app.info]
    assert [int(row) for row in app.table[0].value.index] == [4, 5]
    press(app, "members_import.continue")
    assert any("fill this in" in words for words in complaints(app))
    assert len(empty_store.members(group.id)) == 1
    forms.fill(app, "members_import", doubles="some")
    forms.fill(app, "members_import", others=[2])
    forms.press(app, "members_import", "continue")
    assert forms.summary(app, "members_import") == "**Add 2 members.**"
    assert len(empty_store.members(group.id)) == 1
    forms.press(app, "members_import", "record")
    assert [one.name for one in empty_store.members(group.id)] == ["Kofi", "Zoe", "Zoe"]
    assert any("2 members were added." in one.value for one in app.success)
    press(app, f"members_import_undo_{empty_store.imports(group.id)[0].id}")
    assert [one.name for one in empty_store.members(group.id)] == ["Zoe"]
    assert any("The import of people.csv is cancelled." in one.value for one in app.success)


def test_members_are_added_by_form_and_a_missing_name_is_said(empty_store):
    group = group_of(empty_store)
    app = open_alone("members")
    press(app, "member_new.save")
    assert any("fill this in" in words for words in complaints(app))
    app.text_input(key="member_new.0.name").set_value("Neema  Odo").run()
    app.selectbox(key="member_new.0.sex").set_value("female").run()
    press(app, "member_new.save")
    assert not app.exception
    assert [(one.name, one.sex) for one in empty_store.members(group.id)] == [("Neema Odo", "female")]
    assert app.text_input(key="member_new.1.name").value == ""  # nothing survives into the next entry


def test_what_somebody_else_saved_meanwhile_is_shown_and_not_overwritten(empty_store):
    group = group_of(empty_store)
    number = empty_store.add_member(Member(group_id=group.id, name="Zoe"))
    app = open_alone("members")
    app.selectbox(key="members.0.row").set_value(number).run()
    app.text_input(key=f"member_{number}.0.phone").set_value("1").run()
    empty_store.update_member(replace(empty_store.member(number), name="Zoé"))
    press(app, f"member_{number}.save")
    assert any("Nothing was overwritten" in error.value for error in app.error)
    assert (empty_store.member(number).name, empty_store.member(number).phone) == ("Zoé", "")
    both = app.dataframe[-1].value
    assert {"name", "phone"} == set(both["What"])
    press(app, f"member_{number}.reopen")
    app.text_input(key=f"member_{number}.1.phone").set_value("1").run()
    press(app, f"member_{number}.save")
    assert (empty_store.member(number).name, empty_store.member(number).phone) == ("Zoé", "1")


@pytest.mark.parametrize(
    ("typed", "said"), [("36,000", "two ways"), ("-5", "at least"), ("many", "not a number"), ("", "fill this in")]
)
def test_a_wrong_value_gets_a_sentence_and_changes_nothing(empty_store, typed, said):
    group = group_of(empty_store)
    app = open_alone("truck_meter")
    form = f"fact_{group.id}_truck.capacity_kg"
    app.text_input(key=f"{form}.0.value").set_value(typed).run()
    press(app, f"{form}.save")
    assert not app.exception
    assert any(said in words for words in complaints(app))
    assert empty_store.fact(group.id, "truck.capacity_kg").origin == "assumed"


def test_a_value_of_ones_own_is_kept_with_who_entered_it_and_can_go_back(empty_store):
    group = group_of(empty_store)
    app = open_alone("group_place")
    app.text_input(key="who_entry").set_value("Adiru").run()
    app = open_alone("truck_meter")
    form = f"fact_{group.id}_truck.capacity_kg"
    app.session_state["who"] = "Adiru"
    app.text_input(key=f"{form}.0.value").set_value("3000").run()
    press(app, f"{form}.save")
    fact = empty_store.fact(group.id, "truck.capacity_kg")
    assert (fact.value, fact.origin, fact.set_by) == (3000, "entered", "Adiru")
    press(app, f"{form}.back")
    assert empty_store.fact(group.id, "truck.capacity_kg").origin == "assumed"


def test_a_drying_space_is_added_and_every_page_reads_it(empty_store):
    group = group_of(empty_store)
    app = open_alone("drying_spaces")
    app.text_input(key="space_new.0.name").set_value("Church yard").run()
    app.selectbox(key="space_new.0.method").set_value("concrete_floor").run()
    app.text_input(key="space_new.0.area_m2.concrete_floor").set_value("80").run()
    press(app, "space_new.save")
    assert not app.exception
    assert not complaints(app)
    has = possessions(empty_store, group.id)
    assert [(one.name, one.method, one.area_m2) for one in has.spaces] == [("Church yard", "concrete_floor", 80.0)]
    assert has.spaces[0].load_kg_m2 == 15.0  # the method's own


def test_a_store_is_changed_in_its_place(empty_store):
    group = group_of(empty_store)
    app = open_alone("grain_stores")
    names = [one.name for one in possessions(empty_store, group.id).stores]
    app.selectbox(key="stores.0.row").set_value(names[2]).run()
    app.text_input(key=f"store_{names[2]}.0.units.hermetic_bag").set_value("35").run()
    press(app, f"store_{names[2]}.save")
    assert not app.exception
    assert [one.units for one in possessions(empty_store, group.id).stores] == [1000, 1000, 35]


def test_the_groups_place_is_changed(empty_store):
    group = group_of(empty_store)
    app = open_alone("group_place")
    app.text_input(key=f"group_{group.id}.0.latitude").set_value("95").run()
    press(app, f"group_{group.id}.save")
    assert any("at most 66" in words for words in complaints(app))
    app.text_input(key=f"group_{group.id}.0.latitude").set_value("-9.25").run()
    press(app, f"group_{group.id}.save")
    assert empty_store.group(group.id).latitude == -9.25
    assert empty_store.changes(group.id)[0].changed["latitude"] == [9.1, -9.25]


def test_a_backup_is_made_and_brought_back(empty_store):
    group = group_of(empty_store)
    app = open_alone("backups")
    press(app, "backup_now")
    empty_store.add_member(Member(group_id=group.id, name="Zoe"))
    app = open_alone("backups")
    assert any("Members: 1 more now" in line.value for line in app.markdown)
    sure = next(box for box in app.checkbox if box.key.startswith("backup_sure_"))
    sure.check().run()
    empty_store.engine.dispose()
    press(app, "backup_restore")
    assert not app.exception
    assert empty_store.members(group.id) == []


def test_units_are_those_of_people(demo_store):
    """Money names its currency, and what is kept as a fraction is read and entered as a percentage."""
    group = demo_store.groups()[0]
    facts = facts_for_entry(demo_store.facts(group.id), group.currency)
    table = pd.DataFrame(facts_table(facts, group.currency)).set_index("What")
    assert not table["Unit"].str.contains("fraction").any()
    assert set(PERCENT) >= {fact.unit for fact in facts.values() if "fraction" in fact.unit}
    assert table.loc["Hire of the truck, apart from distance", "Unit"] == f"{group.currency} per trip"
    fee = facts["plan.market_fee"]
    field = field_of(fee, group.currency)
    assert (field.value, field.unit) == (100 * fee.value, "% of the price")
    assert _as_kept(field.value, fee) == fee.value
    with pytest.raises(InputError, match="at most 100"):
        check_value("plan.market_fee", 1.5)
