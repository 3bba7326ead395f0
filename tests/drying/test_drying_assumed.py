"""What the drying room takes where nobody says otherwise: every other default is nothing, or no."""

from __future__ import annotations

from tests.assumed import slipped

ASSUMED = {
    "RateBelief.interval.coverage": 0.8,
    "update_belief.bias_sd": 0.4,
    "learn_rate.bias_sd": 0.4,
    "DryingSetup.area_m2": 10.0,
    "DryingSetup.rate_factor": 1.0,  # as the table has it
}


def test_nothing_else_is_assumed_of_drying():
    assert slipped("drying", ASSUMED) == {}
