"""The group's stores and bags: entered once here, used by the plan and the storage page."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import streamlit as st

from core.accounts.typed import MOST_AMOUNT
from core.group.possessions import MOST_UNITS, STORES, GrainStore, Possessions, keep_stores, possessions
from core.storage.methods import get_method, method_codes
from dashboard import page, state
from dashboard.forms.edits import choose_row, opened, save_edit
from dashboard.forms.fields import Field, draw_fields, usual_field
from dashboard.names import method_name
from dashboard.sections.drying_spaces import access_words
from dashboard.text import _, literal, money, number


def show() -> None:
    page.start(_("In what can the group keep grain?"))
    group = page.stop_if_no_group()
    has, fact = possessions(state.store(), group.id), state.store().fact(group.id, STORES)
    page.caution("chemicals", *(("bulk",) if any(one.unit == "silo" for one in has.stores) else ()))
    page.origin(fact)
    page.table(stores_table(has, group.currency), key="stores_table", file_name="stores.csv")
    with page.details(_("Add or correct")):
        _form(group, has, fact)


def _form(group: Any, has: Possessions, fact: Any) -> None:
    """Add a store, correct or remove one."""
    listed = has.stores
    chosen = choose_row("stores", {one.name: _(one.name) for one in listed}, _("(a new store)"), _("Which store?"))
    form = f"store_{chosen or 'new'}"
    stored = next((one for one in listed if one.name == chosen), None)
    seen = opened(form, (stored, listed, fact.revision))
    filled = draw_fields(form, store_fields(seen[0], has, group.currency))

    def write(values: Any, token: str) -> str:
        made = _store(values, seen[0])
        rows = [made if one.name == chosen else one for one in seen[1]]
        rows = rows if seen[0] is not None else [*rows, made]
        keep_stores(state.store(), group.id, rows, state.who(), state.now(), expected=seen[2], token=token)
        return _("{name} is saved.").format(name=literal(made.name))

    save_edit(form, filled, write, seen[2])
    if stored is not None and len(listed) > 1 and st.button(_("Remove this store"), key=f"{form}.remove"):
        with page.plain_errors():
            rest = [one for one in listed if one.name != chosen]
            keep_stores(state.store(), group.id, rest, state.who(), state.now(), expected=fact.revision)
            st.rerun()


def stores_table(has: Possessions, currency: str) -> list[dict[str, object]]:
    """Return the stores as a table for people."""
    return [
        {
            _("Name"): _(one.name),
            _("How it keeps grain"): method_name(one.method),
            _("How many"): number(one.units, 0),
            _("Whose"): access_words()[one.access],
            _("Holds each, kg"): number(one.unit_capacity_kg, 0),
            _("Price of one"): money(one.unit_cost, currency),
            _("Serves, seasons"): number(one.seasons, 0),
        }
        for one in has.stores
    ]


def store_fields(kept: GrainStore | None, has: Possessions, currency: str) -> list[Any]:
    """Return what is asked of a store; what a method usually has stands in the fields of a new one."""
    methods = {code: method_name(code) for code in method_codes()}

    def usual(values: Any) -> GrainStore:
        return kept if kept is not None else has.store(values.get("method") or method_codes()[0])

    sized = usual_field(usual, "method")
    return [
        Field("name", _("What the group calls it"), value=None if kept is None else _(kept.name)),
        Field(
            "method",
            _("How it keeps grain"),
            "choice",
            options=methods,
            value=method_codes()[0] if kept is None else kept.method,
        ),
        sized("units", _("How many bags or vessels"), "", 0, MOST_UNITS, "whole"),
        Field(
            "access",
            _("Whose is it?"),
            "choice",
            options=access_words(),
            value="own" if kept is None else kept.access,
            help=_("Own: empty ones at hand. Those that hold grain are counted from the lots."),
        ),
        sized("unit_capacity_kg", _("One holds"), "kg", 0.1, 1e9),
        sized("unit_cost", _("Price of one"), currency, 0, MOST_AMOUNT),
        sized("treatment_cost", _("Protectant for one, each time"), currency, 0, MOST_AMOUNT),
        sized("cost_per_kg_month", _("Fee per kg and month"), currency, 0, 1e9),
        sized("seasons", _("One serves"), _("seasons"), 0.1, 100),
    ]


def _store(values: Any, old: GrainStore | None) -> GrainStore:
    given = {**values, "name": " ".join(values["name"].split()), "unit": get_method(values["method"]).unit}
    return GrainStore(**given) if old is None else replace(old, **given)
