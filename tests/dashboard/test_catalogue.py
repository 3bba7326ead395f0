"""Every catalogue is whole, keeps the places and the marks of the English texts, and holds to its own list of terms."""

from __future__ import annotations

import ast
import re
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import pytest
from babel.messages.catalog import Catalog, Message
from babel.messages.pofile import read_po

from core.planning.rolling import DRY
from core.reports.tongue import Tongue
from dashboard import text
from dashboard.catalogue import LOCALE_FOLDER, ROOT, faults, texts

LANGUAGES = sorted(path.parent.name for path in LOCALE_FOLDER.glob("*/dryhold.po"))
PLACE = re.compile(r"\{[^{}]*\}")
MARKS = {"bold": r"\*\*", "code": r"`", "line break": r"<br>", "new line": r"\n"}
needs_catalogue = pytest.mark.skipif(not LANGUAGES, reason="no catalogue is there yet")
each_language = pytest.mark.parametrize("language", LANGUAGES)


@lru_cache(maxsize=8)
def catalogue(language: str) -> Catalog:
    with (LOCALE_FOLDER / language / "dryhold.po").open("rb") as handle:
        return read_po(handle, locale=language)


def forms(text: str | tuple[str, ...] | list[str]) -> list[str]:
    return [text] if isinstance(text, str) else list(text)


def entries(language: str) -> list[Message]:
    return [entry for entry in catalogue(language) if entry.id]


@needs_catalogue
@each_language
def test_no_text_is_missing_and_no_place_is_lost(language):
    assert faults(language) == []


@needs_catalogue
@each_language
def test_every_entry_is_said_in_every_form_and_none_is_unsure(language):
    made = catalogue(language)
    unsure = [entry.id for entry in entries(language) if entry.fuzzy]
    short = [
        entry.id
        for entry in entries(language)
        if not all(forms(entry.string)) or len(forms(entry.string)) != (made.num_plurals if entry.pluralizable else 1)
    ]
    assert (unsure, short) == ([], [])


@needs_catalogue
@each_language
def test_places_keep_their_format(language):
    """A place such as ``{value:.0f}`` stays as it is: another format would fail or show other digits."""
    bad = []
    for entry in entries(language):
        known = {place for text in forms(entry.id) for place in PLACE.findall(text)}
        kept = {place for text in forms(entry.string) for place in PLACE.findall(text)}
        if known != kept:
            bad.append((entry.id, sorted(known ^ kept)))
    assert bad == []


@needs_catalogue
@each_language
@pytest.mark.parametrize("mark", MARKS)
def test_marks_are_kept(language, mark):
    """As many bold signs, code signs and breaks as in English."""
    bad = []
    for entry in entries(language):
        wanted = len(re.findall(MARKS[mark], forms(entry.id)[0]))
        bad += [said for said in forms(entry.string) if len(re.findall(MARKS[mark], said)) != wanted]
    assert bad == []


@needs_catalogue
@each_language
def test_a_space_at_either_end_stays(language):
    """Some texts are put behind or before another one."""
    bad = []
    for entry in entries(language):
        english = forms(entry.id)[0]
        for said in forms(entry.string):
            if english.startswith(" ") > said[:1].isspace() or english.endswith(" ") > said[-1:].isspace():
                bad.append(said)
    assert bad == []


@needs_catalogue
@each_language
def test_two_headings_of_a_table_stay_two(language):
    """A row is a dictionary: two English headings that become one word would lose a column."""
    made, bad = catalogue(language), []
    for place, english in headings():
        said = {str(made[text].string) if text in made else text for text in english}
        if len(said) < len(english):
            bad.append((place, sorted(english)))
    assert bad == []


@lru_cache(maxsize=1)
def headings() -> list[tuple[str, frozenset[str]]]:
    """Return the translated keys of every dictionary in the code, with its place."""
    found = []
    for folder in ("core", "dashboard"):
        for path in sorted((ROOT / folder).rglob("*.py")):
            for row in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(row, ast.Dict) and (english := frozenset(filter(None, map(_words, row.keys)))):
                    found.append((f"{path.name}:{row.lineno}", english))
    return found


def _words(node: ast.expr | None) -> str:
    """Return the text of a heading ``_("...")``."""
    called = isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "_" and node.args
    first = node.args[0] if called and isinstance(node, ast.Call) else None
    return first.value if isinstance(first, ast.Constant) and isinstance(first.value, str) else ""


def terms(path: Path) -> list[tuple[str, list[str], str]]:
    """Return an English term, the words for it and their source, row by row; rows in brackets are remarks."""
    rows = [line.split("\t") for line in path.read_text(encoding="utf-8").splitlines()[1:] if line.strip()]
    found = []
    for english, words, source in rows:
        plain = re.sub(r"\([^)]*\)", " ", words)
        found.append((english, [part.strip().casefold() for part in re.split(r"[;/,]", plain) if part.strip()], source))
    return [row for row in found if not row[0].startswith("(")]


@needs_catalogue
@each_language
def test_terms_have_a_source_and_are_used(language):
    """A list of terms that no page uses promises nothing; up to a fifth may stand there in another form of the word."""
    listed = terms(LOCALE_FOLDER / language / "terms.tsv")
    said = "\n".join(text for entry in entries(language) for text in forms(entry.string)).casefold()
    unused = [english for english, words, _source in listed if not any(word in said for word in words)]
    assert len(listed) >= 40
    assert [english for english, _words_for_it, source in listed if not source.strip()] == []
    assert len(unused) <= len(listed) / 5, unused


@pytest.mark.skipif("fr" not in LANGUAGES, reason="no French catalogue is there yet")
def test_french_signs_do_not_stand_alone_at_a_line_s_beginning():
    """A no-break space comes before : ; ? ! % and inside « »."""
    said = [text for entry in entries("fr") for text in forms(entry.string)]
    assert [text for text in said if re.search(r" [:;?!%»]|« ", text)] == []


ONE_AND_TWO = {
    "en": ("dry 1 bag of lot A on P", "dry 2 bags of lot A on P"),
    "fr": ("sécher 1 sac du lot A sur P", "sécher 2 sacs du lot A sur P"),
    "pt": ("seque 1 saco do lote A em P", "seque 2 sacos do lote A em P"),
    "sw": ("kausha gunia 1 la fungu A kwenye P", "kausha magunia 2 ya fungu A kwenye P"),
}


@pytest.mark.parametrize("language", ONE_AND_TWO)
def test_one_bag_is_said_in_the_singular_and_two_in_the_plural(language):
    """The sentences are written here by hand; Swahili changes the word behind the noun too."""
    step = replace(DRY, values={"bags": 1, "lot": "A", "setup": "P"})
    two = replace(DRY, values={**step.values, "bags": 2})
    tongue = Tongue(language, text._catalogue(language))
    assert (tongue.say(step), tongue.say(two)) == ONE_AND_TWO[language]
    if language == "en":
        assert (str(step), str(two)) == ONE_AND_TWO[language]


def test_a_step_or_a_sheet_that_counts_bags_has_both_forms():
    said = [one for one in texts() if one.file.startswith(("core/reports/", "core/planning/rolling.py"))]
    assert [one.words for one in said if re.search(r"\{\w+\} (bags|lots|trips|loads)\b", one.words)] == []
    assert sum(bool(one.plural) for one in said) >= 12
