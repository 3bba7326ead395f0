"""The plan's dates as an iCalendar file (RFC 5545)."""

from __future__ import annotations

import hashlib
from datetime import date, datetime, timedelta

from core.planning.rolling import next_actions
from core.planning.sale_plan import SalePlan


def plan_calendar(plan: SalePlan, group_name: str, made_at: datetime, today: date | None = None) -> bytes:
    """Return an .ics file with one whole-day event for each step of the plan.

    Parameters
    ----------
    plan : SalePlan
        The plan.
    group_name : str
        Named in the calendar and in each event.
    made_at : datetime
        Stamp of the file (aware).
    today : date, optional
        Steps before it are dated on it.
    """
    from icalendar import Calendar, Event

    calendar = Calendar()
    calendar.add("prodid", "-//dryhold//sale plan//EN")
    calendar.add("version", "2.0")
    calendar.add("x-wr-calname", f"{group_name}: sale plan")
    for action in next_actions(plan, today):
        event = Event()
        text = str(action.what)
        key = hashlib.sha256(f"{group_name}|{action.on}|{action.kind}|{text}|{action.who}".encode()).hexdigest()[:32]
        event.add("uid", f"{key}@dryhold")
        event.add("dtstamp", made_at)
        event.add("dtstart", action.on)
        event.add("dtend", action.on + timedelta(days=1))
        event.add("summary", text)
        event.add(
            "description", f"{group_name}: {action.who}" + (f" ({', '.join(action.lots)})" if action.lots else "")
        )
        event.add("transp", "TRANSPARENT")
        calendar.add_component(event)
    return bytes(calendar.to_ical())
