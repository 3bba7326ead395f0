"""The outlook: what each choice for a lot is worth in each scenario, with every deduction kept apart.

A choice (option) is: dry or not (setup, start week), how it is stored, the week of sale, and the buyer (or a reserve kept back).
Lots that are alike (same crop, moisture, week and form) share one table of options per kg, so that a union's thousands of lots stay cheap.
Mass is kept as initial = water + handling + dry matter + insects + sold, in every scenario; water enters once, by the mass balance.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from core.planning.case import CaseLot, PlanningCase
from core.planning.physics import Dried, Physics, compact_physics

NONE = -1
DRY_MARGIN = (
    0.3  # points above the target up to which grain counts as dry enough to bag (judgement: one standard error)
)
STORABLE_MARGIN = 1.0  # points above the target above which unsold grain is not left in bags (judgement)
WET_SALE_WEEKS = 2
MAX_VALUES = 60_000_000

DEDUCTIONS = (
    "water", "handling", "dry_matter", "insects", "discount", "fees", "drying", "storage", "bags", "transport", "cost_of_money",
)  # fmt: skip


@dataclass(frozen=True)
class Options:
    """The choices of one class of lots; all arrays have one entry per option, indices are into the case's tuples (-1 = none).

    `receipts_kg` (options, scenarios): money received per kg put in, after discounts and percentage fees, undiscounted.
    `kept_kg` (options,): mean kg left to sell or eat per kg put in. `upfront_kg`, `upfront_bag` are paid in `start_week`, `later_bag` in `sale_week`.
    """

    setup: np.ndarray
    start_week: np.ndarray
    days: np.ndarray
    ready_week: np.ndarray
    storage: np.ndarray
    sale_week: np.ndarray
    pay_week: np.ndarray
    buyer: np.ndarray
    reserve: np.ndarray
    receipts_kg: np.ndarray
    kept_kg: np.ndarray
    price_kg: np.ndarray
    upfront_kg: np.ndarray
    upfront_bag: np.ndarray
    later_bag: np.ndarray

    def __len__(self) -> int:
        return len(self.setup)


@dataclass(frozen=True)
class Outlook:
    """All options of all lots in one set of scenarios.

    `lot_class` gives each lot's class, `classes` its options, `members` the lot that stands for the class.
    """

    case: PlanningCase
    seed: int
    lot_class: np.ndarray
    representatives: tuple[CaseLot, ...]
    classes: tuple[Options, ...]
    physics: Physics
    planned_days: dict[tuple[int, int, int], float]

    def options(self, lot: int) -> Options:
        """Return the options of the lot with index `lot`."""
        return self.classes[int(self.lot_class[lot])]

    def values(self, lot: int, chosen: np.ndarray | slice = slice(None)) -> np.ndarray:
        """Return the value today of one bag for each chosen option, (options, scenarios); trips and bag purchases are not in it."""
        return bag_values(self.case, self.options(lot), self.case.lots[lot].bag_mass_kg, chosen)


def bag_values(
    case: PlanningCase, table: Options, bag_mass_kg: float, chosen: np.ndarray | slice = slice(None)
) -> np.ndarray:
    """Return the value today [money per bag] of options, (options, scenarios), without shared costs (trips, bag purchases)."""
    in_ = case.discount(table.pay_week[chosen])[:, None] * table.receipts_kg[chosen]
    early, late = case.discount(table.start_week[chosen]), case.discount(table.sale_week[chosen])
    out = (
        bag_mass_kg * early * table.upfront_kg[chosen]
        + early * table.upfront_bag[chosen]
        + late * table.later_bag[chosen]
    )
    return bag_mass_kg * in_ - out[:, None]


def mean_values(case: PlanningCase, table: Options, weights: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Return (per kg, per bag) parts of each option's mean value today; value of a bag = mass x first - second.

    `weights` (scenarios,) sum to 1; None = all alike.
    """
    receipts = table.receipts_kg.mean(axis=1) if weights is None else table.receipts_kg @ weights.astype(np.float32)
    return parts_of_value(case, table, receipts.astype(float))


def parts_of_value(case: PlanningCase, table: Options, receipts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return (per kg, per bag) parts of the value today that go with receipts per kg (options,)."""
    early, late = case.discount(table.start_week), case.discount(table.sale_week)
    per_kg = case.discount(table.pay_week) * receipts - early * table.upfront_kg
    return per_kg, early * table.upfront_bag + late * table.later_bag


@dataclass(frozen=True)
class Masses:
    """Where one kg put in has gone, by week since ready and scenario; the six parts add up to 1."""

    water: np.ndarray
    handling: np.ndarray
    dry_matter: np.ndarray
    insects: np.ndarray
    sold: np.ndarray
    moisture_pct: np.ndarray
    damaged_pct: np.ndarray
    unfit_share: np.ndarray


def mass_parts(
    start_pct: np.ndarray,
    end_pct: np.ndarray,
    handling: float,
    drying_loss_pct: np.ndarray,
    storage_loss_pct: np.ndarray,
    insect_loss_pct: np.ndarray,
    damaged_pct: np.ndarray,
    unfit_share: np.ndarray | float = 0.0,
) -> Masses:
    """Split each kg put in into water lost, handling loss, dry-matter loss, insect loss, and what is left to sell.

    Parameters
    ----------
    start_pct, end_pct : np.ndarray
        Moisture before and after [% w.b.], (scenarios,) and (weeks, scenarios).
    handling : float
        Fraction of the dried grain lost in handling.
    drying_loss_pct, storage_loss_pct, insect_loss_pct : np.ndarray
        Dry matter lost while drying, by respiration and mould in store, and by insects [% of the dry matter there].

    Returns
    -------
    Masses
        Fractions of the mass put in; they add up to 1 (water by W2 = W1 (100 - M1)/(100 - M2), economics reference section 3).
    """
    after_water = (100.0 - start_pct) / (100.0 - end_pct)
    after_handling = after_water * (1.0 - handling)
    lost = 1.0 - (1.0 - drying_loss_pct / 100.0) * (1.0 - np.minimum(storage_loss_pct, 100.0) / 100.0)
    after_loss = after_handling * (1.0 - lost)
    sold = after_loss * (1.0 - np.minimum(insect_loss_pct, 100.0) / 100.0)
    return Masses(
        1.0 - after_water, after_water - after_handling, after_handling - after_loss, after_loss - sold, sold,
        np.broadcast_to(end_pct, sold.shape), np.broadcast_to(damaged_pct, sold.shape), np.broadcast_to(unfit_share, sold.shape),
    )  # fmt: skip


def _class_key(lot: CaseLot, step: float) -> tuple[object, ...]:
    moisture = round(lot.moisture_pct / step) if step else lot.id
    return (lot.commodity, moisture, lot.available_week, lot.standing, lot.form)


def group_lots(case: PlanningCase) -> tuple[np.ndarray, list[CaseLot]]:
    """Return each lot's class and the lot that stands for each class (every lot its own class up to 150 lots).

    Above that, lots of one crop, week and form whose moisture agrees to a quarter of a point (then a half, then one) share a class.
    """
    for step in (0.0, 0.25, 0.5, 1.0, 2.0):
        keys: dict[tuple[object, ...], int] = {}
        numbers = [keys.setdefault(_class_key(lot, step), len(keys)) for lot in case.lots]
        if len(keys) <= (150 if step == 0.0 else 110):
            break
    numbers_array = np.asarray(numbers, dtype=int)
    chosen = []
    for number in range(len(keys)):
        lots = [case.lots[index] for index in np.flatnonzero(numbers_array == number)]
        weight = np.array([lot.bags * lot.bag_mass_kg for lot in lots], dtype=float) + 1e-9
        moisture = float(np.average([lot.moisture_pct for lot in lots], weights=weight))
        chosen.append(
            lots[0] if len(lots) == 1 else CaseLot(**{**lots[0].__dict__, "moisture_pct": round(moisture, 3)})
        )
    return numbers_array, chosen


@dataclass(frozen=True)
class Chain:
    """One way to get a lot ready: not dried (`setup` -1) or dried, from which week, ready in which week."""

    setup: int
    start_week: int
    days: float
    ready_week: int
    dried: Dried | None
    last_week: int


def _chains(
    case: PlanningCase, physics: Physics, lot: CaseLot, moisture: np.ndarray, planned: dict[tuple[int, int], float]
) -> list[Chain]:
    """Return the ways to get a lot ready inside the horizon."""
    target, last = case.target(lot.commodity), case.weeks - 1
    if lot.available_week > last:
        return []
    storable = lot.moisture_pct <= target + STORABLE_MARGIN and not lot.standing
    as_is_last = last if storable else min(last, lot.available_week + WET_SALE_WEEKS - 1)
    chains = [Chain(NONE, lot.available_week, 0.0, lot.available_week, None, as_is_last)]
    if lot.moisture_pct <= target + DRY_MARGIN:
        return chains
    for number, choice in enumerate(case.drying):
        for delay in case.start_delays if not lot.standing else (0, 1, 2, 3):
            start = lot.available_week + delay
            dried = physics.dry(lot, choice, start, moisture, target)
            days = planned.setdefault((number, start), dried.planned_days)
            if not np.isfinite(days):
                continue
            ready = start + int(np.ceil(days / 7.0)) - (1 if days <= 3 else 0)
            if ready <= last and start <= last:
                chains.append(Chain(number, start, days, ready, dried, last))
    return chains


def chain_masses(
    case: PlanningCase, physics: Physics, lot: CaseLot, moisture: np.ndarray, chain: Chain, storage: int
) -> Masses:
    """Return where the mass goes for one chain and way of storing, by week from ready to the last week, (weeks, scenarios)."""
    length = chain.last_week - chain.ready_week
    week = np.arange(length + 1, dtype=float)[:, None]
    if chain.dried is None:
        bagged, drying_loss, handling = moisture, np.zeros_like(moisture), 0.0
    else:
        target = case.target(lot.commodity)
        # grain that needed longer than was booked is dried on; sold before it is dry, it is sold at what it then holds
        have = np.maximum(1.0, 7.0 * (chain.ready_week - chain.start_week + 1 + week))
        done = np.clip(have / np.maximum(chain.dried.days, 1e-9), 0.0, 1.0)
        handling, drying_loss = case.drying[chain.setup].handling_loss, chain.dried.dry_matter_loss_pct
        bagged = np.minimum(moisture, target)
        late = np.maximum(moisture - target, 0.0) * (1.0 - done)
    if storage == NONE:
        zero = np.zeros((1, len(moisture)))
        end = bagged[None, :] + (late[:1] if chain.dried is not None else 0.0)
        return mass_parts(moisture, end, handling, drying_loss, zero, zero, zero)
    kept = physics.keep(lot.commodity, bagged, case.storage[storage], chain.ready_week, length)
    end = kept.moisture_pct + (late if chain.dried is not None else 0.0)
    return mass_parts(
        moisture,
        end,
        handling,
        drying_loss,
        kept.dry_matter_loss_pct,
        kept.insect_loss_pct,
        kept.damaged_pct,
        kept.unfit_share,
    )


def price_paid(
    case: PlanningCase,
    buyer: int,
    market: np.ndarray,
    moisture_pct: np.ndarray,
    damaged_pct: np.ndarray,
    offer_draw: np.ndarray,
) -> np.ndarray:
    """Return the price per kg that a buyer pays before fees, shaped like `market` (weeks, scenarios).

    Moisture above the limit costs a fraction per point; a refused load or a broken offer is sold on the spot at a part of the market price;
    insect damage above 2 % of kernels costs `damage_discount` of the price per 1 % (2.8-3.6 % in Jones et al. 2016).
    """
    who = case.buyers[buyer]
    full = market * who.price_factor if who.fixed_price is None else np.full_like(market, who.fixed_price)
    spot = market * who.refused_factor
    if who.chance_failing > 0:
        full = np.where(offer_draw[None, :] < who.chance_failing, np.minimum(full, spot), full)
    over = np.maximum(moisture_pct - who.moisture_limit_pct, 0.0) if who.moisture_limit_pct is not None else 0.0
    # the measured cut per point holds for slight damage; for heavy damage it is compounded, so that the price never turns negative
    cut = np.clip(1.0 - who.discount_per_point * over, 0.05, 1.0) * (1.0 - who.damage_discount) ** np.maximum(
        damaged_pct - 2.0, 0.0
    )
    paid = full * cut
    if who.refusal_pct is not None:
        paid = np.where(moisture_pct > who.refusal_pct, np.minimum(paid, spot), paid)
    return paid


def _append(
    columns: dict[str, list[np.ndarray]],
    filled: dict[str, float],
    weeks: np.ndarray,
    receipts: np.ndarray,
    kept: np.ndarray,
    pay: np.ndarray,
    price: np.ndarray,
    later: np.ndarray,
    buyer: int,
    reserve: int,
) -> None:
    """Append one block of options (one chain, store and buyer or reserve; one option per week)."""
    size = len(weeks)
    for name, value in {**filled, "buyer": buyer, "reserve": reserve}.items():
        columns[name].append(np.full(size, value))
    by_week = {"sale_week": weeks, "pay_week": pay, "kept_kg": kept, "price_kg": price}
    for name, values in {**by_week, "later_bag": np.broadcast_to(later, size)}.items():
        columns[name].append(values)
    columns["receipts_kg"].append(receipts.astype(np.float32))


def _class_options(
    case: PlanningCase, physics: Physics, lot: CaseLot, planned: dict[tuple[int, int], float]
) -> Options:
    """Return the options of one class of lots."""
    moisture = np.clip(lot.moisture_pct + lot.moisture_se_pct * physics.moisture_draw[lot.id], 2.0, 55.0)
    market = physics.prices[lot.commodity]
    columns: dict[str, list[np.ndarray]] = {name: [] for name in Options.__dataclass_fields__}
    for chain in _chains(case, physics, lot, moisture, planned):
        upfront = 0.0 if chain.setup == NONE else case.drying[chain.setup].cost_per_kg
        if chain.setup != NONE and case.drying[chain.setup].method == "mechanical":
            upfront *= max(lot.moisture_pct - case.target(lot.commodity), 1.0) / 5.0
        for storage in (NONE, *range(len(case.storage))):
            if storage != NONE and chain.last_week == chain.ready_week:
                continue
            parts = chain_masses(case, physics, lot, moisture, chain, storage)
            if storage == NONE:
                weeks = np.array([chain.ready_week])
            else:
                wet = chain.setup == NONE and lot.moisture_pct > case.target(lot.commodity) + STORABLE_MARGIN
                if wet and storage != 0:
                    continue
                weeks = np.arange(chain.ready_week + 1, chain.last_week + 1)
            row = weeks - chain.ready_week
            keep_cost = 0.0 if storage == NONE else case.storage[storage].cost_per_bag_month * row / (365.25 / 12 / 7)
            treatment = 0.0 if storage == NONE else case.storage[storage].treatment_per_bag

            filled = {
                "setup": chain.setup, "start_week": chain.start_week, "days": chain.days, "ready_week": chain.ready_week, "storage": storage,
                "upfront_kg": upfront, "upfront_bag": treatment,
            }  # fmt: skip
            add = partial(_append, columns, filled)

            for number, who in enumerate(case.buyers):
                if who.commodities and lot.commodity not in who.commodities:
                    continue
                inside = (weeks >= who.first_week) & (
                    weeks <= (who.last_week if who.last_week is not None else case.weeks)
                )
                if not inside.any():
                    continue
                at, rows = weeks[inside], row[inside]
                paid = price_paid(
                    case,
                    number,
                    market[at],
                    parts.moisture_pct[rows],
                    parts.damaged_pct[rows],
                    physics.offer_draw[number],
                ) * (1.0 - parts.unfit_share[rows])
                sold = parts.sold[rows]
                load = case.truck.cost_per_bag if who.distance_km > 0 else 0.0
                cost = np.broadcast_to(keep_cost, len(weeks))[inside] + who.fee_per_bag + load
                add(
                    at,
                    sold * paid * (1.0 - who.fee_fraction),
                    sold.mean(axis=1),
                    at + who.pay_delay_weeks,
                    paid.mean(axis=1),
                    cost,
                    number,
                    NONE,
                )
            for number, reserve in enumerate(case.reserves):
                if (
                    reserve.commodity != lot.commodity
                    or storage == NONE
                    or min(reserve.until_week, case.weeks - 1) not in weeks
                ):
                    continue
                until = min(reserve.until_week, case.weeks - 1)
                rows = (
                    np.arange(1, until - chain.ready_week + 1)
                    if reserve.evenly
                    else np.array([until - chain.ready_week])
                )
                if chain.last_week < until or len(rows) == 0:
                    continue
                worth = case.discount(chain.ready_week + rows)[:, None] * parts.sold[rows] * reserve.value_per_kg
                worth = worth * 0.97 ** np.maximum(parts.damaged_pct[rows] - 2.0, 0.0)
                worth = worth * (1.0 - parts.unfit_share[rows])
                receipts = worth.mean(axis=0, keepdims=True) / case.discount(until)
                cost = np.atleast_1d(np.broadcast_to(keep_cost, len(weeks)))[-1:]
                add(
                    np.array([until]),
                    receipts,
                    parts.sold[rows].mean(keepdims=True)[0],
                    np.array([until]),
                    np.array([reserve.value_per_kg]),
                    cost,
                    NONE,
                    number,
                )
    whole = {"setup", "start_week", "ready_week", "storage", "sale_week", "pay_week", "buyer", "reserve"}
    made = {}
    for name, parts_list in columns.items():
        joined = (
            np.concatenate(parts_list) if parts_list else np.zeros((0, case.scenarios) if name == "receipts_kg" else 0)
        )
        made[name] = joined.astype(np.int32) if name in whole else joined
    return Options(**made)


def build_outlook(
    case: PlanningCase, seed: int | None = None, physics: Physics | None = None, like: Outlook | None = None
) -> Outlook:
    """Return the outlook of a case for one seed.

    Parameters
    ----------
    case : PlanningCase
        What is to be planned.
    seed : int, optional
        Seed of the scenarios; the case's own if left out. Another seed gives fresh scenarios.
    physics : Physics, optional
        Scenarios from the real rooms; the compact parametric physics if left out.
    like : Outlook, optional
        An outlook whose options (booked drying days) are kept, so that a plan made on it can be evaluated on these scenarios.
    """
    used = case.seed if seed is None else seed
    made = compact_physics(case, used) if physics is None else physics
    numbers, chosen = group_lots(case)
    planned_all: dict[tuple[int, int, int], float] = dict(like.planned_days) if like is not None else {}
    classes = []
    for index, lot in enumerate(chosen):
        planned = {(setup, start): days for (owner, setup, start), days in planned_all.items() if owner == index}
        classes.append(_class_options(case, made, lot, planned))
        planned_all.update({(index, setup, start): days for (setup, start), days in planned.items()})
    return Outlook(case, used, numbers, tuple(chosen), tuple(classes), made, planned_all)
