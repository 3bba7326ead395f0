"""The page of prices."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import pandas as pd
import pytest

from core.group.records import PriceQuote
from core.group.selling import group_prices
from tests.dashboard.forms import field
from tests.dashboard.pages import open_page

NOW = datetime(2026, 5, 20, 8, tzinfo=UTC)


def test_the_answer_stands_first_and_the_fan_carries_the_price_that_pays(demo_store):
    app = open_page("prices")
    assert not app.exception
    assert any("aiting" in box.value for box in app.info)
    lots = demo_store.lots(demo_store.groups()[0].id, open_only=True)
    bags = {crop: sum(lot.bags for lot in lots if lot.commodity == crop) for crop in {lot.commodity for lot in lots}}
    assert app.selectbox(key="prices_crop").value == max(bags, key=lambda crop: bags[crop])
    fan = json.loads(app.get("plotly_chart")[0].proto.spec)
    names = [trace.get("name") for trace in fan["data"]]
    assert "price that pays for waiting" in names
    assert "today" in names
    assert "per kg" in fan["layout"]["title"]["text"]
    assert any("8 in 10 possible prices" in note["text"] for note in fan["layout"]["annotations"])


def test_past_harvests_are_told_with_a_report_to_take_along(demo_store):
    app = open_page("waiting_past")
    assert not app.exception
    assert any("past harvests" in text.value for text in app.info) or app.error
    assert app.get("download_button")


def test_a_quote_in_bags_is_noted_per_kg(demo_store):
    group = demo_store.groups()[0]
    before = len(demo_store.price_quotes(group.id))
    app = open_page("price_import")
    assert field(app, "quote", "market").value == "Ridge town"  # where the plan's prices come from
    field(app, "quote", "price").input("4500,0")
    field(app, "quote", "unit").input("90 kg bag")
    next(button for button in app.button if button.label == "Note this price").click().run()
    assert not app.exception
    quotes = demo_store.price_quotes(group.id)
    assert len(quotes) == before + 1
    newest = quotes.loc[quotes["id"].idxmax()]
    assert (newest["market"], newest["price_per_kg"]) == ("Ridge town", 50.0)


def test_a_measure_without_weight_gets_a_sentence(demo_store):
    app = open_page("price_import")
    field(app, "quote", "price").input("40")
    field(app, "quote", "unit").input("heap")
    next(button for button in app.button if button.label == "Note this price").click().run()
    assert not app.exception
    assert any("heap" in error.value for error in app.error)


def test_a_price_file_is_previewed_kept_and_taken_back(demo_store):
    group = demo_store.groups()[0]
    before = len(demo_store.price_quotes(group.id))
    rows = "".join(
        f"2024-{month:02d}-15,Farside,Sorghum,50 KG,actual,{group.currency},{1000 + month}\n" for month in range(1, 13)
    )
    content = (
        "date,market,commodity,unit,priceflag,currency,price\n"
        "#date,#loc+market+name,#item+name,#item+unit,#item+price+flag,#currency,#value\n"
        + rows
        + f"2025-01-15,Farside,Sorghum,50 KG,forecast,{group.currency},0.0\n"
    ).encode()
    app = open_page("price_import")
    app.file_uploader[0].upload("prices.csv", content, "text/csv").run()
    assert not app.exception
    assert any("14 rows read, 12 usable, 2 left out" in text.value for text in app.markdown)
    app.button(key="prices_keep").click().run()
    assert len(demo_store.price_quotes(group.id)) == before + 12
    record = demo_store.imports(group.id)[0]
    app.button(key=f"prices_undo_{record.id}").click().run()
    assert not app.exception
    assert len(demo_store.price_quotes(group.id)) == before


def test_terms_that_are_entered_are_kept_as_facts(demo_store):
    group = demo_store.groups()[0]
    app = open_page("prices")
    app.text_input(key="waiting_costs.0.interest_monthly").input("5")
    app.button(key="waiting_costs.save").click().run()
    assert not app.exception
    fact = demo_store.fact(group.id, "interest_monthly")
    assert fact.value == 0.05
    assert fact.origin == "entered"


def test_a_price_noted_wrongly_is_taken_back(empty_store):
    group = empty_store.groups()[0]
    app = open_page("price_import")
    assert field(app, "quote", "market").value is None
    field(app, "quote", "price").input("2")
    field(app, "quote", "currency").input("usd")
    next(button for button in app.button if button.label == "Note this price").click().run()
    assert any("rate" in error.value for error in app.error)
    field(app, "quote", "price").input("2")
    field(app, "quote", "currency").input("usd")
    field(app, "quote", "rate").input("600")
    next(button for button in app.button if button.label == "Note this price").click().run()
    assert not app.exception
    assert empty_store.price_quotes(group.id)["price_per_kg"].tolist() == [1200.0]
    record = empty_store.imports(group.id)[0]
    app.button(key=f"prices_undo_{record.id}").click().run()
    assert not app.exception
    assert empty_store.price_quotes(group.id).empty


def test_the_own_gate_stands_beside_the_market(demo_store):
    """The gate's price today is the market's times the learnt factor, and what waiting costs is said in its parts."""
    app = open_page("prices")
    assert not app.exception
    place = next(radio for radio in app.radio if str(radio.key).startswith("prices_place_"))
    assert place.value == "gate"
    gate = float(next(box for box in app.text_input if str(box.key).startswith("prices_today_")).value)
    place.set_value("market").run()
    market = float(next(box for box in app.text_input if str(box.key).startswith("prices_today_")).value)
    assert not app.exception
    assert gate < market
    assert "lowest month is" in " ".join(text.value for text in app.markdown)


def test_keeping_says_what_it_costs_and_where_cash_is_cheapest(demo_store):
    app = open_page("keeping")
    assert not app.exception
    assert any("for lost weight" in text.value for text in app.info)
    texts = " ".join(text.value for text in app.markdown)
    assert "The loan pays" in texts
    assert "The last part costs" in texts


def test_terms_of_the_loan_are_kept_as_facts(demo_store):
    group = demo_store.groups()[0]
    app = open_page("keeping")
    app.text_input(key="loan_terms.0.inventory_credit.interest_monthly").input("1.5")
    app.button(key="loan_terms.save").click().run()
    assert not app.exception
    fact = demo_store.fact(group.id, "inventory_credit.interest_monthly")
    assert (fact.value, fact.origin) == (0.015, "entered")


def test_the_situation_and_the_page_read_the_same_verdict(demo_store):
    """One cost of waiting, one rule: what the situation says of a crop is what `crop_verdict` says."""
    from datetime import date

    from core.advice.origins import prices_now
    from core.group.selling import crop_verdict, waiting_costs

    group = demo_store.groups()[0]
    (price,) = prices_now(demo_store, group.id, ["maize"], date(2026, 5, 20))
    judged = crop_verdict(demo_store, group.id, "maize")
    assert price.waiting == judged.advice
    demo_store.set_fact(group.id, "interest_monthly", 0.25, "entered", "test", NOW)
    assert waiting_costs(demo_store.facts(group.id)).monthly_interest == 0.25
    assert not crop_verdict(demo_store, group.id, "maize").wait


def test_the_group_chooses_the_market_of_its_plan_beside_the_prices(demo_store):
    group = demo_store.groups()[0]
    app = open_page("prices")
    market = app.selectbox(key="prices_market")
    assert market.value == ("Ridge town", "wholesale")
    assert not [button for button in app.button if button.label == "We sell here"]
    market.set_value(("Nowhere market", "wholesale")).run()
    assert any("sale plan uses the prices of Ridge town" in caption.value for caption in app.caption)
    next(button for button in app.button if button.label == "We sell here").click().run()
    assert not app.exception
    assert demo_store.fact(group.id, "plan.market").value == "Nowhere market"
    assert not [button for button in app.button if button.label == "We sell here"]
    assert open_page("prices").selectbox(key="prices_market").value == ("Nowhere market", "wholesale")


def test_the_pages_price_at_a_market_without_recent_prices_is_the_plans(empty_store):
    """Hill, where the group sells, was last priced in June at half of Town's; Town fetches 140 in May: 70 at Hill."""
    from core.planning.case_from_records import crop_price

    group = empty_store.groups()[0]
    months = pd.period_range("2023-06", "2026-05", freq="M")
    prices = [("Town", month, 100.0 if month < months[-1] else 140.0) for month in months]
    prices.append(("Hill", pd.Period("2025-06", "M"), 50.0))
    empty_store.add_price_quotes(
        PriceQuote(
            group_id=group.id,
            quoted_on=month.to_timestamp().date(),
            market=market,
            commodity="maize",
            price_per_kg=price,
        )
        for market, month, price in prices
    )
    empty_store.set_fact(group.id, "plan.market", "Hill", "entered", "test", NOW)
    app = open_page("prices")
    assert not app.exception
    next(radio for radio in app.radio if str(radio.key).startswith("prices_place_")).set_value("market").run()
    shown = next(box for box in app.text_input if str(box.key).startswith("prices_today_"))
    assert app.selectbox(key="prices_market").value == ("Hill", "wholesale")
    assert float(shown.value) == crop_price(empty_store, group.id, "maize", 1.0).price_now == 70.0
    assert any("estimated from the market's price" in caption.value for caption in app.caption)


def test_a_price_noted_at_the_gate_is_the_same_on_every_page_while_the_market_is_old(empty_store):
    """Town was last priced at 100 in December; 180 is noted at the gate this week, which pays 0.88 of a market
    (assumed). Plan, advice, the lots' worth, the buyers compared and the prices page: 180 at the gate, 204.5 in Town.
    """
    from core.advice.origins import prices_now
    from core.group.lot_state import judging_rules
    from core.group.selling import GATE, Delivery, buyer_book, compare_delivery, ways_to_sell
    from core.planning.case_from_records import crop_price

    group = empty_store.groups()[0]

    def noted(on, price, market, kind):
        return PriceQuote(
            group_id=group.id, quoted_on=on, market=market, commodity="maize", price_per_kg=price, price_type=kind
        )

    months = pd.period_range("2023-01", "2025-12", freq="M")
    empty_store.add_price_quotes([noted(month.to_timestamp().date(), 100.0, "Town", "wholesale") for month in months])
    empty_store.add_price_quotes([noted(NOW.date(), 180.0, "", "farm gate")])
    town = pytest.approx(180.0 / 0.88)
    book, today = buyer_book(empty_store, group.id), NOW.date()
    plan = crop_price(empty_store, group.id, "maize", 1.0)
    assert plan.price_now == town
    (told,) = prices_now(empty_store, group.id, ["maize"], today)
    assert (told.per_kg, told.on) == (town, today)
    assert judging_rules(empty_store, group.id).prices["maize"] == town
    compared = compare_delivery(empty_store, group.id, Delivery("maize", 500.0, 12.0, 0.3, 13.5), book, today)
    assert compared.price == town
    seen = group_prices(empty_store, group.id, "maize").seen
    gate, *_others = ways_to_sell(empty_store, group.id, "maize", seen, book, 13.5, today)
    assert gate.buyer.name == GATE
    assert gate.buyer.price_factor * plan.price_now == pytest.approx(180.0)
    app = open_page("prices")
    assert not app.exception
    for place, price, said in (("gate", 180.0, "Last own price"), ("market", 180.0 / 0.88, "the farm gate's price")):
        next(radio for radio in app.radio if str(radio.key).startswith("prices_place_")).set_value(place).run()
        shown = next(box for box in app.text_input if str(box.key).startswith("prices_today_"))
        assert float(shown.value) == pytest.approx(price, abs=0.01)
        assert any(said in caption.value for caption in app.caption)
