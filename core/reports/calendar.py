"""The plan's steps as an iCalendar file (RFC 5545): one day an event, the same identity when the plan is made again."""

from __future__ import annotations

import hashlib
from collections import Counter
from datetime import UTC, datetime, timedelta

from core.advice.whole import Situation
from core.cautions import OF_STEP, caution_of
from core.planning.rolling import NextAction, who_words
from core.reports.tongue import ENGLISH, Tongue

EPOCH = datetime(2020, 1, 1, tzinfo=UTC)


def plan_calendar(now: Situation, tongue: Tongue = ENGLISH) -> bytes:
    """Return an .ics file with one whole-day event for each step.

    A step keeps its UID when its day or its bags change (RFC 5545, 3.8.4.7), and its SEQUENCE grows with the moment
    of making (3.8.7.4), so that a calendar that takes the file in again moves the event instead of adding one.
    """
    from icalendar import Calendar, Event

    calendar = Calendar()
    calendar.add("prodid", "-//dryhold//plan//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    calendar.add("x-wr-calname", tongue.say("{group}: plan", group=now.group.name))
    stamp = now.now.astimezone(UTC)
    seen: Counter[str] = Counter()
    for action in now.actions:
        same = _same(now, action)
        seen[same] += 1
        event = Event()
        event.add("uid", f"{hashlib.sha256(f'{same}|{seen[same]}'.encode()).hexdigest()[:32]}@dryhold")
        event.add("dtstamp", stamp)
        event.add("last-modified", stamp)
        event.add("sequence", int((stamp - EPOCH).total_seconds() // 60))
        event.add("dtstart", action.on)
        event.add("dtend", action.on + timedelta(days=1))
        event.add("summary", tongue.say(action.what))
        event.add("description", _description(now, action, tongue))
        event.add("transp", "TRANSPARENT")
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def _same(now: Situation, action: NextAction) -> str:
    """Return what makes a step the same step after a change of its day or bags."""
    values = {
        name: value for name, value in action.what.values.items() if name not in ("bags", "count", "kg", "amount")
    }
    named = "|".join(f"{name}={value}" for name, value in sorted(values.items()) if "day" not in name)
    return f"{now.group_id}|{now.group.name}|{action.kind}|{named}|{action.who}"


def _description(now: Situation, action: NextAction, tongue: Tongue) -> str:
    """Return who does a step with which lots, and the caution that goes with it."""
    lines = [f"{now.group.name}: {tongue.say(who_words(action.who))}"]
    if action.lots:
        lines.append(tongue.say("Lots: {lots}", lots=", ".join(action.lots)))
    caution = OF_STEP.get(action.kind)
    if caution is not None:
        lines.append(tongue.say(caution_of(caution)))
    return "\n".join(lines)
