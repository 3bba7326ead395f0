"""Editing what is stored: a form rests on what was seen when it was opened, and is saved once."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, is_dataclass
from typing import Any

import streamlit as st

from core.errors import DryholdError, StaleError
from dashboard import page
from dashboard.forms.confirm import token_of
from dashboard.forms.fields import Field, Filled, check_all, draw_fields, fresh_form, show_refusal, widget_key
from dashboard.text import _, literal

UNSHOWN = ("id", "group_id", "import_id", "revision", "demo")


def opened(form: str, stored: Any) -> Any:
    """Return what was stored when the form was opened, so that a later change by somebody else is noticed."""
    return st.session_state.setdefault(widget_key(form, "opened"), stored)


def save_edit(
    form: str, filled: Filled, write: Callable[[Mapping[str, Any], str], str], seen: object, button: str = ""
) -> None:
    """Draw the button that saves an edit, and save it once.

    Parameters
    ----------
    write : function of the values and the token
        Writes and returns what to say; errors of ours are shown, the form stays as it is.
    button : str
        Its words; 'Save' where none are given.
    """
    said = st.session_state.pop(f"{form}.said", None)
    if said:
        st.success(said)
    if st.button(button or _("Save"), key=f"{form}.save", type="primary"):
        _save(form, filled, write, seen)


def keyed_form(
    form: str,
    fields: Sequence[Field],
    write: Callable[[Mapping[str, Any], str], str],
    seen: object,
    button: str = "",
    note: str = "",
) -> None:
    """Draw a form that Enter sends, for entries typed one after the other, and save it once.

    Parameters
    ----------
    fields : sequence of Field
        None of them depends on another: the page is drawn anew only when the form is sent.
    write, seen, button
        As for `save_edit`; `seen` is what was known when the empty form was first drawn.
    note : str
        Said above the fields.
    """
    first_seen = st.session_state.setdefault(f"{form}.seen", seen)
    said = st.session_state.pop(f"{form}.said", None)
    with st.form(f"{form}.keyed", border=False):
        if note:
            st.caption(note)
        filled = draw_fields(form, fields)
        sent = st.form_submit_button(button or _("Save"), key=f"{form}.save", type="primary")
    if said:
        st.success(said)
    if sent:
        _save(form, filled, write, first_seen)


def _save(form: str, filled: Filled, write: Callable[[Mapping[str, Any], str], str], seen: object) -> None:
    """Write what a form holds once, or show why the records refuse it."""
    if check_all(form, filled):
        try:
            words = write(filled.values, token_of(form, filled.values, seen))
        except StaleError as error:
            _show_both(form, error)
        except DryholdError as error:
            show_refusal(error)
        else:
            fresh_form(form)
            st.session_state[f"{form}.said"] = words
            st.rerun()


def _show_both(form: str, error: StaleError) -> None:
    """Show the entry that was not saved beside what is stored now."""
    show_refusal(error)
    mine, theirs = _plain(error.mine), _plain(error.theirs)
    rows = [
        {_("What"): name.replace("_", " "), _("Your entry"): str(mine.get(name)), _("Saved now"): str(theirs.get(name))}
        for name in {**theirs, **mine}
        if name not in UNSHOWN and mine.get(name) != theirs.get(name)
    ]
    page.table(rows, f"{form}_both")
    st.button(_("Open the form again with what is saved now"), key=f"{form}.reopen", on_click=fresh_form, args=(form,))


def _plain(value: Any) -> dict[str, Any]:
    """Return a record, a list of rows or a single value by name."""
    if is_dataclass(value) and not isinstance(value, type):
        return asdict(value)
    if isinstance(value, Mapping):
        return dict(value)
    if isinstance(value, list) and all(isinstance(row, Mapping) for row in value):
        return {str(row.get("name") or row.get("method")): row for row in value}
    return {_("Value"): value}


def choose_row(form: str, names: Mapping[Any, str], new: str, label: str) -> Any:
    """Let a person choose which row to change; None is a new one."""
    rows = {None: new, **{key: literal(name) for key, name in names.items()}}
    return st.selectbox(label, list(rows), format_func=rows.__getitem__, key=widget_key(form, "row"))
