"""Each member's statement on one page, to show, print or save."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

import streamlit as st

from core.group.records import Group
from core.pool.statements import MemberStatement, make_statements
from core.reports.statement import statement_page
from dashboard import page, state
from dashboard.money_parts import coins, told_apart
from dashboard.pool_parts import effects_of, label_of, names_of, read_season
from dashboard.text import _, literal, tongue

ZERO = Decimal(0)


def answer(statement: MemberStatement, name: str, currency: str) -> str:
    """Return in one sentence what a member is due, and what the buyers of the loads still owe for it."""
    due = statement.pay.due
    words = _("The group owes {member} {amount}.") if due >= 0 else _("{member} owes the group {amount}.")
    said = words.format(member=literal(name), amount=coins(abs(due), currency))
    owed = sum((buyer.open for buyer in statement.buyers), ZERO)
    if owed:
        said += " " + _("The buyers still owe all members together {amount}.").format(amount=coins(owed, currency))
    loans = sum((account.still_due for account in statement.loans), ZERO)
    if loans > 0:
        said += " " + _("On loans {amount} is still to be paid back.").format(amount=coins(loans, currency))
    return said


def save_all(group: Group, statements: Mapping[int, MemberStatement], members: Mapping[int, str]) -> None:
    """Offer all statements in one file."""
    page.caution("personal")
    if not st.button(_("Prepare all members' statements"), key="all_statements"):
        return
    packed = io.BytesIO()
    with page.busy(_("Making all statements")), zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as folder:
        for member, item in statements.items():
            text = statement_page(item, label_of(members, member), group.name, group.currency, tongue())
            folder.writestr(f"statement-{member}.html", text)
    st.download_button(_("Save them all"), packed.getvalue(), "statements.zip", key="save_all_statements")


def show() -> None:
    """Show the section."""
    page.start(_("What did a member deliver, what was it sold for, what was deducted, and what is due?"))
    group: Any = page.stop_if_no_group()
    members = names_of(group)
    with page.plain_errors():
        _events, season = read_season(group)
        effects = effects_of(group.id, state.store().version(group.id))
        statements = make_statements(season, effects, state.today())
        if not statements:
            page.answer(_("No delivery is recorded yet. Begin on the page Deliveries."))
            page.link("deliveries", _("Weigh in"), "deliveries")
            return
        chosen = st.selectbox(
            _("Member"), list(statements), format_func=lambda key: label_of(members, key), key="statement_member"
        )
        name = label_of(members, chosen)
        page.caution("money")
        page.answer(answer(statements[chosen], told_apart(members).get(chosen, name), group.currency))
        text = statement_page(statements[chosen], name, group.name, group.currency, tongue())
        st.download_button(_("Statement to print"), text, f"statement-{chosen}.html", "text/html", key="one_statement")
        st.iframe(text, height=900)
        save_all(group, statements, members)
    page.sources(
        _("Water: the mass balance of dry matter. Shares: in proportion to dry kilograms, to the gram."),
        _("Money is split in whole coins by the largest remainder: all statements add up to what the buyers pay."),
    )
