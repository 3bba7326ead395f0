"""The page of buyers and offers, and the way of its entries into the plan."""

from __future__ import annotations

from datetime import date

from core.group.selling import buyer_book
from core.planning.case_from_records import build_case
from tests.dashboard.pages import open_page

TODAY = date(2026, 5, 20)


def press(app, label: str):
    return next(button for button in app.button if button.label == label).click().run()


def test_the_page_opens_and_names_who_brings_most(demo_store):
    app = open_page("buyers")
    assert not app.exception
    assert any("brings most" in box.value for box in app.info)


def test_a_buyer_and_an_offer_are_written_changed_and_withdrawn_and_reach_the_plan(demo_store):
    group = demo_store.groups()[0]
    app = open_page("buyers")
    before = len(demo_store.events(group.id, "buyers"))
    tag = "0_2"
    app.text_input(key=f"buyers_name_{tag}").input("Hill mill")
    app.number_input(key=f"buyers_distance_km_{tag}").set_value(30.0)
    app.number_input(key=f"buyers_price_factor_{tag}").set_value(108.0)
    app.number_input(key=f"buyers_discount_from_pct_{tag}").set_value(13.0)
    app.number_input(key=f"buyers_discount_per_point_{tag}").set_value(3.0)
    app.number_input(key=f"buyers_second_from_pct_{tag}").set_value(15.0)
    app.number_input(key=f"buyers_second_per_point_{tag}").set_value(6.0)
    app.number_input(key=f"buyers_refuses_above_pct_{tag}").set_value(16.0)
    app.number_input(key=f"buyers_pay_delay_days_{tag}").set_value(14.0)
    app.number_input(key=f"buyers_weekly_quantity_kg_{tag}").set_value(3000.0)
    app.number_input(key=f"buyers_price_fall_{tag}").set_value(8.0)
    app.number_input(key=f"buyers_trip_cost_{tag}").set_value(9000.0)
    app.checkbox(key=f"buyers_refuses_treated_{tag}").check()
    app.checkbox(key=f"buyers_own_scale_{tag}").check()
    app.number_input(key=f"buyers_scale_offset_{tag}").set_value(-2.0)
    press(app, "Write into the book")
    assert not app.exception, app.exception
    entry = buyer_book(demo_store, group.id).buyers[-1]
    assert entry.buyer.name == "Hill mill"
    tag = "offer0_1"
    app.selectbox(key=f"buyers_offer_buyer_{tag}").select(entry.number)
    app.number_input(key=f"buyers_price_per_kg_{tag}").set_value(900.0)
    app.number_input(key=f"buyers_quantity_kg_{tag}").set_value(2500.0)
    press(app, "Write the offer into the book")
    assert not app.exception
    case = build_case(demo_store, group.id, TODAY, scenarios=20).case
    who = next(buyer for buyer in case.buyers if buyer.code == f"buyer-{entry.number}")
    cut = who.deductions
    assert (who.price_factor, cut.base_pct, cut.refusal_pct) == (1.08, 13.0, 16.0)
    assert cut.steps == ((15.0, 0.03), (100.0, 0.06))
    assert (who.pay_delay_weeks, who.weekly_kg, who.refuses_treated, cut.scale_offset) == (2, 3000.0, True, -0.02)
    assert abs(who.price_fall - 0.08) < 1e-12
    assert case.trip_cost(case.buyers.index(who)) == 9000
    offer = next(buyer for buyer in case.buyers if buyer.fixed_price == 900.0)
    assert (offer.quantity_kg, offer.first_week, offer.last_week, offer.commodities) == (2500.0, 0, 4, ("maize",))
    assert offer.chance_failing == 0.1
    # New terms of the same buyer: another entry, the same number.
    app.selectbox(key="buyers_which").select(entry.number).run()
    app.number_input(key=f"buyers_pay_delay_days_{entry.number}_0").set_value(28.0)
    press(app, "Write into the book")
    changed = buyer_book(demo_store, group.id).buyers[-1]
    assert (changed.number, changed.changes, changed.buyer.pay_delay_days) == (entry.number, 1, 28)
    app.selectbox(key="buyers_withdraw_which").select(entry.number)
    press(app, "Withdraw")
    assert not app.exception
    case = build_case(demo_store, group.id, TODAY, scenarios=20).case
    assert not any(buyer.name.startswith("Hill mill") for buyer in case.buyers)
    assert len(demo_store.events(group.id, "buyers")) == before + 4
    # A withdrawal can be undone, by one more entry.
    press(app, "Let it stand again")
    assert not app.exception
    assert buyer_book(demo_store, group.id).standing_buyers()[-1].buyer.name == "Hill mill"
    assert len(demo_store.events(group.id, "buyers")) == before + 5


def test_the_examples_mill_is_learnt_from_its_own_loads(demo_store):
    group = demo_store.groups()[0]
    who = next(entry.buyer for entry in buyer_book(demo_store, group.id).buyers if entry.buyer.name == "Ridge Millers")
    # One load: 13.4 % on the mill's meter, 13.0 % on ours; 0.6 % less on its scale (demo data); weights 0.25 / 0.41 and
    # 0.8.
    assert abs(who.own_meter.mean - 0.4 * 0.25 / 0.41) < 1e-9
    assert abs(who.own_scale.mean + 0.006 * 0.8) < 1e-4


def test_a_buyer_without_a_name_gets_a_sentence(demo_store):
    app = open_page("buyers")
    press(app, "Write into the book")
    assert not app.exception
    assert any("name" in error.value for error in app.error)


def test_an_offer_without_a_price_gets_a_sentence(demo_store):
    app = open_page("buyers")
    app.text_input(key="buyers_name_0_2").input("Hill mill")
    press(app, "Write into the book")
    press(app, "Write the offer into the book")
    assert not app.exception
    assert any("offer of" in error.value for error in app.error)


def test_a_group_without_lots_and_prices_gets_a_sentence(empty_store):
    app = open_page("buyers")
    assert not app.exception
    assert any("No lots and no prices" in box.value for box in app.info)
