"""What the market room takes where nobody says otherwise: every other default is nothing, or no."""

from __future__ import annotations

import math

from tests.assumed import slipped

ASSUMED = {
    # a truck, a market and an offer without bounds until somebody gives one
    **dict.fromkeys(("AssumedTerms.truck_kg", "AssumedTerms.weekly_quantity_kg"), math.inf),
    **dict.fromkeys(("Buyer.truck_kg", "Buyer.weekly_quantity_kg", "Offer.quantity_kg"), math.inf),
    "AssumedTerms.chance_not_honoured": 0.1,
    "AssumedTerms.price_fall": 0.05,
    "AssumedTerms.discount_per_point": 0.02,  # two per cent a point, common practice of traders
    "learn_offset.prior_sd": 0.5,
    "learn_offset.delivery_sd": 0.4,
    "Deductions.reading_sd_pct": 0.4,
    "Buyer.price_factor": 1.0,
    "Buyer.price_fall_per_double": 0.1,
    "Basis.interval.share": 0.8,
    "SeasonalCurve.forecast.interval": 0.8,
    "learn_basis.prior_factor": 1.0,
}


def test_nothing_else_is_assumed_of_prices_and_buyers():
    assert slipped("market", ASSUMED) == {}
