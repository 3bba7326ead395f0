"""Plan all groups in one batch, and say what would help each: ``python -m core.programme --results plans.jsonl``.

The groups come from the database, from a folder of group files, or are invented to try the computer. A batch that was
stopped goes on from its result file when it is started again with the same command.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping
from datetime import UTC, date, datetime
from datetime import time as clock_time
from pathlib import Path
from typing import Any

import pandas as pd

from core.errors import DryholdError, InputError
from core.group.store import Store
from core.programme.batch import BatchReport, Job, run_batch
from core.programme.group_upkeep import counted

ALL_PLANNED, WRONG, SOME_WITHOUT, SOME_BROKEN, STOPPED = 0, 1, 3, 4, 130
PLAN_TAGS = {
    "name": "#org+group",
    "currency": "#currency",
    "lots": "#value+lots+num",
    "mean": "#value+money+mean",
    "worst_tenth_mean": "#value+money+low",
    "gap": "#value+gap",
    "bags_sold": "#value+bags+num",
    "unmet": "#value+needs+unmet+num",
    "method": "#meta+method",
    "seconds": "#value+seconds",
    "case": "#meta+case+hash",
    "error": "#meta+remark",
}


def stored_jobs(store: Store, today: date) -> Iterator[Job]:
    """Yield the planning case of every group that has one; say which have none and why."""
    from core.planning.case_from_records import build_case

    for group in counted(store.groups()):
        try:
            built = build_case(store, group.id, today)
        except DryholdError as error:
            print(f"\n{group.name}: no plan: {error}", file=sys.stderr)
            continue
        yield Job(f"{group.id} {group.name}", built.case.to_json(), built.data)


def made_jobs(count: int, lots: int, weeks: int, scenarios: int) -> Iterator[Job]:
    """Yield invented cases, to try a computer or a cluster."""
    from core.planning.case import make_case

    for number in range(count):
        yield Job(f"made {number}", make_case(lots, weeks, scenarios, seed=number).to_json())


def store_of_files(folder: Path, database: Path, now: datetime) -> tuple[Store, list[str]]:
    """Return a database filled from all group files of a folder, and the files that did not come in, with the reason.

    What became of each file is said as it happens.

    Raises
    ------
    InputError
        No such folder, or no group file in it.
    """
    from core.group.database import open_store
    from core.programme.group_merge import merge_files

    if not folder.is_dir():
        raise InputError("there is no folder {folder}", folder=folder)
    paths = sorted(path for path in folder.iterdir() if path.suffix.lower() == ".zip")
    if not paths:
        raise InputError("the folder {folder} holds no group file (.zip)", folder=folder)
    store = open_store(f"sqlite:///{database}")
    left_out = []
    for outcome in merge_files(store, ((path.name, path.read_bytes()) for path in paths), now):
        print(f"{outcome.file_name}: {outcome.status}: {outcome.reason}", file=sys.stderr)
        if outcome.status in ("broken", "asked"):
            left_out.append(f"{outcome.file_name}: {outcome.reason}")
    return store, left_out


def write_table(path: Path, frame: pd.DataFrame, tags: Mapping[str, str], sheet: str) -> None:
    """Write a table with its HXL tags as XLSX or CSV, as the file's name says.

    Raises
    ------
    InputError
        Another ending, or a place that cannot be written to.
    """
    from core.tables.write import csv_bytes, workbook_bytes

    ending = path.suffix.lower()
    if ending not in (".xlsx", ".csv"):
        raise InputError("a table is written as .xlsx or .csv, not as {ending}", ending=ending or path.name)
    content = workbook_bytes({sheet: frame}, {sheet: tags}) if ending == ".xlsx" else csv_bytes(frame, tags)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    except OSError as error:
        raise InputError("{path} cannot be written: {why}", path=path, why=error.strerror or error) from error


def plans_table(results: Path) -> pd.DataFrame:
    """Return the last line of each group in a result file as a table with the columns of `PLAN_TAGS`."""
    rows: dict[str, dict[str, Any]] = {}
    for line in results.read_text(encoding="utf-8").splitlines():
        row = json.loads(line)
        rows[row["name"]] = row
    return pd.DataFrame(list(rows.values())).reindex(columns=list(PLAN_TAGS))


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m core.programme",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        epilog=(
            f"Ends with {ALL_PLANNED} when every group has a plan, {SOME_WITHOUT} when some have none (they are "
            f"named), {SOME_BROKEN} when a group file did not come in (each is listed with the reason), {WRONG} when "
            f"something is wrong with the command, the files or the database, {STOPPED} when stopped by hand; what is "
            f"planned is kept."
        ),
    )
    parser.add_argument(
        "--results",
        type=Path,
        required=True,
        help="file of results, a line for each group; an interrupted batch goes on from it",
    )
    source = parser.add_mutually_exclusive_group()
    source.add_argument(
        "--database", help="address of the database (SQLite or PostgreSQL); the user's own where not given"
    )
    source.add_argument("--files", type=Path, help="folder of group files (.zip) instead of a database")
    source.add_argument("--made", type=int, default=0, metavar="GROUPS", help="plan so many invented groups instead")
    parser.add_argument("--table", type=Path, help="also write the plans as a table with HXL tags, .xlsx or .csv")
    parser.add_argument(
        "--what-helps",
        type=Path,
        help="also work out what would help each group, as a table with HXL tags, .xlsx or .csv",
    )
    parser.add_argument(
        "--today", type=date.fromisoformat, default=None, help="day to plan from, such as 2026-06-30 (today)"
    )
    parser.add_argument("--processes", type=int, default=None, help="workers on this computer (all cores)")
    parser.add_argument(
        "--scheduler", default=None, help="address of a running Dask scheduler, such as tcp://host:8786"
    )
    parser.add_argument(
        "--full",
        action="store_true",
        help="the full search with all scenarios for each group, as the plan page makes it: slower",
    )
    parser.add_argument("--seconds", type=float, default=60.0, help="longest time for one group's solver (60)")
    parser.add_argument("--lots", type=int, default=40, help="lots of an invented group (40)")
    parser.add_argument("--weeks", type=int, default=26, help="weeks of an invented group (26)")
    parser.add_argument("--scenarios", type=int, default=100, help="scenarios of an invented group (100)")
    return parser


def _check(given: argparse.Namespace) -> None:
    if given.made < 0 or (given.processes is not None and given.processes < 1) or given.seconds <= 0:
        raise InputError("groups, processes and seconds must be above 0")
    if given.what_helps is not None and given.made:
        raise InputError("invented groups have no records: what would help them cannot be worked out")
    for path in (given.table, given.what_helps):
        if path is not None and path.suffix.lower() not in (".xlsx", ".csv"):
            raise InputError("a table is written as .xlsx or .csv, not as {ending}", ending=path.suffix or path.name)


def _run(given: argparse.Namespace, folder: Path) -> int:
    from core.group.database import open_store

    today = given.today or datetime.now(UTC).date()
    store: Store | None = None
    left_out: list[Any] = []
    if given.files is not None:
        now = max(datetime.now(UTC), datetime.combine(today, clock_time.max, UTC))
        store, left_out = store_of_files(given.files, folder / "groups.sqlite3", now)
    elif not given.made:
        store = open_store(given.database)
    total = given.made or (len(counted(store.groups())) if store is not None else 0)
    if total == 0:
        raise InputError("the database holds no group: enter one, or give --files or --made")
    jobs = (
        made_jobs(given.made, given.lots, given.weeks, given.scenarios) if store is None else stored_jobs(store, today)
    )
    began = time.monotonic()

    def progress(count: int, name: str) -> None:
        left = (time.monotonic() - began) / count * max(0, total - count)
        print(
            f"\r{count} of {total} planned, about {left / 60:.0f} min left, last: {name}   ",
            end="",
            file=sys.stderr,
            flush=True,
        )

    report = run_batch(jobs, given.results, given.processes, given.scheduler, given.seconds, progress, given.full)
    print(file=sys.stderr)
    _write(given, store, today, report)
    without = total - report.planned - report.already_done
    print(f"planned {report.planned}, done before {report.already_done}, without a plan {without}")
    for line in left_out:
        print(f"not in: {line}")
    return SOME_BROKEN if left_out else SOME_WITHOUT if without > 0 else ALL_PLANNED


def _write(given: argparse.Namespace, store: Store | None, today: date, report: BatchReport) -> None:
    if given.table is not None:
        write_table(given.table, plans_table(given.results), PLAN_TAGS, "plans")
        print(f"plans: {given.table}")
    if given.what_helps is not None and store is not None:
        from core.programme.helping import HELP_TAGS, help_of_groups, help_table

        groups = counted(store.groups())
        found = help_of_groups(
            store,
            [group.id for group in groups],
            today,
            given.processes or 0,
            lambda done, of: print(f"\rwhat would help: {done} of {of} groups   ", end="", file=sys.stderr, flush=True),
        )
        print(file=sys.stderr)
        write_table(given.what_helps, help_table(found, groups), HELP_TAGS, "what would help")
        print(f"what would help: {given.what_helps}")


def main(arguments: list[str] | None = None) -> int:
    """Read the command line, run the batch, print what happened; return the exit code."""
    given = _parser().parse_args(arguments)
    try:
        _check(given)
        with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
            return _run(given, Path(folder))
    except DryholdError as error:
        print(f"\n{error}", file=sys.stderr)
        return WRONG
    except OSError as error:
        print(f"\n{error.strerror or error}: {error.filename or ''}", file=sys.stderr)
        return WRONG
    except KeyboardInterrupt:
        print("\nstopped: start the same command again to go on", file=sys.stderr)
        return STOPPED


if __name__ == "__main__":
    sys.exit(main())
