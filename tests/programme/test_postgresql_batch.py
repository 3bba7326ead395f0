"""The batch and what would help on a real PostgreSQL server, many writing at once.

Skipped with a word where none is named.
"""

from __future__ import annotations

import json
import os
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime

import pytest
import sqlalchemy as sa

from core.group.database import open_store
from core.group.records import Reading
from core.programme.__main__ import main
from core.programme.counterfactual import Difference, GroupHelp
from core.programme.helping import keep_help, kept_help
from demo_data.many_groups import add_invented_groups

URL = os.environ.get("DRYHOLD_POSTGRES_URL", "")
NOW = datetime(2026, 11, 20, 7, tzinfo=UTC)
pytestmark = [
    pytest.mark.postgres,
    pytest.mark.skipif(not URL, reason="no PostgreSQL server here (set DRYHOLD_POSTGRES_URL)"),
]


@pytest.fixture
def server_url():
    """Return the address of a database of this test's own on the server."""
    name = f"dryhold_batch_{os.getpid()}"
    admin = sa.create_engine(URL, isolation_level="AUTOCOMMIT")
    with admin.connect() as connection:
        connection.execute(sa.text(f'DROP DATABASE IF EXISTS "{name}"'))
        connection.execute(sa.text(f'CREATE DATABASE "{name}"'))
    yield sa.engine.make_url(URL).set(database=name).render_as_string(hide_password=False)
    with admin.connect() as connection:
        connection.execute(sa.text(f'DROP DATABASE "{name}" WITH (FORCE)'))
    admin.dispose()


def test_the_whole_batch_from_a_server_and_again(server_url, tmp_path, capsys):
    store = open_store(server_url)
    add_invented_groups(store, 2, NOW)
    store.engine.dispose()
    command = [
        "--results",
        str(tmp_path / "p.jsonl"),
        "--database",
        server_url,
        "--today",
        "2026-11-20",
        "--processes",
        "1",
    ]
    assert main([*command, "--table", str(tmp_path / "plans.xlsx")]) == 0
    assert "planned 2, done before 0" in capsys.readouterr().out
    assert main(command) == 0
    assert "planned 0, done before 2" in capsys.readouterr().out
    rows = [json.loads(line) for line in (tmp_path / "p.jsonl").read_text(encoding="utf-8").splitlines()]
    assert len(rows) == 2
    assert all(row["mean"] > 0 and row["bags_sold"] > 0 for row in rows)
    assert (tmp_path / "plans.xlsx").stat().st_size > 3000


def test_many_write_at_once_and_nothing_is_lost(server_url):
    store = open_store(server_url)
    ids = add_invented_groups(store, 2, NOW)
    before = {group_id: len(store.readings(group_id)) for group_id in ids}
    versions = {group_id: store.version(group_id) for group_id in ids}
    lots = {group_id: store.lots(group_id)[0].id for group_id in ids}
    writes = 12

    def write(number: int) -> None:
        own = open_store(server_url)
        group_id = ids[number % 2]
        own.add_readings([Reading(lot_id=lots[group_id], taken_at=NOW, bag=str(number), meter_moisture_pct=14.0)])
        own.append_event(group_id, "diary", "note", date(2026, 11, 20), f"writer {number}", {"n": number}, NOW)
        item = Difference("waiting wet", float(number), 0.0, 1.0, 1)
        keep_help(own, GroupHelp(group_id, "2026-06", 1, 1.0, (item,), (), ()), own.version(group_id), NOW.date())
        own.engine.dispose()

    with ThreadPoolExecutor(8) as pool:
        list(pool.map(write, range(writes)))
    for group_id in ids:
        assert len(store.readings(group_id)) == before[group_id] + writes // 2
        notes = [event for event in store.events(group_id, "diary") if event.kind == "note"]
        assert len({event.who for event in notes}) == writes // 2
        assert store.version(group_id) >= versions[group_id] + writes  # each write raised it: none overwrote another's
    assert any(kept_help(store, group_id) is not None for group_id in ids)
    store.engine.dispose()
