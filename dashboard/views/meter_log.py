"""Who has the meter: handovers, tests, and days promised in the coming drying time."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pandas as pd
import streamlit as st

from core.errors import DryholdError
from core.meter.log import LotToTest, bookings, check_booking, custody, holder_on, member_tests, propose_days
from dashboard import page, state
from dashboard.charts.meter import days_figure
from dashboard.meter_parts import open_book_first, read_book, say_last, write
from dashboard.text import _, day, say


def lots_to_test(group: Any) -> list[LotToTest]:
    """Return the open lots with the days in which each has to be tested: drying lots soon, stored ones within the month."""
    today = state.today()
    needs = []
    for lot in state.store().lots(group.id, open_only=True):
        if lot.status not in {"wet", "drying", "stored"}:
            continue
        owner = lot.owner_id or (lot.shares[0][0] if lot.shares else None)
        if owner is None:
            continue
        wait, slack = {"wet": (2, 3), "drying": (1, 2), "stored": (0, 28)}[lot.status]
        first = today + timedelta(days=wait)
        needs.append(LotToTest(str(owner), lot.label, first, first + timedelta(days=slack)))
    return needs


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


def main() -> None:
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
        _("{name} has the meter; {count} promises stand.").format(name=names.get(holder, holder), count=len(promised))
        if holder
        else _("Nobody has written down who has the meter; {count} promises stand.").format(count=len(promised))
    )
    if custody(events) or promised:
        page.chart(
            days_figure(custody(events), promised, names, today),
            alt=_("Who had the meter, and to whom it is promised"),
            key="log_chart",
        )
    forms(group, account, events)
    tests = member_tests(events)
    if tests:
        st.subheader(_("Tests by member"))
        page.table(
            pd.DataFrame([{_("Member"): names.get(m, m), _("Tests"): count, _("Bags"): bags} for m, (count, bags) in tests.items()]),
            key="log_tests_table", file_name="tests.csv",
        )  # fmt: skip
    if promised:
        st.subheader(_("Promised"))
        for booking in promised:
            left, right = st.columns([4, 1])
            left.write(
                f"{names.get(booking.member, booking.member)}: {day(booking.first_day)} – {day(booking.last_day)} {booking.purpose}"
            )
            if right.button(_("Take back"), key=f"log_drop_{booking.event_id}") and write(
                group, "reversal", {"reason": "promise dropped"}, reverses=booking.event_id
            ):
                st.rerun()
    needs = lots_to_test(group)
    if needs:
        st.subheader(_("Days proposed by what has to be tested"))
        per_day = int(st.number_input(_("Lots that the meter can serve a day"), 1, 50, 4, key="log_per_day"))
        rows = propose_days(needs, today + timedelta(days=1), promised, per_day)
        page.table(
            pd.DataFrame([{_("Day"): r.day, _("Member"): names.get(r.need.member, "?"), _("Lot"): r.need.lot, _("State"): _("late") if r.late else _("in time"), _("Why"): say(r.reason)} for r in rows]),
            key="log_proposal", file_name="meter_days.csv",
        )  # fmt: skip
    page.caution("meter")
    page.sources(
        [
            _("Earliest last day first: keeps every last day that any order could keep (Horn 1974)"),
            _("Days between tests: common practice, no source"),
        ]
    )


main()
