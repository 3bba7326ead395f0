"""What happens to grain and prices in each possible season, behind three functions: `stand`, `dry` and `keep`.

`core.planning.invented_seasons` fills this form for invented cases, `core.planning.group_seasons` from a group's place,
forecast and prices.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from core.planning.case import CaseLot, DryingChoice, PlanningCase, StorageChoice


@dataclass(frozen=True)
class Dried:
    """A lot's drying in each scenario.

    `planned_days` is the number of days that the floor is booked; `days` (scenarios,) the days really needed;
    `dry_matter_loss_pct` (scenarios,) what the grain lost meanwhile [% of dry matter].
    """

    planned_days: float
    days: np.ndarray
    dry_matter_loss_pct: np.ndarray


@dataclass(frozen=True)
class Stood:
    """A standing lot at its harvest, by scenario.

    Moisture [% w.b.] and the fraction of the grain that the field has taken, (scenarios,).
    """

    moisture_pct: np.ndarray
    lost: np.ndarray


@dataclass(frozen=True)
class Kept:
    """A lot in store, by week since bagging (row 0 = bagged) and scenario.

    `moisture_pct` [% w.b.]; `dry_matter_loss_pct` and `insect_loss_pct` cumulative [% of the dry matter bagged];
    `damaged_pct` [% of kernels]; `unfit_share` the share of bags that mould has made unfit (they bring nothing; 1 where
    the whole lot is no longer food); `refusal_chance` the chance that a buyer who inspects refuses the rest for
    insects, smell, dust or damaged kernels; `alive_share` what still germinates of seed, against fresh seed.
    """

    moisture_pct: np.ndarray
    dry_matter_loss_pct: np.ndarray
    insect_loss_pct: np.ndarray
    damaged_pct: np.ndarray
    unfit_share: np.ndarray | float = 0.0
    refusal_chance: np.ndarray | float = 0.0
    alive_share: np.ndarray | float = 1.0


@dataclass(frozen=True)
class Seasons:
    """One set of possible seasons.

    Prices by crop (weeks + 1, scenarios), draws shared by all lots, and the three functions.

    `stand(lot, harvest_week, moisture (scenarios,))` -> `Stood`; `dry(lot, choice, start_week, moisture (scenarios,),
    target)` -> `Dried`; `keep(lot, moisture (scenarios,), storage, first_week, weeks)` -> `Kept` with weeks + 1 rows.
    """

    prices: Mapping[str, np.ndarray]
    moisture_draw: Mapping[str, np.ndarray]
    offer_draw: np.ndarray
    dry: Callable[[CaseLot, DryingChoice, int, np.ndarray, float], Dried]
    keep: Callable[[CaseLot, np.ndarray, StorageChoice, int, int], Kept]
    stand: Callable[[CaseLot, int, np.ndarray], Stood]


def common_draws(case: PlanningCase, seed: int) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Return standard normal moisture draws by lot (scenarios,) and uniform draws for offers (buyers, scenarios)."""
    generator = np.random.default_rng([seed, 11])
    moisture = {lot.id: generator.standard_normal(case.scenarios) for lot in case.lots}
    return moisture, generator.random((len(case.buyers), case.scenarios))
