"""Run the benchmarks one after the other into one JSON file and one table.

Run: ``python -m tests.benchmarks [--only name,name] [--out file.json] [--seconds most for one]``. Each benchmark is a
module of this folder that prints its figures; here its lines, its seconds and how it ended are kept.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import time
from pathlib import Path

FOLDER = Path(__file__).parent


def names() -> list[str]:
    """Return the benchmarks' names."""
    return sorted(path.stem for path in FOLDER.glob("*.py") if not path.stem.startswith("_"))


def run(name: str, seconds: float) -> dict[str, object]:
    """Return how a benchmark ended ("ok", "failed" or "too long"), its seconds and its printed lines."""
    start = time.monotonic()
    command = [sys.executable, "-m", f"tests.benchmarks.{name}"]
    try:
        done = subprocess.run(command, cwd=FOLDER.parents[1], capture_output=True, text=True, timeout=seconds)
        ended, printed = "ok" if done.returncode == 0 else "failed", done.stdout or done.stderr
    except subprocess.TimeoutExpired as error:
        ended, printed = "too long", (error.stdout or b"").decode(errors="replace")
    return {
        "name": name,
        "ended": ended,
        "seconds": round(time.monotonic() - start, 1),
        "printed": printed.strip().splitlines(),
    }


def main(arguments: list[str] | None = None) -> int:
    """Run, print a table, write the JSON; 1 where a benchmark failed or took too long."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("--only", default="", help="names with commas between them; default all")
    parser.add_argument("--out", type=Path, default=Path("benchmarks.json"))
    parser.add_argument("--seconds", type=float, default=1800.0, help="most for one benchmark")
    asked = parser.parse_args(arguments)
    chosen = [name for name in asked.only.split(",") if name] or names()
    unknown = sorted(set(chosen) - set(names()))
    if unknown:
        parser.error(f"no benchmark of the name {', '.join(unknown)}; there are: {', '.join(names())}")
    found = []
    for name in chosen:
        found.append(run(name, asked.seconds))
        lines = found[-1]["printed"]
        print(f"== {name}: {found[-1]['ended']}, {found[-1]['seconds']} s", *lines, sep="\n   ", flush=True)
        asked.out.write_text(json.dumps(found, indent=1, ensure_ascii=False), encoding="utf-8")
    return int(any(row["ended"] != "ok" for row in found))


if __name__ == "__main__":
    sys.exit(main())
