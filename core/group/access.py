"""Who may read and write what: a role in each group, and the records as one signed-in person sees them.

Where nobody signs in (a computer of one's own) pages use `Store` itself and everything is allowed. Where people sign
in they get a `PersonStore`: every method of the store stands in `RULES`, so that one without a rule does not exist, and
its engine, its connection and its documents' run nothing but what such a method does.
"""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Engine

from core.errors import AccessError, InputError
from core.group import tables
from core.group.documents import Documents
from core.group.records import MEMBERS_FILE
from core.group.store import Store
from core.weather.place import place_key

EVERY_GROUP = 0
"""The number under which a role counts in every group, also in those that come later."""
NO_GROUP = -1
READ = "read"
GRAIN, MEMBERS, SETTINGS, MONEY = "grain", "members", "settings", "money"
PROGRAMME, PEOPLE, WHOLE = "programme", "people", "whole"
MAY: Mapping[str, frozenset[str]] = {
    "administrator": frozenset({READ, GRAIN, MEMBERS, SETTINGS, MONEY, PROGRAMME, PEOPLE, WHOLE}),
    "manager": frozenset({READ, GRAIN, MEMBERS, SETTINGS, MONEY, PEOPLE}),
    "treasurer": frozenset({READ, MEMBERS, SETTINGS, MONEY}),
    "officer": frozenset({READ, PROGRAMME}),
    "viewer": frozenset({READ}),
}
"""What each role may do: look; lots, tests, sales, prices, plans and files; members; settings; the books of the meter
and of the pool; the programme's entries and group files; roles; the whole database (backups)."""
BOOK_OF = {"meter": MONEY, "pool": MONEY}
"""What writing into a book counts as; into the others it counts as `GRAIN`."""
SHARED = ("forecast", "forecast_attempt", "normals", "climate_years", "drying_weather")
"""Kinds of documents that belong to a place on the map: to whoever has a role in a group there. Whoever looks may keep
what a service said; the usual months that people typed in are a setting."""
ENTERED = "entered"
WORKED_OUT = ("programme_help", "group_uid")
"""Kinds that are made while somebody looks: who may look may keep them."""
DRAFTS = ("import_draft", "tests_draft")
"""Kinds that belong to one person: their keys end with who it is."""
OF_FILES = "group_file"


def known_person(mail: str) -> str:
    """Return a mail address as it is compared; `InputError` where it is none."""
    found = mail.strip().casefold()
    wrong = any(char in " :,;" or not char.isprintable() for char in found)
    if wrong or not 3 <= len(found) <= 320 or found.count("@") != 1:
        raise InputError("'{mail}' is not a mail address", mail=mail)
    return found


@dataclass(frozen=True)
class Access:
    """What one person may do: `roles` by number of the group, `EVERY_GROUP` for all."""

    person: str
    roles: Mapping[int, str] = field(default_factory=dict)

    def role(self, group_id: int) -> str:
        """Return the person's role in a group: the group's own before the one for every group; "" for none."""
        everywhere = self.roles.get(EVERY_GROUP, "")
        return everywhere if everywhere == "administrator" else self.roles.get(group_id, everywhere)

    def may(self, act: str, group_id: int = EVERY_GROUP) -> bool:
        """Return whether the person may do something in a group, or in all."""
        return act in MAY.get(self.role(group_id), frozenset())

    def check(self, act: str, group_id: int | None = EVERY_GROUP) -> None:
        """Raise `AccessError` where the person may not."""
        number = group_id or EVERY_GROUP
        if self.may(act, number):
            return
        if number and not self.may(READ, number):
            raise AccessError("You have no role in this group. Ask its manager.")
        raise AccessError("Your role does not allow this. Ask the manager or the administrator.")


def access_of(store: Store, person: str, administrators: Iterable[str] = ()) -> Access:
    """Return what somebody may do, as the records say; those named as administrators are that in any case."""
    who = known_person(person)
    roles = {item.group_id: item.role for item in store.roles() if item.person == who}
    if who in {known_person(mail) for mail in administrators}:
        roles[EVERY_GROUP] = "administrator"
    return Access(who, roles)


_RULED: ContextVar[bool] = ContextVar("ruled", default=False)
"""Whether a method with a rule is at work; only then does a person's engine run anything."""


@contextmanager
def _ruled_is(value: bool) -> Iterator[None]:
    before = _RULED.set(value)
    try:
        yield
    finally:
        _RULED.reset(before)


def _refuse_others(*_given: Any) -> None:
    if not _RULED.get():
        raise AccessError("Your role does not allow this. Ask the manager or the administrator.")


def _closed(engine: Engine) -> Engine:
    """Return an engine on the same connections that runs only what a ruled method does, and tells no password."""
    found = engine.execution_options(ruled=True)
    sa.event.listen(found, "before_cursor_execute", _refuse_others)
    if found.url.password is not None:
        found.url = found.url._replace(password=None)
    return found


@dataclass(frozen=True)
class PersonDocuments(Documents):
    """The documents as one person sees them."""

    access: Access = field(kw_only=True)

    @contextmanager
    def _open(self, writes: bool = False) -> Iterator[Connection]:
        with _ruled_is(True), super()._open(writes) as connection:
            yield connection

    def _check_place(self, key: str, act: str) -> None:
        """Refuse where the person may not in any group at a place."""
        query = sa.select(tables.groups.c.id, tables.groups.c.latitude, tables.groups.c.longitude)
        with self._open() as connection:
            here = [
                number
                for number, latitude, longitude in connection.execute(query)
                if None not in (latitude, longitude) and place_key(latitude, longitude) == key
            ]
        if not any(self.access.may(act, number) for number in here):
            self.access.check(act, next((number for number in here if self.access.may(READ, number)), NO_GROUP))

    def _check(self, kind: str, key: str, act: str) -> None:
        if kind in SHARED:
            self._check_place(key, act)
            return
        if kind == OF_FILES:
            self.access.check(PROGRAMME)
            return
        number, _colon, rest = key.partition(":")
        self.access.check(act, int(number) if number.isdigit() else EVERY_GROUP)
        if kind in DRAFTS and rest.rpartition(":")[2] != self.access.person:
            raise AccessError("Your role does not allow this. Ask the manager or the administrator.")

    def _write_act(self, kind: str, key: str, payload: Mapping[str, Any]) -> str:
        if kind in SHARED:
            stored = super().read(kind, key) or {}
            return SETTINGS if ENTERED in (stored.get("status"), payload.get("status")) else READ
        return READ if kind in (*WORKED_OUT, *DRAFTS) else GRAIN

    def read(self, kind: str, key: str) -> dict[str, Any] | None:
        """Return a document, None when there is none."""
        self._check(kind, key, READ)
        return super().read(kind, key)

    def revision(self, kind: str, key: str) -> int:
        """Return how often a document was written."""
        self._check(kind, key, READ)
        return super().revision(kind, key)

    def stored_at(self, kind: str, key: str) -> datetime | None:
        """Return when a document was written."""
        self._check(kind, key, READ)
        return super().stored_at(kind, key)

    def keys(self, kind: str) -> list[str]:
        """Return the keys of a kind that the person may read."""
        return [key for key in super().keys(kind) if self._seen(kind, key)]

    def _seen(self, kind: str, key: str) -> bool:
        try:
            self._check(kind, key, READ)
        except AccessError:
            return False
        return True

    def write(
        self, kind: str, key: str, payload: dict[str, Any], stored_at: datetime, expected: int | None = None
    ) -> None:
        """Write a document in the place of an older one."""
        self._check(kind, key, self._write_act(kind, key, payload))
        super().write(kind, key, payload, stored_at, expected)

    def remove(self, kind: str, key: str) -> None:
        """Remove a document."""
        self._check(kind, key, self._write_act(kind, key, {}))
        super().remove(kind, key)


@dataclass(frozen=True)
class PersonStore(Store):
    """The records as one person sees them: only that person's groups, and written only as the role allows.

    Who writes is that person, whatever a page says.
    """

    access: Access = field(kw_only=True)

    def __post_init__(self) -> None:
        documents = PersonDocuments(self.engine, self.connection, self.access.person, access=self.access)
        object.__setattr__(self, "documents", documents)
        object.__setattr__(self, "who", self.access.person)

    def _group_of(self, table: sa.Table, row_id: int) -> int | None:
        """Return the group of a row, None where there is no such row."""
        query = sa.select(tables.lots.c.group_id if table is tables.readings else table.c.group_id)
        if table is tables.readings:
            query = query.join(table, table.c.lot_id == tables.lots.c.id)
        with self._reading() as connection:
            return connection.execute(query.where(table.c.id == row_id)).scalar()


def open_for(store: Store, access: Access) -> PersonStore:
    """Return the records as one person sees them."""
    return PersonStore(_closed(store.engine), access.person, store.at, store.connection, access=access)


Given = dict[str, Any]
Rule = Callable[[PersonStore, Given], None]
"""Looks at what a method is given, before it runs; raises `AccessError`."""


def _in_group(act: str) -> Rule:
    return lambda store, given: store.access.check(act, given["group_id"])


def _everywhere(act: str) -> Rule:
    return lambda store, _given: store.access.check(act)


def _row(act: str, table: sa.Table, name: str) -> Rule:
    def rule(store: PersonStore, given: Given) -> None:
        group_id = store._group_of(table, given[name])
        if group_id is not None:  # else the store says that there is none
            store.access.check(act, group_id)

    return rule


def _record(act: str, name: str, table: sa.Table | None = None) -> Rule:
    """Check the group that a record names and, where it is stored already, the group that it is of."""

    def rule(store: PersonStore, given: Given) -> None:
        record = given[name]
        store.access.check(act, record.group_id)
        if table is not None:
            _row(act, table, "number")(store, {"number": record.id})
        _file(store, record)

    return rule


def _file(store: PersonStore, record: Any) -> None:
    """Check the group of the file that a record says it came with: it is taken back with that file."""
    if record.import_id is not None:
        _row(GRAIN, tables.imports, "number")(store, {"number": record.import_id})


def _readings(store: PersonStore, given: Given) -> None:
    records = [given["reading"]] if "reading" in given else given["readings"]
    for record in {(record.lot_id, record.import_id): record for record in records}.values():
        _row(GRAIN, tables.lots, "lot_id")(store, {"lot_id": record.lot_id})
        _file(store, record)


def _sale(store: PersonStore, given: Given) -> None:
    _row(GRAIN, tables.lots, "lot_id")(store, {"lot_id": given["sale"].lot_id})


def _quotes(store: PersonStore, given: Given) -> None:
    given["quotes"] = list(given["quotes"])
    for quote in {(quote.group_id, quote.import_id): quote for quote in given["quotes"]}.values():
        store.access.check(GRAIN, quote.group_id)
        _file(store, quote)


def _book(store: PersonStore, given: Given) -> None:
    store.access.check(BOOK_OF.get(given["book"], GRAIN), given["group_id"])


def _entries(store: PersonStore, given: Given) -> None:
    store.access.check(READ, given["group_id"])
    for book in {entry.book for entry in given["entries"]}:
        _book(store, {"book": book, "group_id": given["group_id"]})


def _programme(store: PersonStore, given: Given) -> None:
    cancels = given["entry"].reverses is not None  # it may be any group's
    store.access.check(PROGRAMME, EVERY_GROUP if cancels else given.get("group_id"))


def _batch(store: PersonStore, given: Given) -> None:
    batch = given["batch"]
    rows = (batch.record, *batch.members, *(lot for lot, _owner in batch.lots), *batch.quotes)
    people_only = batch.members and not (batch.lots or batch.readings or batch.quotes)
    for group_id in {row.group_id for row in rows}:
        store.access.check(MEMBERS if people_only else GRAIN, group_id)
    if batch.replaces is not None:
        _row(GRAIN, tables.imports, "number")(store, {"number": batch.replaces})
    given["batch"] = replace(batch, record=replace(batch.record, who=store.access.person))


def _undo(store: PersonStore, given: Given) -> None:
    """Check what an import brought, as where it was taken in."""
    group_id = store._group_of(tables.imports, given["import_id"])
    if group_id is not None:  # else the store says that there is none
        files = (one for one in store.imports(group_id) if one.id == given["import_id"])
        people_only = any(one.kind == MEMBERS_FILE for one in files)
        store.access.check(MEMBERS if people_only else GRAIN, group_id)


def _transaction(store: PersonStore, given: Given) -> None:
    if given.get("group_id"):
        store.access.check(READ, given["group_id"])  # what is written on it is checked by itself


def _merge(store: PersonStore, given: Given) -> None:
    store.access.check(PROGRAMME, given["group_id"])
    if given.get("merged_into"):
        store.access.check(PROGRAMME, given["merged_into"])


def _role(store: PersonStore, given: Given) -> None:
    role = given["role"]
    if role.role and role.role not in MAY:
        raise InputError("there is no role '{role}'", role=role.role)
    if role.role == "administrator" and role.group_id != EVERY_GROUP:
        raise InputError("an administrator is one for every group")
    store.access.check(WHOLE if role.group_id == EVERY_GROUP else PEOPLE, role.group_id)
    given["role"] = replace(role, person=known_person(role.person), given_by=store.access.person)


def _anybody(_store: PersonStore, _given: Given) -> None:
    """Let the method run: what it returns or writes is looked at elsewhere."""


RULES: Mapping[str, Rule] = {
    **dict.fromkeys(("by", "groups", "programme_entries", "roles"), _anybody),
    **dict.fromkeys(("group", "merged_into", "changes", "version", "members", "lots", "readings"), _in_group(READ)),
    **dict.fromkeys(("sales", "price_quotes", "fact", "facts", "currency_per_usd", "events"), _in_group(READ)),
    "imports": _in_group(READ),
    "member": _row(READ, tables.members, "member_id"),
    "lot": _row(READ, tables.lots, "lot_id"),
    "transaction": _transaction,
    "add_group": _everywhere(PEOPLE),
    "update_group": lambda store, given: store.access.check(SETTINGS, given["group"].id),
    "mark_removed": _merge,
    "add_member": _record(MEMBERS, "member"),
    "update_member": _record(MEMBERS, "member", tables.members),
    "add_lot": _record(GRAIN, "lot"),
    "update_lot": _record(GRAIN, "lot", tables.lots),
    "add_reading": _readings,
    "add_readings": _readings,
    "remove_reading": _row(GRAIN, tables.readings, "reading_id"),
    "add_sale": _sale,
    "remove_sale": _in_group(GRAIN),
    "add_price_quotes": _quotes,
    "set_fact": _in_group(SETTINGS),
    "set_facts": _in_group(SETTINGS),
    "append_event": _book,
    "record_all": _entries,
    "append_programme_entry": _programme,
    "give_role": _role,
    "take_in": _batch,
    "write_together": _everywhere(PROGRAMME),
    "undo_import": _undo,
}
"""What is looked at before each method of the store; a test holds that none is missing."""

SIFTED: Mapping[str, Callable[[Access, Any], bool]] = {
    "groups": lambda access, row: access.may(READ, row.id),
    "programme_entries": lambda access, row: not row.group_id or access.may(READ, row.group_id),
    "roles": lambda access, row: row.person == access.person or access.may(PEOPLE, row.group_id),
}
"""Of what these methods return, what a person gets to see."""


@contextmanager
def _outside(transaction: AbstractContextManager[Store]) -> Iterator[Store]:
    """Give the records on an open transaction, which begins and ends with what it writes itself."""
    was = _RULED.get()
    with _ruled_is(True), transaction as inside, _ruled_is(was):
        yield inside


def _ruled(name: str, rule: Rule) -> Callable[..., Any]:
    original = getattr(Store, name)
    signature = inspect.signature(original)

    @functools.wraps(original)
    def method(self: PersonStore, *args: Any, **named: Any) -> Any:
        given = signature.bind(self, *args, **named)
        values = given.arguments
        if "who" in values:
            values["who"] = self.access.person
        with _ruled_is(True):
            rule(self, values)
            found = original(*given.args, **given.kwargs)
        if isinstance(found, AbstractContextManager):
            return _outside(found)
        keep = SIFTED.get(name)
        return found if keep is None else [row for row in found if keep(self.access, row)]

    return method


for _name, _rule in RULES.items():
    setattr(PersonStore, _name, _ruled(_name, _rule))
