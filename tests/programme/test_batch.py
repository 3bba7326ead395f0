"""The batch: every group once, resumable, the same on one core, many cores and a local cluster."""

from __future__ import annotations

import json

import pytest

from core.errors import InputError, StoreError
from core.planning.case import make_case
from core.programme.__main__ import main
from core.programme.batch import Job, done_jobs, run_batch


def jobs(count: int):
    return [Job(f"g{number}", make_case(3, 8, 20, seed=number).to_json()) for number in range(count)]


def lines(path):
    return {row["name"]: row for row in map(json.loads, path.read_text(encoding="utf-8").splitlines())}


def test_every_group_once_and_only_the_missing_ones_on_a_second_start(tmp_path):
    path = tmp_path / "plans.jsonl"
    assert run_batch(jobs(3), path, processes=1).planned == 3
    with path.open("a", encoding="utf-8") as handle:
        handle.write('{"name": "g3", "me')  # the power went off here
    report = run_batch(jobs(5), path, processes=1)
    assert (report.planned, report.already_done, report.failed) == (2, 3, 0)
    assert sorted(lines(path)) == [f"g{number}" for number in range(5)]


def test_cores_give_what_one_core_gives(tmp_path):
    one, two = tmp_path / "one.jsonl", tmp_path / "two.jsonl"
    run_batch(jobs(4), one, processes=1, seconds=20)
    run_batch(iter(jobs(4)), two, processes=2, seconds=20)
    for name, row in lines(one).items():
        # the solver may stop at different plans within its gap
        assert lines(two)[name]["mean"] == pytest.approx(row["mean"], rel=0.01)


@pytest.mark.slow
def test_a_local_cluster_runs_the_same_batch(tmp_path):
    distributed = pytest.importorskip("distributed")
    path = tmp_path / "cluster.jsonl"
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, dashboard_address=None, host="127.0.0.1"
    ) as cluster:
        assert run_batch(jobs(3), path, scheduler=cluster.scheduler_address).planned == 3
    assert len(lines(path)) == 3


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
        run_batch([*jobs(1), *jobs(1)], tmp_path / "p.jsonl", processes=1)
    other = tmp_path / "letter.jsonl"
    other.write_text("dear sir\n", encoding="utf-8")
    with pytest.raises(StoreError, match=r"letter\.jsonl"):
        done_jobs(other)


def test_the_command_plans_invented_groups(tmp_path, capsys):
    arguments = [
        "--results",
        str(tmp_path / "p.jsonl"),
        "--made",
        "2",
        "--lots",
        "3",
        "--weeks",
        "8",
        "--scenarios",
        "20",
        "--processes",
        "1",
    ]
    assert main(arguments) == 0
    assert "planned 2" in capsys.readouterr().out
