"""Each member's statement on one page, to show, print or keep."""

from __future__ import annotations

import io
import zipfile

import streamlit as st

from core.errors import DryholdError
from core.pool.prices import PriceEffect, price_effects
from core.pool.statements import make_statements
from core.reports.statement import statement_page
from dashboard import page, state
from dashboard.meter_parts import coins
from dashboard.pool_parts import names_of, read_season, safe
from dashboard.text import _


@st.cache_data(max_entries=16, show_spinner=False)
def effects_of(group_id: int, version: int) -> list[PriceEffect]:
    """Return what each agreed price difference does."""
    return price_effects(state.store().events(group_id, "pool"))


def show() -> None:
    """Show the page."""
    page.start(
        _("Members' statements"),
        _("What did a member deliver, what did it bring, what was taken off, and what is due?"),
    )
    group = page.stop_if_no_group()
    members = names_of(group)
    try:
        _events, season = read_season(group)
        effects = effects_of(group.id, state.store().version(group.id))
        statements = make_statements(season, effects, state.today())
        if not statements:
            st.info(_("No delivery has been written down yet: begin under Deliveries."))
            return
        chosen = st.selectbox(
            _("Member"), list(statements), format_func=lambda key: members.get(key, "?"), key="statement_member"
        )
        statement = statements[chosen]
        due, name = statement.pay.due, safe(members.get(chosen, "?"))
        words = _("{member} is still due {amount}.") if due >= 0 else _("{member} was paid {amount} more than is due.")
        owing = sum((account.still_due for account in statement.loans), start=due * 0)
        said = words.format(member=name, amount=coins(abs(due), group.currency))
        if owing > 0:
            said += " " + _("On loans {amount} is still to be paid back.").format(amount=coins(owing, group.currency))
        page.answer(said)
        text = statement_page(statement, members.get(chosen, "?"), group.name, group.currency, _)
        st.download_button(
            _("Keep this statement (to print)"), text, f"statement-{chosen}.html", "text/html", key="one_statement"
        )
        st.iframe(text, height=900)
        if st.button(_("Prepare all members' statements"), key="all_statements"):
            packed = io.BytesIO()
            with page.busy(_("Writing all statements")), zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as folder:
                for member, item in statements.items():
                    folder.writestr(
                        f"statement-{member}.html",
                        statement_page(item, members.get(member, "?"), group.name, group.currency, _),
                    )
            st.download_button(_("Save them all"), packed.getvalue(), "statements.zip", key="save_all_statements")
        page.sources(
            [
                _("Water: the mass balance of dry matter. Shares: in proportion to dry kilograms, to the gram."),
                _(
                    "Money is split in whole coins by the largest remainder, so that all statements add up to what "
                    "the buyers pay."
                ),
            ]
        )
    except DryholdError as error:
        page.show_error(error)
