"""Pay-out: what members are still due, what has come in for it, and paying it out."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

import pandas as pd
import streamlit as st

from core.group.records import Group, NewEntry
from core.meter.account import member_balances, meter_entries
from core.meter.account import replay as replay_meter
from core.meter.book import MONEY_PLACES
from core.pool.payout import CASH, MemberPay, books, buyer_accounts, first_payments_due, payable_now
from core.pool.season import Season
from dashboard import page, state
from dashboard.charts.pool import money_figure
from dashboard.forms.confirm import confirm_once
from dashboard.forms.entries import Values, last_number
from dashboard.forms.fields import Field, Filled, draw_fields
from dashboard.forms.pool_entries import PoolScene, scene_of
from dashboard.money_parts import coins, place_words, told_apart
from dashboard.pool_parts import effects_of, head, names_of, read_season, record, record_several, sentence
from dashboard.text import _, literal, ngettext, tongue

ZERO = Decimal(0)


def due_to(pays: Mapping[int, MemberPay]) -> dict[int, Decimal]:
    """Return the members to whom something is still due, and how much."""
    return {member: pay.due for member, pay in pays.items() if pay.due > 0}


def answer(scene: PoolScene) -> str:
    """Return the page's answer: what is due, what is there for it, what buyers still owe."""
    due = sum(due_to(scene.pays).values(), ZERO)
    owed = sum((account.open for account in scene.buyers.values()), ZERO)
    return _("Still due to members: {due}. In the pools' cash: {cash}. Buyers still owe {owed}.").format(
        due=scene.coins(due), cash=scene.coins(books(scene.season).balance(CASH)), owed=scene.coins(owed)
    )


def pay_all(scene: PoolScene) -> None:
    """Offer to pay everybody what has come in: all that is due where the cash reaches, else in proportion."""
    due, parts = due_to(scene.pays), payable_now(scene.season, scene.pays)
    if not due:
        st.caption(_("No member is due any money."))
        return
    if not parts:
        st.caption(_("There is no cash to pay out. First record what a buyer paid."))
        return
    total, wanted = sum(parts.values(), ZERO), sum(due.values(), ZERO)
    everything = total == wanted
    items = [
        ("payment", state.today(), {"member_id": member, "amount": amount, "reference": _("pay-out")})
        for member, amount in parts.items()
    ]
    words = (
        ngettext(
            "Pay {count} member all that is due, {amount}.",
            "Pay {count} members all that is due, {amount}.",
            len(parts),
        )
        if everything
        else ngettext(
            "Pay {count} member what has come in: {amount} of {wanted} due.",
            "Pay {count} members what has come in: {amount} of {wanted} due, to each the same part.",
            len(parts),
        )
    )

    def summary(values: Mapping[str, Any]) -> str:
        listed = "; ".join(f"{member}: {scene.coins(amount)}" for member, amount in values["parts"].items())
        return f"{words.format(count=len(parts), amount=scene.coins(total), wanted=scene.coins(wanted))} {listed}"

    confirm_once(
        "pay_all",
        Filled({"parts": {scene.label(member): amount for member, amount in parts.items()}}, {}),
        summary,
        lambda _values, token: record_several(scene.group, items, token),
        seen=last_number(scene.events),
        button=_("Pay all that is due") if everything else _("Pay with the cash that is there"),
    )


def member_table(scene: PoolScene) -> pd.DataFrame:
    """Return each member's money, who is due most first; columns that are 0 for all are left out."""
    names, first = told_apart(scene.members), first_payments_due(scene.season)
    rows = []
    for member, pay in sorted(scene.pays.items(), key=lambda item: -item[1].due):
        amounts = {
            _("Still due"): pay.due,
            _("Paid"): pay.paid,
            _("Net pay"): pay.take_home,
            _("Part of sales"): pay.proceeds,
            _("Truck and market"): pay.costs,
            _("Never paid by buyers"): pay.written_off,
            _("Levies"): sum(pay.levies.values(), ZERO),
            _("Meter"): pay.meter,
            _("Loans"): pay.loans,
            _("Advances"): pay.advances,
            _("Charges"): pay.charges,
            _("First payment agreed"): first.get(member, ZERO),
        }
        rows.append({_("Member"): names.get(member, str(member)), **amounts})
    frame = pd.DataFrame(rows)
    kept = {_("Member"), _("Part of sales"), _("Net pay"), _("Paid"), _("Still due")}
    shown = [name for name in frame.columns if name in kept or any(value != 0 for value in frame[name])]
    return frame[shown].map(lambda value: coins(value, scene.group.currency) if isinstance(value, Decimal) else value)


def taken_off_words(scene: PoolScene) -> str:
    """Return in which order things are taken off, and from whom not all could be."""
    kinds = {"levies": _("levies"), "meter": _("meter fees"), "loans": _("loans"), "advances": _("advances")}
    terms = scene.season.terms
    words = _("Deducted in this order: {order}.").format(order=", ".join(kinds[name] for name in terms.order))
    if terms.minimum_take_home:
        words += " " + _("Each member gets at least {part} % of the sales after truck and market.").format(
            part=tongue().plain(100 * terms.minimum_take_home)
        )
    short = [scene.label(member) for member, pay in scene.pays.items() if pay.short]
    if short:
        words += " " + _("Not everything could be deducted yet from: {names}.").format(names=literal(", ".join(short)))
    return words


def show_prices(group: Group, members: Mapping[int, str]) -> None:
    """Explain each agreed price difference with what it does to each member."""
    effects = effects_of(group.id, state.store().version(group.id))
    moved = [effect for effect in effects if any(effect.by_member.values())]
    if not effects:
        return
    with st.expander(_("How the price differences change the pay")):
        for effect in effects:
            gains = sum((amount for amount in effect.by_member.values() if amount > 0), ZERO)
            st.write(
                _("{sentence}. This moves {amount} between members.").format(
                    sentence=sentence(effect.sentence), amount=coins(gains, group.currency)
                )
                if gains
                else _("{sentence}. So far it changes nothing.").format(sentence=sentence(effect.sentence))
            )
        if not moved:
            return
        names = told_apart(members)
        words = {"grade": _("By grade"), "week": _("By week"), "rule": _("By load")}
        rows = [
            {_("Member"): names.get(key, "?")}
            | {words[effect.name]: coins(effect.by_member[key], group.currency) for effect in moved}
            for key in moved[0].by_member
        ]
        page.table(rows, "effects_table", "price_effects.csv")


def show_meter(scene: PoolScene) -> None:
    """Take over what members owe to the meter's account, and pass on what was taken off their pay."""
    group, season = scene.group, scene.season
    account = replay_meter(state.store().events(group.id, "meter"))
    passed = _sums(season.passed_on)
    waiting = {key: asked - passed.get(key, ZERO) for key, asked in _sums(season.dues).items()}
    owing = {}
    for row in member_balances(account, state.today()):
        more = row.arrears - waiting.get(int(row.member), ZERO) if row.member.isdigit() else ZERO
        if more > 0:
            owing[int(row.member)] = more
    to_pass = {
        key: pay.meter - passed.get(key, ZERO) for key, pay in scene.pays.items() if pay.meter > passed.get(key, ZERO)
    }
    if not owing and not to_pass:
        return
    with st.expander(_("Meter fees"), expanded=bool(to_pass)):
        if owing:
            _ask_dues(scene, owing)
        if to_pass:
            _pass_on(scene, to_pass)


def _ask_dues(scene: PoolScene, owing: Mapping[int, Decimal]) -> None:
    total = sum(owing.values(), ZERO)
    payload = {"amounts": {str(member): str(amount) for member, amount in owing.items()}}
    confirm_once(
        "ask_dues",
        Filled(payload, {}),
        lambda _values: ngettext(
            "{count} member owes the meter's account {amount}: deduct it at the next load sold.",
            "{count} members owe the meter's account {amount}: deduct it at the next load sold.",
            len(owing),
        ).format(count=len(owing), amount=scene.coins(total)),
        lambda _values, token: record(scene.group, "dues", state.today(), payload, token),
        seen=last_number(scene.events),
        button=_("Deduct {amount} for the meter at the next load").format(amount=scene.coins(total)),
    )


def _pass_on(scene: PoolScene, to_pass: Mapping[int, Decimal]) -> None:
    total = scene.coins(sum(to_pass.values(), ZERO))
    places = {place: place_words(place).capitalize() for place in MONEY_PLACES}
    filled = draw_fields(
        "pass_dues",
        (
            Field(
                "place",
                _("Where the meter's money is kept"),
                "choice",
                options=places,
                value=MONEY_PLACES[0],
                wide=True,
            ),
        ),
    )

    def write(values: Values, token: str) -> str:
        today = state.today()
        paid = [
            (
                "payment",
                today,
                {
                    "member": str(member),
                    "name": scene.members.get(member, "?"),
                    "amount": amount,
                    "money": values["place"],
                    "reference": _("deducted from the pay for grain sold"),
                },
            )
            for member, amount in to_pass.items()
        ]
        amounts = {"amounts": {str(member): str(amount) for member, amount in to_pass.items()}}
        of_meter: list[NewEntry] = meter_entries(paid)
        return record_several(scene.group, [("passed_on", today, amounts)], token, of_meter)

    confirm_once(
        "pass_dues",
        filled,
        lambda values: _(
            "{amount} deducted from members' pay goes from the pools' cash into the meter's {place}."
        ).format(amount=total, place=place_words(values["place"])),
        write,
        seen=last_number(scene.events),
        button=_("Pass {amount} on to the meter's account").format(amount=total),
    )


def _sums(rows: Any) -> dict[int, Decimal]:
    sums: dict[int, Decimal] = {}
    for _on, _number, amounts in rows:
        for member, amount in amounts.items():
            sums[member] = sums.get(member, ZERO) + amount
    return sums


def ahead_words(season: Season, currency: str) -> list[str]:
    """Return which buyers have paid more than they owe: no other buyer's debt is covered by it."""
    return [
        _("{buyer} has paid {amount} more than is owed. It does not cover another buyer's debt.").format(
            buyer=literal(account.buyer), amount=coins(account.ahead, currency)
        )
        for account in buyer_accounts(season).values()
        if account.ahead > 0
    ]


def show() -> None:
    """Show the section."""
    page.start(_("What is each member still due, and can it be paid now?"))
    group: Any = page.stop_if_no_group()
    members = names_of(group)
    with page.plain_errors():
        events, season = read_season(group)
        scene = scene_of(group, events, season, members)
        if not season.deliveries and not scene.pays:
            page.answer(_("Nothing is in the pools yet. Weigh in the first delivery on the page Deliveries."))
            page.link("deliveries", _("Weigh in"), "deliveries")
            return
        page.caution("money")
        page.answer(answer(scene))
        for words in ahead_words(season, group.currency):
            st.warning(words)
        page.chart(
            money_figure(scene.buyers.values(), scene.pays.values(), books(season).balance(CASH), group.currency),
            alt=answer(scene),
            key="payout_chart",
        )
        head(season)
        pay_all(scene)
        page.table(member_table(scene), "payout_table", "payout.csv", open_cards=4)
        st.caption(taken_off_words(scene))
        show_prices(group, members)
        show_meter(scene)
    page.sources(
        _("Shares: in proportion to dry kilograms, to the gram; money in whole coins by the largest remainder."),
        _("Interest by whole months, money in pays interest first: common practice, no source."),
    )
