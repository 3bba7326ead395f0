"""What all pages share: the database, the group chosen, who is writing, and what day it is."""

from __future__ import annotations

import os
from collections.abc import Mapping
from datetime import UTC, date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import sqlalchemy as sa
import streamlit as st

from core.errors import StoreError
from core.group.access import EVERY_GROUP, open_for
from core.group.database import back_up_at_start, default_url, open_store
from core.group.records import Group
from core.group.store import Store
from dashboard import sign_in

UNREADABLE = (StoreError, sa.exc.SQLAlchemyError)
"""What is raised where the records cannot be opened or read."""
ROLES = ("manager", "treasurer", "officer")
ADDRESS = {"group": "group_id", "role": "role", "lang": "language"}
"""What the address keeps, so that a reload or a second tab shows the same: name there to name in the session."""


@st.cache_resource(show_spinner=False)
def _store_at(url: str) -> Store:
    from demo_data.load import fill_with_demo

    return open_store(url, lambda fresh: fill_with_demo(fresh, now()))


@st.cache_resource(show_spinner=False)
def _backed_up(url: str) -> StoreError | None:
    return back_up_at_start(url)


def open_records() -> Store:
    """Return the whole database, filled with the demo groups on first start."""
    found = _store_at(default_url())
    _backed_up(default_url())
    return found


def no_backup() -> StoreError | None:
    """Return why no backup could be made when the program started; nothing where there is one."""
    return _backed_up(default_url())


def store() -> Store:
    """Return the records that the person here may see, written by that person; all where nobody signs in."""
    found = open_records()
    if sign_in.on():
        found = open_for(found, sign_in.access(found))
    return found.by(who(), now())


def may(act: str, group_id: int = EVERY_GROUP) -> bool:
    """Return whether the person here may do something (see `core.group.access`) in a group, or in all."""
    return not sign_in.on() or sign_in.access(open_records()).may(act, group_id)


def check(act: str, group_id: int = EVERY_GROUP) -> None:
    """Raise `AccessError` where the person here may not do something."""
    if sign_in.on():
        sign_in.access(open_records()).check(act, group_id)


def now() -> datetime:
    """Return the present moment in UTC (fixed by DRYHOLD_NOW in tests)."""
    fixed = os.environ.get("DRYHOLD_NOW")
    return datetime.fromisoformat(fixed).astimezone(UTC) if fixed else datetime.now(UTC)


def today() -> date:
    """Return today's date where the chosen group lives."""
    group = current_group()
    return now().astimezone(ZoneInfo(group.time_zone if group else "UTC")).date()


def current_group() -> Group | None:
    """Return the group chosen in the side bar, the first one where none was chosen, None where there is none."""
    groups = st.session_state.get("groups_of_run") or store().groups()
    chosen = st.session_state.get("group_id")
    for group in groups:
        if group.id == chosen:
            return group
    return groups[0] if groups else None


def read_groups() -> None:
    """Read the groups once for the run of the page that begins: each of its parts asks which is chosen."""
    st.session_state["groups_of_run"] = store().groups()


def choose_group(group_id: int) -> None:
    """Make another group the one that the pages speak of."""
    st.session_state["group_id"] = group_id
    st.session_state.pop("groups_of_run", None)


def who() -> str:
    """Return the name of the person who writes: the signed-in one's address, else as given in the settings."""
    if sign_in.on():
        return sign_in.person() or ""
    return str(st.session_state.get("who") or os.environ.get("DRYHOLD_WHO") or "not named")


def role() -> str:
    """Return who is at the screen: manager, treasurer or officer."""
    return str(st.session_state.get("role") or _own_role() or "manager")


def _own_role() -> str | None:
    """Return which pages suit the role of who is signed in."""
    if not sign_in.on():
        return None
    group = current_group()
    own = sign_in.access(open_records()).role(group.id if group else EVERY_GROUP)
    return own if own in ROLES else None


def put_in_address(values: Mapping[str, object]) -> None:
    """Write values into the page's address where they are not there yet, in one go.

    Each write is a step of the browser's Back button, and one made while the page changes is a step to nowhere:
    so links (`address`) already hold all that their page would write.
    """
    missing = {name: str(value) for name, value in values.items() if st.query_params.get(name) != str(value)}
    if missing:
        st.query_params.update(missing)


def read_address() -> None:
    """Take group, person and language from the address, in a new session else from what the browser remembers.

    An unknown group, person or language is passed over.
    """
    from dashboard.text import best_language, languages

    allowed: dict[str, dict[str, Any]] = {
        "group": {str(group.id): group.id for group in store().groups()},
        "role": {name: name for name in ROLES},
        "lang": {code: code for code in languages()},
    }
    for name, key in ADDRESS.items():
        asked = st.query_params.get(name)
        if asked is None or asked not in allowed[name]:
            if key in st.session_state:
                continue
            asked = st.context.cookies.get(f"dryhold_{name}")
            if name == "lang" and asked not in allowed[name]:
                asked = best_language(st.context.locale)
        elif key in st.session_state and asked == st.session_state.get(f"seen_{name}"):
            continue
        if asked in allowed[name]:
            st.session_state[key] = allowed[name][asked]


def write_address() -> None:
    """Write group, person and language into the address of the page."""
    values = address()
    put_in_address(values)
    st.session_state.update({f"seen_{name}": value for name, value in values.items()})


def address() -> dict[str, str]:
    """Return what the address of every page holds."""
    group = current_group()
    found = {
        "group": str(group.id) if group else "",
        "role": role(),
        "lang": str(st.session_state.get("language", "en")),
    }
    return {name: value for name, value in found.items() if value}
