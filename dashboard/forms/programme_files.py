"""Groups' files taken in, with a question where a group may be here already; groups merged, removed, brought back."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd
import streamlit as st

from core.programme.group_merge import MergeOutcome, merge_files
from core.programme.group_upkeep import bring_back, counted, merge_groups, remove_group
from dashboard import page, state
from dashboard.forms.confirm import confirm_once
from dashboard.forms.fields import Field, draw_fields
from dashboard.text import _, literal, ngettext, say

OTHER = 0


def import_files() -> None:
    """Take in many groups' files, list what happened to each, and ask about those that may be here already."""
    st.caption(
        _(
            "One or many files that groups saved. The same file twice or an older one changes nothing. A broken "
            "file is named and the others are imported."
        )
    )
    files = st.file_uploader(_("Group files (ZIP)"), type=["zip"], accept_multiple_files=True, key="group_files")
    if files and st.button(_("Import"), key="merge_groups", type="primary"):
        _take([(item.name, item.getvalue()) for item in files], {})
    outcomes: list[MergeOutcome] = st.session_state.get("merge_list", [])
    asked = [item for item in outcomes if item.status == "asked"]
    if asked and files:
        _ask(asked, [(item.name, item.getvalue()) for item in files])
    if outcomes:
        page.table(_table(outcomes), "merge_list_table", "imported_files.csv")


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
    """Ask of each file whether it is of a group that is here, and import those answered after a summary."""
    names = {group.id: group.name for group in state.store().groups()}
    filled = draw_fields(
        "same_group",
        [
            Field(
                item.uid,
                _("{file}: is this the group {group} that is here already?").format(
                    file=literal(item.file_name), group=literal(names.get(item.like, item.group))
                ),
                "choice",
                options={item.like: _("Yes, the same group"), OTHER: _("No, another group")},
                wide=True,
            )
            for item in asked
        ],
    )

    def sentence(values: Mapping[str, Any]) -> str:
        same = sum(answer != OTHER for answer in values.values())
        return _("{same} files belong to groups that are here already, {others} are new groups.").format(
            same=same, others=len(values) - same
        )

    def write(values: Mapping[str, Any], _token: str) -> None:
        wanted = {item.file_name for item in asked}
        earlier = [item for item in st.session_state["merge_list"] if item.file_name not in wanted]
        _take([file for file in files if file[0] in wanted], dict(values))
        st.session_state["merge_list"] = earlier + st.session_state["merge_list"]

    seen = [item.uid for item in asked]
    confirm_once("same_group", filled, sentence, write, seen=seen, button=_("Import these files"))


def shows_invented() -> bool:
    """Return whether the invented groups are shown instead of the real ones; offers it where there are both."""
    groups = state.store().groups()
    if len({group.demo for group in groups}) == 2:
        return bool(st.toggle(_("Show the invented example groups instead"), key="show_invented"))
    if groups and groups[0].demo:
        st.caption(_("All groups here are invented examples. They are left out once a real group is here."))
    return False


def tidy_groups() -> None:
    """Merge two groups that are one, remove a group, restore one; each after a summary."""
    store = state.store()
    names = {group.id: group.name for group in counted(store.groups(), bool(st.session_state.get("show_invented")))}
    st.caption(_("A backup is made first. A removed group is left out everywhere and can be restored."))
    filled = draw_fields(
        "tidy",
        (
            Field("group", _("Group"), "choice", options=names),
            lambda values: Field(
                "into",
                _("What to do"),
                "choice",
                options={
                    OTHER: _("Remove it from the programme"),
                    **{
                        key: _("Merge it into {group}").format(group=name)
                        for key, name in names.items()
                        if key != values.get("group")
                    },
                },
                follows=("group",),
            ),
        ),
    )

    def sentence(values: Mapping[str, Any]) -> str:
        group = names.get(values["group"], "–")
        if not values["into"]:
            return _("{group} is removed from the programme.").format(group=group)
        return _("{group} is merged into {other}.").format(group=group, other=names.get(values["into"], "–"))

    def write(values: Mapping[str, Any], token: str) -> str:
        group = literal(names.get(values["group"], "–"))
        if not values["into"]:
            remove_group(store, values["group"], state.now(), token)
            return _("{group} is removed from the programme.").format(group=group)
        rows = merge_groups(store, values["into"], values["group"], state.now(), token)
        return ngettext("{count} row was moved.", "{count} rows were moved.", rows).format(count=rows)

    confirm_once("tidy", filled, sentence, write, seen=sorted(names))
    _restore()


def _restore() -> None:
    """Let a removed group be restored; one that was merged into another is not offered."""
    store = state.store()
    gone = {group.id: group.name for group in store.groups(removed=True) if store.merged_into(group.id) is None}
    if not gone:
        return
    filled = draw_fields("restore", (Field("group", _("Removed group"), "choice", options=gone),))

    def write(values: Mapping[str, Any], token: str) -> str:
        bring_back(store, values["group"], token)
        return _("{group} is restored.").format(group=literal(gone.get(values["group"], "–")))

    confirm_once(
        "restore",
        filled,
        lambda values: _("Restore {group}").format(group=gone.get(values["group"], "–")),
        write,
        seen=sorted(gone),
        button=_("Restore"),
    )
