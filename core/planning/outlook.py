"""The outlook: what each choice for a lot is worth in each scenario, with every deduction kept apart.

A choice (option) is: when a standing lot is harvested, dry or not (setup, start week, moisture to dry to), how it is
stored, the week of sale, and the buyer (or a reserve kept back). Lots that are alike (same crop, moisture, week and
form) share one table of options per kg, so that a union's thousands of lots stay cheap. Mass is kept as initial = lost
in the field + water + handling + dry matter + insects + sold, in every scenario; water enters once, by the mass
balance.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from statistics import NormalDist

import numpy as np

from core.accounts.finance import WEEKS_PER_MONTH
from core.given import check_kind
from core.market.deductions import damage_kept
from core.planning.case import CaseBuyer, CaseLot, DryingChoice, PlanningCase, StorageChoice
from core.planning.invented_seasons import invented_seasons
from core.planning.safety import (
    UNSHELLED,
    first_week_after_treatment,
    keeping_limit,
    may_be_kept_in,
    surely_below,
    weeks_in_bags,
)
from core.planning.schedule import ready_week
from core.planning.seasons import Dried, Kept, Seasons
from core.storage.safety import saleable_mass

NONE = -1
MOST_REFUSED = 0.5  # chance of refusal above which nothing is planned for a strict buyer: more likely than not
NO_WAIT = 4  # weeks for a market day, a truck or an order where past prices do not support waiting (judgement)
# drier than keeping and every buyer ask for pays only in long storage: it is compared from so many weeks on (judgement)
LONG_STORE_WEEKS = 8

DEDUCTIONS = (
    "field",
    "water",
    "handling",
    "dry_matter",
    "insects",
    "mould",
    "discount",
    "fees",
    "drying",
    "storage",
    "bags",
    "transport",
    "cost_of_money",
)


@dataclass(frozen=True)
class Options:
    """The choices of one class of lots.

    All arrays have one entry per option, indices are into the case's tuples (-1 = none).

    `receipts_kg` (options, scenarios): money received per kg put in, after discounts and percentage fees, undiscounted.
    `kept_kg` (options,): mean kg left to sell or eat per kg put in. `upfront_kg`, `upfront_bag` are paid in
    `start_week`, `later_bag` in `sale_week`. `target_pct`: moisture dried to [% w.b., NaN = not dried]; `floor_kg`:
    mean kg spread to dry per kg put in (less where the field has dried it); `unfit`: mean share of the bags that mould
    makes unfit, which bring nothing.
    """

    harvest_week: np.ndarray
    setup: np.ndarray
    start_week: np.ndarray
    target_pct: np.ndarray
    days: np.ndarray
    floor_kg: np.ndarray
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
    unfit: np.ndarray

    def __len__(self) -> int:
        return len(self.setup)


WHOLE = {"harvest_week", "setup", "start_week", "ready_week", "storage", "sale_week", "pay_week", "buyer", "reserve"}
Booking = tuple[int, int, int, float]  # setup, start week, harvest week, moisture to dry to


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
    seasons: Seasons
    planned_days: dict[tuple[int, Booking], float]

    def options(self, lot: int) -> Options:
        """Return the options of the lot with index `lot`."""
        return self.classes[int(self.lot_class[lot])]

    def values(self, lot: int, chosen: np.ndarray | slice = slice(None)) -> np.ndarray:
        """Return the value today of one bag for each chosen option, (options, scenarios).

        Trips and bag purchases are not in it.
        """
        return bag_values(self.case, self.options(lot), self.case.lots[lot].bag_mass_kg, chosen)


def free_to_sell(case: PlanningCase, table: Options) -> np.ndarray:
    """Return which options are sales that any bag may take: not kept back, and not to serve a promise, (options,)."""
    free = np.array([who.promised_kg == 0 for who in case.buyers], dtype=bool)
    return np.asarray((table.buyer >= 0) & free[np.maximum(table.buyer, 0)]) if len(free) else table.buyer >= 0


def bag_values(
    case: PlanningCase, table: Options, bag_mass_kg: float, chosen: np.ndarray | slice = slice(None)
) -> np.ndarray:
    """Return the value today [money per bag] of options, (options, scenarios), without shared costs.

    These are trips and bag purchases.
    """
    in_ = case.discount(table.pay_week[chosen])[:, None] * table.receipts_kg[chosen]
    early, late = case.discount(table.start_week[chosen]), case.discount(table.sale_week[chosen])
    out = (
        bag_mass_kg * early * table.upfront_kg[chosen]
        + early * table.upfront_bag[chosen]
        + late * table.later_bag[chosen]
    )
    return bag_mass_kg * in_ - out[:, None]


def trip_share(case: PlanningCase) -> np.ndarray:
    """Return the cost of a full trip per kg carried, by buyer [money per kg]."""
    return np.array([case.trip_cost(buyer) / case.truck.capacity_kg for buyer in range(len(case.buyers))])


def shared_costs(case: PlanningCase, table: Options, bag_mass_kg: float) -> np.ndarray:
    """Return what a bag of each option takes of costs that lots share [money per bag], (options,).

    A full load's part of the trip, by what is left of the bag when it is sold, and the price of a bag to store in
    where none is at hand.
    """
    trips, prices = trip_share(case), np.array([way.bag_price for way in case.storage])
    road = np.where(table.buyer >= 0, trips[table.buyer], 0.0) * table.kept_kg * bag_mass_kg
    bought = np.where(table.storage >= 0, prices[table.storage], 0.0) if len(prices) else 0.0
    return np.asarray(road + bought)


def net_values(
    case: PlanningCase, table: Options, bag_mass_kg: float, mean: tuple[np.ndarray, np.ndarray] | None = None
) -> np.ndarray:
    """Return the mean value today of a bag of each option, less its part of shared costs [money], (options,).

    `mean` holds the parts of the value as `mean_values` gives them, where they are known.
    """
    per_kg, per_bag = mean_values(case, table) if mean is None else mean
    return np.asarray(bag_mass_kg * per_kg - per_bag - shared_costs(case, table, bag_mass_kg))


def mean_values(case: PlanningCase, table: Options) -> tuple[np.ndarray, np.ndarray]:
    """Return (per kg, per bag) parts of each option's mean value today; value of a bag = mass x first - second."""
    return parts_of_value(case, table, table.receipts_kg.mean(axis=1).astype(float))


def parts_of_value(case: PlanningCase, table: Options, receipts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return (per kg, per bag) parts of the value today that go with receipts per kg (options,)."""
    early, late = case.discount(table.start_week), case.discount(table.sale_week)
    per_kg = case.discount(table.pay_week) * receipts - early * table.upfront_kg
    return per_kg, early * table.upfront_bag + late * table.later_bag


@dataclass(frozen=True)
class Masses:
    """Where one kg put in has gone, by week since ready and scenario.

    Field, water, handling, dry matter, insects and sold add up to 1.
    """

    field: np.ndarray
    water: np.ndarray
    handling: np.ndarray
    dry_matter: np.ndarray
    insects: np.ndarray
    sold: np.ndarray
    moisture_pct: np.ndarray
    damaged_pct: np.ndarray
    unfit_share: np.ndarray
    refusal_chance: np.ndarray
    alive_share: np.ndarray


def mass_parts(
    start_pct: np.ndarray,
    bagged_pct: np.ndarray,
    end_pct: np.ndarray,
    handling: float,
    drying_loss_pct: np.ndarray,
    storage_loss_pct: np.ndarray,
    insect_loss_pct: np.ndarray,
    damaged_pct: np.ndarray,
    unfit_share: np.ndarray | float = 0.0,
    refusal_chance: np.ndarray | float = 0.0,
    field_lost: np.ndarray | float = 0.0,
    alive_share: np.ndarray | float = 1.0,
) -> Masses:
    """Split each kg put in into field loss, water lost, handling loss, dry-matter loss, insect loss and the rest.

    The rest is what is left to sell.

    Parameters
    ----------
    start_pct, bagged_pct, end_pct : np.ndarray
        Moisture at first, when bagged and at the end [% w.b.], (scenarios,), (weeks or 1, scenarios) and (weeks,
        scenarios). Water that the grain takes up again after bagging is not counted as grain.
    handling : float
        Fraction of the dried grain lost in handling.
    drying_loss_pct, storage_loss_pct, insect_loss_pct : np.ndarray
        Dry matter lost while drying, by respiration and mould in store, and by insects [% of the dry matter there].
    unfit_share, refusal_chance, alive_share : np.ndarray or float
        As in `Kept`.

    Returns
    -------
    Masses
        Fractions of the mass put in; they add up to 1 (water by W2 = W1 (100 - M1)/(100 - M2), economics reference
        section 3).
    """
    harvested = 1.0 - np.asarray(field_lost, dtype=float)
    bagged = harvested * (100.0 - start_pct) / (100.0 - bagged_pct)
    after_water = saleable_mass(bagged, bagged_pct, end_pct)
    after_handling = after_water * (1.0 - handling)
    lost = 1.0 - (1.0 - drying_loss_pct / 100.0) * (1.0 - np.minimum(storage_loss_pct, 100.0) / 100.0)
    after_loss = after_handling * (1.0 - lost)
    sold = after_loss * (1.0 - np.minimum(insect_loss_pct, 100.0) / 100.0)

    def shaped(value: np.ndarray | float) -> np.ndarray:
        return np.broadcast_to(value, sold.shape)

    return Masses(
        shaped(1.0 - harvested),
        shaped(harvested - after_water),
        after_water - after_handling,
        after_handling - after_loss,
        after_loss - sold,
        sold,
        shaped(end_pct),
        shaped(damaged_pct),
        shaped(unfit_share),
        shaped(refusal_chance),
        shaped(alive_share),
    )


def _class_key(case: PlanningCase, lot: CaseLot, step: float, named: frozenset[str]) -> tuple[object, ...]:
    moisture = round(lot.moisture_pct / step) if step else lot.id
    counted = (lot.insects_per_kg, lot.sieved_kg, lot.sieved_days_ago)
    alone = lot.id if lot.id in named else ""
    # what is safe for one lot of a class must be so for all
    safe = (
        lot.sale_from_week,
        lot.treated,
        lot.surely_pct <= keeping_limit(case, lot),
        *(may_be_kept_in(lot, way, lot.surely_when_sealed_pct) for way in case.storage),
        lot.bag_mass_kg if lot.standing else 0.0,
        *(_takes(choice, lot, lot.bag_mass_kg) for choice in case.drying),
    )
    return (
        lot.commodity,
        moisture,
        lot.available_week,
        lot.standing,
        lot.latest_week,
        lot.moisture_week,
        lot.use,
        lot.form,
        counted,
        alone,
        safe,
    )


def group_lots(case: PlanningCase) -> tuple[np.ndarray, list[CaseLot]]:
    """Return each lot's class and the lot that stands for each class (every lot its own class up to 150 lots).

    Above that, lots of one crop, week and form whose moisture agrees to a quarter of a point (then a half, then one)
    share a class, where the same is safe to do with them: stores, sealing, and the days that treated grain waits. On
    three invented cases of 200 lots the plan so made, valued on the lots themselves, was 0.12 % better and 0.05 and
    0.01 % worse than one made lot by lot, all within the search's gap of 0.2 % (`tests/benchmarks/class_sharing.py`).
    """
    named = frozenset(lot for who in case.buyers for lot in who.lots)
    for step in (0.0, 0.25, 0.5, 1.0, 2.0):
        keys: dict[tuple[object, ...], int] = {}
        numbers = [keys.setdefault(_class_key(case, lot, step, named), len(keys)) for lot in case.lots]
        if len(keys) <= (150 if step == 0.0 else 110):
            break
    numbers_array = np.asarray(numbers, dtype=int)
    chosen = []
    for number in range(len(keys)):
        lots = [case.lots[index] for index in np.flatnonzero(numbers_array == number)]
        weight = np.array([lot.bags * lot.bag_mass_kg for lot in lots], dtype=float) + 1e-9
        moisture = float(np.average([lot.moisture_pct for lot in lots], weights=weight))
        surely, to_seal = max(lot.surely_pct for lot in lots), max(lot.surely_when_sealed_pct for lot in lots)
        alike = replace(lots[0], moisture_pct=round(moisture, 3), surely_at_most_pct=surely, surely_to_seal_pct=to_seal)
        chosen.append(lots[0] if len(lots) == 1 else alike)
    return numbers_array, chosen


@dataclass(frozen=True)
class Chain:
    """One way to get a lot ready.

    When harvested, not dried (`setup` -1) or dried to `target`, from which week, ready in which week.

    `harvested` (scenarios,) is the moisture with which it leaves the field [% w.b.], `field_lost` the fraction lost
    there.
    """

    setup: int
    start_week: int
    days: float
    ready_week: int
    dried: Dried | None
    last_week: int
    target: float
    harvest_week: int
    harvested: np.ndarray
    field_lost: np.ndarray
    first_sale: int = 0
    surely: float = 0.0
    to_seal: float = 0.0

    @property
    def key(self) -> tuple[int, int, int, float]:
        """Return what tells it from other chains of the lot."""
        return self.harvest_week, self.setup, self.start_week, self.target if self.setup != NONE else 0.0


def lot_moisture(lot: CaseLot, seasons: Seasons) -> np.ndarray:
    """Return the lot's moisture as stated, in each scenario, (scenarios,) [% w.b.]."""
    return np.clip(lot.moisture_pct + lot.moisture_se_pct * seasons.moisture_draw[lot.id], 2.0, 55.0)


@dataclass(frozen=True)
class _Cut:
    """A lot from its harvest in a week on: its moisture [% w.b.] and the fraction lost in the field, (scenarios,)."""

    lot: CaseLot
    week: int
    moisture: np.ndarray
    lost: np.ndarray


def _left_the_field(lot: CaseLot, seasons: Seasons, moisture: np.ndarray, week: int) -> _Cut:
    """Return the lot as it is after harvest in a week; one that is harvested already is as it was."""
    if not lot.standing:
        return _Cut(lot, week, moisture, np.zeros(len(moisture)))
    stood = seasons.stand(lot, week, moisture)
    harvested = np.clip(stood.moisture_pct, 2.0, 55.0)
    stage = replace(lot, available_week=week, moisture_pct=float(harvested.mean()))
    return _Cut(stage, week, harvested, np.asarray(stood.lost, dtype=float))


def _chains(
    case: PlanningCase,
    seasons: Seasons,
    lot: CaseLot,
    moisture: np.ndarray,
    planned: dict[Booking, float],
    like: Options | None,
) -> list[list[Chain]]:
    """Return the ways to get a lot ready inside the horizon.

    Those that differ only in the moisture dried to stand together.
    """
    asked = [who.deductions_of(lot.commodity).our_base_pct for who in case.buyers if _open_to(who, lot)]
    least = min([case.target(lot.commodity), *(limit for limit in asked if limit is not None)])
    groups: list[list[Chain]] = []
    for week in lot.harvest_weeks:
        if week > case.weeks - 1:
            break
        cut = _left_the_field(lot, seasons, moisture, week)
        as_it_is = _not_dried(case, lot, cut, like)
        groups.append([as_it_is])
        # what an earlier table dries is dried again, though a bag may be heavier in these scenarios
        bag_kg = 0.0 if like is not None else lot.bag_mass_kg * _floor_share(lot, moisture, cut.moisture, cut.lost)
        for number, choice in enumerate(case.drying):
            if not _takes(choice, lot, bag_kg):
                continue
            # a standing lot that is to wait is left standing: it is dried as soon as it is cut
            for delay in case.start_delays if not lot.standing else (0,):
                made = []
                for target in case.targets(lot.commodity):
                    booking = (number, week + delay, week, target)
                    if target < least and not lot.standing and delay != case.start_delays[0]:
                        continue
                    if booking not in planned and (like is not None or as_it_is.surely <= target):
                        continue
                    made.append(_dried(case, seasons, lot, cut, booking, least, planned))
                groups.append([way for way in made if way is not None])
    return [group for group in groups if group]


def _not_dried(case: PlanningCase, lot: CaseLot, cut: _Cut, like: Options | None) -> Chain:
    """Return the way of a lot that stays as it was cut: it is sold while it still keeps in bags."""
    surely = surely_below(cut.moisture) if lot.standing else lot.surely_pct
    if like is None:
        until = int(min(case.weeks - 1, cut.week + weeks_in_bags(case, lot, surely)))
    else:
        mine = like.sale_week[(like.setup == NONE) & (like.harvest_week == cut.week)]
        until = int(mine.max(initial=cut.week))
    return Chain(
        setup=NONE,
        start_week=cut.week,
        days=0.0,
        ready_week=cut.week,
        dried=None,
        last_week=until,
        target=case.target(lot.commodity),
        harvest_week=cut.week,
        harvested=cut.moisture,
        field_lost=cut.lost,
        surely=surely,
        to_seal=surely if lot.standing else lot.surely_when_sealed_pct,
    )


def _dried(
    case: PlanningCase,
    seasons: Seasons,
    lot: CaseLot,
    cut: _Cut,
    booking: Booking,
    least: float,
    planned: dict[Booking, float],
) -> Chain | None:
    """Return the way of a lot that is dried, None where it is not ready inside the horizon.

    Drier than the `least` that storing and the buyers ask for is worth it only for grain that stays long in store.
    """
    number, start, week, target = booking
    dried = seasons.dry(cut.lot, case.drying[number], start, cut.moisture, target)
    days = planned.setdefault(booking, dried.planned_days)
    if not np.isfinite(days):
        return None
    ready, last = ready_week(case, start, days), case.weeks - 1
    if ready > last:
        return None
    return Chain(
        setup=number,
        start_week=start,
        days=days,
        ready_week=ready,
        dried=dried,
        last_week=int(min(last, ready + weeks_in_bags(case, lot, target))),
        target=target,
        harvest_week=week,
        harvested=cut.moisture,
        field_lost=cut.lost,
        first_sale=ready + LONG_STORE_WEEKS if target < least else ready,
        surely=target,
        to_seal=target,
    )


def _floor_share(lot: CaseLot, moisture: np.ndarray, harvested: np.ndarray, lost: np.ndarray) -> float:
    """Return the mean kg that are spread for each kg stated: a lot that stands is cut wetter or drier than stated."""
    return float(np.mean((1.0 - lost) * (100.0 - moisture) / (100.0 - harvested))) if lot.standing else 1.0


def _takes(choice: DryingChoice, lot: CaseLot, bag_kg: float) -> bool:
    """Return whether a space takes grain of a lot's form, and a whole bag of it as it is spread: the floor's unit."""
    return bag_kg <= choice.capacity_kg and not (choice.unshelled and lot.form not in UNSHELLED)


def chain_masses(
    case: PlanningCase, seasons: Seasons, lot: CaseLot, moisture: np.ndarray, chain: Chain, storage: int
) -> Masses:
    """Return where the mass goes for one chain and way of storing, (weeks, scenarios).

    By week, from ready to the last week.
    """
    length = chain.last_week - chain.ready_week
    late: np.ndarray | float = 0.0
    if chain.dried is None:
        bagged, drying_loss, handling = chain.harvested, np.zeros_like(moisture), 0.0
    else:
        # grain that needed longer than was booked is dried on; sold before it is dry, it is sold at what it then holds
        week = np.arange(length + 1 if storage != NONE else 1, dtype=float)[:, None]
        have = 7.0 * (chain.ready_week - chain.start_week + 1 + week)
        done = np.minimum(have / chain.dried.days, 1.0)
        handling, drying_loss = case.drying[chain.setup].handling_loss, chain.dried.dry_matter_loss_pct
        bagged = np.minimum(chain.harvested, chain.target)
        late = np.maximum(chain.harvested - chain.target, 0.0) * (1.0 - done)
    if storage == NONE:
        zero = np.zeros((1, len(moisture)))
        return mass_parts(
            moisture,
            bagged[None, :] + late,
            bagged[None, :] + late,
            handling,
            drying_loss,
            zero,
            zero,
            zero,
            field_lost=chain.field_lost,
        )
    kept = seasons.keep(lot, bagged, case.storage[storage], chain.ready_week, length)
    return mass_parts(
        moisture,
        bagged[None, :] + late,
        kept.moisture_pct + late,
        handling,
        drying_loss,
        kept.dry_matter_loss_pct,
        kept.insect_loss_pct,
        kept.damaged_pct,
        kept.unfit_share,
        kept.refusal_chance,
        chain.field_lost,
        kept.alive_share,
    )


def option_masses(outlook: Outlook, lot: int, option: int) -> tuple[Masses, int]:
    """Return where the mass of an option of a lot goes, and the row that is its week of sale."""
    case, table = outlook.case, outlook.options(lot)
    stands = outlook.representatives[int(outlook.lot_class[lot])]
    moisture = lot_moisture(stands, outlook.seasons)
    setup, storage = int(table.setup[option]), int(table.storage[option])
    ready, sale = int(table.ready_week[option]), int(table.sale_week[option])
    week = int(table.harvest_week[option])
    cut = _left_the_field(stands, outlook.seasons, moisture, week)
    target = float(table.target_pct[option]) if setup != NONE else case.target(stands.commodity)
    start = int(table.start_week[option])
    dried = None if setup == NONE else outlook.seasons.dry(cut.lot, case.drying[setup], start, cut.moisture, target)
    days = float(table.days[option])
    chain = Chain(setup, start, days, ready, dried, sale, target, week, cut.moisture, cut.lost)
    return chain_masses(case, outlook.seasons, stands, moisture, chain, storage), (
        0 if storage == NONE else sale - ready
    )


def price_paid(
    case: PlanningCase,
    buyer: int,
    commodity: str,
    market: np.ndarray,
    moisture_pct: np.ndarray,
    damaged_pct: np.ndarray,
    offer_draw: np.ndarray,
    refusal_chance: np.ndarray | float = 0.0,
) -> np.ndarray:
    """Return the price per kg that a buyer pays for a crop before fees, shaped like `market` (weeks, scenarios).

    Moisture and damage are deducted by the buyer's `Deductions`; a broken offer or a refused load is sold on the spot
    at a part of the market price. One who inspects also refuses with `refusal_chance` (insects, smell, dust, damaged
    kernels).
    """
    who = case.buyers[buyer]
    terms = who.deductions_of(commodity)
    full = market * who.price_factor if who.fixed_price is None else np.full_like(market, who.fixed_price)
    if who.fixed_price is None and who.basis_sd > 0:
        # how this buyer's price stands to the market's is known only so well: one draw for each scenario
        full = full * np.exp(who.basis_sd * _normal(offer_draw))[None, :].astype(full.dtype)
    full = full * (1.0 + terms.scale_offset)
    spot = market * who.refused_factor
    if who.chance_failing > 0:
        full = np.where(offer_draw[None, :] < who.chance_failing, np.minimum(full, spot), full)
    paid = full * terms.kept(moisture_pct, damaged_pct)
    refused = chance_refused(who, commodity, moisture_pct, refusal_chance)
    return np.asarray(paid - refused * np.maximum(paid - spot, 0.0))


def chance_refused(
    who: CaseBuyer, commodity: str, moisture_pct: np.ndarray, refusal_chance: np.ndarray | float = 0.0
) -> np.ndarray:
    """Return the chance that a buyer refuses a load, for its moisture or by what is seen of it (`price_paid`)."""
    refused = who.deductions_of(commodity).refused(moisture_pct)
    if who.inspects:
        refused = 1.0 - (1.0 - refused) * (1.0 - np.asarray(refusal_chance))
    return np.asarray(refused)


def _normal(uniform: np.ndarray) -> np.ndarray:
    """Return standard normal draws from uniform ones."""
    return _normal_of(np.asarray(uniform, dtype=float).tobytes())


@lru_cache(maxsize=128)
def _normal_of(uniform: bytes) -> np.ndarray:
    inverse = NormalDist().inv_cdf
    return np.array([inverse(min(max(float(u), 1e-9), 1 - 1e-9)) for u in np.frombuffer(uniform)])


@dataclass(frozen=True)
class _Block:
    """The options of one chain, store and buyer or reserve: one for each week of sale; rows as in `Options`."""

    chain: Chain
    storage: int
    buyer: int
    reserve: int
    upfront_kg: float
    upfront_bag: float
    weeks: np.ndarray
    pay_week: np.ndarray
    receipts: np.ndarray
    kept_kg: np.ndarray
    price_kg: np.ndarray
    later_bag: np.ndarray
    unfit: np.ndarray
    taken: np.ndarray | bool = True

    @property
    def key(self) -> tuple[int, int, int, float, int, int, int]:
        """Return what tells this block from others of the lot."""
        return (*self.chain.key, self.storage, self.buyer, self.reserve)


@dataclass(frozen=True)
class _DryingCost:
    """What drying costs when it begins [money per kg put in, money per bag], and the mean kg spread per kg put in."""

    per_kg: float
    per_bag: float
    floor_kg: float


def _drying_cost(case: PlanningCase, lot: CaseLot, chain: Chain, moisture: np.ndarray) -> _DryingCost:
    """Return what a chain's drying costs: labour and wear by kg, a fee by the points taken out, hire by bag and day."""
    floor = _floor_share(lot, moisture, chain.harvested, chain.field_lost)
    if chain.setup == NONE:
        return _DryingCost(0.0, 0.0, floor)
    choice = case.drying[chain.setup]
    before = float(chain.harvested.mean()) if lot.standing else lot.moisture_pct
    points = max(before - chain.target, 0.0)
    per_kg = (choice.cost_per_kg + choice.fee_per_point_kg * points) * floor
    return _DryingCost(per_kg, choice.hire_per_bag_day * chain.days, floor)


def usual_storage(case: PlanningCase) -> int:
    """Return the index of the usual bags: the first way to store that is neither sealed nor treated, -1 without one."""
    plain = (number for number, way in enumerate(case.storage) if not way.sealed and not way.waiting_days)
    return next(plain, NONE)


def _open_to(who: CaseBuyer, lot: CaseLot) -> bool:
    """Return whether a buyer takes grain of a lot."""
    return (
        lot.use != "seed"
        and (not who.commodities or lot.commodity in who.commodities)
        and (not who.lots or lot.id in who.lots)
    )


def _weeks_of_sale(case: PlanningCase, lot: CaseLot, chain: Chain, storage: int) -> range:
    """Return the plan weeks in which a chain's grain may be sold from one store.

    Not before a protectant's waiting days are over; where past prices do not support waiting, not for a later price.
    """
    ready = chain.ready_week
    if storage == NONE:
        return range(ready, ready + 1) if ready >= lot.sale_from_week and chain.first_sale <= ready else range(0)
    way = case.storage[storage]
    first = max(ready + 1, chain.first_sale, lot.sale_from_week, first_week_after_treatment(way, ready))
    last = chain.last_week if _may_wait(case, lot) else min(chain.last_week, max(ready, lot.sale_from_week) + NO_WAIT)
    return range(first, last + 1)


def _may_wait(case: PlanningCase, lot: CaseLot) -> bool:
    return next((price.wait for price in case.prices if price.commodity == lot.commodity), True)


def _may_be_eaten(case: PlanningCase, lot: CaseLot, chain: Chain, storage: int) -> bool:
    """Return whether a chain's grain may be kept back from the day on which it is ready: it keeps, untreated."""
    if storage == NONE or case.storage[storage].waiting_days > 0 or lot.sale_from_week > chain.ready_week:
        return False
    return chain.surely <= keeping_limit(case, lot)


@dataclass(frozen=True)
class _Way:
    """One chain in one store: where its mass goes, what it costs at first, and the store's fee by bag and month."""

    chain: Chain
    storage: int
    masses: Masses
    upfront_kg: float
    upfront_bag: float
    monthly: float


def _blocks_of(
    case: PlanningCase, seasons: Seasons, lot: CaseLot, chain: Chain, storage: int, moisture: np.ndarray, eaten: bool
) -> Iterator[_Block]:
    """Yield a chain's options in one store: for each buyer, then, where it may be `eaten`, for each reserve."""
    drying = _drying_cost(case, lot, chain, moisture)
    kept_in = None if storage == NONE else case.storage[storage]
    way = _Way(
        chain=chain,
        storage=storage,
        masses=chain_masses(case, seasons, lot, moisture, chain, storage),
        upfront_kg=drying.per_kg,
        upfront_bag=drying.per_bag + (kept_in.treatment_per_bag if kept_in is not None else 0.0),
        monthly=kept_in.cost_per_bag_month if kept_in is not None else 0.0,
    )
    yield from _buyer_blocks(case, seasons, lot, way)
    if eaten:
        yield from _reserve_blocks(case, lot, way)


def _buyer_blocks(case: PlanningCase, seasons: Seasons, lot: CaseLot, way: _Way) -> Iterator[_Block]:
    """Yield the sales of one way to each buyer who takes it."""
    chain, parts, weeks = way.chain, way.masses, _weeks_of_sale(case, lot, way.chain, way.storage)
    if not weeks:
        return
    treated = lot.treated or (way.storage != NONE and case.storage[way.storage].waiting_days > 0)
    # the values of options are kept in single precision: half the memory, and errors of a millionth
    market = seasons.prices[lot.commodity].astype(np.float32)
    moistures, damaged = parts.moisture_pct.astype(np.float32), parts.damaged_pct.astype(np.float32)
    sound = (parts.sold * (1.0 - parts.unfit_share)).astype(np.float32)
    sold_mean, unfit_mean = parts.sold.mean(axis=1), parts.unfit_share.mean(axis=1)
    for number, who in enumerate(case.buyers):
        begin, end = max(weeks[0], who.first_week), weeks[-1]
        end = end if who.last_week is None else min(end, who.last_week)
        if not _open_to(who, lot) or end < begin or (who.refuses_treated and treated):
            continue
        rows = slice(begin - chain.ready_week, end + 1 - chain.ready_week)
        paid = price_paid(
            case,
            number,
            lot.commodity,
            market[begin : end + 1],
            moistures[rows],
            damaged[rows],
            seasons.offer_draw[number],
            parts.refusal_chance[rows],
        )
        at = np.arange(begin, end + 1)
        load = case.truck.cost_per_bag if who.distance_km > 0 else 0.0
        yield _Block(
            chain=chain,
            storage=way.storage,
            buyer=number,
            reserve=NONE,
            upfront_kg=way.upfront_kg,
            upfront_bag=way.upfront_bag,
            weeks=at,
            pay_week=at + who.pay_delay_weeks,
            receipts=sound[rows] * paid * (1.0 - who.fee_fraction),
            kept_kg=sold_mean[rows],
            price_kg=paid.mean(axis=1),
            later_bag=way.monthly * (at - chain.ready_week) / WEEKS_PER_MONTH + load,
            unfit=unfit_mean[rows],
            taken=_is_taken(who, lot.commodity, moistures[rows], parts.refusal_chance[rows]),
        )


def _is_taken(who: CaseBuyer, crop: str, moisture_pct: np.ndarray, refusal_chance: np.ndarray) -> np.ndarray | bool:
    """Return by week whether grain may be planned for a buyer: one who is strict takes it more likely than not."""
    if not who.strict:
        return True
    chance = chance_refused(who, crop, moisture_pct, refusal_chance)
    return np.asarray(np.broadcast_to(chance, moisture_pct.shape).mean(axis=1) <= MOST_REFUSED)


def _reserve_blocks(case: PlanningCase, lot: CaseLot, way: _Way) -> Iterator[_Block]:
    """Yield what one way can keep back, for each reserve of its crop, from the day it is ready on."""
    chain, parts = way.chain, way.masses
    for number, reserve in enumerate(case.reserves):
        until = min(reserve.until_week, case.weeks - 1)
        fits = reserve.commodity == lot.commodity and (lot.use != "seed" or reserve.use == "seed")
        if not fits or not chain.ready_week < until <= chain.last_week:
            continue
        length = until - chain.ready_week
        span = np.arange(1, length + 1) if reserve.evenly else np.array([length])
        worth = case.discount(chain.ready_week + span)[:, None] * parts.sold[span] * reserve.value_per_kg
        worth = worth * damage_kept(reserve.damage_per_pct, parts.damaged_pct[span]) * (1.0 - parts.unfit_share[span])
        if reserve.use == "seed":  # seed that no longer germinates has to be bought
            worth = worth * parts.alive_share[span]
        yield _Block(
            chain=chain,
            storage=way.storage,
            buyer=NONE,
            reserve=number,
            upfront_kg=way.upfront_kg,
            upfront_bag=way.upfront_bag,
            weeks=np.array([until]),
            pay_week=np.array([until]),
            receipts=worth.mean(axis=0, keepdims=True) / case.discount(until),
            kept_kg=np.atleast_1d(parts.sold[span].mean()),
            price_kg=np.array([reserve.value_per_kg]),
            later_bag=np.atleast_1d(way.monthly * length / WEEKS_PER_MONTH),
            unfit=np.atleast_1d(parts.unfit_share[span].mean()),
        )


def undominated(case: PlanningCase, blocks: list[_Block]) -> list[np.ndarray]:
    """Return for each block, of blocks that differ only in the moisture dried to, what is kept.

    That is, which of its weeks are worth offering to the solver; none in which the buyer would hardly take it.

    A choice is dominated where another one of the same week of sale, setup, store and buyer brings at least as much in
    the mean AND in the mean of its worst tenth (the two measures by which a plan is chosen; its share of a full truck
    taken off), books no more drying days, and holds its bags in store for at most a week longer.
    """
    keep = [np.full(len(block.weeks), True) & block.taken for block in blocks]
    if len(blocks) < 2:
        return keep
    measures = [_mean_and_tail(case, block) for block in blocks]
    for one, mine in enumerate(blocks):
        for two, other in enumerate(blocks):
            if one == two or other.chain.days > mine.chain.days or other.chain.ready_week < mine.chain.ready_week - 1:
                continue
            first = max(int(mine.weeks[0]), int(other.weeks[0]))
            end = min(int(mine.weeks[-1]), int(other.weeks[-1])) + 1
            if first >= end:
                continue
            here = slice(first - int(mine.weeks[0]), end - int(mine.weeks[0]))
            there = slice(first - int(other.weeks[0]), end - int(other.weeks[0]))
            better = (measures[two][:, there] >= measures[one][:, here]).all(axis=0) & keep[two][there]
            keep[one][here] &= ~better
    return keep


def _mean_and_tail(case: PlanningCase, block: _Block) -> np.ndarray:
    """Return mean and mean of the worst tenth [money today per kg put in] by week of sale, (2, weeks).

    About a hundred of the scenarios speak for all: the choices compared meet the same ones.
    """
    trip = 0.0 if block.buyer == NONE else trip_share(case)[block.buyer]
    receipts = block.receipts[:, :: max(1, block.receipts.shape[1] // 100)]
    size = max(1, receipts.shape[1] // 10)
    worst = np.partition(receipts, size - 1, axis=1)[:, :size].mean(axis=1)
    paid = case.discount(block.pay_week)
    cost = case.discount(block.chain.start_week) * block.upfront_kg + trip * block.kept_kg * case.discount(block.weeks)
    return np.stack([paid * receipts.mean(axis=1) - cost, paid * worst - cost])


def _rows_of(like: Options) -> dict[tuple[int, int, int, float, int, int, int], set[int]]:
    """Return the weeks of sale of an earlier table by block key."""
    rows: dict[tuple[int, int, int, float, int, int, int], set[int]] = {}
    target = np.where(like.setup == NONE, 0.0, like.target_pct)
    columns = (like.harvest_week, like.setup, like.start_week, target, like.storage, like.buyer, like.reserve)
    for number in range(len(like)):
        harvest, setup, start, dried_to, storage, buyer, reserve = (column[number] for column in columns)
        key = (int(harvest), int(setup), int(start), float(dried_to), int(storage), int(buyer), int(reserve))
        rows.setdefault(key, set()).add(int(like.sale_week[number]))
    return rows


def _remembering(seasons: Seasons) -> Seasons:
    """Return scenarios that store grain of one moisture in one store from one week on only once.

    Ways of drying often end alike.
    """
    seen: dict[tuple[str, int, int, bytes], Kept] = {}

    def keep(lot: CaseLot, moisture: np.ndarray, storage: StorageChoice, first_week: int, length: int) -> Kept:
        key = (storage.code, first_week, length, moisture.tobytes())
        if key not in seen:
            seen[key] = seasons.keep(lot, moisture, storage, first_week, length)
        return seen[key]

    return replace(seasons, keep=keep)


def _may_go_into(case: PlanningCase, lot: CaseLot, chain: Chain, storage: int, usual: int) -> bool:
    """Return whether a chain's grain goes into a store.

    Grain that only waits for a market day goes into the usual bags alone.
    """
    if chain.last_week == chain.ready_week or not may_be_kept_in(lot, case.storage[storage], chain.to_seal):
        return False
    return storage == usual or chain.surely <= keeping_limit(case, lot)


def class_options(
    case: PlanningCase, seasons: Seasons, lot: CaseLot, planned: dict[Booking, float], like: Options | None = None
) -> Options:
    """Return the options of one class of lots; with an earlier table the same ones, valued on these scenarios.

    What may be stored, sealed and eaten is judged once, on the scenarios that are planned on: other scenarios of a lot
    that still stands would judge otherwise, and the numbers of the options would no longer be the same.
    """
    seasons = _remembering(seasons)
    moisture = lot_moisture(lot, seasons)
    known = None if like is None else _rows_of(like)
    ways = None if known is None else {key[:5] for key in known}
    usual = usual_storage(case)
    chosen: list[tuple[_Block, np.ndarray]] = []
    for group in _chains(case, seasons, lot, moisture, planned, like):
        for storage in (NONE, *range(len(case.storage))):
            alike: dict[tuple[int, int], list[_Block]] = {}
            for chain in group:
                if ways is not None:
                    offered, eaten = (*chain.key, storage) in ways, storage != NONE
                else:
                    offered = storage == NONE or _may_go_into(case, lot, chain, storage, usual)
                    eaten = _may_be_eaten(case, lot, chain, storage)
                if not offered:
                    continue
                for block in _blocks_of(case, seasons, lot, chain, storage, moisture, eaten):
                    alike.setdefault((block.buyer, block.reserve), []).append(block)
            for blocks in alike.values():
                if known is None:
                    kept = undominated(case, blocks)
                else:
                    kept = [np.isin(block.weeks, list(known.get(block.key, ()))) for block in blocks]
                chosen += [(block, rows) for block, rows in zip(blocks, kept, strict=True) if rows.any()]
    return _as_table(case, lot, moisture, chosen)


def _as_table(
    case: PlanningCase, lot: CaseLot, moisture: np.ndarray, chosen: list[tuple[_Block, np.ndarray]]
) -> Options:
    """Return the chosen rows of blocks as one table."""
    if not chosen:
        zero, none = np.zeros(0), np.zeros(0, dtype=np.int32)
        made = {name: none if name in WHOLE else zero for name in Options.__dataclass_fields__}
        return Options(**{**made, "receipts_kg": np.zeros((0, case.scenarios), dtype=np.float32)})
    sizes = [int(rows.sum()) for _, rows in chosen]
    ways = [block.chain for block, _ in chosen]
    blocks = [block for block, _ in chosen]
    floor = {id(way): _drying_cost(case, lot, way, moisture).floor_kg for way in ways}
    constant: dict[str, list[float]] = {
        "harvest_week": [way.harvest_week for way in ways],
        "setup": [way.setup for way in ways],
        "start_week": [way.start_week for way in ways],
        "target_pct": [way.target if way.setup != NONE else np.nan for way in ways],
        "days": [way.days for way in ways],
        "floor_kg": [floor[id(way)] for way in ways],
        "ready_week": [way.ready_week for way in ways],
        "storage": [block.storage for block in blocks],
        "buyer": [block.buyer for block in blocks],
        "reserve": [block.reserve for block in blocks],
        "upfront_kg": [block.upfront_kg for block in blocks],
        "upfront_bag": [block.upfront_bag for block in blocks],
    }
    by_week = {
        "sale_week": [block.weeks for block in blocks],
        "pay_week": [block.pay_week for block in blocks],
        "kept_kg": [block.kept_kg for block in blocks],
        "price_kg": [block.price_kg for block in blocks],
        "later_bag": [block.later_bag for block in blocks],
        "unfit": [block.unfit for block in blocks],
    }
    kept = np.concatenate([rows for _, rows in chosen])
    columns = {name: np.repeat(np.asarray(values), sizes) for name, values in constant.items()}
    columns |= {name: np.concatenate(values)[kept] for name, values in by_week.items()}
    columns["receipts_kg"] = np.concatenate([block.receipts[rows] for block, rows in chosen]).astype(
        np.float32, copy=False
    )
    return Options(**{name: value.astype(np.int32) if name in WHOLE else value for name, value in columns.items()})


def build_outlook(
    case: PlanningCase, seed: int | None = None, seasons: Seasons | None = None, like: Outlook | None = None
) -> Outlook:
    """Return the outlook of a case for one seed.

    Parameters
    ----------
    seed : int, optional
        Seed of the scenarios; the case's own if left out. Another seed gives fresh scenarios.
    seasons : Seasons, optional
        Scenarios from the records; the invented seasons if left out.
    like : Outlook, optional
        An outlook whose options (booked drying days) are kept, so that a plan made on it can be evaluated on these
        scenarios.
    """
    check_kind("case", case, PlanningCase)
    used = case.seed if seed is None else seed
    made = invented_seasons(case, used) if seasons is None else seasons
    numbers, chosen = group_lots(case)
    planned_all: dict[tuple[int, Booking], float] = dict(like.planned_days) if like is not None else {}
    classes = []
    for index, lot in enumerate(chosen):
        planned = {booking: days for (owner, booking), days in planned_all.items() if owner == index}
        classes.append(class_options(case, made, lot, planned, None if like is None else like.classes[index]))
        planned_all.update({(index, booking): days for booking, days in planned.items()})
    return Outlook(case, used, numbers, tuple(chosen), tuple(classes), made, planned_all)
