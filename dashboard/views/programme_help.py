"""What would help: each group's largest avoidable loss, what it adds up to, and whom to visit this week."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from core.errors import DryholdError
from core.programme.avoidable import CAUSES, REMEDY, avoidable_losses, visit_list
from core.programme.indicators import records_of
from dashboard import page, state
from dashboard.text import _, money, say


@st.cache_data(max_entries=4, show_spinner=False)
def losses_of(group_id: int, version: int) -> list[tuple[str, float, int]]:
    """Return one group's avoidable losses, computed again only when its records change."""
    store = state.store()
    facts = store.facts(group_id)
    interest = float(facts["interest_monthly"].value) if "interest_monthly" in facts else 0.02
    return [
        (item.cause, item.money, item.lots)
        for item in avoidable_losses(records_of(store, group_id), interest, float(facts["market_loss_monthly"].value))
    ]


def main() -> None:
    """Show the page."""
    page.start(
        _("What would help"),
        _("Where would a dryer, sealed bags, credit or training pay most, and whom to visit this week?"),
    )
    try:
        store = state.store()
        groups = store.groups()
        if not groups:
            page.stop_if_no_group()
        with page.busy(_("Working out what each group lost")):
            all_losses = {group.id: losses_of(group.id, store.version(group.id)) for group in groups}
        currencies = sorted({group.currency for group in groups})
        sums = {
            (currency, cause): sum(
                amount
                for group in groups
                if group.currency == currency
                for name, amount, _lots in all_losses[group.id]
                if name == cause
            )
            for currency in currencies
            for cause in CAUSES
        }
        best = max(sums, key=lambda key: sums[key], default=None)
        if best is not None and sums[best] > 0:
            page.answer(
                _("Over all groups, most is lost by {cause} ({amount}); would help: {remedy}.").format(
                    cause=_(best[1]), amount=money(sums[best], best[0]), remedy=say(REMEDY[best[1]])
                )
            )
        rows = []
        for group in groups:
            own = all_losses[group.id]
            if own:
                cause, amount, lots = own[0]
                rows.append(
                    {
                        _("Group"): group.name, _("Largest avoidable loss"): _(cause), _("Money"): money(amount, group.currency),
                        _("Lots"): lots, _("Would help"): say(REMEDY[cause]),
                    }
                )  # fmt: skip
        if rows:
            page.table(pd.DataFrame(rows).sort_values(_("Group")), "help_table", "what_would_help.csv")
        st.subheader(_("Whom to visit this week"))
        visits = visit_list([records_of(store, group.id) for group in groups], state.now())
        if not visits:
            st.write(_("No group has a pressing reason."))
        for visit in visits:
            st.markdown(f"- **{visit.group.replace('*', '')}**: " + "; ".join(say(reason) for reason in visit.reasons))
        page.sources(
            [
                _(
                    "Waiting wet: dry matter lost by the published relation of the crop on days beyond what drying takes."
                ),
                _("Sold early: the season fitted to prices before the sale only, less interest and loss."),
                _("Sums of groups with different currencies are not added up."),
            ]
        )
        page.caution("advice")
    except DryholdError as error:
        page.show_error(error)


main()
