"""A member's printed page, checked as the member would: with a pocket calculator and nothing but what stands on it."""

from __future__ import annotations

import html
import re
from datetime import UTC, date, datetime

import pytest

from core.group.database import open_store
from core.pool.book import season_of
from core.pool.payout import sale_amount
from core.pool.prices import price_effects
from core.pool.statements import make_statements
from core.reports.receipt import receipt_page, short_message
from core.reports.statement import statement_page
from core.reports.tongue import Tongue
from tests.pool.helpers import delivery, event, sale

TODAY = date(2026, 5, 20)
DAY = r"\d{1,2} \w{3,4} \d{4}"


@pytest.fixture(scope="module")
def example(tmp_path_factory):
    """Return the invented example's season and events."""
    from demo_data.load import fill_with_demo

    store = open_store(f"sqlite:///{tmp_path_factory.mktemp('pool') / 'demo.sqlite3'}")
    fill_with_demo(store, datetime(2026, 5, 20, 7, tzinfo=UTC))
    group = next(group for group in store.groups() if store.events(group.id, "pool"))
    yield season_of(store, group.id), store.events(group.id, "pool")
    store.engine.dispose()


def rows_of(page: str) -> list[list[str]]:
    """Return the cells of every row on a page."""
    rows = re.findall(r"<tr[^>]*>(.*?)</tr>", page)
    return [[html.unescape(cell) for cell in re.findall(r"<t[dh][^>]*>(.*?)</t[dh]>", row)] for row in rows]


def amount(text: str) -> float:
    return float(text.replace(",", ""))


def test_one_member_of_the_example_by_hand(example):
    """Typed from the printed page into a calculator.

    kg: 418.5 x (100 - 12.6) / 86.5 = 422.854; loss 5.1; sold 338.281 of 5,375.796; with grade 2 at 0.93 counted
    5,319.549. Money: 3,479,884 x 338.281 / 5,319.549 = 221,293; truck 42,000 x 338.281 / 5,375.796 = 2,643; office
    4 x 338.281 = 1,353; loan 60,000, four months of 2 % = 4,800: 64,800 off. 221,293 - 2,643 - 1,353 - 64,800 =
    152,497.
    """
    season, events = example
    statement = make_statements(season, price_effects(events), TODAY)[season.loans[0].member_id]
    page = statement_page(statement, "A member", "A group", "MWK")
    rows = rows_of(page)
    brought = next(row for row in rows if re.fullmatch(DAY, row[0]))
    net, moisture, water, common = (amount(cell) for cell in brought[3:7])
    assert net * (100 - moisture) / 86.5 == pytest.approx(common, abs=0.06)
    assert net - common == pytest.approx(water, abs=0.06)
    assert common == 422.9
    sold = next(row for row in rows if re.fullmatch(DAY, row[0]) and len(row) == 10)
    all_kg, kg, paid, all_counted, counted, part, truck, cost = (amount(cell) for cell in sold[2:10])
    assert (kg, paid, truck) == (338.281, 3479884, 42000)
    assert paid * counted / all_counted == pytest.approx(part, abs=1.0)  # a coin is 1
    assert truck * kg / all_kg == pytest.approx(cost, abs=1.0)
    assert (part, cost) == (221293, 2643)
    money = {row[0]: amount(row[1]) for row in rows if len(row) == 2 and re.fullmatch(r"-?[\d,.]+", row[1])}
    assert -money["less office (4 / kg)"] == int(4 * kg)
    assert money["less recovered on loans"] == -(60000 + 4 * 60000 * 0.02)
    assert money["Your net pay"] == 221293 - 2643 - 1353 - 64800 == 152497
    delivered, lost, gone, left = (
        money[name] for name in ("Delivered", "Lost in store, your share", "Sold", "Still in store")
    )
    assert delivered + lost + gone == pytest.approx(left, abs=0.11)
    assert "2 % a month, seed and bags" in page


def test_every_page_of_the_example_adds_up_and_together_to_what_the_buyer_paid(example):
    season, events = example
    statements = make_statements(season, price_effects(events), TODAY)
    together = 0.0
    for statement in statements.values():
        rows = rows_of(statement_page(statement, "A member", "A group", "MWK"))
        at = next(place for place, row in enumerate(rows) if row[0] == "Money")
        lines = [(row[0], amount(row[1])) for row in rows[at + 1 :] if len(row) == 2]
        end = next(place for place, (name, _money) in enumerate(lines) if name == "Your net pay")
        assert sum(money for _name, money in lines[:end]) == pytest.approx(lines[end][1])
        last = next(place for place, (name, _money) in enumerate(lines) if name == "Still due to you")
        assert sum(money for _name, money in lines[end:last]) == pytest.approx(lines[last][1])
        together += lines[0][1]
        for effect, _money in statement.effects:
            assert sum(effect.by_member.values()) == 0
    assert together == sum(float(sale_amount(item, item.terms.step)) for item in season.sales)


def test_many_deliveries_are_summed_by_week_and_listed_behind():
    events = [event(1, "terms", {"step": "1"})]
    events += [delivery(n, 1, f"{80 + n}", "14", on=date(2026, 5, 1 + n)) for n in range(2, 22)]
    events.append(sale(30, "1000", "14", "100", on=date(2026, 5, 28)))
    from core.pool.season import replay

    page = statement_page(make_statements(replay(events))[1], "A", "G", "UGX")
    first, behind = page.split("All deliveries")
    weeks = [row for row in rows_of(first) if len(row) == 7 and re.fullmatch(DAY, row[0])]
    mondays = [4, 11, 18]  # 3 May 2026 is a Sunday; it lies in the week of 27 April
    assert [row[0] for row in weeks] == ["27 Apr 2026", *(f"{day} May 2026" for day in mondays)]
    assert sum(int(row[1]) for row in weeks) == 20
    assert len([row for row in rows_of(behind) if re.fullmatch(DAY, row[0])]) == 20
    for row in weeks:
        assert amount(row[3]) * (100 - amount(row[4])) / 86.5 == pytest.approx(amount(row[6]), abs=0.11)


def test_papers_write_days_and_money_as_the_screen_of_that_language(example):
    """French: the month in letters, a space between thousands, a comma before decimals, none of a whole amount."""
    season, events = example
    french = Tongue("fr")
    statement = make_statements(season, price_effects(events), TODAY)[season.loans[0].member_id]
    first = statement.deliveries[0].delivery
    pages = [
        statement_page(statement, "A", "G", "MWK", french),
        receipt_page(first, "A", "G", season.terms.base_pct, french),
        short_message(first, "A", season.terms.base_pct, french),
    ]
    for page in pages:
        assert not re.search(r"\d{4}-\d\d-\d\d|\d\.\d|\d,\d{3},\d", page.split("</style>")[-1])
        assert french.day(first.on) in page
    assert re.search(r"152.497<", pages[0])  # the net pay worked out above


def test_a_wide_table_is_a_card_for_each_row_on_a_phone(example):
    season, events = example
    page = statement_page(
        make_statements(season, price_effects(events), TODAY)[season.loans[0].member_id], "A", "G", "MWK"
    )
    sales = page[page.index("What it sold for") :]
    assert sales[sales.index("<table") :].startswith("<table class=wide>")
    assert "data-of='Buyer'>" in sales
    assert ".wide td{display:flex" in page


def test_words_of_people_cannot_become_markup():
    from core.pool.season import replay

    events = [delivery(1, 1, "100", "13", grade="<b>", pool="<script>")]
    season = replay(events)
    page = statement_page(make_statements(season)[1], "<img src=x>", "G<i>", "UGX")
    slip = receipt_page(season.deliveries[0], "<img src=x>", "G<i>", season.terms.base_pct)
    assert "<img" not in page + slip
    assert "<script" not in page + slip
