"""A table of tests, from the cells of a file to readings, with a preview first and every refused row explained."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, cast
from zoneinfo import ZoneInfo

import pandas as pd

from core.errors import ImportRefusedError, InputError
from core.group.batches import ImportBatch
from core.group.own_crops import crops_of_group
from core.group.reading_columns import (
    FILLED_DOWN,
    VALUE_FIELDS,
    TableOptions,
    options_from_dict,
    options_to_dict,
    reading_columns,
)
from core.group.records import OPEN_STATUSES, ImportRecord, Lot, Member
from core.group.store import Store
from core.group.table_words import heading_words
from core.messages import Message
from core.tables.dates import date_order
from core.tables.grid import Cell
from core.tables.headings import guess_columns, heading_key
from core.tables.numbers import is_missing, number_or_none
from core.tables.reading import OpenedTable, RefusedRow, Row, read_rows, refused_row
from core.tables.reading import open_table as open_any_table
from core.tables.words import plain

NOON = time(12, 0)
FIRST_YEAR = 1990
HUMIDITY_FROM = 40
MOST_REMARKS = 2000


@dataclass(frozen=True, kw_only=True)
class OpenedTests(OpenedTable):
    """A file of tests with the remembered or guessed way to read it."""

    options: TableOptions


@dataclass(frozen=True, kw_only=True)
class TablePreview:
    """What an import would bring, before anything is stored.

    Every row under the headings is in exactly one of ``readings``, ``rejected``, ``skipped`` and ``duplicates``.

    Parameters
    ----------
    readings : tuple of dict
        Values of the readings table with ``lot_label``, and ``row`` (number in the file).
    skipped : tuple of (int, Message)
        Rows that hold no test: totals, repeated headings.
    duplicates : tuple of int
        Row numbers of tests that are already stored, or stand twice in the file.
    notes : tuple of Message
        What else should be known.
    unused : tuple of str
        Headings of columns that hold something and are not used.
    replaces : ImportRecord, optional
        An earlier import of this very file whose tests these take the place of.
    """

    opened: OpenedTests
    options: TableOptions
    readings: tuple[dict[str, Any], ...] = ()
    rejected: tuple[RefusedRow, ...] = ()
    skipped: tuple[tuple[int, Message], ...] = ()
    duplicates: tuple[int, ...] = ()
    new_lots: tuple[tuple[Lot, str], ...] = ()
    new_members: tuple[str, ...] = ()
    notes: tuple[Message, ...] = ()
    unused: tuple[str, ...] = ()
    remarks: tuple[tuple[int, str, str, str], ...] = ()
    replaces: ImportRecord | None = None

    def frame(self, time_zone: str = "UTC", rows: int | None = None) -> pd.DataFrame:
        """Return the readings as a table, hours in the given zone."""
        frame = pd.DataFrame(list(self.readings[:rows]))
        if not frame.empty:
            frame["taken_at"] = pd.to_datetime(frame["taken_at"], utc=True).dt.tz_convert(time_zone)
        return frame


def open_table(
    data: bytes, file_name: str, store: Store | None = None, group_id: int = 0, sheet: str = ""
) -> OpenedTests:
    """Return a file's cells, its headings, and the remembered or guessed way to read it.

    Raises
    ------
    ImportRefusedError
        The file cannot be read, or has headings only.
    """
    words = heading_words("tests")
    opened = open_any_table(data, file_name, reading_columns(TableOptions()), words, sheet)
    options = _guess_options(opened)
    notes = list(opened.notes)
    key = heading_key(group_id, opened.headings.names)
    remembered = store.documents.read("column_mapping", key) if store else None
    if remembered:
        options = options_from_dict(remembered, len(opened.headings.names))
        notes.append(Message("read as you read a file with these headings before"))
    values = {name: getattr(opened, name) for name in OpenedTable.__dataclass_fields__}
    return OpenedTests(**{**values, "notes": tuple(notes)}, options=options)


def _guess_options(opened: OpenedTable) -> TableOptions:
    columns = _moisture_or_humidity(opened)
    order, _known = date_order(opened.cells("date", columns))
    heat = opened.cells("temperature", columns)[:500]
    fahrenheit = bool(heat) and _is_fahrenheit(opened.headings.name(columns["temperature"]), heat)
    lots = opened.cells("lot", columns)
    empty = sum(is_missing(cell) for cell in lots)
    says_dry = "moisture" in columns and _says_dry_basis(opened.headings.name(columns["moisture"]))
    return TableOptions(
        columns=columns,
        order=order,
        basis="dry" if says_dry else "wet",
        fill_down=bool(lots) and not is_missing(lots[0]) and empty > 0.3 * len(lots),
        fahrenheit=fahrenheit,
        fractions=any(_are_fractions(opened.cells(name, columns)[:500]) for name in ("moisture", "humidity")),
    )


def _moisture_or_humidity(opened: OpenedTable) -> dict[str, int]:
    """Return the columns, with those whose heading means moisture or humidity told apart by their values."""
    columns = dict(opened.columns)
    for at in guess_columns(opened.headings, heading_words("tests"), ("either",)).values():
        if at in columns.values():
            continue
        values = sorted(
            value for cell in opened.cells("", {"": at})[:200] if (value := number_or_none(cell)) is not None
        )
        middle = values[len(values) // 2] if values else 0.0
        columns.setdefault("humidity" if middle > HUMIDITY_FROM else "moisture", at)
    return columns


def _says_dry_basis(heading: str) -> bool:
    text = f" {plain(heading)} "
    return any(word in text for word in (" dry basis ", " d b ", " db ", " base seche ", " base seca ", " dwb "))


def _is_fahrenheit(heading: str, cells: Sequence[Cell]) -> bool:
    if "°f" in heading.casefold() or "fahrenheit" in heading.casefold() or plain(heading).endswith(" f"):
        return True
    values = [value for cell in cells if (value := number_or_none(cell)) is not None]
    # No store of grain is at 60 °C throughout.
    return len(values) >= 5 and min(values) > 60 and max(values) < 120


def _are_fractions(cells: Sequence[Cell]) -> bool:
    values = [value for cell in cells if (value := number_or_none(cell)) is not None]
    return len(values) >= 3 and all(0 < value < 1 for value in values)


def remember_options(store: Store, group_id: int, opened: OpenedTests, options: TableOptions, now: datetime) -> None:
    """Keep how a file was read, for the next file with the same headings; lots and dates of one file are not kept."""
    kept = replace(options, default_lot="", default_date=None)
    store.documents.write(
        "column_mapping", heading_key(group_id, opened.headings.names), options_to_dict(kept), stored_at=now
    )


def preview_table(
    opened: OpenedTests,
    options: TableOptions,
    store: Store,
    group_id: int,
    now: datetime,
    progress: Callable[[float], None] | None = None,
) -> TablePreview:
    """Return what the import would bring; nothing is stored.

    Parameters
    ----------
    store : Store
        The records, to know lots, members and tests that are already there.
    now : datetime
        The present, aware: tests cannot lie in the future.

    Raises
    ------
    ImportRefusedError
        No column holds a measured value, or there is no lot or date to go by.
    """
    crops = crops_of_group(store, group_id)
    _check_options(opened, options, set(crops))
    group = store.group(group_id)
    columns = reading_columns(options, {crop.name: code for code, crop in crops.items() if crop.own})
    filled = FILLED_DOWN if options.fill_down else ()
    table = read_rows(opened, columns, options.columns, options.order, filled, progress)
    meaning = _Meaning(opened, options, ZoneInfo(group.time_zone), now + timedelta(days=1), _lots(store, group_id))
    readings: list[dict[str, Any]] = []
    rejected = list(table.refused)
    for row in table.rows:
        try:
            readings.append(meaning.reading(row))
        except _Refused as refused:
            remedy = _REMEDIES[refused.error.message.template]
            rejected.append(refused_row(refused.column, row, refused.value, refused.error, remedy))
    rejected.sort(key=lambda row: row.number)
    same = _same_file(store, group_id, opened)
    stored = _stored_readings(store, group_id, readings)
    kept, duplicates = _without_duplicates(readings, stored)
    replaces = None
    # the same page of the same file is a new try, whatever lots it now names; of older imports the page is not known
    a_new_try = same is not None and "sheet" in (same.summary or {})
    if kept and same is not None and (a_new_try or bool((stored["import_id"] == same.id).any())):
        kept, duplicates = _without_duplicates(readings, stored[stored["import_id"] != same.id])
        replaces = same
    new = meaning.new_lots(kept)
    return TablePreview(
        opened=opened,
        options=options,
        readings=tuple(kept),
        rejected=tuple(rejected),
        skipped=table.skipped,
        duplicates=tuple(duplicates),
        new_lots=tuple((found.lot(group_id, options.commodity, group.demo), found.owner) for found in new),
        new_members=_new_members(store, group_id, new) if options.new_members else (),
        notes=(*opened.notes, *table.notes, *_notes(options, same, replaces, _gone_lots(store, group_id, kept))),
        unused=table.unused,
        remarks=tuple((one["row"], one["lot_label"], one["bag"], one["note"]) for one in kept if one["note"]),
        replaces=replaces,
    )


def _lots(store: Store, group_id: int) -> dict[str, Lot]:
    return {plain(lot.label): lot for lot in store.lots(group_id)}


def _new_members(store: Store, group_id: int, new: Sequence[_FoundLot]) -> tuple[str, ...]:
    people = {plain(member.name) for member in store.members(group_id)}
    names = {plain(found.owner): found.owner for found in reversed(new) if found.owner}
    return tuple(dict.fromkeys(names[plain(f.owner)] for f in new if f.owner and plain(f.owner) not in people))


def _gone_lots(store: Store, group_id: int, kept: Sequence[Mapping[str, Any]]) -> list[str]:
    named = {plain(reading["lot_label"]) for reading in kept}
    lots = _lots(store, group_id)
    return sorted({lot.label for key, lot in lots.items() if key in named and lot.status not in OPEN_STATUSES})


def _same_file(store: Store, group_id: int, opened: OpenedTable) -> ImportRecord | None:
    """Return the last import of this very file that still stands."""
    records = store.imports(group_id)
    sheet = opened.table.sheet
    same = [one for one in records if one.file_hash == opened.file_hash and not one.undone_at]
    return next((one for one in same if (one.summary or {}).get("sheet", sheet) == sheet), None)


def _stored_readings(store: Store, group_id: int, readings: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """Return the stored tests of the lots that a file names, with the lot's label."""
    wanted = {reading["lot_label"] for reading in readings}
    labels = {lot.id: lot.label for lot in store.lots(group_id) if lot.label in wanted}
    if not labels:
        return pd.DataFrame(columns=["import_id"])
    frame = store.readings(group_id)
    frame = frame[frame["lot_id"].isin(list(labels))]
    return frame.assign(lot_label=frame["lot_id"].map(labels))


def import_preview(
    preview: TablePreview,
    store: Store,
    group_id: int,
    who: str,
    now: datetime,
    progress: Callable[[float], None] | None = None,
) -> int:
    """Store what a preview shows, all or nothing, and return the number of the import."""
    if not preview.readings:
        raise ImportRefusedError("There is no new test in the file {name}", name=preview.opened.file_name)
    known = {plain(member.name): member.name for member in store.members(group_id)}
    added = {plain(name): name for name in preview.new_members}
    record = ImportRecord(
        group_id=group_id,
        kind="readings",
        file_name=preview.opened.file_name,
        file_hash=preview.opened.file_hash,
        imported_at=now,
        who=who,
        rows=len(preview.readings),
        summary={
            "sheet": preview.opened.table.sheet,
            "rejected": [[row.number, row.column, row.value, str(row.reason)] for row in preview.rejected[:1000]],
            "duplicates": len(preview.duplicates),
            "skipped": len(preview.skipped),
            "new_lots": [lot.label for lot, _ in preview.new_lots],
            "unused": list(preview.unused),
            "remarks": [
                [one["row"], one["lot_label"], one["bag"], one["note"], one["taken_at"].isoformat()]
                for one in preview.readings
                if one["note"]
            ][:MOST_REMARKS],
        },
    )
    columns = (
        "lot_label",
        "taken_at",
        "bag",
        "temperature_c",
        "relative_humidity_pct",
        "meter_moisture_pct",
        "tester",
        "settled",
    )
    batch = ImportBatch(
        record=record,
        members=[Member(group_id=group_id, name=name) for name in preview.new_members],
        lots=[(lot, {**known, **added}.get(plain(owner), "")) for lot, owner in preview.new_lots],
        readings=[{name: reading[name] for name in columns} for reading in preview.readings],
        progress=progress,
        replaces=preview.replaces.id if preview.replaces else None,
    )
    number = store.take_in(batch)
    remember_options(store, group_id, preview.opened, preview.options, now)
    return number


def _check_options(opened: OpenedTests, options: TableOptions, crops: set[str]) -> None:
    if not any(name in options.columns for name in VALUE_FIELDS):
        raise ImportRefusedError("Say which column holds moisture, humidity or temperature")
    if "lot" not in options.columns and not options.default_lot.strip():
        raise ImportRefusedError("Say which column names the lot, or name one lot for the whole file")
    if "date" not in options.columns and options.default_date is None:
        raise ImportRefusedError("Say which column holds the date, or give one date for the whole file")
    used = Counter(options.columns.values())
    twice = [at for at, count in used.items() if count > 1]
    if twice:
        name = opened.headings.names[twice[0]]
        raise ImportRefusedError("The column {name} was chosen twice", name=name)
    if options.commodity not in crops:
        raise ImportRefusedError("There is no crop with the code {code}", code=options.commodity)


def _notes(
    options: TableOptions, same: ImportRecord | None, replaces: ImportRecord | None, gone: Sequence[str]
) -> list[Message]:
    notes: list[Message] = []
    if "time" not in options.columns:
        notes.append(Message("where no time of day is given, noon is taken"))
    if options.basis == "dry":
        notes.append(Message("moisture is turned from dry basis to wet basis"))
    if options.fahrenheit:
        notes.append(Message("temperatures are turned from °F to °C"))
    if options.fractions:
        notes.append(Message("fractions such as 0.135 are read as 13.5 %"))
    if replaces is not None:
        words = "this very file was imported before, on {day}; these tests take the place of the {count} from then"
        notes.append(Message(words, {"day": replaces.imported_at.date(), "count": replaces.rows}))
    elif same is not None:
        words = "this very file was imported before, on {day}"
        notes.append(Message(words, {"day": same.imported_at.date()}))
    if gone:
        words = "some tests are for lots that are sold or used: {lots}; give a new lot a name of its own"
        notes.append(Message(words, {"lots": ", ".join(gone[:10])}))
    return notes


@dataclass
class _FoundLot:
    """What the rows of a file say about a lot that the group does not have yet."""

    label: str
    commodity: str = ""
    owner: str = ""
    variety: str = ""
    place: str = ""
    form: str = ""
    bags: int = 0
    bag_mass_kg: float | None = None
    bag_names: set[str] = field(default_factory=set)

    def add(self, about: Mapping[str, Any]) -> None:
        """Take in what one row says; the first word counts, the greatest number of bags."""
        for name in ("commodity", "owner", "variety", "place", "form"):
            if about.get(name) and not getattr(self, name):
                setattr(self, name, about[name])
        self.bags = max(self.bags, about.get("bags") or 0)
        self.bag_mass_kg = self.bag_mass_kg or about.get("bag_mass")
        if about.get("bag"):
            self.bag_names.add(about["bag"])

    def lot(self, group_id: int, commodity: str, demo: bool) -> Lot:
        """Return the lot to create."""
        return Lot(
            group_id=group_id,
            label=self.label,
            commodity=self.commodity or commodity,
            variety=self.variety,
            form=self.form or "threshed",
            bags=max(self.bags, len(self.bag_names), 1),
            bag_mass_kg=self.bag_mass_kg,
            place=self.place,
            demo=demo,
        )


_REMEDIES = {
    "the row names no lot": Message("write the lot in every row, or choose 'an empty cell means the same as above'"),
    "the row has no date": Message("write the date in every row, or choose 'an empty cell means the same as above'"),
    "nothing was measured in this row": Message("fill in moisture, humidity or temperature, or remove the row"),
    "this date lies in the future": Message("correct the date; check whether day or month stands first"),
    "this date is too long ago": Message("correct the year"),
    "the group has no lot of this name": Message("allow new lots, correct the name, or add the lot first"),
}


class _Refused(Exception):
    """A row that was read well but means something that cannot be."""

    def __init__(self, column: str, value: Any, error: InputError) -> None:
        super().__init__(str(error))
        self.column, self.value, self.error = column, value, error


@dataclass(frozen=True)
class _Meaning:
    """What a row of values means: a test, and what the row says of a lot that the group does not have yet."""

    opened: OpenedTable
    options: TableOptions
    zone: ZoneInfo
    latest: datetime
    lots: Mapping[str, Lot]
    found: dict[str, _FoundLot] = field(default_factory=dict)

    def reading(self, row: Row) -> dict[str, Any]:
        """Return the values of a test; raise `_Refused` where it cannot be one."""
        values = row.values
        named = "lot" in self.options.columns
        label = values.get("lot") or ("" if named else self.options.default_lot.strip())
        if not label:
            raise self._refused("lot", values.get("lot"), "the row names no lot")
        stamp = values.get("date")
        if stamp is None:
            if "date" in self.options.columns or self.options.default_date is None:
                raise self._refused("date", None, "the row has no date")
            stamp = (self.options.default_date, None, None)
        if all(values.get(name) is None for name in VALUE_FIELDS):
            first = next(name for name in VALUE_FIELDS if name in self.options.columns)
            raise self._refused(first, None, "nothing was measured in this row")
        return {
            "row": row.number,
            "lot_label": self._lot(label, values),
            "taken_at": self._moment(stamp, values.get("time")),
            "bag": values.get("bag") or "",
            "temperature_c": values.get("temperature"),
            "relative_humidity_pct": values.get("humidity"),
            "meter_moisture_pct": values.get("moisture"),
            "tester": values.get("tester") or "",
            "settled": values.get("settled"),
            "timed": stamp[1] is not None or values.get("time") is not None,
            "note": values.get("note") or "",
        }

    def _refused(self, name: str, value: Any, template: str) -> _Refused:
        column = self.opened.headings.name(self.options.columns.get(name), name)
        return _Refused(column, value, InputError(template))

    def _lot(self, label: str, values: Mapping[str, Any]) -> str:
        """Return the label as the group has it, and keep what the row says of a lot that it does not have."""
        known = self.lots.get(plain(label))
        if known is not None:
            return known.label
        if not self.options.new_lots:
            raise self._refused("lot", label, "the group has no lot of this name")
        found = self.found.setdefault(plain(label), _FoundLot(label=label))
        found.add(values)
        return found.label

    def _moment(self, stamp: tuple[date, time | None, timedelta | None], hour: time | None) -> datetime:
        day, noted, offset = stamp
        at = datetime.combine(day, hour or noted or NOON)
        if at.year < FIRST_YEAR:
            raise self._refused("date", day, "this date is too long ago")
        if offset is not None:
            moment = (at - offset).replace(tzinfo=UTC)
        else:
            moment = at.replace(tzinfo=self.zone).astimezone(UTC)
        if moment > self.latest:
            raise self._refused("date", day, "this date lies in the future")
        return moment

    def new_lots(self, kept: Sequence[Mapping[str, Any]]) -> list[_FoundLot]:
        """Return the lots to create for the tests that are kept."""
        stay = {plain(reading["lot_label"]) for reading in kept}
        return [found for key, found in self.found.items() if key in stay]


def _key(reading: Mapping[str, Any]) -> tuple[Any, ...]:
    values = (reading["temperature_c"], reading["relative_humidity_pct"], reading["meter_moisture_pct"])
    measured = tuple(None if value is None or value != value else round(float(value), 6) for value in values)
    return (plain(reading["lot_label"]), int(reading["taken_at"].timestamp() // 60), reading["bag"], *measured)


def _without_duplicates(
    readings: Sequence[dict[str, Any]], stored_readings: pd.DataFrame
) -> tuple[list[dict[str, Any]], list[int]]:
    """Return the readings that are new, and the row numbers of those stored already or standing twice.

    Two equal rows without bag or time of day may be two bags: such rows count as stored only as often as they are.
    """
    records = cast("list[dict[str, Any]]", stored_readings.to_dict("records"))
    stored: Counter[tuple[Any, ...]] = Counter(_key(row) for row in records)
    kept: list[dict[str, Any]] = []
    duplicates: list[int] = []
    seen: set[tuple[Any, ...]] = set()
    for reading in readings:
        key = _key(reading)
        exact = bool(reading["bag"]) and reading["timed"]
        if stored[key] > 0 or (exact and key in seen):
            stored[key] -= 1
            duplicates.append(reading["row"])
            continue
        seen.add(key)
        kept.append(reading)
    return kept, duplicates


def remarks_of_tests(store: Store, group_id: int, lot_label: str, readings: pd.DataFrame) -> list[str]:
    """Return the remark that came with each test of a lot from a file, "" where there is none.

    A remark belongs to the test of its file, lot, bag and moment; files imported before moments were kept with their
    remarks give it to every test of the bag.
    """
    said: dict[tuple[int, str, str], list[str]] = {}
    for entry in store.imports(group_id):
        for _row, lot, bag, remark, *moments in (entry.summary or {}).get("remarks", []):
            if lot == lot_label:
                said.setdefault((entry.id, bag, moments[0] if moments else ""), []).append(remark)
    found = []
    columns = (readings["import_id"].fillna(-1), readings["bag"], readings["taken_at"])
    for file, bag, taken_at in zip(*columns, strict=True):
        known = [(int(file), bag, moment) for moment in (taken_at.isoformat(), "")]
        found.append("; ".join(remark for key in known for remark in said.get(key, [])))
    return found
