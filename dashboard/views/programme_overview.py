"""All groups together: data quality first, then a funnel for each indicator; no ranking."""

from __future__ import annotations

import io

import numpy as np
import pandas as pd
import streamlit as st

from core.errors import DryholdError
from core.programme.comparison import overdispersion, shrunken_estimates
from core.programme.expected import ObservedAgainstExpected, observed_against_expected
from core.programme.group_merge import merge_files
from core.programme.indicators import DEFINITIONS, indicator_table, lot_facts, records_of
from core.programme.people import age_group, by_people
from dashboard import page, state
from dashboard.charts.programme import estimates, funnel
from dashboard.text import _, number, percent, say
from dashboard.weather import normals_of, place_of


@st.cache_data(max_entries=4, show_spinner=False)
def cached_table(versions: tuple[tuple[int, int], ...]) -> pd.DataFrame:
    """Return the indicators of all groups."""
    return indicator_table([records_of(state.store(), group_id) for group_id, _version in versions])


def versions() -> tuple[tuple[int, int], ...]:
    """Return every group's version."""
    store = state.store()
    return tuple((group.id, store.version(group.id)) for group in store.groups())


def bring_files() -> None:
    """Take in many groups' files and list what happened to each."""
    with st.expander(_("Bring in groups' files")):
        st.caption(_("One or many files that groups saved; the same file twice or an older one changes nothing."))
        files = st.file_uploader(_("Group files (ZIP)"), type=["zip"], accept_multiple_files=True, key="group_files")
        if files and st.button(_("Take them in"), key="merge_groups"):
            bar = st.progress(0.0)
            outcomes = merge_files(
                state.store(),
                [(item.name, item.getvalue()) for item in files],
                state.now(),
                lambda count, name: bar.progress(count / len(files), text=name),
            )
            words = {
                "added": _("added"), "updated": _("updated"), "same": _("here already"),
                "older": _("older than what is here"), "broken": _("broken, not taken in"),
            }  # fmt: skip
            st.session_state["merge_list"] = pd.DataFrame(
                [
                    {
                        _("File"): item.file_name,
                        _("Group"): item.group,
                        _("What happened"): words[item.status],
                        _("Why"): say(item.reason),
                    }
                    for item in outcomes
                ]
            )
        if "merge_list" in st.session_state:
            page.table(st.session_state["merge_list"], "merge_list_table")


def data_quality(table: pd.DataFrame) -> None:
    """Show first what is missing."""
    st.subheader(_("How complete are the records?"))
    wide = table.pivot_table(index="group", columns="key", values="denominator", aggfunc="sum")
    frame = pd.DataFrame(
        {
            _("Group"): wide.index,
            _("Lots with readings"): [
                int(table[(table["group"] == name) & (table["key"] == "readings_per_lot")]["denominator"].sum())
                for name in wide.index
            ],
            _("Readings"): [int(x) for x in wide["complete_readings"]],
            _("Readings without a gap"): [
                percent(float(x)) if x == x else "–"
                for x in (table[table["key"] == "complete_readings"].set_index("group")["value"].reindex(wide.index))
            ],
            _("Sales with a moisture"): [int(x) for x in wide["dry_when_sold"]],
        }
    )
    page.table(frame, "quality_table", "data_quality.csv")


def show_indicator(table: pd.DataFrame, key: str) -> None:
    """Show one indicator: a funnel for proportions, estimates with intervals for means, and what may be said."""
    definition = DEFINITIONS[key]
    st.caption(
        _("{numerator}, over {denominator}. Source: {source}").format(
            numerator=say(definition.numerator), denominator=say(definition.denominator), source=definition.source
        )
    )
    own = table[(table["key"] == key) & table["value"].notna()]
    if len(own) < 2:
        st.info(_("Fewer than two groups have records for this: nothing can be compared yet."))
        return
    scale = 100.0 if definition.unit == "%" else 1.0
    items = shrunken_estimates(own["value"], own["variance"].fillna(np.nan), own["denominator"])
    if definition.proportion:
        benchmark = float(own["numerator"].sum() / own["denominator"].sum())
        phi = overdispersion(own["value"], own["denominator"], benchmark)
        page.chart(
            funnel(
                own, benchmark, phi, say(definition.denominator), f"{say(definition.label)}, %",
                [_("all groups together"), _("limits of chance, 95 %"), _("limits of chance, 99.8 %"), _("groups")],
            ),
            alt=_("Funnel of {label}: each group's share over the number it rests on.").format(label=say(definition.label)),
            key=f"funnel_{key}",
        )  # fmt: skip
        st.caption(_("Inside the limits, chance alone explains the difference. Small groups have wide limits."))
        if phi > 1:
            st.caption(
                _("Groups differ more than chance would have it; the limits are widened by {factor}.").format(
                    factor=number(phi**0.5, 1)
                )
            )
    else:
        benchmark = float(np.average(own["value"], weights=own["denominator"]))
        page.chart(
            estimates(list(own["group"]), items, benchmark, f"{say(definition.label)}, {definition.unit}", scale),
            alt=_("Estimates of {label} with 95 % intervals.").format(label=say(definition.label)),
            key=f"estimates_{key}",
        )
    verdicts = {
        "higher": _("above the others"), "lower": _("below the others"),
        "like the others": _("like the others"), "cannot tell yet": _("cannot tell yet"),
    }  # fmt: skip
    frame = pd.DataFrame(
        {
            _("Group"): list(own["group"]),
            _("Counted"): [number(scale * value, 1) for value in own["value"]],
            _("Drawn towards the others"): [number(scale * item.value, 1) for item in items],
            _("95 % interval"): [f"{number(scale * item.low, 1)} – {number(scale * item.high, 1)}" for item in items],
            _("Rests on"): [int(value) for value in own["denominator"]],
            _("Not usable"): [int(value) for value in own["missing"]],
            _("What may be said"): [verdicts[item.verdict] for item in items],
        }
    ).sort_values(_("Group"))
    page.table(frame, f"table_{key}", f"{key}.csv")


@st.cache_data(max_entries=64, show_spinner=False)
def cached_expected(group_id: int, version: int) -> ObservedAgainstExpected:
    """Return how one group's drying compares with what its own conditions allowed."""
    store = state.store()
    group = store.group(group_id)
    normals = normals_of(group, store, state.now())
    return observed_against_expected(lot_facts(records_of(store, group_id)), place_of(group), normals, seed=group_id)


def show_expected(keys: tuple[tuple[int, int], ...]) -> None:
    """Show days to dry against what each group's own crops, moistures, dates and weather allowed."""
    st.subheader(_("Days to dry, against what each group's own weather and grain allowed"))
    words = {
        "slower": _("slower than its conditions allowed"), "faster": _("faster than expected"),
        "as expected": _("as its conditions allowed"), "cannot tell yet": _("cannot tell yet"),
    }  # fmt: skip
    names = {group.id: group.name for group in state.store().groups()}
    with page.busy(_("Drying each lot again in its own weather")):
        rows = [(names[group_id], cached_expected(group_id, version)) for group_id, version in keys]
    page.table(
        pd.DataFrame(
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
            ]
        ),
        "expected_table",
        "days_to_dry_expected.csv",
    )
    st.caption(
        _("Expected: the drying model on 30 m² of sheets, in the usual weather of the place at the harvest's dates.")
    )


def by_owner(key: str) -> None:
    """Show the indicator by sex or age group of the owner, small cells blank."""
    with st.expander(_("By sex or age of the lot's owner")):
        records = [records_of(state.store(), group.id) for group in state.store().groups()]
        choice = st.radio(
            _("Split by"), ["sex", "age"], format_func={"sex": _("sex"), "age": _("age group")}.get, key="split_by"
        )
        today = state.now().date()
        split = (
            (lambda member: member.sex or "not known") if choice == "sex" else (lambda member: age_group(member, today))
        )
        frame = by_people(records, key, split)
        scale = 100.0 if DEFINITIONS[key].unit == "%" else 1.0
        page.table(
            pd.DataFrame(
                {
                    _("Owners"): [_(cell) for cell in frame["cell"]],
                    _("People"): ["–" if pd.isna(count) else str(count) for count in frame["people"]],
                    _("Value"): [number(scale * value, 1) for value in frame["value"]],
                }
            ),
            f"people_{key}",
        )
        st.caption(_("Cells below five people stay blank, so that nobody can be recognised."))


def workbook(table: pd.DataFrame) -> bytes:
    """Return all indicators as an XLSX workbook with HXL tags under the headings."""
    tags = {
        "group_id": "#meta+id", "group": "#org+group+name", "key": "#indicator+code", "value": "#indicator+value+num",
        "numerator": "#indicator+numerator+num", "denominator": "#indicator+denominator+num",
        "variance": "#indicator+variance+num", "missing": "#indicator+missing+num",
    }  # fmt: skip
    tagged = pd.concat([pd.DataFrame([tags]), table.astype(object)])
    buffer = io.BytesIO()
    options = {"options": {"strings_to_formulas": False, "strings_to_urls": False, "nan_inf_to_errors": True}}
    with pd.ExcelWriter(buffer, engine="xlsxwriter", engine_kwargs=options) as writer:
        tagged.to_excel(writer, sheet_name="indicators", index=False)
    return buffer.getvalue()


def main() -> None:
    """Show the page."""
    page.start(
        _("All groups"), _("Which groups differ by more than chance, and where are the records too thin to tell?")
    )
    try:
        bring_files()
        keys = versions()
        if not keys:
            page.stop_if_no_group()
        with page.busy(_("Counting")):
            table = cached_table(keys)
        thin = int((table[table["key"] == "readings_per_lot"]["denominator"] < 5).sum())
        page.answer(
            _("{count} groups; {thin} of them have fewer than five lots on record.").format(count=len(keys), thin=thin)
        )
        data_quality(table)
        st.subheader(_("Groups side by side"))
        key = st.selectbox(
            _("Indicator"), list(DEFINITIONS), format_func=lambda k: say(DEFINITIONS[k].label), key="indicator_key"
        )
        show_indicator(table, key)
        by_owner(key)
        if st.toggle(
            _("Compare days to dry with what the conditions allowed (takes some seconds)"), key="show_expected"
        ):
            show_expected(keys)
        if st.button(_("Prepare a workbook of all indicators"), key="prepare_workbook"):
            st.download_button(
                _("Save the workbook (XLSX, HXL tags)"), workbook(table), "indicators.xlsx", key="save_workbook"
            )
        page.sources(
            [
                _(
                    "Limits of chance: exact binomial quantiles, after Spiegelhalter, Statistics in Medicine 24 (2005) 1185."
                ),
                _("Drawn towards the others: empirical Bayes, after Efron and Morris (1975, 1977)."),
                _("The groups stand in the order of the alphabet: this is no league table."),
            ]
        )
    except DryholdError as error:
        page.show_error(error)


main()
