"""Weighing in: a member's delivery, its receipt, earlier deliveries from a table, and corrections by counter-entry."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pandas as pd
import streamlit as st

from core.errors import DryholdError
from core.grain.commodities import commodity_codes
from core.pool.deliveries import (
    SHORT_TEMPLATE,
    Delivery,
    checked_delivery,
    may_join,
    short_message,
    weight_at,
    weight_by_flat_rate,
)
from core.pool.earlier import DELIVERIES
from core.pool.season import Season
from core.reports.receipt import receipt_page
from dashboard import page, state
from dashboard.forms.pool_import import earlier_form
from dashboard.pool_parts import head, names_of, read_season, who_did_what, write
from dashboard.text import _, number


def entry_form(group: Any, members: dict[int, str], season: Season) -> None:
    """Take a delivery, refuse wet grain, write it into the book."""
    names = list(members)
    with st.form("delivery_form", clear_on_submit=False):
        member = st.selectbox(_("Member"), names, format_func=lambda key: members[key], key="delivery_member")
        left, right = st.columns(2)
        known = season.pools()
        pool = left.selectbox(
            _("Pool (type a new name to open one)"),
            known or [_("Main pool")],
            accept_new_options=True,
            key="delivery_pool",
        )
        crop = right.selectbox(
            _("Crop"), commodity_codes(), format_func=lambda c: c.replace("_", " "), key="delivery_crop"
        )
        first, second, third = st.columns(3)
        gross = first.number_input(_("Gross, kg"), 0.0, 100000.0, step=0.1, key="delivery_gross")
        tare = second.number_input(_("Tare (empty bags), kg"), 0.0, 1000.0, 0.0, step=0.1, key="delivery_tare")
        bags = third.number_input(_("Bags"), 0, 5000, 1, key="delivery_bags")
        first, second, third = st.columns(3)
        moisture = first.number_input(_("Moisture, % wet basis"), 3.0, 45.0, 13.0, step=0.1, key="delivery_moisture")
        spread = second.number_input(_("How sure: ± points"), 0.1, 3.0, 0.5, step=0.1, key="delivery_spread")
        grade = third.selectbox(_("Grade"), sorted(season.terms.grade_factors), key="delivery_grade")
        day = st.date_input(_("Delivered on"), state.today(), max_value=state.today(), key="delivery_day")
        if not st.form_submit_button(_("Write it down"), type="primary"):
            return
    payload = {
        "member_id": member,
        "pool": str(pool).strip(),
        "commodity": crop,
        "gross_kg": f"{gross:.3f}",
        "tare_kg": f"{tare:.3f}",
        "bags": int(bags),
        "moisture_pct": f"{moisture:.2f}",
        "moisture_sd_pct": f"{spread:.2f}",
        "grade": grade,
    }
    with page.plain_errors():
        delivery = checked_delivery(payload, 0, day, state.who())
        present = next((item for item in season.deliveries if item.pool == delivery.pool), None)
        refused = may_join(delivery, season.terms.limit_pct, present)
        if refused is not None:
            page.show_error(refused)
            return
        if write(group, [("delivery", day, payload)], _("Written down. The receipt is below, to print or to send.")):
            st.session_state["delivery_receipt"] = None
            st.rerun()


def receipts(group: Any, season: Season, members: dict[int, str]) -> None:
    """Show a receipt to print and to send, the last one first."""
    latest = {item.number: item for item in sorted(season.deliveries, key=lambda item: -item.number)[:300]}
    if not latest:
        return
    st.subheader(_("Receipt"))
    if st.session_state.get("delivery_receipt") not in latest:
        st.session_state["delivery_receipt"] = next(iter(latest))
    chosen = st.selectbox(
        _("Delivery"),
        list(latest),
        format_func=lambda key: (
            f"{latest[key].receipt_number}: {members.get(latest[key].member_id, '?')}, {latest[key].on}, "
            f"{latest[key].net_kg:,.1f} kg"
        ),
        key="delivery_receipt",
    )
    item: Delivery = latest[chosen]
    base = season.terms_on(item.on).base_pct
    text = short_message(item, members.get(item.member_id, "?"), base, _(SHORT_TEMPLATE))
    st.caption(_("To send as one short message ({count} of 160 signs):").format(count=len(text)))
    st.code(text, language=None, wrap_lines=True)
    st.download_button(
        _("Receipt to print, two slips"),
        receipt_page(item, members.get(item.member_id, "?"), group.name, base, _),
        f"receipt-{item.receipt_number}.html",
        "text/html",
        key="receipt_print",
    )


def delivery_table(season: Season, members: dict[int, str], flat_rate: Decimal) -> pd.DataFrame:
    """Return the deliveries with water taken out exactly, and what a flat rate per point would have given."""
    base = season.terms.base_pct
    rows = []
    for item in reversed(season.deliveries):
        flat = weight_by_flat_rate(item.net_kg, item.moisture_pct, base, flat_rate)
        exact = weight_at(item.dry_kg, base)
        rows.append(
            {
                _("Receipt"): item.receipt_number,
                _("Day"): item.on,
                _("Member"): members.get(item.member_id, "?"),
                _("Pool"): item.pool,
                _("Net kg"): float(item.net_kg),
                _("Moisture %"): float(item.moisture_pct),
                _("kg at {base} %").format(base=base): float(exact),
                _("Flat rate − exact, kg"): float(flat - exact),
                _("Grade"): item.grade,
                _("Written by"): item.who,
            }
        )
    return pd.DataFrame(rows)


def show() -> None:
    """Show the page."""
    page.start(_("Deliveries"), _("What did each member bring, and what does it weigh once its water is put right?"))
    group = page.stop_if_no_group()
    members = names_of(group)
    try:
        events, season = read_season(group)
        base = season.terms.base_pct
        total = sum((weight_at(item.dry_kg, base) for item in season.deliveries), start=Decimal(0))
        if season.deliveries:
            page.answer(
                _("{count} deliveries, together {kg} kg at {base} % moisture.").format(
                    count=len(season.deliveries), kg=number(float(total), 0), base=base
                )
            )
        else:
            page.answer(_("No delivery is written down yet. Weigh the first one in below, or bring in a table."))
        head()
        if not members:
            st.warning(_("Add the members first, under Members, or bring in a table that names them."))
        weigh, bring = st.tabs([_("Weigh in"), _("Bring in earlier deliveries")])
        with weigh:
            if members:
                entry_form(group, members, season)
                if not any(event.kind == "terms" for event in events):
                    st.caption(
                        _(
                            "Assumed until the group enters its agreement under Pools and pay-out: common moisture "
                            "{base} %, nothing wetter than {limit} % is taken in, one grade."
                        ).format(base=base, limit=season.terms.limit_pct)
                    )
        with bring:
            earlier_form(group, DELIVERIES)
        receipts(group, season, members)
        if season.deliveries:
            st.subheader(_("All deliveries"))
            flat = state.store().fact(group.id, "pool.flat_rate")
            frame = delivery_table(season, members, Decimal(str(flat.value)))
            page.table(frame, "deliveries_table", "deliveries.csv")
            worst = float(frame[_("Flat rate − exact, kg")].sum())
            st.caption(
                _(
                    "A flat rate of {rate} % a point above {base} % would have counted {kg} kg {less} than the exact "
                    "water; below {base} % it gives nothing for dry grain. The exact water is used here."
                ).format(
                    rate=flat.value, base=base, kg=number(abs(worst), 1), less=_("less") if worst <= 0 else _("more")
                )
                + f" ({page.origin_text(flat)})"
            )
        who_did_what(group, events, members)
        page.sources(
            [
                _("Weight at the common moisture: mass balance of dry matter, W2 = W1 (100 − M1) / (100 − M2)."),
                _("A flat rate per point is a price term, not physics; 1.4 % a point is posted by some buyers."),
            ]
        )
        page.caution("mould")
    except DryholdError as error:
        page.show_error(error)
