"""A person's way over the pages in a real browser: fields, clicks and seconds counted, pictures kept."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

from tests.dashboard.browser import settle

SECONDS_A_FIELD, SECONDS_A_CLICK = 12.0, 3.0
"""What a person needs to read and fill in a field, and to find a button: assumed, not measured."""


class Walk:
    """A person's way over the pages: what was filled in and clicked, how long the pages took, and pictures."""

    def __init__(self, page: Any, address: str, pictures: Path) -> None:
        self.page, self.address, self.pictures = page, address, pictures
        self.fields = self.clicks = self.stops = 0
        self.began = time.monotonic()
        pictures.mkdir(exist_ok=True)

    def fill(self, label: str, value: str) -> None:
        """Type into a field."""
        box = self.page.get_by_label(label, exact=True)
        box.fill(value)
        box.press("Tab")
        self.fields += 1
        settle(self.page)

    def choose(self, label: str, option: str) -> None:
        """Choose from a list by typing the first letters."""
        self.page.get_by_test_id("stMain").get_by_role("combobox", name=label).click()
        self.page.keyboard.type(option)
        self.page.get_by_role("option", name=option).first.click()
        self.fields += 1
        settle(self.page)

    def write_new(self, label: str, words: str) -> None:
        """Type a name that is not in a list."""
        self.page.get_by_test_id("stMain").get_by_role("combobox", name=label).click()
        self.page.keyboard.type(words)
        self.page.keyboard.press("Enter")
        self.fields += 1
        settle(self.page)

    def press(self, button: str) -> None:
        """Press a button."""
        self.page.get_by_role("button", name=button, exact=True).click()
        self.clicks += 1
        settle(self.page)

    def follow(self, link: str) -> None:
        """Follow a link of the side bar."""
        self.page.get_by_test_id("stSidebar").get_by_role("link", name=link, exact=True).click()
        self.clicks += 1
        self.page.get_by_role("heading", name=link, exact=True).first.wait_for()
        settle(self.page, 120)

    def part(self, label: str) -> None:
        """Open a section of the page."""
        self.page.get_by_test_id("stButtonGroup").get_by_text(label, exact=True).click()
        self.clicks += 1
        settle(self.page)

    def upload(self, *paths: Path) -> None:
        """Choose files for the page's one place for files."""
        self.page.locator("input[type=file]").set_input_files([str(path) for path in paths])
        self.fields += 1
        settle(self.page)

    def unfold(self, label: str) -> None:
        """Open what is folded."""
        self.page.get_by_text(label, exact=True).click()
        self.clicks += 1
        settle(self.page)

    def look(self, name: str) -> None:
        """Keep a picture of what is on screen."""
        self.stops += 1
        self.page.screenshot(path=self.pictures / f"walk_{self.stops}_{name}.png")

    def told(self) -> str:
        """Return the walk in numbers."""
        machine = time.monotonic() - self.began
        person = self.fields * SECONDS_A_FIELD + self.clicks * SECONDS_A_CLICK
        return (
            f"{self.fields} fields, {self.clicks} clicks, {machine / 60:.1f} minutes of pages and "
            f"{person / 60:.1f} of a person (assumed: {SECONDS_A_FIELD:g} s a field, {SECONDS_A_CLICK:g} s a click)"
        )
