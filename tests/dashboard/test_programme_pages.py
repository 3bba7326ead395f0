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
from tests.dashboard.pages import open_alone, open_page

PAGES = ["programme_overview", "programme_group", "programme_help"]
NOW = datetime(2026, 11, 20, 7, tzinfo=UTC)


@pytest.fixture(scope="module")
def many_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a database of seven invented groups in two currencies."""
    path = tmp_path_factory.mktemp("many") / "many.sqlite3"
    store = open_store(f"sqlite:///{path}")
    add_invented_groups(store, 7, NOW, seed=4)
    store.engine.dispose()
    return path


@pytest.fixture
def many_store(many_file, tmp_path, monkeypatch):
    path = tmp_path / "many.sqlite3"
    path.write_bytes(many_file.read_bytes())
    url = f"sqlite:///{path}"
    monkeypatch.setenv("DRYHOLD_DATABASE", url)
    monkeypatch.setenv("DRYHOLD_NOW", NOW.isoformat())
    monkeypatch.setenv("DRYHOLD_OFFLINE", "1")
    st.cache_resource.clear()
    st.cache_data.clear()
    store = open_store(url)
    yield store
    store.engine.dispose()
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


@pytest.mark.parametrize("name", PAGES)
def test_opens_on_an_empty_group(name, empty_store):
    assert not open_alone(name).exception


def test_opens_from_the_menu(demo_store):
    app = open_page("programme_group")
    assert not app.exception
    assert app.title[0].value == "Groups"


def test_every_indicator_can_be_shown(many_store):
    app = open_alone("programme_overview")
    for key in DEFINITIONS:
        app.selectbox(key="indicator_key").select(key).run()
        assert not app.exception, key
        assert not app.error, key


def test_days_to_dry_against_what_conditions_allowed(demo_store):
    app = open_alone("programme_overview")
    app.toggle(key="show_expected").set_value(True).run()
    assert not app.exception
    assert not app.error


def test_groups_stand_in_the_alphabet_and_nobody_is_ranked(many_store):
    app = open_alone("programme_overview")
    names = sorted(group.name for group in many_store.groups())
    for frame in app.dataframe:
        if "Group" in frame.value.columns:
            assert list(frame.value["Group"]) == names
    for chart in app.get("plotly_chart"):
        axis = json.loads(chart.proto.spec)["layout"]["yaxis"].get("categoryarray", [])
        assert list(axis) == sorted(axis, reverse=True)  # plotly's first category lies at the bottom
    text = words_of(app).lower()
    for word in ("best group", "worst group", "rank ", "ranking", "top group", "bottom group"):
        assert word not in text


def test_data_quality_comes_first(many_store):
    app = open_alone("programme_overview")
    assert app.subheader[0].value == "How complete are the records?"
    assert "Agreed to be named" in app.dataframe[0].value.columns


def test_targets_stand_in_words_beside_the_value(many_store):
    enter_goal(many_store, "target", "dry_when_bagged", 0.9, date(2027, 6, 30), "Officer", NOW, "work plan")
    enter_goal(many_store, "baseline", "dry_when_bagged", 0.6, date(2024, 6, 30), "Officer", NOW, "survey")
    app = open_alone("programme_overview")
    text = words_of(app)
    assert "target 90 % by 30 Jun 2027" in text
    assert "baseline 60 % (30 Jun 2024)" in text
    app.selectbox(key="indicator_key").select("dry_when_bagged").run()
    spec = json.loads(app.get("plotly_chart")[1].proto.spec)
    assert "target" in [trace.get("name") for trace in spec["data"]]
    assert "target 90 %" in words_of(open_alone("programme_group"))


def test_a_target_is_written_into_the_book_with_who_and_when(many_store, monkeypatch):
    monkeypatch.setenv("DRYHOLD_WHO", "Officer Imvala")
    app = open_alone("programme_overview")
    app.selectbox(key="goal_key").select("dry_when_sold").run()
    app.number_input(key="goal_value").set_value(85.0)
    app.text_input(key="goal_source").set_value("agreement of 2026")
    next(button for button in app.button if button.label == "Save" and button.form_id == "goal_form").click().run()
    assert not app.exception
    goal = programme_book(many_store).goal("target", "dry_when_sold")
    assert (goal.value, goal.who, goal.recorded_at, goal.source) == (0.85, "Officer Imvala", NOW, "agreement of 2026")
    next(button for button in app.button if button.label == "Cancel entry").click().run()
    assert programme_book(many_store).goal("target", "dry_when_sold") is None


def test_an_impossible_target_is_refused_in_words(many_store):
    app = open_alone("programme_overview")
    app.selectbox(key="goal_key").select("dry_when_sold").run()
    app.number_input(key="goal_value").set_value(140.0)
    next(button for button in app.button if button.label == "Save" and button.form_id == "goal_form").click().run()
    assert not app.exception
    assert "not a share of lots" in app.error[0].value


def test_money_without_a_rate_is_kept_apart_and_with_one_compared(many_store):
    choose_currency(many_store, "MWK", date(2026, 11, 1), "Officer", NOW)
    app = open_alone("programme_overview")
    app.selectbox(key="indicator_key").select("cost_per_tonne_tested").run()
    assert "No rate is known for TZS" in words_of(app)
    without = len(table(app, "Counted"))
    enter_rate(many_store, ExchangeRate("TZS", "MWK", 0.65, date(2026, 10, 30), "invented"), "Officer", NOW)
    app = open_alone("programme_overview")
    app.selectbox(key="indicator_key").select("cost_per_tonne_tested").run()
    assert "No rate is known" not in words_of(app)
    assert len(table(app, "Counted")) > without
    assert "1 TZS = 0.65 MWK, rate of 30 Oct 2026 (invented)" in words_of(app)


def test_a_rate_is_taken_in_by_the_form(many_store):
    app = open_alone("programme_overview")
    app.text_input(key="rate_from").set_value("tzs")
    app.text_input(key="rate_to").set_value("MWK")
    app.number_input(key="rate_value").set_value(0.65)
    app.text_input(key="rate_source").set_value("central bank")
    next(button for button in app.button if button.label == "Save this rate").click().run()
    assert not app.exception
    assert programme_book(many_store).rates[0].source_currency == "TZS"
    app.number_input(key="rate_value").set_value(None)
    next(button for button in app.button if button.label == "Save this rate").click().run()
    assert not app.exception
    assert app.error


def test_changes_say_where_it_cannot_be_told(many_store):
    app = open_alone("programme_overview")
    app.selectbox(key="indicator_key").select("dry_when_bagged").run()
    assert "of 100 in 2025/26" in words_of(app)
    frame = table(app, "Compared by")
    assert set(frame["What may be said"]) <= {"better", "worse", "about the same", "cannot tell yet"}
    group = open_alone("programme_group")
    seasons = table(group, "What may be said")
    assert [column for column in seasons.columns if column.startswith("20")] == ["2025/26", "2026/27"]


def test_small_cells_are_blank_on_both_pages(many_store):
    app = open_alone("programme_overview")
    frame = table(app, "Owners")
    shown = [int(people) for people in frame["People"] if people != "blank"]
    assert all(people >= 5 for people in shown)
    group = open_alone("programme_group")
    own = table(group, "Owners")
    assert all(people == "blank" or int(people) >= 5 for people in own["People"])
    assert all(value == "–" for people, value in zip(own["People"], own["Value"], strict=True) if people == "blank")


def test_the_export_has_tags_and_no_formula(many_store):
    app = open_alone("programme_overview")
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


def test_thirty_files_in_one_go_through_the_page(many_store, empty_store, monkeypatch):
    monkeypatch.setenv("DRYHOLD_NOW", NOW.isoformat())  # a clock that is behind the files' would refuse them
    source = many_store.groups()
    made = []
    for number in range(28):
        group = many_store.group(source[number % 7].id)
        many_store.update_group(replace(group, name=f"Group {number}", demo=False))
        made.append((f"{number:02d}.zip", export_group(many_store, group.id, f"uid-{number}", NOW, "none")))
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
    later = export_group(many_store, source[2].id, "uid-2", NOW.replace(day=21), "all")
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
    app = open_alone("programme_overview")
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


def test_the_groups_file_leaves_names_out_unless_asked(many_store):
    app = open_alone("programme_group")
    assert app.radio(key="file_privacy").value == "none"
    app.button(key="prepare_group_file").click().run()
    assert not app.exception
    assert any(button.label.startswith("Download the file") for button in app.get("download_button"))


def test_seasons_can_be_chosen_side_by_side_and_say_how_many_groups_they_rest_on(many_store):
    app = open_alone("programme_overview")
    app.selectbox(key="indicator_key").select("dry_when_bagged").run()
    whole = table(app, "Counted")
    app.selectbox(key="season_place").select(1).run()
    assert not app.exception
    one = table(app, "Counted")
    assert one["Records"].sum() < whole["Records"].sum()
    assert "groups together" in words_of(app)


def test_invented_groups_are_never_counted_with_real_ones(many_store):
    first = many_store.groups()[0]
    many_store.update_group(replace(first, demo=False))
    app = open_alone("programme_overview")
    assert list(app.dataframe[0].value["Group"]) == [first.name]
    app.toggle(key="show_invented").set_value(True).run()
    assert len(app.dataframe[0].value) == len(many_store.groups()) - 1
    assert first.name not in list(app.dataframe[0].value["Group"])
