"""Who has the meter, what was tested with it, and who has asked for it on the coming drying days."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from core.accounts.book import Book
from core.errors import LedgerError
from core.messages import Message, message, plural
from core.meter.book import BookEvent


@dataclass(frozen=True)
class Custody:
    """A stretch of days in which one member had the meter; ``until`` is None while he has it."""

    member: str
    since: date
    until: date | None
    condition: str = ""


@dataclass(frozen=True)
class Booking:
    """The meter is promised to a member from one day to another, both included.

    ``shared`` days go round several members.
    """

    event_id: int
    member: str
    first_day: date
    last_day: date
    purpose: str = ""
    shared: bool = False


@dataclass(frozen=True)
class CountedTests:
    """Tests that a member made with the meter on a day."""

    member: str
    on: date
    tests: int
    bags: int


def custody(events: Iterable[BookEvent]) -> tuple[Custody, ...]:
    """Return who had the meter from when to when, oldest first."""
    handovers = sorted(Book(events).standing("handover"), key=lambda event: (event.on, event.id))
    rows: list[Custody] = []
    for place, event in enumerate(handovers):
        until = handovers[place + 1].on if place + 1 < len(handovers) else None
        rows.append(Custody(str(event.payload["member"]), event.on, until, str(event.payload.get("condition", ""))))
    return tuple(rows)


def holder_on(events: Iterable[BookEvent], day: date) -> str | None:
    """Return who held the meter at the end of a day, or None where nobody had been given it yet."""
    held = [row for row in custody(events) if row.since <= day]
    return held[-1].member if held else None


def counted_tests(events: Iterable[BookEvent]) -> tuple[CountedTests, ...]:
    """Return the tests written down, in the order of the days."""
    counts = [
        CountedTests(
            str(event.payload["member"]), event.on, int(event.payload["tests"]), int(event.payload.get("bags", 0))
        )
        for event in Book(events).standing("tests")
    ]
    return tuple(sorted(counts, key=lambda count: count.on))


def member_tests(
    events: Iterable[BookEvent], first_day: date | None = None, last_day: date | None = None
) -> dict[str, tuple[int, int]]:
    """Return tests and bags by member over some days."""
    totals: dict[str, tuple[int, int]] = {}
    for count in counted_tests(events):
        if (first_day is None or count.on >= first_day) and (last_day is None or count.on <= last_day):
            tests, bags = totals.get(count.member, (0, 0))
            totals[count.member] = (tests + count.tests, bags + count.bags)
    return totals


def bookings(events: Iterable[BookEvent], from_day: date | None = None) -> tuple[Booking, ...]:
    """Return the bookings that stand, by day.

    Parameters
    ----------
    from_day : date, optional
        Leave out those that end before.
    """
    found = [
        Booking(
            event.id,
            str(event.payload["member"]),
            date.fromisoformat(event.payload["first_day"]),
            date.fromisoformat(event.payload["last_day"]),
            str(event.payload.get("purpose", "")),
            bool(event.payload.get("shared", False)),
        )
        for event in Book(events).standing("booking")
    ]
    standing = [booking for booking in found if from_day is None or booking.last_day >= from_day]
    return tuple(sorted(standing, key=lambda booking: (booking.first_day, booking.event_id)))


def check_booking(
    events: Iterable[BookEvent], member: str, first_day: date, last_day: date, shared: bool = False
) -> None:
    """Refuse a booking that ends before it begins or that takes a day promised to somebody else.

    Parameters
    ----------
    first_day, last_day : date
        Both included.
    shared : bool
        The meter goes round on these days: other promises that share theirs do not stand in the way.
    """
    if last_day < first_day:
        raise LedgerError("a booking cannot end before it begins")
    for booking in bookings(events):
        apart = booking.last_day < first_day or last_day < booking.first_day
        if booking.member != member and not apart and not (shared and booking.shared):
            raise LedgerError(
                "the meter is promised to somebody else from {first_day} to {last_day}",
                first_day=booking.first_day,
                last_day=booking.last_day,
            )


@dataclass(frozen=True)
class LotToTest:
    """A lot that has to be tested within some days.

    Parameters
    ----------
    first_day, last_day : date
        Earliest day at which a test says something, and the last at which it is not too late.
    """

    member: str
    lot: str
    first_day: date
    last_day: date


@dataclass(frozen=True)
class ProposedDay:
    """A day proposed for a lot's test; ``late`` where its last day could not be kept."""

    need: LotToTest
    day: date
    late: bool
    reason: Message


def propose_days(
    needs: Sequence[LotToTest], from_day: date, taken: Sequence[Booking] = (), lots_per_day: int = 1
) -> tuple[ProposedDay, ...]:
    """Return a day for every lot, so that as few as possible come late.

    Parameters
    ----------
    taken : sequence of Booking
        Days promised already: a whole day takes only that member's lots, a shared one has room for fewer others. Lots
        that a promise names as its purpose are not placed again.
    lots_per_day : int
        Lots that the meter can serve a day.

    Raises
    ------
    LedgerError
        Where the meter can serve no lot a day.

    Notes
    -----
    Day by day the waiting lot with the earliest last day goes first; for tests of equal length this keeps every last
    day that any order could keep. Source: Horn (1974), Some simple scheduling algorithms.
    """
    if lots_per_day < 1:
        raise LedgerError("the meter must serve at least one lot a day")
    promised = {(booking.member, booking.purpose) for booking in taken}
    open_needs = [need for need in needs if (need.member, need.lot) not in promised]
    waiting = sorted(open_needs, key=lambda need: (need.last_day, need.first_day, need.member, need.lot))
    placed: list[ProposedDay] = []
    day = from_day
    while waiting:
        here = [booking for booking in taken if booking.first_day <= day <= booking.last_day]
        owners = {booking.member for booking in here if not booking.shared}
        ready = [need for need in waiting if need.first_day <= day and (not owners or need.member in owners)]
        room = max(lots_per_day - sum(booking.shared for booking in here), 0)
        for need in ready[:room]:
            late = day > need.last_day
            text = (
                plural(
                    "days",
                    "tested {days} day late: the meter is needed elsewhere before",
                    "tested {days} days late: the meter is needed elsewhere before",
                    days=(day - need.last_day).days,
                )
                if late
                else message("must be tested by {day}", day=need.last_day)
            )
            placed.append(ProposedDay(need, day, late, text))
            waiting.remove(need)
        day += timedelta(days=1)
    return tuple(placed)
