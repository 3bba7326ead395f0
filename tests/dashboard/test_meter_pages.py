"""The treasurer's pages of the shared meter."""

from __future__ import annotations

import pytest

from core.group.records import Lot, Member
from tests.dashboard.pages import open_page

PAGES = ("meter_shares", "meter_account", "meter_log", "meter_worth")


@pytest.fixture(autouse=True)
def treasurer(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let it be known who writes."""
    monkeypatch.setenv("DRYHOLD_WHO", "Treasurer")


def group_shown(store):
    """Return the group that the pages show first."""
    return store.groups()[0]


@pytest.mark.parametrize("name", PAGES)
def test_page_opens_with_no_members(empty_store, name: str) -> None:
    app = open_page(name)
    assert not app.exception
    assert app.title


def opened(store, name: str):
    """Return the page after the book was opened with all members."""
    app = open_page(name)
    assert not app.exception
    if any(button.key == "meter_open" for button in app.button):
        app.button(key="meter_open").click().run()
        assert not app.exception
    return app


def test_shares_are_shown_and_charged(demo_store) -> None:
    app = opened(demo_store, "meter_shares")
    assert app.get("plotly_chart")
    assert app.info
    group = group_shown(demo_store)
    before = len(demo_store.events(group.id, "meter"))
    app.number_input(key="shares_amount").set_value(90.0).run()
    assert not app.exception
    next(button for button in app.button if button.label == "Charge the members").click().run()
    assert not app.exception
    events = demo_store.events(group.id, "meter")
    assert len(events) == before + 1
    from decimal import Decimal

    assert sum(Decimal(share) for share in events[-1].payload["shares"].values()) == 90


def test_nothing_is_written_before_somebody_gave_a_name(demo_store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("DRYHOLD_WHO")
    app = open_page("meter_account")
    group = group_shown(demo_store)
    before = len(demo_store.events(group.id, "meter"))
    app.number_input(key="acc_amount").set_value(100.0).run()
    press(app, "acc_write")
    assert len(demo_store.events(group.id, "meter")) == before
    assert any("your name" in str(error.value) for error in app.error)
    app.text_input(key="meter_name").set_value("Amara").run()
    press(app, "acc_write")
    event = demo_store.events(group.id, "meter")[-1]
    assert (event.kind, event.who) == ("payment", "Amara")


def press(app, key: str):
    """Return the page after a button was pressed, with no traceback on it."""
    app.button(key=key).click().run()
    assert not app.exception
    return app


def test_a_payment_is_written_taken_back_and_stays_readable(demo_store) -> None:
    app = opened(demo_store, "meter_account")
    group = group_shown(demo_store)
    before = demo_store.events(group.id, "meter")
    app.number_input(key="acc_amount").set_value(250.0).run()
    press(app, "acc_write")
    events = demo_store.events(group.id, "meter")
    assert len(events) == len(before) + 1
    assert events[-1].kind == "payment"
    assert events[-1].payload["amount"] in {"250", "250.00", "250.0"}
    app.segmented_control(key="acc_section").set_value("journal").run()
    assert not app.exception
    app.text_input(key="journal_reason").set_value("typed twice").run()
    press(app, "journal_take")
    after = demo_store.events(group.id, "meter")
    assert after[-1].reverses == events[-1].id
    assert len(after) == len(events) + 1


def test_a_payment_of_nothing_is_refused_in_words(demo_store) -> None:
    app = opened(demo_store, "meter_account")
    app.number_input(key="acc_amount").set_value(0.0).run()
    press(app, "acc_write")
    assert "above 0" in app.error[0].value


KINDS = [
    "plan",
    "grain_payment",
    "labour",
    "outside_tests",
    "spent",
    "grain_sold",
    "meter_bought",
    "seller_paid",
    "loan_taken",
    "loan_paid",
    "depreciation",
    "loss_rule",
    "meter_gone",
    "joins",
    "leaves",
    "paid_out",
    "cash_counted",
]


@pytest.mark.slow
@pytest.mark.parametrize("start", range(0, len(KINDS), 6))
def test_every_form_shows_its_fields(demo_store, start: int) -> None:
    app = opened(demo_store, "meter_account")
    for kind in KINDS[start : start + 6]:
        app.selectbox(key="acc_kind").set_value(kind).run()
        assert not app.exception, kind


def test_every_section_opens_and_the_season_closes(demo_store) -> None:
    app = opened(demo_store, "meter_account")
    for section in ("money", "papers", "import", "offer", "journal", "close"):
        app.segmented_control(key="acc_section").set_value(section).run()
        assert not app.exception, section
    app.checkbox(key="close_sure").check().run()
    press(app, "close_button")
    group = group_shown(demo_store)
    assert demo_store.events(group.id, "meter")[-1].kind == "season_closed"
    from core.meter.account import replay

    account = replay(demo_store.events(group.id, "meter"))
    assert not account.refused
    assert account.journal.totals()["income"] == 0


def test_what_is_counted_short_is_booked_and_the_rest_is_shared_in_the_close(demo_store) -> None:
    """By hand: 30 less in the cash box than in the book.

    90 are paid out to the members, who are owed 90 together afterwards.
    """
    app = opened(demo_store, "meter_account")
    group = group_shown(demo_store)
    app.segmented_control(key="acc_section").set_value("close").run()
    field = next(item for item in app.number_input if item.key.startswith("close_cash box_"))
    in_book = field.value
    field.set_value(in_book - 30.0).run()
    press(app, "close_count")
    event = demo_store.events(group.id, "meter")[-1]
    assert (event.kind, float(event.payload["counted"])) == ("cash_counted", in_book - 30.0)
    before = owed_to_members(demo_store, group)
    app.number_input(key="close_shared").set_value(90.0).run()
    app.checkbox(key="close_sure").check().run()
    press(app, "close_button")
    assert owed_to_members(demo_store, group) - before == 90


def owed_to_members(store, group):
    """Return what the group owes its members together."""
    from core.meter.account import OWED_TO_MEMBERS, replay

    return -replay(store.events(group.id, "meter")).journal.balance(OWED_TO_MEMBERS)


def test_earlier_payments_are_previewed_before_they_are_taken(demo_store) -> None:
    app = opened(demo_store, "meter_account")
    group = group_shown(demo_store)
    name = demo_store.members(group.id)[0].name
    app.segmented_control(key="acc_section").set_value("import").run()
    table = f"day,member,amount\n2026-05-01,{name},20\n2026-05-01,Nobody at all,5\n".encode()
    before = len(demo_store.events(group.id, "meter"))
    app.file_uploader(key="pay_file").upload("payments.csv", table, "text/csv").run()
    assert not app.exception
    assert len(demo_store.events(group.id, "meter")) == before
    press(app, "pay_take")
    events = demo_store.events(group.id, "meter")
    assert len(events) == before + 1
    assert events[-1].on.isoformat() == "2026-05-01"


def test_a_handover_and_a_promise_are_written(demo_store) -> None:
    app = opened(demo_store, "meter_log")
    group = group_shown(demo_store)
    next(button for button in app.button if button.label == "Write it down").click().run()
    assert not app.exception
    assert demo_store.events(group.id, "meter")[-1].kind == "handover"
    press(app, "log_promise")
    assert demo_store.events(group.id, "meter")[-1].kind == "booking" or app.error


def test_worth_is_answered_with_its_spread_for_each_judgement(demo_store) -> None:
    app = opened(demo_store, "meter_worth")
    assert len(app.get("plotly_chart")) == 3
    for judgement in ("salt_jar", "none"):
        app.selectbox(key="worth_judgement").set_value(judgement).run()
        assert not app.exception
        assert "8 of 10" in app.info[0].value


def test_without_any_price_a_small_model_stands_in_and_says_so(empty_store) -> None:
    """A group of sorghum alone, of which nobody has entered a price: no plan, but an answer with its reason."""
    group = empty_store.groups()[0]
    owner = empty_store.add_member(Member(group_id=group.id, name="Own", consent=True))
    empty_store.add_lot(
        Lot(
            group_id=group.id,
            label="S1",
            commodity="sorghum",
            form="threshed",
            bags=12,
            nominal_bag_kg=90.0,
            owner_id=owner,
        )
    )
    app = open_page("meter_worth")
    assert not app.exception
    assert any("small model" in str(warning.value) for warning in app.warning)
    assert any("Testing is worth" in str(info.value) for info in app.info)


def test_what_the_worth_rests_on_is_shown_and_can_be_changed(demo_store) -> None:
    app = opened(demo_store, "meter_worth")
    group = group_shown(demo_store)
    app.selectbox(key="worth_facts_key").set_value("meter.worth.season_months").run()
    app.number_input(key="worth_facts_meter.worth.season_months").set_value(6.0).run()
    press(app, "worth_facts_save")
    fact = demo_store.fact(group.id, "meter.worth.season_months")
    assert (fact.value, fact.origin) == (6.0, "entered")


def test_all_proposed_days_are_promised_together_and_not_again(demo_store) -> None:
    app = opened(demo_store, "meter_log")
    group = group_shown(demo_store)
    before = len(demo_store.events(group.id, "meter"))
    press(app, "log_promise_all")
    made = demo_store.events(group.id, "meter")[before:]
    assert made
    assert {event.kind for event in made} == {"booking"}
    assert all(button.key != "log_promise_all" for button in app.button)
