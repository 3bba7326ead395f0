"""Keep or borrow: what keeping grain costs, a loan on it, and where cash comes from most cheaply."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

import numpy as np
import pandas as pd
import streamlit as st

from core.accounts.finance import InventoryCredit
from core.group.records import Group
from core.market.costs import (
    GRAIN_LOAN,
    OTHER_LOAN,
    SELL_GRAIN,
    CashSource,
    WaitingCost,
    cash_plan,
    cash_sources,
    loan_outcome,
    waiting_cost,
)
from core.planning.wishes import cash_needed
from dashboard import page, state
from dashboard.charts.keeping import keeping_figure
from dashboard.forms.facts import Figure, assumed_count, facts_form
from dashboard.forms.price_series import Chosen, choose_price, quotes_or_stop
from dashboard.text import _, money, ngettext, number, percent

NEED_DAYS = 45
CREDIT = "inventory_credit."


def credit_figures(group: Group) -> list[Figure]:
    """Return the terms of a loan on stored grain, in the order of `InventoryCredit`."""
    per_kg = _("{currency} per kg a month").format(currency=group.currency)
    return [
        Figure(f"{CREDIT}loan_share", _("Loan"), _("% of the grain's worth"), 100.0, high=100.0),
        Figure(f"{CREDIT}interest_monthly", _("Interest of the loan"), _("% a month"), 100.0, high=30.0),
        Figure(f"{CREDIT}fee_share", _("Fee"), _("% of the loan"), 100.0, high=50.0),
        Figure(f"{CREDIT}store_fee_kg_month", _("Store's charge"), per_kg),
        Figure(f"{CREDIT}longest_months", _("Repaid at the latest after"), _("months"), low=1.0, high=12.0),
    ]


def show() -> None:
    """Show the section."""
    page.start(_("What does keeping grain cost, and where does cash come from most cheaply?"))
    group = page.stop_if_no_group()
    quotes = quotes_or_stop(group)
    with page.plain_errors():
        top = st.container()
        chosen = choose_price(group, quotes)
        outlook = chosen.outlook()
        left, right = st.columns(2)
        mass = left.number_input(
            _("Kilograms kept"), 1.0, value=1000.0, step=100.0, format="%.0f", key="kept_kg", persist_state="session"
        )
        best = outlook.verdict.sell_by_month
        longest = chosen.costs.months
        months = right.slider(_("Months kept"), 1, max(longest, 2), min(best or 5, longest), key=f"kept_months_{best}")
        then = outlook.prices_after(months)
        with top:
            page.caution("money", "advice")
            said = waiting_words(group, mass, months, chosen, then)
            page.answer(said)
            page.chart(
                keeping_figure(chosen.price_today, cost_of(chosen, months), then, months, group.currency),
                alt=said,
                key="keeping_chart",
            )
            st.caption(
                _(
                    "Pale: the price by then in 8 of 10 possible seasons. Mark: the middle season. Keeping pays where "
                    "it is right of the dotted line."
                )
            )
        credit = InventoryCredit(
            *(float(state.store().fact(group.id, figure.key).value) for figure in credit_figures(group))
        )
        with page.details(_("A loan on the stored grain instead of selling")):
            st.markdown(loan_words(group, credit, mass, months, chosen, then))
        show_cash(group, credit, mass, months, chosen, then)
        figures = credit_figures(group)
        with page.details(
            _("Terms of the loan ({count} of {all} figures assumed)").format(
                count=assumed_count(group, figures), all=len(figures)
            )
        ):
            facts_form("loan_terms", group, figures)


def cost_of(chosen: Chosen, months: int) -> WaitingCost:
    """Return what keeping a kilogram so long costs."""
    terms = chosen.costs
    return waiting_cost(chosen.price_today, months, terms.monthly_interest, terms.monthly_loss, terms.monthly_cost)


def waiting_words(group: Group, mass: float, months: int, chosen: Chosen, then: np.ndarray) -> str:
    """Say what the wait costs, part by part, and how often the price pays for it."""
    price, cost = chosen.price_today, cost_of(chosen, months)
    needed, currency = price + cost.total, group.currency
    return ngettext(
        "Keeping {mass} kg for {months} month costs {total}: {interest} interest, {loss} for lost weight, {storage} "
        "for the store. The price must rise by {rise}, from {now} to {needed} per kg. It does so in {chance} of the "
        "possible seasons.",
        "Keeping {mass} kg for {months} months costs {total}: {interest} interest, {loss} for lost weight, {storage} "
        "for the store. The price must rise by {rise}, from {now} to {needed} per kg. It does so in {chance} of the "
        "possible seasons.",
        months,
    ).format(
        mass=number(mass, 0),
        months=months,
        total=money(mass * cost.total, currency),
        interest=money(mass * cost.interest, currency),
        loss=money(mass * cost.loss, currency),
        storage=money(mass * cost.storage, currency),
        rise=percent(cost.total / price, 1),
        now=money(price, currency),
        needed=money(needed, currency),
        chance=percent(float(np.mean(then > needed))),
    )


def loan_words(
    group: Group, credit: InventoryCredit, mass: float, months: int, chosen: Chosen, then: np.ndarray
) -> str:
    """Say what a loan on the stored grain gives now, costs later and leaves."""
    if months > credit.longest_months:
        return _("Such a loan must be repaid within {longest} months: it does not last for {months}.").format(
            longest=number(credit.longest_months, 0), months=months
        )
    terms, currency = chosen.costs, group.currency
    made = loan_outcome(credit, mass, chosen.price_today, then, months, terms.monthly_interest, terms.monthly_loss)
    said = [
        ngettext(
            "The loan pays {cash} now; selling all today pays {worth}. After {months} month you owe {owed}, and "
            "{charges} to the store. The grain then leaves {left} in the middle case (8 in 10: {low} to {high}).",
            "The loan pays {cash} now; selling all today pays {worth}. After {months} months you owe {owed}, and "
            "{charges} to the store. The grain then leaves {left} in the middle case (8 in 10: {low} to {high}).",
            months,
        ).format(
            cash=money(made.cash_now, currency),
            worth=money(mass * chosen.price_today, currency),
            months=months,
            owed=money(made.owed, currency),
            charges=money(made.store_charges, currency),
            left=money(made.left_median, currency),
            low=money(made.left_low, currency),
            high=money(made.left_high, currency),
        )
    ]
    words = _(
        "In the middle case that is {gain} better than selling all today. In {worse} of the possible "
        "seasons it is worse."
    )
    if made.better_than_selling < 0:
        words = _(
            "In the middle case that is {gain} worse than selling all today. In {worse} of the possible "
            "seasons it is worse."
        )
    said.append(words.format(gain=money(abs(made.better_than_selling), currency), worse=percent(made.chance_worse)))
    if made.chance_owing >= 0.005:
        said.append(
            _("In {owing} the grain would not even pay for the loan and the store.").format(
                owing=percent(made.chance_owing)
            )
        )
    else:
        said.append(_("The grain would almost always cover the loan and the store."))
    return " ".join(said)


def show_cash(
    group: Group, credit: InventoryCredit, mass: float, months: int, chosen: Chosen, then: np.ndarray
) -> None:
    """Say what cash costs from each source, and which to take."""
    st.subheader(_("If you need cash now"), anchor=False)
    worth = mass * chosen.price_today
    noted = cash_needed(state.store(), group.id, state.today() + timedelta(days=NEED_DAYS))
    need = st.number_input(
        _("Cash needed now, {currency}").format(currency=group.currency),
        0.0,
        value=float(round(noted or worth / 4)),
        format="%.0f",
        key=f"cash_need_{round(noted)}_{round(worth)}",
    )
    st.caption(
        _("From the cash needs on the sale plan that fall due within {days} days.").format(days=NEED_DAYS)
        if noted
        else _("An example: a quarter of the grain's worth. Enter your cash needs on the sale plan.")
    )
    emergency = state.store().fact(group.id, "plan.emergency_interest_monthly")
    terms = chosen.costs
    sources = cash_sources(
        credit,
        mass,
        chosen.price_today,
        float(np.median(then)),
        months,
        terms.monthly_loss,
        terms.monthly_cost,
        float(emergency.value),
    )
    used, rate = cash_plan(sources, need)
    names = _source_names()
    if used:
        taken = ", ".join(
            _("{amount} by {source}").format(amount=money(amount, group.currency), source=names[source.name])
            for source, amount in used
        )
        st.markdown(
            _("Cheapest: {taken}. The last part costs {rate} a month.").format(taken=taken, rate=percent(rate, 1))
        )
    _show_sources(sources, group.currency)
    st.caption(
        _("Another loan: {rate} a month ({origin})").format(
            rate=percent(float(emergency.value), 1), origin=page.origin_text(emergency)
        )
    )


def _source_names() -> dict[str, str]:
    return {
        SELL_GRAIN: _("sell grain now (what waiting would have earned)"),
        GRAIN_LOAN: _("a loan on stored grain, fee included"),
        OTHER_LOAN: _("another loan"),
    }


def _show_sources(sources: Sequence[CashSource], currency: str) -> None:
    """Show what cash costs from each source and how much it gives."""
    names = _source_names()
    listed = pd.DataFrame(
        [
            {
                _("Source"): names[source.name],
                _("Costs a month"): percent(source.monthly_rate, 1),
                _("Gives at most"): _("any sum") if np.isinf(source.most) else money(source.most, currency),
            }
            for source in sources
        ]
    )
    with page.details(_("All sources of cash")):
        page.table(listed, "cash_table")
    if GRAIN_LOAN not in {source.name for source in sources}:
        st.caption(
            _("A loan on stored grain is left out: selling costs less, or the loan would be due before the sale.")
        )
