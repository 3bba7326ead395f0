"""Writes: a form is taken once, several entries as one, a stale edit overwrites nothing, edits leave a trail."""

from __future__ import annotations

import multiprocessing
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest
import sqlalchemy as sa

from core.errors import AlreadySavedError, InputError, LedgerError, StaleError
from core.group import tables
from core.group.batches import ImportBatch
from core.group.database import open_store
from core.group.records import Event, Group, ImportRecord, Lot, Member, NewEntry, PriceQuote, Reading, Sale
from tests.shared_store import fresh_store

NOW = datetime(2026, 11, 25, 8, tzinfo=UTC)
DAY = NOW.date()


@pytest.fixture
def store(tmp_path):
    opened = fresh_store(tmp_path / "x.sqlite")
    opened.add_group(Group(name="Upper terrace", currency="KES"))
    opened.add_lot(Lot(group_id=1, label="A", commodity="maize", bags=3))
    yield opened
    opened.engine.dispose()


WRITES = {
    "member": lambda store, token: store.add_member(Member(group_id=1, name="Zoe"), token),
    "lot": lambda store, token: store.add_lot(Lot(group_id=1, label="B", commodity="maize"), token),
    "reading": lambda store, token: store.add_reading(Reading(lot_id=1, taken_at=NOW), token),
    "sale": lambda store, token: store.add_sale(Sale(lot_id=1, sold_on=DAY, mass_kg=9.0), token),
    "prices": lambda store, token: store.add_price_quotes(
        [PriceQuote(group_id=1, quoted_on=DAY, commodity="maize", price_per_kg=4.0)], token
    ),
    "fact": lambda store, token: store.set_fact(1, "maize_price_kg", 4.0, "entered", "Zoe", NOW, token=token),
    "entry": lambda store, token: store.append_event(1, "meter", "fee", DAY, "Zoe", {}, NOW, token=token),
}


@pytest.mark.parametrize("what", WRITES)
def test_a_forms_token_is_taken_once(store, what):
    WRITES[what](store, "form-1")
    version = store.version(1)
    with pytest.raises(AlreadySavedError):
        WRITES[what](store, "form-1")
    assert store.version(1) == version


def test_a_refused_write_does_not_use_up_its_token(store):
    with pytest.raises(LedgerError):
        store.append_event(1, "meter", "back", DAY, "Zoe", {}, NOW, reverses=99, token="form-1")
    store.append_event(1, "meter", "fee", DAY, "Zoe", {}, NOW, token="form-1")


def _pay(url, results):
    opened = open_store(url)
    try:
        opened.append_event(1, "meter", "payment", DAY, "Zoe", {"amount": "1"}, NOW, token="one click")
        results.put("written")
    except AlreadySavedError:
        results.put("already")
    opened.engine.dispose()


def test_two_processes_with_one_token_write_once(store):
    context = multiprocessing.get_context("spawn")
    results = context.Queue()
    url = str(store.engine.url)
    workers = [context.Process(target=_pay, args=(url, results)) for _ in range(2)]
    for worker in workers:
        worker.start()
    said = sorted(results.get(timeout=240) for _ in workers)
    for worker in workers:
        worker.join()
    assert said == ["already", "written"]
    assert len(store.events(1, "meter")) == 1


def test_entries_of_several_books_are_kept_together_or_not_at_all(store):
    entries = [
        NewEntry(book="meter", kind="payment", on=DAY, payload={"amount": "3"}),
        NewEntry(book="pool", kind="passed_on", on=DAY, payload={"amount": "3"}),
    ]
    store.record_all(1, entries, "Zoe", NOW)
    wrong = [*entries, NewEntry(book="pool", kind="reversal", on=DAY, payload={}, reverses=99)]
    with pytest.raises(LedgerError):
        store.record_all(1, wrong, "Zoe", NOW)
    assert (len(store.events(1, "meter")), len(store.events(1, "pool"))) == (1, 1)


def test_a_books_check_sees_all_entries_and_undoes_what_it_refuses(store):
    def at_most_ten(events: list[Event]) -> None:
        total = sum(int(event.payload["amount"]) for event in events)
        if total > 10:
            raise LedgerError("there are only 10, not {total}", total=total)

    def pay(amount: int) -> int:
        return store.append_event(1, "meter", "payment", DAY, "Z", {"amount": amount}, NOW, check=at_most_ten)

    pay(4)
    pay(6)
    with pytest.raises(LedgerError, match="11"):
        pay(1)
    assert len(store.events(1, "meter")) == 2


def test_on_one_transaction_all_is_kept_or_nothing(store):
    def fails_at_the_end():
        with store.transaction(1) as inside:
            number = inside.add_member(Member(group_id=1, name="Zoe"))
            inside.documents.write("limits", "1", {"rows": []}, NOW)
            assert inside.member(number).name == "Zoe"
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fails_at_the_end()
    assert store.members(1) == []
    assert store.documents.read("limits", "1") is None
    with store.transaction(1) as inside:
        inside.add_member(Member(group_id=1, name="Zoe"))
        inside.set_fact(1, "maize_price_kg", 5.0, "entered", "Zoe", NOW)
    assert len(store.members(1)) == 1


def test_the_second_of_two_editors_is_told_and_nothing_is_lost(store):
    number = store.add_member(Member(group_id=1, name="Zoe"))
    for read, write, one, two in (
        (lambda: store.member(number), store.update_member, {"phone": "1"}, {"name": "Zoé"}),
        (lambda: store.lot(1), store.update_lot, {"bags": 5}, {"note": "n", "shares": ((number, 1.0),)}),
        (lambda: store.group(1), store.update_group, {"district": "D"}, {"currency": "USD"}),
    ):
        seen = read()
        write(replace(seen, **one))
        with pytest.raises(StaleError) as caught:
            write(replace(seen, **two))
        for name, value in one.items():
            assert getattr(read(), name) == value
            assert getattr(caught.value.theirs, name) == value
        for name, value in two.items():
            assert getattr(read(), name) != value
            assert getattr(caught.value.mine, name) == value
        write(replace(read(), **two))


def test_a_fact_and_a_document_can_be_edited_from_what_was_seen_only(store):
    store.set_fact(1, "maize_price_kg", 40.0, "entered", "Zoe", NOW, expected=0)
    with pytest.raises(StaleError):
        store.set_fact(1, "maize_price_kg", 50.0, "entered", "Odo", NOW, expected=0)
    store.set_fact(1, "maize_price_kg", None, "entered", "Zoe", NOW, expected=1)
    assumed = store.fact(1, "maize_price_kg")
    assert assumed.origin == "assumed"
    assert assumed.revision == 2  # an edit that rests on the first entry is still stale
    with pytest.raises(StaleError):
        store.set_fact(1, "maize_price_kg", 50.0, "entered", "Odo", NOW, expected=1)
    store.documents.write("limits", "1", {"rows": [1]}, NOW, expected=0)
    with pytest.raises(StaleError) as caught:
        store.documents.write("limits", "1", {"rows": [2]}, NOW, expected=0)
    assert caught.value.theirs == {"rows": [1]}
    store.documents.write("limits", "1", {"rows": [2]}, NOW, expected=1)
    assert store.documents.revision("limits", "1") == 2


def test_who_changed_what_when_is_kept(store):
    later = store.by("Odo", NOW)
    number = later.add_member(Member(group_id=1, name="Zoe", joined_on=date(2024, 1, 15)))
    later.update_member(replace(later.member(number), name="Zoé", phone="0700"))
    later.set_fact(1, "maize_price_kg", 40.0, "entered", "Odo", NOW)
    later.documents.write("limits", "1", {"rows": [1]}, NOW)
    reading = later.add_reading(Reading(lot_id=1, taken_at=NOW, bag="7"))
    later.remove_reading(reading)
    reading_gone, limits, fact, member = later.changes(1)
    assert member.changed == {"name": ["Zoe", "Zoé"], "phone": ["", "0700"]}
    assert (member.who, member.at, member.kind, member.row) == ("Odo", NOW, "member", str(number))
    assert fact.changed == {"value": [None, 40.0]}
    assert limits.changed == {"rows": [None, [1]]}
    assert reading_gone.changed["bag"] == ["7", None]


def test_the_trail_itself_is_never_changed(store):
    store.by("Odo", NOW).update_group(replace(store.group(1), district="D"))
    for statement in (sa.delete(tables.changes), sa.update(tables.changes).values(who="x")):
        with pytest.raises(sa.exc.IntegrityError, match="never changed"), store.engine.begin() as connection:
            connection.execute(statement)


@pytest.mark.parametrize("table", ["events", "changes"])
def test_guards_lost_in_a_rebuild_are_made_again_on_opening(store, table):
    """Rebuilding a table in SQLite (copy, drop, rename) takes its triggers with it."""
    store.append_event(1, "meter", "fee", DAY, "Zoe", {}, NOW)
    store.by("Odo", NOW).update_group(replace(store.group(1), district="D"))
    with store.engine.begin() as connection:
        connection.execute(sa.text(f"CREATE TABLE copy AS SELECT * FROM {table}"))
        connection.execute(sa.text(f"DROP TABLE {table}"))
        connection.execute(sa.text(f"ALTER TABLE copy RENAME TO {table}"))
        connection.execute(sa.delete(tables.metadata.tables[table]))  # nothing refuses it now
    opened = open_store(str(store.engine.url))
    with opened.engine.begin() as connection:
        connection.execute(sa.text(f"INSERT INTO {table} (id, kind, who) VALUES (1, 'x', 'y')"))
    with pytest.raises(sa.exc.IntegrityError, match="never changed"), opened.engine.begin() as connection:
        connection.execute(sa.delete(tables.metadata.tables[table]))
    opened.engine.dispose()


@pytest.mark.parametrize(
    "wrong",
    [
        {"members": [Member(group_id=1, name=" ")]},
        {"lots": [(Lot(group_id=1, label="L", commodity="maize", bags=-1), "")]},
        {"readings": [{"temperature_c": 250.0}]},
        {"readings": [{"relative_humidity_pct": 170.0}]},
        {"readings": [{"meter_moisture_pct": float("nan")}]},
        {"readings": [{"taken_at": datetime(1850, 1, 1, tzinfo=UTC)}]},
        {"quotes": [PriceQuote(group_id=1, quoted_on=date(2026, 11, 1), commodity="maize", price_per_kg=-1.0)]},
    ],
    ids=str,
)
def test_what_a_file_brings_lies_within_the_same_bounds_as_what_a_form_brings(store, wrong):
    group_id = 1
    sound = {"lot_label": "A", "taken_at": NOW, "bag": "1", "temperature_c": 25.0, "tester": "", "settled": None}
    rows = {name: [sound, *({**sound, **row} for row in given)] for name, given in wrong.items() if name == "readings"}
    record = ImportRecord(group_id=group_id, kind="readings", file_name="a.csv", file_hash="0", imported_at=NOW)
    with pytest.raises(InputError):
        store.take_in(ImportBatch(record=record, **{**wrong, **rows}))
    assert store.imports(group_id) == []
    assert store.readings(group_id).empty
    store.take_in(ImportBatch(record=record, readings=[sound]))
    assert len(store.readings(group_id)) == 1
