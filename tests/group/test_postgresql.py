"""The same records on a real PostgreSQL server; skipped with a word where DRYHOLD_POSTGRES_URL names none."""

from __future__ import annotations

import multiprocessing
import os
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest
import sqlalchemy as sa

from core.errors import AlreadySavedError, LedgerError, StaleError, StoreError
from core.group.database import open_store
from core.group.records import Group, Lot, Member, NewEntry, Reading
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
    assert merge_files(again, [("g.zip", file)], NOW)[0].status == "asked"  # it is this very group
    assert merge_files(again, [("g.zip", file)], NOW, decided={"uid": 0})[0].status == "added"


def test_entries_of_a_book_cannot_be_changed_on_the_server_either(server_url):
    store = open_store(server_url)
    group = store.add_group(Group(name="On a server"))
    store.append_event(group, "meter", "fee", date(2026, 5, 3), "Adiru", {"amount": "5"}, NOW)
    for statement in ("UPDATE events SET who = 'x'", "DELETE FROM events"):
        with pytest.raises(sa.exc.DBAPIError), store.engine.begin() as connection:
            connection.execute(sa.text(statement))


def _example(store):
    store.add_group(Group(name="Example"))


def _open(address):
    store = open_store(address, _example)
    found = len(store.groups())
    store.engine.dispose()
    return found


def test_servers_that_start_together_on_an_empty_database_write_the_example_once(server_url):
    context = multiprocessing.get_context("spawn")
    with context.Pool(4) as pool:
        assert pool.map(_open, [server_url] * 4) == [1, 1, 1, 1]


def _spend(given):
    """Spend 6 of the 10 that there are; the book's check has to refuse one of two who do so at once."""
    address, token = given
    store = open_store(address)

    def at_most_ten(events):
        if sum(event.payload["amount"] for event in events) > 10:
            raise LedgerError("there are only 10")

    entry = NewEntry(book="meter", kind="payment", on=NOW.date(), payload={"amount": 6})
    try:
        store.record_all(1, [entry], "Asha", NOW, checks={"meter": at_most_ten}, token=token)
    except (LedgerError, AlreadySavedError) as error:
        return type(error).__name__
    finally:
        store.engine.dispose()
    return "written"


@pytest.mark.parametrize(
    ("tokens", "said"), [(("a", "b"), ["LedgerError", "written"]), (("a", "a"), ["AlreadySavedError", "written"])]
)
def test_two_writers_at_once_cannot_pass_a_check_or_use_a_token_together(server_url, tokens, said):
    _open(server_url)
    context = multiprocessing.get_context("spawn")
    with context.Pool(2) as pool:
        assert sorted(pool.map(_spend, [(server_url, token) for token in tokens], chunksize=1)) == said


def test_stale_edits_and_the_trail_on_a_server(server_url):
    store = open_store(server_url, _example)
    seen = store.group(1)
    store.by("Asha", NOW).update_group(replace(seen, district="D"))
    with pytest.raises(StaleError):
        store.update_group(replace(seen, currency="KES"))
    assert store.changes(1)[0].changed == {"district": ["", "D"]}
    with pytest.raises(StoreError) as caught:
        store.add_member(Member(group_id=1, name="a\x00b"))
    assert caught.value.fault == "refused"
    with pytest.raises(StoreError) as caught:
        store.add_member(Member(group_id=10**12, name="Zoe"))  # more than the server's whole numbers hold
    assert caught.value.fault == "refused"
    store.engine.dispose()


@pytest.mark.parametrize("table", ["events", "changes"])
def test_guards_lost_on_a_server_are_made_again(server_url, table):
    store = open_store(server_url, _example)
    store.by("Asha", NOW).update_group(replace(store.group(1), district="D"))
    store.append_event(1, "meter", "fee", NOW.date(), "Asha", {}, NOW)
    with store.engine.begin() as connection:
        connection.execute(sa.text(f"DROP TRIGGER {table}_stay ON {table}"))
    store.engine.dispose()
    again = open_store(server_url)
    with pytest.raises(sa.exc.DBAPIError, match="never changed"), again.engine.begin() as connection:
        connection.execute(sa.text(f"DELETE FROM {table}"))
    again.engine.dispose()
