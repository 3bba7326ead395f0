"""Open a page of the dashboard, or one of its sections, in the test runner."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

from streamlit.testing.v1 import AppTest

DASHBOARD = Path(__file__).resolve().parents[2] / "dashboard"
APP = DASHBOARD / "app.py"


def pages_with_sections() -> dict[str, list[str]]:
    """Return the sections of each page, read from its file."""
    return {
        path.stem: re.findall(r'"(\w+)": _\(', path.read_text(encoding="utf-8"))
        for path in sorted((DASHBOARD / "views").glob("*.py"))
        if path.stem != "__init__"
    }


def page_of(section: str) -> str:
    """Return the page that shows a section."""
    return next(page for page, sections in pages_with_sections().items() if section in sections)


@cache
def folds() -> tuple[str, ...]:
    """Return the keys of what pages draw only once it is opened."""
    calls = (
        node
        for path in sorted(DASHBOARD.rglob("*.py"))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and getattr(node.func, "attr", "") == "folded"
    )
    return tuple(f"fold_{ast.literal_eval(node.args[1])}" for node in calls)


def open_folds(app: AppTest) -> AppTest:
    """Open what pages draw only once it is opened, so that tests see all of it."""
    for key in folds():
        app.session_state[key] = True
    return app


def open_page(name: str) -> AppTest:
    """Return the page that shows the section of that name (or the page of that name) after its first run."""
    sections = pages_with_sections()
    app = AppTest.from_file(str(APP), default_timeout=120)
    a_page = name in sections and not any(name in found for found in sections.values())
    section = None if a_page else name
    app.switch_page(f"views/{name if section is None else page_of(section)}.py")
    if section is not None:
        app.query_params["section"] = section
    return open_folds(app).run()


def open_alone(section: str) -> AppTest:
    """Return the page that shows a section, run by itself, without the side bar."""
    app = AppTest.from_file(str(DASHBOARD / "views" / f"{page_of(section)}.py"), default_timeout=120)
    app.query_params["section"] = section
    return open_folds(app).run()
