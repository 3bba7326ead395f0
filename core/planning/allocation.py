"""An allocation of bags to options, and what it takes of the group's limits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from core.planning.case import PlanningCase
from core.planning.layout import OVER_WEEKS
from core.planning.model import DRYING_WEEKS
from core.planning.outlook import Outlook
from core.planning.schedule import booked_days


@dataclass(frozen=True)
class Allocation:
    """Bags by (lot, option), three arrays of one length, with what they take.

    `trips` (buyers, weeks), units `bought` (methods,), `loans` on the grain in store: (week taken, week repaid,
    money), and the drying `spaces` bought (1; in a plan of parts the share; empty: none).
    """

    lot: np.ndarray
    option: np.ndarray
    bags: np.ndarray
    trips: np.ndarray
    bought: np.ndarray
    loans: tuple[tuple[int, int, float], ...] = ()
    spaces: tuple[float, ...] = ()

    def purchases(self, case: PlanningCase) -> float:
        """Return what the bags, vessels and drying spaces to be bought cost [money]."""
        bags = sum(count * way.unit_price for count, way in zip(self.bought, case.storage, strict=True))
        return float(bags) + sum(share * way.price for share, way in zip(self.spaces, case.drying, strict=False))


@dataclass(frozen=True)
class Use:
    """What an allocation takes of each limit.

    Kg-days of floor (setups, weeks + 8), stock in bags (methods, weeks), kg to buyers (buyers, weeks), bags by lot
    (lots,), kg by reserve (reserves,).
    """

    floor: np.ndarray
    stock: np.ndarray
    kg: np.ndarray
    bags: np.ndarray
    reserve_kg: np.ndarray


def use_of(outlook: Outlook, lot: np.ndarray, option: np.ndarray, bags: np.ndarray) -> Use:
    """Return what bags by (lot, option) take of each limit."""
    case = outlook.case
    floor = np.zeros((len(case.drying), case.weeks + OVER_WEEKS))
    change = np.zeros((len(case.storage), case.weeks + 1))
    kg = np.zeros((len(case.buyers), case.weeks))
    used, reserve = np.zeros(len(case.lots)), np.zeros(len(case.reserves))
    mass = np.array([item.bag_mass_kg for item in case.lots])
    for number in np.unique(outlook.lot_class[lot]) if len(lot) else []:
        inside = np.flatnonzero(outlook.lot_class[lot] == number)
        table, chosen = outlook.classes[int(number)], option[inside]
        count, put_in = bags[inside], bags[inside] * mass[lot[inside]]
        for step in range(DRYING_WEEKS):
            days = booked_days(case, table.days[chosen], table.start_week[chosen], table.ready_week[chosen], step)
            dried = (table.setup[chosen] >= 0) & (days > 0)
            spread = days * put_in * table.floor_kg[chosen]
            np.add.at(floor, (table.setup[chosen][dried], table.start_week[chosen][dried] + step), spread[dried])
        stored = table.storage[chosen] >= 0
        np.add.at(change, (table.storage[chosen][stored], table.ready_week[chosen][stored]), count[stored])
        np.add.at(change, (table.storage[chosen][stored], table.sale_week[chosen][stored]), -count[stored])
        sold, kept = table.buyer[chosen] >= 0, table.kept_kg[chosen] * put_in
        np.add.at(kg, (table.buyer[chosen][sold], table.sale_week[chosen][sold]), kept[sold])
        np.add.at(reserve, table.reserve[chosen][~sold], kept[~sold])
        np.add.at(used, lot[inside], count)
    return Use(floor, np.cumsum(change, axis=1)[:, : case.weeks], kg, used, reserve)


def tail_size(scenarios: int, share: float) -> int:
    """Return how many scenarios make up the worst `share` (at least one)."""
    return max(1, int(np.ceil(share * scenarios - 1e-9)))


def tail_mean(values: np.ndarray, share: float) -> float:
    """Return the mean of the lowest `share` of values."""
    size = tail_size(len(values), share)
    return float(np.partition(values, size - 1)[:size].mean())


def tail_weights(values: np.ndarray, share: float) -> np.ndarray:
    """Return weights (scenarios,) that are alike on the worst `share` and 0 elsewhere (ties broken by number)."""
    size = tail_size(len(values), share)
    weights = np.zeros(len(values))
    weights[np.argsort(values, kind="stable")[:size]] = 1.0 / size
    return weights
