"""The contents of the dashboard: its fifteen pages, for whom each is, and how it is headed."""

from __future__ import annotations

from dataclasses import dataclass

from dashboard.text import _

START_PAGE = {"manager": "today", "treasurer": "deliveries", "officer": "groups"}


@dataclass(frozen=True)
class PageEntry:
    """One page: its name in the address, for whom it is, its icon and its title in the reader's language."""

    name: str
    person: str
    icon: str
    title: str


def people() -> dict[str, str]:
    """Return the answers to 'Who are you?': key to words."""
    return {"manager": _("Manager"), "treasurer": _("Treasurer"), "officer": _("Programme officer")}


def entries() -> dict[str, PageEntry]:
    """Return all pages by name, in the order of the menu; `person` is empty for those that are for everybody."""
    listed = (
        PageEntry("today", "manager", "today", _("Today")),
        PageEntry("lots", "manager", "inventory_2", _("Lots")),
        PageEntry("drying", "manager", "wb_sunny", _("Drying")),
        PageEntry("storage", "manager", "warehouse", _("Storage")),
        PageEntry("prices", "manager", "show_chart", _("Prices and buyers")),
        PageEntry("plan", "manager", "event_upcoming", _("Sale plan")),
        PageEntry("meter_bookings", "manager", "calendar_month", _("Meter bookings")),
        PageEntry("deliveries", "treasurer", "scale", _("Deliveries")),
        PageEntry("payout", "treasurer", "payments", _("Pay-out")),
        PageEntry("meter_shares", "treasurer", "call_split", _("Meter cost shares")),
        PageEntry("meter_account", "treasurer", "menu_book", _("Meter account")),
        PageEntry("groups", "officer", "groups", _("Groups")),
        PageEntry("helping", "officer", "volunteer_activism", _("What would help")),
        PageEntry("our_things", "", "home_storage", _("Our things")),
        PageEntry("sources", "", "link", _("Sources")),
    )
    return {entry.name: entry for entry in listed}


def menu() -> dict[str, list[PageEntry]]:
    """Return the pages by person; under the empty name those that are for everybody."""
    found = list(entries().values())
    return {person: [entry for entry in found if entry.person == person] for person in (*people(), "")}
