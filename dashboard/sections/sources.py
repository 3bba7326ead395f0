"""Where the numbers come from: every table that the program reads, with source and basis."""

from __future__ import annotations

from typing import Any

import pandas as pd
import streamlit as st

from core.audit.coefficients import collect_provenance
from core.group.facts import shown_scale, shown_unit
from dashboard import page, state
from dashboard.page import KEEP
from dashboard.text import _, ngettext, number, say


@st.cache_data(max_entries=4, show_spinner=False)
def _provenance() -> pd.DataFrame:
    return collect_provenance()


def show() -> None:
    page.start(_("Which figures are published, and which are from memory or judgement?"))
    frame = _provenance()
    counts = frame["basis"].value_counts()
    words = _basis_words()
    page.caution("advice")
    page.answer(
        _(
            "{count} entries: {published} published, {memory} from memory, {practice} common practice, {judgement} "
            "our own judgement."
        ).format(count=len(frame), **{key: int(counts.get(key, 0)) for key in words})
    )
    with st.expander(_("What the four words mean")):
        st.markdown("\n".join(f"- **{name}**: {meaning}" for name, meaning in words.values()))
    left, right = st.columns(2)
    tables = [_("all tables"), *sorted(frame["table"].unique())]
    table = left.selectbox(_("Table"), tables, key="sources_table", **KEEP)
    search = right.text_input(_("Search (a crop, an author, a word)"), key="sources_search", **KEEP)
    shown = _chosen(frame, "" if table == tables[0] else table, search)
    st.caption(ngettext("{count} entry", "{count} entries", len(shown)).format(count=len(shown)))
    page.table(_for_screen(shown, words), key="sources_entries", file_name="sources.csv")
    _group_values()
    st.caption(
        _(
            "The tables are plain text files beside the code. People who know better can correct them. Values that a "
            "group enters itself are used first."
        )
    )


def _chosen(frame: pd.DataFrame, table: str, search: str) -> pd.DataFrame:
    """Return the entries of one table (all when empty) that hold all the words searched for."""
    kept = frame if not table else frame[frame["table"] == table]
    text = kept.agg(" ".join, axis=1).str.casefold() if len(kept) else pd.Series(dtype=str)
    for word in search.casefold().split():
        found = text.str.contains(word, regex=False)
        kept, text = kept[found], text[found]
    return kept


def _for_screen(frame: pd.DataFrame, words: dict[str, tuple[str, str]]) -> pd.DataFrame:
    """Return the entries under headings in the reader's language."""
    shown = frame.assign(
        basis=[words[key][0] if key in words else _("not stated") for key in frame["basis"]],
        unit=frame["unit"].str.replace("fraction", "share"),
    )
    headings = {
        "entry": _("entry"),
        "table": _("table"),
        "values": _("values"),
        "unit": _("unit"),
        "source": _("source"),
        "basis": _("basis"),
        "note": _("note"),
    }
    return shown.rename(columns=headings)[list(headings.values())]


def _group_values() -> None:
    """Show the values that the chosen group works with, and where each comes from."""
    group = state.current_group()
    if group is None:
        return
    facts = state.store().facts(group.id)
    facts = facts if isinstance(facts, dict) else {fact.key: fact for fact in facts}
    rows = [
        {
            _("value of"): _(getattr(fact, "label", "") or key),
            _("value"): _with_unit(fact, group.currency),
            _("where from"): page.origin_text(fact),
            _("set by"): getattr(fact, "set_by", "") or "",
        }
        for key, fact in sorted(facts.items())
    ]
    with page.details(_("What {group} works with").format(group=group.name)):
        page.table(rows, key="sources_facts")


def _with_unit(fact: Any, currency: str) -> str:
    """Return a value as people read it, with its unit."""
    if isinstance(fact.value, bool) or not isinstance(fact.value, int | float):
        return _shown(fact.value)
    return f"{_shown(fact.value * shown_scale(fact))} {say(shown_unit(fact, currency))}".strip()


def _shown(value: object) -> str:
    """Return a value with as many digits as it deserves."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return page.value_word(value)
    return number(value, 0 if value == int(value) or abs(value) >= 1000 else 2 if abs(value) >= 0.1 else 4)


def _basis_words() -> dict[str, tuple[str, str]]:
    """Return the four words for a basis and what each means."""
    return {
        "published": (_("published"), _("read in the publication itself, or in a work that cites it")),
        "practice": (_("common practice"), _("a rule of the trade; no source was found")),
        "memory": (_("from memory"), _("the source is named, but its text was not at hand: to be checked")),
        "judgement": (
            _("our judgement"),
            _("set by the makers, with the reason; to be replaced by your own measurement"),
        ),
    }
