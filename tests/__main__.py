"""Run the tests: ``python3 -m tests [--all] [pytest options]``; ``--all`` adds the slow ones."""

from __future__ import annotations

import os
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
FULL_GAP = 0.003
"""How near to the best possible the program itself takes a plan to be."""
sys.path.insert(0, str(ROOT))

from dashboard.bootstrap import StartError, prepare, run_module  # noqa: E402


def main() -> int:
    """Prepare the test packages and hand over to pytest."""
    os.chdir(ROOT)
    try:
        python = prepare("test")
    except StartError as error:
        print(f"The tests cannot start.\n{error}", file=sys.stderr)
        return 1
    arguments = sys.argv[1:]
    everything = "--all" in arguments
    arguments = [argument for argument in arguments if argument != "--all"]
    options = [] if everything else ["-m", "not slow"]
    if everything:
        os.environ.setdefault("DRYHOLD_TEST_GAP", str(FULL_GAP))
    return run_module(
        python, "pytest", ["-n", "2", "--dist", "loadfile", "--no-loadscope-reorder", *options, *arguments]
    )


if __name__ == "__main__":
    sys.exit(main())
