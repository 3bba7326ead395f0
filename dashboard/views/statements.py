"""Each member's statement on one page, to show, print or keep."""

from __future__ import annotations

import io
import zipfile

import streamlit as st

from core.errors import DryholdError
from core.pool.season import replay
from core.pool.statements import make_statements
from core.reports.statement import statement_page
from dashboard import page, state
from dashboard.text import _, money


def main() -> None:
    """Show the page."""
    page.start(
        _("Members' statements"),
        _("What did a member deliver, what did it bring, what was taken off, and what is due?"),
    )
    group = page.stop_if_no_group()
    members = {member.id: member.name for member in state.store().members(group.id)}
    try:
        statements = make_statements(replay(state.store().events(group.id, "pool")))
        if not statements:
            st.info(_("No delivery has been written down yet: begin under Deliveries."))
            return
        chosen = st.selectbox(
            _("Member"), list(statements), format_func=lambda key: members.get(key, "?"), key="statement_member"
        )
        statement = statements[chosen]
        page.answer(
            _("{member} is still due {amount}.").format(
                member=members.get(chosen, "?"), amount=money(statement.pay.due, group.currency)
            )
        )
        text = statement_page(statement, members.get(chosen, "?"), group.name, group.currency, _)
        st.iframe(text, height=620) if hasattr(st, "iframe") else st.html(text)
        st.download_button(
            _("Keep this statement (to print)"), text, "statement.html", "text/html", key="one_statement"
        )
        if st.button(_("Prepare all members' statements"), key="all_statements"):
            packed = io.BytesIO()
            with page.busy(_("Writing all statements")), zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as folder:
                for member, item in statements.items():
                    name = members.get(member, "?")
                    folder.writestr(
                        f"statement-{member}.html", statement_page(item, name, group.name, group.currency, _)
                    )
            st.download_button(_("Save them all"), packed.getvalue(), "statements.zip", key="save_all_statements")
        page.sources(
            [
                _("Water: the mass balance of dry matter. Shares: in proportion to dry kilograms, to the gram."),
                _(
                    "Money is split in whole coins by the largest remainder, so that all statements add up to what the buyers pay."
                ),
            ]
        )
    except DryholdError as error:
        page.show_error(error)


main()
