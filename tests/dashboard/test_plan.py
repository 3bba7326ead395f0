"""The planning pages: they answer, keep choices, take wishes in, keep plans, and say what is missing."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime

import pytest

from core.advice import making, situation
from core.advice.season import Stretch
from dashboard import state
from dashboard.background import desk
from dashboard.charts.season import _middle
from tests.dashboard.pages import open_page

NOW = datetime(2026, 5, 20, 7, 0, tzinfo=UTC)


def words(app) -> str:
    return " ".join(item.value for item in (*app.info, *app.markdown, *app.caption, *app.warning))


pytestmark = pytest.mark.usefixtures("few_seasons")


@pytest.fixture
def plan_page(demo_store):
    app = open_page("plan")
    assert not app.exception, app.exception
    return app


def test_plan_answers_first_with_bags_that_add_up_and_shows_one_picture(plan_page, demo_store):
    said = plan_page.info[0].value
    assert "more than selling all now" in said
    total = int(re.search(r"Of (\d+) bags", said).group(1))
    assert sum(int(part) for part in re.findall(r"(\d+) (?:sold|stored|kept|without)", said)) == total
    assert not plan_page.error
    assert len(plan_page.get("plotly_chart")) == 1
    lots = demo_store.lots(demo_store.groups()[0].id, open_only=True)
    spec = plan_page.get("plotly_chart")[0].proto.spec
    assert all(lot.label in spec for lot in lots)
    # no forecast was fetched: the top of the page says what stands in
    assert "Assumed" in plan_page.caption[1].value or "Assumed" in words(plan_page)


def test_the_net_value_opens_to_terms_that_add_up_to_the_answer(plan_page):
    """What stands in the table, read as a person reads it, adds up; every term says how and where it is entered."""
    table = next(frame.value for frame in plan_page.dataframe if "Worked out as" in frame.value.columns)
    amounts = [float(re.sub(r"[^0-9.-]", "", text.replace("−", "-"))) for text in table["Amount"]]
    assert len(amounts) > 5
    assert sum(amounts[:-1]) == pytest.approx(amounts[-1], abs=0.51 * len(amounts))  # each is rounded to a whole coin
    worth = re.search(r"worth (\D*[\d,.]+)", plan_page.info[0].value).group(1)
    assert float(re.sub(r"[^0-9.]", "", worth.rstrip("."))) == pytest.approx(amounts[-1], abs=1.0)
    assert all(table["Worked out as"])
    offered = {link.proto.label for link in plan_page.get("page_link")}
    assert set(table["Enter or check it under"][:-1]) <= offered


def test_each_detail_opens(plan_page):
    for key in ("lot", "money", "rules", "limits", "members", "loans", "how"):
        plan_page.pills(key="plan_detail").set_value(key).run()
        assert not plan_page.exception, (key, plan_page.exception)
        assert not plan_page.error
    assert "bound of the solver" in words(plan_page)


def test_today_opens_with_steps_lots_at_risk_and_orders(demo_store):
    app = open_page("today")
    assert not app.exception
    assert app.info[0].value.startswith(("Today:", "Nothing to do"))
    said = words(app)
    assert "Do not eat" in said
    assert "too wet" in said
    assert any("Order by" in frame.value.columns for frame in app.dataframe)
    # 'dry it' once stood beside 'the plan sells it as it is', and to a moisture that was not the plan's
    now = situation(demo_store, demo_store.groups()[0].id, state.now(), keep=desk().keep)
    for item in now.at_risk:
        own = said.split(f"**{item.lot}, ")[1].split("**", 1)[1].split("\n- ")[0]
        loads = [load for load in now.schedule if load.lot == item.lot]
        raw = sum(line.bags for line in now.plan.sales if line.label == item.lot and line.buyer and not line.setup)
        assert (f"sells {raw} of its bags as they are" in own) == (raw > 0)
        for target in {load.target_pct for load in loads}:
            bags = sum(load.bags for load in loads if load.target_pct == target)
            assert f"dries {bags} of its bags to {target:.1f} %" in own
        if item.verdict == "too wet" and (loads or raw):
            assert "dry it to" not in own


def test_sales_that_are_one_mark_lie_where_most_of_their_bags_are_sold():
    group = [Stretch("sell", date(2026, 10, 1), date(2026, 10, 1), 10, "x")]
    group += [Stretch("sell", date(2026, 10, 5), date(2026, 10, 5), 30, "x")]
    assert _middle(group) == date(2026, 10, 4)  # (0 · 10 + 4 · 30) / 40 = 3 days after the first


def test_plan_is_kept_and_the_other_pages_speak_of_it(plan_page, demo_store):
    group = demo_store.groups()[0]
    plan_page.button(key="plan_keep").click().run()
    assert not plan_page.exception
    from core.planning.rolling import kept_plans

    assert len(kept_plans(demo_store, group.id)) == 1
    after = open_page("today")
    assert not after.exception
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
    for name in ("plan", "today"):
        app = open_page(name)
        assert not app.exception
        assert any("no lot can be planned yet" in item.value for item in app.error)
    end = open_page("season_end")
    assert not end.exception
    assert any("No plan is saved yet" in item.value for item in end.info)


@pytest.mark.slow
def test_borrowing_on_stored_grain_is_a_choice_with_its_terms_and_its_worth(plan_page, demo_store):
    group = demo_store.groups()[0]
    # a lender at one percent a month, cheaper than the group's own cost of money
    for key, value in (("interest_monthly", 0.002), ("fee_share", 0.0), ("store_fee_kg_month", 0.0)):
        demo_store.set_fact(group.id, f"inventory_credit.{key}", value, "entered", "test", NOW)
    plan_page.toggle(key="plan_credit").set_value(True).run()
    assert not plan_page.exception
    plan_page.pills(key="plan_detail").set_value("loans").run()
    assert not plan_page.exception
    assert "Borrowing on" in words(plan_page)
    assert "gains" in words(plan_page)
    assert any("To pay back" in frame.value.columns for frame in plan_page.dataframe)


def test_a_plan_that_is_still_being_made_shows_how_far_it_is_and_can_be_stopped(
    demo_store, plans_of_its_own, monkeypatch
):
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
    assert len(app.get("plotly_chart")) == 1


def test_past_years_of_selling_by_price_come_on_demand(plan_page):
    plan_page.pills(key="plan_detail").set_value("lot").run()
    plan_page.toggle(key="plan_look_back").set_value(True).run()
    assert "past harvests" in words(plan_page)


@pytest.mark.slow
def test_what_more_is_worth_and_members_alone_come_on_demand(plan_page):
    plan_page.pills(key="plan_detail").set_value("limits").run()
    plan_page.toggle(key="plan_more").set_value(True).run()
    assert not plan_page.exception, plan_page.exception
    more = next(frame.value for frame in plan_page.dataframe if "Worth" in frame.value.columns)
    assert any("more bags tested" in what for what in more["Change"])
    plan_page.pills(key="plan_detail").set_value("members").run()
    assert any({"Together", "Alone"} <= set(frame.value.columns) for frame in plan_page.dataframe)


def test_a_need_beyond_the_grain_is_named_with_what_would_make_it_so(demo_store):
    from core.planning.wishes import write_wishes

    group = demo_store.groups()[0]
    needs = [{"label": "roof", "amount": 10**9, "on": "2026-08-01", "member": ""}]
    write_wishes(demo_store, group.id, {"needs": needs}, NOW)
    app = open_page("plan")
    assert not app.exception
    assert "Not met: roof" in words(app)
    assert "loan of" in words(app)


@pytest.mark.slow
def test_a_plan_that_one_page_showed_is_not_worked_out_again_by_another_in_a_new_session(
    demo_store, plans_of_its_own, monkeypatch
):
    """Each `open_page` is a session of its own; the form on the plan's page shows settings and chooses nothing."""
    group, solved = demo_store.groups()[0], []
    demo_store.set_fact(group.id, "plan.risk_weight", 0.3, "entered", "Ada", NOW)  # between two steps of the slider
    real = making.plan_sale

    def counted(*arguments, **named):
        solved.append(1)
        return real(*arguments, **named)

    monkeypatch.setattr(making, "plan_sale", counted)
    assert not open_page("today").exception
    first = len(solved)
    assert first > 0
    app = open_page("plan")
    assert not app.exception
    assert len(solved) == first
    app.slider(key="plan_weeks").set_value(20).run()  # a choice is another plan, and taken back it is the first again
    second = len(solved)
    assert second > first
    app.slider(key="plan_weeks").set_value(int(demo_store.fact(group.id, "plan.weeks").value)).run()
    assert not open_page("floor").exception
    assert len(solved) == second
