"""Backups: made by themselves and on request, taken along, brought back; and who changed what."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import streamlit as st

from core.group.access import WHOLE
from core.group.backups import COUNTED, Backup, changed_since, list_backups, make_backup, restore_backup
from core.group.database import default_url, file_of
from dashboard import page, state
from dashboard.text import _, literal, moment, ngettext


def show() -> None:
    page.start(_("Are the records safe?"))
    file = file_of(default_url())
    if not state.may(WHOLE):
        st.info(_("The administrator keeps the backups of these records."))
    elif file is None:
        st.info(_("These records are on a server: whoever keeps the server makes the backups."))
    else:
        _backups(file)
    group = state.current_group()
    if group is not None:
        _trail(group)


def _backups(file: Path) -> None:
    """Show the backups, make one, take one along, bring one back."""
    if st.button(_("Make a backup now"), key="backup_now"):
        with page.plain_errors():
            make_backup(file, "import")
    backups = list_backups(file)
    if not backups:
        st.warning(_("There is no backup yet."))
        return
    zone = _zone()
    page.answer(
        _("The last backup is of {time}. Keep one on another device.").format(time=moment(backups[0].made_at, zone))
    )
    chosen = st.selectbox(
        _("Which backup?"),
        backups,
        format_func=lambda one: f"{moment(one.made_at, zone)} · {reason_words()[one.reason]}",
        key="backup_which",
    )
    st.download_button(
        _("Download this backup"),
        lambda: chosen.path.read_bytes(),
        file_name=f"dryhold-{chosen.made_at:%Y-%m-%d}.sqlite",
        key="backup_save",
        on_click="ignore",
    )
    st.caption(_("A backup holds names, phones and money of the members. Keep it where only the group can read it."))
    _restore(file, chosen)


def _restore(file: Path, chosen: Backup) -> None:
    """Say what changed since a backup, and bring it back where somebody says so."""
    with st.expander(_("Restore this backup")):
        words = table_words()
        since = changed_since(file, chosen.path)
        if not since:
            st.write(_("Nothing was added or removed since."))
        for name, count in since.items():
            more = ngettext("{what}: {count} more now", "{what}: {count} more now", count)
            st.markdown(
                "- "
                + (more if count > 0 else _("{what}: {count} fewer now")).format(what=words[name], count=abs(count))
            )
        st.write(_("What is there now is kept as a backup first."))
        sure = st.checkbox(_("Yes, go back to this backup"), key=f"backup_sure_{chosen.path.name}")
        if st.button(_("Restore it"), key="backup_restore", disabled=not sure):
            with page.plain_errors():
                state.store().engine.dispose()
                restore_backup(file, chosen.path)
                st.cache_resource.clear()
                st.cache_data.clear()
                st.rerun()


def _trail(group: Any) -> None:
    """Show who changed what."""
    with st.expander(_("Who changed what")):
        facts = state.store().facts(group.id)
        rows = [
            {
                _("When"): moment(change.at, group.time_zone) if change.at else "–",
                _("Who"): change.who,
                _("What"): _what(change, facts),
                _("Before"): _short(change.changed, 0),
                _("After"): _short(change.changed, 1),
            }
            for change in state.store().changes(group.id)
        ]
        if rows:
            page.table(rows, "trail_table", "changes.csv")
        else:
            st.write(_("Nothing was changed yet."))


def _what(change: Any, facts: dict[str, Any]) -> str:
    """Return what was changed: the label of a value, else the kind of the record and its number."""
    if change.kind == "fact":
        return _(facts[change.row].label) if change.row in facts and facts[change.row].label else change.row
    kinds = {"group": _("Group"), "member": _("Member"), "lot": _("Lot"), "reading": _("Test")}
    return f"{kinds.get(change.kind, change.kind)} {change.row}"


def _short(changed: dict[str, Any], place: int) -> str:
    values = {name: "–" if pair[place] is None else str(pair[place]) for name, pair in changed.items()}
    text = "; ".join(value if name == "value" else f"{name}: {value}" for name, value in values.items())
    return literal(text if len(text) < 200 else text[:200] + " …")


def _zone() -> str:
    group = state.current_group()
    return group.time_zone if group is not None else "UTC"


def reason_words() -> dict[str, str]:
    """Return why a backup was made, in words."""
    return {
        "start": _("at the start"),
        "migration": _("before an update of the program"),
        "import": _("made by hand or before an import"),
        "restore": _("before another backup was brought back"),
    }


def table_words() -> dict[str, str]:
    """Return the words for what is counted."""
    words = {
        "members": _("Members"),
        "lots": _("Lots"),
        "readings": _("Tests"),
        "sales": _("Sales"),
        "price_quotes": _("Prices"),
        "facts": _("Values entered"),
        "events": _("Entries of books"),
        "changes": _("Changes"),
        "programme_entries": _("Entries of the programme"),
    }
    return {name: words[name] for name in COUNTED}
