"""What it would be worth to probe some more bags of a lot, expected before the readings are seen."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from core.planning.case import CaseLot
from core.planning.outlook import NONE, Options, Outlook, bag_values, class_options, shared_costs
from core.planning.safety import keeping_limit

MORE_BAGS = 5
NODES = np.linspace(-2.4, 2.4, 7)
READINGS = 61
WET_POINTS = 1.0  # above the keeping limit: grain that is dried whatever it costs (judgement)


@dataclass(frozen=True)
class ProbingGain:
    """What probing `bags` more bags of a lot is worth [money today for the whole lot].

    It also says how surely its moisture is known before and after.

    `now_pct`, `then_pct`: standard error of the lot's mean moisture [points]; `changes`: chance that the readings
    change what is done.
    """

    lot: str
    label: str
    bags: int
    gain: float
    now_pct: float
    then_pct: float
    changes: float


def error_after(lot: CaseLot, more: int) -> tuple[float, float]:
    """Return the standard error of the lot's mean after some more bags.

    The second figure is the error with which those readings alone tell the true mean [points].

    The part that all readings share (meter, isotherm; `common_sd_pct`) does not shrink. The rest v = u^2 - c^2 is
    pooled with the new mean's e^2 = s_bag^2/n (1 - n/N) + s_reading^2/n (simple random sampling without replacement,
    Cochran 1977; normal conjugate, Gelman et al. 2013, section 2.5). The second figure is that of an unbiased reading
    which moves the belief as far.
    """
    whole = lot.moisture_se_pct**2
    own = whole - lot.common_sd_pct**2
    count = min(more, lot.bags)
    fresh = lot.bag_sd_pct**2 / count * (1.0 - count / lot.bags) + lot.reading_sd_pct**2 / count
    if own <= 1e-9:
        return lot.moisture_se_pct, float("inf")
    told = own**2 / (own + fresh)  # variance of what the posterior mean will be
    after = float(np.sqrt(max(whole - told, 0.0)))
    return after, float(np.sqrt(max(whole * whole / told - whole, 1e-12)))


def preposterior(values: np.ndarray, belief: np.ndarray, chances: np.ndarray) -> tuple[float, float]:
    """Return (gain, chance of another decision) of deciding after an answer instead of before it.

    Parameters
    ----------
    values : np.ndarray, shape (decisions, moistures, scenarios)
        Net values, the same scenarios for all decisions and moistures [money].
    chances : np.ndarray, shape (answers, moistures)
        Probability of each answer for each true moisture; columns sum to 1.

    Returns
    -------
    tuple of float
        Expected gain [money], never below 0; fraction of cases decided otherwise than now.

    Notes
    -----
    Preposterior analysis (Raiffa & Schlaifer 1961, Applied Statistical Decision Theory): for each answer the best
    decision given that answer, averaged over answers, less the best decision now.
    """
    mean = values.mean(axis=2)
    joint = chances * belief
    by_answer = joint @ mean.T
    now = int(np.argmax(mean @ belief))
    better = by_answer.max(axis=1) - by_answer[:, now]
    moved = better > 1e-9 * abs(float((mean @ belief)[now]))
    return float(better.sum()), float(joint.sum(axis=1)[moved].sum())


def probing_gains(outlook: Outlook, more: int = MORE_BAGS) -> list[ProbingGain]:
    """Return what some more probed bags are worth for each lot that is tested and not standing, best first.

    Every way to dry, keep and sell the lot is valued at several true moistures on the scenarios of the outlook; lots
    are taken one by one,
    a full load's share of the trip and the price of a bought bag taken off (limits shared with other lots are not).
    """
    found = []
    for number, lot in enumerate(outlook.case.lots):
        if lot.standing or lot.use == "seed" or lot.bags < 2 or lot.moisture_se_pct <= 0:
            continue
        after, told = error_after(lot, more)
        if not np.isfinite(told):
            found.append(ProbingGain(lot.id, lot.label, min(more, lot.bags), 0.0, lot.moisture_se_pct, after, 0.0))
            continue
        moisture = lot.moisture_pct + lot.moisture_se_pct * NODES
        belief = np.exp(-0.5 * NODES**2)
        belief /= belief.sum()
        reach = 4.0 * float(np.hypot(lot.moisture_se_pct, told))
        answers = lot.moisture_pct + np.linspace(-reach, reach, READINGS)
        # the reading's spread is never finer than the steps between the moistures tried
        spread = max(told, 0.5 * float(moisture[1] - moisture[0]))
        chances = np.exp(-0.5 * ((answers[:, None] - moisture) / spread) ** 2)
        gain, changes = preposterior(_values(outlook, number, moisture), belief, chances / chances.sum(axis=0))
        found.append(
            ProbingGain(lot.id, lot.label, min(more, lot.bags), gain * lot.bags, lot.moisture_se_pct, after, changes)
        )
    return sorted(found, key=lambda item: -item.gain)


def _values(outlook: Outlook, number: int, moisture: np.ndarray) -> np.ndarray:
    """Return the value today of one bag for each way to sell a lot at each true moisture.

    (ways, moistures, scenarios).
    """
    case, place = outlook.case, int(outlook.lot_class[number])
    stands, table = outlook.representatives[place], outlook.classes[place]
    planned = {booking: days for (owner, booking), days in outlook.planned_days.items() if owner == place}
    keeping = keeping_limit(case, stands)
    ways = [(stands, table, planned)]
    # what the group would do if it knew the lot to be dry enough to keep, or wet enough to dry, is a choice too
    others = []
    if stands.surely_pct > keeping:
        others.append(replace(stands, moisture_pct=keeping, surely_at_most_pct=keeping, surely_to_seal_pct=keeping))
    if not (table.setup != NONE).any() and case.drying:
        wet = keeping + WET_POINTS
        others.append(replace(stands, moisture_pct=wet, surely_at_most_pct=wet, surely_to_seal_pct=wet))
    for other in others:
        booked: dict = {}
        ways.append((other, class_options(case, outlook.seasons, other, booked), booked))
    item, made = case.lots[number], []
    for lot, known, bookings in ways:
        if len(known) == 0:
            continue
        rows = []
        for true in moisture:
            draw = {
                **outlook.seasons.moisture_draw,
                lot.id: np.full(case.scenarios, (true - lot.moisture_pct) / lot.moisture_se_pct),
            }
            at = class_options(case, replace(outlook.seasons, moisture_draw=draw), lot, dict(bookings), known)
            rows.append(_net(outlook, at, item.bag_mass_kg))
        if len({len(row) for row in rows}) == 1:
            made.append(np.stack(rows, axis=1))
    values = np.concatenate(made)
    return values[np.isfinite(values).all(axis=(1, 2))]


def _net(outlook: Outlook, table: Options, mass: float) -> np.ndarray:
    """Return one bag's value by option and scenario, shares of trips and bought bags taken off.

    What is kept back does not count.
    """
    case = outlook.case
    net = bag_values(case, table, mass) - shared_costs(case, table, mass)[:, None]
    return np.where((table.buyer >= 0)[:, None], net, -np.inf)
