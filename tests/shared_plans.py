"""What makes tests of plans quick: a wide gap, and plans of equal records worked out once in a test run.

Most tests need a plan, not the best one: what they ask (limits kept, bags and money that add up, a page that shows it)
holds for whatever the search finds, and the last steps to the best take most of its time. `--all` searches as the
program does. How good plans are is tested against other solvers and exhaustive search, at the gap that each states.

A plan is found again only where every row of every table, the settings of the surroundings, the group, the day and the
choices are the same. Tests of the making itself take `plans_of_its_own`.
"""

from __future__ import annotations

import hashlib
import os
from collections import OrderedDict
from collections.abc import Callable, Hashable
from datetime import date
from typing import Any

import pytest
import sqlalchemy as sa

from core.advice import read
from core.advice.making import Choices, Keep, MadePlan, Scenes, Tell, silent
from core.group.access import _ruled_is
from core.group.tables import metadata

GAP = float(os.environ.get("DRYHOLD_TEST_GAP", "0.05"))
"""The gap at which a search may stop where a test needs a plan, not the best one."""
MOST = 12
"""Plans kept at once: some tens of megabytes each."""
ELSEWHERE = "DRYHOLD_DATABASE"
"""The same records in another file give the same plan."""


def digest(store: Any) -> str:
    """Return what stands for everything that a plan can depend on: all rows, and the program's own variables."""
    found = hashlib.sha256()
    # a signed-in person's engine reads nothing of itself
    with _ruled_is(True), store.engine.connect() as connection:
        for table in metadata.sorted_tables:
            rows = sorted(repr(tuple(row)) for row in connection.execute(sa.select(table)))
            found.update(repr((table.name, rows)).encode())
    found.update(repr(variables()).encode())
    return found.hexdigest()


def variables() -> tuple[tuple[str, str], ...]:
    """Return the program's own variables."""
    return tuple(sorted(pair for pair in os.environ.items() if pair[0].startswith("DRYHOLD_") and pair[0] != ELSEWHERE))


class SharedPlans:
    """`draw_scenes` and `make_plan` that remember what they were asked."""

    def __init__(self) -> None:
        self.kept: OrderedDict[tuple[Any, ...], Any] = OrderedDict()
        self.runs: dict[Hashable, Any] = {}

    def use(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Let situations take their plans from here."""
        monkeypatch.setattr(read, "draw_scenes", self.draw_scenes)
        monkeypatch.setattr(read, "make_plan", self.make_plan)

    def draw_scenes(
        self, store: Any, group_id: int, today: date, weeks: int | None, tell: Tell = silent, keep: Keep | None = None
    ) -> Scenes:
        """Return the seasons of a group's records; runs of drying and storing are kept longer than by the pages."""
        key = ("scenes", digest(store), group_id, today, weeks)
        return self._once(key, lambda told: DRAW_SCENES(store, group_id, today, weeks, told, self.keep_runs), tell)

    def keep_runs(self, key: Hashable, make: Callable[[], Any]) -> Any:
        """Return what is kept under a key, as long as the program's own variables stay as they are."""
        return self.runs.setdefault((key, variables()), make())

    def make_plan(self, store: Any, scenes: Scenes, group_id: int, choices: Choices, tell: Tell = silent) -> MadePlan:
        """Return the plan under a person's choices."""
        key = ("plan", digest(store), scenes.built.case.content_hash, group_id, choices)
        return self._once(key, lambda told: MAKE_PLAN(store, scenes, group_id, choices, told), tell)

    def _once(self, key: tuple[Any, ...], make: Any, tell: Tell) -> Any:
        """Return what is kept under a key; a search that was stopped is not."""
        stopped = []

        def told(words: str, share: float, detail: float) -> bool:
            stops = tell(words, share, detail)
            if stops:
                stopped.append(True)
            return stops

        if key not in self.kept:
            made = make(told)
            if stopped:
                return made
            self.kept[key] = made
            while len(self.kept) > MOST:
                self.kept.popitem(last=False)
        self.kept.move_to_end(key)
        return self.kept[key]


DRAW_SCENES, MAKE_PLAN = read.draw_scenes, read.make_plan
SHARED = SharedPlans()
