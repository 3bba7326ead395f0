"""The treasurer's and the officer's ways in a real browser, from nothing to 'everybody paid' and to 'side by side'."""

from __future__ import annotations

import shutil
from datetime import date
from pathlib import Path

import pytest

from tests.dashboard.browser import NOW, ROOT, browser, served, settle
from tests.dashboard.walk import Walk

pytestmark = [
    pytest.mark.browser,
    pytest.mark.slow,
    pytest.mark.timeout(600),
    pytest.mark.skipif(shutil.which("chromium") is None, reason="no Chromium on this machine"),
]


def test_a_treasurer_weighs_in_sells_and_pays_everybody(tmp_path, capsys):
    """By hand: 100 kg and 200 kg at the agreed 13.5 %, sold at 600: 180,000, of which 60,000 and 120,000 are paid."""
    from core.group.database import open_store
    from core.group.records import Group, Member

    url = f"sqlite:///{tmp_path / 'own.sqlite3'}"
    store = open_store(url)
    group = store.add_group(Group(name="Own growers", time_zone="Africa/Lome", currency="XOF"))
    people = {name: store.add_member(Member(group_id=group, name=name)) for name in ("Adiru", "Zoe")}
    with served(tmp_path, url) as address, browser(tmp_path / "profile") as page:
        walk = Walk(page, address, ROOT / "pictures")
        page.goto(f"{address}/deliveries?role=treasurer")
        settle(page)
        walk.fill("Your name (saved with every entry)", "Treasurer")
        for name, kg in (("Adiru", "100"), ("Zoe", "200")):
            walk.choose("Member", name)
            if name == "Adiru":  # from then on the pool has its crop
                walk.choose("Crop", "maize")
            walk.fill("Gross weight, kg", kg)
            walk.fill("Bags", "2")
            walk.fill("Moisture by our meter, %", "13,5")
            walk.press("Continue")
            walk.press("Record")
        walk.look("weighed_in")
        walk.follow("Pay-out")
        walk.part("Loads and buyers")
        walk.write_new("Buyer", "Ridge Millers")
        walk.fill("Loaded, on our scale, kg", "300")
        walk.fill("Moisture by our meter, %", "13,5")
        walk.fill("Price per kg, XOF", "600")
        walk.press("Continue")
        walk.press("Record")
        walk.choose("Record", "A buyer pays")
        walk.choose("Buyer", "Ridge Millers")
        walk.press("Continue")
        walk.press("Record")
        walk.part("Pay-out")
        walk.press("Pay all that is due")
        page.get_by_text("Pay 2 members all that is due, XOF 180,000").first.wait_for()
        walk.press("Record")
        page.get_by_text("Still due to members: XOF 0.").first.wait_for()
        walk.look("everybody_paid")
        walk.part("Statements")
        page.get_by_text("The group owes Adiru XOF 0.").wait_for()
    paid = [event.payload for event in store.events(group, "pool") if event.kind == "payment"]
    amounts = {entry["member_id"]: entry["amount"] for entry in paid}
    assert amounts == {people["Adiru"]: "60000", people["Zoe"]: "120000"}
    store.engine.dispose()
    with capsys.disabled():
        print("\n" + walk.told())
    assert walk.fields <= 16
    assert walk.clicks <= 14


def six_files(folder: Path) -> list[Path]:
    """Return the files that six invented groups saved."""
    from core.group.database import open_store
    from core.programme.group_file import export_group
    from demo_data.many_groups import add_invented_groups

    store = open_store(f"sqlite:///{folder / 'many.sqlite3'}")
    made = []
    for number in add_invented_groups(store, 6, NOW):
        made.append(folder / f"group{number}.zip")
        made[-1].write_bytes(export_group(store, number, f"uid-{number}", NOW, "none"))
    store.engine.dispose()
    return made


def test_an_officer_imports_six_files_sets_a_target_and_compares(tmp_path, capsys):
    from core.group.database import open_store
    from core.programme.programme_book import programme_book

    files = six_files(tmp_path)
    url = f"sqlite:///{tmp_path / 'programme.sqlite3'}"
    store = open_store(url)
    with served(tmp_path, url) as address, browser(tmp_path / "profile") as page:
        walk = Walk(page, address, ROOT / "pictures")
        page.goto(f"{address}/groups?role=officer&section=programme_import")
        settle(page)
        walk.upload(*files)
        walk.press("Import")
        walk.part("Targets")
        walk.fill("Your name (saved with every entry)", "Officer")
        walk.unfold("Targets and baselines")
        walk.choose("Target or baseline of", "Lots tested before bagging")
        walk.fill("Value, %", "90")
        walk.fill("Where it comes from", "agreement of 2026")
        walk.press("Continue")
        walk.press("Record")
        page.get_by_text("1 target is reached").or_(page.get_by_text("of 1 target")).first.wait_for()
        walk.part("Side by side")
        page.get_by_text("6 groups together").first.wait_for()
        walk.look("side_by_side")
    assert len(store.groups()) == 6
    goal = programme_book(store).goal("target", "tested_before_bagging")
    assert (goal.value, goal.who, goal.recorded_at.date()) == (0.9, "Officer", date(2026, 5, 20))
    store.engine.dispose()
    with capsys.disabled():
        print("\n" + walk.told())
    assert walk.fields <= 5
    assert walk.clicks <= 6
