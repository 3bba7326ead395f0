"""A table of tests, from the cells of a file to readings, with a preview first and every refused row explained."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, cast
from zoneinfo import ZoneInfo

import pandas as pd

from core.errors import ImportRefusedError, InputError
from core.group.batches import ImportBatch
from core.group.own_crops import crops_of_group
from core.group.records import FORMS, OPEN_STATUSES, ImportRecord, Lot, Member
from core.group.store import Store
from core.messages import Message
from core.tables import cells as table_cells
from core.tables.cells import REMEDIES, date_order, is_missing
from core.tables.files import Cell, RawTable, first_filled, read_file
from core.tables.headings import FIELDS, Headings, find_headings, guess_columns, heading_key, plain

VALUE_FIELDS = ("temperature", "humidity", "moisture")
FILLED_DOWN = ("lot", "date", "tester", "commodity", "owner", "bags")
TOTAL_WORDS = {
    "total",
    "totals",
    "sum",
    "average",
    "mean",
    "grand total",
    "subtotal",
    "sub total",
    "count",
    "min",
    "max",
    "minimum",
    "maximum",
    "moyenne",
    "somme",
    "promedio",
    "suma",
    "media",
    "soma",
    "jumla",
    "wastani",
    "summe",
    "mittelwert",
    "gesamt",
}
FORM_WORDS = {
    "cob": "cob cobs ear ears epi epis mazorca espiga kolben",
    "panicle": "panicle panicles panicule head heads",
    "pod": "pod pods gousse gousses vaina vainas vagem",
    "threshed": "threshed shelled grain grains graine grano grao loose nafaka",
    "cleaned": "cleaned clean sorted nettoye limpio limpo safi",
}
FORM_BY_WORD = {word: form for form, words in FORM_WORDS.items() for word in words.split()}
NOON = time(12, 0)


@dataclass(frozen=True, kw_only=True)
class TableOptions:
    """How a file is to be read.

    Parameters
    ----------
    columns : mapping of str to int
        Position of the column for each meaning (see `FIELDS`).
    order : str
        ``"day"`` or ``"month"``: what stands first in dates such as 03/04/2026.
    basis : str
        ``"wet"`` or ``"dry"``: what moisture is a percentage of.
    commodity : str
        Crop of new lots for which the file names none.
    default_lot : str
        Lot of rows when the file has no column for it.
    default_date : date, optional
        Date of rows when the file has no column for it.
    fill_down : bool
        An empty cell means the same as above (lot, date, tester, crop, owner, bags).
    fahrenheit, fractions : bool
        Temperatures are in °F; moisture and humidity are written as 0.135 for 13.5 %.
    new_lots, new_members : bool
        Whether lots and members that the file names, and the group does not have, may be created.
    """

    columns: Mapping[str, int] = field(default_factory=dict)
    order: str = "day"
    basis: str = "wet"
    commodity: str = "maize"
    default_lot: str = ""
    default_date: date | None = None
    fill_down: bool = False
    fahrenheit: bool = False
    fractions: bool = False
    new_lots: bool = True
    new_members: bool = True


@dataclass(frozen=True, kw_only=True)
class OpenedTable:
    """A file that was read into cells, its headings found, with the guess of how to read it."""

    file_name: str
    file_hash: str
    table: RawTable
    headings: Headings
    options: TableOptions
    remembered: bool = False
    notes: tuple[Message, ...] = ()

    @property
    def data_rows(self) -> int:
        """Number of rows under the headings."""
        return len(self.table.rows) - self.headings.first_row - len(self.headings.skipped)


@dataclass(frozen=True, kw_only=True)
class RejectedRow:
    """A row that cannot be taken in: where, what, why, and what to do."""

    number: int
    column: str
    value: str
    reason: Message
    remedy: Message


@dataclass(frozen=True, kw_only=True)
class TablePreview:
    """What an import would bring, before anything is stored.

    Every row under the headings is in exactly one of ``readings``, ``rejected``, ``skipped`` and ``duplicates``.

    Parameters
    ----------
    readings : tuple of dict
        Values of the readings table with ``lot_label``, and ``row`` (number in the file).
    rejected : tuple of RejectedRow
        Rows with a fault.
    skipped : tuple of (int, Message)
        Rows that hold no test: totals, repeated headings.
    duplicates : tuple of int
        Row numbers of tests that are already stored, or stand twice in the file.
    new_lots : tuple of (Lot, str)
        Lots to create, with their owner's name.
    new_members : tuple of str
        Members to create.
    notes : tuple of Message
        What else should be known.
    """

    opened: OpenedTable
    options: TableOptions
    readings: tuple[dict[str, Any], ...] = ()
    rejected: tuple[RejectedRow, ...] = ()
    skipped: tuple[tuple[int, Message], ...] = ()
    duplicates: tuple[int, ...] = ()
    new_lots: tuple[tuple[Lot, str], ...] = ()
    new_members: tuple[str, ...] = ()
    notes: tuple[Message, ...] = ()

    def frame(self, time_zone: str = "UTC", rows: int | None = None) -> pd.DataFrame:
        """Return the readings as a table, hours in the given zone."""
        frame = pd.DataFrame(list(self.readings[:rows]))
        if not frame.empty:
            frame["taken_at"] = pd.to_datetime(frame["taken_at"], utc=True).dt.tz_convert(time_zone)
        return frame


def open_table(
    data: bytes,
    file_name: str,
    store: Store | None = None,
    group_id: int = 0,
    progress: Callable[[float], None] | None = None,
) -> OpenedTable:
    """Return a file's cells, its headings, and the remembered or guessed way to read it.

    Raises
    ------
    ImportRefusedError
        The file cannot be read, or has headings only.
    """
    table = read_file(data, file_name, progress)
    headings = find_headings(table)
    body = table.rows[headings.first_row :]
    if not body:
        raise ImportRefusedError("The file {name} has headings only", name=file_name)
    options = _guess_options(headings, body)
    notes = list(table.notes)
    remembered = store.documents.read("column_mapping", heading_key(group_id, headings.names)) if store else None
    if remembered:
        options = options_from_dict(remembered, len(headings.names))
        notes.append(Message("read as you read a file with these headings before"))
    return OpenedTable(
        file_name=file_name,
        file_hash=hashlib.sha256(data).hexdigest(),
        table=table,
        headings=headings,
        options=options,
        remembered=bool(remembered),
        notes=tuple(notes),
    )


def _guess_options(headings: Headings, body: Sequence[Sequence[Cell]]) -> TableOptions:
    columns = guess_columns(headings.names, body[:200])
    order, _known = date_order(_cells(body, columns.get("date")))
    fahrenheit = "temperature" in columns and _is_fahrenheit(
        headings.names[columns["temperature"]], _cells(body[:500], columns["temperature"])
    )
    lots = _cells(body, columns.get("lot"))
    empty = sum(is_missing(cell) for cell in lots)
    basis = "dry" if "moisture" in columns and _says_dry_basis(headings.names[columns["moisture"]]) else "wet"
    return TableOptions(
        columns=columns,
        order=order,
        basis=basis,
        fill_down=bool(lots) and not is_missing(lots[0]) and empty > 0.3 * len(lots),
        fahrenheit=fahrenheit,
        fractions=any(_are_fractions(_cells(body[:500], columns.get(name))) for name in ("moisture", "humidity")),
    )


def _cells(body: Sequence[Sequence[Cell]], column: int | None) -> list[Cell]:
    if column is None:
        return []
    return [row[column] if column < len(row) else None for row in body]


def _says_dry_basis(heading: str) -> bool:
    text = f" {plain(heading)} "
    return any(word in text for word in (" dry basis ", " d b ", " db ", " base seche ", " base seca ", " dwb "))


def _is_fahrenheit(heading: str, cells: Sequence[Cell]) -> bool:
    if "°f" in heading.casefold() or "fahrenheit" in heading.casefold() or plain(heading).endswith(" f"):
        return True
    values = [value for cell in cells if (value := table_cells.number_or_none(cell)) is not None]
    # No store of grain is at 60 °C throughout.
    return len(values) >= 5 and min(values) > 60 and max(values) < 120


def _are_fractions(cells: Sequence[Cell]) -> bool:
    values = [value for cell in cells if (value := table_cells.number_or_none(cell)) is not None]
    return len(values) >= 3 and all(0 < value < 1 for value in values)


def options_to_dict(options: TableOptions) -> dict[str, Any]:
    """Return options as values that a document can hold."""
    values = asdict(options)
    values["columns"] = dict(options.columns)
    values["default_date"] = options.default_date.isoformat() if options.default_date else None
    return values


def options_from_dict(values: Mapping[str, Any], width: int) -> TableOptions:
    """Return options from a document; columns that the file does not have are left out."""
    known = {key: value for key, value in values.items() if key in TableOptions.__dataclass_fields__}
    columns = {name: int(at) for name, at in known.get("columns", {}).items() if name in FIELDS and int(at) < width}
    day = known.get("default_date")
    return TableOptions(**{**known, "columns": columns, "default_date": date.fromisoformat(day) if day else None})


def remember_options(store: Store, group_id: int, opened: OpenedTable, options: TableOptions, now: datetime) -> None:
    """Keep how a file was read, for the next file with the same headings; lots and dates of one file are not kept."""
    kept = replace(options, default_lot="", default_date=None)
    store.documents.write(
        "column_mapping", heading_key(group_id, opened.headings.names), options_to_dict(kept), stored_at=now
    )


def preview_table(
    opened: OpenedTable,
    options: TableOptions,
    store: Store,
    group_id: int,
    now: datetime,
    progress: Callable[[float], None] | None = None,
) -> TablePreview:
    """Return what the import would bring; nothing is stored.

    Parameters
    ----------
    opened : OpenedTable
        The file.
    options : TableOptions
        How to read it.
    store : Store
        The records, to know lots, members and tests that are already there.
    group_id : int
        The group.
    now : datetime
        The present, aware: tests cannot lie in the future.
    progress : callable, optional
        Called with a fraction from 0 to 1.

    Raises
    ------
    ImportRefusedError
        No column holds a measured value, or there is no lot or date to go by.
    """
    _check_options(opened, options, set(crops_of_group(store, group_id)))
    group = store.group(group_id)
    reader = _RowReader.for_file(opened, options, ZoneInfo(group.time_zone), now)
    lots = {plain(lot.label): lot for lot in store.lots(group_id)}
    readings: list[dict[str, Any]] = []
    rejected: list[RejectedRow] = []
    skipped: list[tuple[int, Message]] = []
    found_lots: dict[str, _FoundLot] = {}
    above: dict[str, Cell] = {}
    rows = opened.table.rows
    skip = set(opened.headings.skipped)
    for position in range(opened.headings.first_row, len(rows)):
        row, number = rows[position], opened.table.numbers[position]
        if position in skip:
            continue
        if progress is not None and position % 2000 == 0:
            progress(0.9 * position / len(rows))
        why = reader.no_test(row)
        if why is not None:
            skipped.append((number, why))
            continue
        cells = reader.cells(row)
        if options.fill_down:
            for name in FILLED_DOWN:
                if name in options.columns:
                    if is_missing(cells.get(name)):
                        cells[name] = above.get(name)
                    else:
                        above[name] = cells[name]
        result = reader.reading(cells, number)
        if isinstance(result, RejectedRow):
            rejected.append(result)
            continue
        reading, about = result
        key = plain(reading["lot_label"])
        known = lots.get(key)
        if known is not None:
            reading["lot_label"] = known.label
        elif not options.new_lots:
            rejected.append(
                RejectedRow(
                    number=number,
                    column=reader.heading("lot"),
                    value=reading["lot_label"],
                    reason=Message("the group has no lot of this name"),
                    remedy=Message("allow new lots, correct the name, or add the lot first"),
                )
            )
            continue
        else:
            found = found_lots.setdefault(key, _FoundLot(label=reading["lot_label"]))
            reading["lot_label"] = found.label
            found.add(about, reading["bag"])
        readings.append(reading)
    kept, duplicates = _without_duplicates(readings, store, group_id)
    stay = {plain(reading["lot_label"]) for reading in kept}
    new = [found for key, found in found_lots.items() if key in stay]
    notes = [*opened.notes, *_notes(opened, options, store, group_id)]
    gone = sorted({lot.label for key, lot in lots.items() if key in stay and lot.status not in OPEN_STATUSES})
    if gone:
        words = "some tests are for lots that are sold or used: {lots}; give a new lot a name of its own"
        notes.append(Message(words, {"lots": ", ".join(gone[:10])}))
    people = {plain(member.name) for member in store.members(group_id)}
    names = [found.owner for found in new if found.owner]
    new_members = (
        tuple(dict.fromkeys(name for name in names if plain(name) not in people)) if options.new_members else ()
    )
    return TablePreview(
        opened=opened,
        options=options,
        readings=tuple(kept),
        rejected=tuple(rejected),
        skipped=tuple(skipped),
        duplicates=tuple(duplicates),
        new_lots=tuple((found.lot(group_id, options.commodity, group.demo), found.owner) for found in new),
        new_members=new_members,
        notes=tuple(notes),
    )


def import_preview(
    preview: TablePreview,
    store: Store,
    group_id: int,
    who: str,
    now: datetime,
    progress: Callable[[float], None] | None = None,
) -> int:
    """Store what a preview shows, all or nothing, and return the number of the import.

    Raises
    ------
    ImportRefusedError
        The preview holds no test.
    """
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
            "rejected": [[row.number, row.column, row.value, str(row.reason)] for row in preview.rejected[:1000]],
            "duplicates": len(preview.duplicates),
            "skipped": len(preview.skipped),
            "new_lots": [lot.label for lot, _ in preview.new_lots],
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
    )
    number = store.take_in(batch)
    remember_options(store, group_id, preview.opened, preview.options, now)
    return number


def _check_options(opened: OpenedTable, options: TableOptions, crops: set[str]) -> None:
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


def _notes(opened: OpenedTable, options: TableOptions, store: Store, group_id: int) -> list[Message]:
    notes: list[Message] = []
    if "date" in options.columns:
        body = opened.table.rows[opened.headings.first_row :]
        _order, told = date_order(_cells(body, options.columns["date"]))
        numeric = any(
            isinstance(cell, str) and cell[:1].isdigit() for cell in _cells(body[:50], options.columns["date"])
        )
        if not told and numeric:
            words = {"day": Message("day first"), "month": Message("month first")}
            notes.append(Message("dates are read {order}; check one", {"order": words[options.order]}))
    if "time" not in options.columns:
        notes.append(Message("where no time of day is given, noon is taken"))
    if options.basis == "dry":
        notes.append(Message("moisture is turned from dry basis to wet basis"))
    if options.fahrenheit:
        notes.append(Message("temperatures are turned from °F to °C"))
    if options.fractions:
        notes.append(Message("fractions such as 0.135 are read as 13.5 %"))
    same = [entry for entry in store.imports(group_id) if entry.file_hash == opened.file_hash and not entry.undone_at]
    if same:
        notes.append(
            Message("this very file was brought in before, on {day}", {"day": same[0].imported_at.date().isoformat()})
        )
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

    def add(self, about: Mapping[str, Any], bag: str) -> None:
        """Take in what one row says; the first word counts, the greatest number of bags."""
        for name in ("commodity", "owner", "variety", "place", "form"):
            if about[name] and not getattr(self, name):
                setattr(self, name, about[name])
        self.bags = max(self.bags, about["bags"] or 0)
        self.bag_mass_kg = self.bag_mass_kg or about["bag_mass"]
        if bag:
            self.bag_names.add(bag)

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


@dataclass(frozen=True)
class _RowReader:
    """Reads one row after the other; parsed cells are kept, since files repeat them."""

    options: TableOptions
    names: tuple[str, ...]
    heading_cells: tuple[str, ...]
    zone: ZoneInfo
    latest: datetime
    kept: dict[tuple[str, Cell, type], Any] = field(default_factory=dict)

    @staticmethod
    def for_file(opened: OpenedTable, options: TableOptions, zone: ZoneInfo, now: datetime) -> _RowReader:
        heading_cells = tuple(plain(name) for name in opened.headings.names)
        return _RowReader(options, opened.headings.names, heading_cells, zone, now + timedelta(days=1))

    def heading(self, name: str) -> str:
        """Return the heading of the column with this meaning, else the meaning itself."""
        at = self.options.columns.get(name)
        return self.names[at] if at is not None else name

    def cells(self, row: Sequence[Cell]) -> dict[str, Cell]:
        """Return the cells of a row by meaning."""
        return {name: row[at] if at < len(row) else None for name, at in self.options.columns.items()}

    def no_test(self, row: Sequence[Cell]) -> Message | None:
        """Return why a row holds no test (totals, headings once more), None when it may hold one."""
        first = first_filled(row)
        if not isinstance(first, str):
            return None
        text = plain(first)
        if text in TOTAL_WORDS or text.split(" ", 1)[0] in ("total", "totals", "jumla", "subtotal"):
            at = self.options.columns.get("date")
            if at is None or at >= len(row) or is_missing(row[at]) or row[at] == first:
                return Message("a row of totals or means")
        filled = [(at, cell) for at, cell in enumerate(row) if cell is not None and at < len(self.heading_cells)]
        if len(filled) > 1 and all(plain(cell) == self.heading_cells[at] for at, cell in filled):
            return Message("the headings once more")
        return None

    def reading(self, cells: Mapping[str, Cell], number: int) -> tuple[dict[str, Any], dict[str, Any]] | RejectedRow:
        """Return the values of a test and what the row says of its lot, or why the row is refused."""
        options = self.options
        found: dict[str, Any] = {}
        for name, cell in cells.items():
            try:
                found[name] = self._parsed(name, cell)
            except InputError as error:
                return self._refuse(number, name, cell, error)
        label = found.get("lot") or ("" if "lot" in cells else options.default_lot.strip())
        if not label:
            return self._refuse(number, "lot", cells.get("lot"), InputError("the row names no lot"))
        stamp = found.get("date")
        if stamp is None:
            if "date" in cells or options.default_date is None:
                return self._refuse(number, "date", cells.get("date"), InputError("the row has no date"))
            stamp = (options.default_date, None, None)
        try:
            taken_at = self._moment(stamp, found.get("time"))
        except InputError as error:
            return self._refuse(number, "date", cells.get("date"), error)
        if all(found.get(name) is None for name in VALUE_FIELDS):
            first = next(name for name in VALUE_FIELDS if name in options.columns)
            return self._refuse(number, first, None, InputError("nothing was measured in this row"))
        reading = {
            "row": number,
            "lot_label": label,
            "taken_at": taken_at,
            "bag": found.get("bag") or "",
            "temperature_c": found.get("temperature"),
            "relative_humidity_pct": found.get("humidity"),
            "meter_moisture_pct": found.get("moisture"),
            "tester": found.get("tester") or "",
            "settled": found.get("settled"),
            "timed": stamp[1] is not None or found.get("time") is not None,
        }
        about = {
            name: found.get(name) for name in ("commodity", "owner", "variety", "place", "form", "bags", "bag_mass")
        }
        return reading, about

    def _parsed(self, name: str, cell: Cell) -> Any:
        key = (name, cell, type(cell))
        if key not in self.kept:
            try:
                self.kept[key] = _parse(name, cell, self.options)
            except InputError as error:
                self.kept[key] = error
        value = self.kept[key]
        if isinstance(value, InputError):
            raise value
        return value

    def _moment(self, stamp: tuple[date, time | None, timedelta | None], hour: time | None) -> datetime:
        key = ("moment", (*stamp, hour), tuple)
        if key in self.kept:
            return self.kept[key]
        day, noted, offset = stamp
        at = datetime.combine(day, hour or noted or NOON)
        moment = (
            (at - offset).replace(tzinfo=UTC) if offset is not None else at.replace(tzinfo=self.zone).astimezone(UTC)
        )
        if moment > self.latest:
            raise InputError("this date lies in the future")
        if moment.year < 1990:
            raise InputError("this date is too long ago")
        self.kept[key] = moment
        return moment

    def _refuse(self, number: int, name: str, cell: Cell, error: InputError) -> RejectedRow:
        return RejectedRow(
            number=number,
            column=self.heading(name),
            value="" if cell is None else str(cell)[:200],
            reason=error.message,
            remedy=REMEDIES.get(error.message.template)
            or _ROW_REMEDIES.get(error.message.template, Message("correct the value in the file")),
        )


_ROW_REMEDIES = {
    "the row names no lot": Message("write the lot in every row, or choose 'an empty cell means the same as above'"),
    "the row has no date": Message("write the date in every row, or choose 'an empty cell means the same as above'"),
    "nothing was measured in this row": Message("fill in moisture, humidity or temperature, or remove the row"),
    "this date lies in the future": Message("correct the date; check whether day or month stands first"),
    "this date is too long ago": Message("correct the year"),
    "a temperature of {value} °C cannot be": Message("correct it; check whether it is in °F, or in another column"),
    "a humidity of {value} % is outside 0-100": Message("correct it; check whether the columns are mixed up"),
    "a moisture of {value} % is outside 0-100": Message("correct it; check the decimal sign and the columns"),
    "a bag of {value} kg cannot be": Message("give the mass of one bag in kg"),
    "this form of grain is not known": Message("use cob, panicle, pod, threshed or cleaned, or leave it empty"),
    "this text is too long": Message("shorten it to 200 letters"),
}


def _parse(name: str, cell: Cell, options: TableOptions) -> Any:
    """Return the value of a cell by the meaning of its column."""
    if name in VALUE_FIELDS:
        return _measured(name, table_cells.number(cell), options)
    if name == "date":
        return table_cells.date_and_time(cell, options.order)
    if name == "time":
        return table_cells.time_of_day(cell)
    if name == "settled":
        return table_cells.yes_or_no(cell)
    if name == "commodity":
        return table_cells.crop_code(cell)
    if name == "bags":
        return table_cells.whole_number(cell)
    if name == "bag_mass":
        mass = table_cells.number(cell)
        if mass is not None and not 0 < mass < 2000:
            raise InputError("a bag of {value} kg cannot be", value=f"{mass:g}")
        return mass
    if name == "form":
        return _form(cell)
    return _text(cell)


def _measured(name: str, value: float | None, options: TableOptions) -> float | None:
    if value is None:
        return None
    if name == "temperature":
        celsius = (value - 32) / 1.8 if options.fahrenheit else value
        if not -20 <= celsius <= 90:
            raise InputError("a temperature of {value} °C cannot be", value=f"{celsius:g}")
        return celsius
    percent = value * 100 if options.fractions else value
    if name == "humidity":
        if not 0 <= percent <= 100:
            raise InputError("a humidity of {value} % is outside 0-100", value=f"{percent:g}")
        return percent
    if options.basis == "dry":
        if percent < 0:
            raise InputError("a moisture of {value} % is outside 0-100", value=f"{percent:g}")
        return 100 * percent / (100 + percent)
    if not 0 <= percent < 100:
        raise InputError("a moisture of {value} % is outside 0-100", value=f"{percent:g}")
    return percent


def _text(cell: Cell) -> str:
    if is_missing(cell):
        return ""
    if isinstance(cell, float) and cell == int(cell):
        cell = int(cell)
    text = " ".join(str(cell).split())
    if len(text) > 200:
        raise InputError("this text is too long")
    return text


def _form(cell: Cell) -> str:
    words = plain(_text(cell)).split()
    if not words:
        return ""
    for word in words:
        if word in FORMS:
            return word
        if word in FORM_BY_WORD:
            return FORM_BY_WORD[word]
    raise InputError("this form of grain is not known")


def _key(reading: Mapping[str, Any]) -> tuple[Any, ...]:
    values = (reading["temperature_c"], reading["relative_humidity_pct"], reading["meter_moisture_pct"])
    measured = tuple(None if value is None or value != value else round(float(value), 6) for value in values)
    return (plain(reading["lot_label"]), int(reading["taken_at"].timestamp() // 60), reading["bag"], *measured)


def _without_duplicates(
    readings: Sequence[dict[str, Any]], store: Store, group_id: int
) -> tuple[list[dict[str, Any]], list[int]]:
    """Return the readings that are new, and the row numbers of those stored already or standing twice.

    Two equal rows without bag or time of day may be two bags: such rows count as stored only as often as they are.
    """
    labels = {lot.id: lot.label for lot in store.lots(group_id)}
    wanted = {reading["lot_label"] for reading in readings}
    present = [lot_id for lot_id, label in labels.items() if label in wanted]
    stored: Counter[tuple[Any, ...]] = Counter()
    if present:
        frame = store.readings(group_id)
        frame = frame[frame["lot_id"].isin(present)]
        frame = frame.assign(lot_label=frame["lot_id"].map(labels))
        stored.update(_key(row) for row in cast("list[dict[str, Any]]", frame.to_dict("records")))
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
