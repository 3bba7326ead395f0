"""Lint, format and types are clean."""

from __future__ import annotations

import json
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


def test_the_benchmarks_runner_keeps_what_each_said(tmp_path, monkeypatch):
    from tests.benchmarks import __main__ as runner

    (tmp_path / "quick.py").write_text("print('ratio 1.2')")
    (tmp_path / "wrong.py").write_text("raise SystemExit(3)")
    real = runner.subprocess.run
    monkeypatch.setattr(runner, "FOLDER", tmp_path)
    monkeypatch.setattr(
        runner.subprocess,
        "run",
        lambda command, **how: real(
            [command[0], str(tmp_path / (command[2].split(".")[-1] + ".py"))], **{**how, "cwd": tmp_path}
        ),
    )
    out = tmp_path / "out.json"
    assert runner.main(["--out", str(out)]) == 1
    rows = json.loads(out.read_text())
    assert [(row["name"], row["ended"], row["printed"]) for row in rows] == [
        ("quick", "ok", ["ratio 1.2"]),
        ("wrong", "failed", []),
    ]
    assert runner.main(["--out", str(out), "--only", "quick"]) == 0
    with pytest.raises(SystemExit):
        runner.main(["--only", "nothing"])
