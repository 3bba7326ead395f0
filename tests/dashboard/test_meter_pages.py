"""The treasurer's pages of the shared meter: the book, its forms, who pays what, bookings, what testing is worth."""

from __future__ import annotations

import re
from datetime import date, timedelta
from decimal import Decimal as D

import pytest
import sqlalchemy as sa

from core.group import tables
from core.group.records import Lot, Member
from core.meter.account import OWED_TO_MEMBERS, member_balances, money_book, replay
from core.meter.book import MONEY_PLACES
from dashboard.charts.meter import money_figure
from tests.dashboard.conftest import NOW
from tests.dashboard.forms import faults, field, fill, press, send, summary
from tests.dashboard.pages import open_page, pages_with_sections

SECTIONS = [
    *pages_with_sections()["meter_account"],
    *pages_with_sections()["meter_shares"],
    *pages_with_sections()["meter_bookings"],
]


@pytest.fixture(autouse=True)
def treasurer(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let it be known who writes."""
    monkeypatch.setenv("DRYHOLD_WHO", "Treasurer")


def book(store):
    """Return the events of the meter's book of the group that the pages show first."""
    return store.events(store.groups()[0].id, "meter")


def who_owes(store) -> tuple[str, D]:
    """Return a member who owes something, and how much."""
    return next((row.member, row.owes) for row in member_balances(replay(book(store)), NOW.date()) if row.owes > 0)


@pytest.mark.parametrize("name", SECTIONS)
def test_opens_with_no_members(empty_store, name: str) -> None:
    app = open_page(name)
    assert not app.exception
    assert app.title


@pytest.mark.parametrize("name", [name for name in SECTIONS if name != "meter_worth"])  # that one below, on two lots
def test_opens_on_the_example(demo_store, name: str) -> None:
    app = open_page(name)
    assert not app.exception
    assert not app.error


def test_the_book_is_opened_with_the_members_once(empty_store) -> None:
    group = empty_store.groups()[0].id
    for name in ("Zoe", "Zoe"):
        empty_store.add_member(Member(group_id=group, name=name))
    tabs = [open_page("meter_account") for _tab in range(2)]
    for tab in tabs:
        press(tab, "meter_open", "continue")
    for tab in tabs:
        press(tab, "meter_open", "record")
    assert [event.kind for event in book(empty_store)] == ["member_added", "member_added"]
    options = field(open_page("meter_record"), "meter_payment", "member").options
    numbers = [member.id for member in empty_store.members(group)]
    assert options == [f"Zoe, member {number}" for number in numbers]


def test_a_payment_is_summed_up_recorded_once_cancelled_and_stays_readable(demo_store) -> None:
    member, owes = who_owes(demo_store)
    name = demo_store.member(int(member)).name
    before = len(book(demo_store))
    app = fill(open_page("meter_record"), "meter_payment", member=member)
    assert field(app, "meter_payment", "amount").value == f"{owes:f}"
    press(app, "meter_payment", "continue")
    said = summary(app, "meter_payment")
    assert f"{name}, member {member} pays MWK" in said
    assert "into the cash box" in said
    press(app, "meter_payment", "record")
    event = book(demo_store)[-1]
    assert (event.kind, event.who, D(event.payload["amount"])) == ("payment", "Treasurer", owes)
    assert field(app, "meter_payment", "member").value is None
    assert field(app, "meter_payment", "amount").value == ""
    app = open_page("meter_book")
    options = field(app, "meter_cancel", "entry").options
    assert f"{name}, member {member}" in options[0]
    assert "MWK" in options[0]
    send(fill(app, "meter_cancel", entry=event.id, reason="recorded twice"), "meter_cancel")
    after = book(demo_store)
    assert (after[-1].reverses, after[-1].payload["reason"], len(after)) == (event.id, "recorded twice", before + 2)


@pytest.mark.parametrize(
    ("typed", "words"),
    [("36,000", "two ways"), ("text", "not a number"), ("-5", "at least"), ("0", "at least"), ("0.5", "steps of 1")],
)
def test_what_cannot_be_an_amount_is_said_beside_the_field(demo_store, typed: str, words: str) -> None:
    member, _owes = who_owes(demo_store)
    before = len(book(demo_store))
    app = fill(open_page("meter_record"), "meter_payment", member=member, amount=typed)
    assert any(words in fault for fault in faults(app))
    press(app, "meter_payment", "continue")
    assert len(book(demo_store)) == before
    assert not any(button.key == "meter_payment.record" for button in app.button)


def test_ten_times_what_is_owed_is_asked_about(demo_store) -> None:
    member, owes = who_owes(demo_store)
    app = fill(open_page("meter_record"), "meter_payment", member=member, amount=f"{10 * owes:f}")
    press(app, "meter_payment", "continue")
    assert any("10 times what is owed" in item.value for item in app.warning)


def test_more_than_a_place_holds_cannot_be_taken_from_it(demo_store) -> None:
    before = len(book(demo_store))
    app = open_page("meter_record")
    app.selectbox(key="meter_kind").set_value("spent").run()
    fill(app, "meter_spent", what="batteries", amount="900000000", money="bank")
    press(app, "meter_spent", "continue")
    assert any("holds MWK" in item.value and "less than that" in item.value for item in app.warning)
    press(app, "meter_spent", "record")
    assert any("is missing in the bank" in error.value for error in app.error)
    assert len(book(demo_store)) == before


ONE_OF_EACH = {
    "plan": {"amount": "1200"},
    "grain_payment": {"kg": "90", "moisture": "14"},
    "labour": {"hours": "4"},
    "outside_tests": {"payer": "A neighbour", "tests": "3", "amount": "1500"},
    "spent": {"what": "batteries", "amount": "500"},
    "grain_sold": {"amount": "9000"},
    "loan_taken": {"amount": "5000"},
    "loan_paid": {"interest": "100"},
    "depreciation": {"amount": "8330"},
    "loss_rule": {},
    "meter_gone": {"what": "theft"},
    "leaves": {},
    "money_moved": {"amount": "100", "to": "bank"},
    "cash_counted": {"amount": "40000"},
}
WITH_MEMBER = {"plan", "grain_payment", "labour", "meter_gone", "leaves"}


@pytest.mark.parametrize("kind", ONE_OF_EACH)
def test_one_entry_of_each_kind_is_recorded_and_the_books_take_it(demo_store, kind: str) -> None:
    member, _owes = who_owes(demo_store)
    app = open_page("meter_record")
    app.selectbox(key="meter_kind").set_value(kind).run()
    values = ({"member": member} if kind in WITH_MEMBER else {}) | ONE_OF_EACH[kind]
    send(fill(app, f"meter_{kind}", **values), f"meter_{kind}")
    assert book(demo_store)[-1].kind == kind
    account = replay(book(demo_store))
    assert not account.refused
    rows = account.journal.trial_balance()
    assert sum(row.debit for row in rows) == sum(row.credit for row in rows)


@pytest.mark.parametrize("kind", ["meter_bought", "joins"])
def test_what_is_not_possible_now_is_said_in_words(demo_store, kind: str) -> None:
    app = open_page("meter_record")
    app.selectbox(key="meter_kind").set_value(kind).run()
    assert not app.exception
    assert any("in the book" in error.value for error in app.error)


def test_the_names_of_the_lines_have_room_beside_the_last_day(demo_store) -> None:
    lines = money_book(replay(book(demo_store)), MONEY_PLACES)
    first, last = min(line.on for line in lines), max(line.on for line in lines)
    begin, end = (date.fromisoformat(str(edge)[:10]) for edge in money_figure(lines, "MWK").layout.xaxis.range)
    assert (end - last) / (end - begin) > 0.2
    assert begin == first


def test_who_is_late_comes_first(demo_store) -> None:
    """On a phone only the first cards are open: those that the answer speaks of."""
    app = open_page("meter_account")
    late = [words != "nothing" for words in app.dataframe[0].value["Late"]]
    assert any(late)
    assert late == sorted(late, reverse=True)


def test_accounts_and_balances_are_said_in_words(demo_store) -> None:
    """No account name with a colon reaches the screen; who owes whom is said."""
    app = open_page("meter_book")
    for table in app.dataframe:
        assert not table.value.astype(str).map(lambda text: "assets:" in text or "equity:" in text).any().any()
    assert {"Asset", "Own money", "Debt"} & set(app.dataframe[-1].value["Kind"])
    assert "Cash box" in set(app.dataframe[-1].value["Account"])
    balances = open_page("meter_account").dataframe[0].value
    assert balances["Balance"].str.contains("owes the group|settled|the group owes").all()


def test_the_season_closes_step_by_step_after_a_count(demo_store) -> None:
    """By hand: 30 less in the cash box than in the book; 90 are paid out to the members and owed to them afterwards."""
    app = open_page("meter_close")
    press(app, "close_age", "continue")
    press(app, "close_age", "record")
    assert book(demo_store)[-1].kind == "depreciation"
    form = f"close_count_{NOW.date()}"
    in_book = D(field(app, form, "cash box").value)
    fill(app, form, **{"cash box": f"{in_book - 30:f}"})
    send(app, form)
    event = book(demo_store)[-1]
    assert (event.kind, D(event.payload["counted"])) == ("cash_counted", in_book - 30)
    before = -replay(book(demo_store)).journal.balance(OWED_TO_MEMBERS)
    form = f"close_season_{NOW.date()}"
    fill(app, form, reserve="0", shared="90")
    press(app, form, "continue")
    assert any("Nothing can be dated" in item.value for item in app.warning)
    press(app, form, "record")
    account = replay(book(demo_store))
    assert book(demo_store)[-1].kind == "season_closed"
    assert not account.refused
    assert -account.journal.balance(OWED_TO_MEMBERS) - before == 90
    assert account.journal.totals()["income"] == 0


def test_earlier_payments_are_previewed_before_they_are_imported(demo_store) -> None:
    name = demo_store.members(demo_store.groups()[0].id)[0].name
    table = f"day,member,amount\n2026-05-01,{name},20\n2026-05-01,Nobody at all,5\n".encode()
    before = len(book(demo_store))
    app = open_page("meter_import")
    app.file_uploader(key="pay_file").upload("payments.csv", table, "text/csv").run()
    assert not app.exception
    assert len(book(demo_store)) == before
    press(app, "meter_import", "continue")
    assert "Import 1 payment, together MWK 20" in summary(app, "meter_import")
    press(app, "meter_import", "record")
    assert len(book(demo_store)) == before + 1
    assert book(demo_store)[-1].on == date(2026, 5, 1)


def test_the_shares_tell_what_the_meter_saves_and_are_charged_by_one_rule(demo_store) -> None:
    app = open_page("meter_shares")
    assert "it saves MWK" in app.info[0].value  # the example pays off
    assert len(app.get("plotly_chart")) == 2  # together without and with it, and one rule
    press(app, "shares_charge", "continue")
    said = summary(app, "shares_charge")
    assert "harvest of" in said
    press(app, "shares_charge", "record")
    event = book(demo_store)[-1]
    assert event.kind == "charge"
    account = replay(book(demo_store))
    assert not account.refused
    app = open_page("meter_shares")
    press(app, "shares_charge", "continue")
    assert any("asked already" in item.value for item in app.warning)


def test_the_shares_use_the_season_chosen_and_the_meter_s_real_price(demo_store) -> None:
    """By hand: the example's meter of 240,000 serves 4 seasons, 60,000 each; upkeep and tests come on top."""
    group = demo_store.groups()[0].id
    demo_store.set_fact(group, "meter.price", 999_000.0, "entered", "Treasurer", NOW)  # the meter in the book counts
    facts = demo_store.facts(group)
    app = open_page("meter_shares")
    seasons = app.selectbox(key="shares_season").options
    assert len(seasons) >= 2
    first = app.info[0].value
    app.selectbox(key="shares_season").set_value(1).run()
    assert not app.exception
    assert app.info[0].value != first
    app.selectbox(key="shares_season").set_value(0).run()
    app.selectbox(key="shares_rule").set_value("equal").run()
    press(app, "shares_charge", "continue")
    press(app, "shares_charge", "record")
    charged = sum(D(part) for part in book(demo_store)[-1].payload["shares"].values())
    tests = (charged - D(60_000) - D(str(facts["meter.upkeep_season"].value))) / D(str(facts["meter.per_test"].value))
    assert tests > 0
    assert abs(tests - round(tests)) < D("0.01")


def test_a_handover_tests_and_a_booking_are_recorded(demo_store) -> None:
    member = str(demo_store.members(demo_store.groups()[0].id)[0].id)
    app = send(fill(open_page("meter_log"), "log_handover", member=member, condition="whole"), "log_handover")
    assert book(demo_store)[-1].kind == "handover"
    app.radio(key="log_kind").set_value("tests").run()
    send(fill(app, "log_tests", member=member, tests="12", bags="10"), "log_tests")
    assert book(demo_store)[-1].payload == {"member": member, "tests": 12, "bags": 10}
    app.radio(key="log_kind").set_value("booking").run()
    start = NOW.date() + timedelta(days=30)
    fill(app, "log_booking", member=member, first=start)
    assert field(app, "log_booking", "last").value == start + timedelta(days=1)
    send(app, "log_booking")
    assert book(demo_store)[-1].payload["first_day"] == start.isoformat()
    other = str(demo_store.members(demo_store.groups()[0].id)[1].id)
    press(fill(app, "log_booking", member=other, first=start), "log_booking", "continue")
    assert app.error
    assert book(demo_store)[-1].payload["member"] == member


def test_all_proposed_days_are_booked_together_once(demo_store) -> None:
    app = open_page("meter_log")
    days = next(frame.value for frame in app.dataframe if "Why" in frame.value.columns)
    assert all(re.search(r"\d [A-Z][a-z]+ 2026", text) for text in (*days["Day"], *days["Why"]))  # as on other pages
    fill(app, "log_proposed", which=-1)
    before = len(book(demo_store))
    send(app, "log_proposed")
    made = book(demo_store)[before:]
    assert made
    assert {event.kind for event in made} == {"booking"}
    assert all(button.key != "log_proposed.continue" for button in app.button)


@pytest.fixture
def two_lots(demo_store):
    """Return the example with two of its lots alone: what testing is worth is worked out lot by lot."""
    group = demo_store.groups()[0].id
    open_lots = [lot for lot in demo_store.lots(group, open_only=True) if lot.commodity == "maize"]
    kept = [lot.id for lot in open_lots[:2]]
    with demo_store.engine.begin() as connection:
        lots = tables.lots
        other = demo_store.groups()[1].id
        connection.execute(
            sa.update(lots)
            .where(lots.c.group_id == group, lots.c.id.not_in(kept))
            .values(group_id=other, label="moved " + lots.c.label)
        )
    # so cheap that two lots pay for it: the picture of its pay-back is drawn
    demo_store.set_fact(group, "meter.price", 5000, "entered", "Treasurer", NOW)
    return demo_store


def test_worth_is_answered_with_its_spread_for_each_judgement(two_lots) -> None:
    app = open_page("meter_worth")
    assert not app.exception
    assert not app.error
    assert len(app.get("plotly_chart")) == 3
    for judgement in ("salt_jar", "none"):
        fill(app, "worth", judged_by=judgement)
        assert not app.exception
        assert "8 of 10" in app.info[0].value


def test_without_any_price_the_price_of_maize_stands_in_and_the_page_says_so(empty_store) -> None:
    """A group of sorghum alone, of which nobody has entered a price."""
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
    assert any("counted at the price of maize" in str(caption.value) for caption in app.caption)
    assert any("Testing is worth" in str(info.value) for info in app.info)


def test_a_value_is_changed_once_and_another_tab_never_overwrites_it(demo_store) -> None:
    group = demo_store.groups()[0].id
    tabs = [open_page("meter_shares") for _tab in range(2)]
    for tab, value in zip(tabs, ("7000", "9000"), strict=True):
        fill(tab, "shares_facts", name="meter.upkeep_season", value=value)
        press(tab, "shares_facts", "continue")
    press(tabs[0], "shares_facts", "record")
    assert demo_store.fact(group, "meter.upkeep_season").value == 7000
    press(tabs[1], "shares_facts", "record")
    assert any("Somebody changed this" in error.value for error in tabs[1].error)
    assert any("9000" in item.value and "7000" in item.value for item in tabs[1].markdown)
    assert demo_store.fact(group, "meter.upkeep_season").value == 7000
