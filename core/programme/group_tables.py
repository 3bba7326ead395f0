"""The tables inside a group's file: columns with HXL tags and meanings, and the way from rows to records and back."""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from typing import Any

import numpy as np
import pandas as pd
import sqlalchemy as sa

from core.errors import ImportRefusedError, InputError
from core.group import tables as stored
from core.group.bounds import (
    check_days,
    check_lengths,
    check_lot,
    check_member,
    check_quote,
    check_reading,
    check_sale,
    check_sold,
    check_values,
)
from core.group.older_records import carried_over_facts
from core.group.records import BOOKS, Event, Fact, Lot, Member, PriceQuote, Reading, Sale
from core.programme.file_books import check_books
from core.tables.write import csv_bytes, unguarded

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
        "shares": ("#meta+shares", "pooled lot: JSON list of [member of this file, share]"),
        "note": ("#meta+note", "left out without personal data"),
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
        "paid_on": ("#date+paid", "ISO date"),
        "note": ("#meta+note", "left out without personal data"),
    },
    "prices": {
        "quoted_on": ("#date+quoted", "ISO date"),
        "market": ("#loc+market+name", "market"),
        "commodity": ("#item+code", "crop code"),
        "price_per_kg": ("#value+price+kg", "in the group's currency"),
        "price_type": ("#item+price+type", "retail, wholesale or farm gate"),
        "source": ("#meta+source", "who said so"),
    },
    "facts": {
        "key": ("#meta+fact", "name of the cost, limit or habit"),
        "value": ("#value+fact", "JSON"),
        "origin": ("#meta+origin", "entered or file"),
        "source": ("#meta+source", "as written"),
        "set_by": ("#contact+writer", "left out without personal data"),
        "set_at": ("#date+set", "RFC 3339, UTC"),
    },
    "events": {
        "id": ("#meta+id", "number within the file"),
        "book": ("#meta+book", "meter, lot_actions, plans; with all personal data the other books too"),
        "kind": ("#activity+kind", "what happened"),
        "on": ("#date+counts", "ISO date on which it counts"),
        "who": ("#contact+writer", "left out without personal data"),
        "payload": ("#meta+particulars", "JSON; members and lots by their numbers in this file"),
        "recorded_at": ("#date+recorded", "RFC 3339, UTC"),
        "reverses": ("#meta+reverses", "entry of this file that is taken back"),
    },
}
ADDED_IN_VERSION_2: Mapping[str, tuple[str, ...]] = {
    "lots": ("shares", "note"),
    "sales": ("paid_on", "note"),
    "prices": ("source",),
}
"""Columns that files of version 1 do not have; the tables of `NEW_TABLES` they do not have at all."""
NEW_TABLES = ("facts", "events")


def table_bytes(name: str, frame: pd.DataFrame) -> bytes:
    """Return a table as CSV with its HXL tags under the headings, safe to open in a spreadsheet."""
    tags = {column: tag for column, (tag, _meaning) in DICTIONARY[name].items()}
    return csv_bytes(frame.reindex(columns=list(tags)), tags)


def read_table(content: bytes | None, name: str, version: int) -> pd.DataFrame:
    """Return a table of text without its row of tags; columns that an older version lacks are blank."""
    columns = list(DICTIONARY[name])
    if content is None:
        if version == 1 and name in NEW_TABLES:
            return pd.DataFrame(columns=columns, dtype=str)
        raise ImportRefusedError("the table {name} is missing", name=name)
    expected = [column for column in columns if version > 1 or column not in ADDED_IN_VERSION_2.get(name, ())]
    frame = pd.read_csv(io.BytesIO(content), dtype=str, keep_default_na=False, encoding="utf-8-sig")
    if list(frame.columns) != expected:
        raise ImportRefusedError("the table {name} has other columns than its dictionary", name=name)
    return frame.iloc[1:].map(unguarded).reset_index(drop=True).reindex(columns=columns, fill_value="")


def _number(text: str) -> float | None:
    if text == "":
        return None
    value = float(text)
    if not np.isfinite(value):
        raise ValueError(text)
    return value


def _needed(text: str) -> float:
    value = _number(text)
    if value is None:
        raise ValueError("a number is missing")
    return value


def _whole(text: str) -> int | None:
    return int(float(text)) if text != "" else None


def _date(text: str) -> date | None:
    return date.fromisoformat(text[:10]) if text else None


def _day(text: str) -> date:
    return date.fromisoformat(text[:10])


def _moment(text: str) -> datetime:
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError("a time without its zone")
    return moment.astimezone(UTC)


def _truth(text: str) -> bool | None:
    return None if text == "" else text.lower() in {"true", "1", "1.0"}


def _parsed(text: str) -> Any:
    """Return JSON; infinities and what is no number are no JSON."""

    def refuse(word: str) -> None:
        raise ValueError(word)

    return json.loads(text, parse_constant=refuse)


def _shares(text: str) -> tuple[tuple[int, float], ...]:
    return tuple((int(member), float(share)) for member, share in _parsed(text)) if text else ()


@dataclass(frozen=True)
class FileRecords:
    """The records of a file by their number in it; what they refer to has the file's numbers too."""

    members: dict[str, Member]
    lots: dict[str, Lot]
    readings: dict[str, Reading]
    sales: dict[str, Sale]
    prices: dict[str, PriceQuote]
    facts: dict[str, Fact]
    events: dict[str, Event]


def _member(row: Any) -> Member:
    return Member(
        group_id=0,
        name=row.name,
        sex=row.sex,
        birth_year=_whole(row.birth_year),
        phone=row.phone,
        consent=bool(_truth(row.consent)),
        joined_on=_date(row.joined_on),
        left_on=_date(row.left_on),
    )


def _lot(row: Any) -> Lot:
    return Lot(
        group_id=0,
        label=row.label,
        commodity=row.commodity,
        variety=row.variety,
        form=row.form,
        bags=_whole(row.bags) or 0,
        bag_mass_kg=_number(row.bag_mass_kg),
        nominal_bag_kg=_number(row.nominal_bag_kg),
        weighed_moisture_pct=_number(row.weighed_moisture_pct),
        weighed_on=_date(row.weighed_on),
        owner_id=_whole(row.owner_id),
        place=row.place,
        harvested_on=_date(row.harvested_on),
        use=row.use,
        status=row.status,
        storage_method=row.storage_method or None,
        stored_on=_date(row.stored_on),
        shares=_shares(row.shares),
        note=row.note,
    )


def _reading(row: Any) -> Reading:
    return Reading(
        lot_id=int(row.lot_id),
        taken_at=_moment(row.taken_at),
        bag=row.bag,
        temperature_c=_number(row.temperature_c),
        relative_humidity_pct=_number(row.relative_humidity_pct),
        meter_moisture_pct=_number(row.meter_moisture_pct),
        tester=row.tester,
        settled=_truth(row.settled),
    )


def _sale(row: Any) -> Sale:
    return Sale(
        lot_id=int(row.lot_id),
        sold_on=_day(row.sold_on),
        bags=_whole(row.bags) or 0,
        mass_kg=_needed(row.mass_kg),
        moisture_pct=_number(row.moisture_pct),
        price_per_kg=_needed(row.price_per_kg),
        buyer=row.buyer,
        paid_on=_date(row.paid_on),
        note=row.note,
    )


def _price(row: Any) -> PriceQuote:
    return PriceQuote(
        group_id=0,
        quoted_on=_day(row.quoted_on),
        market=row.market,
        commodity=row.commodity,
        price_per_kg=_needed(row.price_per_kg),
        price_type=row.price_type,
        source=row.source or "group file",
    )


def _fact(row: Any) -> Fact:
    return Fact(
        key=row.key,
        value=_parsed(row.value),
        origin=row.origin,
        source=row.source,
        set_by=row.set_by,
        set_at=_moment(row.set_at) if row.set_at else None,
    )


def _event(row: Any) -> Event:
    return Event(
        book=row.book,
        kind=row.kind,
        on=_day(row.on),
        who=row.who,
        payload=_parsed(row.payload),
        recorded_at=_moment(row.recorded_at),
        reverses=_whole(row.reverses),
    )


def price_key(row: Any) -> str:
    """Return what tells a price from another, of a row in a file or in the database."""
    return f"{str(row.quoted_on)[:10]}|{row.market}|{row.commodity}|{row.price_type}|{float(row.price_per_kg)}"


def _by_number(
    frame: pd.DataFrame, make: Callable[[Any], Any], name: str, key: Callable[[Any], str], twice: bool = False
) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for row in frame.itertuples(name="Row", index=False):
        number = key(row)
        if not twice and (number in found or number == ""):
            raise ImportRefusedError("the table {name} has number {number} twice or blank", name=name, number=number)
        found[number] = make(row)
    return found


def records_from(tables: Mapping[str, pd.DataFrame]) -> FileRecords:
    """Return the records of a file's tables.

    Raises
    ------
    ImportRefusedError
        A number twice, a row that speaks of what the file does not hold, a value that the records would refuse.
    ValueError, TypeError, KeyError
        A cell that is not what its column says.
    """

    def by_id(row: Any) -> str:
        return str(row.id)

    result = FileRecords(
        _by_number(tables["members"], _member, "members", by_id),
        _by_number(tables["lots"], _lot, "lots", by_id),
        _by_number(tables["readings"], _reading, "readings", by_id),
        _by_number(tables["sales"], _sale, "sales", by_id),
        _by_number(tables["prices"], _price, "prices", price_key, twice=True),
        carried_over_facts(_by_number(tables["facts"], _fact, "facts", lambda row: str(row.key))),
        _by_number(tables["events"], _event, "events", by_id),
    )
    _check(result)
    return result


def _named(table: str, number: str, check: Callable[..., None], *given: Any) -> None:
    """Run a check of a record, and name the row where it refuses."""
    try:
        check(*given)
    except InputError as error:
        raise ImportRefusedError(
            "row {number} of {table}: {why}", number=number, table=table, why=error.message
        ) from error


CHECKS: Mapping[str, tuple[sa.Table, Callable[[Any], None]]] = {
    "members": (stored.members, lambda member: check_member(replace(member, name=member.name or "left out"))),
    "lots": (stored.lots, check_lot),
    "readings": (stored.readings, check_reading),
    "sales": (stored.sales, check_sale),
    "prices": (stored.price_quotes, check_quote),
    "facts": (stored.facts, check_days),
    "events": (stored.events, check_days),
}
"""Of each table, where its rows are kept and what forms refuse too; a name may be left out of a file."""


def _check(found: FileRecords) -> None:
    for name, (table, check) in CHECKS.items():
        for number, record in getattr(found, name).items():
            _named(name, number, check_values, record)
            _named(name, number, check_lengths, table, record)
            _named(name, number, check, record)
    for lot in found.lots.values():
        for owner in [lot.owner_id, *[member for member, _share in lot.shares]]:
            if owner is not None and str(owner) not in found.members:
                raise ImportRefusedError("lot {lot} belongs to a member whom the file does not hold", lot=lot.label)
    pointing: list[Reading | Sale] = [*found.readings.values(), *found.sales.values()]
    for record in pointing:
        if str(record.lot_id) not in found.lots:
            raise ImportRefusedError("a row names lot {lot}, which the file does not hold", lot=record.lot_id)
    for number, fact in found.facts.items():
        if fact.origin not in ("entered", "file"):
            _refuse("facts", number, "origin", fact.origin)
    for number, event in found.events.items():
        if event.book not in BOOKS or not isinstance(event.payload, dict):
            _refuse("events", number, "book", event.book)
        if event.reverses is not None and str(event.reverses) not in found.events:
            _refuse("events", number, "entry taken back", event.reverses)
    _check_sold(found)
    check_books(found.events)


def _check_sold(found: FileRecords) -> None:
    """Refuse sales larger than their lot, naming the lot's row."""
    sold: dict[str, list[tuple[int, float]]] = {}
    for sale in found.sales.values():
        sold.setdefault(str(sale.lot_id), []).append((sale.bags, sale.mass_kg))
    work: dict[str, list[Any]] = {}
    for event in found.events.values():
        if event.book == "lot_actions":
            work.setdefault(str(event.payload.get("lot_id")), []).append(event.payload)
    for number, sales in sold.items():
        _named("lots", number, check_sold, found.lots[number], sales, work.get(number, []))


def _refuse(table: str, number: str, what: str, value: Any) -> None:
    raise ImportRefusedError(
        "row {number} of {table}: {what} '{value}' is not possible", number=number, table=table, what=what, value=value
    )
