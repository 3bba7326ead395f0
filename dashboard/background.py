"""Long work beside the page: in a thread of its own, watched by the page, stopped by a button or when nobody looks.

The page never waits longer than `PATIENCE_SECONDS`: it shows how far the work is, takes a first result as soon as
there is one, and draws itself again when a better one comes. Two pieces of work run at once, whoever asked for them;
the others wait in the order in which they were asked for. What somebody waits for is never dropped.
"""

from __future__ import annotations

import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Any

import streamlit as st

from dashboard.text import _, ngettext, number, percent

PATIENCE_SECONDS = 1.2
FORGOTTEN_SECONDS = 20.0
KEPT_JOBS = 12
RUNNING_JOBS = 2
POLL_SECONDS = 0.7


class Stopped(Exception):
    """Raised inside a job that was told to stop before it had anything to show."""


class Job:
    """One piece of work, waiting or in its own thread: how far it is, its best result so far, whether it has ended."""

    def __init__(self, work: Callable[[Job], Any], when_ended: Callable[[], None]) -> None:
        self.step, self.share, self.detail = "", 0.0, 0.0
        self.result: Any = None
        self.version = 0
        self.error: BaseException | None = None
        self.began = self.wanted = time.monotonic()
        self.seconds = 0.0
        self.cancelled = threading.Event()
        self.started = threading.Event()
        self.ended = threading.Event()
        self._work, self._when_ended = work, when_ended

    def start(self) -> None:
        """Begin the work in a thread of its own."""
        self.started.set()
        threading.Thread(target=self._run, daemon=True, name="plan").start()

    def drop(self) -> None:
        """End it before it has begun."""
        self.ended.set()

    def _run(self) -> None:
        self.began = time.monotonic()
        try:
            self.show(self._work(self))
        except Stopped:
            pass
        except BaseException as error:  # handed to the page, which says it in plain words or fails openly
            self.error = error
        finally:
            self.seconds = time.monotonic() - self.began
            self.ended.set()
            self._when_ended()

    def say(self, step: str, share: float, detail: float = 0.0) -> None:
        """Note how far the work is: a template of words (it may hold {detail}), the share done, a figure.

        Ends the work where it is not wanted.
        """
        self.step, self.share, self.detail = step, share, detail
        if self.stop():
            raise Stopped

    def show(self, result: Any) -> None:
        """Give the page a result, the best so far."""
        self.result = result
        self.version += 1

    def stop(self) -> bool:
        """Return whether the work is to end: a person stopped it, or no page has asked for it for a while."""
        return self.cancelled.is_set() or time.monotonic() - self.wanted > FORGOTTEN_SECONDS

    def ask(self) -> None:
        """Note that somebody still waits for it."""
        self.wanted = time.monotonic()


class Desk:
    """The work of this server: what runs, what waits, and the newest results."""

    def __init__(self, running: int = RUNNING_JOBS) -> None:
        self.running = running
        self.jobs: OrderedDict[Hashable, Job] = OrderedDict()
        self.queue: list[Job] = []
        self.kept: OrderedDict[Hashable, Any] = OrderedDict()
        self.making: dict[Hashable, threading.Lock] = {}
        self.lock = threading.RLock()

    def job(self, key: Hashable, work: Callable[[Job], Any]) -> Job:
        """Return the job of a key, put in the queue anew where there is none or where nobody wanted the old one."""
        with self.lock:
            found = self.jobs.get(key)
            if found is not None and found.ended.is_set() and found.result is None and found.error is None:
                found = found if found.cancelled.is_set() else None
            if found is None:
                found = self.jobs[key] = Job(work, self.next)
                self.queue.append(found)
            found.ask()
            self.jobs.move_to_end(key)
            self.next()
            ended = [other for other, job in self.jobs.items() if job.ended.is_set()]
            for old in ended[: max(len(ended) - KEPT_JOBS, 0)]:
                del self.jobs[old]
            return found

    def next(self) -> None:
        """Begin what waits longest and is still wanted, while there is room."""
        with self.lock:
            for job in [job for job in self.queue if job.stop()]:
                job.drop()
                self.queue.remove(job)
            busy = sum(job.started.is_set() and not job.ended.is_set() for job in self.jobs.values())
            while self.queue and busy < self.running:
                self.queue.pop(0).start()
                busy += 1

    def before(self, job: Job) -> int:
        """Return how many jobs wait or run before this one does."""
        with self.lock:
            if job not in self.queue:
                return 0
            return self.queue.index(job) + self.running

    def forget(self, key: Hashable) -> None:
        """Drop a job that has ended, so that it is begun anew when it is asked for again."""
        with self.lock:
            job = self.jobs.pop(key, None)
            if job is not None and not job.ended.is_set():
                job.cancelled.set()
                self.next()

    def keep(self, key: Hashable, make: Callable[[], Any], most: int = 4) -> Any:
        """Return what is kept under a key, made where it is not (once, however many jobs ask for it)."""
        with self.lock:
            making = self.making.setdefault(key, threading.Lock())
        with making:
            if key not in self.kept:
                self.put(key, make(), most)
            return self.kept[key]

    def put(self, key: Hashable, value: Any, most: int = 4) -> None:
        """Keep a value, the newest ones of its sort (the first part of its key)."""
        with self.lock:
            self.kept.pop(key, None)
            self.kept[key] = value
            alike = [other for other in self.kept if other[0] == key[0]]  # type: ignore[index]
            for old in alike[:-most]:
                self.kept.pop(old)
                self.making.pop(old, None)


@st.cache_resource(show_spinner=False)
def desk() -> Desk:
    """Return the desk of this server."""
    return Desk()


def wait_for(key: Hashable, work: Callable[[Job], Any], name: str) -> Any:
    """Return the result of a job, the best so far, or None with its progress drawn on the page.

    Parameters
    ----------
    work : callable
        Takes its `Job`, returns the result.
    """
    job = desk().job(key, work)
    job.ask()
    patient_until = time.monotonic() + (PATIENCE_SECONDS if job.result is None else 0.0)
    while not job.ended.wait(max(0.0, min(1.0, patient_until - time.monotonic()))):
        job.ask()
        if time.monotonic() >= patient_until:
            break
    if job.error is not None:
        desk().forget(key)
        raise job.error
    if job.ended.is_set():
        if job.cancelled.is_set():
            _stopped(job, key, name)
        return job.result
    _watch(job, job.version, name)
    return job.result


def _stopped(job: Job, key: Hashable, name: str) -> None:
    """Say that the work was stopped, and offer to go on."""
    st.caption(
        _("Stopped: this is the best found until then.")
        if job.result is not None
        else _("Stopped before there was a result.")
    )
    if st.button(_("Work it out again"), key=f"{name}_again"):
        desk().forget(key)
        st.rerun()


def _watch(job: Job, shown: int, name: str) -> None:
    """Draw how far a job is, with a button that stops it; draw the page again when there is something new."""

    @st.fragment(run_every=POLL_SECONDS)
    def progress() -> None:
        job.ask()
        desk().next()
        if job.ended.is_set() or job.version > shown:
            st.rerun(scope="app")
        if not job.started.is_set():
            before = desk().before(job)
            st.progress(
                0.0,
                ngettext(
                    "Waiting: {count} other plan is worked out first.",
                    "Waiting: {count} other plans are worked out first.",
                    before,
                ).format(count=before),
            )
            return
        words = _(job.step).format(detail=percent(job.detail, 1)) if job.step else _("Beginning …")
        passed = _("{seconds} s").format(seconds=number(time.monotonic() - job.began, 0))
        bar, button = st.columns([4, 1], vertical_alignment="center")
        bar.progress(min(1.0, job.share), f"{words} · {passed}")
        if button.button(_("Stop"), key=f"{name}_stop", width="stretch"):
            job.cancelled.set()
            job.ended.wait(1.0)
            st.rerun(scope="app")

    progress()
