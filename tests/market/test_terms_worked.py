"""Terms of buyers, one at a time: what is just allowed and just not, what stands unsaid, what an entry says."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date
from decimal import Decimal

import numpy as np
import pytest

from core.errors import InputError
from core.market.buyer_book import (
    AssumedTerms,
    WeighedTwice,
    buyer_from,
    loads_weighed_twice,
    offer_from,
    replay_buyers,
)
from core.market.buyers import Buyer, Offer, compare_bids, delivery_proceeds, learn_offset, price_after_quantity
from core.market.deductions import Deductions, chance_above, damage_kept, flat_deductions
from tests.market.test_buyer_book import Entry, mill

DAY = date(2026, 5, 20)


@pytest.mark.parametrize(
    ("allowed", "not_allowed"),
    [
        ({"counted_by_pct": 5.0}, {"counted_by_pct": 5.01}),
        ({"counted_by_pct": 0.0}, {"counted_by_pct": -0.01}),
        ({"reading_sd_pct": 5.0}, {"reading_sd_pct": 5.01}),
        ({"reading_sd_pct": 0.0}, {"reading_sd_pct": -0.01}),
        ({"damage_per_pct": 0.99}, {"damage_per_pct": 1.0}),
        ({"damage_per_pct": 0.0}, {"damage_per_pct": -0.01}),
        ({"refusal_pct": 2.0}, {"refusal_pct": 1.99}),
        ({"refusal_pct": 40.0}, {"refusal_pct": 40.01}),
        ({"base_pct": 13.0, "steps": ((14.0, 0.0),)}, {"base_pct": 13.0, "steps": ((13.0, 0.01),)}),
    ],
)
def test_the_last_deduction_that_is_allowed(allowed, not_allowed):
    Deductions(**allowed)
    with pytest.raises(InputError):
        Deductions(**not_allowed)


def test_three_steps_counted_by_parts_of_a_point_by_hand():
    """13 to 15 % at 1 %, to 18 % at 2 %, then 4 %, counted by 0.4 point: 18.5 % is 5.5 points, 14 x 0.4 = 5.6 of them:
    2 + 6 + 0.6 x 4 = 10.4 %; a meter 0.3 low reads 18.8 as 18.5; the scale takes 2 % of the mass.
    """
    rule = Deductions(13.0, ((15.0, 0.01), (18.0, 0.02), (30.0, 0.04)), 0.4, meter_offset_pct=-0.3, scale_offset=-0.02)
    assert rule.fraction(18.5) == pytest.approx(0.104)
    assert rule.kept(18.8) == pytest.approx(0.896)
    assert rule.our_base_pct == pytest.approx(13.3)
    assert rule.first_rate == 0.01
    assert Deductions().first_rate == 0.0
    exact = rule.exactly()
    assert exact.fraction(Decimal("18.5")) == Decimal("0.104")
    assert (exact.refusal_pct, replace(rule, refusal_pct=14.5).exactly().refusal_pct) == (None, Decimal("14.5"))
    assert Deductions().exactly().base_pct is None
    # one rate goes on to any moisture, of the kind of its base
    assert flat_deductions(Decimal(13), Decimal("0.01")).fraction(Decimal(20)) == Decimal("0.07")


def test_damage_below_nothing_is_none_and_a_far_reading_is_sure():
    assert damage_kept(0.1, -5.0) == 1.0
    assert damage_kept(0.1, 3.0) == pytest.approx(0.729)
    # one deviation below the limit 15.87 %, half at it; far off all or nothing
    np.testing.assert_allclose(
        chance_above(np.array([13.0, 14.0, 90.0, -90.0]), 14.0, 1.0), [0.1587, 0.5, 1, 0], atol=2e-4
    )
    assert chance_above(14.0, 14.0, 0.0) == 0.0


def test_the_last_terms_of_a_buyer_that_are_allowed():
    Buyer("x", chance_not_paid=0.0, price_fall_per_double=0.99, fee_share=0.99, truck_kg=0.1, weekly_quantity_kg=0.1)
    Buyer("x", price_factor=0.1, distance_km=0.0, trip_cost=0.0, pay_delay_days=0, minimum_kg=0.0)
    offer = {"price_per_kg": 0.1, "valid_from": DAY, "valid_until": DAY}
    Offer(Buyer("x"), "maize", **offer, chance_not_honoured=0.0)
    with pytest.raises(InputError):
        Offer(Buyer("x"), "maize", **offer, chance_not_honoured=-0.01)
    assert Offer(Buyer("x"), "maize", **offer).stands_on(DAY)
    assert not Offer(Buyer("x"), "maize", **offer).stands_on(date(2026, 5, 19))
    assert not Offer(Buyer("x"), "maize", **offer).stands_on(date(2026, 5, 21))


def test_what_stands_of_a_buyer_when_nobody_says():
    """The market's own price, nothing deducted, no trip, no fee, all crops, any quantity: all of the price is left."""
    plain = Buyer("x")
    assert plain.takes("maize")
    assert Buyer("x", commodities=("maize",)).takes("maize")
    assert not Buyer("x", commodities=("maize",)).takes("beans")
    made = delivery_proceeds(plain, 3.0, 500, 30.0)
    assert (made.accepted_chance, made.price_per_kg, made.gross, made.transport, made.net) == (
        1.0,
        3.0,
        1500.0,
        0.0,
        1500.0,
    )
    # grain that nobody called treated is not
    assert delivery_proceeds(replace(plain, refuses_treated=True), 3.0, 500, 12.0).accepted_chance == 1.0
    assert delivery_proceeds(plain, 3.0, 500, 12.0, treated=True).accepted_chance == 1.0
    assert not plain.refuses_treated
    assert not plain.inspects


def test_a_delivery_that_is_unsure_by_hand():
    """Moisture 13.8 on ours, 14.1 on theirs, limit 14.5; readings scatter by 0.3 and the lot by 0.4, 0.5 together: 0.8
    deviations below, refused in 21.19 %; a tenth is not paid. Price 2 x 0.9 x (1 - 1.1 x 3 %) x 0.96; scale + 1 %.
    """
    cut = flat_deductions(13.0, 0.03, refusal_pct=14.5, reading_sd_pct=0.3, meter_offset_pct=0.3, scale_offset=0.01)
    buyer = Buyer("x", 0.9, cut, trip_cost=7.0, truck_kg=300, chance_not_paid=0.1, fee_share=0.04)
    made = delivery_proceeds(buyer, 2.0, 700, 13.8, 0.4)
    assert made.accepted_chance == pytest.approx((1 - 0.2119) * 0.9, abs=2e-4)
    assert made.price_per_kg == pytest.approx(2 * 0.9 * (1 - 0.033) * 0.96)
    assert made.gross == pytest.approx(made.accepted_chance * made.price_per_kg * 707)
    assert made.transport == 21.0
    assert made.net == pytest.approx(made.gross - 21)


def test_half_as_much_again_falls_by_the_law_of_doubles():
    """A fall of 20 % for a double: 0.8 to the power log2(1.5) = 0.585."""
    buyer = Buyer("x", weekly_quantity_kg=400, price_fall_per_double=0.2)
    assert price_after_quantity(5.0, 600, buyer) == pytest.approx(5 * 0.8 ** math.log2(1.5))
    assert price_after_quantity(5.0, 300, buyer) == 5.0


def test_a_delivery_as_large_as_the_least_is_taken():
    for mass, refused in ((400, False), (399, True)):
        (bid,) = compare_bids([Buyer("x", minimum_kg=400)], [], "maize", 2.0, 1.0, mass, 12.0, 0.0, False, DAY, 0.03)
        assert bid.refused is refused
    # a buyer who refuses treated grain takes other grain, and who does not takes all
    for treated, refuses, refused in ((True, True, True), (False, True, False), (True, False, False)):
        buyer = Buyer("x", refuses_treated=refuses)
        (bid,) = compare_bids([buyer], [], "maize", 2.0, 1.0, 400, 12.0, 0.0, treated, DAY, 0.03)
        assert bid.refused is refused


def test_a_refused_load_is_sold_on_at_what_it_brings_and_the_best_bid_comes_first():
    """Refused in half: half of 2 a month later at 3 %, half at 0.8 now, the trip of 60 on 400 kg."""
    half = Deductions(refusal_pct=12.0, reading_sd_pct=0.7)
    first = Buyer("half", deductions=half, trip_cost=60, pay_delay_days=61)
    others = [Buyer("low", price_factor=0.4), Buyer("high", price_factor=0.9), Buyer("none", commodities=("beans",))]
    bids = compare_bids([first, *others], [], "maize", 2.0, 0.8, 400, 12.0, 0.0, False, DAY, 0.03)
    assert [bid.name for bid in bids] == ["high", "half", "low", "none"]
    assert bids[1].net_today_per_kg == pytest.approx(0.5 * 2 / 1.03 ** (61 / 30.4375) + 0.5 * 0.8 - 60 / 400)
    assert bids[0].taken_kg == 400


def test_an_offset_of_equal_deliveries_is_theirs():
    """Seven deliveries all half a point apart scatter by nothing: what they say is taken as it is."""
    found = learn_offset(np.full(7, 13.0), np.full(7, 13.5))
    assert (found.mean, found.deliveries) == (pytest.approx(0.5), 7)
    assert found.standard_deviation < 1e-5
    none = learn_offset([], [], 0.3, 0.7)
    assert (none.mean, none.deliveries) == (0.0, 0)
    assert none.standard_deviation == pytest.approx(math.hypot(0.3, 0.7))


def test_every_term_of_an_entry_reaches_the_buyer():
    """Each figure another; the price falls by half of what the rest sells lower."""
    terms = {
        "name": "  Hill mill ",
        "price_factor": "1.1",
        "distance_km": 17,
        "trip_cost": 9.0,
        "truck_kg": 3100,
        "pay_delay_days": 12,
        "weekly_quantity_kg": 5200,
        "price_fall": 0.14,
        "commodities": ["maize", "sorghum"],
        "minimum_kg": 210,
        "fee_share": 0.03,
        "inspects": True,
        "refuses_treated": True,
        "refuses_above_pct": 14.5,
        "counted_by_pct": 0.5,
        "damage_per_pct": 0.02,
        "discount_from_pct": 13.0,
        "second_from_pct": 15.0,
        "only_offers": None,
    }
    buyer, entered = buyer_from(terms, AssumedTerms(discount_per_point=0.015))
    assert buyer == Buyer(
        "Hill mill",
        1.1,
        Deductions(13.0, ((15.0, 0.015), (100.0, 0.015)), 0.5, 14.5, damage_per_pct=0.02),
        True,
        17.0,
        9.0,
        3100.0,
        12,
        0.0,
        5200.0,
        0.07,
        commodities=("maize", "sorghum"),
        minimum_kg=210.0,
        fee_share=0.03,
        inspects=True,
    )
    assert entered == set(terms) - {"name", "only_offers"}
    # a buyer at the gate needs no trip; one 8 km off costs the hire of 5 and 16 km at 0.25
    assumed = AssumedTerms(trip_cost=5.0, km_cost=0.25)
    assert buyer_from({"name": "x", "distance_km": 0}, assumed)[0].trip_cost == 0.0
    assert buyer_from({"name": "x", "distance_km": 8}, assumed)[0].trip_cost == 9.0
    for wrong in ({"name": " "}, {}, {"name": "x", "truck_kg": "many"}):
        with pytest.raises(InputError):
            buyer_from(wrong, assumed)


def test_every_term_of_an_offer_and_what_is_assumed():
    payload = {"of": 3, "buyer": 1, "commodity": "maize", "price_per_kg": 31, "valid_from": "2026-05-01"}
    payload |= {"valid_until": "2026-06-02", "quantity_kg": 900}
    offer, entered = offer_from(payload, Buyer("x"), AssumedTerms(chance_not_honoured=0.13))
    assert offer == Offer(Buyer("x"), "maize", 31.0, date(2026, 5, 1), date(2026, 6, 2), 900.0, 0.13)
    assert entered == {"commodity", "price_per_kg", "valid_from", "valid_until", "quantity_kg"}
    for wrong in ({"valid_until": None}, {"price_per_kg": None}, {"commodity": "beans"}):
        with pytest.raises(InputError):
            offer_from(payload | wrong, Buyer("x", commodities=("maize",)), AssumedTerms())


def test_loads_of_others_teach_nothing_of_a_buyer():
    """Three loads of the mill, whose scale reads 1 % low, and three of another, 5 % high; the mill tells nothing."""
    loads = [WeighedTwice("HILL mill ", 1000, 990, 13.0, 13.6)] * 3 + [
        WeighedTwice("Low mill", 1000, 1050, 13.0, 12.0)
    ] * 3
    buyer, _ = buyer_from(mill(own_meter=True, own_scale=True), AssumedTerms(), loads)
    # weights by hand: 3 / 0.16 against 1 / 0.25; 3 / 0.005^2 against 1 / 0.01^2
    assert buyer.own_meter.mean == pytest.approx(0.6 * (3 / 0.16) / (4 + 3 / 0.16))
    assert buyer.own_scale.mean == pytest.approx(-0.01 * 120_000 / 130_000)
    assert buyer.deductions.reading_sd_pct == pytest.approx(math.sqrt(1 / (4 + 3 / 0.16) + 0.16))
    # instruments that do not decide move nothing, whatever they read
    other, _ = buyer_from(mill(), AssumedTerms(), loads)
    assert (other.own_meter, other.own_scale) == (None, None)
    assert (other.deductions.meter_offset_pct, other.deductions.scale_offset) == (0.0, 0.0)
    assert other.deductions.reading_sd_pct == Deductions().reading_sd_pct


def test_sales_without_all_four_figures_teach_nothing():
    sale = {"buyer": "x", "loaded_kg": "800", "buyer_kg": 790, "loaded_moisture_pct": 13, "buyer_moisture_pct": "13.5"}
    assert loads_weighed_twice([Entry(1, "sale", sale)]) == [WeighedTwice("x", 800.0, 790.0, 13.0, 13.5)]
    for key in ("loaded_kg", "buyer_kg", "loaded_moisture_pct", "buyer_moisture_pct"):
        for wrong in (
            sale | {key: None},
            sale | {key: "some"},
            {name: value for name, value in sale.items() if name != key},
        ):
            assert loads_weighed_twice([Entry(1, "sale", wrong)]) == []
    assert loads_weighed_twice([Entry(1, "delivery", sale)]) == []


def test_the_book_knows_who_wrote_what_when():
    offer = {"commodity": "maize", "price_per_kg": 30, "valid_from": "2026-05-01", "valid_until": "2026-06-01"}
    entries = [
        Entry(1, "buyer", mill(only_offers=True)),
        Entry(2, "buyer", {"name": "Low mill"}),
        Entry(3, "offer", offer | {"buyer": 2}),
        Entry(4, "withdrawn", {"of": 1}, date(2026, 5, 9), "B"),
    ]
    book = replay_buyers(entries, AssumedTerms())
    assert [(entry.number, entry.only_offers, entry.changes, entry.changed_by) for entry in book.buyers] == [
        (1, True, 0, "A"),
        (2, False, 0, "A"),
    ]
    assert [entry.withdrawn_on for entry in book.buyers] == [date(2026, 5, 9), None]
    assert [entry.number for entry in book.standing_buyers()] == [2]
    assert [(entry.number, entry.buyer_number, entry.changes) for entry in book.offers] == [(3, 2, 0)]
    assert [(entry.id, name) for entry, name in book.withdrawals(entries, DAY)] == [(4, "Hill mill")]
