"""Pools and money: what is in store, loads sold, losses, payments, loans, the agreement behind them, and the close."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

import pandas as pd
import streamlit as st

from core.accounts.splitting import as_decimal
from core.errors import DryholdError, InputError
from core.group.records import Event, Group
from core.meter.account import member_balances, record_all
from core.meter.account import replay as replay_meter
from core.meter.book import MONEY_PLACES
from core.pool.buyers_side import differences, learn_offset
from core.pool.contracts import contract_of
from core.pool.deliveries import weight_at
from core.pool.earlier import PAYMENTS
from core.pool.losses import PoolLosses, losses_against_plan
from core.pool.payout import CASH, MemberPay, books, first_payments_due, loan_accounts, pay_by_member
from core.pool.prices import PriceEffect, price_effects
from core.pool.season import Season
from dashboard import page, state
from dashboard.forms.pool_entries import (
    contract_check,
    loan_form,
    loss_form,
    payment_form,
    received_form,
    sale_form,
    store_form,
    terms_form,
)
from dashboard.forms.pool_import import earlier_form
from dashboard.meter_parts import coins, named
from dashboard.pool_parts import head, method_name, names_of, read_season, safe, sentence, who_did_what, write
from dashboard.text import _, day, ngettext, number

ZERO = Decimal(0)


@st.cache_data(max_entries=16, show_spinner=False)
def expected_losses(group_id: int, version: int, until: date) -> list[PoolLosses]:
    """Return each pool's losses beside what the storage room expects."""
    group = state.store().group(group_id)
    return losses_against_plan(state.store(), group, read_season(group)[1], until, state.now())


@st.cache_data(max_entries=16, show_spinner=False)
def effects_of(group_id: int, version: int) -> list[PriceEffect]:
    """Return what each agreed price difference does."""
    return price_effects(state.store().events(group_id, "pool"))


def show_pools(season: Season) -> None:
    """Show each pool's kilograms: brought, lost, sold, in store."""
    base = season.terms.base_pct

    def at_base(dry: Decimal) -> float:
        return round(float(weight_at(dry, base)), 1)

    rows = []
    for pool in season.pools():
        lost = sum((sum(x.dry_by_member.values(), ZERO) for x in season.losses if x.pool == pool), ZERO)
        rows.append(
            {
                _("Pool"): pool,
                _("Brought"): at_base(sum((x.dry_kg for x in season.deliveries if x.pool == pool), ZERO)),
                _("Lost"): at_base(lost),
                _("Sold"): at_base(sum((x.dry_kg for x in season.sales if x.pool == pool), ZERO)),
                _("In store"): at_base(season.pool_dry_kg(pool)),
            }
        )
    st.subheader(_("In the pools, kg at {base} % moisture").format(base=base))
    page.table(pd.DataFrame(rows), "pools_table")


def show_members(season: Season, pays: dict[int, MemberPay], members: dict[int, str]) -> None:
    """Show each member's money."""
    first = first_payments_due(season)
    rows = []
    for member, pay in pays.items():
        row = {
            _("Member"): members.get(member, str(member)),
            _("Part of sales"): float(pay.proceeds),
            _("Truck and market"): float(pay.costs),
            _("Levies"): float(sum(pay.levies.values(), ZERO)),
            _("Meter"): float(pay.meter),
            _("Loans"): float(pay.loans),
            _("Advances"): float(pay.advances),
            _("Charges"): float(pay.charges),
            _("Comes to him or her"): float(pay.take_home),
            _("Paid"): float(pay.paid),
            _("Still due"): float(pay.due),
            _("First payment agreed"): float(first.get(member, 0)),
        }
        rows.append(row)
    if not rows:
        return
    frame = pd.DataFrame(rows)
    kept = [_("Member"), _("Part of sales"), _("Comes to him or her"), _("Paid"), _("Still due")]
    frame = frame[[name for name in frame.columns if name in kept or (frame[name] != 0).any()]]
    st.subheader(_("Each member's money"))
    page.table(frame, "payout_table", "payout.csv")
    kinds = {"levies": _("levies"), "meter": _("meter fees"), "loans": _("loans"), "advances": _("advances")}
    order = ", ".join(kinds[name] for name in season.terms.order)
    kept_part = season.terms.minimum_take_home
    words = _("Taken off in this order: {order}.").format(order=order)
    if kept_part:
        words += " " + _("At least {part} % of what is left after truck and market comes to the member.").format(
            part=f"{float(100 * kept_part):g}"
        )
    short = [members.get(key, "?") for key, pay in pays.items() if pay.short]
    if short:
        words += " " + _("Not all could be taken off yet from: {names}.").format(names=safe(", ".join(short)))
    st.caption(words)


def show_prices(group: Group, members: dict[int, str]) -> None:
    """Explain each agreed price difference with what it does to each member."""
    effects = effects_of(group.id, state.store().version(group.id))
    if not effects:
        return
    st.subheader(_("What the price differences do"))
    for effect in effects:
        gains = sum((x for x in effect.by_member.values() if x > 0), ZERO)
        best = max(effect.by_member, key=lambda key: effect.by_member[key])
        worst = min(effect.by_member, key=lambda key: effect.by_member[key])
        st.write(
            _(
                "{sentence}. It moves {amount} between members: most to {best} ({gain}), most from {worst} ({loss})."
            ).format(
                sentence=sentence(effect.sentence),
                amount=coins(gains, group.currency),
                best=safe(members.get(best, "?")),
                gain=coins(effect.by_member[best], group.currency),
                worst=safe(members.get(worst, "?")),
                loss=coins(effect.by_member[worst], group.currency),
            )
            if gains
            else _("{sentence}. So far it changes nothing.").format(sentence=sentence(effect.sentence))
        )
    if not any(any(effect.by_member.values()) for effect in effects):
        return
    words = {"grade": _("By grade"), "week": _("By week"), "rule": _("By load")}
    rows = [
        {_("Member"): members.get(key, "?")} | {words[effect.name]: float(effect.by_member[key]) for effect in effects}
        for key in effects[0].by_member
    ]
    with st.expander(_("Effect on each member, against one price for all")):
        page.table(pd.DataFrame(rows), "effects_table", "price_effects.csv")


def show_buyers(group: Group, season: Season) -> None:
    """Compare every load by our scale and meter with the buyer's, under the contract."""
    if not season.sales:
        return
    crop = {item.pool: item.commodity for item in season.deliveries}
    contracts = {
        (sale.buyer, sale.pool): contract_of(state.store(), group.id, sale.buyer, crop.get(sale.pool, "maize"))
        for sale in {(x.buyer, x.pool): x for x in season.sales}.values()
    }
    seen = differences(season, lambda sale: contracts[sale.buyer, sale.pool])
    st.subheader(_("What the buyers weighed and read"))
    short = sum((row.money_short for row in seen), ZERO)
    words = ngettext(
        "For {loads} load the buyers gave {amount} {less} than the contract gives on our own scale and meter.",
        "For {loads} loads the buyers gave {amount} {less} than the contracts give on our own scale and meter.",
        len(seen),
    )
    st.write(
        words.format(
            loads=len(seen),
            amount=coins(abs(round(short, 2)), group.currency),
            less=_("less") if short >= 0 else _("more"),
        )
    )
    page.table(
        pd.DataFrame(
            [
                {
                    _("Load"): row.sale,
                    _("Buyer"): row.buyer,
                    _("His scale − ours, kg"): float(row.mass_kg),
                    _("His meter − ours, points"): float(row.moisture_points),
                    _("Contract takes off, on our readings"): round(float(row.expected_deductions), 2),
                    _("on his readings"): round(float(row.on_his_readings), 2),
                    _("He took off"): float(row.charged_deductions),
                    _("Less by his scale"): round(float(row.by_scale), 2),
                    _("Less by his meter"): round(float(row.by_meter), 2),
                    _("Beyond the contract"): round(float(row.beyond_contract), 2),
                    _("Less in all"): round(float(row.money_short), 2),
                }
                for row in seen
            ]
        ),
        "buyers_table",
        "buyers_side.csv",
    )
    for (buyer, _pool), terms in contracts.items():
        rules = terms.deductions
        steps = "; ".join(f"{100 * float(rate):.3g} % / point → {float(upper):g} %" for upper, rate in rules.steps)
        st.caption(
            _("Contract of {buyer}: nothing up to {base} %, then {steps}. {source}").format(
                buyer=safe(buyer),
                base=f"{float(rules.base_pct or 0):g}",
                steps=steps,
                source=f"({sentence(terms.source)})",
            )
        )
    for buyer in sorted({sale.buyer for sale in season.sales}):
        offset = learn_offset(season.sales, buyer)
        st.caption(
            _(
                "{buyer}: loads weighed twice: {loads}; his scale reads {scale} % (next load ± {se}) and his meter "
                "{meter} points "
                "(± {mse}) above ours, drawn towards none while loads are few. The sale plan reckons with it."
            ).format(
                buyer=safe(buyer),
                scale=number(100 * offset.scale, 2),
                se=number(100 * offset.scale_sd, 2),
                meter=number(offset.meter, 2),
                mse=number(offset.meter_sd, 2),
                loads=offset.loads,
            )
        )
    contract_check(group, season)


def show_losses(group: Group) -> None:
    """Show pool losses beside what the storage room expects of that store, moisture and time."""
    st.subheader(_("Losses against what was to be expected"))
    with page.busy(_("Reckoning what the store takes")):
        found = expected_losses(group.id, state.store().version(group.id), state.today())
    for row in found:
        st.write(sentence(row.verdict) + ".")
        origin = _("assumed") if row.assumed_method else _("entered by you")
        st.caption(
            _("Stored in: {method} ({origin}), brought in at {moisture} % on average.").format(
                method=method_name(row.method), origin=origin, moisture=number(row.moisture_pct, 1)
            )
        )
    page.table(
        pd.DataFrame(
            [
                {
                    _("Pool"): row.pool,
                    _("Insects, mould, breathing: lost"): float(row.measured_storage),
                    _("to be expected, low"): round(row.expected_storage[0], 1),
                    _("middle"): round(row.expected_storage[1], 1),
                    _("high"): round(row.expected_storage[2], 1),
                    _("Spilt"): float(row.measured.get("spillage", ZERO)),
                    _("spilling to be expected"): round(row.expected_spillage, 1),
                    _("Theft"): float(row.measured.get("theft", ZERO)),
                    _("Home use, count"): float(row.measured.get("home use", ZERO) + row.measured.get("count", ZERO)),
                }
                for row in found
            ]
        ),
        "losses_table",
    )


def show_loans(group: Group, accounts: list[Any], members: dict[int, str]) -> None:
    """Show the book of loans."""
    if not accounts:
        return
    st.subheader(_("Loans to members"))
    page.table(
        pd.DataFrame(
            [
                {
                    _("Loan"): account.loan.number,
                    _("Member"): members.get(account.loan.member_id, "?"),
                    _("Lent on"): account.loan.on,
                    _("What for"): account.loan.purpose,
                    _("Lent"): float(account.loan.principal),
                    _("% a month"): float(100 * account.loan.monthly_rate),
                    _("Interest"): float(account.interest),
                    _("Taken off pay"): float(account.recovered),
                    _("Paid back in cash"): float(account.repaid),
                    _("Still due"): float(account.still_due),
                }
                for account in accounts
            ]
        ),
        "loans_table",
        "loans.csv",
    )
    st.caption(
        _("Interest: after each whole month, the principal still due times the rate; money in pays interest first.")
    )


def show_meter(group: Group, season: Season, pays: dict[int, MemberPay], members: dict[int, str]) -> None:
    """Take over what members owe to the meter's account, and pass on what was taken off their pay."""
    account = replay_meter(state.store().events(group.id, "meter"))
    passed = _sums(season.passed_on)
    waiting = {key: asked - passed.get(key, ZERO) for key, asked in _sums(season.dues).items()}
    owing = {}
    for row in member_balances(account, state.today()):
        if row.member.isdigit():
            more = row.arrears - waiting.get(int(row.member), ZERO)
            if more > 0:
                owing[int(row.member)] = more
    to_pass = {key: pay.meter - passed.get(key, ZERO) for key, pay in pays.items() if pay.meter > passed.get(key, ZERO)}
    if not owing and not to_pass and not season.dues:
        return
    st.subheader(_("Meter fees"))
    if owing:
        total = coins(sum(owing.values(), ZERO), group.currency)
        st.write(
            _("{count} members owe the meter's account {amount} that is due now.").format(
                count=len(owing), amount=total
            )
        )
        if st.button(_("Take it off at the next load sold"), key="ask_dues"):
            amounts = {"amounts": {str(key): str(amount) for key, amount in owing.items()}}
            if write(group, [("dues", state.today(), amounts)], _("Asked for as entry {number}.")):
                st.rerun()
    if to_pass:
        total = coins(sum(to_pass.values(), ZERO), group.currency)
        st.write(
            _("{amount} was taken off members' pay for the meter and is still in the pools' cash.").format(amount=total)
        )
        place = st.selectbox(_("Where it is kept for the meter"), MONEY_PLACES, format_func=_, key="dues_place")
        if st.button(_("Pass {amount} on to the meter's account").format(amount=total), key="pass_dues") and named():
            items = [
                (
                    "payment",
                    state.today(),
                    {
                        "member": str(key),
                        "name": members.get(key, "?"),
                        "amount": amount,
                        "money": place,
                        "reference": _("taken off the pay of grain sold"),
                    },
                )
                for key, amount in to_pass.items()
            ]
            if season.closes and max(close.on for close in season.closes) >= state.today():
                raise InputError("the season is closed until {day}", day=max(close.on for close in season.closes))
            record_all(state.store(), group.id, items, state.who(), state.now())
            amounts = {"amounts": {str(key): str(amount) for key, amount in to_pass.items()}}
            if write(group, [("passed_on", state.today(), amounts)], _("Passed on as entry {number}.")):
                st.rerun()


def _sums(rows: Any) -> dict[int, Decimal]:
    sums: dict[int, Decimal] = {}
    for _on, _number, amounts in rows:
        for member, amount in amounts.items():
            sums[member] = sums.get(member, ZERO) + amount
    return sums


def counted_notes(text: str) -> Decimal:
    """Return the sum of lines such as ``10000 x 12``.

    Raises
    ------
    InputError
        A line that is not a value and a count.
    """
    total = ZERO
    for line in text.splitlines():
        if not line.strip():
            continue
        parts = line.replace("×", "x").replace("*", "x").lower().split("x")
        if len(parts) != 2:
            raise InputError("'{line}' is not a note or coin and how many, such as 10000 x 12", line=line.strip())
        total += as_decimal(parts[0]) * as_decimal(parts[1])
    return total


def show_close(group: Group, season: Season) -> None:
    """Count the cash, explain what differs, close the season."""
    st.subheader(_("Season's close"))
    for close in season.closes:
        st.write(
            _("Closed on {day} by {who}: {amount} counted. {words}").format(
                day=day(close.on),
                who=safe(close.who),
                amount=coins(close.counted, group.currency),
                words=safe(close.explanation),
            )
        )
    journal = books(season)
    in_books = journal.balance(CASH)
    st.write(_("Cash by the books today: {amount}.").format(amount=coins(in_books, group.currency)))
    notes = st.text_area(
        _("Count the cash: a note or coin and how many of it, one kind a line, such as 10000 x 12"), key="close_notes"
    )
    counted = counted_notes(notes)
    gap = counted - in_books
    if notes.strip():
        words = _("Counted {counted}: the books and the cash agree.")
        if gap:
            words = _("Counted {counted}: {gap} {more} than the books say.")
        st.write(
            words.format(
                counted=coins(counted, group.currency),
                gap=coins(abs(gap), group.currency),
                more=_("more") if gap > 0 else _("less"),
            )
        )
    explanation = st.text_input(_("How the difference is explained"), key="close_explanation")
    page.table(
        pd.DataFrame(
            [
                {_("Account"): row.account, _("Debit"): float(row.debit), _("Credit"): float(row.credit)}
                for row in journal.trial_balance()
                if row.debit or row.credit
            ]
        ),
        "trial_balance",
        "trial_balance.csv",
    )
    st.caption(
        _("Closing books the difference; entries of the closed days are then refused until the close is taken back.")
    )
    if st.button(_("Close the season up to today"), disabled=not notes.strip(), key="close_season"):
        if gap and not explanation.strip():
            raise InputError("say how the difference between cash and books is explained")
        payload = {"counted": str(counted), "explanation": explanation.strip(), "notes": notes.strip()}
        if write(group, [("close", state.today(), payload)], _("The season is closed, entry {number}.")):
            st.rerun()


def write_down(
    group: Group, season: Season, members: dict[int, str], pays: dict[int, MemberPay], accounts: list[Any]
) -> None:
    """Offer all that can be written into the book."""
    st.subheader(_("Write down"))
    tabs = st.tabs(
        [
            _("Load sold"),
            _("Received from a buyer"),
            _("Paid to members"),
            _("Loan"),
            _("Loss"),
            _("Where a pool lies"),
            _("Earlier payments"),
        ]
    )
    with tabs[0], page.plain_errors():
        sale_form(group, season)
    with tabs[1], page.plain_errors():
        if season.sales:
            received_form(group, season)
        else:
            st.write(_("No load has been sold yet."))
    with tabs[2], page.plain_errors():
        payment_form(group, season, members, pays)
    with tabs[3], page.plain_errors():
        loan_form(group, members, accounts)
    with tabs[4], page.plain_errors():
        loss_form(group, season)
    with tabs[5], page.plain_errors():
        store_form(group, season)
    with tabs[6], page.plain_errors():
        earlier_form(group, PAYMENTS)


def show_all(group: Group, events: list[Event], season: Season) -> None:
    """Show a season with deliveries."""
    members = names_of(group)
    pays = pay_by_member(season)
    accounts = loan_accounts(season, pays, state.today())
    show_pools(season)
    show_members(season, pays, members)
    write_down(group, season, members, pays, accounts)
    show_prices(group, members)
    show_buyers(group, season)
    with page.plain_errors():
        show_losses(group)
    show_loans(group, accounts, members)
    with page.plain_errors():
        show_meter(group, season, pays, members)
    with page.plain_errors():
        show_close(group, season)


def show() -> None:
    """Show the page."""
    page.start(
        _("Pools and pay-out"), _("What is in the pools, what did it sell for, and what is each member still due?")
    )
    group = page.stop_if_no_group()
    try:
        events, season = read_season(group)
        pays = pay_by_member(season)
        due = sum((pay.due for pay in pays.values() if pay.due > 0), ZERO)
        owed = sum((pay.proceeds for pay in pays.values()), ZERO)
        received = sum((item.amount for item in season.money if item.kind == "buyer_payment"), ZERO)
        if season.deliveries:
            page.answer(
                _("Still due to members: {due}. Buyers owe {owed} for what they bought.").format(
                    due=coins(due, group.currency), owed=coins(owed - received, group.currency)
                )
            )
        else:
            page.answer(_("Nothing is in the pools yet: write down what the group agreed, then the first delivery."))
        head()
        if season.deliveries:
            show_all(group, events, season)
        else:
            st.write(_("Deliveries are weighed in on the page Deliveries."))
        with st.expander(_("What the group agreed"), expanded=not season.deliveries), page.plain_errors():
            terms_form(group, season)
        if events:
            who_did_what(group, events, names_of(group))
        page.sources(
            [
                _(
                    "Shares: in proportion to dry kilograms, to the gram; money in whole coins by the largest "
                    "remainder."
                ),
                _(
                    "Expected loss in store: the storage room's physics for that method, moisture, crop and time, "
                    "10 to 90 % of its runs."
                ),
                _("A buyer's offset: normal mean with a normal prior, drawn towards none while loads are few."),
                _("Interest by whole months, money in pays interest first: common practice, no source."),
            ]
        )
        page.caution("advice")
    except DryholdError as error:
        page.show_error(error)
