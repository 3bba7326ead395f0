"""A group's situation: read once and checked against itself; every page, sheet, calendar and message speaks from it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from core.advice.checks import contradictions
from core.advice.making import Choices, Keep
from core.advice.read import Reading, content_key
from core.given import check_kind
from core.group.store import Store
from core.messages import Message


@dataclass(frozen=True, eq=False)
class Situation(Reading):
    """A reading that can be checked against itself."""

    def contradictions(self) -> list[Message]:
        """Return where the situation contradicts itself or says something unsafe; empty = one voice."""
        return contradictions(self)


def situation(
    store: Any, group_id: int, now: datetime, choices: Choices | None = None, keep: Keep | None = None
) -> Situation:
    """Return a group's situation at one moment.

    Parameters
    ----------
    keep : callable, optional
        ``keep(key, make)`` returns what is kept under a key, made where it is not: the same records, weather, day and
        choices then give the same situation without working it out again.
    """
    check_kind("store", store, Store)
    check_kind("now", now, datetime)
    made = choices or Choices()
    if keep is None:
        store.group(group_id)
        return Situation(store, group_id, now, made)
    key = ("situation", *content_key(store, group_id, now), made)
    found: Situation = keep(key, lambda: Situation(store, group_id, now, made, keep=keep))
    return found
