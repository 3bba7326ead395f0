"""What a programme officer enters: targets, baselines, the programme's currency and exchange rates."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from core.programme.currencies import ExchangeRate
from core.programme.definitions import DEFINITIONS
from core.programme.programme_book import ProgrammeBook, choose_currency, enter_goal, enter_rate
from dashboard import page, state
from dashboard.programme_parts import in_words, unit_words
from dashboard.text import _, day, number, say

ALL = 0


def goals_form(book: ProgrammeBook, currency: str) -> None:
    """Show the targets and baselines that stand, and take new ones."""
    names = {group.id: group.name for group in state.store().groups()}
    kinds = {"target": _("target"), "baseline": _("baseline")}
    if book.goals:
        page.table(
            pd.DataFrame(
                [
                    {
                        _("Indicator"): say(DEFINITIONS[goal.key].label),
                        _("What"): kinds[goal.kind],
                        _("For"): _("all groups") if goal.group_id is None else names.get(goal.group_id, "–"),
                        _("Value"): in_words(DEFINITIONS[goal.key], goal.value, goal.currency),
                        _("Day"): day(goal.on),
                        _("Source"): goal.source,
                        _("Entered by"): f"{goal.who}, {day(goal.recorded_at.date())}",
                    }
                    for goal in book.goals.values()
                ]
            ),
            "goals_table",
        )
    else:
        st.caption(_("No target and no baseline yet."))
    key = st.selectbox(
        _("Target or baseline of"), list(DEFINITIONS), format_func=lambda k: say(DEFINITIONS[k].label), key="goal_key"
    )
    definition = DEFINITIONS[key]
    with st.form("goal_form", border=False):
        kind = st.radio(_("What"), list(kinds), format_func=lambda k: kinds[k], horizontal=True, key="goal_kind")
        group_id = st.selectbox(
            _("For"), [ALL, *names], format_func=lambda k: _("all groups") if k == ALL else names[k], key="goal_group"
        )
        value = st.number_input(
            _("Value, {unit}").format(unit=unit_words(definition, currency)), value=None, key="goal_value"
        )
        on = st.date_input(_("To reach by, or day of the baseline"), state.now().date(), key="goal_on")
        source = st.text_input(_("Where it comes from"), key="goal_source")
        saved = st.form_submit_button(_("Save"))
        gone = st.form_submit_button(_("Cancel entry"))
    if not (saved or gone):
        return
    if saved and value is None:
        st.warning(_("Give a value first."))
        return
    with page.plain_errors():
        enter_goal(
            state.store(),
            kind,
            key,
            None if gone or value is None else value / definition.scale,
            on,
            state.who(),
            state.now(),
            source,
            None if group_id == ALL else group_id,
            currency if definition.money else "",
        )
        st.rerun()


def currency_form(book: ProgrammeBook, currency: str) -> None:
    """Show the programme's currency and the rates entered, and take new ones."""
    rates_on = book.rates_on or state.now().date()
    st.write(
        _("Money of all groups is shown in {currency}, at the latest rate entered up to {day}.").format(
            currency=currency, day=day(rates_on)
        )
    )
    with st.form("currency_form", border=False):
        code = st.text_input(_("Programme's currency (three letters)"), currency, max_chars=3, key="programme_currency")
        on = st.date_input(_("Rates of the day"), rates_on, key="rates_on")
        if st.form_submit_button(_("Use this currency")):
            with page.plain_errors():
                choose_currency(state.store(), code.strip().upper(), on, state.who(), state.now())
                st.rerun()
    if book.rates:
        page.table(
            pd.DataFrame(
                [
                    {
                        _("One"): rate.source_currency,
                        _("is worth"): f"{number(rate.rate, 4)} {rate.target_currency}",
                        _("Day"): day(rate.on),
                        _("Source"): rate.source,
                        _("Entered by"): rate.entered_by,
                    }
                    for rate in book.rates
                ]
            ),
            "rates_table",
        )
    else:
        st.caption(_("No rate entered: money of groups with another currency stays in theirs and is not compared."))
    with st.form("rate_form", border=False):
        left, right = st.columns(2)
        one = left.text_input(_("One unit of"), max_chars=3, key="rate_from")
        other = right.text_input(_("is worth, in"), currency, max_chars=3, key="rate_to")
        rate = left.number_input(_("Rate"), min_value=0.0, value=None, format="%.6f", key="rate_value")
        rate_on = right.date_input(_("Day of the rate"), rates_on, key="rate_on")
        source = st.text_input(_("Who published it"), key="rate_source")
        if st.form_submit_button(_("Save this rate")):
            with page.plain_errors():
                made = ExchangeRate(one.strip().upper(), other.strip().upper(), rate or 0.0, rate_on, source)
                enter_rate(state.store(), made, state.who(), state.now())
                st.rerun()
