"""Plan batches of growing size and print seconds a group: the growth from small to large batches.

Run: ``python3 -m tests.benchmarks.programme_growth [largest] [processes]``; 100 to 2,000 groups of 40 lots where ``2000`` is given.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path

from core.programme.__main__ import made_jobs
from core.programme.batch import run_batch


def main() -> None:
    """Print time, time a group against the first size, and the largest memory of this process."""
    largest = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    processes = int(sys.argv[2]) if len(sys.argv) > 2 else 2
    first = None
    for count in sorted({max(2, largest // 20), max(4, largest // 4), largest}):
        with tempfile.TemporaryDirectory() as folder:
            began = time.perf_counter()
            report = run_batch(made_jobs(count, 40, 26, 100), Path(folder) / "plans.jsonl", processes)
            seconds = time.perf_counter() - began
        each = seconds / count
        first = first or each
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(
            f"{count:5d} groups: {seconds:7.1f} s, {each:.2f} s a group ({each / first:.2f} of the first size), planned {report.planned}, {memory:.0f} MB here"
        )


if __name__ == "__main__":
    main()
