"""Pictures of every page at three widths, light and dark: ``python3 -m tests.benchmarks.pictures [page ...]``.

``--widths 390 --dark`` takes fewer: only these widths, only the dark ones (``--light``: only the light ones). They
are written into ``pictures/`` beside the code, which git ignores: made anew for looking at, never compared.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

from tests.dashboard.browser import NOW, ROOT, browser, served, settle
from tests.dashboard.pages import pages_with_sections

WIDTHS = (1280, 768, 390)
TALLEST = 6000


def _asked(arguments: list[str]) -> argparse.Namespace:
    reader = argparse.ArgumentParser(description=__doc__)
    reader.add_argument("wanted", nargs="*", help="pages or sections; none: all")
    reader.add_argument("--widths", type=int, nargs="+", default=WIDTHS)
    reader.add_argument("--light", dest="grounds", action="store_const", const=(False,), default=(False, True))
    reader.add_argument("--dark", dest="grounds", action="store_const", const=(True,))
    return reader.parse_args(arguments)


def main(arguments: list[str]) -> int:
    """Take the pictures of the pages named, or of all, and say how many screens of a phone each takes."""
    from core.group.database import open_store
    from demo_data.load import fill_with_demo

    asked = _asked(arguments)
    target = ROOT / "pictures"
    target.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        url = f"sqlite:///{folder / 'demo.sqlite3'}"
        store = open_store(url)
        if not store.groups():
            fill_with_demo(store, NOW)
        store.engine.dispose()
        with served(folder, url) as address:
            for width in asked.widths:
                for dark in asked.grounds:
                    with browser(folder / f"profile{width}{dark}", width, dark) as page:
                        _take(page, address, target, width, dark, asked.wanted)
    return 0


def _take(page: object, address: str, target: Path, width: int, dark: bool, wanted: list[str]) -> None:
    for name, sections in pages_with_sections().items():
        for section in sections:
            if wanted and name not in wanted and section not in wanted:
                continue
            page.goto(f"{address}/{name}?section={section}")
            settle(page, 150)
            height = page.evaluate("document.querySelector('[data-testid=stMain]').scrollHeight")
            page.set_viewport_size({"width": width, "height": min(int(height) + 60, TALLEST)})
            page.wait_for_timeout(800)
            page.screenshot(path=target / f"{name}_{section}_{width}_{'dark' if dark else 'light'}.png")
            page.set_viewport_size({"width": width, "height": 900})
            if width == min(WIDTHS) and not dark:
                sys.stdout.write(f"{name}/{section}: {height / 844:.1f} screens of a phone\n")
                sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
