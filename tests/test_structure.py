"""The house's rules: imports go down, core knows no screen, data carries its source, docs name every page."""

from __future__ import annotations

import ast
import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
FLOORS = {
    "grain": 1, "weather": 1, "market": 1, "accounts": 1,
    "group": 2, "planning": 3, "meter": 4, "pool": 4, "programme": 5, "reports": 6,
}  # fmt: skip
CORE_FILES = sorted((ROOT / "core").rglob("*.py"))


def imported_modules(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
            found.update(f"{node.module}.{alias.name}" for alias in node.names)
    return found


@pytest.mark.parametrize("path", CORE_FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_core_never_imports_the_screen(path):
    heads = {name.split(".")[0] for name in imported_modules(path)}
    assert not heads & {"streamlit", "plotly", "dashboard", "demo_data", "tests"}


@pytest.mark.parametrize("path", CORE_FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_imports_go_down(path):
    parts = path.relative_to(ROOT / "core").parts
    room = parts[0]
    if room not in FLOORS:
        return
    for name in imported_modules(path):
        pieces = name.split(".")
        if pieces[0] == "core" and len(pieces) > 1 and pieces[1] in FLOORS and pieces[1] != room:
            assert FLOORS[pieces[1]] < FLOORS[room], f"{room} imports {name}"


def test_every_datum_has_source_and_basis():
    bases = {"published", "practice", "memory", "judgement"}

    def tables(node, trail):
        if isinstance(node, dict):
            if "value" in node or "basis" in node:
                yield trail, node
            for key, child in node.items():
                yield from tables(child, f"{trail}.{key}")
        elif isinstance(node, list):
            for index, child in enumerate(node):
                yield from tables(child, f"{trail}[{index}]")

    seen = 0
    for path in sorted((ROOT / "core").rglob("*.toml")):
        for trail, table in tables(tomllib.loads(path.read_text(encoding="utf-8")), path.name):
            seen += 1
            assert str(table.get("source", "")).strip(), f"{trail} has no source"
            assert table.get("basis") in bases, f"{trail} has no basis"
    assert seen > 50


def test_every_page_file_is_in_the_menu():
    menu = (ROOT / "dashboard" / "app.py").read_text(encoding="utf-8")
    for path in (ROOT / "dashboard" / "views").glob("*.py"):
        if path.stem != "__init__":
            assert f'"{path.stem}"' in menu


def test_every_page_is_in_the_contributors_guide():
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for path in (ROOT / "dashboard" / "views").glob("*.py"):
        if path.stem != "__init__":
            assert f"`{path.stem}`" in guide, f"DEVELOPERS.md does not name the page {path.stem}"


def test_no_path_of_a_machine_in_the_tree():
    pattern = re.compile(r"/(work|root|home|opt)/[A-Za-z]")
    for path in ROOT.rglob("*"):
        if path.suffix in {".py", ".md", ".toml"} and not {".venv", "wheels", ".git"} & set(
            path.relative_to(ROOT).parts
        ):
            if path == Path(__file__).resolve():
                continue
            assert not pattern.search(path.read_text(encoding="utf-8")), path
