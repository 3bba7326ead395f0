"""The planning case: everything that a sale plan needs, frozen, checked, and kept as JSON."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field, fields, is_dataclass, replace
from datetime import date, timedelta
from functools import cached_property, partial
from types import UnionType
from typing import Any, get_args, get_origin, get_type_hints

import numpy as np

from core.accounts.finance import WEEKS_PER_MONTH, InventoryCredit, present_value
from core.errors import DryholdError, InputError
from core.given import takes_numbers
from core.group.bounds import MOST_BAGS
from core.group.facts import default_number
from core.market.deductions import NO_DEDUCTIONS, Deductions, flat_deductions
from core.storage.retest import USUAL_BAG_SD

DAYS_PER_WEEK = 7
NORMAL_95 = 1.645


def nine_digits(amount: float) -> float:
    """Return an amount to nine digits, whatever its size: equal cases are equal, and a small coin loses nothing."""
    return float(f"{amount:.9g}")


@dataclass(frozen=True)
class CaseLot:
    """A lot as the plan sees it.

    `moisture_pct` [% w.b.] is the estimated mean and `moisture_se_pct` [points] its standard error; `available_week` is
    the first week in which the grain can be handled (harvest date or end of a promise). `standing` grain is harvested
    in some week from then to `latest_week` (every `harvest_step` weeks) and dries in the field meanwhile, from
    `moisture_week`, for which its moisture is stated. A lot whose `use` is seed is never sold. `insects_per_kg` were
    counted in `sieved_kg` (None: nobody sieved); they have grown for `sieved_days_ago` since, or since the grain was
    put into an open store. Of the standard error the part `common_sd_pct` is shared by all readings; bags differ by
    `bag_sd_pct` and repeated readings of one by `reading_sd_pct` [points]. `surely_at_most_pct` is the moisture that it
    does not exceed but for the risk taken with stored grain, `surely_to_seal_pct` with sealed grain; `keeping_pct` the
    one at or below which it may be stored (None: the crop's target). Of an `aflatoxin` crop nothing damp is stored.
    Grain that was `treated` already is sold from `sale_from_week` on, and never to who refuses treated grain.
    """

    id: str
    label: str
    owner: str
    commodity: str
    bags: int
    bag_mass_kg: float
    moisture_pct: float
    moisture_se_pct: float = 0.3
    available_week: int = 0
    standing: bool = False
    form: str = "threshed"
    latest_week: int | None = None
    moisture_week: int = 0
    use: str = "sale"
    insects_per_kg: float | None = None
    sieved_kg: float = 1.0
    sieved_days_ago: int = 0
    harvest_step: int = 1
    common_sd_pct: float = 0.0
    bag_sd_pct: float = USUAL_BAG_SD
    reading_sd_pct: float = 0.3
    surely_at_most_pct: float | None = None
    surely_to_seal_pct: float | None = None
    keeping_pct: float | None = None
    aflatoxin: bool = False
    sale_from_week: int = 0
    treated: bool = False

    @property
    def surely_pct(self) -> float:
        """Return the moisture that the lot surely does not exceed [% w.b.]; as judged, or by a normal error at 5 %."""
        if self.surely_at_most_pct is not None:
            return self.surely_at_most_pct
        return self.moisture_pct + NORMAL_95 * self.moisture_se_pct

    @property
    def surely_when_sealed_pct(self) -> float:
        """Return the same at the risk that is taken with sealed grain [% w.b.]."""
        return self.surely_pct if self.surely_to_seal_pct is None else self.surely_to_seal_pct

    @property
    def harvest_weeks(self) -> tuple[int, ...]:
        """Return the weeks in which the lot may be harvested.

        Of what is harvested already only the first in which it can be handled.
        """
        if not self.standing or self.latest_week is None:
            return (self.available_week,)
        return tuple(range(self.available_week, max(self.latest_week, self.available_week) + 1, self.harvest_step))


@dataclass(frozen=True)
class DryingChoice:
    """A way to dry: how much grain it holds at once and what it costs.

    `capacity_kg` is the wet grain spread or loaded at one time; a kg costs `cost_per_kg` once and `fee_per_point_kg`
    for each point of moisture taken out, a bag `hire_per_bag_day` for each day [money]. `price` is paid once where the
    group would have to buy it (0: at hand, or hired). `points_per_day` is used only by invented cases (real ones
    simulate the drying). `unshelled`: takes grain on the cob, in the head or in the pod alone; `powered`: a dryer.
    """

    code: str
    name: str
    method: str
    capacity_kg: float
    area_m2: float = 0.0
    load_kg_m2: float = 20.0
    cost_per_kg: float = 0.0
    handling_loss: float = 0.005
    points_per_day: float = 1.5
    fee_per_point_kg: float = 0.0
    hire_per_bag_day: float = 0.0
    price: float = 0.0
    unshelled: bool = False
    powered: bool = False


@dataclass(frozen=True)
class StorageChoice:
    """A way to store: what is at hand, what can be bought, and costs [money per bag, money per bag and month].

    What is bought comes in units of `bags_per_unit` bags (1: bags; more: a silo, a crib), each `bags_per_unit` x
    `cost_per_bag`. Grain treated in it waits `waiting_days` before it is sold or eaten; above `seal_below_pct` of its
    crop [% w.b.] it is not sealed in it; `unshelled`: takes grain on the cob, in the head or in the pod alone.
    """

    code: str
    name: str
    method: str
    owned_bags: int = 0
    buyable_bags: int = 0
    cost_per_bag: float = 0.0
    cost_per_bag_month: float = 0.0
    treatment_per_bag: float = 0.0
    waiting_days: int = 0
    seal_below_pct: tuple[tuple[str, float], ...] = ()
    bags_per_unit: int = 1
    unshelled: bool = False

    @property
    def sealed(self) -> bool:
        """Return whether grain is kept without air."""
        return bool(self.seal_below_pct)

    @property
    def buyable_units(self) -> int:
        """Return how many whole units can be bought."""
        return self.buyable_bags // self.bags_per_unit

    @property
    def unit_price(self) -> float:
        """Return what a unit costs to buy [money]."""
        return self.cost_per_bag * self.bags_per_unit

    @property
    def bag_price(self) -> float:
        """Return what one bag more costs where it has to be bought [money], 0 where some are at hand."""
        return self.cost_per_bag if self.owned_bags == 0 else 0.0


@dataclass(frozen=True)
class CropPrice:
    """What is known of a crop's price: today's level, past months, and (invented cases) the expected weekly path.

    `path` holds the median of price over price today for weeks 0..horizon; `weekly_sd` is the standard deviation of
    the weekly log change.
    `neighbours` are the histories of the same crop in other markets; `price_rise_monthly` is the rate towards which
    the trend is drawn. Where past prices do not support waiting (`wait` False), nothing is kept for a later price.
    """

    commodity: str
    price_now: float
    path: tuple[float, ...] = ()
    weekly_sd: float = 0.03
    history: tuple[tuple[str, float], ...] = ()
    neighbours: tuple[tuple[tuple[str, float], ...], ...] = ()
    price_rise_monthly: float | None = None
    wait: bool = True


@dataclass(frozen=True)
class CaseBuyer:
    """A market or a dated offer.

    `price_factor` multiplies the market price unless `fixed_price` is given; `deductions` say what is deducted for
    moisture and damage and when a load is refused (`crop_deductions`: of single crops), which is then sold on the spot
    at `refused_factor` of the market price. Beyond `weekly_kg` in one week the price of the excess falls by the
    fraction `price_fall`. An offer fails with `chance_failing`. One who `inspects` also refuses live insects, smell,
    dust and damaged kernels. `promised_kg` must be delivered from `first_week` to `last_week`, from the lots named
    where any is. `trip_cost` [money] stands for the truck's own; `basis_sd` is how uncertain the price factor is (log).
    Within its first and last week an offer stands from `first_day` to `last_day`, days since week 0 began. One who is
    `strict` is never planned for grain that more likely than not is refused.
    """

    code: str
    name: str
    distance_km: float = 0.0
    commodities: tuple[str, ...] = ()
    price_factor: float = 1.0
    fixed_price: float | None = None
    deductions: Deductions = NO_DEDUCTIONS
    refused_factor: float = 0.7
    fee_fraction: float = 0.0
    pay_delay_weeks: int = 0
    chance_failing: float = 0.0
    weekly_kg: float | None = None
    price_fall: float = 0.0
    quantity_kg: float | None = None
    minimum_kg: float = 0.0
    first_week: int = 0
    last_week: int | None = None
    inspects: bool = False
    promised_kg: float = 0.0
    lots: tuple[str, ...] = ()
    refuses_treated: bool = False
    trip_cost: float | None = None
    basis_sd: float = 0.0
    crop_deductions: tuple[tuple[str, Deductions], ...] = ()
    first_day: int = 0
    last_day: int | None = None
    strict: bool = False

    def deductions_of(self, crop: str) -> Deductions:
        """Return what is deducted from a crop."""
        return dict(self.crop_deductions).get(crop, self.deductions)


@dataclass(frozen=True)
class Truck:
    """What a trip carries and costs; `trips_per_week` is what can be hired in one week."""

    capacity_kg: float = 3000.0
    cost_per_trip: float = 0.0
    cost_per_km: float = 0.0
    trips_per_week: int = 2
    cost_per_bag: float = 0.0


@dataclass(frozen=True)
class CashNeed:
    """Money that must be in hand at the start of the week after `week`; `member` empty = the group's own."""

    week: int
    amount: float
    member: str = ""
    label: str = ""


@dataclass(frozen=True)
class Reserve:
    """Grain kept back, for eating or for seed.

    For eating it goes `evenly` over the weeks to `until_week`, seed is whole until then; valued at `value_per_kg`.

    Lots whose use is seed serve only a reserve whose `use` is seed; each 1 % of damaged kernels takes
    `damage_per_pct` (fraction) of what it is worth to the house.
    """

    label: str
    commodity: str
    kg: float
    until_week: int
    value_per_kg: float
    evenly: bool = True
    use: str = "food"
    damage_per_pct: float = field(default_factory=partial(default_number, "plan.eaten_damage_per_pct"))


@dataclass(frozen=True)
class Climate:
    """The place of store and weather scenarios."""

    latitude: float = 0.0
    longitude: float = 0.0
    altitude_m: float = 1200.0
    time_zone: str = "UTC"
    forecast_id: str = ""


@dataclass(frozen=True)
class PlanningCase:
    """All lots, limits, prices and wishes of one plan; frozen, serialisable, with a content hash for caching.

    `interest_monthly` is the one cost of money at which dated cash flows are brought to today;
    `emergency_interest_monthly` is charged on a cash need that sales did not cover; `risk_weight` is what the group
    would give up in an average year for each unit more in the mean of the worst tenth; `certainty` is the share of
    scenarios in which cash needs must be met. `target_pct` is the moisture to which each crop is dried for keeping,
    `target_choices` are further ones that are compared. `credit` holds the terms of a loan on stored grain, where one
    is to be had. Weeks begin on the group's market day: `start` is the last one, and `days_gone` of its week are over.
    """

    name: str
    start: date
    weeks: int
    scenarios: int
    seed: int
    lots: tuple[CaseLot, ...]
    drying: tuple[DryingChoice, ...]
    storage: tuple[StorageChoice, ...]
    prices: tuple[CropPrice, ...]
    buyers: tuple[CaseBuyer, ...]
    truck: Truck = Truck()
    needs: tuple[CashNeed, ...] = ()
    reserves: tuple[Reserve, ...] = ()
    climate: Climate = Climate()
    cash_now: float = 0.0
    interest_monthly: float = 0.02
    emergency_interest_monthly: float = 0.10
    risk_weight: float = 0.0
    certainty: float = 0.9
    store_bags: int | None = None
    target_pct: tuple[tuple[str, float], ...] = ()
    start_delays: tuple[int, ...] = (0, 1)
    currency: str = "USD"
    invented: bool = False
    advances: bool = True
    target_choices: tuple[tuple[str, float], ...] = ()
    credit: InventoryCredit | None = None
    days_gone: int = 0

    def __post_init__(self) -> None:
        check_case(self)

    @property
    def today(self) -> date:
        """Return the day of planning: `days_gone` days into week 0."""
        return self.start + timedelta(days=self.days_gone)

    def week_date(self, week: int) -> date:
        """Return the first day of plan week `week`, the group's market day; of the week that runs already, today."""
        return max(self.start + timedelta(days=DAYS_PER_WEEK * int(week)), self.today)

    def week_of(self, day: date) -> int:
        """Return the plan week of a day (0 = the week that runs; negative = past)."""
        return (day - self.start).days // DAYS_PER_WEEK

    def trip_cost(self, buyer: int) -> float:
        """Return the cost of one trip there and back to a buyer [money]; 0 for one who collects."""
        who = self.buyers[buyer]
        if who.distance_km <= 0:
            return 0.0
        if who.trip_cost is not None:
            return who.trip_cost
        return self.truck.cost_per_trip + 2.0 * who.distance_km * self.truck.cost_per_km

    def discount(self, week: float | np.ndarray) -> np.ndarray:
        """Return the present value of one unit of money paid in plan week `week`.

        Monthly compounding, fractions of months.
        """
        return np.asarray(present_value(1.0, self.interest_monthly, np.asarray(week, dtype=float) / WEEKS_PER_MONTH))

    def target(self, commodity: str) -> float:
        """Return the moisture [% w.b.] to which a crop is dried before it is bagged."""
        return dict(self.target_pct).get(commodity, 13.0)

    def targets(self, commodity: str) -> tuple[float, ...]:
        """Return all moistures [% w.b.] to which a crop may be dried, the one for keeping first."""
        return tuple(
            dict.fromkeys((self.target(commodity), *(pct for crop, pct in self.target_choices if crop == commodity)))
        )

    def to_json(self) -> str:
        """Return the case as JSON text with sorted keys (equal cases give equal text)."""
        # by way of the type hints, so that 2 and 2.0 are one value
        canonical = _build(PlanningCase, json.loads(json.dumps(asdict(self), default=str)))
        return json.dumps(asdict(canonical), default=str, sort_keys=True)

    @cached_property
    def content_hash(self) -> str:
        """Return the SHA-256 of the JSON text: equal for equal cases on every machine."""
        return hashlib.sha256(self.to_json().encode()).hexdigest()

    def with_changes(self, **changes: Any) -> PlanningCase:
        """Return a copy with some fields changed (checked again)."""
        return replace(self, **changes)


def case_from_json(text: str) -> PlanningCase:
    """Return the case written by `PlanningCase.to_json`.

    Raises
    ------
    InputError
        For a text that is no case, or a case that cannot be planned.
    """
    try:
        made: PlanningCase = _build(PlanningCase, json.loads(text))
    except DryholdError:
        raise
    except (
        TypeError,
        ValueError,
        LookupError,
        AttributeError,
        ArithmeticError,
        RecursionError,
        StopIteration,
    ) as error:
        raise InputError("this is not a planning case: {reason}", reason=str(error)[:200]) from error
    return made


def _build(kind: Any, value: Any) -> Any:
    """Rebuild frozen dataclasses, tuples and dates from their JSON form, led by the type hints."""
    if is_dataclass(kind):
        hints = get_type_hints(kind)
        known = {item.name for item in fields(kind)}
        return kind(**{name: _build(hints[name], part) for name, part in value.items() if name in known})  # type: ignore[operator]
    origin = get_origin(kind)
    if origin is tuple:
        inner = get_args(kind)
        if len(inner) == 2 and inner[1] is Ellipsis:
            return tuple(_build(inner[0], part) for part in value)
        return tuple(_build(sort, part) for sort, part in zip(inner, value, strict=True))
    if origin is UnionType:
        return None if value is None else _build(next(sort for sort in get_args(kind) if sort is not type(None)), value)
    if kind is date:
        return date.fromisoformat(value)
    return kind(value)


MOST_WEEKS, MOST_SCENARIOS = 104, 20_000
FIRST_YEAR, LAST_YEAR = 1950, 2200
LEAST_MOISTURE_PCT, MOST_MOISTURE_PCT = 1.0, 60.0
LONGEST_DELAY_WEEKS = 53  # of a payment, a year: so far beyond the horizon money is still counted


def check_case(case: PlanningCase) -> None:
    """Refuse a case that cannot be planned: numbers that are none, negative amounts, unknown crops, impossible dates.

    Raises
    ------
    InputError
        With the value given and what is allowed.
    """
    if not all(math.isfinite(number) for number in _numbers(case)):
        raise InputError("a number of the planning case is missing or without end")
    if not 1 <= case.weeks <= MOST_WEEKS:
        raise InputError("a horizon of {weeks} weeks is outside 1-104", weeks=case.weeks)
    if not 10 <= case.scenarios <= MOST_SCENARIOS:
        raise InputError(
            "{count} scenarios are outside {low} to {high}", count=case.scenarios, low=10, high=MOST_SCENARIOS
        )
    if not FIRST_YEAR <= case.start.year <= LAST_YEAR:
        raise InputError(
            "the year {year} is outside {low} to {high}", year=case.start.year, low=FIRST_YEAR, high=LAST_YEAR
        )
    if not 0 <= case.days_gone < DAYS_PER_WEEK:
        raise InputError("{days} days of the first week are gone: it has seven", days=case.days_gone)
    if not 0 < case.certainty < 1:
        raise InputError("a certainty of {value} is outside 0-1", value=case.certainty)
    if min(case.risk_weight, case.interest_monthly, case.emergency_interest_monthly) < 0:
        raise InputError("interest and the weight of bad years cannot be negative")
    if any(delay < 0 for delay in case.start_delays):
        raise InputError("drying cannot begin before the grain is there")
    _check_crops(case)
    _check_lots(case)
    _check_ways(case)
    _check_buyers(case)
    for need in case.needs:
        if need.amount < 0 or need.week < 0:
            raise InputError("cash need {label}: amount and date must not be negative", label=need.label)
    for reserve in case.reserves:
        if reserve.kg <= 0 or reserve.until_week < 0 or reserve.value_per_kg < 0:
            raise InputError("{label}: mass, week or value of the grain kept back cannot be right", label=reserve.label)


def _numbers(value: Any) -> Iterator[float]:
    """Yield every number of a case, however deep."""
    if is_dataclass(value):
        for item in fields(value):
            yield from _numbers(getattr(value, item.name))
    elif isinstance(value, tuple):
        for part in value:
            yield from _numbers(part)
    elif isinstance(value, float):
        yield value


def _check_crops(case: PlanningCase) -> None:
    for crop, target in (*case.target_pct, *case.target_choices):
        if not 2 < target < 40:
            raise InputError("{crop}: a moisture of {value} % to dry to is outside 2-40", crop=crop, value=target)
    for price in case.prices:
        if price.price_now <= 0 or price.weekly_sd < 0 or min(price.path, default=1.0) <= 0:
            raise InputError(
                "a price of {price} for {crop} must be above 0", price=price.price_now, crop=price.commodity
            )


def _check_lots(case: PlanningCase) -> None:
    priced = {price.commodity for price in case.prices}
    for lot in case.lots:
        if not 0 <= lot.bags <= MOST_BAGS or lot.bag_mass_kg <= 0:
            raise InputError("lot {lot}: {bags} bags of {mass} kg", lot=lot.label, bags=lot.bags, mass=lot.bag_mass_kg)
        if not LEAST_MOISTURE_PCT < lot.moisture_pct < MOST_MOISTURE_PCT or lot.moisture_se_pct < 0:
            raise InputError(
                "lot {lot}: a moisture of {value} % is outside 1-60", lot=lot.label, value=lot.moisture_pct
            )
        if lot.commodity not in priced:
            raise InputError(
                "lot {lot}: no price is known for {crop}; enter one first", lot=lot.label, crop=lot.commodity
            )
        if lot.available_week < 0 or lot.sale_from_week < 0:
            raise InputError("lot {lot}: the week {week} is in the past", lot=lot.label, week=lot.available_week)
        if lot.harvest_step < 1:
            raise InputError("lot {lot}: weeks of harvest lie at least one week apart", lot=lot.label)
        if lot.standing and not 0 <= lot.moisture_week <= lot.available_week:
            raise InputError("lot {lot}: its moisture must be of a day before its harvest", lot=lot.label)
        if lot.insects_per_kg is not None and (lot.insects_per_kg < 0 or lot.sieved_kg <= 0):
            raise InputError("lot {lot}: insects and the mass sieved cannot be below zero", lot=lot.label)
    if len({lot.id for lot in case.lots}) != len(case.lots):
        raise InputError("two lots have the same number")


def _check_ways(case: PlanningCase) -> None:
    """Refuse ways to dry and to store, and trucks, that cannot be."""
    for choice in case.drying:
        costs = (choice.cost_per_kg, choice.fee_per_point_kg, choice.hire_per_bag_day, choice.price)
        if choice.capacity_kg < 0 or min(costs) < 0 or not 0 <= choice.handling_loss < 1:
            raise InputError("{name}: room, cost or loss of a drying space cannot be so", name=choice.name)
    for way in case.storage:
        asked = (way.cost_per_bag, way.cost_per_bag_month, way.treatment_per_bag)
        if min(way.owned_bags, way.buyable_bags, way.waiting_days, *asked) < 0 or way.bags_per_unit < 1:
            raise InputError("{name}: count or cost of a way to store cannot be below zero", name=way.name)
    truck = case.truck
    if truck.capacity_kg <= 0 or min(truck.trips_per_week, truck.cost_per_trip, truck.cost_per_km) < 0:
        raise InputError("a truck that carries {mass} kg, or a cost below zero", mass=truck.capacity_kg)


def _check_buyers(case: PlanningCase) -> None:
    for who in case.buyers:
        terms = (who.deductions, *(terms for _, terms in who.crop_deductions))
        if who.promised_kg < 0 or any(abs(one.meter_offset_pct) > 10 for one in terms):
            raise InputError("buyer {name}: a promise below zero, or a meter that is ten points off", name=who.name)
        if any(abs(one.scale_offset) > 0.5 for one in terms) or who.basis_sd < 0 or (who.trip_cost or 0.0) < 0:
            raise InputError("buyer {name}: a scale that is half off, or a cost below zero", name=who.name)
        if not 0 <= who.pay_delay_weeks <= LONGEST_DELAY_WEEKS or who.first_week < 0 or who.fee_fraction > 1:
            raise InputError("buyer {name}: a payment, a week or a fee that cannot be", name=who.name)


@takes_numbers(whole=("lots", "weeks", "scenarios", "seed"))
def make_case(lots: int, weeks: int, scenarios: int, seed: int) -> PlanningCase:
    """Return an invented case (for benchmarks and tests; no real group, price or place).

    Parameters
    ----------
    lots, weeks, scenarios : int
        How many lots, weeks of horizon and scenarios.
    seed : int
        Decides every drawn number; the same seed gives the same case.
    """
    draw = np.random.default_rng([seed, 77])
    prices = _invented_prices(draw, weeks)
    made = _invented_lots(draw, lots)
    mass = sum(lot.bags * lot.bag_mass_kg for lot in made)
    bags = sum(lot.bags for lot in made)
    money = sum(lot.bags * lot.bag_mass_kg * INVENTED_CROPS[lot.commodity].price for lot in made)
    buyers = _invented_buyers(draw, prices[0].price_now, mass, weeks)
    last, targets = weeks - 1, tuple((code, crop.target_pct) for code, crop in INVENTED_CROPS.items())
    home_use = Reserve("home use", "maize", round(0.06 * mass, 0), last, round(prices[0].price_now * 1.35, 3))
    sheets = max(400.0, 0.22 * mass)
    return PlanningCase(
        name=f"invented {lots} lots",
        start=date(2026, 7, 6),
        weeks=weeks,
        scenarios=scenarios,
        seed=seed,
        lots=made,
        drying=(
            DryingChoice("sheets", "Tarpaulins", "tarpaulin", sheets, sheets / 20, 20.0, 0.002, 0.006, 1.6),
            DryingChoice(
                "dryer",
                "Hired dryer",
                "mechanical",
                max(400.0, 0.06 * mass),
                handling_loss=0.004,
                points_per_day=8.0,
                fee_per_point_kg=0.0032,
                powered=True,
            ),
        ),
        storage=(
            StorageChoice("woven", "Woven bags", "woven_bag", bags, bags, 0.5),
            StorageChoice(
                "treated", "Woven bags with protectant", "woven_bag_protectant", bags // 2, bags, 0.5, 0.0, 0.6, 90
            ),
            StorageChoice("sealed", "Sealed bags", "hermetic_bag", bags // 10, bags // 2, 0.9, seal_below_pct=targets),
        ),
        prices=prices,
        buyers=buyers,
        truck=Truck(5000.0, 12.0, 0.55, max(2, int(mass / 20000) + 1), 0.15),
        needs=tuple(
            CashNeed(min(last, week), round(money * share, 0), label=label)
            for week, share, label in ((3, 0.05, "inputs"), (9, 0.12, "school fees"), (20, 0.05, "school fees"))
        ),
        reserves=(home_use,) if lots > 3 else (),
        store_bags=int(bags * 0.9),
        target_pct=targets,
        invented=True,
        target_choices=tuple(
            (code, target)
            for code, crop in INVENTED_CROPS.items()
            for target in (crop.buyers_limit_pct, crop.target_pct - 1.0)
        ),
    )


@dataclass(frozen=True)
class _InventedCrop:
    """Price [money per kg], seasonal gap [fraction], and the moistures for keeping and for buyers [% w.b.]."""

    price: float
    gap: float
    target_pct: float
    buyers_limit_pct: float


INVENTED_CROPS = {
    "maize": _InventedCrop(0.25, 0.42, 13.0, 13.5),
    "common_bean": _InventedCrop(0.70, 0.22, 14.0, 15.0),
    "sorghum": _InventedCrop(0.28, 0.25, 12.5, 13.5),
}
INVENTED_RISE_WEEKS = 34


def _invented_prices(draw: np.random.Generator, weeks: int) -> tuple[CropPrice, ...]:
    """Return prices that rise from harvest for `INVENTED_RISE_WEEKS` weeks and then fall."""
    week, prices = np.arange(weeks + 1), []
    rise = 0.5 - 0.5 * np.cos(np.pi * np.minimum(week, INVENTED_RISE_WEEKS) / INVENTED_RISE_WEEKS)
    season = rise - np.maximum(week - INVENTED_RISE_WEEKS, 0) * 0.06
    for code, crop in INVENTED_CROPS.items():
        path = (1 + crop.gap * draw.uniform(0.1, 1.5)) ** np.maximum(season, -0.2)
        prices.append(
            CropPrice(
                commodity=code,
                price_now=round(crop.price * draw.uniform(0.85, 1.15), 3),
                path=tuple(np.round(path, 5).tolist()),
                weekly_sd=round(draw.uniform(0.02, 0.04), 4),
            )
        )
    return tuple(prices)


def _invented_lots(draw: np.random.Generator, count: int) -> tuple[CaseLot, ...]:
    """Return lots of three crops, three quarters of them wet, a third as many owners as lots."""
    members, names, made = max(1, count // 3), list(INVENTED_CROPS), []
    for index in range(count):
        crop = names[int(draw.choice(3, p=[0.65, 0.2, 0.15]))]
        wet = draw.uniform(14.5, 21.0) if draw.random() < 0.75 else draw.uniform(11.5, 13.0)
        made.append(
            CaseLot(
                id=f"lot-{index + 1}",
                label=f"Lot {index + 1}",
                owner=f"member-{1 + index % members}",
                commodity=crop,
                bags=int(draw.integers(4, 26)),
                bag_mass_kg=round(draw.uniform(85, 100), 1),
                moisture_pct=round(wet, 2),
                moisture_se_pct=round(draw.uniform(0.15, 0.5), 2),
                available_week=int(draw.choice([0, 0, 0, 1, 2])),
                aflatoxin=crop == "maize",
            )
        )
    return tuple(made)


def _invented_buyers(
    draw: np.random.Generator, maize_price: float, mass_kg: float, weeks: int
) -> tuple[CaseBuyer, ...]:
    """Return a trader at the gate, a town market, a mill, and a dated offer where the horizon reaches it."""
    cut = flat_deductions(13.5, 0.015, damage_per_pct=0.03)
    gate = CaseBuyer(
        "gate",
        "Trader at the farm gate",
        price_factor=0.88,
        deductions=flat_deductions(14.0, 0.025, refusal_pct=22.0, damage_per_pct=0.03),
    )
    town = CaseBuyer(
        "town",
        "Town market",
        float(draw.integers(8, 25)),
        fee_fraction=0.02,
        weekly_kg=max(2000.0, mass_kg * 0.15),
        price_fall=0.05,
        deductions=replace(cut, refusal_pct=17.0),
    )
    mill = CaseBuyer(
        "mill",
        "District mill",
        float(draw.integers(30, 80)),
        commodities=("maize", "sorghum"),
        price_factor=1.07,
        deductions=replace(cut, refusal_pct=14.5),
        pay_delay_weeks=2,
        minimum_kg=1500.0,
    )
    if weeks <= 4:
        return gate, town, mill
    school = CaseBuyer(
        "school",
        "School supply offer",
        float(draw.integers(5, 30)),
        commodities=("maize",),
        fixed_price=round(maize_price * draw.uniform(1.05, 1.25), 3),
        deductions=replace(cut, refusal_pct=14.0),
        quantity_kg=round(mass_kg * 0.08, 0),
        first_week=4,
        last_week=min(12, weeks - 1),
        chance_failing=0.1,
        pay_delay_weeks=3,
    )
    return gate, town, mill, school
