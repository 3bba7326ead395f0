"""The drying floor: which lot lies where on which day, and what one more sheet would be worth."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from typing import Any

import pandas as pd
import streamlit as st

from core.drying.setups import drying_method
from core.drying.weather import mend_weather
from core.errors import DryholdError
from core.group.drying_records import drying_setup, learned_rate, remembered_weather
from core.group.lot_state import LotState, current_lot_states
from core.group.own_crops import resolve_crop
from core.group.possessions import DryingSpace, possessions
from core.group.sampling import DRY, WET
from core.planning.case_from_records import crop_price
from core.planning.floor import FloorBatch, FloorProblem, FloorSchedule, FloorSpace, plan_floor, worth_of_space
from core.planning.floor_inputs import DryingPlace, FloorTerms, WetLot, floor_problem
from core.weather.scenarios import extend_scenarios
from dashboard import page, state
from dashboard.charts.floor import floor_figure
from dashboard.text import _, day, money, ngettext, number, percent
from dashboard.weather import forecast_of, normals_of, place_of

KEEP = {"persist_state": "session"}
SCENARIOS = 24
SEED = 4
LOOK_BEYOND_DAYS = 8
SOON_DAYS = 3


def show() -> None:
    page.start(_("Drying floor"), _("Which lot goes on which space on which day, so that least is lost?"))
    group = page.stop_if_no_group()
    store = state.store()
    states = [item for item in current_lot_states(store, group.id, state.now()) if _may_be_dried(item)]
    if not states:
        st.info(_("No lot of this group has to be dried. Lots are entered on the page 'Lots and readings'."))
        return
    chosen = _choose_lots(group, states)
    has = possessions(store, group.id)
    spaces = has.spaces
    powered = any(drying_method(space.method)["powered"] for space in spaces)
    page.caution("mould", *(("heat",) if powered else ()))
    days, chance, labour = _choose_terms(group)
    if not chosen:
        st.info(_("Choose at least one lot."))
    else:
        try:
            problem = _problem(
                group.id, store.version(group.id), _this_hour(), spaces, tuple(chosen), days, chance, labour
            )
            with page.busy(_("Looking for the best schedule")):
                schedule = _schedule(
                    group.id, store.version(group.id), _this_hour(), spaces, tuple(chosen), days, chance, labour
                )
        except DryholdError as error:
            page.show_error(error)
        else:
            _show(group, problem, schedule, spaces)
    page.link("our_things", _("Enter your drying spaces"), "drying_spaces")
    _sources()


def _may_be_dried(item: LotState) -> bool:
    """Return whether a lot is tested, has bags, is not yet sold or used, and is not known to be dry."""
    return (
        item.moisture is not None
        and item.bags > 0
        and item.lot.status in ("wet", "drying", "stored")
        and item.decision != DRY
        and item.moisture.mean_pct > item.limit.moisture_pct
    )


def _choose_lots(group: Any, states: list[LotState]) -> list[int]:
    """Let a person choose the lots; those that are too wet come chosen."""
    labels = {
        item.lot.id: (
            f"{item.lot.label} · {_(item.lot.commodity.replace('_', ' '))} · {number(item.moisture.mean_pct, 1)} %"
        )
        for item in states
    }
    return st.multiselect(
        _("Lots to dry"),
        list(labels),
        default=[item.lot.id for item in states if item.decision == WET] or list(labels),
        format_func=lambda key: labels.get(key, str(key)),
        key=f"floor_lots_{group.id}",
    )


def _choose_terms(group: Any) -> tuple[int, float, float]:
    """Let a person choose days, the chance to be dry, and labour."""
    fact = state.store().fact(group.id, "floor_labour_hours")
    with st.expander(_("Days, labour and how sure")):
        first, second, third = st.columns(3)
        days = first.slider(_("Days to plan"), 4, 12, 9, key="floor_days", **KEEP)
        chance = second.slider(
            _("Wanted chance that a lot is dry in time, %"), 50, 95, 80, step=5, key="floor_chance", **KEEP
        )
        labour = third.number_input(
            _("Labour (hours a day)"), 1.0, 500.0, float(fact.value), step=1.0, key="floor_labour", **KEEP
        )
        page.origin(fact)
    return int(days), chance / 100, float(labour)


@st.cache_data(max_entries=32, show_spinner=False)
def _problem(
    group_id: int,
    version: int,
    hour: Any,
    spaces: tuple[DryingSpace, ...],
    chosen: tuple[int, ...],
    days: int,
    chance: float,
    labour: float,
) -> FloorProblem:
    """Return the schedule's problem: the drying of every lot on every space from every day, in every weather."""
    store, group = state.store(), state.current_group()
    facts = store.facts(group_id)
    place = place_of(group)
    bar = st.progress(0.0, text=_("Drying every lot on every space"))
    scenarios = extend_scenarios(
        forecast_of(group, store, state.now()),
        normals_of(group, store, state.now()),
        place,
        hour,
        days + LOOK_BEYOND_DAYS,
        SCENARIOS,
        SEED,
    )
    mended = mend_weather(scenarios, state.now(), place.longitude)
    states = {item.lot.id: item for item in current_lot_states(store, group_id, state.now())}
    maize = float(store.fact(group_id, "maize_price_kg").value)
    lots = [_wet_lot(store, group_id, states[key], maize) for key in chosen]
    kept = remembered_weather(store, place.key)
    rates = {
        method: learned_rate(store, group, method, kept).believed.sample(SCENARIOS, SEED)
        for method in {space.method for space in spaces}
    }
    any_lot = states[chosen[0]].lot
    places = [
        DryingPlace(
            FloorSpace(
                space.name,
                space.area_m2,
                space.load_kg_m2,
                cost_per_bag_day=space.hire_per_bag_day,
                hours_per_bag=float(facts["floor_hours_per_bag"].value),
                hours_per_bag_day=float(facts["floor_hours_per_bag_day"].value),
            ),
            drying_setup(space, facts, group, any_lot),
            rates[space.method],
        )
        for space in spaces
    ]
    terms = FloorTerms(
        labour_hours=labour,
        wage_per_hour=float(facts["floor_wage_hour"].value),
        batch_hours=float(facts["floor_batch_hours"].value),
        value_lost_at_limit=float(facts["floor_value_lost_at_limit"].value),
        value_lost_not_dried=float(facts["floor_value_lost_not_dried"].value),
        least_chance_dry=chance,
    )
    problem = floor_problem(lots, places, mended.frames, days, group.time_zone, terms, bar.progress)
    bar.empty()
    return problem


@st.cache_data(max_entries=32, show_spinner=False)
def _schedule(
    group_id: int,
    version: int,
    hour: Any,
    spaces: tuple[DryingSpace, ...],
    chosen: tuple[int, ...],
    days: int,
    chance: float,
    labour: float,
) -> FloorSchedule:
    """Return the best schedule of the problem with the same arguments."""
    return plan_floor(_problem(group_id, version, hour, spaces, chosen, days, chance, labour), time_limit_s=10)


def _wet_lot(store: Any, group_id: int, item: LotState, maize: float) -> WetLot:
    """Return a lot as the schedule needs it."""
    price = crop_price(store, group_id, item.lot.commodity, maize)
    return WetLot(
        item.lot.label,
        resolve_crop(store, group_id, item.lot.commodity),
        item.bags,
        item.mass_now_kg / item.bags,
        item.moisture.mean_pct,
        item.limit.moisture_pct,
        price.price_now if price is not None else maize,
    )


def _show(group: Any, problem: FloorProblem, schedule: FloorSchedule, spaces: tuple[DryingSpace, ...]) -> None:
    """Show the answer, the picture, the list, what it costs and what one more space is worth."""
    first = state.today()
    page.answer(_answer(schedule, problem))
    if schedule.batches:
        page.chart(
            floor_figure(schedule, [space.name for space in spaces], first, problem.days),
            alt=_("A row for each space and a block for each batch of bags, by day"),
            key="floor_chart",
        )
        st.caption(_("In each block: the lot and × bags. Blocks of one space below each other lie there side by side."))
        soon = [batch for batch in schedule.batches if batch.start_day < SOON_DAYS]
        later = [batch for batch in schedule.batches if batch.start_day >= SOON_DAYS]
        page.table(_list(soon or later, first), key="floor_list", file_name="drying_spaces")
        if soon and later:
            with page.details(_("Later loads")):
                page.table(_list(later, first), key="floor_later", file_name="drying_spaces_later")
    if schedule.not_spread:
        lines = ", ".join(
            ngettext("{lot} ({bags} bag)", "{lot} ({bags} bags)", bags).format(lot=name, bags=bags)
            for name, bags in schedule.not_spread.items()
        )
        st.warning(
            _("No place within these days: {lots}.").format(lots=lines)
            + " "
            + _("Sell it wet to somebody with a dryer, hire a space, or plan more days; wet grain goes on spoiling.")
        )
    with page.details(_("What it costs")):
        _costs(group, schedule)
    with page.details(_("One more space")):
        _one_more(group, problem, schedule, spaces)


def _answer(schedule: FloorSchedule, problem: FloorProblem) -> str:
    """Return the answer in one sentence."""
    today = [batch for batch in schedule.batches if batch.start_day == 0]
    if not schedule.batches:
        return _("Nothing is spread: no space dries these lots in time at a cost that pays.")
    ends = max(batch.start_day + batch.days for batch in schedule.batches)
    left = sum(schedule.not_spread.values())
    bags = sum(batch.bags for batch in schedule.batches)
    if today:
        what = ", ".join(
            _("{bags} bags of {lot} on {space}").format(bags=batch.bags, lot=batch.lot, space=batch.space)
            for batch in today[:4]
        )
        start = _("Today: {what}.").format(what=what + (" …" if len(today) > 4 else ""))
    else:
        start = _("Nothing goes out today.")
    rest = _("{bags} bags are through after {days} days").format(bags=bags, days=ends)
    tail = _(", {left} find no place.").format(left=left) if left else "."
    return f"{start} {rest}{tail}"


def _list(batches: Sequence[FloorBatch], first: Any) -> pd.DataFrame:
    """Return loads as a list by day."""
    return pd.DataFrame(
        [
            {
                _("Load"): ngettext("{day}: {bags} bag of {lot}", "{day}: {bags} bags of {lot}", batch.bags).format(
                    day=day(first + timedelta(days=batch.start_day)), bags=batch.bags, lot=batch.lot
                ),
                _("Drying space"): batch.space,
                _("Gather in the evening of"): day(first + timedelta(days=batch.start_day + batch.days - 1)),
                _("Chance that it is dry"): percent(batch.chance_dry),
                _("kg"): round(batch.mass_kg),
                _("m²"): round(batch.area_m2, 1),
            }
            for batch in batches
        ]
    )


def _costs(group: Any, schedule: FloorSchedule) -> None:
    """Show what the schedule is expected to cost, its spread, and how far from the best it can be."""
    words = {
        "waiting": _("value lost while bags wait wet, or find no place"),
        "spaces": _("labour on the spaces, and hire"),
        "not dry in time": _("batches not dry when their days are over"),
        "batches": _("keeping batches apart"),
    }
    low, high = pd.Series(schedule.cost_by_scenario).quantile([0.1, 0.9])
    st.markdown(
        _("About {cost} (8 in 10: {low} to {high}).").format(
            cost=money(schedule.expected_cost, group.currency),
            low=money(low, group.currency),
            high=money(high, group.currency),
        )
    )
    page.table(
        pd.DataFrame(
            [
                {_("part"): words[key], _("expected"): money(value, group.currency)}
                for key, value in schedule.parts.items()
            ]
        ),
        key="floor_costs",
    )
    if schedule.gap <= 1e-4:
        st.caption(_("No schedule of these lots and spaces can cost less."))
    else:
        st.caption(
            _(
                "No schedule of these lots and spaces can cost less than {bound}: this one is at most {gap} above."
            ).format(bound=money(schedule.bound, group.currency), gap=percent(schedule.gap, 1))
        )


def _one_more(group: Any, problem: FloorProblem, schedule: FloorSchedule, spaces: tuple[DryingSpace, ...]) -> None:
    """Work out on demand what one more space like one of these would save."""
    names = [space.name for space in spaces]
    like = st.selectbox(_("Another one like"), names, key="floor_like")
    if not st.button(_("What would it be worth now?"), key="floor_worth"):
        return
    base = next(space for space in problem.spaces if space.name == like)
    extra = FloorSpace(
        _("one more"),
        base.area_m2,
        base.load_kg_m2,
        base.cost_per_bag_day,
        base.cost_per_bag,
        base.hours_per_bag,
        base.hours_per_bag_day,
    )
    try:
        with page.busy(_("Planning with one more space")):
            worth = worth_of_space(problem, schedule, extra, like, time_limit_s=10)
    except DryholdError as error:
        page.show_error(error)
        return
    st.success(
        _("{area} m² more, like {like}, would save {worth} over these {days} days (at most {most}).").format(
            area=number(extra.area_m2, 0),
            like=like,
            worth=money(worth.worth, group.currency),
            days=problem.days,
            most=money(worth.at_most, group.currency),
        )
    )
    st.caption(
        _("That is for this harvest as it lies here now; its price is spread over all the harvests that it serves.")
    )


def _this_hour() -> Any:
    """Return the hour that has begun, UTC."""
    return state.now().replace(minute=0, second=0, microsecond=0)


def _sources() -> None:
    """Say what the schedule rests on."""
    page.sources(
        [
            _(
                "Days to dry: the drying model in {count} kinds of weather, with the rate learnt from your own tests"
            ).format(count=SCENARIOS),
            _("Value lost while wet: published dry-matter loss. What 0.5 % is worth is assumed (Our things)"),
            _("Schedule: mixed-integer programme in whole bags, solved by HiGHS; checked against full enumeration"),
            _("Good for today: make it again tomorrow with tomorrow's forecast"),
            _("Lots on the cob or in the pod are dried as if they were loose grain"),
        ]
    )
