"""Group files: out and in again, twice, older after newer, broken among many, without personal data."""

from __future__ import annotations

import io
import json
import zipfile
from datetime import UTC, date, datetime, timedelta

import pytest

from core.errors import ImportRefusedError
from core.group.database import open_store
from core.group.records import Group, Lot, Member, PriceQuote, Reading, Sale
from core.programme.group_file import export_group, group_uid, merge_files, read_group_file

NOW = datetime(2026, 6, 1, 9, tzinfo=UTC)


def filled(tmp_path, name="one"):
    store = open_store(f"sqlite:///{tmp_path / name}.sqlite3")
    group = store.add_group(
        Group(name=f"Group {name}", currency="XOF", time_zone="Africa/Lome", latitude=8.0, longitude=1.0)
    )
    member = store.add_member(
        Member(group_id=group, name="=Zamiro", sex="female", birth_year=1990, phone="+228 1", consent=True)
    )
    lot = store.add_lot(
        Lot(
            group_id=group,
            label="A",
            commodity="maize",
            bags=4,
            nominal_bag_kg=100.0,
            owner_id=member,
            harvested_on=date(2026, 5, 2),
        )
    )
    store.add_readings(
        [
            Reading(
                lot_id=lot,
                taken_at=NOW - timedelta(days=3),
                bag="1",
                temperature_c=27.0,
                relative_humidity_pct=71.5,
                tester="Zamiro",
                settled=True,
            )
        ]
    )
    store.add_sale(
        Sale(lot_id=lot, sold_on=date(2026, 5, 30), bags=1, mass_kg=98.5, price_per_kg=250.0, buyer="-Trader")
    )
    store.add_price_quotes(
        [PriceQuote(group_id=group, quoted_on=date(2026, 5, 1), market="Ostrel", commodity="maize", price_per_kg=240.0)]
    )
    return store, group, lot


def counts(store):
    groups = store.groups()
    return [
        len(groups),
        *(
            sum(len(part(g.id)) for g in groups)
            for part in (store.members, store.lots, store.readings, store.sales, store.price_quotes)
        ),
    ]


def test_there_and_back_keeps_everything(tmp_path):
    store, group, _lot = filled(tmp_path)
    content = export_group(store, group, group_uid(store, group, lambda: "uid-1", NOW), NOW, case_json="{}")
    target = open_store(f"sqlite:///{tmp_path / 'officer.sqlite3'}")
    outcome = merge_files(target, [("a.zip", content)], NOW)[0]
    assert outcome.status == "added"
    assert counts(target) == [1, 1, 1, 1, 1, 1]
    got = target.groups()[0]
    member, lot = target.members(got.id)[0], target.lots(got.id)[0]
    assert (member.name, member.phone, member.birth_year, member.consent) == ("=Zamiro", "+228 1", 1990, True)
    assert (lot.label, lot.bags, lot.nominal_bag_kg, lot.owner_id, lot.harvested_on) == (
        "A",
        4,
        100.0,
        member.id,
        date(2026, 5, 2),
    )
    reading = target.readings(got.id).iloc[0]
    assert reading["relative_humidity_pct"] == 71.5
    assert reading["taken_at"] == NOW - timedelta(days=3)
    assert target.sales(got.id).iloc[0]["buyer"] == "-Trader"


def test_same_twice_older_after_newer_and_a_broken_one(tmp_path):
    store, group, lot = filled(tmp_path)
    uid = group_uid(store, group, lambda: "uid-1", NOW)
    old = export_group(store, group, uid, NOW)
    store.add_readings([Reading(lot_id=lot, taken_at=NOW, bag="2", meter_moisture_pct=13.0)])
    new = export_group(store, group, uid, NOW + timedelta(days=1))
    target = open_store(f"sqlite:///{tmp_path / 'officer.sqlite3'}")
    files = [
        ("old", old),
        ("old again", old),
        ("broken", new[: len(new) // 2]),
        ("new", new),
        ("old late", old),
        ("new again", new),
        ("text", b"hello"),
    ]
    outcomes = merge_files(target, files, NOW)
    assert [item.status for item in outcomes] == ["added", "same", "broken", "updated", "older", "same", "broken"]
    assert counts(target) == [1, 1, 1, 2, 1, 1]
    assert outcomes[3].rows == 1


def test_personal_data_can_be_left_out(tmp_path):
    store, group, _lot = filled(tmp_path)
    content = export_group(store, group, "uid-1", NOW, personal=False)
    with zipfile.ZipFile(io.BytesIO(content)) as folder:
        text = b"".join(folder.read(name) for name in folder.namelist()).decode("utf-8-sig", "replace")
    for word in ("Zamiro", "+228", "Trader"):
        assert word not in text
    assert "#value+humidity+pct" in text


def test_a_changed_table_is_refused(tmp_path):
    store, group, _lot = filled(tmp_path)
    content = export_group(store, group, "uid-1", NOW)
    buffer = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(buffer, "w") as new:
        for name in old.namelist():
            data = old.read(name)
            new.writestr(name, data.replace(b"71.5", b"61.5") if name == "readings.csv" else data)
    with pytest.raises(ImportRefusedError, match="changed"):
        read_group_file(buffer.getvalue())


def test_a_newer_version_is_refused_with_its_number(tmp_path):
    store, group, _lot = filled(tmp_path)
    content = export_group(store, group, "uid-1", NOW)
    buffer = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(buffer, "w") as new:
        for name in old.namelist():
            data = old.read(name)
            new.writestr(name, json.dumps(json.loads(data) | {"version": 99}) if name == "about.json" else data)
    with pytest.raises(ImportRefusedError, match="99"):
        read_group_file(buffer.getvalue())


def test_thirty_files_in_one_go(tmp_path):
    target = open_store(f"sqlite:///{tmp_path / 'officer.sqlite3'}")
    store, group, _lot = filled(tmp_path)
    files = [(f"{n}.zip", export_group(store, group, f"uid-{n}", NOW)) for n in range(30)]
    files[7] = ("7.zip", b"PK broken")
    seen = []
    outcomes = merge_files(target, files, NOW, progress=lambda count, name: seen.append(count))
    assert [item.status for item in outcomes].count("added") == 29
    assert outcomes[7].status == "broken"
    assert counts(target)[:2] == [29, 29]
    assert seen[-1] == 30
