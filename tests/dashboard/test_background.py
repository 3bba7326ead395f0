"""Work beside the pages: two at once, the others in order, nothing wanted is dropped, nobody's page waits for it."""

from __future__ import annotations

import threading
import time

from dashboard import background
from dashboard.background import Desk


def wait_until(true, seconds=5.0):
    end = time.monotonic() + seconds
    while not true() and time.monotonic() < end:
        time.sleep(0.005)
    return true()


def test_twenty_wanted_jobs_all_end_and_no_more_than_two_run_at_once():
    desk, running, most = Desk(), [], []

    def work(_job):
        running.append(1)
        most.append(len(running))
        time.sleep(0.01)
        running.pop()
        return "done"

    jobs = [desk.job(("plan", number), work) for number in range(20)]
    assert wait_until(lambda: all(job.ended.is_set() for job in jobs))
    assert [job.result for job in jobs] == ["done"] * 20
    assert max(most) <= 2
    # the newest results are kept, the others make room
    assert len(desk.jobs) <= 20
    desk.job(("plan", 99), work)
    assert len(desk.jobs) <= background.KEPT_JOBS + 1


def test_they_begin_in_the_order_in_which_they_were_asked_for():
    desk, order, gate = Desk(running=1), [], threading.Event()
    first = desk.job("first", lambda _job: gate.wait(5))
    others = [desk.job(number, lambda _job, number=number: order.append(number)) for number in range(5)]
    assert [desk.before(job) for job in others] == [1, 2, 3, 4, 5]
    gate.set()
    assert wait_until(lambda: all(job.ended.is_set() for job in (first, *others)))
    assert order == [0, 1, 2, 3, 4]


def test_asking_returns_at_once_while_others_work():
    desk, gate = Desk(), threading.Event()
    for number in range(4):
        desk.job(number, lambda _job: gate.wait(5))
    began = time.monotonic()
    waiting = desk.job("mine", lambda _job: "done")
    assert time.monotonic() - began < 0.2
    assert not waiting.started.is_set()
    gate.set()
    assert wait_until(waiting.ended.is_set)


def test_what_nobody_waits_for_leaves_the_queue_and_can_be_asked_for_again(monkeypatch):
    monkeypatch.setattr(background, "FORGOTTEN_SECONDS", 0.05)
    desk, gate, done = Desk(running=1), threading.Event(), []
    desk.job("long", lambda _job: gate.wait(5))
    left = desk.job("left", lambda _job: done.append("left"))
    time.sleep(0.1)
    wanted = desk.job("wanted", lambda _job: done.append("wanted"))
    assert left.ended.is_set()
    gate.set()
    assert wait_until(wanted.ended.is_set)
    assert done == ["wanted"]
    monkeypatch.setattr(background, "FORGOTTEN_SECONDS", 20.0)
    again = desk.job("left", lambda _job: done.append("left") or "result")
    assert wait_until(again.ended.is_set)
    assert done == ["wanted", "left"]


def test_a_job_that_fails_makes_room_for_the_next():
    desk = Desk(running=1)
    failed = desk.job("fails", lambda _job: 1 / 0)
    good = desk.job("good", lambda _job: "done")
    assert wait_until(lambda: failed.ended.is_set() and good.ended.is_set())
    assert isinstance(failed.error, ZeroDivisionError)
    assert good.result == "done"
