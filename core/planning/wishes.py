"""What a group enters for planning and nothing else keeps.

Cash needs, grain kept back, coming harvests, promised grain.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

from core.errors import InputError

BOOK, KIND, OLDER = "plans", "wishes", "planning"
NAMES = ("needs", "reserves", "harvests", "promises")


def read_wishes(store: Any, group_id: int) -> dict[str, list[dict[str, Any]]]:
    """Return what the group has entered for planning.

    Lists of plain rows by the `NAMES`, as the last entry of the book of plans has them.
    """
    entries = [event for event in store.events(group_id, BOOK) if event.kind == KIND]
    # older databases keep them as a document
    kept = entries[-1].payload if entries else store.documents.read(OLDER, str(group_id)) or {}
    return {name: list(kept.get(name, [])) for name in NAMES}


def write_wishes(
    store: Any, group_id: int, wishes: Mapping[str, list[dict[str, Any]]], at: datetime, who: str = "", token: str = ""
) -> None:
    """Keep what the group has entered for planning as a new entry; lists that are not named stay as they are."""
    for row in (row for rows in wishes.values() for row in rows):
        for day in (row[name] for name in ("on", "due", "agreed_on") if row.get(name)):
            try:
                date.fromisoformat(str(day))
            except ValueError as error:
                raise InputError("the day {day} cannot be right", day=str(day)) from error
    payload = {**read_wishes(store, group_id), **wishes}
    store.append_event(group_id, BOOK, KIND, at.date(), who, payload, at, token=token)


def add_harvest(
    store: Any,
    group_id: int,
    at: datetime,
    *,
    commodity: str,
    on: date,
    kg: float,
    moisture_pct: float | None = None,
    member: str = "",
    label: str = "",
    token: str = "",
) -> None:
    """Keep a harvest that is expected: it will compete for drying space, bags, store and trucks.

    Parameters
    ----------
    on : date
        The earliest day on which it can be harvested.
    kg : float
        Grain expected, at its moisture on that day.
    moisture_pct : float or None
        Moisture expected then [% w.b.], None where nobody knows.
    member, label : str
        Whose it is (empty: the pool's) and what it is called.

    Raises
    ------
    InputError
        For a mass of zero or less, or an impossible moisture.
    """
    if kg <= 0:
        raise InputError("say how many kg are expected")
    if moisture_pct is not None and not 5 <= moisture_pct <= 50:
        raise InputError("moisture {value} % is outside {low} to {high}", value=moisture_pct, low=5, high=50)
    row = {"commodity": commodity, "on": on.isoformat(), "kg": kg, "moisture_pct": moisture_pct, "member": member}
    harvests = read_wishes(store, group_id)["harvests"]
    row["label"] = label.strip()
    write_wishes(store, group_id, {"harvests": [*harvests, row]}, at, token=token)


def add_promise(
    store: Any,
    group_id: int,
    at: datetime,
    *,
    buyer: str,
    commodity: str,
    kg: float,
    price_per_kg: float,
    due: date,
    agreed_on: date,
    lot: str = "",
    moisture_limit_pct: float | None = None,
    pay_delay_days: int = 0,
    token: str = "",
) -> None:
    """Keep a sale that is promised but not delivered.

    What is sold to that buyer from `agreed_on` on counts as delivered.

    Parameters
    ----------
    due, agreed_on : date
        The last day of delivery, and the day of the promise.
    lot : str
        The number of the lot that was promised, empty for any lot of the crop.
    moisture_limit_pct : float or None
        Highest moisture agreed [% w.b.].

    Raises
    ------
    InputError
        Without a buyer, for a mass or a price of zero or less, or a delivery before the agreement.
    """
    if not buyer.strip():
        raise InputError("say to whom it was promised")
    if kg <= 0 or price_per_kg <= 0:
        raise InputError("a promise needs the mass and the price that were agreed")
    if due < agreed_on:
        raise InputError("the delivery cannot be due before the promise was given")
    row = {
        "buyer": buyer.strip(),
        "commodity": commodity,
        "kg": kg,
        "price_per_kg": price_per_kg,
        "due": due.isoformat(),
        "agreed_on": agreed_on.isoformat(),
        "lot": lot,
        "moisture_limit_pct": moisture_limit_pct,
        "pay_delay_days": int(pay_delay_days),
    }
    promises = read_wishes(store, group_id)["promises"]
    write_wishes(store, group_id, {"promises": [*promises, row]}, at, token=token)


def drop_wish(store: Any, group_id: int, name: str, number: int, at: datetime) -> None:
    """Take away one row of a list."""
    rows = read_wishes(store, group_id).get(name, [])
    if not 0 <= number < len(rows):
        raise InputError("there is no entry with the number {number}", number=number + 1)
    write_wishes(store, group_id, {name: [*rows[:number], *rows[number + 1 :]]}, at)


def cash_needed(store: Any, group_id: int, until: date) -> float:
    """Return the cash needs that fall due up to a day [money]."""
    rows = read_wishes(store, group_id)["needs"]
    return float(sum(float(row.get("amount") or 0) for row in rows if str(row.get("on", "")) <= until.isoformat()))
