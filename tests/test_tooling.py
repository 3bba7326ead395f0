"""Lint, format and types are clean."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


@pytest.mark.parametrize(
    "command", [["ruff", "check", "."], ["ruff", "format", "--check", "."], ["mypy"]], ids=" ".join
)
def test_tool_is_content(command):
    pytest.importorskip(command[0])
    answer = subprocess.run([sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False)
    assert answer.returncode == 0, answer.stdout[-4000:] + answer.stderr[-2000:]
