"""What a test is worth in the group's own sale plan: the same drying, stores, buyers, prices and scenarios, by true moisture.

The sale plan dries every lot exactly to its target, as somebody can who tests. Here the days on the sheet, the store, the week and the
buyer are decided before the truth is known, so that grain can end too dry or too wet, and what follows is the plan's own reckoning:
its mass balance, its stores and its buyers' terms.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from core.errors import InputError
from core.messages import Message, message
from core.meter.bagging import DRYING, OVER_DRYING, REFUSAL, SPOILAGE
from core.meter.worth import DecisionTable, normal_belief
from core.planning.allocation import trip_share
from core.planning.case import WEEKS_PER_MONTH, CaseLot, PlanningCase
from core.planning.outlook import NONE, mass_parts, price_paid
from core.planning.records import BuiltCase, build_case
from core.planning.rooms import DRYING_DAYS, WEATHERS, RoomData, season_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from core.planning.physics import Kept, Physics

    Array = NDArray[np.float64]

TIMING = "store, week and buyer chosen"
SUN_DAYS = (1, 2, 3, 4, 5, 6, 7, 8, 10, 12)
MACHINE_HOURS = (2, 4, 6, 8, 12, 16, 24)
SALE_WEEKS = (1, 2, 3, 4, 6, 8, 12, 16, 20, 24, 28, 32, 40, 48)
GRID_STEP_PCT = 0.5
KEPT_PARTS = (
    "moisture_pct", "dry_matter_loss_pct", "insect_loss_pct", "damaged_pct", "unfit_share", "refusal_chance",
)  # fmt: skip
KNOTS_PCT = np.arange(-5.0, 6.01, 0.5)
# grain in the sun, degrees; the plan takes the air's mean and 5 more, which differs little for the loss of a few days
WARM_C = 30.0
LIKELY_SD_PCT = (0.2, 0.4, 0.7, 1.1, 1.6, 2.2)


@dataclass(frozen=True)
class Stop:
    """One way to get the lot ready, decided without knowing its moisture.

    Parameters
    ----------
    setup : int
        Index of the way of drying, -1 = bag as it is.
    name : str
        In words, for people.
    days : float
        Days of drying.
    ready_week : int
        Week of the plan in which the grain can be bagged or sold.
    moisture_pct : array, shape (M, K)
        Moisture then, % wet basis, by true moisture now and scenario.
    """

    setup: int
    name: str
    days: float
    ready_week: int
    moisture_pct: Array


@dataclass(frozen=True)
class Choice:
    """A stop, a way of storing (-1 = sold at once), the week of sale and the buyer."""

    stop: int
    storage: int
    week: int
    buyer: int


def case_before_tests(
    store: Any, group_id: int, today: date, crops: Mapping[str, tuple[float, float]], **changes: Any
) -> BuiltCase:
    """Return the group's planning case with one lot of each crop that stands for all of the crop's lots before their test.

    Parameters
    ----------
    store : Store
        The group's records.
    group_id : int
        Which group.
    today : date
        First day of the plan.
    crops : Mapping of commodity to (limit, expected moisture)
        What the crop is dried to, and what is expected before a test, % wet basis.
    **changes
        As `core.planning.records.build_case`.

    Returns
    -------
    BuiltCase
        Crops without a price are left out, with a note.

    Raises
    ------
    PlanError
        Where no crop has a price.
    """
    lots = tuple(
        CaseLot(crop, crop, "", crop, 10, 90.0, expected, 2.0) for crop, (_limit, expected) in sorted(crops.items())
    )
    targets = tuple(sorted((crop, limit) for crop, (limit, _expected) in crops.items()))
    built = build_case(store, group_id, today, lots=lots, target_pct=targets, **changes)
    return replace(built, notes=(*built.notes, *price_notes(built.case)))


def price_notes(case: PlanningCase) -> tuple[Message, ...]:
    """Say for which crops there is no series of prices to learn a season from."""
    return tuple(
        message(
            "there are not yet two years of monthly prices of {crop}: no rise over the season is assumed, only today's price and its ups and downs",
            crop=price.commodity,
        )
        for price in case.prices
        if not price.path and season_of(price) is None
    )


def drying_stops(case: PlanningCase, data: RoomData, lot: CaseLot, moisture_pct: Array, seed: int) -> list[Stop]:
    """Return what can be done with a lot before it is bagged, through the plan's own weather.

    Parameters
    ----------
    case : PlanningCase
        The plan's case.
    data : RoomData
        Forecast, normals and place of the plan.
    lot : CaseLot
        The lot.
    moisture_pct : array, shape (M,)
        True moistures, % wet basis.
    seed : int
        Of the plan's scenarios: scenario k meets the weather that it meets in the plan.

    Returns
    -------
    list of Stop
        First "bag as it is", then days on each sheet or hours in each dryer.
    """
    from core.grain.drying import simulate_lots
    from core.grain.drying_setups import DryingSetup
    from core.weather.scenarios import extend_scenarios

    count = case.scenarios
    stops = [
        Stop(NONE, "as it is", 0.0, lot.available_week, np.repeat(moisture_pct[:, None], count, axis=1)),
    ]
    if not case.drying:
        return stops
    start = datetime(case.start.year, case.start.month, case.start.day, tzinfo=UTC)
    start += timedelta(days=7 * lot.available_week)
    weather = extend_scenarios(data.forecast, data.normals, data.place, start, DRYING_DAYS, WEATHERS, seed)
    which = np.arange(count) % WEATHERS
    for number, way in enumerate(case.drying):
        setup = DryingSetup(
            way.method, max(way.area_m2, 1.0), way.load_kg_m2 or None, altitude_m=case.climate.altitude_m,
            time_zone=case.climate.time_zone,
        )  # fmt: skip
        size = len(moisture_pct)
        runs = simulate_lots(
            [lot.commodity] * size, [float(value) for value in moisture_pct], weather, [setup] * size,
            [case.target(lot.commodity)] * size,
        )  # fmt: skip
        paths = np.stack([run.moisture_pct for run in runs])
        machine = way.method == "mechanical"
        for amount in MACHINE_HOURS if machine else SUN_DAYS:
            hour = amount if machine else 24 * amount
            if hour >= paths.shape[1]:
                continue
            days = amount / 24 if machine else float(amount)
            ready = lot.available_week + int(np.ceil(days / 7.0)) - (1 if days <= 3 else 0)
            name = f"{way.name}, {amount} h" if machine else f"{way.name}, {amount} d"
            if ready < case.weeks:
                stops.append(Stop(number, name, days, ready, np.clip(paths[:, hour, :][:, which], 2.0, 55.0)))
    return stops


def plan_table(
    case: PlanningCase,
    physics: Physics,
    lot: CaseLot,
    moisture_pct: Array,
    stops: Sequence[Stop],
    day_cost_per_kg: float,
) -> DecisionTable:
    """Return the plan's value of one kg in hand by choice, true moisture and scenario.

    Parameters
    ----------
    case : PlanningCase
        Buyers, stores, costs and cost of money.
    physics : Physics
        The plan's scenarios.
    lot : CaseLot
        The lot; its bag mass turns costs per bag into costs per kg.
    moisture_pct : array, shape (M,)
        True moistures, % wet basis, rising.
    stops : sequence of Stop
        What can be done before bagging.
    day_cost_per_kg : float
        Work of each day of spreading, money per kg.

    Returns
    -------
    DecisionTable
        Only choices that are the best for some belief about the moisture; the parts add up to minus the value.

    Raises
    ------
    InputError
        Where no buyer takes the crop.
    """
    ready = _Ready(case, physics, lot, moisture_pct, tuple(stops), day_cost_per_kg)
    choices, means = [], []
    for here, values, _parts in _blocks(ready, None):
        choices += here
        means.append(values().mean(axis=2))
    if not choices:
        raise InputError("no buyer takes {crop}", crop=lot.commodity)
    kept = _supported(np.concatenate(means), moisture_pct)
    wanted = {choices[number] for number in kept}
    names, chosen_values, chosen_parts = [], [], []
    for here, values, parts in _blocks(ready, wanted):
        rows = [number for number, choice in enumerate(here) if choice in wanted]
        if rows:
            names += [_name(case, stops, here[number]) for number in rows]
            chosen_values.append(values()[rows])
            chosen_parts.append({name: part[rows] for name, part in parts().items()})
    return DecisionTable(
        tuple(names),
        moisture_pct,
        np.concatenate(chosen_values),
        {name: np.concatenate([part[name] for part in chosen_parts]) for name in chosen_parts[0]},
    )


@dataclass(frozen=True)
class _Ready:
    """What the blocks of choices are worked out from."""

    case: PlanningCase
    physics: Physics
    lot: CaseLot
    moisture_pct: Array
    stops: tuple[Stop, ...]
    day_cost_per_kg: float


_Block = tuple[list[Choice], Callable[[], Any], Callable[[], Mapping[str, Any]]]


def _blocks(ready: _Ready, wanted: set[Choice] | None) -> Iterator[_Block]:
    """Give the choices in blocks of the stops of one ready week, one store, one week and one buyer (values made when asked for)."""
    case, lot = ready.case, ready.lot
    buyers = [
        number
        for number, who in enumerate(case.buyers)
        # a buyer to whom certain lots are promised takes no other
        if not who.lots and (not who.commodities or lot.commodity in who.commodities)
    ]
    for week_ready in sorted({stop.ready_week for stop in ready.stops}):
        inside = [number for number, stop in enumerate(ready.stops) if stop.ready_week == week_ready]
        stack = np.stack([ready.stops[number].moisture_pct for number in inside])
        drying = _drying_loss(ready, inside, stack)
        for storage in (NONE, *range(len(case.storage))):
            weeks = [week_ready] if storage == NONE else [week for week in SALE_WEEKS if week_ready < week < case.weeks]
            here = [(week, buyer) for week in weeks for buyer in buyers if _open(case, buyer, week)]
            if wanted is not None:
                used = {
                    (choice.week, choice.buyer)
                    for choice in wanted
                    if choice.storage == storage and choice.stop in inside
                }
                here = [pair for pair in here if pair in used]
            if not here:
                continue
            keep = (
                None if storage == NONE else _keeping(ready, storage, week_ready, max(week for week, _ in here), stack)
            )
            for week, buyer in here:
                result = _Reckoned(ready, inside, stack, drying, keep, storage, week_ready, week, buyer)
                yield [Choice(number, storage, week, buyer) for number in inside], result.values, result.parts


def _open(case: PlanningCase, buyer: int, week: int) -> bool:
    who = case.buyers[buyer]
    return who.first_week <= week <= (who.last_week if who.last_week is not None else case.weeks)


def _drying_loss(ready: _Ready, inside: Sequence[int], stack: Array) -> Array:
    """Return dry matter lost while the grain is spread [%], as the plan reckons it, shaped as `stack`."""
    from core.grain.storage_loss import dry_matter_loss

    days = np.array([ready.stops[number].days for number in inside])[:, None, None]
    middle = np.clip(0.5 * (stack + ready.moisture_pct[None, :, None]), 3.0, 50.0)
    return np.asarray(dry_matter_loss(ready.lot.commodity, days, WARM_C, middle), dtype=float)


def _keeping(
    ready: _Ready, storage: int, first_week: int, last_week: int, stack: Array
) -> Callable[[int], tuple[Array, ...]]:
    """Return a function of the weeks in store that gives moisture, losses, damage and mould of grain bagged at `stack`.

    The store is run at moistures half a point apart and read between them: the rooms read their own stores in the same way, so nothing is lost.
    """
    case, lot = ready.case, ready.lot
    knots = np.clip(case.target(lot.commodity) + KNOTS_PCT, 2.0, 55.0)
    length = last_week - first_week
    runs: list[Kept] = [
        ready.physics.keep(lot, np.full(case.scenarios, knot), case.storage[storage], first_week, length)
        for knot in knots
    ]
    shape = runs[0].moisture_pct.shape
    paths = [np.stack([np.broadcast_to(getattr(run, name), shape) for run in runs], axis=1) for name in KEPT_PARTS]
    at = np.clip(np.searchsorted(knots, stack, side="right") - 1, 0, len(knots) - 2)
    part = np.clip((stack - knots[at]) / (knots[at + 1] - knots[at]), 0.0, 1.0)
    scenario = np.arange(case.scenarios)

    def after(weeks: int) -> tuple[Array, ...]:
        return tuple(path[weeks][at, scenario] * (1 - part) + path[weeks][at + 1, scenario] * part for path in paths)

    return after


@dataclass(frozen=True)
class _Reckoned:
    """The plan's reckoning for the stops of one ready week, one store, week and buyer: arrays (stops, M, K) per kg in hand."""

    ready: _Ready
    inside: Sequence[int]
    stack: Array
    drying: Array
    keep: Callable[[int], tuple[Array, ...]] | None
    storage: int
    ready_week: int
    week: int
    buyer: int

    def values(self) -> Array:
        """Return net values today, money per kg in hand."""
        return self._reckon()[0]

    def parts(self) -> Mapping[str, Array]:
        """Return what was lost by kind, money per kg in hand; what is left over is the choice of store, week and buyer."""
        return self._reckon()[1]

    def _reckon(self) -> tuple[Array, Mapping[str, Array]]:
        ready, case, lot = self.ready, self.ready.case, self.ready.lot
        who = case.buyers[self.buyer]
        start = np.broadcast_to(ready.moisture_pct[None, :, None], self.stack.shape)
        zero = np.zeros_like(self.stack)
        setups = np.array([ready.stops[number].setup for number in self.inside])
        end, loss, insects, damaged, unfit, refused = (
            (self.stack, zero, zero, zero, zero, zero) if self.keep is None else self.keep(self.week - self.ready_week)
        )
        masses = [
            mass_parts(
                start[row], end[row], 0.0 if setup == NONE else case.drying[setup].handling_loss, self.drying[row],
                loss[row], insects[row], damaged[row], unfit[row],
            )
            for row, setup in enumerate(setups)
        ]  # fmt: skip
        sold = np.stack([mass.sold for mass in masses])
        vanished = np.stack([mass.dry_matter + mass.insects for mass in masses])
        spilled = np.stack([mass.handling for mass in masses])
        market = ready.physics.prices[lot.commodity][self.week][None, None, :]
        draw = ready.physics.offer_draw[self.buyer]
        net = float(case.discount(self.week + who.pay_delay_weeks)) * (1.0 - who.fee_fraction)

        def price(moisture: Array, damage: Array, refusal: Array | float = 0.0) -> Array:
            return net * price_paid(case, self.buyer, market, moisture, damage, draw, refusal)

        limit = case.target(lot.commodity) if who.moisture_limit_pct is None else who.moisture_limit_pct
        full = price(np.full_like(end, 2.0), zero)
        wet = price(end, zero)
        paid = price(end, damaged, refused)
        costs = self._costs(setups, sold)
        values = sold * paid * (1.0 - unfit) - costs
        as_at_limit = (100.0 - end) / (100.0 - limit)
        parts = {
            # below the limit the lot weighs less and nobody pays for that
            OVER_DRYING: sold * np.maximum(as_at_limit - 1.0, 0.0) * full,
            # above it the buyer takes off or refuses, less the water that he pays for
            REFUSAL: sold * (full - wet) - sold * np.maximum(1.0 - as_at_limit, 0.0) * full,
            SPOILAGE: vanished * paid + sold * (wet - paid) + sold * paid * unfit,
            DRYING: spilled * paid + self._drying_costs(setups),
        }
        return values, {**parts, TIMING: -values - sum(parts.values())}

    def _drying_costs(self, setups: NDArray[np.int64]) -> Array:
        case, rows = self.ready.case, []
        for number, setup in zip(self.inside, setups, strict=True):
            days = self.ready.stops[number].days
            if setup == NONE:
                rows.append(0.0)
            elif case.drying[setup].method == "mechanical":
                # the fee is for five points of moisture; a machine takes about a point an hour
                rows.append(case.drying[setup].cost_per_kg * max(days * 24.0, 1.0) / 5.0)
            else:
                rows.append(case.drying[setup].cost_per_kg + days * self.ready.day_cost_per_kg)
        return np.array(rows)[:, None, None]

    def _costs(self, setups: NDArray[np.int64], sold: Array) -> Array:
        """Return drying, bags, storage, loading and the road, money per kg in hand today."""
        case, lot = self.ready.case, self.ready.lot
        who = case.buyers[self.buyer]
        late = float(case.discount(self.week))
        per_bag = who.fee_per_bag + (case.truck.cost_per_bag if who.distance_km > 0 else 0.0)
        once = 0.0
        if self.storage != NONE:
            way = case.storage[self.storage]
            per_bag += way.cost_per_bag_month * (self.week - self.ready_week) / WEEKS_PER_MONTH
            # bags at hand cost nothing more; of the others each is bought
            once = way.treatment_per_bag + (0.0 if way.owned_bags >= lot.bags else way.cost_per_bag)
        road = float(trip_share(case)[self.buyer]) * late
        return self._drying_costs(setups) + (late * per_bag + once) / lot.bag_mass_kg + road * sold


def _supported(means: Array, moisture_pct: Array) -> list[int]:
    """Return the rows that are the best for some belief, exact or blurred, about the moisture.

    Other choices are never taken by anybody whose belief is near a normal law, so leaving them out changes nothing but the time needed.
    """
    best = set(np.argmax(means, axis=0).tolist())
    for spread in LIKELY_SD_PCT:
        beliefs = np.stack([normal_belief(moisture_pct, float(middle), spread) for middle in moisture_pct])
        best |= set(np.argmax(means @ beliefs.T, axis=0).tolist())
    return sorted(best)


def _name(case: PlanningCase, stops: Sequence[Stop], choice: Choice) -> str:
    kept = "" if choice.storage == NONE else f", {case.storage[choice.storage].name}"
    return f"{stops[choice.stop].name}{kept}, week {choice.week}, {case.buyers[choice.buyer].name}"


def moisture_grid(expected_pct: float, sd_pct: float) -> Array:
    """Return the true moistures that are thought possible, four standard deviations either way, half a point apart, % wet basis."""
    return np.arange(max(expected_pct - 4 * sd_pct, 3.0), min(expected_pct + 4 * sd_pct, 45.0) + 1e-9, GRID_STEP_PCT)


def crop_table(
    built: BuiltCase, physics: Physics, lot: CaseLot, belief_sd_pct: float, day_cost_per_kg: float
) -> tuple[DecisionTable, Array]:
    """Return the plan's values of one kg of a crop of a testing case, and the belief before a test.

    Parameters
    ----------
    built : BuiltCase
        From `case_before_tests`.
    physics : Physics
        From `core.planning.rooms.room_physics` with the case and its seed.
    lot : CaseLot
        One of the case's lots.
    belief_sd_pct : float
        How unsure the group is of a lot before any test, points, above 0.
    day_cost_per_kg : float
        Work of a day's spreading, money per kg.

    Returns
    -------
    (DecisionTable, array of shape (M,))
        Values per kg in hand; probabilities of the true moisture.
    """
    case = built.case
    grid = moisture_grid(lot.moisture_pct, belief_sd_pct)
    stops = drying_stops(case, built.data, lot, grid, case.seed)
    table = plan_table(case, physics, lot, grid, stops, day_cost_per_kg)
    return table, normal_belief(grid, lot.moisture_pct, belief_sd_pct)
