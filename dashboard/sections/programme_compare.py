"""Groups side by side by one indicator: what chance allows, what may be said of each; no ranking."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
import streamlit as st

from core.group.drying_records import drying_setup
from core.group.possessions import possessions
from core.programme.comparison import funnel_verdicts, overdispersion, shrunken_estimates
from core.programme.currencies import same_currency
from core.programme.definitions import DEFINITIONS
from core.programme.expected import ObservedAgainstExpected, observed_against_expected
from core.programme.indicators import lot_facts, records_of
from core.programme.intervals import BOUNDS
from core.programme.people import age_group, people_table, sex_of
from core.programme.programme_book import ProgrammeBook
from core.programme.report import programme_report
from dashboard import page, state
from dashboard.charts.palette import BLUE, PLUM
from dashboard.charts.programme import funnel, intervals
from dashboard.forms.programme_files import shows_invented
from dashboard.programme_parts import (
    CountedGroup,
    between,
    book,
    cell_words,
    counted_groups,
    definition_words,
    group_by_season,
    in_words,
    report_words,
    seasons_of,
    some_of,
    table_of,
    unit_words,
    versions,
)
from dashboard.programme_seasons import show_changes
from dashboard.text import _, ngettext, number, say
from dashboard.weather import normals_of, place_of


def in_chosen_season(groups: list[CountedGroup], keys: Sequence[tuple[int, int]]) -> list[CountedGroup]:
    """Return the groups counted in the season that the reader chooses, all seasons together at first."""
    of = seasons_of(groups)
    names = [_("all seasons"), *(season.name for season in of)]
    place = st.selectbox(_("Season"), range(len(names)), format_func=lambda at: names[at], key="season_place")
    if not place:
        return groups
    with page.busy(_("Counting by season")):
        return [
            replace(item, found=group_by_season(key, of).found[place - 1])
            for item, key in zip(groups, keys, strict=True)
        ]


def cannot_show(count: float) -> str:
    """Return in words that so few records show nothing."""
    return ngettext(
        "{count} record is too few to show this", "{count} records are too few to show this", int(count)
    ).format(count=int(count))


def _whole_words(whole: pd.Series) -> str:
    """Return what an indicator is for all groups together, with baseline and target, in a sentence."""
    words = report_words(whole)
    said = ngettext(
        "{groups} group: {value} ({interval}).", "{groups} groups together: {value} ({interval}).", int(whole["groups"])
    ).format(groups=int(whole["groups"]), value=words[_("Value")], interval=words[_("95 % interval")])
    for name in (_("Baseline"), _("Target")):
        said += "" if words[name] == "–" else f" {name}: {words[name]}."
    return said


def show_indicator(table: pd.DataFrame, key: str, of: ProgrammeBook, currency: str, report: pd.DataFrame) -> None:
    """Show one indicator: a funnel for proportions, estimates with intervals for means, and what may be said."""
    definition = DEFINITIONS[key]
    together = _whole_words(report[report["key"] == key].iloc[0])
    compared, kept = same_currency(table[(table["key"] == key) & table["value"].notna()], currency)
    if len(compared) < 2:
        few = _("Fewer than two groups have records for this: nothing can be compared yet.")
        page.answer(f"{together} {few}" if len(compared) else few)
        return
    whole = report[report["key"] == key].iloc[0]
    own = compared.sort_values("group")
    bounds = (0.0, 1.0) if definition.proportion else BOUNDS.get(key, (-np.inf, np.inf))
    items = shrunken_estimates(own["value"], own["variance"], own["count"], bounds=bounds)
    if definition.proportion:
        verdicts = funnel_part(own, key, of, together)
    else:
        page.answer(together)
        verdicts = interval_part(own, key, of, items, whole, currency)
    frame = pd.DataFrame(
        {
            _("Group"): list(own["group"]),
            _("Counted"): [in_words(definition, value, currency) for value in own["value"]],
            _("Adjusted for small numbers"): [in_words(definition, item.value, currency) for item in items],
            _("95 % interval"): [between(definition, item.low, item.high, currency) for item in items],
            _("Records"): [int(value) for value in own["count"]],
            _("Not usable"): [int(value) for value in own["missing"]],
        }
    )
    frame.insert(1, _("What may be said"), verdicts)
    page.table(frame, f"table_{key}", f"{key}.csv", open_cards=2)
    if len(kept):
        st.caption(
            _("Not compared, no rate: {groups}.").format(
                groups=", ".join(
                    f"{row['group']} {in_words(definition, row['value'], row['currency'])}"
                    for row in kept.to_dict("records")
                )
            )
        )


def funnel_part(own: pd.DataFrame, key: str, of: ProgrammeBook, together: str) -> list[str]:
    """Show the answer and the funnel of a proportion and return what may be said of each group."""
    definition = DEFINITIONS[key]
    benchmark = float(own["numerator"].sum() / own["denominator"].sum())
    phi = overdispersion(own["value"], own["denominator"], benchmark)
    found = funnel_verdicts(own["value"], own["denominator"], benchmark, phi)
    words = {
        "far below": _("lower than chance explains (99.8 %)"),
        "far above": _("higher than chance explains (99.8 %)"),
        "below": _("low, but one in twenty is by chance"),
        "above": _("high, but one in twenty is by chance"),
        "inside": _("no clear difference"),
        "cannot tell yet": _("cannot tell yet"),
    }
    target = of.goal("target", key)
    lines = {"all": _("all groups"), "95": _("chance, 95 %"), "99.8": _("chance, 99.8 %"), "target": _("target")}
    outside = [name for name, word in zip(own["group"], found, strict=True) if word.startswith("far")]
    if outside:
        said = _(
            "More than chance explains: {groups}. Weather, crops, buyers or gaps in the records may be why. Look at "
            "their profiles and visit them."
        ).format(groups=", ".join(outside))
    else:
        said = _("No group differs by more than chance explains.")
    page.answer(f"{together} {said}")
    page.chart(
        funnel(
            own.assign(verdict=found),
            benchmark,
            phi,
            say(definition.denominator),
            f"{say(definition.label)}, %",
            lines | words,
            target.value if target else None,
        ),
        alt=_("{label}: each group's share by its number of lots.").format(label=say(definition.label)),
        key=f"funnel_{key}",
    )
    said = _("Between the dashed lines, chance alone explains the difference. Small groups have wide limits.")
    if phi > 1:
        wide = _("Groups differ more than chance explains; the limits are widened by {factor}.")
        said += " " + wide.format(factor=number(phi**0.5, 1))
    st.caption(said)
    return [
        cannot_show(count) if word == "cannot tell yet" else words[word]
        for word, count in zip(found, own["count"], strict=True)
    ]


def interval_part(
    own: pd.DataFrame, key: str, of: ProgrammeBook, items: Sequence, whole: pd.Series, currency: str
) -> list[str]:
    """Show a mean's or ratio's estimates with intervals and return what may be said of each group."""
    definition = DEFINITIONS[key]
    lines = [(float(whole["value"]), _("all groups"), BLUE)]
    target = of.goal("target", key)
    if target is not None and (not definition.money or target.currency == currency):
        lines.append((target.value * definition.scale, _("target"), PLUM))
    drawn = [definition.scale * np.array([getattr(item, end) for item in items]) for end in ("value", "low", "high")]
    part = some_of(list(own["group"]), key)
    page.chart(
        intervals(
            list(own["group"].iloc[part]),
            *[values[part] for values in drawn],
            f"{say(definition.label)}, {unit_words(definition, currency)}",
            lines,
        ),
        alt=_("Estimates of {label} with 95 % intervals.").format(label=say(definition.label)),
        key=f"estimates_{key}",
    )
    words = {
        "higher": _("higher than the others"),
        "lower": _("lower than the others"),
        "like the others": _("like the others"),
        "cannot tell yet": _("cannot tell yet"),
    }
    if all(item.low != item.low for item in items):
        st.caption(
            _(
                "These are counts of all records, so there is no interval. The profiles show what is behind a "
                "difference."
            )
        )
    return [
        cannot_show(count) if item.verdict == "cannot tell yet" else words[item.verdict]
        for item, count in zip(items, own["count"], strict=True)
    ]


@st.cache_data(max_entries=64, show_spinner=False)
def cached_expected(group_id: int, version: int) -> ObservedAgainstExpected:
    """Return how one group's drying compares with what its own conditions allowed."""
    store = state.store()
    group = store.group(group_id)
    normals = normals_of(group, store, state.now())
    records, facts = records_of(store, group_id), store.facts(group_id)
    space = possessions(store, group_id).spaces[0]
    return observed_against_expected(
        lot_facts(records), place_of(group), normals, group_id, lambda lot: drying_setup(space, facts, group, lot)
    )


def show_expected(keys: Sequence[tuple[int, int]]) -> None:
    """Show days to dry against what each group's own crops, moistures, dates and weather allowed."""
    st.subheader(_("Days to dry, compared with what each group's own weather and grain allowed"), anchor=False)
    words = {
        "slower": _("slower than its conditions allowed"),
        "faster": _("faster than expected"),
        "as expected": _("as its conditions allowed"),
        "cannot tell yet": _("cannot tell yet"),
    }
    names = {group.id: group.name for group in state.store().groups()}
    with page.busy(_("Drying each lot again in its own weather")):
        rows = [(names[group_id], cached_expected(group_id, version)) for group_id, version in keys]
    page.table(
        [
            {
                _("Group"): name,
                _("Lots"): item.lots,
                _("Days observed"): number(item.observed_days, 0),
                _("Days expected"): number(item.expected_days, 0),
                _("Observed / expected"): number(item.ratio, 2),
                _("95 % interval"): f"{number(item.low, 2)} – {number(item.high, 2)}",
                _("What may be said"): words[item.verdict],
            }
            for name, item in sorted(rows, key=lambda row: row[0])
        ],
        "expected_table",
        "days_to_dry_expected.csv",
    )
    st.caption(
        _(
            "Expected: the drying model on the first drying space under 'Our things', in the usual weather of the "
            "place at the harvest's dates."
        )
    )


def by_owner(groups: Sequence[CountedGroup], key: str) -> None:
    """Show the indicator by sex or age group of the owner, small cells blank."""
    with st.expander(_("By sex or age of the lot's owner")):
        choice = st.radio(
            _("Split by"), ["sex", "age"], format_func={"sex": _("sex"), "age": _("age group")}.get, key="split_by"
        )
        today = state.now().date()
        split = sex_of if choice == "sex" else (lambda member: age_group(member, today))
        frame = people_table([(item.record, item.found[key]) for item in groups], split).whole
        if frame.empty:
            st.info(_("This is not counted by person."))
            return
        page.table(people_words(frame, key), f"people_{key}")
        st.caption(
            _(
                "Cells below five people stay blank, and some others too, so that no one can be recognised and a "
                "blank cell cannot be worked out from a total."
            )
        )


def people_words(frame: pd.DataFrame, key: str) -> pd.DataFrame:
    """Return a table of cells for people."""
    return pd.DataFrame(
        {
            _("Owners"): [cell_words(cell) for cell in frame["cell"]],
            _("People"): [_("blank") if pd.isna(count) else str(count) for count in frame["people"]],
            _("Value"): [in_words(DEFINITIONS[key], value) for value in frame["value"]],
        }
    )


def show() -> None:
    """Show the section."""
    page.start(_("Which groups differ by more than chance, and which have too few records to tell?"))
    with page.plain_errors():
        keys = versions(shows_invented())
        if not keys:
            page.stop_if_no_group()
        left, right = st.columns(2)
        key = left.selectbox(
            _("Indicator"), list(DEFINITIONS), format_func=lambda k: say(DEFINITIONS[k].label), key="indicator_key"
        )
        with page.busy(_("Counting")):
            groups = counted_groups(keys)
        of = book()
        with right:
            chosen = in_chosen_season(groups, keys)
        own, currency, rates_on = table_of(chosen, of)
        show_indicator(own, key, of, currency, programme_report(own, of, currency, state.now().date()))
        with page.details(_("What this counts")):
            st.markdown(definition_words(DEFINITIONS[key]))
        by_owner(chosen, key)
        if st.toggle(_("What changed since the season before?"), key="show_changes"):
            show_changes(groups, keys, seasons_of(groups), key, of, currency, rates_on)
        if st.toggle(
            _("Compare days to dry with what the conditions allowed (takes some seconds)"), key="show_expected"
        ):
            show_expected(keys)
        page.sources(*sources())


def sources() -> list[str]:
    """Return where the figures of the comparison come from."""
    return [
        _("Limits of chance: exact binomial quantiles, after Spiegelhalter, Statistics in Medicine 24 (2005) 1185."),
        _(
            "Adjusted for small numbers: empirical Bayes, after Efron and Morris (1975, 1977), intervals after Morris "
            "(1983)."
        ),
        _("Intervals: Wilson (1927) for shares of lots, Student's t for means, Cochran (1977) for ratios of sums."),
        _("Changes: Newcombe (1998), Welch (1947), Student (1908)."),
        _("Groups are in the order of the alphabet: the order says nothing about how good they are."),
    ]
