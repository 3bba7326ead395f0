"""The lots in store by urgency, the meter holder's round, and what the sieve showed."""

from __future__ import annotations

from datetime import date, timedelta

import pandas as pd
import streamlit as st

from core.group.lot_state import LotState
from core.group.own_crops import resolve_crop
from core.group.records import Lot
from core.planning.store_outlook import OutlookSettings, StoredLot
from core.storage.advice import CAUSES
from core.storage.methods import get_method, usual_method
from core.storage.retest import DueTest, bags_that_stand_out, schedule_tests
from core.storage.safety import first_allowed_day
from dashboard import page, state
from dashboard.sections.storage import labels_of, measured_lots, method_name, until, urgent, usual_settings
from dashboard.text import _, day, number, say


def show() -> None:
    """Show the section."""
    page.start(_("Lots in store"), _("Which lot is opened and tested next, and when may treated grain leave?"))
    group = page.stop_if_no_group()
    today = state.today()
    version = state.store().version(group.id)
    with page.plain_errors():
        measured = measured_lots(group.id)
        treated = any(_is_treated(one.lot) for one, _stored in measured)
        page.caution("mould", *(("chemicals",) if treated else ()))
        show_urgency(group.id, version, today, measured, usual_settings(group.id, measured))
        lots = [stored for _one, stored in measured if stored is not None]
        sieve_form(group.id, today, lots, labels_of(group.id, measured))


def _is_treated(lot: Lot) -> bool:
    return lot.status == "stored" and lot.storage_method is not None and get_method(lot.storage_method).treated


def treated_mark(lot: Lot) -> str:
    """Return until when a treated lot must not be eaten, "" where it is not treated."""
    if lot.storage_method is None or not _is_treated(lot):
        return ""
    on_label = float(state.store().fact(lot.group_id, "protectant_waiting_days").value)
    first = first_allowed_day(lot.storage_method, lot.stored_on or state.today(), on_label)
    return _("Treated: do not eat or sell before {date}").format(date=day(first))


def sieve_form(group_id: int, today: date, lots: list[StoredLot], labels: dict[int, str]) -> None:
    """Show a form that writes down what sieving a lot showed."""
    in_store = [lot.lot_id for lot in lots if lot.method is not None]
    if not in_store:
        return
    with st.expander(_("Save a sieve count")), st.form("storage_sieve", border=False):
        st.write(_("Sieve at least 1 kg from several bags. Count the live insects. Write 0 if there are none."))
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
                _("Crop"): _(resolve_crop(state.store(), group_id, lot.commodity).name),
                _("Moisture, %"): number(lot.moisture_pct),
                _("Store"): method_name(outlook.method),
                _("Keeps until (95 % sure)"): _("act now") if outlook.sure.days <= 1 else until(outlook.sure, today),
                _("What ends it"): _(CAUSES[outlook.sure.cause]) if outlook.sure.cause else _("nothing in this time"),
                _("Test by"): day(test_on),
                _("Waiting time"): treated_mark(record),
            }
        )
    first = judged[0][1] if judged else None
    if first is not None:
        page.answer(
            _("Open {lot} first: test it by {date}.").format(
                lot=judged[0][0].label, date=day(today + timedelta(days=first.test.days))
            )
        )
    page.table(pd.DataFrame(rows), key="storage_urgency", file_name="lots_in_store")
    for lot, _outlook in judged:
        one = by_id[lot.lot_id]
        limit = lot.limit_pct or one.limit.moisture_pct
        for bag, words in bags_that_stand_out(one.moisture.bag_means_pct if one.moisture else {}, limit):
            st.warning(_("{lot}, bag {bag}: {words}").format(lot=lot.label, bag=bag, words=say(words)))
    for lot, reason in not_judged:
        st.caption(f"{lot.label}: {say(reason)}")
    st.subheader(_("Round with the meter"))
    fact = state.store().fact(group_id, "retest_bags_per_day")
    labels = {lot.lot_id: lot.label for lot, _outlook in judged}
    visits = schedule_tests(due, today + timedelta(days=1), int(float(fact.value)))
    page.table(
        pd.DataFrame(
            [
                {
                    _("Day"): day(visit.on),
                    _("Lots, in order"): ", ".join(labels[lot] for lot in visit.lots),
                    _("Bags to test"): visit.bags,
                    _("Late"): ", ".join(labels[lot] for lot in visit.late) or "–",
                }
                for visit in visits
            ]
        ),
        key="storage_round",
    )
    page.origin(fact)
