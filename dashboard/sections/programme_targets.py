"""The programme as a whole: every indicator with baseline and target, and what the officer enters for them."""

from __future__ import annotations

from datetime import date

import pandas as pd
import streamlit as st

from core.programme.currencies import rate_between, same_currency
from core.programme.programme_book import ProgrammeBook
from core.programme.report import (
    DEFINITION_TAGS,
    RATE_TAGS,
    definitions_table,
    group_report,
    programme_report,
    rates_table,
    report_tags,
)
from core.tables.write import download_name, workbook_bytes
from dashboard import page, state
from dashboard.forms.programme import cancel_form, currency_form, goals_form
from dashboard.forms.programme_files import shows_invented
from dashboard.money_parts import ask_name
from dashboard.programme_parts import (
    book,
    counted_groups,
    definitions_list,
    report_words,
    table_of,
    target_list,
    versions,
)
from dashboard.text import _, day, ngettext, number, tongue


def whole_programme(
    report: pd.DataFrame, table: pd.DataFrame, of: ProgrammeBook, currency: str, rates_on: date
) -> None:
    """Show every indicator of all groups together, with baseline and target in words."""
    target_list(report)
    rows = [report_words(row) | {_("Groups"): number(row["groups"], 0)} for _index, row in report.iterrows()]
    page.table(rows, "programme_table", open_cards=5)
    st.caption(
        _("Intervals take groups as they are, not single lots. Money in {currency}, at rates up to {day}.").format(
            currency=currency, day=day(rates_on)
        )
    )
    for code in sorted(set(table["own_currency"]) - {"", currency}):
        used = rate_between(of.rates, code, currency, rates_on)
        if used is not None:
            st.caption(
                _("1 {code} = {rate} {currency}, rate of {day} ({source}).").format(
                    code=code,
                    rate=tongue().figure(used.factor, ".6g"),
                    currency=currency,
                    day=day(used.on),
                    source=used.source,
                )
            )
    kept = same_currency(table, currency)[1].groupby("currency")["group"].nunique()
    for code, count in kept.items():
        st.warning(
            ngettext(
                "No rate is known for {code}: the money of {count} group stays in it and is not compared.",
                "No rate is known for {code}: the money of {count} groups stays in it and is not compared.",
                int(count),
            ).format(code=code, count=count)
        )
    definitions_list()


def _stand(report: pd.DataFrame) -> str:
    """Return in a sentence how many targets are reached."""
    judged = report[report["target"].notna()]
    if judged.empty:
        return _("No target is set yet. Set one below.")
    reached = int((judged["against_target"] == "reached").sum())
    return ngettext(
        "{reached} of {count} target is reached.", "{reached} of {count} targets are reached.", len(judged)
    ).format(reached=reached, count=len(judged))


def export(table: pd.DataFrame, report: pd.DataFrame, of: ProgrammeBook) -> None:
    """Offer the whole as a workbook and as CSV, with HXL tags."""
    if not st.button(_("Prepare the tables of all indicators"), key="prepare_workbook"):
        return
    by_group = group_report(table, of, state.now().date())
    sheets = {
        "programme": report.drop(columns=["group_id"]),
        "groups": by_group,
        "definitions": definitions_table(),
        "rates": rates_table(of.rates),
    }
    tags = {"programme": report_tags(), "groups": report_tags(), "definitions": DEFINITION_TAGS, "rates": RATE_TAGS}
    st.download_button(
        _("Download the workbook (XLSX, HXL tags)"),
        workbook_bytes(sheets, tags),
        download_name([_("Indicators")], state.today(), "xlsx"),
        key="save_workbook",
    )
    label = _("Download the groups' indicators (CSV, HXL tags)")
    page.download(by_group, "indicators.csv", "save_indicators_csv", label, report_tags())


def show() -> None:
    """Show the section."""
    page.start(_("Where does the programme stand against its targets?"))
    with page.plain_errors():
        keys = versions(shows_invented())
        if not keys:
            page.stop_if_no_group()
        with page.busy(_("Counting")):
            groups = counted_groups(keys)
        of = book()
        table, currency, rates_on = table_of(groups, of)
        report = programme_report(table, of, currency, state.now().date())
        page.answer(_stand(report))
        whole_programme(report, table, of, currency, rates_on)
        ask_name()
        with page.details(_("Targets and baselines")):
            goals_form(of, currency)
        with page.details(_("Currency and exchange rates")):
            currency_form(of, currency)
        cancel_form({group.id: group.name for group in state.store().groups()})
        export(table, report, of)
