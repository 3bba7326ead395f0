"""A file that takes the place of an earlier one: what goes, what stays, and how far it is."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from core.errors import InputError, NotFoundError
from core.group import batches
from core.group.batches import ImportBatch
from core.group.records import Group, ImportRecord, Lot, Member, PriceQuote, Reading, Sale
from tests.shared_store import fresh_store

NOW = datetime(2026, 5, 20, 8, tzinfo=UTC)
LATER = NOW + timedelta(days=1)


@pytest.fixture
def where():
    store = fresh_store()
    yield store, store.add_group(Group(name="By hand"))
    store.engine.dispose()


def one_test(label):
    return {"lot_label": label, "taken_at": NOW, "bag": "", "tester": "", "settled": None, "meter_moisture_pct": 13.0}


def batch(group, labels, at=NOW, replaces=None, new=(), **more):
    record = ImportRecord(group_id=group, kind="readings", file_name="a.csv", file_hash="0", imported_at=at)
    lots = [(Lot(group_id=group, label=label, commodity="maize", bags=1), "") for label in new]
    return ImportBatch(
        record=record, lots=lots, readings=[one_test(label) for label in labels], replaces=replaces, **more
    )


def test_a_newer_file_takes_the_place_of_an_older_one(where):
    """Six lots came with the first file; the second names one of them. Of the others goes the one that nobody used:
    one was tested by hand, one sold, one edited, one stands in a book; the member stays.
    """
    store, group = where
    labels = ["named", "unused", "tested", "sold", "edited", "in a book"]
    first = store.take_in(
        batch(
            group,
            labels,
            new=labels,
            members=[Member(group_id=group, name="Neema")],
            quotes=[PriceQuote(group_id=group, quoted_on=NOW.date(), commodity="maize", price_per_kg=4.0, market="M")],
        )
    )
    other = store.take_in(batch(group, ["other"], new=["other"]))
    lots = {lot.label: lot for lot in store.lots(group)}
    store.add_reading(Reading(lot_id=lots["tested"].id, taken_at=NOW, meter_moisture_pct=12.0))
    store.add_sale(Sale(lot_id=lots["sold"].id, sold_on=NOW.date(), mass_kg=9.0))
    store.update_lot(replace(lots["edited"], place="shed"))
    store.append_event(group, "diary", "sieve", NOW.date(), "Asha", {"lot_id": lots["in a book"].id}, NOW)
    second = store.take_in(batch(group, ["named"], LATER, replaces=first))
    stay = {lot.label for lot in store.lots(group)}
    assert stay == {"named", "tested", "sold", "edited", "in a book", "other"}
    tests = store.readings(group)
    assert sorted(tests["import_id"].dropna().astype(int)) == [other, second]
    left = {lot.id: lot.label for lot in store.lots(group)}
    assert sorted(tests["lot_id"].map(left)) == ["named", "other", "tested"]
    assert store.price_quotes(group, "maize").empty
    assert [member.name for member in store.members(group)] == ["Neema"]
    records = {record.id: record for record in store.imports(group)}
    assert records[first].undone_at == LATER
    assert records[second].undone_at is None
    assert records[other].undone_at is None
    with pytest.raises(InputError, match="before"):
        store.undo_import(first, LATER)


def test_a_file_in_pieces_tells_how_far_it_is_and_loses_nothing(where, monkeypatch):
    """Five tests, two at a time: two fifths, four, and all."""
    store, group = where
    monkeypatch.setattr(batches, "CHUNK", 2)
    told = []
    store.take_in(batch(group, ["a", "b", "a", "b", "a"], new=["a", "b"], progress=told.append))
    assert told == pytest.approx([0.4, 0.8, 1.0])
    assert len(store.readings(group)) == 5
    with pytest.raises(InputError, match="not known"):
        store.take_in(batch(group, ["a", "a", "c"]))
    assert len(store.readings(group)) == 5


def test_what_stands_on_a_file_keeps_it(where):
    """A lot entered by hand that belongs to a member of the file; a lot of the file that belongs to them is no bar."""
    store, group = where
    people = [Member(group_id=group, name="Neema")]
    record = ImportRecord(group_id=group, kind="readings", file_name="a.csv", file_hash="0", imported_at=NOW)
    lot = Lot(group_id=group, label="theirs", commodity="maize", bags=1)
    number = store.take_in(
        ImportBatch(record=record, members=people, lots=[(lot, "Neema")], readings=[one_test("theirs")])
    )
    mine = store.add_lot(
        Lot(group_id=group, label="mine", commodity="maize", bags=1, owner_id=store.members(group)[0].id)
    )
    with pytest.raises(InputError, match="Later entries"):
        store.undo_import(number, NOW)
    store.update_lot(replace(store.lot(mine), owner_id=None))
    store.undo_import(number, LATER)
    assert [lot.label for lot in store.lots(group)] == ["mine"]
    assert store.members(group) == []
    assert store.imports(group)[0].undone_at == LATER
    with pytest.raises(NotFoundError):
        store.undo_import(number + 1, NOW)
