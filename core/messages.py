"""Sentences for people, kept as template and values so that the screen can translate them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True)
class Message:
    """A sentence as a template and the values that fill it.

    Parameters
    ----------
    template : str
        English text with named places, such as ``"{bags} bags are too wet"``.
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
        return words.format(**self.values) if self.values else words


def message(template: str, **values: Any) -> Message:
    """Return a `Message` from a template and named values."""
    return Message(template, values)


def plural(by: str, one: str, many: str, /, **values: Any) -> Message:
    """Return a `Message` of the form that goes with the value named `by`, a whole number."""
    return Message(many, values, one, by)
