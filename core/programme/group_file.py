"""A group's season as one file: ZIP of CSV tables with HXL tags, a data dictionary, version and checksums; and merging many.

The same file twice, an older file after a newer one, a broken one among thirty: nothing is lost or doubled, and a list
says what happened.
"""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass, fields, replace
from datetime import date, datetime
from typing import Any

import pandas as pd

from core.errors import DryholdError, ImportRefusedError
from core.group.records import Group, Lot, Member, PriceQuote, Reading, Sale
from core.group.store import Store
from core.messages import Message, message

FORMAT = "dryhold group season"
VERSION = 1
LARGEST_BYTES = 200_000_000

# column: (HXL tag, meaning); units stand in the names. HXL 1.1 core tags; "+" attributes are free by the standard.
DICTIONARY: dict[str, dict[str, tuple[str, str]]] = {
    "members": {
        "id": ("#meta+id", "number within the file"),
        "name": ("#contact+name", "left out without personal data"),
        "sex": ("#indicator+sex", "female, male or blank"),
        "birth_year": ("#date+birth+year", "year"),
        "phone": ("#contact+phone", "left out without personal data"),
        "consent": ("#meta+consent", "agreed to be named in reports"),
        "joined_on": ("#date+joined", "ISO date"),
        "left_on": ("#date+left", "ISO date"),
    },
    "lots": {
        "id": ("#meta+id", "number within the file"),
        "label": ("#meta+lot", "what the group calls it"),
        "commodity": ("#item+code", "crop code"),
        "variety": ("#item+variety", "as written"),
        "form": ("#item+form", "cob, panicle, pod, threshed, cleaned"),
        "bags": ("#value+bags", "count"),
        "bag_mass_kg": ("#value+bag+kg", "weighed mean, kg"),
        "nominal_bag_kg": ("#value+bag+nominal+kg", "what the bag is called, kg"),
        "weighed_moisture_pct": ("#value+moisture+pct", "% wet basis when weighed"),
        "weighed_on": ("#date+weighed", "ISO date"),
        "owner_id": ("#meta+member+id", "member of this file"),
        "place": ("#loc+store", "where it lies"),
        "harvested_on": ("#date+harvested", "ISO date"),
        "use": ("#item+use", "food, seed, sale"),
        "status": ("#status", "wet, drying, stored, sold, used"),
        "storage_method": ("#item+storage", "code"),
        "stored_on": ("#date+stored", "ISO date"),
    },
    "readings": {
        "id": ("#meta+id", "number within the file"),
        "lot_id": ("#meta+lot+id", "lot of this file"),
        "taken_at": ("#date+taken", "RFC 3339, UTC"),
        "bag": ("#meta+bag", "bag"),
        "temperature_c": ("#value+temperature+c", "°C between the kernels"),
        "relative_humidity_pct": ("#value+humidity+pct", "% between the kernels"),
        "meter_moisture_pct": ("#value+moisture+meter+pct", "% wet basis shown by the meter"),
        "tester": ("#contact+tester", "left out without personal data"),
        "settled": ("#meta+settled", "true, false or blank"),
    },
    "sales": {
        "id": ("#meta+id", "number within the file"),
        "lot_id": ("#meta+lot+id", "lot of this file"),
        "sold_on": ("#date+sold", "ISO date"),
        "bags": ("#value+bags", "count"),
        "mass_kg": ("#value+mass+kg", "kg paid for"),
        "moisture_pct": ("#value+moisture+pct", "% wet basis"),
        "price_per_kg": ("#value+price+kg", "in the group's currency"),
        "buyer": ("#org+buyer", "left out without personal data"),
    },
    "prices": {
        "quoted_on": ("#date+quoted", "ISO date"),
        "market": ("#loc+market+name", "market"),
        "commodity": ("#item+code", "crop code"),
        "price_per_kg": ("#value+price+kg", "in the group's currency"),
        "price_type": ("#item+price+type", "retail, wholesale or farm gate"),
    },
}
PERSONAL = {"members": ("name", "phone"), "readings": ("tester",), "sales": ("buyer",)}


@dataclass(frozen=True)
class GroupFile:
    """A checked group file: identity, when it was made, the group, and its tables."""

    uid: str
    exported_at: datetime
    group: Group
    tables: dict[str, pd.DataFrame]
    digest: str


@dataclass(frozen=True)
class MergeOutcome:
    """What became of one file: `status` is "added", "updated", "same", "older" or "broken"."""

    file_name: str
    status: str
    group: str
    rows: int
    reason: Message


def group_uid(store: Store, group_id: int, make: Callable[[], str], at: datetime) -> str:
    """Return the group's lasting identity, made once by `make` (a source of unique text) and kept."""
    kept = store.documents.read("group_uid", str(group_id))
    if kept is not None:
        return str(kept["uid"])
    uid = make()
    store.documents.write("group_uid", str(group_id), {"uid": uid}, at)
    return uid


def _csv(name: str, frame: pd.DataFrame) -> bytes:
    columns = list(DICTIONARY[name])
    tags = pd.DataFrame([{column: DICTIONARY[name][column][0] for column in columns}])
    body = frame.reindex(columns=columns).astype(object).where(lambda cells: cells.notna(), "")
    return pd.concat([tags, body.map(_guarded)]).to_csv(index=False).encode("utf-8-sig")


def _guarded(cell: Any) -> Any:
    """Return text that a spreadsheet will not take for a formula."""
    return f"'{cell}" if isinstance(cell, str) and cell[:1] in {"=", "+", "-", "@", "\t", "\r"} else cell


def _unguarded(cell: Any) -> Any:
    return cell[1:] if isinstance(cell, str) and len(cell) > 1 and cell[0] == "'" and cell[1] in "=+-@\t\r" else cell


def export_group(
    store: Store, group_id: int, uid: str, now: datetime, personal: bool = True, case_json: str | None = None
) -> bytes:
    """Return a group's season as the bytes of one ZIP file.

    Parameters
    ----------
    store : Store
        The records.
    group_id : int
        The group.
    uid : str
        Its lasting identity, from `group_uid`.
    now : datetime
        Aware; written into the file.
    personal : bool
        False leaves out names, phones, testers and buyers.
    case_json : str, optional
        The planning case, put beside the tables.
    """
    group = store.group(group_id)
    frames = {
        "members": pd.DataFrame([asdict(item) for item in store.members(group_id)]),
        "lots": pd.DataFrame([asdict(item) for item in store.lots(group_id)]),
        "readings": store.readings(group_id).rename(columns={"reading_id": "id"}),
        "sales": store.sales(group_id).rename(columns={"sale_id": "id"}),
        "prices": store.price_quotes(group_id),
    }
    parts: dict[str, bytes] = {}
    for name, frame in frames.items():
        kept = frame.copy()
        for column in () if personal else PERSONAL.get(name, ()):
            if column in kept:
                kept[column] = ""
        parts[f"{name}.csv"] = _csv(name, kept)
    rows = [
        {"table": table, "column": column, "hxl": tag, "meaning": meaning}
        for table, columns in DICTIONARY.items()
        for column, (tag, meaning) in columns.items()
    ]
    parts["data_dictionary.csv"] = pd.DataFrame(rows).to_csv(index=False).encode("utf-8-sig")
    if case_json is not None:
        parts["case.json"] = case_json.encode()
    about = {
        "format": FORMAT,
        "version": VERSION,
        "uid": uid,
        "exported_at": now.isoformat(),
        "personal_data": personal,
        "group": asdict(replace(group, id=0)),
        "sha256": {name: hashlib.sha256(content).hexdigest() for name, content in parts.items()},
    }
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as folder:
        folder.writestr("about.json", json.dumps(about, ensure_ascii=False, indent=1))
        for name, content in parts.items():
            folder.writestr(name, content)
    return buffer.getvalue()


def read_group_file(content: bytes) -> GroupFile:
    """Return a checked group file.

    Raises
    ------
    ImportRefusedError
        No ZIP, not of this format, of a newer version, too large, a part missing or changed on the way.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as folder:
            if sum(item.file_size for item in folder.infolist()) > LARGEST_BYTES:
                raise ImportRefusedError("the file unpacks to more than {mb} MB", mb=LARGEST_BYTES // 1_000_000)
            about = json.loads(folder.read("about.json"))
            if about.get("format") != FORMAT:
                raise ImportRefusedError("this is no group file")
            if int(about["version"]) > VERSION:
                raise ImportRefusedError("the file was made by a newer version ({version})", version=about["version"])
            parts = {name: folder.read(name) for name in about["sha256"]}
            if any(hashlib.sha256(parts[name]).hexdigest() != digest for name, digest in about["sha256"].items()):
                raise ImportRefusedError("a table was changed or damaged on the way: ask for the file again")
            tables = {name: _read_table(parts[f"{name}.csv"], name) for name in DICTIONARY}
            known = {field.name for field in fields(Group)}
            group = Group(**{key: value for key, value in about["group"].items() if key in known})
            exported = datetime.fromisoformat(about["exported_at"])
            uid = str(about["uid"])
            if exported.tzinfo is None or not uid:
                raise ImportRefusedError("the file does not say whose it is and when it was made")
    except (zipfile.BadZipFile, KeyError, ValueError, TypeError, UnicodeDecodeError, OSError, RuntimeError) as error:
        if isinstance(error, DryholdError):
            raise
        raise ImportRefusedError("the file is broken or no group file: ask for it again") from error
    inner = json.dumps(about["sha256"], sort_keys=True) + json.dumps(about["group"], sort_keys=True, ensure_ascii=False)
    result = GroupFile(uid, exported, group, tables, hashlib.sha256(inner.encode()).hexdigest())
    _records(result)  # whatever cannot become records is refused before anything is written
    return result


def _read_table(content: bytes, name: str) -> pd.DataFrame:
    frame = pd.read_csv(io.BytesIO(content), dtype=str, keep_default_na=False, encoding="utf-8-sig")
    if list(frame.columns) != list(DICTIONARY[name]):
        raise ImportRefusedError("the table {name} has other columns than its dictionary", name=name)
    return frame.iloc[1:].map(_unguarded).reset_index(drop=True)


def _number(text: str) -> float | None:
    return float(text) if text != "" else None


def _whole(text: str) -> int | None:
    return int(float(text)) if text != "" else None


def _date(text: str) -> date | None:
    return date.fromisoformat(text[:10]) if text else None


def _truth(text: str) -> bool | None:
    return None if text == "" else text.lower() in {"true", "1", "1.0"}


def _rows(frame: pd.DataFrame) -> list[Any]:
    return list(frame.itertuples(name="Row", index=False))


def _records(item: GroupFile, group_id: int = 0) -> dict[str, list[tuple[str, Any]]]:
    """Return the records of a file as (number within the file, record), references not yet translated."""
    members = [
        (
            row.id,
            Member(
                group_id=group_id, name=row.name or f"member {row.id}", sex=row.sex, birth_year=_whole(row.birth_year),
                phone=row.phone, consent=bool(_truth(row.consent)), joined_on=_date(row.joined_on), left_on=_date(row.left_on),
            ),
        )
        for row in _rows(item.tables["members"])
    ]  # fmt: skip
    lots = [
        (
            row.id,
            Lot(
                group_id=group_id, label=row.label, commodity=row.commodity, variety=row.variety, form=row.form,
                bags=_whole(row.bags) or 0, bag_mass_kg=_number(row.bag_mass_kg), nominal_bag_kg=_number(row.nominal_bag_kg),
                weighed_moisture_pct=_number(row.weighed_moisture_pct), weighed_on=_date(row.weighed_on),
                owner_id=_whole(row.owner_id), place=row.place, harvested_on=_date(row.harvested_on), use=row.use,
                status=row.status, storage_method=row.storage_method or None, stored_on=_date(row.stored_on),
            ),
        )
        for row in _rows(item.tables["lots"])
    ]  # fmt: skip
    readings = [
        (
            row.id,
            Reading(
                lot_id=int(row.lot_id), taken_at=datetime.fromisoformat(row.taken_at), bag=row.bag,
                temperature_c=_number(row.temperature_c), relative_humidity_pct=_number(row.relative_humidity_pct),
                meter_moisture_pct=_number(row.meter_moisture_pct), tester=row.tester, settled=_truth(row.settled),
            ),
        )
        for row in _rows(item.tables["readings"])
    ]  # fmt: skip
    sales = [
        (
            row.id,
            Sale(
                lot_id=int(row.lot_id), sold_on=date.fromisoformat(row.sold_on[:10]), bags=_whole(row.bags) or 0,
                mass_kg=float(row.mass_kg), moisture_pct=_number(row.moisture_pct), price_per_kg=float(row.price_per_kg),
                buyer=row.buyer,
            ),
        )
        for row in _rows(item.tables["sales"])
    ]  # fmt: skip
    prices = [
        (
            f"{row.quoted_on[:10]}|{row.market}|{row.commodity}|{row.price_type}|{row.price_per_kg}",
            PriceQuote(
                group_id=group_id, quoted_on=date.fromisoformat(row.quoted_on[:10]), market=row.market,
                commodity=row.commodity, price_per_kg=float(row.price_per_kg), price_type=row.price_type, source="group file",
            ),
        )
        for row in _rows(item.tables["prices"])
    ]  # fmt: skip
    lot_numbers = {number for number, _lot in lots}
    pointing: list[tuple[Any, Any]] = [*readings, *sales]
    for _number_in_file, record in pointing:
        if str(record.lot_id) not in lot_numbers:
            raise ImportRefusedError("a row speaks of lot {lot}, which the file does not hold", lot=record.lot_id)
    return {"members": members, "lots": lots, "readings": readings, "sales": sales, "prices": prices}


def merge_files(
    store: Store,
    files: Iterable[tuple[str, bytes]],
    now: datetime,
    progress: Callable[[int, str], None] | None = None,
) -> list[MergeOutcome]:
    """Take many group files in and say of each what happened.

    Parameters
    ----------
    store : Store
        The officer's database.
    files : iterable of (file name, content)
        In any order.
    now : datetime
        Aware.
    progress : callable, optional
        Called with the count so far and the file's name.

    Returns
    -------
    list of MergeOutcome
        One for each file, in their order. Files of one group are compared by the moment they were made: an older one
        than what is here changes nothing, a newer one adds its new rows and updates members and lots.
    """
    outcomes = []
    for count, (name, content) in enumerate(files, start=1):
        try:
            item = read_group_file(content)
            outcomes.append(_merge_one(store, name, item, now))
        except DryholdError as error:
            outcomes.append(MergeOutcome(name, "broken", "", 0, error.message))
        if progress is not None:
            progress(count, name)
    return outcomes


def _merge_one(store: Store, file_name: str, item: GroupFile, now: datetime) -> MergeOutcome:
    kept = store.documents.read("group_file", item.uid)
    if kept is not None and kept.get("complete", True):
        if kept["digest"] == item.digest:
            return MergeOutcome(file_name, "same", item.group.name, 0, message("this file is here already"))
        if datetime.fromisoformat(kept["exported_at"]) >= item.exported_at:
            return MergeOutcome(
                file_name, "older", item.group.name, 0, message("a newer file of this group is here already")
            )
    if kept is None:
        group_id = store.add_group(item.group)
        store.documents.write("group_uid", str(group_id), {"uid": item.uid}, now)
        kept = {"group_id": group_id, "rows": {name: {} for name in DICTIONARY}}
        added = True
    else:
        group_id, added = int(kept["group_id"]), False
        store.update_group(replace(item.group, id=group_id))
    rows: dict[str, dict[str, int]] = kept["rows"]
    new = 0

    def keep(complete: bool) -> None:
        payload = {
            "group_id": group_id, "rows": rows, "complete": complete,
            "digest": item.digest, "exported_at": item.exported_at.isoformat(),
        }  # fmt: skip
        store.documents.write("group_file", item.uid, payload, now)

    keep(False)
    records = _records(item, group_id)
    for number, member in records["members"]:
        if number in rows["members"]:
            store.update_member(replace(member, id=rows["members"][number]))
        else:
            rows["members"][number] = store.add_member(member)
            new += 1
    keep(False)
    for number, lot in records["lots"]:
        owner = None if lot.owner_id is None else rows["members"].get(str(lot.owner_id))
        if number in rows["lots"]:
            store.update_lot(replace(lot, id=rows["lots"][number], owner_id=owner))
        else:
            rows["lots"][number] = store.add_lot(replace(lot, owner_id=owner))
            new += 1
    keep(False)
    fresh = [(number, record) for number, record in records["readings"] if number not in rows["readings"]]
    numbers = store.add_readings([replace(record, lot_id=rows["lots"][str(record.lot_id)]) for _n, record in fresh])
    rows["readings"].update({number: made for (number, _record), made in zip(fresh, numbers, strict=True)})
    keep(False)
    for number, sale in records["sales"]:
        if number not in rows["sales"]:
            rows["sales"][number] = store.add_sale(replace(sale, lot_id=rows["lots"][str(sale.lot_id)]))
            new += 1
    fresh_prices = {key: quote for key, quote in records["prices"] if key not in rows["prices"]}
    store.add_price_quotes(fresh_prices.values())
    rows["prices"].update(dict.fromkeys(fresh_prices, 1))
    new += len(fresh) + len(fresh_prices)
    keep(True)
    reason = message("{count} new rows", count=new)
    return MergeOutcome(file_name, "added" if added else "updated", item.group.name, new, reason)
