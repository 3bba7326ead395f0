"""The drying outlook of one lot."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import streamlit as st

from core.drying.advice import (
    RANGES_ONLY_AFTER_DAYS,
    DayHours,
    chance_dry_by,
    day_hours,
    dryer_cost,
    labour_cost,
    outlook,
    overdrying_cost,
    retest_time,
    stop_times,
)
from core.drying.run import DryingRun, DryingSetup, simulate_drying
from core.drying.setups import drying_method, drying_methods
from core.drying.weather import mend_weather
from core.errors import DryholdError
from core.group.drying_records import (
    DIARY_WORDS,
    LearnedRate,
    day_word,
    diary_score,
    drying_setup,
    learned_rate,
    note_day,
    reading_rounds,
    remember_weather,
    remembered_weather,
)
from core.group.lot_state import LotState, current_lot_states
from core.group.possessions import keep_spaces, possessions
from core.weather.forecast import Forecast
from core.weather.scenarios import extend_scenarios
from core.weather.solar import clear_sky_daily
from dashboard import page, state
from dashboard.charts.drying import belief_figure, days_figure, moisture_figure
from dashboard.text import _, day, money, ngettext, number, percent, say
from dashboard.weather import forecast_of, normals_of, place_of

KEEP = {"persist_state": "session"}
LOOK_AHEAD_DAYS = 16
SCENARIOS = 50
SEED = 4


def show() -> None:
    page.start(_("Drying outlook"), _("How many days until this lot is dry, and at which hours to work on it?"))
    group = page.stop_if_no_group()
    store = state.store()
    states = [item for item in current_lot_states(store, group.id, state.now()) if item.lot.status in ("wet", "drying")]
    if not states:
        st.info(_("No lot of this group is wet or drying. Lots are entered on the page 'Lots and readings'."))
        return
    labels = {item.lot.id: f"{item.lot.label} · {item.lot.commodity.replace('_', ' ')}" for item in states}
    chosen = st.selectbox(_("Lot"), list(labels), format_func=labels.get, key="drying_lot", **KEEP)
    lot_state = next(item for item in states if item.lot.id == chosen)
    top = st.container()
    with page.plain_errors():
        _show_lot(group, lot_state, top)
    _diary(group)
    page.caution("mould")
    page.caution("advice")


def _show_lot(group: Any, lot_state: LotState, top: Any) -> None:
    """Ask for the setup, run the forecast and show its answer."""
    store = state.store()
    facts = store.facts(group.id)
    setup, moisture, target = _inputs(group, facts, lot_state)
    if moisture is None:
        st.info(_("This lot was never tested: put in its moisture, or test it first."))
        return
    if moisture <= target:
        page.answer(
            _("Nothing to dry: the lot stands at {now} %, the aim is {target} %.").format(
                now=number(moisture), target=number(target)
            )
        )
        return
    place, forecast = place_of(group), _forecast_of(group)
    remember_weather(store, place.key, forecast.members, state.now())
    scenarios = extend_scenarios(
        forecast, normals_of(group, store, state.now()), place, _this_hour(), LOOK_AHEAD_DAYS, SCENARIOS, SEED
    )
    mended = mend_weather(scenarios, state.now(), place.longitude)
    rate = learned_rate(store, group, setup.method, remembered_weather(store, place.key))
    spread = moisture_sd(lot_state)
    run = _forecast(lot_state.lot.commodity, moisture, spread, mended.frames, setup, target, rate)
    result = outlook(lot_state.lot.commodity, run)
    with top:
        page.answer(_sentence(result.days, result.chance_in_time))
        st.caption(_weather_line(forecast))
    for note in (*forecast.notes, *mended.notes):
        st.warning(say(note))
    tests = [
        (at.astimezone(ZoneInfo(group.time_zone)).replace(tzinfo=None), value)
        for at, value in reading_rounds(store, group.id, lot_state.lot)
        if pd.Timestamp(at) > run.times[0] - pd.Timedelta(days=7)
    ]
    page.chart(
        moisture_figure(run, tests),
        alt=_("Moisture from {now} % towards {target} %, with the range of weathers").format(
            now=number(moisture), target=number(target)
        ),
        key="drying_fan",
    )
    _numbers(result, run, group)
    _work(lot_state, moisture, mended.frames, setup, target)
    _stopping(group, lot_state, run, facts)
    _costs(lot_state, run, moisture, result.days[1], facts, group)
    page.chart(days_figure(run), alt=_("Chance to be dry by the end of each of the next days"), key="drying_days")
    _rate(rate, run)
    _sources(setup, run, forecast)


def _inputs(group: Any, facts: dict, lot_state: LotState) -> tuple[DryingSetup, float | None, float]:
    """Return setup, moisture now and target as chosen on the page."""
    left, right = st.columns(2)
    has = possessions(state.store(), group.id)
    usual = has.usual_method
    words = {method: _(drying_method(method)["label"]) for method in drying_methods()}
    method = left.selectbox(
        _("Where it dries"),
        drying_methods(),
        index=drying_methods().index(usual) if usual in drying_methods() else 0,
        format_func=words.get,
        key="drying_method",
        **KEEP,
    )
    space = has.space(method)
    setup = drying_setup(space, facts, group, lot_state.lot)
    mean = lot_state.moisture.mean_pct if lot_state.moisture is not None else lot_state.lot.weighed_moisture_pct
    moisture = right.number_input(
        _("Moisture now, % wet basis"),
        1.0,
        75.0,
        None if mean is None else round(float(np.clip(mean, 1.0, 75.0)), 1),
        step=0.5,
        format="%.1f",
        key=f"drying_moisture_{lot_state.lot.id}",
        **KEEP,
    )
    right.caption(_("from your tests") if lot_state.moisture is not None else _("not tested: enter it"))
    with st.expander(_("Space, thickness and aim")):
        first, second, third = st.columns(3)
        area = first.number_input(
            _("Space (m²)"), 0.5, 5000.0, setup.area_m2, step=1.0, key=f"drying_area_{method}", **KEEP
        )
        with first:
            page.origin(facts["drying_spaces"])
        load = second.number_input(
            _("Grain per m² (kg)"), 1.0, 600.0, setup.load, step=1.0, key=f"drying_load_{method}", **KEEP
        )
        with second:
            page.origin(facts["drying_spaces"])
        target = third.number_input(
            _("Aim, % wet basis"),
            2.0,
            30.0,
            round(float(lot_state.limit.moisture_pct), 1),
            step=0.5,
            format="%.1f",
            key=f"drying_target_{lot_state.lot.id}",
            **KEEP,
        )
        third.caption(say(lot_state.limit.reason) if hasattr(lot_state.limit, "reason") else "")
        if setup.grain_temperature_limit_c is not None:
            st.caption(
                _("Covered while the grain is above {limit} °C, so that it keeps its quality.").format(
                    limit=number(setup.grain_temperature_limit_c, 0)
                )
            )
        if st.button(_("Keep this space and thickness for the group"), key="drying_keep"):
            store, who, at = state.store(), state.who(), state.now()
            kept = has.spaces_with(replace(space, area_m2=area, load_kg_m2=load))
            keep_spaces(store, group.id, kept, who, at)
            st.rerun()
    setup = replace(setup, area_m2=area, load_kg_m2=load)
    if lot_state.mass_now_kg > 1.05 * setup.capacity_kg:
        st.warning(
            _(
                "The lot weighs {mass} kg, the space takes {room} kg at a time: dry it in turns, or spread it thicker."
            ).format(mass=number(lot_state.mass_now_kg, 0), room=number(setup.capacity_kg, 0))
        )
    return setup, moisture, target


def _this_hour() -> datetime:
    return state.now().replace(minute=0, second=0, microsecond=0)


def _forecast_of(group: Any) -> Forecast:
    """Return the group's forecast."""
    with page.busy(_("Reading the weather forecast")):
        return forecast_of(group, state.store(), state.now())


def _weather_line(forecast: Forecast) -> str:
    """Return whose forecast it is and how old."""
    words = {
        "fresh": _("just read"),
        "stored": _("kept from before"),
        "bundled": _("invented example, not a forecast"),
        "usual": _("usual weather of the month, not a forecast"),
    }
    hours = forecast.age_hours(state.now())
    age = (
        _("{hours} hours old").format(hours=number(hours, 0))
        if hours < 72
        else _("{days} days old").format(days=number(hours / 24, 0))
    )
    parts = [_("Weather: {status}").format(status=words.get(forecast.status, forecast.status))]
    if forecast.is_forecast:
        parts += [age, forecast.attribution]
    return ", ".join(part for part in parts if part) + "."


def moisture_sd(lot_state: LotState) -> float:
    """Return the standard error of the lot's mean moisture, points."""
    return float(lot_state.moisture.standard_error_pct) if lot_state.moisture is not None else 0.5


@st.cache_data(max_entries=32, show_spinner=False)
def _run(crop: str, moisture: np.ndarray, frames: list, setup: DryingSetup, target: float, factors: np.ndarray):
    return simulate_drying(crop, moisture, frames, setup, target, rate_factors=factors)


def _forecast(
    crop: str, moisture: float, spread: float, frames: tuple, setup: DryingSetup, target: float, rate: LearnedRate
) -> DryingRun:
    """Return the run with the doubt about moisture and about the rate in its scenarios."""
    generator = np.random.default_rng(SEED)
    count = max(SCENARIOS, len(frames))
    many = [frames[place % len(frames)] for place in range(count)]
    starts = np.clip(moisture + spread * generator.standard_normal(count), 1.0, 75.0)
    with page.busy(_("Drying it in {count} weathers").format(count=count)):
        return _run(crop, starts, many, setup, target, rate.believed.sample(count, SEED))


def _sentence(days: tuple[float, float, float], chance: float) -> str:
    """Return the answer in one sentence."""
    low, middle, high = days
    if not np.isfinite(middle):
        return _(
            "It is more likely than not that this lot will not be dry within {days} days: {chance} of the weathers "
            "looked at dry it."
        ).format(days=LOOK_AHEAD_DAYS, chance=percent(chance))
    if middle > RANGES_ONLY_AFTER_DAYS:
        upper = number(high, 0) if np.isfinite(high) else _("more than {days}").format(days=LOOK_AHEAD_DAYS)
        return _("Dry in {low} to {high} days; beyond a week only a range can be told.").format(
            low=number(low, 0), high=upper
        )
    if low == middle == high:
        return ngettext(
            "Dry in {middle} day in at least 8 of 10 weathers (today is day 1).",
            "Dry in {middle} days in at least 8 of 10 weathers (today is day 1).",
            int(middle),
        ).format(middle=number(middle, 0))
    upper = number(high, 0) if np.isfinite(high) else _("more than {days}").format(days=LOOK_AHEAD_DAYS)
    return ngettext(
        "Dry in about {middle} day (8 times in 10 between {low} and {high}; today is day 1).",
        "Dry in about {middle} days (8 times in 10 between {low} and {high}; today is day 1).",
        int(middle),
    ).format(middle=number(middle, 0), low=number(low, 0), high=upper)


def _numbers(result: Any, run: DryingRun, group: Any) -> None:
    """Show hours, the chance by a date and the chance of spoilage."""
    first, second, third = st.columns(3)
    low, middle, high = (number(value, 0) if np.isfinite(value) else "–" for value in result.sunny_hours)
    first.metric(
        _("Uncovered hours"), middle, help=_("8 times in 10 between {low} and {high}").format(low=low, high=high)
    )
    today = run.times[1].tz_convert(group.time_zone).date()
    by = second.date_input(
        _("Dry by"),
        today + timedelta(days=3),
        min_value=today,
        max_value=today + timedelta(days=LOOK_AHEAD_DAYS - 1),
        key="drying_by",
    )
    second.markdown(_("Chance: **{chance}**").format(chance=percent(chance_dry_by(run, by))))
    if np.isnan(result.chance_spoilt):
        third.metric(
            _("Chance that it spoils first"), "–", help=_("no published relation covers this crop while so wet")
        )
    else:
        third.metric(
            _("Chance that it spoils first"),
            percent(result.chance_spoilt),
            help=_("more than half a percent of dry matter lost, or visible mould, before it is dry"),
        )


def _work(lot_state: LotState, moisture: float, frames: tuple, setup: DryingSetup, target: float) -> None:
    """Show when to spread, turn and cover today and tomorrow."""
    if setup.method in ("mechanical", "crib"):
        st.markdown(_("Air passes day and night: nothing to spread or cover. Look into the middle of it every day."))
        return
    st.subheader(_("Today and tomorrow"))
    plans = day_hours(lot_state.lot.commodity, moisture, list(frames), setup, target)
    for item in plans:
        st.markdown(_day_line(item))
    rows = [
        {
            _("Day"): day(item.day),
            _("Spread"): "–" if item.spread_hour is None else f"{item.spread_hour:02d}:00",
            _("Turn"): ", ".join(f"{hour:02d}" for hour in item.turn_hours) or "–",
            _("Cover"): "–" if item.cover_hour is None else f"{item.cover_hour:02d}:00",
            _("Chance of rain"): percent(item.rain_chance),
            _("Falls by (points)"): number(item.points),
        }
        for item in plans
    ]
    if rows:
        page.table(pd.DataFrame(rows), "drying_work")


def _day_line(item: DayHours) -> str:
    """Return one day's work in a sentence."""
    if item.spread_hour is None:
        return _("**{day}**: keep it covered. Reason: {reason}.").format(day=day(item.day), reason=say(item.reason))
    return _("**{day}**: spread at {spread}:00, cover at {cover}:00. Reason: {reason}.").format(
        day=day(item.day), spread=item.spread_hour, cover=item.cover_hour, reason=say(item.reason)
    )


def _stopping(group: Any, lot_state: LotState, run: DryingRun, facts: dict) -> None:
    """Show when to stop and test again, and what drying too far costs."""
    st.subheader(_("When to stop, and when to test"))
    early, middle, late = stop_times(run)
    if middle is not None:
        ahead = (pd.Timestamp(middle) - run.times[0]) / pd.Timedelta(days=1)
        if ahead <= RANGES_ONLY_AFTER_DAYS:
            words = _("Stop about **{middle}** (between {early} and {late}).").format(
                middle=_hour(middle, group), early=_hour(early, group), late=_hour(late, group)
            )
        else:
            words = _("Stop between {early} and {late}; the hour will be known nearer the day.").format(
                early=_hour(early, group), late=_hour(late, group)
            )
        st.markdown(words)
    test = retest_time(run)
    if test is not None:
        st.markdown(
            _(
                "Test again **{when}**: before that the grain is warm from the sun, and its skin drier than its core."
            ).format(when=_hour(test, group))
        )
    price = facts["maize_price_kg"] if lot_state.lot.commodity == "maize" and "maize_price_kg" in facts else None
    dry_mass = lot_state.dry_matter_kg / (1.0 - run.target_pct / 100.0)
    given = st.number_input(
        _("Price of 1 kg ({currency})").format(currency=group.currency),
        0.0,
        None,
        None if price is None else float(price.value),
        key=f"drying_price_{lot_state.lot.commodity}",
        **KEEP,
    )
    if price is not None:
        page.origin(price)
    if given:
        st.markdown(
            _(
                "One point too dry costs the lot **{cost}**, if it is sold by weight and nobody pays more for "
                "drier grain."
            ).format(cost=money(overdrying_cost(dry_mass, run.target_pct, 1.0, given), group.currency))
        )


def _hour(value: datetime | None, group: Any) -> str:
    """Return a moment as a day and a full hour on the group's clock."""
    if value is None:
        return "–"
    local = pd.Timestamp(value).round("h").tz_convert(group.time_zone)
    return _("{day}, {hour}:00").format(day=day(local.date()), hour=f"{local.hour:02d}")


def _costs(lot_state: LotState, run: DryingRun, moisture: float, days: float, facts: dict, group: Any) -> None:
    """Show what the drying itself costs."""
    if run.setup.method == "mechanical":
        fuel, dryer = facts["dryer_fuel_per_kg_water"], possessions(state.store(), group.id).space("mechanical")
        fee = 90.0 * dryer.fee_per_point_kg  # for a bag of 90 kg
        cost = dryer_cost(lot_state.mass_now_kg, moisture, run.target_pct, fee, float(fuel.value))
        batches = int(np.ceil(lot_state.mass_now_kg / run.setup.capacity_kg))
        st.markdown(
            ngettext(
                "The dryer costs about **{cost}** for this lot, in {count} filling.",
                "The dryer costs about **{cost}** for this lot, in {count} fillings.",
                batches,
            ).format(cost=money(cost, group.currency), count=batches)
        )
        page.origin(facts["drying_spaces"])
    elif run.setup.method != "crib" and np.isfinite(days):
        wage, work = facts["drying_labour_day"], facts["drying_labour_days_per_tonne"]
        cost = labour_cost(lot_state.mass_now_kg, days, float(work.value), float(wage.value))
        st.markdown(
            _("The work of spreading, turning and gathering is worth about **{cost}**, whoever does it.").format(
                cost=money(cost, group.currency)
            )
        )
        page.origin(wage)


def _rate(rate: LearnedRate, run: DryingRun) -> None:
    """Show what is assumed, measured and now believed of the place's rate."""
    st.subheader(_("How fast it dries here"))
    low, high = rate.assumed.interval()
    rows = [
        {
            _("What"): _("assumed"),
            _(
                "Rate against the published one"
            ): f"{number(rate.assumed.median, 2)} ({number(low, 2)}–{number(high, 2)})",
            _("Rests on"): _("field trials elsewhere"),
        },
        {
            _("What"): _("measured"),
            _("Rate against the published one"): "–" if rate.readings == 0 else number(rate.believed.median, 2),
            _("Rests on"): _("{lots} of your lots, {tests} tests while drying").format(
                lots=rate.lots, tests=rate.readings
            ),
        },
    ]
    low, high = rate.believed.interval()
    rows.append(
        {
            _("What"): _("now believed"),
            _(
                "Rate against the published one"
            ): f"{number(rate.believed.median, 2)} ({number(low, 2)}–{number(high, 2)})",
            _("Rests on"): _("both together; a test is taken to be off by {noise} points").format(
                noise=number(rate.believed.noise)
            ),
        }
    )
    page.table(pd.DataFrame(rows), "drying_rate")
    if rate.readings:
        page.chart(
            belief_figure(rate.assumed, rate.believed),
            alt=_("How likely each rate is, before and after your tests"),
            key="drying_belief",
        )
    if run.rates.stand_in:
        st.caption(
            _("No published drying rate was found for this crop; a stand-in is used: {source}").format(
                source=run.rates.source
            )
        )


def _diary(group: Any) -> None:
    """Offer the one-tap diary and show how often the forecast was right here."""
    st.subheader(_("What was the day like?"))
    store, today = state.store(), state.today()
    words = {"sun": _("Sun"), "cloud": _("Cloud"), "rain": _("Rain")}
    seen: date = (
        st.segmented_control(
            _("Which day"),
            [today, today - timedelta(days=1)],
            format_func=lambda value: _("today") if value == today else _("yesterday"),
            default=today,
            key="drying_diary_day",
        )
        or today
    )
    columns = st.columns(3)
    for column, word in zip(columns, DIARY_WORDS, strict=True):
        if column.button(words[word], key=f"drying_diary_{word}", width="stretch"):
            note_day(store, group.id, seen, word, _forecast_word(group, seen), state.who(), state.now())
            st.toast(_("Noted: {word}").format(word=words[word]))
    right, count = diary_score(store.events(group.id, "diary"))
    if count:
        st.caption(
            ngettext(
                "The forecast was right on {right} of {count} noted day.",
                "The forecast was right on {right} of {count} noted days.",
                count,
            ).format(right=right, count=count)
        )
    else:
        st.caption(_("After some days this shows how often the forecast is right here."))


def _forecast_word(group: Any, seen: date) -> str | None:
    """Return what was forecast for a day in the diary's words, None where unknown."""
    try:
        members = _forecast_of(group).members
    except DryholdError:
        return None
    place = place_of(group)
    cloudless = float(clear_sky_daily(place.latitude, place.altitude_m, seen.timetuple().tm_yday))
    return day_word(members, seen, group.time_zone, cloudless)


def _sources(setup: DryingSetup, run: DryingRun, forecast: Forecast) -> None:
    """Show where the figures come from."""
    page.sources(
        [
            _("Drying rate: {source}").format(source=run.rates.source),
            _("Way of drying: {source}").format(source=setup.table["source"]),
            _("Heat of evaporation: from the crop's own sorption isotherm (Clausius and Clapeyron)."),
            _("Spoilage: Saul and Steele 1966, Thompson 1972, Seib et al. 1980 for paddy."),
            _weather_line(forecast),
        ]
    )
