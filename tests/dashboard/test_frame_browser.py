"""The frame in a real browser: addresses, a second tab, language, nothing outside, no serious fault of access."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.dashboard.browser import browser, served, settle
from tests.dashboard.pages import pages_with_sections

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(shutil.which("chromium") is None, reason="no Chromium on this machine"),
]
AXE = "axe_playwright_python"
SERIOUS = ("serious", "critical")
# Faults inside the screen library's own widgets, which no page can mend: seen in its version 1.67.
NOT_OURS = {"nested-interactive", "scrollable-region-focusable"}


@pytest.fixture(scope="module")
def demo_address(demo_file, tmp_path_factory):
    folder = tmp_path_factory.mktemp("served")
    shutil.copy(demo_file, folder / "demo.sqlite3")
    with served(folder, f"sqlite:///{folder / 'demo.sqlite3'}") as address:
        yield address


def test_addresses_survive_a_reload_and_a_second_tab(demo_address, tmp_path):
    outside: list[str] = []
    with browser(tmp_path / "profile", outside=outside) as page:
        page.goto(demo_address)
        page.wait_for_url("**/today?**")
        assert "role=manager" in page.url
        page.goto(f"{demo_address}/sources?role=treasurer&group=3")
        settle(page)
        assert page.evaluate("document.documentElement.lang") == "en"
        kept = page.url
        assert "group=3" in kept
        page.reload()
        settle(page)
        assert page.url == kept
        second = page.context.new_page()
        second.goto(f"{demo_address}/sources")
        settle(second)
        assert "role=treasurer" in second.url
        assert "group=3" in second.url
        second.close()
        page.goto(f"{demo_address}/our_things?section=members")
        settle(page)
        steps = page.evaluate("history.length")
        page.get_by_role("link", name="Sources").first.click()
        page.get_by_role("heading", name="Sources").wait_for()
        assert "/sources" in page.url
        settle(page)
        assert page.evaluate("history.length") == steps + 1  # a page that opens adds no step of its own
        page.go_back()
        page.get_by_role("heading", name="Our things").wait_for()
        page.goto(f"{demo_address}/today?role=manager")
        settle(page)
        page.get_by_role("link", name="Add your own group").click()
        name = page.get_by_label("Name of the group", exact=True)
        name.fill("Own growers")
        name.press("Tab")
        settle(page)
        assert "section=first_steps" in page.url  # a link within a page holds too
        assert name.input_value() == "Own growers"
    assert not outside


LATE_CAUTION = """() => {
    const boxes = [...document.querySelectorAll('[data-testid=stMain] [data-testid=stAlert]')];
    const caution = boxes.findIndex(box => box.innerText.includes('front_hand'));
    const answer = boxes.findIndex(box => box.querySelector('[data-testid=stAlertContentInfo]'));
    return caution >= 0 && answer >= 0 && answer < caution;
}"""


def sections() -> list[tuple[str, str]]:
    return [(page, section) for page, found in pages_with_sections().items() for section in found]


@pytest.mark.slow
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_no_page_asks_outside_or_has_a_serious_fault_of_access(demo_address, tmp_path, dark):
    """Rules of WCAG 2.1 A and AA, by axe-core."""
    axe = pytest.importorskip(AXE)
    script = (Path(axe.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
    outside: list[str] = []
    found: dict[str, list[str]] = {}
    with browser(tmp_path / "profile", dark=dark, outside=outside) as page:
        for name, section in sections():
            page.goto(f"{demo_address}/{name}?section={section}&role=manager")
            settle(page)
            if page.evaluate(LATE_CAUTION):
                found.setdefault(f"{name}/{section}", []).append("the answer stands above the caution")
            page.evaluate(script)
            result = page.evaluate("axe.run({runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa']})")
            for rule in result["violations"]:
                if rule["impact"] in SERIOUS and rule["id"] not in NOT_OURS:
                    where = rule["nodes"][0]["html"][:150]
                    found.setdefault(f"{name}/{section}", []).append(f"{rule['id']} x{len(rule['nodes'])}: {where}")
    assert not outside
    assert not found, "\n".join(f"{where}: {rules}" for where, rules in found.items())
