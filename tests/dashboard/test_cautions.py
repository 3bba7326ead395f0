"""Every caution that a page or a sheet asks for exists."""

from __future__ import annotations

import ast

from core.cautions import caution_texts
from tests.test_structure import ROOT


def asked() -> set[str]:
    """Return the kinds of caution that the dashboard and the reports name as plain words."""
    kinds = set()
    for folder in ("dashboard", "core"):
        for path in (ROOT / folder).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                name = getattr(node, "func", None)
                if isinstance(node, ast.Call) and getattr(name, "attr", getattr(name, "id", "")) in {
                    "caution",
                    "caution_of",
                }:
                    kinds |= {arg.value for arg in node.args if isinstance(arg, ast.Constant)}
    return kinds


def test_every_caution_that_is_asked_for_exists():
    assert asked() - set(caution_texts()) == set()
    assert {"mould", "chemicals", "money", "meter", "advice", "personal"} <= asked()
