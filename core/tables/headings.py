"""Which row of a table holds its headings, over one row or two, and which column means what: a guess to correct."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from itertools import zip_longest

from core.tables.grid import MAX_COLUMNS, Cell, RawTable, letter
from core.tables.words import PART, WHOLE, WordList, matches, plain

SEARCHED_ROWS = 25
_UNITS = re.compile(
    r"[\(\[]?\s*(%|°\s*[cf]|deg\.?\s*[cf]|kg|hh:mm|(yyyy|dd|mm)\W.*|% ?(w|d)\.?b\.?|points?)\s*[\)\]]?", re.I
)


@dataclass(frozen=True, kw_only=True)
class Headings:
    """The heading row or rows of a table.

    Parameters
    ----------
    names : tuple of str
        Headings, made distinct; an empty one is called by its column's letter.
    first_row : int
        Position in `RawTable.rows` of the first row under the headings.
    skipped : tuple of int
        Positions of unit and tag rows under the headings.
    width : int
        Columns up to the last one that has a heading.
    tags : tuple of str
        Tags such as ``#date`` under the headings, "" where there is none.
    """

    names: tuple[str, ...]
    first_row: int
    skipped: tuple[int, ...] = ()
    above: int = 0
    width: int = 0
    tags: tuple[str, ...] = ()

    def name(self, column: int | None, otherwise: str = "") -> str:
        """Return the heading of a column."""
        return self.names[column] if column is not None and column < len(self.names) else otherwise


def known_headings(table: RawTable, words: WordList) -> int:
    """Return how many known headings the best row of a table has."""
    return max((_known(row, words) for row in table.rows[:SEARCHED_ROWS]), default=0)


def _known(row: Sequence[Cell], words: WordList) -> int:
    texts = [cell for cell in row if isinstance(cell, str) and (cell[:1] == "#" or any(map(str.isalpha, cell[:200])))]
    return sum(max(matches(cell, words).values(), default=0) >= PART for cell in texts)


def find_headings(table: RawTable, words: WordList) -> Headings:
    """Return the headings: the row among the first ones with most known words, else the first row that is all text.

    Two rows are taken together where that names more columns, or tells apart columns of one name.
    """
    best, best_score = 0, -1.0
    for position, row in enumerate(table.rows[:SEARCHED_ROWS]):
        texts = [cell for cell in row if isinstance(cell, str) and any(map(str.isalpha, cell[:200]))]
        tagged = sum(text.lstrip().startswith("#") for text in texts) > len(texts) / 2
        filled = sum(cell is not None for cell in row)
        score = (0 if tagged else _known(row, words) * 3) + (len(texts) / filled if filled > 1 else 0) - 0.05 * position
        if score > best_score + 1e-9:
            best, best_score = position, score
    first, cells = _one_or_two_rows(table, best, words)
    skipped, tags = _under(table, first)
    return Headings(
        names=_distinct(cells, max(len(row) for row in table.rows[best:])),
        first_row=first,
        skipped=skipped,
        above=best,
        width=max(at + 1 for at, cell in enumerate(cells) if cell is not None),
        tags=tags,
    )


def _one_or_two_rows(table: RawTable, best: int, words: WordList) -> tuple[int, list[Cell]]:
    """Return where the rows under the headings begin, and the headings, over two rows where that helps."""
    chosen = (best + 1, list(table.rows[best]))
    known, distinct = _known(chosen[1], words), len({plain(cell) for cell in chosen[1] if cell is not None})
    for top in (best - 1, best):
        if top < 0 or top + 1 >= len(table.rows) or table.numbers[top + 1] != table.numbers[top] + 1:
            continue
        upper, lower = table.rows[top], table.rows[top + 1]
        if not all(cell is None or (isinstance(cell, str) and not cell[:1].isdigit()) for cell in (*upper, *lower)):
            continue
        if any(isinstance(cell, str) and cell.startswith("#") for cell in lower):
            continue
        if top == best and len({plain(cell) for cell in lower}) == 1 and len(lower) > 1:
            continue
        cells = _together(upper, lower)
        more, apart = _known(cells, words), len({plain(cell) for cell in cells if cell is not None})
        if more > known or (more == known and apart > distinct and top < best):
            chosen, known, distinct = (top + 2, cells), more, apart
    return chosen


def _together(upper: Sequence[Cell], lower: Sequence[Cell]) -> list[Cell]:
    """Return headings over two rows; the upper one reaches over the empty cells to its right, as merged cells do."""
    cells: list[Cell] = []
    reach: Cell = None
    for top, bottom in zip_longest(upper, lower):
        reach = top if top is not None else reach
        over = top if top is not None or bottom is None else reach
        parts = [str(part) for part in (over, bottom) if part is not None]
        cells.append(" ".join(parts) or None)
    return cells


def _distinct(cells: Sequence[Cell], width: int) -> tuple[str, ...]:
    names: list[str] = []
    taken: set[str] = set()
    for column in range(min(max(width, len(cells)), MAX_COLUMNS)):
        cell = cells[column] if column < len(cells) else None
        name = " ".join(str(cell)[:200].split()) if cell is not None else f"({letter(column)})"
        name = name if name not in taken else f"{name} ({letter(column)})"
        taken.add(name)
        names.append(name)
    return tuple(names)


def _under(table: RawTable, first: int) -> tuple[tuple[int, ...], tuple[str, ...]]:
    """Return the positions of unit and tag rows right under the headings, and the tags."""
    skipped: list[int] = []
    tags: tuple[str, ...] = ()
    for position in range(first, min(first + 2, len(table.rows))):
        row = table.rows[position]
        texts = [str(cell)[:200] for cell in row if cell is not None]
        tagged = sum(text.startswith("#") for text in texts) > len(texts) / 2
        if tagged:
            tags = tuple("" if cell is None else str(cell).replace(" ", "")[:200] for cell in row)
        if tagged or (texts and all(_UNITS.fullmatch(text) for text in texts)):
            skipped.append(position)
    return tuple(skipped), tags


def guess_columns(
    headings: Headings | Sequence[str],
    words: WordList,
    fields: Sequence[str],
    strong: Collection[str] = (),
    fits: Callable[[str, int], bool] | None = None,
) -> dict[str, int]:
    """Return the column for each meaning that was recognised.

    Parameters
    ----------
    strong : collection of str
        Meanings that win where a heading names several in part.
    fits : callable, optional
        Whether the cells of a column can be of a meaning: asked where only a part of its heading is known.
    """
    tags: Sequence[str] = headings.tags if isinstance(headings, Headings) else ()
    names = headings.names if isinstance(headings, Headings) else headings
    offers: list[tuple[int, int, str]] = []
    for column, name in enumerate(names):
        scores = matches(name, words, strong)
        if column < len(tags) and tags[column]:
            for meaning, score in matches(tags[column], words, strong).items():
                scores[meaning] = max(scores.get(meaning, 0), score)
        for meaning, score in scores.items():
            if meaning in fields and (score >= WHOLE or fits is None or fits(meaning, column)):
                offers.append((score, -column, meaning))
    found: dict[str, int] = {}
    taken: set[int] = set()
    for _score, column, meaning in sorted(offers, reverse=True):
        if meaning not in found and -column not in taken:
            found[meaning] = -column
            taken.add(-column)
    return {meaning: found[meaning] for meaning in fields if meaning in found}


def heading_key(group_id: int, names: Sequence[str]) -> str:
    """Return the key under which the mapping of a table with these headings is remembered."""
    text = "|".join(plain(name) for name in names)
    return f"{group_id}:{hashlib.sha256(text.encode()).hexdigest()[:24]}"


def unused_columns(headings: Headings, table: RawTable, columns: Mapping[str, int]) -> tuple[str, ...]:
    """Return the headings of columns that hold something and mean nothing here."""
    used = set(columns.values())
    filled = {at for row in table.rows[headings.first_row :] for at, cell in enumerate(row) if cell is not None}
    return tuple(headings.names[at] for at in sorted(filled - used) if at < len(headings.names))
