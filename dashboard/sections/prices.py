"""Prices: whether past prices here suggest that waiting pays, what may come, and the season behind it."""

from __future__ import annotations

from datetime import date
from typing import Any

import pandas as pd
import streamlit as st

from core.group.records import Group
from core.market.outlook import PriceOutlook
from core.market.season import SeasonalCurve
from dashboard import page, state
from dashboard.charts.prices import fan_figure, history_figure, season_figure
from dashboard.forms.facts import Figure, assumed_count, facts_form
from dashboard.forms.price_series import Chosen, choose_price, quotes_or_stop
from dashboard.text import _, language, money, month_names, ngettext, number, percent, say

WORTH_NAMING = 0.05


def cost_figures(group: Group) -> list[Figure]:
    """Return the figures of what waiting costs, which the sale plan uses too."""
    per_kg = _("{currency} per kg a month").format(currency=group.currency)
    return [
        Figure("interest_monthly", _("Interest: what money costs you"), _("% a month"), 100.0, high=30.0),
        Figure("market_loss_monthly", _("Weight lost in store"), _("% a month"), 100.0, high=20.0),
        Figure("storage_cost_kg_month", _("Storage charge"), per_kg),
        Figure("sale_horizon_months", _("Longest time kept"), _("months"), low=1, high=12, whole=True),
        Figure("price_rise_monthly", _("General rise of prices"), _("% a month"), 100.0, low=-5.0, high=50.0),
    ]


def show() -> None:
    """Show the section."""
    page.start(_("Do past prices here suggest that waiting pays?"))
    group = page.stop_if_no_group()
    quotes = quotes_or_stop(group)
    with page.plain_errors():
        top = st.container()
        chosen = choose_price(group, quotes)
        outlook = chosen.outlook()
        with top:
            page.caution("advice")
            page.answer(say(outlook.verdict.sentence) + at_the_gate(chosen, outlook))
        show_fan(group, chosen, outlook)
        page.folded(_("Month by month"), "prices_months", lambda: show_months(group, outlook))
        unit = _("{currency} per kg").format(currency=group.currency)
        page.folded(
            _("The season in past prices"), "prices_season", lambda: show_season(chosen, outlook.verdict.curve, unit)
        )
        figures = cost_figures(group)
        page.folded(
            _("What waiting costs ({count} of {all} figures assumed)").format(
                count=assumed_count(group, figures), all=len(figures)
            ),
            "prices_costs",
            lambda: _costs(group, figures),
        )
    page.sources(
        _(
            "Season: one or two harmonics or a sawtooth, averaged by how well each explains the prices "
            "(Gilbert, Christiaensen & Kaminski 2017; Hoeting et al. 1999)."
        ),
        _("A season is called reliable when fewer than 6 in 100 series without one show so strong a pattern."),
        _("Price that pays: competitive storage (Williams & Wright 1991)."),
        _(
            "In 16 of 100 market years the lean price failed to exceed the harvest price (Cardell & Michelson "
            "2023, 1,038 markets in 30 countries)."
        ),
    )


def _costs(group: Group, figures: list[Figure]) -> None:
    """Let the group enter what waiting costs it."""
    facts_form("waiting_costs", group, figures)
    st.caption(_("Give interest as money costs today, with inflation. The sale plan uses the same figures."))


@st.cache_resource(max_entries=32, show_spinner=False)
def _fan(weeks: pd.DataFrame, first: date, sell_by: int, unit: str, said_in: str) -> Any:
    """Return the picture of the possible prices in the reader's language, drawn once for the same weeks."""
    return fan_figure(weeks, first, sell_by, unit)


def at_the_gate(chosen: Chosen, outlook: PriceOutlook) -> str:
    """Say how often waiting loses at the farm gate, where single prices scatter more than the market's."""
    if chosen.place.basis is None or not outlook.verdict.wait:
        return ""
    return " " + _("At the farm gate, where single prices scatter more, about {chance} in 100 would lose.").format(
        chance=number(100 * outlook.chance_of_loss, 0)
    )


def show_fan(group: Group, chosen: Chosen, outlook: PriceOutlook) -> None:
    """Show the possible prices with the price that pays for waiting."""
    curve, verdict = outlook.verdict.curve, outlook.verdict
    this_month = pd.Period(state.today(), freq="M")
    first = state.today() if pd.Period(curve.last_month, freq="M") >= this_month else chosen.place.last_on
    unit = _("{currency} per kg").format(currency=group.currency)
    page.chart(
        _fan(outlook.weeks, first, verdict.sell_by_month, unit, language()),
        alt=_("Possible prices from today on, and the price that pays for waiting. {answer}").format(
            answer=say(verdict.sentence)
        ),
        key="prices_fan",
    )


def show_months(group: Group, outlook: PriceOutlook) -> None:
    """Show, month by month, the price that pays, what may come, and from which price on to sell."""
    names, currency = month_names(), group.currency
    start = pd.Period(outlook.verdict.curve.last_month, freq="M")
    waiting = outlook.verdict.wait

    def sell_at(row: pd.Series) -> str:
        if row["done"]:
            return "–"
        if pd.isna(row["sell_at"]):
            return _("wait")
        return money(float(row["sell_at"]), currency) if row["sell_at"] > 0 else _("any price")

    rows = [
        {
            _("Sold in"): f"{names[(start + int(str(ahead))).month]} {(start + int(str(ahead))).year}",
            _("Price that pays"): money(float(row["breakeven"]), currency),
            _("Middle of possible prices"): money(float(row["median"]), currency),
            _(
                "8 in 10 possible prices"
            ): f"{money(float(row['low']), currency)} – {money(float(row['high']), currency)}",
            _("Chance that waiting pays"): percent(float(row["chance"])),
            **({_("Sell at or above"): sell_at(row)} if waiting else {}),
        }
        for ahead, row in outlook.by_month().iterrows()
    ]
    page.table(rows, key="prices_table", file_name="price_outlook")
    if waiting:
        st.caption(_("While you wait, sell as soon as the price reaches the one of its month."))


def show_season(chosen: Chosen, curve: SeasonalCurve, unit: str) -> None:
    """Show history and season, and how far the season is to be believed."""
    names = month_names()
    low, high = curve.gap_interval_pct
    if curve.reliable:
        text = _("From {trough} to {peak} prices rise by about {gap} % (likely {low} to {high} %).")
    else:
        text = _(
            "No reliable season: so strong a pattern comes by chance in {chance} of 100 series that have none. "
            "The best estimate is {gap} % (0 to {high} %)."
        )
    st.markdown(
        text.format(
            trough=names[curve.trough_month],
            peak=names[curve.peak_month],
            gap=number(curve.gap_pct, 0),
            low=number(low, 0),
            high=number(high, 0),
            chance=number(100 * curve.p_value, 0),
        )
    )
    page.chart(season_figure(curve, names), alt=_("Season by month"), key="prices_season")
    st.markdown(
        _("The lowest month is {trough} in {low} of 100 possible seasons, the highest {peak} in {high} of 100.").format(
            trough=names[curve.trough_month],
            low=number(100 * curve.trough_chance[curve.trough_month], 0),
            peak=names[curve.peak_month],
            high=number(100 * curve.peak_chance[curve.peak_month], 0),
        )
        + other_months(curve, names)
    )
    page.chart(history_figure(chosen.known.months, curve, unit), alt=_("Monthly prices"), key="prices_history")
    if chosen.known.neighbours:
        st.caption(
            ngettext(
                "{n} other market of the same crop counts too: its season, where both agree, and its last months.",
                "{n} other markets of the same crop count too: their season, where all agree, and their last months.",
                len(chosen.known.neighbours),
            ).format(n=len(chosen.known.neighbours))
        )
    notes = [say(note) for note in curve.notes] + [say(action.what) for action in chosen.known.market.monthly.actions]
    if notes:
        st.markdown("\n".join(f"- {note}" for note in notes))


def other_months(curve: SeasonalCurve, names: dict[int, str]) -> str:
    """Name the next likely months of trough and peak; nothing where the first ones are as good as sure."""
    said = []
    for words, chances, first in (
        (_("lowest in {month} ({chance} of 100)"), curve.trough_chance, curve.trough_month),
        (_("highest in {month} ({chance} of 100)"), curve.peak_chance, curve.peak_month),
    ):
        rest = chances.drop(first).sort_values(ascending=False, kind="stable").head(2)
        said += [
            words.format(month=names[int(str(month))], chance=number(100 * chance, 0))
            for month, chance in rest.items()
            if chance >= WORTH_NAMING
        ]
    return " " + _("It may also be {others}.").format(others=", ".join(said)) if said else ""
