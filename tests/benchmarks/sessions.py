"""Many people at once: page changes, errors and memory of a served program under so many sessions.

Run: ``python3 -m tests.benchmarks.sessions [--sessions 30] [--minutes 10]``. Each session speaks to the server as a
browser does (its socket, its messages), opens a page after another with a pause between, and waits until the page is
whole. First one session alone, then all: the ratio of their times is what the others cost.
"""

from __future__ import annotations

import argparse
import asyncio
import random
import statistics
import tempfile
import time
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from tests.dashboard.browser import NOW, free_port, served
from tests.dashboard.pages import pages_with_sections

PATIENCE_SECONDS = 120.0


@dataclass
class Seen:
    """What the sessions saw: seconds of each page change by page, and errors in words."""

    seconds: dict[str, list[float]] = field(default_factory=dict)
    errors: list[str] = field(default_factory=list)

    @property
    def all_seconds(self) -> list[float]:
        """Return the seconds of all page changes."""
        return sorted(second for found in self.seconds.values() for second in found)


async def session(address: str, pages: list[str], until: float, pause: float, seed: int, seen: Seen) -> None:
    """Open pages one after another, a person's pause between, until the time is over."""
    draw = random.Random(seed)
    await asyncio.sleep(draw.uniform(0.0, pause))  # people do not all come at one moment

    async def chosen() -> AsyncIterator[str]:
        while time.monotonic() < until:
            yield draw.choice(pages)
            await asyncio.sleep(draw.uniform(0.5, 1.5) * pause)

    await page_changes(address, chosen(), seen)


async def page_changes(address: str, pages: AsyncIterator[str], seen: Seen) -> None:
    """Open pages in one session as they are named, each until it is whole."""
    from streamlit.proto.BackMsg_pb2 import BackMsg
    from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
    from websockets.asyncio.client import connect

    socket = f"{address.replace('http', 'ws', 1)}/_stcore/stream"
    async with connect(socket, subprotocols=["streamlit"], origin=address, max_size=None) as line:  # type: ignore[arg-type]
        async for page in pages:
            message = BackMsg()
            message.rerun_script.page_name = page
            message.rerun_script.query_string = ""
            began = time.monotonic()
            await line.send(message.SerializeToString())
            try:
                async with asyncio.timeout(PATIENCE_SECONDS):
                    await _whole(line, ForwardMsg, page, seen)
            except TimeoutError:
                seen.errors.append(f"{page}: not whole after {PATIENCE_SECONDS:.0f} s")
            seen.seconds.setdefault(page, []).append(time.monotonic() - began)


async def _whole(line, kind, page: str, seen: Seen) -> None:
    """Read messages until the page is whole; note what it shows as a failure of the program."""
    while True:
        message = kind()
        message.ParseFromString(await line.recv())
        if message.WhichOneof("type") == "delta" and message.delta.new_element.WhichOneof("type") == "exception":
            seen.errors.append(f"{page}: {message.delta.new_element.exception.message[:120]}")
        if message.WhichOneof("type") == "page_not_found":
            seen.errors.append(f"{page}: there is no such page")
        if message.WhichOneof("type") == "script_finished":
            return


async def all_sessions(address: str, count: int, seconds: float, pause: float) -> Seen:
    """Let so many sessions go through all pages for so long."""
    seen, until, pages = Seen(), time.monotonic() + seconds, list(pages_with_sections())
    work = (session(address, pages, until, pause, number, seen) for number in range(count))
    for ended in await asyncio.gather(*work, return_exceptions=True):
        if isinstance(ended, BaseException):
            seen.errors.append(f"a session ended: {type(ended).__name__}: {ended}"[:160])
    return seen


def memory_mb(port: int) -> float:
    """Return the memory that the server of a port holds now, MB (Linux)."""
    for entry in Path("/proc").iterdir():
        try:
            if f"--server.port={port}".encode() in (entry / "cmdline").read_bytes().split(b"\0"):
                lines = (entry / "status").read_text().splitlines()
                return int(next(line for line in lines if line.startswith("VmRSS")).split()[1]) / 1024
        except (OSError, StopIteration):
            continue
    return 0.0


def main() -> None:
    """Print page changes, errors and memory of one session, then of all."""
    from core.group.database import open_store
    from demo_data.load import fill_with_demo

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sessions", type=int, default=30)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--pause", type=float, default=20.0, help="mean seconds that a person looks at a page")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder, port = Path(name), free_port()
        url = f"sqlite:///{folder / 'demo.sqlite'}"
        open_store(url, lambda store: fill_with_demo(store, NOW)).engine.dispose()
        with served(folder, url, port=port) as address:
            asyncio.run(all_sessions(address, 1, 60.0, 0.2))  # the first plan and the caches
            middle = 0.0
            for count, minutes in ((1, min(1.0, given.minutes)), (given.sessions, given.minutes)):
                before = memory_mb(port)
                seen = asyncio.run(all_sessions(address, count, minutes * 60, given.pause if count > 1 else 0.5))
                found = seen.all_seconds
                median = statistics.median(found)
                middle = middle or median
                print(
                    f"{datetime.now(UTC):%H:%M} {count:3d} sessions, {minutes:g} min: {len(found)} page changes, "
                    f"median {median:.2f} s ({median / middle:.1f} times one session's), "
                    f"9 of 10 within {found[int(len(found) * 0.9)]:.2f} s, longest {found[-1]:.1f} s, "
                    f"errors {len(seen.errors)}, memory {before:.0f} to {memory_mb(port):.0f} MB",
                    flush=True,
                )
                for error in sorted(set(seen.errors)):
                    print(f"  {error}")


if __name__ == "__main__":
    main()
