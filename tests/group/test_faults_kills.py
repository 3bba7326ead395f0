"""Killed at random points: the file opens again, nothing saved is lost, nothing stands half done."""

from __future__ import annotations

import multiprocessing
import os
import random
import signal
import sqlite3
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from core.group.batches import ImportBatch
from core.group.database import open_store
from core.group.older_records import carried_over
from core.group.records import Group, ImportRecord, Lot, Member, NewEntry
from demo_data.load import fill_with_demo

NOW = datetime(2026, 5, 20, 7, tzinfo=UTC)
OLDER = Path(__file__).with_name("older")
PARTS = 9
pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs a process that can be copied")


def first_start(path: str) -> None:
    open_store(path, lambda store: fill_with_demo(store, NOW))


def check_first_start(path: Path) -> None:
    assert not path.exists() or path.stat().st_size
    store = open_store(str(path), lambda fresh: fill_with_demo(fresh, NOW))
    try:
        assert len(store.groups()) == 3
        for group in store.groups():
            assert store.events(group.id, "meter")  # the last thing that the example writes of a group
    finally:
        store.engine.dispose()


def pay_many(path: str) -> None:
    store = open_store(path)
    for round_ in range(10_000):
        entries = [
            NewEntry(book="meter" if part % 2 else "pool", kind="payment", on=NOW.date(), payload={"round": round_})
            for part in range(PARTS)
        ]
        store.record_all(1, entries, "Asha", NOW, token=f"{os.getpid()}-{round_}")
        with Path(path).with_suffix(".said").open("w") as said:
            said.write(str(round_))


def check_payments(path: Path) -> None:
    store = open_store(str(path))
    try:
        rounds = [event.payload["round"] for book in ("meter", "pool") for event in store.events(1, book)]
        assert len(rounds) % PARTS == 0
        said = path.with_suffix(".said")
        if said.exists() and said.read_text():  # what was said to be saved is there
            assert int(said.read_text()) in rounds
            said.unlink()
    finally:
        store.engine.dispose()


def import_many(path: str) -> None:
    store = open_store(path)
    for number in range(10_000):
        name = f"{os.getpid()}-{number}"
        record = ImportRecord(
            group_id=1, kind="readings", file_name=name, file_hash=name, imported_at=NOW, rows=PARTS, summary={}
        )
        row = {"taken_at": NOW, "bag": "1", "temperature_c": None, "relative_humidity_pct": None, "tester": ""}
        rows = [{**row, "settled": None, "meter_moisture_pct": 13.0, "lot_label": name} for _ in range(PARTS)]
        lot = Lot(group_id=1, label=name, commodity="maize", bags=1)
        store.take_in(ImportBatch(record=record, lots=[(lot, name)], members=[_member(name)], readings=rows))


def _member(name: str) -> Member:
    return Member(group_id=1, name=name)


def check_imports(path: Path) -> None:
    store = open_store(str(path))
    try:
        files = len(store.imports(1))
        assert len(store.lots(1)) == len(store.members(1)) == files
        assert len(store.readings(1)) == PARTS * files
    finally:
        store.engine.dispose()


def migrate(path: str) -> None:
    open_store(path)


def check_migration(path: Path) -> None:
    store = open_store(str(path))
    try:
        assert store.members(1)[0].name == "Asha"
        keys = {key for key, fact in store.facts(1).items() if fact.origin == "entered"}
        assert "drying_spaces" in keys
        assert carried_over(dict.fromkeys(keys, 1)).keys() == keys  # no older key is left
    finally:
        store.engine.dispose()


def nothing(path: Path) -> None:
    """A first start begins without a file."""


def one_group(path: Path) -> None:
    store = open_store(str(path))
    if not store.groups():
        store.add_group(Group(name="Upper terrace"))
    store.engine.dispose()


def older_file(path: Path) -> None:
    with sqlite3.connect(path) as connection:
        connection.executescript((OLDER / "schema_0001.sql").read_text(encoding="utf-8"))
    connection.close()


# what is done, what there is before it, what has to hold after, the longest time after which it is killed (s)
WORK = {
    "first start": (first_start, nothing, check_first_start, 1.5),
    "payments": (pay_many, one_group, check_payments, 0.4),
    "imports": (import_many, one_group, check_imports, 0.4),
    "migration": (migrate, older_file, check_migration, 0.3),
}


def _kill(what: str, folder: Path, kills: int, seed: int) -> None:
    work, before, check, longest = WORK[what]
    chance, context = random.Random(seed), multiprocessing.get_context("fork")
    killed = 0
    for number in range(kills):
        path = folder / f"{number if before is not one_group else 0}.sqlite"
        before(path)
        worker = context.Process(target=work, args=(str(path),))
        worker.start()
        time.sleep(chance.random() * longest)
        if worker.is_alive() and worker.pid is not None:
            os.kill(worker.pid, signal.SIGKILL)
            killed += 1
        else:
            longest /= 2  # a quick machine had ended before
        worker.join()
        check(path)
    assert killed > 0


@pytest.mark.parametrize("what", WORK)
def test_a_kill_leaves_nothing_half_done(what, tmp_path):
    _kill(what, tmp_path, 3, 7)


@pytest.mark.slow
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("what", WORK)
def test_two_hundred_kills_leave_nothing_half_done(what, tmp_path):
    _kill(what, tmp_path, 50, 11)
