"""Deliveries, pay-out and statements on screen: money goes to the right person once."""

from __future__ import annotations

from datetime import UTC, date, datetime
from decimal import Decimal as D

import pytest

from core.group.records import Member
from core.group.selling import write_buyer
from core.pool.book import season_of, write_entries
from core.pool.payout import CASH, books, pay_by_member
from tests.dashboard.forms import faults, field, fill, press, send, summary
from tests.dashboard.pages import open_page, pages_with_sections

SECTIONS = [*pages_with_sections()["deliveries"], *pages_with_sections()["payout"]]
AT = datetime(2026, 5, 19, tzinfo=UTC)
MAY = date(2026, 5, 10)


@pytest.fixture(autouse=True)
def treasurer(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let it be known who writes."""
    monkeypatch.setenv("DRYHOLD_WHO", "Bakari")


@pytest.mark.parametrize("name", SECTIONS)
def test_opens_on_the_example(name, demo_store):
    app = open_page(name)
    assert not app.exception
    assert not app.error
    assert app.info or name == "deliveries_earlier"


@pytest.mark.parametrize("name", SECTIONS)
def test_opens_on_an_empty_group(name, empty_store):
    app = open_page(name)
    assert not app.exception
    assert not app.error


def pool_events(store):
    return store.events(store.groups()[0].id, "pool")


def two_zoes(store, sold: bool = True) -> tuple[int, int]:
    """Two members of one name with 600 and 400 kg; by hand at 100 a kg: 60,000 and 40,000 due, nothing come in yet."""
    group = store.groups()[0].id
    write_buyer(store, group, {"name": "Gate traders"}, MAY, "Bakari", AT)
    first, second = (store.add_member(Member(group_id=group, name="Zoe")) for _turn in range(2))
    load = {"pool": "maize", "commodity": "maize", "tare_kg": "0", "bags": 8, "moisture_pct": "13.5", "grade": "1"}
    items = [
        ("delivery", MAY, {**load, "member_id": first, "gross_kg": "600"}),
        ("delivery", MAY, {**load, "member_id": second, "gross_kg": "400"}),
    ]
    if sold:
        sale = {"pool": "maize", "buyer": "Ridge Millers", "loaded_kg": "1000", "loaded_moisture_pct": "13.5"}
        items.append(("sale", MAY, {**sale, "price_per_kg": "100"}))
    write_entries(store, group, items, "Bakari", AT)
    return first, second


@pytest.mark.parametrize(
    ("name", "way"), [("payout", "deliveries"), ("pool_other", "our_things"), ("meter_shares", "our_things")]
)
def test_an_empty_group_is_led_to_the_next_step(name, way, empty_store):
    app = open_page(name)
    assert way in [link.proto.page for link in app.get("page_link") if link.proto.label in ("Weigh in", "Members")]


def test_from_the_weighing_to_the_close(empty_store):
    """By hand: 86.5 kg at 13.5 % sold at 600 are 51,900, less 100 of truck 51,800; paid in, paid out, closed."""
    group = empty_store.groups()[0]
    adiru = empty_store.add_member(Member(group_id=group.id, name="Adiru"))
    write_buyer(empty_store, group.id, {"name": "Ridge Millers"}, date(2026, 5, 19), "Bakari", AT)
    app = fill(open_page("deliveries"), "delivery", member=adiru, pool="Main pool", crop="maize")
    fill(app, "delivery", gross="86.5", bags="1", moisture="13.5")
    press(app, "delivery", "continue")
    assert f"Adiru, member {adiru} delivers 86.5 kg" in summary(app, "delivery")
    press(app, "delivery", "record")
    assert any(code.value.startswith("Receipt") and len(code.value) <= 160 for code in app.code)
    assert field(app, "delivery", "gross").value == ""
    assert field(app, "delivery", "member").value is None
    fill(app, "delivery", member=adiru, crop="maize", gross="80", bags="1", moisture="19")
    press(app, "delivery", "continue")
    assert any("dry it first" in error.value for error in app.error)
    assert [event.kind for event in pool_events(empty_store)] == ["delivery"]

    app = fill(open_page("pool_loads"), "load_sale", buyer="Ridge Millers", loaded="5000", ours="13.5", price="600")
    press(app, "load_sale", "continue")
    assert any("less than this load" in item.value for item in app.warning)
    press(app, "load_sale", "change")
    fill(app, "load_sale", loaded="86.5", theirs="14.5", costs="100")
    app = press(app, "load_sale", "continue")
    press(app, "load_sale", "record")
    assert any(
        "is missing in the pools' cash" in error.value for error in app.error
    )  # the truck was paid from something
    app = open_page("pool_other")
    app.selectbox(key="pool_kind").set_value("money_in").run()
    send(fill(app, "pool_money_in", amount="100", place="bank"), "pool_money_in")
    app = fill(open_page("pool_loads"), "load_sale", buyer="Ridge Millers", loaded="86.5", ours="13.5", price="600")
    send(fill(app, "load_sale", theirs="14.5", costs="100"), "load_sale")
    assert [event.kind for event in pool_events(empty_store)] == ["delivery", "money_in", "sale"]
    assert empty_store.facts(group.id)["buyer_offset.Ridge Millers"].value > 0  # given back to the plan
    app.selectbox(key="load_kind").set_value("buyer_payment").run()
    fill(app, "load_buyer_payment", buyer="Ridge Millers")
    assert field(app, "load_buyer_payment", "amount").value == "51900"
    send(app, "load_buyer_payment")
    app = send(open_page("payout"), "pay_all")
    assert pool_events(empty_store)[-1].payload["amount"] == "51800"
    app = fill(open_page("pool_close"), "pool_close", notes="50 x 1")
    press(app, "pool_close", "continue")
    assert any("difference" in error.value for error in app.error)
    send(fill(app, "pool_close", explanation="a note was found"), "pool_close")
    assert pool_events(empty_store)[-1].kind == "close"
    app = fill(open_page("deliveries"), "delivery", member=adiru, crop="maize", gross="20", bags="1", moisture="13")
    send(app, "delivery")
    assert any("closed" in error.value for error in app.error)
    app = open_page("statements")
    assert any(f"The group owes Adiru {group.currency}" in info.value for info in app.info)


def test_two_members_of_one_name_are_told_apart_everywhere(empty_store):
    """The delivery goes to the one who is chosen; lists, summary, statement and book name the number."""
    first, second = two_zoes(empty_store)
    app = open_page("deliveries")
    options = field(app, "delivery", "member").options
    assert options == [f"Zoe, member {first}", f"Zoe, member {second}"]
    fill(app, "delivery", member=first, crop="maize", gross="50", bags="1", moisture="13")
    press(app, "delivery", "continue")
    assert f"Zoe, member {first} delivers" in summary(app, "delivery")
    press(app, "delivery", "record")
    assert pool_events(empty_store)[-1].payload["member_id"] == first
    statement = open_page("statements")
    assert statement.selectbox(key="statement_member").options == options
    assert f"member {first}" in statement.info[0].value
    table = open_page("payout").dataframe[0].value
    assert sorted(table["Member"]) == options
    cancel = field(open_page("pool_book"), "pool_cancel", "entry").options
    assert any(f"Zoe, member {first}" in option and "50.0 kg" in option for option in cancel)


def test_the_amount_follows_the_member_and_is_booked_for_that_member(empty_store):
    first, second = two_zoes(empty_store)
    group = empty_store.groups()[0].id
    paid = {"buyer": "Ridge Millers", "amount": "100000"}
    write_entries(empty_store, group, [("buyer_payment", MAY, paid)], "Bakari", AT)
    app = open_page("pool_other")
    fill(app, "pool_payment", member=first)
    assert field(app, "pool_payment", "amount").value == "60000"
    fill(app, "pool_payment", member=second)
    assert field(app, "pool_payment", "amount").value == "40000"
    press(app, "pool_payment", "continue")
    assert f"Zoe, member {second} is paid XOF 40,000" in summary(app, "pool_payment")
    press(app, "pool_payment", "record")
    event = pool_events(empty_store)[-1]
    assert (event.payload["member_id"], event.payload["amount"]) == (second, "40000")
    assert field(app, "pool_payment", "member").value is None
    assert field(app, "pool_payment", "amount").value == ""


def test_nothing_of_a_load_survives_into_the_next(empty_store):
    two_zoes(empty_store, sold=False)
    app = fill(open_page("pool_loads"), "load_sale", buyer="Gate traders", loaded="100", ours="13.5", price="90")
    send(fill(app, "load_sale", theirs_kg="98", theirs="14"), "load_sale")
    for name in ("theirs_kg", "theirs", "loaded", "price"):
        assert field(app, "load_sale", name).value == ""
    fill(app, "load_sale", buyer="Gate traders", loaded="200", ours="13.5", price="90")
    send(app, "load_sale")
    assert "buyer_kg" not in pool_events(empty_store)[-1].payload


def test_a_second_tab_and_a_second_press_book_once(empty_store):
    """Two tabs opened on the same book send the same payment: one is told that it is saved already."""
    first, _second = two_zoes(empty_store)
    group = empty_store.groups()[0].id
    write_entries(empty_store, group, [("buyer_payment", MAY, {"buyer": "Ridge Millers", "amount": "99000"})], "B", AT)
    tabs = [open_page("pool_other") for _tab in range(2)]
    for tab in tabs:
        fill(tab, "pool_payment", member=first, amount="500")
        press(tab, "pool_payment", "continue")
    press(tabs[0], "pool_payment", "record")
    assert not any(button.key == "pool_payment.record" for button in tabs[0].button)
    press(tabs[1], "pool_payment", "record")
    assert any("saved already" in item.value for item in tabs[1].success)
    assert sum(event.kind == "payment" for event in pool_events(empty_store)) == 1
    # the same payment once more, meant so, is asked about and then taken
    fill(tabs[1], "pool_payment", member=first, amount="500")
    press(tabs[1], "pool_payment", "continue")
    assert any("same entry is in the book already" in item.value for item in tabs[1].warning)
    press(tabs[1], "pool_payment", "record")
    assert sum(event.kind == "payment" for event in pool_events(empty_store)) == 2


def test_what_has_come_in_is_paid_and_no_more(empty_store):
    """By hand: 25,000 of 100,000 in: 15,000 and 10,000. One payment beyond the cash is refused."""
    first, second = two_zoes(empty_store)
    group = empty_store.groups()[0].id
    app = open_page("payout")
    assert any("There is no cash to pay out" in item.value for item in app.caption)
    write_entries(empty_store, group, [("buyer_payment", MAY, {"buyer": "Ridge Millers", "amount": "25000"})], "B", AT)
    app = open_page("payout")
    assert "Buyers still owe XOF 75,000" in app.info[0].value
    assert app.button(key="pay_all.continue").label == "Pay with the cash that is there"
    press(app, "pay_all", "continue")
    assert "XOF 25,000 of XOF 100,000 due" in summary(app, "pay_all")
    press(app, "pay_all", "record")
    season = season_of(empty_store, group)
    assert {member: pay.paid for member, pay in pay_by_member(season).items()} == {first: 15000, second: 10000}
    assert books(season).balance(CASH) == 0
    app = send(fill(open_page("pool_other"), "pool_payment", member=first, amount="1"), "pool_payment")
    assert any("is missing in the pools' cash" in error.value for error in app.error)
    statement = open_page("statements")
    assert "The buyers still owe all members together XOF 75,000" in statement.info[0].value


def test_unusual_amounts_are_asked_about_first(empty_store):
    first, _second = two_zoes(empty_store)
    app = open_page("pool_loads")
    app.selectbox(key="load_kind").set_value("buyer_payment").run()
    fill(app, "load_buyer_payment", buyer="Ridge Millers", amount="1000000")
    press(app, "load_buyer_payment", "continue")
    assert any("10 times what is owed" in item.value for item in app.warning)
    press(app, "load_buyer_payment", "change")
    fill(app, "load_buyer_payment", amount="103000")
    send(app, "load_buyer_payment")
    page = open_page("payout")
    assert any("3,000 more than is owed" in item.value for item in page.warning)
    app = fill(open_page("deliveries"), "delivery", member=first, crop="maize", gross="900", bags="1", moisture="13")
    press(app, "delivery", "continue")
    assert any("900 kg a bag" in item.value for item in app.warning)
    send(fill(press(app, "delivery", "change"), "delivery", bags="10"), "delivery")
    app = fill(open_page("pool_loads"), "load_sale", buyer="Gate traders", loaded="100", ours="13", price="100")
    fill(app, "load_sale", taken="9000")
    press(app, "load_sale", "continue")
    assert any("90 % of the price" in item.value for item in app.warning)
    press(app, "load_sale", "change")
    fill(app, "load_sale", taken="10001")
    send(app, "load_sale")
    assert any("more than the load is worth" in error.value for error in app.error)


def test_a_load_heavier_than_the_pool_is_asked_about_and_then_takes_the_whole_pool(empty_store):
    """1,000 kg by the book and 1,012 kg on the truck at 100: 101,200 are shared 600 to 400, and nothing is left."""
    first, second = two_zoes(empty_store, sold=False)
    app = fill(open_page("pool_loads"), "load_sale", buyer="Gate traders", loaded="1012", ours="13.5", price="100")
    press(app, "load_sale", "continue")
    assert not app.error
    assert any("less than this load" in item.value for item in app.warning)
    press(app, "load_sale", "record")
    assert not app.error
    found = season_of(empty_store, empty_store.groups()[0].id)
    assert found.refused == ()
    assert found.pool_dry_kg("maize") == 0
    pays = pay_by_member(found)
    assert (pays[first].proceeds, pays[second].proceeds) == (D(60720), D(40480))


def test_what_a_buyer_never_pays_is_written_off_up_to_the_debt(empty_store):
    """By hand: 30,000 of 100,000 never paid: 18,000 and 12,000 less."""
    first, second = two_zoes(empty_store)
    app = open_page("pool_loads")
    app.selectbox(key="load_kind").set_value("written_off").run()
    fill(app, "load_written_off", buyer="Ridge Millers", amount="100001")
    assert any("at most 100000" in fault for fault in faults(app))
    send(fill(app, "load_written_off", amount="30000"), "load_written_off")
    dues = {
        member: pay.due for member, pay in pay_by_member(season_of(empty_store, empty_store.groups()[0].id)).items()
    }
    assert dues == {first: D(42000), second: D(28000)}


def test_a_changed_agreement_shows_what_it_does_to_each_member_before_it_is_kept(empty_store):
    """By hand: a levy of 10 % takes 6,000 and 4,000; the second Zoe has been paid in full, and is named for it."""
    first, second = two_zoes(empty_store)
    group = empty_store.groups()[0].id
    items = [
        ("buyer_payment", MAY, {"buyer": "Ridge Millers", "amount": "100000"}),
        ("payment", MAY, {"member_id": second, "amount": "40000"}),
    ]
    write_entries(empty_store, group, items, "Bakari", AT)
    app = fill(open_page("pool_agreement"), "agreement", levies="office: 10 %")
    press(app, "agreement", "continue")
    assert "changes the pay of 2 members" in summary(app, "agreement")
    words = " ".join(item.value for item in app.warning).replace("\\", "")
    assert f"settled already: Zoe, member {second}" in words
    assert f"Zoe, member {first}: due XOF 60,000, then XOF 54,000" in words
    assert not any(event.kind == "terms" for event in pool_events(empty_store))
    press(app, "agreement", "record")
    assert pool_events(empty_store)[-1].payload["levies"] == [{"name": "office", "kind": "share", "amount": "0.1"}]
    fill(app, "agreement", grades="first", limit="36,000")
    assert any("two ways" in fault for fault in faults(app))
    press(fill(app, "agreement", limit="14"), "agreement", "continue")
    assert any("not a name, a colon and a number" in error.value for error in app.error)


def test_an_entry_is_cancelled_with_its_reason_and_stays_readable(empty_store):
    two_zoes(empty_store)
    number = pool_events(empty_store)[-1].id
    app = fill(open_page("pool_book"), "pool_cancel", entry=number)
    press(app, "pool_cancel", "continue")
    assert len(faults(app)) == 1  # no reason given
    send(fill(app, "pool_cancel", reason="another load"), "pool_cancel")
    assert pool_events(empty_store)[-1].reverses == number
    season = season_of(empty_store, empty_store.groups()[0].id)
    assert not season.sales
    assert season.pool_dry_kg("maize") == D("865.000")


def test_a_table_of_earlier_deliveries_comes_in_and_goes_back(empty_store):
    group = empty_store.groups()[0]
    app = open_page("deliveries_earlier")
    table = b"Date;Nom;Poids net;Humidite\n03/04/2026;Adiru;93,4;12,8\n04/04/2026;Bakari;neuf;13\n"
    app.file_uploader[0].set_value(("carnet.csv", table, "text/csv")).run()
    assert not app.exception
    app.checkbox(key="earlier_add_deliveries_0").check().run()
    app.button(key="earlier_write_deliveries").click().run()
    assert not app.exception
    assert [member.name for member in empty_store.members(group.id)] == ["Adiru"]
    assert [event.kind for event in pool_events(empty_store)] == ["import", "delivery"]
    fill(app, "earlier_cancel", entry=pool_events(empty_store)[0].id, reason="another group's book")
    send(app, "earlier_cancel")
    assert len(pool_events(empty_store)) == 4


def test_nothing_is_recorded_before_somebody_gave_a_name(empty_store, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.delenv("DRYHOLD_WHO")
    first, _second = two_zoes(empty_store)
    app = fill(open_page("deliveries"), "delivery", member=first, crop="maize", gross="60", bags="1", moisture="13")
    before = len(pool_events(empty_store))
    send(app, "delivery")
    assert any("first give your name" in error.value for error in app.error)
    assert len(pool_events(empty_store)) == before
    app.text_input(key="writer_name").set_value("Amara").run()
    press(app, "delivery", "record")
    assert pool_events(empty_store)[-1].who == "Amara"
