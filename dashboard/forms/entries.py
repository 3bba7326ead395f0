"""Entries of a book, each kind described once: what is asked, written, said, and looked at twice."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import streamlit as st

from core.accounts.book import Book
from core.group.records import Event
from dashboard import state
from dashboard.forms.confirm import confirm_once
from dashboard.forms.fields import Field, draw_fields
from dashboard.text import _, day

Values = Mapping[str, Any]
FieldOrRule = Field | Callable[[Values], Field | None]


def _no_cautions(values: Values) -> Sequence[str]:
    return ()


@dataclass(frozen=True)
class EntryForm:
    """One kind of entry.

    Parameters
    ----------
    fields : tuple of Field, or of functions of the values so far that give one
        What is asked, the day left out.
    payload : function of the values
        The entry's particulars as the book keeps them.
    sentence : function of the values
        What will be recorded, in one sentence.
    cautions : function of the values
        What should be looked at twice before.
    dated : bool
        Whether the day is asked for; else it is today.
    note : str
        Said above the fields.
    """

    fields: tuple[FieldOrRule, ...]
    payload: Callable[[Values], Mapping[str, Any]]
    sentence: Callable[[Values], str]
    cautions: Callable[[Values], Sequence[str]] = _no_cautions
    dated: bool = True
    note: str = ""


Recorder = Callable[[str, date, Mapping[str, Any], str], str | None]
"""Writes (kind, day, particulars, token) into the book and returns what to say; raises our own errors."""


def record_entry(form: str, kind: str, entry: EntryForm, events: Sequence[Event], write: Recorder) -> None:
    """Draw one kind of entry and record what is confirmed.

    Parameters
    ----------
    form : str
        The form's name, one on a page.
    kind : str
        Of the entry.
    entry : EntryForm
    events : sequence of Event
        The book as it is: an equal entry in it is asked about.
    write : Recorder
    """
    if entry.note:
        st.caption(entry.note)
    asked: tuple[FieldOrRule, ...] = entry.fields
    if entry.dated:
        asked = (*asked, Field(name="on", label=_("Day"), kind="day", high=state.today(), value=state.today()))
    filled = draw_fields(form, asked)

    def day_of(values: Values) -> date:
        return values["on"] if entry.dated else state.today()

    def cautions(values: Values) -> list[str]:
        found = list(entry.cautions(values))
        same = like(events, kind, day_of(values), entry.payload(values))
        if same is not None:
            found.append(
                _("The same entry is in the book already: entry {number}, by {who}. Record it again?").format(
                    number=same.id, who=same.who
                )
            )
        return found

    confirm_once(
        form,
        filled,
        lambda values: _("{what} ({day}).").format(what=entry.sentence(values).rstrip("."), day=day(day_of(values))),
        lambda values, token: write(kind, day_of(values), entry.payload(values), token),
        cautions,
        seen=last_number(events),
    )


def like(events: Sequence[Event], kind: str, on: date, payload: Mapping[str, Any]) -> Event | None:
    """Return the newest entry that stands in a book and is the same in kind, day and particulars."""
    plain = {key: str(value) for key, value in payload.items()}
    for event in reversed(Book(events).standing(kind)):
        if event.on == on and {key: str(event.payload.get(key)) for key in plain} == plain:
            return event
    return None


def last_number(events: Sequence[Event]) -> int:
    """Return the number of a book's last entry, 0 for an empty one."""
    return max((event.id for event in events), default=0)


def cancel_entry(
    form: str, choices: Mapping[int, str], write: Callable[[int, str, str], str | None], seen: object = ""
) -> None:
    """Let an entry be cancelled by a counter-entry, with a reason, after a summary.

    Parameters
    ----------
    form : str
        The form's name.
    choices : mapping of number to words
        Entries that can be cancelled, each with whom and how much.
    write : function of number, reason and token
    seen : object
        As for `confirm_once`.
    """
    if not choices:
        return
    st.caption(_("Nothing is deleted: a wrong entry is cancelled, and both stay readable."))
    filled = draw_fields(
        form,
        (
            Field(name="entry", label=_("Entry to cancel"), kind="choice", options=choices, wide=True),
            Field(name="reason", label=_("Reason (it stays in the book)"), wide=True),
        ),
    )
    confirm_once(
        form,
        filled,
        lambda values: _("Cancel this entry: {entry}. Reason: {reason}").format(
            entry=choices.get(values["entry"], values["entry"]), reason=values["reason"]
        ),
        lambda values, token: write(values["entry"], values["reason"], token),
        seen=seen,
        button=_("Cancel entry"),
    )
