"""Buyers, offers, deductions, transport and loans on grain."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from core.accounts.finance import InventoryCredit
from core.errors import InputError
from core.market.buyers import Buyer, Offer, delivery_proceeds, learn_offset, price_after_quantity, truck_cost
from core.market.deductions import Deductions


def test_whole_trips_are_paid():
    buyer = Buyer("mill", trip_cost=40, truck_kg=4000)
    np.testing.assert_array_equal(truck_cost([0, 1, 4000, 4001], buyer), [0, 40, 40, 80])


def test_a_market_that_is_brought_too_much_pays_less():
    buyer = Buyer("market", weekly_quantity_kg=1000, price_fall_per_double=0.1)
    np.testing.assert_allclose(price_after_quantity(100, [500, 1000, 2000, 4000], buyer), [100, 100, 90, 81])


def test_offset_is_learnt_from_deliveries_and_shrunk():
    assert learn_offset([], []).mean == 0
    # One delivery 0.5 point wetter on their meter: weight 0.25 / (0.25 + 0.16), by hand.
    assert learn_offset([13.0], [13.5]).mean == pytest.approx(0.5 * 0.25 / 0.41)
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


def test_offers_hold_on_their_days_and_are_weighed_by_their_chance():
    offer = Offer(Buyer("mill"), "maize", 40.0, date(2026, 3, 1), date(2026, 3, 31), chance_not_honoured=0.25)
    assert offer.stands_on(date(2026, 3, 31))
    assert not offer.stands_on(date(2026, 4, 1))
    assert offer.expected_price(28.0) == 37.0
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
