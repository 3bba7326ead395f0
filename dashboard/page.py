"""Parts that every page is made of: head, origin of a figure, cautions, tables, charts, errors."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from importlib import import_module
from typing import Any

import pandas as pd
import streamlit as st

from core.errors import DryholdError
from core.messages import Message
from dashboard import state
from dashboard.contents import entries
from dashboard.text import _, say

CAUTIONS = {
    "mould": (
        "Mouldy or musty grain is not eaten, fed to animals or blended away. A dry reading says nothing of aflatoxin "
        "that is already there: only a laboratory or a test kit does."
    ),
    "chemicals": (
        "Fumigants and grain protectants: only licensed people, by the label and the local law. Keep the waiting time "
        "before treated grain is eaten."
    ),
    "bulk": "Loose grain in bulk can bury a person. Nobody enters a bin or silo alone.",
    "advice": (
        "Prices and weather may turn out otherwise. This is advice: the group decides. Local standards and the "
        "buyer's contract come before the values assumed here."
    ),
    "meter": "A meter is checked against an oven method before it is trusted in trade.",
}


def compose(name: str, sections: dict[str, str]) -> None:
    """Draw a page: its title, the choice of a section where there are several, and the chosen section alone.

    Parameters
    ----------
    name : str
        Of the page, as in the address.
    sections : dict
        Name of a file in `dashboard/sections` to its label; the first is shown where none was chosen. The choice
        stays in the address and, within a session, when the page is left.
    """
    st.title(entries()[name].title)
    group = state.current_group()
    if group is not None and group.demo:
        st.caption(_("Example group: people, places and prices are invented."))
    section = _choose_section(name, sections) if len(sections) > 1 else next(iter(sections))
    import_module(f"dashboard.sections.{section}").show()


def _choose_section(name: str, sections: dict[str, str]) -> str:
    """Return the section that was asked for in the address or chosen on the page."""
    key, seen = f"section_{name}", f"section_seen_{name}"
    asked = st.query_params.get("section")
    if asked in sections and asked != st.session_state.get(seen):
        st.session_state[key] = asked
    if st.session_state.get(key) not in sections:
        st.session_state[key] = next(iter(sections))
    chosen = st.segmented_control(
        _("Part of this page"),
        list(sections),
        format_func=lambda section: sections[section],
        required=True,
        key=key,
        label_visibility="collapsed",
        persist_state="session",
    )
    state.put_in_address("section", chosen)
    st.session_state[seen] = chosen
    return str(chosen)


def start(title: str, question: str) -> None:
    """Show the question that a section answers (its title is the page's, drawn by `compose`)."""
    st.markdown(f"**{question}**" if question else "")


def link(name: str, label: str, section: str | None = None) -> None:
    """Show a link to another page, to one of its sections where that is named."""
    st.page_link(f"views/{name}.py", label=label, query_params=state.address(section))


def answer(sentence: str) -> None:
    """Show the page's answer in one sentence, before any picture."""
    st.info(sentence)


def stop_if_no_group() -> Any:
    """Return the chosen group, or say what to do where there is none and end the page."""
    group = state.current_group()
    if group is None:
        st.warning(_("There is no group yet. Add one under Settings."))
        st.stop()
    return group


def origin_text(fact: Any) -> str:
    """Return where a value comes from, in words."""
    words = {"entered": _("entered by you"), "file": _("from file"), "assumed": _("assumed")}
    text = words.get(fact.origin, fact.origin)
    return f"{text}: {_(fact.source)}" if fact.source else text


def origin(fact: Any) -> None:
    """Show where a value comes from, small, beside the value."""
    st.caption(origin_text(fact))


def sources(lines: Sequence[str]) -> None:
    """Show the sources of a page's figures, folded away."""
    with st.expander(_("Where these numbers come from")):
        st.markdown("\n".join(f"- {line}" for line in lines))


def caution(kind: str) -> None:
    """Show one of the usual cautions."""
    st.warning(_(CAUTIONS[kind]), icon=":material/front_hand:")


def show_error(error: DryholdError | Message | str) -> None:
    """Show what went wrong in plain words."""
    st.error(say(error, markdown=True))


@contextmanager
def plain_errors() -> Iterator[None]:
    """Show the project's own errors as sentences instead of letting them end the page."""
    try:
        yield
    except DryholdError as error:
        show_error(error)


def chart(figure: Any, alt: str, key: str) -> None:
    """Show a Plotly figure with a text that says what it shows."""
    st.plotly_chart(figure, key=key, width="stretch", alt=alt, config={"displayModeBar": False})


def table(frame: pd.DataFrame, key: str, file_name: str | None = None) -> None:
    """Show a table, with the same as CSV to keep where a file name is given."""
    st.dataframe(frame, key=key, width="stretch", hide_index=True)
    if file_name:
        st.download_button(
            _("Keep this table (CSV)"),
            frame.to_csv(index=False).encode("utf-8-sig"),
            file_name=file_name,
            mime="text/csv",
            key=f"{key}_csv",
        )


@contextmanager
def busy(words: str) -> Iterator[None]:
    """Show that something above a second is under way."""
    with st.spinner(words, show_time=True):
        yield
