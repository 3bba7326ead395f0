"""Groups' files taken in, with a question where a group may be here already; groups merged, removed, brought back."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from core.programme.group_merge import MergeOutcome, merge_files
from core.programme.group_upkeep import bring_back, counted, merge_groups, remove_group
from dashboard import page, state
from dashboard.text import _, literal, ngettext, say


def import_files() -> None:
    """Take in many groups' files, list what happened to each, and ask about those that may be here already."""
    with page.details(_("Import groups' files")):
        st.caption(
            _(
                "One or many files that groups saved. The same file twice or an older one changes nothing. A broken "
                "file is named and the others are imported."
            )
        )
        files = st.file_uploader(_("Group files (ZIP)"), type=["zip"], accept_multiple_files=True, key="group_files")
        if files and st.button(_("Import"), key="merge_groups"):
            _take([(item.name, item.getvalue()) for item in files], {})
        outcomes: list[MergeOutcome] = st.session_state.get("merge_list", [])
        if outcomes:
            page.table(_table(outcomes), "merge_list_table", "files_taken_in.csv")
        asked = [item for item in outcomes if item.status == "asked"]
        if asked and files:
            _ask(asked, [(item.name, item.getvalue()) for item in files])


def _take(files: list[tuple[str, bytes]], decided: dict[str, int]) -> None:
    bar = st.progress(0.0)
    outcomes = merge_files(
        state.store(), files, state.now(), lambda count, name: bar.progress(count / len(files), text=name), decided
    )
    bar.empty()
    st.session_state["merge_list"] = outcomes


def _table(outcomes: list[MergeOutcome]) -> pd.DataFrame:
    words = {
        "added": _("added"),
        "updated": _("updated"),
        "same": _("here already"),
        "own": _("kept here itself"),
        "older": _("older than what is here"),
        "removed": _("removed here, not imported"),
        "asked": _("waits for your answer"),
        "broken": _("broken, not imported"),
    }
    return pd.DataFrame(
        [
            {
                _("File"): item.file_name,
                _("Group"): item.group,
                _("What happened"): words[item.status],
                _("Why"): say(item.reason),
            }
            for item in outcomes
        ]
    )


def _ask(asked: list[MergeOutcome], files: list[tuple[str, bytes]]) -> None:
    names = {group.id: group.name for group in state.store().groups()}
    with st.form("same_group_form", border=False):
        answers = {
            item.uid: st.radio(
                _("{file}: is this the group {group} that is here already?").format(
                    file=literal(item.file_name), group=literal(names.get(item.like, item.group))
                ),
                [item.like, 0],
                format_func=lambda number: _("Yes, the same group") if number else _("No, another group"),
                index=None,
                key=f"same_{item.uid}",
            )
            for item in asked
        }
        if st.form_submit_button(_("Import these files")):
            decided = {uid: answer for uid, answer in answers.items() if answer is not None}
            wanted = {item.file_name for item in asked if item.uid in decided}
            earlier = [item for item in st.session_state["merge_list"] if item.file_name not in wanted]
            _take([file for file in files if file[0] in wanted], decided)
            st.session_state["merge_list"] = earlier + st.session_state["merge_list"]
            st.rerun()


def shows_invented() -> bool:
    """Return whether the invented groups are shown instead of the real ones; offers it where there are both."""
    groups = state.store().groups()
    if len({group.demo for group in groups}) == 2:
        return bool(st.toggle(_("Show the invented example groups instead"), key="show_invented"))
    if groups and groups[0].demo:
        st.caption(_("All groups here are invented examples. They are left out once a real group is here."))
    return False


def tidy_groups() -> None:
    """Merge two groups that are one, remove a group, bring one back; each after a confirmation."""
    store = state.store()
    groups = counted(store.groups(), bool(st.session_state.get("show_invented")))
    names = {group.id: group.name for group in groups}
    with page.details(_("Merge or remove groups")):
        st.caption(_("A backup is made first. A removed group is left out everywhere and can be restored."))
        with st.form("remove_group_form", border=False):
            one = st.selectbox(_("Group"), list(names), format_func=lambda key: names[key], key="tidy_group")
            into = st.selectbox(
                _("What to do"),
                [0, *names],
                format_func=lambda key: (
                    _("Merge it into {group}").format(group=names[key]) if key else _("Remove it from the programme")
                ),
                key="tidy_into",
            )
            sure = st.checkbox(_("Yes, do this"), key="tidy_sure")
            done = st.form_submit_button(_("Save"))
        if done and not sure:
            st.warning(_("Tick 'Yes, do this' first."))
        elif done and one is not None:
            with page.plain_errors():
                if into:
                    rows = merge_groups(store, into, one, state.now())
                    words = ngettext("{count} row was moved.", "{count} rows were moved.", rows)
                    st.success(words.format(count=rows))
                else:
                    remove_group(store, one, state.now())
                st.rerun()
        for group in store.groups(removed=True):
            if st.button(_("Restore {group}").format(group=literal(group.name)), key=f"back_{group.id}"):
                with page.plain_errors():
                    bring_back(store, group.id)
                    st.rerun()
