"""Harvest now or leave it: what each week of harvest is worth for a lot that still stands."""

from __future__ import annotations

import numpy as np
import pandas as pd

from core.errors import InputError
from core.messages import Message, message
from core.planning.outlook import Outlook, free_to_sell, lot_moisture, net_values


def harvest_weeks_compared(outlook: Outlook, lot: int) -> pd.DataFrame:
    """Return what one bag of a standing lot is worth by the week in which it is cut.

    Each time dried, stored and sold as is best.

    Returns
    -------
    DataFrame
        Indexed by plan week of harvest: `mean` [money per bag today, a full load's share of the trip and a bag that
        must be bought taken off; shared limits apart], `moisture_pct` and `lost_pct`, means over the scenarios of the
        moisture at harvest [% w.b.] and of what the field has taken [%], `option`, the best one, and `sale_week`.

    Raises
    ------
    InputError
        For a lot that is harvested already.
    """
    case, item = outlook.case, outlook.case.lots[lot]
    if not item.standing:
        raise InputError("lot {lot} is harvested already", lot=item.label)
    stands, table = outlook.representatives[int(outlook.lot_class[lot])], outlook.options(lot)
    sold = free_to_sell(case, table)
    worth = np.where(sold, net_values(case, table, item.bag_mass_kg), -np.inf)
    moisture = lot_moisture(stands, outlook.seasons)
    rows = []
    for week in np.unique(table.harvest_week[sold]).tolist():
        here = np.flatnonzero((table.harvest_week == week) & sold)
        best = int(here[np.argmax(worth[here])])
        stood = outlook.seasons.stand(stands, week, moisture)
        rows.append(
            {
                "week": week,
                "mean": float(worth[best]),
                "moisture_pct": float(stood.moisture_pct.mean()),
                "lost_pct": 100.0 * float(np.mean(stood.lost)),
                "option": best,
                "sale_week": int(table.sale_week[best]),
            }
        )
    columns = ["week", "mean", "moisture_pct", "lost_pct", "option", "sale_week"]
    return pd.DataFrame(rows, columns=columns).set_index("week")


def harvest_sentence(outlook: Outlook, lot: int) -> Message:
    """Return in one sentence when a standing lot is best cut.

    It also says what the first week it could be cut would cost against it.
    """
    weeks = harvest_weeks_compared(outlook, lot)
    item = outlook.case.lots[lot]
    if weeks.empty:
        return message("lot {lot} finds no buyer in any week of harvest", lot=item.label)
    worth = weeks["mean"].to_numpy(dtype=float)
    at = int(np.argmax(worth))
    if len(worth) == 1:
        return message("lot {lot} is cut when it is ripe: no other week is compared", lot=item.label)
    if at == 0:
        return message(
            "cut lot {lot} as soon as it can be: each week in the field takes more than its free drying gives",
            lot=item.label,
        )
    more = 100.0 * (worth[at] / max(worth[0], 1e-9) - 1.0)
    wet, lost = weeks["moisture_pct"].to_numpy(dtype=float)[at], weeks["lost_pct"].to_numpy(dtype=float)[at]
    return message(
        "leave lot {lot} until the week of {day}: by then the field has dried it to {moisture} % and taken {lost} "
        "% of it; it is worth {more} % more than cut first",
        lot=item.label,
        day=outlook.case.week_date(int(weeks.index.to_numpy()[at])),
        moisture=round(float(wet), 1),
        lost=round(float(lost), 1),
        more=round(float(more), 1),
    )
