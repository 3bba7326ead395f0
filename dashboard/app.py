"""The pages, grouped by who comes to them."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from dashboard import state
from dashboard.text import _, languages

VIEWS = Path(__file__).with_name("views")


def pages() -> dict[str, list[st.Page]]:
    """Return the pages by section, each a file of its own."""
    sections = {
        _("Manager: planning a sale"): [
            ("plan", _("Sale plan"), "event_upcoming"),
            ("next_actions", _("Next actions"), "checklist"),
            ("drying", _("Drying outlook"), "wb_sunny"),
            ("floor", _("Drying floor"), "view_timeline"),
            ("storage", _("Storage outlook"), "warehouse"),
            ("prices", _("Prices"), "show_chart"),
            ("buyers", _("Buyers and offers"), "storefront"),
            ("season_end", _("Season's end"), "fact_check"),
        ],
        _("Treasurer: sharing costs"): [
            ("meter_shares", _("Who pays what"), "call_split"),
            ("meter_account", _("The meter's account"), "menu_book"),
            ("meter_log", _("Who has the meter"), "calendar_month"),
            ("meter_worth", _("What testing is worth"), "savings"),
            ("deliveries", _("Deliveries"), "scale"),
            ("payout", _("Pools and pay-out"), "payments"),
            ("statements", _("Members' statements"), "receipt_long"),
        ],
        _("Programme: comparing groups"): [
            ("programme_overview", _("All groups"), "groups"),
            ("programme_group", _("One group's profile"), "person_search"),
            ("programme_help", _("What would help"), "volunteer_activism"),
        ],
        _("Records and settings"): [
            ("check", _("Check one lot"), "task_alt"),
            ("lots", _("Lots and readings"), "inventory_2"),
            ("readings_import", _("Bring in a table"), "upload_file"),
            ("members", _("Members"), "badge"),
            ("weather", _("Weather"), "cloud"),
            ("settings", _("Settings"), "settings"),
            ("own_crop", _("Your own crop"), "science"),
            ("sources", _("Where the numbers come from"), "link"),
        ],
    }
    return {
        section: [
            st.Page(VIEWS / f"{name}.py", title=title, icon=f":material/{icon}:", url_path=name)
            for name, title, icon in entries
            if (VIEWS / f"{name}.py").exists()
        ]
        for section, entries in sections.items()
    }


def side_bar() -> None:
    """Let a person choose the group and the language."""
    groups = state.store().groups()
    chosen = state.current_group()
    with st.sidebar:
        if chosen is not None:
            names = {group.id: group.name for group in groups}
            picked = st.selectbox(
                _("Group"),
                list(names),
                index=list(names).index(chosen.id),
                format_func=lambda key: names[key],
                key=f"group_picker_{chosen.id}",
            )
            if picked != chosen.id:
                state.choose_group(picked)
                st.rerun()
        offered = languages()
        if len(offered) > 1:
            current = st.session_state.get("language", "en")
            language = st.selectbox(
                _("Language"),
                list(offered),
                index=list(offered).index(current),
                format_func=lambda code: offered[code],
                key=f"language_picker_{current}",
            )
            if language != current:
                st.session_state["language"] = language
                st.rerun()


st.set_page_config(page_title="dryhold", page_icon=str(Path(__file__).with_name("icon.svg")), layout="wide")
chosen_page = st.navigation({section: entries for section, entries in pages().items() if entries}, expanded=True)
side_bar()
chosen_page.run()
