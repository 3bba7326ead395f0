"""Open a page of the dashboard in the test runner."""

from __future__ import annotations

from pathlib import Path

from streamlit.testing.v1 import AppTest

APP = Path(__file__).resolve().parents[2] / "dashboard" / "app.py"


def open_page(name: str) -> AppTest:
    """Return the page of that name after its first run."""
    app = AppTest.from_file(str(APP), default_timeout=120).run()
    return app.switch_page(f"views/{name}.py").run()
