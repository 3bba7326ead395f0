"""The book of the pools: who recorded what and when, and cancelling an entry."""

from __future__ import annotations

from typing import Any

from dashboard import page
from dashboard.pool_parts import head, names_of, read_season, who_did_what
from dashboard.text import _, ngettext


def show() -> None:
    """Show the section."""
    page.start(_("What was recorded, by whom and when?"))
    group: Any = page.stop_if_no_group()
    with page.plain_errors():
        events, season = read_season(group)
        page.caution("money")
        page.answer(
            ngettext("{count} entry in the book.", "{count} entries in the book.", len(events)).format(
                count=len(events)
            )
        )
        head(season)
        if events:
            who_did_what(group, events, names_of(group))
