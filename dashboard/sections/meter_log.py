"""Who has the meter: handovers, tests, and days promised in the coming drying time."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pandas as pd
import streamlit as st

from core.errors import DryholdError
from core.meter.log import (
    LotToTest,
    ProposedDay,
    bookings,
    check_booking,
    custody,
    holder_on,
    member_tests,
    propose_days,
)
from core.meter.rounds import lots_to_test
from dashboard import page, state
from dashboard.charts.meter import days_figure
from dashboard.meter_parts import ask_name, open_book_first, read_book, say_last, write, write_all
from dashboard.text import _, day, ngettext, say


@st.cache_data(max_entries=16, show_spinner=False)
def needed(group_id: int, version: int, today: date) -> list[LotToTest]:
    """Return which lots have to be tested when."""
    return lots_to_test(state.store(), group_id, today, state.now())


def forms(group: Any, account: Any, events: list[Any]) -> None:
    """Let somebody write down a handover, tests, or a booking."""
    names = account.facts.names
    kinds = {
        "handover": _("The meter changes hands"),
        "tests": _("Tests were made"),
        "booking": _("Promise it for some days"),
    }
    kind = st.radio(_("Write down"), list(kinds), format_func=lambda k: kinds[k], horizontal=True, key="log_kind")
    with st.form("log_form"):
        member = st.selectbox(
            _("Member"), list(account.facts.members), format_func=lambda m: names[m], key="log_member"
        )
        on = st.date_input(_("On"), state.today(), key="log_on")
        payload: dict[str, Any] = {"member": member}
        if kind == "handover":
            payload["condition"] = st.text_input(_("Condition, anything missing"), key="log_condition")
        elif kind == "tests":
            payload["tests"] = int(st.number_input(_("Tests"), 1, 2000, 10, key="log_tests"))
            payload["bags"] = int(st.number_input(_("Bags"), 1, 2000, 10, key="log_bags"))
        else:
            last = st.date_input(_("Until"), state.today() + timedelta(days=1), key="log_until")
            payload |= {
                "first_day": on.isoformat(),
                "last_day": last.isoformat(),
                "purpose": st.text_input(_("For which lots"), key="log_purpose"),
            }
        if st.form_submit_button(_("Write it down"), type="primary"):
            try:
                if kind == "booking":
                    check_booking(events, member, on, last)
            except DryholdError as error:
                page.show_error(error)
                return
            if write(group, kind, payload, state.today() if kind == "booking" else on):
                st.rerun()


def proposals(group: Any, account: Any, events: list[Any], needs: list[LotToTest]) -> None:
    """Propose days for the lots that have to be tested, and let one be promised."""
    if not needs:
        return
    today = state.today()
    names = account.facts.names
    st.subheader(_("Days proposed by what has to be tested"))
    per_day = int(st.number_input(_("Lots that the meter can serve a day"), 1, 50, 4, key="log_per_day"))
    rows = propose_days(needs, today + timedelta(days=1), bookings(events, today), per_day)
    if not rows:
        st.write(_("Every lot that has to be tested has its day."))
        return
    page.table(
        pd.DataFrame(
            [
                {
                    _("Day"): r.day,
                    _("Member"): names.get(r.need.member, "?"),
                    _("Lot"): r.need.lot,
                    _("State"): _("late") if r.late else _("in time"),
                    _("Why"): say(r.reason),
                }
                for r in rows
            ]
        ),
        key="log_proposal",
        file_name="meter_days.csv",
    )
    mine = [row for row in rows if row.need.member in account.facts.members]
    if not mine:
        return
    chosen = st.selectbox(
        _("Promise the meter for"),
        range(len(mine)),
        key="log_proposed",
        format_func=lambda n: f"{names[mine[n].need.member]} · {mine[n].need.lot} · {day(mine[n].day)}",
    )
    left, right = st.columns(2)
    one = left.button(_("Promise it"), key="log_promise")
    every = right.button(_("Promise all of these days"), key="log_promise_all")
    if one or every:
        with page.plain_errors():
            wanted = mine if every else [mine[chosen]]
            for row in wanted:
                check_booking(events, row.need.member, row.day, row.day, shared=True)
            if write_all(group, [("booking", booking_of(row), today) for row in wanted]):
                st.rerun()


def booking_of(row: ProposedDay) -> dict[str, Any]:
    """Return the particulars of a promise for a proposed day, on which the meter goes round."""
    one_day = row.day.isoformat()
    return {
        "member": row.need.member,
        "first_day": one_day,
        "last_day": one_day,
        "purpose": row.need.lot,
        "shared": True,
    }


def show() -> None:
    """Show the page."""
    page.start(_("Who has the meter"), _("Where is the meter now, and who needs it on the coming days?"))
    group = page.stop_if_no_group()
    events, account = read_book(group)
    say_last()
    open_book_first(group, account)
    names = account.facts.names
    today = state.today()
    holder = holder_on(events, today)
    promised = bookings(events, today)
    page.answer(
        (
            _("{name} has the meter.").format(name=names.get(holder, holder))
            if holder
            else _("Nobody has written down who has the meter.")
        )
        + " "
        + ngettext("{count} promise stands.", "{count} promises stand.", len(promised)).format(count=len(promised))
    )
    if custody(events) or promised:
        page.chart(
            days_figure(custody(events), promised, names, today),
            alt=_("Who had the meter, and to whom it is promised"),
            key="log_chart",
        )
    ask_name()
    forms(group, account, events)
    tests = member_tests(events)
    if tests:
        st.subheader(_("Tests by member"))
        page.table(
            pd.DataFrame(
                [
                    {_("Member"): names.get(m, m), _("Tests"): count, _("Bags"): bags}
                    for m, (count, bags) in tests.items()
                ]
            ),
            key="log_tests_table",
            file_name="tests.csv",
        )
    if promised:
        st.subheader(_("Promised"))
        for booking in promised:
            left, right = st.columns([4, 1])
            days = day(booking.first_day)
            if booking.last_day != booking.first_day:
                days += f" – {day(booking.last_day)}"
            left.write(f"{names.get(booking.member, booking.member)}: {days} · {booking.purpose}")
            if right.button(_("Take back"), key=f"log_drop_{booking.event_id}") and write(
                group, "reversal", {"reason": "promise dropped"}, reverses=booking.event_id
            ):
                st.rerun()
    with page.plain_errors(), page.busy(_("Looking through the lots")):
        needs = needed(group.id, state.store().version(group.id), today)
    proposals(group, account, events, needs)
    page.caution("meter")
    page.sources(
        [
            _("Earliest last day first: keeps every last day that any order could keep (Horn 1974)"),
            _(
                "Stored lots by the storage outlook's re-test schedule; drying lots within one to three days: "
                "common practice, no source"
            ),
        ]
    )
