"""A form of assumed and entered figures: each shows where it comes from; one that is changed counts as entered."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import streamlit as st

from core.group.records import Group
from dashboard import page, state
from dashboard.forms.fields import Field, check_all, draw_fields, fresh_form
from dashboard.text import _


@dataclass(frozen=True)
class Figure:
    """One figure that a group can change: the fact's key, its words and unit, and how it is shown (times `scale`)."""

    key: str
    label: str
    unit: str
    scale: float = 1.0
    low: float = 0.0
    high: float | None = None
    whole: bool = False


def facts_form(form: str, group: Group, figures: Sequence[Figure]) -> None:
    """Draw the figures, and save those that were changed."""
    store = state.store()
    facts = {figure.key: store.fact(group.id, figure.key) for figure in figures}
    filled = draw_fields(
        form,
        [
            Field(
                figure.key,
                figure.label,
                unit=figure.unit,
                kind="whole" if figure.whole else "number",
                low=figure.low,
                high=figure.high,
                value=round(float(facts[figure.key].value) * figure.scale, 6),
                help=page.origin_text(facts[figure.key]),
            )
            for figure in figures
        ],
    )
    if not st.button(_("Save"), key=f"{form}.save") or not check_all(form, filled):
        return
    for figure in figures:
        value = float(filled[figure.key]) / figure.scale
        if abs(float(facts[figure.key].value) - value) > 1e-9:
            kept = int(value) if figure.whole else value
            store.set_fact(group.id, figure.key, kept, "entered", state.who(), state.now())
    fresh_form(form)
    st.rerun()


def assumed_count(group: Group, figures: Sequence[Figure]) -> int:
    """Return how many of the figures nobody has entered."""
    return sum(state.store().fact(group.id, figure.key).origin == "assumed" for figure in figures)
