"""Meter bookings: who has the meter, who booked it, and which lots need it on the coming days."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, timedelta
from typing import Any

import streamlit as st

from core.advice.meter_rounds import lots_to_test
from core.group.records import Event, Group
from core.meter.account import Account
from core.meter.log import (
    Booking,
    LotToTest,
    ProposedDay,
    bookings,
    check_booking,
    custody,
    holder_on,
    member_tests,
    propose_days,
)
from dashboard import page, state
from dashboard.charts.meter import days_figure
from dashboard.forms.confirm import confirm_once
from dashboard.forms.entries import EntryForm, Values, cancel_entry, record_entry
from dashboard.forms.fields import Field, draw_fields
from dashboard.meter_parts import open_book_first, read_book, record, record_several
from dashboard.money_parts import ask_name, member_label, told_apart
from dashboard.text import _, day, literal, ngettext, say


@st.cache_data(max_entries=16, show_spinner=False)
def needed(group_id: int, version: int, today: date) -> list[LotToTest]:
    """Return which lots have to be tested when."""
    return lots_to_test(state.store(), group_id, today, state.now())


def member_field(account: Account) -> Field:
    """Return the choice of a present member by name and number."""
    options = {number: member_label(number, account.facts.names[number]) for number in account.facts.members}
    return Field("member", _("Member"), "choice", options=options)


def handover(account: Account, _events: list[Event]) -> EntryForm:
    """Describe the entry: the meter changes hands."""
    return EntryForm(
        fields=(member_field(account), Field("condition", _("Condition, anything missing"), required=False)),
        payload=lambda values: {"member": values["member"], "condition": values["condition"]},
        sentence=lambda values: _("{member} has the meter now").format(member=_label(account, values)),
    )


def tests_made(account: Account, _events: list[Event]) -> EntryForm:
    """Describe the entry: tests were made."""
    return EntryForm(
        fields=(
            member_field(account),
            Field("tests", _("Tests"), "whole", low=1, high=2000),
            Field("bags", _("Bags"), "whole", low=1, high=2000),
        ),
        payload=lambda values: {name: values[name] for name in ("member", "tests", "bags")},
        sentence=lambda values: _("{member} made {tests} tests on {bags} bags").format(
            member=_label(account, values), tests=values["tests"], bags=values["bags"]
        ),
    )


def booking(account: Account, events: list[Event]) -> EntryForm:
    """Describe the entry: the meter is booked for some days."""

    def payload(values: Values) -> Mapping[str, Any]:
        check_booking(events, values["member"], values["first"], values["last"])
        return {
            "member": values["member"],
            "first_day": values["first"],
            "last_day": values["last"],
            "purpose": values["purpose"],
        }

    today = state.today()
    return EntryForm(
        fields=(
            member_field(account),
            Field("first", _("First day"), "day", low=today, value=today),
            lambda values: Field(
                "last",
                _("Last day"),
                "day",
                low=values["first"] or today,
                value=(values["first"] or today) + timedelta(days=1),
                follows=("first",),
            ),
            Field("purpose", _("For which lots"), required=False),
        ),
        payload=payload,
        sentence=lambda values: _("{member} books the meter from {first} to {last}").format(
            member=_label(account, values), first=day(values["first"]), last=day(values["last"])
        ),
        dated=False,
    )


def _label(account: Account, values: Values) -> str:
    return member_label(values["member"], account.facts.names[values["member"]])


LOG_ENTRIES: Mapping[str, Callable[[Account, list[Event]], EntryForm]] = {
    "handover": handover,
    "tests": tests_made,
    "booking": booking,
}


def record_form(group: Group, account: Account, events: list[Event]) -> None:
    """Record a handover, tests, or a booking."""
    kinds = {"handover": _("The meter changes hands"), "tests": _("Tests were made"), "booking": _("Book the meter")}
    kind = st.radio(_("Record"), list(kinds), format_func=kinds.__getitem__, horizontal=True, key="log_kind")
    with page.plain_errors():
        record_entry(
            f"log_{kind}",
            kind,
            LOG_ENTRIES[kind](account, events),
            events,
            lambda kind, on, payload, token: record(group, kind, on, payload, token),
        )


def proposals(group: Group, account: Account, events: list[Event], needs: list[LotToTest]) -> None:
    """Propose days for the lots that have to be tested, and let them be booked."""
    if not needs:
        return
    names = told_apart(account.facts.names)
    st.subheader(_("Proposed days, by the lots to test"), anchor=False)
    filled = draw_fields(
        "log_days",
        (Field("per_day", _("Lots that the meter can serve a day"), "whole", low=1, high=50, value=4, wide=True),),
    )
    if not filled.complete:
        return
    today = state.today()
    rows = propose_days(needs, today + timedelta(days=1), bookings(events, today), filled["per_day"])
    if not rows:
        st.write(_("Every lot that needs a test has its day."))
        return
    page.table(
        [
            {
                _("Day"): day(row.day),
                _("Member"): names.get(row.need.member, "?"),
                _("Lot"): row.need.lot,
                _("State"): _("late") if row.late else _("in time"),
                _("Why"): say(row.reason),
            }
            for row in rows
        ],
        key="log_proposal",
        file_name="meter_days.csv",
        open_cards=2,
    )
    mine = [row for row in rows if row.need.member in account.facts.members]
    if mine:
        book_proposed(group, account, events, mine)


def book_proposed(group: Group, account: Account, events: list[Event], mine: list[ProposedDay]) -> None:
    """Book one of the proposed days, or all of them, after a summary."""
    names = account.facts.names
    options = {
        place: f"{member_label(row.need.member, names[row.need.member])} · {row.need.lot} · {day(row.day)}"
        for place, row in enumerate(mine)
    }
    options[-1] = _("All of these days")
    filled = draw_fields(
        "log_proposed", (Field("which", _("Book the meter for"), "choice", options=options, wide=True),)
    )

    def write(values: Values, token: str) -> str:
        wanted = mine if values["which"] == -1 else [mine[values["which"]]]
        for row in wanted:
            check_booking(events, row.need.member, row.day, row.day, shared=True)
        return record_several(group, [("booking", state.today(), booking_of(row)) for row in wanted], token)

    confirm_once(
        "log_proposed",
        filled,
        lambda values: _("Book the meter: {days}.").format(days=options[values["which"]]),
        write,
        seen=len(events),
        button=_("Book the meter"),
    )


def booking_of(row: ProposedDay) -> dict[str, Any]:
    """Return the particulars of a booking for a proposed day, on which the meter goes round."""
    one_day = row.day.isoformat()
    return {
        "member": row.need.member,
        "first_day": one_day,
        "last_day": one_day,
        "purpose": row.need.lot,
        "shared": True,
    }


def cancel_form(group: Group, account: Account, events: list[Event], booked: tuple[Booking, ...]) -> None:
    """Let a booking, a handover or tests be cancelled."""
    names = account.facts.names
    choices = {
        item.event_id: _("{member}: booked {first} to {last} {purpose}").format(
            member=member_label(item.member, names.get(item.member, "?")),
            first=day(item.first_day),
            last=day(item.last_day),
            purpose=item.purpose,
        )
        for item in booked
    }
    if not choices:
        return
    with st.expander(_("Cancel a booking")):
        cancel_entry(
            "log_cancel",
            choices,
            lambda number, reason, token: record(
                group, "reversal", state.today(), {"reason": reason}, token, reverses=number
            ),
            seen=len(events),
        )


def show() -> None:
    """Show the section."""
    page.start(_("Where is the meter now, and who needs it on the coming days?"))
    group: Any = page.stop_if_no_group()
    events, account = read_book(group)
    open_book_first(group, account)
    names, today = told_apart(account.facts.names), state.today()
    holder, booked = holder_on(events, today), bookings(events, today)
    has = (
        _("{name} has the meter.").format(name=names.get(holder, holder))
        if holder
        else _("There is no record of who has the meter.")
    )
    condition = next((row.condition for row in reversed(custody(events)) if row.since <= today), "")
    if condition:
        has += " " + _("When it was handed over: {condition}.").format(condition=literal(condition.rstrip(".")))
    count = ngettext("It is booked {count} time.", "It is booked {count} times.", len(booked)).format(count=len(booked))
    page.caution("meter")
    page.answer(f"{has} {count}")
    if custody(events) or booked:
        page.chart(
            days_figure(custody(events), booked, {str(key): name for key, name in names.items()}, today),
            alt=_("Who had the meter, and who booked it"),
            key="log_chart",
        )
    ask_name()
    record_form(group, account, events)
    cancel_form(group, account, events, booked)
    with page.plain_errors(), page.busy(_("Looking through the lots")):
        needs = needed(group.id, state.store().version(group.id), today)
        proposals(group, account, events, needs)
    tests = member_tests(events)
    if tests:
        with st.expander(_("Tests by member")):
            page.table(
                [
                    {_("Member"): names.get(member, member), _("Tests"): made, _("Bags"): bags}
                    for member, (made, bags) in tests.items()
                ],
                key="log_tests_table",
                file_name="tests.csv",
            )
    page.sources(
        _("Earliest last day first: keeps every last day that any order could keep (Horn 1974)"),
        _(
            "Stored lots by the storage outlook's re-test schedule; drying lots within one to three days: "
            "common practice, no source"
        ),
    )
