"""What would have helped a group: its own plan solved again with one thing otherwise, and what that is worth in money.

The season is planned from its first harvest with the prices, weather and limits of that day, once as the records say it
went (waited, judged by hand, dried below the limit, sold for cash) and once for each thing otherwise. Both plans meet
the same weather, pests and prices, so that their difference is that thing's worth; it is an expectation at decision
time, not hindsight.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from datetime import date
from typing import Any

import numpy as np

from core.accounts.finance import WEEKS_PER_MONTH, InventoryCredit, growth
from core.errors import DryholdError
from core.group.possessions import possessions
from core.group.sampling import UNCHECKED_METER_SD
from core.group.store import Store
from core.messages import Message, message
from core.planning.allocation import Allocation
from core.planning.case import DAYS_PER_WEEK, CaseLot, DryingChoice, PlanningCase, StorageChoice
from core.planning.credit import credit_terms
from core.planning.group_seasons import group_seasons
from core.planning.outlook import Outlook, build_outlook
from core.planning.quick_plans import plan_in_parts
from core.planning.seasons import Dried, Kept, Seasons
from core.programme.season_case import SCENARIOS, SEALED, Habits, SeasonCase, season_case

CAUSES = ("waiting wet", "too few tests", "bagged too wet", "over-drying", "sold early for cash")
HELPS = ("a shared dryer", "sealed bags", "credit on stored grain", "training in testing")
REMEDY = {
    "waiting wet": "a shared dryer",
    "too few tests": "training in testing",
    "bagged too wet": "training in testing",
    "over-drying": "training in testing",
    "sold early for cash": "credit on stored grain",
}
MARGIN_PCT = 0.3  # points below the limit that are care, not over-drying (judgement: one standard error of a test)
FEE_POINTS = 5.0  # by which grain is dried in a shared dryer, as far as its cost is told by the kg (judgement)
DRYER = "shared dryer"


@dataclass(frozen=True)
class Difference:
    """What one thing otherwise is worth to a group, in its currency on the day of the first harvest.

    `money` mean over the scenarios, `low, high` 10 and 90 % of them; `lots` how many lots it touches; `cost` what it
    costs the programme beside what the plan already pays (0 for causes); `why_not` says why nothing can be said.
    """

    name: str
    money: float
    low: float
    high: float
    lots: int
    cost: float = 0.0
    why_not: Message | None = None

    @property
    def net(self) -> float:
        """Return the money less the cost."""
        return self.money - self.cost


@dataclass(frozen=True)
class GroupHelp:
    """A group's avoidable losses and what each help would bring, or why nothing can be said."""

    group_id: int
    season: str
    lots: int
    value: float
    causes: tuple[Difference, ...]
    helps: tuple[Difference, ...]
    left_out: tuple[Message, ...]
    why_not: Message | None = None

    @property
    def largest(self) -> Difference | None:
        """Return the largest avoidable loss, None where none can be shown."""
        known = [item for item in self.causes if item.why_not is None and item.money > 0]
        return max(known, key=lambda item: item.money, default=None)


@dataclass(frozen=True)
class _Way:
    """How a season is taken: with or without each habit, and with or without each help."""

    waits: bool = True
    judges: bool = True
    underdries: bool = True
    overdries: bool = True
    cash: bool = True
    dryer: bool = False
    sealed: bool = False

    @property
    def grain(self) -> tuple[bool, bool, bool, bool]:
        """Return what decides how the grain fares: ways that agree in it share their scenarios' values."""
        return self.waits, self.judges, self.underdries, self.overdries


WAYS = {
    "waiting wet": _Way(waits=False),
    "too few tests": _Way(judges=False),
    "bagged too wet": _Way(underdries=False),
    "over-drying": _Way(overdries=False),
    "sold early for cash": _Way(cash=False),
    "a shared dryer": _Way(dryer=True, waits=False),
    "sealed bags": _Way(sealed=True),
    "credit on stored grain": _Way(cash=False),
    "training in testing": _Way(judges=False, underdries=False, overdries=False),
}


def group_help(store: Store, group_id: int, today: date, scenarios: int = SCENARIOS, seed: int = 2026) -> GroupHelp:
    """Return what would have helped a group in its last season.

    Parameters
    ----------
    today : date
        Later records do not count.
    scenarios, seed : int
        Of weather, pests and prices.
    """
    try:
        season = season_case(store, group_id, today, scenarios, seed)
        facts = {key: fact.value for key, fact in store.facts(group_id).items()}
        fee = possessions(store, group_id).space("mechanical").cost_of_drying(FEE_POINTS)
        return compare_ways(group_id, season, facts, credit_terms(store.facts(group_id)), seed, dryer_cost_kg=fee)
    except DryholdError as error:
        return GroupHelp(group_id, "", 0, 0.0, (), (), (), error.message)


def compare_ways(
    group_id: int,
    season: SeasonCase,
    facts: Mapping[str, Any],
    credit: InventoryCredit,
    seed: int,
    seasons: Seasons | None = None,
    dryer_cost_kg: float = 0.0,
) -> GroupHelp:
    """Return the worth of every thing otherwise for one season.

    Parameters
    ----------
    season : SeasonCase
        The case without habits, and the habits.
    facts : mapping
        Facts by key: costs of help, and how far off dryness judged by hand is.
    seasons : Seasons, optional
        Scenarios; from the real rooms where left out.
    """
    habits = season.habits
    whole = _everything(season, facts, dryer_cost_kg)
    rooms = by_fortnight(group_seasons(whole, seed, season.built.data)) if seasons is None else seasons
    waits = waiting_days(whole, habits, rooms)
    aimed = {crop: level for crop, level in habits.dried_to.items() if abs(level - whole.target(crop)) > MARGIN_PCT}
    outlooks: dict[tuple[bool, bool, bool, bool], Outlook] = {}
    solved: dict[_Way, np.ndarray] = {}

    def worth(way: _Way) -> np.ndarray:
        if way in solved:
            return solved[way]
        if way.grain not in outlooks:
            spread = float(facts["help.judged_sd"]) if way.judges else UNCHECKED_METER_SD
            grain = _grain_as_it_went(whole, way, waits, aimed, rooms)
            outlooks[way.grain] = build_outlook(grain, seed, _judged(rooms, habits.judged, spread))
        case = _limits_as_they_were(outlooks[way.grain].case, habits, way)
        outlook = replace(outlooks[way.grain], case=case)
        allocation, value = plan_in_parts(case, outlook)
        solved[way] = value.value - (0.0 if way.cash else _borrowed(outlook, allocation, habits, credit))
        return solved[way]

    went = worth(_Way())
    touched, found = _touched(whole, habits, waits, aimed), {}
    for name, way in WAYS.items():
        silent = _why_not(name, habits, sum(lot.bags for lot in whole.lots))
        if silent is not None or touched[name] == 0:
            found[name] = Difference(name, 0.0, 0.0, 0.0, 0, _cost(name, facts), silent)
            continue
        more = worth(way) - went
        low, high = np.quantile(more, [0.1, 0.9])
        found[name] = Difference(name, float(more.mean()), float(low), float(high), touched[name], _cost(name, facts))
    return GroupHelp(
        group_id,
        f"{season.built.case.start:%Y-%m}",
        len(whole.lots),
        float(went.mean()),
        tuple(found[name] for name in CAUSES),
        tuple(found[name] for name in HELPS),
        season.left_out,
    )


def _touched(
    whole: PlanningCase, habits: Habits, waits: Mapping[str, Any], aimed: Mapping[str, float]
) -> dict[str, int]:
    """Return how many lots, or sales for cash, each thing otherwise touches."""
    off = {"over-drying": 0, "bagged too wet": 0}
    for lot in whole.lots:
        if lot.commodity in aimed:
            off["over-drying" if aimed[lot.commodity] < whole.target(lot.commodity) else "bagged too wet"] += 1
    return {
        "waiting wet": len(waits),
        "too few tests": len(habits.judged),
        **off,
        "sold early for cash": len(habits.needs),
        "a shared dryer": len(whole.lots),
        "sealed bags": len(whole.lots),
        "credit on stored grain": len(habits.needs),
        "training in testing": len(habits.judged) + sum(off.values()),
    }


def _why_not(name: str, habits: Habits, bags: int) -> Message | None:
    if name == "sealed bags" and habits.sealed_bags >= bags:
        return message("this group keeps all its grain in sealed storage already")
    if name == "credit on stored grain":
        return habits.silent.get("sold early for cash")
    return habits.silent.get(name)


def _cost(name: str, facts: Mapping[str, Any]) -> float:
    key = {
        "a shared dryer": "dryer",
        "sealed bags": "sealed",
        "credit on stored grain": "credit",
        "training in testing": "training",
    }.get(name)
    return float(facts[f"help.{key}_cost"]) if key else 0.0


def _everything(season: SeasonCase, facts: Mapping[str, Any], fee: float) -> PlanningCase:
    """Return the case with every way of drying and storing that is compared: one set of scenarios serves all."""
    case = season.built.case
    bags = sum(lot.bags for lot in case.lots)
    dryer = DryingChoice(
        DRYER,
        DRYER,
        "mechanical",
        float(facts["help.dryer_kg"]),
        area_m2=1.0,
        load_kg_m2=0.0,
        fee_per_point_kg=fee / FEE_POINTS,
        powered=True,
    )
    storage = tuple(replace(way, buyable_bags=bags) if way.method == "hermetic_bag" else way for way in case.storage)
    below = tuple(season.habits.dried_to.items())
    return case.with_changes(drying=(*case.drying, dryer), storage=storage, target_choices=below, certainty=0.5)


def waiting_days(case: PlanningCase, habits: Habits, seasons: Seasons) -> dict[str, float]:
    """Return the days that each lot waited wet: from harvest to dry, less the days that drying takes in its weather.

    Lots for which this is less than two days are left out: it lies within what the tests' days can tell.
    """
    waits = {}
    for lot in case.lots:
        if lot.id not in habits.ready_days or not case.drying:
            continue
        moisture = np.full(case.scenarios, lot.moisture_pct)
        takes = seasons.dry(lot, case.drying[0], lot.available_week, moisture, case.target(lot.commodity))
        waited = habits.ready_days[lot.id] - float(np.median(takes.days))
        if waited >= 2.0:
            waits[lot.id] = min(waited, 42.0)
    return waits


def _waited(lot: CaseLot, days: float, whole: PlanningCase, seasons: Seasons) -> CaseLot:
    """Return a lot after days of waiting wet: later, and lighter by what it burnt and what mould made unfit."""
    weeks = int(np.ceil(days / DAYS_PER_WEEK))
    wet = np.full(whole.scenarios, lot.moisture_pct)
    kept = seasons.keep(lot, wet, whole.storage[0], min(lot.available_week, whole.weeks - weeks - 1), weeks)
    gone = 1.0 - (1.0 - kept.dry_matter_loss_pct / 100.0) * (
        1.0 - np.broadcast_to(kept.unfit_share, kept.moisture_pct.shape)
    )
    lost = float(np.interp(days / DAYS_PER_WEEK, np.arange(weeks + 1), gone.mean(axis=1)))
    week = lot.available_week + round(days / DAYS_PER_WEEK)
    return replace(lot, bag_mass_kg=lot.bag_mass_kg * (1.0 - min(lost, 0.95)), available_week=week)


def _grain_as_it_went(
    whole: PlanningCase, way: _Way, waits: Mapping[str, float], aimed: Mapping[str, float], seasons: Seasons
) -> PlanningCase:
    """Return the season's case with what one way does to the grain: when it is handled, and how far it is dried.

    Grain that need not wait may still be left as long as it was: else a plan without waiting would have fewer choices
    than one with it.
    """
    lots = whole.lots
    delays = set(whole.start_delays)
    if way.waits:
        lots = tuple(_waited(lot, waits[lot.id], whole, seasons) if lot.id in waits else lot for lot in lots)
    else:
        delays |= {delay + round(days / DAYS_PER_WEEK) for days in waits.values() for delay in whole.start_delays}
    targets = []
    for crop, level in whole.target_pct:
        went = aimed.get(crop, level)
        kept = way.overdries if went < level else way.underdries
        targets.append((crop, went if kept else level))
    return whole.with_changes(
        lots=lots, target_pct=tuple(targets), target_choices=(), start_delays=tuple(sorted(delays))
    )


def _limits_as_they_were(case: PlanningCase, habits: Habits, way: _Way) -> PlanningCase:
    """Return the case with the dryer, bags and cash needs of one way; what the group did not have has no room."""
    return case.with_changes(
        # with a dryer all grain is dried in it: the sheets were what the grain waited for
        drying=tuple(
            choice if (choice.code == DRYER) == way.dryer else replace(choice, capacity_kg=0.0)
            for choice in case.drying
        ),
        storage=tuple(
            replace(choice, owned_bags=0, buyable_bags=habits.sealed_bags)
            if choice.method in SEALED and not way.sealed
            else choice
            for choice in case.storage
        ),
        needs=habits.needs if way.cash else (),
    )


def _borrowed(outlook: Outlook, allocation: Allocation, habits: Habits, credit: InventoryCredit) -> float:
    """Return what borrowing the season's cash needs until the plan's sales costs today, above the case's interest.

    Each need is borrowed with its fee at the lender's interest until the mean week of the sales.
    """
    case = outlook.case
    weight = np.array(
        [
            float(bags) * case.lots[int(lot)].bag_mass_kg
            for lot, bags in zip(allocation.lot, allocation.bags, strict=True)
        ]
    )
    weeks = np.array(
        [
            float(outlook.options(int(lot)).pay_week[option])
            for lot, option in zip(allocation.lot, allocation.option, strict=True)
        ]
    )
    repaid = float(np.average(weeks, weights=weight)) if weight.sum() > 0 else 0.0
    cost = 0.0
    for need in habits.needs:
        months = max(0.0, repaid - need.week) / WEEKS_PER_MONTH
        owed = need.amount / (1.0 - credit.fee_share) * growth(credit.monthly_interest, months)
        cost += owed * float(case.discount(need.week + months * WEEKS_PER_MONTH)) - need.amount * float(
            case.discount(need.week)
        )
    return cost


def by_fortnight(seasons: Seasons) -> Seasons:
    """Return the seasons in which drying begun in an odd week meets the weather of the week before (half the runs).

    The usual weather of a place hardly changes within a fortnight; what is compared meets the same weather either way.
    """

    def dry(lot: CaseLot, choice: DryingChoice, start_week: int, moisture: np.ndarray, target: float) -> Dried:
        back = start_week % 2
        # the days waited stay what they are
        shifted = replace(lot, available_week=lot.available_week - back) if back else lot
        return seasons.dry(shifted, choice, start_week - back, moisture, target)

    return replace(seasons, dry=dry)


def _judged(seasons: Seasons, lots: frozenset[str], spread: float) -> Seasons:
    """Return the seasons in which some lots are bagged as far off the target as dryness judged by hand is."""

    def keep(lot: CaseLot, moisture: np.ndarray, storage: StorageChoice, first_week: int, weeks: int) -> Kept:
        if lot.id not in lots:
            return seasons.keep(lot, moisture, storage, first_week, weeks)
        draw = np.random.default_rng([zlib.crc32(lot.id.encode()), len(moisture)]).standard_normal(len(moisture))
        return seasons.keep(lot, np.clip(moisture + spread * draw, 3.0, 40.0), storage, first_week, weeks)

    return replace(seasons, keep=keep)


def to_payload(found: GroupHelp) -> dict[str, Any]:
    """Return the result as plain JSON values."""
    return asdict(found)


def from_payload(kept: Mapping[str, Any]) -> GroupHelp:
    """Return the result that `to_payload` wrote."""

    def said(value: Any) -> Message | None:
        return None if value is None else Message(value["template"], value["values"])

    def one(value: Mapping[str, Any]) -> Difference:
        return Difference(**{**value, "why_not": said(value["why_not"])})

    return GroupHelp(
        kept["group_id"],
        kept["season"],
        kept["lots"],
        kept["value"],
        tuple(map(one, kept["causes"])),
        tuple(map(one, kept["helps"])),
        tuple(m for m in map(said, kept["left_out"]) if m is not None),
        said(kept["why_not"]),
    )
