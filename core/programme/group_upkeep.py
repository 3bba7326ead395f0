"""The programme's groups put in order: which are counted, removed and brought back, two that are one made one."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy.engine import Connection

from core.errors import InputError
from core.group.backups import backup_before_import
from core.group.records import BOOKS, Group
from core.group.store import Store
from core.programme.file_books import refused_entries
from core.programme.group_file import export_group, group_uid, read_group_file
from core.programme.group_merge import KIND, keep_document, write_file
from core.programme.same_group import Numbers, matching_rows


def counted(groups: Sequence[Group], invented: bool = False) -> list[Group]:
    """Return the groups that a programme counts: the real ones, or the invented ones, never both.

    Parameters
    ----------
    invented : bool
        Count the invented examples instead; they are counted anyway where there is no real group.
    """
    real = [group for group in groups if not group.demo]
    return [group for group in groups if group.demo] if invented or not real else real


def remove_group(store: Store, group_id: int, now: datetime, token: str = "") -> None:
    """Take a group out of every list and count. Its rows stay in the database, so that it can be brought back."""
    backup_before_import(store.engine)
    with store.transaction(group_id, token) as inside:
        inside.mark_removed(inside.group(group_id).id, now)


def bring_back(store: Store, group_id: int, token: str = "") -> None:
    """Bring a removed group back.

    Raises
    ------
    InputError
        It was merged into another, which holds its rows now.
    """
    if group_id not in {group.id for group in store.groups(removed=True)}:
        raise InputError("this group was not removed")
    if store.merged_into(group_id) is not None:
        raise InputError("this group was merged into another one: its records are there")
    with store.transaction(group_id, token) as inside:
        inside.mark_removed(group_id, None)


def merge_groups(store: Store, keep: int, gone: int, now: datetime, token: str = "") -> int:
    """Make two groups one, in one transaction, and return how many rows went over.

    Rows that both have stay as the kept group has them (see `matching_rows`), the others go over, and the identity of
    the other group is the kept one's from now on, so that later files of it are taken into the kept group. The other
    group is then removed.

    Parameters
    ----------
    keep, gone : int
        The group that stays and the one that goes into it.

    Raises
    ------
    InputError
        One group twice, a real and an invented one, other money, or books that contradict each other.
    """
    one, other = store.group(keep), store.group(gone)
    if keep == gone or one.demo != other.demo:
        raise InputError("choose two different groups, both real or both invented")
    if one.currency != other.currency:
        raise InputError(
            "{one} keeps its books in {money}, {other} in {other_money}: they cannot be merged",
            one=one.name,
            money=one.currency,
            other=other.name,
            other_money=other.currency,
        )
    backup_before_import(store.engine)
    with store.transaction(keep, token) as inside:
        return inside.write_together(lambda connection: _merge(connection, inside, keep, gone, now))


def _merge(connection: Connection, inside: Store, keep: int, gone: int, now: datetime) -> int:
    uid = group_uid(inside, gone, lambda: str(uuid.uuid4()), now)
    before = inside.documents.read(KIND, uid)
    item = read_group_file(export_group(inside, gone, uid, now))
    had = len(_refused(inside, keep))
    kept = {"group_id": keep, "rows": matching_rows(inside, keep, item.records)}
    new, _gone = write_file(connection, item, kept, now, only_new=True)
    refused = _refused(inside, keep)
    if len(refused) > had:
        book, _number, why = refused[-1]
        raise InputError("the books '{book}' of the two groups contradict each other: {why}", book=book, why=why)
    if before is not None:
        _follow(connection, inside, uid, before, now)
    inside.mark_removed(gone, now, keep)
    return new


def _refused(store: Store, group_id: int) -> list[Any]:
    return refused_entries(event for book in BOOKS for event in store.events(group_id, book))


def _follow(connection: Connection, store: Store, uid: str, before: dict[str, Any], now: datetime) -> None:
    """Keep under an identity which rows of its own files are which rows of the group it went into."""
    after = store.documents.read(KIND, uid) or {}
    rows: Numbers = after["rows"]
    turned = {
        name: numbers if name in ("prices", "facts") else _through(numbers, rows[name])
        for name, numbers in before["rows"].items()
    }
    turned["prices"] = {key: rows["prices"][key] for key in turned["prices"] if key in rows["prices"]}
    turned["facts"] = dict.fromkeys(turned["facts"], int(after["group_id"]))
    payload = {**before, "group_id": after["group_id"], "rows": turned}
    keep_document(connection, KIND, uid, payload, now)


def _through(first: dict[str, int], then: dict[str, int]) -> dict[str, int]:
    return {number: then[str(here)] for number, here in first.items() if str(here) in then}
