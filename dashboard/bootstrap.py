"""Start-up help that needs only the standard library: check Python, make `.venv`, install, hand over."""

from __future__ import annotations

import hashlib
import importlib.util
import os
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
NEEDED_PYTHON = (3, 11)
# One importable module for each requirement that the program cannot start without.
RUNTIME_MODULES = (
    "streamlit",
    "pandas",
    "plotly",
    "requests",
    "numpy",
    "scipy",
    "sqlalchemy",
    "alembic",
    "openpyxl",
    "xlsxwriter",
    "fpdf",
    "icalendar",
    "babel",
    "platformdirs",
)
TEST_MODULES = ("pytest", "xdist", "pytest_timeout", "hypothesis", "psychrolib", "playwright", "ruff", "mypy", "pulp")
TEST_MODULES += ("pypdf", "vobject", "axe_playwright_python")


class StartError(Exception):
    """A start that cannot go on, with what to do about it."""


def missing_modules(names: tuple[str, ...]) -> list[str]:
    """Return those of the named modules that this Python cannot import."""
    return [name for name in names if importlib.util.find_spec(name) is None]


def requirements(extra: str | None) -> list[str]:
    """Return the requirement lines of the project file, with those of an extra where one is named."""
    import tomllib  # new in Python 3.11: an older one must first get its plain message

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    return [*project["dependencies"], *(project["optional-dependencies"][extra] if extra else [])]


def venv_python(folder: Path) -> Path:
    """Return the path of Python inside a virtual environment, on Windows or elsewhere."""
    return folder / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def _make_environment(folder: Path) -> None:
    try:
        if importlib.util.find_spec("ensurepip") is None:
            raise ImportError
        venv.create(folder, with_pip=True)
    except (ImportError, subprocess.CalledProcessError, OSError) as error:
        message = (
            "Python's own venv module is missing or cannot write here, so the program cannot be set up.\n"
            "On Debian or Ubuntu install it with:  sudo apt install python3-venv\n"
            "then give the same command again."
        )
        raise StartError(message) from error


def _install(python: Path, lines: list[str]) -> None:
    command = [str(python), "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    wheels = ROOT / "wheels"
    if wheels.is_dir() and any(wheels.iterdir()):
        command += ["--no-index", "--find-links", str(wheels)]
    if subprocess.run([*command, *lines], check=False).returncode != 0:  # noqa: S603 - our own requirement list
        message = (
            "The packages could not be installed (see the lines above).\n"
            "Connect to the internet and try again, or put a folder 'wheels' with the packages beside README.md."
        )
        raise StartError(message)


def prepare(extra: str | None = None) -> Path:
    """Return a Python that has all packages, making `.venv` beside the code where this one has not.

    Parameters
    ----------
    extra : str, optional
        Name of an extra of the project file, such as ``"test"``.

    Returns
    -------
    Path
        The interpreter to run; this one where nothing is missing.

    Raises
    ------
    StartError
        Python is too old, the venv module is missing, or the installation failed.
    """
    if sys.version_info < NEEDED_PYTHON:
        message = f"Python {NEEDED_PYTHON[0]}.{NEEDED_PYTHON[1]} or newer is needed; this is {sys.version.split()[0]}."
        raise StartError(message)
    wanted = RUNTIME_MODULES + (TEST_MODULES if extra == "test" else ())
    if not missing_modules(wanted):
        return Path(sys.executable)
    if not (ROOT / "pyproject.toml").exists():
        message = "Packages are missing: " + ", ".join(missing_modules(wanted)) + ". Install dryhold again with pip."
        raise StartError(message)
    folder = ROOT / ".venv"
    python = venv_python(folder)
    lines = requirements(extra)
    digest = hashlib.sha256("\n".join(lines).encode()).hexdigest()
    stamp = folder / f"installed-{extra or 'runtime'}.txt"
    if python.exists() and stamp.exists() and stamp.read_text(encoding="utf-8") == digest:
        return python
    print("Packages are missing: setting them up in .venv beside the code (once, about two minutes) ...", flush=True)
    if not python.exists():
        _make_environment(folder)
    _install(python, lines)
    stamp.write_text(digest, encoding="utf-8")
    print("Ready.", flush=True)
    return python


def run_module(python: Path, module: str, arguments: list[str]) -> int:
    """Run a module with another Python, from the code's folder on its path, and return its exit code."""
    paths = [str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(paths), "PYTHONUTF8": "1"}
    try:
        return subprocess.run([str(python), "-m", module, *arguments], env=environment, check=False).returncode  # noqa: S603
    except KeyboardInterrupt:
        return 130
