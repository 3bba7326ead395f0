"""The book of buyers: entries are only added, and what stands follows from all of them."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np
import pytest

from core.errors import InputError
from core.market.buyer_book import ENTERED_OFFSET_SD, AssumedTerms, WeighedTwice, loads_weighed_twice, replay_buyers
from core.market.buyers import Buyer, Offer, compare_bids
from core.market.deductions import flat_deductions

DAY = date(2026, 5, 1)
ASSUMED = AssumedTerms(trip_cost=10, km_cost=0.5, truck_kg=4000, weekly_quantity_kg=6000, price_fall=0.1)


@dataclass(frozen=True)
class Entry:
    """An entry as the database returns it."""

    id: int
    kind: str
    payload: dict[str, Any]
    on: date = DAY
    who: str = "A"
    reverses: int | None = None
    extra: dict[str, Any] = field(default_factory=dict)


def mill(**terms: Any) -> dict[str, Any]:
    return {"name": "Hill mill", "distance_km": 20.0, **terms}


def test_new_terms_replace_old_ones_and_nothing_is_lost():
    entries = [
        Entry(1, "buyer", mill(pay_delay_days=7)),
        Entry(4, "buyer", {"of": 1, **mill(pay_delay_days=14)}, date(2026, 5, 3), "B"),
    ]
    book = replay_buyers(entries, ASSUMED)
    assert len(book.buyers) == 1
    entry = book.buyers[0]
    assert (entry.number, entry.changes, entry.changed_by) == (1, 1, "B")
    assert entry.buyer.pay_delay_days == 14
    # 10 for the trip and 2 x 20 km at 0.5, by hand; nobody entered it.
    assert entry.buyer.trip_cost == 30
    assert "trip_cost" not in entry.entered
    assert "pay_delay_days" in entry.entered


def test_what_is_withdrawn_stands_no_more_but_stays_in_the_book():
    offer = {
        "buyer": 1,
        "commodity": "maize",
        "price_per_kg": 30,
        "valid_from": "2026-05-01",
        "valid_until": "2026-06-01",
    }
    entries = [Entry(1, "buyer", mill()), Entry(2, "offer", offer), Entry(3, "offer", {**offer, "price_per_kg": 31})]
    book = replay_buyers(entries, ASSUMED)
    assert [item.offer.price_per_kg for item in book.standing_offers(DAY)] == [30, 31]
    assert book.standing_offers(date(2026, 6, 2)) == []
    book = replay_buyers([*entries, Entry(5, "withdrawn", {"of": 2})], ASSUMED)
    assert [item.number for item in book.standing_offers(DAY)] == [3]
    assert len(book.offers) == 2
    book = replay_buyers([*entries, Entry(6, "withdrawn", {"of": 1})], ASSUMED)
    assert book.standing_buyers() == []
    assert book.standing_offers(DAY) == []


def test_an_offer_follows_new_terms_of_its_buyer():
    offer = {
        "buyer": 1,
        "commodity": "maize",
        "price_per_kg": 30,
        "valid_from": "2026-05-01",
        "valid_until": "2026-06-01",
    }
    entries = [
        Entry(1, "buyer", mill()),
        Entry(2, "offer", offer),
        Entry(3, "buyer", {"of": 1, **mill(refuses_treated=True)}),
    ]
    assert replay_buyers(entries, ASSUMED).standing_offers(DAY)[0].offer.buyer.refuses_treated


def test_a_mistake_is_undone_by_an_entry_that_reverses_it():
    entries = [Entry(1, "buyer", mill()), Entry(2, "withdrawn", {"of": 1}), Entry(3, "reversal", {}, reverses=2)]
    assert len(replay_buyers(entries, ASSUMED).standing_buyers()) == 1


def test_impossible_entries_get_a_sentence():
    for entries in (
        [Entry(1, "buyer", {"name": " "})],
        [Entry(1, "buyer", mill(fee_share=1.5))],
        [Entry(1, "buyer", mill(refuses_above_pct=80))],
        [Entry(1, "buyer", mill(discount_from_pct=14, second_from_pct=13))],
        [Entry(1, "withdrawn", {"of": 9})],
        [Entry(1, "buyer", {"of": 7, **mill()})],
        [Entry(1, "offer", {"buyer": 5, "commodity": "maize"})],
        [
            Entry(1, "buyer", mill()),
            Entry(2, "offer", {"buyer": 1, "commodity": "maize", "price_per_kg": 3, "valid_from": "x"}),
        ],
    ):
        with pytest.raises(InputError):
            replay_buyers(entries, ASSUMED)


def test_a_schedule_of_two_steps_is_read_as_posted():
    # Posted soya sheet: 3 % a point from 13 to 15 %, 6 % above: at 16 %, 12 %.
    terms = mill(discount_from_pct=13, discount_per_point=0.03, second_from_pct=15, second_per_point=0.06)
    buyer = replay_buyers([Entry(1, "buyer", terms)], ASSUMED).buyers[0].buyer
    assert float(buyer.deductions.fraction(16.0)) == pytest.approx(0.12)


def test_offsets_are_learnt_from_loads_that_both_sides_weighed():
    sale = {
        "buyer": "hill mill",
        "loaded_kg": "1000",
        "buyer_kg": "990",
        "loaded_moisture_pct": "13.0",
        "buyer_moisture_pct": "13.5",
    }
    loads = loads_weighed_twice([Entry(1, "sale", sale), Entry(2, "delivery", {}), Entry(3, "sale", {"buyer": "x"})])
    assert loads == [WeighedTwice("hill mill", 1000, 990, 13.0, 13.5)]
    book = replay_buyers([Entry(1, "buyer", mill(own_meter=True, own_scale=True))], ASSUMED, loads)
    buyer = book.buyers[0].buyer
    # Normal mean, normal prior (Gelman et al. 2013): 0.5 x 0.5^2 / (0.5^2 + 0.4^2); -0.01 x 0.01^2 / (0.01^2 +
    # 0.005^2).
    assert buyer.own_meter.mean == pytest.approx(0.5 * 0.25 / 0.41)
    assert buyer.own_scale.mean == pytest.approx(-0.01 * 0.8)
    # Told that the meter shows 1.0 more and the scale 2 % less: loads of 0.5 and 1 % less move them back by their own
    # weights, 0.3² / (0.3² + 0.4²) and so on.
    terms = mill(own_meter=True, own_scale=True, meter_offset_pct=1.0, scale_offset=-0.02)
    moved = replay_buyers([Entry(1, "buyer", terms)], ASSUMED, loads).buyers[0].buyer
    points, share = (sd**2 for sd in ENTERED_OFFSET_SD)
    assert moved.own_meter.mean == pytest.approx(1.0 - 0.5 * points / (points + 0.16))
    assert moved.own_scale.mean == pytest.approx(-0.02 + 0.01 * share / (share + 0.005**2))
    assert moved.deductions.meter_offset_pct == pytest.approx(moved.own_meter.mean, abs=5e-4)
    assert moved.deductions.scale_offset == pytest.approx(moved.own_scale.mean, abs=5e-6)
    # What people tell is the start, and loads move it.
    told = replay_buyers([Entry(1, "buyer", mill(own_meter=True, meter_offset_pct=1.0))], ASSUMED).buyers[0].buyer
    assert told.own_meter.mean == 1.0


def test_bids_are_compared_by_what_is_left_today():
    """By hand: market 1.00 less a truck of 100 for 1000 kg = 0.90.

    Offer 1.10, paid after two months at 5 % = 1.10 / 1.1025 - 0.02.
    """
    near = Buyer("market", trip_cost=100, distance_km=10)
    mill_ = Buyer("mill", trip_cost=20, distance_km=2, pay_delay_days=61)
    offer = Offer(mill_, "maize", 1.10, DAY, DAY)
    bids = compare_bids([near], [offer], "maize", 1.0, 0.7, 1000, 12.5, 0.0, False, DAY, 0.05)
    assert [bid.name for bid in bids] == ["mill", "market"]
    assert bids[1].net_today_per_kg == pytest.approx(0.90)
    assert bids[0].net_today_per_kg == pytest.approx(1.10 / 1.05 ** (61 / 30.4375) - 0.02)
    later = compare_bids([near], [offer], "maize", 1.0, 0.7, 1000, 12.5, 0.0, False, date(2026, 5, 2), 0.05)
    assert [bid.name for bid in later] == ["market"]


def test_a_broken_offer_is_sold_on_the_spot():
    """Chance 0.25 that 1.20 becomes 0.70: 0.9 + 0.175."""
    offer = Offer(Buyer("mill"), "maize", 1.2, DAY, DAY, chance_not_honoured=0.25)
    bid = compare_bids([], [offer], "maize", 1.0, 0.7, 1000, 12.5, 0.0, False, DAY, 0.0)[0]
    assert bid.net_today_per_kg == pytest.approx(0.75 * 1.2 + 0.25 * 0.7)


def test_who_does_not_take_the_grain_stands_last():
    picky = Buyer("organic", price_factor=2, refuses_treated=True)
    other = Buyer("bean mill", price_factor=3, commodities=("common_bean",))
    plain = Buyer("trader", deductions=flat_deductions(13.0, 0.02))
    bids = compare_bids([picky, other, plain], [], "maize", 1.0, 0.7, 1000, 14.0, 0.0, True, DAY, 0.02)
    assert bids[0].name == "trader"
    assert bids[0].net_today_per_kg == pytest.approx(0.98)
    assert all(bid.refused for bid in bids[1:])
    assert np.isfinite([bid.net_today_per_kg for bid in bids]).all()


def test_a_load_that_weighed_nothing_on_one_side_teaches_nothing():
    sale = {"buyer": "x", "loaded_kg": 1000, "buyer_kg": 990, "loaded_moisture_pct": 13, "buyer_moisture_pct": 13}
    for nothing in ("loaded_kg", "buyer_kg"):
        assert loads_weighed_twice([Entry(1, "sale", sale | {nothing: 0})]) == []
        assert loads_weighed_twice([Entry(1, "sale", sale | {nothing: 0.5})])


def test_terms_of_an_entry_by_hand():
    """A price that falls by 10 % for what is too much falls by 5 % for all when twice the week's quantity comes."""
    buyer = replay_buyers([Entry(1, "buyer", mill())], ASSUMED).buyers[0].buyer
    assert (buyer.price_factor, buyer.truck_kg, buyer.weekly_quantity_kg) == (1.0, 4000, 6000)
    assert buyer.price_fall_per_double == pytest.approx(0.05)
    assert (buyer.minimum_kg, buyer.chance_not_paid, buyer.own_meter) == (0.0, 0.0, None)
    near = replay_buyers([Entry(1, "buyer", {"name": "near"})], ASSUMED).buyers[0].buyer
    assert near.trip_cost == 0.0  # no way, no trip
    deducted = replay_buyers([Entry(1, "buyer", mill(discount_from_pct=14))], ASSUMED).buyers[0].buyer.deductions
    assert deducted.steps == ((100.0, ASSUMED.discount_per_point),)
    assert deducted.refusal_pct is None
    changed = [Entry(1, "buyer", mill()), *(Entry(n, "buyer", {"of": 1, **mill()}) for n in (2, 3))]
    assert replay_buyers(changed, ASSUMED).buyers[0].changes == 2


def test_an_offer_on_its_last_day_stands_and_its_withdrawal_can_be_undone_until_then():
    offer = {
        "buyer": 1,
        "commodity": "maize",
        "price_per_kg": 30,
        "valid_from": "2026-05-01",
        "valid_until": "2026-06-01",
    }
    entries = [Entry(1, "buyer", mill()), Entry(2, "offer", offer), Entry(3, "withdrawn", {"of": 2})]
    last = date(2026, 6, 1)
    assert replay_buyers(entries[:2], ASSUMED).standing_offers(last)
    book = replay_buyers(entries, ASSUMED)
    assert [name for _entry, name in book.withdrawals(entries, last)] == ["Hill mill (2026-06-01)"]
    assert book.withdrawals(entries, date(2026, 6, 2)) == []
    changes = [*entries[:2], Entry(4, "offer", {"of": 2, **offer}), Entry(5, "offer", {"of": 2, **offer})]
    assert replay_buyers(changes, ASSUMED).offers[0].changes == 2
