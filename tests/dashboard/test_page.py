"""Parts of every page: cards on a phone, links, sections in the address."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date

import pandas as pd

from dashboard.page import CARD_LINES, CARDS, OPEN_CARDS, cards
from dashboard.text import percent
from tests.dashboard.pages import APP, AppTest, open_page


def test_cards_hold_every_cell_and_no_markup_of_people():
    """On a phone nothing that somebody typed becomes markup, and what is long is folded, not lost."""
    names = [f"<img src=x onerror=alert(1)> {n}" for n in range(CARDS + 3)]
    frame = pd.DataFrame({"Lot": names, **{f"Column {n}": [n] * len(names) for n in range(8)}})
    made = cards(frame)
    assert "<img" not in made
    assert made.count("<strong>&lt;img src=x") == CARDS
    assert made.count("<dt>Column 7</dt>") == CARDS
    assert "3 more rows are in the wide view" in made
    before_fold = made.split("</ul><details>")[0]
    assert before_fold.count("<li>") == OPEN_CARDS
    assert before_fold.split("</li>")[0].split("<details>")[0].count("<dt>") == CARD_LINES


def test_cells_read_as_people_write_them():
    made = cards(
        pd.DataFrame(
            {"Day": [date(2026, 5, 20)], "kg": [1234.4], "%": [12.25], "Above": [12.6], "Sold": [True], "Note": [None]}
        )
    )
    assert "2026" in made
    assert "1,234" in made
    assert "12.25" in made
    assert "<dd>12.6</dd>" in made
    assert "<dd>yes</dd>" in made
    assert "Note" not in made  # what is empty takes no line
    assert cards(pd.DataFrame({"Day": []})).count("<li>") == 0


def test_days_are_written_the_day_first_and_percent_signs_stand_apart(demo_store):
    app = open_page("pool_book")
    columns = json.loads(app.dataframe[0].proto.columns)
    assert columns["Day"]["type_config"]["format"] == "DD/MM/YYYY"
    assert percent(0.895) == "90\u00a0%"


def test_only_the_chosen_section_runs_and_the_address_keeps_it(demo_store):
    app = open_page("check")
    assert not app.exception
    assert app.title[0].value == "Lots"
    assert app.query_params["section"] == "check"
    assert int(app.query_params["group"]) in {group.id for group in demo_store.groups()}
    assert not any(str(widget.key) == "lots_chosen" for widget in app.selectbox)


def test_a_page_with_a_whole_address_writes_none(demo_store):
    """Else the browser's Back button leads to the page that one is on."""
    app = open_page("lots")
    links = {link.proto.page: link.proto.query_string for link in app.sidebar.get("page_link")}
    assert all("role=manager" in words and "lang=en" in words for words in links.values())
    assert "section" not in links["plan"]
    del app.query_params["section"]
    app.switch_page("views/plan.py").run()
    assert "section" not in app.query_params
    links = {link.proto.page: link.proto.query_string for link in app.sidebar.get("page_link")}
    assert links["lots"].endswith("section=lots")  # the one last open there


def test_an_address_that_is_wrong_is_passed_over(demo_store):

    app = AppTest.from_file(str(APP), default_timeout=120)
    app.query_params.update({"group": "999", "role": "king", "lang": "<b>", "section": "../../etc"})
    app.switch_page("views/sources.py").run()
    assert not app.exception
    assert app.query_params["role"] == "manager"
    assert app.query_params["lang"] == "en"
    assert app.query_params["group"] != "999"


def test_the_person_changes_the_menu_and_nothing_else_is_lost(demo_store):
    app = open_page("sources")
    app.selectbox(key="role_picker_manager").select("officer").run()
    assert not app.exception
    assert app.query_params["role"] == "officer"
    assert app.title[0].value == "Sources"


def test_the_head_is_at_most_two_lines_of_a_phone(demo_store):
    """360 pixels less the margins hold about 42 letters of small print in a line."""
    app = open_page("pool_book")
    assert app.caption[0].value == "Hill Terrace Growers · Nowhere Valley (invented) · invented weather and prices"
    demo_store.update_group(replace(demo_store.groups()[0], demo=False, district="Mbeya"))
    own = open_page("pool_book").caption[0].value
    assert own == "Hill Terrace Growers · Mbeya · Weather: usual for the month · Prices: 18 May 2026"
    assert len(own) <= 2 * 42


def test_a_broad_table_fits_beside_the_side_bar_and_is_cards_on_a_tablet():
    import dashboard.page as page

    frame = pd.DataFrame(
        {"Lot": ["M01"], **{f"Amount in {name}": ["MWK 1,234,567"] for name in "abcd"}, "Why": ["w" * 120]}
    )
    wanted = page.wanted_widths(frame)
    assert sum(wanted) > page.ROOM_PX
    shown = [width or wanted[at] for at, width in enumerate(page._fitted(wanted))]
    assert sum(shown) <= page.ROOM_PX
    assert shown[:-1] == wanted[:-1]  # only what is broadest gives way
    assert page._fitted(wanted[:3]) == [None] * 3
    assert 'class="dh-cards dh-broad"' in page.cards(frame, broad=True)


def test_what_is_folded_is_drawn_only_once_it_is_opened(demo_store):
    app = AppTest.from_file(str(APP), default_timeout=120)
    app.switch_page("views/prices.py")
    app.query_params["section"] = "prices"
    assert len(app.run().get("plotly_chart")) == 1
    app.session_state["fold_prices_season"] = True
    assert len(app.run().get("plotly_chart")) == 3
