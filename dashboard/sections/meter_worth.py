"""What testing is worth: for each lot, for the season, for each member beside his share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

import streamlit as st

from core.accounts.finance import interest_on
from core.errors import DryholdError, InputError
from core.grain.commodities import commodity_codes
from core.group.limits import standard_limit
from core.group.records import Group, Lot
from core.messages import Message
from core.meter.shares import own_meter_season_cost
from core.planning.case import CaseLot
from core.planning.case_from_records import BuiltCase
from core.testing.lot_testing import (
    JUDGEMENTS,
    Errors,
    LotReport,
    errors_for_crop,
    errors_from_facts,
    first_tests,
    report_table,
    worth_of_retest,
)
from core.testing.plan_worth import STANDS_FOR, Scene, case_before_tests, crop_table, scene_key, set_scene
from core.testing.worth import DecisionTable, SeasonWorth, payback, paying_scale, season_worth
from dashboard import page, state
from dashboard.charts.meter import avoided_figure, payback_figure, probing_figure
from dashboard.forms.fields import Field, draw_fields
from dashboard.meter_parts import read_book, season_lots, show_assumptions
from dashboard.money_parts import told_apart
from dashboard.names import crop_name
from dashboard.text import _, about, money, number, percent, say

SEED = 20
MOST_LOTS = 60
LEAST_CHANCE_SHOWN = 0.01
FACTS = ("above_limit", "belief_sd", "day_cost", "season_months")
ERROR_FACTS = (
    "meter.error.bags",
    "meter.error.reading",
    "meter.error.common",
    "meter.error.common_checked",
    "meter.error.bite",
    "meter.error.rattle",
    "meter.salt_jar.threshold",
    "meter.salt_jar.spread",
)
PLAN_FACTS = (
    "plan.discount_per_point",
    "plan.gate_factor",
    "plan.market_km",
    "plan.market_fee",
    "plan.handling_loss",
    "interest_monthly",
)
METER_FACTS = ("meter.price", "meter.life_seasons", "meter.upkeep_season", "meter.per_test")


@dataclass(frozen=True)
class Worths:
    """What the page shows: each lot's report, the season, and what has to be said."""

    reports: dict[int, LotReport]
    season: SeasonWorth
    notes: tuple[Message, ...]
    shared: bool = False
    again: tuple[Again, ...] = ()


@dataclass(frozen=True)
class Again:
    """An open lot as it is believed now, and what another test of it is worth beside its cost, money."""

    label: str
    moisture_pct: float
    error_pct: float
    worth: float
    cost: float


@st.cache_resource(max_entries=8, show_spinner=False)
def _built(
    database: str,
    group_id: int,
    version: int,
    today: date,
    limits: tuple[tuple[str, float], ...],
    above: float,
    spread: float,
) -> BuiltCase:
    del database, version
    return case_before_tests(state.store(), group_id, today, dict(limits), above, spread)


@st.cache_resource(max_entries=4, show_spinner=False)
def _scene(key: str, _built: BuiltCase) -> Scene:
    del key  # names the case and its weather: a payment written elsewhere changes neither
    return set_scene(_built)


@st.cache_resource(max_entries=24, show_spinner=False)
def _crop_table(key: str, crop: str, spread: float, day_cost: float, _scene_of: Scene) -> tuple[DecisionTable, Any]:
    del key
    lot = _scene_of.lot(crop)
    if lot is None:
        raise InputError("{crop} cannot be planned", crop=crop)
    return crop_table(_scene_of, lot, spread, day_cost)


@st.cache_data(max_entries=256, show_spinner=False)
def _report(
    _table: DecisionTable,
    _belief: Any,
    key: tuple[Any, ...],
    mass: float,
    bags: int,
    errors: Any,
    judgement: str,
    probed: int,
    per_test: float,
) -> LotReport:
    del key
    return report_table(_table.times(mass), _belief, bags, errors, judgement, probed, per_test)


def lots_to_test(group: Group) -> list[tuple[Lot, float]]:
    """Return the season's lots of a known crop with the moisture that each is dried to."""
    found = []
    for lot in season_lots(state.store().lots(group.id))[-MOST_LOTS:]:
        limit = standard_limit(lot.commodity, "eac") if lot.commodity in commodity_codes() else None
        if limit is not None and lot.bags >= 1:
            found.append((lot, float(limit.moisture_pct)))
    return found


def _mass(lot: Lot) -> float:
    return float(lot.bags * lot.bag_kg)


def worth_by_plan(group: Group, lots: Sequence[tuple[Lot, float]], above: float, judgement: str, probed: int) -> Worths:
    """Return the worth of testing in the group's own plan, crop by crop with a bar that fills.

    Raises
    ------
    PlanError
        Where no crop has a price to plan with.
    """
    store = state.store()
    facts = store.facts(group.id)
    spread, day_cost = (float(facts[f"meter.worth.{name}"].value) for name in ("belief_sd", "day_cost"))
    limits = {lot.commodity: limit for lot, limit in lots}
    bar = st.progress(0.0, _("Drawing weather, stores and prices, and what room and bags are worth in the plan"))
    try:
        version, crops = store.version(group.id), tuple(sorted(limits.items()))
        built = _built(str(store.engine.url), group.id, version, state.today(), crops, above, spread)
        where = scene_key(built)
        scene = _scene(where, built)
        known = [crop for crop in sorted(limits) if scene.lot(crop) is not None]
        errors, per_test = errors_from_facts(facts), float(facts["meter.per_test"].value)
        reports: dict[int, LotReport] = {}
        again: list[Again] = []
        for done, crop in enumerate(known):
            said = _("Working out {crop}").format(crop=crop_name(crop))
            bar.progress((done + 0.5) / (len(known) + 1), said)
            table, belief = _crop_table(where, crop, spread, day_cost, scene)
            for lot, _limit in lots:
                if lot.commodity == crop:
                    key = (where, crop, spread, day_cost)
                    reports[lot.id] = _report(
                        table,
                        belief,
                        key,
                        _mass(lot),
                        lot.bags,
                        errors_for_crop(errors, crop),
                        judgement,
                        probed,
                        per_test,
                    )
            for tested in built.case.lots:
                if tested.commodity == crop and tested.bags and not tested.id.startswith(STANDS_FOR):
                    again.append(_again(table, tested, errors, probed, per_test))
    finally:
        bar.empty()
    chosen = [(lot, limit) for lot, limit in lots if lot.id in reports]
    return Worths(reports, _season(chosen, reports), built.notes, scene.shared is not None, tuple(again))


def _again(table: DecisionTable, lot: CaseLot, errors: Errors, probed: int, per_test: float) -> Again:
    mass, error = lot.bags * lot.bag_mass_kg, max(lot.moisture_se_pct, 0.05)
    low, high = float(table.moisture_pct[0]), float(table.moisture_pct[-1])
    worth = mass * worth_of_retest(table, lot.bags, min(max(lot.moisture_pct, low), high), error, errors, probed)
    return Again(lot.label, lot.moisture_pct, error, worth, min(probed, lot.bags) * per_test)


def _season(lots: Sequence[tuple[Lot, float]], reports: dict[int, LotReport]) -> SeasonWorth:
    owners = {
        str(lot.id): {str(m): s for m, s in lot.shares} or ({str(lot.owner_id): 1.0} if lot.owner_id else {})
        for lot, _limit in lots
    }
    return season_worth({str(lot): report.worth for lot, report in reports.items()}, owners)


def show() -> None:
    """Show the page."""
    page.start(_("What does the group gain by testing instead of biting, listening or the salt jar?"))
    group = page.stop_if_no_group()
    facts = state.store().facts(group.id)
    words = {
        "bite": _("biting"),
        "rattle": _("the rattle of the grain"),
        "salt_jar": _("the salt jar"),
        "none": _("the day of harvest alone"),
    }
    filled = draw_fields(
        "worth",
        (
            Field("judged_by", _("Without a meter the group goes by"), "choice", options=words, value=JUDGEMENTS[0]),
            Field("probed", _("Bags tested in each lot"), "whole", low=1, high=100, value=10),
            Field(
                "above",
                _("Without a meter, grain is bagged this many points above the limit"),
                "number",
                low=-3,
                high=10,
                value=float(facts["meter.worth.above_limit"].value),
                wide=True,
            ),
        ),
    )
    if not filled.complete:
        return
    judgement, probed, above = filled["judged_by"], filled["probed"], filled["above"]
    if judgement in {"bite", "rattle"}:
        fact = facts[f"meter.error.{judgement}"]
        st.caption(
            _("± {points} points, {origin}").format(points=number(float(fact.value)), origin=page.origin_text(fact))
        )
    elif judgement == "salt_jar":
        st.caption(page.origin_text(facts["meter.salt_jar.threshold"]))
    lots = lots_to_test(group)
    if not lots:
        page.answer(_("There is no lot with a known limit yet."))
        page.link("lots", _("Lots"), "lots")
        return
    known = first_tests(state.store().readings(group.id), {lot.id: (lot.commodity, limit) for lot, limit in lots})
    if known is not None:
        st.caption(
            _(
                "The first tests of {count} of these lots lay {mean} points above the limit, with a spread of {spread}."
            ).format(count=known.lots, mean=number(known.above_limit), spread=number(known.spread))
        )
    try:
        worths = worth_by_plan(group, lots, above, judgement, probed)
        show_season(group, facts, worths, lots, words[judgement], probed)
        if worths.again:
            with page.details(_("Which lot to test again today")):
                show_again(group, worths.again)
        with page.details(_("Lot by lot, before the first test")):
            show_lots(group, worths, [lot for lot, _limit in lots if lot.id in worths.reports])
    except DryholdError as error:
        page.show_error(error)
        return
    show_basis(group, facts, worths)


def show_basis(group: Group, facts: Any, worths: Worths) -> None:
    """Show what the answer rests on: values with their origin, sources."""
    rest = [f"meter.worth.{name}" for name in FACTS] + list(METER_FACTS + ERROR_FACTS)
    rest += PLAN_FACTS
    show_assumptions(group, [name for name in rest if name in facts], "worth_facts")
    page.sources(
        _("Value of a test before its answer is known: Raiffa and Schlaifer (1961)"),
        _(
            "Error of a lot's mean: simple random sampling, Cochran (1977); the meter's own error does not "
            "shrink with more bags"
        ),
        _(
            "Drying, stores, buyers, interest and possible seasons are those of the sale plan. Drying space, bags, "
            "truck and buyers' quantities count at the plan's own prices for them (Dantzig and Wolfe 1960). Cash "
            "needs with a day are not counted. The harm of eating mouldy grain is not in these sums."
        )
        if worths.shared
        else _(
            "Drying, stores, buyers, interest and possible seasons are those of the sale plan. No open lot is "
            "planned yet, so each lot is counted alone, with a full truck and enough drying space."
        ),
    )


def show_season(
    group: Group, facts: Any, worths: Worths, lots: Sequence[tuple[Lot, float]], judged_by: str, probed: int
) -> None:
    """Show the answer, the losses avoided, the pay-back, and each member's worth beside his share."""
    season, reports = worths.season, worths.reports
    seasons = int(facts["meter.life_seasons"].value)
    price, upkeep = float(facts["meter.price"].value), float(facts["meter.upkeep_season"].value)
    tests = sum(min(probed, lot.bags) for lot, _limit in lots if lot.id in reports)
    per_test = float(facts["meter.per_test"].value)
    months = float(facts["meter.worth.season_months"].value)
    waiting = interest_on(float(facts["interest_monthly"].value), months)
    back = payback(price, season.by_scenario, upkeep + tests * per_test, seasons, waiting, SEED)
    page.caution("meter", "mould")
    page.answer(
        _(
            "Testing is worth about {mean} a season more than {words} ({low} to {high} in 8 of 10 cases). The meter "
            "pays for itself within its life in {chance} of the cases."
        ).format(
            mean=about(season.mean, group.currency),
            low=about(season.low, group.currency),
            high=about(season.high, group.currency),
            words=judged_by,
            chance=percent(back.chance_within_life),
        )
    )
    for note in worths.notes:
        st.caption(say(note))
    page.chart(avoided_figure(season, group.currency), alt=_("Losses avoided by testing, by kind"), key="worth_avoided")
    st.caption(_("A bar below 0: testing accepts more of that loss in order to avoid a larger one elsewhere."))
    check = sum(report.calibration for report in reports.values())
    st.write(
        _("Checking the meter against an oven or three known samples before the season adds about {gain}.").format(
            gain=about(check, group.currency)
        )
    )
    if back.chance_within_life >= LEAST_CHANCE_SHOWN:
        with page.details(_("When the meter has paid for itself")):
            page.chart(
                payback_figure(back), alt=_("Chance that the meter has paid for itself, by season"), key="worth_payback"
            )
    mass = sum(_mass(lot) for lot, _limit in lots if lot.id in reports)
    scale = paying_scale(price, season.mean, upkeep, tests * per_test, seasons, waiting)
    if 1 < scale < 100:
        st.write(
            _(
                "On average it would pay with {times} times as much grain as in these lots, about {tonnes} t a "
                "season: in a larger group, or lent out for a fee."
            ).format(times=number(scale), tonnes=number(scale * mass / 1000))
        )
    elif scale <= 1:
        st.write(
            _("On average it pays already with {tonnes} t of grain a season; these lots hold {mass} t.").format(
                tonnes=number(scale * mass / 1000), mass=number(mass / 1000)
            )
        )
    with page.details(_("Testing is worth, a season")):
        show_members(group, season, own_meter_season_cost(Decimal(str(price)), seasons, Decimal(str(upkeep))))


def show_members(group: Group, season: SeasonWorth, season_cost: Decimal) -> None:
    """Show what testing is worth to each member beside what he pays."""
    members = told_apart({str(member.id): member.name for member in state.store().members(group.id)})
    charged: dict[str, Decimal] = {}
    _events, account = read_book(group)
    for event in account.events:
        if event.kind in {"charge", "capital_due"} and event.id not in account.reversed_events:
            for member, share in event.payload["shares"].items():
                charged[member] = charged.get(member, Decimal(0)) + Decimal(share)
    equal = float(season_cost) / max(len(members), 1)
    page.table(
        [
            {
                _("Member"): members[m],
                _("Testing is worth, a season"): money(season.by_member.get(m, 0.0), group.currency),
                _("An equal share would be"): money(equal, group.currency),
                _("Charged so far"): money(charged[m], group.currency) if m in charged else "–",
                _("State"): _("worth more than an equal share")
                if season.by_member.get(m, 0.0) > equal
                else _("worth less than an equal share"),
            }
            for m in members
        ],
        key="worth_members",
        file_name="worth.csv",
        open_cards=3,
    )


def show_again(group: Group, lots: Sequence[Again]) -> None:
    """Show which open lot is worth another test today."""
    page.table(
        [
            {
                _("Lot"): row.label,
                _("Moisture now, %"): f"{number(row.moisture_pct)} ± {number(row.error_pct)}",
                _("Another test is worth"): money(row.worth, group.currency),
                _("It costs"): money(row.cost, group.currency),
                _("State"): _("test again") if row.worth > row.cost else _("known well enough"),
            }
            for row in sorted(lots, key=lambda row: row.cost - row.worth)
        ],
        key="worth_again",
        file_name="test_again.csv",
    )
    st.caption(
        _(
            "Counted for today's choice of drying, store, week and buyer, beside what is known of the lot already. "
            "The meter's own error stays in every test."
        )
    )


def show_lots(group: Group, worths: Worths, lots: Sequence[Lot]) -> None:
    """Show each lot's worth, and for a chosen one how many bags to probe."""
    reports = worths.reports
    page.table(
        [
            {
                _("Lot"): lot.label,
                _("Crop"): crop_name(lot.commodity),
                _("Bags"): lot.bags,
                _("A test is worth"): money(reports[lot.id].worth.mean, group.currency),
                _("Knowing exactly would be worth"): money(reports[lot.id].worth.perfect, group.currency),
                _("Bags to test"): reports[lot.id].probing.best,
                _("A calibration check adds"): money(reports[lot.id].calibration, group.currency),
            }
            for lot in lots
        ],
        key="worth_lots",
        file_name="worth_by_lot.csv",
    )
    labels = {lot.id: lot.label for lot in lots}
    chosen = st.selectbox(_("How many bags to test in"), list(labels), format_func=lambda n: labels[n], key="worth_lot")
    if chosen is None:
        raise InputError("there is no lot to show")
    page.chart(
        probing_figure(reports[chosen].probing, group.currency),
        alt=_("Worth of testing by bags tested"),
        key="worth_probing",
    )
