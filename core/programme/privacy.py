"""What is personal in a group's records, and how names leave a file without breaking what refers to them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from core.group.records import Member

PRIVACY = ("all", "agreed", "none")
"""Whose names a file holds: everybody's, of those who agreed to be named, nobody's."""
FREE_TEXT = frozenset({"text", "note", "reference", "phone", "condition", "purpose", "reason", "source_note"})
NAMING = frozenset({"name", "payer", "owner", "member", "label", "buyer", "tester", "who", "code"})
SHORTEST_WORD = 4


@dataclass(frozen=True)
class Names:
    """Names that are left out, with what stands in their place.

    `exact` maps whole names to stand-ins ("member 3", "buyer 1"); `words` matches single words of people's names.
    """

    exact: Mapping[str, str] = field(default_factory=dict)
    words: re.Pattern[str] | None = None

    def out_of(self, text: str) -> str:
        """Return a text without the names."""
        if text in self.exact:
            return self.exact[text]
        for name in sorted(self.exact, key=len, reverse=True):
            if len(name) >= SHORTEST_WORD:
                text = text.replace(name, self.exact[name])
        return self.words.sub("…", text) if self.words else text


def names_to_leave_out(
    members: Sequence[Member], testers: Iterable[str], buyers: Iterable[str], writers: Iterable[str], privacy: str
) -> Names:
    """Return the names that a file must not hold.

    Parameters
    ----------
    testers, buyers, writers : iterable of str
        Names in readings, in sales and plans, and of who wrote entries.
    privacy : str
        One of `PRIVACY`; with "agreed", members who agreed keep their names, nobody else does.
    """
    if privacy == "all":
        return Names()
    kept = {member.name for member in members if privacy == "agreed" and member.consent}
    exact = {member.name: f"member {member.id}" for member in members if member.name not in kept}
    for at, buyer in enumerate(sorted({name for name in buyers if name} - kept), start=1):
        exact.setdefault(buyer, f"buyer {at}")
    people = {name for name in (*testers, *writers) if name} - kept
    for name in people:
        exact.setdefault(name, "somebody")
    known = {word for name in kept for word in re.split(r"\W+", name)}
    words = {
        word
        for name in {member.name for member in members} - kept | people
        for word in re.split(r"\W+", name)
        if len(word) >= SHORTEST_WORD and word not in known and word.lower() != "member"
    }
    pattern = re.compile(r"\b(" + "|".join(map(re.escape, sorted(words))) + r")\b", re.IGNORECASE) if words else None
    return Names(exact, pattern)


def without_names(payload: Any, names: Names, key: str = "") -> Any:
    """Return an entry's particulars without names and free text; numbers and codes stay as they are."""
    if isinstance(payload, Mapping):
        return {inner: without_names(value, names, str(inner)) for inner, value in payload.items()}
    if isinstance(payload, list):
        return [without_names(value, names, key) for value in payload]
    if not isinstance(payload, str):
        return payload
    if key in FREE_TEXT:
        return ""
    return names.out_of(payload) if key in NAMING else payload
