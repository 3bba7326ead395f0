"""Weighing in: a member's delivery, its receipt, and corrections by counter-entry."""

from __future__ import annotations

from typing import Any

import pandas as pd
import streamlit as st

from core.errors import DryholdError
from core.grain.commodities import commodity_codes
from core.pool.deliveries import checked_delivery, may_join, receipt_text, weight_at, weight_by_flat_rate
from core.pool.season import Season, replay
from dashboard import page, state
from dashboard.text import _, number, say


def entry_form(group: Any, members: dict[int, str], season: Season) -> None:
    """Take a delivery, refuse wet grain, write it into the book, show the receipt."""
    names = list(members)
    with st.form("delivery_form", clear_on_submit=False):
        member = st.selectbox(_("Member"), names, format_func=lambda key: members[key], key="delivery_member")
        left, right = st.columns(2)
        pool = left.text_input(_("Pool"), _("Main pool"), key="delivery_pool")
        crop = right.selectbox(
            _("Crop"), commodity_codes(), format_func=lambda c: c.replace("_", " "), key="delivery_crop"
        )
        first, second, third = st.columns(3)
        gross = first.number_input(_("Gross, kg"), 0.0, 100000.0, 90.0, step=0.1, key="delivery_gross")
        tare = second.number_input(_("Tare, kg"), 0.0, 1000.0, 0.2, step=0.1, key="delivery_tare")
        bags = third.number_input(_("Bags"), 0, 5000, 1, key="delivery_bags")
        first, second, third = st.columns(3)
        moisture = first.number_input(_("Moisture, % wet basis"), 3.0, 45.0, 13.0, step=0.1, key="delivery_moisture")
        spread = second.number_input(_("How sure: ± points"), 0.1, 3.0, 0.5, step=0.1, key="delivery_spread")
        grade = third.selectbox(_("Grade"), sorted(season.terms.grade_factors), key="delivery_grade")
        day = st.date_input(_("Delivered on"), state.today(), key="delivery_day")
        if not st.form_submit_button(_("Write it down"), type="primary"):
            return
    payload = {
        "member_id": member, "pool": pool, "commodity": crop, "gross_kg": f"{gross:.3f}", "tare_kg": f"{tare:.3f}",
        "bags": int(bags), "moisture_pct": f"{moisture:.2f}", "moisture_sd_pct": f"{spread:.2f}", "grade": grade,
    }  # fmt: skip
    delivery = checked_delivery(payload, 0, day, state.who())
    present = next((item for item in season.deliveries if item.pool == delivery.pool), None)
    refused = may_join(delivery, season.terms.limit_pct, present)
    if refused is not None:
        page.show_error(refused)
        return
    event_id = state.store().append_event(group.id, "pool", "delivery", day, state.who(), payload, state.now())
    written = checked_delivery(payload, event_id, day, state.who())
    st.session_state["last_receipt"] = say(receipt_text(written, members[member], season.terms.base_pct))
    st.rerun()


def delivery_table(season: Season, members: dict[int, str]) -> pd.DataFrame:
    """Return the deliveries with water taken out exactly, and what a flat rate per point would have given."""
    base = season.terms.base_pct
    rows = []
    for item in season.deliveries:
        flat = weight_by_flat_rate(item.net_kg, item.moisture_pct, base, type(base)("1.4"))
        rows.append(
            {
                _("Receipt"): item.number,
                _("Day"): item.on,
                _("Member"): members.get(item.member_id, "?"),
                _("Pool"): item.pool,
                _("Net kg"): float(item.net_kg),
                _("Moisture %"): float(item.moisture_pct),
                _("kg at {base} %").format(base=base): float(weight_at(item.dry_kg, base)),
                _("by a flat 1.4 % a point, kg"): float(flat),
                _("Grade"): item.grade,
                _("Written by"): item.who,
            }
        )
    return pd.DataFrame(rows)


def correct(group: Any, season: Season) -> None:
    """Take a delivery back by a counter-entry; the first entry stays readable."""
    with st.expander(_("Correct a delivery")):
        st.write(_("Nothing is deleted: the entry is taken back by a counter-entry, then written again."))
        numbers = [item.number for item in season.deliveries]
        if not numbers:
            return
        chosen = st.selectbox(_("Receipt to take back"), numbers[::-1], key="delivery_undo")
        reason = st.text_input(_("Reason"), key="delivery_reason")
        if st.button(_("Take it back"), disabled=not reason.strip(), key="delivery_undo_button"):
            events = state.store().events(group.id, "pool")
            left = [event for event in events if event.id != chosen]
            replay(left)  # refuses where the grain has been sold already
            state.store().append_event(
                group.id,
                "pool",
                "reversal",
                state.today(),
                state.who(),
                {"reason": reason.strip()},
                state.now(),
                chosen,
            )
            st.rerun()


def main() -> None:
    """Show the page."""
    page.start(_("Deliveries"), _("What did each member bring, and what does it weigh once its water is put right?"))
    group = page.stop_if_no_group()
    members = {member.id: member.name for member in state.store().members(group.id)}
    try:
        season = replay(state.store().events(group.id, "pool"))
        total = sum((weight_at(item.dry_kg, season.terms.base_pct) for item in season.deliveries), start=0)
        page.answer(
            _("{count} deliveries, together {kg} kg at {base} % moisture.").format(
                count=len(season.deliveries), kg=number(float(total), 0), base=season.terms.base_pct
            )
        )
        if not members:
            st.warning(_("Add the members first, under Members."))
            return
        receipt = st.session_state.pop("last_receipt", None)
        if receipt:
            st.success(_("Written down. The receipt, to print or send:"))
            st.code(receipt, language=None, wrap_lines=True)
        entry_form(group, members, season)
        if season.deliveries:
            page.table(delivery_table(season, members), "deliveries_table", "deliveries.csv")
        correct(group, season)
        page.sources(
            [
                _("Weight at the common moisture: mass balance of dry matter, W2 = W1 (100 − M1) / (100 − M2)."),
                _("A flat rate per point is a price term, not physics; 1.4 % a point is posted by some buyers."),
            ]
        )
        page.caution("mould")
    except DryholdError as error:
        page.show_error(error)


main()
