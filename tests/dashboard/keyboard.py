"""A form filled in by the keyboard alone: Tab from the top of the page, letters, Enter; nothing is clicked."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from tests.dashboard.browser import settle

TOP = """() => {
    const main = document.querySelector('[data-testid="stMain"]');
    main.tabIndex = -1;
    main.focus();
}"""
HERE = """() => {
    const at = document.activeElement;
    const label = at.getAttribute('aria-label') || (at.labels && at.labels[0] && at.labels[0].innerText)
        || at.innerText || at.tagName;
    return [label.trim().split('\\n').pop(), at.getAttribute('role') || at.type || at.tagName];
}"""


def from_top(page: Any) -> None:
    """Put the focus where a page's own part begins, as a link that skips the side bar would."""
    page.evaluate(TOP)


def here(page: Any) -> tuple[str, str]:
    """Return what has the focus: its name and its kind."""
    name, kind = page.evaluate(HERE)
    return name, kind


def tab_to(page: Any, wanted: str, most: int = 60) -> list[str]:
    """Press Tab until something of that name has the focus; return the stops on the way, that one included.

    Raises
    ------
    AssertionError
        It was not reached: a trap, or an order that leads elsewhere.
    """
    stops: list[str] = []
    for _press in range(most):
        page.keyboard.press("Tab")
        stops.append(here(page)[0])
        if stops[-1] == wanted:
            return stops
    raise AssertionError(f"'{wanted}' was not reached; on the way: {stops}")


def fill(page: Any, values: Mapping[str, str]) -> list[str]:
    """Fill in fields in the order in which Tab reaches them, lists by their first letters; return all stops."""
    stops: list[str] = []
    for name, value in values.items():
        stops += tab_to(page, name)
        if here(page)[1] == "combobox":
            page.keyboard.type(value)
            page.get_by_role("option", name=value).first.wait_for()
            page.keyboard.press("Enter")
        else:
            page.keyboard.press("Control+A")
            page.keyboard.type(value)
        settle(page)
    return stops


def press(page: Any, button: str) -> list[str]:
    """Go on to a button and press it; return the stops on the way."""
    stops = tab_to(page, button)
    page.keyboard.press("Enter")
    settle(page)
    return stops
