"""Storage outlook: how long each lot keeps, what ends it, and which lot is opened next."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pandas as pd
import streamlit as st

from core.advice import Situation
from core.errors import DryholdError
from core.grain.commodities import commodity_codes
from core.group.possessions import possessions
from core.group.records import USUAL_BAG_KG
from core.planning.store_outlook import CorrectedLot, MethodOutlook, StoredLot, best_method
from core.storage.advice import CAUSES, Keeping
from core.storage.comparison import safe_moistures
from core.storage.loss import safe_storage_days
from core.storage.methods import get_method
from dashboard import page, state
from dashboard.charts.storage import figure, keeping_figure
from dashboard.names import crop_name, method_name
from dashboard.page import KEEP
from dashboard.planning import situation_now
from dashboard.text import _, day, money, ngettext, number, percent, say, tongue

BY_HAND = 0


def show_correction(found: CorrectedLot, lot: StoredLot) -> None:
    """Say what the tests since bagging changed."""
    if not found.fits:
        st.warning(
            _(
                "The last test ({now} %) does not fit how it was bagged ({expected} % was expected by now). Was it "
                "dried again, or is a record wrong? The last test counts."
            ).format(now=number(found.lot.moisture_pct), expected=number(found.expected_pct))
        )
        return
    change = found.lot.moisture_pct - found.expected_pct
    st.caption(
        _(
            "Since it was bagged it was tested again. The forecast from bagging had {expected} % for that day; "
            "with the "
            "test it is {now} % ({change} points)."
        ).format(
            expected=number(found.expected_pct),
            now=number(found.lot.moisture_pct),
            change=tongue().figure(change, "+.1f"),
        )
    )
    if lot.insects_per_kg is not None:
        words = _("live insects were seen") if lot.insects_per_kg > 0 else _("no live insect was seen")
        st.caption(_("In the sieve {words}; the years with such insects count more now.").format(words=words))


def until(keeping: Keeping, start: date) -> str:
    """Return until when, in words."""
    if np.isinf(keeping.days):
        return _("past {date}").format(date=day(start + timedelta(days=keeping.horizon_days)))
    return day(start + timedelta(days=int(keeping.days)))


def keeps_until(outlook: MethodOutlook, start: date) -> str:
    """Return until when a lot surely keeps in a store, in words."""
    if outlook.refusal is not None:
        return _("not surely dry enough")
    return _("act now") if outlook.sure.days <= 1 else until(outlook.sure, start)


def what_ends(outlook: MethodOutlook) -> str:
    """Return what ends a lot's keeping, in words."""
    if outlook.refusal is not None:
        return "–"
    return _(CAUSES[outlook.sure.cause]) if outlook.sure.cause else _("nothing in this time")


def cost_text(group_id: int, currency: str, method: str) -> str:
    """Return what a bag, vessel or month costs the group, with how many seasons it serves."""
    kept = possessions(state.store(), group_id).store(method)
    if kept.cost_per_kg_month:
        return _("{cost} a bag and month").format(cost=money(USUAL_BAG_KG * kept.cost_per_kg_month, currency))
    cost = money(kept.unit_cost + kept.treatment_cost, currency)
    return ngettext(
        "{cost} for {kg} kg, {seasons} season", "{cost} for {kg} kg, {seasons} seasons", int(kept.seasons)
    ).format(cost=cost, kg=number(kept.unit_capacity_kg, 0), seasons=number(kept.seasons, 0))


def comparison(outlooks: dict[str, MethodOutlook], start: date, group_id: int) -> list[dict[str, object]]:
    """Return the methods side by side in words."""
    rows = []
    currency = state.store().group(group_id).currency
    for method, outlook in outlooks.items():
        end = outlook.weekly.iloc[-1]
        ground, _chance = outlook.refusal_grounds[0]
        may = outlook.refusal is None
        rows.append(
            {
                _("Way of storing"): method_name(method),
                _("Keeps until (95 % sure)"): keeps_until(outlook, start),
                _("Keeps until (80 % sure)"): until(outlook.likely, start) if may else "–",
                _("What ends it"): what_ends(outlook),
                _("Weight lost at the end, %"): (
                    f"{number(end['weight_loss_pct_low'])} – {number(end['weight_loss_pct_high'])}" if may else "–"
                ),
                _("Buyer refuses it at the end"): f"{percent(end['refusal_chance'])} ({_(ground)})" if may else "–",
                _("Test again in, days"): str(outlook.test.days) if may else "–",
                _("Costs"): cost_text(group_id, currency, method),
            }
        )
    return rows


def choose_lot(lots: list[StoredLot], labels: dict[int, str]) -> StoredLot:
    """Show the choice of a lot, or of one described by hand."""
    options = [*[lot.lot_id for lot in lots], BY_HAND]
    names = {**labels, BY_HAND: _("another lot, described here")}
    picked = st.selectbox(_("Which lot?"), options, format_func=lambda key: names[key], key="storage_lot", **KEEP)
    by_id = {lot.lot_id: lot for lot in lots}
    if picked in by_id:
        return by_id[picked]
    left, middle, right = st.columns(3)
    crop = left.selectbox(_("Crop"), commodity_codes(), format_func=crop_name, key="storage_crop", **KEEP)
    moisture = middle.number_input(_("Moisture at bagging, %"), 4.0, 40.0, 13.0, 0.1, key="storage_moisture", **KEEP)
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


def show_lot(now: Situation, lot: StoredLot) -> None:
    """Show one lot: the answer, the picture, the table; reasons stay folded."""
    group_id, start = now.group_id, now.today
    with page.busy(_("Working through the year")):
        keeping = now.keeping(lot)
        outlooks, found, lot = keeping.everywhere(), keeping.correction, keeping.lot
    best, why = best_method(outlooks)
    page.answer(
        _("{lot} is {why}.").format(lot=lot.label, why=say(why))
        if best is None
        else _("{lot} in {method} {why}.").format(lot=lot.label, method=method_name(best), why=say(why))
    )
    if found is not None:
        show_correction(found, lot)
    if best is not None:
        page.chart(
            keeping_figure(outlooks, start, {method: method_name(method) for method in outlooks}),
            alt=_("For each store a bar from today to the day until which the lot keeps"),
            key="storage_keeping",
        )
        page.table(comparison(outlooks, start, group_id), key="storage_methods", file_name="storage_outlook")
    with page.details(_("Moisture, mould and loss week by week")):
        _courses(outlooks, start, lot, best or next(iter(outlooks)))
    with page.details(_("Why, and what breaks it")):
        if best is None:
            page.table(comparison(outlooks, start, group_id), key="storage_methods", file_name="storage_outlook")
        _reasons(outlooks)
        published_time(lot)


def _courses(outlooks: dict[str, MethodOutlook], start: date, lot: StoredLot, first: str) -> None:
    """Show the course of moisture, mould and loss under each method."""
    shown = st.selectbox(
        _("Show the range of years (8 in 10) for"),
        list(outlooks),
        index=list(outlooks).index(first),
        format_func=method_name,
        key="storage_band",
        **KEEP,
    )
    page.chart(
        figure(
            outlooks,
            start,
            {method: method_name(method) for method in outlooks},
            (_("Moisture, %"), _("Unfit bags, %"), _("Weight lost, %")),
            lot.limit_pct,
            shown,
        ),
        alt=_("Moisture, share of bags unfit and weight lost by week under each way of keeping the lot"),
        key="storage_chart",
    )


def _reasons(outlooks: dict[str, MethodOutlook]) -> None:
    """Say for each store why it ends, and what makes it fail."""
    every = list(outlooks.values())
    shared = [note for note in every[0].notes if all(note in item.notes for item in every)]
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
                _("Drying below the agreed moisture costs {loss} % of the weight.").format(
                    loss=number(outlook.dried_below_pct)
                )
            )
        st.markdown(f"**{method_name(method)}**  \n" + "  \n".join(lines))
        st.caption(_("What breaks it: {list}.").format(list="; ".join(_(text) for text in get_method(method).breaks)))


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
            "days until 0.25 %. Mould, insects and rain are not counted and can end it sooner, so this time alone "
            "decides nothing."
        ).format(half=number(halves[1], 0), quarter=number(halves[0], 0))
    )


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
                        _("Humidity between grains at 27 °C, %"): round(row.humidity_pct),
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


def labels_of(now: Situation) -> dict[int, str]:
    """Return a lot's name, crop and moisture for each tested lot."""
    return {
        one.lot.id: (f"{one.lot.label} · {crop_name(one.lot.commodity)} · {number(stored.moisture_pct)} %")
        for one, stored in now.measured
        if stored is not None
    }


def show() -> None:
    """Show the section."""
    page.start(_("How long does a lot keep, and in which store?"))
    group = page.stop_if_no_group()
    with page.plain_errors():
        now = situation_now(group.id)
        chosen = choose_lot([stored for _one, stored in now.measured if stored is not None], labels_of(now))
        page.caution("mould", "chemicals")
        if chosen.lot_id == BY_HAND:
            st.caption(_("What if: this lot is not in your records."))
        show_lot(now, chosen)
        st.caption(
            _("Weather: {words}; {count} possible years drawn from it.").format(
                words=say(now.climate_said), count=len(now.climates)
            )
        )
    comparison_list()
    page.sources(
        _("Dry-matter loss: Saul and Steele 1966, Thompson 1972 (maize), Seib et al. 1980 (paddy), NDSU (soya)."),
        _("Mould and toxin: limits of water activity (ICMSF); temperature response, Battilani et al. 2013."),
        _("Insects: Bell and Watters 1982, Tefera 2011 and others, set against trials of weight loss."),
        _("Moisture of bags: diffusion through the grain and its sorption isotherm."),
    )
