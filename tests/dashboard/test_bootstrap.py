"""The launcher: plain messages, one installation, the right Python."""

from __future__ import annotations

import ast
import sys
from pathlib import Path

import pytest

from dashboard import bootstrap

ROOT = Path(bootstrap.__file__).resolve().parents[1]


def test_launchers_need_only_the_standard_library_at_import():
    for name in (
        "dashboard/__init__.py",
        "dashboard/__main__.py",
        "dashboard/bootstrap.py",
        "tests/__init__.py",
        "tests/__main__.py",
    ):
        tree = ast.parse((ROOT / name).read_text(encoding="utf-8"))
        for node in tree.body:
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            for module in names:
                assert module.split(".")[0] in sys.stdlib_module_names | {"dashboard", "__future__"}, (
                    f"{name} imports {module}"
                )


def test_nothing_is_installed_where_nothing_is_missing():
    assert bootstrap.prepare() == Path(sys.executable)


def test_old_python_gets_a_plain_message(monkeypatch):
    monkeypatch.setattr(bootstrap.sys, "version_info", (3, 9, 2))
    with pytest.raises(bootstrap.StartError, match=r"3\.11 or newer"):
        bootstrap.prepare()


def test_missing_venv_module_gets_a_plain_message(monkeypatch, tmp_path):
    monkeypatch.setattr(bootstrap, "missing_modules", lambda names: ["streamlit"])
    monkeypatch.setattr(bootstrap.importlib.util, "find_spec", lambda name: None)
    monkeypatch.setattr(bootstrap, "venv_python", lambda folder: tmp_path / "none")
    with pytest.raises(bootstrap.StartError, match="python3-venv"):
        bootstrap.prepare()


def test_wheels_folder_is_used_without_network(monkeypatch, tmp_path):
    (tmp_path / "wheels").mkdir()
    (tmp_path / "wheels" / "a.whl").touch()
    monkeypatch.setattr(bootstrap, "ROOT", tmp_path)
    seen = []
    monkeypatch.setattr(
        bootstrap.subprocess, "run", lambda command, check: seen.append(command) or type("R", (), {"returncode": 0})
    )
    bootstrap._install(Path("python"), ["pandas"])
    assert "--no-index" in seen[0]


def test_second_start_skips_the_installation(monkeypatch, tmp_path):
    (tmp_path / "pyproject.toml").write_text((ROOT / "pyproject.toml").read_text(encoding="utf-8"), encoding="utf-8")
    monkeypatch.setattr(bootstrap, "ROOT", tmp_path)
    monkeypatch.setattr(bootstrap, "missing_modules", lambda names: ["streamlit"])
    made, installed = [], []

    def make(folder: Path) -> None:
        made.append(folder)
        bootstrap.venv_python(folder).parent.mkdir(parents=True)
        bootstrap.venv_python(folder).touch()

    monkeypatch.setattr(bootstrap, "_make_environment", make)
    monkeypatch.setattr(bootstrap, "_install", lambda python, lines: installed.append(lines))
    first = bootstrap.prepare("test")
    assert bootstrap.prepare("test") == first
    assert len(made) == len(installed) == 1
    assert any(line.startswith("hypothesis") for line in installed[0])
