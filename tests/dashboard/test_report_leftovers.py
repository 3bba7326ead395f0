"""The printed sheets, the calendar, the workbook and the phone messages say nothing outside the catalogue."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import fields, is_dataclass
from pathlib import Path

import pytest

from core.advice import situation
from core.reports.calendar import plan_calendar
from core.reports.paper import Paper, Season
from core.reports.sheets import log_sheet, member_sheets, treasurer_sheet, wall_sheet, wall_table
from core.reports.texts import phone_texts
from core.reports.tongue import Tongue
from core.reports.workbook import plan_tables
from core.storage.keeping import keeping_table
from tests.advice.groups import NOW, Heap, small_group
from tests.dashboard import leftovers


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory):
    """Return a small group's situation and the words of its people."""
    heaps = (Heap("maize", 12, (18.4, 18.0, 18.9, 18.2)), Heap("maize", 9, (12.0, 11.9, 12.1, 12.0, 11.8)))
    store = small_group(f"sqlite:///{tmp_path_factory.mktemp('reports') / 'small.sqlite3'}", heaps)
    yield situation(store, store.groups()[0].id, NOW), leftovers.data_words(store)
    store.engine.dispose()


@pytest.fixture(scope="module")
def tongue(tmp_path_factory: pytest.TempPathFactory) -> Tongue:
    """Return the pseudo language."""
    folder: Path = tmp_path_factory.mktemp("locale")
    leftovers.write_catalogue(folder)
    return Tongue(leftovers.LANGUAGE, leftovers.pseudo_catalogue(folder))


def of_paper(paper: Paper) -> list[str]:
    """Return every text that stands in a sheet, whatever part it is in."""

    def texts(part: object) -> list[str]:
        if isinstance(part, str):
            return [part]
        if is_dataclass(part):
            return [
                text for field in fields(part) if field.name not in CODES for text in texts(getattr(part, field.name))
            ]
        return [text for one in part for text in texts(one)] if isinstance(part, tuple | list) else []

    legends = [text for block in paper.blocks if isinstance(block, Season) for _kind, text in block.legend]
    return [*texts(paper), *legends]


def of_calendar(now, tongue: Tongue) -> list[str]:
    lines = re.sub(r"\r?\n[ \t]", "", plan_calendar(now, tongue).decode("utf-8")).splitlines()
    shown = ("SUMMARY", "DESCRIPTION", "X-WR-CALNAME")
    return [line.partition(":")[2].replace("\\n", " ").replace("\\", "") for line in lines if line.startswith(shown)]


def of_tables(now, tongue: Tongue) -> list[str]:
    """Return the sentences of the workbook; its headings and other columns are codes, the same in every language."""
    tables = plan_tables(now, tongue)
    columns = [frame[name] for frame in tables.values() for name in frame.columns if str(name) in SENTENCES]
    return [str(cell) for column in columns for cell in column]


# what a part is by, not what it says
CODES = ("language", "kind", "legend")
SENTENCES = ("why", "what", "who", "step")
REPORTS: dict[str, Callable[..., list[str]]] = {
    "wall sheet": lambda now, tongue: of_paper(wall_sheet(now, tongue)),
    "members' sheets": lambda now, tongue: of_paper(member_sheets(now, tongue)),
    "treasurer's statement": lambda now, tongue: of_paper(treasurer_sheet(now, tongue)),
    "wall table": lambda now, tongue: of_paper(wall_table(keeping_table("maize", 30.0), "", None, tongue)),
    "test notes": lambda now, tongue: of_paper(log_sheet("", now.today, tongue=tongue)),
    "calendar": of_calendar,
    "workbook": of_tables,
    "phone messages": lambda now, tongue: [text.words for text in phone_texts(now, tongue)],
}


@pytest.mark.parametrize("name", REPORTS)
def test_a_report_says_nothing_outside_the_catalogue(name, made, tongue):
    now, data = made
    words = REPORTS[name](now, tongue)
    assert any(leftovers.OPEN in text for text in words)
    # the market day is a code of the settings
    assert (
        leftovers.left(words, ["monday", *data, *leftovers.citations(), now.group.currency], leftovers.own_words())
        == []
    )
