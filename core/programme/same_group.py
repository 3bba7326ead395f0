"""The same group under another identity: recognised by name, place and records, and its rows matched."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pandas as pd

from core.group.records import Event, Group, Lot, Member
from core.group.store import Store
from core.programme.group_file import GroupFile
from core.programme.group_tables import FileRecords, price_key

Numbers = dict[str, dict[str, int]]
NEAR_DEGREES = 0.1
"""About 11 km: places given by a town and by a telephone differ by as much (judgement)."""


def _plain(text: str) -> str:
    return " ".join(text.casefold().split())


def _one_place(one: Group, other: Group) -> bool:
    """Return whether two groups may lie in one place; what is not known does not speak against it."""
    ends = (one.latitude, one.longitude, other.latitude, other.longitude)
    if None not in ends:
        a, b, c, d = (float(end or 0) for end in ends)
        return abs(a - c) <= NEAR_DEGREES and abs(b - d) <= NEAR_DEGREES
    return not one.district or not other.district or _plain(one.district) == _plain(other.district)


def _lot_key(lot: Lot) -> tuple[Any, ...]:
    return _plain(lot.label), lot.commodity, lot.harvested_on


def look_alike(store: Store, item: GroupFile) -> Group | None:
    """Return the group here that a file of an unknown identity may be of, None where there is none.

    Name and place are the same, and lots or members overlap, or one of the two has neither yet.
    """
    for group in store.groups():
        if group.demo != item.group.demo or _plain(group.name) != _plain(item.group.name):
            continue
        if not _one_place(group, item.group):
            continue
        lots, people = store.lots(group.id), store.members(group.id)
        same = {_lot_key(lot) for lot in lots} & {_lot_key(lot) for lot in item.records.lots.values()}
        names = {_plain(member.name) for member in item.records.members.values() if member.name}
        if same or names & {_plain(member.name) for member in people}:
            return group
        if not (lots or people) or not (item.records.lots or item.records.members):
            return group
    return None


def matching_rows(store: Store, group_id: int, found: FileRecords) -> Numbers:
    """Return which rows of a file a group has already: number in the file to number here, by table.

    Members are matched by name, where it is blank by sex, year of birth and day of joining; lots by label, crop and
    day of harvest; readings by lot, moment and bag; sales by lot, day, bags and mass; prices by all they say; entries
    by book, kind, day and moment of writing. Of several alike each is matched once.
    """

    def pair(here: list[tuple[Any, int]], there: list[tuple[Any, str]]) -> dict[str, int]:
        free: dict[Any, list[int]] = {}
        for key, number in here:
            free.setdefault(key, []).append(number)
        return {number: free[key].pop(0) for key, number in there if free.get(key)}

    def person(member: Member, by_name: bool) -> tuple[Any, ...]:
        return (_plain(member.name),) if by_name else (member.sex, member.birth_year, member.joined_on)

    named = all(member.name for member in found.members.values())
    members = pair(
        [(person(item, named), item.id) for item in store.members(group_id)],
        [(person(item, named), number) for number, item in found.members.items()],
    )
    lots = pair(
        [(_lot_key(item), item.id) for item in store.lots(group_id)],
        [(_lot_key(item), number) for number, item in found.lots.items()],
    )

    def rows_of(table: Callable[[int], pd.DataFrame]) -> list[Any]:
        return list(table(group_id).itertuples())

    readings, sales, quotes = rows_of(store.readings), rows_of(store.sales), rows_of(store.price_quotes)
    tests = pair(
        [((row.lot_id, row.taken_at.to_pydatetime(), row.bag), int(row.id)) for row in readings],
        [((lots.get(str(item.lot_id)), item.taken_at, item.bag), n) for n, item in found.readings.items()],
    )
    sold = pair(
        [((row.lot_id, row.sold_on, row.bags, row.mass_kg), int(row.id)) for row in sales],
        [((lots.get(str(s.lot_id)), s.sold_on, s.bags, s.mass_kg), n) for n, s in found.sales.items()],
    )
    prices = pair([(price_key(row), int(row.id)) for row in quotes], [(number, number) for number in found.prices])
    here = store.facts(group_id)
    books = {event.book for event in found.events.values()}
    entries = pair(
        [(_entry_key(event), event.id) for book in sorted(books) for event in store.events(group_id, book)],
        [(_entry_key(event), number) for number, event in found.events.items()],
    )
    return {
        "members": members,
        "lots": lots,
        "readings": tests,
        "sales": sold,
        "prices": prices,
        "facts": {key: group_id for key in found.facts if key in here and here[key].origin != "assumed"},
        "events": entries,
    }


def completed_rows(store: Store, group_id: int, rows: Numbers, found: FileRecords) -> Numbers:
    """Return the rows known of an identity, and those that came to the group by another one and are in its file too."""
    more = matching_rows(store, group_id, found)
    result = {name: dict(rows.get(name, {})) for name in more}
    for name, pairs in more.items():
        used = set(result[name].values())
        for number, here in pairs.items():
            if number not in result[name] and (here not in used or name == "facts"):
                result[name][number] = here
    return result


def _entry_key(event: Event) -> tuple[Any, ...]:
    return event.book, event.kind, event.on, event.recorded_at
