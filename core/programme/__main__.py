"""Plan all groups of a database in one batch: ``python -m core.programme --results plans.jsonl``."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path

from core.errors import DryholdError
from core.programme.batch import Job, run_batch


def stored_jobs(url: str | None, today: date) -> Iterator[Job]:
    """Yield the planning case of every group that has one; say which have none and why."""
    from core.group.database import open_store
    from core.planning.records import build_case

    store = open_store(url)
    for group in store.groups():
        try:
            built = build_case(store, group.id, today)
        except DryholdError as error:
            print(f"{group.name}: no plan: {error}", file=sys.stderr)
            continue
        yield Job(f"{group.id} {group.name}", built.case.to_json())


def made_jobs(count: int, lots: int, weeks: int, scenarios: int) -> Iterator[Job]:
    """Yield invented cases, to try a computer or a cluster."""
    from core.planning.case import make_case

    for number in range(count):
        yield Job(f"made {number}", make_case(lots, weeks, scenarios, seed=number).to_json())


def main(arguments: list[str] | None = None) -> int:
    """Read the command line, run the batch, print what happened."""
    parser = argparse.ArgumentParser(prog="python -m core.programme", description=__doc__)
    parser.add_argument(
        "--results", type=Path, required=True, help="file of JSON lines; an interrupted batch goes on from it"
    )
    parser.add_argument("--database", help="address of the database; the user's own where not given")
    parser.add_argument("--today", type=date.fromisoformat, default=None, help="day to plan from, ISO date")
    parser.add_argument("--processes", type=int, default=None, help="workers on this computer (all cores)")
    parser.add_argument("--scheduler", default=None, help="address of a running Dask scheduler")
    parser.add_argument("--seconds", type=float, default=1.5, help="longest time for one group's solver")
    parser.add_argument("--made", type=int, default=0, help="plan this many invented groups instead")
    parser.add_argument("--lots", type=int, default=40, help="lots of an invented group")
    parser.add_argument("--weeks", type=int, default=26)
    parser.add_argument("--scenarios", type=int, default=100)
    given = parser.parse_args(arguments)
    today = given.today or datetime.now(UTC).date()
    jobs = (
        made_jobs(given.made, given.lots, given.weeks, given.scenarios)
        if given.made
        else stored_jobs(given.database, today)
    )
    try:
        report = run_batch(
            jobs,
            given.results,
            given.processes,
            given.scheduler,
            given.seconds,
            lambda count, name: print(f"\r{count} planned, last: {name}   ", end="", file=sys.stderr, flush=True),
        )
    except DryholdError as error:
        print(f"\n{error}", file=sys.stderr)
        return 1
    print(f"\nplanned {report.planned}, done before {report.already_done}, without a plan {report.failed}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
