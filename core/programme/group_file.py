"""A group's season as one file: ZIP of CSV tables with HXL tags, a data dictionary, version and checksums.

Nothing of it is unpacked to the disk: the parts are read by name, checked against their sums and against each other
before anything is written. How many files become one database: `core.programme.group_merge`.
"""

from __future__ import annotations

import hashlib
import io
import json
import math
import zipfile
import zlib
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd

from core.errors import DryholdError, ImportRefusedError, InputError
from core.grain.commodities import commodity_from_payload
from core.group.records import BOOKS, Event, Group
from core.group.store import Store
from core.programme.currencies import is_currency_code
from core.programme.group_tables import DICTIONARY, NEW_TABLES, FileRecords, read_table, records_from, table_bytes
from core.programme.privacy import PRIVACY, Names, names_to_leave_out, without_names
from core.tables.write import csv_bytes

FORMAT = "dryhold group season"
VERSION = 2
LARGEST_BYTES = 50_000_000
MOST_PARTS = 30
SHARED_BOOKS = ("meter", "lot_actions", "plans")
"""Books that indicators need; the others leave a group's computer only with all personal data."""
OWNED = ("own_crops", "limits")
"""Documents that a group owns: crops and limits of its own, without which its lots would be judged otherwise."""
HOLDS = {
    "all": "Names, phones, sex, years of birth, notes, all books: personal data of every member.",
    "agreed": "Names of members who agreed to be named. Of all members, by number: sex, year of birth, lots, and what "
    "each paid for the meter. No phones, testers, buyers or notes.",
    "none": "No names, phones, testers, buyers, notes, sex or years of birth. By number: lots, and what each member "
    "paid for the meter.",
}
"""What the head of a file says that it holds, by privacy."""
ABOUT = "about.json"
PARTS = frozenset({ABOUT, "case.json", "data_dictionary.csv", *(f"{name}.csv" for name in DICTIONARY)})


@dataclass(frozen=True)
class GroupFile:
    """A checked group file: identity, when it was made, whose names it holds, the group, its records and its sum."""

    uid: str
    exported_at: datetime
    group: Group
    records: FileRecords
    digest: str
    documents: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)


def group_uid(store: Store, group_id: int, make: Callable[[], str], at: datetime) -> str:
    """Return the group's lasting identity, made once by `make` (a source of unique text) and kept."""
    kept = store.documents.read("group_uid", str(group_id))
    if kept is not None:
        return str(kept["uid"])
    uid = make()
    store.documents.write("group_uid", str(group_id), {"uid": uid}, at)
    return uid


def export_group(store: Store, group_id: int, uid: str, now: datetime, privacy: str = "all") -> bytes:
    """Return a group's season as the bytes of one ZIP file.

    Parameters
    ----------
    uid : str
        Its lasting identity, from `group_uid`.
    privacy : str
        "all": everything, for the group's own second computer. "agreed": names only of members who agreed to be named.
        "none": no name, phone, tester, buyer, sex or year of birth. In the last two, notes are left out and so are the
        books of the pool, the buyers and the diary.
    """
    if privacy not in PRIVACY:
        raise InputError("'{privacy}' is not one of {known}", privacy=privacy, known=", ".join(PRIVACY))
    group = store.group(group_id)
    books = BOOKS if privacy == "all" else SHARED_BOOKS
    events = [event for book in books for event in store.events(group_id, book)]
    if privacy != "all":  # cash needs and promises are said in people's own words
        events = [event for event in events if not (event.book == "plans" and event.kind == "wishes")]
    names = _names(store, group_id, events, privacy)
    plans = [event for event in events if event.book == "plans" and event.kind == "plan"]
    frames = _frames(store, group_id, events, names, privacy)
    parts = {f"{name}.csv": table_bytes(name, frame) for name, frame in frames.items()}
    rows = [
        {"table": table, "column": column, "hxl": tag, "meaning": meaning}
        for table, columns in DICTIONARY.items()
        for column, (tag, meaning) in columns.items()
    ]
    parts["data_dictionary.csv"] = csv_bytes(rows)
    if plans:
        case_json = json.dumps(plans[-1].payload.get("case"), ensure_ascii=False)
        kept = case_json if privacy == "all" else json.dumps(without_names(json.loads(case_json), names))
        parts["case.json"] = kept.encode()
    about = {
        "format": FORMAT,
        "version": VERSION,
        "uid": uid,
        "exported_at": now.isoformat(),
        "privacy": privacy,
        "holds": HOLDS[privacy],
        "group": asdict(replace(group, id=0)),
        "documents": {kind: own for kind in OWNED if (own := store.documents.read(kind, str(group_id))) is not None},
        "sha256": {name: hashlib.sha256(content).hexdigest() for name, content in parts.items()},
    }
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as folder:
        folder.writestr(ABOUT, json.dumps(about, ensure_ascii=False, indent=1))
        for name, content in parts.items():
            folder.writestr(name, content)
    return buffer.getvalue()


def _names(store: Store, group_id: int, events: list[Event], privacy: str) -> Names:
    readings, sales = store.readings(group_id), store.sales(group_id)
    planned = [
        str(buyer.get("name", ""))
        for event in events
        if event.book == "plans" and event.kind == "plan"
        for buyer in event.payload.get("case", {}).get("buyers", [])
    ]
    return names_to_leave_out(
        store.members(group_id),
        set(readings["tester"].dropna()) if len(readings) else (),
        [*(sales["buyer"].dropna() if len(sales) else ()), *planned],
        {event.who for event in events},
        privacy,
    )


def _frames(store: Store, group_id: int, events: list[Event], names: Names, privacy: str) -> dict[str, pd.DataFrame]:
    entered = [fact for fact in store.facts(group_id).values() if fact.origin != "assumed"]
    frames = {
        "members": pd.DataFrame([asdict(item) for item in store.members(group_id)]),
        "lots": pd.DataFrame(
            [asdict(item) | {"shares": json.dumps(item.shares) if item.shares else ""} for item in store.lots(group_id)]
        ),
        "readings": store.readings(group_id),
        "sales": store.sales(group_id),
        "prices": store.price_quotes(group_id),
        "facts": pd.DataFrame([asdict(fact) | {"value": json.dumps(fact.value)} for fact in entered]),
        "events": pd.DataFrame([asdict(event) | {"reverses": event.reverses or ""} for event in events]),
    }
    if len(frames["facts"]):
        frames["facts"]["set_at"] = [fact.set_at.isoformat() if fact.set_at else "" for fact in entered]
    if events:
        plain = [event.payload if privacy == "all" else without_names(event.payload, names) for event in events]
        frames["events"]["payload"] = [json.dumps(item, ensure_ascii=False) for item in plain]
        frames["events"]["recorded_at"] = [event.recorded_at.isoformat() for event in events]
    if len(frames["readings"]):
        frames["readings"]["taken_at"] = [moment.isoformat() for moment in frames["readings"]["taken_at"]]
    return frames if privacy == "all" else {name: _plain(name, frame, names, privacy) for name, frame in frames.items()}


def _plain(name: str, frame: pd.DataFrame, names: Names, privacy: str) -> pd.DataFrame:
    """Return a table without names and free text; names of members who agreed stay."""
    kept = frame.copy()
    birth = ("sex", "birth_year") if privacy == "none" else ()
    for column in ("phone", "note", "tester", "buyer", "who", "set_by", *birth):
        if column in kept:
            kept[column] = ""
    if name == "members" and len(kept):
        kept["name"] = ["" if member in names.exact else member for member in kept["name"]]
    for column in ("label", "place", "source"):
        if column in kept:
            kept[column] = [names.out_of(text) if isinstance(text, str) else text for text in kept[column]]
    return kept


def read_group_file(content: bytes) -> GroupFile:
    """Return a checked group file.

    Raises
    ------
    ImportRefusedError
        No ZIP, not of this format, of a newer version, too large, a part missing, changed on the way or not part of
        the format, or records that contradict each other.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as folder:
            about, parts = _parts(folder)
        version = int(about["version"])
        tables = {name: read_table(parts.get(f"{name}.csv"), name, version) for name in DICTIONARY}
        group = _group(about["group"])
        exported = datetime.fromisoformat(about["exported_at"])
        uid = about["uid"]
        if exported.tzinfo is None or not isinstance(uid, str) or not 0 < len(uid) <= 100:
            raise ImportRefusedError("the file does not say whose it is and when it was made")
        records = records_from(tables)
        documents = _documents(about.get("documents", {}))
    except (
        zipfile.BadZipFile,
        KeyError,
        ValueError,
        TypeError,
        AttributeError,
        OSError,
        RuntimeError,
        RecursionError,
        NotImplementedError,
        EOFError,
        zlib.error,
        ArithmeticError,
    ) as error:
        if isinstance(error, DryholdError):
            raise
        raise ImportRefusedError("the file is broken or no group file: ask for it again") from error
    inner = json.dumps(about["sha256"], sort_keys=True) + json.dumps(about["group"], sort_keys=True, ensure_ascii=False)
    inner += json.dumps(documents, sort_keys=True, ensure_ascii=False) if documents else ""
    digest = hashlib.sha256(inner.encode()).hexdigest()
    return GroupFile(uid, exported, group, records, digest, documents)


def _documents(given: Any) -> dict[str, dict[str, Any]]:
    """Return the documents that a file brings, each of a known kind and form."""
    if not isinstance(given, dict) or not all(isinstance(kept, dict) for kept in given.values()):
        raise ImportRefusedError("the file is broken or no group file: ask for it again")
    found = {kind: kept for kind, kept in given.items() if kind in OWNED}
    for entry in found.get("own_crops", {}).get("crops", {}).values():
        commodity_from_payload(entry)
    for row in found.get("limits", {}).get("rows", []):
        if not isinstance(row["standard"], str) or not 0 < float(row["moisture_pct"]) < 100:
            raise ImportRefusedError("the file is broken or no group file: ask for it again")
    return found


def _parts(folder: zipfile.ZipFile) -> tuple[dict[str, Any], dict[str, bytes]]:
    """Return what the file says of itself and its parts by name, every part checked against its sum."""
    listed = folder.infolist()
    if len(listed) > MOST_PARTS or sum(item.file_size for item in listed) > LARGEST_BYTES:
        raise ImportRefusedError("the file unpacks to more than {mb} MB", mb=LARGEST_BYTES // 1_000_000)
    names = [item.filename for item in listed]
    if ABOUT not in names:
        raise ImportRefusedError("this is not a group file")
    about = json.loads(folder.read(ABOUT))
    if not isinstance(about, dict) or about.get("format") != FORMAT:
        raise ImportRefusedError("this is not a group file")
    if int(about["version"]) > VERSION:
        raise ImportRefusedError(
            "the file was made by a newer version ({version}): bring this program up to date first",
            version=int(about["version"]),
        )
    strange = sorted(set(names) - PARTS)
    if strange or len(set(names)) != len(names):
        raise ImportRefusedError(
            "the file holds something that does not belong in it: {name}", name=(strange or names)[0][:60]
        )
    sums = about["sha256"]
    missing = [name for name in DICTIONARY if f"{name}.csv" not in sums and name not in NEW_TABLES]
    if missing:
        raise ImportRefusedError("the table {name} is missing", name=missing[0])
    parts = {name: folder.read(name) for name in sums}
    if any(hashlib.sha256(parts[name]).hexdigest() != digest for name, digest in sums.items()):
        raise ImportRefusedError("a table was changed or damaged on the way: ask for the file again")
    return about, parts


def _group(given: dict[str, Any]) -> Group:
    """Return the group that a file names, its words and numbers checked."""
    known = {field.name for field in fields(Group)} - {"id"}
    group = Group(**{key: value for key, value in given.items() if key in known})
    texts = (group.name, group.district, group.time_zone, group.currency, group.language)
    if not all(isinstance(text, str) and len(text) <= 200 for text in texts) or not group.name.strip():
        raise ImportRefusedError("the file does not name its group")
    if not is_currency_code(group.currency):
        raise ImportRefusedError("'{code}' is not a currency code", code=group.currency[:20])
    for value, most in ((group.latitude, 90), (group.longitude, 180), (group.altitude_m, 9000)):
        if value is not None and not (isinstance(value, int | float) and math.isfinite(value) and abs(value) <= most):
            raise ImportRefusedError("the place of the group cannot be right")
    ZoneInfo(group.time_zone)
    return replace(group, demo=bool(group.demo))
