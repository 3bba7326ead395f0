"""The page of prices."""

from __future__ import annotations

import json

from tests.dashboard.pages import open_page


def test_the_answer_stands_first_and_the_fan_carries_the_price_that_pays(demo_store):
    app = open_page("prices")
    assert not app.exception
    assert any("aiting" in box.value for box in app.info)
    fan = json.loads(app.get("plotly_chart")[0].proto.spec)
    names = [trace.get("name") for trace in fan["data"]]
    assert "price that pays for waiting" in names
    assert "today" in names
    assert "per kg" in fan["layout"]["yaxis"]["title"]["text"]
    assert any("past harvests" in text.value for text in app.markdown) or app.error


def test_a_quote_in_bags_is_noted_per_kg(demo_store):
    group = demo_store.groups()[0]
    before = len(demo_store.price_quotes(group.id))
    app = open_page("prices")
    app.text_input(key="prices_quote_market").input("Roadside")
    app.number_input(key="prices_quote_price").set_value(4500.0)
    app.text_input(key="prices_quote_unit").input("90 kg bag")
    next(button for button in app.button if button.label == "Note this price").click().run()
    assert not app.exception
    quotes = demo_store.price_quotes(group.id)
    assert len(quotes) == before + 1
    assert quotes[quotes["market"] == "Roadside"]["price_per_kg"].iloc[0] == 50.0


def test_a_measure_without_weight_gets_a_sentence(demo_store):
    app = open_page("prices")
    app.number_input(key="prices_quote_price").set_value(40.0)
    app.text_input(key="prices_quote_unit").input("heap")
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
    app = open_page("prices")
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
    app.number_input(key="prices_interest").set_value(5.0)
    next(button for button in app.button if button.label == "Keep these figures").click().run()
    assert not app.exception
    fact = demo_store.fact(group.id, "interest_monthly")
    assert fact.value == 0.05
    assert fact.origin == "entered"
