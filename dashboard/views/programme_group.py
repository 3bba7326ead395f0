"""One group's profile: its indicators, what it lost that it could have kept, and its season as one file."""

from __future__ import annotations

import uuid

import pandas as pd
import streamlit as st

from core.errors import DryholdError
from core.programme.avoidable import avoidable_losses
from core.programme.group_file import export_group, group_uid
from core.programme.indicators import DEFINITIONS, group_indicators, records_of
from dashboard import page, state
from dashboard.charts.programme import avoidable
from dashboard.text import _, money, number, say


def save_file(group_id: int, name: str) -> None:
    """Offer the group's season as one file."""
    st.subheader(_("This group's season as one file"))
    personal = st.checkbox(_("With names, phones, testers and buyers"), value=False, key="with_personal")
    if st.button(_("Prepare the file"), key="prepare_group_file"):
        store = state.store()
        uid = group_uid(store, group_id, lambda: str(uuid.uuid4()), state.now())
        content = export_group(store, group_id, uid, state.now(), "all" if personal else "none")
        st.download_button(
            _("Save the file (ZIP)"), content, f"{name.lower().replace(' ', '-')}.zip", key="save_group_file"
        )


def main() -> None:
    """Show the page."""
    page.start(_("One group's profile"), _("How did this group do, and what could it have kept?"))
    group = page.stop_if_no_group()
    try:
        store = state.store()
        records = records_of(store, group.id)
        facts = store.facts(group.id)
        interest = float(facts["interest_monthly"].value) if "interest_monthly" in facts else 0.02
        with page.busy(_("Counting")):
            found = group_indicators(records)
            losses = avoidable_losses(records, interest, float(facts["market_loss_monthly"].value))
        if losses:
            page.answer(
                _("The largest avoidable loss: {cause}, {amount}.").format(
                    cause=_(losses[0].cause), amount=money(losses[0].money, group.currency)
                )
            )
            page.chart(
                avoidable(
                    losses,
                    [_(item.cause) for item in losses],
                    _("Avoidable loss, {currency}").format(currency=group.currency),
                ),
                alt=_("Avoidable losses by cause."),
                key="avoidable_chart",
            )
            for item in losses:
                st.write(f"- {say(item.reason)}")
            st.caption(_("Sold early counts only what earlier prices let the group expect; hindsight is left out."))
        else:
            page.answer(_("No avoidable loss can be shown from these records."))
        page.table(
            pd.DataFrame(
                [
                    {
                        _("Indicator"): say(DEFINITIONS[key].label),
                        _("Value"): "–"
                        if item.value is None
                        else number(item.value * (100 if DEFINITIONS[key].unit == "%" else 1), 1),
                        _("Unit"): DEFINITIONS[key].unit,
                        _("Rests on"): int(item.denominator),
                        _("Not usable"): item.missing,
                    }
                    for key, item in found.items()
                ]
            ),
            "profile_table",
            "profile.csv",
        )
        save_file(group.id, group.name)
    except DryholdError as error:
        page.show_error(error)


main()
