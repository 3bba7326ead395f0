"""The page of what would help: what is kept is shown with its spread and gaps, and what is missing is offered."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from core.messages import message
from core.programme.counterfactual import CAUSES, HELPS, Difference, GroupHelp
from core.programme.helping import keep_help
from tests.dashboard.pages import open_page

TODAY = datetime(2026, 5, 20, tzinfo=UTC).date()


def result(group_id: int, scale: float) -> GroupHelp:
    causes = [Difference(name, 1000.0 * scale * (5 - n), 500.0, 9000.0, 3) for n, name in enumerate(CAUSES)]
    causes[1] = Difference(CAUSES[1], 0.0, 0.0, 0.0, 0, 0.0, message("no lot has a day of bagging"))
    helps = [Difference(name, 4000.0 * scale, 2000.0, 6000.0, 3, 1500.0) for name in HELPS]
    return GroupHelp(group_id, "2026-04", 3, 90000.0, tuple(causes), tuple(helps), ())


@pytest.fixture
def worked_out(demo_store):
    for number, group in enumerate(demo_store.groups()):
        keep_help(demo_store, result(group.id, number + 0.3), demo_store.version(group.id), TODAY)
    return demo_store


def test_says_where_help_pays_and_names_what_cannot_be_said(worked_out):
    app = open_page("programme_help")
    assert not app.exception
    assert not app.error
    assert "would gain most" in app.info[0].value
    table = app.dataframe[0].value
    assert len(table) == len(worked_out.groups())
    assert set(table["Largest avoidable loss"]) == {CAUSES[0]}
    text = " ".join(item.value for item in app.markdown)
    assert "no lot has a day of bagging" in text
    assert "pays in 2 of 3 groups" in text
    assert not [button for button in app.button if button.key == "help_work_out"]


def test_offers_to_work_out_what_changed_records_made_old(worked_out):
    group = worked_out.groups()[0]
    worked_out.set_fact(group.id, "help.training_cost", 5, "entered", "officer", datetime(2026, 5, 20, tzinfo=UTC))
    app = open_page("programme_help")
    assert [button for button in app.button if button.key == "help_work_out"]
    assert len(app.dataframe[0].value) == len(worked_out.groups()) - 1
