"""The batch: every group once, resumable, the same on one core, many cores and a local cluster."""

from __future__ import annotations

import itertools
import json
import multiprocessing
import os
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime
from types import SimpleNamespace

import pytest

from core.errors import InputError, StoreError
from core.group.database import open_store
from core.planning.case import make_case
from core.planning.outlook import build_outlook
from core.planning.quick_plans import plan_in_parts, plan_rounded
from core.planning.sale import plan_sale
from core.planning.shared_prices import shared_prices
from core.planning.worth import broken_limits
from core.programme.__main__ import main
from core.programme.batch import Job, done_jobs, run_batch
from core.programme.group_file import export_group
from demo_data.many_groups import add_invented_groups


def jobs(count: int):
    return [Job(f"g{number}", make_case(3, 8, 20, seed=number).to_json()) for number in range(count)]


def small_jobs(count: int):
    """Return jobs of a lot in four weeks, where what becomes of a job matters and not its plan."""
    return [Job(f"g{number}", make_case(1, 4, 10, seed=number).to_json()) for number in range(count)]


def soon_planned():
    """Return jobs that are planned soon: two by the quick plan, two by the full search."""
    made = jobs(9)
    return [made[number] for number in (3, 5, 7, 8)]


@pytest.fixture(scope="module")
def on_one_core(tmp_path_factory):
    """The mean of each of `soon_planned` by the loop of one core."""
    path = tmp_path_factory.mktemp("batch") / "one.jsonl"
    run_batch(soon_planned(), path, processes=1)
    return {name: row["mean"] for name, row in lines(path).items()}


def lines(path):
    return {row["name"]: row for row in map(json.loads, path.read_text(encoding="utf-8").splitlines())}


def test_every_group_once_and_only_the_missing_ones_on_a_second_start(tmp_path):
    path = tmp_path / "plans.jsonl"
    assert run_batch(small_jobs(3), path, processes=1).planned == 3
    with path.open("a", encoding="utf-8") as handle:
        handle.write('{"name": "g3", "me')  # the power went off here
    report = run_batch(small_jobs(5), path, processes=1)
    assert (report.planned, report.already_done) == (2, 3)
    assert sorted(lines(path)) == [f"g{number}" for number in range(5)]


def test_cores_give_what_one_core_gives(tmp_path, on_one_core):
    two = tmp_path / "two.jsonl"
    run_batch(iter(soon_planned()), two, processes=2)
    assert {name: row["mean"] for name, row in lines(two).items()} == on_one_core


@pytest.mark.slow
def test_a_killed_worker_of_this_computer_is_said_and_the_next_start_goes_on(tmp_path, monkeypatch):
    """Whatever is planned is kept; the surroundings of the caller are as they were."""
    monkeypatch.delenv("OMP_NUM_THREADS")
    path, before = tmp_path / "plans.jsonl", dict(os.environ)

    def kill_all(_count: int, _name: str) -> None:
        for worker in multiprocessing.active_children():
            os.kill(worker.pid, signal.SIGKILL)

    with pytest.raises(StoreError, match="stopped from outside"):
        run_batch(jobs(12), path, processes=2, progress=kill_all)
    assert dict(os.environ) == before
    kept = len(lines(path))
    assert 1 <= kept < 12
    report = run_batch(jobs(12), path, processes=1)
    assert (report.planned, report.already_done) == (12 - kept, kept)
    names = [json.loads(line)["name"] for line in path.read_text(encoding="utf-8").splitlines()]
    assert sorted(names) == sorted(job.name for job in jobs(12))


def test_a_local_cluster_runs_the_same_batch(tmp_path, on_one_core):
    distributed = pytest.importorskip("distributed")
    path = tmp_path / "cluster.jsonl"
    # threads instead of processes: the scheduler, its address and the traffic are the same, the start is quicker
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=2, processes=False, dashboard_address=None, host="127.0.0.1", protocol="tcp"
    ) as cluster:
        assert cluster.scheduler_address.startswith("tcp://")
        assert run_batch(soon_planned(), path, scheduler=cluster.scheduler_address).planned == 4
    assert {name: row["mean"] for name, row in lines(path).items()} == on_one_core


@pytest.mark.slow
def test_a_killed_worker_of_a_cluster_loses_nothing(tmp_path):
    """A worker is killed while it plans; the scheduler gives its work to another, and each group has one line."""
    distributed = pytest.importorskip("distributed")
    path, killed = tmp_path / "cluster.jsonl", []
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, host="127.0.0.1"
    ) as cluster:

        def kill_one(count: int, _name: str) -> None:
            if count == 2:
                killed.append(next(iter(cluster.workers.values())).pid)
                os.kill(killed[0], signal.SIGKILL)

        report = run_batch(jobs(10), path, scheduler=cluster.scheduler_address, progress=kill_one)
        assert killed[0] not in {worker.pid for worker in cluster.workers.values()}
    assert report.planned == 10
    assert sorted(json.loads(line)["name"] for line in path.read_text(encoding="utf-8").splitlines()) == sorted(
        job.name for job in jobs(10)
    )


@pytest.mark.slow
def test_a_cluster_that_is_not_there_or_goes_away_is_said_in_a_sentence(tmp_path, monkeypatch):
    distributed = pytest.importorskip("distributed")
    monkeypatch.setattr("core.programme.batch.CLUSTER_SECONDS", 1)
    path = tmp_path / "cluster.jsonl"
    with pytest.raises(StoreError, match="cannot be reached"):
        run_batch(jobs(1), path, scheduler="tcp://127.0.0.1:9")
    cluster = distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None, host="127.0.0.1", protocol="tcp"
    )
    with pytest.raises(StoreError, match="cannot be reached"):
        run_batch(jobs(6), path, scheduler=cluster.scheduler_address, progress=lambda _count, _name: cluster.close())
    assert lines(path)  # what was planned is kept


@pytest.mark.slow
def test_memory_is_bounded_by_reading_cases_lazily(tmp_path):
    drawn = []

    def lazy():
        for job in jobs(6):
            drawn.append(job.name)
            yield job

    seen = []
    run_batch(lazy(), tmp_path / "p.jsonl", processes=1, progress=lambda count, name: seen.append((count, len(drawn))))
    assert seen == [(number, number) for number in range(1, 7)]


def test_same_name_twice_and_a_foreign_file_are_refused(tmp_path):
    with pytest.raises(InputError, match="two groups"):
        run_batch([*small_jobs(1), *small_jobs(1)], tmp_path / "p.jsonl", processes=1)
    other = tmp_path / "letter.jsonl"
    other.write_text("dear sir\n", encoding="utf-8")
    with pytest.raises(StoreError, match=r"letter\.jsonl"):
        done_jobs(other)


def test_a_group_whose_records_changed_is_planned_again(tmp_path):
    path = tmp_path / "plans.jsonl"
    run_batch(small_jobs(2), path, processes=1)
    changed = Job("g1", make_case(1, 4, 10, seed=9).to_json())
    report = run_batch([small_jobs(1)[0], changed], path, processes=1)
    assert (report.planned, report.already_done) == (1, 1)
    assert lines(path)["g1"]["case"] == changed.digest  # the last line counts


def test_killed_in_the_middle_and_started_again_nothing_is_lost_or_doubled(tmp_path):
    path = tmp_path / "plans.jsonl"
    # the first of these is planned by rounding, in a tenth of the time of the second
    sizes = ["--made", "4", "--lots", "3", "--weeks", "6", "--scenarios", "20", "--processes", "1"]
    command = [sys.executable, "-m", "core.programme", "--results", str(path), *sizes]
    running = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    until = time.monotonic() + 120
    while (not path.exists() or path.read_bytes().count(b"\n") < 1) and time.monotonic() < until:
        time.sleep(0.005)
    running.kill()
    running.wait()
    before = path.read_bytes().count(b"\n")
    assert 1 <= before < 4, "it was to be killed in the middle"
    with path.open("ab") as handle:
        handle.write(b'{"name": "made 3", "ca')  # what a cut-off write looks like
    again = subprocess.run(command, capture_output=True, text=True, check=False)
    assert again.returncode == 0
    assert f"done before {before}" in again.stdout
    names = [json.loads(line)["name"] for line in path.read_text(encoding="utf-8").splitlines()]
    assert sorted(names) == [f"made {number}" for number in range(4)]


@pytest.mark.slow
@pytest.mark.parametrize("seed", [0, 3])
def test_a_quick_plan_keeps_every_limit_and_most_of_the_full_plans_value(seed):
    # The full search on the same scenarios is the reference; both are valued by the same independent evaluation.
    case = make_case(10, 16, 40, seed=seed)
    outlook = build_outlook(case)
    quick, full = plan_rounded(case, outlook), plan_sale(case, outlook)
    assert broken_limits(outlook, quick.allocation) == []
    assert quick.objective <= quick.bound * (1 + 1e-9)
    assert quick.objective > 0.95 * full.objective


def test_parted_bags_bring_no_less_than_whole_ones_and_no_more_than_the_bound():
    case = make_case(10, 16, 40, seed=1)
    outlook = build_outlook(case)
    quick = plan_rounded(case, outlook)
    _parted, worth = plan_in_parts(case, outlook)
    assert worth.mean >= quick.mean * (1 - 1e-6)


def test_a_slow_machine_gives_the_same_quick_plans(monkeypatch):
    """A clock that runs five seconds on with each look: what is counted in rounds does not notice."""
    case = make_case(6, 12, 30, seed=1).with_changes(risk_weight=0.5)
    outlook = build_outlook(case)

    def quick():
        prices = shared_prices(outlook)
        return plan_in_parts(case, outlook)[1].mean, plan_rounded(case, outlook).objective, prices.duals.tolist()

    usual = quick()
    passed = itertools.count(0.0, 5.0)
    slow = SimpleNamespace(perf_counter=lambda: next(passed))
    for module in ("search", "quick_plans", "shared_prices"):
        monkeypatch.setattr(f"core.planning.{module}.time", slow)
    assert quick() == usual


def test_the_command_says_what_is_wrong_in_plain_words(tmp_path, capsys):
    results = ["--results", str(tmp_path / "p.jsonl")]
    assert main([*results, "--files", str(tmp_path / "nowhere")]) == 1
    assert "there is no folder" in capsys.readouterr().err
    assert main([*results, "--files", str(tmp_path)]) == 1
    assert "holds no group file" in capsys.readouterr().err
    assert main([*results, "--made", "1", "--table", str(tmp_path / "plans.pdf")]) == 1
    assert ".xlsx or .csv" in capsys.readouterr().err
    assert main([*results, "--database", f"sqlite:///{tmp_path / 'empty.sqlite3'}"]) == 1
    assert "no group" in capsys.readouterr().err
    with pytest.raises(SystemExit, match="2"):
        main([*results, "--made", "1", "--files", str(tmp_path)])


def test_the_command_plans_a_folder_of_group_files_and_writes_tagged_tables(tmp_path, capsys):
    store = open_store(f"sqlite:///{tmp_path / 'from.sqlite3'}")
    (group_id,) = add_invented_groups(store, 1, datetime(2026, 11, 20, 7, tzinfo=UTC))
    content = export_group(store, group_id, "uid-1", datetime(2026, 11, 20, 8, tzinfo=UTC))
    folder = tmp_path / "files"
    folder.mkdir()
    (folder / "amber.zip").write_bytes(content)
    (folder / "broken.zip").write_bytes(b"no zip")
    table = tmp_path / "plans.csv"
    code = main(
        [
            "--results",
            str(tmp_path / "p.jsonl"),
            "--files",
            str(folder),
            "--today",
            "2026-11-20",
            "--processes",
            "1",
            "--table",
            str(table),
        ]
    )
    said = capsys.readouterr()
    assert "broken.zip: broken" in said.err
    assert "amber.zip: added" in said.err
    assert code == 4  # its own: a file is broken
    assert "not in: broken.zip" in said.out
    rows = table.read_text(encoding="utf-8-sig").splitlines()
    assert rows[0].startswith("name,currency,lots,mean")
    assert rows[1].startswith("#org+group,#currency,#value+lots+num")
    assert "Amber Growers" in rows[2]


def test_the_command_plans_invented_groups(tmp_path, capsys):
    sizes = ["--made", "2", "--lots", "1", "--weeks", "4", "--scenarios", "10", "--processes", "1"]
    assert main(["--results", str(tmp_path / "p.jsonl"), *sizes]) == 0
    assert "planned 2" in capsys.readouterr().out
