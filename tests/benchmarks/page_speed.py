"""How fast the pages are beside a program of two empty pages in the same run.

``python3 -m tests.benchmarks.page_speed``.

Printed: the first page in a new browser, a page change, one between Today and Sale plan until their last part is
there, and a changed choice whose answer is known already, each the middle of several tries, in seconds and as a
ratio. The aims are 2, 2 and 3; nothing is timed pass or fail.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from tests.dashboard.browser import NOW, browser, served, settle

TRIES = 3
PLAN_ENDS = ("Cash needs and home use", "Order and book")
HELLO = """
import streamlit as st
def one():
    st.title("One")
    st.write("chosen: " + st.selectbox("Choice", ["a", "b"], key="choice"))
def two():
    st.title("Two")
first, second = st.Page(one, title="One", url_path="one"), st.Page(two, title="Two", url_path="two")
page = st.navigation([first, second], position="hidden")
with st.sidebar:
    st.page_link(first)
    st.page_link(second)
page.run()
"""


def _timed(act: Any) -> float:
    began = time.perf_counter()
    act()
    return time.perf_counter() - began


def _first(folder: Path, address: str, heading: str) -> float:
    """Return the seconds from asking to the heading, in a browser without any memory."""
    with browser(folder) as page:
        return _timed(lambda: (page.goto(address), page.get_by_role("heading", name=heading).first.wait_for()))


def _change(page: Any, links: tuple[str, str], ends: tuple[str, str] | None = None) -> float:
    """Return the middle of the seconds from a click on a page's link to its heading, or to the text at its end."""
    times = []
    for number in range(2 * TRIES):
        name = links[number % 2]
        link = page.get_by_role("link", name=name, exact=True).first
        times.append(
            _timed(
                lambda link=link, name=name, number=number: (
                    link.click(),
                    _heading(page, name),
                    _end(page, ends, number),
                )
            )
        )
        settle(page)
    return statistics.median(times[2:])


def _end(page: Any, ends: tuple[str, str] | None, number: int) -> None:
    if ends is not None:
        page.get_by_text(ends[number % 2], exact=True).first.wait_for()


def _heading(page: Any, name: str) -> None:
    page.get_by_role("heading", name=name, exact=True, level=1).wait_for()


def _choose(page: Any, label: str, options: tuple[str, str], said: str) -> float:
    """Return the middle of the seconds from choosing to the page's being drawn anew, both options seen before."""
    times = []
    for number in range(2 * TRIES):
        page.get_by_role("combobox", name=label).first.click()
        option = page.get_by_role("option", name=options[number % 2]).first
        option.wait_for()
        chosen = options[number % 2]

        def act(option: Any = option, chosen: str = chosen) -> None:
            option.click()
            page.get_by_text(said.format(chosen)).first.wait_for()

        times.append(_timed(act))
        settle(page)
    return statistics.median(times[2:])


def main() -> int:
    """Measure and print."""
    from core.group.database import open_store
    from demo_data.load import fill_with_demo

    rows: dict[str, dict[str, float]] = {"hello": {}, "pages": {}}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        script = folder / "hello.py"
        script.write_text(HELLO, encoding="utf-8")
        url = f"sqlite:///{folder / 'demo.sqlite3'}"
        store = open_store(url)
        if not store.groups():
            fill_with_demo(store, NOW)
        store.engine.dispose()
        run = [sys.executable, "-m", "streamlit", "run", str(script), "--server.address=127.0.0.1"]
        cases = {
            "hello": (run, "", "One", ("Two", "One"), ("Choice", ("b", "a"), "chosen: {}")),
            "pages": (None, "sources", "Sources", ("Our things", "Sources"), None),
        }
        for case, (command, path, heading, links, choice) in cases.items():
            with served(folder, url, command) as address:
                _first(folder / f"{case}_warm", f"{address}/{path}", heading)  # the server's own first run
                firsts = [_first(folder / f"{case}{n}", f"{address}/{path}", heading) for n in range(3)]
                rows[case]["first page"] = statistics.median(firsts)
                with browser(folder / f"{case}_page") as page:
                    page.goto(f"{address}/{path}")
                    settle(page)
                    rows[case]["page change"] = _change(page, links)
                    if choice is None:
                        page.goto(f"{address}/today?role=manager")
                        settle(page, 600)  # until the plan is made
                        rows[case]["plan pages"] = _change(
                            page, ("Sale plan", "Today"), ("Cash needs and home use", "How this is worked out")
                        )
                        page.goto(f"{address}/lots?section=check&role=manager")
                        settle(page)
                        rows[case]["changed choice"] = _crop(page)
                    else:
                        rows[case]["plan pages"] = rows[case]["page change"]
                        rows[case]["changed choice"] = _choose(page, *choice)
    for name, hello in rows["hello"].items():
        ours = rows["pages"][name]
        sys.stdout.write(f"{name:15} {hello:6.2f} s  {ours:6.2f} s  {ours / hello:5.1f} times\n")
    return 0


def _crop(page: Any) -> float:
    """Return the same for the choice of a crop where one lot is checked."""
    box = page.get_by_role("combobox", name="Crop").first
    box.click()
    names = [option.inner_text() for option in page.get_by_role("option").all()[:2]]
    page.keyboard.press("Escape")
    times = []
    for number in range(2 * TRIES):
        box.click()
        option = page.get_by_role("option", name=names[(number + 1) % 2]).first
        option.wait_for()
        times.append(_timed(lambda option=option: (option.click(), _quiet(page))))
        settle(page)
    return statistics.median(times[2:])


def _quiet(page: Any) -> None:
    """Wait until the run that a choice began has ended."""
    page.wait_for_timeout(30)
    page.wait_for_function("!document.querySelector('[data-testid=stStatusWidget]')")
    page.wait_for_function("!document.querySelector('[data-stale=\"true\"]')")


if __name__ == "__main__":
    sys.exit(main())
