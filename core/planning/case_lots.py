"""Which lots go into a plan, from a group's records.

What is harvested, what still stands, what is expected, and seed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

from core.drying.field import field_value
from core.grain.commodities import Commodity, get_commodity
from core.grain.mass import tenth_below
from core.group.lot_state import JudgingRules, LotState, lot_state
from core.group.records import USUAL_BAG_KG, Lot
from core.group.sampling import LotMoisture, acceptance_limit
from core.group.sieves import Sieve
from core.messages import Message, message
from core.planning.case import DAYS_PER_WEEK, LEAST_MOISTURE_PCT, MOST_MOISTURE_PCT, CaseBuyer, CaseLot
from core.storage.methods import get_method, method_codes, usual_method
from core.storage.safety import greatest_risk

UNTESTED_SD = 2.5  # points: moisture at harvest that nobody has measured (judgement)
STATED_SD = 1.5  # points: moisture at a coming harvest as its owner expects it (judgement)
LONGEST_STANDING_WEEKS = 6  # a choice of more weeks of harvest than this is not compared
MANY_STANDING = (
    20  # with more standing lots than this every other week of harvest is compared, to keep a plan within seconds
)
OWN_CROP = "own_"


@dataclass(frozen=True)
class FoundLots:
    """The lots of a case, the moisture to which each crop is dried for keeping, and what had to be said."""

    lots: tuple[CaseLot, ...]
    targets: dict[str, float]
    notes: tuple[Message, ...]


@dataclass(frozen=True)
class LotRules:
    """How lots are read: the first day, how long a crop may stand, how wet an untested one is, and the weeks looked at.

    Weeks count from `start`, the last market day. Crops that are `not_left` on the plant are harvested on the day
    that was entered. `crops` are the group's own.
    """

    today: date
    start: date
    weeks: int
    field_weeks: int
    harvest_moisture_pct: float
    bag_kg: float = USUAL_BAG_KG
    not_left: frozenset[str] = frozenset()
    crops: Mapping[str, Commodity] = field(default_factory=dict)


def week_of(day: date, start: date) -> int:
    """Return the plan week of a day, counted from the first day of week 0 (negative = past)."""
    return (day - start).days // DAYS_PER_WEEK


def recorded_lots(
    states: Sequence[LotState],
    owners: Mapping[int, str],
    priced: set[str],
    sieves: Mapping[int, Sieve],
    rules: LotRules,
) -> FoundLots:
    """Return the lots that are recorded: harvested ones that were tested, and those whose harvest is still to come.

    Parameters
    ----------
    sieves : mapping of lot id to Sieve
        The latest count of insects.
    """
    lots: list[CaseLot] = []
    notes: list[Message] = []
    targets: dict[str, float] = {}
    for state in states:
        lot = state.lot
        if lot.commodity not in priced or state.bags <= 0:
            continue
        standing = lot.harvested_on is not None and lot.harvested_on > rules.today
        tested = state.moisture is not None
        if state.mass_now_kg <= 0 or not (tested or standing):
            notes.append(message("lot {lot} has not been tested or weighed: it is left out until it is", lot=lot.label))
            continue
        mean = float(state.moisture.mean_pct) if state.moisture is not None else rules.harvest_moisture_pct
        if not LEAST_MOISTURE_PCT < mean < MOST_MOISTURE_PCT:
            notes.append(
                message(
                    "lot {lot}: {moisture} % moisture cannot be right: it is left out until it is tested again",
                    lot=lot.label,
                    moisture=round(mean, 1),
                )
            )
            continue
        error = float(state.moisture.standard_error_pct) if state.moisture is not None else UNTESTED_SD
        first, latest, stated = _harvest(lot, mean, tested, rules) if standing else (0, None, 0)
        if standing and first > rules.weeks - 2:
            notes.append(message("lot {lot} is harvested after the weeks looked at: look further ahead", lot=lot.label))
            continue
        if standing and not tested:
            notes.append(
                message(
                    "lot {lot} still stands and was not tested: {moisture} % at its harvest is assumed",
                    lot=lot.label,
                    moisture=mean,
                )
            )
        owner = owners.get(lot.owner_id, "pool") if lot.owner_id else "pool"
        made = _case_lot(state, owner, (mean, error), sieves.get(lot.id), rules)
        lots.append(replace(made, available_week=first, standing=standing, latest_week=latest, moisture_week=stated))
        targets[lot.commodity] = min(targets.get(lot.commodity, 99.0), tenth_below(state.limit.moisture_pct))
    return FoundLots(tuple(lots), targets, tuple(notes))


def _case_lot(
    state: LotState, owner: str, moisture: tuple[float, float], sieve: Sieve | None, rules: LotRules
) -> CaseLot:
    """Return a harvested lot as the plan sees it; `moisture` is its mean [% w.b.] and standard error [points]."""
    lot, mass = state.lot, state.grain_kg if state.grain_kg > 0 else state.mass_now_kg
    crop = get_commodity(rules.crops.get(lot.commodity, lot.commodity))
    return CaseLot(
        id=str(lot.id),
        label=lot.label,
        owner=owner,
        commodity=lot.commodity,
        bags=int(state.bags),
        bag_mass_kg=round(mass / state.bags, 3),
        moisture_pct=round(moisture[0], 3),
        moisture_se_pct=round(min(moisture[1], 3.0), 3),
        form=lot.form,
        use=lot.use,
        insects_per_kg=None if sieve is None else sieve.insects_per_kg,
        sieved_kg=1.0 if sieve is None else max(sieve.sieved_kg, 0.01),
        sieved_days_ago=_days_of_growth(lot, sieve, rules.today),
        aflatoxin=crop.aflatoxin,
        treated=state.treated,
        sale_from_week=_treated_until(state, rules),
        **_judged(state, crop),
        **_spread(state.moisture),
    )


def _judged(state: LotState, crop: Commodity) -> dict[str, Any]:
    """Return the moistures that a lot surely does not exceed, open and sealed, and the one at which it keeps."""
    keeping = state.limit.of_kind("keeping")
    found: dict[str, Any] = {} if keeping is None else {"keeping_pct": round(float(keeping.moisture_pct), 3)}
    if state.moisture is None:
        return found
    sealed = next(code for code in method_codes() if get_method(code).sealed)
    for name, method in (("surely_at_most_pct", usual_method()), ("surely_to_seal_pct", sealed)):
        risk = greatest_risk(crop, method, state.risk)
        error, freedom = state.moisture.standard_error_pct, state.moisture.degrees_of_freedom
        # a mean is called dry enough up to the guard band below the limit
        found[name] = round(float(state.moisture.mean_pct - acceptance_limit(0.0, error, risk, freedom)), 3)
    return found


def _treated_until(state: LotState, rules: LotRules) -> int:
    """Return the plan week from which a treated lot may be eaten or sold: its waiting days are over."""
    free = state.free_from(rules.today)
    return 0 if free is None or free <= rules.today else -(-(free - rules.start).days // DAYS_PER_WEEK)


def _spread(moisture: LotMoisture | None) -> dict[str, Any]:
    """Return how far bags and readings differ and what all readings share, rounded like the rest [points].

    Nothing where nobody tested.
    """
    if moisture is None:
        return {}
    found: dict[str, Any] = {"common_sd_pct": round(float(moisture.common_sd_pct), 3)}
    if moisture.bag_sd_pct > 0:
        found["bag_sd_pct"] = round(float(moisture.bag_sd_pct), 3)
    if moisture.reading_sd_pct > 0:
        found["reading_sd_pct"] = round(float(moisture.reading_sd_pct), 3)
    return found


def _days_of_growth(lot: Lot, sieve: Sieve | None, today: date) -> int:
    """Return for how many days insects have grown since they were counted, or put away.

    Without a count, since the grain was put into an open store.
    """
    if lot.storage_method in method_codes() and get_method(lot.storage_method).sealed:
        return 0
    since = sieve.on if sieve is not None else lot.stored_on if lot.status == "stored" else None
    return 0 if since is None else max(0, (today - since).days)


def _harvest(lot: Lot, mean_pct: float, tested: bool, rules: LotRules) -> tuple[int, int, int]:
    """Return (first week, last week of harvest, week for which the moisture is stated) of a standing lot.

    A tested lot that is ripe may be harvested from now on; one that is not tested, or not ripe, from the day that was
    entered.
    """
    day = lot.harvested_on or rules.today
    meant = week_of(day, rules.start)
    if lot.commodity in rules.not_left:
        return meant, meant, meant
    first = 0 if tested and mean_pct <= field_value("wettest_to_harvest_pct") else meant
    return first, min(meant + rules.field_weeks, first + LONGEST_STANDING_WEEKS), 0 if tested else meant


def coming_harvests(
    rows: Sequence[Mapping[str, Any]], group_id: int, priced: set[str], judging: JudgingRules, rules: LotRules
) -> FoundLots:
    """Return the harvests that the group expects, as standing lots, with the moisture to which their crop is dried.

    Parameters
    ----------
    rows : sequence of mapping
        As `core.planning.wishes` keeps them: on, commodity, kg, moisture_pct or None, member, label.
    """
    lots: list[CaseLot] = []
    notes: list[Message] = []
    targets: dict[str, float] = {}
    for number, row in enumerate(rows):
        crop, day, kg = str(row["commodity"]), date.fromisoformat(str(row["on"])), float(row["kg"])
        week = week_of(day, rules.start)
        label = str(row.get("label") or "") or f"{crop.replace('_', ' ')} {day.isoformat()}"
        if week < 0:
            notes.append(message("the harvest expected on {day} is due: record it as a lot", day=day))
            continue
        if week > rules.weeks - 2:
            notes.append(message("lot {lot} is harvested after the weeks looked at: look further ahead", lot=label))
            continue
        stated = row.get("moisture_pct")
        moisture = float(stated) if stated else rules.harvest_moisture_pct
        bags = max(1, round(kg / rules.bag_kg))
        lots.append(
            CaseLot(
                id=f"harvest-{number + 1}",
                label=label,
                owner=str(row.get("member") or "pool"),
                commodity=crop,
                bags=bags,
                bag_mass_kg=round(kg / bags, 3),
                moisture_pct=moisture,
                moisture_se_pct=STATED_SD if stated else UNTESTED_SD,
                available_week=week,
                standing=True,
                latest_week=week + (0 if crop in rules.not_left else min(rules.field_weeks, LONGEST_STANDING_WEEKS)),
                moisture_week=week,
                aflatoxin=get_commodity(rules.crops.get(crop, crop)).aflatoxin,
            )
        )
        state = lot_state(Lot(group_id=group_id, label=label, commodity=crop, bags=bags), _no_tests(), judging)
        targets[crop] = min(targets.get(crop, 99.0), tenth_below(state.limit.moisture_pct))
    return FoundLots(tuple(lots), targets, tuple(notes))


def _no_tests() -> Any:
    import pandas as pd

    columns = ["id", "lot_id", "taken_at", "bag", "temperature_c", "relative_humidity_pct", "meter_moisture_pct"]
    return pd.DataFrame({name: pd.Series(dtype=float) for name in columns})


MOST_TARGETS = 3


def target_choices(targets: Mapping[str, float], buyers: Sequence[CaseBuyer]) -> tuple[tuple[str, float], ...]:
    """Return further moistures to dry each crop to, beside the one for keeping.

    What buyers allow by their own meters, and one point drier: at most `MOST_TARGETS` for a crop, the buyers' limits
    furthest apart first; what differs by less than 0.3 point is one choice.
    """
    found: list[tuple[str, float]] = []
    for crop, keeping in sorted(targets.items()):
        limits = {
            round(base, 1)
            for who in buyers
            if (base := who.deductions_of(crop).our_base_pct) is not None
            and (not who.commodities or crop in who.commodities)
        }
        wanted = [*sorted(limits, key=lambda limit: -abs(limit - keeping)), round(keeping - 1.0, 1)]
        taken = [keeping]
        for limit in [wanted[-1], *wanted[:-1]]:
            apart = all(abs(limit - other) >= 0.3 for other in taken)
            if apart and 3.0 < limit <= keeping + 3.0 and len(taken) <= MOST_TARGETS:
                taken.append(limit)
        found += [(crop, limit) for limit in sorted(taken[1:], reverse=True)]
    return tuple(found)


def spaced_harvests(lots: Sequence[CaseLot]) -> list[CaseLot]:
    """Return the lots, with every other week of harvest left out where many stand."""
    many = sum(lot.standing for lot in lots) > MANY_STANDING
    return [replace(lot, harvest_step=2) if many and lot.standing else lot for lot in lots]


def own_crop_notes(crops: Mapping[str, Commodity], used: set[str]) -> tuple[Message, ...]:
    """Return what stands in for what is not known of the group's own crops in the plan."""
    return tuple(
        message(
            "{crop} is your own crop: its moisture follows your own figures; its drying rate and losses are taken "
            "from maize, its pests from the usual ones of a {kind}, as they are not known",
            crop=crop.name,
            kind=crop.kind,
        )
        for code, crop in sorted(crops.items())
        if code in used
    )
