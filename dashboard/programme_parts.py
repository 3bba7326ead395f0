"""What the programme's pages share: groups counted once and kept, values and verdicts in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime

import pandas as pd
import streamlit as st

from core.programme.counting import Indicator, Records, records_of
from core.programme.definitions import DEFINITIONS, OWN, Definition
from core.programme.group_upkeep import counted
from core.programme.indicators import group_indicators, in_season, indicator_rows, last_reading_age
from core.programme.loss_index import CropLoss, crop_losses
from core.programme.programme_book import ProgrammeBook, goal_words, programme_book
from core.programme.report import converted
from core.programme.seasons import Season, indicators_by_season, seasons
from dashboard import state
from dashboard.text import _, day, money, number, say

KEPT_GROUPS = 2500
AT_ONCE = 20


@dataclass(frozen=True)
class CountedGroup:
    """A group with its indicators; `record` holds its members and lots, but no readings, sales, prices and books."""

    record: Records
    found: dict[str, Indicator]
    days_since_reading: float | None


@st.cache_resource(max_entries=KEPT_GROUPS, show_spinner=False)
def _counted(database: str, group_id: int, version: int, today: date) -> CountedGroup:
    del database, version
    record = records_of(state.store(), group_id, today)
    nothing = pd.DataFrame()
    light = replace(
        record, readings=nothing, sales=nothing, prices=nothing, meter_book=(), lot_book=(), plans=(), facts={}
    )
    noon = datetime.combine(today, datetime.min.time(), state.now().tzinfo)
    return CountedGroup(light, group_indicators(record), last_reading_age(record, noon))


@dataclass(frozen=True)
class CountedSeasons:
    """A group's indicators and its losses by crop, season by season."""

    found: list[dict[str, Indicator]]
    crops: list[dict[str, CropLoss]]


@st.cache_resource(max_entries=KEPT_GROUPS, show_spinner=False)
def _by_season(database: str, group_id: int, version: int, today: date, of: tuple[Season, ...]) -> CountedSeasons:
    del database, version
    record = records_of(state.store(), group_id, today)
    crops = [crop_losses(in_season(record, season.start, season.end)) for season in of]
    return CountedSeasons(indicators_by_season(record, of), crops)


def versions(invented: bool = False) -> tuple[tuple[int, int], ...]:
    """Return number and version of every group that counts: the real ones, or the invented ones instead."""
    store = state.store()
    return tuple((group.id, store.version(group.id)) for group in counted(store.groups(), invented))


def counted_groups(keys: Sequence[tuple[int, int]]) -> list[CountedGroup]:
    """Return all groups counted, only those anew whose records changed; says how far it is."""
    database, today = str(state.store().engine.url), state.now().date()
    bar = st.empty()
    found = []
    for place, (group_id, version) in enumerate(keys, start=1):
        found.append(_counted(database, group_id, version, today))
        if place % 10 == 0 and place < len(keys):
            bar.progress(place / len(keys), text=_("{done} of {count} groups").format(done=place, count=len(keys)))
    bar.empty()
    return found


def seasons_of(groups: Sequence[CountedGroup]) -> tuple[Season, ...]:
    """Return the programme's seasons."""
    return tuple(seasons([item.record for item in groups]))


def group_by_season(key: tuple[int, int], of: tuple[Season, ...]) -> CountedSeasons:
    """Return one group's indicators and losses by crop in each season."""
    return _by_season(str(state.store().engine.url), *key, state.now().date(), of)


def book() -> ProgrammeBook:
    """Return the programme's book."""
    return programme_book(state.store())


def table_of(groups: Sequence[CountedGroup], of: ProgrammeBook) -> tuple[pd.DataFrame, str, date]:
    """Return all groups' indicators with money in the programme's currency, that currency, and the day of the rates."""
    rows = [row for item in groups for row in indicator_rows(item.record, item.found)]
    codes = pd.Series([item.record.group.currency for item in groups])
    most = str(codes.mode().iloc[0]) if len(codes) else "USD"
    return converted(pd.DataFrame(rows), of, most, state.now().date())


def unit_words(definition: Definition, currency: str = "") -> str:
    """Return an indicator's unit in words."""
    if definition.money:
        return _("{currency} a tonne").format(currency=currency)
    return {"days": _("days"), "readings": _("readings"), "times": _("times"), "bags": _("bags")}.get(
        definition.unit, definition.unit
    )


def in_words(definition: Definition, value: float | None, currency: str = "") -> str:
    """Return a value (a fraction where the unit is %) with its unit; a dash where there is none."""
    if value is None or value != value:
        return "–"
    if definition.money:
        return _("{amount} a tonne").format(amount=money(value, currency))
    digits = 2 if definition.unit == "times" else 0 if definition.proportion else 1
    return f"{number(value * definition.scale, digits)} {unit_words(definition)}"


def between(definition: Definition, low: float, high: float, currency: str = "") -> str:
    """Return an interval in words; "no interval" where there is none."""
    if low != low or high != high:
        return _("no interval")
    if definition.money:
        return _("{low} to {high}").format(low=money(low, currency), high=money(high, currency))
    digits = 2 if definition.unit == "times" else 0 if definition.proportion else 1
    low, high = (number(end * definition.scale, digits) for end in (low, high))
    return _("{low} to {high}").format(low=low, high=high)


def report_words(row: pd.Series) -> dict[str, str]:
    """Return a row of a report as the cells of a table for people: value, interval, baseline, target."""
    definition = DEFINITIONS[row["key"]]
    scale, currency = definition.scale, str(row["currency"] or "")
    goal = in_words(definition, row["target"] / scale, currency)
    if not pd.isna(row["target"]):
        verdict = say(goal_words(row["against_target"])) if row["against_target"] else _("no value yet")
        goal = _("{goal} by {day}: {verdict}").format(goal=goal, day=day(row["target_on"]), verdict=verdict)
    base = in_words(definition, row["baseline"] / scale, currency)
    if not pd.isna(row["baseline"]):
        base = _("{value} ({day})").format(value=base, day=day(row["baseline_on"]))
    return {
        _("Indicator"): say(definition.label),
        _("Value"): in_words(definition, row["value"] / scale, currency),
        _("95 % interval"): between(definition, row["low"] / scale, row["high"] / scale, currency),
        _("Target"): goal,
        _("Baseline"): base,
        _("Records"): number(row["count"], 0),
        _("Not usable"): number(row["missing"], 0),
    }


def cell_words(cell: str) -> str:
    """Return what a group of people is called: a sex, or an age group."""
    return {"female": _("women"), "male": _("men")}.get(cell) or _(cell)


def definition_words(definition: Definition) -> str:
    """Return what an indicator counts, over what, and its source where it is not this project's own, in one line."""
    words = _("{numerator}, over {denominator}.").format(
        numerator=say(definition.numerator), denominator=say(definition.denominator)
    )
    if definition.source.template == OWN:
        return words
    return words + " " + _("Source: {source}.").format(source=say(definition.source))


def definitions_list() -> None:
    """Show what every indicator counts, folded away."""
    with st.expander(_("What each indicator counts")):
        for definition in DEFINITIONS.values():
            st.markdown(f"- **{say(definition.label)}**: {definition_words(definition)}")
        st.caption(_("Where no source is given, the definition is this project's own."))
        st.caption(
            _(
                "SDG 12.3.1.a, the food loss index, compares losses from production up to retail with a base year, "
                "by value over ten crops. The losses here are those of the stages that a group records between "
                "harvest and sale: a part of it, not the index itself."
            )
        )


def target_list(report: pd.DataFrame) -> None:
    """Say of each indicator with a target or baseline, in a sentence, where it stands."""
    for _index, row in report.iterrows():
        if pd.isna(row["target"]) and pd.isna(row["baseline"]):
            continue
        words = report_words(row)
        parts = [f"**{words[_('Indicator')]}**: {words[_('Value')]} ({words[_('95 % interval')]})"]
        if not pd.isna(row["target"]):
            parts.append(_("target {target}").format(target=words[_("Target")]))
        if not pd.isna(row["baseline"]):
            parts.append(_("baseline {baseline}").format(baseline=words[_("Baseline")]))
        st.markdown("- " + "; ".join(parts) + ".")


def some_of(names: Sequence[str], key: str) -> list[int]:
    """Return which groups a picture shows: all, or a part of the alphabet that the reader chooses."""
    order = sorted(range(len(names)), key=lambda place: names[place])
    if len(order) <= AT_ONCE:
        return order
    parts = [order[start : start + AT_ONCE] for start in range(0, len(order), AT_ONCE)]
    chosen = st.selectbox(
        _("Groups shown in the picture"),
        range(len(parts)),
        format_func=lambda part: f"{names[parts[part][0]]} – {names[parts[part][-1]]}",
        key=f"part_{key}",
    )
    return parts[int(chosen or 0)]
