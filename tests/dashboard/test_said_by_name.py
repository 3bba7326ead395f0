"""Texts that are said by a name are followed to where they are written."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from dashboard.catalogue import texts
from dashboard.said_by_name import SaidByName


def found(code: str, **others: str) -> set[str]:
    modules = {Path(f"{name}.py"): ast.parse(source) for name, source in {"home": code, **others}.items()}
    return {words for words, _path, _line in SaidByName(modules).texts()}


@pytest.mark.parametrize(
    "code",
    [
        'def f(key):\n    return _({"a": "one", "b": "two"}[key])',
        'WORDS = {"a": "one", "b": "two"}\ndef f(key):\n    return _(WORDS.get(key, key))',
        'WORDS = {"a": "one", "b": "two"}\ndef f():\n    return {key: _(text) for key, text in WORDS.items()}',
        'def f(wet):\n    words = "one" if wet else "two"\n    return message(words, wet=wet)',
        'def f():\n    for key, words in (("a", "one"), ("b", "two")):\n        _(words)',
        'def f(template):\n    return Message(template)\ndef g():\n    f("one")\n    f(template="two")',
        'KINDS = ("one", "two")\ndef f(kind):\n    return [_(word) for word in KINDS]',
    ],
)
def test_a_name_is_followed_to_what_it_holds(code):
    assert found(code) == {"one", "two"}


def test_a_table_of_another_module_is_the_one_imported():
    home = "from there import WORDS\ndef f(key):\n    return _(WORDS[key])"
    assert found(home, there='WORDS = {"a": "one"}', elsewhere='WORDS = {"a": "not this"}') == {"one"}


def test_what_is_no_text_is_not_taken():
    assert found('def f(key):\n    key = "a"\n    return table[key], _("said here")') == set()
    assert found('def f(key):\n    return _(key.replace("_", " "))\nf("kept_back")') == {"kept back"}


def test_the_project_s_own_are_in_the_catalogue():
    said = {text.words for text in texts()}
    assert "borrow {amount} on the grain in store" in said  # a template that a loop fills
    assert "Least complaint" in said  # a table of rules
    assert "Lots tested before bagging" in said  # an indicator's label
    assert {"cob", "panicle", "threshed"} <= said  # the forms of a lot
