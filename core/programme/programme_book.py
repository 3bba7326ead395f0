"""The programme officer's entries: targets, baselines, the programme's currency and exchange rates; who and when.

They stand in the programme's own append-only book, which belongs to no group and stays when groups come and go.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

import numpy as np

from core.accounts.book import Book
from core.errors import InputError
from core.group.records import Event, NewEntry
from core.group.store import Store
from core.messages import Message, message
from core.programme.currencies import ExchangeRate, is_currency_code
from core.programme.definitions import DEFINITIONS

BOOK = "programme"
GOAL_KINDS = ("target", "baseline")


@dataclass(frozen=True)
class Goal:
    """A target or baseline of an indicator: `value` as the indicator counts (a fraction where the unit is %).

    `group_id` None: for all groups. `on` is the day by which it is to be reached, or of which the baseline is.
    """

    kind: str
    key: str
    value: float
    on: date
    source: str
    who: str
    recorded_at: datetime
    group_id: int | None = None
    currency: str = ""


@dataclass(frozen=True)
class ProgrammeBook:
    """What stands in the programme's book."""

    goals: Mapping[tuple[str, str, int | None], Goal] = field(default_factory=dict)
    rates: Sequence[ExchangeRate] = ()
    currency: str | None = None
    rates_on: date | None = None

    def goal(self, kind: str, key: str, group_id: int | None = None) -> Goal | None:
        """Return a group's own target or baseline, else the programme's, else None."""
        own = self.goals.get((kind, key, group_id)) if group_id is not None else None
        return own or self.goals.get((kind, key, None))


def read_book(events: Sequence[Event]) -> ProgrammeBook:
    """Return the book as its entries, in the order of writing, leave it; entries taken back do not count."""
    goals: dict[tuple[str, str, int | None], Goal] = {}
    rates: list[ExchangeRate] = []
    currency, rates_on = None, None
    for event in sorted(Book(events).standing(), key=lambda item: item.id):
        given = event.payload
        if event.kind in GOAL_KINDS:
            group_id = event.group_id or None
            place = (event.kind, str(given["key"]), group_id)
            if given["value"] is None:
                goals.pop(place, None)
                continue
            goals[place] = Goal(
                event.kind,
                str(given["key"]),
                float(given["value"]),
                event.on,
                str(given.get("source", "")),
                event.who,
                event.recorded_at,
                group_id,
                str(given.get("currency", "")),
            )
        elif event.kind == "exchange_rate":
            rates.append(
                ExchangeRate(
                    given["from"], given["to"], float(given["rate"]), event.on, str(given["source"]), event.who
                )
            )
        elif event.kind == "currency":
            currency, rates_on = str(given["currency"]), event.on
    return ProgrammeBook(goals, tuple(rates), currency, rates_on)


def programme_book(store: Store) -> ProgrammeBook:
    """Return the programme's book."""
    return read_book(store.programme_entries())


def _write(
    store: Store, kind: str, on: date, who: str, payload: dict[str, Any], at: datetime, group_id: int | None, token: str
) -> int:
    entry = NewEntry(book=BOOK, kind=kind, on=on, payload=payload)
    return store.append_programme_entry(entry, who, at, group_id, token)


def cancel_entry(store: Store, number: int, on: date, who: str, at: datetime, token: str = "") -> int:
    """Cancel an entry of the programme's book and return the number of the entry that does so."""
    entry = NewEntry(book=BOOK, kind="reversal", on=on, payload={}, reverses=number)
    return store.append_programme_entry(entry, who, at, None, token)


def enter_goal(
    store: Store,
    kind: str,
    key: str,
    value: float | None,
    on: date,
    who: str,
    at: datetime,
    source: str = "",
    group_id: int | None = None,
    currency: str = "",
    token: str = "",
) -> int:
    """Write a target or baseline (None takes it away) and return the entry's number.

    Raises
    ------
    InputError
        Unknown kind or indicator, a proportion outside 0-1, no finite number, money without a currency.
    """
    if kind not in GOAL_KINDS:
        raise InputError("'{kind}' is neither target nor baseline", kind=kind)
    if key not in DEFINITIONS:
        raise InputError("there is no indicator '{key}'", key=key)
    definition = DEFINITIONS[key]
    if value is not None:
        if not np.isfinite(value):
            raise InputError("a {kind} must be a number", kind=kind)
        if definition.proportion and not 0 <= value <= 1:
            raise InputError("{value} % is not a share of lots: give 0 to 100", value=round(100 * value, 1))
        if definition.money and not currency:
            raise InputError("say in which currency")
    payload = {
        "key": key,
        "value": None if value is None else repr(float(value)),
        "source": source,
        "currency": currency,
    }
    return _write(store, kind, on, who, payload, at, group_id, token)


def enter_rate(store: Store, rate: ExchangeRate, who: str, at: datetime, token: str = "") -> int:
    """Write an exchange rate of a day and return the entry's number."""
    payload = {
        "from": rate.source_currency,
        "to": rate.target_currency,
        "rate": repr(float(rate.rate)),
        "source": rate.source,
    }
    return _write(store, "exchange_rate", rate.on, who, payload, at, None, token)


def choose_currency(store: Store, currency: str, rates_on: date, who: str, at: datetime, token: str = "") -> int:
    """Write the programme's currency and the day whose rates count."""
    if not is_currency_code(currency):
        raise InputError("'{code}' is not a currency code: give three capital letters (ISO 4217)", code=currency)
    return _write(store, "currency", rates_on, who, {"currency": currency}, at, None, token)


def against_target(key: str, low: float | None, high: float | None, goal: Goal, today: date | None = None) -> str:
    """Return "reached", "not reached", "not due yet" or "cannot tell yet" for a value's 95 % interval and a target.

    Parameters
    ----------
    low, high : float or None
        Interval; None where there is none.
    today : date, optional
        Before the target's day a value that falls short is "not due yet"; without it the target counts as due.
    """
    if low is None or high is None or not np.isfinite([low, high]).all():
        return "cannot tell yet"
    wants_more = DEFINITIONS[key].better == "high"
    if (low >= goal.value) if wants_more else (high <= goal.value):
        return "reached"
    if (high < goal.value) if wants_more else (low > goal.value):
        return "not reached" if today is None or today >= goal.on else "not due yet"
    return "cannot tell yet"


VERDICT_WORDS = {
    "reached": message("target reached"),
    "not reached": message("target not reached"),
    "not due yet": message("not due yet; below the target so far"),
    "cannot tell yet": message("cannot tell yet whether the target is reached"),
}


def goal_words(verdict: str) -> Message:
    """Return a verdict of `against_target` in words."""
    return VERDICT_WORDS[verdict]
