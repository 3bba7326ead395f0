"""Storage outlook: how long each lot keeps, what ends it, and which lot is opened next."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
import streamlit as st

from core.errors import DryholdError
from core.grain.commodities import commodity_codes, get_commodity
from core.group.lot_state import LotState, current_lot_states, judging_rules
from core.group.possessions import possessions
from core.group.records import Lot
from core.group.sieves import last_sieves
from core.planning.storage_from_records import retests_since_bagging, stored_lot
from core.planning.store_outlook import (
    CorrectedLot,
    MethodOutlook,
    OutlookSettings,
    StoredLot,
    best_method,
    corrected_by_tests,
    lot_outlook,
    urgency_table,
)
from core.storage.advice import CAUSES, BuyerTerms, Keeping, StorageLimits
from core.storage.comparison import safe_moistures
from core.storage.loss import safe_storage_days
from core.storage.methods import get_method, usual_method
from core.storage.retest import DueTest, RetestCosts, bags_that_stand_out, schedule_tests
from core.storage.safety import first_allowed_day
from core.storage.scenarios import PestDraw
from core.weather.place import Place
from core.weather.scenarios import climate_scenarios
from core.weather.usual import get_normals, get_years
from dashboard import page, state
from dashboard.charts.storage import figure
from dashboard.text import _, day, money, ngettext, number, percent, say

SCENARIOS = 60
HORIZON_DAYS = 280
BY_HAND = 0
KEEP = {"persist_state": "session"}


@st.cache_data(max_entries=8, show_spinner=False)
def climates(group_id: int, version: int, start: date) -> tuple[list[pd.DataFrame], str]:
    """Return daily climate scenarios of the group's place and how they came to be."""
    group = state.store().group(group_id)
    place = Place(group.latitude, group.longitude, group.altitude_m or 0.0, group.time_zone)
    documents = state.store().documents
    normals = get_normals(place, documents, state.now())
    if normals.status == "entered":
        return climate_scenarios(normals, start, HORIZON_DAYS, SCENARIOS, seed=group_id, place=place), normals.source
    years, status = get_years(place, documents, state.now())
    if years is None or (status == "bundled" and normals.status != "bundled"):
        return climate_scenarios(normals, start, HORIZON_DAYS, SCENARIOS, seed=group_id, place=place), normals.source
    words = {
        "bundled": _("invented years of the example valley, not of this place"),
        "stored": _("stored years of daily weather of this place"),
        "fresh": _("years of daily weather of this place"),
    }
    return climate_scenarios(years, start, HORIZON_DAYS, SCENARIOS, seed=group_id), words.get(status, status)


def settings_of(group_id: int, lot_value: float) -> OutlookSettings:
    """Return what lots are judged by, from the group's facts."""
    store = state.store()
    borer = {"yes": True, "no": False}.get(str(store.fact(group_id, "borer_present").value).lower())
    damaged = float(store.fact(group_id, "storage_damaged_limit").value)
    return OutlookSettings(
        limits=StorageLimits(damaged_kernels_pct=damaged),
        terms=BuyerTerms(damaged_limit_pct=damaged),
        costs=RetestCosts(test_cost=max(lot_value / 300.0, 1e-6), lot_value=max(lot_value, 1e-6)),
        borer_present=borer,
        store_offset_c=float(store.fact(group_id, "storage_temperature_offset").value),
        seed=group_id,
    )


@st.cache_data(max_entries=32, show_spinner=False)
def outlooks_of(
    group_id: int, version: int, start: date, lot: StoredLot, settings: OutlookSettings, _pests: PestDraw | None = None
) -> dict[str, MethodOutlook]:
    """Return one lot's outlook under every method (the insects follow from the lot's records, kept by version)."""
    scenarios, _status = climates(group_id, version, start)
    return lot_outlook(lot, scenarios, HORIZON_DAYS, settings, _pests)


@st.cache_data(max_entries=8, show_spinner=False)
def urgent(
    group_id: int, version: int, start: date, lots: tuple[tuple[StoredLot, str], ...], settings: OutlookSettings
) -> tuple:
    """Return the lots in store by urgency."""
    scenarios, _status = climates(group_id, version, start)
    return urgency_table(lots, scenarios, HORIZON_DAYS, settings)


@st.cache_data(max_entries=32, show_spinner=False)
def corrected(group_id: int, version: int, lot_id: int, today: date, settings: OutlookSettings) -> CorrectedLot | None:
    """Return a lot corrected by its tests since bagging, None where there are none."""
    store = state.store()
    group = store.group(group_id)
    one = next(item for item in current_lot_states(store, group_id, state.now()) if item.lot.id == lot_id)
    sieve = last_sieves(store.events(group_id, "diary")).get(lot_id)
    found = retests_since_bagging(
        one, store.readings(group_id, lot_id), judging_rules(store, group_id), group.time_zone, sieve
    )
    if found is None or one.lot.stored_on is None:
        return None
    bagged, retests = found
    scenarios, _words = climates(group_id, version, one.lot.stored_on)
    recent = [test for test in retests if test.day < HORIZON_DAYS]
    return corrected_by_tests(bagged, bagged.method or usual_method(), scenarios, recent, settings) if recent else None


def show_correction(found: CorrectedLot, lot: StoredLot) -> None:
    """Say what the tests since bagging changed."""
    if not found.fits:
        st.warning(
            _(
                "The last test ({now} %) does not fit how it was bagged ({expected} % was expected by now). Was it "
                "dried "
                "again, or is a record wrong? The last test counts."
            ).format(now=number(found.lot.moisture_pct), expected=number(found.expected_pct))
        )
        return
    change = found.lot.moisture_pct - found.expected_pct
    st.caption(
        _(
            "Since it was bagged it was tested again. The forecast from bagging had {expected} % for that day; "
            "with the "
            "test it is {now} % ({change} points)."
        ).format(expected=number(found.expected_pct), now=number(found.lot.moisture_pct), change=f"{change:+.1f}")
    )
    if lot.insects_per_kg is not None:
        words = _("live insects were seen") if lot.insects_per_kg > 0 else _("no live insect was seen")
        st.caption(_("In the sieve {words}; the years with such insects count more now.").format(words=words))


def until(keeping: Keeping, start: date) -> str:
    """Return until when, in words."""
    if np.isinf(keeping.days):
        return _("past {date}").format(date=day(start + timedelta(days=keeping.horizon_days)))
    return day(start + timedelta(days=int(keeping.days)))


def method_name(method: str) -> str:
    """Return a method's name for people."""
    return _(get_method(method).name)


def cost_text(group_id: int, currency: str, method: str) -> str:
    """Return what a bag, vessel or month costs the group, with how many seasons it serves."""
    kept = possessions(state.store(), group_id).store(method)
    if kept.cost_per_kg_month:
        return _("{cost} a bag and month").format(cost=money(90.0 * kept.cost_per_kg_month, currency))
    cost = money(kept.unit_cost + kept.treatment_cost, currency)
    return ngettext(
        "{cost} for {kg} kg, {seasons} season", "{cost} for {kg} kg, {seasons} seasons", int(kept.seasons)
    ).format(cost=cost, kg=number(kept.unit_capacity_kg, 0), seasons=number(kept.seasons, 0))


def comparison(outlooks: dict[str, MethodOutlook], start: date, group_id: int) -> pd.DataFrame:
    """Return the methods side by side in words."""
    rows = []
    currency = state.store().group(group_id).currency
    for method, outlook in outlooks.items():
        end = outlook.weekly.iloc[-1]
        ground, _chance = outlook.refusal_grounds[0]
        rows.append(
            {
                _("Kept in"): method_name(method),
                _("Keeps until (95 % sure)"): until(outlook.sure, start),
                _("Keeps until (80 % sure)"): until(outlook.likely, start),
                _("What ends it"): _(CAUSES[outlook.sure.cause]) if outlook.sure.cause else _("nothing in this time"),
                _(
                    "Weight lost by then end, %"
                ): f"{number(end['weight_loss_pct_low'])} – {number(end['weight_loss_pct_high'])}",
                _("Buyer refuses at the end"): f"{percent(end['refusal_chance'])} ({_(ground)})",
                _("Test again in, days"): outlook.test.days,
                _("Costs (assumed until entered)"): cost_text(group_id, currency, method),
            }
        )
    return pd.DataFrame(rows)


def choose_lot(lots: list[StoredLot], labels: dict[int, str]) -> StoredLot:
    """Show the choice of a lot, or of one described by hand."""
    options = [*[lot.lot_id for lot in lots], BY_HAND]
    names = {**labels, BY_HAND: _("another lot, described here")}
    picked = st.selectbox(_("Which lot?"), options, format_func=lambda key: names[key], key="storage_lot", **KEEP)
    by_id = {lot.lot_id: lot for lot in lots}
    if picked in by_id:
        return by_id[picked]
    left, middle, right = st.columns(3)
    crop = left.selectbox(
        _("Crop"), commodity_codes(), format_func=lambda code: _(get_commodity(code).name), key="storage_crop", **KEEP
    )
    moisture = middle.number_input(
        _("Moisture at bagging, % wet basis"), 4.0, 40.0, 13.0, 0.1, key="storage_moisture", **KEEP
    )
    sure = right.number_input(_("How sure, ± points"), 0.1, 3.0, 0.5, 0.1, key="storage_sd", **KEEP)
    cob = st.checkbox(_("Still on the cob, in the head or in the pod"), key="storage_cob", **KEEP)
    sieved = st.checkbox(_("A sample was sieved for live insects"), key="storage_sieved", **KEEP)
    count = (
        st.number_input(_("Live insects per kg sieved"), 0.0, 500.0, 0.0, 1.0, key="storage_insects", **KEEP)
        if sieved
        else None
    )
    limit = st.number_input(_("Moisture that the buyer allows, %"), 4.0, 20.0, 13.5, 0.1, key="storage_limit", **KEEP)
    return StoredLot(BY_HAND, _("described here"), crop, moisture, sure, count, cob, limit_pct=limit)


def show_lot(group_id: int, version: int, start: date, lot: StoredLot, settings: OutlookSettings) -> None:
    """Show one lot: the answer, the picture, the table, the reasons."""
    with page.busy(_("Working through the year")):
        found = corrected(group_id, version, lot.lot_id, start, settings) if lot.method is not None else None
        if found is not None:
            lot = replace(lot, moisture_pct=found.lot.moisture_pct, moisture_sd=found.lot.moisture_sd)
        outlooks = outlooks_of(group_id, version, start, lot, settings, found.draw if found else None)
    best, why = best_method(outlooks)
    page.answer(
        f"{lot.label}: {say(why)}."
        if best is None
        else _("{lot}: kept in {method} it {why}.").format(lot=lot.label, method=method_name(best), why=say(why))
    )
    best = best or next(iter(outlooks))
    if found is not None:
        show_correction(found, lot)
    shown = st.selectbox(
        _("Show the spread of years (10 to 90 in 100) for"),
        list(outlooks),
        index=list(outlooks).index(best),
        format_func=method_name,
        key="storage_band",
        **KEEP,
    )
    page.chart(
        figure(
            outlooks,
            start,
            {method: method_name(method) for method in outlooks},
            (_("Moisture, % w.b."), _("Unfit bags, %"), _("Weight lost, %")),
            lot.limit_pct,
            shown,
        ),
        alt=_("Moisture, share of bags unfit and weight lost by week under each way of keeping the lot"),
        key="storage_chart",
    )
    page.table(comparison(outlooks, start, group_id), key="storage_methods", file_name="storage_outlook.csv")
    st.subheader(_("Why"))
    shared = [note for note in outlooks[best].notes if all(note in item.notes for item in outlooks.values())]
    for note in shared:
        st.write(say(note))
    for method, outlook in outlooks.items():
        lines = [
            *([say(outlook.refusal)] if outlook.refusal else []),
            say(outlook.sure.reason),
            *[say(note) for note in outlook.notes if note not in shared],
        ]
        if outlook.dried_below_pct > 0.3:
            lines.append(
                _("Drying below what is paid for costs {loss} % of the weight.").format(
                    loss=number(outlook.dried_below_pct)
                )
            )
        st.markdown(f"**{method_name(method)}**  \n" + "  \n".join(lines))
        st.caption(_("What breaks it: {list}.").format(list="; ".join(_(text) for text in get_method(method).breaks)))
    published_time(lot)


def published_time(lot: StoredLot) -> None:
    """Show the published allowable time as a comparison, never as a promise."""
    try:
        halves = [safe_storage_days(lot.commodity, 27.0, lot.moisture_pct, limit) for limit in (0.25, 0.5)]
    except DryholdError as error:
        st.caption(say(error))
        return
    st.caption(
        _(
            "Published allowable time in open air at 27 °C: {half} days until 0.5 % dry-matter loss, {quarter} "
            "days until "
            "0.25 %. It counts respiration alone: mould, insects and the rains can end it sooner, so that it decides "
            "nothing by itself."
        ).format(half=number(halves[1], 0), quarter=number(halves[0], 0))
    )


def treated_mark(lot: Lot) -> str:
    """Return until when a treated lot must not be eaten, "" where it is not treated."""
    if lot.storage_method is None or not get_method(lot.storage_method).treated:
        return ""
    on_label = float(state.store().fact(lot.group_id, "protectant_waiting_days").value)
    first = first_allowed_day(lot.storage_method, lot.stored_on or state.today(), on_label)
    return _("Treated: do not eat or sell before {date}").format(date=day(first))


def sieve_form(group_id: int, today: date, lots: list[StoredLot], labels: dict[int, str]) -> None:
    """Show a form that writes down what sieving a lot showed."""
    in_store = [lot.lot_id for lot in lots if lot.method is not None]
    if not in_store:
        return
    with st.expander(_("Write down what the sieve showed")), st.form("storage_sieve", border=False):
        st.write(_("Sieve a kilogram or more from several bags and count what walks. No insect is a result too."))
        lot_id = st.selectbox(_("Lot"), in_store, format_func=lambda key: labels[key], key="sieve_lot")
        left, right = st.columns(2)
        mass = left.number_input(_("Sieved, kg"), 0.1, 50.0, 1.0, 0.1, key="sieve_kg")
        count = right.number_input(_("Live insects counted"), 0, 10000, 0, key="sieve_count")
        if st.form_submit_button(_("Save the count")):
            payload = {"lot_id": lot_id, "insects_per_kg": count / mass, "sieved_kg": mass}
            state.store().append_event(group_id, "diary", "sieve", today, state.who(), payload, state.now())
            st.rerun()


def show_urgency(
    group_id: int,
    version: int,
    today: date,
    measured: list[tuple[LotState, StoredLot | None]],
    settings: OutlookSettings,
) -> None:
    """Show the lots in store by urgency and the round of the meter's holder."""
    st.subheader(_("Lots in store, the most urgent first"))
    pairs = []
    untested = []
    for one, stored in measured:
        if one.lot.status != "stored":
            continue
        if stored is None:
            untested.append(one.lot.label)
        else:
            pairs.append((stored, stored.method or usual_method()))
    if untested:
        st.warning(_("Not tested yet, test these first: {lots}.").format(lots=", ".join(untested)))
    if not pairs:
        st.write(_("No tested lot is in store."))
        return
    judged, not_judged = urgent(group_id, version, today, tuple(pairs), settings)
    by_id = {one.lot.id: one for one, _stored in measured}
    rows, due = [], []
    for lot, outlook in judged:
        test_on = today + timedelta(days=outlook.test.days)
        record = by_id[lot.lot_id].lot
        due.append(DueTest(lot.lot_id, test_on, min(max(1, record.bags), 10), record.place))
        rows.append(
            {
                _("Lot"): lot.label,
                _("Crop"): _(get_commodity(lot.commodity).name),
                _("Moisture, %"): number(lot.moisture_pct),
                _("Kept in"): method_name(outlook.method),
                _("Keeps until (95 % sure)"): _("act now") if outlook.sure.days <= 1 else until(outlook.sure, today),
                _("What ends it"): _(CAUSES[outlook.sure.cause]) if outlook.sure.cause else _("nothing in this time"),
                _("Test by"): day(test_on),
                _("Marks"): treated_mark(record),
            }
        )
    page.table(pd.DataFrame(rows), key="storage_urgency", file_name="storage_urgency.csv")
    for lot, _outlook in judged:
        one = by_id[lot.lot_id]
        limit = lot.limit_pct or one.limit.moisture_pct
        for bag, words in bags_that_stand_out(one.moisture.bag_means_pct if one.moisture else {}, limit):
            st.warning(_("{lot}, bag {bag}: {words}").format(lot=lot.label, bag=bag, words=say(words)))
    for lot, reason in not_judged:
        st.caption(f"{lot.label}: {say(reason)}")
    st.subheader(_("The round of the meter's holder"))
    fact = state.store().fact(group_id, "retest_bags_per_day")
    labels = {lot.lot_id: lot.label for lot, _outlook in judged}
    visits = schedule_tests(due, today + timedelta(days=1), int(float(fact.value)))
    page.table(
        pd.DataFrame(
            [
                {
                    _("Day"): day(visit.on),
                    _("Lots, in order"): ", ".join(labels[lot] for lot in visit.lots),
                    _("Bags to probe"): visit.bags,
                    _("Late"): ", ".join(labels[lot] for lot in visit.late) or "–",
                }
                for visit in visits
            ]
        ),
        key="storage_round",
    )
    page.origin(fact)


def comparison_list() -> None:
    """Show published safe moistures beside the humidity that they mean."""
    with st.expander(_("Safe moistures of published lists, and why some are not used")):
        rows = safe_moistures()
        st.dataframe(
            pd.DataFrame(
                [
                    {
                        _("Crop"): _(row.name),
                        _("Published, %"): row.moisture_pct,
                        _("Humidity between kernels at 27 °C, %"): round(row.humidity_pct),
                        _("Verdict"): _("disagrees: mould can grow, not used") if row.disagrees else _("agrees"),
                    }
                    for row in rows
                ]
            ),
            hide_index=True,
            width="stretch",
            key="storage_comparison",
        )
        st.caption(_(rows[0].source))


def show() -> None:
    """Show the page."""
    page.start(_("Storage outlook"), _("How long does each lot keep, in which store, and which one is opened next?"))
    group = page.stop_if_no_group()
    today = state.today()
    store = state.store()
    version = store.version(group.id)
    with page.plain_errors():
        states = current_lot_states(store, group.id, state.now())
        sieves = last_sieves(store.events(group.id, "diary"))
        measured = [(one, stored_lot(one, sieves, today)) for one in states]
        lots = [stored for _one, stored in measured if stored is not None]
        labels = {
            one.lot.id: (
                f"{one.lot.label} · {_(get_commodity(one.lot.commodity).name)} · {number(stored.moisture_pct)} %"
            )
            for one, stored in measured
            if stored is not None
        }
        price = float(store.fact(group.id, "maize_price_kg").value)
        typical = price * float(np.median([one.grain_kg for one in states]) if states else 900.0)
        settings = settings_of(group.id, typical)
        chosen = choose_lot(lots, labels)
        show_lot(group.id, version, today, chosen, settings)
        show_urgency(group.id, version, today, measured, settings)
        sieve_form(group.id, today, lots, labels)
        _scenarios, climate_words = climates(group.id, version, today)
        st.caption(
            _("Weather used: {words}; {count} years drawn from it.").format(words=climate_words, count=SCENARIOS)
        )
    page.caution("mould")
    page.caution("chemicals")
    page.caution("bulk")
    comparison_list()
    page.sources(
        [
            _(
                "Dry-matter loss: Saul and Steele 1966, Thompson 1972 (maize); Seib et al. 1980 (paddy); NDSU "
                "(soybean)."
            ),
            _("Mould and toxin: limits of water activity (ICMSF); temperature response, Battilani et al. 2013."),
            _("Insects: Bell and Watters 1982, Tefera 2011 and others, set against trials of weight loss."),
            _("Moisture of bags: diffusion through the grain and its sorption isotherm."),
        ]
    )
