"""Heavy libraries stay off the way of pages that do not use them."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SCRIPT = """
import sys
from tests.dashboard.pages import open_alone
app = open_alone("{page}")
assert not app.exception, app.exception
assert app.title, "the page did not open"
print("LOADED", *sorted(name for name in ("scipy", "statsmodels", "sklearn", "openpyxl") if name in sys.modules))
"""


@pytest.mark.parametrize("page", ["prices"])
def test_a_page_opens_without_scipy_and_statsmodels(demo_store, page):
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT.format(page=page)],
        capture_output=True,
        text=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        check=False,
        timeout=180,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    assert done.stdout.strip().splitlines()[-1] == "LOADED"
