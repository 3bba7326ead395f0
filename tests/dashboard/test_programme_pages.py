"""The programme officer's pages on the example, on many invented groups and on an empty group."""

from __future__ import annotations

import io
import json
import zipfile
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
import streamlit as st

from core.group.database import open_store
from core.programme.currencies import ExchangeRate
from core.programme.definitions import DEFINITIONS
from core.programme.group_file import export_group
from core.programme.programme_book import choose_currency, enter_goal, enter_rate, programme_book
from core.programme.report import definitions_table, report_tags
from core.tables.write import csv_bytes, workbook_bytes
from demo_data.many_groups import add_invented_groups
from tests.dashboard import forms
from tests.dashboard.pages import open_alone, open_page

PAGES = [
    "programme_overview",
    "programme_compare",
    "programme_targets",
    "programme_group",
    "programme_import",
    "programme_help",
]
NOW = datetime(2026, 11, 20, 7, tzinfo=UTC)


@pytest.fixture(scope="module")
def many_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a database of seven invented groups in two currencies."""
    path = tmp_path_factory.mktemp("many") / "many.sqlite3"
    store = open_store(f"sqlite:///{path}")
    add_invented_groups(store, 7, NOW, seed=4)
    store.engine.dispose()
    return path


def pages_on(url, monkeypatch):
    monkeypatch.setenv("DRYHOLD_DATABASE", url)
    monkeypatch.setenv("DRYHOLD_NOW", NOW.isoformat())
    monkeypatch.setenv("DRYHOLD_OFFLINE", "1")
    monkeypatch.setenv("DRYHOLD_WHO", "Officer Imvala")


@pytest.fixture(scope="module")
def few_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a database of three invented groups, the last in another currency."""
    path = tmp_path_factory.mktemp("few") / "few.sqlite3"
    store = open_store(f"sqlite:///{path}")
    add_invented_groups(store, 3, NOW, seed=4)
    store.engine.dispose()
    return path


@pytest.fixture
def few_store(few_file, tmp_path, monkeypatch):
    """Return a copy that a test may write into."""
    path = tmp_path / "few.sqlite3"
    path.write_bytes(few_file.read_bytes())
    url = f"sqlite:///{path}"
    pages_on(url, monkeypatch)
    store = open_store(url)
    yield store
    store.engine.dispose()


@pytest.fixture
def many_read(many_file, monkeypatch):
    """Return the database itself, for tests that only read: its groups are counted once for all of them."""
    url = f"sqlite:///{many_file}"
    pages_on(url, monkeypatch)
    store = open_store(url)
    yield store
    store.engine.dispose()


@pytest.fixture(scope="module", autouse=True)
def clean_caches():
    yield
    st.cache_resource.clear()
    st.cache_data.clear()


def words_of(app):
    parts = [app.markdown, app.caption, app.info, app.warning, app.subheader, app.error]
    return " ".join(str(item.value) for part in parts for item in part)


def table(app, column):
    return next(frame.value for frame in app.dataframe if column in frame.value.columns)


@pytest.mark.parametrize("name", PAGES)
def test_opens_on_the_example(name, demo_store):
    app = open_alone(name)
    assert not app.exception
    assert not app.error
    assert app.info
    assert len(app.get("plotly_chart")) <= 1  # one picture a section


@pytest.mark.parametrize("name", PAGES)
def test_opens_on_an_empty_group(name, empty_store):
    assert not open_alone(name).exception


def test_a_page_about_many_groups_names_none_under_its_title(demo_store):
    name = demo_store.groups()[0].name
    for section in ("programme_overview", "programme_help"):
        assert not any(item.value.startswith(name) for item in open_page(section).caption)
    assert any(item.value.startswith(name) for item in open_page("programme_group").caption)


def test_opens_from_the_menu(demo_store):
    app = open_page("programme_group")
    assert not app.exception
    assert app.title[0].value == "Groups"


def test_every_indicator_can_be_shown(many_read):
    app = open_alone("programme_compare")
    for key in DEFINITIONS:
        app.selectbox(key="indicator_key").select(key).run()
        assert not app.exception, key
        assert not app.error, key


def test_days_to_dry_against_what_conditions_allowed(few_store):
    """One group is enough: each lot is dried again."""
    keep = min(few_store.groups(), key=lambda group: len(few_store.lots(group.id)))
    for group in few_store.groups():
        if group.id != keep.id:
            few_store.mark_removed(group.id, NOW)
    app = open_alone("programme_compare")
    app.toggle(key="show_expected").set_value(True).run()
    assert not app.exception
    assert not app.error
    assert list(table(app, "Days expected")["Group"]) == [keep.name]


@pytest.mark.parametrize(
    ("section", "indicator"),
    [
        ("programme_overview", None),
        ("programme_compare", "dry_when_bagged"),
        ("programme_compare", "readings_per_lot"),
        ("programme_targets", None),
    ],
)
def test_groups_stand_in_the_alphabet_and_nobody_is_ranked(section, indicator, many_read):
    app = open_alone(section)
    if indicator:
        app.selectbox(key="indicator_key").select(indicator).run()
    names = sorted(group.name for group in many_read.groups())
    for frame in app.dataframe:
        if "Group" in frame.value.columns:
            assert list(frame.value["Group"]) == names
    for chart in app.get("plotly_chart"):
        axis = json.loads(chart.proto.spec)["layout"]["yaxis"].get("categoryarray", [])
        assert list(axis) == sorted(axis, reverse=True)  # plotly's first category lies at the bottom
    text = words_of(app).lower()
    for word in ("best group", "worst group", "rank ", "ranking", "top group", "bottom group"):
        assert word not in text


def test_data_quality_comes_first(many_read):
    app = open_page("groups")
    assert "How complete are the records?" in words_of(app)
    assert "Agreed to be named" in app.dataframe[0].value.columns


def test_targets_stand_in_words_beside_the_value(few_store):
    enter_goal(few_store, "target", "dry_when_bagged", 0.9, date(2027, 6, 30), "Officer", NOW, "work plan")
    enter_goal(few_store, "baseline", "dry_when_bagged", 0.6, date(2024, 6, 30), "Officer", NOW, "survey")
    text = words_of(open_alone("programme_targets"))
    assert "0 of 1 target is reached" in text
    assert "target 90 % by 30 Jun 2027" in text
    assert "baseline 60 % (30 Jun 2024)" in text
    app = open_alone("programme_compare")
    app.selectbox(key="indicator_key").select("dry_when_bagged").run()
    spec = json.loads(app.get("plotly_chart")[0].proto.spec)
    assert "target" in [trace.get("name") for trace in spec["data"]]
    assert "target 90 %" in words_of(open_alone("programme_group"))


def test_a_target_is_written_once_with_who_and_when_and_can_be_cancelled(few_store):
    app = open_alone("programme_targets")
    forms.press(app, "goal", "continue")
    assert any("fill this in" in words for words in forms.faults(app))
    forms.fill(app, "goal", key="dry_when_sold")
    forms.fill_together(app, "goal", value="85", source="agreement of 2026", on=date(2027, 6, 30))
    forms.press(app, "goal", "continue")
    assert "target: 85 %, 30 Jun 2027, all groups" in forms.summary(app, "goal")
    assert programme_book(few_store).goals == {}
    forms.press(app, "goal", "record")
    goal = programme_book(few_store).goal("target", "dry_when_sold")
    assert (goal.value, goal.who, goal.recorded_at, goal.source) == (0.85, "Officer Imvala", NOW, "agreement of 2026")
    number = few_store.programme_entries()[-1].id
    forms.fill(app, "programme_cancel", entry=number)
    forms.press(app, "programme_cancel", "continue")
    assert "85 %" in forms.summary(app, "programme_cancel")
    forms.press(app, "programme_cancel", "record")
    assert programme_book(few_store).goal("target", "dry_when_sold") is None


def test_a_target_sent_from_two_tabs_is_one_entry(few_store):
    """Both tabs saw the same book: the token is one, and the second is told that it is recorded already."""
    tabs = [open_alone("programme_targets") for _tab in range(2)]
    for app in tabs:
        forms.fill(app, "goal", key="dry_when_sold")
        forms.fill_together(app, "goal", value="85", source="agreement of 2026", on=date(2027, 6, 30))
        forms.send(app, "goal")
    assert len(few_store.programme_entries()) == 1


@pytest.mark.parametrize("value", ["140", "-5", "thirty", "3,50,0"])
def test_an_impossible_target_is_said_beside_its_field(value, few_store):
    app = open_alone("programme_targets")
    forms.fill(app, "goal", key="dry_when_sold")
    forms.fill_together(app, "goal", value=value, source="x")
    assert forms.faults(app)
    forms.press(app, "goal", "continue")
    assert not any(button.key == "goal.record" for button in app.button)
    assert few_store.programme_entries() == []


def test_money_without_a_rate_is_kept_apart_and_with_one_compared(few_store):
    choose_currency(few_store, "MWK", date(2026, 11, 1), "Officer", NOW)
    app = open_alone("programme_compare")
    app.selectbox(key="indicator_key").select("cost_per_tonne_tested").run()
    assert "No rate is known for TZS" in words_of(open_alone("programme_targets"))
    without = len(table(app, "Counted"))
    enter_rate(few_store, ExchangeRate("TZS", "MWK", 0.65, date(2026, 10, 30), "invented"), "Officer", NOW)
    app = open_alone("programme_compare")
    app.selectbox(key="indicator_key").select("cost_per_tonne_tested").run()
    assert len(table(app, "Counted")) > without
    text = words_of(open_alone("programme_targets"))
    assert "No rate is known" not in text
    assert "1 TZS = 0.65 MWK, rate of 30 Oct 2026 (invented)" in text


def test_rate_and_currency_are_entered_by_forms(few_store):
    app = open_alone("programme_targets")
    forms.fill_together(app, "rate", one="tzs", other="MWK", rate="0", on=date(2026, 10, 30), source="central bank")
    forms.press(app, "rate", "continue")  # a rate of 0 is refused in words, nothing is written
    assert not any(button.key == "rate.record" for button in app.button)
    assert app.error
    forms.fill(app, "rate", rate="0.65")
    forms.press(app, "rate", "continue")
    assert "1 TZS = 0.65 MWK, rate of 30 Oct 2026 (central bank)" in forms.summary(app, "rate")
    forms.press(app, "rate", "record")
    rate = programme_book(few_store).rates[0]
    assert (rate.source_currency, rate.rate, rate.entered_by) == ("TZS", 0.65, "Officer Imvala")
    forms.fill_together(app, "currency", code="tzs", on=date(2026, 11, 1))
    forms.send(app, "currency")
    assert programme_book(few_store).currency == "TZS"
    forms.fill(app, "currency", code="shilling")
    forms.send(app, "currency")
    assert programme_book(few_store).currency == "TZS"
    assert any("three capital letters" in error.value for error in app.error)


def test_changes_say_where_it_cannot_be_told(many_read):
    app = open_alone("programme_compare")
    app.selectbox(key="indicator_key").select("dry_when_bagged").run()
    app.toggle(key="show_changes").set_value(True).run()
    assert "of 100 in 2025/26" in words_of(app)
    frame = table(app, "Compared by")
    assert set(frame["What may be said"]) <= {"better", "worse", "about the same", "cannot tell yet"}
    group = open_alone("programme_group")
    seasons = table(group, "What may be said")
    assert [column for column in seasons.columns if column.startswith("20")] == ["2025/26", "2026/27"]


def test_small_cells_are_blank_on_both_pages(many_read):
    app = open_alone("programme_compare")
    frame = table(app, "Owners")
    shown = [int(people) for people in frame["People"] if people != "blank"]
    assert all(people >= 5 for people in shown)
    group = open_alone("programme_group")
    own = table(group, "Owners")
    assert all(people == "blank" or int(people) >= 5 for people in own["People"])
    assert all(value == "–" for people, value in zip(own["People"], own["Value"], strict=True) if people == "blank")


def test_the_export_has_tags_and_no_formula(many_read):
    app = open_alone("programme_targets")
    app.button(key="prepare_workbook").click().run()
    assert not app.exception
    labels = [button.label for button in app.get("download_button")]
    assert any("XLSX" in label for label in labels)
    assert any("CSV, HXL" in label for label in labels)
    frame = pd.DataFrame({"group": ["=1+1", "-x"], "value": [0.5, None], "label": ["a", "b"]})
    book = openpyxl.load_workbook(io.BytesIO(workbook_bytes({"groups": frame}, {"groups": report_tags()})))
    rows = list(book["groups"].iter_rows(values_only=True))
    assert rows[1][:2] == ("#org+group+name", "#indicator+value+num")
    assert book["groups"]["A3"].data_type == "s"
    text = csv_bytes(frame, report_tags()).decode("utf-8-sig").splitlines()
    assert text[1].startswith("#org+group+name")
    assert text[2].startswith("'=1+1")
    assert len(definitions_table()) == len(DEFINITIONS)


def take_in(app, files):
    app.file_uploader(key="group_files").set_value([(name, content, "application/zip") for name, content in files])
    app.run()
    app.button(key="merge_groups").click().run()
    assert not app.exception
    frame = table(app, "What happened")
    return dict(zip(frame["File"], frame["What happened"], strict=True)), frame


def test_thirty_files_in_one_go_through_the_page(few_store, empty_store, monkeypatch):
    monkeypatch.setenv("DRYHOLD_NOW", NOW.isoformat())  # a clock that is behind the files' would refuse them
    source = few_store.groups()
    made = []
    for number in range(28):
        group = few_store.group(source[number % 3].id)
        few_store.update_group(replace(group, name=f"Group {number}", demo=False))
        made.append((f"{number:02d}.zip", export_group(few_store, group.id, f"uid-{number}", NOW, "none")))
    bomb = io.BytesIO(made[0][1])
    with zipfile.ZipFile(bomb, "a", zipfile.ZIP_DEFLATED) as folder:
        folder.writestr("bomb.csv", b"0" * 60_000_000)
    climbing = io.BytesIO(made[0][1])
    with zipfile.ZipFile(climbing, "a") as folder:
        folder.writestr("../../up.csv", b"x")
    future = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(made[1][1])) as old, zipfile.ZipFile(future, "w") as new:
        for name in old.namelist():
            part = old.read(name)
            new.writestr(name, json.dumps(json.loads(part) | {"version": 99}) if name == "about.json" else part)
    later = export_group(few_store, source[2].id, "uid-2", NOW.replace(day=21), "all")
    files = [
        *made,
        ("again.zip", made[3][1]),
        ("cut.zip", made[4][1][:900]),
        ("bomb.zip", bomb.getvalue()),
        ("climb.zip", climbing.getvalue()),
        ("future.zip", future.getvalue()),
        ("later.zip", later),
        ("older.zip", made[2][1]),
    ]
    app = open_alone("programme_import")
    happened, frame = take_in(app, files)
    assert [happened[f"{number:02d}.zip"] for number in range(28)] == ["added"] * 28
    assert happened["again.zip"] == "here already"
    assert happened["later.zip"] == "updated"
    assert happened["older.zip"] == "older than what is here"
    for name in ("cut.zip", "bomb.zip", "climb.zip", "future.zip"):
        assert happened[name] == "broken, not imported", name
    why = dict(zip(frame["File"], frame["Why"], strict=True))
    assert "99" in why["future.zip"]
    assert "50 MB" in why["bomb.zip"]
    assert len(empty_store.groups()) == 29  # and the one that was here


def test_the_groups_file_leaves_names_out_unless_asked(few_store):
    app = open_alone("programme_group")
    assert app.radio(key="file_privacy").value == "none"
    app.button(key="prepare_group_file").click().run()
    assert not app.exception
    assert any(button.label.startswith("Download the file") for button in app.get("download_button"))


def test_seasons_can_be_chosen_side_by_side_and_say_how_many_groups_they_rest_on(many_read):
    app = open_alone("programme_compare")
    app.selectbox(key="indicator_key").select("dry_when_bagged").run()
    whole = table(app, "Counted")
    app.selectbox(key="season_place").select(1).run()
    assert not app.exception
    one = table(app, "Counted")
    assert one["Records"].sum() < whole["Records"].sum()
    assert "groups together" in words_of(app)


def test_invented_groups_are_never_counted_with_real_ones(few_store):
    first = few_store.groups()[0]
    few_store.update_group(replace(first, demo=False))
    app = open_alone("programme_overview")
    assert list(app.dataframe[0].value["Group"]) == [first.name]
    app.toggle(key="show_invented").set_value(True).run()
    assert len(app.dataframe[0].value) == len(few_store.groups()) - 1
    assert first.name not in list(app.dataframe[0].value["Group"])


def test_a_group_is_merged_after_a_summary_and_once(few_store):
    one, other = few_store.groups()[:2]
    app = open_alone("programme_import")
    forms.press(app, "tidy", "continue")
    assert any("fill this in" in words for words in forms.faults(app))
    forms.fill(app, "tidy", group=other.id)
    assert other.id not in dict.fromkeys(forms.field(app, "tidy", "into").options)
    forms.fill(app, "tidy", into=one.id)
    forms.press(app, "tidy", "continue")
    assert f"{other.name} is merged into {one.name}." in forms.summary(app, "tidy")
    assert len(few_store.groups()) == 3
    forms.press(app, "tidy", "record")
    assert [group.name for group in few_store.groups(removed=True)] == [other.name]
    assert few_store.merged_into(other.id) == one.id
    assert not [box for box in app.selectbox if (box.key or "").startswith("restore.")]  # its records are in the other


def test_a_group_is_removed_and_restored(few_store):
    group = few_store.groups()[0]
    app = open_alone("programme_import")
    forms.fill(app, "tidy", group=group.id)
    forms.fill(app, "tidy", into=0)
    forms.send(app, "tidy")
    assert group.id not in {one.id for one in few_store.groups()}
    forms.fill(app, "restore", group=group.id)
    forms.send(app, "restore")
    assert group.id in {one.id for one in few_store.groups()}


def test_a_merge_sent_from_two_tabs_is_one(few_store):
    one, other = few_store.groups()[:2]
    tabs = [open_alone("programme_import") for _tab in range(2)]
    for app in tabs:
        forms.fill(app, "tidy", group=other.id)
        forms.fill(app, "tidy", into=one.id)
        forms.press(app, "tidy", "continue")
    lots = len(few_store.lots(one.id)) + len(few_store.lots(other.id))
    for app in tabs:
        forms.press(app, "tidy", "record")
    assert len(few_store.lots(one.id)) == lots
    assert len(few_store.groups()) == 2


@pytest.mark.parametrize(("answer", "groups"), [("same", 3), ("other", 4)])
def test_a_known_group_under_a_new_identity_is_asked_about(answer, groups, few_store):
    group = few_store.groups()[0]
    files = [("anew.zip", export_group(few_store, group.id, "another identity", NOW, "all"))]
    app = open_alone("programme_import")
    happened, _frame = take_in(app, files)
    assert happened == {"anew.zip": "waits for your answer"}
    forms.press(app, "same_group", "continue")
    assert any("fill this in" in words for words in forms.faults(app))
    forms.fill(app, "same_group", **{"another identity": group.id if answer == "same" else 0})
    forms.send(app, "same_group")
    assert len(few_store.groups()) == groups
