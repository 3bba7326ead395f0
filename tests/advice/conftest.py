"""Situations of the tests of advice: what is asked of them holds for any plan that the search finds."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.shared_plans import GAP


@pytest.fixture(scope="package", autouse=True)
def soon_found() -> Iterator[None]:
    """Let the search for a plan stop at the gap of the tests."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("core.advice.making.SEARCH_GAP", GAP)
        yield
