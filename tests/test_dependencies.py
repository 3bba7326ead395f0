"""What the project depends on: bounded, used, and under a licence that somebody has read."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest
from packaging.requirements import Requirement

from tests.licences import ROOT, SHIPPED_EXTRAS, licence, needed, plain, project, written

# May be used and passed on with a program under the MIT licence, unchanged and as packages of their own.
FREE = {"MIT", "MIT-0", "MIT-CMU", "BSD-2-Clause", "BSD-3-Clause", "0BSD", "Zlib", "CC0-1.0", "Apache-2.0", "PSF-2.0"}
FREE_AS_PACKAGES = {"LGPL-3.0-only", "MPL-2.0"}
IMPORTED_AS = {
    "psycopg": "psycopg",
    "fpdf2": "fpdf",
    "plotly": "plotly",
    "dask": "distributed",  # the extra that the batch uses
    "numpy-financial": "numpy_financial",
    "pulp": "pulp",
}
# Used without an import: by name, by a tool, or by another package at run time.
USED_OTHERWISE = {
    "tzdata": "the time zones of zoneinfo where the computer has none",
    "psycopg": "the driver that an address of PostgreSQL names",
    "authlib": "what Streamlit signs people in with",
    "httpx": "what Authlib asks the service with",
    "axe-playwright-python": "its script, read by tests/dashboard/test_frame_browser.py",
    "pytest-httpserver": "its fixture `httpserver`",
    "pytest-timeout": "`timeout` in pyproject.toml",
    "pytest-xdist": "`-n` in tests/__main__.py",
    "ruff": "run by tests/test_tooling.py",
    "mypy": "run by tests/test_tooling.py",
    "pandas-stubs": "read by mypy",
    "types-requests": "read by mypy",
}


def requirements(*extras: str) -> list[Requirement]:
    own = project()
    groups = (
        own["optional-dependencies"] if not extras else {name: own["optional-dependencies"][name] for name in extras}
    )
    return [
        Requirement(line) for line in [*own["dependencies"], *(line for found in groups.values() for line in found)]
    ]


def imports(folder: str) -> set[str]:
    found = set()
    for path in (ROOT / folder).rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                found |= {name.name.split(".")[0] for name in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module:
                found.add(node.module.split(".")[0])
            elif isinstance(node, ast.Call) and node.args and isinstance(node.args[0], ast.Constant):
                called = getattr(node.func, "attr", getattr(node.func, "id", ""))
                if called in ("import_module", "importorskip"):
                    found.add(str(node.args[0].value).split(".")[0])
    return {name.lower() for name in found}


def test_every_dependency_is_bounded_on_both_sides():
    for one in requirements():
        bounds = {item.operator for item in one.specifier}
        assert bounds & {">=", "=="}, f"{one} has no lower bound"
        if plain(one.name) != "tzdata":  # only data, named by the year
            assert bounds & {"<", "=="}, f"{one} has no upper bound"


def test_every_dependency_is_used():
    shipped, tested = imports("core") | imports("dashboard") | imports("demo_data"), imports("tests")
    for one in requirements():
        name = plain(one.name)
        if name in USED_OTHERWISE:
            continue
        module = IMPORTED_AS.get(name, name.replace("-", "_"))
        everywhere = shipped if name in {plain(item.name) for item in requirements(*SHIPPED_EXTRAS)} else tested
        assert module in everywhere, f"{one} is imported nowhere"


def test_what_is_imported_is_declared():
    """A package that only comes along with another one is gone when that one no longer needs it."""
    import sys

    declared = {IMPORTED_AS.get(plain(item.name), plain(item.name).replace("-", "_")) for item in requirements()}
    declared |= {"starlette"}  # Streamlit's own server, met only in dashboard/hosted.py
    own = {"core", "dashboard", "demo_data", "tests"}
    for folder in ("core", "dashboard", "demo_data"):
        foreign = imports(folder) - {name.lower() for name in sys.stdlib_module_names} - own - declared
        assert not foreign, f"{folder} imports {sorted(foreign)}, which pyproject.toml does not name"


def test_every_package_has_a_licence_that_somebody_read():
    """`python3 -m tests.licences --write` makes the list anew; read what changed before it is committed."""
    known = written()
    for name, package in needed().items():
        assert name in known, f"{name} is new and has no entry in tests/licences.toml"
        assert licence(package) == known[name]["licence"], f"{name} {package.version} changed its licence"
        assert known[name]["seen"]


def test_no_licence_stands_in_the_way():
    for name, entry in written().items():
        parts = set(re.split(r" AND | OR |[()]", entry["licence"])) - {""}
        assert parts, f"{name} has no licence"
        assert parts <= FREE | FREE_AS_PACKAGES, f"{name}: {entry['licence']}"


@pytest.mark.parametrize("wrong", ["GPL-3.0-only", "MIT AND AGPL-3.0-or-later", ""])
def test_a_licence_that_does_is_found(wrong, monkeypatch):
    monkeypatch.setattr("tests.test_dependencies.written", lambda: {"some": {"licence": wrong, "seen": "1"}})
    with pytest.raises(AssertionError):
        test_no_licence_stands_in_the_way()


def test_the_project_has_its_own_licence_and_names_that_of_its_data():
    assert (
        (ROOT / "LICENSE")
        .read_text(encoding="utf-8")
        .startswith("MIT License\n\nCopyright (c) 2026 The dryhold authors")
    )
    assert project()["license"] == "MIT"
    assert project()["license-files"] == ["LICENSE"]
    notice = Path(ROOT / "core" / "group" / "towns.py").read_text(encoding="utf-8")
    assert "GeoNames" in notice
    assert "CC BY 4.0" in notice
