"""Group files: out and in again, twice, older after newer, broken among many, without personal data."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
import warnings
import zipfile
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.errors import ImportRefusedError
from core.group.records import Group, Lot, Member, PriceQuote, Reading, Sale
from core.programme.group_file import export_group, group_uid, read_group_file
from core.programme.group_merge import merge_files
from core.programme.indicators import records_of
from core.programme.seasons import seasons
from tests.fuzzing import FEW, MANY, ODD, ODD_TEXT, inputs
from tests.shared_store import fresh_store

NOW = datetime(2026, 6, 1, 9, tzinfo=UTC)


def filled(tmp_path, name="one"):
    store = fresh_store(tmp_path / f"{name}.sqlite3")
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
    content = export_group(store, group, group_uid(store, group, lambda: "uid-1", NOW), NOW)
    target = fresh_store(tmp_path / "officer.sqlite3")
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
    target = fresh_store(tmp_path / "officer.sqlite3")
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
    content = export_group(store, group, "uid-1", NOW, privacy="none")
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
    target = fresh_store(tmp_path / "officer.sqlite3")
    store, group, _lot = filled(tmp_path)
    files = []
    for n in range(30):
        store.update_group(replace(store.group(group), name=f"Group {n}"))
        files.append((f"{n}.zip", export_group(store, group, f"uid-{n}", NOW)))
    files[7] = ("7.zip", b"PK broken")
    seen = []
    outcomes = merge_files(target, files, NOW, progress=lambda count, name: seen.append(count))
    assert [item.status for item in outcomes].count("added") == 29
    assert outcomes[7].status == "broken"
    assert counts(target)[:2] == [29, 29]
    assert seen[-1] == 30


def changed(content, **parts):
    """Return a file with some parts replaced (their sums made right) or, given as None, left out."""
    with zipfile.ZipFile(io.BytesIO(content)) as old:
        data = {name: old.read(name) for name in old.namelist()}
    about = json.loads(data.pop("about.json"))
    for name, value in parts.items():
        file_name = name.replace("__", ".")
        if value is None:
            data.pop(file_name)
            about["sha256"].pop(file_name)
        elif name == "about":
            about |= value
        else:
            data[file_name] = value(data[file_name])
            about["sha256"][file_name] = hashlib.sha256(data[file_name]).hexdigest()
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as new:
        new.writestr("about.json", json.dumps(about))
        for name, part in data.items():
            new.writestr(name, part)
    return buffer.getvalue()


def added(content, name, part):
    """Return a file with one more entry in the ZIP."""
    buffer = io.BytesIO(content)
    with zipfile.ZipFile(buffer, "a", zipfile.ZIP_DEFLATED) as folder:
        folder.writestr(name, part)
    return buffer.getvalue()


def test_a_zip_bomb_is_refused_before_it_unpacks(tmp_path):
    store, group, _lot = filled(tmp_path)
    content = added(export_group(store, group, "uid-1", NOW), "members2.csv", b"\0" * 60_000_000)
    assert len(content) < 1_000_000
    with pytest.raises(ImportRefusedError, match="50 MB"):
        read_group_file(content)
    many = io.BytesIO()
    with zipfile.ZipFile(many, "w") as folder:
        for number in range(2000):
            folder.writestr(f"{number}.csv", b"")
    with pytest.raises(ImportRefusedError):
        read_group_file(many.getvalue())


@pytest.mark.parametrize("name", ["../../evil.py", "/etc/passwd", "sub/members.csv", "members.csv"])
def test_parts_that_do_not_belong_are_refused_and_nothing_is_unpacked(tmp_path, name):
    store, group, _lot = filled(tmp_path)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the same name twice
        content = added(export_group(store, group, "uid-1", NOW), name, b"x")
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(ImportRefusedError, match="does not belong in it"):
        read_group_file(content)
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.parametrize(
    ("table", "old", "new"),
    [
        ("lots__csv", b",threshed,", b",thrown,"),
        ("members__csv", b",female,", b",fem,"),
        ("sales__csv", b",98.5,", b",-98.5,"),
        ("sales__csv", b",98.5,", b",inf,"),
        ("readings__csv", b"+00:00", b""),
        ("readings__csv", b",27.0,", b",warm,"),
        ("prices__csv", b",240.0,", b",0,"),
        ("lots__csv", b"2026-05-02", b"2026-25-02"),
    ],
)
def test_records_that_cannot_be_are_refused_before_anything_is_written(tmp_path, table, old, new):
    store, group, _lot = filled(tmp_path)
    content = changed(export_group(store, group, "uid-1", NOW), **{table: lambda part: part.replace(old, new)})
    target = fresh_store(tmp_path / "officer.sqlite3")
    assert merge_files(target, [("a.zip", content)], NOW)[0].status == "broken"
    assert counts(target) == [0] * 6


@pytest.mark.parametrize(
    "about",
    [
        {"uid": ""},
        {"uid": 7},
        {"exported_at": "2026-06-01T09:00:00"},
        {"version": "two"},
        {"group": {"name": "x", "currency": "francs"}},
        {"group": {"name": "x", "time_zone": "Nowhere/At_All"}},
        {"group": {"name": "x", "latitude": 123.0}},
        {"group": {"name": {"a": 1}}},
        {"group": {}},
    ],
)
def test_a_file_that_says_nonsense_of_itself_is_refused(tmp_path, about):
    store, group, _lot = filled(tmp_path)
    with pytest.raises(ImportRefusedError):
        read_group_file(changed(export_group(store, group, "uid-1", NOW), about=about))


def test_a_file_of_the_first_version_is_read(tmp_path):
    store, group, _lot = filled(tmp_path)

    def without(*columns):
        return lambda part: (
            pd.read_csv(io.BytesIO(part), dtype=str, keep_default_na=False, encoding="utf-8-sig")
            .drop(columns=list(columns))
            .to_csv(index=False)
            .encode("utf-8-sig")
        )

    content = changed(
        export_group(store, group, "uid-1", NOW),
        about={"version": 1},
        facts__csv=None,
        events__csv=None,
        lots__csv=without("shares", "note"),
        sales__csv=without("paid_on", "note"),
        prices__csv=without("source"),
    )
    target = fresh_store(tmp_path / "officer.sqlite3")
    assert merge_files(target, [("old.zip", content)], NOW)[0].status == "added"
    assert counts(target) == [1] * 6
    newer = export_group(store, group, "uid-1", NOW + timedelta(days=1))
    assert merge_files(target, [("new.zip", newer)], NOW)[0].status == "updated"
    assert counts(target) == [1] * 6


DELIVERY = {"pool": "maize", "commodity": "maize", "gross_kg": "50", "bags": 1, "moisture_pct": "13"}


def with_books(tmp_path):
    store, group, lot = filled(tmp_path)
    member = store.members(group)[0].id
    other = store.add_member(Member(group_id=group, name="Belko Bresk", sex="male", consent=False))
    store.update_lot(
        replace(
            store.lot(lot), owner_id=None, shares=((member, 0.25), (other, 0.75)), label="Belko's heap", note="by Belko"
        )
    )
    day = date(2026, 5, 3)

    def write(book, kind, payload, reverses=None):
        return store.append_event(group, book, kind, day, "Writer Nowhere", payload, NOW, reverses)

    write("meter", "member_added", {"member": str(other), "name": "Belko Bresk"})
    due = write("meter", "capital_due", {"shares": {str(other): "10"}, "text": "for Belko"})
    write("meter", "reversal", {"reason": "Belko was right"}, due)
    write(
        "lot_actions",
        "weighing",
        {"lot_id": lot, "mass_in_kg": 400, "mass_out_kg": 390, "bags_out": 4, "note": "Belko"},
    )
    write("pool", "delivery", DELIVERY | {"member_id": other})
    store.set_fact(group, "interest_monthly", 0.025, "entered", "Belko Bresk", NOW)
    return store, group, lot, other


def shifted_target(tmp_path):
    """Return an officer's database in which numbers differ from those of the file."""
    target = fresh_store(tmp_path / "officer.sqlite3")
    first = target.add_group(Group(name="Another group"))
    for number in range(5):
        person = target.add_member(Member(group_id=first, name=f"p{number}"))
        target.add_lot(Lot(group_id=first, label=f"l{number}", commodity="maize", owner_id=person))
        target.append_event(
            first, "meter", "member_added", date(2026, 1, 1), "w", {"member": str(person), "name": "p"}, NOW
        )
    return target


def test_books_facts_and_shares_travel_with_their_numbers_turned(tmp_path):
    store, group, _lot, _other = with_books(tmp_path)
    target = shifted_target(tmp_path)
    merge_files(target, [("a.zip", export_group(store, group, "uid-1", NOW))], NOW)
    here = next(item for item in target.groups() if item.name == "Group one")
    people = {member.name: member.id for member in target.members(here.id)}
    lot = target.lots(here.id)[0]
    assert lot.shares == ((people["=Zamiro"], 0.25), (people["Belko Bresk"], 0.75))
    added_one, due, back = target.events(here.id, "meter")
    assert added_one.payload["member"] == str(people["Belko Bresk"])
    assert due.payload["shares"] == {str(people["Belko Bresk"]): "10"}
    assert back.reverses == due.id
    assert target.events(here.id, "lot_actions")[0].payload["lot_id"] == lot.id
    assert target.events(here.id, "pool")[0].payload["member_id"] == people["Belko Bresk"]
    assert target.fact(here.id, "interest_monthly").value == 0.025
    again = merge_files(target, [("a.zip", export_group(store, group, "uid-1", NOW + timedelta(days=1)))], NOW)[0]
    assert (again.status, again.rows) == ("same", 0)  # made later, but nothing in it is new
    store.append_event(group, "meter", "handover", date(2026, 5, 9), "w", {"member": "1"}, NOW)
    later = merge_files(target, [("a.zip", export_group(store, group, "uid-1", NOW + timedelta(days=1)))], NOW)[0]
    assert (later.status, later.rows) == ("updated", 1)
    assert len(target.events(here.id, "meter")) == 4


def text_of(content):
    with zipfile.ZipFile(io.BytesIO(content)) as folder:
        return b"".join(folder.read(name) for name in folder.namelist()).decode("utf-8-sig", "replace")


def test_without_names_none_is_in_labels_notes_or_books(tmp_path):
    store, group, _lot, _other = with_books(tmp_path)
    text = text_of(export_group(store, group, "uid-1", NOW, privacy="none"))
    for word in ("Belko", "Bresk", "Zamiro", "Nowhere", "Trader", "+228", "delivery"):
        assert word not in text, word
    target = shifted_target(tmp_path)
    merge_files(target, [("a.zip", export_group(store, group, "uid-1", NOW, privacy="none"))], NOW)
    assert len(target.events(2, "meter")) == 3


def test_with_those_who_agreed_only_they_are_named(tmp_path):
    store, group, _lot, _other = with_books(tmp_path)
    text = text_of(export_group(store, group, "uid-1", NOW, privacy="agreed"))
    assert "Zamiro" in text
    for word in ("Belko", "Bresk", "Nowhere", "Trader", "+228"):
        assert word not in text, word


def test_a_file_without_names_does_not_rub_out_names_that_are_here(tmp_path):
    store, group, _lot = filled(tmp_path)
    target = fresh_store(tmp_path / "officer.sqlite3")
    merge_files(target, [("full", export_group(store, group, "uid-1", NOW))], NOW)
    later = export_group(store, group, "uid-1", NOW + timedelta(days=1), privacy="none")
    assert merge_files(target, [("bare", later)], NOW)[0].status == "updated"
    member = target.members(target.groups()[0].id)[0]
    assert (member.name, member.phone) == ("=Zamiro", "+228 1")
    assert target.sales(target.groups()[0].id).iloc[0]["buyer"] == "-Trader"


def test_what_the_group_took_away_goes_here_too(tmp_path):
    store, group, lot = filled(tmp_path)
    wrong = store.add_reading(Reading(lot_id=lot, taken_at=NOW, bag="9", meter_moisture_pct=33.0))
    store.set_fact(group, "interest_monthly", 0.05, "entered", "w", NOW)
    target = fresh_store(tmp_path / "officer.sqlite3")
    merge_files(target, [("a", export_group(store, group, "uid-1", NOW))], NOW)
    store.remove_reading(wrong)
    store.set_fact(group, "interest_monthly", None, "entered", "w", NOW)
    outcome = merge_files(target, [("b", export_group(store, group, "uid-1", NOW + timedelta(days=1)))], NOW)[0]
    assert outcome.status == "updated"
    assert "2 rows that the group cancelled" in str(outcome.reason)
    here = target.groups()[0].id
    assert target.readings(here)["bag"].tolist() == ["1"]
    assert target.fact(here, "interest_monthly").origin == "assumed"


def test_a_group_kept_here_is_not_doubled_by_its_own_file(tmp_path):
    store, group, _lot = filled(tmp_path)
    uid = group_uid(store, group, lambda: "uid-1", NOW)
    assert merge_files(store, [("own", export_group(store, group, uid, NOW))], NOW)[0].status == "own"
    assert counts(store) == [1] * 6


def test_two_seasons_of_one_group_from_two_files(tmp_path):
    store, group, _lot = filled(tmp_path)
    uid = group_uid(store, group, lambda: "uid-1", NOW)
    first = export_group(store, group, uid, NOW)
    member = store.members(group)[0].id
    store.add_lot(
        Lot(group_id=group, label="B", commodity="maize", bags=3, owner_id=member, harvested_on=date(2027, 5, 4))
    )
    second = export_group(store, group, uid, NOW + timedelta(days=365))
    target = fresh_store(tmp_path / "officer.sqlite3")
    merge_files(target, [("2026", first), ("2027", second), ("2026 again", first)], NOW + timedelta(days=365))
    record = records_of(target, target.groups()[0].id)
    assert [season.start for season in seasons([record])] == [date(2026, 5, 1), date(2027, 5, 1)]
    assert len(record.lots) == 2


@inputs(FEW)
@given(st.binary(max_size=400))
def test_no_bytes_crash_the_reader(content):
    with pytest.raises(ImportRefusedError):
        read_group_file(content)


@cache
def small_file():
    """Return the file of a group without members."""
    store = fresh_store()
    return export_group(store, store.add_group(Group(name="Small")), "uid", NOW)


def one_byte_changed(place, value):
    content = bytearray(small_file())
    content[place % len(content)] = value
    try:
        found = read_group_file(bytes(content))
    except ImportRefusedError:
        return
    assert found.digest == read_group_file(small_file()).digest


@inputs(FEW)
@given(st.integers(0, 10_000), st.integers(0, 255))
def test_one_changed_byte_is_refused_or_changes_nothing(place, value):
    one_byte_changed(place, value)


@cache
def whole_file():
    """Return the file of a group with all kinds of records, as its parts."""
    with TemporaryDirectory() as folder:
        store, group, lot = filled(Path(folder))
        store.append_event(group, "diary", "sieve", date(2026, 5, 9), "w", {"lot_id": lot, "insects": 0}, NOW)
        store.set_fact(group, "interest_monthly", 0.02, "entered", "w", NOW)
        content = export_group(store, group, "uid", NOW)
        store.engine.dispose()
    with zipfile.ZipFile(io.BytesIO(content)) as opened:
        return {name: opened.read(name) for name in opened.namelist()}


@st.composite
def forged_files(draw):
    """Return a group file of which one to three cells are others, with the sums made right again, as a forger would."""
    parts = dict(whole_file())
    about = json.loads(parts.pop("about.json"))
    for _change in range(draw(st.integers(1, 3))):
        name = draw(st.sampled_from([*sorted(parts), "about.json"]))
        if name == "about.json":
            node = draw(st.sampled_from([about, about["group"]]))
            node[draw(st.sampled_from(sorted(set(node) - {"sha256"})))] = draw(ODD)
            continue
        rows = list(csv.reader(io.StringIO(parts[name].decode("utf-8-sig"))))
        row = draw(st.sampled_from(rows))
        if row:
            row[draw(st.integers(0, len(row) - 1))] = str(draw(ODD_TEXT | st.text(max_size=5) | ODD.map(json.dumps)))
        out = io.StringIO()
        csv.writer(out).writerows(rows)
        parts[name] = out.getvalue().encode("utf-8", "replace")
    about["sha256"] = {name: hashlib.sha256(content).hexdigest() for name, content in parts.items()}
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w") as folder:
        for name, content in parts.items():
            folder.writestr(name, content)
        folder.writestr("about.json", json.dumps(about))
    return made.getvalue()


@cache
def officers_store():
    return fresh_store()


class Undone(Exception):
    """Takes back what a forged file brought, so that the next one finds the officer's records as they were."""


def merges_or_refuses(content):
    """Only our own errors come out: as the outcome of the file, never as an exception."""
    with suppress(Undone), officers_store().transaction() as inside:
        outcome = merge_files(inside, [("a.zip", content)], NOW + timedelta(days=1))[0]
        assert outcome.status in ("added", "broken")
        raise Undone


def test_the_forged_file_is_whole_where_nothing_is_changed():
    merged = fresh_store()
    parts = dict(whole_file())
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w") as folder:
        for name, content in parts.items():
            folder.writestr(name, content)
    assert merge_files(merged, [("a.zip", made.getvalue())], NOW + timedelta(days=1))[0].status == "added"


@inputs(FEW)
@given(forged_files())
def test_a_forged_file_is_merged_or_refused(content):
    merges_or_refuses(content)


@pytest.mark.slow
@pytest.mark.timeout(14_400)
@inputs(MANY)
@given(forged_files(), st.integers(0, 10_000), st.integers(0, 255))
def test_twenty_thousand_forged_files_are_merged_or_refused(content, place, value):
    merges_or_refuses(content)
    one_byte_changed(place, value)


def test_the_last_plans_case_goes_along_without_names(tmp_path):
    store, group, lot = filled(tmp_path)
    case = {"lots": [{"id": str(lot), "owner": "=Zamiro"}], "buyers": [{"name": "Trader Falsiva"}]}
    store.append_event(group, "plans", "plan", date(2026, 5, 9), "w", {"case": case, "lines": []}, NOW)
    for privacy, there in (("all", True), ("none", False)):
        with zipfile.ZipFile(io.BytesIO(export_group(store, group, "uid-1", NOW, privacy))) as folder:
            text = folder.read("case.json").decode()
        assert ("Falsiva" in text) is there
        assert json.loads(text)["lots"][0]["id"] == str(lot)


# Values that no record of grain can have (issue 16, point 10): by physics, or sums beyond what a lot holds.
ABSURD = [
    ("readings__csv", b",27.0,", b",2700,", "temperature"),
    ("readings__csv", b",71.5,", b",900,", "humidity"),
    ("readings__csv", b",71.5,,", b",71.5,-500,", "moisture"),
    ("lots__csv", b",threshed,4,", b",threshed,1000000000000,", "number of bags"),
    ("lots__csv", b"2026-05-02", b"0001-05-02", "0001-05-02"),
    ("sales__csv", b"2026-05-30", b"9999-12-31", "9999-12-31"),
    ("sales__csv", b",1,98.5,", b",5,98.5,", "5 bags are sold, but it has only 4"),
    ("sales__csv", b",1,98.5,", b",1,1000,", "1000 kg are sold, but it weighs only 400 kg"),
    ("members__csv", b",1990,", b",19900,", "year of birth"),
    ("members__csv", b",1990,", b",9" + b"9" * 40 + b",", "digits"),
    ("prices__csv", b",240.0,", b",1e300,", "price of 1 kg"),
    ("members__csv", b"+228 1", b"2" * 500, "too long"),
]


@pytest.mark.parametrize(("table", "old", "new", "said"), ABSURD)
def test_absurd_values_are_refused_with_the_row_named(tmp_path, table, old, new, said):
    store, group, _lot = filled(tmp_path)

    def wrong(part):
        assert old in part, part
        return part.replace(old, new)

    with pytest.raises(ImportRefusedError, match=said) as caught:
        read_group_file(changed(export_group(store, group, "uid-1", NOW), **{table: wrong}))
    assert re.search(rf"row \S+ of ({table.removesuffix('__csv')}|lots):", str(caught.value))


@pytest.mark.parametrize("value", ["Infinity", "NaN", "1e999", "9" * 30])
def test_infinite_and_too_large_numbers_in_entries_are_refused(tmp_path, value):
    store, group, _lot, _other = with_books(tmp_path)

    def wrong(part):
        assert b"gross_kg" in part
        return part.replace(b'""gross_kg"": ""50""', b'""gross_kg"": ' + value.encode())

    with pytest.raises(ImportRefusedError):
        read_group_file(changed(export_group(store, group, "uid-1", NOW), events__csv=wrong))


def test_a_book_that_cannot_be_added_up_refuses_the_file_with_its_reason(tmp_path):
    store, group, _lot, other = with_books(tmp_path)
    wrong = DELIVERY | {"member_id": other, "moisture_pct": "-500"}
    store.append_event(group, "pool", "delivery", date(2026, 5, 4), "w", wrong, NOW)
    target = fresh_store(tmp_path / "officer.sqlite3")
    outcome = merge_files(target, [("a", export_group(store, group, "uid-1", NOW))], NOW)[0]
    assert outcome.status == "broken"
    assert "pool" in str(outcome.reason)
    assert counts(target) == [0] * 6


def test_a_file_from_a_wrong_clock_is_refused_and_blocks_nothing(tmp_path):
    store, group, lot = filled(tmp_path)
    target = fresh_store(tmp_path / "officer.sqlite3")
    wrong = export_group(store, group, "uid-1", NOW.replace(year=2099))
    outcome = merge_files(target, [("2099", wrong)], NOW)[0]
    assert (outcome.status, counts(target)[0]) == ("broken", 0)
    assert "clock" in str(outcome.reason)
    # one taken in by an older version of this program, which did not look at the clock
    merge_files(target, [("2099", wrong)], NOW.replace(year=2099))
    kept = target.documents.read("group_file", "uid-1")
    target.documents.write("group_file", "uid-1", kept, NOW)
    store.add_reading(Reading(lot_id=lot, taken_at=NOW, bag="2", meter_moisture_pct=13.0))
    right = export_group(store, group, "uid-1", NOW + timedelta(days=3))
    assert merge_files(target, [("right", right)], NOW + timedelta(days=3))[0].status == "updated"


@pytest.mark.parametrize(("privacy", "there"), [("none", False), ("agreed", True), ("all", True)])
def test_the_head_says_what_a_file_holds_and_without_names_nobody_is_told_by_sex_or_age(tmp_path, privacy, there):
    store, group, _lot = filled(tmp_path)
    content = export_group(store, group, "uid-1", NOW, privacy)
    with zipfile.ZipFile(io.BytesIO(content)) as folder:
        about, members = json.loads(folder.read("about.json")), folder.read("members.csv").decode("utf-8-sig")
    assert (",female," in members, ",1990," in members) == (there, there)
    assert ("No names" in about["holds"]) is (privacy == "none")
    assert privacy == "all" or "paid for the meter" in about["holds"]


def test_a_file_without_sex_and_age_does_not_rub_out_what_is_here(tmp_path):
    store, group, _lot = filled(tmp_path)
    target = fresh_store(tmp_path / "officer.sqlite3")
    merge_files(target, [("full", export_group(store, group, "uid-1", NOW))], NOW)
    later = export_group(store, group, "uid-1", NOW + timedelta(hours=1), "none")
    assert merge_files(target, [("bare", later)], NOW)[0].status == "updated"
    member = target.members(target.groups()[0].id)[0]
    assert (member.sex, member.birth_year) == ("female", 1990)
