"""Entries of a book, each kind described once: what is asked, written, said, and looked at twice.

With what the books of money share: the scene that their forms rest on, and its fields.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

import streamlit as st

from core.accounts.book import Book
from core.group.records import Event, Group
from dashboard import state
from dashboard.forms.confirm import confirm_once
from dashboard.forms.fields import Field, draw_fields
from dashboard.money_parts import coins, place_words
from dashboard.text import _, day

Values = Mapping[str, Any]
FieldOrRule = Field | Callable[[Values], Field | None]


MUCH_MORE = 10
"""Times what is owed from which a payment is asked about as a slip of the pen; basis: judgement."""


def _no_cautions(values: Values) -> Sequence[str]:
    return ()


def _as_asked(values: Values) -> Mapping[str, Any]:
    return {name: value for name, value in values.items() if name != "on"}


@dataclass(frozen=True)
class EntryForm:
    """One kind of entry.

    Parameters
    ----------
    payload : function of the values, optional
        The entry's particulars as the book keeps them; else the values by the names of the fields.
    cautions : function of the values
        What should be looked at twice before.
    dated : bool
        Whether the day is asked for; else it is today.
    note : str
        Said above the fields.
    """

    fields: tuple[FieldOrRule, ...]
    sentence: Callable[[Values], str]
    payload: Callable[[Values], Mapping[str, Any]] = _as_asked
    cautions: Callable[[Values], Sequence[str]] = _no_cautions
    dated: bool = True
    note: str = ""


@dataclass(frozen=True)
class Scene:
    """What the forms of a book of money rest on: the group, the book's entries, the smallest coin."""

    group: Group
    events: Sequence[Event]
    step: Decimal

    @property
    def currency(self) -> str:
        """Return the group's currency."""
        return self.group.currency

    def label(self, member: Any) -> str:
        """Return a member by name and number."""
        raise NotImplementedError

    def coins(self, value: Decimal) -> str:
        """Return money in words."""
        return coins(value, self.currency)

    def fill(self, words: str, values: Values, **more: object) -> str:
        """Return a sentence with a form's values as people say them; `more` goes before the values."""
        said = dict(values)
        for name in {"amount", "principal", "interest"} & set(values):
            said[name] = self.coins(values[name])
        if "member" in values:
            said["member"] = self.label(values["member"])
        if "money" in values:
            said["place"] = place_words(values["money"])
        return words.format(**{**said, **more})

    def money_field(
        self, label: str = "", name: str = "amount", value: Decimal | float | None = None, low: Any = None
    ) -> Field:
        """Return a field for an amount of money in whole coins, above 0 where nothing else is said."""
        least, follows = self.step if low is None else low, ("member", "buyer", "loan")
        return Field(
            name,
            label or _("Amount"),
            "money",
            unit=self.currency,
            low=least,
            step=self.step,
            value=value,
            follows=follows,
        )

    def beyond(self, amount: Decimal, owed: Decimal | None, words: str) -> list[str]:
        """Return what to ask about an amount that is more than is owed; `words` where no digit seems too many."""
        due = owed or Decimal(0)
        if amount <= due:
            return []
        if due and amount >= MUCH_MORE * due:
            words = _("This is {times} times what is owed ({owed}). Is a digit too many?")
        return [words.format(times=int(amount // due) if due else "", owed=self.coins(due))]


def reference_field() -> Field:
    """Return the field for a receipt or mobile-money reference."""
    return Field("reference", _("Reference (mobile money, receipt)"), required=False)


Recorder = Callable[[str, date, Mapping[str, Any], str], str | None]
"""Writes (kind, day, particulars, token) into the book and returns what to say; raises our own errors."""


def record_entry(form: str, kind: str, entry: EntryForm, events: Sequence[Event], write: Recorder) -> None:
    """Draw one kind of entry and record what is confirmed.

    Parameters
    ----------
    events : sequence of Event
        The book as it is: an equal entry in it is asked about.
    """
    if entry.note:
        st.caption(entry.note)
    asked: tuple[FieldOrRule, ...] = entry.fields
    if entry.dated:
        asked = (*asked, Field("on", _("Day"), "day", high=state.today(), value=state.today()))
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
    """Let an entry be cancelled by a counter-entry, with a reason, after a summary."""
    if not choices:
        return
    st.caption(_("Nothing is deleted: a wrong entry is cancelled, and both stay readable."))
    filled = draw_fields(
        form,
        (
            Field("entry", _("Entry to cancel"), "choice", options=choices, wide=True),
            Field("reason", _("Reason (it stays in the book)"), wide=True),
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
