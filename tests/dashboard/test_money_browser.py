"""The treasurer's forms in a real browser: a double click, a reload and a second tab book once."""

from __future__ import annotations

import shutil
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from tests.dashboard.browser import browser, served, settle

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(shutil.which("chromium") is None, reason="no Chromium on this machine"),
]
MAY = date(2026, 5, 10)


def with_one_debt(url: str) -> int:
    """Make a group with one member who owes the meter's account 13,446, and return the group's number."""
    from core.group.database import open_store
    from core.group.records import Group, Member
    from core.meter.account import record_all

    store = open_store(url)
    group = store.add_group(Group(name="Own group", time_zone="Africa/Lome", currency="XOF"))
    member = str(store.add_member(Member(group_id=group, name="Zoe")))
    items = [
        ("member_added", MAY, {"member": member, "name": "Zoe"}),
        ("charge", MAY, {"shares": {member: "13446"}, "text": "season"}),
    ]
    record_all(store, group, items, "Treasurer", datetime(2026, 5, 10, tzinfo=UTC))
    store.engine.dispose()
    return group


def payments(url: str, group: int) -> list[str]:
    """Return the amounts of the payments in the meter's book."""
    from core.group.database import open_store

    store = open_store(url)
    found = [event.payload["amount"] for event in store.events(group, "meter") if event.kind == "payment"]
    store.engine.dispose()
    return found


def test_a_double_click_and_a_reload_book_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DRYHOLD_WHO", "Treasurer")
    url = f"sqlite:///{tmp_path / 'own.sqlite3'}"
    group = with_one_debt(url)
    with served(tmp_path, url) as address, browser(tmp_path / "profile") as page:
        page.goto(f"{address}/meter_account?role=treasurer&section=meter_record")
        settle(page)
        page.get_by_role("combobox", name="Member").click()
        page.get_by_role("option", name="Zoe, member").click()
        settle(page)
        assert page.get_by_label("Amount, XOF").input_value() == "13446"
        page.get_by_role("button", name="Continue").click()
        page.get_by_text("pays XOF 13,446 into the cash box").wait_for()
        assert payments(url, group) == []
        page.get_by_role("button", name="Record", exact=True).dblclick()
        page.get_by_text("Recorded by Treasurer").wait_for()
        settle(page)
        assert payments(url, group) == ["13446"]
        page.reload()
        settle(page)
        assert payments(url, group) == ["13446"]


def choose(page: Any, label: str, option: str) -> None:
    """Choose in a list as a person does, and wait for the page."""
    page.get_by_role("combobox", name=label, exact=True).click()
    page.get_by_role("option", name=option).first.click()
    settle(page)


def record_twice(page: Any, continue_: str, said: str) -> None:
    """Send a form, read its summary, and press 'Record' by a double click."""
    page.get_by_role("button", name=continue_, exact=True).click()
    page.get_by_text(said).first.wait_for()
    page.get_by_role("button", name="Record", exact=True).dblclick()
    page.get_by_role("button", name="Record", exact=True).wait_for(state="hidden")
    settle(page)


def pool_entries(url: str, group: int, kind: str) -> list[str]:
    """Return masses or amounts of the entries of a kind in the pools' book."""
    from core.group.database import open_store

    store = open_store(url)
    found = [event.payload for event in store.events(group, "pool") if event.kind == kind]
    store.engine.dispose()
    return [f"{Decimal(payload.get('gross_kg') or payload['amount']).normalize():f}" for payload in found]


@pytest.mark.slow
def test_a_double_click_weighs_in_and_pays_out_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By hand: 100 kg at 100 are 10,000, paid in by the buyer, all of it due to the one member."""
    from core.group.database import open_store
    from core.group.records import Group, Member
    from core.pool.book import write_entries

    monkeypatch.setenv("DRYHOLD_WHO", "Treasurer")
    url = f"sqlite:///{tmp_path / 'own.sqlite3'}"
    store = open_store(url)
    group = store.add_group(Group(name="Own group", time_zone="Africa/Lome", currency="XOF"))
    member = store.add_member(Member(group_id=group, name="Zoe"))
    load = {"pool": "Main pool", "commodity": "maize", "tare_kg": "0", "bags": 1, "moisture_pct": "13.5", "grade": "1"}
    sale = {"pool": "Main pool", "buyer": "Ridge Millers", "loaded_kg": "100", "loaded_moisture_pct": "13.5"}
    items = [
        ("delivery", MAY, {**load, "member_id": member, "gross_kg": "100"}),
        ("sale", MAY, {**sale, "price_per_kg": "100"}),
        ("buyer_payment", MAY, {"buyer": "Ridge Millers", "amount": "10000"}),
    ]
    write_entries(store, group, items, "Treasurer", datetime(2026, 5, 10, tzinfo=UTC))
    store.engine.dispose()
    with served(tmp_path, url) as address, browser(tmp_path / "profile") as page:
        page.goto(f"{address}/payout?role=treasurer")
        settle(page)
        record_twice(page, "Pay all that is due", "Pay 1 member all that is due, XOF 10,000")
        assert pool_entries(url, group, "payment") == ["10000"]
        page.goto(f"{address}/deliveries?role=treasurer")
        settle(page)
        choose(page, "Member", "Zoe, member")
        for label, value in (("Gross weight, kg", "86.5"), ("Bags", "1"), ("Moisture by our meter, %", "13.5")):
            box = page.get_by_label(label, exact=True)
            box.fill(value)
            box.press("Tab")
            settle(page)
        record_twice(page, "Continue", "delivers 86.5 kg")
        assert pool_entries(url, group, "delivery") == ["100", "86.5"]


@pytest.mark.slow
def test_a_double_click_merges_two_groups_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from core.group.database import open_store
    from core.group.records import Group, Lot

    monkeypatch.setenv("DRYHOLD_WHO", "Officer")
    url = f"sqlite:///{tmp_path / 'own.sqlite3'}"
    store = open_store(url)
    one, other = (store.add_group(Group(name=name, currency="XOF")) for name in ("Hill", "Valley"))
    for group in (one, other):
        store.add_lot(Lot(group_id=group, label=f"of {group}", commodity="maize", bags=2))
    with served(tmp_path, url) as address, browser(tmp_path / "profile") as page:
        page.goto(f"{address}/groups?role=officer&section=programme_import")
        settle(page)
        page.get_by_role("main").get_by_role("combobox", name="Group", exact=True).click()
        page.get_by_role("option", name="Valley").click()
        settle(page)
        choose(page, "What to do", "Merge it into Hill")
        record_twice(page, "Continue", "Valley is merged into Hill.")
        page.reload()
        settle(page)
        assert sorted(lot.label for lot in store.lots(one)) == sorted((f"of {one}", f"of {other}"))
        assert [group.name for group in store.groups()] == ["Hill"]
    store.engine.dispose()
