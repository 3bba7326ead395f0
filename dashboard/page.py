"""Parts that every page is made of, so that all pages look and speak alike.

A section calls, in this order: `start` (the question), `caution` (where the answer could harm), `answer` (one
sentence), `chart` (one picture), `table` (cards on a phone), `details` (folded), `sources`.
"""

from __future__ import annotations

import html
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date
from importlib import import_module
from typing import Any

import pandas as pd
import streamlit as st

from core.cautions import caution_of
from core.errors import DryholdError, NoPlaceError
from core.group.limits import STANDARD_NAMES
from core.messages import Message
from core.tables.write import CSV_TYPE, csv_bytes, download_name
from dashboard import state
from dashboard.contents import entries
from dashboard.origins import origin_lines
from dashboard.text import _, day, literal, ngettext, number, say

KEEP: dict[str, Any] = {"persist_state": "session"}
"""For a widget whose choice stays while other pages are looked at."""

CARDS = 40
DAY_FORMAT = "DD/MM/YYYY"
"""How a field and a sortable column show a day: as all readers' languages write it, the day first."""
OPEN_CARDS = 3
CARD_LINES = 3
LETTER_PX, CELL_PX, LEAST_PX = 7, 18, 230
"""A letter of a table, what a cell takes beside its letters, and the least width of a column made narrower: sentences
give way, money and names never."""
ROOM_PX, NARROW_PX = 780, 700
"""Room for a table beside the side bar of a laptop, and on a tablet: what is broader becomes cards there."""
OF_ONE_GROUP = ("programme_group",)
"""Sections of the officer's pages that are about the chosen group; the others are about many."""


def compose(name: str, sections: dict[str, str]) -> None:
    """Draw a page: its head, the choice of a section where there are several, and the chosen section alone.

    Parameters
    ----------
    sections : dict
        Name of a file in `dashboard/sections` to its label; the first is shown where none was chosen. The choice
        stays in the address and, within a session, when the page is left.
    """
    entry = entries()[name]
    st.title(entry.title, anchor=False)
    below = st.container()
    section = _choose_section(name, sections) if len(sections) > 1 else next(iter(sections))
    if entry.person != "officer" or section in OF_ONE_GROUP:
        with below:
            head()
    import_module(f"dashboard.sections.{section}").show()


def head() -> None:
    """Draw, small beneath a page's title, the group, its place and where weather and prices come from."""
    group = state.current_group()
    if group is None:
        return
    words = [literal(group.name), *([literal(group.district)] if group.district else [])]
    words += [say(line, markdown=True) for line in origin_lines(group.id)]
    st.caption(" · ".join(words))


def _choose_section(name: str, sections: dict[str, str]) -> str:
    """Return the section that was asked for in the address or chosen on the page.

    The first section needs no word in the address: a page that is opened writes nothing, so that the browser's Back
    button leads to the page before. A link within a page changes what the server sees of the address but not the
    browser's: there it is written once more, else the next click would lead back.
    """
    key, seen, first = f"section_{name}", f"section_seen_{name}", next(iter(sections))
    asked = st.query_params.get("section", first)
    stayed, st.session_state["page_shown"] = st.session_state.get("page_shown") == name, name
    moved = asked in sections and asked != st.session_state.get(seen)
    if moved:
        st.session_state[key] = asked
    if st.session_state.get(key) not in sections:
        st.session_state[key] = first
    chosen = st.segmented_control(
        _("Part of this page"),
        list(sections),
        format_func=lambda section: sections[section],
        required=True,
        key=key,
        label_visibility="collapsed",
        persist_state="session",
    )
    if chosen != asked or (moved and stayed and "section" in st.query_params):
        st.query_params["section"] = str(chosen)
    st.session_state[seen] = chosen
    return str(chosen)


def start(question: str) -> None:
    """Show the question that a section answers (its title is the page's, drawn by `compose`)."""
    st.markdown(f"**{question}**" if question else "")


def link(
    name: str, label: str, section: str | None = None, icon: str | None = None, here: dict[str, str] | None = None
) -> None:
    """Show a link to another page: to the section named, else to the one that was last open there (Today: to today).

    `here` is `state.address()` where many links are drawn at once: it asks the records for the groups.
    """
    section = section or (st.session_state.get(f"section_seen_{name}") if name != "today" else "today")
    address = (state.address() if here is None else here) | ({"section": section} if section else {})
    st.page_link(f"views/{name}.py", label=label, icon=icon, query_params=address)


def answer(sentence: str) -> None:
    """Show a section's answer in one sentence, before any picture."""
    st.info(sentence)


def stop_if_no_group() -> Any:
    """Return the chosen group, or say what to do where there is none and end the page."""
    group = state.current_group()
    if group is None:
        st.warning(_("There is no group yet. Add one first."))
        link("today", _("Begin with your own group"), "first_steps")
        st.stop()
    return group


def basis_words() -> dict[str, str]:
    """Return what stands for each basis of a figure of the tables."""
    return {
        "published": _("published"),
        "practice": _("common practice"),
        "memory": _("from memory"),
        "judgement": _("our judgement"),
    }


def value_word(value: object) -> str:
    """Return a setting's value that is no number in the reader's language."""
    if isinstance(value, bool):
        return _("yes") if value else _("no")
    return _(STANDARD_NAMES.get(str(value), str(value).replace("_", " ")))


def origin_text(fact: Any) -> str:
    """Return where a value comes from, in words."""
    words = {"entered": _("entered by you"), "file": _("from file"), "assumed": _("assumed")}
    text = words.get(fact.origin, fact.origin)
    return f"{text}: {_(fact.source)}" if fact.source else text


def origin(fact: Any) -> None:
    """Show where a value comes from, small, beside the value."""
    st.caption(origin_text(fact))


@contextmanager
def details(label: str, expanded: bool = False) -> Iterator[None]:
    """Fold away what only some readers want."""
    with st.expander(label, expanded=expanded):
        yield


def folded(label: str, key: str, draw: Callable[[], None]) -> None:
    """Fold away a part that is worked out and drawn only once somebody opens it."""
    fold = st.expander(label, key=f"fold_{key}", on_change="rerun")
    if fold.open:
        with fold:
            draw()


def sources(*lines: str) -> None:
    """Show the sources of a section's figures, folded away."""
    with details(_("Where these numbers come from")):
        st.markdown("\n".join(f"- {line}" for line in lines))


def caution(*kinds: str) -> None:
    """Show cautions of `core/cautions.toml` in one box, above the answer of the step that they belong to.

    Parameters
    ----------
    *kinds : str
        Such as "mould", "chemicals", "gas", "bulk", "heat", "machines", "lifting", "biting", "meter", "money",
        "personal", "advice".
    """
    st.warning("\n\n".join(_(caution_of(kind)) for kind in kinds), icon=":material/front_hand:")


def show_error(error: DryholdError | Message | str) -> None:
    """Show what went wrong in plain words; where a group's place is missing, the way to enter it."""
    st.error(say(error, markdown=True))
    if isinstance(error, NoPlaceError):
        link("our_things", _("Enter where the group is"), "group_place")


@contextmanager
def plain_errors() -> Iterator[None]:
    """Show the project's own errors as sentences instead of letting them end the page."""
    try:
        yield
    except DryholdError as error:
        show_error(error)


def field_error(error: DryholdError | Message | str | None) -> None:
    """Show what is wrong with the field just above, where something is."""
    if error is not None:
        st.markdown(f":red[:material/error: {say(error, markdown=True)}]")


def chart(figure: Any, alt: str, key: str) -> None:
    """Show a Plotly figure in the page's light or dark colours.

    Parameters
    ----------
    figure : Figure
        Drawn in the light colours of `charts.palette`, laid out by `charts.base.layout`.
    """
    if st.context.theme.type == "dark":
        import plotly.io

        from dashboard.charts.palette import darkened

        figure = plotly.io.from_json(darkened(figure.to_json()), skip_invalid=True)
    st.plotly_chart(figure, key=key, width="stretch", theme=None, alt=alt, config={"displayModeBar": False})


def table(
    rows: pd.DataFrame | Sequence[Mapping[str, Any]],
    key: str,
    file_name: str | None = None,
    open_cards: int = OPEN_CARDS,
) -> None:
    """Show a table, on a phone as one card a row, with a download where it has a name.

    Parameters
    ----------
    rows : DataFrame or sequence of mappings
        Headings and cells in the reader's language; the first column heads a card.
    open_cards : int
        Cards that are not folded on a phone.
    """
    frame = pd.DataFrame(rows)
    wanted = wanted_widths(frame)
    shown = _fitted(wanted)
    columns = {
        name: st.column_config.DateColumn(format=DAY_FORMAT, width=shown[at])
        if isinstance(next(iter(frame[name].dropna()), None), date)
        else st.column_config.Column(width=shown[at])
        for at, name in enumerate(frame)
        if shown[at] or isinstance(next(iter(frame[name].dropna()), None), date)
    }
    broad = "broad_" if sum(wanted) > NARROW_PX else ""
    with st.container(key=f"wide_{broad}{key}"):
        st.dataframe(frame, key=key, width="stretch", hide_index=True, column_config=columns)
    st.html(cards(frame, open_cards, bool(broad)))
    if file_name:
        download(frame, file_name, f"{key}_csv")


def wanted_widths(frame: pd.DataFrame) -> list[int]:
    """Return what each column of a table takes to show its heading and its longest cell whole, pixels."""
    return [
        LETTER_PX * max([len(str(name)), *(len(_cell(value)) for value in frame[name].head(CARDS))]) + CELL_PX
        for name in frame
    ]


def _fitted(wanted: Sequence[int]) -> list[int | None]:
    """Return widths, pixels, for the broadest columns of a table that would else scroll sideways; None: as they are."""
    cap = max(wanted, default=0)
    while cap > LEAST_PX and sum(min(width, cap) for width in wanted) > ROOM_PX:
        cap -= 5
    return [cap if width > cap else None for width in wanted]


def cards(frame: pd.DataFrame, open_cards: int = OPEN_CARDS, broad: bool = False) -> str:
    """Return a table as HTML cards, one a row, shown only on narrow screens (a broad table's also on a tablet).

    Every cell is escaped.
    """
    headings = [html.escape(str(name)) for name in frame.columns]
    made = []
    for row in frame.head(CARDS).itertuples(index=False):
        cells = [html.escape(_cell(value)) for value in row]
        if not cells:
            continue
        lines = [
            f"<dt>{heading}</dt><dd>{cell}</dd>"
            for heading, cell in zip(headings[1:], cells[1:], strict=True)
            if cell not in ("", "–")
        ]
        first, rest = lines[:CARD_LINES], lines[CARD_LINES:]
        folded = f"<details><summary>{_('More')}</summary><dl>{''.join(rest)}</dl></details>" if rest else ""
        made.append(f"<li><strong>{cells[0]}</strong><dl>{''.join(first)}</dl>{folded}</li>")
    more = len(frame) - CARDS
    note = _("{count} more rows are in the wide view and in the download.").format(count=more) if more > 0 else ""
    first, rest = "".join(made[:open_cards]), "".join(made[open_cards:])
    count = len(made) - open_cards
    words = ngettext("{count} more row", "{count} more rows", count).format(count=count) if rest else ""
    folded = f"<details><summary>{html.escape(words)}</summary><ul>{rest}</ul></details>" if rest else ""
    kind = "dh-cards dh-broad" if broad else "dh-cards"
    return f'<div class="{kind}"><ul>{first}</ul>{folded}<p>{html.escape(note)}</p></div>'


def _cell(value: object) -> str:
    if value is None or value != value or value is pd.NaT:
        return "–"
    if isinstance(value, bool):
        return _("yes") if value else _("no")
    if isinstance(value, float):
        fitting = (digits for digits in (0, 1) if value == round(value, digits))
        return number(value, 0 if abs(value) >= 100 else next(fitting, 2))
    if isinstance(value, date):
        return day(value)
    return str(value)


def download(frame: pd.DataFrame, what: str, key: str, label: str = "", tags: Mapping[str, str] | None = None) -> None:
    """Offer a table as a file, written by the one writer of downloads, named by group, content and date.

    Parameters
    ----------
    what : str
        What the table is, such as ``"members.csv"``.
    label : str
        What stands on the button, where it is not the usual.
    """
    group = state.current_group()
    name = download_name([group.name if group else "", what.rsplit(".", 1)[0]], state.today(), "csv")
    st.download_button(label or _("Download this table (CSV)"), lambda: csv_bytes(frame, tags), name, CSV_TYPE, key=key)


@contextmanager
def busy(words: str) -> Iterator[None]:
    """Show that something above a second is under way."""
    with st.spinner(words, show_time=True):
        yield
