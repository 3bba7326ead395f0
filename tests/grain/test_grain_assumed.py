"""What the grain room takes where nobody says otherwise: every other default is nothing, or no."""

from __future__ import annotations

from tests.assumed import slipped

ASSUMED = {
    # an isotherm is believed from 5 to 50 degrees and from 10 to 90 % of humidity where its source says nothing else
    "IsothermSet.temperature_range_c": (5.0, 50.0),
    "IsothermSet.humidity_range_pct": (10.0, 90.0),
    "IsothermSet.compared": True,
    "ThinLayer.time_scale": 1.0,
    "ThinLayer.exponent": 1.0,  # Lewis: a plain exponential
    "Commodity.porosity": 0.4,
}


def test_nothing_else_is_assumed_of_grain():
    assert slipped("grain", ASSUMED) == {}
