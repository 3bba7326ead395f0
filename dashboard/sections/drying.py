"""The drying outlook of one lot."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import streamlit as st

from core.advice import Situation
from core.advice.parts import LotNow
from core.drying.advice import (
    RANGES_ONLY_AFTER_DAYS,
    care_without_spreading,
    chance_dry_by,
    dryer_cost,
    labour_cost,
    overdrying_cost,
    retest_time,
    stop_times,
)
from core.drying.run import DryingRun, DryingSetup
from core.drying.setups import drying_method
from core.errors import DryholdError
from core.group.drying_records import (
    DIARY_WORDS,
    LearnedRate,
    day_word,
    diary_score,
    note_day,
    reading_rounds,
    remember_weather,
)
from core.group.lot_state import LotState, judging_rules
from core.group.possessions import DryingSpace, possessions
from core.planning.drying_ahead import DRYING_DAYS
from core.weather.forecast import Forecast
from core.weather.solar import clear_sky_daily
from dashboard import page, state
from dashboard.charts.drying import belief_figure, days_figure, moisture_figure
from dashboard.names import crop_name
from dashboard.page import KEEP
from dashboard.planning import situation_now
from dashboard.text import _, day, money, ngettext, number, percent, say
from dashboard.weather import forecast_of, place_of, session_for


def show() -> None:
    """Show the section."""
    page.start(_("How many days until this lot is dry, and what is there to do today?"))
    group = page.stop_if_no_group()
    with page.plain_errors():
        if session_for(group) is not None:
            with page.busy(_("Reading the weather forecast")):
                forecast_of(group, state.store(), state.now())  # may ask the network; what it brings is kept
        now = situation_now(group.id)
        lots = {one.id: one for one in now.lots if one.state.lot.status in ("wet", "drying")}
        if lots:
            _show_chosen(now, lots)
        else:
            st.info(_("No lot of this group is wet or drying."))
            page.link("lots", _("Enter lots and tests"), "lots_entry")
            return
    with page.details(_("What was the day like?")):
        _diary(group)


def _show_chosen(now: Situation, lots: dict[int, LotNow]) -> None:
    """Let a person choose a lot, and show its drying."""
    left, right = st.columns(2)
    labels = {key: f"{one.label} · {crop_name(one.crop)}" for key, one in lots.items()}
    chosen = left.selectbox(_("Lot"), list(labels), format_func=labels.get, key="drying_lot", **KEEP)
    _show_lot(now, lots[chosen], right)


def _show_lot(now: Situation, lot: LotNow, beside: Any) -> None:
    """Ask for the space, and show the forecast's answer, its picture and the work; details stay folded."""
    group, facts, lot_state = now.group, now.store.facts(now.group_id), lot.state
    space = _choose_space(group, lot_state, beside)
    page.caution(*(("heat", "machines") if drying_method(space.method)["powered"] else ("mould",)))
    top = st.container()
    usual = now.usual_drying(lot.id, space)
    with page.details(_("Moisture, space and target")):
        setup, moisture, target = _inputs(facts, lot_state, space, usual)
    with top:
        if moisture is None:
            st.info(_("This lot was never tested. Test it first, or enter its moisture below."))
            return
        if moisture <= target:
            page.answer(
                _("Nothing to dry: the lot has {now} %, its target moisture is {target} %.").format(
                    now=number(moisture), target=number(target)
                )
            )
            return
        forecast, chosen, weathers = now.weather.forecast, (setup, moisture, target), now.drying_weather
        remember_weather(now.store, place_of(group).key, forecast.members, state.now())
        with page.busy(
            _("Drying it in {count} kinds of possible weather").format(count=len(now.drying_weather.frames))
        ):
            drying = now.drying(lot.id, space, state.now(), chosen)
        run, result = drying.found.run, drying.found.outlook
        if _is_what_if(chosen, usual, space, group):
            st.caption(_("What if: not what your records say, and not in the plan."))
        page.answer(f"{lot.label}: {_sentence(result.days, result.chance_in_time)}")
        for note in (*(forecast.notes if forecast.is_forecast else ()), *weathers.notes):  # its origin is in the head
            st.warning(say(note))
        page.chart(
            moisture_figure(run, _recent_tests(group, lot_state, run)),
            alt=_("Moisture from {now} % towards {target} %, with the range of possible weather").format(
                now=number(moisture), target=number(target)
            ),
            key="drying_fan",
        )
        _work(now, lot, chosen)
        _stopping(group, run)
    with page.details(_("Hours, chances and costs")):
        _numbers(result, run, group)
        page.chart(days_figure(run), alt=_("Chance to be dry by the end of each of the next days"), key="drying_days")
        _costs(lot_state, run, moisture, result.days[1], facts, group)
    with page.details(_("How fast it dries here")):
        _rate(drying.rate, run)
    _sources(setup, run, forecast)


def _is_what_if(chosen: tuple, usual: tuple, space: DryingSpace, group: Any) -> bool:
    """Return whether a person asks of another moisture, target, load or space than the group's records have."""
    setup, known = replace(chosen[0], area_m2=usual[0].area_m2), usual[0]
    own = {one.name for one in possessions(state.store(), group.id).spaces}
    return (setup.load, *chosen[1:]) != (known.load, *usual[1:]) or space.name not in own


def _recent_tests(group: Any, lot_state: LotState, run: DryingRun) -> list[tuple[datetime, float]]:
    """Return the lot's tests of the last week on the group's clock."""
    return [
        (at.astimezone(ZoneInfo(group.time_zone)).replace(tzinfo=None), value)
        for at, value in reading_rounds(state.store(), group.id, lot_state.lot)
        if pd.Timestamp(at) > run.times[0] - pd.Timedelta(days=7)
    ]


def _choose_space(group: Any, lot_state: LotState, beside: Any) -> DryingSpace:
    """Let a person choose one of the group's drying spaces, or one that it does not have, to compare."""
    has = possessions(state.store(), group.id)
    unshelled = lot_state.lot.form in ("cob", "panicle", "pod")
    fits = {
        space.name: space
        for space in (*has.spaces, *has.other_spaces)
        if unshelled or not drying_method(space.method)["unshelled"]
    }
    own = {space.name for space in has.spaces}
    name = beside.selectbox(
        _("Drying space"),
        list(fits),
        format_func=lambda one: _(one) if one in own else _("{space} (not yours)").format(space=_(one)),
        key="drying_space",
        **KEEP,
    )
    return fits[name]


def _inputs(
    facts: dict, lot_state: LotState, space: DryingSpace, usual: tuple[DryingSetup, float | None, float]
) -> tuple[DryingSetup, float | None, float]:
    """Return setup, moisture now and target moisture as chosen on the page; `usual` stands there at first."""
    setup, mean, limit = usual
    first, second = st.columns(2)
    moisture = first.number_input(
        _("Moisture now, %"),
        1.0,
        75.0,
        None if mean is None else float(np.clip(mean, 1.0, 75.0)),
        step=0.5,
        format="%.1f",
        key=f"drying_moisture_{lot_state.lot.id}",
        **KEEP,
    )
    first.caption(_("from your tests") if lot_state.moisture is not None else _("not tested: enter it"))
    target = second.number_input(
        _("Target moisture, %"),
        2.0,
        30.0,
        limit,
        step=0.5,
        format="%.1f",
        key=f"drying_target_{lot_state.lot.id}",
        **KEEP,
    )
    second.caption(say(lot_state.limit.binding.reason))
    area = first.number_input(
        _("Space for this lot, m²"), 0.5, 5000.0, setup.area_m2, step=1.0, key=f"drying_area_{space.name}", **KEEP
    )
    load = second.number_input(
        _("Grain per m², kg"), 1.0, 600.0, setup.load, step=1.0, key=f"drying_load_{space.name}", **KEEP
    )
    page.origin(facts["drying_spaces"])
    page.link("our_things", _("Change your drying spaces"), "drying_spaces")
    if setup.grain_temperature_limit_c is not None:
        st.caption(
            _("Covered while the grain is above {limit} °C, so that it keeps its quality.").format(
                limit=number(setup.grain_temperature_limit_c, 0)
            )
        )
    setup = replace(setup, area_m2=area, load_kg_m2=setup.load_kg_m2 if load == setup.load else load)
    if lot_state.mass_now_kg > 1.05 * setup.capacity_kg:
        st.warning(
            _(
                "The lot weighs {mass} kg. The space takes {room} kg at a time: dry it in turns, or use more space."
            ).format(mass=number(lot_state.mass_now_kg, 0), room=number(setup.capacity_kg, 0))
        )
    return setup, moisture, target


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
        ngettext("{hours} hour old", "{hours} hours old", round(hours)).format(hours=number(hours, 0))
        if hours < 72
        else _("{days} days old").format(days=number(hours / 24, 0))
    )
    parts = [_("Weather: {status}").format(status=words.get(forecast.status, forecast.status))]
    if forecast.is_forecast:
        parts += [age, forecast.attribution]
    return ", ".join(part for part in parts if part) + "."


def _sentence(days: tuple[float, float, float], chance: float) -> str:
    """Return the answer in one sentence."""
    low, middle, high = days
    if not np.isfinite(middle):
        return _("Probably not dry within {days} days (chance of success: {chance}).").format(
            days=DRYING_DAYS, chance=percent(chance)
        )
    upper = number(high, 0) if np.isfinite(high) else _("more than {days}").format(days=DRYING_DAYS)
    if middle > RANGES_ONLY_AFTER_DAYS:
        return _("Dry in {low} to {high} days (8 in 10). Beyond a week only a range can be told.").format(
            low=number(low, 0), high=upper
        )
    if low == middle == high:
        return ngettext(
            "Dry in {middle} day (8 in 10; today is day 1).",
            "Dry in {middle} days (8 in 10; today is day 1).",
            int(middle),
        ).format(middle=number(middle, 0))
    return ngettext(
        "Dry in about {middle} day (8 in 10: {low} to {high}; today is day 1).",
        "Dry in about {middle} days (8 in 10: {low} to {high}; today is day 1).",
        int(middle),
    ).format(middle=number(middle, 0), low=number(low, 0), high=upper)


def _numbers(result: Any, run: DryingRun, group: Any) -> None:
    """Show hours, the chance by a date and the chance of spoilage."""
    first, second, third = st.columns(3)
    low, middle, high = (number(value, 0) if np.isfinite(value) else "–" for value in result.sunny_hours)
    first.metric(_("Uncovered hours"), middle, help=_("8 in 10: {low} to {high}").format(low=low, high=high))
    today = run.times[1].tz_convert(group.time_zone).date()
    by = second.date_input(
        _("Dry by"),
        today + timedelta(days=3),
        min_value=today,
        max_value=today + timedelta(days=DRYING_DAYS - 1),
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


def _work(now: Situation, lot: LotNow, chosen: tuple[DryingSetup, float, float]) -> None:
    """Show what to do today and tomorrow."""
    st.subheader(_("Today and tomorrow"), anchor=False)
    care = care_without_spreading(chosen[0])
    if care:
        st.markdown("\n".join(f"- {say(line)}" for line in care))
        return
    plans = now.drying_hours(lot.id, chosen, state.now())
    if not now.weather.is_forecast:
        usual = next((item for item in plans if item.spread_hour is not None), None)
        st.markdown(
            _("No forecast: look at the sky. In weather that is too damp or cloudy to dry, leave it covered.")
            if usual is None
            else _(
                "No forecast: look at the sky. On a usual day of this month, spread about {spread}:00, turn each "
                "hour or two and cover about {cover}:00."
            ).format(spread=usual.spread_hour, cover=usual.cover_hour)
        )
        return
    rows = [
        {
            _("Day"): day(item.day),
            _("Spread"): _("keep covered") if item.spread_hour is None else f"{item.spread_hour:02d}:00",
            _("Turn"): ", ".join(f"{hour:02d}" for hour in item.turn_hours) or "–",
            _("Cover"): "–" if item.cover_hour is None else f"{item.cover_hour:02d}:00",
            _("Chance of rain"): percent(item.rain_chance),
            _("Water lost, points"): number(item.points),
            _("Why"): say(item.reason),
        }
        for item in plans
    ]
    if rows:
        page.table(rows, "drying_work")


def _stopping(group: Any, run: DryingRun) -> None:
    """Show when to stop and when to test again."""
    early, middle, late = stop_times(run)
    if middle is not None:
        ahead = (pd.Timestamp(middle) - run.times[0]) / pd.Timedelta(days=1)
        if ahead <= RANGES_ONLY_AFTER_DAYS:
            words = _("Stop about **{middle}** (8 in 10: {early} to {late}).").format(
                middle=_hour(middle, group), early=_hour(early, group), late=_hour(late, group)
            )
        else:
            words = _("Stop between {early} and {late}. The hour can be told nearer the day.").format(
                early=_hour(early, group), late=_hour(late, group)
            )
        st.markdown(words)
    test = retest_time(run)
    if test is not None:
        st.markdown(
            _("Test again **{when}**. Before that the grain is warm, and its skin is drier than its core.").format(
                when=_hour(test, group)
            )
        )


def _hour(value: datetime | None, group: Any) -> str:
    """Return a moment as a day and a full hour on the group's clock."""
    if value is None:
        return "–"
    local = pd.Timestamp(value).round("h").tz_convert(group.time_zone)
    return _("{day}, {hour}:00").format(day=day(local.date()), hour=f"{local.hour:02d}")


def _costs(lot_state: LotState, run: DryingRun, moisture: float, days: float, facts: dict, group: Any) -> None:
    """Show what the drying costs, and what drying too far costs."""
    row = run.setup.table
    if row["powered"]:
        fuel, dryer = facts["dryer_fuel_per_kg_water"], possessions(state.store(), group.id).space(run.setup.method)
        fee = dryer.fee_per_point_kg
        cost = dryer_cost(lot_state.mass_now_kg, moisture, run.target_pct, fee, float(fuel.value))
        loads = int(np.ceil(lot_state.mass_now_kg / run.setup.capacity_kg))
        st.markdown(
            ngettext(
                "The dryer costs about **{cost}** for this lot, in {count} load.",
                "The dryer costs about **{cost}** for this lot, in {count} loads.",
                loads,
            ).format(cost=money(cost, group.currency), count=loads)
        )
        page.origin(facts["drying_spaces"])
    elif not row["always_open"] and np.isfinite(days):
        wage, work = facts["drying_labour_day"], facts["drying_labour_days_per_tonne"]
        cost = labour_cost(lot_state.mass_now_kg, days, float(work.value), float(wage.value))
        st.markdown(
            _("The work of spreading, turning and gathering is worth about **{cost}**.").format(
                cost=money(cost, group.currency)
            )
        )
        page.origin(wage)
    rules = judging_rules(state.store(), group.id)
    price = rules.prices.get(lot_state.lot.commodity, rules.price_per_kg)
    dry_mass = lot_state.dry_matter_kg / (1.0 - run.target_pct / 100.0)
    st.markdown(
        _(
            "One point too dry costs the lot **{cost}**, at {price} a kg, where nobody pays more for drier grain."
        ).format(
            cost=money(overdrying_cost(dry_mass, run.target_pct, 1.0, price), group.currency),
            price=money(price, group.currency),
        )
    )


def _rate(rate: LearnedRate, run: DryingRun) -> None:
    """Show what is assumed, measured and now believed of the place's rate."""
    low, high = rate.assumed.interval()
    rows = [
        {
            _("Rate"): _("assumed"),
            _(
                "Rate here (1 = as in the trials)"
            ): f"{number(rate.assumed.median, 2)} ({number(low, 2)}–{number(high, 2)})",
            _("Comes from"): _("field trials elsewhere"),
        },
        {
            _("Rate"): _("measured"),
            _("Rate here (1 = as in the trials)"): "–" if rate.readings == 0 else number(rate.believed.median, 2),
            _("Comes from"): _("{lots} of your lots, {tests} tests while drying").format(
                lots=rate.lots, tests=rate.readings
            ),
        },
    ]
    low, high = rate.believed.interval()
    rows.append(
        {
            _("Rate"): _("now believed"),
            _(
                "Rate here (1 = as in the trials)"
            ): f"{number(rate.believed.median, 2)} ({number(low, 2)}–{number(high, 2)})",
            _("Comes from"): _("both together; a test is off by about {noise} points").format(
                noise=number(rate.believed.noise)
            ),
        }
    )
    page.table(rows, "drying_rate")
    st.caption(
        _(
            "Published trials elsewhere took up to {factor} times as long or as short as the model says, in two of "
            "three cases. The days above, and the days that the plan keeps a space, include this doubt. In damp, "
            "cloudy weather the model is more often too fast than too slow: people with practice count on 2 to 3 dry "
            "days or 4 to 6 damp ones for maize 5 cm deep, from 18 to 13 %."
        ).format(factor=number(float(np.exp(run.setup.table["rate_sd"])), 1))
    )
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
            st.toast(_("Saved: {word}").format(word=words[word]))
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
        members = forecast_of(group, state.store(), state.now()).members
    except DryholdError:
        return None
    place = place_of(group)
    cloudless = float(clear_sky_daily(place.latitude, place.altitude_m, seen.timetuple().tm_yday))
    return day_word(members, seen, group.time_zone, cloudless)


def _sources(setup: DryingSetup, run: DryingRun, forecast: Forecast) -> None:
    """Show where the figures come from."""
    page.sources(
        _("Drying rate: {source}").format(source=run.rates.source),
        _("Way of drying: {source}").format(source=setup.table["source"]),
        _("Heat of evaporation: from the crop's own sorption isotherm (Clausius and Clapeyron)."),
        _("Spoilage: Saul and Steele 1966, Thompson 1972, Seib et al. 1980 for paddy."),
        _weather_line(forecast),
    )
