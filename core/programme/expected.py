"""Observed against expected: days to dry as each group's own crops, moistures, dates and weather allowed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from typing import TYPE_CHECKING

import numpy as np

from core.errors import DryholdError
from core.group.records import Lot
from core.programme.indicators import LotFacts
from core.programme.intervals import FEWEST
from core.weather.normals import Normals
from core.weather.place import Place

if TYPE_CHECKING:
    from core.drying.run import DryingSetup

DAYS_SIMULATED = 40
SCENARIOS = 12


@dataclass(frozen=True)
class ObservedAgainstExpected:
    """One group: days observed and expected, summed over the lots that have both, and their ratio with its interval.

    `ratio` 1 = as its conditions allowed; `low, high` 95 % interval by the spread of the lots' own log ratios;
    `verdict` one of "as expected", "slower", "faster", "cannot tell yet".
    """

    lots: int
    observed_days: float
    expected_days: float
    ratio: float
    low: float
    high: float
    verdict: str


def expected_days_to_dry(
    lots: Sequence[tuple[Lot, float]], place: Place, normals: Normals, seed: int, setup_of: Callable[[Lot], DryingSetup]
) -> list[float]:
    """Return the median days that the drying model expects for each lot, in its own weather and on its group's space.

    Parameters
    ----------
    lots : sequence of (Lot, limit)
        Lots with harvest date and weighed moisture; limit in % wet basis.
    normals : Normals
        Usual weather there; scenarios with day-to-day variation are drawn from it for the harvest's own dates.
    setup_of : callable
        How the group dries a lot, such as `core.group.drying_records.drying_setup` on its usual space.

    Returns
    -------
    list of float
        Days, NaN where nothing can be said; lots not dry after 40 days count 40. A lot too large for the space is
        dried in turns, each taking the days of one.
    """
    from core.drying.run import simulate_lots
    from core.weather.scenarios import extend_scenarios

    result = [float("nan")] * len(lots)
    by_week: dict[datetime, list[int]] = {}
    for index, (lot, limit) in enumerate(lots):
        if lot.harvested_on is None or lot.weighed_moisture_pct is None:
            continue
        if lot.weighed_moisture_pct <= limit:
            result[index] = 1.0
            continue
        monday = lot.harvested_on - timedelta(days=lot.harvested_on.weekday())
        by_week.setdefault(datetime.combine(monday, time(0), UTC), []).append(index)
    for start, chosen in sorted(by_week.items()):
        weather = extend_scenarios(None, normals, place, start, DAYS_SIMULATED, SCENARIOS, seed)
        try:
            runs = simulate_lots(
                [lots[i][0].commodity for i in chosen],
                [float(lots[i][0].weighed_moisture_pct or 0) for i in chosen],
                weather,
                [setup_of(lots[i][0]) for i in chosen],
                [lots[i][1] for i in chosen],
                only_until_dry=True,
            )
        except DryholdError:
            continue
        for index, run in zip(chosen, runs, strict=True):
            result[index] = float(np.median(np.minimum(np.asarray(run.days_to_target, dtype=float), DAYS_SIMULATED)))
    return result


def observed_against_expected(
    facts: Sequence[LotFacts], place: Place, normals: Normals, seed: int, setup_of: Callable[[Lot], DryingSetup]
) -> ObservedAgainstExpected:
    """Return how a group's drying compares with what its own conditions allowed.

    Parameters
    ----------
    place, normals, seed, setup_of
        See `expected_days_to_dry`.

    Returns
    -------
    ObservedAgainstExpected
        Indirect standardisation: the sum observed over the sum expected (Breslow and Day 1987, chapter 2, for the
        principle); the interval is of the mean log ratio of the lots, Student's t.
    """
    from scipy.stats import t

    usable = [f for f in facts if f.days_to_dry is not None and f.days_to_dry > 0 and f.limit_pct is not None]
    expected = expected_days_to_dry([(f.lot, float(f.limit_pct or 0)) for f in usable], place, normals, seed, setup_of)
    pairs = [(float(f.days_to_dry or 0), e) for f, e in zip(usable, expected, strict=True) if np.isfinite(e)]
    if not pairs:
        return ObservedAgainstExpected(0, 0.0, 0.0, float("nan"), float("nan"), float("nan"), "cannot tell yet")
    observed, allowed = np.array(pairs).T
    ratio = float(observed.sum() / allowed.sum())
    count = len(pairs)
    if count < 2:
        return ObservedAgainstExpected(
            count, float(observed[0]), float(allowed[0]), ratio, np.nan, np.nan, "cannot tell yet"
        )
    half = float(t.ppf(0.975, count - 1) * np.std(np.log(observed / allowed), ddof=1) / np.sqrt(count))
    low, high = ratio * float(np.exp(-half)), ratio * float(np.exp(half))
    verdict = "slower" if low > 1 else "faster" if high < 1 else "as expected"
    return ObservedAgainstExpected(
        count,
        float(observed.sum()),
        float(allowed.sum()),
        ratio,
        low,
        high,
        verdict if count >= FEWEST else "cannot tell yet",
    )
