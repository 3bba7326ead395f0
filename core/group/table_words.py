"""Words over the columns of a group's tables, by kind of table: tests, members, and the books of pool and meter."""

from __future__ import annotations

from functools import cache
from importlib.resources import files

from core.tables.words import WordList, word_list


@cache
def heading_words(section: str) -> WordList:
    """Return the words of ``"tests"``, ``"members"`` or ``"book"``."""
    return word_list((files("core.group") / "headings.toml").read_text(encoding="utf-8"), section)
