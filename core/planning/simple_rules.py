"""What simple rules do with the group's grain, under the same limits as the plan.

Every rule keeps the same reserves; where a limit stops it, the remaining bags go to the nearest choice of the rule
that has room.
"""

from __future__ import annotations

import numpy as np

from core.planning.allocation import Allocation
from core.planning.outlook import NONE, Outlook, net_values, trip_share, usual_storage
from core.planning.placing import Ledger, fill, place_reserves

RULES = ("sell all now wet", "dry and sell", "store until the usual peak", "half and half", "each lot by itself")


def usual_peak_week(outlook: Outlook, commodity: str) -> int:
    """Return the plan week with the highest expected price of a crop inside the horizon."""
    paths = outlook.seasons.prices[commodity]
    return int(np.argmax(paths[: outlook.case.weeks].mean(axis=1)))


def _worth(outlook: Outlook, lot: int, alone: bool) -> np.ndarray:
    """Return each option's mean value of one bag, (options,).

    Less a full load's part of the trip, or, where `alone`, its part of whole trips for this lot by itself.
    """
    case, table = outlook.case, outlook.options(lot)
    item = case.lots[lot]
    value = net_values(case, table, item.bag_mass_kg)
    if not alone:
        return value
    loads = item.bags * item.bag_mass_kg * table.kept_kg / case.truck.capacity_kg
    emptiness = (np.ceil(loads) - loads) * case.truck.capacity_kg / max(item.bags, 1)
    return value - np.where(table.buyer >= 0, trip_share(case)[table.buyer], 0.0) * emptiness


def _order(outlook: Outlook, lot: int, rule: str) -> np.ndarray:
    """Return the options of a lot in a rule's order of preference (sales only)."""
    case, table = outlook.case, outlook.options(lot)
    value = _worth(outlook, lot, rule == "each lot by itself")
    sale = table.buyer >= 0
    dried = table.setup >= 0
    ready = dried | ~dried.any()
    # sold at once, or waiting for a market day in the usual bags
    plain = (table.storage == NONE) | (table.storage == usual_storage(case))
    if rule == "sell all now wet":
        first, second = np.where(~dried, 0, 1), table.sale_week
    elif rule == "dry and sell":
        first, second = np.where(ready & plain, 0, 1), table.sale_week
    elif rule == "store until the usual peak":
        peak = usual_peak_week(outlook, case.lots[lot].commodity)
        first, second = np.where(ready, 0, 1), np.abs(table.sale_week - peak)
    else:
        first, second = np.zeros(len(table), dtype=int), np.zeros(len(table), dtype=int)
    order = np.lexsort((-value, second, first))
    return order[sale[order]]


def rule_allocation(outlook: Outlook, rule: str) -> Allocation:
    """Return what a simple rule does under the group's limits.

    Parameters
    ----------
    outlook : Outlook
        Options and scenarios on which the rule decides (it looks at means only).
    """
    case = outlook.case
    ledger = Ledger(outlook)
    ledger.soft = False
    place_reserves(ledger)
    lots = [lot for lot in range(len(case.lots)) if len(outlook.options(lot))]

    def orders(name: str) -> dict[int, np.ndarray]:
        # lots of one class share an order (and its array, so that placing skips what is full); alone, a lot's own size
        # decides up to 250 lots
        if name == "each lot by itself" and len(lots) <= 250:
            return {lot: _order(outlook, lot, name) for lot in lots}
        by_class: dict[int, np.ndarray] = {}
        for lot in lots:
            place = int(outlook.lot_class[lot])
            if place not in by_class:
                by_class[place] = _order(outlook, lot, name)
        return {lot: by_class[int(outlook.lot_class[lot])] for lot in lots}

    if rule == "half and half":
        late = orders("store until the usual peak")
        half = {lot: int(ledger.left[lot]) // 2 for lot in lots}
        for lot in lots:
            left = half[lot]
            for option in late[lot]:
                left -= ledger.take(lot, int(option), left)
                if left <= 0:
                    break
        fill(ledger, orders("dry and sell"))
    else:
        fill(ledger, orders(rule))
    return ledger.allocation()
