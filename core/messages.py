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
    """

    template: str
    values: Mapping[str, Any] = field(default_factory=dict)

    def __str__(self) -> str:
        """Return the English sentence with its values filled in."""
        return self.template.format(**self.values) if self.values else self.template


def message(template: str, **values: Any) -> Message:
    """Return a `Message` from a template and named values."""
    return Message(template, values)
