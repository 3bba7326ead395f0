"""All groups together: how complete their records are, before anything is said of them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import streamlit as st

from core.programme.definitions import DATA_QUALITY
from core.programme.people import consent_share
from dashboard import page
from dashboard.charts.programme import completeness
from dashboard.forms.programme_files import shows_invented
from dashboard.programme_parts import CountedGroup, counted_groups, versions
from dashboard.text import _, literal, ngettext, number, percent

SHOWN, LEAST_LOTS = 15, 5


def data_quality(groups: Sequence[CountedGroup]) -> None:
    """Show how complete each group's records are; of many groups the picture holds those with most gaps."""
    kinds = {
        "complete_readings": _("readings without a gap"),
        "complete_lots": _("lots with a whole record"),
        "complete_sales": _("sales with a whole record"),
    }
    shares = np.array(
        [[np.nan if (v := item.found[key].value) is None else v for key in DATA_QUALITY] for item in groups]
    )
    gaps = np.nan_to_num(shares, nan=0.0).mean(axis=1)
    part = np.argsort(gaps, kind="stable")[:SHOWN]
    if len(groups) > SHOWN:
        st.caption(_("The picture holds the {count} groups with most gaps; the table has all.").format(count=SHOWN))
    page.chart(
        completeness(
            [groups[place].record.group.name for place in part],
            {kinds[key]: shares[part, at] for at, key in enumerate(DATA_QUALITY)},
            _("Complete, % of the group's records"),
        ),
        alt=_("How complete each group's readings, lots and sales are."),
        key="completeness_chart",
    )
    rows = []
    for item in sorted(groups, key=lambda one: one.record.group.name):
        agreed, people = consent_share(item.record.members)
        silent = item.days_since_reading
        rows.append(
            {
                _("Group"): item.record.group.name,
                _("Lots"): len(item.record.lots),
                _("Readings"): int(item.found["complete_readings"].denominator),
                **{
                    kinds[key].capitalize(): percent(np.nan if (v := item.found[key].value) is None else v)
                    for key in DATA_QUALITY
                },
                _("Days since the last reading"): "–" if silent is None else number(silent, 0),
                _("Agreed to be named"): _("{agreed} of {people}").format(agreed=agreed, people=people),
            }
        )
    page.table(rows, "quality_table", "data_quality.csv", open_cards=4)


def show() -> None:
    """Show the section."""
    page.start(_("How complete are the records?"))
    with page.plain_errors():
        keys = versions(shows_invented())
        if not keys:
            page.answer(_("No group is here yet. Import groups' files under 'Import and tidy'."))
            return
        with page.busy(_("Counting")):
            groups = counted_groups(keys)
        lots = sum(len(item.record.lots) for item in groups)
        thin = [item.record.group.name for item in groups if item.found["readings_per_lot"].count < LEAST_LOTS]
        said = ngettext("{count} group with {lots} lots.", "{count} groups with {lots} lots.", len(groups))
        page.answer(said.format(count=len(groups), lots=number(lots, 0)))
        if thin:
            st.caption(_("Fewer than five lots, too few to compare: {groups}.").format(groups=literal(", ".join(thin))))
        data_quality(groups)
