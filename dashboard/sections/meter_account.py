"""The meter's account for a treasurer: money in, money out, who owes; and the journal behind it."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

import pandas as pd
import streamlit as st

from core.accounts.finance import add_months
from core.accounts.splitting import split_exactly
from core.errors import DryholdError
from core.meter.account import (
    LOAN,
    SELLER,
    Account,
    MemberBalance,
    book_value,
    depreciation_due,
    grain_sold_terms,
    join_terms,
    leave_terms,
    member_balances,
    money_book,
    plain_payload,
    warnings,
)
from core.meter.book import LOSS_KINDS, MONEY_PLACES, SPENT_ON
from core.meter.log import holder_on
from core.meter.paying import (
    OfferComparison,
    SellerOffer,
    compare_offer,
    expected_price,
    instalment_plan,
    lognormal_prices,
    value_grain,
    value_labour,
)
from core.meter.payments_table import NEEDED, open_payments, read_payments
from core.reports.meter_sheets import account_sheet, receipt_text, statement_sheet
from dashboard import page, state
from dashboard.charts.meter import money_figure, offer_figure
from dashboard.forms.table_import import choose_columns, choose_sheet, show_refused, show_unused, take_file
from dashboard.meter_parts import ask_name, coin, coins, exact, open_book_first, read_book, say_last, write, write_all
from dashboard.text import _, day, money, ngettext, number, percent, say


def choices() -> dict[str, str]:
    """Return what can be written down, in the treasurer's words."""
    return {
        "payment": _("a member pays money"),
        "plan": _("a member pays in instalments"),
        "grain_payment": _("a member pays in grain"),
        "labour": _("a member pays by work"),
        "outside_tests": _("an outsider pays for tests"),
        "spent": _("money is spent (batteries, repair, calibration check …)"),
        "grain_sold": _("grain taken in payment is sold"),
        "meter_bought": _("the meter is bought"),
        "seller_paid": _("the seller is paid"),
        "loan_taken": _("a loan is taken"),
        "loan_paid": _("a loan is paid down"),
        "depreciation": _("the meter has grown older (depreciation)"),
        "loss_rule": _("the rule for loss, theft and breakage is agreed"),
        "meter_gone": _("the meter is lost, stolen or broken beyond repair"),
        "joins": _("a member joins at book value"),
        "leaves": _("a member leaves at book value"),
        "paid_out": _("a member is paid what the group owes"),
        "money_moved": _("money is moved (cash box, mobile money, bank)"),
        "cash_counted": _("the money is counted"),
    }


def written_elsewhere() -> dict[str, str]:
    """Return the entries that other parts of these pages write, in words."""
    return {
        "member_added": _("a member is in the book"),
        "charge": _("charges are asked"),
        "capital_due": _("shares in the purchase are asked"),
        "season_closed": _("the season is closed"),
        "handover": _("the meter changes hands"),
        "tests": _("tests are made"),
        "booking": _("the meter is promised"),
    }


def member_field(account: Account, key: str, none: str | None = None, present: bool = False) -> str:
    """Return the number of the member chosen, or "" for none; ``present`` leaves out those who have left."""
    members = ([""] if none else []) + list(account.facts.members if present else account.facts.names)
    return st.selectbox(
        _("Member"),
        members,
        format_func=lambda m: account.facts.names.get(m, none or ""),
        key=key,
        on_change=forget_amount,
    )


def forget_amount() -> None:
    """Let the amount follow what the member now chosen owes."""
    st.session_state.pop("acc_amount", None)


def forget_entry() -> None:
    """Empty the form after an entry, so that it is not written twice; what happened, the day and the place stay."""
    for key in [key for key in st.session_state if str(key).startswith("acc_")]:
        if key not in {"acc_kind", "acc_on", "acc_place", "acc_section"}:
            del st.session_state[key]


def owed_by(account: Account, member: str) -> float:
    """Return what a member owes today, money, 0 or more."""
    return next((max(float(b.owes), 0.0) for b in member_balances(account, state.today()) if b.member == member), 0.0)


def amount_field(label: str, key: str, value: float = 0.0) -> Decimal:
    """Return an amount as exact money."""
    return exact(st.number_input(label, min_value=0.0, value=value, key=key))


def place_field(key: str) -> str:
    """Return where the money is kept."""
    return st.selectbox(_("Kept in or taken from"), MONEY_PLACES, format_func=_, key=key)


def particulars(kind: str, group: Any, account: Account) -> dict[str, Any]:
    """Show the fields of an entry and return its particulars."""
    facts = state.store().facts(group.id)
    step = coin(group)
    if kind == "payment":
        member = member_field(account, "acc_member")
        return {
            "member": member,
            "amount": amount_field(_("Amount (what is owed stands there)"), "acc_amount", owed_by(account, member)),
            "money": place_field("acc_place"),
            "reference": st.text_input(_("Reference (mobile money, receipt book)"), key="acc_reference"),
        }
    if kind == "plan":
        member = member_field(account, "acc_member")
        rate = st.number_input(_("Interest a month, %"), 0.0, 20.0, 0.0, key="acc_rate")
        months = int(st.number_input(_("Monthly instalments"), 1, 60, 6, key="acc_months"))
        rows, terms = instalment_plan(
            amount_field(_("Amount"), "acc_amount", owed_by(account, member)),
            Decimal(str(rate)) / 100,
            months,
            st.date_input(_("First due on"), add_months(state.today(), 1), key="acc_first"),
            step,
        )
        st.dataframe(
            pd.DataFrame(
                [
                    {
                        _("No."): r.number,
                        _("Due"): r.due,
                        _("Payment"): float(r.payment),
                        _("Interest"): float(r.interest),
                        _("Still owed"): float(r.remaining),
                    }
                    for r in rows
                ]
            ),
            hide_index=True,
            width="stretch",
        )
        return {"member": member, **terms}
    if kind == "grain_payment":
        member = member_field(account, "acc_member")
        left, right = st.columns(2)
        kg = left.number_input(_("Weighed, kg with bags"), 0.0, 100000.0, 90.0, key="acc_kg")
        bags = int(right.number_input(_("Bags weighed with it"), 0, 1000, 1, key="acc_bags"))
        tare = left.number_input(_("An empty bag, kg"), 0.0, 5.0, 0.2, key="acc_tare")
        moisture = right.number_input(_("Moisture as tested, % wet basis"), 5.0, 40.0, 14.0, key="acc_moisture")
        agreed = left.number_input(_("Agreed moisture, % wet basis"), 5.0, 30.0, 13.0, key="acc_agreed")
        price = right.number_input(
            _("Agreed price a kg"), 0.0, value=float(facts["maize_price_kg"].value), key="acc_price"
        )
        agreed_on = st.date_input(_("Price agreed on"), state.today(), key="acc_agreed_on")
        paid = value_grain(
            exact(kg),
            exact(moisture),
            exact(agreed),
            exact(price, Decimal("0.0001")),
            agreed_on,
            bags,
            exact(tare),
            step=step,
        )
        st.write(say(paid.explanation))
        return {
            "member": member,
            "kg": exact(kg),
            "moisture_pct": exact(moisture),
            "agreed_kg": paid.agreed_kg,
            "agreed_moisture_pct": exact(agreed),
            "price_per_kg": str(price),
            "agreed_on": agreed_on,
            "amount": paid.amount,
        }
    if kind == "labour":
        member = member_field(account, "acc_member")
        hours = exact(st.number_input(_("Hours"), 0.25, 500.0, 4.0, key="acc_hours"))
        price = exact(
            st.number_input(
                _("Price of an hour agreed before the season"),
                0.01,
                value=float(facts["meter.hour_price"].value),
                key="acc_price",
            )
        )
        return {"member": member, "hours": hours, "price": price, "amount": value_labour(hours, price, step)}
    if kind == "outside_tests":
        return {
            "payer": st.text_input(_("Who pays"), key="acc_payer"),
            "tests": int(st.number_input(_("Tests"), 1, 1000, 1, key="acc_tests")),
            "amount": amount_field(_("Amount"), "acc_amount"),
            "money": place_field("acc_place"),
            "reference": st.text_input(_("Reference (mobile money, receipt book)"), key="acc_reference"),
        }
    if kind == "spent":
        what = st.selectbox(_("On what"), SPENT_ON, format_func=_, key="acc_what")
        result = {
            "on_what": what,
            "amount": amount_field(_("Amount"), "acc_amount"),
            "money": place_field("acc_place"),
            "text": st.text_input(_("Note"), key="acc_note"),
        }
        if what == "repair" and account.facts.rule is not None:
            result["holder"] = member_field(account, "acc_holder", _("nobody's fault"))
        return result
    if kind == "grain_sold":
        st.caption(_("{kg} kg are left").format(kg=account.facts.grain_kg))
        kg = exact(
            st.number_input(_("Sold, kg"), 0.0, value=float(account.facts.grain_kg), key="acc_kg"), Decimal("0.001")
        )
        return grain_sold_terms(account, kg, amount_field(_("Amount"), "acc_amount"), place_field("acc_place"), step)
    if kind == "meter_bought":
        words = {"money": _("money in hand"), "seller": _("owed to the seller"), "loan": _("a loan")}
        seasons = int(facts["meter.life_seasons"].value)
        return {
            "amount": amount_field(_("Price"), "acc_amount", float(facts["meter.price"].value)),
            "paid_from": st.radio(_("Paid from"), list(words), format_func=lambda w: words[w], key="acc_from"),
            "money": place_field("acc_place"),
            "life_months": int(st.number_input(_("Months that it will last"), 1, 240, 12 * seasons, key="acc_life")),
            "resale": amount_field(_("What it will fetch then"), "acc_resale"),
        }
    if kind == "seller_paid":
        owed = max(float(-account.journal.balance(SELLER, state.today())), 0.0)
        return {
            "amount": amount_field(_("Amount (what is owed stands there)"), "acc_amount", owed),
            "money": place_field("acc_place"),
        }
    if kind == "loan_taken":
        return {"amount": amount_field(_("Amount"), "acc_amount"), "money": place_field("acc_place")}
    if kind == "loan_paid":
        st.caption(
            _("Of the loan {amount} are still owed.").format(
                amount=coins(-account.journal.balance(LOAN, state.today()), group.currency)
            )
        )
        return {
            "principal": amount_field(_("Of the loan itself"), "acc_principal"),
            "interest": amount_field(_("Interest"), "acc_interest"),
            "money": place_field("acc_place"),
        }
    if kind == "depreciation":
        return {
            "amount": amount_field(
                _("Written off (proposed by its age)"),
                "acc_amount",
                float(depreciation_due(account, state.today(), step)),
            )
        }
    if kind == "loss_rule":
        st.write(_("What part does the holder bear, where …"))
        labels = {"loss": _("it is lost, %"), "theft": _("it is stolen, %"), "breakage": _("it breaks, %")}
        return {
            what: exact(
                st.number_input(
                    labels[what], 0.0, 100.0, 100.0 * facts[f"meter.holder_part.{what}"].value, key=f"acc_{what}"
                )
            )
            / 100
            for what in LOSS_KINDS
        }
    if kind == "meter_gone":
        words = {"loss": _("lost"), "theft": _("stolen"), "breakage": _("broken")}
        return {
            "what": st.radio(_("What happened"), LOSS_KINDS, format_func=lambda w: words[w], key="acc_gone"),
            "holder": member_field(account, "acc_holder"),
        }
    if kind == "joins":
        others = {str(m.id): m.name for m in state.store().members(group.id) if str(m.id) not in account.facts.members}
        if not others:
            st.warning(_("Every member is in the book. Add the new one first, under Members."))
            st.stop()
        member = st.selectbox(_("Member"), list(others), format_func=lambda m: others[m], key="acc_new")
        terms = join_terms(account, member, others[member], step)
        st.write(
            _("Pays in {amount}, which goes to the members so far in equal parts.").format(
                amount=coins(Decimal(terms["buy_in"]), group.currency)
            )
        )
        return terms
    if kind == "leaves":
        member = member_field(account, "acc_member", present=True)
        most = amount_field(_("Most that the group pays out (its reserve rule; 0 = no limit)"), "acc_most")
        terms = leave_terms(account, member, most or None, step)
        st.write(
            _("Is owed {amount}, less what is still owed by the member.").format(
                amount=coins(Decimal(terms["pay_out"]), group.currency)
            )
        )
        return terms
    if kind == "money_moved":
        return {
            "amount": amount_field(_("Amount"), "acc_amount"),
            "money": place_field("acc_place"),
            "to": st.selectbox(_("Moved to"), MONEY_PLACES[::-1], format_func=_, key="acc_to"),
        }
    if kind == "paid_out":
        member = member_field(account, "acc_member")
        owed = next((b.owed_to_him for b in member_balances(account, state.today()) if b.member == member), Decimal(0))
        return {
            "member": member,
            "amount": amount_field(_("Amount (what is owed stands there)"), "acc_amount", float(owed)),
            "money": place_field("acc_place"),
        }
    return {"counted": amount_field(_("Counted"), "acc_amount"), "money": place_field("acc_place")}


def write_down(group: Any, account: Account, events: list[Any]) -> None:
    """Let the treasurer write one entry."""
    words = choices()
    kind = st.selectbox(_("What happened"), list(words), format_func=lambda k: words[k], key="acc_kind")
    on = st.date_input(_("On"), state.today(), key="acc_on")
    if kind in {"joins", "leaves"} and depreciation_due(account, on):
        st.warning(_("Write off the meter's age first, so that the book value is today's."))
    if kind == "meter_gone" and (holder := holder_on(events, on)):
        st.caption(_("By the log the holder was {name}.").format(name=account.facts.names.get(holder, holder)))
    if kind == "meter_bought" and account.facts.meter is not None:
        st.info(_("The meter bought on {day} is in the book already.").format(day=day(account.facts.meter.bought_on)))
        return
    try:
        payload = plain_payload(particulars(kind, group, account))
    except DryholdError as error:
        page.show_error(error)
        return
    short = taken_out(kind, payload) - account.journal.balance(f"assets:{payload.get('money', 'cash box')}", on)
    if kind in TAKES_MONEY and payload.get("paid_from", "money") == "money" and short > 0:
        st.warning(
            _(
                "In the {place} {amount} are lacking for that on this day. Choose another place, or write down "
                "first how the money came in or was moved."
            ).format(place=_(payload["money"]), amount=coins(short, group.currency))
        )
    if st.button(_("Write it into the book"), type="primary", key="acc_write") and write(group, kind, payload, on):
        forget_entry()
        st.rerun()


TAKES_MONEY = ("spent", "meter_bought", "seller_paid", "loan_paid", "paid_out", "money_moved")


def taken_out(kind: str, payload: dict[str, Any]) -> Decimal:
    """Return the money that an entry takes out of its place."""
    if kind == "loan_paid":
        return Decimal(payload["principal"]) + Decimal(payload["interest"])
    return Decimal(str(payload.get("amount", 0)))


def who_owes(balances: tuple[MemberBalance, ...], group: Any) -> pd.DataFrame:
    """Return the members' balances as a table in words and money."""
    return pd.DataFrame(
        [
            {
                _("Member"): row.name + ("" if row.present else f" ({_('has left')})"),
                _("State"): _("in arrears") if row.arrears > 0 else _("paid ahead") if row.owes < 0 else _("in order"),
                _("Owes"): coins(row.owes, group.currency),
                _("In arrears"): coins(row.arrears, group.currency),
                _("Is owed"): coins(row.owed_to_him, group.currency),
                _("Share capital"): coins(row.capital, group.currency),
            }
            for row in balances
        ]
    )


def papers(group: Any, account: Account) -> None:
    """Offer statements and receipts to print."""
    member = member_field(account, "paper_member")
    start = st.date_input(_("From"), None, key="paper_start")
    st.download_button(
        _("Statement to print"),
        statement_sheet(account, member, group.name, group.currency, state.today(), say, start),
        file_name="statement.html",
        mime="text/html",
        key="paper_statement",
    )
    if account.receipts:
        receipts = {receipt.number: receipt for receipt in reversed(account.receipts)}
        chosen = st.selectbox(
            _("Receipt number"), list(receipts), format_func=lambda n: f"{n} – {receipts[n].payer}", key="paper_receipt"
        )
        text = receipt_text(receipts[chosen], group.name, group.currency, say)
        st.code(text, language=None)
        st.download_button(_("Receipt as text"), text, file_name=f"receipt_{chosen}.txt", key="paper_receipt_file")
    st.download_button(
        _("The whole account to print"),
        account_sheet(account, group.name, group.currency, state.today(), say),
        file_name="account.html",
        mime="text/html",
        key="paper_account",
    )


def close_season(group: Any, account: Account) -> None:
    """Close the season step by step: age, money counted, result set aside or shared."""
    if account.facts.closed_until is not None:
        st.caption(_("The season up to {day} is closed.").format(day=day(account.facts.closed_until)))
    last = st.date_input(
        _("Last day of the season"),
        state.today(),
        max_value=state.today(),
        key="close_day",
        help=_("Every step below counts up to and with this day."),
    )
    owing = [row for row in member_balances(account, last) if row.owes > 0]
    if owing:
        st.caption(
            ngettext(
                "{count} member still owes {amount}: that stays in the book and is asked for next season.",
                "{count} members still owe {amount}: that stays in the book and is asked for next season.",
                len(owing),
            ).format(count=len(owing), amount=coins(sum((row.owes for row in owing), Decimal(0)), group.currency))
        )
    due = depreciation_due(account, last, coin(group))
    if due:
        st.markdown(
            f"1. {_('Write off the meter by its age: {amount} to go').format(amount=coins(due, group.currency))}"
        )
        if st.button(_("Write it off"), key="close_age") and write(group, "depreciation", {"amount": due}, last):
            st.rerun()
    else:
        st.markdown(f"1. {_('The meter is written off up to this day.')}")
    count_money(group, account, last)
    totals = account.journal.totals(last)
    result = totals["income"] - totals["expenses"]
    st.markdown(
        f"3. "
        f"{_('The season leaves {amount} (charges, fees and interest less what was spent and written off). Of that:').format(amount=coins(result, group.currency))}"
    )
    left, right = st.columns(2)
    with left:
        reserve = amount_field(_("Set aside for the next meter"), f"close_reserve_{result}", max(float(result), 0.0))
    with right:
        shared = amount_field(_("Paid out to the members, in equal parts"), "close_shared")
    members = account.facts.members
    to_pay = split_exactly(shared, dict.fromkeys(members, 1), coin(group)) if shared and members else {}
    rest = result - reserve - shared
    st.caption(_("The rest, {amount}, stays in the group.").format(amount=coins(rest, group.currency)))
    sure = st.checkbox(_("Nothing can be dated on or before this day afterwards"), key="close_sure")
    if st.button(_("4. Close the season"), type="primary", disabled=not sure, key="close_button") and write(
        group, "season_closed", {"reserve": reserve, "to_pay": to_pay}, last
    ):
        st.session_state.pop("close_sure", None)
        st.rerun()
    st.download_button(
        _("The whole account to print"),
        account_sheet(account, group.name, group.currency, last, say),
        file_name="account.html",
        mime="text/html",
        key="close_paper",
    )


def count_money(group: Any, account: Account, last: date) -> None:
    """Let the treasurer count the money in every place at once and book what differs."""
    st.markdown(f"2. {_('Count the money in every place; a difference is booked.')}")
    differing: dict[str, Decimal] = {}
    for place, column in zip(MONEY_PLACES, st.columns(len(MONEY_PLACES)), strict=True):
        in_book = account.journal.balance(f"assets:{place}", last)
        counted = exact(
            column.number_input(
                _("{place}, counted").format(place=_(place).capitalize()),
                min_value=0.0,
                value=max(float(in_book), 0.0),
                key=f"close_{place}_{in_book}_{last}",
            )
        )
        column.caption(_("The book says {amount}").format(amount=coins(in_book, group.currency)))
        if counted != in_book:
            differing[place] = counted
            column.markdown(_("**Difference {amount}**").format(amount=coins(counted - in_book, group.currency)))
    if not differing:
        st.caption(_("What is counted agrees with the book."))
    elif st.button(_("Book the difference"), key="close_count") and all(
        write(group, "cash_counted", {"counted": counted, "money": place}, last) for place, counted in differing.items()
    ):
        st.rerun()


def earlier_payments(group: Any, account: Account, events: list[Any]) -> None:
    """Take earlier payments in from a table, after showing what would come and what cannot."""
    given = take_file(
        _("Table of earlier payments"), "pay_file", _("Columns day, member, amount; reference and 'kept in'.")
    )
    if given is None:
        return
    try:
        opened = open_payments(*given)
        sheet = choose_sheet(opened.table, "pay_sheet")
        opened = opened if sheet == opened.table.sheet else open_payments(*given, sheet)
        labels = {
            "day": _("Day"),
            "member": _("Member's name or number"),
            "amount": _("Amount"),
            "receipt": _("Receipt or reference"),
            "kept": _("Kept in"),
        }
        complete = all(name in opened.columns for name in NEEDED)
        columns = choose_columns(
            opened.headings, labels, opened.columns, f"pay_{opened.file_hash[:8]}{sheet}", complete
        )
        preview = read_payments(
            opened, account.facts.names, events, state.today(), coin(group), account.facts.closed_until, columns
        )
    except DryholdError as error:
        page.show_error(error)
        return
    for note in preview.notes:
        st.caption(say(note))
    st.write(
        ngettext("{count} payment, together {total}.", "{count} payments, together {total}.", len(preview.rows)).format(
            count=len(preview.rows), total=coins(preview.total, group.currency)
        )
        + " "
        + ngettext("{count} row cannot be taken in.", "{count} rows cannot be taken in.", len(preview.rejected)).format(
            count=len(preview.rejected)
        )
    )
    if preview.rows:
        st.dataframe(
            pd.DataFrame(
                [
                    {
                        _("Day"): r.on,
                        _("Member"): r.name,
                        _("Amount"): float(r.amount),
                        _("Kept in"): _(r.place),
                        _("Reference"): r.reference,
                    }
                    for r in preview.rows
                ]
            ),
            hide_index=True,
            width="stretch",
        )
    show_unused(preview.unused)
    show_refused(preview.rejected, "pay")
    if preview.rows and st.button(_("Take them in"), type="primary", key="pay_take"):
        with page.busy(_("Writing {count} payments").format(count=len(preview.rows))):
            written = write_all(group, [("payment", row.payload, row.on) for row in preview.rows])
        if written:
            st.rerun()


def journal(group: Any, account: Account) -> None:
    """Show the journal, the balances, and let an event be taken back."""
    lines = [
        {
            _("No."): entry.number,
            _("Day"): entry.on,
            _("What"): say(entry.text),
            _("Account"): line.account,
            _("Member"): account.facts.names.get(line.party, line.party),
            _("Debit"): float(line.debit),
            _("Credit"): float(line.credit),
            _("Written by"): entry.who,
        }
        for entry in reversed(account.journal.entries)
        if entry.on <= state.today()
        for line in entry.lines
    ]
    page.table(pd.DataFrame(lines), key="journal_table", file_name="journal.csv")
    ahead = sum(entry.on > state.today() for entry in account.journal.entries)
    if ahead:
        st.caption(
            _("{count} entries are dated ahead (interest of later instalments); they count from their day.").format(
                count=ahead
            )
        )
    rows = account.journal.trial_balance(state.today())
    page.table(
        pd.DataFrame(
            [
                {_("Account"): r.account, _("Debit"): float(r.debit), _("Credit"): float(r.credit)}
                for r in rows
                if r.debit or r.credit
            ]
        ),
        key="journal_trial",
    )
    debits = sum((row.debit for row in rows), Decimal(0))
    st.caption(
        _("Debits {debits} = credits {credits}").format(
            debits=debits, credits=sum((row.credit for row in rows), Decimal(0))
        )
    )
    standing = {e.id: e for e in reversed(account.events) if e.reverses is None and e.id not in account.reversed_events}
    if standing:
        words = {**choices(), **written_elsewhere()}
        st.write(_("Nothing can be deleted: a wrong entry is taken back, and both stay readable."))
        chosen = st.selectbox(
            _("Entry to take back"),
            list(standing),
            key="journal_back",
            format_func=lambda n: (
                f"{standing[n].on} · {words.get(standing[n].kind, standing[n].kind)} · "
                f"{standing[n].payload.get('amount', '')}"
            ),
        )
        reason = st.text_input(_("Reason"), key="journal_reason")
        if st.button(_("Take it back"), disabled=not reason.strip(), key="journal_take") and write(
            group, "reversal", {"reason": reason.strip()}, reverses=chosen
        ):
            st.rerun()


def seller_offer(group: Any) -> None:
    """Compare the seller's offer to take grain with cash and a loan."""
    facts = state.store().facts(group.id)
    left, right = st.columns(2)
    cash = left.number_input(_("Price in cash"), 0.01, value=float(facts["meter.price"].value), key="offer_cash")
    now = float(facts["maize_price_kg"].value)
    months = int(left.number_input(_("Months until the grain is handed over"), 0, 36, 6, key="offer_months"))
    known = expected_price(state.store(), group.id, "maize", months)
    expected, usual = (known.median, 100 * known.spread) if known else (now, 25.0)
    kg = right.number_input(
        _("Grain that the seller takes instead, kg"),
        1.0,
        value=float(round(1.1 * cash / max(expected, 1e-9))),
        key="offer_kg",
    )
    price = right.number_input(
        _("Price a kg expected then"), 0.0001, value=expected, format="%.4f", key=f"offer_price_{months}"
    )
    spread = left.number_input(
        _("Usual difference from what was expected, %"), 0.0, 200.0, usual, key=f"offer_spread_{months}"
    )
    st.caption(
        _("Price and difference for that month come from the group's own price series of maize.")
        if known
        else _(
            "There is no price series of maize that shows a season: today's price and a quarter more or less are "
            "assumed."
        )
    )
    left, right = st.columns(2)
    loan = right.number_input(_("Loan: interest a month on what is owed, %"), 0.0, 30.0, 3.0, key="offer_loan")
    loan_months = int(left.number_input(_("Loan: monthly payments"), 1, 60, 12, key="offer_payments"))
    waiting = right.number_input(
        _("What a month's waiting costs the group, %"),
        0.0,
        30.0,
        100 * float(facts["interest_monthly"].value),
        key="offer_waiting",
    )
    delivery = left.number_input(_("Bringing the grain to the seller costs"), 0.0, value=0.0, key="offer_delivery")
    paths = lognormal_prices(price, spread / 100, 4000, 9)
    result = compare_offer(SellerOffer(cash, kg, months, delivery), paths, loan / 100, loan_months, waiting / 100)
    page.answer(offer_answer(result, group.currency))
    page.chart(
        offer_figure(result, group.currency),
        alt=_("What grain, loan and cash cost in today's money"),
        key="offer_chart",
    )
    page.table(
        pd.DataFrame(
            [
                {
                    _("Way to pay"): _("cash now"),
                    _("Costs in today's money"): money(result.cash, group.currency),
                    _("8 of 10 cases"): "–",
                },
                {
                    _("Way to pay"): _("loan, {count} payments of {payment}").format(
                        count=loan_months, payment=money(result.loan_payment, group.currency)
                    ),
                    _("Costs in today's money"): money(result.loan, group.currency),
                    _("8 of 10 cases"): "–",
                },
                {
                    _("Way to pay"): _("{kg} kg of grain in {months} months").format(kg=number(kg, 0), months=months),
                    _("Costs in today's money"): money(result.grain_median, group.currency),
                    _("8 of 10 cases"): _("{low} to {high}").format(
                        low=money(result.grain_low, group.currency), high=money(result.grain_high, group.currency)
                    ),
                },
            ]
        ),
        key="offer_table",
    )
    page.caution("advice")


def offer_answer(result: OfferComparison, currency: str) -> str:
    """Return in a sentence which way costs least and how sure that is."""
    ways = {_("cash now"): result.cash, _("the loan"): result.loan, _("grain"): result.grain_median}
    cheapest = min(ways, key=lambda name: ways[name])
    return _(
        "{way} costs least in today's money ({amount}). In {chance} of the cases the grain is dearer than the "
        "loan: it is where a kilogram fetches more than {price} at the harvest."
    ).format(
        way=cheapest[0].upper() + cheapest[1:],
        amount=money(ways[cheapest], currency),
        chance=percent(result.chance_grain_dearer),
        price=money(result.breakeven_price, currency),
    )


def show() -> None:
    """Show the page."""
    page.start(_("The meter's account"), _("What came in, what went out, and who owes what?"))
    group = page.stop_if_no_group()
    events, account = read_book(group)
    say_last()
    open_book_first(group, account)
    balances = member_balances(account, state.today())
    held = sum((account.journal.balance(f"assets:{place}", state.today()) for place in MONEY_PLACES), Decimal(0))
    late = [row for row in balances if row.arrears > 0]
    page.answer(
        _("The group holds {held}; the meter stands at {value}; {late}").format(
            held=coins(held, group.currency),
            value=coins(book_value(account), group.currency),
            late=ngettext(
                "{count} member owes {arrears} that should have been paid.",
                "{count} members owe {arrears} that should have been paid.",
                len(late),
            ).format(count=len(late), arrears=coins(sum((row.arrears for row in late), Decimal(0)), group.currency))
            if late
            else _("nobody is in arrears."),
        )
    )
    for warning in warnings(account, MONEY_PLACES):
        st.warning(say(warning))
    lines = money_book(account, MONEY_PLACES)
    if lines:
        page.chart(money_figure(lines, group.currency), alt=_("Money left after each day"), key="acc_chart")
    page.table(who_owes(balances, group), key="acc_owes", file_name="who_owes.csv")
    sections = {
        "write": _("Write down"),
        "money": _("Money in and out"),
        "papers": _("Statements and receipts"),
        "close": _("Close the season"),
        "import": _("Earlier payments"),
        "offer": _("Grain instead of cash"),
        "journal": _("Journal"),
    }
    section = st.segmented_control(
        _("What to do"), list(sections), default="write", format_func=lambda s: sections[s], key="acc_section"
    )
    ask_name()
    with page.plain_errors():
        if section == "money":
            table = [
                {
                    _("Day"): r.on,
                    _("What"): say(r.text),
                    _("Place"): _(r.place),
                    _("In"): number(float(r.money_in), 2),
                    _("Out"): number(float(r.money_out), 2),
                    _("Left"): number(float(r.left), 2),
                    _("Reference"): r.reference,
                    _("Written by"): r.who,
                }
                for r in reversed(lines)
            ]
            page.table(pd.DataFrame(table), key="acc_money", file_name="money.csv")
        elif section == "papers":
            papers(group, account)
        elif section == "close":
            close_season(group, account)
        elif section == "import":
            earlier_payments(group, account, events)
        elif section == "offer":
            seller_offer(group)
        elif section == "journal":
            journal(group, account)
        else:
            write_down(group, account, events)
    page.sources(
        [
            _("Double entry: every entry has two equal sides; annuity in arrears for instalments"),
            _("Straight-line depreciation over the meter's life: common practice, no source"),
        ]
    )
