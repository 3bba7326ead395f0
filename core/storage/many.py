"""Many lots, all methods, many scenarios: grouped by crop, in single precision, on a few threads."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from core.grain.commodities import get_commodity
from core.storage.methods import method_codes
from core.storage.simulate import PestDraw, StorageRun, draw_pests, simulate_storage

LOTS_AT_ONCE = 25  # so that the sums of a day stay in a processor's cache


@dataclass(frozen=True)
class LotAtBagging:
    """A lot on the day of bagging: crop code, % w.b., and what a sieve found (None: nobody sieved)."""

    commodity: str
    moisture_pct: float
    insects_per_kg: float | None = None


def simulate_many(
    lots: Sequence[LotAtBagging],
    climates: Sequence[pd.DataFrame],
    days: int,
    methods: Sequence[str] | None = None,
    *,
    every: int = 7,
    borer_present: bool | None = None,
    draw: PestDraw | None = None,
    seed: int = 0,
    reduce: Callable[[StorageRun], Any] | None = None,
    workers: int = 2,
) -> list[tuple[tuple[int, ...], str, Any]]:
    """Return the storage runs of many lots under many methods, in the same scenarios.

    Parameters
    ----------
    lots : sequence of LotAtBagging
    climates : sequence of DataFrame
        Scenarios by day.
    days : int
    methods : sequence of str, optional
        None takes all.
    every : int
        Days between rows of the results (a week: the year of 50 lots fits in memory).
    borer_present : bool, optional
    draw : PestDraw, optional
        The scenarios' insects, the same for all.
    seed : int
    reduce : callable, optional
        Turns each run into what is kept of it, so that not all of them stand in memory at once.
    workers : int
        Threads; NumPy lets them run side by side.

    Returns
    -------
    list of (lot numbers, method, run)
        The run has the lots in the order of their numbers; or what `reduce` made of it.
    """
    pests = draw or draw_pests(len(climates), seed, borer_present)
    groups: dict[tuple[str, bool], list[int]] = {}
    for number, lot in enumerate(lots):
        groups.setdefault((get_commodity(lot.commodity).code, lot.insects_per_kg is not None), []).append(number)
    jobs = [
        (tuple(numbers[first : first + LOTS_AT_ONCE]), method)
        for numbers in groups.values()
        for first in range(0, len(numbers), LOTS_AT_ONCE)
        for method in (methods or method_codes())
    ]

    def work(job: tuple[tuple[int, ...], str]) -> tuple[tuple[int, ...], str, Any]:
        numbers, method = job
        chosen = [lots[number] for number in numbers]
        counted = [lot.insects_per_kg for lot in chosen]
        run = simulate_storage(
            chosen[0].commodity,
            [lot.moisture_pct for lot in chosen],
            method,
            climates,
            days,
            insects_per_kg=None if counted[0] is None else np.asarray(counted, dtype=float),
            borer_present=borer_present,
            draw=pests,
            every=every,
            exact=False,
        )
        return numbers, method, run if reduce is None else reduce(run)

    with ThreadPoolExecutor(max_workers=max(1, workers)) as pool:
        return list(pool.map(work, jobs))
