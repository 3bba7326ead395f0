"""Payment in grain, work and instalments, the seller's offer, and the log of who has the meter."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from itertools import permutations

import numpy as np
import numpy_financial
import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.errors import InputError, LedgerError
from core.grain.mass import mass_after_drying
from core.group.records import Event
from core.meter.log import (
    LotToTest,
    bookings,
    check_booking,
    counted_tests,
    custody,
    holder_on,
    member_tests,
    propose_days,
)
from core.meter.paying import SellerOffer, compare_offer, instalment_plan, value_grain, value_labour

DAY = date(2027, 3, 1)
AT = datetime(2027, 3, 1, tzinfo=UTC)


def test_grain_at_25_percent_shrinks_as_the_extension_column_says() -> None:
    """Published shrink 25 -> 15.5 %: 11.24 %; so 1,000 kg count as 887.57 kg and 0.30 a kg is 266.27."""
    paid = value_grain(Decimal(1000), Decimal(25), Decimal("15.5"), Decimal("0.30"), DAY)
    assert float(paid.agreed_kg) == pytest.approx(1000 * (1 - 0.112426), abs=0.01)
    assert paid.amount == Decimal("266.27")


@given(st.integers(1, 5000), st.integers(5, 35), st.integers(8, 20))
def test_grain_agrees_with_the_mass_balance_of_the_grain_room(kg: int, moisture: int, agreed: int) -> None:
    paid = value_grain(Decimal(kg), Decimal(moisture), Decimal(agreed), Decimal(1), DAY)
    assert float(paid.agreed_kg) == pytest.approx(float(mass_after_drying(kg, moisture, agreed)), abs=0.0011)


def test_bags_and_dirt_are_taken_off_first() -> None:
    """By hand: 101 - 2 x 0.5 = 100 kg, less 2 % is 98 kg at the agreed moisture."""
    paid = value_grain(
        Decimal(101),
        Decimal(13),
        Decimal(13),
        Decimal(1),
        DAY,
        bags=2,
        bag_tare_kg=Decimal("0.5"),
        foreign_matter_pct=Decimal(2),
    )
    assert paid.agreed_kg == 98


@pytest.mark.parametrize(
    ("kg", "moisture", "price"), [("1", "100", "1"), ("1", "-1", "1"), ("0", "13", "1"), ("1", "13", "0")]
)
def test_impossible_grain_is_refused(kg: str, moisture: str, price: str) -> None:
    with pytest.raises(InputError):
        value_grain(Decimal(kg), Decimal(moisture), Decimal(13), Decimal(price), DAY)


def test_labour_at_the_agreed_price() -> None:
    assert value_labour(Decimal("2.5"), Decimal("0.75")) == Decimal("1.88")
    with pytest.raises(InputError):
        value_labour(Decimal(0), Decimal(1))


def test_plan_asks_principal_and_interest() -> None:
    rows, payload = instalment_plan(Decimal(60), Decimal("0.02"), 3, DAY)
    assert sum(amount for _day, amount, _interest in payload["due"]) == 60 + payload["interest"]
    assert [row.due for row in rows] == [date(2027, 3, 1), date(2027, 4, 1), date(2027, 5, 1)]


def test_seller_s_offer_against_the_library_s_present_values() -> None:
    """numpy-financial: payment, and present value at the group's own cost of money; grain by hand."""
    offer = SellerOffer(cash_price=200.0, grain_kg=800.0, months=6, delivery_cost=5.0)
    prices = np.array([0.2, 0.25, 0.3, 0.4])
    result = compare_offer(offer, prices, 0.03, 12, 0.02)
    payment = -numpy_financial.pmt(0.03, 12, 200)
    assert result.loan_payment == pytest.approx(payment)
    assert result.loan == pytest.approx(-numpy_financial.pv(0.02, 12, payment))
    assert result.grain == pytest.approx((800 * prices + 5) / 1.02**6)
    assert result.chance_grain_dearer == pytest.approx(np.mean((800 * prices + 5) / 1.02**6 > result.loan))
    at_breakeven = compare_offer(offer, [result.breakeven_price], 0.03, 12, 0.02)
    assert float(at_breakeven.grain[0]) == pytest.approx(result.loan)


def test_a_loan_at_the_group_s_own_cost_of_money_costs_the_cash_price() -> None:
    result = compare_offer(SellerOffer(200.0, 800.0, 6), [0.3], 0.02, 12, 0.02)
    assert result.loan == pytest.approx(200.0)


def test_impossible_offers_are_refused() -> None:
    with pytest.raises(InputError):
        compare_offer(SellerOffer(200.0, 0.0, 6), [0.3], 0.02, 12, 0.02)
    with pytest.raises(InputError):
        compare_offer(SellerOffer(200.0, 800.0, 6), [], 0.02, 12, 0.02)
    with pytest.raises(InputError):
        compare_offer(SellerOffer(200.0, 800.0, 6), [float("nan")], 0.02, 12, 0.02)


def event(number: int, kind: str, days: int, reverses: int | None = None, **payload) -> Event:
    return Event(
        id=number,
        book="meter",
        kind=kind,
        on=DAY + timedelta(days=days),
        who="Amara",
        payload=payload,
        recorded_at=AT,
        reverses=reverses,
    )


def test_who_had_the_meter_when() -> None:
    events = [
        event(1, "handover", 0, member="1", condition="whole"),
        event(2, "handover", 5, member="2"),
        event(3, "handover", 3, member="3"),  # written down late
        event(4, "handover", 6, member="9"),
        event(5, "reversal", 6, reverses=4),
    ]
    assert [(row.member, row.since.day, row.until and row.until.day) for row in custody(events)] == [
        ("1", 1, 4),
        ("3", 4, 6),
        ("2", 6, None),
    ]
    assert holder_on(events, DAY - timedelta(days=1)) is None
    assert holder_on(events, DAY + timedelta(days=4)) == "3"


def test_tests_are_counted_by_member_and_days() -> None:
    events = [
        event(1, "tests", 0, member="1", tests=12, bags=10),
        event(2, "tests", 9, member="1", tests=5, bags=5),
        event(3, "tests", 2, member="2", tests=7, bags=7),
        event(4, "tests", 2, member="2", tests=99, bags=99),
        event(5, "reversal", 2, reverses=4),
    ]
    assert member_tests(events) == {"1": (17, 15), "2": (7, 7)}
    assert member_tests(events, DAY, DAY + timedelta(days=5)) == {"1": (12, 10), "2": (7, 7)}


def test_a_day_is_promised_once() -> None:
    events = [event(1, "booking", 0, member="1", first_day="2027-03-04", last_day="2027-03-05")]
    assert len(bookings(events)) == 1
    assert bookings(events, date(2027, 3, 6)) == ()
    check_booking(events, "1", date(2027, 3, 5), date(2027, 3, 6))
    check_booking(events, "2", date(2027, 3, 6), date(2027, 3, 7))
    with pytest.raises(LedgerError, match="promised"):
        check_booking(events, "2", date(2027, 3, 5), date(2027, 3, 7))
    with pytest.raises(LedgerError, match="before it begins"):
        check_booking(events, "2", date(2027, 3, 7), date(2027, 3, 6))


NEEDS = st.lists(
    st.tuples(st.integers(0, 4), st.integers(0, 4)).map(
        lambda pair: LotToTest("1", "lot", DAY + timedelta(days=pair[0]), DAY + timedelta(days=sum(pair)))
    ),
    min_size=1,
    max_size=5,
)


@given(NEEDS, st.integers(1, 2))
def test_if_any_order_keeps_all_last_days_ours_does(needs: list[LotToTest], per_day: int) -> None:
    """Full enumeration of the orders in which the lots could be served."""

    def possible(order: tuple[LotToTest, ...]) -> bool:
        used: dict[date, int] = {}
        for need in order:
            day = need.first_day
            while used.get(day, 0) >= per_day:
                day += timedelta(days=1)
            if day > need.last_day:
                return False
            used[day] = used.get(day, 0) + 1
        return True

    proposal = propose_days(needs, DAY, lots_per_day=per_day)
    assert len(proposal) == len(needs)
    assert all(row.day >= row.need.first_day for row in proposal)
    assert any(row.late for row in proposal) != any(possible(order) for order in permutations(needs))


def test_promised_days_are_left_to_their_member() -> None:
    events = [event(1, "booking", 0, member="2", first_day="2027-03-01", last_day="2027-03-02")]
    need = LotToTest("1", "A", DAY, DAY + timedelta(days=1))
    placed = propose_days([need], DAY, bookings(events))
    assert placed[0].day == date(2027, 3, 3)
    assert placed[0].late
    with pytest.raises(LedgerError):
        propose_days([need], DAY, lots_per_day=0)


def on(days: int) -> date:
    return DAY + timedelta(days=days)


def test_of_two_handovers_on_one_day_the_later_one_counts() -> None:
    events = [
        event(7, "handover", 2, member="3"),
        event(4, "handover", 2, member="2"),
        event(1, "handover", 0, member="1"),
    ]
    assert [(row.member, row.until, row.condition) for row in custody(events)] == [
        ("1", on(2), ""),
        ("2", on(2), ""),
        ("3", None, ""),
    ]
    assert [holder_on(events, on(day)) for day in (-1, 0, 1, 2, 3)] == [None, "1", "1", "3", "3"]


def test_tests_without_bags_and_the_first_and_last_day_count() -> None:
    events = [event(number, "tests", days, member="1", tests=tests) for number, days, tests in ((1, 9, 5), (2, 3, 7))]
    assert [(count.on, count.tests, count.bags) for count in counted_tests(events)] == [(on(3), 7, 0), (on(9), 5, 0)]
    for first, last, tests in ((3, 9, 12), (4, 9, 5), (3, 8, 7), (9, None, 5), (None, 3, 7)):
        days = [None if day is None else on(day) for day in (first, last)]
        assert member_tests(events, *days) == {"1": (tests, 0)}
    assert member_tests(events, on(4), on(8)) == {}


def promise(number: int, member: str, first: int, last: int, purpose: str = "", shared: bool = False) -> Event:
    days = {"first_day": on(first).isoformat(), "last_day": on(last).isoformat()}
    return event(number, "booking", 0, member=member, purpose=purpose, shared=shared, **days)


def test_promises_stand_by_first_day_and_end_on_their_last() -> None:
    events = [promise(1, "1", 5, 6), promise(2, "2", 3, 3, "A", True), promise(3, "3", 3, 4)]
    rows = bookings(events)
    assert [(row.event_id, row.purpose, row.shared) for row in rows] == [(2, "A", True), (3, "", False), (1, "", False)]
    assert [row.event_id for row in bookings(events, on(4))] == [3, 1]
    assert [row.event_id for row in bookings(events, on(6))] == [1]
    assert bookings(events, on(7)) == ()


@pytest.mark.parametrize(
    ("first", "last", "shared", "refused"),
    [
        (1, 1, False, False),  # the day before the shared days
        (1, 2, False, True),
        (3, 4, False, True),
        (2, 3, True, False),  # shared days go round
        (3, 5, True, True),  # but not over the whole day of member 2
        (4, 4, True, False),
        (5, 5, False, True),
        (6, 6, False, False),
        (4, 7, True, True),
    ],
)
def test_a_shared_day_is_open_to_other_shared_promises_only(first, last, shared, refused) -> None:
    """Member 1 shares days 2 and 3, member 2 has day 5 alone; member 3 asks."""
    events = [promise(1, "1", 2, 3, shared=True), promise(2, "2", 5, 5)]
    check_booking(events[:1], "1", on(first), on(last))  # one's own days are no hindrance
    if refused:
        with pytest.raises(LedgerError, match="promised to somebody else"):
            check_booking(events, "3", on(first), on(last), shared)
    else:
        check_booking(events, "3", on(first), on(last), shared)


def test_days_are_proposed_around_promises() -> None:
    """Two lots a day from day 0. Day 0 is member 2's alone, day 1 has one shared promise, so one other lot fits.

    Due: A (member 1, by day 1), B (member 2, by day 3), C (member 1, by day 0), D (member 3, from day 2 by day 2);
    E of member 2 is the purpose of the promise. Day 0: only B. Day 1: C, which was due first, one day late. Day 2: A,
    late, and D. F (member 3, by day 0) comes on day 3, three days late.
    """
    taken = bookings([promise(1, "2", 0, 0, "E"), promise(2, "4", 1, 1, "G", True)])
    needs = [
        LotToTest("1", "A", on(0), on(1)),
        LotToTest("2", "B", on(0), on(3)),
        LotToTest("1", "C", on(0), on(0)),
        LotToTest("3", "D", on(2), on(2)),
        LotToTest("2", "E", on(0), on(0)),
        LotToTest("3", "F", on(3), on(0)),
    ]
    found = propose_days(needs, DAY, taken, lots_per_day=2)
    assert [(row.need.lot, (row.day - DAY).days, row.late) for row in found] == [
        ("B", 0, False),
        ("C", 1, True),
        ("A", 2, True),
        ("D", 2, False),
        ("F", 3, True),
    ]
    assert [str(row.reason) for row in found][1:3] == ["tested 1 day late: the meter is needed elsewhere before"] * 2
    assert str(found[4].reason).startswith("tested 3 days late")
    # another member's purpose of the same name is not this lot, and three shared promises leave no room for two a day
    crowd = bookings([promise(number, str(number), 0, 0, "A", True) for number in (5, 6, 7)])
    (only,) = propose_days(needs[:1], DAY, crowd, lots_per_day=2)
    assert (only.day, only.late) == (on(1), False)
