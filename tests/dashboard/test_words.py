"""One word for one concept: no text says what `dashboard/words.toml` avoids."""

from __future__ import annotations

import ast
import re
import tomllib
from collections import Counter
from functools import lru_cache

from dashboard.catalogue import ROOT, Text, texts


@lru_cache(maxsize=1)
def avoided() -> dict[str, re.Pattern[str]]:
    kept = tomllib.loads((ROOT / "dashboard" / "words.toml").read_text(encoding="utf-8"))
    return {
        concept: re.compile("|".join(f"(?:{pattern})" for pattern in entry["avoid"]), re.IGNORECASE)
        for concept, entry in kept.items()
    }


def offenders(found: list[Text]) -> list[tuple[Text, str]]:
    return [
        (text, concept)
        for text in found
        for concept, pattern in avoided().items()
        if pattern.search(text.words) or (text.plural and pattern.search(text.plural))
    ]


def test_the_list_is_whole_and_its_patterns_find_what_they_should():
    kept = tomllib.loads((ROOT / "dashboard" / "words.toml").read_text(encoding="utf-8"))
    assert all(entry["keep"] and entry["avoid"] for entry in kept.values())
    for words in (
        "Mouldy grain is not eaten",
        "Comes to him or her",
        "8 of 10 weathers dry it",
        "Bring in a table",
        "Taken back by a counter-entry.",
        "Cost of money, % a month",
        "What the buyer takes off",
    ):
        assert offenders([Text(words, "", "x", 1)]), words
    for words in ("Do not eat mouldy grain.", "Save", "Download this table (CSV)", "possible weather", "the other lot"):
        assert not offenders([Text(words, "", "x", 1)]), words


def test_texts_are_found_in_code_and_tables():
    found = texts()
    files = Counter(text.file.split("/")[0] + "/" + text.file.split("/")[1] for text in found)
    assert files["dashboard/sections"] > 500
    assert files["core/weather"] > 20
    assert any(text.file == "core/cautions.toml" for text in found)
    assert any(text.plural for text in found)


def test_every_text_uses_the_words_that_are_kept():
    assert not [(text.file, text.line, concept, text.words) for text, concept in offenders(texts())]


def test_no_text_on_the_screen_is_outside_the_catalogue():
    """Words given straight to a widget cannot be translated."""
    shows = {
        *("title", "header", "subheader", "markdown", "caption", "info", "warning", "error", "success", "button"),
        *("checkbox", "radio", "selectbox", "multiselect", "slider", "number_input", "text_input", "date_input"),
        *("expander", "metric", "toggle", "download_button", "form_submit_button", "text_area", "file_uploader"),
    }
    bad = []
    for path in (ROOT / "dashboard").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            named = isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in shows
            words = node.args[0].value if named and node.args and isinstance(node.args[0], ast.Constant) else ""
            if isinstance(words, str) and re.search(r"[A-Za-z]{3}", words):
                bad.append((path.name, node.lineno, words))
    assert not bad


def test_faults_of_a_catalogue_are_found(tmp_path, monkeypatch):
    from babel.messages.pofile import write_po

    import dashboard.catalogue as catalogue

    made = catalogue.template()
    for entry in made:
        if entry.id:
            entry.string = entry.id if isinstance(entry.id, str) else tuple(entry.id)
    whole = [entry for entry in made if isinstance(entry.id, str) and "{" in entry.id][:3]
    whole[0].string = ""
    whole[1].flags.add("fuzzy")
    whole[2].string = "no place left"
    (tmp_path / "sw").mkdir()  # two forms, as in the template: newer tables of locales give French three
    with (tmp_path / "sw" / "dryhold.po").open("wb") as handle:
        write_po(handle, made)
    monkeypatch.setattr(catalogue, "LOCALE_FOLDER", tmp_path)
    found = catalogue.faults("sw")
    assert sorted(line.split(":")[0] for line in found) == ["missing", "places differ", "unsure"]
