"""Does waiting pay here? Past harvests under each rule, with a figure and a table for a report."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from core.market.hindcast import FORESIGHT, HARVEST, PLAN, HindcastReport, hindcast
from core.market.waiting import WaitingCosts, look_back_sentence
from core.reports.waiting import waiting_report
from core.tables.write import download_name
from dashboard import page, state
from dashboard.charts.prices import hindcast_figure
from dashboard.forms.price_series import choose_price, quotes_or_stop
from dashboard.names import crop_name
from dashboard.text import _, language, ngettext, number, percent, say, signed_percent


@st.cache_data(max_entries=16, show_spinner=False)
def looked_back(prices: pd.Series, costs: WaitingCosts, _neighbours: list[pd.Series], key: str) -> HindcastReport:
    """Return what each rule would have earned in the past years of a series."""
    return hindcast(
        prices,
        costs.monthly_loss,
        costs.monthly_interest,
        costs.months,
        monthly_inflation=costs.monthly_rise,
        neighbours=_neighbours,
    )


def show() -> None:
    """Show the section."""
    page.start(_("Would waiting have paid at past harvests here?"))
    group = page.stop_if_no_group()
    quotes = quotes_or_stop(group)
    with page.plain_errors():
        top = st.container()
        chosen = choose_price(group, quotes)
        with page.busy(_("Looking back at past harvests…")):
            report = looked_back(chosen.known.months, chosen.costs, chosen.known.neighbours, chosen.key)
        plan = report.table.loc[PLAN]
        sentence = say(
            look_back_sentence(
                float(plan["mean"]) - 1,
                report.captured,
                float(plan["share_losing"]),
                float(plan["worst"]) - 1,
                int(plan["years"]),
            )
        )
        with top:
            page.caution("advice")
            page.answer(sentence)
        page.chart(hindcast_figure(report), alt=sentence, key="past_harvests")
        table = rules_table(report)
        page.table(table, key="past_rules", file_name="past_harvests")
        assumed = _(
            "Each harvest uses only what was known at that time. Interest of {interest} and weight loss of {loss} a "
            "month are deducted, other costs are not. Past harvests promise nothing."
        ).format(interest=percent(chosen.costs.monthly_interest, 1), loss=percent(chosen.costs.monthly_loss, 1))
        st.caption(assumed)
        title = _("Does waiting pay? {crop}, {market}").format(crop=crop_name(chosen.crop), market=chosen.market)
        st.download_button(
            _("Download figure and table for a report (HTML)"),
            waiting_report(title, sentence, report, table, assumed, language(), _),
            download_name([group.name, "waiting"], state.today(), "html"),
            "text/html",
            key="past_report",
        )


def rule_name(rule: str) -> str:
    """Return a rule's name in the reader's language."""
    if rule.startswith("wait "):
        count = int(rule.split()[1])
        return ngettext("wait {n} month", "wait {n} months", count).format(n=count)
    return {HARVEST: _("sell at harvest"), PLAN: _("this tool's rule"), FORESIGHT: _("perfect foresight")}.get(
        rule, rule
    )


def rules_table(report: HindcastReport) -> pd.DataFrame:
    """Return the rules for people."""
    table = report.table
    return pd.DataFrame(
        {
            _("Rule"): [rule_name(str(rule)) for rule in table.index],
            _("Average against selling at harvest"): [signed_percent(mean - 1) for mean in table["mean"]],
            _("Worst harvest"): [signed_percent(worst - 1) for worst in table["worst"]],
            _("Harvests that lost"): [
                _("{lost} of {all}").format(lost=number(share * years, 0), all=number(years, 0))
                for share, years in zip(table["share_losing"], table["years"], strict=True)
            ],
        }
    )
