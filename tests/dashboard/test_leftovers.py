"""No page shows words that a catalogue cannot translate: all known texts stand between marks, the rest must be data.

The pages are drawn in a pseudo language (see `leftovers`). What is written by people, cited as it is printed, or a unit
is no leftover; `ALLOWED` holds what is left on purpose, each with its reason.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from tests.dashboard import leftovers
from tests.dashboard.pages import APP, open_folds, page_of, pages_with_sections

QUICK = ("check", "members", "deliveries", "payout", "storage_tests", "assumed_values")
"""Sections of the fast run; the slow one draws all."""
ALLOWED = {
    r"English": "a language is named in itself",
    r"- Towns: GeoNames \(geonames\.org\), .*": "a licence is cited as it is printed",
    r"·? *invented example, its calendar moved to begin at harvest": "stored with the example's data",
    r"(office|Office)(: 4)?": "a levy that the example group named",
    r"\w+(/\w+)+": "a file of the tables",
}
PRINTED = {
    "sources": "its table holds the entries of the tables' files, by the names and words in which they are written",
    "validation": "its table holds calls of functions and titles of published checks",
}
"""Sections whose tables are not judged: what they hold is cited, for people who check the figures."""


@pytest.fixture(scope="module")
def catalogue(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of the pseudo language's catalogue, made once."""
    folder = tmp_path_factory.mktemp("locale")
    leftovers.write_catalogue(folder)
    return folder


def left_on(section: str, store: object) -> dict[str, str]:
    """Return what a section shows outside the marks and nobody allowed."""
    app = AppTest.from_file(str(APP), default_timeout=240)
    page = section if section in pages_with_sections() and not pages_with_sections()[section] else page_of(section)
    app.switch_page(f"views/{page}.py")
    app.query_params["lang"] = leftovers.LANGUAGE
    app.query_params["section"] = section
    open_folds(app).run()
    assert not app.exception
    found = leftovers.leftovers(app, [*leftovers.data_words(store), *leftovers.citations()], leftovers.own_words())
    return {
        words: kind
        for words, kind in found.items()
        if not re.fullmatch("|".join(ALLOWED), words)
        and not (section in PRINTED and kind.startswith(("html", "arrow")))
    }


@pytest.mark.parametrize("section", QUICK)
def test_a_section_shows_no_word_outside_the_catalogue(section, catalogue, demo_store, monkeypatch):
    monkeypatch.setattr("dashboard.text.LOCALE_FOLDER", catalogue)
    assert left_on(section, demo_store) == {}


ALL = [section for sections in pages_with_sections().values() for section in sections]


@pytest.mark.slow
@pytest.mark.parametrize("section", [section for section in ALL if section not in QUICK])
def test_every_section_shows_no_word_outside_the_catalogue(section, catalogue, demo_store, monkeypatch):
    monkeypatch.setattr("dashboard.text.LOCALE_FOLDER", catalogue)
    assert left_on(section, demo_store) == {}


def test_the_marks_keep_places_and_find_what_is_outside():
    assert leftovers.marked("Sell {bags} bags at {price:.0f}.") == "¿Sell ¡{bags}¿ bags at ¡{price:.0f}¿.¡"
    said = leftovers.marked("Sell {bags} bags to {buyer}.").format(bags=3, buyer="market")
    assert leftovers.WORD.findall(leftovers.outside(said)) == ["market"]
    assert leftovers.WORD.findall(leftovers.outside(leftovers.marked("Lots and tests"))) == []
