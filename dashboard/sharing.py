"""Serving phones on the local Wi-Fi: off unless asked for, behind a code of six digits that only the laptop shows.

What it exposes: everybody who is let in reads and writes all groups of this computer, and the pages travel unencrypted
over the Wi-Fi. So it is for a network that the group trusts, and ends when the program ends.
"""

from __future__ import annotations

import hmac
import os
import secrets
import socket
import threading
import time
from collections.abc import Callable

CODE = "DRYHOLD_SHARE_CODE"
FREE_TRIES = 3
FIRST_WAIT_SECONDS = 4.0
LONGEST_WAIT_SECONDS = 600.0


def new_code() -> str:
    """Return a code of six digits."""
    return f"{secrets.randbelow(1_000_000):06d}"


def addresses() -> list[str]:
    """Return this computer's addresses on local networks; nothing is sent for it."""
    found = []
    for target in ("10.255.255.255", "192.168.255.255", "172.31.255.255"):
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            try:
                probe.connect((target, 9))
                found.append(str(probe.getsockname()[0]))
            except OSError:
                continue
    return sorted({address for address in found if not address.startswith("127.")})


class Gate:
    """Lets in who knows the code; after three wrong ones all wait, twice as long each time, up to ten minutes."""

    def __init__(self, code: str, clock: Callable[[], float] = time.monotonic) -> None:
        self._code, self._clock = code, clock
        self._pass = secrets.token_urlsafe(24)
        self._wrong, self._open_at = 0, 0.0
        self._lock = threading.Lock()

    def wait_seconds(self) -> float:
        """Return how long nobody is asked for a code."""
        return max(0.0, self._open_at - self._clock())

    def enter(self, code: str) -> str | None:
        """Return the pass for the right code, None for a wrong one or while all wait."""
        with self._lock:
            if self.wait_seconds() > 0:
                return None
            if hmac.compare_digest(code.strip().encode(), self._code.encode()):
                self._wrong = 0
                return self._pass
            self._wrong += 1
            if self._wrong >= FREE_TRIES:
                wait = min(FIRST_WAIT_SECONDS * 2.0 ** (self._wrong - FREE_TRIES), LONGEST_WAIT_SECONDS)
                self._open_at = self._clock() + wait
            return None

    def knows(self, kept: str | None) -> bool:
        """Return whether a browser shows the pass of this start of the program."""
        return kept is not None and hmac.compare_digest(kept.encode(), self._pass.encode())


def options(code: str, found: list[str]) -> list[str]:
    """Return the options of the server that let phones in, with the code put where the pages find it."""
    os.environ[CODE] = code
    return ["--server.address=0.0.0.0", *answers_to(found), "--server.headless=true"]


def answers_to(hosts: list[str]) -> list[str]:
    """Return the options with which a server answers under these names and its own, and no others."""
    return [f"--server.allowedHosts={host}" for host in ("localhost", "127.0.0.1", *hosts)]


def spoken(code: str, found: list[str], port: str) -> str:
    """Return what the laptop's screen says when it begins to serve phones."""
    where = " or ".join(f"http://{address}:{port}" for address in found) or "(no local network found)"
    return (
        f"Phones on this Wi-Fi open {where} and enter the code {code}.\n"
        "Who has the code reads and writes all records of this computer, and the pages are not encrypted:\n"
        "use it only on a network that you trust. It ends when you close this window.\n"
    )
