"""What would help all groups of a programme: worked out by group, kept until records change, added up by currency."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from multiprocessing import get_context

import pandas as pd

from core.group.records import Group
from core.group.store import Store
from core.programme.counterfactual import CAUSES, HELPS, REMEDY, GroupHelp, from_payload, group_help, to_payload

KEPT = "programme_help"
RULES_VERSION = 2
"""Raised when the way of reckoning changes, so that what was kept is worked out anew."""


def kept_help(store: Store, group_id: int) -> GroupHelp | None:
    """Return what was worked out for a group and kept, None where its records have changed since."""
    kept = store.documents.read(KEPT, str(group_id))
    if kept is None or (kept.get("version"), kept.get("rules")) != (store.version(group_id), RULES_VERSION):
        return None
    return from_payload(kept["result"])


def keep_help(store: Store, found: GroupHelp, version: int, today: date) -> None:
    """Keep a group's result with the version of the records that it rests on."""
    payload = {"version": version, "rules": RULES_VERSION, "on": today.isoformat(), "result": to_payload(found)}
    store.documents.write(KEPT, str(found.group_id), payload, datetime.combine(today, time(0), UTC))


def _work_out(url: str, group_id: int, today: date) -> tuple[GroupHelp, int]:
    from core.group.database import open_store

    store = open_store(url)
    try:
        version = store.version(group_id)
        return group_help(store, group_id, today), version
    finally:
        store.engine.dispose()


def help_of_groups(
    store: Store,
    group_ids: Sequence[int],
    today: date,
    processes: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> dict[int, GroupHelp]:
    """Return what would help each group; what is kept already is not worked out again, and each result is kept at once.

    Parameters
    ----------
    today : date
        Later records do not count.
    processes : int
        Workers on this computer; more than one opens the database by its address in each.
    """
    done: dict[int, GroupHelp] = {}
    missing = []
    for group_id in group_ids:
        kept = kept_help(store, group_id)
        if kept is None:
            missing.append(group_id)
        else:
            done[group_id] = kept
    for found, version in _results(store, missing, today, processes):
        keep_help(store, found, version, today)
        done[found.group_id] = found
        if progress is not None:
            progress(len(done), len(group_ids))
    return {group_id: done[group_id] for group_id in group_ids}


def _results(store: Store, missing: list[int], today: date, processes: int) -> Iterator[tuple[GroupHelp, int]]:
    workers = min(processes or os.cpu_count() or 1, len(missing))
    if workers <= 1:
        for group_id in missing:
            version = store.version(group_id)
            yield group_help(store, group_id, today), version
        return
    url = store.engine.url.render_as_string(hide_password=False)
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        running = [pool.submit(_work_out, url, group_id, today) for group_id in missing]
        for future in as_completed(running):
            yield future.result()


@dataclass(frozen=True)
class HelpSum:
    """One kind of help over all groups of one currency.

    `money` mean, `low, high` the sums of each group's 10 and 90 % (a bad year is taken to be bad for all); `cost` what
    it costs the programme; `groups` how many it could be said for, `paying` the names of those in which it brings more
    than it costs, the most first.
    """

    help: str
    currency: str
    money: float
    low: float
    high: float
    cost: float
    groups: int
    paying: tuple[str, ...]

    @property
    def net(self) -> float:
        """Return the money less the cost."""
        return self.money - self.cost


def programme_sums(results: Mapping[int, GroupHelp], groups: Sequence[Group]) -> list[HelpSum]:
    """Return each kind of help where it pays, by currency, what brings most first.

    Groups in which it does not pay are left out of the money.

    A programme that knows the groups helps those in which it pays, so that only their money and cost are added up.
    """
    by_id = {group.id: group for group in groups}
    sums = []
    for currency in sorted({group.currency for group in groups}):
        for name in HELPS:
            own = [
                (by_id[number].name, item)
                for number, found in results.items()
                if number in by_id and by_id[number].currency == currency
                for item in found.helps
                if item.name == name and item.why_not is None and item.lots > 0
            ]
            paying = sorted((pair for pair in own if pair[1].net > 0), key=lambda pair: -pair[1].net)
            items = [item for _name, item in paying]
            sums.append(
                HelpSum(
                    name,
                    currency,
                    sum(i.money for i in items),
                    sum(i.low for i in items),
                    sum(i.high for i in items),
                    sum(i.cost for i in items),
                    len(own),
                    tuple(label for label, _item in paying),
                )
            )
    return sorted(sums, key=lambda item: (item.currency, -item.net))


HELP_TAGS = {
    "group": "#org+group",
    "currency": "#currency",
    "season": "#date+season",
    "lots": "#value+lots+num",
    "kind": "#meta+kind",
    "name": "#indicator+name",
    "money": "#value+money+mean",
    "low": "#value+money+low",
    "high": "#value+money+high",
    "lots_touched": "#value+lots+touched+num",
    "cost": "#value+cost",
    "net": "#value+money+net",
    "would_help": "#meta+remedy",
    "not_known_because": "#meta+remark",
}


def help_table(results: Mapping[int, GroupHelp], groups: Sequence[Group]) -> pd.DataFrame:
    """Return all results as one table, a row for each group and cause or help, with the columns of `HELP_TAGS`."""
    rows = []
    for group in groups:
        found = results.get(group.id)
        if found is None:
            continue
        head = {"group": group.name, "currency": group.currency, "season": found.season, "lots": found.lots}
        if found.why_not is not None:
            rows.append({**head, "not_known_because": str(found.why_not)})
            continue
        for kind, items in (("avoidable loss", found.causes), ("help", found.helps)):
            for item in items:
                known = item.why_not is None
                row = {
                    **head,
                    "kind": kind,
                    "name": item.name,
                    "money": round(item.money, 2) if known else None,
                    "low": round(item.low, 2) if known else None,
                    "high": round(item.high, 2) if known else None,
                    "lots_touched": item.lots,
                    "cost": item.cost if kind == "help" else None,
                    "net": round(item.net, 2) if known and kind == "help" else None,
                    "would_help": REMEDY.get(item.name, ""),
                    "not_known_because": "" if known else str(item.why_not),
                }
                rows.append(row)
    return pd.DataFrame(rows, columns=list(HELP_TAGS))


__all__ = ["CAUSES", "HELP_TAGS", "HelpSum", "help_of_groups", "help_table", "keep_help", "kept_help", "programme_sums"]
