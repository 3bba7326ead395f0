"""Sentences for people, kept as template and values so that the screen can translate them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any


@dataclass(frozen=True)
class Figure:
    """A number of a sentence with the format in which it is written (as of `format`, such as ``".1f"``)."""

    value: float | Decimal
    digits: str

    def __str__(self) -> str:
        """Return the number with English signs."""
        return format(self.value, self.digits)


@dataclass(frozen=True)
class Money:
    """An amount of a sentence with its currency (ISO 4217)."""

    value: float
    currency: str

    def __str__(self) -> str:
        """Return the amount with English signs, in whole units from a hundred on."""
        return f"{self.currency} {self.value:,.{0 if abs(self.value) >= 100 else 2}f}"


@dataclass(frozen=True)
class Message:
    """A sentence as a template and the values that fill it.

    Parameters
    ----------
    template : str
        English text with named places, such as ``"{bags} bags are too wet"``.
    values : mapping
        What fills the places. Numbers, days, `Figure` and `Money` are written the reader's way, other messages are said
        in the reader's language, a tuple is a list of such.
    one, by : str
        The text for one of what the value named `by` counts; empty where nothing is counted.
    """

    template: str
    values: Mapping[str, Any] = field(default_factory=dict)
    one: str = ""
    by: str = ""

    def __str__(self) -> str:
        """Return the English sentence with its values filled in."""
        words = self.one if self.one and self.values.get(self.by) == 1 else self.template
        listed = {name: ", ".join(map(str, value)) for name, value in self.values.items() if isinstance(value, tuple)}
        return words.format(**{**self.values, **listed}) if self.values else words


def message(template: str, **values: Any) -> Message:
    """Return a `Message` from a template and named values."""
    return Message(template, values)


def plural(by: str, one: str, many: str, /, **values: Any) -> Message:
    """Return a `Message` of the form that goes with the value named `by`, a whole number."""
    return Message(many, values, one, by)
