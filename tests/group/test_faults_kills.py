"""Killed at random points: the file opens again, nothing saved is lost, nothing stands half done."""

from __future__ import annotations

import multiprocessing
import os
import random
import signal
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from types import SimpleNamespace

import pytest

from core.group.batches import ImportBatch
from core.group.database import open_store
from core.group.older_records import carried_over
from core.group.records import Group, ImportRecord, Lot, Member, NewEntry
from core.group.store import Store
from core.meter.account import money_account, record_all, replay
from core.planning.case import make_case
from core.planning.rolling import keep_plan, kept_plans
from core.pool.book import assumed_terms, check_new, write_entries
from core.pool.payout import pay_by_member, payable_now
from core.pool.season import Season
from core.programme.group_upkeep import merge_groups
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


def said(path: str | Path, number: int) -> None:
    """Note that something is saved, as the page would say it."""
    Path(path).with_suffix(".said").write_text(str(number))


def last_said(path: Path) -> int:
    """Return what was last said to be saved, -1 for nothing."""
    file = path.with_suffix(".said")
    return int(file.read_text() or -1) if file.exists() else -1


def keep_plans(path: str) -> None:
    store, case = open_store(path), make_case(30, 26, 20, seed=1)
    plan = SimpleNamespace(case=case, mean=1.0, worst_tenth_mean=1.0, gap=0.0, method="rounded", sales=())
    while True:
        said(path, keep_plan(store, 1, plan, NOW.date(), "Asha", NOW))


def check_plans(path: Path) -> None:
    with reopened(path) as store:
        kept = kept_plans(store, 1)  # an entry that cannot be read is an error
        assert {plan.case_json for plan in kept} <= {make_case(30, 26, 20, seed=1).to_json()}
        assert last_said(path) in {-1, *(plan.number for plan in kept)}


def close_account(path: str) -> None:
    store = open_store(path)
    while True:
        account = replay(store.events(1, "meter"))
        last = (account.facts.closed_until or NOW.date() + timedelta(days=1)) + timedelta(days=1)
        counted = account.journal.balance(money_account("cash box"), last) + 1
        items = [
            ("cash_counted", last, {"counted": counted, "money": "cash box"}),
            ("season_closed", last, {"reserve": Decimal(0), "to_pay": {}}),
        ]
        record_all(store, 1, items, "Asha", NOW)
        said(path, last.toordinal())


def check_account(path: Path) -> None:
    with reopened(path) as store:
        events = store.events(1, "meter")
        account = replay(events)
        counted = {event.on for event in events if event.kind == "cash_counted" and event.who == "Asha"}
        closed = {event.on for event in events if event.kind == "season_closed" and event.who == "Asha"}
        assert counted == closed
        assert not closed or account.facts.closed_until == max(closed)
        assert last_said(path) in {-1, *(day.toordinal() for day in closed)}


def pay_pool(path: str) -> None:
    store = open_store(path)
    for round_ in range(10_000):
        season = season_of(store)
        members = list(payable_now(season, pay_by_member(season)))
        items = [("payment", NOW.date(), {"member_id": one, "amount": "1", "reference": "kill"}) for one in members]
        write_entries(store, 1, items, "Asha", NOW, token=f"{os.getpid()}-{round_}")
        said(path, sum(event.payload.get("reference") == "kill" for event in store.events(1, "pool")))


def season_of(store: Store) -> Season:
    return check_new(store.events(1, "pool"), 0, assumed_terms(store, 1))


def check_pool(path: Path) -> None:
    with reopened(path) as store:
        season = season_of(store)
        members = len(payable_now(season, pay_by_member(season)))
        paid = sum(event.payload.get("reference") == "kill" for event in store.events(1, "pool"))
        assert members > 1
        assert paid % members == 0
        assert paid >= last_said(path)


def merge(path: str) -> None:
    store = open_store(path)
    keep, gone, _third = sorted(group.id for group in store.groups())
    merge_groups(store, keep, gone, NOW + timedelta(days=1))


def counts(path: Path) -> dict[str, int]:
    """Return how many rows each table has, and how many groups are left."""
    with closing(sqlite3.connect(path)) as connection:
        tables = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        found = {name: connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0] for name in tables}
        left = connection.execute("SELECT count(*) FROM groups WHERE removed_at IS NULL").fetchone()[0]
    return found | {"left": left}


def check_merge(path: Path) -> None:
    whole = path.with_name("merged.sqlite")
    if not whole.exists():
        example(whole)
        merge(str(whole))
    with reopened(path) as store:
        before, after = counts(path.with_name("example.sqlite")), counts(whole)
        assert after["lots"] > before["lots"]
        assert counts(path) in (before, after)
        for group in store.groups():
            replay(store.events(group.id, "meter"))


@contextmanager
def reopened(path: Path) -> Iterator[Store]:
    store = open_store(str(path))
    try:
        yield store
    finally:
        store.engine.dispose()


def nothing(path: Path) -> None:
    """A first start begins without a file."""


def one_group(path: Path) -> None:
    store = open_store(str(path))
    if not store.groups():
        store.add_group(Group(name="Upper terrace"))
    store.engine.dispose()


def example(path: Path) -> None:
    """The example's three groups with their books; made once, copied for each file that is not there."""
    made = path.with_name("example.sqlite")
    if not made.exists():
        open_store(str(made), lambda store: fill_with_demo(store, NOW)).engine.dispose()
    if not path.exists():
        with closing(sqlite3.connect(made)) as source, closing(sqlite3.connect(path)) as target:
            source.backup(target)


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
    "plans kept": (keep_plans, one_group, check_plans, 0.4),
    "account closed": (close_account, example, check_account, 0.6),
    "pool paid": (pay_pool, example, check_pool, 0.6),
    "group merged": (merge, example, check_merge, 0.8),
}
ANEW = (nothing, older_file)
PER_KIND = 25
"""Two hundred kills in all."""


def _kill(what: str, folder: Path, kills: int, seed: int) -> None:
    work, before, check, longest = WORK[what]
    chance, context = random.Random(seed), multiprocessing.get_context("fork")
    killed = 0
    for number in range(kills):
        path = folder / f"{number if before in ANEW or work is merge else 0}.sqlite"
        before(path)
        worker = context.Process(target=work, args=(str(path),))
        worker.start()
        time.sleep(chance.random() * longest)
        if worker.is_alive() and worker.pid is not None:
            os.kill(worker.pid, signal.SIGKILL)
            killed += 1
        else:
            assert worker.exitcode == 0, "the work itself failed"
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
    _kill(what, tmp_path, PER_KIND, 11)
