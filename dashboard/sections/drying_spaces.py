"""The group's drying spaces: entered once here, used by the plan, the drying page and the schedule."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import streamlit as st

from core.drying.setups import drying_method, drying_methods
from core.group.possessions import ACCESS, SPACES, DryingSpace, Possessions, keep_spaces, possessions
from dashboard import page, state
from dashboard.forms.edits import choose_row, opened, save_edit
from dashboard.forms.fields import Field, draw_fields, usual_field
from dashboard.text import _, literal, money, number


def show() -> None:
    page.start(_("Where can the group dry grain?"))
    group = page.stop_if_no_group()
    has, fact = possessions(state.store(), group.id), state.store().fact(group.id, SPACES)
    total = sum(space.capacity_kg for space in has.spaces)
    if any(drying_method(space.method)["powered"] for space in has.spaces):
        page.caution("heat", "machines")
    page.answer(_("Room for {mass} kg of wet grain at a time.").format(mass=number(total, 0)))
    page.origin(fact)
    page.table(spaces_table(has, group.currency), key="spaces_table", file_name="drying_spaces.csv")
    st.subheader(_("Add or correct"), anchor=False)
    listed = () if "spaces" in has.assumed else has.spaces
    chosen = choose_row("spaces", {one.name: one.name for one in listed}, _("(a new drying space)"), _("Which space?"))
    form = f"space_{chosen or 'new'}"
    stored = next((one for one in listed if one.name == chosen), None)
    seen = opened(form, (stored, listed, fact.revision))
    filled = draw_fields(form, space_fields(seen[0], has, group.currency))

    def write(values: Any, token: str) -> str:
        space, others = _space(values, seen[0]), [one for one in seen[1] if one.name != chosen]
        place = list(seen[1]).index(seen[0]) if seen[0] in seen[1] else len(others)
        rows = [*others[:place], space, *others[place:]]
        keep_spaces(state.store(), group.id, rows, state.who(), state.now(), expected=seen[2], token=token)
        return _("{name} is saved.").format(name=literal(space.name))

    save_edit(form, filled, write, seen[2])
    if stored is not None and len(listed) > 1 and st.button(_("Remove this space"), key=f"{form}.remove"):
        with page.plain_errors():
            rest = [one for one in listed if one.name != chosen]
            keep_spaces(state.store(), group.id, rest, state.who(), state.now(), expected=fact.revision)
            st.rerun()
    st.caption(_("The first space of the list is the usual one."))


def access_words() -> dict[str, str]:
    """Return the words for how something can be had."""
    words = {"own": _("the group's own"), "hire": _("can be hired"), "buy": _("can be bought")}
    return {key: words[key] for key in ACCESS}


def spaces_table(has: Possessions, currency: str) -> list[dict[str, object]]:
    """Return the spaces as a table for people."""
    return [
        {
            _("Name"): _(space.name),
            _("How it dries"): _(drying_method(space.method)["label"]),
            _("Area, m²"): space.area_m2,
            _("Grain, kg per m²"): space.load_kg_m2,
            _("Holds, kg"): round(space.capacity_kg),
            _("Whose"): access_words()[space.access],
            _("Hire per bag and day"): money(space.hire_per_bag_day, currency),
        }
        for space in has.spaces
    ]


def space_fields(space: DryingSpace | None, has: Possessions, currency: str) -> list[Any]:
    """Return what is asked of a drying space; what a method usually has stands in the fields of a new one."""
    methods = {code: _(drying_method(code)["label"]) for code in drying_methods()}

    def usual(values: Any) -> DryingSpace:
        return space if space is not None else has.space(values.get("method") or has.usual_method)

    sized = usual_field(usual, "method")
    return [
        Field("name", _("What the group calls it"), value=None if space is None else space.name),
        Field(
            "method",
            _("How it dries"),
            "choice",
            options=methods,
            value=has.usual_method if space is None else space.method,
        ),
        sized("area_m2", _("Area"), "m²", 0.1, 100_000),
        sized("load_kg_m2", _("Wet grain on a square metre"), "kg", 0.1, 2000),
        Field(
            "access",
            _("Whose is it?"),
            "choice",
            options=access_words(),
            value="own" if space is None else space.access,
        ),
        sized("hire_per_bag_day", _("Hire per bag and day"), currency, 0, 1e9),
        sized("cost_per_kg", _("Work and wear per kg dried"), currency, 0, 1e9),
        sized("fee_per_point_kg", _("A dryer's fee per kg and point of moisture"), currency, 0, 1e9),
    ]


def _space(values: Any, old: DryingSpace | None) -> DryingSpace:
    given = {**values, "name": " ".join(values["name"].split())}
    return DryingSpace(**given) if old is None else replace(old, **given)
