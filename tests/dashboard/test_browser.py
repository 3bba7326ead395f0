"""The manager's ways in a real browser: from nothing, and from a table, to a plan on screen; nothing leaves."""

from __future__ import annotations

import shutil
from datetime import date

import pytest

from tests.dashboard.browser import ROOT, browser, served, settle
from tests.dashboard.walk import Walk

BAD_ROWS = {7: ("humidite", "171,5"), 19: ("date", "31/02/2026"), 33: ("teneur", "humide"), 48: ("temp", "-80,0")}
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(shutil.which("chromium") is None, reason="no Chromium on this machine"),
]


def table_of_sixty_rows() -> bytes:
    """Return a notebook table in French: semicolons, decimal commas, day-first dates, four bad rows of sixty."""
    lines = ["Date du test;Lot;Sac n°;Température (°C);Humidité relative (%);Teneur en eau (%);Culture;Nombre de sacs"]
    for index in range(60):
        lot, bag = divmod(index, 6)
        cells = {
            "date": f"{9 + lot:02d}/05/2026",
            "lot": f"Parcelle {lot + 1}",
            "sac": str(bag + 1),
            "temp": f"{25 + (index % 5) / 2:.1f}".replace(".", ","),
            "humidite": f"{60 + (lot * 3 + bag) % 29:.1f}".replace(".", ","),
            "teneur": f"{12.4 + (lot * 3 + bag) % 29 * 0.18:.1f}".replace(".", ","),
            "culture": "maïs",
            "sacs": "14",
        }
        if index in BAD_ROWS:
            column, value = BAD_ROWS[index]
            cells[column] = value
        lines.append(";".join(cells.values()))
    return ("\n".join(lines) + "\n").encode("latin-1")


def with_prices(url: str) -> None:
    """Make a group of one's own that knows prices and nothing else."""
    import numpy as np

    from core.group.database import open_store
    from core.group.records import Group, PriceQuote

    store = open_store(url)
    group = store.add_group(
        Group(name="Own group", latitude=9.1, longitude=0.9, altitude_m=400, time_zone="Africa/Lome", currency="XOF")
    )
    months = np.arange(60)
    prices = 220 * np.exp(0.15 * np.sin(2 * np.pi * (months % 12 - 1) / 12) + 0.003 * months)
    store.add_price_quotes(
        PriceQuote(
            group_id=group,
            quoted_on=date(2021 + (4 + int(m)) // 12, (4 + int(m)) % 12 + 1, 15),
            market="Ostrel",
            commodity="maize",
            price_per_kg=float(price),
        )
        for m, price in zip(months, prices, strict=True)
    )
    store.engine.dispose()


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_a_manager_comes_from_nothing_and_an_own_table_to_a_plan(tmp_path, capsys):
    """At most fifteen fields, and a first plan; then the own table beside it, and the plan with its lots."""
    table = tmp_path / "cahier.csv"
    table.write_bytes(table_of_sixty_rows())
    url, outside = f"sqlite:///{tmp_path / 'start.sqlite3'}", []
    with served(tmp_path, url) as address, browser(tmp_path / "profile", outside=outside) as page:
        walk = Walk(page, address, ROOT / "pictures")
        page.goto(address)
        settle(page, 120)
        walk.look("first_page")
        page.get_by_test_id("stSidebar").get_by_role("link", name="Add your own group").click()
        walk.clicks += 1
        page.get_by_label("Name of the group").wait_for()
        settle(page)
        walk.fill("Name of the group", "Own growers")
        walk.choose("Country", "Togo")
        walk.choose("Nearest town", "Kara")
        walk.fill("Bags of it", "40")
        walk.fill("Moisture by the meter (empty: not tested yet), %", "17.5")
        walk.look("first_steps")
        walk.press("Make the first plan")
        walk.press("Record")
        page.get_by_text("to see the first plan").wait_for()
        walk.follow("Sale plan")
        page.get_by_text("Of 40 bags").wait_for()
        walk.look("first_plan")
        first = walk.fields
        walk.follow("Lots")
        walk.part("Import a table")
        page.locator("input[type=file]").set_input_files(str(table))
        walk.fields += 1
        page.get_by_text("56 tests can be stored. 4 rows are refused.").wait_for()
        settle(page)
        walk.look("table")
        walk.press("Save 56 tests")
        page.get_by_text("56 tests of cahier.csv are saved.").wait_for()
        walk.follow("Sale plan")
        page.get_by_text("Of 180 bags").wait_for()
        walk.look("plan_of_the_table")
        walk.follow("Today")
        walk.look("today")
    assert not outside
    assert first <= 15
    with capsys.disabled():
        print("\n" + walk.told())


def test_from_a_table_nobody_here_wrote_to_its_plan(tmp_path):
    table = tmp_path / "cahier.csv"
    table.write_bytes(table_of_sixty_rows())
    url, outside = f"sqlite:///{tmp_path / 'own.sqlite3'}", []
    with_prices(url)
    with served(tmp_path, url) as address, browser(tmp_path / "profile", outside=outside) as page:
        page.goto(f"{address}/lots?section=readings_import")
        page.locator("input[type=file]").set_input_files(str(table))
        page.get_by_text("56 tests can be stored. 4 rows are refused.").wait_for()
        page.get_by_role("button", name="Save 56 tests").click()
        page.get_by_text("56 tests of cahier.csv are saved.").wait_for()
        page.goto(f"{address}/plan")
        page.get_by_role("heading", name="Sale plan", exact=True).first.wait_for()
        page.get_by_text("Parcelle 1").first.wait_for(state="attached")
        assert page.get_by_text("Traceback").count() == 0
    assert not outside
    from core.group.database import open_store

    store = open_store(url)
    group = store.groups()[0]
    assert len(store.readings(group.id)) == 56
    assert len(store.lots(group.id)) == 10
