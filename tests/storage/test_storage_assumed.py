"""What the storage room takes where nobody says otherwise: every other default is nothing, or no."""

from __future__ import annotations

import math

from tests.assumed import slipped

LAYOUT = {"keeping_table.temperatures_c", "keeping_table.humidities_pct"}  # which rows a wall table shows
HAND_SHELLED = 5.0  # % of kernels damaged; published tables use 30
ASSUMED = {
    "StorageLimits.mould_share": 0.05,
    "StorageLimits.toxin_hours": 72.0,  # three days
    "StorageLimits.damp_loss_pct": 0.25,
    "StorageLimits.damaged_kernels_pct": 5.0,
    "keeps_until.certainty": 0.95,
    "BuyerTerms.damaged_limit_pct": 5.0,
    "BuyerTerms.bags_opened": 5,
    "BuyerTerms.dust_limit_pct": 1.0,
    **dict.fromkeys(("BuyerTerms.sieved_kg", "start_from_sieve.sieved_kg", "chance_seen.sieved_kg"), 1.0),
    **dict.fromkeys(("Retest.sieved_kg", "simulate_storage.sieved_kg"), 1.0),
    **dict.fromkeys(("ageing_rate.damaged_pct", "dry_matter_loss.damaged_pct"), HAND_SHELLED),
    **dict.fromkeys(("safe_storage_days.damaged_pct", "simulate_storage.damaged_pct"), HAND_SHELLED),
    "safe_storage_days.loss_limit_pct": 0.5,  # the published allowable loss of dry matter
    "Position.open_to_insects": True,
    "RetestCosts.test_cost": 1.0,
    "RetestCosts.lot_value": 300.0,
    "RetestCosts.daily_loss_share": 0.005,
    "RetestCosts.shortest_days": 3,
    "RetestCosts.longest_days": 56,
    "schedule_tests.bags_per_day": 60,
    "Retest.moisture_sd": 0.5,
    "Belief.degrees_of_freedom": math.inf,
    "greatest_risk.verdict_risk": 0.05,  # one in twenty
    "storage_refusal.verdict_risk": 0.05,
    "simulate_storage.resistance": 1.0,  # an ordinary variety
    "simulate_storage.every": 1,  # each day
}


def test_nothing_else_is_assumed_of_storage():
    assert set(slipped("storage", ASSUMED)) <= LAYOUT
