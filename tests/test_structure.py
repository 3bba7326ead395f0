"""The house's rules: imports go down, core knows no screen, data carries its source, docs name every page."""

from __future__ import annotations

import ast
import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
# An import goes from a higher floor to a lower one, never sideways to another room of the same floor.
FLOORS = {
    **dict.fromkeys(("grain", "accounts", "tables"), 1),
    **dict.fromkeys(("weather", "market"), 2),
    "storage": 3,
    "drying": 4,
    "group": 5,
    "planning": 6,
    **dict.fromkeys(("testing", "meter", "pool"), 7),
    "advice": 8,
    **dict.fromkeys(("programme", "reports"), 9),
    "audit": 10,
}
# Older addresses that checks outside the project call: they only pass names on.
OLDER_ADDRESSES = {"core/grain/drying.py", "core/grain/storage.py"}
PACKAGES = ("core", "dashboard", "demo_data")
LONGEST_FUNCTION = 80
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
    if room not in FLOORS or path.relative_to(ROOT).as_posix() in OLDER_ADDRESSES:
        return
    for name in imported_modules(path):
        pieces = name.split(".")
        if pieces[0] == "core" and len(pieces) > 1 and pieces[1] in FLOORS and pieces[1] != room:
            assert FLOORS[pieces[1]] < FLOORS[room], f"{room} imports {name}"


def _files() -> dict[str, Path]:
    found = {}
    for package in PACKAGES:
        for path in (ROOT / package).rglob("*.py"):
            parts = path.relative_to(ROOT).with_suffix("").parts
            found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def test_no_circle_between_files():
    """Imports inside functions and under TYPE_CHECKING count too: a late import hides a circle, it does not mend it."""
    files = _files()
    graph = {
        name: {other for other in imported_modules(path) if other in files and other != name}
        for name, path in files.items()
    }
    for older in OLDER_ADDRESSES:
        graph.pop(older.removesuffix(".py").replace("/", "."))
    while True:  # take away what imports nothing that is left: only circles stay
        ends = [name for name, others in graph.items() if not others & graph.keys()]
        if not ends:
            break
        for name in ends:
            del graph[name]
    while True:  # and what nothing imports that is left
        inside = set().union(*graph.values()) if graph else set()
        starts = [name for name in graph if name not in inside]
        if not starts:
            break
        for name in starts:
            del graph[name]
    assert not graph, f"files that import one another: {sorted(graph)}"


def test_no_function_is_longer_than_a_screen():
    """At most 80 lines without the docstring; a migration is a list of tables."""
    for name, path in _files().items():
        if "migrations" in name:
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                lines = node.end_lineno - node.lineno + 1
                if ast.get_docstring(node) is not None:
                    lines -= node.body[0].end_lineno - node.body[0].lineno + 1
                assert lines <= LONGEST_FUNCTION, f"{name}.{node.name} has {lines} lines"


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


def test_every_page_is_in_the_menu_and_every_section_on_one_page():
    from tests.dashboard.pages import pages_with_sections

    listed = re.findall(r'PageEntry\("(\w+)"', (ROOT / "dashboard" / "contents.py").read_text(encoding="utf-8"))
    shown = pages_with_sections()
    assert sorted(listed) == sorted(shown)
    sections = [section for found in shown.values() for section in found]
    files = {path.stem for path in (ROOT / "dashboard" / "sections").glob("*.py")} - {"__init__"}
    assert sorted(sections) == sorted(files)


def test_every_page_is_in_the_contributors_guide():
    from tests.dashboard.pages import pages_with_sections

    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for page, sections in pages_with_sections().items():
        line = f"`{page}`: " + ", ".join(f"`{section}`" for section in sections)
        assert line in guide, f"DEVELOPERS.md does not say: {line}"


def test_no_path_of_a_machine_in_the_tree():
    pattern = re.compile(r"/(work|root|home|opt)/[A-Za-z]")
    for path in ROOT.rglob("*"):
        if path.suffix in {".py", ".md", ".toml"} and not {".venv", "wheels", ".git"} & set(
            path.relative_to(ROOT).parts
        ):
            if path == Path(__file__).resolve():
                continue
            assert not pattern.search(path.read_text(encoding="utf-8")), path
