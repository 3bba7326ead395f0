"""An offer is used from the day on which it opens to the day on which it ends, not in whole market weeks alone."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from core.group.selling import buyer_book, write_buyer, write_offer
from core.market.deductions import flat_deductions
from core.planning.case import CaseBuyer, DryingChoice, make_case
from core.planning.case_from_records import build_case
from core.planning.outlook import build_outlook
from core.planning.sale import plan_sale
from core.planning.schedule import late_bags
from core.planning.worth import spread_of
from tests.advice.groups import NOW, Heap, small_group

OFFER = CaseBuyer("offer", "mill", fixed_price=1e3, first_week=1, first_day=9, last_week=1, last_day=11)


def offered(**changes):
    """An invented group of wet lots to whom a mill pays well from Wednesday to Friday of the second week alone."""
    case = make_case(4, 6, 20, 3).with_changes(needs=(), reserves=())
    gate = replace(OFFER, code="gate", name="gate", fixed_price=0.1, first_week=0, first_day=0, last_week=None)
    return case.with_changes(buyers=(replace(gate, last_day=None), OFFER), **changes)


def test_grain_goes_to_an_offer_within_its_days_and_not_on_the_market_day_before():
    case = offered()  # of dry lots, which could go on the market day of that week
    case = case.with_changes(lots=tuple(replace(lot, moisture_pct=11.0, available_week=0) for lot in case.lots))
    plan = plan_sale(case)
    sold = [line for line in plan.sales if line.buyer == "mill"]
    assert sold
    for line in sold:
        assert case.start + timedelta(days=9) <= line.sell_on <= case.start + timedelta(days=11)
        assert line.paid_on >= line.sell_on


def test_what_dries_in_an_offers_last_week_is_dry_before_the_offer_ends():
    """A small space: not all can be dried by Friday, and what cannot is not promised to the mill."""
    case = offered()
    usual = case.drying[0]
    small = (DryingChoice(usual.code, usual.name, usual.method, 420.0, load_kg_m2=usual.load_kg_m2),)
    lots = tuple(replace(lot, available_week=1, moisture_pct=15.5, bags=12, commodity="maize") for lot in case.lots)
    picky = replace(OFFER, deductions=flat_deductions(13.5, 0.02, refusal_pct=14.0), refused_factor=0.0)
    case = case.with_changes(drying=small, lots=lots, buyers=(case.buyers[0], picky))
    outlook = build_outlook(case)
    plan = plan_sale(case, outlook)
    dried = [line for line in plan.sales if line.buyer == "mill" and line.setup]
    assert dried
    assert max(line.sell_on for line in dried) <= case.start + timedelta(days=11)
    assert late_bags(spread_of(outlook, plan.allocation)) == 0


@pytest.mark.parametrize("opened", [-3, 0, 2])
def test_an_offer_of_the_book_stands_from_its_own_day(tmp_path, opened):
    """Open three days ago, today, or in two days: in each case from that day on, or from today."""
    today = NOW.date()
    store = small_group(f"sqlite:///{tmp_path / 'x.sqlite3'}", [Heap("maize", 10, (12.0, 12.1))])
    group, at = store.groups()[0].id, datetime(2026, 5, 20, 8, tzinfo=UTC)
    write_buyer(store, group, {"name": "Mill", "distance_km": 5.0}, today, "test", at)
    number = buyer_book(store, group).buyers[-1].number
    begins, ends = today + timedelta(days=opened), today + timedelta(days=20)
    payload = {"buyer": number, "commodity": "maize", "price_per_kg": 900.0, "quantity_kg": 500.0}
    days = {"valid_from": begins.isoformat(), "valid_until": ends.isoformat()}
    write_offer(store, group, {**payload, **days}, today, "test", at)
    case = build_case(store, group, today).case
    [offer] = [who for who in case.buyers if who.fixed_price == 900.0]
    first: date = case.start + timedelta(days=offer.first_day)
    assert max(first, today) == max(begins, today)
    assert case.start + timedelta(days=offer.last_day or 0) == ends
    assert offer.first_week == case.week_of(max(begins, case.start))
    store.engine.dispose()
