"""One summary, one confirmation, one write: what a form books is said in a sentence and written once."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import streamlit as st

from core.errors import AlreadySavedError, DryholdError
from dashboard.forms.fields import Filled, check_all, fresh_form, show_refusal
from dashboard.text import _, literal, say

Said = Callable[[Mapping[str, Any]], str]
Asked = Callable[[Mapping[str, Any]], Sequence[str]]
Write = Callable[[Mapping[str, Any], str], str | None]


def confirm_once(
    form: str,
    filled: Filled,
    sentence: Said,
    write: Write,
    cautions: Asked | None = None,
    seen: object = "",
    button: str = "",
) -> None:
    """Draw a form's button, then its summary with one confirmation, and write what was confirmed once.

    Parameters
    ----------
    form : str
        The form's name, as given to `draw_fields`.
    sentence : function of the values
        The summary in one sentence, such as 'Zoe, member 39, pays XOF 13,446 into the cash box'.
    write : function of the values and the token
        Writes with ``token=`` and returns what to say, or None for the usual words; it raises our own errors where the
        records refuse.
    cautions : function of the values, optional
        What should be looked at twice before it is written (ten times what is owed); each is shown, none forbids.
    seen : object
        What the page knew when the empty form was first drawn, such as the number of the book's last entry. It is part
        of the token: the same entry sent twice from what was seen is one entry, from two tabs too; the same entry from
        the next empty form is another.
    button : str
        On the form's button; 'Continue' where none is given.

    Notes
    -----
    The summary is kept in the session until it is confirmed or changed. After the write the form is empty.
    """
    said, refused = (st.session_state.pop(f"{form}.{part}", None) for part in ("said", "refused"))
    if said:
        st.success(said)
    if refused:
        st.error(refused)
    first_seen = st.session_state.setdefault(f"{form}.seen", seen)
    asked = st.session_state.get(f"{form}.asked")
    if asked is None:
        if st.button(button or _("Continue"), key=f"{form}.continue", type="primary") and check_all(form, filled):
            values = dict(filled.values)
            st.session_state[f"{form}.asked"] = {"values": values, "token": token_of(form, values, first_seen)}
            st.rerun()
        return
    values = asked["values"]
    try:
        summary, warned = sentence(values), list(cautions(values)) if cautions else []
    except DryholdError as error:
        st.session_state.pop(f"{form}.asked")
        st.session_state[f"{form}.refused"] = say(error, markdown=True)
        st.rerun()
    with st.container(border=True):
        st.markdown(f"**{literal(summary)}**")
        for words in warned:
            st.warning(literal(words))
        yes, no = st.columns(2)
        go = yes.button(
            _("Record anyway") if warned else _("Record"), key=f"{form}.record", type="primary", width="stretch"
        )
        if no.button(_("Change"), key=f"{form}.change", width="stretch"):
            st.session_state.pop(f"{form}.asked")
            st.rerun()
        if not go:
            return
        try:
            words = write(values, asked["token"])
        except AlreadySavedError as error:
            words = say(error)
        except DryholdError as error:
            show_refusal(error)
            return
        fresh_form(form)
        st.session_state[f"{form}.said"] = words or _("Recorded.")
        st.rerun()


def token_of(form: str, values: Mapping[str, Any], seen: object = "") -> str:
    """Return the mark under which the records take an entry once.

    Returns
    -------
    str
        Equal for equal entries made on equal knowledge, else different.
    """
    text = json.dumps([form, dict(values), seen], default=str, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:32]
