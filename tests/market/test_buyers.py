"""Buyers, offers, deductions, transport and loans on grain."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from core.accounts.finance import InventoryCredit
from core.errors import InputError
from core.market.buyers import (
    Buyer,
    Offer,
    compare_bids,
    delivery_proceeds,
    learn_offset,
    price_after_quantity,
    truck_cost,
)
from core.market.deductions import Deductions, flat_deductions


def test_whole_trips_are_paid():
    buyer = Buyer("mill", trip_cost=40, truck_kg=4000)
    np.testing.assert_array_equal(truck_cost([0, 1, 4000, 4001], buyer), [0, 40, 40, 80])
    # a handful is a trip too, and a hair over a full truck is none
    np.testing.assert_array_equal(truck_cost([1e-7, 0.5, 4000 + 1e-6], buyer), [40, 40, 40])


def test_a_market_that_is_brought_too_much_pays_less():
    buyer = Buyer("market", weekly_quantity_kg=1000, price_fall_per_double=0.1)
    np.testing.assert_allclose(price_after_quantity(100, [500, 1000, 2000, 4000], buyer), [100, 100, 90, 81])


def test_offset_is_learnt_from_deliveries_and_shrunk():
    assert learn_offset([], []).mean == 0
    # One delivery 0.5 point wetter on their meter: weight 0.25 / (0.25 + 0.16), by hand.
    assert learn_offset([13.0], [13.5]).mean == pytest.approx(0.5 * 0.25 / 0.41)
    # Five deliveries keep the usual scatter, 0.4: 1.0 x (5 / 0.16) / (4 + 5 / 0.16). Six have their own: here
    # differences of 0.9 and 1.1 by turns, 0.1 x sqrt(6 / 5); the next one scatters so, and by the doubt of the mean.
    five = learn_offset(np.full(5, 13.0), np.full(5, 14.0))
    assert five.mean == pytest.approx(31.25 / 35.25)
    assert five.standard_deviation == pytest.approx((1 / 35.25 + 0.16) ** 0.5)
    six = learn_offset(np.full(6, 13.0), 14.0 + 0.1 * np.tile([-1, 1], 3))
    assert six.mean == pytest.approx(500 / 504)
    assert six.standard_deviation == pytest.approx((1 / 504 + 0.012) ** 0.5)
    assert learn_offset([13.0, np.nan], [13.5, 13.0]).deliveries == 1
    many = learn_offset(np.full(40, 13.0), 13.5 + 0.1 * np.tile([-1, 1], 20))
    assert many.mean == pytest.approx(0.5, abs=0.01)


def test_a_wetter_meter_risks_refusal_and_a_refused_load_still_pays_its_truck():
    fair = Buyer("fair", deductions=Deductions(refusal_pct=13.5, reading_sd_pct=0.0), trip_cost=10)
    own = Deductions(refusal_pct=13.5, reading_sd_pct=0.3, meter_offset_pct=1.0)
    wet = Buyer("wet", deductions=own, trip_cost=10)
    assert delivery_proceeds(fair, 1.0, 1000, 13.0).net == 990
    risky = delivery_proceeds(wet, 1.0, 1000, 13.0)
    assert risky.accepted_chance < 0.1
    assert risky.net == pytest.approx(1000 * risky.accepted_chance - 10)
    refuses = Buyer("organic", refuses_treated=True, trip_cost=10)
    assert delivery_proceeds(refuses, 1.0, 1000, 13.0, treated=True).net == -10


def test_offers_hold_on_their_days():
    offer = Offer(Buyer("mill"), "maize", 40.0, date(2026, 3, 1), date(2026, 3, 31), chance_not_honoured=0.25)
    assert offer.stands_on(date(2026, 3, 31))
    assert not offer.stands_on(date(2026, 4, 1))
    with pytest.raises(InputError):
        Offer(Buyer("mill"), "maize", 40.0, date(2026, 3, 2), date(2026, 3, 1))


def test_loan_on_grain_against_numpy_financial():
    financial = pytest.importorskip("numpy_financial")
    credit = InventoryCredit(loan_share=0.7, monthly_interest=0.02, fee_share=0.01)
    assert credit.cash_now(1000, 0.30) == pytest.approx(0.7 * 300 * 0.99)
    assert credit.owed(1000, 0.30, 6) == pytest.approx(-financial.fv(0.02, 6, 0, 210))
    with pytest.raises(InputError):
        InventoryCredit(0.7, 0.02, longest_months=6).net_at_sale(1000, 0.4, 0.3, 7, 0.01)


def test_wheat_example_of_the_farm_press():
    # Published: wheat 20 June-15 November, 148 days, storage 0.0013 $/day and interest 0.00092 $/day: 19 + 14 = 33
    # cents (32.86).
    from core.market.costs import breakeven_price

    days = 148
    needed = breakeven_price(3.0, 1, 0.00092 * days / 3.0, 0.0, 0.0013 * days) - 3.0
    assert needed == pytest.approx(0.3286, abs=0.0005)


def test_fee_scale_deductions_and_quantity_all_take_from_the_price():
    """By hand: 1000 kg at 2.00 x 1.1, 5 % fee, 2 % deducted for one point, the scale reads 1 % low, truck 30.

    2.2 x 0.98 x 0.95 = 2.0482 a kg, on 990 kg 2027.718, less 30. Twice the week's quantity at a fall of 10 %: 0.9.
    """
    cut = flat_deductions(13.5, 0.02, scale_offset=-0.01)
    buyer = Buyer("mill", price_factor=1.1, deductions=cut, fee_share=0.05, trip_cost=30, truck_kg=1000)
    made = delivery_proceeds(buyer, 2.0, 1000, 14.5)
    assert made.price_per_kg == pytest.approx(2.0482)
    assert made.net == pytest.approx(2027.718 - 30)
    full = replace(buyer, weekly_quantity_kg=500, price_fall_per_double=0.1)
    assert delivery_proceeds(full, 2.0, 1000, 14.5).price_per_kg == pytest.approx(2.0482 * 0.9)
    unsure = replace(buyer, chance_not_paid=0.25)
    assert delivery_proceeds(unsure, 2.0, 1000, 14.5).net == pytest.approx(0.75 * 2027.718 - 30)


def test_a_bid_counts_interest_until_the_money_comes_and_what_is_not_taken():
    """2 % a month, paid after a month: 1 / 1.02; an offer of 400 kg takes 400; a buyer who wants more takes nothing."""
    late = Buyer("late", pay_delay_days=30, minimum_kg=500)
    offer = Offer(Buyer("small"), "maize", 1.5, date(2026, 5, 1), date(2026, 5, 31), quantity_kg=400)
    bids = {
        bid.name: bid
        for bid in compare_bids([late], [offer], "maize", 1.0, 0.7, 450, 12.0, 0.0, False, date(2026, 5, 20), 0.02)
    }
    assert bids["late"].refused
    assert bids["late"].net_today_per_kg == pytest.approx(1.02 ** (-30 / 30.4375))
    assert (bids["small"].taken_kg, bids["small"].refused) == (400, False)
    assert bids["small"].net_today_per_kg == pytest.approx(1.5)


@pytest.mark.parametrize(
    "wrong",
    [
        {"chance_not_paid": 1.1},
        {"chance_not_paid": -0.1},
        {"price_fall_per_double": 1.0},
        {"price_fall_per_double": -0.1},
        {"truck_kg": 0.0},
        {"weekly_quantity_kg": 0.0},
        {"price_factor": 0.0},
        {"distance_km": -1.0},
        {"trip_cost": -1.0},
        {"pay_delay_days": -1},
        {"minimum_kg": -1.0},
        {"fee_share": 1.0},
        {"fee_share": -0.1},
    ],
)
def test_each_impossible_term_is_refused_alone(wrong):
    with pytest.raises(InputError):
        Buyer("mill", **wrong)
    Buyer("mill", chance_not_paid=1.0, price_fall_per_double=0.0, fee_share=0.0)


def test_each_impossible_offer_is_refused_alone():
    fine = {"price_per_kg": 40.0, "valid_from": date(2026, 3, 1), "valid_until": date(2026, 3, 1)}
    Offer(Buyer("mill"), "maize", **fine, chance_not_honoured=1.0)
    for wrong in ({"price_per_kg": 0.0}, {"valid_until": date(2026, 2, 28)}, {"chance_not_honoured": 1.01}):
        with pytest.raises(InputError):
            Offer(Buyer("mill"), "maize", **(fine | wrong))


def test_a_broken_offer_is_worth_what_the_market_gives_and_never_more_than_it():
    """1000 kg at 1.2 less 20 % not honoured and 10 % not paid: 0.72 are; the rest at 0.7, trip 50."""
    buyer = Buyer("mill", chance_not_paid=0.1, trip_cost=50, price_factor=0.5, weekly_quantity_kg=100)
    offer = Offer(buyer, "maize", 1.2, date(2026, 5, 1), date(2026, 5, 31), chance_not_honoured=0.2)
    other = Offer(buyer, "beans", 9.0, date(2026, 5, 1), date(2026, 5, 31))
    (bid,) = compare_bids([], [offer, other], "maize", 1.0, 0.7, 1000, 12.0, 0.0, False, date(2026, 5, 2), 0.0)
    assert bid.net_today_per_kg == pytest.approx((0.72 * 1200 + 0.28 * 0.7 * 1000 - 50) / 1000)
    (bid,) = compare_bids([], [offer], "maize", 1.0, 5.0, 1000, 12.0, 0.0, False, date(2026, 5, 2), 0.0)
    assert bid.net_today_per_kg == pytest.approx(1.2 - 0.05)
