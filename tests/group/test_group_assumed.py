"""What a group's records take where nobody says otherwise: every other default is nothing, or no."""

from __future__ import annotations

import math

from tests.assumed import slipped

RISK = 0.05  # one in twenty, one-sided: common practice
ASSUMED = {
    # keeping to 70 % of the air's humidity for a season, 65 % for longer (common practice: mould above 70 %)
    **dict.fromkeys(("keeping_humidity.short_pct", "keeping_limit.short_pct", "choose_limit.short_pct"), 70.0),
    **dict.fromkeys(("keeping_humidity.long_pct", "keeping_limit.long_pct", "choose_limit.long_pct"), 65.0),
    "choose_limit.warmest_c": 32.0,
    "JudgingRules.months": 6.0,
    "JudgingRules.warmest_c": 32.0,
    "JudgingRules.short_pct": 70.0,
    "JudgingRules.long_pct": 65.0,
    "JudgingRules.refusal_share": 0.15,
    "JudgingRules.drying_day_cost_per_tonne": 3.0,
    "JudgingRules.price_per_kg": 0.3,
    "expected_mass_out.turnout": 0.8,
    "expected_mass_out.loss": 0.02,
    # a meter that nobody checked; an oven to compare with
    "MeterError.moisture_sd": 0.5,
    "meter_error.moisture_sd": 0.5,
    "estimate_lot.meter_bias_sd": 0.5,
    "MeterError.humidity_sd": 2.0,
    "meter_error.humidity_sd": 2.0,
    "MeterSettings.temperature_sd": 0.5,
    "bias_from_pairs.reference_sd": 0.15,
    "GrainStore.seasons": 1.0,  # a bag serves once
    "TableOptions.new_lots": True,
    "TableOptions.new_members": True,
    "LotMoisture.degrees_of_freedom": math.inf,
    "LotMoisture.bags": 1,
    "LotMoisture.bags_probed": 1,
    "LotMoisture.readings": 1,
    "LotMoisture.interval.coverage": 0.9,
    "bags_for_precision.confidence": 0.95,
    "estimate_lot.usual_bag_sd": 0.75,
    "acceptance_limit.freedom": math.inf,
    "judge_dryness.risk": RISK,
    "more_bags_to_settle.risk": RISK,
    "judge_bags.risk": RISK,
    "judge_bags.allowed_share": 0.05,
    "crop_prices.gate_factor": 1.0,
    "basis_to.prior_factor": 1.0,
}


def test_nothing_else_is_assumed_of_a_groups_records():
    assert slipped("group", ASSUMED) == {}
