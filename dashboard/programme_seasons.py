"""Changes from season to season on the overview: each group's, drawn together, and the programme's recorded losses."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import numpy as np
import streamlit as st

from core.programme.currencies import rate_between
from core.programme.definitions import DEFINITIONS
from core.programme.intervals import Change
from core.programme.loss_index import loss_index
from core.programme.programme_book import ProgrammeBook
from core.programme.seasons import Season, changes_of_group, shrunken_changes
from dashboard import page
from dashboard.charts.palette import STONE
from dashboard.charts.programme import intervals
from dashboard.programme_parts import CountedGroup, CountedSeasons, group_by_season, in_words, some_of, unit_words
from dashboard.text import _, number, say

MANY = 200


def show_changes(
    groups: Sequence[CountedGroup],
    keys: Sequence[tuple[int, int]],
    of: tuple[Season, ...],
    key: str,
    entries: ProgrammeBook,
    currency: str,
    rates_on: date,
) -> None:
    """Show how one indicator changed in each group from one season to the next, and the programme's recorded losses."""
    definition = DEFINITIONS[key]
    if len(of) < 2:
        st.info(_("There is one season on record: a change shows from the second one on."))
        return
    if len(keys) > MANY and not st.toggle(_("Count all groups by season (takes minutes)"), key="count_seasons"):
        return
    with page.busy(_("Counting by season")):
        counted = [group_by_season(one, of) for one in keys]
    show_loss_index(groups, counted, of, entries, currency, rates_on)
    if definition.money:
        st.info(_("Costs have no interval; see them by season on a group's own page."))
        return
    changes = [changes_of_group(item.found)[key] for item in counted]
    names = [item.record.group.name for item in groups]
    both = [place for place, item in enumerate(changes) if item.before is not None and item.after is not None]
    if not both:
        st.info(_("No group has this in both seasons yet."))
        return
    drawn = shrunken_changes([changes[place] for place in both])
    shown = [names[place] for place in both]
    _say_counts(drawn, of)
    _draw_changes(drawn, shown, key)
    _list_changes(drawn, shown, of, key)
    st.caption(
        _(
            "Proportions: Newcombe (1998); means: Welch (1947), or Student's paired differences where eight or "
            "more members had lots in both seasons; all adjusted towards the groups' common change, so that chance "
            "blames no group."
        )
    )


def _verdict_words() -> dict[str, str]:
    """Return what may be said of a change, by key."""
    return {
        "better": _("better"),
        "worse": _("worse"),
        "about the same": _("about the same"),
        "cannot tell yet": _("cannot tell yet"),
    }


def _say_counts(drawn: Sequence[Change], of: tuple[Season, ...]) -> None:
    """Say in how many groups an indicator became better, worse, or neither."""
    counts = {word: sum(item.verdict == word for item in drawn) for word in _verdict_words()}
    st.write(
        _(
            "{before} to {after}: better in {better}, worse in {worse}, about the same in {same}, cannot tell yet "
            "in {unknown} of {count} groups."
        ).format(
            before=of[-2].name,
            after=of[-1].name,
            better=counts["better"],
            worse=counts["worse"],
            same=counts["about the same"],
            unknown=counts["cannot tell yet"],
            count=len(drawn),
        )
    )


def _draw_changes(drawn: Sequence[Change], shown: Sequence[str], key: str) -> None:
    """Draw each group's change with its interval, and the line of no change."""
    definition = DEFINITIONS[key]
    unit = _("percentage points") if definition.unit == "%" else unit_words(definition)
    scaled = [
        definition.scale * np.array([getattr(item, end) for item in drawn]) for end in ("difference", "low", "high")
    ]
    part = some_of(list(shown), f"changes_{key}")
    page.chart(
        intervals(
            [shown[place] for place in part],
            *[values[part] for values in scaled],
            _("Change, {unit}").format(unit=unit),
            [(0.0, _("no change"), STONE)],
        ),
        alt=_("Change of {label} in each group with its 95 % interval.").format(label=say(definition.label)),
        key=f"changes_{key}",
    )


def _list_changes(drawn: Sequence[Change], shown: Sequence[str], of: tuple[Season, ...], key: str) -> None:
    """List each group's change with its interval, what it rests on and what may be said."""
    definition = DEFINITIONS[key]
    words = _verdict_words()
    methods = {"same members": _("same members in both"), "all lots": _("all lots of each"), "none": "–"}
    rows = [
        {
            _("Group"): name,
            of[-2].name: in_words(definition, item.before),
            of[-1].name: in_words(definition, item.after),
            _("Change, adjusted for small numbers"): number(definition.scale * item.difference, 1),
            _("95 % interval"): _("no interval")
            if item.low != item.low
            else _("{low} to {high}").format(
                low=number(definition.scale * item.low, 1), high=number(definition.scale * item.high, 1)
            ),
            _("Records before and after"): f"{item.count_before}, {item.count_after}",
            _("Compared by"): methods[item.method],
            _("What may be said"): words[item.verdict],
        }
        for name, item in sorted(zip(shown, drawn, strict=True), key=lambda row: row[0])
    ]
    page.table(rows, f"changes_table_{key}", f"changes_{key}.csv")


def show_loss_index(
    groups: Sequence[CountedGroup],
    counted: Sequence[CountedSeasons],
    of: tuple[Season, ...],
    entries: ProgrammeBook,
    currency: str,
    rates_on: date,
) -> None:
    """Say how recorded losses changed since the first season, crops weighted as SDG 12.3.1.a weights them."""
    parts = []
    for item, seasons in zip(groups, counted, strict=True):
        rate = rate_between(entries.rates, item.record.group.currency, currency, rates_on)
        if rate is not None:
            parts.append((seasons.crops[0], seasons.crops[-1], rate.factor))
    found = loss_index(parts)
    if found is None:
        st.caption(_("No crop was sold with its losses on record in both the first and the last season."))
        return
    ends = (
        _("cannot tell yet how sure")
        if found.low != found.low
        else _("95 % interval {low} to {high}").format(low=number(found.low, 0), high=number(found.high, 0))
    )
    st.write(
        _(
            "Losses between weighing and sale are {value} of 100 in {first} ({ends}), over {crops} crops in "
            "{groups} groups."
        ).format(value=number(found.value, 0), first=of[0].name, ends=ends, crops=len(found.crops), groups=found.groups)
    )
    st.caption(
        _(
            "Crops weighted by their value in the first season, as SDG 12.3.1.a does. It is not that index: only "
            "these groups, these crops and these stages are in it."
        )
    )
