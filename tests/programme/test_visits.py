"""The visit list names its reasons."""

from __future__ import annotations

from datetime import UTC, datetime

from core.programme.visits import visit_list
from tests.programme.test_indicators import small


def test_visits_name_their_reasons():
    visits = visit_list([small()], datetime(2026, 6, 20, tzinfo=UTC))
    assert len(visits) == 1
    text = "; ".join(str(reason) for reason in visits[0].reasons)
    assert "never tested" in text
    assert "no reading for" in text
    assert visit_list([], datetime(2026, 6, 20, tzinfo=UTC)) == []
