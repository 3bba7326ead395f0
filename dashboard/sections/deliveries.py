"""Weighing in: a member's delivery, its receipt, and all deliveries with their water taken out exactly."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

import pandas as pd
import streamlit as st

from core.group.records import Group
from core.pool.deliveries import Delivery, weight_at, weight_by_flat_rate
from core.pool.season import Season
from core.reports.receipt import receipt_page, short_message
from dashboard import page, state
from dashboard.charts.pool import deliveries_figure
from dashboard.forms.entries import record_entry
from dashboard.forms.pool_entries import delivery, scene_of
from dashboard.money_parts import members_first, told_apart
from dashboard.pool_parts import head, label_of, names_of, read_season, record
from dashboard.text import _, day, ngettext, number, tongue


def receipts(group: Group, season: Season, members: Mapping[int, str]) -> None:
    """Show a receipt to print and to send, the last one first."""
    latest = {item.number: item for item in sorted(season.deliveries, key=lambda item: -item.number)[:300]}
    if not latest:
        return
    chosen = st.selectbox(
        _("Delivery"),
        list(latest),
        format_func=lambda key: (
            f"{latest[key].receipt_number}: {label_of(members, latest[key].member_id)}, {day(latest[key].on)}, "
            f"{number(float(latest[key].net_kg), 1)} kg"
        ),
        key=f"delivery_receipt_{max(latest)}",  # after each delivery the newest receipt is shown
    )
    item: Delivery = latest[chosen]
    base, name = season.terms_on(item.on).base_pct, members.get(item.member_id, "?")
    text = short_message(item, name, base, tongue())
    st.caption(_("To send as one short message ({count} of 160 letters):").format(count=len(text)))
    st.code(text, language=None, wrap_lines=True)
    st.download_button(
        _("Receipt to print, two slips"),
        receipt_page(item, name, group.name, base, tongue()),
        f"receipt-{item.receipt_number}.html",
        "text/html",
        key="receipt_print",
    )


def delivery_table(season: Season, members: Mapping[int, str], flat_rate: Decimal) -> pd.DataFrame:
    """Return the deliveries with water taken out exactly, and what a flat rate per point would have given."""
    base, names = season.terms.base_pct, told_apart(members)
    rows = []
    for item in reversed(season.deliveries):
        exact = weight_at(item.dry_kg, base)
        flat = weight_by_flat_rate(item.net_kg, item.moisture_pct, base, flat_rate)
        rows.append(
            {
                _("Receipt no."): item.receipt_number,
                _("Day"): item.on,
                _("Member"): names.get(item.member_id, "?"),
                _("Pool"): item.pool,
                _("Net kg"): float(item.net_kg),
                _("Moisture %"): float(item.moisture_pct),
                _("kg at {base} %").format(base=base): float(exact),
                _("Flat rate less exact, kg"): float(flat - exact),
                _("Grade"): item.grade,
                _("Recorded by"): item.who,
            }
        )
    return pd.DataFrame(rows)


def all_deliveries(group: Group, season: Season, members: Mapping[int, str]) -> None:
    """Show all deliveries, and what a flat rate per point would have done."""
    flat = state.store().fact(group.id, "pool.flat_rate")
    frame = delivery_table(season, members, Decimal(str(flat.value)))
    with st.expander(_("All deliveries")):
        page.table(frame, "deliveries_table", "deliveries.csv", open_cards=3)
        gap = float(frame[_("Flat rate less exact, kg")].sum())
        words = (
            _("A flat rate of {rate} % per % of moisture would count {kg} kg less than the exact water.")
            if gap <= 0
            else _("A flat rate of {rate} % per % of moisture would count {kg} kg more than the exact water.")
        )
        st.caption(words.format(rate=flat.value, kg=number(abs(gap), 1)) + f" ({page.origin_text(flat)})")


def show() -> None:
    """Show the section."""
    page.start(_("What did each member deliver, and what does it weigh at the agreed moisture?"))
    group: Any = page.stop_if_no_group()
    members = names_of(group)
    with page.plain_errors():
        events, season = read_season(group)
        base = season.terms.base_pct
        total = sum((weight_at(item.dry_kg, base) for item in season.deliveries), start=Decimal(0))
        page.caution("meter")
        page.answer(
            ngettext(
                "{count} delivery, together {kg} kg at {base} % moisture.",
                "{count} deliveries, together {kg} kg at {base} % moisture.",
                len(season.deliveries),
            ).format(count=len(season.deliveries), kg=number(float(total), 0), base=base)
            if season.deliveries
            else _("No delivery is recorded yet. Weigh in the first one below, or import a table.")
        )
        if season.deliveries:
            page.chart(
                deliveries_figure(season, told_apart(members)),
                alt=_("What each member delivered, kg at the agreed moisture"),
                key="deliveries_chart",
            )
        head(season)
        if members:
            st.subheader(_("Weigh in"), anchor=False)
            page.caution("mould")
            record_entry(
                "delivery",
                "delivery",
                delivery(scene_of(group, events, season, members)),
                events,
                lambda kind, on, payload, token: record(group, kind, on, payload, token),
            )
            if not any(event.kind == "terms" for event in events):
                st.caption(
                    _(
                        "Assumed until the group saves its agreement on the page Pay-out: agreed moisture {base} %, "
                        "nothing above {limit} % is accepted, one grade."
                    ).format(base=base, limit=tongue().plain(season.terms.limit_pct))
                )
        else:
            members_first()
        if season.deliveries:
            with page.details(_("Receipt")):
                receipts(group, season, members)
        if season.deliveries:
            all_deliveries(group, season, members)
    page.sources(
        _("Weight at the agreed moisture: mass balance of dry matter, W2 = W1 (100 − M1) / (100 − M2)."),
        _("A flat rate is a price term, not physics; 1.4 % per % of moisture is posted by some buyers."),
    )
