"""Older tables on a real PostgreSQL server are brought up to date with everything in them; skipped without a server."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime

import pytest
import sqlalchemy as sa

from core.errors import AccessError, StoreError
from core.group.access import Access, open_for
from core.group.database import alembic_config, check_open, make_engine, open_store, schema_version
from core.group.guards import missing_guards
from core.group.records import Group, Member, NewEntry, Role
from core.group.tables import SCHEMA_VERSION
from tests.group.test_postgresql import pytestmark, server_url

__all__ = ["pytestmark", "server_url"]  # the mark and the fixture of the server's other tests
NOW = datetime(2026, 11, 28, 9, tzinfo=UTC)
ON = date(2026, 11, 28)


def older(url: str, version: str) -> sa.Engine:
    """Return an engine on a database as a version of the program left it."""
    from alembic import command

    engine = make_engine(url)
    with alembic_config() as config, engine.connect() as connection, connection.begin():
        config.attributes["connection"] = connection
        command.upgrade(config, version)
    return engine


def test_the_programmes_entries_go_over_in_order_and_new_ones_follow(server_url):
    """Two targets of which one is cancelled and one is a group's own, in the books of two groups, as 0002 kept them."""
    engine = older(server_url, "0002")
    with engine.connect() as connection, connection.begin():
        for name in ("One", "Two"):
            connection.execute(
                sa.text(
                    "INSERT INTO groups (name, district, time_zone, currency, language, demo) "
                    "VALUES (:name, '', 'UTC', 'USD', 'en', false)"
                ),
                {"name": name},
            )
        rows = (
            (1, "meter", "fee", {"amount": "12.50"}, None),
            (1, "programme", "target", {"key": "a", "scope": "programme"}, None),
            (1, "programme", "reversal", {}, 2),
            (2, "programme", "target", {"key": "b", "scope": "group"}, None),
        )
        for group_id, book, kind, payload, reverses in rows:
            connection.execute(
                sa.text(
                    'INSERT INTO events (group_id, book, kind, "on", who, payload, recorded_at, reverses) '
                    "VALUES (:group_id, :book, :kind, '2026-11-01', 'Officer', :payload, '2026-11-01 09:00', :reverses)"
                ),
                {
                    "group_id": group_id,
                    "book": book,
                    "kind": kind,
                    "payload": json.dumps(payload),
                    "reverses": reverses,
                },
            )
    engine.dispose()
    with pytest.raises(StoreError):  # health says that the tables are not those of this version
        check_open(server_url)
    store = open_store(server_url)
    assert schema_version(store.engine) == SCHEMA_VERSION
    found = store.programme_entries()
    assert [(item.kind, item.group_id, item.reverses) for item in found] == [
        ("target", 0, None),
        ("reversal", 0, 1),
        ("target", 2, None),
    ]
    number = store.append_programme_entry(NewEntry(book="programme", kind="target", on=ON, payload={}), "x", NOW)
    assert number == 4  # the server's own count goes on behind those that went over
    assert [event.kind for event in store.events(1, "meter")] == ["fee"]
    with store.engine.connect() as connection:
        assert not missing_guards(connection)
    with pytest.raises(sa.exc.DBAPIError), store.engine.begin() as connection:
        connection.execute(sa.text("DELETE FROM programme_entries"))
    check_open(server_url)
    store.engine.dispose()


def test_roles_are_kept_and_enforced_on_a_server(server_url):
    engine = older(server_url, "0003")
    assert schema_version(engine) == "0003"
    engine.dispose()
    store = open_store(server_url)
    one, two = store.add_group(Group(name="One")), store.add_group(Group(name="Two"))
    store.give_role(Role(person="a@x.org", group_id=one, role="viewer"))
    store.give_role(Role(person="a@x.org", group_id=one, role="treasurer", given_at=NOW))
    assert [(role.role, role.given_at) for role in store.roles()] == [("treasurer", NOW)]
    own = open_for(store, Access("a@x.org", {one: "treasurer"}))
    assert [group.name for group in own.groups()] == ["One"]
    own.add_member(Member(group_id=one, name="Asha"))
    with pytest.raises(AccessError):
        own.add_member(Member(group_id=two, name="Asha"))
    assert store.members(two) == []
    store.engine.dispose()
