"""The forms of the pools' page: loads, money, loans, losses, where a pool lies, and what the group agreed."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

import pandas as pd
import streamlit as st

from core.group.records import Group
from core.pool.contracts import contract_of
from core.pool.losses import method_of
from core.pool.payout import MemberPay
from core.pool.season import LOSS_KINDS, Season
from core.pool.terms import DEDUCTIONS, PRICE_RULES, checked_terms
from core.storage.methods import method_codes
from dashboard import page, state
from dashboard.meter_parts import coin as smallest_coin
from dashboard.meter_parts import coins
from dashboard.pool_parts import method_name, read_season, write
from dashboard.text import _, number


def _day(label: str, key: str) -> date:
    return st.date_input(label, state.today(), max_value=state.today(), key=key)


def sale_form(group: Group, season: Season) -> None:
    """Write a load sold, with what the contract would take off on the buyer's own readings beside it."""
    with st.form("pool_sale_form"):
        known = sorted({sale.buyer for sale in season.sales} | set(_book_names(group)))
        # a row of columns for each pair: on a phone they then stand in the order in which they are asked
        left, right = st.columns(2)
        pool = left.selectbox(_("Pool"), season.pools(), key="sale_pool")
        buyer = right.selectbox(_("Buyer (type a new name)"), known, accept_new_options=True, key="sale_buyer")
        left, right = st.columns(2)
        loaded = left.number_input(_("Loaded, kg on our scale"), 0.0, step=1.0, key="sale_loaded")
        ours = right.number_input(_("Moisture by our meter, %"), 3.0, 45.0, 13.0, step=0.1, key="sale_ours")
        left, right = st.columns(2)
        theirs_kg = left.number_input(
            _("Buyer's scale, kg (empty: as ours)"), 0.0, value=None, step=1.0, key="sale_theirs_kg"
        )
        theirs = right.number_input(
            _("Buyer's meter, % (empty: as ours)"), 3.0, 45.0, value=None, step=0.1, key="sale_theirs"
        )
        left, right = st.columns(2)
        price = left.number_input(_("Price per kg"), 0.0, step=1.0, key="sale_price")
        taken = right.number_input(_("Deductions by the buyer, money"), 0.0, step=1.0, key="sale_deductions")
        left, right = st.columns(2)
        costs = left.number_input(_("Truck and market costs, paid in cash"), 0.0, step=1.0, key="sale_costs")
        sold = right.date_input(_("Loaded on"), state.today(), max_value=state.today(), key="sale_day")
        due = st.date_input(_("Buyer pays on"), state.today(), key="sale_due")
        if not st.form_submit_button(_("Write the load down"), type="primary"):
            return
    if not buyer or loaded <= 0 or price <= 0:
        page.show_error(_("A load needs a buyer, its kilograms and its price."))
        return
    payload = {
        "pool": pool,
        "buyer": str(buyer).strip(),
        "loaded_kg": f"{loaded:.3f}",
        "loaded_moisture_pct": f"{ours:.2f}",
        "price_per_kg": f"{price:.4f}",
        "buyer_deductions": f"{taken:.2f}",
        "costs": f"{costs:.2f}",
        "due_on": due.isoformat(),
    }
    if theirs_kg:
        payload["buyer_kg"] = f"{theirs_kg:.3f}"
    if theirs:
        payload["buyer_moisture_pct"] = f"{theirs:.2f}"
    if write(group, [("sale", sold, payload)], _("Load {number} is written down and shared among the members.")):
        st.rerun()


def _book_names(group: Group) -> list[str]:
    from core.group.selling import buyer_book

    return [entry.buyer.name for entry in buyer_book(state.store(), group.id).standing_buyers()]


def contract_check(group: Group, season: Season) -> None:
    """Let the treasurer recompute what a contract takes off, beside the exact water."""
    from core.pool.contracts import against_water

    buyers = sorted({sale.buyer for sale in season.sales} | set(_book_names(group)))
    if not buyers:
        return
    with st.expander(_("What does a contract take off, and how much of it is water?")):
        buyer = st.selectbox(_("Buyer"), buyers, key="contract_buyer")
        left, middle, right = st.columns(3)
        mass = left.number_input(_("kg"), 1.0, value=1000.0, step=100.0, key="contract_kg")
        moisture = middle.number_input(_("Moisture, %"), 3.0, 45.0, 15.0, step=0.1, key="contract_moisture")
        price = right.number_input(_("Price per kg"), 0.0, value=_last_price(season), step=1.0, key="contract_price")
        crop = season.deliveries[0].commodity if season.deliveries else "maize"
        terms = contract_of(state.store(), group.id, buyer, crop)
        seen = against_water(terms, Decimal(f"{mass:.3f}"), Decimal(f"{moisture:.2f}"), Decimal(f"{price:.4f}"))
        words = _(
            "The contract takes off {rate} kg ({money}); the water above {base} % is {water} kg. Difference: {kg} "
            "kg, {gap}."
        )
        st.write(
            words.format(
                rate=number(float(seen.by_rate_kg), 1),
                money=coins(round(seen.by_rate_kg * Decimal(f"{price:.4f}"), 2), group.currency),
                base=f"{float(terms.deductions.base_pct or 0):g}",
                water=number(float(seen.by_water_kg), 1),
                kg=number(float(seen.by_rate_kg - seen.by_water_kg), 1),
                gap=coins(round(seen.money, 2), group.currency),
            )
        )
        st.caption(_("Contract: {source}.").format(source=_(terms.source.template).format(**terms.source.values)))


def _last_price(season: Season) -> float:
    return float(season.sales[-1].price_per_kg) if season.sales else 100.0


def received_form(group: Group, season: Season) -> None:
    """Write what a buyer paid."""
    from core.pool.payout import BUYERS, books

    owed = {party: sum_ for party, sum_ in books(season).party_balances(BUYERS).items() if party}
    with st.form("pool_received_form"):
        buyers = sorted({sale.buyer for sale in season.sales})
        buyer = st.selectbox(
            _("Buyer"),
            buyers,
            format_func=lambda name: _("{buyer}, owes {amount}").format(
                buyer=name, amount=coins(owed.get(name, Decimal(0)), group.currency)
            ),
            key="received_buyer",
        )
        amount = st.number_input(_("Amount"), 0.0, step=1.0, key="received_amount")
        reference = st.text_input(_("Reference (mobile money, receipt)"), key="received_reference")
        day = _day(_("Received on"), "received_day")
        if not st.form_submit_button(_("Write it down")):
            return
    payload = {"buyer": buyer, "amount": f"{amount:.2f}", "reference": reference.strip()}
    if buyer and write(group, [("buyer_payment", day, payload)], _("Written down as entry {number}.")):
        st.rerun()


def payment_form(group: Group, season: Season, members: dict[int, str], pays: dict[int, MemberPay]) -> None:
    """Write what a member was paid, given in advance or charged; offer to pay everybody what is due."""
    words = {"payment": _("paid"), "advance": _("advance, to be taken off later"), "charge": _("charged")}
    with st.form("pool_payment_form"):
        member = st.selectbox(
            _("Member"),
            list(members),
            format_func=lambda key: _("{member}, due {amount}").format(
                member=members[key], amount=coins(pays[key].due if key in pays else Decimal(0), group.currency)
            ),
            key="payment_member",
        )
        amount = st.number_input(_("Amount"), 0.0, step=1.0, key="payment_amount")
        kind = st.radio(_("Kind"), list(words), format_func=words.__getitem__, key="pay_kind", horizontal=True)
        reference = st.text_input(_("Reference (mobile money, receipt)"), key="payment_reference")
        day = _day(_("Paid on"), "payment_day")
        submitted = st.form_submit_button(_("Write it down"))
    if submitted:
        payload = {"member_id": member, "amount": f"{amount:.2f}", "reference": reference.strip()}
        if kind == "advance":
            payload["about"] = "advance"
        event = "charge" if kind == "charge" else "payment"
        if write(group, [(event, day, payload)], _("Written down as entry {number}.")):
            st.rerun()
    due = {key: pay.due for key, pay in pays.items() if pay.due > 0}
    if due:
        st.caption(
            _("Due to {count} members: {amount}.").format(
                count=len(due), amount=coins(sum(due.values(), Decimal(0)), group.currency)
            )
        )
        if st.button(_("Everybody was paid today what is due"), key="pay_all"):
            items = [
                ("payment", state.today(), {"member_id": key, "amount": str(amount), "reference": _("pay-out")})
                for key, amount in due.items()
            ]
            if write(group, items, _("The pay-out is written down, the last entry is {number}.")):
                st.rerun()


def loan_form(group: Group, members: dict[int, str], accounts: list[Any]) -> None:
    """Write a loan to a member, or what came back in cash."""
    with st.form("pool_loan_form"):
        left, right = st.columns(2)
        member = left.selectbox(_("Member"), list(members), format_func=members.__getitem__, key="loan_member")
        amount = right.number_input(_("Lent"), 0.0, step=1.0, key="loan_amount")
        left, right = st.columns(2)
        rate = left.number_input(_("Interest, % a month"), 0.0, 50.0, 0.0, step=0.5, key="loan_rate")
        purpose = right.text_input(_("What for"), key="loan_purpose")
        day = _day(_("Lent on"), "loan_day")
        if st.form_submit_button(_("Write the loan down")):
            payload = {
                "member_id": member,
                "principal": f"{amount:.2f}",
                "monthly_rate": str(Decimal(f"{rate:.3f}") / 100),
                "purpose": purpose.strip(),
            }
            if write(group, [("loan", day, payload)], _("Loan {number} is written down.")):
                st.rerun()
    open_loans = {account.loan.number: account for account in accounts if account.still_due > 0}
    if not open_loans:
        return
    with st.form("pool_loan_back_form"):
        chosen = st.selectbox(
            _("Loan"),
            list(open_loans),
            format_func=lambda key: _("{number}: {member}, still due {amount}").format(
                number=key,
                member=members.get(open_loans[key].loan.member_id, "?"),
                amount=coins(open_loans[key].still_due, group.currency),
            ),
            key="loan_back",
        )
        amount = st.number_input(_("Paid back in cash"), 0.0, step=1.0, key="loan_back_amount")
        day = _day(_("Paid back on"), "loan_back_day")
        if st.form_submit_button(_("Write it down")):
            payload = {"loan": chosen, "amount": f"{amount:.2f}"}
            if write(group, [("loan_repaid", day, payload)], _("Written down as entry {number}.")):
                st.rerun()


def loss_form(group: Group, season: Season) -> None:
    """Write grain that left a pool unsold."""
    with st.form("pool_loss_form"):
        pool = st.selectbox(_("Pool"), season.pools(), key="loss_pool")
        kind = st.selectbox(_("Kind"), LOSS_KINDS, format_func=_, key="loss_kind")
        mass = st.number_input(
            _("kg at the common moisture of {base} %").format(base=season.terms.base_pct), 0.0, step=0.1, key="loss_kg"
        )
        day = _day(_("Found on"), "loss_day")
        if not st.form_submit_button(_("Write the loss down")):
            return
    dry = Decimal(f"{mass:.3f}") * (100 - season.terms.base_pct) / 100
    payload = {"pool": pool, "kind": kind, "dry_kg": f"{dry:.3f}"}
    if write(group, [("loss", day, payload)], _("The loss is written down and borne by share.")):
        st.rerun()


def store_form(group: Group, season: Season) -> None:
    """Write where a pool lies: what may be lost there follows from it."""
    with st.form("pool_store_form"):
        pool = st.selectbox(_("Pool"), season.pools(), key="store_pool")
        codes = method_codes()
        at = method_of(state.store(), group.id, season, pool)[0] if pool else codes[0]
        method = st.selectbox(
            _("How it is stored"),
            codes,
            codes.index(at) if at in codes else 0,
            format_func=method_name,
            key="store_method",
        )
        if not st.form_submit_button(_("Write it down")):
            return
    payload = {"pool": pool, "method": method}
    if write(group, [("store", state.today(), payload)], _("Written down as entry {number}.")):
        st.rerun()


def terms_form(group: Group, season: Season) -> None:
    """Enter what the group agreed."""
    terms = season.terms
    rules = {
        "by_sale": _("each load's money goes to those who had grain in the pool that day"),
        "pool_price": _("one price for the whole season"),
        "by_week": _("what came first is sold first: each week's grain gets what its load fetched"),
    }
    kinds = {"levies": _("levies"), "meter": _("meter fees"), "loans": _("loans"), "advances": _("advances")}
    ways = {"per_kg": _("money per kg sold"), "share": _("% of the proceeds")}
    codes = {words: code for code, words in ways.items()}
    agreed = any(event.kind == "terms" for event in read_season(group)[0])
    if not agreed:
        st.caption(_("Assumed until the group saves its own: the moistures are common practice for maize, no source."))
    with st.form("terms_form"):
        left, right = st.columns(2)
        base = left.number_input(_("Common moisture, %"), 3.0, 30.0, float(terms.base_pct), step=0.1, key="terms_base")
        limit = right.number_input(
            _("Highest moisture taken in, %"), 3.0, 30.0, float(terms.limit_pct), step=0.1, key="terms_limit"
        )
        left, right = st.columns(2)
        first = left.number_input(
            _("First payment per kg at the common moisture"),
            0.0,
            value=float(terms.first_payment_per_kg),
            key="terms_first",
        )
        in_use = str(terms.step if agreed else smallest_coin(group))
        coin = right.text_input(_("Smallest coin in use"), in_use, key="terms_coin")
        rule = st.radio(
            _("Price"),
            PRICE_RULES,
            PRICE_RULES.index(terms.price_rule),
            format_func=rules.__getitem__,
            key="terms_rule",
        )
        left, right = st.columns(2)
        left.caption(_("Grades, and what each is paid of the first grade's price"))
        grades = left.data_editor(
            pd.DataFrame(
                {
                    _("Grade"): list(terms.grade_factors),
                    _("% of the price"): [float(100 * factor) for factor in terms.grade_factors.values()],
                }
            ),
            num_rows="dynamic",
            hide_index=True,
            width="stretch",
            key="terms_grades",
        )
        right.caption(_("Weeks of delivery that are paid otherwise, such as 2026-W20"))
        weeks = right.data_editor(
            pd.DataFrame(
                {
                    _("Week"): pd.Series(list(terms.week_factors), dtype=str),
                    _("% of the price"): pd.Series(
                        [float(100 * factor) for factor in terms.week_factors.values()], dtype=float
                    ),
                }
            ),
            num_rows="dynamic",
            hide_index=True,
            width="stretch",
            key="terms_weeks",
        )
        st.caption(_("Levies, taken off from the first to the last"))
        levies = st.data_editor(
            pd.DataFrame(
                {
                    _("Name"): pd.Series([levy.name for levy in terms.levies], dtype=str),
                    _("How"): pd.Series([ways[levy.kind] for levy in terms.levies], dtype=str),
                    _("Amount"): pd.Series(
                        [float(levy.amount * (100 if levy.kind == "share" else 1)) for levy in terms.levies],
                        dtype=float,
                    ),
                }
            ),
            column_config={_("How"): st.column_config.SelectboxColumn(options=list(codes))},
            num_rows="dynamic",
            hide_index=True,
            width="stretch",
            key="terms_levies",
        )
        st.caption(_("What is taken off first, after truck and market"))
        order = [
            place.selectbox(
                f"{at + 1}.",
                DEDUCTIONS,
                DEDUCTIONS.index(terms.order[at]),
                format_func=kinds.__getitem__,
                key=f"terms_order_{at}",
            )
            for at, place in enumerate(st.columns(4))
        ]
        kept = st.number_input(
            _("Least that a member takes home, % of what is left after truck and market (0: none agreed)"),
            0.0,
            100.0,
            float(100 * terms.minimum_take_home),
            step=5.0,
            key="terms_kept",
        )
        if not st.form_submit_button(_("Save the agreement"), type="primary"):
            return
    payload = {
        "base_pct": f"{base:.1f}",
        "limit_pct": f"{limit:.1f}",
        "first_payment_per_kg": f"{first:.4f}",
        "step": coin.strip(),
        "price_rule": rule,
        "grade_factors": _factors(grades) or {"1": "1"},
        "week_factors": _factors(weeks),
        "levies": [
            {
                "name": str(name).strip(),
                "kind": codes.get(how, "per_kg"),
                "amount": str(Decimal(f"{amount:.6g}") / (100 if codes.get(how) == "share" else 1)),
            }
            for name, how, amount in levies.itertuples(index=False)
            if isinstance(name, str) and name.strip() and amount == amount
        ],
        "order": order,
        "minimum_take_home": str(Decimal(f"{kept:.2f}") / 100),
    }
    with page.plain_errors():
        checked_terms(payload)
        if write(group, [("terms", state.today(), payload)], _("The agreement is saved as entry {number}.")):
            st.rerun()


def _factors(frame: pd.DataFrame) -> dict[str, str]:
    """Return price factors by name from an edited table of per cents; rows without a name or number are left out."""
    return {
        str(name).strip(): str(Decimal(f"{percent:.6g}") / 100)
        for name, percent in frame.itertuples(index=False)
        if name is not None
        and str(name).strip() not in ("", "None", "nan")
        and percent == percent
        and percent is not None
    }
