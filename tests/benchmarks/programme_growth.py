"""Plan batches of growing size and print processor seconds a group and the most memory held: the growth from
small to large batches.

Run: ``python3 -m tests.benchmarks.programme_growth [--sizes 100,300,1000] [--lots 40] [--processes 2]``. Wall seconds
depend on what else the computer does; processor seconds do not. Each size goes on from the one before, so that every
group is planned once; with ``--folder`` a stopped run goes on too, and one run a size shares the computer with others.
``--cluster`` plans each size a second time on a Dask scheduler and one worker process of this computer, and says in
how many groups that differs from the loop.
"""

from __future__ import annotations

import argparse
import json
import resource
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

from core.programme.__main__ import made_jobs
from core.programme.batch import run_batch

SAME = ("case", "lots", "mean", "worst_tenth_mean", "gap", "method", "bags_sold", "unmet", "error")
"""What two ways of planning a group must agree in: all but time and memory."""


def _rows(path: Path) -> dict[str, dict[str, Any]]:
    return {row["name"]: row for row in map(json.loads, path.read_text(encoding="utf-8").splitlines())}


def _line(count: int, given: argparse.Namespace, rows: list[dict[str, Any]], first: float | None) -> float:
    """Print one size's figures; return its processor seconds a group."""
    each = float(np.mean([row["seconds"] for row in rows if "seconds" in row]))
    gaps = [row["gap"] for row in rows if row.get("gap") is not None]
    here = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{count:5d} groups x {given.lots} lots: {each * len(rows) / 60:.1f} processor min, {each:.3f} s a group "
        f"({each / (first or each):.2f} of the first size), failed {sum('error' in row for row in rows)}, "
        f"without a bound {len(rows) - len(gaps)}, mean gap {np.mean(gaps):.4f}, largest memory {here:.0f} MB here, "
        f"{max(row.get('memory_mb') or 0.0 for row in rows):.0f} MB a worker",
        flush=True,
    )
    return each


def _on_cluster(count: int, given: argparse.Namespace, path: Path, loop: dict[str, dict[str, Any]]) -> None:
    """Plan the same groups on a scheduler and one worker process, and print how many differ from the loop."""
    from distributed import LocalCluster

    began = time.perf_counter()
    with LocalCluster(
        n_workers=1, threads_per_worker=1, processes=True, dashboard_address=None, host="127.0.0.1"
    ) as cluster:
        run_batch(made_jobs(count, given.lots, given.weeks, 100), path, scheduler=cluster.scheduler_address)
    there = _rows(path)
    differ = [name for name, row in there.items() if any(row.get(key) != loop[name].get(key) for key in SAME)]
    each = float(np.mean([row["seconds"] for row in there.values() if "seconds" in row]))
    print(
        f"{count:5d} groups on a cluster: {time.perf_counter() - began:.0f} s wall, {each:.3f} s a group, planned "
        f"{len(there)}, different from the loop {len(differ)} {differ[:3]}, "
        f"{max(row.get('memory_mb') or 0.0 for row in there.values()):.0f} MB a worker",
        flush=True,
    )


def main() -> None:
    """Print processor time a group against the first size, gap, and the largest memory of this process and of a
    worker.
    """
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sizes", default="5,20")
    parser.add_argument("--lots", type=int, default=40)
    parser.add_argument("--weeks", type=int, default=26)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--folder", type=Path, help="where results are kept, to go on from")
    parser.add_argument("--cluster", action="store_true", help="also on a Dask scheduler with one worker process")
    given = parser.parse_args()
    first = None
    with tempfile.TemporaryDirectory() as short:
        folder = given.folder or Path(short)
        path = folder / f"plans-{given.lots}-{given.weeks}.jsonl"
        for count in sorted(map(int, given.sizes.split(","))):
            run_batch(made_jobs(count, given.lots, given.weeks, 100), path, given.processes)
            found = _rows(path)
            wanted = [found[f"made {number}"] for number in range(count)]
            each = _line(count, given, wanted, first)
            first = first or each
            if given.cluster:
                _on_cluster(count, given, folder / f"cluster-{count}-{path.name}", found)


if __name__ == "__main__":
    main()
