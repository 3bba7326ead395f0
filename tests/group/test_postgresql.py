"""The same records on a real PostgreSQL server; skipped with a word where DRYHOLD_POSTGRES_URL names none."""

from __future__ import annotations

import os
from datetime import UTC, date, datetime

import pytest
import sqlalchemy as sa

from core.errors import LedgerError
from core.group.database import open_store
from core.group.records import Group, Lot, Member, Reading
from core.programme.group_file import export_group
from core.programme.group_merge import merge_files

URL = os.environ.get("DRYHOLD_POSTGRES_URL", "")
NOW = datetime(2026, 5, 20, 7, tzinfo=UTC)
pytestmark = [
    pytest.mark.postgres,
    pytest.mark.skipif(not URL, reason="no PostgreSQL server here (set DRYHOLD_POSTGRES_URL)"),
]


@pytest.fixture
def server_url():
    """Return the address of a database of this test's own on the server."""
    name = f"dryhold_test_{os.getpid()}"
    admin = sa.create_engine(URL, isolation_level="AUTOCOMMIT")
    with admin.connect() as connection:
        connection.execute(sa.text(f'DROP DATABASE IF EXISTS "{name}"'))
        connection.execute(sa.text(f'CREATE DATABASE "{name}"'))
    address = sa.engine.make_url(URL).set(database=name)
    yield address.render_as_string(hide_password=False)
    with admin.connect() as connection:
        connection.execute(sa.text(f'DROP DATABASE "{name}" WITH (FORCE)'))
    admin.dispose()


def test_records_books_and_group_files(server_url, tmp_path):
    store = open_store(server_url)
    group = store.add_group(Group(name="On a server", currency="KES", time_zone="Africa/Nairobi"))
    member = store.add_member(Member(group_id=group, name="Adiru", sex="female"))
    lot = store.add_lot(
        Lot(group_id=group, label="A", commodity="maize", bags=3, owner_id=member, harvested_on=date(2026, 5, 1))
    )
    store.add_readings([Reading(lot_id=lot, taken_at=NOW, bag="1", temperature_c=25.0, relative_humidity_pct=70.0)])
    store.set_fact(group, "maize_price_kg", 40.0, "entered", "Adiru", NOW)
    entry = store.append_event(group, "pool", "delivery", date(2026, 5, 3), "Adiru", {"gross_kg": "90.5"}, NOW)
    store.append_event(group, "pool", "reversal", date(2026, 5, 4), "Adiru", {}, NOW, reverses=entry)
    with pytest.raises(LedgerError):
        store.append_event(group, "pool", "reversal", date(2026, 5, 4), "Adiru", {}, NOW, reverses=entry)
    again = open_store(server_url)  # migrations find the tables as they are
    assert again.lot(lot).owner_id == member
    assert again.readings(group).iloc[0]["taken_at"] == NOW
    assert again.fact(group, "maize_price_kg").origin == "entered"
    assert [event.kind for event in again.events(group, "pool")] == ["delivery", "reversal"]
    file = export_group(again, group, "uid", NOW)
    local = open_store(f"sqlite:///{tmp_path / 'officer.sqlite3'}")
    assert merge_files(local, [("g.zip", file)], NOW)[0].status == "added"
    assert merge_files(again, [("g.zip", file)], NOW)[0].status == "added"


def test_entries_of_a_book_cannot_be_changed_on_the_server_either(server_url):
    store = open_store(server_url)
    group = store.add_group(Group(name="On a server"))
    store.append_event(group, "meter", "fee", date(2026, 5, 3), "Adiru", {"amount": "5"}, NOW)
    for statement in ("UPDATE events SET who = 'x'", "DELETE FROM events"):
        with pytest.raises(sa.exc.DBAPIError), store.engine.begin() as connection:
            connection.execute(sa.text(statement))
