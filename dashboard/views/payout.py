"""Pools and money: what is in store, loads sold, losses, payments, and the agreement behind them."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pandas as pd
import streamlit as st

from core.errors import DryholdError
from core.pool.buyers_side import differences, learn_offset
from core.pool.deliveries import weight_at
from core.pool.payout import CASH, books, cash_difference, first_payments_due, pay_by_member
from core.pool.season import LOSS_KINDS, Season, replay
from core.pool.terms import PRICE_RULES, checked_terms
from dashboard import page, state
from dashboard.text import _, money, number


def write(group: Any, kind: str, payload: dict[str, Any]) -> None:
    """Try an entry on a copy of the book, then write it."""
    from core.group.records import Event

    events = state.store().events(group.id, "pool")
    trial = Event(
        id=max([event.id for event in events], default=0) + 1, group_id=group.id, book="pool", kind=kind,
        on=state.today(), who=state.who(), payload=payload, recorded_at=state.now(),
    )  # fmt: skip
    replay([*events, trial])
    state.store().append_event(group.id, "pool", kind, state.today(), state.who(), payload, state.now())
    st.rerun()


def terms_form(group: Any, season: Season) -> None:
    """Enter what the group agreed."""
    terms = season.terms
    with st.form("terms_form"):
        left, right = st.columns(2)
        base = left.number_input(_("Common moisture, %"), 3.0, 30.0, float(terms.base_pct), step=0.1, key="terms_base")
        limit = right.number_input(
            _("Highest moisture taken in, %"), 3.0, 30.0, float(terms.limit_pct), step=0.1, key="terms_limit"
        )
        first = left.number_input(
            _("First payment per kg at the common moisture"),
            0.0,
            value=float(terms.first_payment_per_kg),
            key="terms_first",
        )
        coin = right.text_input(_("Smallest coin in use"), str(terms.step), key="terms_coin")
        words = {
            "by_sale": _("each sale for those who had grain in the pool then"),
            "pool_price": _("one price for the whole season"),
        }
        rule = st.radio(
            _("Price"),
            PRICE_RULES,
            PRICE_RULES.index(terms.price_rule),
            format_func=lambda key: words[key],
            key="terms_rule",
        )
        grades = st.text_input(
            _("Grades and price factors"),
            ", ".join(f"{g}: {f}" for g, f in terms.grade_factors.items()),
            key="terms_grades",
        )
        levies = st.text_area(
            _("Taken off, in this order: name; per_kg or share; amount"),
            "\n".join(f"{levy.name}; {levy.kind}; {levy.amount}" for levy in terms.levies),
            key="terms_levies",
        )
        if st.form_submit_button(_("Save the agreement")):
            pairs = [part.split(":") for part in grades.split(",") if ":" in part]
            rows = [[cell.strip() for cell in line.split(";")] for line in levies.splitlines() if line.count(";") == 2]
            payload = {
                "base_pct": f"{base:.1f}", "limit_pct": f"{limit:.1f}", "first_payment_per_kg": f"{first:.4f}",
                "step": coin.strip(), "price_rule": rule,
                "grade_factors": {pair[0].strip(): pair[1].strip() for pair in pairs} or {"1": "1"},
                "levies": [{"name": row[0], "kind": row[1], "amount": row[2]} for row in rows],
            }  # fmt: skip
            checked_terms(payload)
            write(group, "terms", payload)


def sale_form(group: Any, season: Season) -> None:
    """Write a load sold."""
    with st.form("pool_sale_form"):
        left, right = st.columns(2)
        pool = left.selectbox(_("Pool"), season.pools(), key="sale_pool")
        buyer = right.text_input(_("Buyer"), key="sale_buyer")
        loaded = left.number_input(_("Loaded, kg on our scale"), 0.0, step=1.0, key="sale_loaded")
        ours = right.number_input(_("Moisture by our meter, %"), 3.0, 45.0, 13.0, step=0.1, key="sale_ours")
        theirs_kg = left.number_input(_("Buyer's scale, kg (0 = as ours)"), 0.0, step=1.0, key="sale_theirs_kg")
        theirs = right.number_input(_("Buyer's meter, %"), 3.0, 45.0, 13.0, step=0.1, key="sale_theirs")
        price = left.number_input(_("Price per kg"), 0.0, step=1.0, key="sale_price")
        taken = right.number_input(_("Deductions by the buyer"), 0.0, step=1.0, key="sale_deductions")
        costs = left.number_input(_("Truck and market costs"), 0.0, step=1.0, key="sale_costs")
        due = right.date_input(_("Buyer pays on"), state.today(), key="sale_due")
        if st.form_submit_button(_("Write the load down")):
            payload = {
                "pool": pool, "buyer": buyer.strip(), "loaded_kg": f"{loaded:.3f}", "loaded_moisture_pct": f"{ours:.2f}",
                "buyer_kg": f"{theirs_kg or loaded:.3f}", "buyer_moisture_pct": f"{theirs:.2f}", "price_per_kg": f"{price:.4f}",
                "buyer_deductions": f"{taken:.2f}", "costs": f"{costs:.2f}", "due_on": due.isoformat(),
            }  # fmt: skip
            write(group, "sale", payload)


def other_forms(group: Any, season: Season, members: dict[int, str]) -> None:
    """Write losses, payments, charges and what buyers paid."""
    loss, paid, received = st.tabs([_("Loss"), _("Paid to a member"), _("Received from a buyer")])
    with loss, st.form("pool_loss_form"):
        pool = st.selectbox(_("Pool"), season.pools(), key="loss_pool")
        kind = st.selectbox(_("Kind"), LOSS_KINDS, format_func=_, key="loss_kind")
        mass = st.number_input(_("kg at the common moisture"), 0.0, step=0.1, key="loss_kg")
        if st.form_submit_button(_("Write the loss down")):
            dry = Decimal(f"{mass:.3f}") * (100 - season.terms.base_pct) / 100
            write(group, "loss", {"pool": pool, "kind": kind, "dry_kg": f"{dry:.3f}"})
    with paid, st.form("pool_payment_form"):
        member = st.selectbox(_("Member"), list(members), format_func=lambda key: members[key], key="payment_member")
        amount = st.number_input(_("Amount"), 0.0, step=1.0, key="payment_amount")
        kind = st.radio(
            _("Kind"),
            ["payment", "charge"],
            format_func={"payment": _("paid"), "charge": _("charged")}.get,
            key="pay_kind",
        )
        reference = st.text_input(_("Reference (mobile money, receipt)"), key="payment_reference")
        if st.form_submit_button(_("Write it down")):
            write(group, kind, {"member_id": member, "amount": f"{amount:.2f}", "reference": reference.strip()})
    with received, st.form("pool_received_form"):
        buyer = st.selectbox(_("Buyer"), sorted({sale.buyer for sale in season.sales}), key="received_buyer")
        amount = st.number_input(_("Amount"), 0.0, step=1.0, key="received_amount")
        if st.form_submit_button(_("Write it down")):
            write(group, "buyer_payment", {"buyer": buyer, "amount": f"{amount:.2f}"})


def show_money(season: Season, members: dict[int, str], currency: str) -> None:
    """Show each member's money and the buyers' side."""
    first = first_payments_due(season)
    rows = [
        {
            _("Member"): members.get(member, str(member)),
            _("Part of sales"): float(pay.proceeds),
            _("Truck and market"): float(pay.costs),
            _("Levies and charges"): float(sum(pay.levies.values()) + pay.charges),
            _("Paid"): float(pay.paid),
            _("Still due"): float(pay.due),
            _("First payment agreed"): float(first.get(member, 0)),
        }
        for member, pay in pay_by_member(season).items()
    ]
    if rows:
        page.table(pd.DataFrame(rows), "payout_table", "payout.csv")
    if season.sales:
        st.subheader(_("What the buyers weighed and read"))
        seen = differences(season, season.terms.base_pct, Decimal("1.4"))
        page.table(
            pd.DataFrame(
                [
                    {
                        _("Load"): row.sale,
                        _("Buyer"): row.buyer,
                        _("Buyer's scale − ours, kg"): float(row.mass_kg),
                        _("Buyer's meter − ours, points"): float(row.moisture_points),
                        _("Got less than by our weights and the contract"): float(row.money_short),
                    }
                    for row in seen
                ]
            ),
            "buyers_table",
        )
        for buyer in sorted({sale.buyer for sale in season.sales}):
            offset = learn_offset(season.sales, buyer)
            st.caption(
                _(
                    "{buyer}: scale {scale} % (± {se}), meter {meter} points (± {mse}) against ours, from {loads} loads."
                ).format(
                    buyer=buyer,
                    scale=number(100 * offset.scale, 2),
                    se=number(100 * offset.scale_se, 2),
                    meter=number(offset.meter, 2),
                    mse=number(offset.meter_se, 2),
                    loads=offset.loads,
                )
            )
    st.subheader(_("Season's close"))
    counted = st.number_input(_("Cash counted"), 0.0, step=1.0, key="cash_counted")
    book = books(season).balance(CASH)
    st.write(
        _("By the books {book}; counted less books {difference}.").format(
            book=money(book, currency), difference=money(cash_difference(season, Decimal(f"{counted:.2f}")), currency)
        )
    )


def main() -> None:
    """Show the page."""
    page.start(
        _("Pools and pay-out"), _("What is in the pools, what did it sell for, and what is each member still due?")
    )
    group = page.stop_if_no_group()
    members = {member.id: member.name for member in state.store().members(group.id)}
    try:
        season = replay(state.store().events(group.id, "pool"))
        due = sum((pay.due for pay in pay_by_member(season).values()), Decimal(0))
        page.answer(_("Still due to members: {amount}.").format(amount=money(due, group.currency)))
        for pool in season.pools():
            kg = weight_at(season.pool_dry_kg(pool), season.terms.base_pct)
            st.write(
                _("{pool}: {kg} kg at {base} % in store.").format(
                    pool=pool, kg=number(float(kg), 0), base=season.terms.base_pct
                )
            )
        if season.deliveries:
            show_money(season, members, group.currency)
            st.subheader(_("Write a load down"))
            with page.plain_errors():
                sale_form(group, season)
            with page.plain_errors():
                other_forms(group, season, members)
        else:
            st.info(_("No delivery has been written down yet: begin under Deliveries."))
        with st.expander(_("What the group agreed"), expanded=not season.deliveries), page.plain_errors():
            terms_form(group, season)
    except DryholdError as error:
        page.show_error(error)


main()
