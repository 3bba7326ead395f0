"""Which column of a table means what: a guess that the user corrects, remembered for the next file."""

from __future__ import annotations

import hashlib
import re
import tomllib
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib.resources import files

from core.tables.files import Cell, RawTable

FIELDS = (
    "lot",
    "bag",
    "date",
    "time",
    "temperature",
    "humidity",
    "moisture",
    "tester",
    "settled",
    "commodity",
    "owner",
    "bags",
    "bag_mass",
    "variety",
    "place",
    "form",
    "note",
)
HEADING_SEARCH_ROWS = 25
_UNITS = re.compile(
    r"^[\(\[]?\s*(%|°\s*[cf]|deg\.?\s*[cf]|kg|hh:mm|(yyyy|dd|mm)\W.*|% ?(w|d)\.?b\.?|points?)\s*[\)\]]?$", re.I
)


@dataclass(frozen=True, kw_only=True)
class Headings:
    """The heading row of a table.

    Parameters
    ----------
    names : tuple of str
        Headings, made distinct; an empty one is called by its column's letter.
    first_row : int
        Position in `RawTable.rows` of the first row under the headings.
    skipped : tuple of int
        Positions of unit and tag rows under the headings.
    """

    names: tuple[str, ...]
    first_row: int
    skipped: tuple[int, ...] = ()


@cache
def heading_words() -> Mapping[str, tuple[str, ...]]:
    """Return the words for each meaning, brought to plain letters."""
    table = tomllib.loads((files("core.group") / "headings.toml").read_text(encoding="utf-8"))
    return {field: tuple(plain(word) for word in entry["words"]) for field, entry in table.items()}


@lru_cache(maxsize=8192)
def plain(text: object) -> str:
    """Return text without capitals, accents, signs and doubled spaces."""
    decomposed = unicodedata.normalize("NFKD", str(text)).casefold()
    letters = "".join(letter for letter in decomposed if not unicodedata.combining(letter))
    return " ".join(re.sub(r"[^\w]+|_", " ", letters).split())


def last_part(heading: object) -> str:
    """Return the last part of a heading of a phone survey, such as ``test/bag/moisture`` or ``test-moisture``."""
    text = str(heading).strip()
    return re.split(r"[/:]|(?<=\w)\.(?=\w)", text)[-1] if "/" in text or ":" in text or "." in text else text


def find_headings(table: RawTable) -> Headings:
    """Return the headings: the row among the first ones with most known words, else the first row that is all text."""
    best, best_score = 0, -1.0
    for position, row in enumerate(table.rows[:HEADING_SEARCH_ROWS]):
        texts = [cell for cell in row if isinstance(cell, str) and any(letter.isalpha() for letter in cell)]
        filled = sum(cell is not None for cell in row)
        known = sum(_match(cell)[1] >= 60 for cell in texts)
        score = known * 3 + (len(texts) / filled if filled > 1 else 0) - 0.05 * position
        if score > best_score + 1e-9:
            best, best_score = position, score
    width = max(len(row) for row in table.rows[best:])
    names: list[str] = []
    for column in range(width):
        cell = table.rows[best][column] if column < len(table.rows[best]) else None
        name = str(cell) if cell is not None else f"({_letter(column)})"
        names.append(name if name not in names else f"{name} ({_letter(column)})")
    skipped = []
    for position in range(best + 1, min(best + 3, len(table.rows))):
        texts = [str(cell) for cell in table.rows[position] if cell is not None]
        if texts and (all(text.startswith("#") for text in texts) or all(_UNITS.match(text) for text in texts)):
            skipped.append(position)
    return Headings(names=tuple(names), first_row=best + 1, skipped=tuple(skipped))


def _letter(column: int) -> str:
    name = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        name = chr(65 + rest) + name
    return name


def guess_columns(names: Sequence[str], rows: Sequence[Sequence[Cell]] = ()) -> dict[str, int]:
    """Return the column for each meaning that was recognised.

    Parameters
    ----------
    names : sequence of str
        Headings.
    rows : sequence of rows, optional
        First rows, for words that mean moisture or humidity: what lies above 40 % in the middle is humidity.
    """
    offers: list[tuple[int, int, str]] = []
    for column, name in enumerate(names):
        field, score = _match(name)
        if field == "either":
            field = "humidity" if _middle(rows, column) > 40 else "moisture"
        if score:
            offers.append((score, -column, field))
    found: dict[str, int] = {}
    for _score, column, field in sorted(offers, reverse=True):
        if field not in found and -column not in found.values():
            found[field] = -column
    return dict(sorted(found.items(), key=lambda item: FIELDS.index(item[0])))


def _match(heading: object) -> tuple[str, int]:
    """Return the meaning of a heading and how good the match is: 100 for a whole word, 60 and more for a part."""
    best = ("", 0)
    whole = plain(_without_units(str(heading)))
    survey = str(heading).lstrip().startswith("_")
    for text, bonus in ((whole, 1), (plain(_without_units(last_part(heading))), 0)):
        if not text:
            continue
        for field, words in heading_words().items():
            for word in words:
                if text == word:
                    score = 100 + len(word) + bonus
                elif len(word) > 2 and re.search(rf"\b{re.escape(word)}\b", text):
                    score = 60 + min(len(word), 30)
                else:
                    continue
                # The service columns of survey forms only stand in where the form itself asked nothing.
                score -= 40 if survey or text == "start" else 0
                if score > best[1]:
                    best = (field, score)
    return best


def _without_units(heading: str) -> str:
    return re.sub(r"[\(\[][^\)\]]*[\)\]]|%|°\s*[CF]\b", " ", heading)


def _middle(rows: Sequence[Sequence[Cell]], column: int) -> float:
    from core.tables.cells import number_or_none

    values = sorted(value for row in rows if column < len(row) and (value := number_or_none(row[column])) is not None)
    return values[len(values) // 2] if values else 0.0


def heading_key(group_id: int, names: Sequence[str]) -> str:
    """Return the key under which the mapping of a table with these headings is remembered."""
    text = "|".join(plain(name) for name in names)
    return f"{group_id}:{hashlib.sha256(text.encode()).hexdigest()[:24]}"
