"""A database filled with the invented example, made once and copied for each test."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from tests.shared_plans import GAP, SHARED
from tests.shared_store import fresh_store

NOW = datetime(2026, 5, 20, 7, 0, tzinfo=UTC)


@pytest.fixture(scope="session", autouse=True)
def _quick_runner() -> Iterator[None]:
    """Look for installed components once, and wait for a page's thread instead of asking it a thousand times a second.

    The test runner does both for every page anew, at the cost of a sixth of the processor time of page tests.
    """
    from streamlit.components.v2 import manifest_scanner
    from streamlit.testing.v1 import local_script_runner

    asked = local_script_runner.require_widgets_deltas

    def waited(runner: Any, timeout: float = 3) -> None:
        runner._script_thread.join(timeout)
        asked(runner, 0.1)  # says what it says of a page that has not ended

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(manifest_scanner, "scan_component_manifests", cache(manifest_scanner.scan_component_manifests))
        patched.setattr(local_script_runner, "require_widgets_deltas", waited)
        yield


@pytest.fixture(scope="package", autouse=True)
def soon_found() -> Iterator[None]:
    """Let the search for a plan stop at the gap of the tests: what pages show holds for any plan."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("core.advice.making.SEARCH_GAP", GAP)
        yield


@pytest.fixture(scope="session")
def demo_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return an SQLite file that holds the example."""
    from core.group.database import open_store
    from demo_data.load import fill_with_demo

    path = tmp_path_factory.mktemp("demo") / "demo.sqlite3"
    store = open_store(f"sqlite:///{path}")
    fill_with_demo(store, NOW)
    store.engine.dispose()
    return path


@pytest.fixture
def demo_store(demo_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[object]:
    """Return a store on a copy of the example that the pages of this test use too, at a fixed moment."""
    import streamlit as st

    from core.group.database import open_store

    for part in demo_file.parent.glob(demo_file.name + "*"):
        shutil.copy(part, tmp_path / part.name)
    url = f"sqlite:///{tmp_path / demo_file.name}"
    monkeypatch.setenv("DRYHOLD_DATABASE", url)
    monkeypatch.setenv("DRYHOLD_NOW", NOW.isoformat())
    monkeypatch.setenv("DRYHOLD_OFFLINE", "1")
    st.cache_resource.clear()
    st.cache_data.clear()
    store = open_store(url)
    yield store
    store.engine.dispose()
    st.cache_resource.clear()
    st.cache_data.clear()


@pytest.fixture
def few_seasons(demo_store: Any) -> None:
    """Let the example's plan look at few possible seasons: what is tested is the page."""
    demo_store.set_fact(demo_store.groups()[0].id, "plan.scenarios", 20, "entered", "test", NOW)


@pytest.fixture
def empty_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[object]:
    """Return a store with one group of one's own and nothing else in it."""
    import streamlit as st

    from core.group.records import Group

    file = tmp_path / "empty.sqlite3"
    monkeypatch.setenv("DRYHOLD_DATABASE", f"sqlite:///{file}")
    monkeypatch.setenv("DRYHOLD_NOW", NOW.isoformat())
    monkeypatch.setenv("DRYHOLD_OFFLINE", "1")
    st.cache_resource.clear()
    st.cache_data.clear()
    store = fresh_store(file)
    store.add_group(
        Group(name="A group of one's own", latitude=9.1, longitude=0.9, time_zone="Africa/Lome", currency="XOF")
    )
    yield store
    store.engine.dispose()
    st.cache_resource.clear()
    st.cache_data.clear()


@pytest.fixture(autouse=True)
def shared_plans(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let pages of equal records share their plans, except where a test looks at the making (`plans_of_its_own`)."""
    if "plans_of_its_own" not in request.fixturenames:
        SHARED.use(monkeypatch)


@pytest.fixture
def plans_of_its_own() -> None:
    """Have every plan of this test made in it."""


@pytest.fixture(autouse=True)
def patient_pages(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let pages wait for work beside them: the test runner does not draw a page again by itself."""
    monkeypatch.setattr("dashboard.background.PATIENCE_SECONDS", 100.0)
