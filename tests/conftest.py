"""Settings shared by all tests."""

from __future__ import annotations

import os
import socket
import sys
from collections.abc import Iterator
from pathlib import Path

# Before numpy comes in: small matrices on several threads cost several times the processor time.
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import pytest  # noqa: E402
from hypothesis import HealthCheck, settings  # noqa: E402

settings.register_profile(
    "dryhold",
    max_examples=int(os.environ.get("DRYHOLD_EXAMPLES", "25")),
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
settings.load_profile("dryhold")

LONGEST_FIRST = (
    "dashboard/test_programme_pages.py",
    "dashboard/test_meter_pages.py",
    "dashboard/test_plan.py",
    "planning/test_credit.py",
    "planning/test_sale.py",
    "programme/test_group_file.py",
    "planning/test_records.py",
    "dashboard/test_frame_browser.py",
    "programme/test_batch.py",
    "dashboard/test_pool_pages.py",
    "dashboard/test_coming.py",
    "dashboard/test_browser.py",
    "test_tooling.py",
    "tables/test_attacks.py",
)
"""The longest files: begun last, one of them would leave the other worker idle."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the longest files first; within a file nothing moves."""
    folder = Path(__file__).parent

    def place(item: pytest.Item) -> int:
        name = item.path.relative_to(folder).as_posix() if item.path.is_relative_to(folder) else ""
        return LONGEST_FIRST.index(name) if name in LONGEST_FIRST else len(LONGEST_FIRST)

    items.sort(key=place)


LOOPBACK = {"127.0.0.1", "localhost", "::1", "0.0.0.0"}


@pytest.fixture(autouse=True)
def _no_network(monkeypatch: pytest.MonkeyPatch) -> None:
    """Refuse every connection that leaves this machine."""
    real = socket.socket.connect

    def connect(self: socket.socket, address: object) -> None:
        if isinstance(address, tuple) and str(address[0]) not in LOOPBACK:
            message = f"a test tried to reach {address[0]}"
            raise OSError(message)
        real(self, address)  # type: ignore[arg-type]

    monkeypatch.setattr(socket.socket, "connect", connect)


@pytest.fixture(autouse=True)
def _main_module() -> Iterator[None]:
    """Put ``__main__`` back: a page under test takes its place, and a new process would start that page."""
    real = sys.modules["__main__"]
    yield
    sys.modules["__main__"] = real


@pytest.fixture(scope="session")
def open_data() -> Path:
    """Return the folder of open data to develop on, or skip where it is absent."""
    default = Path(__file__).resolve().parents[1].parent / "shared" / "data"
    folder = Path(os.environ.get("DRYHOLD_OPEN_DATA", default))
    if not folder.is_dir():
        pytest.skip("open data is not on this machine (set DRYHOLD_OPEN_DATA)")
    return folder
