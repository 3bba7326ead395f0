"""The section of the drying spaces by day: it shows the schedule of the group's one situation, and no other."""

from __future__ import annotations

import json
from datetime import timedelta

import pandas as pd
import pytest

from core.advice import situation
from core.group.possessions import keep_spaces, space_from
from core.planning.schedule import mass_by_day
from dashboard.sections.floor import SHOWN_DAYS
from dashboard.text import day
from tests.dashboard.conftest import NOW
from tests.dashboard.pages import open_page

DAY_MS = 86_400_000


@pytest.fixture
def church_yard(demo_store, few_seasons):
    """The example with one space of 80 m² and a name of its own."""
    group = demo_store.groups()[0]
    space = space_from({"name": "Church yard", "method": "tarpaulin", "area_m2": 80.0}, 1.0)
    keep_spaces(demo_store, group.id, [space], "Ada", NOW)
    return demo_store


def test_the_page_shows_the_schedule_of_the_plan_and_its_blocks_fit_the_space_each_day(church_yard):
    now = situation(church_yard, church_yard.groups()[0].id, NOW)
    app = open_page("floor")
    assert not app.exception
    assert not app.error
    rows = pd.concat([frame.value for frame in app.dataframe])
    assert len(rows) == len(now.schedule) > 0
    assert set(rows["Drying space"]) == {"Church yard"}
    for (_at, row), load in zip(rows.iterrows(), now.schedule, strict=True):
        assert row["Load"].startswith(f"{day(load.on)}: {load.bags} bag")
        assert row["Load"].endswith(f" of {load.lot}")
        assert row["Gather in the evening of"] == day(load.until)
    # the picture: blocks lie side by side as the schedule has them, none wider than the space on any day
    figure = json.loads(app.get("plotly_chart")[0].proto.spec)
    blocks = {(bar["base"][0], bar["x"][0] // DAY_MS, bar["text"][0]) for bar in figure["data"]}
    shown = [load for load in now.schedule if load.on < now.today + timedelta(days=SHOWN_DAYS)]
    assert blocks == {
        (load.on.isoformat(), (load.until - load.on).days + 1, f"{load.lot}<br>× {load.bags}") for load in shown
    }
    room = next(space.capacity_kg for space in now.spaces if space.name == "Church yard")
    assert max(mass_by_day(now.schedule).values()) <= room + 1e-6


def test_lots_too_wet_that_the_plan_does_not_dry_are_named_and_no_others(demo_store, few_seasons):
    now = situation(demo_store, demo_store.groups()[0].id, NOW)
    app = open_page("floor")
    said = " ".join(box.value for box in app.warning)
    for item in now.at_risk:
        left = item.verdict == "too wet" and item.lot not in {load.lot for load in now.schedule}
        assert (f"{item.lot} (" in said) == left
    assert any("Cover the grain before the rain" in box.value for box in app.markdown)


def test_a_group_without_lots_is_told_what_to_do(empty_store):
    app = open_page("floor")
    assert not app.exception
    assert any("Lots and readings" in box.value for box in app.info)
