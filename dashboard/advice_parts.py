"""What several pages show of the group's situation: what is assumed, and what can be printed or saved."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

from core.advice import Situation
from core.errors import DryholdError
from core.group.records import Group
from core.market.buyers import buyer_words
from core.reports.calendar import plan_calendar
from core.reports.paper import Paper
from core.reports.pdf import paper_pdf
from core.reports.sheets import member_sheets, treasurer_sheet, wall_sheet
from core.reports.texts import phone_texts
from core.reports.tongue import Tongue
from core.reports.workbook import plan_workbook
from dashboard import page
from dashboard.text import _, day, literal, say, tongue

WORKBOOK_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def show_assumed(now: Situation) -> None:
    """Say at the top what is assumed; the origin of the weather stands in the head of every page."""
    lines = [say(item.said, markdown=True) for item in now.assumed if item.important and item.subject != "weather"]
    if lines:
        st.caption(":material/info: " + _("Assumed: {what}.").format(what="; ".join(lines)))
        if not now.group.demo:
            page.link("today", next_words(now.group), "first_steps")


def next_words(group: Group) -> str:
    """Return what stands above, and leads to, the list of what to enter next."""
    return _("What to enter next for {group}").format(group=literal(group.name))


def file_name(now: Situation, what: str, ending: str) -> str:
    """Return the name of a download: group, what, day."""
    group = "".join(letter if letter.isalnum() else "_" for letter in now.group.name).strip("_").lower()
    return f"{group}_{what}_{now.today.isoformat()}.{ending}"


def show_downloads(now: Situation, name: str) -> None:
    """Offer sheets, calendar, workbook and phone messages; each is made when it is asked for."""
    said = tongue()
    sheets: dict[str, tuple[str, Callable[[Situation, Tongue], Paper]]] = {
        "wall": (_("Wall sheet (PDF)"), wall_sheet),
        "members": (_("Members' sheets (PDF)"), member_sheets),
        "treasurer": (_("Treasurer's statement (PDF)"), treasurer_sheet),
    }
    columns = st.columns(3)
    for column, (key, (label, make)) in zip(columns, sheets.items(), strict=True):
        column.download_button(
            label,
            lambda make=make: paper_pdf(make(now, said)),
            file_name(now, key, "pdf"),
            "application/pdf",
            key=f"{name}_{key}",
            width="stretch",
        )
    one, two, three = st.columns(3)
    one.download_button(
        _("Calendar file (ICS)"),
        lambda: plan_calendar(now, said),
        file_name(now, "calendar", "ics"),
        "text/calendar",
        key=f"{name}_calendar",
        width="stretch",
    )
    two.download_button(
        _("Workbook (XLSX)"),
        lambda: plan_workbook(now, said),
        file_name(now, "plan", "xlsx"),
        WORKBOOK_TYPE,
        key=f"{name}_workbook",
        width="stretch",
    )
    if three.toggle(_("Phone messages"), key=f"{name}_texts"):
        _show_texts(now, said)
    st.caption(_("Sheets and messages name people. Give them only to people whom the members agreed to."))


def _show_texts(now: Situation, said: Tongue) -> None:
    """Show each member's message to copy."""
    try:
        texts = phone_texts(now, said)
    except DryholdError as error:
        page.show_error(error)
        return
    for text in texts:
        st.markdown(f"**{literal(text.name)}** {literal(text.phone)}")
        st.code(text.words, language=None, wrap_lines=True)


def show_last_kept(now: Situation) -> None:
    """Show the last plan that was kept, beside the work on today's."""
    last = now.last_kept
    if last is None:
        return
    st.subheader(_("The last kept plan, of {day}").format(day=day(last.on)), anchor=False)
    rows = [
        {
            _("Lot"): line.label,
            _("Bags"): line.bags,
            _("Sell in the week of"): day(line.sell_on),
            _("Buyer or use"): say(buyer_words(line.buyer or line.reserve)),
        }
        for line in last.lines
    ]
    page.table(rows, "last_kept_plan")
