"""Signing in where an organisation hosts the pages: by OpenID Connect, on only where the surroundings set it up.

On a computer of one's own nothing is set up: nobody signs in, everything is allowed. Where it is on, the signed-in
person's mail address decides, by the roles in the records, what may be read and written (`core.group.access`).
"""

from __future__ import annotations

import os
from functools import lru_cache

import streamlit as st

from core.errors import InputError
from core.group.access import Access, access_of, known_person
from core.group.store import Store
from dashboard.hosting import TRUSTED, administrators, set_up
from dashboard.text import _, best_language, literal

ROLES_KEPT_SECONDS = 5


def on() -> bool:
    """Return whether people sign in here."""
    return set_up() or _in_secrets()


@lru_cache(maxsize=1)
def _in_secrets() -> bool:
    """Return whether a file of Streamlit's own secrets sets it up; looked at once, every page asks."""
    return bool(st.secrets.load_if_toml_exists() and "auth" in st.secrets)


def person() -> str | None:
    """Return the mail address of who is signed in; None for nobody, or where the service does not confirm it."""
    if not getattr(st.user, "is_logged_in", False):
        return None
    confirmed = os.environ.get(TRUSTED) == "1" or str(st.user.get("email_verified")).lower() == "true"
    try:
        return known_person(str(st.user.get("email") or "")) if confirmed else None
    except InputError:
        return None


@st.cache_data(ttl=ROLES_KEPT_SECONDS, max_entries=1000, show_spinner=False)
def _access(database: str, who: str, _store: Store) -> Access:
    del database
    return access_of(_store, who, administrators())


def access(store: Store) -> Access:
    """Return what who is signed in may do; nobody may do nothing."""
    who = person()
    return Access("") if who is None else _access(str(store.engine.url), who, store)


def roles_changed() -> None:
    """Let a changed role count at once in this server; in others it does within seconds."""
    _access.clear()


def administers() -> bool:
    """Return whether who is here is named as administrator by the surroundings, whatever the records say."""
    return not on() or person() in administrators()


def guard() -> None:
    """Go on where nobody needs to sign in or somebody did; else ask for it, and stop."""
    if not on() or person() is not None:
        return
    st.session_state["language"] = best_language(st.context.locale)
    st.title(_("Sign in"), anchor=False)
    if getattr(st.user, "is_logged_in", False):
        st.error(_("Your sign-in service does not confirm your mail address, so nobody can know that it is yours."))
        st.button(_("Sign out"), on_click=st.logout)
    else:
        st.markdown(_("These records are open only to people who have a role in a group."))
        st.button(_("Sign in"), on_click=st.login, type="primary")
    st.stop()


def stop_without_role(found: Access) -> None:
    """Say to somebody who has no role anywhere whom to ask, and stop."""
    if found.roles:
        return
    st.title(_("No role yet"), anchor=False)
    st.info(
        _("You are signed in as {person}. Nobody has given you a role yet: ask the manager of your group.").format(
            person=literal(found.person)
        )
    )
    st.button(_("Sign out"), on_click=st.logout)
    st.stop()


def who_is_here(found: Access) -> None:
    """Show who is signed in, with the way out."""
    st.caption(_("Signed in as {person}").format(person=literal(found.person)))
    st.button(_("Sign out"), on_click=st.logout, key="sign_out")
