"""The page of buyers and offers, and the way of its entries into the plan."""

from __future__ import annotations

from datetime import date, timedelta

from core.group.selling import buyer_book
from core.planning.case_from_records import build_case
from tests.dashboard.pages import open_page

TODAY = date(2026, 5, 20)


def press(app, label: str):
    return next(button for button in app.button if button.label == label).click().run()


def record(app, form: str):
    """Send a form, and confirm what it says."""
    app.button(key=f"{form}.continue").click().run()
    return app.button(key=f"{form}.record").click().run()


def test_the_section_opens_and_names_the_best_buyer(demo_store):
    app = open_page("buyers")
    assert not app.exception
    assert any("is best" in box.value for box in app.info)


def test_a_buyer_and_an_offer_are_written_changed_and_withdrawn_and_reach_the_plan(demo_store):
    group = demo_store.groups()[0]
    app = open_page("buyers")
    before = len(demo_store.events(group.id, "buyers"))
    typed = {
        "name": "Hill mill",
        "distance_km": "30",
        "price_factor": "108",
        "discount_from_pct": "13",
        "discount_per_point": "3",
        "second_from_pct": "15",
        "second_per_point": "6",
        "refuses_above_pct": "16",
        "pay_delay_days": "14",
        "weekly_quantity_kg": "3000",
        "price_fall": "8",
        "trip_cost": "9000",
        "scale_offset": "-2",
    }
    for key, text in typed.items():
        app.text_input(key=f"buyer_0_0.0.{key}").input(text)
    for key in ("refuses_treated", "own_scale"):
        app.checkbox(key=f"buyer_0_0.0.{key}").check()
    record(app, "buyer_0_0")
    assert not app.exception, app.exception
    entry = buyer_book(demo_store, group.id).buyers[-1]
    assert entry.buyer.name == "Hill mill"
    app.selectbox(key="offer_0_0.0.buyer").select(entry.number)
    app.selectbox(key="offer_0_0.0.commodity").select("maize")
    app.text_input(key="offer_0_0.0.price_per_kg").input("900")
    app.text_input(key="offer_0_0.0.quantity_kg").input("2500")
    record(app, "offer_0_0")
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
    # weeks begin on the market day; the offer stands from the day on which it was written down, in the running week
    assert (offer.quantity_kg, offer.first_week, offer.last_week, offer.commodities) == (2500.0, 0, 4, ("maize",))
    assert case.start + timedelta(days=offer.first_day) == TODAY
    assert offer.chance_failing == 0.1
    # New terms of the same buyer: another entry, the same number.
    app.selectbox(key="buyers_which").select(entry.number).run()
    form = f"buyer_{entry.number}_0"
    app.text_input(key=f"{form}.0.pay_delay_days").input("28")
    record(app, form)
    changed = buyer_book(demo_store, group.id).buyers[-1]
    assert (changed.number, changed.changes, changed.buyer.pay_delay_days) == (entry.number, 1, 28)
    app.selectbox(key="withdraw.0.number").select(entry.number)
    record(app, "withdraw")
    assert not app.exception
    case = build_case(demo_store, group.id, TODAY, scenarios=20).case
    assert not any(buyer.name.startswith("Hill mill") for buyer in case.buyers)
    assert len(demo_store.events(group.id, "buyers")) == before + 4
    # A withdrawal can be undone, by one more entry.
    press(app, "Restore")
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
    app.button(key="buyer_0_0.continue").click().run()
    assert not app.exception
    assert any("Name" in text.value and "fill" in text.value for text in app.markdown)


def test_an_offer_without_a_price_gets_a_sentence(demo_store):
    group = demo_store.groups()[0]
    number = buyer_book(demo_store, group.id).standing_buyers()[0].number
    app = open_page("buyers")
    app.selectbox(key="offer_0_0.0.buyer").select(number)
    app.selectbox(key="offer_0_0.0.commodity").select("maize")
    record(app, "offer_0_0")
    assert not app.exception
    assert any("offer of" in error.value for error in app.error)


def test_treated_grain_is_not_sold_before_its_waiting_time_and_not_to_who_refuses_it(demo_store):
    app = open_page("buyers")
    box = next(box for box in app.checkbox if str(box.key).startswith("buyers_treated_"))
    box.check().run()
    assert not app.exception
    said = " ".join(item.value for item in [*app.warning, *app.error, *app.caption])
    assert "waiting time" in said


def test_a_group_without_lots_and_prices_gets_a_sentence(empty_store):
    app = open_page("buyers")
    assert not app.exception
    assert any("no lots and no prices" in box.value for box in app.info)
