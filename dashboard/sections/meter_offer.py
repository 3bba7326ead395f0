"""Grain instead of cash: the seller's offer beside cash and a loan, in today's money."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import streamlit as st

from core.group.records import Fact, Group
from core.meter.paying import (
    ExpectedPrice,
    OfferComparison,
    SellerOffer,
    compare_offer,
    expected_price,
    lognormal_prices,
)
from dashboard import page, state
from dashboard.charts.meter import offer_figure
from dashboard.forms.fields import Field, Filled, draw_fields
from dashboard.text import _, money, ngettext, number, percent


def offer_fields(
    group: Group, facts: Mapping[str, Fact], known: ExpectedPrice | None, months: int, cash: float
) -> tuple[Field, ...]:
    """Return what is asked about the offer beside its price and its month."""
    expected = float(f"{known.median if known else float(facts['maize_price_kg'].value):.3g}")
    usual = round(100 * known.spread, 1) if known else 25.0
    waiting = 100 * float(facts["interest_monthly"].value)
    kilograms = float(round(1.1 * cash / max(expected, 1e-9)))

    def asked(name: str, label: str, value: float, unit: str, low: float = 0, high: float | None = None) -> Field:
        return Field(name, label, "number", unit=unit, value=value, low=low, high=high)

    return (
        asked("kg", _("Grain that the seller accepts instead"), kilograms, "kg", 1),
        asked("price", _("Price a kg expected then"), expected, group.currency, 0.0001),
        asked("spread", _("Usual difference from what was expected"), usual, "%", 0, 200),
        asked("loan", _("Loan: interest a month on what is owed"), 3.0, "%", 0, 30),
        Field("payments", _("Loan: monthly payments"), "whole", value=12, low=1, high=60),
        asked("waiting", _("Interest a month that the group counts with"), waiting, "%", 0, 30),
        asked("delivery", _("Bringing the grain to the seller costs"), 0.0, group.currency),
    )


def offer_answer(result: OfferComparison, currency: str) -> str:
    """Return in a sentence which way costs least and how sure that is."""
    ways = {_("Cash now"): result.cash, _("The loan"): result.loan, _("Grain"): result.grain_median}
    cheapest = min(ways, key=lambda name: ways[name])
    return _(
        "{way} costs least in today's money ({amount}). Grain costs more than the loan in {chance} of the cases: "
        "when a kilogram sells for more than {price} at the harvest."
    ).format(
        way=cheapest,
        amount=money(ways[cheapest], currency),
        chance=percent(result.chance_grain_dearer),
        price=money(result.breakeven_price, currency),
    )


def offer_table(result: OfferComparison, filled: Filled, months: int, currency: str) -> list[dict[str, object]]:
    """Return the three ways to pay."""
    rows = [
        (_("Cash now"), result.cash, "–"),
        (
            _("Loan, {count} payments of {payment}").format(
                count=filled["payments"], payment=money(result.loan_payment, currency)
            ),
            result.loan,
            "–",
        ),
        (
            ngettext("{kg} kg of grain in {months} month", "{kg} kg of grain in {months} months", months).format(
                kg=number(filled["kg"], 0), months=months
            ),
            result.grain_median,
            _("{low} to {high}").format(low=money(result.grain_low, currency), high=money(result.grain_high, currency)),
        ),
    ]
    return [
        {
            _("Way to pay"): way,
            _("Costs in today's money"): money(amount, currency),
            _("In 8 of 10 cases between"): spread,
        }
        for way, amount, spread in rows
    ]


def show() -> None:
    """Show the section."""
    page.start(_("Should the meter be paid in grain, in cash, or by a loan?"))
    group: Any = page.stop_if_no_group()
    facts = state.store().facts(group.id)
    first = draw_fields(
        "offer",
        (
            Field(
                "cash",
                _("Price in cash"),
                "number",
                unit=group.currency,
                low=0.01,
                value=float(facts["meter.price"].value),
            ),
            Field("months", _("Months until the grain is handed over"), "whole", low=0, high=36, value=6),
        ),
    )
    if not first.complete:
        return
    cash, months = first["cash"], first["months"]
    with page.plain_errors():
        known = expected_price(state.store(), group.id, "maize", months)
        answer_place = st.container()
        with page.details(_("What is assumed of the grain and the loan")):
            filled = draw_fields(f"offer_{months}", offer_fields(group, facts, known, months, cash))
            st.caption(
                _("Price and difference for that month are from the group's own price series of maize.")
                if known
                else _("No price series of maize shows a season: today's price and a quarter more or less are assumed.")
            )
        if not filled.complete:
            return
        paths = lognormal_prices(filled["price"], filled["spread"] / 100, 4000, 9)
        result = compare_offer(
            SellerOffer(cash, filled["kg"], months, filled["delivery"]),
            paths,
            filled["loan"] / 100,
            filled["payments"],
            filled["waiting"] / 100,
        )
        with answer_place:
            page.caution("money", "advice")
            page.answer(offer_answer(result, group.currency))
            page.chart(
                offer_figure(result, group.currency),
                alt=_("What grain, loan and cash cost in today's money"),
                key="offer_chart",
            )
            page.table(offer_table(result, filled, months, group.currency), key="offer_table")
