"""Plan many groups in one batch: on all cores or an existing cluster, resumable, with bounded memory."""

from __future__ import annotations

import hashlib
import json
import math
import os
import sys
import time
from asyncio import CancelledError as AsyncCancelledError
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, CancelledError, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from core.errors import DryholdError, InputError, StoreError
from core.planning.case import PlanningCase
from core.planning.group_seasons import Surroundings
from core.planning.outlook import Outlook
from core.planning.sale_plan import SalePlan

IN_FLIGHT_PER_WORKER = 2
CLUSTER_SECONDS = 10
"""Longest wait for a cluster's scheduler."""
BATCH_SCENARIOS = 48
"""Twice the weathers and climates that the rooms draw: each meets two courses of prices."""
WIDE_GAP = 0.03
"""Gap to the bound above which a rounded plan is searched further (judgement: most groups of six lots have it)."""
BATCH_EFFORT = 0.2  # of the usual budget of the search; some seconds of a common processor
LAST_STOP_SECONDS = 60.0  # for a group: results depend on budgets, time only ends what runs away
THREAD_VARIABLES = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


@dataclass(frozen=True)
class Job:
    """One group to plan: a name that is unique in the batch, its planning case as JSON, and its rooms' data.

    `data` holds the place, normals and forecast from which the drying, storage and price rooms draw the scenarios; None
    takes the compact seasons of invented cases.
    """

    name: str
    case_json: str
    data: Surroundings | None = None

    @property
    def digest(self) -> str:
        """Return the content hash of the case: another one means that the group's records changed."""
        return hashlib.sha256(self.case_json.encode()).hexdigest()


@dataclass(frozen=True)
class BatchReport:
    """What a batch did: planned now, found done from before; what failed stands in the result file."""

    planned: int
    already_done: int


def coarse(case: PlanningCase) -> PlanningCase:
    """Return a case as a batch plans it: fewer scenarios, and each crop dried to one moisture only.

    What that and the rounding lose against the full plan is measured in `tests/benchmarks/batch_loss.py`.
    """
    return case.with_changes(scenarios=min(case.scenarios, BATCH_SCENARIOS), target_choices=())


def batch_plan(case: PlanningCase, outlook: Outlook, seconds: float) -> SalePlan:
    """Return a rounded plan, or where its gap is wide (few lots, large trips) the search's that begins with it."""
    from core.planning.quick_plans import plan_rounded
    from core.planning.sale import plan_sale

    plan = plan_rounded(case, outlook, seconds)
    if plan.gap <= WIDE_GAP:
        return plan
    return plan_sale(case, outlook, seconds, mip_gap=0.01, start=plan.allocation, effort=BATCH_EFFORT)


def plan_job(job: Job, seconds: float, full: bool = False) -> dict[str, Any]:
    """Plan one group and return its summary as JSON values; a plan that cannot be made gives an ``error`` instead.

    Parameters
    ----------
    full : bool
        The full search with all scenarios, as the plan page makes it, instead of the batch's quicker plan.

    Returns
    -------
    dict
        ``name, case, currency, lots, mean, worst_tenth_mean, gap, method, bags_sold, unmet, seconds, memory_mb`` or
        ``name, case, error``; seconds are of the processor, memory is the most that the worker has held so far.
    """
    from core.planning.case import case_from_json
    from core.planning.group_seasons import group_seasons
    from core.planning.outlook import build_outlook
    from core.planning.sale import plan_sale

    began = time.process_time()
    try:
        given = case_from_json(job.case_json)
        case = given if full else coarse(given)
        seasons = None if job.data is None else group_seasons(case, case.seed, job.data)
        outlook = build_outlook(case, seasons=seasons)
        plan = plan_sale(case, outlook, seconds) if full else batch_plan(case, outlook, seconds)
        return {
            "name": job.name,
            "case": job.digest,
            "currency": case.currency,
            "lots": len(case.lots),
            "mean": round(float(plan.mean), 2),
            "worst_tenth_mean": round(float(plan.worst_tenth_mean), 2),
            "gap": round(float(plan.gap), 5) if math.isfinite(plan.gap) else None,
            "method": plan.method,
            "bags_sold": int(sum(sale.bags for sale in plan.sales if sale.buyer)),
            "unmet": len(plan.unmet),
            "seconds": round(time.process_time() - began, 2),
            "memory_mb": most_memory_mb(),
        }
    except DryholdError as error:
        return {"name": job.name, "case": job.digest, "error": str(error)}


def most_memory_mb() -> float | None:
    """Return the most memory that this process has held, MB; None where the system does not say."""
    try:
        import resource
    except ImportError:
        return None
    held = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return round(held / (1024 * 1024 if sys.platform == "darwin" else 1024), 1)


def done_jobs(path: Path) -> dict[str, str]:
    """Return the names in a result file with the hash of the case planned.

    A last line cut off by a stop is taken out of the file first.

    Raises
    ------
    StoreError
        The file holds something that is no batch result.
    """
    if not path.exists():
        return {}
    names: dict[str, str] = {}
    good = 0
    with path.open("rb") as handle:
        for line in handle:
            if not line.endswith(b"\n"):
                break
            try:
                row = json.loads(line)
                names[str(row["name"])] = str(row.get("case", ""))
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
    seconds: float = LAST_STOP_SECONDS,
    progress: Callable[[int, str], None] | None = None,
    full: bool = False,
) -> BatchReport:
    """Plan all jobs, writing each summary as a line as soon as it is known.

    Parameters
    ----------
    jobs : iterable of Job
        Read lazily: only as many cases as are under way are held in memory.
    results : Path
        File of JSON lines; a batch started again skips what it holds, unless a group's case is another one by now
        (then its last line counts).
    processes : int, optional
        Workers on this computer; all cores where not given.
    scheduler : str, optional
        Address of a running Dask scheduler (``tcp://host:port``); then nothing is computed here.
    full : bool
        The full search for each group instead of the batch's quicker plan.

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
            if finished.get(job.name) == job.digest:
                counts["already"] += 1
            else:
                yield job

    results.parent.mkdir(parents=True, exist_ok=True)
    with results.open("a", encoding="utf-8") as handle:
        runner = (
            _on_cluster(open_jobs(), scheduler, seconds, full)
            if scheduler
            else _on_cores(open_jobs(), processes, seconds, full)
        )
        for summary in runner:
            handle.write(json.dumps(summary, ensure_ascii=False) + "\n")
            handle.flush()
            counts["failed" if "error" in summary else "planned"] += 1
            if progress is not None:
                progress(counts["planned"] + counts["failed"], summary["name"])
    return BatchReport(counts["planned"], counts["already"])


def _on_cores(jobs: Iterator[Job], processes: int | None, seconds: float, full: bool) -> Iterator[dict[str, Any]]:
    workers = processes or os.cpu_count() or 1
    if workers == 1:
        for job in jobs:
            yield plan_job(job, seconds, full)
        return
    # one thread for each worker: the workers share the cores already
    before = {name: os.environ.get(name) for name in THREAD_VARIABLES}
    os.environ.update(dict.fromkeys(THREAD_VARIABLES, "1"))
    try:
        with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
            waiting: set[Future[dict[str, Any]]] = set()
            for job in jobs:
                waiting.add(pool.submit(plan_job, job, seconds, full))
                if len(waiting) >= workers * IN_FLIGHT_PER_WORKER:
                    done, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                    yield from (future.result() for future in done)
            while waiting:
                done, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                yield from (future.result() for future in done)
    except BrokenProcessPool as error:
        raise StoreError(
            "a worker was stopped from outside, perhaps for want of memory: start the batch again with fewer "
            "processes; what is planned is kept"
        ) from error
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _on_cluster(jobs: Iterator[Job], address: str, seconds: float, full: bool) -> Iterator[dict[str, Any]]:
    try:
        from distributed import Client, KilledWorker, as_completed
    except ImportError as error:
        raise InputError("a cluster needs the extra 'cluster': install dryhold[cluster]") from error
    try:
        yield from _submitted(jobs, Client(address, timeout=CLUSTER_SECONDS), as_completed([]), seconds, full)
    except (OSError, KilledWorker, CancelledError, AsyncCancelledError) as error:
        raise StoreError(
            "the cluster {address} cannot be reached or was stopped: start the batch again when it runs; what is "
            "planned is kept",
            address=address,
        ) from error


def _submitted(jobs: Iterator[Job], client: Any, running: Any, seconds: float, full: bool) -> Iterator[dict[str, Any]]:
    """Give a cluster as many jobs as it has room for; one whose worker dies goes to another worker."""
    with client:
        room = max(1, sum(client.ncores().values())) * IN_FLIGHT_PER_WORKER
        under_way = 0
        for job in jobs:
            running.add(client.submit(plan_job, job, seconds, full, key=f"plan-{job.name}", pure=False))
            under_way += 1
            if under_way >= room:
                yield next(running).result()
                under_way -= 1
        for future in running:
            yield future.result()
