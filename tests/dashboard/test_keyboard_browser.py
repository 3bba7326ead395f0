"""Forms by the keyboard alone, from the top of a page's own part to what is saved."""

from __future__ import annotations

import shutil

import pytest

from tests.dashboard import keyboard
from tests.dashboard.browser import browser, served, settle


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_a_test_a_delivery_and_a_drying_space_are_saved_without_the_mouse(demo_file, tmp_path, capsys):
    """Stops of Tab are counted; one that leads astray or a trap ends the walk."""
    from core.group.database import open_store
    from core.group.possessions import possessions

    shutil.copy(demo_file, tmp_path / "demo.sqlite3")
    url = f"sqlite:///{tmp_path / 'demo.sqlite3'}"
    store = open_store(url)
    group = store.groups()[0].id
    before = len(store.readings(group)), len(store.events(group, "pool"))
    stops = {}
    with served(tmp_path, url) as address, browser(tmp_path / "profile") as page:

        def opened(where: str) -> None:
            page.goto(f"{address}/{where}&group={group}")
            settle(page)
            keyboard.from_top(page)

        opened("lots?section=lots_entry&role=manager")
        values = {"Bag number or mark": "7", "Moisture shown by the meter, %": "13,1"}
        stops["test"] = [*keyboard.fill(page, values), *keyboard.press(page, "Save this test")]
        page.get_by_text("The test is saved.").wait_for()

        opened("deliveries?role=treasurer")
        values = {
            "Your name (saved with every entry)": "Treasurer",
            "Member": "Maple",
            "Pool (type a name to open one)": "maize",
            "Crop": "maize",
            "Gross weight, kg": "100",
            "Bags": "2",
            "Moisture by our meter, %": "13,1",
        }
        stops["delivery"] = [*keyboard.fill(page, values), *keyboard.press(page, "Continue")]
        stops["delivery"] += keyboard.press(page, "Record")
        page.get_by_text("Recorded as entry").wait_for()

        opened("our_things?section=drying_spaces&role=manager")
        values = {"What the group calls it": "Roof", "Area, m²": "30"}
        stops["drying space"] = [*keyboard.fill(page, values), *keyboard.press(page, "Save")]
        page.get_by_text("Roof is saved.").wait_for()
    assert (len(store.readings(group)), len(store.events(group, "pool"))) == (before[0] + 1, before[1] + 1)
    assert "Roof" in [space.name for space in possessions(store, group).spaces]
    store.engine.dispose()
    with capsys.disabled():
        print("\nstops of Tab: " + ", ".join(f"{form} {len(list_of)}" for form, list_of in stops.items()))
    assert len(stops["test"]) <= 16
    assert "Link to heading" not in [stop for list_of in stops.values() for stop in list_of]
