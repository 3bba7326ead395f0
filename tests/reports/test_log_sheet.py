"""The blank sheet to print."""

from __future__ import annotations

from html.parser import HTMLParser

import pytest

from core.errors import InputError
from core.reports.log_sheet import log_sheet


class _Counter(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)


def test_a_row_for_each_bag_to_probe_and_empty_ones() -> None:
    text = log_sheet("Upper terrace", [("A", 3), ("B", 10)], empty_rows=5)
    counter = _Counter()
    counter.feed(text)
    assert counter.tags.count("tr") == 1 + 13 + 5
    assert "http" not in text


def test_names_cannot_act_as_markup() -> None:
    text = log_sheet("<script>alert(1)</script>", [("<b>A</b>", 1)], title="<i>x", advice=["<u>y"])
    for mark in ("<script>", "<b>", "<i>", "<u>"):
        assert mark not in text


def test_a_sheet_has_rows() -> None:
    for rows in (0, -1, 500):
        with pytest.raises(InputError):
            log_sheet("x", empty_rows=rows)
