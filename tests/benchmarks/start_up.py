"""How long the program takes to start and what memory it holds, beside a program of two empty pages in the same run.

Run: ``python3 -m tests.benchmarks.start_up``. Printed for both: seconds from the command to the first answer, to the
whole of the first page, and memory then; for the pages also seconds and memory that each next one adds when it is
opened for the first time. A plan is worked out in the background meanwhile, as it is for a person who opens Today.
"""

from __future__ import annotations

import asyncio
import sys
import tempfile
import time
from collections.abc import AsyncIterator
from pathlib import Path

from tests.benchmarks.page_speed import HELLO
from tests.benchmarks.sessions import Seen, memory_mb, page_changes
from tests.dashboard.browser import NOW, free_port, served
from tests.dashboard.pages import pages_with_sections


def started(folder: Path, url: str, command: list[str] | None, pages: list[str]) -> dict[str, tuple[float, float]]:
    """Return seconds and memory (MB) from the command to the server's answer, then of each page in turn."""
    port, began = free_port(), time.monotonic()
    found: dict[str, tuple[float, float]] = {}
    with served(folder, url, command, port) as address:
        found["answers"] = (time.monotonic() - began, memory_mb(port))
        for page in pages:
            seen = Seen()
            asyncio.run(page_changes(address, _only(page), seen))
            if seen.errors:
                raise RuntimeError(f"{page}: {seen.errors}")
            found[page] = (seen.all_seconds[0], memory_mb(port))
    return found


async def _only(page: str) -> AsyncIterator[str]:
    yield page


def main() -> int:
    """Measure and print."""
    from core.group.database import open_store
    from demo_data.load import fill_with_demo

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        script, url = folder / "hello.py", f"sqlite:///{folder / 'demo.sqlite3'}"
        script.write_text(HELLO, encoding="utf-8")
        open_store(url, lambda store: fill_with_demo(store, NOW)).engine.dispose()
        run = [sys.executable, "-m", "streamlit", "run", str(script), "--server.address=127.0.0.1"]
        hello = started(folder, url, run, [""])
        ours = started(folder, url, None, [*dict.fromkeys(["today", *pages_with_sections()])])
    for label, ((base, base_mb), (second, mb)) in {
        "answers": (hello["answers"], ours["answers"]),
        "first page": (hello[""], ours["today"]),
    }.items():
        sys.stdout.write(
            f"{label:12} {base:5.2f} s  {second:5.2f} s  {second / base:4.1f} times   {base_mb:4.0f} MB  {mb:4.0f} MB\n"
        )
    before = ours["answers"][1]
    for page, (second, mb) in list(ours.items())[1:]:
        sys.stdout.write(f"  {page:16} {second:5.2f} s the first time, {mb - before:+5.0f} MB\n")
        before = mb
    return 0


if __name__ == "__main__":
    sys.exit(main())
