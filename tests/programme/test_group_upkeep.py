"""Groups counted, removed, brought back, recognised under a new identity, made one."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from core.errors import InputError
from core.group.records import Group, Lot, Member, Reading
from core.programme.group_file import export_group
from core.programme.group_merge import merge_files
from core.programme.group_upkeep import bring_back, counted, merge_groups, remove_group
from tests.programme.test_group_file import DELIVERY, counts, filled, with_books
from tests.shared_store import fresh_store

NOW = datetime(2026, 6, 1, 9, tzinfo=UTC)


def officer(tmp_path):
    return fresh_store(tmp_path / "officer.sqlite3")


def test_invented_and_real_groups_are_never_counted_together():
    real, invented = Group(id=1, name="Real"), Group(id=2, name="Invented", demo=True)
    assert counted([real, invented]) == [real]
    assert counted([real, invented], invented=True) == [invented]
    assert counted([invented]) == [invented]
    assert counted([]) == []


def test_a_removed_group_is_in_no_list_and_can_come_back(tmp_path):
    store, group, _lot = filled(tmp_path)
    content = export_group(store, group, "uid-1", NOW)
    target = officer(tmp_path)
    merge_files(target, [("a", content)], NOW)
    here = target.groups()[0].id
    remove_group(target, here, NOW)
    assert target.groups() == []
    assert [one.id for one in target.groups(removed=True)] == [here]
    later = export_group(store, group, "uid-1", NOW + timedelta(days=1))
    assert merge_files(target, [("a", later)], NOW + timedelta(days=1))[0].status == "removed"
    bring_back(target, here)
    assert counts(target) == [1] * 6
    with pytest.raises(InputError):
        bring_back(target, here)


def test_the_same_group_under_a_new_identity_is_asked_about_and_not_doubled(tmp_path):
    store, group, lot = filled(tmp_path)
    target = officer(tmp_path)
    merge_files(target, [("a", export_group(store, group, "uid-1", NOW))], NOW)
    store.add_reading(Reading(lot_id=lot, taken_at=NOW, bag="2", meter_moisture_pct=13.0))
    anew = export_group(store, group, "uid-2", NOW + timedelta(hours=1))
    asked = merge_files(target, [("b", anew)], NOW)[0]
    assert (asked.status, asked.like) == ("asked", target.groups()[0].id)
    assert counts(target) == [1] * 6
    same = merge_files(target, [("b", anew)], NOW, decided={asked.uid: asked.like})[0]
    assert (same.status, same.rows) == ("updated", 1)
    assert counts(target) == [1, 1, 1, 2, 1, 1]
    later = export_group(store, group, "uid-2", NOW + timedelta(hours=2))
    assert merge_files(target, [("c", later)], NOW)[0].status == "same"  # the new identity is known now
    other = merge_files(target, [("d", export_group(store, group, "uid-3", NOW))], NOW, decided={"uid-3": 0})[0]
    assert other.status == "added"
    assert counts(target)[0] == 2


@pytest.mark.parametrize(
    ("changes", "status"),
    [
        ({}, "asked"),
        ({"name": "group  ONE"}, "asked"),
        ({"name": "Group two"}, "added"),
        ({"latitude": 12.0}, "added"),  # four degrees are 440 km
        ({"demo": True}, "added"),
    ],
)
def test_what_makes_a_group_the_same(tmp_path, changes, status):
    store, group, _lot = filled(tmp_path)
    target = officer(tmp_path)
    merge_files(target, [("a", export_group(store, group, "uid-1", NOW))], NOW)
    store.update_group(replace(store.group(group), **changes))
    assert merge_files(target, [("b", export_group(store, group, "uid-2", NOW))], NOW)[0].status == status


@pytest.mark.parametrize(
    ("lot", "member", "status"),
    [
        ("A", "=Zamiro", "asked"),
        ("A", "Somebody else", "asked"),  # one lot of label, crop and day of harvest
        ("B", "=zamiro", "asked"),  # one name
        ("B", "Somebody else", "added"),  # one name of a group and one town are not enough
        (None, None, "asked"),  # nothing is entered yet: it may be the same group on a new computer
    ],
)
def test_name_and_place_alone_do_not_make_a_group_the_same(tmp_path, lot, member, status):
    store, group, _lot = filled(tmp_path)
    target = officer(tmp_path)
    merge_files(target, [("a", export_group(store, group, "uid-1", NOW))], NOW)
    merge_files(target, [("a", export_group(store, group, "uid-1", NOW + timedelta(hours=1), "all"))], NOW)
    other = fresh_store(tmp_path / "other.sqlite3")
    twin = other.add_group(replace(store.group(group), id=0))
    if member is not None:
        other.add_member(Member(group_id=twin, name=member, consent=True))
    if lot is not None:
        same = store.lots(group)[0]
        other.add_lot(replace(same, id=0, group_id=twin, label=lot, owner_id=None))
    later = export_group(other, twin, "uid-2", NOW + timedelta(hours=2), "all")
    assert merge_files(target, [("b", later)], NOW + timedelta(hours=3))[0].status == status


def doubled(tmp_path):
    """Return an officer's database that holds one group twice; the second has a lot, a test and an entry more."""
    store, group, lot, other = with_books(tmp_path)
    target = officer(tmp_path)
    merge_files(target, [("a", export_group(store, group, "uid-1", NOW))], NOW)
    store.add_reading(Reading(lot_id=lot, taken_at=NOW, bag="2", meter_moisture_pct=13.0))
    store.add_lot(Lot(group_id=group, label="New", commodity="maize", bags=2, owner_id=other))
    more = DELIVERY | {"member_id": other, "gross_kg": "60"}
    store.append_event(group, "pool", "delivery", date(2026, 5, 5), "w", more, NOW + timedelta(hours=1))
    merge_files(target, [("b", export_group(store, group, "uid-2", NOW))], NOW, decided={"uid-2": 0})
    keep, gone = sorted(one.id for one in target.groups())
    return store, group, target, keep, gone


def test_two_groups_that_are_one_are_made_one_and_nothing_is_doubled(tmp_path):
    store, group, target, keep, gone = doubled(tmp_path)
    assert merge_groups(target, keep, gone, NOW) == 3
    assert counts(target) == [1, 2, 2, 2, 1, 1]
    people = {member.name: member.id for member in target.members(keep)}
    new = next(lot for lot in target.lots(keep) if lot.label == "New")
    assert new.owner_id == people["Belko Bresk"]
    deliveries = target.events(keep, "pool")
    assert [event.payload["gross_kg"] for event in deliveries] == ["50", "60"]
    assert {event.payload["member_id"] for event in deliveries} == {people["Belko Bresk"]}
    with pytest.raises(InputError, match="merged"):
        bring_back(target, gone)
    store.add_reading(
        Reading(lot_id=store.lots(group)[0].id, taken_at=NOW + timedelta(hours=1), bag="3", meter_moisture_pct=12.0)
    )
    for uid in ("uid-1", "uid-2"):  # both identities lead to the one group from now on
        later = export_group(store, group, uid, NOW + timedelta(hours=3))
        merge_files(target, [("later", later)], NOW + timedelta(hours=4))
        assert len(target.groups()) == 1
        assert len(target.lots(keep)) == 2


def test_groups_that_cannot_be_one_are_refused_and_stay(tmp_path):
    _store, _group, target, keep, gone = doubled(tmp_path)
    with pytest.raises(InputError):
        merge_groups(target, keep, keep, NOW)
    target.update_group(replace(target.group(gone), currency="GHS"))
    with pytest.raises(InputError, match="GHS"):
        merge_groups(target, keep, gone, NOW)
    target.update_group(replace(target.group(gone), currency="XOF", demo=True))
    with pytest.raises(InputError):
        merge_groups(target, keep, gone, NOW)
    assert len(target.groups()) == 2
