"""A server of the pages and a browser on it, for the tests and the pictures."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
NOW = datetime(2026, 5, 20, 7, tzinfo=UTC)
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def free_port() -> int:
    """Return a port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def served(folder: Path, url: str, command: list[str] | None = None, port: int = 0) -> Iterator[str]:
    """Serve the pages (or another app) on a database at a fixed moment, and give their address."""
    port = port or free_port()
    environment = os.environ | {
        "DRYHOLD_DATABASE": url,
        "DRYHOLD_NOW": NOW.isoformat(),
        "DRYHOLD_OFFLINE": "1",
        "PYTHONPATH": str(ROOT),
    }
    command = command or [sys.executable, "-m", "dashboard"]
    server = subprocess.Popen(
        [*command, "--server.headless=true", f"--server.port={port}"],
        cwd=folder,
        env=environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    address = f"http://127.0.0.1:{port}"
    try:
        for _attempt in range(400):
            try:
                if urllib.request.urlopen(f"{address}/_stcore/health", timeout=1).read() == b"ok":
                    break
            except OSError:
                time.sleep(0.25)
        yield address
    finally:
        server.terminate()
        server.wait(20)


@contextmanager
def browser(folder: Path, width: int = 1280, dark: bool = False, outside: list[str] | None = None) -> Iterator[Any]:
    """Give a page of the system's Chromium; every address asked for beyond this computer is added to `outside`."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        context = driver.chromium.launch_persistent_context(
            str(folder),
            executable_path=shutil.which("chromium"),
            headless=True,
            args=FLAGS,
            viewport={"width": width, "height": 900},
            color_scheme="dark" if dark else "light",
        )
        page = context.new_page()
        page.set_default_timeout(90_000)
        if outside is not None:
            page.on("request", lambda request: outside.append(request.url) if _leaves(request.url) else None)
        yield page
        context.close()


def _leaves(url: str) -> bool:
    return not ("//127.0.0.1" in url or url.startswith(("data:", "blob:")))


BUSY = """() => {
    const app = document.querySelector('[data-testid="stApp"]');
    const waits = '[data-testid="stSkeleton"], [data-testid="stProgress"], ' +
        '[data-testid="stSpinner"], [data-stale="true"]';
    return !app || app.dataset.testScriptState !== 'notRunning' || document.querySelector(waits) !== null;
}"""


def settle(page: Any, seconds: float = 60.0) -> None:
    """Wait until a page has its heading, nothing runs any more and no long work is under way beside it."""
    page.wait_for_selector("h1")
    end, quiet = time.monotonic() + seconds, 0
    while quiet < 4 and time.monotonic() < end:
        page.wait_for_timeout(250)
        quiet = 0 if page.evaluate(BUSY) else quiet + 1
