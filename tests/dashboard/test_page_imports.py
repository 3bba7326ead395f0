"""Heavy libraries stay off the way of pages that do not use them."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SCRIPT = """
import sys
from tests.dashboard.pages import open_alone
for section in {sections}:
    app = open_alone(section)
    assert not app.exception, app.exception
    assert app.title, "the page did not open"
heavy = ("scipy.stats", "scipy.optimize", "statsmodels", "sklearn", "openpyxl", "dask", "distributed", "fpdf")
print("LOADED", *sorted(name for name in heavy if name in sys.modules))
"""
SECTIONS = ("prices", "lots", "deliveries", "meter_account")
"""What a person opens with a poor phone on most days; the small part of scipy that chances need is no burden."""


def test_everyday_pages_open_without_heavy_libraries(demo_store):
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT.format(sections=SECTIONS)],
        capture_output=True,
        text=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        check=False,
        timeout=180,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    assert done.stdout.strip().splitlines()[-1] == "LOADED"
