"""Other entries of the pools: payments one by one, advances, loans, losses, how a pool is stored."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

import streamlit as st

from core.pool.losses import PoolLosses, losses_against_plan
from dashboard import page, state
from dashboard.forms.entries import record_entry
from dashboard.forms.pool_entries import KIND_OF, OTHER_ENTRIES, PoolScene, entry_words, scene_of
from dashboard.money_parts import members_first, told_apart
from dashboard.names import method_name
from dashboard.pool_parts import head, names_of, read_season, record, sentence
from dashboard.text import _, number

ZERO = Decimal(0)


@st.cache_data(max_entries=16, show_spinner=False)
def expected_losses(group_id: int, version: int, until: date) -> list[PoolLosses]:
    """Return each pool's losses beside what the storage room expects."""
    group = state.store().group(group_id)
    return losses_against_plan(state.store(), group, read_season(group)[1], until, state.now())


def loan_table(scene: PoolScene) -> list[dict[str, object]]:
    """Return the book of loans."""
    names = told_apart(scene.members)
    return [
        {
            _("Loan no."): account.loan.number,
            _("Member"): names.get(account.loan.member_id, "?"),
            _("Lent on"): account.loan.on,
            _("What for"): account.loan.purpose,
            _("Lent"): scene.coins(account.loan.principal),
            _("Interest a month, %"): float(100 * account.loan.monthly_rate),
            _("Interest so far"): scene.coins(account.interest),
            _("Deducted from pay"): scene.coins(account.recovered),
            _("Paid back in cash"): scene.coins(account.repaid),
            _("Still due"): scene.coins(account.still_due),
        }
        for account in scene.loans.values()
    ]


def loss_table(found: list[PoolLosses]) -> list[dict[str, object]]:
    """Return each pool's losses beside what was to be expected, kg at the agreed moisture."""
    return [
        {
            _("Pool"): row.pool,
            _("Lost to insects, mould, dry-matter loss"): float(row.measured_storage),
            _("Expected, low"): round(row.expected_storage[0], 1),
            _("middle"): round(row.expected_storage[1], 1),
            _("high"): round(row.expected_storage[2], 1),
            _("Spilt"): float(row.measured.get("spillage", ZERO)),
            _("Expected to be spilt"): round(row.expected_spillage, 1),
            _("Theft"): float(row.measured.get("theft", ZERO)),
            _("Home use, count"): float(row.measured.get("home use", ZERO) + row.measured.get("count", ZERO)),
        }
        for row in found
    ]


def show_losses(group: Any) -> None:
    """Show pool losses beside what the storage room expects of that store, moisture and time."""
    with page.busy(_("Working out the expected loss in store")):
        found = expected_losses(group.id, state.store().version(group.id), state.today())
    for row in found:
        st.write(sentence(row.verdict) + ".")
        origin = _("assumed") if row.assumed_method else _("entered by you")
        st.caption(
            _("Stored in: {method} ({origin}), delivered at {moisture} % on average.").format(
                method=method_name(row.method), origin=origin, moisture=number(row.moisture_pct, 1)
            )
        )
    page.table(loss_table(found), "losses_table", "losses.csv")


def show() -> None:
    """Show the section."""
    page.start(_("What else happened with the pools' money and grain?"))
    group: Any = page.stop_if_no_group()
    members = names_of(group)
    with page.plain_errors():
        events, season = read_season(group)
        scene = scene_of(group, events, season, members)
        open_loans = sum((account.still_due for account in scene.loans.values()), ZERO)
        page.caution("money")
        page.answer(
            _("Members still owe {amount} on loans.").format(amount=scene.coins(open_loans))
            if open_loans
            else _("No loan is open.")
        )
        head(season)
        if not members:
            members_first()
            return
        words = entry_words()
        kind = st.selectbox(_("Record"), list(OTHER_ENTRIES), format_func=words.__getitem__, key="pool_kind")
        with page.plain_errors():
            record_entry(
                f"pool_{kind}",
                KIND_OF.get(kind, kind),
                OTHER_ENTRIES[kind](scene),
                events,
                lambda kind, on, payload, token: record(group, kind, on, payload, token),
            )
        if scene.loans:
            with st.expander(_("Loans to members")):
                page.table(loan_table(scene), "loans_table", "loans.csv")
                st.caption(
                    _(
                        "Interest: after each whole month, the principal still due times the rate; "
                        "interest is paid first."
                    )
                )
        if season.deliveries and st.toggle(_("Compare losses with what was expected"), key="pool_losses"):
            show_losses(group)
    page.sources(
        _(
            "Expected loss in store: the storage room's physics for that method, moisture, crop and time, 8 in 10 "
            "of its possible seasons."
        ),
        _("Interest by whole months, money in pays interest first: common practice, no source."),
    )
