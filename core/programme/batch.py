"""Plan many groups in one batch: on all cores or an existing cluster, resumable, with bounded memory."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from core.errors import DryholdError, InputError, StoreError

IN_FLIGHT_PER_WORKER = 2
THREAD_VARIABLES = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


@dataclass(frozen=True)
class Job:
    """One group to plan: a name that is unique in the batch, and its planning case as JSON."""

    name: str
    case_json: str


@dataclass(frozen=True)
class BatchReport:
    """What a batch did: planned now, found done from before, failed (listed in the result file)."""

    planned: int
    already_done: int
    failed: int


def plan_job(name: str, case_json: str, seconds: float) -> dict[str, Any]:
    """Plan one group and return its summary as JSON values; a plan that cannot be made gives an ``error`` instead.

    Parameters
    ----------
    name : str
        The job's name.
    case_json : str
        A planning case.
    seconds : float
        Longest time for the solver.

    Returns
    -------
    dict
        ``name, case, mean, worst_tenth_mean, gap, method, bags_sold, lots`` or ``name, error``.
    """
    from core.planning.case import case_from_json
    from core.planning.sale import plan_sale

    try:
        case = case_from_json(case_json)
        plan = plan_sale(case, time_limit=seconds)
        return {
            "name": name,
            "case": case.content_hash,
            "mean": float(plan.mean),
            "worst_tenth_mean": float(plan.worst_tenth_mean),
            "gap": float(plan.gap),
            "method": plan.method,
            "bags_sold": int(sum(sale.bags for sale in plan.sales)),
            "lots": len(case.lots),
            "unmet": len(plan.unmet),
        }
    except DryholdError as error:
        return {"name": name, "error": str(error)}


def done_jobs(path: Path) -> set[str]:
    """Return the names in a result file; a last line cut off by a stop is taken out of the file first.

    Raises
    ------
    StoreError
        The file holds something that is no batch result.
    """
    if not path.exists():
        return set()
    names = set()
    good = 0
    with path.open("rb") as handle:
        for line in handle:
            if not line.endswith(b"\n"):
                break
            try:
                names.add(str(json.loads(line)["name"]))
            except (ValueError, KeyError, TypeError) as error:
                raise StoreError("{path} is no file of batch results", path=path.name) from error
            good += len(line)
    os.truncate(path, good)
    return names


def run_batch(
    jobs: Iterable[Job],
    results: Path,
    processes: int | None = None,
    scheduler: str | None = None,
    seconds: float = 1.5,
    progress: Callable[[int, str], None] | None = None,
) -> BatchReport:
    """Plan all jobs, writing each summary as a line as soon as it is known.

    Parameters
    ----------
    jobs : iterable of Job
        Read lazily: only as many cases as are under way are held in memory.
    results : Path
        File of JSON lines; a batch started again skips what it holds.
    processes : int, optional
        Workers on this computer; all cores where not given.
    scheduler : str, optional
        Address of a running Dask scheduler (``tcp://host:port``); then nothing is computed here.
    seconds : float
        Longest time for the solver, for each group.
    progress : callable, optional
        Called with the count of finished jobs and the last one's name.

    Returns
    -------
    BatchReport

    Raises
    ------
    InputError
        Two jobs of one name, or a cluster asked for without its package.
    """
    finished = done_jobs(results)
    seen: set[str] = set()
    counts = {"planned": 0, "failed": 0, "already": 0}

    def open_jobs() -> Iterator[Job]:
        for job in jobs:
            if job.name in seen:
                raise InputError("two groups of the batch are called '{name}'", name=job.name)
            seen.add(job.name)
            if job.name in finished:
                counts["already"] += 1
            else:
                yield job

    results.parent.mkdir(parents=True, exist_ok=True)
    with results.open("a", encoding="utf-8") as handle:
        runner = (
            _on_cluster(open_jobs(), scheduler, seconds) if scheduler else _on_cores(open_jobs(), processes, seconds)
        )
        for summary in runner:
            handle.write(json.dumps(summary, ensure_ascii=False) + "\n")
            handle.flush()
            counts["failed" if "error" in summary else "planned"] += 1
            if progress is not None:
                progress(counts["planned"] + counts["failed"], summary["name"])
    return BatchReport(counts["planned"], counts["already"], counts["failed"])


def _on_cores(jobs: Iterator[Job], processes: int | None, seconds: float) -> Iterator[dict[str, Any]]:
    workers = processes or os.cpu_count() or 1
    if workers == 1:
        for job in jobs:
            yield plan_job(job.name, job.case_json, seconds)
        return
    # one thread for each worker: the workers share the cores already
    before = {name: os.environ.get(name) for name in THREAD_VARIABLES}
    os.environ.update(dict.fromkeys(THREAD_VARIABLES, "1"))
    try:
        with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
            waiting: set[Future[dict[str, Any]]] = set()
            for job in jobs:
                waiting.add(pool.submit(plan_job, job.name, job.case_json, seconds))
                if len(waiting) >= workers * IN_FLIGHT_PER_WORKER:
                    done, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                    yield from (future.result() for future in done)
            while waiting:
                done, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                yield from (future.result() for future in done)
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _on_cluster(jobs: Iterator[Job], address: str, seconds: float) -> Iterator[dict[str, Any]]:
    try:
        from distributed import Client, as_completed
    except ImportError as error:
        raise InputError("a cluster needs the extra 'cluster': install dryhold[cluster]") from error
    with Client(address) as client:
        room = max(1, sum(client.ncores().values())) * IN_FLIGHT_PER_WORKER
        running = as_completed([])
        under_way = 0
        for job in jobs:
            running.add(client.submit(plan_job, job.name, job.case_json, seconds, key=f"plan-{job.name}", pure=False))
            under_way += 1
            if under_way >= room:
                yield next(running).result()
                under_way -= 1
        for future in running:
            yield future.result()
