"""What a test is worth in the group's own sale plan: the same scenarios and choices, by true moisture.

The sale plan dries every lot exactly to its target, as somebody can who tests. Here the days on the sheet, the store,
the week and the buyer are decided before the truth is known, so that grain can end too dry or too wet, and what follows
is the plan's own reckoning: its mass balance, its stores and its buyers' terms. Not taken over are the plan's dated
cash needs, and its rule that wet grain is not left in bags: here wet grain in a bag costs what the stores reckon (mould
makes it unfit), so that knowing more is never worth less.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from core.accounts.finance import WEEKS_PER_MONTH
from core.errors import InputError, PlanError
from core.group.records import USUAL_BAG_KG
from core.messages import Message, message
from core.planning.case import CaseLot, PlanningCase
from core.planning.case_from_records import BuiltCase, build_case
from core.planning.drying_ahead import WEATHERS, begin_of, weather_ahead
from core.planning.group_seasons import Surroundings, group_seasons, kept_cool_as, season_of, setup_of
from core.planning.outlook import NONE, Options, build_outlook, mass_parts, price_paid, trip_share
from core.planning.schedule import first_day_of_week
from core.planning.shared_prices import SharedPrices, shared_prices
from core.testing.worth import DecisionTable, normal_belief

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from core.planning.seasons import Kept, Seasons

    Array = NDArray[np.float64]

OVER_DRYING, REFUSAL, SPOILAGE, DRYING = "over-drying", "refusal and deductions", "spoilage", "days of drying"
TIMING = "store, week and buyer chosen"
SUN_DAYS = (1, 2, 3, 4, 5, 6, 7, 8, 10, 12)
MACHINE_HOURS = (2, 4, 6, 8, 12, 16, 24)
SALE_WEEKS = (1, 2, 3, 4, 6, 8, *range(12, 33, 4), 40, 48)
GRID_STEP_PCT = 0.5
KEPT_PARTS = ("moisture_pct", "dry_matter_loss_pct", "insect_loss_pct", "damaged_pct", "unfit_share", "refusal_chance")
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


@dataclass(frozen=True)
class Scene:
    """What lots are valued in: the group's case, its scenarios, and the prices of what the lots of the plan share.

    Parameters
    ----------
    built : BuiltCase
        The group's open lots, and for each crop one lot of no bags that stands for lots before their test.
    seasons : Seasons
        The plan's scenarios.
    shared : SharedPrices or None
        None where there is no plan of open lots yet: then trucks are full and bags bought where too few are at hand.
    """

    built: BuiltCase
    seasons: Seasons
    shared: SharedPrices | None = None

    def lot(self, commodity: str) -> CaseLot | None:
        """Return the lot that stands for a crop before its test, None where the crop cannot be planned."""
        return next((lot for lot in self.built.case.lots if lot.id == STANDS_FOR + commodity), None)


STANDS_FOR = "before a test: "


def case_before_tests(
    store: Any, group_id: int, today: date, limits: Mapping[str, float], above_pct: float, sd_pct: float, **changes: Any
) -> BuiltCase:
    """Return the group's case with one lot of each crop that stands for all of the crop's lots before their test.

    Parameters
    ----------
    today : date
        First day of the plan.
    limits : Mapping of commodity to float
        To what a crop is dried where the plan does not know better from its own lots, % wet basis.
    above_pct, sd_pct : float
        Where lots are expected above that before a test, and how unsurely, points.
    **changes
        As `core.planning.case_from_records.build_case`.

    Returns
    -------
    BuiltCase
        Crops without a price are left out, with a note; where no crop has one, each is counted at the price of maize.
    """

    def stand_in(crop: str, target: float, bags: int) -> CaseLot:
        return CaseLot(STANDS_FOR + crop, crop, "", crop, bags, USUAL_BAG_KG, target + above_pct, min(sd_pct, 3.0))

    alone_in: dict[str, Any] = {
        "lots": tuple(stand_in(crop, limit, 10) for crop, limit in sorted(limits.items())),
        "target_pct": tuple(sorted(limits.items())),
        **changes,
    }
    try:
        alone = build_case(store, group_id, today, **alone_in)
    except PlanError:  # no crop has a price
        alone = build_case(store, group_id, today, **alone_in, unpriced_as_maize=True)
        said = [
            message("no price is known for {crop}: it is counted at the price of maize", crop=lot.commodity)
            for lot in alone.case.lots
        ]
        alone = replace(alone, notes=(*said, *alone.notes))
    try:
        planned = build_case(store, group_id, today, **changes)
    except PlanError:
        return replace(alone, notes=(*alone.notes, *price_notes(alone.case)))
    # what the plan's own lots are dried to comes before the standard's limit
    targets = {**dict(alone.case.target_pct), **dict(planned.case.target_pct)}
    prices = {price.commodity: price for price in (*alone.case.prices, *planned.case.prices)}
    stands = tuple(stand_in(lot.commodity, targets[lot.commodity], 0) for lot in alone.case.lots)
    case = planned.case.with_changes(
        lots=(*planned.case.lots, *stands), prices=tuple(prices.values()), target_pct=tuple(sorted(targets.items()))
    )
    return BuiltCase(case, planned.data, (*dict.fromkeys([*alone.notes, *price_notes(case)]),))


def set_scene(built: BuiltCase) -> Scene:
    """Return the scenarios of a case before tests, and the prices of what the lots of its plan share.

    Parameters
    ----------
    built : BuiltCase
        From `case_before_tests`.
    """
    case = built.case
    seasons = group_seasons(case, case.seed, built.data)
    planned = any(lot.bags and not lot.id.startswith(STANDS_FOR) for lot in case.lots)
    return Scene(built, seasons, shared_prices(build_outlook(case, case.seed, seasons)) if planned else None)


def scene_key(built: BuiltCase) -> str:
    """Return what tells one scene from another: the case and the weather that its scenarios are drawn from."""
    table = built.data.normals.table
    weather = [round(float(value), 6) for value in table.fillna(0.0).to_numpy(dtype=float).ravel()]
    issued = getattr(built.data.forecast, "issued_at", "")
    return f"{built.case.content_hash} {issued} {built.data.borer_present} {hash(tuple(weather))}"


def price_notes(case: PlanningCase) -> tuple[Message, ...]:
    """Say for which crops there is no series of prices to learn a season from."""
    return tuple(
        message(
            "there are not yet two years of monthly prices of {crop}: no rise over the season is assumed, only "
            "today's price and its ups and downs",
            crop=price.commodity,
        )
        for price in case.prices
        if not price.path and season_of(price) is None
    )


def drying_stops(case: PlanningCase, data: Surroundings, lot: CaseLot, moisture_pct: Array, seed: int) -> list[Stop]:
    """Return what can be done with a lot before it is bagged, through the plan's own weather.

    Parameters
    ----------
    case : PlanningCase
        The plan's case.
    data : Surroundings
        Forecast, normals and place of the plan.
    moisture_pct : array, shape (M,)
        True moistures, % wet basis.
    seed : int
        Of the plan's scenarios: scenario k meets the weather that it meets in the plan.

    Returns
    -------
    list of Stop
        First "bag as it is", then days on each sheet or hours in each dryer.
    """
    from core.drying.run import simulate_lots

    count = case.scenarios
    stops = [Stop(NONE, "as it is", 0.0, lot.available_week, np.repeat(moisture_pct[:, None], count, axis=1))]
    if not case.drying:
        return stops
    start = begin_of(case.start, case.climate.time_zone)
    start += timedelta(days=first_day_of_week(case, lot.available_week))
    weather = weather_ahead(data, start, seed).frames
    which = np.arange(count) % WEATHERS
    for number, way in enumerate(case.drying):
        setup = setup_of(way, case, data, kept_cool_as(lot))
        size = len(moisture_pct)
        machine = way.method == "mechanical"
        last = MACHINE_HOURS[-1] if machine else 24 * SUN_DAYS[-1]
        runs = simulate_lots(
            [lot.commodity] * size,
            [float(value) for value in moisture_pct],
            [frame.iloc[:last] for frame in weather],
            [setup] * size,
            [case.target(lot.commodity)] * size,
            rate_factors=np.tile(data.rate_of(way.method).sample(WEATHERS, seed), (size, 1)),
        )
        paths = np.stack([run.moisture_pct for run in runs])
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
    seasons: Seasons,
    lot: CaseLot,
    moisture_pct: Array,
    stops: Sequence[Stop],
    day_cost_per_kg: float,
    shared: SharedPrices | None = None,
) -> DecisionTable:
    """Return the plan's value of one kg in hand by choice, true moisture and scenario.

    Parameters
    ----------
    case : PlanningCase
        Buyers, stores, costs and cost of money.
    seasons : Seasons
        The plan's scenarios.
    lot : CaseLot
        The lot; its bag mass turns costs per bag into costs per kg.
    moisture_pct : array, shape (M,)
        True moistures, % wet basis, rising.
    stops : sequence of Stop
        What can be done before bagging.
    day_cost_per_kg : float
        Work of each day of spreading, money per kg.
    shared : SharedPrices, optional
        What room, bags, truck and buyers' quantities are worth in the plan of all lots.

    Returns
    -------
    DecisionTable
        Only choices that are the best for some belief about the moisture; the parts add up to minus the value.

    Raises
    ------
    InputError
        Where no buyer takes the crop.
    """
    ready = _Ready(case, seasons, lot, moisture_pct, tuple(stops), day_cost_per_kg, shared)
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
    seasons: Seasons
    lot: CaseLot
    moisture_pct: Array
    stops: tuple[Stop, ...]
    day_cost_per_kg: float
    shared: SharedPrices | None


_Block = tuple[list[Choice], Callable[[], Any], Callable[[], Mapping[str, Any]]]


def _blocks(ready: _Ready, wanted: set[Choice] | None) -> Iterator[_Block]:
    """Give the choices in blocks of one ready week, store, week and buyer (values are made when asked for)."""
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
    from core.storage.loss import dry_matter_loss

    days = np.array([ready.stops[number].days for number in inside])[:, None, None]
    middle = np.clip(0.5 * (stack + ready.moisture_pct[None, :, None]), 3.0, 50.0)
    return np.asarray(dry_matter_loss(ready.lot.commodity, days, WARM_C, middle), dtype=float)


def _keeping(
    ready: _Ready, storage: int, first_week: int, last_week: int, stack: Array
) -> Callable[[int], tuple[Array, ...]]:
    """Return a function of the weeks in store that gives moisture, losses, damage and mould of grain bagged at `stack`.

    The store is run at moistures half a point apart and read between them: the rooms read their own stores in the
    same way, so nothing is lost.
    """
    case, lot = ready.case, ready.lot
    knots = np.clip(case.target(lot.commodity) + KNOTS_PCT, 2.0, 55.0)
    length = last_week - first_week
    runs: list[Kept] = [
        ready.seasons.keep(lot, np.full(case.scenarios, knot), case.storage[storage], first_week, length)
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
    """The plan's values for one ready week, store, week and buyer: arrays (stops, M, K) per kg in hand."""

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
        """Return what was lost by kind, money per kg in hand.

        What is left over is the choice of store, week and buyer.
        """
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
                start[row],
                self.stack[row],
                end[row],
                0.0 if setup == NONE else case.drying[setup].handling_loss,
                self.drying[row],
                loss[row],
                insects[row],
                damaged[row],
                unfit[row],
            )
            for row, setup in enumerate(setups)
        ]
        sold = np.stack([mass.sold for mass in masses])
        vanished = np.stack([mass.dry_matter + mass.insects for mass in masses])
        spilled = np.stack([mass.handling for mass in masses])
        market = ready.seasons.prices[lot.commodity][self.week][None, None, :]
        draw = ready.seasons.offer_draw[self.buyer]
        net = float(case.discount(self.week + who.pay_delay_weeks)) * (1.0 - who.fee_fraction)

        def price(moisture: Array, damage: Array, refusal: Array | float = 0.0) -> Array:
            return net * price_paid(case, self.buyer, lot.commodity, market, moisture, damage, draw, refusal)

        base = who.deductions_of(lot.commodity).our_base_pct
        limit = case.target(lot.commodity) if base is None else base
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
            elif case.drying[setup].powered:
                # the fee is by the point of moisture; a machine takes about a point an hour
                way = case.drying[setup]
                rows.append(way.cost_per_kg + way.fee_per_point_kg * days * 24.0)
            else:
                rows.append(case.drying[setup].cost_per_kg + days * self.ready.day_cost_per_kg)
        return np.array(rows)[:, None, None]

    def _costs(self, setups: NDArray[np.int64], sold: Array) -> Array:
        """Return drying, bags, storage, loading and the road, money per kg in hand today."""
        case, lot = self.ready.case, self.ready.lot
        who = case.buyers[self.buyer]
        late = float(case.discount(self.week))
        per_bag = late * (case.truck.cost_per_bag if who.distance_km > 0 else 0.0)
        if self.storage != NONE:
            way = case.storage[self.storage]
            per_bag += late * way.cost_per_bag_month * (self.week - self.ready_week) / WEEKS_PER_MONTH
            per_bag += way.treatment_per_bag
            if self.ready.shared is None and way.owned_bags < lot.bags:
                per_bag += way.cost_per_bag
        own = self._drying_costs(setups) + per_bag / lot.bag_mass_kg
        if self.ready.shared is None:
            return own + float(trip_share(case)[self.buyer]) * late * sold
        return own + self._shared_costs(setups, sold.mean(axis=2), self.ready.shared)

    def _shared_costs(self, setups: NDArray[np.int64], kept: Array, shared: SharedPrices) -> Array:
        """Return what each stop takes of the limits that all lots share, at the plan's prices, (stops, M, 1)."""
        case, lot = self.ready.case, self.ready.lot
        size, count = kept.size, kept.shape[1]

        def all_of(value: float) -> Array:
            return np.full(size, value, dtype=float)

        def whole(value: int) -> NDArray[np.int64]:
            return np.full(size, value, dtype=np.int64)

        begun = lot.available_week
        options = Options(
            harvest_week=whole(begun),
            setup=np.repeat(setups, count),
            start_week=whole(begun),
            target_pct=all_of(np.nan),
            days=np.repeat([self.ready.stops[number].days for number in self.inside], count),
            floor_kg=all_of(1.0),
            ready_week=whole(self.ready_week),
            storage=whole(self.storage),
            sale_week=whole(self.week),
            pay_week=whole(self.week),
            buyer=whole(self.buyer),
            reserve=whole(NONE),
            receipts_kg=np.zeros((size, 1)),
            kept_kg=kept.ravel(),
            price_kg=all_of(0.0),
            upfront_kg=all_of(0.0),
            upfront_bag=all_of(0.0),
            later_bag=all_of(0.0),
            unfit=all_of(0.0),
        )
        return shared.per_kg(case, options, lot.bag_mass_kg, lot.commodity).reshape(kept.shape)[:, :, None]


def _supported(means: Array, moisture_pct: Array) -> list[int]:
    """Return the rows that are the best for some belief, exact or blurred, about the moisture.

    Other choices are never taken by anybody whose belief is near a normal law, so leaving them out changes nothing
    but the time needed.
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
    """Return the true moistures thought possible: four standard deviations either way, half a point apart, % w.b."""
    return np.arange(max(expected_pct - 4 * sd_pct, 3.0), min(expected_pct + 4 * sd_pct, 45.0) + 1e-9, GRID_STEP_PCT)


def crop_table(scene: Scene, lot: CaseLot, belief_sd_pct: float, day_cost_per_kg: float) -> tuple[DecisionTable, Array]:
    """Return the plan's values of one kg of a crop, and the belief before a test.

    Parameters
    ----------
    scene : Scene
        From `set_scene`.
    lot : CaseLot
        The lot that stands for the crop.
    belief_sd_pct : float
        How unsure the group is of a lot before any test, points, above 0.
    day_cost_per_kg : float
        Work of a day's spreading, money per kg.

    Returns
    -------
    (DecisionTable, array of shape (M,))
        Values per kg in hand; probabilities of the true moisture.
    """
    case = scene.built.case
    grid = moisture_grid(lot.moisture_pct, belief_sd_pct)
    stops = drying_stops(case, scene.built.data, lot, grid, case.seed)
    table = plan_table(case, scene.seasons, lot, grid, stops, day_cost_per_kg, scene.shared)
    return table, normal_belief(grid, lot.moisture_pct, belief_sd_pct)
