"""The group's agreement for its pools, changed only after seeing what that does to each member."""

from __future__ import annotations

from typing import Any

from dashboard import page
from dashboard.forms.entries import record_entry
from dashboard.forms.pool_entries import agreement, closed_words, scene_of
from dashboard.pool_parts import head, names_of, read_season, record
from dashboard.text import _


def show() -> None:
    """Show the section."""
    page.start(_("What did the group agree for its pools?"))
    group: Any = page.stop_if_no_group()
    with page.plain_errors():
        events, season = read_season(group)
        terms = season.terms
        page.caution("money")
        page.answer(
            _("Weights count at {base} % moisture, nothing above {limit} % is accepted. {closed}").format(
                base=terms.base_pct, limit=terms.limit_pct, closed=closed_words(season)
            )
        )
        head(season)
        scene = scene_of(group, events, season, names_of(group))
        record_entry(
            "agreement",
            "terms",
            agreement(scene),
            events,
            lambda kind, on, payload, token: record(group, kind, on, payload, token),
        )
