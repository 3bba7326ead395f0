"""A group's season as a planning case at harvest, with its habits: waited, judged, over-dried, sold for cash."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from core.errors import DryholdError, PlanError
from core.group.lot_state import judging_rules, lot_state
from core.group.records import Lot
from core.group.store import Store
from core.messages import Message, message
from core.planning.case import DAYS_PER_WEEK, CaseLot, CashNeed, CropPrice, PlanningCase
from core.planning.case_from_records import BuiltCase, build_case
from core.programme.counting import Records, lot_mass, records_of
from core.programme.indicators import moistures_by_day

SEASON_DAYS = 300  # a harvest longer ago than this before the last one belongs to another season (judgement)
SCENARIOS = 48
EARLY_WEEKS = 8  # a sale sooner after harvest than this is taken for one that was made for cash (judgement)
FEWEST_LOTS = 2  # lots of a crop below which their mean says little of how far a group dries (judgement)
SEALED = ("hermetic_bag", "metal_silo")


@dataclass(frozen=True)
class Habits:
    """What the records of one season say a group did.

    `ready_days` by lot: days from harvest to the first test at or below the limit or its bagging (to today where it is
    still wet); `judged` lots were bagged without a test; `dried_to` by crop: mean moisture of the last test before
    bagging [% w.b.]; `needs` are the season's sales as cash that had to be in hand; `sealed_bags` lay in sealed
    storage. `silent` says, cause by cause, why the records say nothing.
    """

    ready_days: Mapping[str, float]
    judged: frozenset[str]
    dried_to: Mapping[str, float]
    needs: tuple[CashNeed, ...]
    sealed_bags: int
    silent: Mapping[str, Message] = field(default_factory=dict)


@dataclass(frozen=True)
class SeasonCase:
    """A season at harvest: the case without habits (tested, dried at once, sold when best), and the habits."""

    built: BuiltCase
    habits: Habits
    left_out: tuple[Message, ...]


def season_lots(records: Records, today: date) -> list[Lot]:
    """Return the lots of the last season with a harvest up to today, oldest first."""
    dated = [lot for lot in records.lots if lot.harvested_on is not None and lot.harvested_on <= today]
    if not dated:
        return []
    last = max(lot.harvested_on for lot in dated if lot.harvested_on is not None)
    return sorted(
        (lot for lot in dated if lot.harvested_on is not None and (last - lot.harvested_on).days < SEASON_DAYS),
        key=lambda lot: (lot.harvested_on or last, lot.id),
    )


def known_price(price: CropPrice, quotes: pd.DataFrame, start: date) -> CropPrice | None:
    """Return a crop's price as it was known on a day: nothing quoted later is in it.

    None where nothing had been quoted.
    """
    own = quotes[quotes["commodity"] == price.commodity].copy()
    own["quoted_on"] = pd.to_datetime(own["quoted_on"])
    # the quotes of the harvest month are what sellers at harvest saw
    own = own[(own["quoted_on"] < pd.Timestamp(start) + pd.Timedelta(days=31)) & (own["price_per_kg"] > 0)]
    if own.empty:
        return None
    month = f"{start:%Y-%m}"
    market = own["market"].value_counts().index[0]
    last = own[own["market"] == market].sort_values("quoted_on")["price_per_kg"].iloc[-1]
    return replace(
        price,
        price_now=round(float(last), 6),
        history=tuple(row for row in price.history if row[0] <= month),
        neighbours=tuple(tuple(row for row in rows if row[0] <= month) for rows in price.neighbours),
    )


def season_case(store: Store, group_id: int, today: date, scenarios: int = SCENARIOS, seed: int = 2026) -> SeasonCase:
    """Return a group's last season as a planning case at its first harvest, with its habits.

    Parameters
    ----------
    today : date
        Later harvests, tests and sales do not count.
    scenarios, seed : int
        Of weather, pests and prices.

    Raises
    ------
    PlanError
        If no lot of the season has a harvest date, bags, a moisture at harvest and a price known by then.
    """
    records = records_of(store, group_id, today)
    lots = season_lots(records, today)
    if not lots:
        raise PlanError("no lot of this group has a day of harvest")
    start = min(lot.harvested_on for lot in lots if lot.harvested_on is not None)
    daily, limits = moistures_by_day(records), keeping_limits(store, group_id, lots)
    found = {lot.id: _at_harvest(lot, daily.get(lot.id), start) for lot in lots if lot.commodity in limits}
    made = [case_lot for case_lot in found.values() if case_lot is not None]
    left_out = [
        message("lot {lot}: no mass, moisture at harvest or limit is known", lot=lot.label)
        for lot in lots
        if found.get(lot.id) is None
    ]
    targets = {lot.commodity: limits[lot.commodity] for lot in made}
    if not made:
        raise PlanError("no lot of this season has bags, a moisture at harvest and a limit")
    built = build_case(
        store,
        group_id,
        start,
        lots=tuple(made),
        target_pct=tuple(sorted(targets.items())),
        scenarios=scenarios,
        seed=seed,
    )
    prices = [known_price(price, records.prices, start) for price in built.case.prices]
    known = tuple(price for price in prices if price is not None)
    crops = {price.commodity for price in known}
    left_out += [
        message("lot {lot}: no price of {crop} is recorded up to its harvest", lot=lot.label, crop=lot.commodity)
        for lot in made
        if lot.commodity not in crops
    ]
    kept = tuple(lot for lot in made if lot.commodity in crops)
    if not kept:
        raise PlanError("no price is recorded up to the season's harvest")
    case = built.case.with_changes(
        lots=kept,
        prices=known,
        needs=(),
        target_choices=(),
        credit=None,
        reserves=(),
        store_bags=None,
        buyers=tuple(who for who in built.case.buyers if who.fixed_price is None),
    )
    data = replace(built.data, forecast=None)  # no forecast of that time is kept: the usual weather of those weeks
    names = {one.id for one in kept}
    habits = _habits(records, [lot for lot in lots if str(lot.id) in names], daily, case, today)
    return SeasonCase(BuiltCase(case, data, built.notes), habits, tuple(left_out))


def _at_harvest(lot: Lot, daily: pd.Series | None, start: date) -> CaseLot | None:
    """Return a lot as it was harvested, None where its bags, mass or moisture are not known, or it is seed."""
    mass = lot_mass(lot, lot.bags)
    first = float(daily.iloc[0]) if daily is not None and len(daily) else None
    wet = lot.weighed_moisture_pct if lot.weighed_moisture_pct is not None else first
    if not mass or wet is None or lot.bags <= 0 or lot.use == "seed":
        return None
    return CaseLot(
        id=str(lot.id),
        label=lot.label,
        owner=str(lot.owner_id or "pool"),
        commodity=lot.commodity,
        bags=lot.bags,
        bag_mass_kg=round(mass / lot.bags, 3),
        moisture_pct=round(float(wet), 2),
        moisture_se_pct=0.5,
        available_week=((lot.harvested_on or start) - start).days // DAYS_PER_WEEK,
    )


def _until(daily: pd.Series, today: date) -> list[tuple[date, float]]:
    pairs: list[tuple[Any, Any]] = list(daily.items())
    return [(day, float(value)) for day, value in pairs if day <= today]


def keeping_limits(store: Store, group_id: int, lots: list[Lot]) -> dict[str, float]:
    """Return the moisture to which each crop must be dried by the group's rules [% w.b.], by crop."""
    rules, nothing = judging_rules(store, group_id), store.readings(group_id).iloc[:0]
    found: dict[str, float] = {}
    for lot in lots:
        try:
            bound = lot_state(lot, nothing, rules).limit.moisture_pct
        except DryholdError:
            continue  # a crop that nothing is known of
        level = round(float(bound), 1)
        found[lot.commodity] = min(found.get(lot.commodity, level), level)
    return found


def _habits(
    records: Records, lots: list[Lot], daily: Mapping[int, pd.Series], case: PlanningCase, today: date
) -> Habits:
    """Return what the records say of the lots that the case holds, with the gaps that keep them from saying more."""
    ready: dict[str, float] = {}
    judged: set[str] = set()
    dried: dict[str, list[float]] = {}
    for lot in lots:
        limit, own = case.target(lot.commodity), daily.get(lot.id)
        wet = lot.weighed_moisture_pct is None or lot.weighed_moisture_pct > limit
        days: list[tuple[date, float]] = [] if own is None else _until(own, today)
        before = [(day, value) for day, value in days if lot.stored_on is None or day <= lot.stored_on]
        dry = [day for day, value in before if value <= limit]
        ends = [*dry[:1], *([lot.stored_on] if lot.stored_on else [])]
        if lot.harvested_on and wet and ends:
            ready[str(lot.id)] = float(max(0, (min(ends) - lot.harvested_on).days))
        elif lot.status == "wet" and lot.harvested_on and wet:
            ready[str(lot.id)] = float((today - lot.harvested_on).days)
        if lot.stored_on is not None and not before:
            judged.add(str(lot.id))
        # what a lot that was harvested wet last read before it was bagged is what it was dried to
        if (
            lot.stored_on is not None
            and wet
            and before
            and (lot.harvested_on is None or before[-1][0] > lot.harvested_on)
        ):
            dried.setdefault(lot.commodity, []).append(before[-1][1])
    needs = sales_as_needs(records, lots, case, today)
    silent: dict[str, Message] = {}
    if not ready:
        silent["waiting wet"] = message("no lot has a day of harvest and one on which it was dry or bagged")
    if not any(lot.stored_on for lot in lots):
        silent["too few tests"] = message("no lot has a day of bagging")
    if not any(len(values) >= FEWEST_LOTS for values in dried.values()):
        why = message("fewer than two lots of a crop were harvested wet and tested again before they were bagged")
        silent["over-drying"] = silent["bagged too wet"] = why
    if not needs:
        silent["sold early for cash"] = message(
            "no sale within {weeks} weeks of harvest is recorded", weeks=EARLY_WEEKS
        )
    means = {crop: round(float(np.mean(values)), 2) for crop, values in dried.items() if len(values) >= FEWEST_LOTS}
    return Habits(
        ready, frozenset(judged), means, needs, sum(lot.bags for lot in lots if lot.storage_method in SEALED), silent
    )


def sales_as_needs(records: Records, lots: list[Lot], case: PlanningCase, today: date) -> tuple[CashNeed, ...]:
    """Return the sales soon after harvest as cash that had to be in hand, by week, at the prices known at harvest.

    A sale within eight weeks of harvest counts (judgement). Its money is what the market's price of the day when the
    plan begins would have brought for its mass at the limit, times the part of the price that farmers get at the gate:
    the plan does not know later prices.
    """
    own = {lot.id: lot for lot in lots}
    now = {price.commodity: price.price_now for price in case.prices}
    gate = min((who.price_factor for who in case.buyers), default=1.0)
    sums: dict[int, float] = {}
    for sale in records.sales.to_dict("records"):
        lot = own.get(int(sale["lot_id"]))
        sold = pd.Timestamp(sale["sold_on"]).date()
        if lot is None or lot.harvested_on is None or sold > today:
            continue
        if (sold - lot.harvested_on).days > EARLY_WEEKS * DAYS_PER_WEEK:
            continue
        week = min(case.weeks - 2, max(0, (sold - case.start).days // DAYS_PER_WEEK))
        sums[week] = sums.get(week, 0.0) + float(sale["mass_kg"]) * now[lot.commodity] * gate
    return tuple(
        CashNeed(week, round(money, 2), label="sold soon after harvest") for week, money in sorted(sums.items())
    )
