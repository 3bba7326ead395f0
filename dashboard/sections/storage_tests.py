"""The lots in store by urgency, the meter holder's round, and what the sieve showed."""

from __future__ import annotations

from datetime import timedelta

import streamlit as st

from core.advice import Situation
from core.advice.lot_outlooks import KeepingNow
from core.group.lot_state import LotState
from core.storage.retest import DueTest, bags_that_stand_out, schedule_tests
from dashboard import page, state
from dashboard.names import crop_name, method_name
from dashboard.planning import situation_now
from dashboard.sections.storage import keeps_until, labels_of, what_ends
from dashboard.text import _, day, number, say


def show() -> None:
    """Show the section."""
    page.start(_("Which lot is opened and tested next, and when may treated grain leave?"))
    group = page.stop_if_no_group()
    with page.plain_errors():
        now = situation_now(group.id)
        treated = any(one.treated for one, _stored in now.measured)
        page.caution("mould", *(("chemicals",) if treated else ()))
        show_urgency(now)
        sieve_form(now, labels_of(now))


def treated_mark(lot: LotState) -> str:
    """Return until when a treated lot must not be eaten, "" where it is not treated."""
    first = lot.free_from(state.today())
    return "" if first is None else _("Treated: do not eat or sell before {date}").format(date=day(first))


def sieve_form(now: Situation, labels: dict[int, str]) -> None:
    """Show a form that writes down what sieving a lot showed."""
    in_store = [lot.lot_id for _one, lot in now.measured if lot is not None and lot.method is not None]
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
            state.store().append_event(now.group_id, "diary", "sieve", now.today, state.who(), payload, state.now())
            st.rerun()


def show_urgency(now: Situation) -> None:
    """Show the lots in store by urgency and the round of the meter's holder."""
    untested = [one.lot.label for one, stored in now.measured if one.lot.status == "stored" and stored is None]
    if untested:
        st.warning(_("Not tested yet, test these first: {lots}.").format(lots=", ".join(untested)))
    with page.busy(_("Working through the year")):
        judged, not_judged = now.in_store
    if not judged and not not_judged:
        st.write(_("No tested lot is in store."))
        return
    if judged:
        first = judged[0].where_it_lies()
        page.answer(
            _("Open {lot} first: test it by {date}.").format(
                lot=judged[0].lot.label, date=day(now.today + timedelta(days=first.test_days))
            )
        )
    show_lots(now, judged)
    for lot, reason in not_judged:
        st.caption(f"{lot.label}: {say(reason)}")
    show_round(now, judged)


def show_lots(now: Situation, judged: list[KeepingNow]) -> None:
    """Show until when each lot keeps, the most urgent first, and its bags that stand out."""
    today = now.today
    by_id = {one.lot.id: one for one, _stored in now.measured}
    rows = []
    for keeping in judged:
        lot, outlook = keeping.lot, keeping.where_it_lies()
        one = by_id[lot.lot_id]
        rows.append(
            {
                _("Lot"): lot.label,
                _("Crop"): crop_name(lot.commodity),
                _("Moisture, %"): number(lot.moisture_pct),
                _("Way of storing"): method_name(outlook.method),
                _("Keeps until (95 % sure)"): keeps_until(outlook, today),
                _("What ends it"): what_ends(outlook),
                _("Test by"): day(today + timedelta(days=outlook.test_days)),
                _("Waiting time"): treated_mark(one),
            }
        )
    page.table(rows, key="storage_urgency", file_name="lots_in_store")
    for lot in (keeping.lot for keeping in judged):
        one = by_id[lot.lot_id]
        limit = lot.limit_pct or one.limit.moisture_pct
        for bag, words in bags_that_stand_out(one.moisture.bag_means_pct if one.moisture else {}, limit):
            st.warning(_("{lot}, bag {bag}: {words}").format(lot=lot.label, bag=bag, words=say(words)))


def show_round(now: Situation, judged: list[KeepingNow]) -> None:
    """Show which lots the meter's holder visits on which day."""
    st.subheader(_("Round with the meter"), anchor=False)
    lots = {one.lot.id: one.lot for one, _stored in now.measured}
    due = []
    for keeping in judged:
        lot = lots[keeping.lot.lot_id]
        test_on = now.today + timedelta(days=keeping.where_it_lies().test_days)
        due.append(DueTest(keeping.lot.lot_id, test_on, min(max(1, lot.bags), 10), lot.place))
    fact = state.store().fact(now.group_id, "retest_bags_per_day")
    labels = {keeping.lot.lot_id: keeping.lot.label for keeping in judged}
    visits = schedule_tests(due, now.today + timedelta(days=1), int(float(fact.value)))
    page.table(
        [
            {
                _("Day"): day(visit.on),
                _("Lots, in order"): ", ".join(labels[lot] for lot in visit.lots),
                _("Bags to test"): visit.bags,
                _("Late"): ", ".join(labels[lot] for lot in visit.late) or "–",
            }
            for visit in visits
        ],
        key="storage_round",
    )
    page.origin(fact)
