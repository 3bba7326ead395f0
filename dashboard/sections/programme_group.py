"""One group's profile: its indicators, how they changed, its avoidable losses, and its season as one file."""

from __future__ import annotations

import uuid
from collections.abc import Sequence

import pandas as pd
import streamlit as st

from core.errors import DryholdError
from core.programme.counting import Records, records_of
from core.programme.definitions import DEFINITIONS
from core.programme.gains import best_in_hindsight, sold_lots
from core.programme.group_file import export_group, group_uid
from core.programme.helping import help_of_groups, kept_help
from core.programme.people import age_group, people_table, sex_of
from core.programme.report import group_report, report_tags
from core.programme.seasons import Season, changes_of_group
from dashboard import page, state
from dashboard.charts.programme_help import losses_figure
from dashboard.programme_parts import (
    CountedGroup,
    book,
    cell_words,
    counted_groups,
    definitions_list,
    group_by_season,
    in_words,
    report_words,
    seasons_of,
    table_of,
    target_list,
    unit_words,
    versions,
)
from dashboard.text import _, about, number, percent, say


def save_file(group_id: int, name: str) -> None:
    """Offer the group's season as one file."""
    words = {
        "none": _("no names, phones, testers, buyers, sex or years of birth"),
        "agreed": _("names only of members who agreed to be named; sex and year of birth of all"),
        "all": _("everything, for the group's own second computer"),
    }
    privacy = st.radio(_("What goes into it"), list(words), format_func=lambda key: words[key], key="file_privacy")
    page.caution("personal")
    if privacy != "all":
        st.caption(_("What each member paid for the meter stays in the file, by number: the cost of testing needs it."))
    if st.button(_("Prepare the file"), key="prepare_group_file"):
        store = state.store()
        uid = group_uid(store, group_id, lambda: str(uuid.uuid4()), state.now())
        content = export_group(store, group_id, uid, state.now(), str(privacy))
        st.download_button(
            _("Download the file (ZIP)"), content, f"{name.lower().replace(' ', '-')}.zip", key="save_group_file"
        )


def show_losses(group_id: int, currency: str) -> None:
    """Show the group's avoidable losses as the page 'What would help' shows them, or offer to work them out."""
    found = kept_help(state.store(), group_id)
    if found is None:
        page.answer(_("The avoidable losses of this group are not worked out yet."))
        if st.button(_("Work them out now (about a quarter of a minute)"), key="losses_work_out"):
            with page.busy(_("Planning the season again with one thing changed")):
                help_of_groups(state.store(), [group_id], state.today())
            st.rerun()
        return
    if found.largest is None:
        why = found.why_not
        page.answer(say(why) if why is not None else _("No avoidable loss can be shown from these records."))
        return
    page.caution("advice")
    page.answer(
        _("The largest avoidable loss: {cause}, {amount}.").format(
            cause=_(found.largest.name), amount=about(found.largest.money, currency)
        )
    )
    shown = sorted(
        (item for item in found.causes if item.why_not is None and item.money > 0), key=lambda item: -item.money
    )
    page.chart(
        losses_figure(
            shown, [_(item.name) for item in shown], _("Avoidable loss, {currency}").format(currency=currency)
        ),
        alt=_("Avoidable losses by cause, from bad to good years."),
        key="avoidable_chart",
    )
    for item in found.causes:
        if item.why_not is not None:
            st.write(f"- {_(item.name)}: {say(item.why_not, markdown=True)}")
    st.caption(_("This counts only what could be expected on the day of each decision, not what is known today."))


def show_indicators(own: CountedGroup) -> None:
    """Show the group's indicators with interval, baseline and target."""
    st.subheader(_("Indicators"), anchor=False)
    of = book()
    table, _currency, _day = table_of([own], of)
    report = group_report(table, of, state.now().date())
    target_list(report)
    page.table([report_words(row) for _index, row in report.iterrows()], "profile_table", open_cards=4)
    label = _("Download these indicators (CSV, HXL tags)")
    page.download(report, "profile.csv", "profile_csv", label, report_tags())
    definitions_list()


def show_seasons(key: tuple[int, int], of: tuple[Season, ...], currency: str) -> None:
    """Show each indicator by season, with the last change and what may be said of it."""
    if not of:
        st.info(_("No lot has a harvest date yet."))
        return
    by_season = group_by_season(key, of).found
    changes = changes_of_group(by_season)
    words = {
        "better": _("better"),
        "worse": _("worse"),
        "about the same": _("about the same"),
        "cannot tell yet": _("cannot tell yet"),
    }
    rows = []
    for name, definition in DEFINITIONS.items():
        row = {_("Indicator"): say(definition.label)}
        for season, found in zip(of, by_season, strict=True):
            item = found[name]
            count = f" ({item.count})" if item.count else ""
            row[season.name] = in_words(definition, item.value, currency) + count
        change = changes.get(name)
        if change is not None:
            unit = _("percentage points") if definition.unit == "%" else unit_words(definition, currency)
            ends = [number(definition.scale * end, 1) for end in (change.low, change.high)]
            row[_("Change, 95 % interval")] = (
                _("no interval")
                if change.low != change.low
                else _("{low} to {high} {unit}").format(low=ends[0], high=ends[1], unit=unit)
            )
            row[_("What may be said")] = words[change.verdict]
        rows.append(row)
    page.table(rows, "season_table", "seasons.csv", open_cards=4)
    if changes:
        said = [say(DEFINITIONS[name].label) for name, item in changes.items() if item.verdict in {"better", "worse"}]
        st.write(
            _("More than chance: {indicators}. When nothing changed, one in twenty looks so by chance.").format(
                indicators=", ".join(said)
            )
            if said
            else _("Chance alone can explain every change. For most it is too early to tell.")
        )
    st.caption(_("In brackets: the number of lots, sales or readings. With fewer than five there is no verdict."))


def show_people(groups: Sequence[CountedGroup], group_id: int) -> None:
    """Show an indicator by sex or age of the lots' owners in this group, small cells blank."""
    with st.expander(_("By sex or age of the lot's owner")):
        key = st.selectbox(
            _("Indicator"), list(DEFINITIONS), format_func=lambda k: say(DEFINITIONS[k].label), key="people_key"
        )
        choice = st.radio(
            _("Split by"), ["sex", "age"], format_func={"sex": _("sex"), "age": _("age group")}.get, key="people_split"
        )
        today = state.now().date()
        split = sex_of if choice == "sex" else (lambda member: age_group(member, today))
        # all groups go in: a cell is blank here too where it would follow from the programme's own table
        frame = people_table([(item.record, item.found[key]) for item in groups], split).by_group
        own = frame[frame["group_id"] == group_id]
        if own.empty:
            st.info(_("This is not counted by person."))
            return
        page.table(
            {
                _("Owners"): [cell_words(cell) for cell in own["cell"]],
                _("People"): [_("blank") if pd.isna(count) else str(count) for count in own["people"]],
                _("Value"): [in_words(DEFINITIONS[key], value) for value in own["value"]],
            },
            "people_table",
        )
        st.caption(
            _(
                "Cells below five people stay blank, and some others too, so that a blank cell cannot be worked out "
                "from a total."
            )
        )


def show_hindsight(records: Records) -> None:
    """Show, as context only, what later prices turned out to be."""
    found = [(row, best_in_hindsight(records, row)) for row in sold_lots(records)]
    known = [(row.mass_kg * row.price, best) for row, best in found if best is not None]
    if known:
        weight = sum(worth for worth, _best in known)
        later = sum(worth * best for worth, best in known) / weight if weight else 0.0
        st.caption(
            _(
                "Only as context: within six months of each sale the market's price rose by up to {rise}. No one "
                "could know that; the indicators above do not count it."
            ).format(rise=percent(later))
        )


def show() -> None:
    """Show the page."""
    page.start(_("How did this group do, and which losses could it have avoided?"))
    group = page.stop_if_no_group()
    try:
        store = state.store()
        with page.busy(_("Counting")):
            keys = versions(group.demo)
            groups = counted_groups(keys)
            records = records_of(store, group.id, state.now().date())
        own = next(item for item in groups if item.record.group.id == group.id)
        key = next(key for key in keys if key[0] == group.id)
        show_losses(group.id, group.currency)
        show_indicators(own)
        with page.details(_("Season by season")):
            show_seasons(key, seasons_of(groups), group.currency)
            show_hindsight(records)
        show_people(groups, group.id)
        with page.details(_("This group's season as one file")):
            save_file(group.id, group.name)
    except DryholdError as error:
        page.show_error(error)
