"""The readme's example runs as printed, and gives what is printed beneath it."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]


def test_the_example_prints_what_the_readme_says():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    code = re.search(r"```python\n(.*?)```", text, re.DOTALL).group(1)
    printed = re.search(r"```text\n(.*?)```", text, re.DOTALL).group(1)
    answer = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert answer.returncode == 0, answer.stderr[-2000:]
    assert answer.stdout == printed
