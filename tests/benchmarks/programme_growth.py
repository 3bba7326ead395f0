"""Plan batches of growing size and print processor seconds a group and the most memory held: the growth from
small to large batches.

Run: ``python3 -m tests.benchmarks.programme_growth [--sizes 100,300,1000] [--lots 40] [--processes 2]``. Wall seconds
depend on what else the
computer does; processor seconds do not.
"""

from __future__ import annotations

import argparse
import json
import resource
import tempfile
import time
from pathlib import Path

import numpy as np

from core.programme.__main__ import made_jobs
from core.programme.batch import run_batch


def main() -> None:
    """Print time, processor time a group against the first size, gap, and the largest memory of this process and
    of a worker.
    """
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sizes", default="5,20")
    parser.add_argument("--lots", type=int, default=40)
    parser.add_argument("--weeks", type=int, default=26)
    parser.add_argument("--processes", type=int, default=2)
    given = parser.parse_args()
    first = None
    for count in map(int, given.sizes.split(",")):
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "plans.jsonl"
            began = time.perf_counter()
            report = run_batch(made_jobs(count, given.lots, given.weeks, 100), path, given.processes)
            seconds = time.perf_counter() - began
            rows = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
        each = float(np.mean([row["seconds"] for row in rows if "seconds" in row]))
        gaps = [row["gap"] for row in rows if row.get("gap") is not None]
        memory = max(row.get("memory_mb", 0.0) for row in rows)
        first = first or each
        here = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(
            f"{count:5d} groups x {given.lots} lots: {seconds:7.1f} s wall, {each:.2f} processor s a group "
            f"({each / first:.2f} of the first size), "
            f"planned {report.planned}, without a bound {len(rows) - len(gaps)}, mean gap {np.mean(gaps):.4f}, "
            f"largest memory {here:.0f} MB here, "
            f"{memory:.0f} MB a worker",
            flush=True,
        )


if __name__ == "__main__":
    main()
