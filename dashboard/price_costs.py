"""What keeping grain costs, a loan on it, and what cash now costs: parts of the prices page, in plain words."""

from __future__ import annotations

from datetime import timedelta
from typing import Any, Protocol

import numpy as np
import pandas as pd
import streamlit as st

from core.accounts.finance import InventoryCredit
from core.group.records import Group
from core.market.costs import (
    GRAIN_LOAN,
    MONTHS_PER_WEEK,
    OTHER_LOAN,
    SELL_GRAIN,
    cash_plan,
    cash_sources,
    loan_outcome,
    waiting_cost,
)
from dashboard import page, state
from dashboard.text import _, money, ngettext, number, percent

CREDIT_FACTS = ("loan_share", "interest_monthly", "fee_share", "store_fee_kg_month", "longest_months")
NEED_DAYS = 45


class WaitingTerms(Protocol):
    """The figures that the page's judgement rests on: fractions a month, money per kg and month, months."""

    interest: float
    loss: float
    cost: float
    months: int


def show_costs(group: Group, paths: np.ndarray, price_today: float, best_month: int, terms: WaitingTerms) -> None:
    """Say what waiting costs and brings for grain kept some months, and where cash comes from cheapest.

    Parameters
    ----------
    paths : ndarray, shape (count, weeks + 1)
        Possible prices where the grain is sold [money/kg].
    """
    st.subheader(_("What keeping it costs and may bring"))
    left, right = st.columns(2)
    mass = left.number_input(
        _("Kilograms kept"), 1.0, value=1000.0, step=100.0, format="%.0f", key="prices_kept_kg", persist_state="session"
    )
    months = right.slider(
        _("Months kept"),
        1,
        terms.months,
        min(best_month or 5, terms.months),
        key=f"prices_kept_months_{terms.months}_{best_month}",
    )
    week = min(round(months / MONTHS_PER_WEEK), paths.shape[1] - 1)
    then = paths[:, week]
    show_waiting(group, mass, months, price_today, then, terms)
    with st.expander(_("Borrow on the stored grain instead of selling?"), expanded=True):
        credit = ask_credit(group)
        show_credit(group, credit, mass, months, price_today, then, terms)
    with st.expander(_("If cash is needed now: what does it cost?"), expanded=True):
        show_cash(group, credit, mass, months, price_today, then, terms)


def show_waiting(
    group: Group, mass: float, months: int, price_today: float, then: np.ndarray, terms: WaitingTerms
) -> None:
    """Say what the wait takes, part by part, and how often the price pays for it."""
    cost = waiting_cost(price_today, months, terms.interest, terms.loss, terms.cost)
    needed = price_today + cost.total
    currency = group.currency
    st.markdown(
        ngettext(
            (
                "Keeping {mass} kg for {months} month takes {total}: {interest} interest on its worth, {loss} for "
                "weight that is lost, {storage} for the store. So the price must rise by {rise}, from {now} to "
                "{needed} per kg. It does in {chance} of the futures drawn."
            ),
            (
                "Keeping {mass} kg for {months} months takes {total}: {interest} interest on its worth, {loss} for "
                "weight that is lost, {storage} for the store. So the price must rise by {rise}, from {now} to "
                "{needed} per kg. It does in {chance} of the futures drawn."
            ),
            months,
        ).format(
            mass=number(mass, 0),
            months=months,
            total=money(mass * cost.total, currency),
            interest=money(mass * cost.interest, currency),
            loss=money(mass * cost.loss, currency),
            storage=money(mass * cost.storage, currency),
            rise=percent(cost.total / price_today, 1),
            now=money(price_today, currency),
            needed=money(needed, currency),
            chance=percent(float(np.mean(then > needed))),
        )
    )


def ask_credit(group: Group) -> InventoryCredit:
    """Show the terms of a loan on stored grain, each with its origin, and return them; a change is kept as a fact."""
    store = state.store()
    facts = {key: store.fact(group.id, f"inventory_credit.{key}") for key in CREDIT_FACTS}
    labels = {
        "loan_share": (_("Loan, % of the grain's worth"), 100.0, 100.0),
        "interest_monthly": (_("Interest, % a month"), 100.0, 30.0),
        "fee_share": (_("Fee, % of the loan"), 100.0, 50.0),
        "store_fee_kg_month": (
            _("Store's charge, {currency} per kg a month").format(currency=group.currency),
            1.0,
            None,
        ),
        "longest_months": (_("Repaid after, months at the latest"), 1.0, 12.0),
    }
    if st.toggle(_("Change the terms of the loan"), key="prices_credit_change"):
        with st.form("prices_credit"):
            entered = {}
            for key, (label, scale, high) in labels.items():
                entered[key] = (
                    st.number_input(label, 0.0, high, float(facts[key].value) * scale, key=f"prices_credit_{key}")
                    / scale
                )
                page.origin(facts[key])
            if st.form_submit_button(_("Keep these terms")):
                for key, value in entered.items():
                    if abs(float(facts[key].value) - value) > 1e-9:
                        store.set_fact(group.id, f"inventory_credit.{key}", value, "entered", state.who(), state.now())
                st.rerun()
    values = {key: float(fact.value) for key, fact in facts.items()}
    assumed = sum(fact.origin == "assumed" for fact in facts.values())
    st.caption(
        _(
            "Terms ({count} of 5 assumed): loan {share} of the worth, {interest} a month, fee {fee}, store "
            "{charge} per kg a month, repaid within {months} months."
        ).format(
            count=assumed,
            share=percent(values["loan_share"]),
            interest=percent(values["interest_monthly"], 1),
            fee=percent(values["fee_share"], 1),
            charge=money(values["store_fee_kg_month"], group.currency),
            months=number(values["longest_months"], 0),
        )
    )
    return InventoryCredit(*(values[key] for key in CREDIT_FACTS))


def show_credit(
    group: Group,
    credit: InventoryCredit,
    mass: float,
    months: int,
    price_today: float,
    then: np.ndarray,
    terms: WaitingTerms,
) -> None:
    """Say what a loan on the stored grain gives now, costs later and leaves."""
    if months > credit.longest_months:
        st.markdown(
            _("Such a loan must be repaid within {longest} months: it does not last for {months}.").format(
                longest=number(credit.longest_months, 0), months=months
            )
        )
        return
    made = loan_outcome(credit, mass, price_today, then, months, terms.interest, terms.loss)
    currency = group.currency
    st.markdown(
        _(
            "The loan pays out {cash} now, of {worth} that selling all would bring. After {months} months {owed} "
            "are due, and {charges} to the store. The grain then leaves {left} in the middle case ({low} to {high} "
            "in 80 of 100)."
        ).format(
            cash=money(made.cash_now, currency),
            worth=money(mass * price_today, currency),
            months=months,
            owed=money(made.owed, currency),
            charges=money(made.store_charges, currency),
            left=money(made.left_median, currency),
            low=money(made.left_low, currency),
            high=money(made.left_high, currency),
        )
    )
    if made.better_than_selling >= 0:
        words = _(
            "In the middle case that is {gain} better than selling all today; in {worse} of the futures selling "
            "today would have been better."
        )
    else:
        words = _(
            "In the middle case that is {gain} worse than selling all today; in {worse} of the futures selling "
            "today would have been better."
        )
    st.markdown(
        words.format(gain=money(abs(made.better_than_selling), currency), worse=percent(made.chance_worse))
        + " "
        + (
            _("In {owing} the grain would not even pay for loan and store.").format(owing=percent(made.chance_owing))
            if made.chance_owing >= 0.005
            else _("Hardly ever would the grain fail to pay for loan and store.")
        )
    )


def coming_need(group: Group) -> float:
    """Return the cash needs of the coming weeks that were entered on the sale plan [money]."""
    from core.planning.wishes import read_wishes

    last = (state.today() + timedelta(days=NEED_DAYS)).isoformat()
    rows: list[dict[str, Any]] = read_wishes(state.store(), group.id)["needs"]
    return float(sum(float(row.get("amount") or 0) for row in rows if str(row.get("on", "")) <= last))


def show_cash(
    group: Group,
    credit: InventoryCredit,
    mass: float,
    months: int,
    price_today: float,
    then: np.ndarray,
    terms: WaitingTerms,
) -> None:
    """Say what cash costs from each source, and which to take."""
    worth = mass * price_today
    noted = coming_need(group)
    need = st.number_input(
        _("Cash needed now, {currency}").format(currency=group.currency),
        0.0,
        value=float(round(noted or worth / 4)),
        format="%.0f",
        key=f"prices_cash_need_{round(noted)}_{round(worth)}",
    )
    st.caption(
        _("From the cash needs on the sale plan that fall due within {days} days.").format(days=NEED_DAYS)
        if noted
        else _("An example: a quarter of the grain's worth. Cash needs are noted on the sale plan.")
    )
    emergency = state.store().fact(group.id, "plan.emergency_interest_monthly")
    middle = float(np.median(then))
    sources = cash_sources(credit, mass, price_today, middle, months, terms.loss, terms.cost, float(emergency.value))
    used, rate = cash_plan(sources, need)
    names = {
        SELL_GRAIN: _("selling grain now (what the wait would have earned)"),
        GRAIN_LOAN: _("a loan on stored grain, fee included"),
        OTHER_LOAN: _("another loan"),
    }
    taken = ", ".join(
        _("{amount} by {source}").format(amount=money(amount, group.currency), source=names[source.name])
        for source, amount in used
    )
    if used:
        st.markdown(
            _("Cheapest: {taken}. The last part costs {rate} a month: that is the price of this cash need.").format(
                taken=taken, rate=percent(rate, 1)
            )
        )
    page.table(
        pd.DataFrame(
            [
                {
                    _("Source"): names[source.name],
                    _("Costs a month"): percent(source.monthly_rate, 1),
                    _("Gives at most"): _("any sum") if np.isinf(source.most) else money(source.most, group.currency),
                }
                for source in sources
            ]
        ),
        "prices_cash_table",
    )
    if GRAIN_LOAN not in {source.name for source in sources}:
        st.caption(
            _("A loan on stored grain is left out: selling costs less, or the loan would be due before the sale.")
        )
    st.caption(_("Another loan: {rate} a month").format(rate=percent(float(emergency.value), 1)))
    page.origin(emergency)
