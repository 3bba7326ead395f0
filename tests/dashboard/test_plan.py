"""The planning pages: they answer, keep choices, take wishes in, keep plans, and say what is missing."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from tests.dashboard.pages import open_page

NOW = datetime(2026, 5, 20, 7, 0, tzinfo=UTC)


def words(app) -> str:
    return " ".join(item.value for item in (*app.info, *app.markdown, *app.caption, *app.warning))


@pytest.fixture
def plan_page(demo_store):
    app = open_page("plan")
    assert not app.exception, app.exception
    return app


def test_plan_answers_first_and_shows_four_pictures(plan_page):
    assert "more in an average year than selling all now" in plan_page.info[0].value
    assert not plan_page.error
    specs = [item.proto.spec for item in plan_page.get("plotly_chart")]
    assert len(specs) >= 5
    assert any("Grain sold, kg" in spec for spec in specs)
    assert any("Value today" in spec for spec in specs)
    assert "assumed" in words(plan_page)


def test_plan_is_kept_and_the_other_pages_speak_of_it(plan_page, demo_store):
    group = demo_store.groups()[0]
    plan_page.button(key="plan_keep").click().run()
    assert not plan_page.exception
    from core.planning.rolling import kept_plans

    assert len(kept_plans(demo_store, group.id)) == 1
    after = open_page("next_actions")
    assert not after.exception
    assert "Next, on" in after.info[0].value
    end = open_page("season_end")
    assert not end.exception
    assert end.info


def test_a_cash_need_is_taken_in(plan_page, demo_store):
    group = demo_store.groups()[0]
    plan_page.text_input(key="plan_need_label").set_value("school fees")
    plan_page.number_input(key="plan_need_amount").set_value(100.0)
    plan_page.date_input(key="plan_need_on").set_value(date(2026, 7, 1))
    next(button for button in plan_page.button if button.label == "Add the need").click().run()
    assert not plan_page.exception
    from core.planning.wishes import read_wishes

    assert read_wishes(demo_store, group.id)["needs"][0]["label"] == "school fees"


def test_a_group_without_lots_is_told_what_to_do(empty_store):
    for name in ("plan", "next_actions"):
        app = open_page(name)
        assert not app.exception
        assert any("no lot can be planned yet" in item.value for item in app.error)
    end = open_page("season_end")
    assert not end.exception
    assert any("No plan has been kept" in item.value for item in end.info)


def test_borrowing_on_stored_grain_is_a_choice_with_its_terms_and_its_worth(plan_page, demo_store):
    group = demo_store.groups()[0]
    # a lender at one percent a month, cheaper than the group's own cost of money
    for key, value in (("interest_monthly", 0.002), ("fee_share", 0.0), ("store_fee_kg_month", 0.0)):
        demo_store.set_fact(group.id, f"inventory_credit.{key}", value, "entered", "test", NOW)
    plan_page.toggle(key="plan_credit").set_value(True).run()
    assert not plan_page.exception
    assert "Borrowing on" in words(plan_page)
    assert "gains" in words(plan_page)
    assert any("To pay back" in frame.value.columns for frame in plan_page.dataframe)
    after = open_page("next_actions")
    assert not after.exception


def test_a_plan_that_is_still_being_made_shows_how_far_it_is_and_can_be_stopped(demo_store, monkeypatch):
    monkeypatch.setattr("dashboard.background.PATIENCE_SECONDS", 0.0)
    app = open_page("plan")
    assert not app.exception
    assert not app.get("plotly_chart")
    stop = app.button(key="plan_work_stop")
    stop.click().run()
    monkeypatch.setattr("dashboard.background.PATIENCE_SECONDS", 100.0)
    app.run()
    assert "Stopped" in words(app)
    app.button(key="plan_work_again").click().run()
    assert not app.exception
    assert len(app.get("plotly_chart")) >= 5


def test_what_more_is_worth_members_alone_and_past_years_come_on_demand(plan_page):
    for key in ("plan_more", "plan_alone", "plan_look_back"):
        plan_page.toggle(key=key).set_value(True).run()
        assert not plan_page.exception, plan_page.exception
    frames = [frame.value for frame in plan_page.dataframe]
    more = next(frame for frame in frames if "Worth" in frame.columns)
    assert any("more bags probed" in what for what in more["What"])
    assert any({"Together", "Alone"} <= set(frame.columns) for frame in frames)
    assert "past harvests" in words(plan_page)


def test_a_need_beyond_the_grain_is_named_with_what_would_make_it_so(demo_store):
    from core.planning.wishes import write_wishes

    group = demo_store.groups()[0]
    needs = [{"label": "roof", "amount": 10**9, "on": "2026-08-01", "member": ""}]
    write_wishes(demo_store, group.id, {"needs": needs}, NOW)
    app = open_page("plan")
    assert not app.exception
    assert "Not met: roof" in words(app)
    assert "loan of" in words(app)
