"""The treasurer's forms in a real browser: a double click, a reload and a second tab book once."""

from __future__ import annotations

import shutil
from datetime import UTC, date, datetime
from pathlib import Path

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
