"""Open a page of the dashboard, or one of its sections, in the test runner."""

from __future__ import annotations

import re
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


def open_page(name: str) -> AppTest:
    """Return the page that shows the section of that name (or the page of that name) after its first run."""
    sections = pages_with_sections()
    app = AppTest.from_file(str(APP), default_timeout=120)
    a_page = name in sections and not any(name in found for found in sections.values())
    section = None if a_page else name
    app.switch_page(f"views/{name if section is None else page_of(section)}.py")
    if section is not None:
        app.query_params["section"] = section
    return app.run()


def open_alone(section: str) -> AppTest:
    """Return the page that shows a section, run by itself, without the side bar."""
    app = AppTest.from_file(str(DASHBOARD / "views" / f"{page_of(section)}.py"), default_timeout=120)
    app.query_params["section"] = section
    return app.run()
