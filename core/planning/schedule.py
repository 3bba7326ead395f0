"""The drying floor by day: which bags of which lot lie on which space from which day to which, in whole bags that fit.

One schedule speaks for the plan, the floor page, the next actions and the calendar. It is made of the plan's own
drying: every line keeps its space and its days, and gets the first days on which it fits. Lines that must be ready
sooner go first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np

from core.planning.case import DAYS_PER_WEEK, PlanningCase

LOOK_DAYS = 800


@dataclass(frozen=True)
class Load:
    """Bags of one lot on one drying space: spread on the morning of `on`, gathered on the evening of `until`.

    Parameters
    ----------
    on, until : date
        First and last day on the space.
    target_pct : float or None
        Moisture to dry to, % wet basis.
    """

    space: str
    lot: str
    owner: str
    on: date
    until: date
    bags: int
    mass_kg: float
    target_pct: float | None
    line: int = 0


@dataclass(frozen=True)
class DryingJob:
    """Bags that are to be dried: on which of the case's spaces, for how many days, and between which days of the plan.

    Days count from the first day of plan week 0. `bag_kg` is the wet mass of a bag as it is spread [kg], `line` the
    line of the plan that it belongs to.
    """

    line: int
    space: int
    bags: int
    bag_kg: float
    days: int
    first_day: int
    ready_by: int


@dataclass(frozen=True)
class Spread:
    """Bags of a job that go out together on one day."""

    job: DryingJob
    day: int
    bags: int

    @property
    def last_day(self) -> int:
        """Return the last day on the space."""
        return self.day + self.job.days - 1


@dataclass
class FloorDays:
    """The mass that lies on each space of a case by day, while it is filled."""

    case: PlanningCase
    lying: dict[int, np.ndarray] = field(default_factory=dict)

    def free(self, space: int, day: int, days: int) -> float:
        """Return the room that a space has left on each of some days in a row [kg]."""
        taken = self._of(space)[day : day + days]
        return self.case.drying[space].capacity_kg - float(taken.max(initial=0.0))

    def put(self, space: int, day: int, days: int, mass_kg: float) -> None:
        """Lay grain on a space for some days in a row."""
        self._of(space)[day : day + days] += mass_kg

    def _of(self, space: int) -> np.ndarray:
        if space not in self.lying:
            self.lying[space] = np.zeros(LOOK_DAYS + 120)
        return self.lying[space]


def spread_jobs(case: PlanningCase, jobs: Sequence[DryingJob]) -> list[Spread]:
    """Return when the bags of each job go out: each on the first days that have room, the most pressing first.

    Returns
    -------
    list of Spread
        All bags of all jobs; what finds no room in time goes out later, so that the floor is never overfull.
    """
    floor, found = FloorDays(case), []
    for job in sorted(jobs, key=lambda one: (one.ready_by, one.first_day, one.days, one.line)):
        left, day = job.bags, job.first_day
        while left > 0 and day < LOOK_DAYS:
            fits = int((floor.free(job.space, day, job.days) + 1e-6) // job.bag_kg)
            bags = min(left, fits)
            if bags > 0:
                floor.put(job.space, day, job.days, bags * job.bag_kg)
                found.append(Spread(job, day, bags))
                left -= bags
            day += 1
    return found


def late_bags(spreads: Sequence[Spread]) -> int:
    """Return how many bags are still on the floor when their line needs them."""
    return sum(spread.bags for spread in spreads if spread.last_day > spread.job.ready_by)


def day_of(case: PlanningCase, day: int) -> date:
    """Return the date of a day of the plan."""
    return case.start + timedelta(days=day)


def first_day_of_week(case: PlanningCase, week: int) -> int:
    """Return the first day of a plan week that is not over [days since the first day of week 0]."""
    return max(DAYS_PER_WEEK * week, case.days_gone)


def days_of_week(case: PlanningCase, week: int | np.ndarray) -> np.ndarray:
    """Return how many days a plan week has left: seven, of the week that runs fewer."""
    return np.where(np.asarray(week) == 0, DAYS_PER_WEEK - case.days_gone, DAYS_PER_WEEK)


def ready_week(case: PlanningCase, start_week: int, days: float) -> int:
    """Return the plan week at whose end grain is surely off the floor that may go out on any day of `start_week`.

    What takes three days or less is through in the week in which it begins; longer drying may begin late in the week
    and goes on in the next.
    """
    here = int(days_of_week(case, start_week))
    if days <= min(3, here):
        return start_week
    return start_week + max(1, int(np.ceil(days / DAYS_PER_WEEK)))


def booked_days(
    case: PlanningCase, days: np.ndarray, start_week: np.ndarray, ready: np.ndarray, step: int
) -> np.ndarray:
    """Return the days that grain books of a space in the `step`-th week after the one in which it goes out.

    What must be through within its week is booked as loads that fit: a load of 2 days fits a week of 7 three times, so
    it books 7/3 days. Longer drying books its own days, in the first week those that the week has left.

    Parameters
    ----------
    days, start_week, ready : np.ndarray
        Days on the floor, first week, and the week at whose end it is off (as `ready_week`).
    """
    here = days_of_week(case, start_week).astype(float)
    whole = np.ceil(np.maximum(days, 1.0))
    within = ready == start_week
    before = np.minimum(whole, np.where(step > 0, here + DAYS_PER_WEEK * (step - 1.0), 0.0))
    after = np.minimum(whole, here + DAYS_PER_WEEK * float(step))
    loads = np.maximum(np.floor(here / whole), 1.0)
    short = here / loads if step == 0 else np.zeros_like(whole)
    return np.where(days <= 0, 0.0, np.where(within, short, after - before))


def floor_room(case: PlanningCase, weeks: int) -> np.ndarray:
    """Return the kg-days of each space in each week, (spaces, weeks): whole bags of usual mass on its days."""
    bags = sum(lot.bags for lot in case.lots)
    usual = sum(lot.bags * lot.bag_mass_kg for lot in case.lots) / max(bags, 1)
    whole = [np.floor(choice.capacity_kg / usual + 1e-9) * usual if usual > 0 else 0.0 for choice in case.drying]
    return np.asarray(whole).reshape(-1, 1) * days_of_week(case, np.arange(weeks))[None, :]


def mass_by_day(loads: Sequence[Load]) -> dict[tuple[str, date], float]:
    """Return the wet mass lying on each space on each day, by (space, day) [kg]."""
    found: dict[tuple[str, date], float] = {}
    for load in loads:
        for at in range((load.until - load.on).days + 1):
            key = (load.space, load.on + timedelta(days=at))
            found[key] = found.get(key, 0.0) + load.mass_kg
    return found
